// Package stats holds the statistics that picks are judged by: intervals, tests,
// tolerance limits, trends and sample sizes. It comes after analyze and before
// analyze/compare. Distributions are gonum's; numbers that cannot be had are NaN.
package stats

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// An Interval is a confidence interval; both ends NaN where it cannot be had.
type Interval struct{ Lo, Hi float64 }

func noInterval() Interval { return Interval{math.NaN(), math.NaN()} }

// Contains reports whether x lies in the interval, ends included.
func (i Interval) Contains(x float64) bool { return x >= i.Lo && x <= i.Hi }

// NormalQuantile returns the p quantile of the standard normal distribution.
func NormalQuantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// TQuantile returns the p quantile of Student's t with df degrees of freedom, which need
// not be whole, and the normal one for infinite df.
func TQuantile(p, df float64) float64 {
	switch {
	case !(df > 0):
		return math.NaN()
	case math.IsInf(df, 1):
		return NormalQuantile(p)
	case p < 0.5:
		return -TQuantile(1-p, df)
	}
	// One Newton step in the tail takes off what the library's inversion leaves.
	d := distuv.StudentsT{Sigma: 1, Nu: df}
	t := d.Quantile(p)
	for range 2 {
		t += (TTail(t, df) - (1 - p)) / d.Prob(t)
	}
	return t
}

// TTail returns P(T > t), with full relative accuracy for t ≥ 0.
func TTail(t, df float64) float64 {
	switch {
	case math.IsNaN(t) || !(df > 0):
		return math.NaN()
	case math.IsInf(df, 1):
		return distuv.UnitNormal.Survival(t)
	case t < 0:
		return 1 - TTail(-t, df)
	}
	return mathext.RegIncBeta(df/2, 0.5, df/(df+t*t)) / 2
}

// FTail returns P(F > f) with df1 and df2 degrees of freedom, with full relative accuracy.
func FTail(f, df1, df2 float64) float64 {
	if !(f >= 0 && df1 > 0 && df2 > 0) {
		return math.NaN()
	}
	return mathext.RegIncBeta(df2/2, df1/2, df2/(df2+df1*f))
}

// twoSided returns the two-sided p of a standard normal deviate.
func twoSided(z float64) float64 { return min(1, 2*distuv.UnitNormal.Survival(math.Abs(z))) }
