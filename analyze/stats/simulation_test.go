package stats

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
)

// trials is how often each simulated trial is repeated: 2,000 times, nightly 10,000.
func trials() int {
	if os.Getenv("GRIPTRIAL_NIGHTLY") != "" {
		return 10000
	}
	return 2000
}

// share repeats a trial, each with its own seed, and returns how often it held.
func share(n int, seed uint64, held func(r *rand.Rand) bool) float64 {
	hits := 0
	for i := range n {
		if held(rand.New(rand.NewPCG(seed, uint64(i)))) {
			hits++
		}
	}
	return float64(hits) / float64(n)
}

// within checks a simulated share against bounds on the true one, widened by three standard
// deviations of the simulation.
func within(t *testing.T, lo, hi, got float64, what string) {
	t.Helper()
	n := float64(trials())
	slack := func(p float64) float64 { return 3 * math.Sqrt(p*(1-p)/n) }
	assert.GreaterOrEqual(t, got, lo-slack(lo), "%s: share of %g simulated trials", what, n)
	if hi < 1 {
		assert.LessOrEqual(t, got, hi+slack(hi), "%s: share of %g simulated trials", what, n)
	}
}

func normals(r *rand.Rand, n int, sd float64) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = sd * r.NormFloat64()
	}
	return v
}

func TestCoverageNormal(t *testing.T) {
	for _, n := range []int{10, 30} {
		within(t, 0.94, 0.96, share(trials(), 1, func(r *rand.Rand) bool { return MeanInterval(normals(r, n, 1), 0.95).Contains(0) }), "mean")
		within(t, 0.94, 0.96, share(trials(), 2, func(r *rand.Rand) bool {
			return Welch(normals(r, n, 1), normals(r, 2*n, 3), 0.95).Contains(0)
		}), "Welch, spreads 1 and 3")
	}
}

// Lognormal times, compared on their own scale: a shift of identical shapes.
func TestCoverageHodgesLehmann(t *testing.T) {
	for _, sigma := range []float64{0.2, 0.5} {
		for _, n := range []int{20, 40} {
			draw := func(r *rand.Rand) []float64 {
				v := normals(r, n, sigma)
				for i := range v {
					v[i] = math.Exp(v[i])
				}
				return v
			}
			got := share(trials(), 3, func(r *rand.Rand) bool { return RankSum(draw(r), draw(r), 0.95).Contains(0) })
			within(t, 0.935, 0.97, got, "Hodges–Lehmann")
		}
	}
}

// Exact intervals hold at least what they say, ties or not.
func TestCoverageExactAndTied(t *testing.T) {
	for _, p := range []float64{0.005, 0.05, 0.3} {
		got := share(trials(), 4, func(r *rand.Rand) bool {
			x := 0.0
			for range 200 {
				if r.Float64() < p {
					x++
				}
			}
			return ClopperPearson(x, 200, 0.95).Contains(p)
		})
		within(t, 0.95, 1, got, "exact binomial")
	}
	got := share(trials(), 5, func(r *rand.Rand) bool {
		x, y := normals(r, 12, 1), normals(r, 9, 1)
		for i := range x {
			x[i] = math.Round(2*x[i]) / 2
		}
		for i := range y {
			y[i] = math.Round(2*y[i]) / 2
		}
		return RankSum(x, y, 0.95).Contains(0)
	})
	within(t, 0.95, 1, got, "tied Hodges–Lehmann")
}

func TestCoverageAR1(t *testing.T) {
	for _, rho := range []float64{0, 0.3, 0.6} {
		for _, n := range []int{100, 300} {
			ar := func(r *rand.Rand) []float64 {
				v := make([]float64, n)
				x := r.NormFloat64() / math.Sqrt(1-rho*rho)
				for i := range v {
					v[i] = x
					x = rho*x + r.NormFloat64()
				}
				return v
			}
			got := share(trials(), 6, func(r *rand.Rand) bool { return MeanIntervalAR1(ar(r), 0.95).Contains(0) })
			within(t, 0.92, 1, got, "mean of an AR(1)")
			if n > 100 {
				continue // quadratic
			}
			seen := share(trials()/4, 7, func(r *rand.Rand) bool {
				y := ar(r)
				at := make([]float64, n)
				for i := range at {
					at[i] = float64(i)
				}
				return TheilSenAR1(at, y, 0.95).P >= 0.05
			})
			assert.GreaterOrEqual(t, seen, 0.92-3*math.Sqrt(0.92*0.08/float64(trials()/4)), "no trend, ρ %g, n %d", rho, n)
		}
	}
}

// However often one looks, the anytime interval is wrong at most once in twenty trials.
func TestAnytimeEverWrong(t *testing.T) {
	const looks = 150
	wrong := share(trials(), 8, func(r *rand.Rand) bool {
		x := normals(r, looks, 2)
		for n := 2; n <= looks; n++ {
			if !AnytimeMean(x[:n], 0.95).Contains(0) {
				return true
			}
		}
		return false
	})
	assert.LessOrEqual(t, wrong, 0.05, "one sample")
	assert.Greater(t, wrong, 0.002, "a bound that is never used is no test")
	wrong = share(trials(), 9, func(r *rand.Rand) bool {
		x, y := normals(r, looks, 2), normals(r, looks, 2)
		for n := 2; n <= looks; n++ {
			if !AnytimeDifference(x[:n], y[:n], 0.95).Contains(0) {
				return true
			}
		}
		return false
	})
	assert.LessOrEqual(t, wrong, 0.05, "two samples")
	for _, p := range []float64{0.01, 0.2} {
		wrong = share(trials(), 15, func(r *rand.Rand) bool {
			x, next := 0.0, 1
			for n := 1; n <= 4*looks; n++ {
				if r.Float64() < p {
					x++
				}
				if n < next {
					continue
				}
				next = n + 1 + n/20 // looks ever further apart: an interval moves as slowly
				if !AnytimeRate(x, float64(n), 0.95).Contains(p) {
					return true
				}
			}
			return false
		})
		assert.LessOrEqual(t, wrong, 0.05, "a rate of %g", p)
		assert.Greater(t, wrong, 0.002, "a rate of %g", p)
	}
	// Peeking at a fixed-n interval is wrong far more often: what the interval is for.
	naive := share(trials(), 8, func(r *rand.Rand) bool {
		x := normals(r, looks, 2)
		for n := 2; n <= looks; n++ {
			if !MeanInterval(x[:n], 0.95).Contains(0) {
				return true
			}
		}
		return false
	})
	assert.Greater(t, naive, 0.2)
}

// A step is found where it is, and independent or correlated noise shows none too often.
func TestChangePoint(t *testing.T) {
	y := make([]float64, 60)
	r := rand.New(rand.NewPCG(10, 0))
	for i := range y {
		y[i] = r.NormFloat64() * 0.3
		if i >= 35 {
			y[i] += 2
		}
	}
	c := ChangePoint(y)
	assert.Equal(t, 35, c.At)
	assert.Less(t, c.P, 1e-4)
	assert.InDelta(t, 2, c.After-c.Before, 0.3)
	for _, rho := range []float64{0, 0.4} {
		seen := share(trials(), 11, func(r *rand.Rand) bool {
			y, x := make([]float64, 100), 0.0
			for i := range y {
				x = rho*x + r.NormFloat64()
				y[i] = x
			}
			return ChangePoint(y).P < 0.05
		})
		assert.LessOrEqual(t, seen, 0.05+3*math.Sqrt(0.05*0.95/float64(trials())), "ρ %g", rho)
	}
	assert.True(t, math.IsNaN(ChangePoint([]float64{1, 2}).P))
}

// With sides swapped, a side effect does not reach the difference of the treatments.
func TestCrossOver(t *testing.T) {
	c := CrossOver([]float64{3.1, 2.9, 3.0, 3.2}, []float64{1.0, 1.2, 0.9, 1.1}, 0.95)
	assert.InDelta(t, 2.05, c.Effect.Diff, 1e-12)
	assert.InDelta(t, 1, c.Side.Diff, 1e-12)
	got := share(trials(), 12, func(r *rand.Rand) bool {
		l, w := normals(r, 6, 1), normals(r, 6, 1)
		for i := range l {
			l[i] += 1.5 + 4
			w[i] += 1.5 - 4
		}
		c := CrossOver(l, w, 0.95)
		return c.Effect.Contains(1.5) && c.Effect.P < 2
	})
	within(t, 0.94, 0.96, got, "crossover")
}

func TestREMLUnbalanced(t *testing.T) {
	// Nested variances 2², 1², 0.5² are recovered on the mean over simulated trials: REML is
	// nearly unbiased; three standard errors of 100 trials of 12 pieces are about 0.45 of 4.
	var block, unit, within float64
	const n = 100
	for i := range n {
		r := rand.New(rand.NewPCG(13, uint64(i)))
		var units []Unit
		for b := range 12 {
			piece := 2 * r.NormFloat64()
			for range 1 + r.IntN(3) {
				run := r.NormFloat64()
				y := normals(r, 2+r.IntN(6), 0.5)
				for j := range y {
					y[j] += 1000 + piece + run + float64(b%2)
				}
				units = append(units, NewUnit(b, b%2, y))
			}
		}
		fit, ok := FitREML(units)
		if !assert.True(t, ok) {
			return
		}
		block += fit.Block * fit.Block / n
		if !math.IsNaN(fit.Unit) {
			unit += fit.Unit * fit.Unit / n
		}
		within += fit.Within * fit.Within / n
		assert.InDelta(t, 1, fit.Levels[1]-fit.Levels[0], 8)
	}
	assert.InDelta(t, 4, block, 0.8)
	assert.InDelta(t, 1, unit, 0.25)
	assert.InDelta(t, 0.25, within, 0.02)
}

func BenchmarkRankSum10000(b *testing.B) {
	r := rand.New(rand.NewPCG(14, 0))
	x, y := normals(r, 10000, 1), normals(r, 10000, 1)
	for b.Loop() {
		RankSum(x, y, 0.95)
	}
}

func BenchmarkToleranceFactor(b *testing.B) {
	for b.Loop() {
		ToleranceFactor(1000, 0.99, 0.99)
	}
}
