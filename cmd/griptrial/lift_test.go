package main

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// By hand: area of four cups of 35 mm 3848.45 mm². Up: 2.4·(9.80665+6)·2 = 75.872 N, 19.715 kPa;
// level: 2.4·(9.80665+8/0.5)·2 = 123.872 N, 32.188 kPa, which rules; 500 m: 95.4613 kPa, 33.718 %.
// At 45 kPa, 173.180 N, 36.079 N/kg with safety: up 26.273 m/s², level 26.273·0.5 = 13.136.
func TestLift(t *testing.T) {
	args := split(`lift --mass "2.4 kg" --cups 4 --effective-diameter "35 mm" --friction 0.5 --safety 2 --altitude "500 m" --phase "up 6 m/s2" --phase "level 8 m/s2" --hold "45 kPa"`)
	code, out, errs := command(t, append(args, "--json")...)
	require.Equal(t, exitDone, code, errs)
	var got struct {
		Required float64 `json:"required_vacuum_kPa"`
		Percent  float64 `json:"percent_of_ambient"`
		Possible *bool
		Ruling   string             `json:"ruling_phase"`
		Force    float64            `json:"force_per_cup_N"`
		Most     map[string]float64 `json:"max_acceleration_m_s2"`
		Phases   []struct {
			Phase    string
			Required float64 `json:"required_vacuum_kPa"`
		}
		Cautions []string
	}
	require.NoError(t, json.Unmarshal([]byte(out), &got))
	assert.InDelta(t, 32.188, got.Required, 0.001)
	assert.InDelta(t, 33.718, got.Percent, 0.001)
	require.NotNil(t, got.Possible)
	assert.True(t, *got.Possible)
	assert.Equal(t, "level", got.Ruling)
	assert.InDelta(t, 123.872/4, got.Force, 0.001)
	assert.InDelta(t, 26.273, got.Most["up"], 0.001)
	assert.InDelta(t, 13.136, got.Most["level"], 0.001)
	require.Len(t, got.Phases, 2)
	assert.Equal(t, "up", got.Phases[0].Phase)
	assert.InDelta(t, 19.715, got.Phases[0].Required, 0.001)
	assert.NotEmpty(t, got.Cautions)

	code, out, errs = command(t, args...)
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "required vacuum 32.2 kPa")
	assert.Contains(t, out, "competent person")

	code, out, _ = command(t, args[:len(args)-2]...)
	assert.Equal(t, exitDone, code)
	assert.NotContains(t, out, "most m/s²")
}

func TestLiftNotMet(t *testing.T) {
	for _, c := range []struct{ name, args, wantOut, wantErr string }{
		{"impossible", `lift --mass "25 kg" --cups 4 --effective-diameter "40 mm" --safety 2 --altitude "2000 m" --phase "up 5 m/s2"`, "9 cups of the same size", "impossible: the load needs 147.3 kPa, and the air around has 79.5 kPa"},
		{"not held", `lift --mass "2.4 kg" --cups 4 --effective-diameter "35 mm" --safety 2 --phase "up 6 m/s2" --hold "10 kPa"`, "a hold vacuum of 19.7 kPa", "not met: the load needs 19.7 kPa, and 10 kPa is held"},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, out, errs := command(t, split(c.args)...)
			assert.Equal(t, exitNotMet, code)
			assert.Contains(t, out, c.wantOut)
			assert.Contains(t, out, "Suspended loads can fall")
			assert.Equal(t, c.wantErr, strings.TrimSpace(errs))
			code, out, _ = command(t, append(split(c.args), "--json")...)
			assert.Equal(t, exitNotMet, code)
			assert.True(t, json.Valid([]byte(out)))
		})
	}
}

func TestLiftRefuses(t *testing.T) {
	const base = `lift --mass "2.4 kg" --cups 4 --effective-diameter "35 mm" --safety 2 --phase "up 6 m/s2"`
	for _, c := range []struct{ name, old, new, want string }{
		{"no mass", `--mass "2.4 kg"`, "", "--mass is missing"},
		{"mass without unit", "2.4 kg", "2.4", "--mass: 2.4 has no unit"},
		{"no cups", "--cups 4", "", "--cups is missing"},
		{"cups below 0", "--cups 4", "--cups -1", "-1 cups"},
		{"no safety", "--safety 2", "", "--safety is missing"},
		{"no diameter", `--effective-diameter "35 mm"`, "", "--effective-diameter or --pull is missing"},
		{"both", "--safety 2", `--safety 2 --pull "50 N at 50 kPa"`, "not both"},
		{"pull", `--effective-diameter "35 mm"`, `--pull "50 N"`, `"52 N at 55 kPa"`},
		{"pull of nothing", `--effective-diameter "35 mm"`, `--pull "0 N at 50 kPa"`, "more than 0 of both"},
		{"phase", "up 6 m/s2", "down 6 m/s2", "motions are up, level"},
		{"phase without number", "up 6 m/s2", "up", "--phase up"},
		{"friction missing", "up 6 m/s2", "level 6 m/s2", "needs the friction"},
		{"altitude", "--safety 2", `--safety 2 --altitude "12 km"`, "--altitude: 12 km is impossible"},
		{"ambient", "--safety 2", `--safety 2 --ambient "2 bar"`, "--ambient: 2 bar is impossible"},
		{"altitude and ambient", "--safety 2", `--safety 2 --ambient "1 bar" --altitude "1 m"`, "not both"},
		{"hold", "--safety 2", `--safety 2 --hold "120 kPa"`, "hold vacuum is 120 kPa"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Contains(t, base, c.old)
			code, out, errs := command(t, split(strings.Replace(base, c.old, c.new, 1))...)
			assert.Equal(t, exitUsage, code)
			assert.Empty(t, out)
			assert.Contains(t, errs, c.want)
			assert.Equal(t, 1, strings.Count(errs, "\n"), errs)
		})
	}
}

// The worked trial by load; by hand as in record/trial_test.go: 2.4·(9.80665 + 8/0.45)·2 N on
// four cups of 33 mm is 38.70 kPa.
func TestLiftTrial(t *testing.T) {
	const path = "../../testdata/trials/load.yaml"
	code, out, errs := command(t, "lift", path, "--json")
	require.Equal(t, exitDone, code, errs)
	var got struct {
		Setups []struct {
			Setup    string
			Own      *float64 `json:"own_vacuum_kPa"`
			Required float64  `json:"required_vacuum_kPa"`
			Ruling   string   `json:"ruling_phase"`
		}
		Cautions []string
	}
	require.NoError(t, json.Unmarshal([]byte(out), &got))
	require.Len(t, got.Setups, 4)
	assert.InDelta(t, 38.70, got.Setups[2].Required, 0.01)
	assert.Equal(t, "level", got.Setups[2].Ruling)
	assert.Nil(t, got.Setups[2].Own)
	require.NotNil(t, got.Setups[3].Own)
	assert.InDelta(t, 55, *got.Setups[3].Own, 0)
	assert.NotEmpty(t, got.Cautions)
	code, out, _ = command(t, "lift", path)
	assert.Equal(t, exitDone, code)
	assert.Contains(t, out, "judged at its own 55 kPa")
	assert.Contains(t, out, "competent person")
	code, _, errs = command(t, "lift", path, "--ambient", "35 kPa")
	assert.Equal(t, exitNotMet, code)
	assert.Contains(t, errs, `setup "bird feed" needs 38.7 kPa, and the air around has 35.0 kPa`)
	for _, c := range []struct{ args, want string }{
		{"lift " + path + " --cups 3", "--cups: the trial file states the load"},
		{"lift ../../testdata/trials/garden-packs.yaml", "the requirement is no load"},
		{"lift nowhere.yaml", "nowhere.yaml"},
	} {
		code, _, errs = command(t, strings.Fields(c.args)...)
		assert.Equal(t, exitUsage, code)
		assert.Contains(t, errs, c.want)
	}
}
