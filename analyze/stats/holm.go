package stats

import (
	"math"
	"slices"
)

// Holm returns adjusted p-values in the order of p (Holm 1979, Scandinavian Journal of
// Statistics 6, 65–70). Values that are NaN were not tested: they stay NaN and do not
// count.
func Holm(p []float64) []float64 {
	var order []int
	adjusted := slices.Repeat([]float64{math.NaN()}, len(p))
	for i, v := range p {
		if !math.IsNaN(v) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case p[a] < p[b]:
			return -1
		case p[a] > p[b]:
			return 1
		}
		return 0
	})
	most := 0.0
	for rank, i := range order {
		most = max(most, min(1, float64(len(order)-rank)*p[i]))
		adjusted[i] = most
	}
	return adjusted
}
