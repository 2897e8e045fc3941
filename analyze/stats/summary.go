package stats

import (
	"math"
	"slices"
)

// Mean returns the mean of x in two passes, NaN of nothing.
func Mean(x []float64) float64 {
	n := float64(len(x))
	if n == 0 {
		return math.NaN()
	}
	var s float64
	for _, v := range x {
		s += v
	}
	m := s / n
	var rest float64
	for _, v := range x {
		rest += v - m
	}
	if math.IsNaN(rest) {
		return m // an infinite value
	}
	return m + rest/n
}

// SumSquares returns the sum of squared deviations from the mean, in two passes with the
// rounding of the mean taken out (Chan, Golub, LeVeque 1983, eq. 1.7).
func SumSquares(x []float64) float64 {
	m := Mean(x)
	var s, rest float64
	for _, v := range x {
		d := v - m
		s += d * d
		rest += d
	}
	return s - rest*rest/float64(len(x))
}

// SD returns the standard deviation with divisor n − 1, NaN for fewer than two values.
func SD(x []float64) float64 {
	if len(x) < 2 {
		return math.NaN()
	}
	return math.Sqrt(SumSquares(x) / float64(len(x)-1))
}

// A QuantileType is a definition of the sample quantile, by its number in Hyndman and Fan
// (1996), The American Statistician 50, 361–365.
type QuantileType int

// The types in use. MedianUnbiased is the one that the paper recommends.
const (
	Hazen          QuantileType = 5 // h = np + 1/2
	Weibull        QuantileType = 6 // h = (n+1)p
	Spreadsheet    QuantileType = 7 // h = (n−1)p + 1
	MedianUnbiased QuantileType = 8 // h = (n+1/3)p + 1/3
)

// Quantile returns the p quantile of sorted; outside [1, n] it is the least or the most.
// NaN of nothing.
func Quantile(sorted []float64, p float64, t QuantileType) float64 {
	n := float64(len(sorted))
	var h float64
	switch t {
	case Hazen:
		h = n*p + 0.5
	case Weibull:
		h = (n + 1) * p
	case Spreadsheet:
		h = (n-1)*p + 1
	case MedianUnbiased:
		h = (n+1./3)*p + 1./3
	default:
		return math.NaN()
	}
	if math.IsNaN(p) || n == 0 {
		return math.NaN()
	}
	// np may fall short of a whole number by rounding only.
	if r := math.Round(h); math.Abs(h-r) < 4e-15*n {
		h = r
	}
	return atRank(sorted, min(max(h, 1), n))
}

// atRank interpolates between the sorted values of ranks about h, from 1 to n.
func atRank(sorted []float64, h float64) float64 {
	i := int(h)
	a := sorted[i-1]
	if f := h - float64(i); f > 0 && sorted[i] != a {
		return a + f*(sorted[i]-a)
	}
	return a
}

// Median returns the median of x, which it leaves as it is; NaN of nothing.
func Median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	return medianSorted(s)
}

func medianSorted(s []float64) float64 {
	n := len(s)
	switch {
	case n == 0:
		return math.NaN()
	case n%2 == 1 || s[n/2-1] == s[n/2]:
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}

// MeanInterval returns the t interval of the mean of independent normal values.
func MeanInterval(x []float64, level float64) Interval {
	n := float64(len(x))
	if n < 2 {
		return noInterval()
	}
	m, h := Mean(x), TQuantile((1+level)/2, n-1)*SD(x)/math.Sqrt(n)
	return Interval{m - h, m + h}
}

// MedianInterval returns the interval of the median of independent values, sorted, by order
// statistics: it holds at least as often as it says, whatever their distribution. NaN where
// there are too few.
func MedianInterval(sorted []float64, level float64) Interval {
	n := len(sorted)
	rank := FreeRank(n, 0.5, (1+level)/2)
	if rank == 0 {
		return noInterval()
	}
	return Interval{sorted[rank-1], sorted[n-rank]}
}

// Autocorrelation returns r_k = Σ (y_t−m)(y_{t+k}−m) / Σ (y_t−m)² with the mean of all of
// y, as the Statistical Reference Datasets of NIST define it. NaN for a constant or for
// k ≥ n.
func Autocorrelation(y []float64, k int) float64 {
	if k >= len(y) {
		return math.NaN()
	}
	m := Mean(y)
	var c, v float64
	for i := range y {
		d := y[i] - m
		v += d * d
		if i+k < len(y) {
			c += d * (y[i+k] - m)
		}
	}
	if v == 0 {
		return math.NaN()
	}
	return c / v
}

// lag1 returns the lag-1 autocorrelation of y with its bias, about −(1+4ρ)/n (Marriott and
// Pope 1954), taken out, and held within ±0.99; 0 where it cannot be had.
func lag1(y []float64) float64 {
	r := Autocorrelation(y, 1)
	n := float64(len(y))
	if math.IsNaN(r) || n < 5 {
		return 0
	}
	return max(-0.99, min(0.99, (n*r+1)/(n-4)))
}

// Lag1 returns the lag-1 autocorrelation of y without its bias, and whether it exceeds
// what independent values show at 95 %, 1.96/√n (Bartlett 1946).
func Lag1(y []float64) (r float64, shown bool) {
	r = lag1(y)
	return r, math.Abs(Autocorrelation(y, 1)+1/float64(len(y))) > 1.96/math.Sqrt(float64(len(y)))
}

// EffectiveSize returns how many independent values the mean of y is worth, n(1−ρ)/(1+ρ)
// for a first-order autoregression, at least 1 and at most n: negative correlation is not
// counted in one's favour.
func EffectiveSize(y []float64) float64 {
	n := float64(len(y))
	r := max(0, lag1(y))
	return min(n, max(1, n*(1-r)/(1+r)))
}

// MeanIntervalAR1 returns the interval of the mean of a first-order autoregression: the t
// interval with the effective number of values.
func MeanIntervalAR1(y []float64, level float64) Interval {
	n := float64(len(y))
	if n < 5 {
		return noInterval()
	}
	ne := EffectiveSize(y)
	if ne < 2 {
		return noInterval()
	}
	// The values spread about the true mean by more than about their own.
	sd := math.Sqrt(SumSquares(y) / (n - n/ne))
	m, h := Mean(y), TQuantile((1+level)/2, ne-1)*sd/math.Sqrt(ne)
	return Interval{m - h, m + h}
}
