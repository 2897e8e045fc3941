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

// Newcombe returns the interval of the difference of two proportions, first less second,
// from their Wilson intervals (Newcombe 1998, Statistics in Medicine 17, 873–890, method
// 10).
func Newcombe(x1, n1, x2, n2, level float64) Interval {
	a, b := Wilson(x1, n1, level), Wilson(x2, n2, level)
	p, q := x1/n1, x2/n2
	return Interval{p - q - math.Hypot(p-a.Lo, b.Hi-q), p - q + math.Hypot(a.Hi-p, q-b.Lo)}
}

// Fisher returns the two-sided p of Fisher's exact test that two proportions are equal: the
// sum over tables no more likely than the one seen, those within 1e-7 of it included.
func Fisher(x1, n1, x2, n2 int) float64 {
	k := x1 + x2
	lo, hi := max(0, k-n2), min(k, n1)
	at := func(x int) float64 { return lchoose(n1, x) + lchoose(n2, k-x) }
	most := math.Inf(-1)
	for x := lo; x <= hi; x++ {
		most = max(most, at(x))
	}
	var sum, tail float64
	seen := at(x1) + 1e-7
	for x := lo; x <= hi; x++ {
		l := at(x)
		p := math.Exp(l - most)
		sum += p
		if l <= seen {
			tail += p
		}
	}
	return min(1, tail/sum)
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
