package export

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"time"

	_ "github.com/duckdb/duckdb-go/v2"
	protocol "github.com/influxdata/line-protocol"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/store"
)

var anchor = time.Date(2026, 3, 2, 6, 0, 0, 123_450_000, time.UTC)

const setup = `seed sachet | "wavy", 40 mm = lip`

func channel(name string, kind sample.Kind, station string, scale float64) sample.Channel {
	nan := math.NaN()
	return sample.Channel{Name: name, Kind: kind, Station: station, Scale: scale, OnAbove: 0.5, Resolution: scale, Accuracy: nan, IntervalS: 0.01, UpdateS: nan, LagS: nan}
}

// newTrial makes a trial of two groups: a block with a vacuum, a flow and a supply channel of
// the left station, and a meter of the whole rig whose counts may be anything.
func newTrial(t *testing.T) *store.Trial {
	t.Helper()
	vacuum := channel("left vacuum", sample.Vacuum, "left", 0.025)
	vacuum.Limits = sample.Limits{SaturatedLo: -4096, SaturatedHi: 4095}
	path := filepath.Join(t.TempDir(), "hall.gtrial")
	file, err := store.Create(path, store.Header{Program: "test", AnchorUTC: anchor, Stations: []string{"left", "right"}, Groups: []sample.Group{
		{Name: "block, io", Channels: []sample.Channel{vacuum, channel("left flow", sample.Flow, "left", 0.1), channel("left supply", sample.Supply, "left", 1)}},
		{Name: "meter", Channels: []sample.Channel{channel("power", sample.Power, "", 0.5)}}}})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, file.Close()) })
	return file
}

// seconds stores so many seconds of samples: the block at 100 Hz, the meter at 10 Hz and
// committed behind it, with faults, missing and saturated counts.
func seconds(t *testing.T, file *store.Trial, n int) {
	t.Helper()
	r := rand.New(rand.NewPCG(5, 6))
	var batches []sample.Batch
	for s := range int64(n) {
		block := sample.Batch{Counts: make([][]int64, 3)}
		for i := range int64(100) {
			block.T = append(block.T, s*1e9+i*1e7+r.Int64N(100)*sample.TickNS)
			block.Half = append(block.Half, 50_000)
			v := r.Int64N(4000)
			switch {
			case i == 30:
				v = sample.Missing
			case i == 31:
				v = 4095 // saturated
			}
			block.Counts[0] = append(block.Counts[0], v)
			block.Counts[1] = append(block.Counts[1], -r.Int64N(100))
			block.Counts[2] = append(block.Counts[2], i/50)
		}
		meter := sample.Batch{Group: 1, Counts: make([][]int64, 1)}
		for i := range int64(10) {
			meter.T = append(meter.T, s*1e9+i*1e8+5e6)
			meter.Half = append(meter.Half, 1_000_000)
			meter.Counts[0] = append(meter.Counts[0], []int64{math.MaxInt64, math.MinInt64 + 1, 0, 7, -7, 1 << 53, 1<<53 + 1, sample.Missing, 3, 4}[i])
		}
		if s%7 == 3 {
			meter = sample.Batch{Group: 1, Fault: "time-out", FaultNS: s*1e9 + 4e8}
		}
		if batches = append(batches, block, meter); len(batches) >= 200 || s == int64(n)-1 {
			require.NoError(t, file.Append(batches))
			batches = nil
		}
	}
}

// somePicks stores n picks at each of two stations, some without some figures.
func somePicks(t *testing.T, file *store.Trial, n int) {
	t.Helper()
	require.NoError(t, file.Commit(store.Entry{Runs: []store.Run{{N: 1, Piece: "S-01", PlannedPicks: n, Setups: map[string]string{"left": setup, "right": "plain"}}}}))
	r := rand.New(rand.NewPCG(7, 8))
	var picks []pick.Pick
	for i := 1; i <= n; i++ {
		for _, station := range []string{"left", "right"} {
			p := pick.Pick{N: i, Station: station, Run: 1, Outcome: pick.Released, StartS: float64(i) + r.Float64(), ContactS: math.NaN(), SealedAtS: float64(i) + 0.1,
				DropS: math.NaN(), ReleaseS: float64(i) + 0.5, EndS: float64(i) + 0.6, SealFrom: "touch", IdleLevelKPa: r.Float64(), RequiredKPa: 15, TouchedByGap: i%2 == 0}
			for v, k := reflect.ValueOf(&p).Elem(), 0; k < v.NumField(); k++ {
				if f, ok := v.Field(k).Addr().Interface().(*analyze.Figure); ok {
					*f = analyze.None()
					if r.IntN(3) > 0 {
						*f = analyze.Figure{Value: r.NormFloat64(), U: r.Float64(), Lo: r.NormFloat64(), Hi: math.Inf(1)}
					}
					if r.IntN(3) == 0 {
						f.Warnings = []analyze.Warning{{Code: analyze.BelowSampling, A: 0.01, B: math.NaN()}, {Code: analyze.ContactInferred, A: math.NaN(), B: math.NaN()}}
					}
				}
			}
			if i == 3 {
				p.StartS = math.NaN()
			}
			picks = append(picks, p)
		}
		if len(picks) >= 2000 || i == n {
			require.NoError(t, file.AppendPicks(1, picks, nil))
			picks = picks[:0]
		}
	}
}

// duck opens DuckDB, a database that shares no code with what writes the files.
func duck(t *testing.T) *sql.DB {
	t.Helper()
	db, err := sql.Open("duckdb", "")
	require.NoError(t, err)
	t.Cleanup(func() { db.Close() })
	return db
}

var tables int

// written writes a file, has DuckDB read it once, and returns what DuckDB calls the table and
// the file.
func written(t *testing.T, db *sql.DB, format Format, write func(io.Writer) (int64, error), rows int64) (table, path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "table."+string(format))
	f, err := os.Create(path)
	require.NoError(t, err)
	n, err := write(f)
	require.NoError(t, err)
	require.NoError(t, f.Close())
	require.Equal(t, rows, n)
	read := fmt.Sprintf("read_parquet('%s')", path)
	if format == CSV {
		read = fmt.Sprintf("read_csv('%s', header = true, sample_size = -1)", path)
	}
	tables++
	table = fmt.Sprintf("t%d", tables)
	_, err = db.Exec("CREATE TABLE " + table + " AS SELECT * FROM " + read)
	require.NoError(t, err)
	return table, path
}

func everything() Options {
	return Options{Set: 1, FromS: math.NaN(), ToS: math.NaN(), Rig: "rig 1", Trial: "hall"}
}

// equal compares what came back with a number: NaN is NULL, all others to the bit.
func equal(want float64, got sql.NullFloat64) bool {
	return math.IsNaN(want) && !got.Valid || got.Valid && math.Float64bits(want) == math.Float64bits(got.Float64)
}

// Another program reads every pick back from CSV and from Parquet: each number to the bit,
// nothing where there is no answer, each unit in the metadata.
func TestPicksReadBack(t *testing.T) {
	file := newTrial(t)
	somePicks(t, file, 300)
	picks, err := file.Picks(1, "")
	require.NoError(t, err)
	db := duck(t)
	for _, format := range []Format{CSV, Parquet} {
		t.Run(string(format), func(t *testing.T) {
			o := everything()
			o.Format = format
			table, path := written(t, db, format, func(w io.Writer) (int64, error) { return Picks(t.Context(), w, file, o) }, 600)
			for name, pickOf := range map[string]func(*pick.Pick) float64{
				"start_s": func(p *pick.Pick) float64 { return p.StartS }, "contact_s": func(p *pick.Pick) float64 { return p.ContactS },
				"idle_level_kPa": func(p *pick.Pick) float64 { return p.IdleLevelKPa }, "n": func(p *pick.Pick) float64 { return float64(p.N) }} {
				for i, v := range floats(t, db, table, name) {
					require.True(t, equal(pickOf(&picks[i]), v), "%s of row %d: %v where %v belongs", name, i, v, pickOf(&picks[i]))
				}
			}
			names, figures := 0, 0
			for name := range store.Figures(&picks[0]) {
				names++
				value, u, lo, hi := floats(t, db, table, name), floats(t, db, table, name+"_u"), floats(t, db, table, name+"_lo"), floats(t, db, table, name+"_hi")
				warned := texts(t, db, table, name+"_warnings")
				for i := range picks {
					for of, f := range store.Figures(&picks[i]) {
						if of == name {
							require.True(t, equal(f.Value, value[i]) && equal(f.U, u[i]) && equal(f.Lo, lo[i]) && equal(f.Hi, hi[i]), "%s of row %d: %v %v %v %v where %v belongs", name, i, value[i], u[i], lo[i], hi[i], f)
							require.Equal(t, warnings(f), warned[i].String, "%s of row %d", name, i)
							require.Equal(t, len(f.Warnings) > 0, warned[i].Valid, "empty, not \"\"")
							figures++
						}
					}
				}
			}
			require.GreaterOrEqual(t, names, 24)
			require.Equal(t, names*600, figures, "figures compared")
			for i, s := range texts(t, db, table, "setup") {
				require.Equal(t, map[string]string{"left": setup, "right": "plain"}[picks[i].Station], s.String)
			}
			var gaps, starts, first string
			require.NoError(t, db.QueryRow("SELECT count(*) FILTER (touched_by_gap), count(start_utc), min(start_utc)::VARCHAR FROM "+table).Scan(&gaps, &starts, &first))
			assert.Equal(t, "300", gaps)
			assert.Equal(t, "598", starts)
			assert.Contains(t, first, "2026-03-02 06:00:01.")
			if format == CSV {
				return
			}
			var units, codecs string
			require.NoError(t, db.QueryRow("SELECT decode(value) FROM parquet_kv_metadata('"+path+"') WHERE decode(key) = 'griptrial.units'").Scan(&units))
			for _, want := range []string{`"seal_time_s_u":"s"`, `"hold_vacuum_kPa_lo":"kPa"`, `"leak_flow_Lmin":"L/min ANR"`, `"energy_J":"J"`, `"leak_down_kPa_s":"kPa/s"`, `"re_evacuations_per_min":"/min"`} {
				assert.Contains(t, units, want)
			}
			assert.NotContains(t, units, "warnings")
			require.NoError(t, db.QueryRow("SELECT string_agg(DISTINCT compression, ' ') FROM parquet_metadata('"+path+"')").Scan(&codecs))
			assert.Equal(t, "ZSTD", codecs)
		})
	}
}

func floats(t *testing.T, db *sql.DB, table, column string) []sql.NullFloat64 {
	return columnOf[sql.NullFloat64](t, db, table, `"`+column+`"::DOUBLE`)
}

func texts(t *testing.T, db *sql.DB, table, column string) []sql.NullString {
	return columnOf[sql.NullString](t, db, table, `"`+column+`"::VARCHAR`)
}

func integers(t *testing.T, db *sql.DB, table, column string) []sql.NullInt64 {
	return columnOf[sql.NullInt64](t, db, table, `"`+column+`"::BIGINT`)
}

// columnOf reads one column in the order of the file.
func columnOf[T any](t *testing.T, db *sql.DB, table, column string) (all []T) {
	t.Helper()
	rows, err := db.Query("SELECT " + column + " FROM " + table)
	require.NoError(t, err)
	defer rows.Close()
	for rows.Next() {
		var v T
		require.NoError(t, rows.Scan(&v))
		all = append(all, v)
	}
	require.NoError(t, rows.Err())
	return all
}

// Another program reads the samples back: counts to the bit, values, in order of time.
func TestTracesReadBack(t *testing.T) {
	file := newTrial(t)
	seconds(t, file, 20)
	counts := map[string][]int64{}
	for b, err := range file.Batches() {
		require.NoError(t, err)
		for k, c := range b.Counts {
			name := file.Header().Groups[b.Group].Channels[k].Name
			counts[name] = append(counts[name], c...)
		}
	}
	db := duck(t)
	const rows = 20*100 + 17*10
	for _, format := range []Format{CSV, Parquet} {
		t.Run(string(format), func(t *testing.T) {
			o := everything()
			o.Format, o.Counts = format, true
			table, _ := written(t, db, format, func(w io.Writer) (int64, error) { return Traces(t.Context(), w, file, o) }, rows)
			for name, want := range counts {
				group := `"group" = 'meter'`
				if strings.HasPrefix(name, "left") {
					group = `"group" = 'block, io'`
				}
				got := integers(t, db, table+" WHERE "+group, name+"_count")
				require.Len(t, got, len(want), name)
				for i := range want {
					require.Equal(t, want[i] != sample.Missing, got[i].Valid, "%s %d", name, i)
					if got[i].Valid {
						require.Equal(t, want[i], got[i].Int64, "%s %d", name, i)
					}
				}
			}
			before := math.Inf(-1)
			for _, s := range floats(t, db, table, "t_s") {
				require.GreaterOrEqual(t, s.Float64, before, "in order of time")
				before = s.Float64
			}
			var zero string
			require.NoError(t, db.QueryRow(`SELECT min(time_utc)::VARCHAR FROM `+table).Scan(&zero))
			assert.Contains(t, zero, "2026-03-02 06:00:00.12")

			o.Counts = false
			table, _ = written(t, db, format, func(w io.Writer) (int64, error) { return Traces(t.Context(), w, file, o) }, rows)
			for i, v := range floats(t, db, table+` WHERE "group" = 'block, io'`, "left vacuum_kPa") {
				n := counts["left vacuum"][i]
				if n == sample.Missing || n == 4095 {
					require.False(t, v.Valid, "no measurement: an empty cell")
				} else {
					require.Equal(t, 0.025*float64(n), v.Float64)
				}
			}
			// Thinned here, and by the other program.
			o.EveryNS = 1.5e9
			thin, _ := written(t, db, format, func(w io.Writer) (int64, error) { return Traces(t.Context(), w, file, o) }, 14)
			var different, bins int
			require.NoError(t, db.QueryRow(`WITH bins AS (SELECT floor(t_s / 1.5) * 1.5 AS s, count(*) AS n, min("left vacuum_kPa") AS a, max("left vacuum_kPa") AS b, avg("left vacuum_kPa") AS c,
				avg("left supply") AS d, max("power_W") AS e FROM `+table+` GROUP BY 1)
				SELECT count(*), count(*) FILTER (n <> scans OR a <> "left vacuum_kPa_min" OR b <> "left vacuum_kPa_max" OR abs(c - "left vacuum_kPa_mean") > 1e-9 OR abs(d - "left supply_mean") > 1e-12 OR e <> "power_W_max")
				FROM bins JOIN `+thin+` x ON x.t_s = s`).Scan(&bins, &different))
			assert.Equal(t, 14, bins)
			assert.Zero(t, different)
			// A part of it.
			o = everything()
			o.Format, o.FromS, o.ToS, o.Channels = format, 3, 5, []string{"power", "left flow"}
			written(t, db, format, func(w io.Writer) (int64, error) { return Traces(t.Context(), w, file, o) }, 2*100+10)
			o.Station, o.Channels = "right", nil // the meter alone
			written(t, db, format, func(w io.Writer) (int64, error) { return Traces(t.Context(), w, file, o) }, 10)
		})
	}
	_, err := Traces(t.Context(), io.Discard, file, Options{Format: CSV, Channels: []string{"right vacuum"}})
	var input *InputError
	require.ErrorAs(t, err, &input)
	require.ErrorContains(t, err, "left vacuum, left flow, left supply, power")
}

// Lines are read back by the parser of those who defined them.
func TestLinesReadBack(t *testing.T) {
	file := newTrial(t)
	somePicks(t, file, 30)
	seconds(t, file, 2)
	parsed := func(write func(io.Writer) (int64, error)) (all []protocol.Metric) {
		var b bytes.Buffer
		_, err := write(&b)
		require.NoError(t, err)
		all, err = protocol.NewParser(protocol.NewMetricHandler()).Parse(b.Bytes())
		require.NoError(t, err)
		return all
	}
	o := everything()
	o.Format = Lines
	metrics := parsed(func(w io.Writer) (int64, error) { return Picks(t.Context(), w, file, o) })
	picks, err := file.Picks(1, "")
	require.NoError(t, err)
	require.Len(t, metrics, len(picks))
	for i, m := range metrics {
		tags := map[string]string{}
		for _, x := range m.TagList() {
			tags[x.Key] = x.Value
		}
		assert.Equal(t, map[string]string{"rig": "rig 1", "trial": "hall", "station": picks[i].Station, "setup": map[string]string{"left": setup, "right": "plain"}[picks[i].Station]}, tags)
		assert.Equal(t, anchor.Add(time.Duration(math.Round(picks[i].EndS*1000))*time.Millisecond).Truncate(time.Millisecond), m.Time().UTC())
		for _, f := range m.FieldList() {
			if f.Key == "seal_time_s" {
				assert.Equal(t, picks[i].SealTimeS.Value, f.Value)
			}
		}
	}
	samples := parsed(func(w io.Writer) (int64, error) { return Traces(t.Context(), w, file, o) })
	require.Len(t, samples, 2*(300-2)+2*9, "a line for each value; none for a count that is no measurement")
	o.EveryNS = 5e8
	require.Len(t, parsed(func(w io.Writer) (int64, error) { return Traces(t.Context(), w, file, o) }), 4*4)
}

// Memory does not grow with the length of a trial.
func TestMemoryIsFlat(t *testing.T) {
	trial := func(n int) *store.Trial {
		file := newTrial(t)
		seconds(t, file, n)
		somePicks(t, file, 3*n) // the short one, too, more than the store hands on at a time
		return file
	}
	short, long := trial(450), trial(1800)
	peak := func(file *store.Trial, format Format, traces bool, every int64) (most uint64) {
		o := everything()
		o.Format, o.EveryNS = format, every
		o.Told = func(done int64) {
			if done%300 == 299 {
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, m.HeapAlloc)
			}
		}
		runtime.GC()
		var before runtime.MemStats
		runtime.ReadMemStats(&before)
		var err error
		if traces {
			_, err = Traces(t.Context(), io.Discard, file, o)
		} else {
			_, err = Picks(t.Context(), io.Discard, file, o)
		}
		require.NoError(t, err)
		require.Positive(t, most)
		return most - min(most, before.HeapAlloc)
	}
	for _, c := range []struct {
		name   string
		format Format
		traces bool
		every  int64
	}{{"traces, CSV", CSV, true, 0}, {"traces, Parquet", Parquet, true, 0}, {"traces, lines", Lines, true, 0}, {"traces, thinned", CSV, true, 1e8}, {"picks, CSV", CSV, false, 0}} {
		t.Run(c.name, func(t *testing.T) {
			a, b := peak(short, c.format, c.traces, c.every), peak(long, c.format, c.traces, c.every)
			t.Logf("in use at most: %.2f MB, %.2f MB with four times the length", float64(a)/1e6, float64(b)/1e6)
			assert.Less(t, float64(b), 1.25*float64(a)+2e6)
		})
	}
}

// An export that is interrupted says so; one whose disk is full, too.
func TestErrors(t *testing.T) {
	file := newTrial(t)
	somePicks(t, file, 600)
	seconds(t, file, 50)
	for _, format := range []Format{CSV, Parquet, Lines} {
		o := everything()
		o.Format = format
		ctx, stop := context.WithCancel(t.Context())
		stop()
		_, err := Picks(ctx, io.Discard, file, o)
		assert.ErrorIs(t, err, context.Canceled, format)
		_, err = Traces(ctx, io.Discard, file, o)
		assert.ErrorIs(t, err, context.Canceled, format)
		_, err = Picks(t.Context(), full{}, file, o)
		assert.ErrorIs(t, err, errFull, format)
		_, err = Traces(t.Context(), full{}, file, o)
		assert.ErrorIs(t, err, errFull, format)
	}
}

var errFull = errors.New("full")

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errFull }
