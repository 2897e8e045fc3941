package pick

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

// saver is the vacuum of an engine that saves air: it falls from hi to lo kPa and rises again,
// straight or bent towards 85 kPa, from 1 s to end.
func saver(rise, fall, lo, hi, phase float64, bent bool, end float64) func(float64) float64 {
	v := func(x float64) float64 {
		y := math.Mod(x+phase, rise+fall)
		if y < fall {
			return hi - (hi-lo)*y/fall
		}
		y = (y - fall) / rise
		if bent {
			return 85 - (85-lo)*math.Exp(-math.Log((85-lo)/(85-hi))*y)
		}
		return lo + (hi-lo)*y
	}
	return func(x float64) float64 {
		switch {
		case x < 1:
			return 0
		case x < 1.2:
			return min(v(x), 300*(x-1))
		case x < end:
			return v(x)
		}
		return v(end) * math.Exp(-(x-end)/0.02)
	}
}

// However samples come, with gaps and lost ones, whatever their number in a batch, and by either path:
// the same recording gives the same picks.
func TestSaversInBatches(t *testing.T) {
	seeds := uint64(40)
	if nightly {
		seeds = 1000
	}
	for seed := range seeds {
		rng := rand.New(rand.NewPCG(seed, 99))
		rates := []float64{2, 10, 20, 50, 100, 333, 1000}
		rate := rates[rng.IntN(len(rates))]
		end := 15 + 20*rng.Float64()
		rise, fall := 0.05+2.2*rng.Float64()*rng.Float64(), 0.3+3*rng.Float64()
		noise := []float64{0, 0.05, 0.3, 1}[rng.IntN(4)]
		gap0, gapL := 2+25*rng.Float64(), []float64{0, 0.3, 1, 6}[rng.IntN(4)]
		gap1, gapL1 := 2+25*rng.Float64(), []float64{0, 0.3, 1, 6}[rng.IntN(4)]
		drop := rng.IntN(2) == 0
		irregular := rng.IntN(2) == 0
		h := rng.Uint64()
		f := saver(rise, fall, 50, 60, rng.Float64()*5, rng.IntN(2) == 0, end)
		b := bench{intervalS: 1 / rate, stepKPa: []float64{0.001, 0.01, 0.5}[rng.IntN(3)], noiseKPa: noise, seed: seed,
			vacuum:   f,
			switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, end)},
			follow:   map[sample.Kind]func(float64) float64{sample.Power: func(x float64) float64 { return 40 + 10*math.Sin(x) }, sample.Flow: func(x float64) float64 { return 10 + math.Sin(x) }},
			skip: func(x float64) bool {
				if irregular && uint64(math.Float64bits(x)*2654435761^h)%5 == 0 {
					return true
				}
				return x > gap0 && x < gap0+gapL || x > gap1 && x < gap1+gapL1
			}}
		set := Settings{Station: "A", RequiredKPa: require30, VolumeL: 0.4}
		if rng.IntN(3) == 0 {
			set.SupplyOffHolds = true
			b.switches = map[sample.Kind]func(float64) bool{
				sample.Supply:  func(x float64) bool { return x >= 1 && x < end && !(x >= 1.2 && math.Mod(x-1.2, 3) < 2.5) },
				sample.Release: between(end, end+0.3)}
			b.vacuum = func(x float64) float64 {
				switch {
				case x < 1:
					return 0
				case x < 1.2:
					return 300 * (x - 1)
				case x < end:
					return sawtooth(x - 1.2)
				}
				return sawtooth(end-1.2) * math.Exp(-(x-end)/0.02)
			}
		}
		if drop {
			g := b.vacuum
			at := end * 0.7
			b.vacuum = func(x float64) float64 {
				if x > at {
					return g(x) * math.Exp(-(x-at)/0.03)
				}
				return g(x)
			}
		}
		b.batch = 1
		want, wantE, _ := b.picks(set, 0, end+5)
		for _, careful := range []bool{false, true} {
			for _, size := range []int{1, 7, 33, 800, 100000} {
				b.batch = size
				k, err := New(set, b.groups())
				require.NoError(t, err)
				k.careful = careful
				b.run(0, end+5, k.Push)
				k.Finish()
				got, gotE, _ := k.Take()
				requireSame(t, want, got, "seed %d, batches of %d, careful %v", seed, size, careful)
				requireSame(t, wantE, gotE, "seed %d, batches of %d, careful %v", seed, size, careful)
			}
		}
	}
}

// savesLike asserts what an engine that falls by 10 kPa in fall seconds, and rises again in rise, is to show.
func savesLike(t *testing.T, p Pick, rise, fall float64, what string, args ...any) {
	t.Helper()
	what = fmt.Sprintf(what, args...)
	period := rise + fall
	assert.InDelta(t, 60/period, p.ReEvacuationsPerMin.Value, 4*p.ReEvacuationsPerMin.U, what)
	assert.InDelta(t, rise/period, p.DutyShare.Value, 4*p.DutyShare.U, what)
	assert.InDelta(t, 50, p.HoldVacuumKPa.Value, 4*p.HoldVacuumKPa.U, what)
	assert.True(t, p.HoldVacuumKPa.Has("lower turning level"), what)
}

// A gap that hides a cycle adds no long one.
func TestSaverInGaps(t *testing.T) {
	for _, rate := range []float64{50, 100} {
		for _, gap := range []float64{0, 2, 2.95, 3.05, 4} {
			b := bench{intervalS: 1 / rate, stepKPa: 0.01, noiseKPa: 0.05, seed: 3, vacuum: saver(0.25, 2.75, 50, 60, 0.3, false, 43),
				switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 43)},
				skip:     func(x float64) bool { return gap > 0 && x > 20 && x < 20+gap }}
			p, _, _ := b.picks(Settings{Station: "A", RequiredKPa: require30}, 0, 46)
			require.Len(t, p, 1)
			savesLike(t, p[0], 0.25, 2.75, "%g Hz, gap %g s", rate, gap)
			assert.InDelta(t, -10/2.75, p[0].LeakDownKPaS.Value, 4*p[0].LeakDownKPaS.U)
			assert.Equal(t, gap > 0, p[0].HoldVacuumKPa.Has("touched by a gap"))
		}
	}
	b := bench{intervalS: 0.01, stepKPa: 0.01, noiseKPa: 0.05, seed: 5, vacuum: saver(0.25, 2.75, 50, 60, 0.3, false, 43),
		switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 43)}, skip: between(15, 30)}
	p, _, _ := b.picks(Settings{Station: "A", RequiredKPa: require30}, 0, 46)
	assert.False(t, p[0].HoldVacuumKPa.OK(), "a third of it was not seen")
}

// Where a swing is hardly more than what makes a turn sure, turns are missed: nothing is told, or the truth.
func TestSaverOfSmallSwings(t *testing.T) {
	for _, c := range []struct{ noise, swing float64 }{{0.05, 1.1}, {0.1, 1.5}, {0.2, 2}, {0.2, 2.4}, {0.3, 2.6}, {0.3, 3}, {0.3, 4}} {
		told := 0
		for seed := range uint64(40) {
			b := bench{intervalS: 0.02, stepKPa: 0.01, noiseKPa: c.noise, seed: seed, vacuum: saver(0.25, 2, 50, 50+c.swing, 0.3, false, 43),
				switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 43)}}
			p, _, _ := b.picks(Settings{Station: "A", RequiredKPa: require30}, 0, 46)
			require.Len(t, p, 1)
			if f := p[0].ReEvacuationsPerMin; f.OK() {
				told++
				assert.InDelta(t, 60/2.25, f.Value, 5*f.U, "%+v, seed %d", c, seed)
			}
		}
		if c.swing == 4 {
			assert.Greater(t, told, 30)
		}
	}
}

// A sensor with a lag rounds turns: duty is told where rises are long beside it, and the turning level
// lies in its interval.
func TestSaverBehindLag(t *testing.T) {
	for _, lag := range []float64{0.005, 0.02, 0.05, 0.1} {
		for _, rise := range []float64{0.1, 0.25, 0.5, 1} {
			v := saver(rise, 3, 50, 60, 0.3, false, 33)
			const d = 0.0005
			y := make([]float64, int(36/d)+2)
			for i := 1; i < len(y); i++ {
				a := math.Exp(-d / lag)
				y[i] = y[i-1]*a + v(float64(i)*d-d/2)*(1-a)
			}
			b := bench{intervalS: 0.01, stepKPa: 0.01, noiseKPa: 0.05, seed: 3, vacuum: func(x float64) float64 { return y[int(math.Round(x/d))] },
				switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 33)}}
			g := b.groups()
			g[0].Channels[0].LagS = lag
			k, err := New(Settings{Station: "A", RequiredKPa: require30}, g)
			require.NoError(t, err)
			b.run(0, 35, k.Push)
			k.Finish()
			p, _, _ := k.Take()
			require.Len(t, p, 1)
			what := fmt.Sprintf("lag %g s, rise %g s", lag, rise)
			if f := p[0].DutyShare; f.OK() {
				assert.InDelta(t, rise/(rise+3), f.Value, 4*f.U, what)
			}
			if lag > 0.075*rise || lag < 0.05 { // between them the fall that is left of half a second may not do
				assert.Equal(t, lag < 0.065*rise, p[0].DutyShare.OK(), what)
			}
			assert.True(t, p[0].HoldVacuumKPa.Has("lower turning level"), what)
			assert.InDelta(t, 50, p[0].HoldVacuumKPa.Value, 4*p[0].HoldVacuumKPa.U, what)
		}
	}
}

// A saver whose supply is shut and opened, with any number of samples in a time on; the last is cut
// short by the release and counts for nothing.
func TestSaverByItsSupply(t *testing.T) {
	for _, rate := range []float64{50, 100} {
		for _, rise := range []float64{0.13, 0.24, 0.33, 0.5} {
			period := 2.5 + rise
			saw := func(x float64) float64 {
				y := math.Mod(x, period)
				if y < 2.5 {
					return 60 - 4*y
				}
				return 50 + 10*(y-2.5)/rise
			}
			const end = 31.2
			b := bench{intervalS: 1 / rate, stepKPa: 0.01, noiseKPa: 0.05, seed: 4, vacuum: func(x float64) float64 {
				switch {
				case x < 1:
					return 0
				case x < 1.2:
					return 300 * (x - 1)
				case x < end:
					return saw(x - 1.2)
				}
				return saw(end-1.2) * math.Exp(-(x-end)/0.02)
			}, switches: map[sample.Kind]func(float64) bool{
				sample.Supply:  func(x float64) bool { return x >= 1 && x < end && !(x >= 1.2 && math.Mod(x-1.2, period) < 2.5) },
				sample.Release: between(end, end+.3)}}
			p, _, _ := b.picks(Settings{Station: "A", RequiredKPa: require30, SupplyOffHolds: true, VolumeL: 0.4}, 0, end+2)
			require.Len(t, p, 1)
			savesLike(t, p[0], rise, 2.5, "%g Hz, rise %g s", rate, rise)
		}
	}
}

// The energy of a pick holds the truth where the engine draws 1 kW as it evacuates and 20 W afterwards,
// and where power and supply are read at other times and rates than each other.
func TestEnergyOfStepsBetweenSamples(t *testing.T) {
	for _, c := range []struct {
		powerS, supplyS, high, low, highS float64
		same                              bool
	}{
		{0.02, 0.02, 100, 100, 0.5, false}, {0.1, 0.1, 100, 100, 0.5, false}, {0.02, 0.02, 100, 100, 0.5, true}, {0.02, 0.02, 1000, 20, 0.5, true}, {0.1, 0.1, 1000, 20, 0.6, true}, {0.05, 0.02, 100, 100, 0.5, false}, {0.02, 0.05, 100, 100, 0.5, false},

		{0.02, 0.02, 1000, 20, 0.5, false}, {0.1, 0.1, 1000, 20, 0.6, false}, {0.1, 0.01, 1000, 20, 0.6, false}, {0.1, 0.01, 100, 100, 0.6, false}, {0.01, 0.1, 100, 100, 0.6, false}, {0.01, 0.1, 1000, 20, 0.6, false},
	} {
		rng := rand.New(rand.NewPCG(8, 1))
		held, n := 0, 200
		var e sums
		for range n {
			start := 1 + 0.3*rng.Float64()
			end := start + 6
			highS := c.highS * (1 + 0.2*rng.Float64())
			power := func(x float64) float64 {
				switch {
				case x < start || x >= end:
					return 0
				case x < start+highS:
					return c.high
				}
				return c.low
			}
			vac := shape(piece{start, 60, 0.05}, piece{end, 0, 0.01})
			groups := []sample.Group{
				{Name: "v", Channels: []sample.Channel{{Name: "vacuum", Kind: sample.Vacuum, Scale: 0.01, Resolution: 0.01, Accuracy: nan, IntervalS: 0.01, UpdateS: nan, LagS: nan}}},
				{Name: "s", Channels: []sample.Channel{{Name: "supply", Kind: sample.Supply, Scale: 1, OnAbove: 0.5, IntervalS: c.supplyS, UpdateS: nan, LagS: nan}}},
				{Name: "p", Channels: []sample.Channel{{Name: "power", Kind: sample.Power, Scale: 0.01, Resolution: 0.01, Accuracy: nan, IntervalS: c.powerS, UpdateS: nan, LagS: nan}}}}
			k, err := New(Settings{Station: "A", RequiredKPa: require30}, groups)
			require.NoError(t, err)
			every := []float64{0.01, c.supplyS, c.powerS}
			next := [3]float64{0, 0.003 * rng.Float64(), c.powerS * rng.Float64()}
			if c.same {
				next[2] = next[1]
			}
			for {
				g := 0
				for i := range next {
					if next[i] < next[g] {
						g = i
					}
				}
				x := next[g]
				if x > end+3 {
					break
				}
				next[g] += every[g]
				var count int64
				switch g {
				case 0:
					count = int64(math.Round(vac(x) / 0.01))
				case 1:
					if x >= start && x < end {
						count = 1
					}
				default:
					count = int64(math.Round(power(x) / 0.01))
				}
				k.Push(sample.Batch{Group: g, T: []int64{int64(math.Round(x * 1e9))}, Half: []int64{0}, Counts: [][]int64{{count}}})
			}
			k.Finish()
			p, _, _ := k.Take()
			require.Len(t, p, 1)
			require.True(t, p[0].EnergyJ.OK(), "%+v", p[0].EnergyJ)
			want := c.high*highS + c.low*(6-highS)
			if p[0].EnergyJ.Lo <= want && want <= p[0].EnergyJ.Hi {
				held++
			}
			e.add((p[0].EnergyJ.Value - want) / p[0].EnergyJ.U)
		}
		assert.GreaterOrEqual(t, held, n*91/100, "%+v", c)
		assert.Less(t, math.Sqrt(e.sum2/e.n), 1.2, "%+v", c)
	}
}

// A vacuum that swings about its hold has settled when it stays.
func TestSettlingOfASwing(t *testing.T) {
	const tau = 0.2
	for _, f := range []float64{0, 0.5, 4} {
		at := func(y float64) float64 { return 60 * math.Exp(-y/tau) * math.Cos(2*math.Pi*f*y) }
		b := bench{intervalS: 0.01, stepKPa: 0.01, noiseKPa: 0.02, seed: 1, vacuum: func(x float64) float64 {
			if x < 1 || x >= 4 {
				return 0
			}
			return 60 - at(x-1)
		}, switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 4)}}
		p, _, _ := b.picks(Settings{Station: "A", RequiredKPa: require30}, 0, 6)
		require.Len(t, p, 1)
		last := 0.0
		for y := 0.0; y < 3; y += 0.0005 {
			if math.Abs(at(y)) > 0.5 {
				last = y
			}
		}
		assert.InDelta(t, last+1-p[0].SealedAtS, p[0].SettlingTimeS.Value, 2*p[0].SettlingTimeS.U, "%g Hz", f)
	}
}
