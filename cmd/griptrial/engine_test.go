package main

import (
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/store"
)

type matched struct {
	Leak struct {
		Law      string
		K, N     *float64
		SeK      *float64 `json:"se_k"`
		SeN      *float64 `json:"se_n"`
		Settings int
		Points   []struct{ Source string }
	}
	Engines []struct {
		Name         string
		Vacuum       float64 `json:"operating_vacuum_kPa"`
		U            float64 `json:"operating_vacuum_u_kPa"`
		Lo           float64 `json:"operating_vacuum_lo_kPa"`
		Hi           float64 `json:"operating_vacuum_hi_kPa"`
		Flow         float64 `json:"flow_Lmin"`
		Holds, Shown bool
		Extrapolated bool
		Air          *float64                          `json:"air_Lmin"`
		Power        *float64                          `json:"power_W"`
		SealTime     *struct{ Value, Lo, Hi *float64 } `json:"seal_time_s"`
		PickJ        *float64                          `json:"energy_per_pick_J"`
		Central      *struct{ Holds bool }
	}
	Cheapest  *string
	Leaks     []matched
	BetterCup []string `json:"better_cup"`
	Confirmed []struct {
		Engine string
		Within *bool
	}
	Cautions []string
}

const hall = "../../testdata/engines/hall.yaml"

// Case 2 of testdata/physics/operating_point.csv (scipy): 37.936 kPa, 22.419 L/min, u 0.19955 kPa,
// k 3.3951 ± 0.1464, n 0.51914 ± 0.01283.
func TestEngineLeakPoints(t *testing.T) {
	points := filepath.Join(t.TempDir(), "leak.csv")
	require.NoError(t, os.WriteFile(points, []byte("vacuum_kPa,flow_Lmin\n10,11.323\n20,16.04\n30,19.644\n40,23.196\n"), 0o666))
	svg := filepath.Join(t.TempDir(), "m.svg")
	args := []string{"engine", "--leak-points", points, "--engines", hall, "--require", "30 kPa", "--svg", svg}
	code, out, errs := command(t, append(args, "--json")...)
	require.Equal(t, exitDone, code, errs)
	var m matched
	require.NoError(t, json.Unmarshal([]byte(out), &m))
	assert.Equal(t, "power", m.Leak.Law)
	assert.Contains(t, out, "no J a pick: it takes the picks a minute (--picks)")
	assert.Contains(t, out, "no seal time: it takes the volume of cups and hoses (--volume)")
	_, said, _ := command(t, append(args, "--hours", "4000 h")...)
	assert.Contains(t, said, "no J a pick and no kWh a year: they take the picks a minute (--picks)")
	_, said, errs = command(t, append(args, "--picks", "40 /min", "--on", "0.9 s", "--volume", "0.4 L")...)
	assert.NotContains(t, said, "--picks", errs)
	assert.NotContains(t, said, "--volume")
	assert.InDelta(t, 3.39514, *m.Leak.K, 1e-3)
	assert.InDelta(t, 0.519141, *m.Leak.N, 1e-4)
	assert.InDelta(t, 0.146357, *m.Leak.SeK, 1e-3)
	assert.InDelta(t, 0.0128348, *m.Leak.SeN, 1e-4)
	require.Len(t, m.Engines, 3)
	e := m.Engines[0]
	assert.InDelta(t, 37.936, e.Vacuum, 0.1)
	assert.InDelta(t, 22.419, e.Flow, 0.05)
	assert.InDelta(t, 0.19955, e.U, 0.005)
	assert.True(t, e.Holds)
	assert.True(t, e.Shown)
	assert.False(t, e.Extrapolated)
	assert.InDelta(t, 60, *e.Air, 0)
	assert.Nil(t, e.Power)
	assert.Nil(t, e.SealTime)
	assert.Nil(t, e.PickJ)
	assert.True(t, m.Engines[1].Extrapolated, "65 kPa from points up to 40 kPa")
	assert.False(t, m.Engines[2].Holds)
	assert.Greater(t, *m.Engines[2].Power, 1500.0, "the blower near its deepest vacuum")
	require.NotNil(t, m.Cheapest)
	assert.Equal(t, "small ejector", *m.Cheapest)
	assert.NotEmpty(t, m.Cautions)

	text, err := os.ReadFile(svg)
	require.NoError(t, err)
	d := xml.NewDecoder(strings.NewReader(string(text)))
	lines := 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		if e, ok := token.(xml.StartElement); ok && e.Name.Local == "polyline" {
			lines++
		}
	}
	assert.Equal(t, 4, lines, "three engines and the leak")

	code, out, _ = command(t, append(args, "--picks", "40 /min", "--on", "0.9 s", "--hours", "4000 h", "--volume", "0.4 L", "--circuits", "2", "--altitude", "1500 m")...)
	assert.Equal(t, exitDone, code)
	assert.Contains(t, out, "ambient 84.56 kPa")
	assert.Contains(t, out, "one for all")
	assert.Contains(t, out, "* leak, | required")
	assert.Contains(t, out, "competent person")

	code, out, errs = command(t, append(args, "--require", "80 kPa", "--json")...)
	assert.Equal(t, exitNotMet, code)
	assert.Contains(t, errs, "not shown")
	require.NoError(t, json.Unmarshal([]byte(out), &m))
	assert.Nil(t, m.Cheapest)
}

// Two settings: the interval spans the three laws. Two cups: what the better one allows.
func TestEngineTwoCups(t *testing.T) {
	dir := t.TempDir()
	bellows, thin := filepath.Join(dir, "bellows.csv"), filepath.Join(dir, "thin.csv")
	require.NoError(t, os.WriteFile(bellows, []byte("vacuum_kPa,flow_Lmin\n25,24\n45,33\n"), 0o666))
	require.NoError(t, os.WriteFile(thin, []byte("vacuum_kPa,flow_Lmin\n25,2.5\n45,3.4\n"), 0o666))
	plan := filepath.Join(dir, "confirm.yaml")
	code, out, errs := command(t, "engine", "--leak-points", "bellows cup="+bellows, "--leak-points", "thin-lip cup="+thin, "--engines", hall, "--require", "30 kPa",
		"--picks", "40 /min", "--plan", plan, "--json")
	require.Equal(t, exitDone, code, errs)
	var m matched
	require.NoError(t, json.Unmarshal([]byte(out), &m))
	require.Len(t, m.Leaks, 2)
	assert.Equal(t, "large ejector", *m.Leaks[0].Cheapest)
	assert.Equal(t, "small ejector", *m.Leaks[1].Cheapest)
	assert.Nil(t, m.Leak.SeN)
	e := m.Leaks[0].Engines[1]
	assert.Greater(t, e.Hi-e.Lo, 2.0)
	assert.Equal(t, []string{"with thin-lip cup the small ejector holds, at 30 % of the energy that bellows cup needs with the large ejector"}, m.BetterCup, "60 against 200 L/min")
	trial, err := config.LoadTrial(plan, nil)
	require.NoError(t, err, "the plan is a trial file")
	require.Len(t, trial.Setups, 2)
	assert.Equal(t, "large ejector", trial.Setups[0].Engine)
	assert.InDelta(t, 30, trial.Setups[0].VacuumKPa, 1e-9)
}

// A trial file with picks made here: the leak is a hole-like 3.5·v^0.52 L/min.
func trialOf(t *testing.T, text string, holds map[string][2]float64) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "t.gtrial")
	f, err := store.Create(path, store.Header{Program: "test", AnchorUTC: time.Unix(1e9, 0).UTC(), TrialText: []byte(text), Stations: []string{"left"}})
	require.NoError(t, err)
	trial, err := config.ParseTrial("t.yaml", []byte(text), nil)
	require.NoError(t, err)
	n := 0
	fig := func(v, u float64) analyze.Figure { return analyze.Figure{Value: v, U: u, Lo: v - 2*u, Hi: v + 2*u} }
	for i, s := range trial.Setups {
		e := store.Entry{Set: 1, Runs: []store.Run{{N: i + 1, Setups: map[string]string{"left": s.Name}, PlannedPicks: 4}}}
		for k := range 4 {
			n++
			scatter := 1 + 0.01*float64(k-1)
			h := holds[s.Name]
			e.Picks = append(e.Picks, pick.Pick{N: n, Station: "left", Run: i + 1, Outcome: pick.Released, SealFrom: "contact",
				HoldVacuumKPa: fig(h[0]*(1-0.005*float64(k-1)), 0.1), LeakFlowLminANR: fig(h[1]*scatter, 0.2), SealTimeS: fig(0.4*scatter, 0.001),
				ResponseDelayS: analyze.None(), LowestVacuumKPa: analyze.None(), LeakDownKPaS: analyze.None(), LeakDownVacuumKPa: analyze.None(), LeakLawKLminANR: analyze.None(), LeakLawN: analyze.None(), ReleaseTimeS: analyze.None(), EnergyJ: analyze.None()})
		}
		require.NoError(t, f.Commit(e))
	}
	require.NoError(t, f.Close())
	return path
}

const testedTrial = `name: engines
requirement: {vacuum: 25 kPa, picks: 40 /min}
setups:
  - {name: one, bag: bird feed, cup: "bellows cup, 40 mm lip", cups: 2, engine: small ejector, engine_setting: throttled to a third}
  - {name: two, bag: bird feed, cup: "bellows cup, 40 mm lip", cups: 2, engine: small ejector, engine_setting: throttled to two thirds}
  - {name: three, bag: bird feed, cup: "bellows cup, 40 mm lip", cups: 2, engine: small ejector}
`

func TestEngineTrial(t *testing.T) {
	path := trialOf(t, testedTrial, map[string][2]float64{"one": {20, 16.6}, "two": {30, 20.5}, "three": {38, 23.2}})
	const confirming = `name: confirm
requirement: {vacuum: 25 kPa}
setups:
  - {name: large, bag: bird feed, cup: "bellows cup, 40 mm lip", cups: 2, engine: large ejector}
`
	confirm := trialOf(t, confirming, map[string][2]float64{"large": {64.5, 31}})
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	code, out, errs := command(t, "engine", path, "--engines", hall, "--confirm", confirm, "--json")
	require.Equal(t, exitDone, code, errs)
	var m matched
	require.NoError(t, json.Unmarshal([]byte(out), &m))
	assert.Equal(t, 3, m.Leak.Settings)
	assert.Equal(t, "flow in the hold", m.Leak.Points[0].Source)
	assert.InDelta(t, 0.52, *m.Leak.N, 0.03)
	assert.InDelta(t, 36.8, m.Engines[0].Vacuum, 0.5, "3.5·36.8^0.52 = 22.8 L/min, and straight lines have 22.9 there")
	require.NotNil(t, m.Engines[0].SealTime, "the volume is what the measured seal times say")
	assert.InDelta(t, 0.4, *m.Engines[0].SealTime.Value, 0.02)
	require.NotNil(t, m.Engines[0].PickJ, "the trial states the rate")
	require.Len(t, m.Confirmed, 1)
	assert.Equal(t, "large ejector", m.Confirmed[0].Engine)
	require.NotNil(t, m.Confirmed[0].Within)
	assert.True(t, *m.Confirmed[0].Within)
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, before, after, "reading must not change the file")

	code, out, _ = command(t, "engine", path, "--engines", hall, "--confirm", confirm)
	assert.Equal(t, exitDone, code)
	assert.Contains(t, out, "predicted against measured")
	assert.Contains(t, out, "from flow in the hold")
}

func TestEngineRefuses(t *testing.T) {
	dir := t.TempDir()
	points := filepath.Join(dir, "leak.csv")
	require.NoError(t, os.WriteFile(points, []byte("vacuum_kPa,flow_Lmin\n10,11\n"), 0o666))
	broken := filepath.Join(dir, "broken.yaml")
	require.NoError(t, os.WriteFile(broken, []byte("engines:\n  - {name: a, kind: ejector, air: 60}\n"), 0o666))
	base := []string{"engine", "--leak-points", points, "--engines", hall, "--require", "30 kPa"}
	for _, c := range []struct {
		name string
		args []string
		want string
	}{
		{"no engines", []string{"engine", "--leak-points", points, "--require", "30 kPa"}, "--engines is missing"},
		{"neither", []string{"engine", "--engines", hall}, "a trial or --leak-points"},
		{"no requirement", base[:5], "--require is missing"},
		{"no file", []string{"engine", "--leak-points", "nowhere.csv", "--engines", hall, "--require", "30 kPa"}, "nowhere.csv"},
		{"engines broken", []string{"engine", "--leak-points", points, "--engines", broken, "--require", "30 kPa"}, "broken.yaml:2:"},
		{"law", append(base[:7:7], "--law", "square"), `leak law "square" is unknown`},
		{"circuits", append(base[:7:7], "--circuits", "0"), "0 circuits"},
		{"too deep", append(base[:7:7], "--require", "102 kPa"), "less than the pressure around"},
		{"volume", append(base[:7:7], "--volume", "0 L"), "--volume: found 0 L"},
		{"on", append(base[:7:7], "--picks", "60 /min", "--on", "1.1 s"), "longer than the cycle"},
		{"no trial", []string{"engine", "nowhere.gtrial", "--engines", hall}, "no such file"},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, out, errs := command(t, c.args...)
			assert.Equal(t, exitUsage, code)
			assert.Empty(t, out)
			assert.Contains(t, errs, c.want)
		})
	}
}
