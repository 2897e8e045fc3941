package stats

import (
	"math"
	"slices"
)

// A Trend is the slope of y over t by Theil and Sen, with Mann and Kendall's test for it.
type Trend struct {
	N        int
	Slope    float64 // median of the slopes of all pairs
	Interval         // of the slope, after Gilbert (1987), 16.5, interpolated; NaN where too few
	S        float64 // concordant less discordant pairs
	VarS     float64 // corrected for ties of y
	Z        float64 // normal with continuity; NaN where all y are equal
	P        float64 // two-sided: exact for N < 50 independent readings without ties, else PNormal
	PNormal  float64 // two-sided, of Z
	Exact    bool
	TauA     float64
	TauB     float64
	Residual float64 // median of y − slope·t: the intercept through the middle of the residuals
	Conover  float64 // median(y) − slope·median(t)
	Rho      float64 // lag-1 autocorrelation of what the line leaves; 0 where not asked for
}

// TheilSen returns the trend of independent readings y at t; equal lengths. With
// autocorrelated readings its p is too small: see TheilSenAR1. Cost O(n² log n).
func TheilSen(t, y []float64, level float64) Trend { return theilSen(t, y, level, false) }

// TheilSenAR1 is TheilSen for readings in the order of t that follow each other: the
// variance of S grows by 1 + 2·Σ(1−k/n)ρᵏ, with ρ the lag-1 autocorrelation of what the
// line leaves (Yue and Wang 2004, Water Resources Management 18, 201–218). Negative ρ is not
// counted in one's favour.
func TheilSenAR1(t, y []float64, level float64) Trend { return theilSen(t, y, level, true) }

func theilSen(t, y []float64, level float64, dependent bool) Trend {
	nan := math.NaN()
	n := len(y)
	r := Trend{N: n, Slope: nan, Interval: noInterval(), Z: nan, P: nan, PNormal: nan, TauA: nan, TauB: nan, Residual: nan, Conover: nan}
	if n < 2 {
		return r
	}
	slopes := make([]float64, 0, n*(n-1)/2)
	tiedT := 0.0
	for i := range n {
		for j := i + 1; j < n; j++ {
			dt, dy := t[j]-t[i], y[j]-y[i]
			switch {
			case dt == 0:
				tiedT++
				continue
			case dy > 0 == (dt > 0) && dy != 0:
				r.S++
			case dy != 0:
				r.S--
			}
			slopes = append(slopes, dy/dt)
		}
	}
	slices.Sort(slopes)
	r.Slope = medianSorted(slopes)
	fn := float64(n)
	ties, tiedY := 0.0, 0.0
	sorted := slices.Sorted(slices.Values(y))
	for i := 0; i < n; {
		j := i
		for j < n && sorted[j] == sorted[i] {
			j++
		}
		g := float64(j - i)
		ties += g * (g - 1) * (2*g + 5)
		tiedY += g * (g - 1) / 2
		i = j
	}
	pairs := fn * (fn - 1) / 2
	r.VarS = (fn*(fn-1)*(2*fn+5) - ties) / 18
	r.TauA = r.S / pairs
	if d := (pairs - tiedT) * (pairs - tiedY); d > 0 {
		r.TauB = r.S / math.Sqrt(d)
	}
	rest := make([]float64, n)
	for i := range rest {
		rest[i] = y[i] - r.Slope*t[i]
	}
	r.Residual = Median(rest)
	r.Conover = Median(y) - r.Slope*Median(t)
	if dependent {
		if r.Rho = max(0, lag1(rest)); r.Rho > 0 {
			factor, power := 1.0, 1.0
			for k := 1; k < n && power > 1e-12; k++ {
				power *= r.Rho
				factor += 2 * (1 - float64(k)/fn) * power
			}
			r.VarS *= factor
		}
	}
	if r.VarS > 0 {
		r.Z = 0
		if r.S != 0 {
			r.Z = (r.S - math.Copysign(1, r.S)) / math.Sqrt(r.VarS)
		}
		r.PNormal = twoSided(r.Z)
	}
	r.P = r.PNormal
	if r.Exact = tiedY == 0 && tiedT == 0 && n < 50 && !dependent; r.Exact {
		r.P = kendallExact(n, r.S)
	}
	if m := float64(len(slopes)); m > 0 && r.VarS > 0 {
		c := NormalQuantile((1+level)/2) * math.Sqrt(r.VarS)
		if lo, hi := (m-c)/2, (m+c)/2+1; lo >= 1 && hi <= m {
			r.Interval = Interval{atRank(slopes, lo), atRank(slopes, hi)}
		}
	}
	return r
}

// kendallExact returns the two-sided p of Kendall's S among all orders of n values.
func kendallExact(n int, s float64) float64 {
	// Number of inversions: each new value adds 0 … i of them, all equally likely.
	f := []float64{1}
	for i := 2; i <= n; i++ {
		next := make([]float64, len(f)+i-1)
		for k, v := range f {
			for add := range i {
				next[k+add] += v / float64(i)
			}
		}
		f = next
	}
	low := int(float64(len(f)-1)/2 - math.Abs(s)/2 + 0.25)
	var p float64
	for _, v := range f[:low+1] {
		p += v
	}
	return min(1, 2*p)
}

// A Change is a step in the level of a series.
type Change struct {
	At            int     // index of the first value after the step
	P             float64 // of there being none
	Before, After float64 // medians
}

// ChangePoint looks for the most likely step in y (Pettitt 1979, Applied Statistics 28,
// 126–135). K's variance is that of independent values; first-order autocorrelation of what
// the step leaves shrinks the size that counts, as in EffectiveSize. P is NaN for fewer
// than five values. A steady trend looks like a step, too: compare what each leaves.
func ChangePoint(y []float64) Change {
	n := len(y)
	if n < 5 {
		return Change{P: math.NaN(), Before: math.NaN(), After: math.NaN()}
	}
	rank := Ranks(y)
	var u, most float64
	c := Change{At: 1}
	for i := range n - 1 {
		u += 2*rank[i] - float64(n+1)
		if math.Abs(u) > most {
			most, c.At = math.Abs(u), i+1
		}
	}
	rest := slices.Clone(y)
	c.Before, c.After = Median(y[:c.At]), Median(y[c.At:])
	for i := range rest {
		if i < c.At {
			rest[i] -= c.Before
		} else {
			rest[i] -= c.After
		}
	}
	fn := float64(n)
	worth := EffectiveSize(rest) / fn
	c.P = min(1, 2*math.Exp(-6*most*most*worth/(fn*fn*fn+fn*fn)))
	return c
}

// Ranks returns the ranks of y from 1, equal values sharing the mean of theirs.
func Ranks(y []float64) []float64 {
	order := make([]int, len(y))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case y[a] < y[b]:
			return -1
		case y[a] > y[b]:
			return 1
		}
		return 0
	})
	rank := make([]float64, len(y))
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && y[order[j]] == y[order[i]] {
			j++
		}
		for _, k := range order[i:j] {
			rank[k] = float64(i+j+1) / 2
		}
		i = j
	}
	return rank
}
