package store

import (
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
)

func channel(name, station string) sample.Channel {
	nan := math.NaN()
	return sample.Channel{Name: name, Kind: sample.Vacuum, Station: station, At: "cup", Scale: 100.0 / 4096,
		OnAbove: nan, Resolution: 100.0 / 4096, Accuracy: 0.5, IntervalS: 0.01, UpdateS: nan, LagS: nan}
}

// header describes groups of 2, 1 and 3 channels.
func header() Header {
	return Header{
		Program: "0.1.0", AnchorUTC: time.Date(2025, 3, 4, 5, 6, 7, 89, time.UTC),
		RigText: []byte("rig: packing hall\r\n"), TrialText: []byte("trial: seed sachets \xff\x00\n"),
		Groups: []sample.Group{
			{Name: "io block", Channels: []sample.Channel{channel("vacuum left", "left"), channel("vacuum right", "right")}},
			{Name: "flow", Channels: []sample.Channel{{Name: "flow", Kind: sample.Flow, Offset: math.Copysign(0, -1), Scale: math.Inf(1)}}},
			{Name: "power", Channels: make([]sample.Channel, 3)},
		},
		Stations: []string{"left", "right"},
	}
}

// newTrial makes a trial file that is closed and checked as the test ends.
func newTrial(t *testing.T, h Header) *Trial {
	t.Helper()
	trial, err := Create(filepath.Join(t.TempDir(), "a trial #1 %41.gtrial"), h)
	require.NoError(t, err)
	atEnd(t, trial)
	return trial
}

func atEnd(t *testing.T, trial *Trial) {
	t.Cleanup(func() {
		assert.NoError(t, trial.Close())
		requireWhole(t, trial.Path())
		assert.Equal(t, []string{filepath.Base(trial.Path())}, folder(t, trial.Path()), "one file remains")
	})
}

func requireWhole(t *testing.T, path string) Report {
	t.Helper()
	report, err := Check(path)
	require.NoError(t, err)
	require.Empty(t, report.Damage)
	return report
}

// folder lists the files of a trial's folder.
func folder(t *testing.T, path string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// contents gives name and hash of each file of a trial's folder.
func contents(t *testing.T, path string) map[string]string {
	t.Helper()
	sums := map[string]string{}
	for _, name := range folder(t, path) {
		b, err := os.ReadFile(filepath.Join(filepath.Dir(path), name))
		require.NoError(t, err)
		sums[name] = fmt.Sprintf("%x", sha256.Sum256(b))
	}
	return sums
}

func readAll(t *testing.T, trial *Trial) (all []sample.Batch) {
	t.Helper()
	for b, err := range trial.Batches() {
		require.NoError(t, err)
		all = append(all, b)
	}
	return all
}

// commits makes n commits of one second: groups of 2, 1 and 3 channels at 100, 10 and
// 1 Hz, in an order that changes, with a fault now and then.
func commits(r *rand.Rand, n int) [][]sample.Batch {
	rates := []int{100, 10, 1}
	var parts [3][]sample.Batch
	for g, channels := range []int{2, 1, 3} {
		parts[g] = recorded(r, g, channels, float64(rates[g]), 0, n, rates[g])
	}
	all := make([][]sample.Batch, n)
	for i := range all {
		for _, g := range r.Perm(3) {
			if r.IntN(8) == 0 {
				all[i] = append(all[i], sample.Batch{Group: g, Fault: "time-out", FaultNS: int64(i)*1e9 + 7})
				continue
			}
			b := parts[g][i]
			if k := len(b.T) / 2; k > 0 && r.IntN(3) == 0 { // the same group twice in a commit
				all[i] = append(all[i], part(b, 0, k))
				b = part(b, k, len(b.T))
			}
			all[i] = append(all[i], b)
		}
	}
	return all
}

func part(b sample.Batch, from, to int) sample.Batch {
	p := sample.Batch{Group: b.Group, T: b.T[from:to], Half: b.Half[from:to]}
	for _, c := range b.Counts {
		p.Counts = append(p.Counts, c[from:to])
	}
	return p
}

func figure(v float64, warnings ...analyze.Warning) analyze.Figure {
	return analyze.Figure{Value: v, U: v / 7, Lo: v - 0.1, Hi: v + 1.0/3, Warnings: warnings}
}

func somePick(n int, station string) pick.Pick {
	nan := math.NaN()
	p := pick.Pick{
		N: n, Station: station, Run: 1, Outcome: pick.Released, StartS: 1.5 * float64(n), ContactS: nan,
		SealedAtS: 1.5*float64(n) + 1.0/3, DropS: nan, ReleaseS: math.Copysign(0, -1), EndS: 1e300, SealFrom: "supply",
		TouchedByGap: true, IdleLevelKPa: 5e-324, RequiredKPa: 30,
		SealTimeS: figure(0.118, analyze.Warn1(analyze.BelowSampling, 0.01), analyze.Warn(analyze.ContactInferred)),
		// A figure that cannot be had, one of all zeros, and odd numbers.
		ResponseDelayS: analyze.None(), LowestVacuumKPa: analyze.None(analyze.Warn(analyze.StillRising)),
		LeakFlowLminANR: analyze.Figure{Value: math.Copysign(0, -1), U: math.Inf(1), Lo: math.Inf(-1), Hi: nan,
			Warnings: []analyze.Warning{{Code: "odd", A: math.Inf(-1), B: math.Copysign(0, -1)}}},
		LeakDownKPaS: analyze.None(), ReleaseTimeS: figure(1e-9), EnergyJ: figure(40),
	}
	return p
}

// requireSameBits compares two values of one type down to the bits of their floats, every
// NaN being the same, and a nil slice as an empty one.
func requireSameBits(t *testing.T, want, got any) {
	t.Helper()
	require.Equal(t, bitsOf(reflect.ValueOf(want)), bitsOf(reflect.ValueOf(got)))
}

func bitsOf(v reflect.Value) any {
	switch v.Kind() {
	case reflect.Float64:
		if math.IsNaN(v.Float()) {
			return "NaN"
		}
		return fmt.Sprintf("%016x %g", math.Float64bits(v.Float()), v.Float())
	case reflect.Slice:
		list := []any{}
		for i := range v.Len() {
			list = append(list, bitsOf(v.Index(i)))
		}
		return list
	case reflect.Struct:
		if at, ok := v.Interface().(time.Time); ok {
			return at.UnixNano()
		}
		fields := map[string]any{}
		for i := range v.NumField() {
			fields[v.Type().Field(i).Name] = bitsOf(v.Field(i))
		}
		return fields
	}
	return v.Interface()
}

// fill sets every field of a struct to a value of its own, so that a field that the file
// does not carry is seen.
func fill(v reflect.Value, n *int) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		fill(v.Index(0), n)
		fill(v.Index(1), n)
	case reflect.String:
		*n++
		v.SetString(fmt.Sprintf("text %d", *n))
	case reflect.Int, reflect.Int64:
		*n++
		v.SetInt(int64(*n))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Float64:
		*n++
		v.SetFloat(float64(*n) + 0.1)
	default:
		panic("no value for " + v.Kind().String())
	}
}

func TestHeaderComesBack(t *testing.T) {
	full := header()
	n := 0
	fill(reflect.ValueOf(&full.Groups[2].Channels[0]).Elem(), &n)
	cases := []struct {
		name   string
		header Header
	}{
		{"every field of a channel", full},
		{"nothing but the anchor", Header{AnchorUTC: time.Unix(0, 1).UTC()}},
		{"empty texts", Header{AnchorUTC: time.Unix(-1e9, 1).UTC(), RigText: []byte{}, TrialText: []byte{}}},
		{"anchor in another zone", Header{AnchorUTC: time.Unix(5, 6).In(time.FixedZone("", 3600))}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			trial := newTrial(t, c.header)
			requireSameBits(t, c.header, trial.Header())
			require.NoError(t, trial.Close())
			trial, err := OpenRead(trial.Path())
			require.NoError(t, err)
			requireSameBits(t, c.header, trial.Header())
			require.NoError(t, trial.Close())
		})
	}
}

func TestCreateRefuses(t *testing.T) {
	dir := t.TempDir()
	there := filepath.Join(dir, "there.gtrial")
	require.NoError(t, os.WriteFile(there, []byte("precious"), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "left.gtrial-wal"), nil, 0o600))
	cases := []struct {
		name, path string
		header     Header
		want       string
		is         error
	}{
		{"file is there", there, header(), "there.gtrial", fs.ErrExist},
		{"remains are there", filepath.Join(dir, "left.gtrial"), header(), "left.gtrial-wal is left of another trial", fs.ErrExist},
		{"other extension", filepath.Join(dir, "a.db"), header(), "ends in .gtrial", nil},
		{"no folder", filepath.Join(dir, "none", "a.gtrial"), header(), "a.gtrial", fs.ErrNotExist},
		{"no anchor", filepath.Join(dir, "b.gtrial"), Header{}, "no UTC anchor", nil},
		{"anchor too far", filepath.Join(dir, "b.gtrial"), Header{AnchorUTC: time.Date(2300, 1, 1, 0, 0, 0, 0, time.UTC)}, "outside the years", nil},
	}
	before := contents(t, there)
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := Create(c.path, c.header)
			require.ErrorContains(t, err, c.want)
			assert.NotContains(t, err.Error(), "\n")
			if c.is != nil {
				assert.ErrorIs(t, err, c.is)
			}
		})
	}
	assert.Equal(t, before, contents(t, there), "nothing is changed or left behind")
}

func TestOpenRefuses(t *testing.T) {
	dir := t.TempDir()
	good := filepath.Join(dir, "good.gtrial")
	trial, err := Create(good, header())
	require.NoError(t, err)
	require.NoError(t, trial.Close())
	whole, err := os.ReadFile(good)
	require.NoError(t, err)
	changed := func(at int, v uint32) []byte {
		b := slices.Clone(whole)
		binary.BigEndian.PutUint32(b[at:], v)
		return b
	}
	other := filepath.Join(dir, "other.db")
	db, err := sql.Open("sqlite", other)
	require.NoError(t, err)
	_, err = db.Exec("CREATE TABLE header (id)")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	foreign, err := os.ReadFile(other)
	require.NoError(t, err)
	cases := []struct {
		name string
		data []byte
		want string
		is   error
	}{
		{"empty", nil, "not a trial file", ErrNotTrial},
		{"short", whole[:99], "not a trial file", ErrNotTrial},
		{"text", []byte(strings.Repeat("t_s,vacuum_kPa\n", 20)), "not a trial file", ErrNotTrial},
		{"other database", foreign, "not a trial file", ErrNotTrial},
		{"newer", changed(60, formatVersion+1), "format 5, this one reads up to 4", ErrNewer},
		{"version 0", changed(60, 0), "format 0 does not exist", ErrNotTrial},
		{"header alone", whole[:100], "damaged", ErrDamaged},
		{"cut off", whole[:len(whole)/4096/2*4096], "damaged", ErrDamaged},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "x.gtrial")
			require.NoError(t, os.WriteFile(path, c.data, 0o600))
			before := contents(t, path)
			_, errRead := OpenRead(path)
			report, errCheck := Check(path)
			if errCheck == nil && !report.OK() {
				errCheck, errRead = fmt.Errorf("%s: %w: %s", path, ErrDamaged, report.Damage[0]), errCheck
				errRead = errCheck
			}
			assert.Equal(t, before, contents(t, path), "reading changes nothing")
			_, errOpen := Open(path)
			for _, err := range []error{errRead, errCheck, errOpen} {
				require.ErrorIs(t, err, c.is)
				require.ErrorContains(t, err, c.want)
				assert.NotContains(t, err.Error(), "\n")
				assert.Contains(t, err.Error(), path)
			}
		})
	}
	for _, open := range []func(string) (*Trial, error){Open, OpenRead} {
		_, err = open(filepath.Join(dir, "none.gtrial"))
		require.ErrorIs(t, err, fs.ErrNotExist)
		_, err = open(dir)
		require.Error(t, err)
	}
}

// What Batches gives is what Append was given, before merging, after it, after reopening,
// and while it goes on.
func TestBatchesComeBack(t *testing.T) {
	const seed = 7
	for _, n := range []int{0, 1, 2, 59, 60, 61, 62, 121, 185} {
		t.Run(fmt.Sprintf("%d s", n), func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, uint64(n)))
			trial := newTrial(t, header())
			var want []sample.Batch
			for i, c := range commits(r, n) {
				require.NoError(t, trial.Append(c))
				want = append(want, c...)
				if i%50 == 30 { // a new process has to know what waits for merging
					require.NoError(t, trial.Close())
					var err error
					trial, err = Open(trial.Path())
					require.NoError(t, err)
					atEnd(t, trial)
				}
			}
			requireSame(t, want, readAll(t, trial))
			reader, err := OpenRead(trial.Path())
			require.NoError(t, err)
			requireSame(t, want, readAll(t, reader))
			require.NoError(t, trial.Merge())
			requireSame(t, want, readAll(t, trial))
			requireSame(t, want, readAll(t, reader))
			require.NoError(t, reader.Close())
			require.NoError(t, trial.Close())
			report := requireWhole(t, trial.Path())
			assert.EqualValues(t, len(want), report.Batches)
			assert.Equal(t, report.Blocks, report.MergedBlocks)
			reader, err = OpenRead(trial.Path())
			require.NoError(t, err)
			requireSame(t, want, readAll(t, reader))
			require.NoError(t, reader.Close())
		})
	}
}

func TestMergesByItself(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	trial := newTrial(t, header())
	for _, c := range commits(r, 200) {
		require.NoError(t, trial.Append(c))
	}
	report := requireWhole(t, trial.Path())
	assert.EqualValues(t, 9, report.MergedBlocks, "three minutes of three groups")
	assert.Less(t, report.Blocks, int64(9+3*30))
}

// A batch of a minute or more is a block at once, and a small one between two such is
// merged with what follows it.
func TestLongBatches(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	trial := newTrial(t, header())
	var want []sample.Batch
	for k := range 3 {
		want = append(want, recorded(r, 1, 1, 100, int64(k)*200e9, 1, 7000)...)
		want = append(want, recorded(r, 1, 1, 100, int64(k)*200e9+100e9, 1, 3)...)
		require.NoError(t, trial.Append(want[2*k:]))
	}
	// More batches in one commit than one block takes.
	small := recorded(r, 1, 1, 100, 1000e9, maxBlockBatches+1, 1)
	require.NoError(t, trial.Append(small))
	want = append(want, small...)
	requireSame(t, want, readAll(t, trial))
	require.NoError(t, trial.Merge())
	requireSame(t, want, readAll(t, trial))
}

func TestAppendRefuses(t *testing.T) {
	trial := newTrial(t, header())
	ok := func() sample.Batch {
		return sample.Batch{Group: 1, T: []int64{1, 2}, Half: []int64{0, 0}, Counts: [][]int64{{5, 6}}}
	}
	cases := []struct {
		name   string
		change func(*sample.Batch)
		want   string
	}{
		{"group too high", func(b *sample.Batch) { b.Group = 3 }, "group 3; the trial has 3"},
		{"group below 0", func(b *sample.Batch) { b.Group = -1 }, "group -1"},
		{"no scans", func(b *sample.Batch) { b.T = nil }, "neither scans nor a fault"},
		{"half-widths", func(b *sample.Batch) { b.Half = b.Half[:1] }, "1 half-widths for 2 stamps"},
		{"channels", func(b *sample.Batch) { b.Counts = nil }, "0 channels; group 1 has 1"},
		{"counts", func(b *sample.Batch) { b.Counts[0] = []int64{1, 2, 3} }, "channel 0 has 3 counts for 2 stamps"},
		{"equal stamps", func(b *sample.Batch) { b.T[1] = 1 }, "1 ns does not come after 1 ns"},
		{"fault with scans", func(b *sample.Batch) { b.Fault = "time-out" }, "a fault has no scans"},
		{"long fault", func(b *sample.Batch) { *b = sample.Batch{Fault: strings.Repeat("x", 513)} }, "at most 512"},
		{"fault's time alone", func(b *sample.Batch) { b.FaultNS = 1 }, "without a fault"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			b := ok()
			c.change(&b)
			err := trial.Append([]sample.Batch{ok(), b})
			require.ErrorContains(t, err, c.want)
			require.ErrorContains(t, err, "batch 2 of 2")
			require.Empty(t, readAll(t, trial), "nothing of a refused commit is stored")
		})
	}
	require.NoError(t, trial.Append(nil))
	require.NoError(t, trial.Append([]sample.Batch{ok()}))
	require.ErrorContains(t, trial.AppendPicks(2, []pick.Pick{somePick(1, "left")}, nil), "pick set 2 does not exist")
	require.ErrorContains(t, trial.Commit(Entry{Runs: []Run{{N: 2}}}), "run 2 where 1 comes next")
	// The batch of a commit whose run is wrong is not stored, and takes no number.
	require.Error(t, trial.Commit(Entry{Batches: []sample.Batch{ok()}, Runs: []Run{{N: 2}}}))
	require.NoError(t, trial.Append([]sample.Batch{ok()}))
	require.Len(t, readAll(t, trial), 2)
}

func TestPicksComeBack(t *testing.T) {
	trial := newTrial(t, header())
	var full pick.Pick
	n := 0
	fill(reflect.ValueOf(&full).Elem(), &n)
	full.Station, full.N = "left", 77
	want := []pick.Pick{somePick(1, "left"), somePick(1, "right"), full, somePick(2, "right")}
	events := []pick.Event{{TS: 1.0 / 3, Kind: pick.Dip, Station: "left", Pick: 1}, {TS: math.NaN(), Kind: pick.GapSeen, Station: "right"}}
	require.NoError(t, trial.Commit(Entry{Set: 1, Picks: want[:3], Events: events[:1],
		Batches: []sample.Batch{{Group: 1, Fault: "time-out", FaultNS: 3}}}))
	require.NoError(t, trial.AppendPicks(1, want[3:], events[1:]))

	set, err := trial.NewSet("0.2.0", "calibration of 4 March")
	require.NoError(t, err)
	require.Equal(t, 2, set)
	require.NoError(t, trial.AppendPicks(2, want[1:2], nil))

	runs := []Run{
		{N: 1, StartNS: -5, Piece: "sachet 7", PlannedPicks: 30, Setups: map[string]string{"left": "bellows 40 mm", "right": "flat 50 mm"}},
		{N: 2, StartNS: 9e9, Setups: map[string]string{}},
	}
	pieces := []Piece{{ID: "sachet 7", Bag: "seed sachet", Fill: "70 %", MassG: math.NaN(), Damage: "corner torn"}, {ID: "a\x00\xff", MassG: 12.5}}
	notes := []Note{{TNS: 4, Text: "hall door open\nagain", Run: 2}, {TNS: 3}}
	require.NoError(t, trial.Commit(Entry{Runs: runs, Pieces: pieces, Notes: notes}))

	check := func(t *testing.T, trial *Trial) {
		got, err := trial.Picks(1, "")
		require.NoError(t, err)
		requireSameBits(t, want, got)
		got, err = trial.Picks(1, "right")
		require.NoError(t, err)
		requireSameBits(t, []pick.Pick{want[1], want[3]}, got)
		got, err = trial.Picks(2, "")
		require.NoError(t, err)
		requireSameBits(t, want[1:2], got)
		got, err = trial.Picks(3, "")
		require.NoError(t, err)
		require.Empty(t, got)
		gotEvents, err := trial.Events(1)
		require.NoError(t, err)
		requireSameBits(t, events, gotEvents)
		gotRuns, err := trial.Runs()
		require.NoError(t, err)
		require.Equal(t, runs, gotRuns)
		gotPieces, err := trial.Pieces()
		require.NoError(t, err)
		requireSameBits(t, []Piece{pieces[1], pieces[0]}, gotPieces)
		gotNotes, err := trial.Notes()
		require.NoError(t, err)
		require.Equal(t, notes, gotNotes)
		sets, err := trial.Sets()
		require.NoError(t, err)
		require.Len(t, sets, 2)
		require.Equal(t, "live", sets[0].Why)
		require.Equal(t, Set{N: 2, CreatedUTC: sets[1].CreatedUTC, Program: "0.2.0", Why: "calibration of 4 March"}, sets[1])
		require.WithinRange(t, sets[1].CreatedUTC, sets[0].CreatedUTC, time.Now())
	}
	check(t, trial)
	require.ErrorContains(t, trial.AppendPicks(1, want[:1], nil), "pick 1 of left")
	require.ErrorContains(t, trial.Commit(Entry{Pieces: pieces[:1]}), "piece sachet 7")
	check(t, trial)
	require.NoError(t, trial.Close())
	requireWhole(t, trial.Path())
	reader, err := OpenRead(trial.Path())
	require.NoError(t, err)
	check(t, reader)
	require.ErrorIs(t, reader.AppendPicks(1, want[:1], nil), ErrReadOnly)
	_, err = reader.NewSet("", "")
	require.ErrorIs(t, err, ErrReadOnly)
	require.NoError(t, reader.Close())
}

// One pass gives the batches, or the columns that are wanted of them, in memory that is used
// again.
func TestPass(t *testing.T) {
	trial := newTrial(t, header())
	for _, c := range commits(rand.New(rand.NewPCG(5, 5)), 130) { // three merged blocks of a group, and short ones
		require.NoError(t, trial.Append(c))
	}
	want := readAll(t, trial)
	for _, wanted := range []func(*sample.Channel) bool{nil, func(c *sample.Channel) bool { return c.Name == "vacuum right" }} {
		n := 0
		for b, err := range trial.Pass(wanted) {
			require.NoError(t, err)
			require.Less(t, n, len(want))
			x := want[n]
			x.Counts = slices.Clone(x.Counts)
			for c := range x.Counts {
				if wanted != nil && !wanted(&header().Groups[x.Group].Channels[c]) {
					require.Nil(t, b.Counts[c])
					x.Counts[c] = nil
				}
			}
			requireSame(t, []sample.Batch{x}, []sample.Batch{b})
			for _, column := range append(b.Counts, b.T, b.Half) { // nobody sees this
				for i := range column {
					column[i] = -77
				}
			}
			n++
		}
		require.Equal(t, len(want), n)
	}
	require.NoError(t, trial.Close())
	for _, err := range trial.Pass(nil) {
		require.ErrorIs(t, err, fs.ErrClosed)
	}
}

// Picks may be stored while batches are read: that is re-analysis.
func TestWriteWhileReading(t *testing.T) {
	trial := newTrial(t, header())
	r := rand.New(rand.NewPCG(1, 1))
	var want []sample.Batch
	for _, c := range commits(r, 30) {
		require.NoError(t, trial.Append(c))
		want = append(want, c...)
	}
	n := 0
	for b, err := range trial.Batches() {
		require.NoError(t, err)
		requireSame(t, want[n:n+1], []sample.Batch{b})
		n++
		require.NoError(t, trial.AppendPicks(1, []pick.Pick{somePick(n, "left")}, nil))
		if n == 5 {
			require.NoError(t, trial.Merge())
		}
	}
	require.Equal(t, len(want), n)
	for range trial.Batches() { // leaving early is no fault
		break
	}
}

func TestConcurrentUse(t *testing.T) {
	trial := newTrial(t, header())
	var wg sync.WaitGroup
	for g := range 3 {
		wg.Go(func() {
			r := rand.New(rand.NewPCG(1, uint64(g)))
			for _, b := range recorded(r, g, []int{2, 1, 3}[g], 10, 0, 80, 10) {
				assert.NoError(t, trial.Append([]sample.Batch{b}))
			}
		})
	}
	wg.Go(func() {
		for range 10 {
			for _, err := range trial.Batches() {
				assert.NoError(t, err)
			}
			_, err := Check(trial.Path())
			assert.NoError(t, err)
		}
	})
	wg.Wait()
	require.Len(t, readAll(t, trial), 240)
}

func TestReadingChangesNothing(t *testing.T) {
	trial := newTrial(t, header())
	path := trial.Path()
	for _, c := range commits(rand.New(rand.NewPCG(1, 1)), 20) {
		require.NoError(t, trial.Append(c))
	}
	want := readAll(t, trial)
	use := func(t *testing.T, path string) {
		t.Helper()
		before := contents(t, path)
		reader, err := OpenRead(path)
		require.NoError(t, err)
		requireSame(t, want, readAll(t, reader))
		_, err = reader.Picks(1, "")
		require.NoError(t, err)
		require.NoError(t, reader.Close())
		requireWhole(t, path)
		require.Equal(t, before, contents(t, path))
	}
	t.Run("recorded", func(t *testing.T) { use(t, path) })

	copied := filepath.Join(t.TempDir(), "copy.gtrial") // as a kill leaves it
	for _, end := range []string{"", "-wal", "-shm"} {
		b, err := os.ReadFile(path + end)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(copied+end, b, 0o600))
	}
	t.Run("killed", func(t *testing.T) { use(t, copied) })
	t.Run("killed, index missing", func(t *testing.T) {
		require.NoError(t, os.Remove(copied+"-shm"))
		before := contents(t, copied)
		_, err := OpenRead(copied)
		require.ErrorContains(t, err, "copy.gtrial-shm is missing: griptrial reanalyse or forward puts it right")
		require.Equal(t, before, contents(t, copied))
		repaired, err := Open(copied)
		require.NoError(t, err)
		require.NoError(t, repaired.Close())
		use(t, copied)
	})
	t.Run("closed while read", func(t *testing.T) {
		reader, err := OpenRead(path)
		require.NoError(t, err)
		n := 0
		for b, err := range reader.Batches() {
			require.NoError(t, err)
			requireSame(t, want[n:n+1], []sample.Batch{b})
			if n++; n == 3 {
				require.NoError(t, trial.Close())
			}
		}
		require.Len(t, want, n)
		require.NoError(t, reader.Close())
		use(t, path)
		again, err := Open(path) // tidies up
		require.NoError(t, err)
		require.NoError(t, again.Close())
		require.Equal(t, []string{filepath.Base(path)}, folder(t, path))
	})
	t.Run("closed", func(t *testing.T) { use(t, path) })
	t.Run("left in WAL mode without a WAL", func(t *testing.T) {
		db, err := sql.Open("sqlite", path)
		require.NoError(t, err)
		_, err = db.Exec("PRAGMA journal_mode = WAL")
		require.NoError(t, err)
		require.NoError(t, db.Close())
		require.Len(t, folder(t, path), 1)
		use(t, path)
	})
}

func TestSecondRecorderIsRefused(t *testing.T) {
	trial := newTrial(t, header())
	refused := func() {
		t.Helper()
		_, err := Open(trial.Path())
		require.ErrorIs(t, err, ErrInUse)
		require.ErrorContains(t, err, "another recorder has it open")
		require.NotContains(t, err.Error(), "\n")
	}
	refused()
	// While the first commits as fast as it can, and so lets go of the lock most often.
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for n := 1; ; n++ {
			select {
			case <-stop:
				return
			default:
				assert.NoError(t, trial.AppendPicks(1, []pick.Pick{somePick(n, "left")}, nil))
			}
		}
	})
	for range 10 {
		refused()
	}
	close(stop)
	wg.Wait()
	require.NoError(t, trial.Close())
	second, err := Open(trial.Path())
	require.NoError(t, err)
	require.NoError(t, second.Close())
}

func TestFullDisk(t *testing.T) {
	trial := newTrial(t, header())
	all := commits(rand.New(rand.NewPCG(1, 1)), 100)
	var want []sample.Batch
	limit := func(pages int) {
		t.Helper()
		_, err := text(trial.writer, fmt.Sprintf("PRAGMA max_page_count = %d", pages))
		require.NoError(t, err)
	}
	for _, c := range all[:10] {
		require.NoError(t, trial.Append(c))
		want = append(want, c...)
	}
	limit(1) // SQLite takes this as: no page more than now
	failed := 0
	for _, c := range all[10:40] {
		if err := trial.Append(c); err != nil {
			failed++
			require.ErrorIs(t, err, ErrFull)
			require.ErrorContains(t, err, trial.Path())
			require.NotContains(t, err.Error(), "\n")
			continue
		}
		want = append(want, c...)
	}
	require.NotZero(t, failed)
	requireSame(t, want, readAll(t, trial))
	requireWhole(t, trial.Path())
	limit(1 << 30)
	for _, c := range all[40:] {
		require.NoError(t, trial.Append(c))
		want = append(want, c...)
	}
	requireSame(t, want, readAll(t, trial))
}

func TestClosedTrial(t *testing.T) {
	trial := newTrial(t, header())
	require.NoError(t, trial.Close())
	require.NoError(t, trial.Close())
	require.ErrorIs(t, trial.Append(nil), fs.ErrClosed)
	require.ErrorIs(t, trial.Merge(), fs.ErrClosed)
	for _, err := range trial.Batches() {
		require.ErrorIs(t, err, fs.ErrClosed)
	}
	_, err := trial.Picks(1, "")
	require.Error(t, err)
}

// FORMAT.md shows the tables as they are made.
func TestFormatDocument(t *testing.T) {
	b, err := os.ReadFile("FORMAT.md")
	require.NoError(t, err)
	document := strings.ReplaceAll(string(b), "\r\n", "\n")
	for _, s := range schema(formatVersion) {
		assert.Contains(t, document, s+";")
	}
	for _, n := range figureNames {
		assert.Contains(t, document, "`"+n.name+"`")
	}
}
