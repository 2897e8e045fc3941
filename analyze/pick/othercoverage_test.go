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

// What TestCoverage does for seal times and levels, for the other figures: the truth is a closed
// form of an exponential rise to 60 kPa, an exponential fall, and draws that step with the supply
// while the flow of the evacuation dies away.
func TestOtherFiguresCoverage(t *testing.T) {
	picks := 250
	if nightly {
		picks = 4000
	}
	t.Logf("%-24s %11s %6s %6s %11s %s", "rate, noise, rise", "covered", "mean", "rms", "mean u", "not resolved")
	for _, rate := range []float64{30, 100, 300, 1000} {
		for _, sigma := range []float64{0, 0.1, 0.5} {
			for _, tau := range []float64{0.04, 0.08, 0.2} {
				t.Run(fmt.Sprintf("%g Hz, %g kPa, %g s", rate, sigma, tau), func(t *testing.T) {
					t.Parallel()
					otherFigures(t, picks, rate, sigma, tau)
				})
			}
		}
	}
}

// otherFigures judges picks whose vacuum is sampled at rate (Hz) with noise sigma (kPa) and rises
// with time constant tau (s).
func otherFigures(t *testing.T, picks int, rate, sigma, tau float64) {
	const delay, fall, leak, flowNoise, drawn, idle = 0.03, 0.04, 5, 0.3, 50, 10
	rng := rand.New(rand.NewPCG(3, uint64(rate*1000+sigma*10+tau)))
	longest := 0.8 + 12*tau
	period := longest + 1.2
	starts, ons, told := make([]float64, picks), make([]float64, picks), make([]float64, picks) // s; told: from sealed to part present
	for i := range starts {
		ons[i] = longest - 0.2*rng.Float64()
		starts[i] = float64(i)*period + 0.5 + 0.1*rng.Float64()
		told[i] = 0.02 + 0.02*rng.Float64()
	}
	local := func(x float64) (i int, after, on float64) {
		i = min(max(int((x-0.5)/period), 0), picks-1)
		return i, x - starts[i], ons[i]
	}
	noisy := func(x, s float64) float64 { // the same at the same time
		return s * rand.New(rand.NewPCG(uint64(math.Round(x*1e6)), uint64(s*10))).NormFloat64()
	}
	rise := func(after float64) float64 { return 60 * (1 - math.Exp(-(after-delay)/tau)) }
	when := func(kPa float64) float64 { return delay - tau*math.Log(1-kPa/60) }
	sealed := when(30)
	b := bench{intervalS: 1 / rate, stepKPa: 0.01, noiseKPa: sigma, seed: 5, vacuum: func(x float64) float64 {
		switch _, after, on := local(x); {
		case after < delay:
			return 0
		case after < on:
			return rise(after)
		default:
			return rise(on) * math.Exp(-(after-on)/fall)
		}
	}, switches: map[sample.Kind]func(float64) bool{
		sample.Supply:      func(x float64) bool { _, after, on := local(x); return after >= 0 && after < on },
		sample.Release:     func(x float64) bool { _, after, on := local(x); return after >= on && after < on+0.2 },
		sample.PartPresent: func(x float64) bool { i, after, on := local(x); return after >= sealed+told[i] && after < on },
	}, follow: map[sample.Kind]func(float64) float64{
		sample.Power: func(x float64) float64 {
			if _, after, on := local(x); after >= 0 && after < on {
				return drawn + noisy(x, 1)
			}
			return idle + noisy(x, 1)
		},
		sample.Flow: func(x float64) float64 {
			if _, after, on := local(x); after >= 0 && after < on {
				return leak + 60*math.Exp(-max(0, after-delay)/tau) + noisy(x, flowNoise)
			}
			return noisy(x, flowNoise)
		},
	}}
	k, err := New(Settings{Station: "A", RequiredKPa: require30}, b.groups())
	require.NoError(t, err)
	cells := map[string]*cell{}
	k.inspect = func(p *cycle) {
		if p.N > picks {
			return
		}
		on := ons[p.N-1]
		back := fall * math.Log(rise(on)/p.band)
		middle := (sealed + holdStartS + on) / 2
		for _, x := range []struct {
			name  string
			of    analyze.Figure
			truth float64
		}{
			{"response delay", p.ResponseDelayS, when(p.band)},
			{"part present", p.PartPresentDelayS, told[p.N-1]},
			{"settling", p.SettlingTimeS, when(rise(middle)-max(0.5, 4*sigma)) - sealed},
			{"release", p.ReleaseTimeS, back},
			{"leak flow", p.LeakFlowLminANR, leak + 60*math.Exp(-(middle-delay)/tau)},
			{"energy", p.EnergyJ, drawn*on + idle*back},
			{"evacuate", p.EvacuateJ, drawn * sealed},
			{"hold", p.HoldJ, drawn * (on - sealed)},
			{"release energy", p.ReleaseJ, idle * back},
		} {
			c := cells[x.name]
			if c == nil {
				c = &cell{}
				cells[x.name] = c
			}
			if x.of.OK() {
				c.add(x.of.Value, x.of.U, x.of.Lo, x.of.Hi, x.truth)
			} else {
				c.unresolved++
			}
		}
	}
	b.run(0, float64(picks)*period, k.Push)
	k.Finish()
	require.Len(t, cells, 9)
	for name, c := range cells {
		t.Logf("%4g Hz, %3g kPa, %4g s  %-14s %v", rate, sigma, tau, name, c)
		n := float64(c.n)
		assert.Equal(t, picks, c.n+c.unresolved)
		if n > 50 {
			assert.GreaterOrEqual(t, c.share(), 0.92-2.5*math.Sqrt(0.95*0.05/n), name)
		}
	}
}
