package store

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// withoutFigures is p with every figure as one that nothing was measured of.
func withoutFigures(p pick.Pick) pick.Pick {
	for _, n := range figureNames {
		*n.figure(&p) = analyze.None()
	}
	return p
}

// everyFigure is a pick whose fields all differ.
func everyFigure(station string, n int) pick.Pick {
	var p pick.Pick
	at := 0
	fill(reflect.ValueOf(&p).Elem(), &at)
	p.Station, p.N = station, n
	return p
}

// countFigures is how many figures of picks there is something to store of.
func countFigures(picks ...pick.Pick) (n int64) {
	for _, p := range picks {
		for _, f := range Figures(&p) {
			if !none(&f) {
				n++
			}
		}
	}
	return n
}

// oldFigures stores a pick as formats 1 to 3 did: a row for each figure.
func oldFigures(w *writing, set int, p pick.Pick) error {
	id := w.counts[pickTable.name].rows + 1
	values := []any{id, set}
	for _, c := range pickColumns {
		values = append(values, valueOf(c.field(&p)))
	}
	if err := w.insert(pickTable, values...); err != nil {
		return err
	}
	for name, f := range Figures(&p) {
		if none(&f) {
			continue
		}
		var warnings any
		if len(f.Warnings) > 0 {
			var list []string
			for _, w := range f.Warnings {
				a, _ := number(w.A).MarshalJSON()
				b, _ := number(w.B).MarshalJSON()
				list = append(list, fmt.Sprintf(`{"code":%q,"a":%s,"b":%s}`, w.Code, a, b))
			}
			warnings = "[" + strings.Join(list, ",") + "]"
		}
		if err := w.insert(figureTable, id, name, f.Value, f.U, f.Lo, f.Hi, warnings); err != nil {
			return err
		}
	}
	return nil
}

// The figures of a pick come back to the bit.
func TestFiguresComeBack(t *testing.T) {
	inf := math.Inf(1)
	odd := withoutFigures(pick.Pick{})
	odd.DutyShare = analyze.Figure{Value: math.Copysign(0, -1), U: inf, Lo: -inf, Hi: 5e-324}
	odd.EnergyJ = analyze.Figure{Value: math.NaN(), U: math.NaN(), Lo: math.NaN(), Hi: 7}
	odd.SettlingTimeS = analyze.None(analyze.Warning{}, analyze.Warning{Code: "seal läßt nach", A: -inf, B: math.NaN()},
		analyze.Warn(analyze.Code(strings.Repeat("x", 255))))
	for i, p := range []pick.Pick{withoutFigures(pick.Pick{}), somePick(1, "left"), everyFigure("left", 1), odd} {
		data, err := appendFigures(nil, &p)
		require.NoError(t, err)
		got := withoutFigures(p)
		require.NoError(t, newFigureReader().each(data, func(place int, f analyze.Figure) { *figureNames[place].figure(&got) = f }))
		requireSameBits(t, p, got)
		if i == 0 {
			require.Empty(t, data)
		}
	}
	many := analyze.None(make([]analyze.Warning, 256)...)
	_, err := appendFigures(nil, &pick.Pick{SealTimeS: many})
	require.ErrorContains(t, err, "seal_time_s has 256 warnings; at most 255")
	_, err = appendFigures(nil, &pick.Pick{SealTimeS: analyze.None(analyze.Warn(analyze.Code(strings.Repeat("x", 256))))})
	require.ErrorContains(t, err, "seal_time_s has a warning of 256 bytes")
}

// Data that is no list of figures is refused.
func TestFiguresRefused(t *testing.T) {
	one := binary.LittleEndian.AppendUint64(nil, math.Float64bits(1))
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	for _, c := range []struct {
		name string
		data []byte
		want error
	}{
		{"id alone", []byte{1}, ErrDamaged},
		{"id 0", []byte{0, 0}, ErrDamaged},
		{"unknown bit", join([]byte{1, 33}, one), ErrDamaged},
		{"number cut off", join([]byte{1, 1}, one[:7]), ErrDamaged},
		{"same id again", join([]byte{2, 1}, one, []byte{2, 1}, one), ErrDamaged},
		{"id falls", join([]byte{2, 1}, one, []byte{1, 1}, one), ErrDamaged},
		{"no warning", []byte{1, warned, 0}, ErrDamaged},
		{"warnings cut off", []byte{1, warned}, ErrDamaged},
		{"second warning cut off", []byte{1, warned, 2, 1, 'x', 0}, ErrDamaged},
		{"code cut off", []byte{1, warned, 1, 2, 'x', 0}, ErrDamaged},
		{"unknown bit of a warning", []byte{1, warned, 1, 1, 'x', 4}, ErrDamaged},
		{"number of a warning cut off", join([]byte{1, warned, 1, 1, 'x', 1}, one[:7]), ErrDamaged},
		{"figure of a later program", join([]byte{byte(len(figureNames) + 1), 1}, one), ErrNewer},
	} {
		err := newFigureReader().each(c.data, func(int, analyze.Figure) {})
		assert.ErrorIs(t, err, c.want, c.name)
	}
}

// Whatever is read as figures survives being written and read again.
func FuzzFigures(f *testing.F) {
	for _, p := range []pick.Pick{somePick(1, "left"), everyFigure("left", 1)} {
		data, err := appendFigures(nil, &p)
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p := withoutFigures(pick.Pick{})
		err := newFigureReader().each(data, func(place int, f analyze.Figure) { *figureNames[place].figure(&p) = f })
		if err != nil {
			return
		}
		again, err := appendFigures(nil, &p)
		require.NoError(t, err)
		require.LessOrEqual(t, len(again), len(data))
		got := withoutFigures(pick.Pick{})
		require.NoError(t, newFigureReader().each(again, func(place int, f analyze.Figure) { *figureNames[place].figure(&got) = f }))
		requireSameBits(t, p, got)
	})
}

// Files of formats 1 to 3 have a row for each figure. They are read as they are, and beside
// picks that were added since.
func TestOldFigures(t *testing.T) {
	for format := 1; format < 4; format++ {
		path := oldTrial(t, format)
		trial, err := connect(path)
		require.NoError(t, err)
		trial.format = format
		trial.counts, err = readTally(trial.writer, format)
		require.NoError(t, err)
		old := []pick.Pick{somePick(1, "left"), everyFigure("right", 1), withoutFigures(pick.Pick{Station: "left", N: 2})}
		require.NoError(t, trial.write(func(w *writing) error {
			for _, p := range old {
				if err := oldFigures(w, 1, p); err != nil {
					return err
				}
			}
			return nil
		}))
		require.NoError(t, trial.exec("ROLLBACK"))
		require.NoError(t, trial.disconnect())
		report := requireWhole(t, path)
		assert.Equal(t, countFigures(old...), report.Figures)

		early, err := OpenRead(path)
		require.NoError(t, err)
		defer early.Close()
		got, err := early.Picks(1, "")
		require.NoError(t, err)
		requireSameBits(t, old, got)
		values, err := early.FigureValues(1, "energy_J")
		require.NoError(t, err)
		assert.Equal(t, map[int64]float64{1: 40, 2: old[1].EnergyJ.Value}, values)

		later, err := Open(path)
		require.NoError(t, err)
		added := []pick.Pick{everyFigure("left", 3), somePick(2, "right")}
		require.NoError(t, later.AppendPicks(1, added, nil))
		set, err := later.NewSet("test", "again")
		require.NoError(t, err)
		require.NoError(t, later.AppendPicks(set, old[:2], nil))
		require.NoError(t, later.Merge())
		for _, reader := range []*Trial{later, early} { // early does not know yet that the file is of format 4
			got, err = reader.Picks(1, "")
			require.NoError(t, err)
			requireSameBits(t, append(old[:3:3], added...), got)
			got, err = reader.Picks(1, "right")
			require.NoError(t, err)
			requireSameBits(t, []pick.Pick{old[1], added[1]}, got)
			got, err = reader.Picks(set, "")
			require.NoError(t, err)
			requireSameBits(t, old[:2], got)
			values, err = reader.FigureValues(1, "energy_J")
			require.NoError(t, err)
			assert.Equal(t, map[int64]float64{1: 40, 2: old[1].EnergyJ.Value, 4: added[0].EnergyJ.Value, 5: 40}, values)
		}
		early.Close()
		require.NoError(t, later.Close())
		report = requireWhole(t, path)
		assert.Equal(t, 2*countFigures(old...)+countFigures(added...), report.Figures)
		if format == 3 {
			s, _, salvaged := salvage(t, path)
			for name, n := range s.Lost {
				assert.Zero(t, n, name)
			}
			got, err = salvaged.Picks(1, "")
			require.NoError(t, err)
			requireSameBits(t, append(old[:3:3], added...), got)
		}
		requirePython(t, path, append(old[:3:3], added...))
	}
}

// The program in FORMAT.md reads the figures.
func requirePython(t *testing.T, path string, want []pick.Pick) {
	t.Helper()
	document, err := os.ReadFile("FORMAT.md")
	require.NoError(t, err)
	_, program, ok := strings.Cut(strings.ReplaceAll(string(document), "\r\n", "\n"), "```python\n")
	require.True(t, ok)
	program, _, _ = strings.Cut(program, "```")
	var stderr bytes.Buffer
	python := exec.Command("python3", "-c", program, path)
	python.Stderr = &stderr
	out, err := python.Output()
	require.NoError(t, err, "python3 with its sqlite3 is needed (Debian: python3)\n%s", stderr.String())
	type line struct {
		Station  string
		N        int
		Name     string
		Numbers  [4]string
		Warnings []string
	}
	var got []line
	for text := range strings.Lines(string(out)) {
		// Python's JSON has Infinity, the file's warnings "+Inf".
		text = strings.NewReplacer("-Infinity", `"-Inf"`, "Infinity", `"+Inf"`).Replace(text)
		var l line
		var numbers [4]number
		var warnings []struct {
			Code string `json:"code"`
			A    number `json:"a"`
			B    number `json:"b"`
		}
		var fields []json.RawMessage
		require.NoError(t, json.Unmarshal([]byte(text), &fields), text)
		into := []any{&l.Station, &l.N, &l.Name, &numbers[0], &numbers[1], &numbers[2], &numbers[3], &warnings}
		require.Len(t, fields, len(into))
		for i, f := range fields {
			require.NoError(t, json.Unmarshal(f, into[i]), text)
		}
		for i, v := range numbers {
			l.Numbers[i] = fmt.Sprintf("%x", float64(v))
		}
		for _, w := range warnings {
			l.Warnings = append(l.Warnings, fmt.Sprintf("%s %x %x", w.Code, float64(w.A), float64(w.B)))
		}
		got = append(got, l)
	}
	var all []line
	for _, p := range want {
		for name, f := range Figures(&p) {
			if none(&f) {
				continue
			}
			l := line{Station: p.Station, N: p.N, Name: name}
			for i, v := range []float64{f.Value, f.U, f.Lo, f.Hi} {
				l.Numbers[i] = fmt.Sprintf("%x", v)
			}
			for _, w := range f.Warnings {
				l.Warnings = append(l.Warnings, fmt.Sprintf("%s %x %x", w.Code, w.A, w.B))
			}
			all = append(all, l)
		}
	}
	require.ElementsMatch(t, all, got)
}
