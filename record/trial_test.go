package record

import (
	"bytes"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/config"
	"griptrial/simulator"
	"griptrial/store"
)

// By hand, for the ruling phase, level at 8 m/s²: F = m·(9.80665 + 8/0.45)·2 over n·π/4·d².
func TestTrialByLoad(t *testing.T) {
	rig, err := config.LoadRig("../testdata/rigs/io-block-tcp.yaml")
	require.NoError(t, err)
	trial, err := LoadTrial("../testdata/trials/load.yaml", rig)
	require.NoError(t, err)
	kPa := func(mass, cups, diameter float64) float64 {
		return mass * (9.80665 + 8/0.45) * 2 / (cups * math.Pi / 4 * diameter * diameter) * 1000
	}
	assert.InEpsilon(t, kPa(1.2, 4, 33), trial.RequiredVacuumKPa("granules, four cups"), 1e-12)
	assert.InEpsilon(t, kPa(1.2, 2, 44), trial.RequiredVacuumKPa("granules, two large cups"), 1e-12)
	assert.InEpsilon(t, kPa(2.4, 4, 33), trial.RequiredVacuumKPa("bird feed"), 1e-12)
	assert.InDelta(t, 55, trial.RequiredVacuumKPa("bird feed, as the old gripper"), 1e-12, "its own")
	assert.InDelta(t, 10, trial.Requirement.VacuumMinKPa, 1e-12)

	// Each pick is judged at the vacuum of its setup.
	plan := NewPlan(trial)
	settings, err := Settings(rig, plan)
	require.NoError(t, err)
	left := settings[0].RequiredKPa
	assert.InEpsilon(t, kPa(2.4, 4, 33), left(20), 1e-12)
	assert.InEpsilon(t, kPa(1.2, 2, 44), left(21), 1e-12)
	assert.InDelta(t, 55, left(41), 1e-12)

	// config alone does not know the statics: no vacuum, rather than a wrong one.
	bare, err := config.LoadTrial("../testdata/trials/load.yaml", rig)
	require.NoError(t, err)
	assert.True(t, math.IsNaN(bare.RequiredVacuumKPa("bird feed")))
	_, err = Settings(rig, NewPlan(bare))
	assert.ErrorContains(t, err, "no required vacuum")
}

func TestTrialByLoadRefuses(t *testing.T) {
	text, err := os.ReadFile("../testdata/trials/load.yaml")
	require.NoError(t, err)
	rig, err := config.LoadRig("../testdata/rigs/io-block-tcp.yaml")
	require.NoError(t, err)
	for _, c := range []struct{ name, old, new, want string }{
		{"impossible", "bird-feed bag: 2.4 kg", "bird-feed bag: 12 kg", `load.yaml:35:5: setups[2]: the load needs 193.5 kPa (level 8 m/s²), more than the 101.3 kPa around; 9 cups, an effective diameter of 50 mm, or 5.3 kg at most would help`},
		{"in the idle band", "granule pillow bag: 1.2 kg", "granule pillow bag: 0.1 kg", `setup "granules, four cups" requires 1.61`},
		{"no safety", "    safety: 2 # a competent person judges it\n", "", "requirement.load.safety: not stated; want the safety factor"},
		{"safety of nothing", "safety: 2", "safety: 0.5", "0.5 is impossible; want the safety factor, 1 to 100"},
		{"no friction", "    friction: 0.45\n", "", `requirement.load.phases[1].motion: "level" needs the friction of lip on film`},
		{"friction with a unit", "friction: 0.45", "friction: 45 %", "want the friction of lip on film, 0.01 to 2"},
		{"bag unknown", "{granule pillow bag: 1.2 kg", "{granule pilow bag: 1.2 kg", `no setup has such a bag (did you mean "granule pillow bag"?)`},
		{"bag without mass", "{granule pillow bag: 1.2 kg, ", "{", `requirement.load.mass: nothing is stated for the bag "granule pillow bag" of setup "granules, four cups"`},
		{"mass without unit", "bird-feed bag: 2.4 kg", "bird-feed bag: 2.4", "2.4 has no unit"},
		{"cup without diameter", "      flat cup, 50 mm lip: 44 mm\n", "", `nothing is stated for the cup "flat cup, 50 mm lip"`},
		{"motion", "motion: up", "motion: down", `"down" is unknown`},
		{"no phases", "phases:\n      - {motion: up, acceleration: 6 m/s2}\n      - {motion: level, acceleration: 8 m/s2}", "phases: []", "empty; want phases such as"},
		{"number of cups", "    cup: flat cup, 50 mm lip\n    cups: 2\n", "    cup: flat cup, 50 mm lip\n", "setups[1].cups: not stated; want the number of cups that share the load"},
		{"vacuum too", "vacuum: {min: 10 kPa, share: 99 %}", "vacuum: 20 kPa", "requirement.vacuum: has no place here: the load says which vacuum is required"},
		{"required too", "vacuum: {min: 10 kPa", "vacuum: {required: 20 kPa, min: 10 kPa", "requirement.vacuum.required: has no place here"},
		{"unknown key", "    safety: 2", "    saftey: 2", `unknown key (did you mean "safety"?)`},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Contains(t, string(text), c.old)
			trial, err := ParseTrial("load.yaml", []byte(strings.Replace(string(text), c.old, c.new, 1)), rig)
			require.ErrorContains(t, err, c.want)
			assert.Nil(t, trial)
			var faults config.Faults
			require.ErrorAs(t, err, &faults)
		})
	}
}

// Nobody but this package reads trial files through config, so that no load is passed by.
func TestTrialsAreReadHere(t *testing.T) {
	files := 0
	require.NoError(t, filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		in := filepath.ToSlash(path)
		if strings.HasPrefix(in, "../config/") || strings.HasPrefix(in, "../record/") {
			return nil
		}
		files++
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		for _, call := range []string{"config.ParseTrial(", "config.LoadTrial("} {
			assert.NotContains(t, string(text), call, "%s: use record's", in)
		}
		return nil
	}))
	require.Greater(t, files, 50)
}

// A trial by load, recorded at once and replayed: every pick is judged, and stored, at the
// vacuum that the load needs of its own setup's cups.
func TestRecordByLoad(t *testing.T) {
	sc := simulator.DemoScenario(8).OnStations([]string{"s1"})
	rig := wireRig(t, []string{"s1"}, "127.0.0.1:1", 10)
	text := `name: by load
requirement:
  load:
    mass: 1 kg
    effective_diameter: {flat cup: 30 mm, bellows cup: 40 mm}
    safety: 2
    phases: [{motion: up, acceleration: 5 m/s2}]
setups:
  - {name: two flat, bag: any, cup: flat cup, cups: 2}
  - {name: one bellows, bag: any, cup: bellows cup, cups: 1}
runs:
  - {setups: {s1: two flat}, picks: 3}
  - {setups: {s1: one bellows}, picks: 5}
`
	trial, err := ParseTrial("load.yaml", []byte(text), rig)
	require.NoError(t, err)
	plan := NewPlan(trial)
	settings, err := Settings(rig, plan)
	require.NoError(t, err)
	sim, err := simulator.NewRig(sc, *rig)
	require.NoError(t, err)
	sources := []Source{&fastSource{rig: sim, sc: sc, cfg: *rig}}
	s, err := NewStations(Groups(sources), settings, plan)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "load.gtrial")
	file, err := store.Create(path, store.Header{Program: "test", AnchorUTC: time.Unix(0, 0), RigText: rig.Text, TrialText: trial.Text, Groups: Groups(sources), Stations: []string{"s1"}})
	require.NoError(t, err)
	r := Recorder{File: file, Sources: sources, Stations: s, Plan: plan}
	require.NoError(t, r.Run(t.Context()))
	require.NoError(t, file.Close())

	file, err = store.Open(path)
	require.NoError(t, err)
	defer file.Close()
	found, err := file.Picks(1, "")
	require.NoError(t, err)
	require.NotEmpty(t, found)
	force := 1 * (9.80665 + 5) * 2.0
	sealed := 0
	for _, p := range found {
		want := force / (2 * math.Pi / 4 * 30 * 30) * 1000 // 20.9 kPa
		if p.N > 3 {
			want = force / (math.Pi / 4 * 40 * 40) * 1000 // 23.6 kPa
		}
		assert.InEpsilon(t, want, p.RequiredKPa, 1e-12, "pick %d", p.N)
		if p.SealTimeS.OK() {
			sealed++
		}
	}
	assert.NotZero(t, sealed)
	tested, err := TestedSetups(file, path, 1)
	require.NoError(t, err)
	require.Len(t, tested.Setups, 2)
	assert.InEpsilon(t, force/(math.Pi/4*40*40)*1000, tested.Setups[1].RequiredKPa, 1e-12)
	stations, err := AnalysisOf(file, path, store.Analysis{RigText: rig.Text, TrialText: trial.Text, Groups: file.Header().Groups})
	require.NoError(t, err)
	c, err := Compare(file, 1, stations, nil)
	require.NoError(t, err)
	assert.True(t, c.OK(), "%v", c.Differences)

	// Whatever asks for an analysis hears of the requirement and the rig that it was judged by.
	heavier := store.Analysis{Groups: file.Header().Groups,
		RigText: regexp.MustCompile(`(?m)^ambient: .*$`).ReplaceAll(rig.Text, []byte("ambient: 95 kPa")), TrialText: bytes.Replace(trial.Text, []byte("mass: 1 kg"), []byte("mass: 1.1 kg"), 1)}
	set, err := file.NewAnalysis("test", "a heavier bag", heavier)
	require.NoError(t, err)
	stations, err = AnalysisOf(file, path, heavier)
	require.NoError(t, err)
	_, _, err = Reanalyse(t.Context(), file, set, stations, nil)
	require.NoError(t, err)
	for set, want := range map[int]struct{ mass, ambient float64 }{1: {1, rig.AmbientKPa}, set: {1.1, 95}} {
		tested, err := TestedSetups(file, path, set)
		require.NoError(t, err)
		assert.InEpsilon(t, want.mass*force/(math.Pi/4*40*40)*1000, tested.Setups[1].RequiredKPa, 1e-12)
		for _, p := range tested.Setups[1].Picks {
			assert.Equal(t, tested.Setups[1].RequiredKPa, p.RequiredKPa)
		}
		assert.Equal(t, want.ambient, tested.AmbientKPa)
		compared, err := Comparable(file, path, set)
		require.NoError(t, err)
		assert.Equal(t, want.mass, compared.Trial.Requirement.Load.MassOf("any"))
	}
}

// A run may leave a station out: it rests, and its picks are counted through the runs that have
// a setup for it, in the plan and in what really happened.
func TestAStationRests(t *testing.T) {
	names := []string{"s1", "s2"}
	sc := simulator.DemoScenario(12).OnStations(names)
	require.GreaterOrEqual(t, len(sc.Runs), 3)
	delete(sc.Runs[0].Setups, "s2")
	delete(sc.Runs[len(sc.Runs)-1].Setups, "s1")
	rig := wireRig(t, names, "127.0.0.1:1", 10)
	plan := NewPlan(wireTrial(sc))
	each := sc.Runs[0].Picks
	require.Equal(t, each, sc.Runs[1].Picks)
	assert.Equal(t, []int{1, 1, 2, len(sc.Runs) - 1}, []int{plan.Run("s1", 1), plan.Run("s1", each), plan.Run("s1", each+1), plan.Run("s1", 1000)})
	assert.Equal(t, []int{2, 3, len(sc.Runs)}, []int{plan.Run("s2", 1), plan.Run("s2", each+1), plan.Run("s2", 1000)})
	assert.Equal(t, []int{each, 0, 2 * each, each}, []int{plan.Picks("s1", 1), plan.Picks("s2", 1), plan.Picks("s1", 2), plan.Picks("s2", 2)})
	assert.Zero(t, plan.Run("s3", 1))

	settings, err := Settings(rig, plan)
	require.NoError(t, err)
	sim, err := simulator.NewRig(sc, *rig)
	require.NoError(t, err)
	truth, err := simulator.Fast(sc, *rig, 0.1, func(sample.Batch) error { return nil })
	require.NoError(t, err)
	run := map[string]int{}
	for _, x := range truth {
		run[fmt.Sprint(x.Station, x.N)] = x.Run
	}
	source := &fastSource{rig: sim, sc: sc, cfg: *rig, whole: true}
	s, err := NewStations(source.Groups(), settings, plan)
	require.NoError(t, err)
	file, err := store.Create(filepath.Join(t.TempDir(), "rests.gtrial"), store.Header{Program: "test", AnchorUTC: time.Unix(0, 0), RigText: rig.Text, Groups: source.Groups(), Stations: names})
	require.NoError(t, err)
	defer file.Close()
	r := Recorder{File: file, Sources: []Source{source}, Stations: s, Plan: plan, CommitEvery: time.Millisecond, EndAfterPlan: true}
	require.NoError(t, r.Run(t.Context()))
	found, err := file.Picks(1, "")
	require.NoError(t, err)
	require.Len(t, found, len(truth))
	for _, p := range found {
		assert.Equal(t, run[fmt.Sprint(p.Station, p.N)], p.Run, "%s pick %d", p.Station, p.N)
	}
	runs, err := file.Runs()
	require.NoError(t, err)
	assert.Len(t, runs, len(sc.Runs), "none waited for a station that rests")
}
