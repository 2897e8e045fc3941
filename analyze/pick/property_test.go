package pick

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

// line of many picks: supply for 0.6 s of each second, some lost, some unsealed.
func manyPicks(seed uint64, n int) (bench, float64) {
	rng := rand.New(rand.NewPCG(seed, 2))
	type one struct{ f func(float64) float64 }
	all := make([]one, n)
	for i := range all {
		tau := 0.02 + 0.05*rng.Float64()
		top := 55 + 10*rng.Float64()
		p := []piece{{0.2, top, tau}}
		switch rng.IntN(6) {
		case 0:
			p = append(p, piece{0.5, 5, 0.01})
		case 1:
			p = []piece{{0.2, 22, tau}}
		case 2:
			p = append(p, piece{0.45, 20, 0.01}, piece{0.55, 60, 0.02})
		}
		all[i].f = shape(append(p, piece{0.8, 0, 0.02})...)
	}
	at := func(t float64) (int, float64) {
		i := min(max(int(t), 0), n-1)
		return i, t - float64(i)
	}
	return bench{intervalS: 0.005, stepKPa: 0.0244, noiseKPa: 0.1, seed: seed,
		vacuum: func(t float64) float64 { i, x := at(t); return all[i].f(x) },
		switches: map[sample.Kind]func(float64) bool{
			sample.Supply: func(t float64) bool { _, x := at(t); return x >= 0.2 && x < 0.8 }},
		follow: map[sample.Kind]func(float64) float64{
			sample.Power: func(t float64) float64 { return 40 + 10*math.Sin(t) },
			sample.Flow:  func(t float64) float64 { return 12 }},
	}, float64(n)
}

// lines writes picks or events, a field a line, so that a difference shows as such.
func lines[T any](all []T) string {
	var b strings.Builder
	for _, x := range all {
		v := reflect.ValueOf(x)
		for i := range v.NumField() {
			fmt.Fprintf(&b, "%v %s: %+v\n", v.Field(0), v.Type().Field(i).Name, v.Field(i))
		}
	}
	return b.String()
}

// requireSame fails at the first line that differs.
func requireSame[T any](t *testing.T, want, got []T, format string, args ...any) {
	t.Helper()
	w, g := strings.Split(lines(want), "\n"), strings.Split(lines(got), "\n")
	for i := range min(len(w), len(g)) {
		require.Equal(t, w[i], g[i], fmt.Sprintf(format, args...))
	}
	require.Equal(t, len(w), len(g), fmt.Sprintf(format, args...))
}

func TestBatchSizesDoNotMatter(t *testing.T) {
	const seed = 11
	b, to := manyPicks(seed, 40)
	set := Settings{Station: "A", RequiredKPa: require30}
	want, wantE, _ := b.picks(set, 0, to)
	require.Len(t, want, 40)
	for _, size := range []int{1, 2, 3, 7, 199, 200, 201, 100000} {
		b.batch = size
		got, gotE, _ := b.picks(set, 0, to)
		requireSame(t, want, got, "batches of %d scans, seed %d", size, seed)
		requireSame(t, wantE, gotE, "batches of %d scans, seed %d", size, seed)
	}
}

// Neither do they, nor the path, where an engine saves air.
func TestSavedAirInBatches(t *testing.T) {
	const to = 70
	for _, supply := range []bool{false, true} {
		for _, rate := range []float64{50, 200} {
			b := bench{intervalS: 1 / rate, stepKPa: 0.01, noiseKPa: 0.05, seed: 4, vacuum: func(x float64) float64 {
				switch {
				case x < 1:
					return 0
				case x < 1.2:
					return 300 * (x - 1)
				case x < 61.2:
					return sawtooth(x - 1.2)
				}
				return sawtooth(60) * math.Exp(-(x-61.2)/0.02)
			}, switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 61.2)}}
			set := Settings{Station: "A", RequiredKPa: require30, VolumeL: 0.4}
			if supply {
				set.SupplyOffHolds = true
				b.switches = map[sample.Kind]func(float64) bool{
					sample.Supply:  func(x float64) bool { return x >= 1 && x < 61.2 && !(x >= 1.2 && math.Mod(x-1.2, 3) < 2.5) },
					sample.Release: between(61.2, 61.5)}
			}
			b.batch = 1
			want, wantE, _ := b.picks(set, 0, to)
			require.Len(t, want, 1)
			require.True(t, want[0].DutyShare.OK())
			require.True(t, want[0].HoldVacuumKPa.Has("lower turning level"), "%+v", want[0])
			for _, careful := range []bool{false, true} {
				for _, size := range []int{1, 7, 800, 100000} {
					b.batch = size
					k, err := New(set, b.groups())
					require.NoError(t, err)
					k.careful = careful
					b.run(0, to, k.Push)
					k.Finish()
					got, gotE, _ := k.Take()
					requireSame(t, want, got, "batches of %d scans at %g Hz, by supply %v, careful %v", size, rate, supply, careful)
					requireSame(t, wantE, gotE, "batches of %d scans at %g Hz, by supply %v, careful %v", size, rate, supply, careful)
				}
			}
		}
	}
}

func TestNoPickIsCountedTwice(t *testing.T) {
	const seed, n = 12, 300
	b, to := manyPicks(seed, n)
	p, _, _ := b.picks(Settings{Station: "A", RequiredKPa: require30}, 0, to)
	require.Len(t, p, n, "seed %d", seed)
	for i := range p {
		require.Equal(t, i+1, p[i].N)
		require.InDelta(t, float64(i)+0.2, p[i].StartS, 0.003)
		require.InDelta(t, 12, p[i].flowOr(12), 0.01, "pick %d", i+1)
		// 40 W + 10 W·sin t from start to end.
		a, e := p[i].StartS, p[i].EndS
		require.InDelta(t, 40*(e-a)+10*(math.Cos(a)-math.Cos(e)), p[i].EnergyJ.Value, 0.01, "pick %d", i+1)
	}
}

func (p Pick) flowOr(x float64) float64 {
	if p.LeakFlowLminANR.OK() {
		return p.LeakFlowLminANR.Value
	}
	return x
}

// The quiet path must not differ from the careful one.
func TestBulkEqualsSteps(t *testing.T) {
	for seed := range uint64(20) {
		b, to := manyPicks(seed, 30)
		set := Settings{Station: "A", RequiredKPa: require30}
		p, e, _ := b.picks(set, 0, to)
		k, err := New(set, b.groups())
		require.NoError(t, err)
		k.careful = true
		b.run(0, to, k.Push)
		k.Finish()
		q, f, _ := k.Take()
		requireSame(t, q, p, "seed %d", seed)
		requireSame(t, f, e, "seed %d", seed)
	}
}
