package pick

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// The standard errors of a calibration are a part of their own in the budget of every figure
// that is read from the channel: of a level as they are at its value, of an instant over the
// slope, of a fall by the slope of the line, of a flow and of a power that is summed up. The
// other parts, and the values, stay as they were.
func TestCalibrationIsAPart(t *testing.T) {
	b := bench{intervalS: 0.01, noiseKPa: 0.05, stepKPa: 0.01, seed: 5,
		vacuum:   shape(piece{0, 0, 1}, piece{1, 60, 0.1}, piece{3, 0, 2}, piece{5, 0, 0.05}),
		switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 3), sample.Release: between(5, 5.2)},
		follow:   map[sample.Kind]func(float64) float64{sample.Flow: func(float64) float64 { return 8 }, sample.Power: func(float64) float64 { return 200 }},
	}
	judge := func(change func(*sample.Channel)) (Pick, map[string]Budget) {
		budgets := map[string]Budget{}
		set := Settings{Station: "", RequiredKPa: require30, VolumeL: 0.5, SealLimitS: 2,
			Explain: func(_ Pick, all []Budget) {
				for _, x := range all {
					budgets[x.Name] = x
				}
			}}
		g := b.groups()
		for i := range g[0].Channels {
			change(&g[0].Channels[i])
		}
		k, err := New(set, g)
		require.NoError(t, err)
		b.run(0, 8, k.Push)
		k.Finish()
		picks, _, _ := k.Take()
		require.Len(t, picks, 1)
		return picks[0], budgets
	}
	plain, was := judge(func(*sample.Channel) {})
	calibrated, is := judge(func(c *sample.Channel) {
		if c.Kind.Switched() {
			return
		}
		c.Calibration = sample.Calibration{OffsetU: 0.5, ScaleU: 0.01 * c.Scale}
	})
	part := func(name, of string) float64 {
		t.Helper()
		require.Contains(t, is, name)
		for _, p := range was[name].Parts {
			assert.NotContains(t, p.Name, "calibration", name)
		}
		u := 0.0
		for _, p := range is[name].Parts {
			if p.Name == of {
				assert.Equal(t, analyze.Gaussian, p.Shape)
				u = p.U
			}
		}
		before, after := was[name].Figure, is[name].Figure
		assert.Equal(t, before.Value, after.Value, name)
		var sum float64
		for _, p := range is[name].Parts {
			sum += p.U * p.U
		}
		assert.InDelta(t, math.Sqrt(sum), after.U, 1e-9, name)
		assert.Greater(t, after.U, before.U, name)
		return u
	}
	at := func(kPa float64) float64 { return math.Hypot(0.5, 0.01*kPa) }
	assert.InDelta(t, at(plain.HoldVacuumKPa.Value), part("hold vacuum", "calibration"), 1e-9)
	assert.InDelta(t, at(plain.LowestVacuumKPa.Value), part("lowest vacuum", "calibration"), 1e-9)
	// At the required 30 kPa the rise to 60 kPa has a slope of (60 − 30)/0.1 s.
	assert.InEpsilon(t, at(30)/300, part("seal time", "calibration over slope"), 0.05)
	assert.InEpsilon(t, 0.01*math.Abs(plain.LeakDownKPaS.Value), part("leak-down", "calibration"), 1e-9)
	assert.InDelta(t, at(8), part("leak flow", "calibration of the flow"), 1e-3)
	// 0.5 W and 1 % of 200 W, for as long as the energy's phases last: 200 W × length = energy.
	energy := is["energy"]
	require.NotEmpty(t, energy.Parts)
	var of2 float64
	for _, p := range energy.Parts {
		if p.Name == "calibration of power" {
			of2 += p.U
		}
	}
	assert.InEpsilon(t, at(200)/200*plain.EnergyJ.Value, of2, 0.02)
	assert.Greater(t, calibrated.EnergyJ.U, plain.EnergyJ.U)
}
