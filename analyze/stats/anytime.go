package stats

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// anytimePrior is the prior variance of the effect, in standard deviations squared, at
// which the interval is tuned: it moves the width, never the coverage.
const anytimePrior = 1

// AnytimeMean returns an interval of the mean of independent normal values that holds at
// every n at once: the chance that it ever misses the mean, however often one looks and
// whenever one stops, is at most 1 − level. It inverts the t-test Bayes factor with a
// normal prior on the standardised effect and the right Haar prior on the scale (Gönen et
// al. 2005, The American Statistician 59, 252–257, eq. 6), which is a test martingale of
// the scale-invariant data (Lai 1976, Annals of Statistics 4, 265–280; Wang and Ramdas 2023,
// Anytime-valid t-tests), by Ville's inequality. Unbounded while too few values are in.
func AnytimeMean(x []float64, level float64) Interval {
	n := float64(len(x))
	return anytime(Mean(x), SD(x)/math.Sqrt(n), n, n-1, level)
}

// AnytimeDifference is AnytimeMean for the difference of the means of two samples with one
// spread, in whatever order they come in.
func AnytimeDifference(x, y []float64, level float64) Interval {
	t := Pooled(x, y, level)
	m, n := float64(len(x)), float64(len(y))
	return anytime(t.Diff, t.SE, m*n/(m+n), t.DF, level)
}

// anytime returns the effects that the Bayes factor does not exceed 1/(1−level) for: with
// R = 1 + n·prior and x = t²/df it is R^(−1/2)·((1+x)/(1+x/R))^((df+1)/2).
func anytime(value, se, n, df, level float64) Interval {
	if !(df >= 1) || math.IsNaN(value) || math.IsNaN(se) {
		return Interval{math.Inf(-1), math.Inf(1)}
	}
	r := 1 + n*anytimePrior
	a := math.Pow(math.Sqrt(r)/(1-level), 2/(df+1))
	if a >= r {
		return Interval{math.Inf(-1), math.Inf(1)}
	}
	h := se * math.Sqrt(df*(a-1)/(1-a/r))
	return Interval{value - h, value + h}
}

// AnytimeRate returns an interval of the probability of which x cases were seen in n, that
// holds at every n at once, as AnytimeMean's does: the probabilities that the mixture of all
// with Jeffreys' prior Beta(1/2, 1/2) explains less than 1/(1−level) times as well (Robbins
// 1970, Annals of Mathematical Statistics 41, 1397–1409). x and n need not be whole.
func AnytimeRate(x, n, level float64) Interval {
	if !(x >= 0 && x <= n && n > 0) {
		return Interval{0, 1}
	}
	most := mathext.Lbeta(x+0.5, n-x+0.5) - math.Log(math.Pi) + math.Log1p(-level) // ln B(1/2, 1/2) = ln π
	// What is left of the ratio's logarithm at p; it rises away from x/n on either side.
	excess := func(logit float64) float64 {
		lp, lq := -math.Log1p(math.Exp(-logit)), -math.Log1p(math.Exp(logit))
		v := most
		if x > 0 {
			v -= x * lp
		}
		if x < n {
			v -= (n - x) * lq
		}
		return v
	}
	probability := func(logit float64) float64 { return 1 / (1 + math.Exp(-logit)) }
	mid := math.Log(max(x, 1e-9)) - math.Log(max(n-x, 1e-9))
	i := Interval{0, 1}
	if x > 0 {
		i.Lo = probability(root(func(l float64) float64 { return -excess(l) }, mid-700/max(x, 1)-50, mid))
	}
	if x < n {
		i.Hi = probability(root(excess, mid, mid+700/max(n-x, 1)+50))
	}
	return i
}
