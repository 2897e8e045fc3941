package pick

import (
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

// benchmark feeds n seconds of picks again and again, later each time, and reports station
// scans a second.
func benchmark(b *testing.B, sig bench, seconds float64, set Settings) {
	var batches []sample.Batch
	scans := 0
	sig.batch = 1000
	sig.run(0, seconds-sig.intervalS/2, func(x sample.Batch) {
		batches = append(batches, x)
		scans += len(x.T)
	})
	k, err := New(set, sig.groups())
	require.NoError(b, err)
	shift := int64(seconds * 1e9)
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		for i := range batches {
			k.Push(batches[i])
			for j := range batches[i].T {
				batches[i].T[j] += shift
			}
		}
		k.Take()
	}
	b.ReportMetric(float64(scans)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mscans/s")
}

func BenchmarkTracker(b *testing.B) {
	set := Settings{Station: "A", RequiredKPa: require30}
	line := func(interval float64) bench {
		x, _ := manyPicks(3, 200)
		x.intervalS = interval
		x.follow = nil
		return x
	}
	hold := func(interval float64) bench {
		return bench{intervalS: interval, stepKPa: 0.0244, noiseKPa: 0.02, seed: 4,
			vacuum:   shape(piece{1, 60, 0.1}, piece{190, 0, 0.05}),
			switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 190)}}
	}
	b.Run("picks every second 100 Hz", func(b *testing.B) { benchmark(b, line(0.01), 200, set) })
	b.Run("picks every second 1 kHz", func(b *testing.B) { benchmark(b, line(0.001), 200, set) })
	b.Run("long holds 100 Hz", func(b *testing.B) { benchmark(b, hold(0.01), 200, set) })
	b.Run("long holds 1 kHz", func(b *testing.B) { benchmark(b, hold(0.001), 200, set) })
}

// Memory must not grow with the length of a hold, of idle time or of the trial.
func TestMemoryIsBounded(t *testing.T) {
	set := Settings{Station: "A", RequiredKPa: require30}
	x := bench{intervalS: 0.01, stepKPa: 0.0244, noiseKPa: 0.05, seed: 4,
		vacuum:   shape(piece{1, 60, 0.1}),
		switches: map[sample.Kind]func(float64) bool{sample.Supply: func(t float64) bool { return t >= 1 }},
		follow:   map[sample.Kind]func(float64) float64{sample.Flow: func(float64) float64 { return 3 }, sample.Power: func(float64) float64 { return 50 }}}
	k, err := New(set, x.groups())
	require.NoError(t, err)
	use := func() int {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return int(m.HeapAlloc)
	}
	x.run(0, 600, k.Push)
	before := use()
	x.run(600.01, 6000, k.Push)
	require.Less(t, use()-before, 200_000, "bytes more after ten times the hold")
	k.Finish()
	p, _, _ := k.Take()
	require.Len(t, p, 1)
	require.InDelta(t, 50*5999, p[0].EnergyJ.Value, 1)
}
