package record

import (
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/config"
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
