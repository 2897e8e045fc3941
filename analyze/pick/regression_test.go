package pick

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

// base is a pick that seals after τ·ln 2 = 34.66 ms and is released at 2 s.
func base() bench {
	return bench{intervalS: 0.005, stepKPa: 0.001, vacuum: shape(piece{0.5003, 60, 0.05}, piece{2.0003, 0, 0.02}),
		switches: map[sample.Kind]func(float64) bool{sample.Supply: between(0.5003, 2.0003), sample.Release: between(2.0003, 2.3)}}
}

func TestSpikesChangeNothing(t *testing.T) {
	set := Settings{Station: "A", RequiredKPa: require30}
	b := base()
	want, _, _ := b.picks(set, 0, 3)
	require.Len(t, want, 1)
	for _, at := range []float64{0.3, 0.51, 0.525, 0.53, 0.535, 0.54, 0.59, 1, 1.95, 2.02} {
		for _, by := range []float64{-80, -20, 20, 80} {
			b := base()
			plain := b.vacuum
			b.vacuum = func(x float64) float64 {
				if math.Abs(x-at) < 0.001 {
					return plain(x) + by
				}
				return plain(x)
			}
			p, e, _ := b.picks(set, 0, 3)
			require.Len(t, p, 1, "%g kPa at %g s", by, at)
			assert.Empty(t, e)
			assert.Equal(t, Released, p[0].Outcome)
			f := p[0].SealTimeS
			assert.LessOrEqual(t, f.Lo, 0.05*math.Ln2, "%g kPa at %g s: %+v", by, at, f)
			assert.GreaterOrEqual(t, f.Hi, 0.05*math.Ln2, "%g kPa at %g s: %+v", by, at, f)
			assert.InDelta(t, want[0].HoldVacuumKPa.Value, p[0].HoldVacuumKPa.Value, 0.005, "%g kPa at %g s", by, at)
			assert.InDelta(t, want[0].LowestVacuumKPa.Value, p[0].LowestVacuumKPa.Value, 3, "%g kPa at %g s", by, at)
		}
	}
}

// The median of a wide range is that of its samples, whatever came first.
func TestTallyWidens(t *testing.T) {
	for _, first := range []float64{0, 2000, -5000, 1e6} {
		var h tally
		h.reset(0.002)
		h.add(first)
		var all []float64
		all = append(all, first)
		for i := range 4000 {
			v := 20 + 2000*math.Exp(-float64(i)/80)
			h.add(v)
			all = append(all, v)
		}
		assert.InDelta(t, medianOf(all), h.median(), h.width, "first %g", first)
		assert.LessOrEqual(t, len(h.bin), tallyBins)
	}
}

func TestNothingAcrossGaps(t *testing.T) {
	set := Settings{Station: "A", RequiredKPa: require30}
	t.Run("supply edge in a gap", func(t *testing.T) {
		b := base()
		b.skip = between(0.3, 0.9)
		p, _, _ := b.picks(set, 0, 3)
		require.Len(t, p, 1)
		assert.True(t, math.IsNaN(p[0].StartS))
		assert.True(t, math.IsNaN(p[0].SealedAtS))
		assert.Equal(t, Released, p[0].Outcome)
	})
	t.Run("release in a gap", func(t *testing.T) {
		b := base()
		b.skip = between(1.7, 2.2)
		p, _, _ := b.picks(set, 0, 3)
		require.Len(t, p, 1)
		assert.Equal(t, Released, p[0].Outcome)
		assert.True(t, math.IsNaN(p[0].ReleaseS))
		assert.False(t, p[0].HoldVacuumKPa.OK(), "over a tenth of it is a gap")
		assert.False(t, p[0].ReleaseTimeS.OK())
	})
	t.Run("lost in a gap", func(t *testing.T) {
		b := base()
		plain := b.vacuum
		b.vacuum = func(x float64) float64 {
			if x > 1.2 && x < 2 {
				return 5
			}
			return plain(x)
		}
		b.skip = between(1, 1.4)
		p, e, _ := b.picks(set, 0, 3)
		require.Len(t, p, 1)
		assert.Equal(t, Dropped, p[0].Outcome)
		assert.True(t, math.IsNaN(p[0].DropS))
		assert.True(t, math.IsNaN(p[0].BelowRequiredS))
		for _, x := range e {
			assert.True(t, x.Kind == GapSeen || x.Kind == Drop && math.IsNaN(x.TS), "%+v", x)
		}
	})
	t.Run("nobody saw whether it sealed", func(t *testing.T) {
		b := base()
		var g []sample.Batch
		b.run(0, 3, func(x sample.Batch) {
			for i := range x.T {
				if s := seconds(x.T[i]); s > 0.4 && s < 2.6 {
					x.Counts[0][i] = sample.Missing
				}
			}
			g = append(g, x)
		})
		k, err := New(set, b.groups())
		require.NoError(t, err)
		for _, x := range g {
			k.Push(x)
		}
		k.Finish()
		p, _, _ := k.Take()
		require.Len(t, p, 1)
		assert.Equal(t, Open, p[0].Outcome, "not unsealed")
	})
}

// A pick that sealed too late is unsealed, whatever becomes of it then.
func TestLateSealNeverDrops(t *testing.T) {
	b := base()
	b.vacuum = shape(piece{0.5, 60, 0.3}, piece{1.5, 0, 0.01})
	p, e, _ := b.picks(Settings{Station: "A", RequiredKPa: require30, SealLimitS: 0.1}, 0, 3)
	require.Len(t, p, 1)
	assert.Equal(t, Unsealed, p[0].Outcome)
	assert.True(t, math.IsNaN(p[0].DropS))
	assert.Empty(t, e)
}

// An event in an arrival burst may be earlier by up to the pause before it.
func TestArrivalBurst(t *testing.T) {
	// Samples every 26 ms, a stall of 0.13 s, then five at once.
	var at, seen []float64
	for i := range 100 {
		x := 0.026 * float64(i)
		at = append(at, x)
		s := x
		if x > 0.57 && x < 0.70 {
			s = 0.69 + 0.001*float64(i-22)
		}
		seen = append(seen, s)
	}
	b := base()
	b.intervalS = 0.026
	k, err := New(Settings{Station: "A", RequiredKPa: require30}, b.groups())
	require.NoError(t, err)
	start := 0.5884
	for i := range at {
		v, on := 0.0, int64(0)
		if at[i] >= start {
			v, on = 60*(1-math.Exp(-(at[i]-start)/0.05)), 1
		}
		k.Push(sample.Batch{T: []int64{int64(seen[i] * 1e9)}, Half: []int64{0},
			Counts: [][]int64{{int64(math.Round(v / b.stepKPa))}, {on}, {0}}})
	}
	k.Finish()
	p, _, _ := k.Take()
	require.Len(t, p, 1)
	f := p[0].SealTimeS
	assert.LessOrEqual(t, f.Lo, 0.05*math.Ln2, "%+v", f)
	assert.GreaterOrEqual(t, f.Hi, 0.05*math.Ln2, "%+v", f)
}

// At a rate far too slow for it, the response delay is not negative, and says so.
func TestSlowResponse(t *testing.T) {
	for _, phase := range []float64{0.01, 0.03, 0.05, 0.07, 0.09} {
		b := bench{intervalS: 0.1, stepKPa: 0.001, vacuum: shape(piece{1 + phase, 60, 0.02}, piece{3, 0, 0.02}),
			switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1+phase, 3)}}
		p, _, _ := b.picks(Settings{Station: "A", RequiredKPa: require30}, 0, 5)
		require.Len(t, p, 1)
		f := p[0].ResponseDelayS
		require.True(t, f.OK(), "phase %g", phase)
		assert.Zero(t, f.Lo)
		assert.GreaterOrEqual(t, f.Value, 0.0)
		assert.True(t, f.Has("below sampling"))
	}
}

// However the release lies between slow samples, the fall that it makes is no drop and no sag.
func TestSlowRelease(t *testing.T) {
	for i := range 20 {
		phase := 0.005 * float64(i)
		for _, top := range []float64{32, 60} {
			b := bench{intervalS: 0.1, stepKPa: 0.001, vacuum: shape(piece{1 + phase, top, 0.05}, piece{3 + phase, 0, 0.01}),
				switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1+phase, 3+phase)}}
			p, e, _ := b.picks(Settings{Station: "A", RequiredKPa: require30}, 0, 5)
			require.Len(t, p, 1)
			assert.Equal(t, Released, p[0].Outcome, "phase %g, from %g kPa", phase, top)
			assert.Empty(t, e, "phase %g, from %g kPa", phase, top)
		}
	}
}

// A release pulse that falls between samples is no drop: the vacuum goes as the supply shuts.
func TestReleaseUnseen(t *testing.T) {
	b := base()
	b.switches[sample.Release] = func(float64) bool { return false }
	p, e, _ := b.picks(Settings{Station: "A", RequiredKPa: require30}, 0, 3)
	require.Len(t, p, 1)
	assert.Equal(t, Ended, p[0].Outcome)
	assert.Empty(t, e)
	// Lost well after the supply shut, before any release, it is one.
	b.switches[sample.Supply] = between(0.5003, 1)
	p, _, _ = b.picks(Settings{Station: "A", RequiredKPa: require30}, 0, 3)
	require.Len(t, p, 1)
	assert.Equal(t, Dropped, p[0].Outcome)
}
