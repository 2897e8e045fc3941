package stats

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// betaQuantile returns the p quantile of Beta(a, b), polished to full relative accuracy.
func betaQuantile(p, a, b float64) float64 {
	x := mathext.InvRegIncBeta(a, b, p)
	lb := mathext.Lbeta(a, b)
	for range 3 {
		density := math.Exp((a-1)*math.Log(x) + (b-1)*math.Log1p(-x) - lb)
		next := x - (mathext.RegIncBeta(a, b, x)-p)/density
		if !(next > 0 && next < 1) {
			break
		}
		x = next
	}
	return x
}

// UpperBound returns the exact one-sided upper bound of a probability of which x cases were
// seen in n (Clopper and Pearson 1934, Biometrika 26, 404–413). x and n need not be whole,
// so that clusters can be counted by their effective size (Korn and Graubard 1998, Survey
// Methodology 24, 193–201).
func UpperBound(x, n, confidence float64) float64 {
	switch {
	case !(x >= 0 && x <= n && n > 0):
		return math.NaN()
	case x == n:
		return 1
	case x == 0:
		return -math.Expm1(math.Log1p(-confidence) / n)
	}
	return betaQuantile(confidence, x+1, n-x)
}

// LowerBound returns the exact one-sided lower bound; see UpperBound.
func LowerBound(x, n, confidence float64) float64 {
	switch {
	case !(x >= 0 && x <= n && n > 0):
		return math.NaN()
	case x == 0:
		return 0
	case x == n:
		return math.Exp(math.Log1p(-confidence) / n)
	}
	return betaQuantile(1-confidence, x, n-x+1)
}

// ClopperPearson returns the exact two-sided interval, each tail (1−level)/2.
func ClopperPearson(x, n, level float64) Interval {
	return Interval{LowerBound(x, n, (1+level)/2), UpperBound(x, n, (1+level)/2)}
}

// Wilson returns the two-sided score interval without continuity correction (Wilson 1927).
func Wilson(x, n, level float64) Interval {
	if !(x >= 0 && x <= n && n > 0) {
		return noInterval()
	}
	z := NormalQuantile((1 + level) / 2)
	p, c := x/n, z*z/n
	mid := (p + c/2) / (1 + c)
	h := math.Sqrt(p*(1-p)*c+c*c/4) / (1 + c)
	i := Interval{mid - h, mid + h}
	if x == 0 {
		i.Lo = 0
	}
	if x == n {
		i.Hi = 1
	}
	return i
}

// Counts are cases among trials of two samples. Where clusters are counted by their effective
// size (Rao and Scott 1992, Biometrics 48, 577–585) they are not whole.
type Counts struct{ X1, N1, X2, N2 float64 }

// RateDifference returns the difference of two probabilities, first less second, with its
// interval from their Wilson intervals (Newcombe 1998, Statistics in Medicine 17, 873–890,
// method 10); of several strata the mean of their differences, whose distances from its ends
// add in squares (Zou and Donner 2008, Statistics in Medicine 27, 1693–1702).
func RateDifference(strata []Counts, level float64) (diff float64, i Interval) {
	var below, above float64
	for _, c := range strata {
		a, b := Wilson(c.X1, c.N1, level), Wilson(c.X2, c.N2, level)
		p, q := c.X1/c.N1, c.X2/c.N2
		diff += p - q
		below += (p-a.Lo)*(p-a.Lo) + (b.Hi-q)*(b.Hi-q)
		above += (a.Hi-p)*(a.Hi-p) + (q-b.Lo)*(q-b.Lo)
	}
	k := float64(len(strata))
	diff /= k
	return diff, Interval{diff - math.Sqrt(below)/k, diff + math.Sqrt(above)/k}
}

// Fisher returns the two-sided p of Fisher's exact test that two probabilities are equal, in
// every stratum where there are several: given each stratum's totals, the sum over all counts
// of the first sample's cases that are no more likely than the one seen, those within 1e-7 of
// it included. Counts are taken as the nearest whole numbers that are no more than they say.
func Fisher(strata []Counts) float64 {
	all := []float64{1} // probability of the cases beyond the least possible
	seen := 0
	for _, c := range strata {
		n1, n2 := int(c.N1), int(c.N2)
		x1, x2 := min(n1, int(math.Round(c.X1))), min(n2, int(math.Round(c.X2)))
		k := x1 + x2
		lo, hi := max(0, k-n2), min(k, n1)
		seen += x1 - lo
		one := make([]float64, hi-lo+1)
		most, sum := math.Inf(-1), 0.0
		for x := range one {
			one[x] = lchoose(n1, lo+x) + lchoose(n2, k-lo-x)
			most = max(most, one[x])
		}
		for x := range one {
			one[x] = math.Exp(one[x] - most)
			sum += one[x]
		}
		next := make([]float64, len(all)+len(one)-1)
		for i, p := range all {
			for x, q := range one {
				next[i+x] += p * q / sum
			}
		}
		all = next
	}
	var p float64
	for _, q := range all {
		if q <= all[seen]*(1+1e-7) {
			p += q
		}
	}
	return min(1, p)
}

func lchoose(n, k int) float64 {
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	c, _ := math.Lgamma(float64(n - k + 1))
	return a - b - c
}

// PoissonUpper returns the exact one-sided upper bound of the mean of a count x (Garwood
// 1936, Biometrika 28, 437–442).
func PoissonUpper(x, confidence float64) float64 {
	return distuv.ChiSquared{K: 2*x + 2}.Quantile(confidence) / 2
}

// PoissonLower returns the exact one-sided lower bound of the mean of a count x.
func PoissonLower(x, confidence float64) float64 {
	if x == 0 {
		return 0
	}
	return distuv.ChiSquared{K: 2 * x}.Quantile(1-confidence) / 2
}

// PicksForRate returns the smallest n for which x cases or fewer in n show, at the given
// confidence, that the probability of a case is at most rate: P(X ≤ x; n, rate) ≤
// 1 − confidence. It is 0 where the arguments allow none.
func PicksForRate(x int, rate, confidence float64) int {
	if !(rate > 0 && rate < 1 && confidence > 0 && confidence < 1) || x < 0 {
		return 0
	}
	return smallest(x+1, func(n int) bool {
		// P(X ≤ x) is the incomplete beta function; exact zero cases avoid its rounding.
		if x == 0 {
			return float64(n)*math.Log1p(-rate) <= math.Log1p(-confidence)+1e-12
		}
		return mathext.RegIncBeta(float64(n-x), float64(x+1), 1-rate) <= (1-confidence)*(1+1e-12)
	})
}

// smallest returns the least n ≥ from for which ok holds; once it holds it must go on to.
func smallest(from int, ok func(int) bool) int {
	const limit = 1 << 40
	lo, hi := from-1, from
	for !ok(hi) {
		if lo = hi; hi > limit {
			return 0
		}
		hi *= 2
	}
	for hi-lo > 1 {
		if mid := lo + (hi-lo)/2; ok(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}
