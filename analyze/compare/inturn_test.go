package compare

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
)

func reading(startS, holdKPa float64) pick.Pick {
	nan := math.NaN()
	return pick.Pick{StartS: startS, ContactS: nan, SealedAtS: nan, EndS: nan, HoldVacuumKPa: analyze.Figure{Value: holdKPa}}
}

// Pairs by hand: A at 0, 2, 3, 9 s, B at 1, 4, 5 s, of which that at 5 s has no hold.
func TestTurns(t *testing.T) {
	a := []pick.Pick{reading(0, 60), reading(2, 61), reading(3, 62), reading(9, 63)}
	b := []pick.Pick{reading(1, 50), reading(4, 50), reading(5, math.NaN())}
	m := MeasureOf("hold_vacuum_kPa")
	x := TakeTurns(a, b, m, 0.95)
	require.Len(t, x.Readings, 4)
	assert.Equal(t, Reading{&a[0], &b[0]}, x.Readings[0])
	assert.Equal(t, Reading{A: &a[1]}, x.Readings[1], "another of its own station follows")
	assert.Equal(t, Reading{&a[2], &b[1]}, x.Readings[2])
	assert.Equal(t, Reading{A: &a[3]}, x.Readings[3])
	assert.Equal(t, 2, x.Pairs)
	assert.InDelta(t, 100*(math.Sqrt(1.2*1.24)-1), x.Percent.Value, 1e-9, "geometric mean of 60/50 and 62/50")
	assert.InDelta(t, 100*(1/math.Sqrt(1.2*1.24)-1), x.Reverse.Value, 1e-9)
	assert.Equal(t, 1, x.Lead)
	i := stats.AnytimeMean([]float64{math.Log(1.2), math.Log(1.24)}, 0.95)
	assert.InDelta(t, 100*math.Expm1(i.Lo), x.Percent.Lo, 1e-9)

	back := TakeTurns(b, a, m, 0.95)
	assert.InDelta(t, x.Reverse.Value, back.Percent.Value, 1e-9)
	assert.Equal(t, -1, back.Lead)
	assert.False(t, TakeTurns(a[:1], b[:1], m, 0.95).Shown, "one pair shows nothing")
	assert.Zero(t, TakeTurns(a, nil, m, 0.95).Pairs)
	odd := TakeTurns([]pick.Pick{reading(0, -1)}, b[:1], m, 0.95)
	assert.False(t, odd.Percent.OK())
	assert.Equal(t, NotPositive, odd.Warnings[0].Code)
}

// Looked at after every pair, two equal stations are called different in at most 5 % of
// trials (400 trials: 5 % plus three standard errors is 8.3 %), and a difference of 10 %
// with a spread of 3 % is found in few pairs.
func TestTurnsMayBeLookedAtAsOftenAsOneLikes(t *testing.T) {
	m := MeasureOf("hold_vacuum_kPa")
	run := func(ratio float64, r *rand.Rand) (shown bool, pairs int) {
		var a, b []pick.Pick
		for n := range 40 {
			bag := 60 * math.Exp(0.1*r.NormFloat64()) // both feel the bag
			a = append(a, reading(float64(2*n), bag*ratio*math.Exp(0.02*r.NormFloat64())))
			b = append(b, reading(float64(2*n+1), bag*math.Exp(0.02*r.NormFloat64())))
			if x := TakeTurns(a, b, m, 0.95); x.Shown {
				return true, x.Pairs
			}
		}
		return false, 40
	}
	wrong, found, worst := 0, 0, 0
	for seed := range uint64(400) {
		if ok, _ := run(1, rand.New(rand.NewPCG(seed, 1))); ok {
			wrong++
		}
		if ok, n := run(1.1, rand.New(rand.NewPCG(seed, 2))); ok {
			found++
			worst = max(worst, n)
		}
	}
	assert.LessOrEqual(t, wrong, 33, "of 400 trials without a difference")
	assert.GreaterOrEqual(t, found, 398)
	assert.LessOrEqual(t, worst, 25, "pairs until it is shown")
}
