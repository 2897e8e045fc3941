package pick

import (
	"math"
	"slices"
)

// OnGrid returns a series at the instants of a grid, both rising, by straight lines between
// the samples beside them; NaN before the first sample, after the last, and where the two
// lie more than gapS apart.
func OnGrid(ts, values, grid []float64, gapS float64) []float64 {
	out := make([]float64, len(grid))
	j := 0 // first sample at or after the instant
	for i, t := range grid {
		for j < len(ts) && ts[j] < t {
			j++
		}
		out[i] = math.NaN()
		switch {
		case j < len(ts) && ts[j] == t:
			out[i] = values[j]
		case j > 0 && j < len(ts) && ts[j]-ts[j-1] <= gapS:
			w := (t - ts[j-1]) / (ts[j] - ts[j-1])
			out[i] = values[j-1] + w*(values[j]-values[j-1])
		}
	}
	return out
}

// Envelope returns the median, the least and the greatest of series of n values at each of
// their places, over those that are not NaN there; NaN where all are.
func Envelope(series [][]float64, n int) (median, lo, hi []float64) {
	median, lo, hi = make([]float64, n), make([]float64, n), make([]float64, n)
	var at []float64
	for i := range n {
		at = at[:0]
		for _, s := range series {
			if !math.IsNaN(s[i]) {
				at = append(at, s[i])
			}
		}
		median[i], lo[i], hi[i] = math.NaN(), math.NaN(), math.NaN()
		if len(at) > 0 {
			lo[i], hi[i] = slices.Min(at), slices.Max(at)
			median[i] = medianOf(at)
		}
	}
	return median, lo, hi
}
