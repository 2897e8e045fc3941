package stats

import (
	"math/rand/v2"
	"slices"
)

// Bootstrap returns statistic of b resamples, sorted. Each resample draws n indices from 0
// to n−1 with replacement (Efron 1979); the statistic must not keep the slice. The same
// seed gives the same values.
func Bootstrap(n, b int, seed uint64, statistic func(draw []int) float64) []float64 {
	random := rand.New(rand.NewPCG(seed, 0))
	draw := make([]int, n)
	values := make([]float64, b)
	for i := range values {
		for j := range draw {
			draw[j] = random.IntN(n)
		}
		values[i] = statistic(draw)
	}
	slices.Sort(values)
	return values
}
