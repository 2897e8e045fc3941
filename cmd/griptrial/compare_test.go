package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/store"
)

// writeTrial lays out a trial with plan runs and fills it with made-up picks: 12 pieces of two
// bags with two cups, the bellows cup 11 % quicker, the flat cup dropping one film pick in ten.
// requirement and design are added to the trial file's; made runs are made.
func writeTrial(t *testing.T, requirement string, made int, design ...string) string {
	t.Helper()
	dir := t.TempDir()
	plan := filepath.Join(dir, "cups.yaml")
	code, out, errs := command(t, "plan", "runs", "--factor", "bag=seed sachet|film block", "--factor", "cup=bellows cup, 40 mm lip|flat cup, 30 mm lip",
		"--pieces", "12", "--picks", "10", "--seed", "5", "--require", "20 kPa", "--out", plan)
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "seed sachet 12")
	text, err := os.ReadFile(plan)
	require.NoError(t, err)
	text = bytes.Replace(text, []byte("  vacuum: 20 kPa\n"), []byte("  vacuum: 20 kPa\n"+requirement), 1)
	for _, d := range design {
		text = bytes.Replace(text, []byte("design: {"), []byte("design: {"+d+", "), 1)
	}
	trial, err := config.ParseTrial("cups.yaml", text, nil)
	require.NoError(t, err)
	rig, err := os.ReadFile("../../testdata/rigs/io-block-tcp.yaml")
	require.NoError(t, err)
	path := filepath.Join(dir, "cups.gtrial")
	file, err := store.Create(path, store.Header{Program: "test", AnchorUTC: time.Unix(0, 0).UTC(), RigText: rig, TrialText: text, Stations: []string{"left"},
		Groups: []sample.Group{}})
	require.NoError(t, err)
	random := rand.New(rand.NewPCG(1, 0))
	none := analyze.None()
	piece := map[string]float64{}
	var e store.Entry
	e.Set = 1
	n := 0
	for i, r := range trial.Runs[:made] {
		e.Runs = append(e.Runs, store.Run{N: i + 1, StartNS: int64(i) * 1e9, Piece: r.Piece, PlannedPicks: r.Picks, Setups: r.Setups})
		setup := trial.Setup(r.Setups["left"])
		if _, ok := piece[r.Piece]; !ok {
			piece[r.Piece] = 0.1 * random.NormFloat64()
		}
		run := piece[r.Piece] + 0.02*random.NormFloat64()
		for range r.Picks {
			n++
			f := math.Exp(run + 0.05*random.NormFloat64())
			energy := 300.0
			if strings.HasPrefix(setup.Cup, "bellows") {
				f *= 0.89
				energy = 330
			}
			p := pick.Pick{N: n, Station: "left", Run: i + 1, Outcome: pick.Released, StartS: float64(n) * 1.5, SealFrom: "supply", RequiredKPa: 20,
				ContactS: math.NaN(), SealedAtS: math.NaN(), DropS: math.NaN(), ReleaseS: math.NaN(), EndS: math.NaN(), IdleLevelKPa: 0,
				SealTimeS: analyze.Figure{Value: 0.2 * f, U: 0.001, Lo: 0.198 * f, Hi: 0.202 * f}, EnergyJ: analyze.Figure{Value: energy * f, U: 3, Lo: energy*f - 6, Hi: energy*f + 6},
				ResponseDelayS: none, HoldVacuumKPa: none, LowestVacuumKPa: none, LeakFlowLminANR: none, LeakDownKPaS: none, ReleaseTimeS: none}
			if setup.Bag == "film block" && strings.HasPrefix(setup.Cup, "flat") && random.Float64() < 0.1 {
				p.Outcome = pick.Dropped
			}
			e.Picks = append(e.Picks, p)
		}
	}
	require.NoError(t, file.Commit(e))
	require.NoError(t, file.Close())
	return path
}

type compared struct {
	Schema   int
	Finished bool
	Setups   []struct {
		Setup, Answer string
		Criteria      []struct {
			Name, Answer string
			Failed       int
		}
	}
	Effects []struct {
		Measure, Within, A, B, Finding, Block string
		Percent                               *struct{ Value, Lo, Hi *float64 }
		BlocksA                               int `json:"blocks_a"`
	}
}

func TestCompareChooseSoak(t *testing.T) {
	const drops = "  drops: {max_rate: 3 %}\n  picks: 40 /min\n"
	path := writeTrial(t, drops, 48)
	before, err := os.ReadFile(path)
	require.NoError(t, err)

	code, out, errs := command(t, "compare", path, "--by", "cup", "--within", "bag", "--json")
	assert.Equal(t, exitNotMet, code, errs)
	assert.Contains(t, errs, "does not hold: film block | flat cup, 30 mm lip")
	var c compared
	require.NoError(t, json.Unmarshal([]byte(out), &c))
	assert.Equal(t, 1, c.Schema)
	assert.True(t, c.Finished)
	require.Len(t, c.Effects, 5)
	e := c.Effects[0]
	require.Equal(t, "seal_time_s", e.Measure)
	assert.Equal(t, 12, e.BlocksA)
	assert.Equal(t, "piece", e.Block)
	truth := -11.0
	want := "better"
	if strings.HasPrefix(e.A, "flat") {
		truth, want = 100*(1/0.89-1), "worse"
	}
	assert.Equal(t, want, e.Finding)
	require.NotNil(t, e.Percent)
	assert.InDelta(t, truth, *e.Percent.Value, 4)
	holds := 0
	for _, s := range c.Setups {
		if s.Answer == "holds" {
			holds++
		}
	}
	assert.Len(t, c.Setups, 4)
	assert.Equal(t, 3, holds)

	code, out, _ = command(t, "compare", path)
	assert.Equal(t, exitNotMet, code)
	for _, s := range []string{"% interval", "12 pieces of each: ", "cannot be told apart", "does not", "holds"} {
		assert.Contains(t, out, s)
	}
	code, out, _ = command(t, "compare", path, "--csv")
	assert.Equal(t, exitNotMet, code)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	assert.Len(t, rows, 6)
	code, out, _ = command(t, "compare", path, "--csv", "--verdicts")
	assert.Equal(t, exitNotMet, code)
	rows, err = csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	assert.Len(t, rows, 5, "a head, and one requirement of four setups")

	code, out, errs = command(t, "choose", path, "--mix", "seed sachet=70 %", "--mix", "film block=30 %", "--json")
	require.Equal(t, exitDone, code, errs)
	var choice struct {
		Sentence string
		Chosen   []string
		Rate     float64 `json:"picks_per_minute"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &choice))
	assert.Equal(t, []string{"bellows cup, 40 mm lip"}, choice.Chosen, "the flat cup is cheaper, and drops film")
	assert.Contains(t, choice.Sentence, "the only one shown to hold")
	assert.Equal(t, 40.0, choice.Rate)
	svg := filepath.Join(t.TempDir(), "choice.svg")
	code, out, errs = command(t, "choose", path, "--svg", svg)
	require.Equal(t, exitDone, code, errs)
	assert.True(t, strings.HasPrefix(out, "Take bellows cup"), out)
	drawn, err := os.ReadFile(svg)
	require.NoError(t, err)
	assert.Contains(t, string(drawn), "</svg>")
	code, _, _ = command(t, "choose", path, "--csv")
	assert.Equal(t, exitDone, code)

	code, out, errs = command(t, "soak", path, "--json")
	require.Equal(t, exitDone, code, errs)
	var s struct {
		Runs []struct {
			Picks  int
			Trends []any
		}
	}
	require.NoError(t, json.Unmarshal([]byte(out), &s))
	require.Len(t, s.Runs, 4)
	assert.Equal(t, 120, s.Runs[0].Picks)
	assert.Len(t, s.Runs[0].Trends, 2)
	for _, format := range []string{"--csv", "--json=false"} {
		code, out, errs = command(t, "soak", path, format)
		require.Equal(t, exitDone, code, errs)
		assert.Contains(t, out, "flat cup")
	}

	code, out, errs = command(t, "plan", "difference", "--pilot", path, "--json")
	require.Equal(t, exitDone, code, errs)
	var pilot struct {
		Piece float64 `json:"piece_sd_percent"`
		Pick  float64 `json:"pick_sd_percent"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &pilot))
	assert.InDelta(t, 10, pilot.Piece, 4)
	assert.InDelta(t, 5, pilot.Pick, 0.5)

	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(before, after), "reading must not change the file")
}

// Before the plan is finished nothing is decided, and intervals are marked.
func TestCompareProvisional(t *testing.T) {
	path := writeTrial(t, "  drops: {max_rate: 3 %}\n", 47)
	code, out, errs := command(t, "compare", path, "--json")
	assert.Equal(t, exitNotMet, code)
	assert.Contains(t, errs, "not shown yet")
	var c compared
	require.NoError(t, json.Unmarshal([]byte(out), &c))
	assert.False(t, c.Finished)
	for _, e := range c.Effects {
		assert.Equal(t, "provisional", e.Finding)
	}
	code, _, errs = command(t, "compare", path, "--allow-open")
	assert.Equal(t, exitDone, code, errs)
}

// A sequential plan decides at its boundary, says where and by what rule, and gives no bound of
// a size fixed beforehand.
func TestCompareSequential(t *testing.T) {
	path := writeTrial(t, "  drops: {max_rate: 5 %}\n", 40, "sequential: {good: 0.1 %, bad: 5 %, alpha: 5 %, beta: 5 %}")
	code, out, errs := command(t, "compare", path)
	assert.Equal(t, exitNotMet, code)
	assert.Contains(t, errs, "does not hold: film block | flat cup, 30 mm lip")
	assert.Regexp(t, `stopped as bad at pick \d+`, out)
	assert.Regexp(t, `stopped as good at pick \d+`, out)
	assert.Contains(t, out, "sequential test: good 0.1 %, bad 5 %, alpha 5 %, beta 5 %")
	assert.NotContains(t, out, "≤")
}

// A mark keeps the pick, takes it out of the comparison, and comes off again.
func TestSpoil(t *testing.T) {
	path := writeTrial(t, "  drops: {max_rate: 3 %}\n", 48)
	picks := func() (n int) {
		code, out, errs := command(t, "compare", path, "--json")
		require.Equal(t, exitNotMet, code, errs)
		var c struct {
			Setups []struct{ Picks, Spoiled int }
		}
		require.NoError(t, json.Unmarshal([]byte(out), &c))
		for _, s := range c.Setups {
			n += s.Picks - 1000*s.Spoiled
		}
		return n
	}
	assert.Equal(t, 480, picks())
	code, out, errs := command(t, "picks", path, "--spoil", "left/7", "--why", "hose off")
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "left/7 is marked as spoiled (hose off)")
	assert.Equal(t, 479-1000, picks())
	_, out, _ = command(t, "picks", path)
	assert.Contains(t, out, "spoiled: hose off")
	_, out, _ = command(t, "picks", path, "--json")
	assert.Contains(t, out, `"spoiled": "hose off"`)
	code, out, errs = command(t, "compare", path)
	assert.Equal(t, exitNotMet, code, errs)
	assert.Contains(t, out, "1 pick marked as spoiled left out; counted, no comparison would end otherwise")
	code, _, errs = command(t, "picks", path, "--unspoil", "left/7")
	require.Equal(t, exitDone, code, errs)
	assert.Equal(t, 480, picks())
	for _, bad := range [][]string{{"--spoil", "left/7"}, {"--spoil", "left", "--why", "x"}, {"--spoil", "right/7", "--why", "x"}, {"--spoil", "left/9999", "--why", "x"},
		{"--unspoil", "left/7"}, {"--why", "x"}, {"--spoil", "left/7", "--unspoil", "left/7"}} {
		code, _, errs := command(t, append([]string{"picks", path}, bad...)...)
		assert.Equal(t, exitUsage, code, "%v: %s", bad, errs)
	}
}

func TestPlanCommands(t *testing.T) {
	code, out, errs := command(t, "plan", "drops", "--max-rate", "1e-4", "--confidence", "0.95", "--json")
	require.Equal(t, exitDone, code, errs)
	var p struct {
		Picks []struct{ Drops, N int }
	}
	require.NoError(t, json.Unmarshal([]byte(out), &p))
	require.NotEmpty(t, p.Picks)
	assert.Equal(t, []int{0, 29956}, []int{p.Picks[0].Drops, p.Picks[0].N}) // ⌈ln 0.05 / ln(1 − 1e-4)⌉
	code, out, _ = command(t, "plan", "share", "--share", "95 %")
	assert.Equal(t, exitDone, code)
	assert.Regexp(t, `any +59 +0 over`, out) // Wilks
	code, out, _ = command(t, "plan", "sequential", "--good", "1 %", "--bad", "10 %", "--beta", "10 %")
	assert.Equal(t, exitDone, code)
	assert.Regexp(t, `(?m)^24 +0 +3$`, out) // NIST/SEMATECH e-Handbook 6.2.6
	code, out, _ = command(t, "plan", "difference", "--see", "10 %", "--piece-spread", "8 %", "--pick-spread", "10 %", "--csv")
	assert.Equal(t, exitDone, code)
	assert.Contains(t, out, "power,pieces of each")
	for _, bad := range [][]string{
		{"drops"}, {"drops", "--max-rate", "0"}, {"drops", "--max-rate", "1e-4", "--confidence", "2"}, {"drops", "--max-rate", "x"}, {"drops", "--max-rate", "1e-4", "--drops", "-1"},
		{"share", "--share", "5 kPa"}, {"difference"}, {"difference", "--pilot", "none.gtrial"}, {"sequential", "--good", "2 %", "--bad", "1 %"},
		{"runs"}, {"runs", "--factor", "bag=a", "--factor", "cup"}, {"runs", "--factor", "bag=a", "--factor", "cup=b", "--dear", "colour"},
		{"runs", "--factor", "bag=a", "--factor", "cup=b|c", "--fraction", "1/2"}, {"runs", "--factor", "bag=a", "--factor", "cup=b|c", "--fraction", "1/3"}, {"runs", "--factor", "bag=a", "--factor", "cup=b", "--factor", "cups=0"},
		{"runs", "--factor", "bag=a", "--factor", "cup=b", "--stations", "l,m,r"}, {"runs", "--factor", "bag=a", "--factor", "cup=b", "--out", "x.yaml"},
	} {
		code, _, errs := command(t, append([]string{"plan"}, bad...)...)
		assert.Equal(t, exitUsage, code, "%v: %s", bad, errs)
		assert.Equal(t, 1, strings.Count(strings.TrimSpace(errs)+"\n", "\n"), "%v: %s", bad, errs)
	}
}

func TestCompareWrongInput(t *testing.T) {
	path := writeTrial(t, "", 4)
	for _, bad := range [][]string{
		{"compare", "none.gtrial"}, {"compare", path, "--by", "colour"}, {"compare", path, "--by", "bag"}, {"compare", path, "--figure", "weight"},
		{"compare", path, "--at", "20"}, {"compare", path, "--at", "-3 kPa"}, {"compare", path, "--see", "0 %"},
		{"choose", path, "--mix", "seed sachet"}, {"choose", path, "--mix", "seed sachet=50 %"}, {"choose", path, "--mix", "paper=100 %"}, {"choose", path, "--resamples", "1"},
		{"soak", path, "--every", "0 s"},
	} {
		code, _, errs := command(t, bad...)
		assert.Equal(t, exitUsage, code, "%v: %s", bad, errs)
		assert.Equal(t, 1, strings.Count(strings.TrimSpace(errs)+"\n", "\n"), "%v: %s", bad, errs)
	}
	code, out, errs := command(t, "compare", path)
	assert.Equal(t, exitDone, code, "%s", errs)
	assert.Contains(t, out, "no verdict")
}
