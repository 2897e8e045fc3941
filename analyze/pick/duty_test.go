package pick

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// Duty, re-evacuations, turning level and leak-down of an engine that saves air lie in their
// intervals: whatever the samples and the turns have to do with each other, in noise, with
// straight rises and with such that come to rest at 85 kPa.
func TestDutyCoverage(t *testing.T) {
	picks := 30
	if nightly {
		picks = 600
	}
	for _, rate := range []float64{50, 100, 1000} {
		for _, noise := range []float64{0, 0.05, 0.3} {
			for _, rise := range []float64{0.1, 0.25, 0.5} {
				for _, bent := range []bool{false, true} {
					t.Run(fmt.Sprintf("%g Hz, noise %g kPa, rise %g s, bent %v", rate, noise, rise, bent), func(t *testing.T) {
						t.Parallel()
						dutyCell(t, rate, noise, rise, bent, picks)
					})
				}
			}
		}
	}
}

func dutyCell(t *testing.T, rate, noise, rise float64, bent bool, picks int) {
	rng := rand.New(rand.NewPCG(7, uint64(rate*1000+noise*100+rise*10)))
	const end = 33
	held := map[string]int{}
	var errors sums
	for range picks {
		riseS, fallS := rise*(1+0.2*rng.Float64()), 2+2*rng.Float64()
		lo, hi := 50.0, 58+4*rng.Float64()
		phase := rng.Float64() * 5
		b := bench{intervalS: 1 / rate, stepKPa: 0.01, noiseKPa: noise, seed: rng.Uint64(), vacuum: saver(riseS, fallS, lo, hi, phase, bent, end),
			switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, end)}}
		p, _, _ := b.picks(Settings{Station: "A", RequiredKPa: require30}, 0, end+2)
		require.Len(t, p, 1)
		for _, x := range []struct {
			name string
			of   analyze.Figure
			want float64
		}{
			{"duty", p[0].DutyShare, riseS / (riseS + fallS)},
			{"re-evacuations", p[0].ReEvacuationsPerMin, 60 / (riseS + fallS)},
			{"turning level", p[0].HoldVacuumKPa, lo},
			{"leak-down", p[0].LeakDownKPaS, (lo - hi) / fallS},
		} {
			require.True(t, x.of.OK(), "%s: %+v", x.name, p[0])
			if x.of.Lo <= x.want && x.want <= x.of.Hi {
				held[x.name]++
			}
			if x.name == "duty" {
				errors.add((x.of.Value - x.want) / x.of.U)
			}
		}
	}
	n := float64(picks)
	for name, k := range held {
		assert.GreaterOrEqual(t, float64(k), n*0.92-2.5*math.Sqrt(n*0.95*0.05), "%s is held in %d of %d", name, k, picks)
	}
	assert.Len(t, held, 4)
	assert.LessOrEqual(t, math.Sqrt(errors.sum2/n), 1.15, "rms of error/u of duty")
	t.Logf("held in %% of %d: %v; duty's mean error/u %.2f, rms %.2f", picks, held, errors.mean(), math.Sqrt(errors.sum2/n))
}
