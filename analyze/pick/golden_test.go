package pick

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// A golden trace is a table whose head says what is known of its channels and what must come
// out of it, each expected value with its derivation: see testdata/traces/make.py.
type golden struct {
	set  map[string]float64
	want []expected
	rows [][]float64
	cols []string
}

// An expected figure of pick n: a number within tol, or words.
type expected struct {
	n           int
	name, words string
	value, tol  float64
}

func readGolden(t *testing.T, path string) golden {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	g := golden{set: map[string]float64{}}
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(strings.TrimPrefix(line, "#"))
		if !strings.HasPrefix(line, "#") || len(f) < 3 {
			continue
		}
		n := 1
		if f[0] == "pick" {
			n, err = strconv.Atoi(f[1])
			require.NoError(t, err, line)
			f = f[2:]
		}
		switch f[0] {
		case "set":
			g.set[f[1]], err = strconv.ParseFloat(f[2], 64)
			require.NoError(t, err, line)
		case "want":
			x := expected{n: n, name: f[1], words: strings.Join(f[2:], " "), tol: nan}
			if len(f) > 4 && f[3] == "within" {
				x.value, err = strconv.ParseFloat(f[2], 64)
				require.NoError(t, err, line)
				x.tol, err = strconv.ParseFloat(strings.TrimSuffix(f[4], ":"), 64)
				require.NoError(t, err, line)
				require.Greater(t, len(f), 6, "%s: no derivation", line)
			}
			g.want = append(g.want, x)
		}
	}
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	all, err := r.ReadAll()
	require.NoError(t, err)
	g.cols = all[0][1:]
	for _, line := range all[1:] {
		var row []float64
		for _, c := range line {
			v, err := strconv.ParseFloat(c, 64)
			require.NoError(t, err)
			row = append(row, v)
		}
		g.rows = append(g.rows, row)
	}
	return g
}

// picks judges the trace in batches of the given size.
func (g golden) picks(t *testing.T, size int) ([]Pick, []Event) {
	t.Helper()
	or := func(name string, other float64) float64 {
		if v, ok := g.set[name]; ok {
			return v
		}
		return other
	}
	group := sample.Group{Name: "trace"}
	for _, c := range g.cols {
		ch := sample.Channel{Name: c, Kind: sample.Kind(strings.Split(c, "_")[0]), Scale: 0.001, Resolution: nan, Accuracy: nan,
			IntervalS: g.rows[1][0] - g.rows[0][0], UpdateS: nan, LagS: nan}
		switch {
		case ch.Kind == sample.Vacuum:
			ch.Resolution, ch.Accuracy = or("resolution_kPa", nan), or("accuracy_kPa", nan)
			ch.LagS, ch.UpdateS = or("lag_s", nan), or("update_s", nan)
		case ch.Kind.Switched():
			ch.OnAbove = 0.5
		}
		group.Channels = append(group.Channels, ch)
	}
	k, err := New(Settings{Station: "A", RequiredKPa: func(int) float64 { return g.set["required_kPa"] }, VolumeL: or("volume_L", nan),
		SupplyOffHolds: or("supply_off_holds", 0) > 0}, []sample.Group{group})
	require.NoError(t, err)
	for len(g.rows) > 0 {
		n := min(size, len(g.rows))
		b := sample.Batch{Counts: make([][]int64, len(g.cols))}
		for _, row := range g.rows[:n] {
			b.T = append(b.T, int64(math.Round(row[0]*1e9)))
			b.Half = append(b.Half, 0)
			for c, v := range row[1:] {
				b.Counts[c] = append(b.Counts[c], int64(math.Round(v/0.001)))
			}
		}
		k.Push(b)
		g.rows = g.rows[n:]
	}
	k.Finish()
	p, e, _ := k.Take()
	return p, e
}

// found returns what a pick shows under a name of the head; words where it is no number.
func found(p Pick, events []Event, name string) (f analyze.Figure, words string) {
	number := func(v float64) analyze.Figure { return analyze.Figure{Value: v, Lo: math.Inf(-1), Hi: math.Inf(1)} }
	switch name {
	case "outcome":
		return f, string(p.Outcome)
	case "seal_from":
		return f, p.SealFrom
	case "re_seals":
		return f, strconv.Itoa(p.ReSeals)
	case "events":
		var kinds []string
		for _, e := range events {
			if e.Pick == p.N {
				kinds = append(kinds, string(e.Kind))
			}
		}
		return f, strings.Join(kinds, " ")
	case "drop_s":
		return number(p.DropS), ""
	case "contact_s":
		return number(p.ContactS), ""
	case "below_required_s":
		return number(p.BelowRequiredS), ""
	}
	return map[string]analyze.Figure{"response_delay_s": p.ResponseDelayS, "seal_time_s": p.SealTimeS, "hold_vacuum_kPa": p.HoldVacuumKPa,
		"lowest_vacuum_kPa": p.LowestVacuumKPa, "settling_time_s": p.SettlingTimeS, "release_time_s": p.ReleaseTimeS,
		"leak_down_kPa_s": p.LeakDownKPaS, "leak_down_vacuum_kPa": p.LeakDownVacuumKPa, "leak_law_n": p.LeakLawN,
		"leak_at_required_Lmin": p.LeakAtRequiredLminANR, "energy_J": p.EnergyJ, "energy_approach_J": p.ApproachJ}[name], ""
}

// Every figure of the golden traces is what its derivation says, however the samples come.
func TestGoldenTraces(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/traces/*.csv")
	require.NoError(t, err)
	require.NotEmpty(t, paths)
	for _, path := range paths {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".csv"), func(t *testing.T) {
			g := readGolden(t, path)
			require.NotEmpty(t, g.want)
			p, e := g.picks(t, 50)
			q, _ := g.picks(t, 1)
			requireSame(t, p, q, "samples one by one")
			for _, x := range g.want {
				require.GreaterOrEqual(t, len(p), x.n)
				f, words := found(p[x.n-1], e, x.name)
				if math.IsNaN(x.tol) {
					assert.Equal(t, x.words, words, x.name)
					continue
				}
				name := fmt.Sprintf("pick %d, %s: %+v, want %g within %g", x.n, x.name, f, x.value, x.tol)
				assert.InDelta(t, x.value, f.Value, x.tol, name)
				assert.LessOrEqual(t, f.Lo, x.value, name)
				assert.GreaterOrEqual(t, f.Hi, x.value, name)
				if f.U > 0 {
					assert.Less(t, f.U, 1.5*x.tol, name)
				}
			}
			if t.Failed() {
				t.Logf("%+v\n%+v", p, e)
			}
		})
	}
}
