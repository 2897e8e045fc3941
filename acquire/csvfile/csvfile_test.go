package csvfile

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// columns parses "vacuum p[kPa]" and the like.
func columns(t testing.TB, specs ...string) []Column {
	var cs []Column
	for _, s := range specs {
		kind, text, _ := strings.Cut(s, " ")
		c, err := ParseColumn(sample.Kind(kind), text)
		require.NoError(t, err)
		cs = append(cs, c)
	}
	return cs
}

// refusal returns the words in which d refuses a unit.
func refusal(d config.Dimension, unit string) string {
	_, err := d.UnitOf(unit)
	return err.Error()
}

// scans returns the times in s and the values of each channel.
func scans(t testing.TB, r *Recording) (timesS []float64, values [][]float64) {
	channels := r.Groups[0].Channels
	values = make([][]float64, len(channels))
	for b := range r.Batches() {
		require.Len(t, b.Half, len(b.T))
		require.LessOrEqual(t, len(b.T), scansPerBatch)
		require.Zero(t, b.Group)
		for i, ns := range b.T {
			timesS = append(timesS, float64(ns)/1e9)
			require.Zero(t, b.Half[i])
		}
		require.Len(t, b.Counts, len(channels))
		for c := range channels {
			require.Len(t, b.Counts[c], len(b.T))
			for _, n := range b.Counts[c] {
				values[c] = append(values[c], channels[c].Value(n))
			}
		}
	}
	require.Len(t, timesS, r.Scans())
	return timesS, values
}

func TestParseColumn(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		kind sample.Kind
		text string
		want Column // spec aside
	}{
		{sample.Vacuum, "vacuum_kPa[kPa]", Column{Name: "vacuum_kPa", Unit: "kPa"}},
		{sample.Flow, " q [ L/min ANR ] ", Column{Name: "q", Unit: "L/min ANR"}},
		{sample.Air, "a[NL/min]", Column{Name: "a", Unit: "NL/min"}},
		{sample.Power, "p[kW]", Column{Name: "p", Unit: "kW"}},
		{sample.AirPressure, "air[bar]", Column{Name: "air", Unit: "bar"}},
		{sample.Vacuum, "p [kPa][mbar]", Column{Name: "p [kPa]", Unit: "mbar"}},
		{sample.Vacuum, "p[% of ambient]", Column{Name: "p", Unit: "% of ambient"}},
		{sample.Supply, "valve", Column{Name: "valve", OnAbove: nan}},
		{sample.Supply, "valve [V]", Column{Name: "valve [V]", OnAbove: nan}},
		{sample.Release, "valve>0.5", Column{Name: "valve", OnAbove: 0.5}},
		{sample.Touch, "a>b > -12", Column{Name: "a>b", OnAbove: -12}},
	} {
		t.Run(tt.text, func(t *testing.T) {
			c, err := ParseColumn(tt.kind, tt.text)
			require.NoError(t, err)
			assert.Equal(t, tt.want.Name, c.Name)
			assert.Equal(t, tt.want.Unit, c.Unit)
			assert.Equal(t, tt.kind, c.Kind)
			if tt.kind.Switched() && !math.IsNaN(tt.want.OnAbove) {
				assert.Equal(t, tt.want.OnAbove, c.OnAbove)
			} else {
				assert.True(t, math.IsNaN(c.OnAbove), "OnAbove is %v", c.OnAbove)
			}
		})
	}
	for _, tt := range []struct {
		kind       sample.Kind
		text, want string
	}{
		{sample.Vacuum, "p", "vacuum: p has no unit; want p[UNIT] with a unit such as kPa, mbar, bar, Pa"},
		{sample.Vacuum, "p[]", "vacuum: p has no unit; want p[UNIT] with a unit such as kPa, mbar, bar, Pa"},
		{sample.Vacuum, "p]", "vacuum: p has no unit; want p[UNIT] with a unit such as kPa, mbar, bar, Pa"},
		{sample.Flow, "q[L/min]", "flow: q[L/min]: " + refusal(config.Flow, "L/min")},
		{sample.Power, "p[kPa]", "power: p[kPa]: " + refusal(config.Power, "kPa")},
		{sample.Vacuum, "[kPa]", "vacuum: [kPa]: no column is named before ["},
		{sample.Vacuum, " ", "vacuum: no column is named"},
		{sample.Supply, "", "supply: no column is named"},
		{sample.Supply, "v>on", `supply: v>on: found "on" after >, want a number such as v>0.5`},
		{sample.Supply, "v>NaN", `supply: v>NaN: found "NaN" after >, want a number such as v>0.5`},
		{sample.Supply, ">1", "supply: >1: no column is named before >"},
	} {
		t.Run("refused "+tt.text, func(t *testing.T) {
			c, err := ParseColumn(tt.kind, tt.text)
			require.EqualError(t, err, tt.want)
			assert.Zero(t, c)
		})
	}
}

// Every variant holds the same table.
func TestFormats(t *testing.T) {
	const rfc = "time_s,v,q,s\n2026-03-02T06:30:00Z,0.5,1,0\n2026-03-02T07:30:00.01+01:00,-1.25,,1\n2026-03-02T06:30:00.0225Z,30,2.5,1\n"
	for _, tt := range []struct {
		name, in string
		clock    bool
	}{
		{name: "comma", in: "time_s,v,q,s\n10,0.5,1,0\n10.01,-1.25,,1\n10.0225,30,2.5,1\n"},
		{name: "no line end at the end", in: "time_s,v,q,s\n10,0.5,1,0\n10.01,-1.25,,1\n10.0225,30,2.5,1"},
		{name: "semicolon", in: "time_s;v;q;s\n10;0.5;1;0\n10.01;-1.25;;1\n10.0225;30;2.5;1\n"},
		{name: "tab", in: "time_s\tv\tq\ts\n10\t0.5\t1\t0\n10.01\t-1.25\t\t1\n10.0225\t30\t2.5\t1\n"},
		{name: "decimal comma, semicolon", in: "time_s;v;q;s\n10;0,5;1;0\n10,01;-1,25;;1\n10,0225;30;2,5;1\n"},
		{name: "decimal comma, tab", in: "time_s\tv\tq\ts\n10\t0,5\t1\t0\n10,01\t-1,25\t\t1\n10,0225\t30\t2,5\t1\n"},
		{name: "byte order mark", in: "\ufefftime_s,v,q,s\n10,0.5,1,0\n10.01,-1.25,,1\n10.0225,30,2.5,1\n"},
		{name: "carriage returns", in: "time_s,v,q,s\r\n10,0.5,1,0\r\n10.01,-1.25,,1\r\n10.0225,30,2.5,1\r\n"},
		{name: "quoted", in: "\"time_s\",\"v\",\"q\",s\n\"10\",\"0.5\",\"1\",\"0\"\n10.01,\"-1.25\",\"\",1\n10.0225,30,2.5,1\n"},
		{name: "comments, blank lines", in: "# granule pillow bag, 40 mm lip\n\n#x\ntime_s,v,q,s\n10,0.5,1,0\n\n10.01,-1.25,,1\n10.0225,30,2.5,1\n\n"},
		{name: "spreadsheet", in: "sep=;\r\ntime_s;v;q;s\r\n10;0,5;1;FALSE\r\n10,01;-1,25;;TRUE\r\n10,0225;30;2,5;TRUE\r\n;;;\r\n"},
		{name: "delimiter at the end of each row", in: "time_s;v;q;s\n10;0.5;1;0;\n10.01;-1.25;;1;\n10.0225;30;2.5;1;\n"},
		{name: "spaces", in: " time_s , v , q , s \n 10 , 0.5 , 1 , off \n 10.01 ,-1.25, , on\n10.0225,30,2.5,1\n"},
		{name: "other columns and order", in: "note,s,q,time_s,v\n\"a, \"\"b\"\"\",0,1,10,0.5\n\"two\nlines\",1,,10.01,-1.25\n,1,2.5,10.0225,30\n"},
		{name: "commas in a header between semicolons", in: "\"a, b, c, d\";time_s;v;q;s\n1;10;0.5;1;0\n2;10.01;-1.25;;1\n3;10.0225;30;2.5;1\n"},
		{name: "number forms", in: "time_s,v,q,s\n1e1,.5,+1.,0\n10.01,-1.25,NaN,1\n1.00225E+01,3.0e+1,250e-2,1.\n"},
		{name: "words for missing", in: "time_s,v,q,s\n10,0.5,1,0\n10.01,-1.25,-nan,1\n10.0225,30,2.5,1\n"},
		{name: "NA for missing", in: "time_s,v,q,s\n10,0.5,1,0\n10.01,-1.25,NA,1\n10.0225,30,2.5,1\n"},
		{name: "null for missing", in: "time_s,v,q,s\n10,0.5,1,0\n10.01,-1.25,null,1\n10.0225,30,2.5,1\n"},
		{name: "RFC 3339", in: rfc, clock: true},
		{name: "RFC 3339 with a space", in: strings.ReplaceAll(rfc, "T", " "), clock: true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f, err := Read(strings.NewReader(tt.in), "trial.csv", Options{
				Time: "time_s", Columns: columns(t, "vacuum v[kPa]", "flow q[L/min ANR]", "supply s"), AmbientKPa: math.NaN(), Station: "left"})
			require.NoError(t, err)
			require.Len(t, f.Recordings, 1)
			r := &f.Recordings[0]
			times, values := scans(t, r)
			if tt.clock {
				assert.Equal(t, []float64{0, 0.01, 0.0225}, times)
				assert.Equal(t, time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC), f.UTC)
			} else {
				assert.Equal(t, []float64{10, 10.01, 10.0225}, times)
				assert.Zero(t, f.UTC)
			}
			assert.Equal(t, []float64{0.5, -1.25, 30}, values[0])
			require.Len(t, values[1], 3)
			assert.Equal(t, []float64{1, 2.5}, []float64{values[1][0], values[1][2]})
			assert.True(t, math.IsNaN(values[1][1]))
			assert.Equal(t, []float64{0, 1, 1}, values[2])
			cs := r.Groups[0].Channels
			assert.Equal(t, []string{"v", "q", "s"}, []string{cs[0].Name, cs[1].Name, cs[2].Name})
			assert.Equal(t, "left", cs[0].Station)
			assert.Equal(t, "cup", cs[0].At)
			assert.Equal(t, "", cs[1].At)
			assert.Equal(t, 0.5, cs[2].OnAbove)
			assert.InDelta(t, 1.75, cs[0].Resolution, 1e-12, "smallest step of -1.25, 0.5, 30")
			assert.InDelta(t, 1.5, cs[1].Resolution, 1e-12)
			assert.InDelta(t, 0.01125, cs[0].IntervalS, 1e-12, "between 10 and 12.5 ms")
			assert.InDelta(t, 0.0225, cs[1].IntervalS, 1e-12, "over the missing sample")
			assert.True(t, math.IsNaN(f.AmbientKPa))
			assert.Equal(t, "", f.AmbientFrom)
		})
	}
}

func TestErrors(t *testing.T) {
	usual := []string{"vacuum v[kPa]"}
	for _, tt := range []struct {
		name, in, want string
		columns        []string
		o              func(o *Options)
	}{
		{name: "empty", in: "", want: "trial.csv: no header line of column names"},
		{name: "comments only", in: "# a\n#b", want: "trial.csv: no header line of column names"},
		{name: "header only", in: "t,v\n", want: "trial.csv: no rows after the header"},
		{name: "rows of nothing", in: "t,v\n,\n,\n", want: "trial.csv: no rows after the header"},
		{name: "no header", in: "0,1.5\n1,2\n", want: "trial.csv:1: found 0 1.5, want a header line of column names"},
		{name: "columns missing", in: "#\ntime;vac;x\n0;1;1\n", want: "trial.csv:2: no column t, v; there are time, vac, x"},
		{name: "column twice", in: "t,v,v\n0,1,1\n", want: "trial.csv:1: 2 columns are called v"},
		{name: "UTF-16", in: "\xff\xfet\x00", want: "trial.csv:1: the text is UTF-16; save it as UTF-8"},
		{name: "quote in header", in: "t,v,\"x\n0,1,2\n", want: `trial.csv:1: header: extraneous or missing " in quoted-field`},
		{name: "quote in a row", in: "#\nt,v,x\n0,1,2\n1,2,a\"b\n", want: `trial.csv:4: bare " in non-quoted-field (column of text 6)`},
		{name: "no end of line", in: strings.Repeat("a", maxHeader+1), want: "trial.csv:1: no end of line within 1048576 bytes; is this a table of text?"},
		{name: "time equal", in: "t,v\n0,1\n1.5,2\n1.50,3\n", want: "trial.csv:4: time 1.5 s is not after 1.5 s; --sort orders them"},
		{name: "time backward", in: "#\n#\nt,v\n1.24,1\n1.23,3\n", want: "trial.csv:5: time 1.23 s is not after 1.24 s; --sort orders them"},
		{name: "time backward after lines in quotes", in: "t,\"x\n\",v\n1.24,\"a\nb\",1\n1.23,\"a\n\n\",3\n", want: "trial.csv:5: time 1.23 s is not after 1.24 s; --sort orders them"},
		{name: "instant backward", in: "t,v\n2026-03-02T06:30:00.5Z,1\n2026-03-02T08:30:00.25+02:00,3\n", want: "trial.csv:3: time 2026-03-02T06:30:00.25Z is not after 2026-03-02T06:30:00.5Z; --sort orders them"},
		{name: "time backward in a group", in: "t,v,g\n0,1,a\n0,2,b\n1,1,a\n0,1,b\n", want: "trial.csv:5: time 0 s is not after 0 s in group b; --sort orders them", o: func(o *Options) { o.Group = "g" }},
		{name: "no group", in: "t,v,g\n0,1,a\n1,1,\n", want: "trial.csv:3: g: found an empty cell, want the group of the row", o: func(o *Options) { o.Group = "g" }},
		{name: "time empty", in: "t,v\n0,1\n,1\n", want: `trial.csv:3: t: found "", want seconds or an RFC 3339 instant`},
		{name: "time without a date", in: "t,v\n12:30:00.5,1\n", want: `trial.csv:2: t: found "12:30:00.5", want an RFC 3339 instant such as 2026-03-02T06:30:00.125Z`},
		{name: "time without a zone", in: "t,v\n2026-03-02T12:30:00.5,1\n", want: `trial.csv:2: t: found "2026-03-02T12:30:00.5", want an RFC 3339 instant such as 2026-03-02T06:30:00.125Z`},
		{name: "time in two forms", in: "t,v\n2026-03-02T06:30:00.5Z,1\n3,1\n", want: `trial.csv:3: t: found "3", want an RFC 3339 instant such as 2026-03-02T06:30:00.125Z`},
		{name: "time nan", in: "t,v\nnan,1\n", want: `trial.csv:2: t: found "nan", want seconds or an RFC 3339 instant`},
		{name: "time too long", in: "t,v\n1e12,1\n", want: "trial.csv:2: t: found 1e12, which is too long a time"},
		{name: "year too far", in: "t,v\n2300-01-01T00:00:00Z,1\n", want: "trial.csv:2: t: found 2300-01-01T00:00:00Z, want a year from 1700 to 2200"},
		{name: "bad number", in: "t,v\n0,1\n1,1x\n", want: `trial.csv:3: v: found "1x", want a number, or an empty cell where there is none`},
		{name: "infinite", in: "t,v\n0,-inf\n", want: `trial.csv:2: v: found "-inf", want a number, or an empty cell where there is none`},
		{name: "too large", in: "t,v\n0,1e291\n", want: `trial.csv:2: v: found "1e291", want a number, or an empty cell where there is none`},
		{name: "hexadecimal", in: "t,v\n0,0x10\n", want: `trial.csv:2: v: found "0x10", want a number, or an empty cell where there is none`},
		{name: "thousands", in: "t;v\n0;1.013,25\n", want: `trial.csv:2: v: found "1.013,25", want a number, or an empty cell where there is none`},
		{name: "true where measured", in: "t,v\n0,true\n", want: `trial.csv:2: v: found "true", want a number, or an empty cell where there is none`},
		{name: "bad switch", in: "t,v,s\n0,1,open\n", want: `trial.csv:2: s: found "open", want a number, or an empty cell where there is none`, columns: []string{"vacuum v[kPa]", "supply s"}},
		{name: "both marks", in: "t;v\n0;1\n0,5;1\n1;1.5\n", want: `trial.csv:4: v: found "1.5", but the decimal mark in line 3 is ','`},
		{name: "quoted decimal comma", in: "t,v\n0,\"1,5\"\n", want: `trial.csv:2: v: found "1,5"; a decimal comma needs semicolons or tabs between columns`},
		{name: "decimal comma between commas", in: "t,v\n0,1,5\n", want: "trial.csv:2: found 3 cells, the header has 2; a decimal comma needs semicolons or tabs between columns"},
		{name: "row cut off", in: "t,v,x\n0,1,2\n1,1\n", want: "trial.csv:3: found 2 cells, the header has 3"},
		{name: "vacuum empty", in: "t,v\n0,\n1,nan\n", want: "trial.csv: v: every cell is empty"},
		{name: "ambient missing for a unit", in: "t,v\n0,1\n", want: "trial.csv: vacuum: v: " + refusal(config.Pressure, "% of ambient"), columns: []string{"vacuum v[% of ambient]"}},
		{name: "ambient 0", in: "t,v\n0,1\n", want: "trial.csv: an ambient of 0 kPa is no pressure of air", o: func(o *Options) { o.AmbientKPa = 0 }},
		{name: "sign unknown", in: "t,v\n0,1\n", want: `trial.csv: vacuum sign "gauge"; want positive, negative or absolute`, o: func(o *Options) { o.Sign = "gauge" }},
		{name: "no columns", in: "t,v\n0,1\n", want: "trial.csv: no columns are asked for", o: func(o *Options) { o.Columns = nil }},
		{name: "no time", in: "t,v\n0,1\n", want: "trial.csv: no time column is named", o: func(o *Options) { o.Time = "" }},
		{name: "time unit", in: "t,v\n0,1\n", want: "trial.csv: time: t[d]: " + refusal(config.Time, "d"), o: func(o *Options) { o.Time = "t[d]" }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if tt.columns == nil {
				tt.columns = usual
			}
			o := Options{Time: "t", Columns: columns(t, tt.columns...), AmbientKPa: math.NaN()}
			if tt.o != nil {
				tt.o(&o)
			}
			f, err := Read(strings.NewReader(tt.in), "trial.csv", o)
			require.EqualError(t, err, tt.want)
			assert.Nil(t, f)
			assert.NotContains(t, err.Error(), "\n")
		})
	}
	_, err := Open(filepath.Join(t.TempDir(), "none.csv"), Options{})
	require.ErrorIs(t, err, os.ErrNotExist)
}

func TestTimeUnits(t *testing.T) {
	for _, tt := range []struct {
		time, cell string
		want       int64 // ns
	}{
		{"t[ms]", "1674123456123.25", 1674123456123250000},
		{"t[us]", "12.5", 12500},
		{"t[min]", "0.1", 6e9},
		{"t[h]", "-1.5", -5400e9},
		{"t[s]", "1674123456.123456789", 1674123456123456789},
		{"t", "1.230000000000000009e-02", 12300000},
		{"t", "0.0000000004", 0},
		{"t", "0.0000000005", 1},
		{"t", "-0.0000000005", -1},
		{"t[h]", "0.333333333333333333", 1200e9},
	} {
		t.Run(tt.time+" "+tt.cell, func(t *testing.T) {
			f, err := Read(strings.NewReader("t,v\n"+tt.cell+",1\n"), "x", Options{Time: tt.time, Columns: columns(t, "vacuum v[kPa]"), AmbientKPa: math.NaN()})
			require.NoError(t, err)
			for b := range f.Recordings[0].Batches() {
				assert.Equal(t, []int64{tt.want}, b.T)
			}
			assert.True(t, math.IsNaN(f.Sampling.IntervalS))
			assert.True(t, math.IsNaN(f.Sampling.LongestS))
			assert.True(t, math.IsNaN(f.Recordings[0].Groups[0].Channels[0].IntervalS))
		})
	}
}

// A header that holds the unit is found with or without it.
func TestHeaderWithUnit(t *testing.T) {
	for _, spec := range []string{"p [mbar]", "p [mbar][mbar]"} {
		f, err := Read(strings.NewReader("t,p [mbar]\n0,10\n1,20\n"), "x", Options{Time: "t", Columns: columns(t, "vacuum "+spec), AmbientKPa: math.NaN()})
		require.NoError(t, err)
		_, v := scans(t, &f.Recordings[0])
		assert.Equal(t, []float64{1, 2}, v[0])
		assert.Equal(t, "p [mbar]", f.Recordings[0].Groups[0].Channels[0].Name)
	}
}

func TestCounts(t *testing.T) {
	for _, tt := range []struct {
		name, unit string
		cells      []string
		counts     []int64
		scale      float64
		resolution float64
	}{
		{"integers", "kPa", []string{"0", "30", "12"}, []int64{0, 30, 12}, 1, 12},
		{"places of the finest cell", "kPa", []string{"1", "1.5", "1.25", "2.0"}, []int64{100, 150, 125, 200}, 0.01, 0.25},
		{"trailing zeros count", "kPa", []string{"1.0", "2.00"}, []int64{100, 200}, 0.01, 1},
		{"hPa", "hPa", []string{"0", "993.66", "993.46"}, []int64{0, 99366, 99346}, 0.001, 0.02},
		{"no more than 9 places", "kPa", []string{"0", "0.12345678949", "0.1234567895"}, []int64{0, 123456789, 123456790}, 1e-9, 1e-9},
		{"constant", "kPa", []string{"3.5", "3.5"}, []int64{35, 35}, 0.1, 0.1},
		{"zeros", "kPa", []string{"0.00", "0"}, []int64{0, 0}, 0.01, 0.01},
		{"exponents are exact", "kPa", []string{"1.25e1", "5e-1", "0e-99"}, []int64{125, 5, 0}, 0.1, 0.5},
		{"exponents need more than 9 places", "kPa", []string{"1.25e-12", "2e-6"}, []int64{125, 200000000}, 1e-14, 1.99999875e-6},
		{"15 digits at most", "kPa", []string{"1e-20", "25"}, []int64{0, 250000000000000}, 1e-13, 25},
		{"binary noise is rounded off", "kPa", []string{"9.870000000000000106e+00", "9.859999999999999432e+00", "1.0000000000000000e+01"},
			[]int64{98700000000000, 98600000000000, 100000000000000}, 1e-13, 0.01},
		{"large after fine", "kPa", []string{"0.123456789", "12345678.5"}, []int64{1234568, 123456785000000}, 1e-7, 12345678.3765432},
		{"beyond 15 digits", "kPa", []string{"1e20", "5e19"}, []int64{100000000000000, 50000000000000}, 1e6, 5e19},
	} {
		t.Run(tt.name, func(t *testing.T) {
			in := "t,v\n"
			for i, c := range tt.cells {
				in += fmt.Sprintf("%d,%s\n", i, c)
			}
			f, err := Read(strings.NewReader(in), "x", Options{Time: "t", Columns: columns(t, "air_pressure v["+tt.unit+"]"), AmbientKPa: math.NaN()})
			require.NoError(t, err)
			c := f.Recordings[0].Groups[0].Channels[0]
			for b := range f.Recordings[0].Batches() {
				assert.Equal(t, tt.counts, b.Counts[0])
			}
			assert.InEpsilon(t, tt.scale, c.Scale, 1e-15)
			assert.InEpsilon(t, tt.resolution, c.Resolution, 1e-13)
		})
	}
}

func TestSwitched(t *testing.T) {
	for _, tt := range []struct {
		name, spec string
		cells      []string
		want       []bool
	}{
		{"half the range", "s", []string{"0", "24", "23.5", "0.5", ""}, []bool{false, true, true, false, false}},
		{"range off zero", "s", []string{"-5", "-1", "-4.5"}, []bool{false, true, false}},
		{"threshold", "s>2.5", []string{"0", "2.5", "2.6", "24"}, []bool{false, false, true, true}},
		{"always 0", "s", []string{"0", "0"}, []bool{false, false}},
		{"always 1", "s", []string{"1", "1"}, []bool{true, true}},
		{"always 24, missing once", "s", []string{"24", "", "24"}, []bool{true, false, true}},
		{"always -1", "s", []string{"-1", "-1"}, []bool{true, true}},
		{"always below the threshold", "s>2", []string{"1", "1"}, []bool{false, false}},
		{"never had", "s", []string{"", "nan"}, []bool{false, false}},
		{"words", "s", []string{"True", "OFF", "on", "false"}, []bool{true, false, true, false}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			in := "t,s\n"
			for i, c := range tt.cells {
				in += fmt.Sprintf("%d,%s\n", i, c)
			}
			f, err := Read(strings.NewReader(in), "x", Options{Time: "t", Columns: columns(t, "supply "+tt.spec), AmbientKPa: math.NaN()})
			require.NoError(t, err)
			c := f.Recordings[0].Groups[0].Channels[0]
			var got []bool
			for b := range f.Recordings[0].Batches() {
				for _, n := range b.Counts[0] {
					got = append(got, c.On(n))
				}
			}
			assert.Equal(t, tt.want, got)
		})
	}
}

// Half the range is that of the file: a recording in which a valve stays shut says so.
func TestGroups(t *testing.T) {
	const in = "g,t,v,s\nb,5,1,0\nb,6,2,24\na,0,3,0\nb,7,3.5,0\na,1,4,0\n\"a b\",0,5,24\n"
	f, err := Read(strings.NewReader(in), "x", Options{Time: "t", Group: "g", Columns: columns(t, "vacuum v[kPa]", "supply s"), AmbientKPa: math.NaN()})
	require.NoError(t, err)
	require.Len(t, f.Recordings, 3)
	for i, want := range []struct {
		group     string
		t, v      []float64
		on        []float64
		intervalS float64
	}{
		{"b", []float64{5, 6, 7}, []float64{1, 2, 3.5}, []float64{0, 24, 0}, 1},
		{"a", []float64{0, 1}, []float64{3, 4}, []float64{0, 0}, 1},
		{"a b", []float64{0}, []float64{5}, []float64{24}, math.NaN()},
	} {
		r := &f.Recordings[i]
		assert.Equal(t, want.group, r.Group)
		times, v := scans(t, r)
		assert.Equal(t, want.t, times)
		assert.Equal(t, want.v, v[0])
		assert.Equal(t, want.on, v[1])
		assert.Equal(t, 12.0, r.Groups[0].Channels[1].OnAbove)
		assert.InDelta(t, 0.5, r.Groups[0].Channels[0].Resolution, 1e-15)
		if math.IsNaN(want.intervalS) {
			assert.True(t, math.IsNaN(r.Sampling.IntervalS))
		} else {
			assert.Equal(t, want.intervalS, r.Sampling.IntervalS)
		}
	}
	assert.Equal(t, 1.0, f.Sampling.IntervalS)
}

func TestSort(t *testing.T) {
	const in = "t,v\n3,1\n1,2\n2,3\n1,4\n3,5\n3,6.5\n0,\n"
	f, err := Read(strings.NewReader(in), "x", Options{Time: "t", Sort: true, Columns: columns(t, "vacuum v[kPa]"), AmbientKPa: math.NaN()})
	require.NoError(t, err)
	r := &f.Recordings[0]
	times, v := scans(t, r)
	assert.Equal(t, []float64{0, 1, 2, 3}, times)
	assert.Equal(t, []float64{2, 3, 1}, v[0][1:], "the first of equal times is kept")
	assert.True(t, math.IsNaN(v[0][0]))
	assert.Equal(t, 3, r.EqualTimes)

	f, err = Read(strings.NewReader("t,v\n2026-03-02T06:30:01Z,1\n2026-03-02T06:30:00Z,2\n"), "x",
		Options{Time: "t", Sort: true, Columns: columns(t, "vacuum v[kPa]"), AmbientKPa: math.NaN()})
	require.NoError(t, err)
	times, v = scans(t, &f.Recordings[0])
	assert.Equal(t, []float64{0, 1}, times)
	assert.Equal(t, []float64{2, 1}, v[0])
	assert.Equal(t, time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC), f.UTC, "the earliest row")

	// Enough rows that an unstable sort shows: 5000 times, each three times.
	const n = 5000
	var b strings.Builder
	b.WriteString("t,v\n")
	for pass := range 3 {
		for i := range n {
			fmt.Fprintf(&b, "%d,%d\n", i*7919%n, pass+1)
		}
	}
	f, err = Read(strings.NewReader(b.String()), "x", Options{Time: "t", Sort: true, Columns: columns(t, "vacuum v[kPa]"), AmbientKPa: math.NaN()})
	require.NoError(t, err)
	times, v = scans(t, &f.Recordings[0])
	require.Len(t, times, n)
	for i := range n {
		require.Equal(t, float64(i), times[i])
		require.Equal(t, 1.0, v[0][i])
	}
	assert.Equal(t, 2*n, f.Recordings[0].EqualTimes)
}

// Instants of all groups count from the earliest row of the file.
func TestInstantsOfGroups(t *testing.T) {
	const in = "t,v,g\n2026-03-02T06:30:01Z,1,b\n2026-03-02T06:30:00Z,2,a\n2026-03-02T06:30:03.5Z,3,b\n"
	f, err := Read(strings.NewReader(in), "x", Options{Time: "t", Group: "g", Columns: columns(t, "vacuum v[kPa]"), AmbientKPa: math.NaN()})
	require.NoError(t, err)
	assert.Equal(t, time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC), f.UTC)
	b, _ := scans(t, &f.Recordings[0])
	a, _ := scans(t, &f.Recordings[1])
	assert.Equal(t, []float64{1, 3.5}, b)
	assert.Equal(t, []float64{0}, a)
}

// Batches hold all scans in order whatever the length, sorted or not.
func TestBatchBoundaries(t *testing.T) {
	for _, n := range []int{1, 2, scansPerBatch - 1, scansPerBatch, scansPerBatch + 1, 2 * scansPerBatch, 2*scansPerBatch + 1} {
		for _, backward := range []bool{false, true} {
			t.Run(fmt.Sprint(n, backward), func(t *testing.T) {
				var in strings.Builder
				in.WriteString("t,v\n")
				for i := range n {
					at := i
					if backward {
						at = n - 1 - i
					}
					v := fmt.Sprint(at)
					if at == n/2 {
						v += ".5" // shifts every count before and after it
					}
					fmt.Fprintf(&in, "%d,%s\n", at, v)
				}
				f, err := Read(strings.NewReader(in.String()), "x", Options{Time: "t", Sort: backward, Columns: columns(t, "air_pressure v[kPa]"), AmbientKPa: math.NaN()})
				require.NoError(t, err)
				times, v := scans(t, &f.Recordings[0])
				require.Len(t, times, n)
				batches := 0
				for range f.Recordings[0].Batches() {
					batches++
				}
				assert.Equal(t, (n+scansPerBatch-1)/scansPerBatch, batches)
				for i := range n {
					want := float64(i)
					if i == n/2 {
						want += 0.5
					}
					require.Equal(t, float64(i), times[i])
					require.Equal(t, want, v[0][i])
				}
				for range f.Recordings[0].Batches() {
					break // a consumer may stop
				}
			})
		}
	}
}

func TestSampling(t *testing.T) {
	ms := func(v ...int64) []int64 {
		out := make([]int64, len(v))
		for i := range v {
			out[i] = v[i] * 1e6
		}
		return out
	}
	for _, tt := range []struct {
		name      string
		intervals []int64
		want      Sampling
	}{
		{"even", ms(10, 10, 10), Sampling{0.01, 0.01, 0}},
		{"even number", ms(10, 20), Sampling{0.015, 0.02, 0}},
		{"one burst of three", ms(10, 10, 10, 40, 1, 1, 1, 10, 10, 10, 10), Sampling{0.01, 0.04, 1}},
		{"two bursts", ms(10, 10, 16, 1, 10, 16, 1, 10, 10), Sampling{0.01, 0.016, 2}},
		{"pause of 1.5 is none", ms(10, 10, 15, 1, 10, 10, 10), Sampling{0.01, 0.015, 0}},
		{"a fifth is no burst", ms(10, 10, 16, 2, 10, 10, 10), Sampling{0.01, 0.016, 0}},
		{"pause without a burst", ms(10, 10, 50, 10, 10), Sampling{0.01, 0.05, 0}},
		{"burst without a pause", ms(10, 10, 1, 1, 10, 10), Sampling{0.01, 0.01, 0}},
	} {
		t.Run(tt.name, func(t *testing.T) { assert.Equal(t, tt.want, sampling(tt.intervals)) })
	}
}

func TestSigns(t *testing.T) {
	series := func(values ...float64) string { // 20 of each
		in := "t,v\n"
		for i, v := range values {
			for j := range 20 {
				in += fmt.Sprintf("%d,%.2f\n", i*20+j, v+0.01*float64(j%3-1))
			}
		}
		return in
	}
	given := func(kPa float64) func(*Options) { return func(o *Options) { o.AmbientKPa = kPa } }
	for _, tt := range []struct {
		name string
		sign Sign
		in   string
		unit string
		o    func(*Options)
		want string // error, "" if read
	}{
		{name: "vacuum", sign: Positive, in: series(0, 5, 40, 0)},
		{name: "vacuum with a zero offset and blow-off", sign: Positive, in: series(-0.4, -0.4, -0.4, 5, -30)},
		{name: "idle only", sign: Positive, in: series(0)},
		{name: "hold only", sign: Positive, in: series(60, 58)},
		{name: "all negative", sign: Positive, in: series(-1, -40, -1), want: "x: all values of v are negative; --vacuum-sign negative reads gauge pressures"},
		{name: "nearly all negative", sign: Positive, in: series(0.02, -40, 0.02), want: "x: v goes from -40.01 to 0.03 kPa, hardly any of it positive; --vacuum-sign negative reads gauge pressures"},
		{name: "absolute as vacuum", sign: Positive, in: series(101.3, 96, 60), want: "x: v goes from 59.99 to 101.3 kPa and never comes near 0; --vacuum-sign absolute reads absolute pressures"},
		{name: "wrong unit of vacuum", sign: Positive, in: series(0, 400), want: "x: v goes from -0.01 to 400 kPa, more vacuum than there is air; is its unit right?"},
		{name: "gauge", sign: Negative, in: series(0, -5, -40, 0)},
		{name: "gauge with blow-off", sign: Negative, in: series(0, -5, -40, 30)},
		{name: "all positive", sign: Negative, in: series(1, 40, 1), want: "x: all values of v are positive; --vacuum-sign positive reads vacuums"},
		{name: "nearly all positive", sign: Negative, in: series(0, 40, 0), want: "x: v goes from -0.01 to 40.01 kPa, hardly any of it negative; --vacuum-sign positive reads vacuums"},
		{name: "absolute as gauge", sign: Negative, in: series(101.3, 60), want: "x: v goes from 59.99 to 101.3 kPa and never comes near 0; --vacuum-sign absolute reads absolute pressures"},
		{name: "wrong unit of gauge", sign: Negative, in: series(0, -400), want: "x: v goes from -400 to 0.01 kPa, more vacuum than there is air; is its unit right?"},
		{name: "absolute", sign: Absolute, in: series(101.3, 96, 60)},
		{name: "gauge as absolute", sign: Absolute, in: series(0, -40), want: "x: v goes from -40.01 to 0.01 kPa, and no absolute pressure is negative; --vacuum-sign negative reads gauge pressures"},
		{name: "vacuum as absolute", sign: Absolute, in: series(0, 40), want: "x: v goes from -0.01 to 40.01 kPa and never comes near the pressure of the air; --vacuum-sign positive reads vacuums"},
		{name: "deep vacuum as absolute", sign: Absolute, in: series(0, 80), want: "x: v goes from -0.01 to 80.01 kPa and never comes near the pressure of the air; --vacuum-sign positive reads vacuums"},
		{name: "pump high up", sign: Absolute, in: series(3, 70), o: given(70)},
		{name: "wrong unit of absolute", sign: Absolute, in: series(1013), want: "x: v goes from 1013 to 1013 kPa, far more than the air around has; is its unit right?"},
		{name: "above the ambient given", sign: Absolute, in: series(101.3, 96), o: given(10.13), want: "x: v goes from 95.99 to 101.3 kPa, all of it above the ambient of 10.13 kPa; is that right?"},
		{name: "never at ambient", sign: Absolute, in: series(40, 30), want: "x: the highest plateau of v is at 40 kPa, which is no pressure of the air; --ambient states it"},
		{name: "never at rest", sign: Absolute, in: "t,v\n0,101\n1,60\n2,20\n", want: "x: v has no plateau at the pressure of the air; --ambient states it"},
		{name: "never at ambient, given", sign: Absolute, in: series(40, 30), o: given(101.3)},
		{name: "charged volume", sign: Negative, in: series(730, 720), o: func(o *Options) { o.EitherSide = true }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			o := Options{Time: "t", Columns: columns(t, "vacuum v[kPa]"), Sign: tt.sign, AmbientKPa: math.NaN()}
			if tt.o != nil {
				tt.o(&o)
			}
			f, err := Read(strings.NewReader(tt.in), "x", o)
			if tt.want != "" {
				require.EqualError(t, err, tt.want)
				assert.Nil(t, f)
				return
			}
			require.NoError(t, err)
		})
	}
}

func TestSignOfValues(t *testing.T) {
	read := func(sign Sign, unit, cell string, ambientKPa float64) float64 {
		f, err := Read(strings.NewReader("t,v\n0,"+cell+"\n"), "x",
			Options{Time: "t", Columns: columns(t, "vacuum v["+unit+"]"), Sign: sign, AmbientKPa: ambientKPa, EitherSide: true})
		require.NoError(t, err)
		_, v := scans(t, &f.Recordings[0])
		return v[0][0]
	}
	// Worked conversions 2, 12, 21 and 22 of the project's table of units: NIST SP 811 and ISO 8778.
	assert.InDelta(t, 60, read(Negative, "mbar", "-600", math.NaN()), 1e-9)
	assert.InDelta(t, 59.9950743, read(Positive, "mmHg", "450", math.NaN()), 1e-6)
	assert.InDelta(t, 60, read(Absolute, "kPa", "41.325", 101.325), 1e-9)
	assert.InDelta(t, 54.1363, read(Absolute, "kPa", "41.325", 95.4613), 1e-9)
	assert.InDelta(t, 57.27678, read(Positive, "% of ambient", "60", 95.4613), 1e-9)
	assert.InDelta(t, -731.5, read(Negative, "bar", "7.315", math.NaN()), 1e-9, "above ambient")
}

func TestHighestPlateau(t *testing.T) {
	assert.True(t, math.IsNaN(highestPlateau(nil, 5)))
	assert.True(t, math.IsNaN(highestPlateau([]int64{1, 20, 40}, 5)))
	assert.Equal(t, 41.0, highestPlateau([]int64{1, 2, 3, 40, 41, 42}, 5))
	assert.Equal(t, 41.0, highestPlateau([]int64{1, 2, 3, 40, 41, 42, 90, 91}, 5), "two are a spike")
	assert.Equal(t, 2.0, highestPlateau([]int64{1, 2, 3}, 5))
	v := []int64{50, 51, 52, 52, 52, 52, 52, 52, 53, 54, 57, 57}
	assert.Equal(t, 52.0, highestPlateau(v, 4), "53 to 57 is its edge")
}

// Blow-off lifts the pressure above ambient for as long as the pick rests at ambient.
func TestAmbientWithBlowOff(t *testing.T) {
	in := "t,p,r\n"
	for i := range 1000 {
		switch phase := i % 100; {
		case phase < 10:
			in += fmt.Sprintf("%d,%.2f,0\n", i, 101.3+0.01*float64(phase%3-1))
		case phase < 90:
			in += fmt.Sprintf("%d,60,0\n", i)
		default:
			in += fmt.Sprintf("%d,104,1\n", i)
		}
	}
	o := Options{Time: "t", Columns: columns(t, "vacuum p[kPa]", "release r"), Sign: Absolute, AmbientKPa: math.NaN()}
	f, err := Read(strings.NewReader(in), "x", o)
	require.NoError(t, err)
	assert.InDelta(t, 101.3, f.AmbientKPa, 0.005)
	assert.Equal(t, "recording", f.AmbientFrom)

	o.Columns = o.Columns[:1]
	f, err = Read(strings.NewReader(in), "x", o)
	require.NoError(t, err)
	assert.Equal(t, 104.0, f.AmbientKPa, "without the release channel blow-off cannot be told from ambient")
}

const recordings = "../../testdata/recordings/"

// suctionCup is what expected.json says of a day; see testdata/recordings/README.md.
type suctionCup struct {
	AmbientHPa float64 `json:"ambient_hPa"`
	Recordings map[string]struct {
		Samples     int     `json:"samples"`
		FirstS      float64 `json:"first_s"`
		LastS       float64 `json:"last_s"`
		IntervalS   float64 `json:"median_interval_s"`
		LongestS    float64 `json:"longest_interval_s"`
		Under5ms    int     `json:"intervals_under_5ms"`
		MostKPa     float64 `json:"highest_vacuum_kPa"`
		AmbientSeen bool    `json:"ambient_seen"`
	} `json:"recordings"`
}

func TestSuctionCup(t *testing.T) {
	text, err := os.ReadFile(recordings + "suction_cup/expected.json")
	require.NoError(t, err)
	var days map[string]suctionCup
	require.NoError(t, json.Unmarshal(text, &days))
	for day, first := range map[string]string{"s2_20230119": "0", "s6_20230201": "6"} {
		want := days[day]
		require.NotEmpty(t, want.Recordings)
		f, err := Open(recordings+"suction_cup/"+day+"_pressure.csv", Options{
			Time: "time_s", Group: "recording", Columns: columns(t, "vacuum pressure_abs_hPa[hPa]"), Sign: Absolute, AmbientKPa: math.NaN()})
		require.NoError(t, err)
		// 0.01 kPa: the ambients of single recordings in expected.json scatter by as much.
		assert.InDelta(t, want.AmbientHPa/10, f.AmbientKPa, 0.01, day)
		assert.Equal(t, "recording", f.AmbientFrom)
		t.Logf("%s: ambient %.4f kPa, expected.json has %.4f; %+v", day, f.AmbientKPa, want.AmbientHPa/10, f.Sampling)
		require.Len(t, f.Recordings, len(want.Recordings))
		assert.Equal(t, first, f.Recordings[0].Group)
		for i := range f.Recordings {
			r := &f.Recordings[i]
			w := want.Recordings[r.Group]
			require.True(t, w.AmbientSeen)
			times, v := scans(t, r)
			assert.Len(t, times, w.Samples, r.Group)
			assert.Equal(t, w.FirstS, times[0])
			assert.Equal(t, w.LastS, times[len(times)-1])
			// expected.json rounds to 0.01 or 0.1 ms.
			assert.InDelta(t, w.IntervalS, r.Sampling.IntervalS, 5.1e-5)
			assert.InDelta(t, w.LongestS, r.Sampling.LongestS, 5.1e-5)
			assert.LessOrEqual(t, r.Sampling.Bursts, w.Under5ms, "each has an interval under a fifth of 26 ms")
			most := 0.0
			for _, x := range v[0] {
				most = max(most, x)
			}
			assert.InDelta(t, w.MostKPa, most, 0.011, "as far as the ambient agrees")
			assert.InEpsilon(t, 0.001, r.Groups[0].Channels[0].Resolution, 1e-12, "0.01 hPa")
		}
	}
}

func TestPressureDecay(t *testing.T) {
	text, err := os.ReadFile(recordings + "pressure_decay/expected.json")
	require.NoError(t, err)
	var want map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(text, &want))
	for _, chamber := range []string{"aluminium", "formlabs", "prusa", "ultimaker_010", "ultimaker_015"} {
		var w struct {
			Samples   int     `json:"samples"`
			LengthS   float64 `json:"length_s"`
			IntervalS float64 `json:"median_interval_s"`
			LongestS  float64 `json:"longest_interval_s"`
			StartKPa  float64 `json:"start_kPa"`
		}
		require.NoError(t, json.Unmarshal(want[chamber], &w))
		o := Options{Time: "time_s", Columns: columns(t, "vacuum pressure_bar[bar]"), Sign: Negative, AmbientKPa: math.NaN(), EitherSide: true}
		f, err := Open(recordings+"pressure_decay/"+chamber+".csv", o)
		require.NoError(t, err)
		r := &f.Recordings[0]
		times, v := scans(t, r)
		assert.Len(t, times, w.Samples)
		assert.InDelta(t, w.LengthS, times[len(times)-1]-times[0], 1e-9)
		assert.InDelta(t, w.IntervalS, r.Sampling.IntervalS, 1e-12)
		assert.InDelta(t, w.LongestS, r.Sampling.LongestS, 1e-12)
		assert.InDelta(t, -w.StartKPa, v[0][0], 1, "expected.json has the median of the first samples")
		assert.InEpsilon(t, 0.1, r.Groups[0].Channels[0].Resolution, 1e-12, "0.001 bar")

		o.EitherSide = false
		_, err = Open(recordings+"pressure_decay/"+chamber+".csv", o)
		require.ErrorContains(t, err, "all values of pressure_bar are positive; --vacuum-sign positive reads vacuums")
	}
}

// Headers may hold their units, that of the time as well: the text of the header is what one types.
func TestUnitsInHeaders(t *testing.T) {
	for header, time := range map[string]string{"Zeit [ms];Vakuum [kPa]": "Zeit [ms]", "Zeit;Vakuum [kPa]": "Zeit[ms]", "Zeit[ms];Vakuum [kPa]": "Zeit[ms]"} {
		r, err := Read(strings.NewReader(header+"\n0;1,5\n10;2,5\n20;3,5\n"), "log.csv", Options{Time: time, AmbientKPa: math.NaN(), Columns: columns(t, "vacuum Vakuum [kPa]")})
		require.NoError(t, err, header)
		b := r.Recordings[0].Batches()
		n := 0
		for x := range b {
			n += len(x.T)
			require.EqualValues(t, 20e6, x.T[len(x.T)-1], header)
		}
		require.Equal(t, 3, n)
	}
}
