package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/config"
	"griptrial/record"
	"griptrial/simulator"
	"griptrial/store"
)

// Setups that a scenario has on different engines are different in the trial, too, so that
// nothing takes their picks for those of one.
func TestTrialOfAScenarioNamesEngines(t *testing.T) {
	const rigs, scenarios = "../../testdata/rigs/", "../../testdata/scenarios/"
	for _, c := range []struct{ rig, scenario string }{{"io-block-tcp", "screening"}, {"io-block-tcp", "soak"}, {"io-block-tcp", "ab-bench"}, {"flow-text-line", "hand-held"}} {
		rig, err := config.LoadRig(rigs + c.rig + ".yaml")
		require.NoError(t, err)
		sc, err := simulator.LoadScenario(scenarios + c.scenario + ".yaml")
		require.NoError(t, err)
		trial, err := record.ParseTrial("trial", []byte(trialText(*sc, rig)), rig)
		require.NoError(t, err, c.scenario)
		seen := map[string]string{}
		for i := range trial.Setups {
			s := &trial.Setups[i]
			var levels []string
			for _, f := range config.Factors {
				levels = append(levels, s.Level(f))
			}
			key := strings.Join(levels, "|")
			assert.Empty(t, seen[key], "%s: %s", c.scenario, s.Name)
			seen[key] = s.Name
			if known := "small ejector"; c.rig == "io-block-tcp" && strings.Contains(s.Name, known) {
				assert.Equal(t, known, s.Engine)
			}
		}
		if c.scenario == "ab-bench" {
			assert.Equal(t, "4 °", trial.Setup("bellows").Tilt)
			assert.Equal(t, "0 °", trial.Setup("flat").Tilt, "a level like any other")
			assert.Equal(t, "small ejector", trial.Setup("bellows").Engine)
		}
		if c.scenario == "soak" {
			assert.Equal(t, "simulated vane pump", trial.Setup("pump").EngineSetting, "the rig has no such engine")
		}
	}

	// A rig with an engine of its own at a station refuses another, as it does for a trial.
	text, err := os.ReadFile(rigs + "io-block-tcp.yaml")
	require.NoError(t, err)
	fixed := filepath.Join(t.TempDir(), "rig.yaml")
	require.NoError(t, os.WriteFile(fixed, []byte(strings.Replace(string(text), "- name: right\n", "- name: right\n    engine: side-channel blower\n", 1)), 0o600))
	out := filepath.Join(t.TempDir(), "x.gtrial")
	code, _, errs := command(t, "simulate", fixed, scenarios+"ab-bench.yaml", "--fast", "--out", out)
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, `has the engine "small ejector", and `+fixed+` states "side-channel blower" for station "right"`)
	code, _, errs = command(t, "simulate", fixed, "--picks", "2", "--fast", "--out", out)
	assert.Equal(t, exitDone, code, "the hall's own setups run on any rig: %s", errs)
}

// An ejector at a station without an air channel has no energy, rather than that of a power
// meter that it does not use; and where engines are not known, the comparison says what it
// averages.
func TestEnergyIsOfWhatTheEngineDraws(t *testing.T) {
	dir := t.TempDir()
	text, err := os.ReadFile("../../testdata/rigs/io-block-tcp.yaml")
	require.NoError(t, err)
	cut := func(s, from, to string) string {
		i := strings.Index(s, from)
		require.Positive(t, i)
		n := strings.Index(s[i:], to)
		require.Positive(t, n)
		return s[:i] + s[i+n:]
	}
	noAir := cut(string(text), "          - name: right air\n", "          - name: right power\n")
	unnamed := cut(noAir, "engines:\n", "# A station is")
	for _, c := range []struct {
		rig     string
		remark  string
		measure bool
	}{{noAir, "4 picks without energy: an ejector's needs an air channel", false}, {unnamed, "Stations measure energy by different channels", true},
		{string(text), "", true}} {
		rig, path := filepath.Join(dir, "rig.yaml"), filepath.Join(dir, "x.gtrial")
		require.NoError(t, os.WriteFile(rig, []byte(c.rig), 0o600))
		require.NoError(t, os.RemoveAll(path))
		code, _, errs := command(t, "simulate", rig, "../../testdata/scenarios/ab-bench.yaml", "--picks", "2", "--fast", "--out", path)
		require.Equal(t, exitDone, code, errs)
		code, _, errs = command(t, "verify", path)
		require.Equal(t, exitDone, code, errs)
		file, err := store.OpenRead(path)
		require.NoError(t, err)
		picks, err := file.Picks(1, "")
		require.NoError(t, errors.Join(err, file.Close()))
		require.Len(t, picks, 8)
		for _, p := range picks {
			assert.Equal(t, c.measure || p.Station == "left", p.EnergyJ.OK(), "%s %d", p.Station, p.N)
		}
		_, out, errs := command(t, "compare", path)
		if c.remark != "" {
			assert.Contains(t, out, c.remark, errs)
		} else {
			assert.NotContains(t, out, "energy: an ejector's")
			assert.NotContains(t, out, "Stations measure energy")
		}
	}
}

// The link that a killed simulator left is replaced; one that leads somewhere is not, nor a file.
func TestLinkOfAKilledSimulator(t *testing.T) {
	dir := t.TempDir()
	link, line, other := filepath.Join(dir, "rs485"), filepath.Join(dir, "pts-1"), filepath.Join(dir, "pts-2")
	for _, f := range []string{line, other} {
		require.NoError(t, os.WriteFile(f, nil, 0o600))
	}
	leads := func() string {
		to, err := os.Readlink(link)
		require.NoError(t, err)
		return to
	}
	require.NoError(t, linkLine(line, link))
	require.NoError(t, linkLine(line, link), "the same pseudo-terminal again")
	assert.ErrorContains(t, linkLine(other, link), "remove it if no simulator serves it")
	assert.Equal(t, line, leads())
	require.NoError(t, os.Remove(line))
	require.NoError(t, linkLine(other, link))
	assert.Equal(t, other, leads())
	assert.ErrorContains(t, linkLine(line, other), "is no link")
}

// Setups that no factor tells apart are compared as one, and the comparison says which.
func TestSetupsOfTheSameLevels(t *testing.T) {
	path := filepath.Join(t.TempDir(), "swing.gtrial")
	code, _, errs := command(t, "simulate", "../../testdata/rigs/io-block-tcp.yaml", "../../testdata/scenarios/swing.yaml", "--picks", "2", "--fast", "--out", path)
	require.Equal(t, exitDone, code, errs)
	_, out, _ := command(t, "compare", path)
	assert.Contains(t, out, "Setups of the same levels, taken as one: gentle, hasty. State in what they differ")
}
