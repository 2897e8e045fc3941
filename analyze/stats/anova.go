package stats

import "math"

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
