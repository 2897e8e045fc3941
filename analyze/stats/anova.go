package stats

import (
	"errors"
	"math"
)

// A Stratum is a line of an analysis of variance.
type Stratum struct{ SS, DF, MS, F, P float64 }

func stratum(ss, df float64) Stratum { return Stratum{ss, df, ss / df, math.NaN(), math.NaN()} }

// over tests s against the mean square of e.
func (s *Stratum) over(e Stratum) {
	s.F = s.MS / e.MS
	s.P = FTail(s.F, s.DF, e.DF)
}

// A OneWay is the analysis of variance of groups.
type OneWay struct {
	Between, Within Stratum
	// Components of a random sample of groups, from expected mean squares; BetweenVar may be
	// negative.
	BetweenVar, WithinVar float64
}

// AnalyseGroups returns the analysis of variance of groups of any sizes. Its components use
// n0 = (N − Σn²/N)/(k−1) where sizes differ.
func AnalyseGroups(groups [][]float64) OneWay {
	// Deviations are taken from a value near all others, so that their size does not matter.
	var all []float64
	var squares, within float64
	for _, g := range groups {
		all = append(all, g...)
		squares += float64(len(g) * len(g))
		within += SumSquares(g)
	}
	grand := Mean(all)
	var between float64
	for _, g := range groups {
		var d float64
		for _, v := range g {
			d += v - grand
		}
		between += d * d / float64(len(g))
	}
	n, k := float64(len(all)), float64(len(groups))
	r := OneWay{Between: stratum(between, k-1), Within: stratum(within, n-k)}
	r.Between.over(r.Within)
	r.WithinVar = r.Within.MS
	r.BetweenVar = (r.Between.MS - r.Within.MS) / ((n - squares/n) / (k - 1))
	return r
}

// A TwoWay is the analysis of variance of a balanced table of factors A and B.
type TwoWay struct {
	A, B, AB, Residual Stratum // F and P of fixed factors: against Residual
	Mean               float64
	levelsA, levelsB   float64
	replicates         float64
}

// ErrUnbalanced is returned for data with cells of different sizes.
var ErrUnbalanced = errors.New("cells of different sizes")

// AnalyseTwoWay returns the analysis of variance of y with the levels a and b, numbered from
// 0, of two crossed factors, with two values or more in every cell.
func AnalyseTwoWay(a, b []int, y []float64) (TwoWay, error) {
	na, nb := 0, 0
	for i := range y {
		na, nb = max(na, a[i]+1), max(nb, b[i]+1)
	}
	cells := make([][]float64, na*nb)
	for i, v := range y {
		cells[a[i]*nb+b[i]] = append(cells[a[i]*nb+b[i]], v)
	}
	k := len(y) / max(1, len(cells))
	for _, c := range cells {
		if len(c) != k || k < 2 || na < 2 || nb < 2 {
			return TwoWay{}, ErrUnbalanced
		}
	}
	grand := Mean(y)
	meanA, meanB, meanC := make([]float64, na), make([]float64, nb), make([]float64, len(cells))
	for i, c := range cells {
		d := Mean(c) - grand
		meanC[i] = d
		meanA[i/nb] += d / float64(nb)
		meanB[i%nb] += d / float64(na)
	}
	var ssa, ssb, ssab, sse float64
	for _, m := range meanA {
		ssa += m * m * float64(nb*k)
	}
	for _, m := range meanB {
		ssb += m * m * float64(na*k)
	}
	for i, c := range cells {
		d := meanC[i] - meanA[i/nb] - meanB[i%nb]
		ssab += d * d * float64(k)
		sse += SumSquares(c)
	}
	fa, fb := float64(na), float64(nb)
	r := TwoWay{stratum(ssa, fa-1), stratum(ssb, fb-1), stratum(ssab, (fa-1)*(fb-1)), stratum(sse, fa*fb*float64(k-1)), grand, fa, fb, float64(k)}
	r.A.over(r.Residual)
	r.B.over(r.Residual)
	r.AB.over(r.Residual)
	return r, nil
}

// Crossed returns the variance components of two random factors from expected mean squares;
// they may be negative. A and B are then tested against AB.
func (t TwoWay) Crossed() (a, b, ab, residual float64, testA, testB Stratum) {
	testA, testB = t.A, t.B
	testA.over(t.AB)
	testB.over(t.AB)
	return (t.A.MS - t.AB.MS) / (t.levelsB * t.replicates), (t.B.MS - t.AB.MS) / (t.levelsA * t.replicates),
		(t.AB.MS - t.Residual.MS) / t.replicates, t.Residual.MS, testA, testB
}
