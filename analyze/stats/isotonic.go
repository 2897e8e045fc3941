package stats

// Isotonic returns the weighted least-squares fit to y that never falls, or never rises
// where falling is set, by pooling adjacent violators (Ayer et al. 1955). Weights are
// positive.
func Isotonic(y, weight []float64, falling bool) []float64 {
	sign := 1.0
	if falling {
		sign = -1
	}
	type pool struct {
		mean, weight float64
		n            int
	}
	var pools []pool
	for i, v := range y {
		pools = append(pools, pool{sign * v, weight[i], 1})
		for k := len(pools); k > 1 && pools[k-2].mean > pools[k-1].mean; k = len(pools) {
			a, b := pools[k-2], pools[k-1]
			w := a.weight + b.weight
			pools[k-2] = pool{(a.mean*a.weight + b.mean*b.weight) / w, w, a.n + b.n}
			pools = pools[:k-1]
		}
	}
	fit := make([]float64, 0, len(y))
	for _, p := range pools {
		for range p.n {
			fit = append(fit, sign*p.mean)
		}
	}
	return fit
}
