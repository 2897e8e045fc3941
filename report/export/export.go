// Package export writes the picks and the traces of a trial file for other programs: CSV,
// Parquet, and the line protocol of time-series servers. It comes after store; rows stream
// through, so that memory does not grow with the trial.
package export

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/store"
	"griptrial/store/forward"
)

// A Format is a kind of file.
type Format string

// The formats.
const (
	CSV     Format = "csv"
	Parquet Format = "parquet"
	Lines   Format = "lines" // InfluxDB line protocol, stamps in ns
)

// Options say what is written.
type Options struct {
	Format     Format
	Set        int      // pick set; for picks
	Station    string   // "": all
	Channels   []string // nil: all; for traces
	FromS, ToS float64  // trial time, from included, to not; NaN: no limit
	EveryNS    int64    // least, greatest and mean of so long a time in place of samples; 0: samples
	Counts     bool     // raw counts as read in place of values
	Rig        string   // for line protocol
	Trial      string   // for line protocol
	Told       func(done int64)
}

// An InputError says that what was asked for is not in the trial.
type InputError struct{ said string }

func (e *InputError) Error() string { return e.said }

func (o *Options) told(done int64) {
	if o.Told != nil {
		o.Told(done)
	}
}

// within reports whether an instant is asked for. One that is not known is, where there is
// no limit.
func (o *Options) within(s float64) bool {
	return !(s < o.FromS) && !(s >= o.ToS) && (s == s || o.FromS != o.FromS && o.ToS != o.ToS)
}

// A kind is the type of a column's cells.
type kind int

const (
	number  kind = iota // float64; NaN is empty
	integer             // int64
	flag                // bool
	text                // string
	instant             // ns since 1970, UTC
)

// A column is one column of a table.
type column struct {
	name string
	unit string // "" where it has none
	kind kind
}

// A cell is one value; none is empty.
type cell struct {
	none bool
	f    float64
	i    int64
	s    string
}

func num(v float64) cell    { return cell{f: v, none: math.IsNaN(v)} }
func whole(v int64) cell    { return cell{i: v} }
func word(s string) cell    { return cell{s: s, none: s == ""} }
func utc(unixNS int64) cell { return cell{i: unixNS} }
func yes(b bool) (c cell)   { c.i = map[bool]int64{true: 1}[b]; return c }

// A table takes rows, each with a cell for every column, and close ends it. A row may be
// changed once it was taken.
type table interface {
	row([]cell) error
	close() error
}

func newTable(w io.Writer, o *Options, columns []column, about map[string]string) (table, error) {
	switch o.Format {
	case CSV:
		return newCSV(w, columns)
	case Parquet:
		return newParquet(w, columns, about), nil
	}
	return nil, fmt.Errorf("format %q as a table", o.Format)
}

// about says in a Parquet file where it is from.
func about(file *store.Trial, more map[string]string) map[string]string {
	h := file.Header()
	m := map[string]string{"griptrial.recorded_by": h.Program, "griptrial.time_zero_utc": h.AnchorUTC.UTC().Format(time.RFC3339Nano)}
	for k, v := range more {
		m[k] = v
	}
	return m
}

// unixNS returns an instant of the trial, ns since 1970.
func unixNS(file *store.Trial, s float64) cell {
	if math.IsNaN(s) {
		return cell{none: true}
	}
	return utc(file.Header().AnchorUTC.Add(time.Duration(math.Round(s * 1e9))).UnixNano())
}

var pickColumns = []column{
	{"station", "", text}, {"n", "", integer}, {"run", "", integer}, {"setup", "", text}, {"piece", "", text},
	{"outcome", "", text}, {"ended_at", "", text}, {"start_utc", "", instant}, {"start_s", "s", number}, {"contact_s", "s", number}, {"sealed_at_s", "s", number},
	{"drop_s", "s", number}, {"release_s", "s", number}, {"end_s", "s", number}, {"seal_from", "", text}, {"re_seals", "", integer},
	{"below_required_s", "s", number}, {"touched_by_gap", "", flag}, {"idle_level_kPa", "kPa", number}, {"required_kPa", "kPa", number},
}

// unitOf returns the unit that a figure's name ends in.
func unitOf(name string) string {
	for _, u := range [][2]string{{"_kPa_s", "kPa/s"}, {"_per_min", "/min"}, {"_Lmin", "L/min ANR"}, {"_kPa", "kPa"}, {"_J", "J"}, {"_s", "s"}} {
		if strings.HasSuffix(name, u[0]) {
			return u[1]
		}
	}
	return ""
}

// Picks writes the picks of a set, one a row, in the order in which they became final, and
// returns how many. Every figure has five columns: value, standard uncertainty (_u), limits
// at 95 % (_lo, _hi) and warnings. As lines they are those that a forwarder sends.
func Picks(ctx context.Context, w io.Writer, file *store.Trial, o Options) (n int64, err error) {
	runs, err := file.Runs()
	if err != nil {
		return 0, err
	}
	of := map[int]store.Run{}
	for _, r := range runs {
		of[r.N] = r
	}
	var lines *forward.Lines
	var rows table
	buffered := bufio.NewWriterSize(w, 1<<16) // of lines
	if o.Format == Lines {
		lines = forward.NewLines(forward.Labels{Rig: o.Rig, Trial: o.Trial}, file.Header().AnchorUTC)
	} else {
		columns := slices.Clone(pickColumns)
		for name := range store.Figures(&pick.Pick{}) {
			unit := unitOf(name)
			columns = append(columns, column{name, unit, number}, column{name + "_u", unit, number}, column{name + "_lo", unit, number},
				column{name + "_hi", unit, number}, column{name + "_warnings", "", text})
		}
		if rows, err = newTable(w, &o, columns, about(file, map[string]string{"griptrial.pick_set": fmt.Sprint(o.Set)})); err != nil {
			return 0, err
		}
	}
	seen := int64(0)
	var row []cell
	for p, err := range file.EachPick(o.Set, o.Station) {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return n, err
		}
		seen++
		o.told(seen)
		if !o.within(p.StartS) {
			continue
		}
		n++
		run := of[p.Run]
		if lines != nil {
			lines.Pick(&p, run.Setups[p.Station])
			if err := lines.Flush(buffered); err != nil {
				return n, err
			}
			continue
		}
		row = append(row[:0], word(p.Station), whole(int64(p.N)), whole(int64(p.Run)), word(run.Setups[p.Station]), word(run.Piece),
			word(string(p.Outcome)), word(p.EndedAt), unixNS(file, p.StartS), num(p.StartS), num(p.ContactS), num(p.SealedAtS),
			num(p.DropS), num(p.ReleaseS), num(p.EndS), word(p.SealFrom), whole(int64(p.ReSeals)),
			num(p.BelowRequiredS), yes(p.TouchedByGap), num(p.IdleLevelKPa), num(p.RequiredKPa))
		for _, f := range store.Figures(&p) {
			row = append(row, num(f.Value), num(f.U), num(f.Lo), num(f.Hi), word(warnings(f)))
		}
		if err := rows.row(row); err != nil {
			return n, err
		}
	}
	if rows != nil {
		return n, rows.close()
	}
	return n, buffered.Flush()
}

func warnings(f analyze.Figure) string {
	var all []string
	for _, w := range f.Warnings {
		all = append(all, w.String())
	}
	return strings.Join(all, "; ")
}

// unitsJSON lists the unit of every column that has one.
func unitsJSON(columns []column) string {
	units := map[string]string{}
	for _, c := range columns {
		if c.unit != "" {
			units[c.name] = c.unit
		}
	}
	b, _ := json.Marshal(units)
	return string(b)
}

// suffix is how a column's name tells the unit of a channel.
func suffix(c *sample.Channel) string {
	switch c.Kind.Unit() {
	case "":
		return ""
	case "L/min ANR":
		return "_Lmin"
	}
	return "_" + c.Kind.Unit()
}
