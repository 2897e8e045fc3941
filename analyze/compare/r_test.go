package compare

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
	"griptrial/config"
)

// rscript returns R's program for scripts; as root it installs Debian's r-base-core first where
// it is missing. Without R the test fails: it would compare nothing.
func rscript(t *testing.T) string {
	if path, err := exec.LookPath("Rscript"); err == nil {
		return path
	}
	if os.Getuid() == 0 {
		for _, args := range [][]string{{"install", "-y", "-q", "--no-install-recommends", "r-base-core"}, {"update", "-q"}, {"install", "-y", "-q", "--no-install-recommends", "r-base-core"}} {
			args = append([]string{"-o", "DPkg::Lock::Timeout=120"}, args...)
			out, err := exec.CommandContext(t.Context(), "apt-get", args...).CombinedOutput()
			if path, found := exec.LookPath("Rscript"); found == nil {
				return path
			}
			t.Logf("apt-get %v: %v\n%s", args, err, out)
		}
	}
	require.FailNow(t, "R is missing: install Debian's r-base-core")
	return ""
}

func writeCSV(t *testing.T, path string, rows [][]string) {
	f, err := os.Create(path)
	require.NoError(t, err)
	require.NoError(t, csv.NewWriter(f).WriteAll(rows))
	require.NoError(t, f.Close())
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 17, 64) }

// R as an independent reference (R Core Team, stats: t.test, wilcox.test, p.adjust, aov with
// Error, power.t.test, mantelhaen.test, fisher.test, poisson.test), and beside the clock: 24 setups × 200
// picks × 8 figures, a fiftieth of the size that the speed is promised for, in one run. R's time
// is that of the comparison alone, without its start and its reading of the file.
func TestAgainstR(t *testing.T) {
	program := rscript(t)
	dir := t.TempDir()
	trial := sized(10, 200)
	small := trial.Picks
	require.Len(t, small, 24*200)
	rows := [][]string{{"bag", "cup", "piece"}}
	for i := range Measures[:8] {
		rows[0] = append(rows[0], Measures[i].Name)
	}
	for i := range small {
		s := trial.Setup(small[i].Setup)
		row := []string{s.Bag, s.Cup, small[i].Piece}
		for k := range Measures[:8] {
			row = append(row, number(Measures[k].of(&small[i].Pick)))
		}
		rows = append(rows, row)
	}
	writeCSV(t, filepath.Join(dir, "picks.csv"), rows)

	split := splitPlot(t, dir)
	drops := []stats.Counts{{X1: 3, N1: 60, X2: 11, N2: 70}, {X1: 2, N1: 50, X2: 6, N2: 40}, {X1: 4, N1: 30, X2: 4, N2: 45}}
	rows = [][]string{{"x1", "n1", "x2", "n2"}}
	for _, c := range drops {
		rows = append(rows, []string{number(c.X1), number(c.N1), number(c.X2), number(c.N2)})
	}
	writeCSV(t, filepath.Join(dir, "drops.csv"), rows)

	out, err := exec.CommandContext(t.Context(), program, "--vanilla", "testdata/reference.R", dir).CombinedOutput()
	require.NoError(t, err, "%s", out)
	f, err := os.Open(filepath.Join(dir, "results.csv"))
	require.NoError(t, err)
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	want := map[string][]float64{}
	for _, l := range lines[1:] {
		v, err := strconv.ParseFloat(l[1], 64)
		require.NoError(t, err)
		want[l[0]] = append(want[l[0]], v)
	}
	check := func(name string, got ...float64) {
		t.Helper()
		require.Len(t, want[name], len(got), name)
		for i, w := range want[name] {
			if math.Abs(got[i]-w) > 1e-9*math.Abs(w)+1e-12 {
				t.Errorf("%s [%d]: got %.15g, R has %.15g", name, i, got[i], w)
			}
		}
	}

	// The comparison, timed as R's is: by the processor's time, which other programs that run
	// beside do not move.
	var c Comparison
	const times = 5
	runtime.GC()
	start, began := processorS(t), time.Now()
	for range times {
		c = Compare(trial, Options{})
	}
	took, wall := (processorS(t)-start)/times, time.Since(began).Seconds()/times
	require.Len(t, c.Effects, 8*4*15)
	for _, e := range c.Effects {
		a, b := e.A, e.B
		p := e.Percent
		if a > b { // R has them in order of names
			a, b = b, a
			turn := func(x float64) float64 { return 100 * (1/(1+x/100) - 1) }
			p = analyze.Figure{Value: turn(p.Value), Lo: turn(p.Hi), Hi: turn(p.Lo)}
		}
		need := 0.0
		for _, w := range e.Warnings {
			if w.Code == MorePieces {
				need = w.A
			}
		}
		check(strings.Join([]string{e.Measure.Name, e.Stratum, a, b}, " "), e.P, e.Adjusted, p.Value, p.Lo, p.Hi, need)
	}
	var processor, elapsed float64
	_, err = fmt.Sscan(string(out), &processor, &elapsed)
	require.NoError(t, err, "%s", out)
	t.Logf("R %.3f s of processor, %.3f s on the clock; griptrial %.4f and %.4f: %.0f and %.0f times as fast", processor, elapsed, took, wall, processor/took, elapsed/wall)
	assert.GreaterOrEqual(t, processor/took, 3.0)

	m, ok := Factors(split, MeasureOf("energy_J"))
	require.True(t, ok)
	for _, x := range m.Terms {
		name := x.Factors[0]
		if len(x.Factors) == 2 {
			name = "engine:cup" // in R's order
		}
		check("split "+name, x.F, x.P)
	}
	check("strata", stats.Fisher(drops))
	check("fisher", stats.Fisher(drops[:1]))
	check("poisson", stats.PoissonLower(7, 0.975), stats.PoissonUpper(7, 0.975))
}

// processorS returns the seconds of processor that the test has taken so far.
func processorS(t *testing.T) float64 {
	var u syscall.Rusage
	require.NoError(t, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// splitPlot returns a trial laid out by Plan, engines as whole plots, and writes its units.
func splitPlot(t *testing.T, dir string) *Trial {
	sheet, err := Plan(Layout{Factors: []Factor{{"bag", []string{"sachet"}}, {"cup", []string{"a", "b", "c"}}, {"engine", []string{"e1", "e2"}}},
		Pieces: 4, Picks: 2, Repeats: 3, Dear: []string{"engine"}, Stations: []string{"left"}, Seed: 4})
	require.NoError(t, err)
	trial := &Trial{Trial: &config.Trial{Requirement: noRequirement(), Setups: sheet.Setups}, Finished: true}
	trial.Design.WholePlots = []string{"engine"}
	r := seeded(30, 0)
	piece := map[string]float64{}
	plot, perPlot := 0.0, 12
	rows := [][]string{{"engine", "cup", "plot", "piece", "y"}}
	for k, run := range sheet.Runs {
		s := trial.Setup(run.Setups["left"])
		if k%perPlot == 0 {
			plot = 0.3 * r.NormFloat64()
		}
		if _, ok := piece[run.Piece]; !ok {
			piece[run.Piece] = 0.2 * r.NormFloat64()
		}
		y := plot + piece[run.Piece] + 0.05*r.NormFloat64()
		if s.Cup == "a" {
			y -= 0.05
		}
		for range run.Picks {
			trial.Picks = append(trial.Picks, Pick{Pick: pick.Pick{Run: k + 1, Station: "left", Outcome: pick.Released, EnergyJ: analyze.Figure{Value: math.Exp(y)}}, Setup: s.Name, Piece: run.Piece})
		}
		rows = append(rows, []string{s.Engine, s.Cup, fmt.Sprint(k / perPlot), run.Piece, number(y)})
	}
	writeCSV(t, filepath.Join(dir, "split.csv"), rows)
	return trial
}
