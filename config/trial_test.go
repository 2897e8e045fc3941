package config

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const baseTrial = `name: packs
requirement:
  vacuum: 30 kPa
setups:
  - name: sachet
    bag: seed sachet
    cup: bellows cup, 20 mm lip
  - name: granules
    bag: granule pillow bag
    cup: bellows cup, 40 mm lip
    engine: side-channel blower
runs:
  - setups: {left: sachet, right: granules}
    picks: 20
`

func TestTrialFaults(t *testing.T) {
	rig := loadRig(t, "io-block-tcp")
	rig.Stations[0].Engine, rig.Stations[1].Engine = "small ejector", "side-channel blower"
	for _, c := range []struct {
		name   string
		change []string
		want   []string
	}{
		{"no unit", []string{"vacuum: 30 kPa", "vacuum: ‸30"}, []string{"requirement.vacuum: 30 has no unit; kPa, mbar, bar … are allowed"}},
		{"no vacuum at all", []string{"requirement:\n  vacuum: 30 kPa\n", "", "- name: s", "- ‸name: s", "- name: g", "- ‸name: g"}, []string{
			`setups[0].vacuum: not stated, nor is requirement.vacuum; want the vacuum that holds the bag such as "30 kPa"`,
			`setups[1].vacuum: not stated, nor is requirement.vacuum; want the vacuum that holds the bag such as "30 kPa"`}},
		{"vacuum of more than there is", []string{"30 kPa", "‸101.3 kPa"}, []string{
			"requirement.vacuum: 101.3 kPa is impossible; want more than 0 and less than the pressure around, 101.3 kPa"}},
		{"vacuum of none", []string{"30 kPa", "‸0 kPa"}, []string{
			"requirement.vacuum: 0 kPa is impossible; want more than 0 and less than the pressure around, 101.3 kPa"}},
		{"share above 1", []string{"30 kPa", "30 kPa\n  seal_time: {limit: 0.4 s, share: ‸101 %}"}, []string{
			"requirement.seal_time.share: 101 % is impossible; want 0 % to 100 %"}},
		{"share without unit", []string{"30 kPa", "30 kPa\n  drops: {max_rate: ‸0.01}"}, []string{
			"requirement.drops.max_rate: 0.01 has no unit; % is allowed"}},
		{"negative time", []string{"30 kPa", "30 kPa\n  seal_time: {limit: ‸-0.4 s, share: 95 %}"}, []string{
			"requirement.seal_time.limit: -0.4 s is impossible; want more than 0"}},
		{"half a vacuum", []string{"30 kPa", "‸{required: 30 kPa, min: 20 kPa}"}, []string{
			`requirement.vacuum.share: not stated; want the share of picks that keep it such as "99 %"`}},
		{"whole plot of no factor", []string{"runs:", "design: {whole_plots: [engine, ‸colour]}\nruns:"}, []string{
			`design.whole_plots[1]: found "colour"; want bag, cup, cups, placement, tilt, engine or engine_setting`}},
		{"sequential test upside down", []string{"runs:", "design: {sequential: {good: 2 %, bad: ‸1 %, alpha: 5 %, beta: 5 %}}\nruns:"}, []string{
			"design.sequential.bad: not above good; want the higher of the two rates"}},
		{"certainty", []string{"30 kPa", "30 kPa\n  confidence: ‸100 %"}, []string{
			"requirement.confidence: 100 % is impossible; want 50 % or more and less than 100 %"}},
		{"tilt", []string{"bag: seed sachet", "bag: seed sachet\n    tilt: ‸5 mm"}, []string{
			`setups[0].tilt: 5 mm: "mm" is no unit of angle; °, deg are allowed`}},
		{"no cups", []string{"bag: seed sachet", "bag: seed sachet\n    cups: ‸0"}, []string{
			"setups[0].cups: 0 is impossible; want a whole number from 1 to 1000"}},
		{"half a cup", []string{"bag: seed sachet", "bag: seed sachet\n    cups: ‸1.5"}, []string{
			"setups[0].cups: found 1.5; want a whole number from 1 to 1000"}},
		{"two setups of one name", []string{"name: granules", "name: ‸sachet", "right: granules", "right: ‸granules"}, []string{
			`setups[1].name: "sachet" is already the name of the setup in line 5`,
			`runs[0].setups.right: "granules" is no setup of this file; want sachet`}},
		{"unknown setup", []string{"left: sachet", "left: ‸sachets"}, []string{
			`runs[0].setups.left: "sachets" is no setup of this file (did you mean "sachet"?)`}},
		{"unknown station", []string{"left: sachet", "‸lefft: sachet"}, []string{
			`runs[0].setups.lefft: "lefft" is no station of the rig file (did you mean "left"?)`}},
		{"unknown engine", []string{"engine: side-channel blower", "engine: ‸rotary vane pump"}, []string{
			`setups[1].engine: "rotary vane pump" is no engine of the rig file; want side-channel blower or small ejector`}},
		{"engine of another station", []string{"left: sachet, right: granules", "left: ‸granules"}, []string{
			`runs[0].setups.left: setup "granules" wants the engine "side-channel blower", and the rig file has "small ejector" on station "left"; want the same, or no engine for that station where runs change it`}},
		{"required in the idle band", []string{"30 kPa", "3 kPa", "left: sachet, right: granules", "right: ‸sachet"}, []string{
			`runs[0].setups.right: setup "sachet" requires 3 kPa, which lies in the idle band of station "right", 3 kPa; want more, or a smaller idle_band`}},
		{"no picks", []string{"picks: 20", "picks: ‸0"}, []string{"runs[0].picks: 0 is impossible; want a whole number from 1 to 100000000"}},
		{"run of nothing", []string{"{left: sachet, right: granules}", "‸{}"}, []string{
			"runs[0].setups: empty; want one setup for each station in use such as {left: sachet}"}},
		{"unknown key", []string{"    picks: 20", "    picks: 20\n    ‸peice: 1"}, []string{`runs[0].peice: unknown key (did you mean "piece"?)`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			text, places := unmark(changed(t, baseTrial, c.change...))
			trial, err := ParseTrial("trial.yaml", []byte(text), rig)
			assert.Nil(t, trial)
			assertFaults(t, err, "trial.yaml", places, c.want)
		})
	}

	// Files that changed places are told by what they hold, in one line.
	_, err := ParseTrial("rig.yaml", []byte(baseRig), rig)
	assert.EqualError(t, err, "rig.yaml:1:1: this is a rig file, by its buses; want a trial file, which comes after the rig file")
	_, err = ParseRig("trial.yaml", []byte(baseTrial))
	assert.EqualError(t, err, "trial.yaml:1:1: this is a trial or scenario file, by its setups; want a rig file, which comes first")

	rig.Stations[0].DropLevelKPa = 30
	_, err = ParseTrial("trial.yaml", []byte(baseTrial), rig)
	assert.EqualError(t, err, `trial.yaml:13:20: runs[0].setups.left: setup "sachet" requires 30 kPa, not above the drop level of station "left", 30 kPa; want a lower drop_level`)
	_, err = LoadTrial("none.yaml", nil)
	assert.ErrorIs(t, err, os.ErrNotExist)
}

func TestWorkedTrial(t *testing.T) {
	trial, err := LoadTrial("../testdata/trials/garden-packs.yaml", loadRig(t, "io-block-tcp"))
	require.NoError(t, err)
	assert.Equal(t, Requirement{VacuumKPa: 20, SealTimeLimitS: 0.4, SealTimeShare: 0.95, VacuumMinKPa: 15, VacuumShare: 0.99,
		DropsMaxRate: 0.005, Confidence: 0.95, PicksPerMinute: 40}, trial.Requirement)
	require.Len(t, trial.Setups, 4)
	assert.Equal(t, Setup{Name: "granules", Bag: "granule pillow bag", Cup: "bellows cup, 40 mm lip", Cups: 4,
		Placement: "thirds of the bag, both ways", Tilt: "5 °", Engine: "side-channel blower", EngineSetting: "valve fully open",
		VacuumKPa: 15}, *trial.Setup("granules"))
	assert.Equal(t, Run{Setups: map[string]string{"left": "bird feed", "right": "coir"}, Piece: "lot B 1", Picks: 25}, trial.Runs[1])
	assert.Equal(t, 20.0, trial.RequiredVacuumKPa("coir"), "the requirement's")
	assert.Equal(t, 30.0, trial.RequiredVacuumKPa("bird feed"), "its own")
	assert.True(t, math.IsNaN(trial.RequiredVacuumKPa("unknown")))
	assert.Len(t, trial.SHA256(), 64)

	alone, err := ParseTrial("trial.yaml", []byte(changed(t, baseTrial, "left: sachet", "anywhere: sachet", "side-channel blower", "any engine")), nil)
	require.NoError(t, err, "without a rig any station and engine will do")
	assert.True(t, math.IsNaN(alone.Requirement.SealTimeLimitS) && math.IsNaN(alone.Requirement.PicksPerMinute), "not stated is NaN")
	assert.Equal(t, 0.95, alone.Requirement.Confidence)
	assert.Equal(t, 1, alone.Setups[0].Cups)

	share, err := ParseTrial("trial.yaml", []byte(changed(t, baseTrial, "30 kPa", "30 % of ambient")), loadRig(t, "io-block-tcp"))
	require.NoError(t, err)
	assert.InDelta(t, 30.39, share.Requirement.VacuumKPa, 1e-12, "30 % of 101.3 kPa")
	_, err = ParseTrial("trial.yaml", []byte(changed(t, baseTrial, "30 kPa", "30 % of ambient")), nil)
	assert.EqualError(t, err, `trial.yaml:3:11: requirement.vacuum: 30 % of ambient: "% of ambient" needs the ambient pressure, which is not stated`)
}

func FuzzParseTrial(f *testing.F) {
	rig := loadRig(f, "io-block-tcp")
	for _, path := range glob(f, "../testdata/trials/*.yaml") {
		text, err := os.ReadFile(path)
		require.NoError(f, err)
		f.Add(text)
	}
	f.Add([]byte(baseTrial))
	f.Fuzz(func(t *testing.T, text []byte) {
		for _, rig := range []*Rig{nil, rig} {
			trial, err := ParseTrial("f.yaml", text, rig)
			if err != nil {
				require.Nil(t, trial)
				checkFaults(t, err, text)
				continue
			}
			for _, s := range trial.Setups {
				require.Positive(t, s.Cups)
				if l := trial.Requirement.Load; l == nil {
					require.Positive(t, trial.RequiredVacuumKPa(s.Name))
				} else if math.IsNaN(s.VacuumKPa) {
					require.Positive(t, l.MassOf(s.Bag))
					require.Positive(t, l.DiameterOf(s.Cup))
					require.GreaterOrEqual(t, l.Safety, 1.0)
					require.NotEmpty(t, l.Phases)
				}
			}
			for _, r := range trial.Runs {
				require.NotEmpty(t, r.Setups)
				require.Positive(t, r.Picks)
			}
			again, err := ParseTrial("f.yaml", trial.Text, rig)
			require.NoError(t, err)
			if l := trial.Requirement.Load; l != nil { // of which only the address would be printed
				require.Equal(t, fmt.Sprintf("%+v", *l), fmt.Sprintf("%+v", *again.Requirement.Load))
				trial.Requirement.Load, again.Requirement.Load = nil, nil
			}
			require.Equal(t, fmt.Sprintf("%+v", trial), fmt.Sprintf("%+v", again))
		}
	})
}

func ExampleTrial_RequiredVacuumKPa() {
	trial, err := ParseTrial("trial.yaml", []byte(`
name: two packs
requirement: {vacuum: 20 kPa}
setups:
  - {name: sachet, bag: seed sachet, cup: "bellows cup, 20 mm lip"}
  - {name: bird feed, bag: gusseted bird-feed bag, cup: "bellows cup, 40 mm lip", vacuum: 300 mbar}
`), nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(trial.RequiredVacuumKPa("sachet"), trial.RequiredVacuumKPa("bird feed"), trial.RequiredVacuumKPa("coir"))
	// Output: 20 30 NaN
}

func TestTrialDesign(t *testing.T) {
	text := strings.Replace(baseTrial, "runs:", "design: {seed: 7, whole_plots: [engine], sequential: {good: 0.1 %, bad: 1 %, alpha: 5 %, beta: 10 %}}\nruns:", 1)
	trial, err := ParseTrial("t", []byte(text), nil)
	require.NoError(t, err)
	assert.Equal(t, Design{Seed: 7, WholePlots: []string{"engine"}, Sequential: true, GoodRate: 0.001, BadRate: 0.01, Alpha: 0.05, Beta: 0.1}, trial.Design)
	s := trial.Setup("granules")
	assert.Equal(t, "side-channel blower", s.Level("engine"))
	assert.Equal(t, "1", s.Level("cups"))
	assert.Empty(t, s.Level("colour"))
}
