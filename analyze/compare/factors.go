package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"griptrial/analyze"
	"griptrial/analyze/stats"
	"griptrial/config"
)

// A Term is a factor, or two together, in a linear model of one measure.
type Term struct {
	Factors []string
	DF      float64
	F, P    float64 // NaN where it is not testable
	Share   float64 // of the sum of squares about the mean, 0 to 1
	Stratum string  // what it is tested against: "whole plots", "pieces" or "rest"
	Effects []LevelEffect
}

// A LevelEffect is what one level of a term does, from the mean of all levels.
type LevelEffect struct {
	Level  string
	Effect analyze.Figure // in percent
}

// A Model is a linear model of the logarithms of one measure's unit means, with main effects
// and interactions of two factors, levels summing to zero.
type Model struct {
	Measure    *Measure
	Terms      []Term
	ResidualSD float64 // percent
	DF         float64
	// Checks of what is left: the largest residual in its standard deviations, its p as an
	// outlier after Bonferroni, and the rank correlation of size with fitted value.
	Largest, OutlierP, Fanning float64
	Words                      []string // interactions in words
}

// Factors fits a model of a measure. ok is false where there are too few runs, levels that
// cannot be separated, values that are not above 0, or nothing but a count of cases.
func Factors(t *Trial, m *Measure) (model Model, ok bool) {
	all := t.units()
	if len(all) == 0 || m.cases {
		return model, false
	}
	var factors []string
	for _, f := range config.Factors {
		if slices.ContainsFunc(all, func(u unit) bool { return u.setup.Level(f) != all[0].setup.Level(f) }) {
			factors = append(factors, f)
		}
	}
	var y []float64
	var kept []view
	for _, u := range look(all, m) {
		if !(u.mid.raw > 0) || math.IsInf(u.mid.raw, 1) {
			continue
		}
		y = append(y, 100*math.Log(u.mid.raw))
		kept = append(kept, u)
	}
	if len(factors) == 0 || len(y) < 4 {
		return model, false
	}
	// Sum-to-zero columns of each factor; an interaction's are products.
	columns := map[string][][]float64{}
	levelsOf := map[string][]string{}
	for _, f := range factors {
		_, order := split(kept, func(u view) string { return u.setup.Level(f) })
		levelsOf[f] = order
		for k := range len(order) - 1 {
			col := make([]float64, len(kept))
			for i, u := range kept {
				switch u.setup.Level(f) {
				case order[k]:
					col[i] = 1
				case order[len(order)-1]:
					col[i] = -1
				}
			}
			columns[f] = append(columns[f], col)
		}
	}
	var terms [][]string
	for _, f := range factors {
		if len(columns[f]) > 0 {
			terms = append(terms, []string{f})
		}
	}
	mains := len(terms)
	for i := range mains {
		for j := i + 1; j < mains; j++ {
			terms = append(terms, []string{terms[i][0], terms[j][0]})
		}
	}
	columnsOf := func(term []string) [][]float64 {
		if len(term) == 1 {
			return columns[term[0]]
		}
		var out [][]float64
		for _, a := range columns[term[0]] {
			for _, b := range columns[term[1]] {
				col := make([]float64, len(a))
				for i := range a {
					col[i] = a[i] * b[i]
				}
				out = append(out, col)
			}
		}
		return out
	}
	fit := func(terms [][]string) (stats.Linear, error) {
		rows := make([][]float64, len(kept))
		for i := range rows {
			rows[i] = []float64{1}
		}
		for _, term := range terms {
			for _, col := range columnsOf(term) {
				for i := range rows {
					rows[i] = append(rows[i], col[i])
				}
			}
		}
		return stats.FitLinear(rows, y)
	}
	// Terms that the runs cannot separate are left out, interactions last in first.
	var used [][]string
	for _, term := range terms {
		if _, err := fit(append(slices.Clone(used), term)); err == nil {
			used = append(used, term)
		}
	}
	full, err := fit(used)
	if err != nil || len(used) == 0 {
		return model, false
	}
	model = Model{Measure: m, ResidualSD: full.ResidualSD, DF: full.DF}
	total := stats.SumSquares(y)
	at := 1
	for k, term := range used {
		without, err := fit(slices.Concat(used[:k], used[k+1:]))
		if err != nil {
			return model, false
		}
		n := len(columnsOf(term))
		ss := without.RSS - full.RSS
		x := Term{Factors: term, DF: float64(n), Share: ss / total, Stratum: "rest"}
		x.F = ss / x.DF / (full.RSS / full.DF)
		x.P = stats.FTail(x.F, x.DF, full.DF)
		if len(term) == 1 {
			t.restratify(&x, kept, y, full.Residuals, term[0])
			x.Effects = levelEffects(full, at, levelsOf[term[0]], t.Requirement.Confidence)
		}
		// The bag among the factors: what is true of its one piece may not be true of the next.
		if slices.Contains(term, "bag") && onePieceABag(kept) {
			x.F, x.P, x.Stratum = math.NaN(), math.NaN(), "pieces"
		}
		at += n
		model.Terms = append(model.Terms, x)
	}
	model.check(full, y)
	for _, x := range model.Terms {
		if len(x.Factors) == 2 && !onePieceABag(kept) && x.P <= 1-t.Requirement.Confidence {
			model.Words = append(model.Words, interactionWords(m, kept, y, x.Factors))
		}
	}
	return model, true
}

// onePieceABag reports whether any bag was tried with one piece only.
func onePieceABag(kept []view) bool {
	bags, _ := split(kept, func(u view) string { return u.setup.Bag })
	for _, of := range bags {
		if _, pieces := split(of, func(u view) string { return u.piece }); len(pieces) < 2 {
			return true
		}
	}
	return false
}

// restratify tests a factor that a coarser unit carries against that unit: the whole plot for
// factors that are dear to change, the piece for the bag.
func (t *Trial) restratify(x *Term, kept []view, y, rest []float64, factor string) {
	var key func(u view) string
	switch {
	case slices.Contains(t.dear(), factor):
		x.Stratum = "whole plots"
		key = func(u view) string { return fmt.Sprint(u.plot) }
	case factor == "bag":
		x.Stratum = "pieces"
		key = func(u view) string { return u.piece }
	default:
		return
	}
	// What the coarse units differ by beyond the factor is in the residuals' means.
	groups := map[string]map[string][]float64{}
	for i, u := range kept {
		l := u.setup.Level(factor)
		if groups[l] == nil {
			groups[l] = map[string][]float64{}
		}
		groups[l][key(u)] = append(groups[l][key(u)], rest[i])
	}
	var ss, df, size float64
	for _, g := range groups {
		for _, v := range g {
			m := stats.Mean(v)
			ss += float64(len(v)) * m * m
			size++
		}
		df += float64(len(g) - 1)
	}
	if df < 1 {
		x.F, x.P = math.NaN(), math.NaN()
		return
	}
	// Never below what single runs scatter by.
	f := x.Share * stats.SumSquares(y) / x.DF / (ss / df)
	x.F = min(x.F, f)
	x.P = stats.FTail(x.F, x.DF, df)
}

// levelEffects returns the effects of a factor's levels from its sum-to-zero coefficients, the
// last being minus the sum of the others.
func levelEffects(l stats.Linear, at int, order []string, confidence float64) []LevelEffect {
	n := len(order) - 1
	h := stats.TQuantile((1+confidence)/2, l.DF)
	var out []LevelEffect
	for k, name := range order {
		var v, variance float64
		for i := range n {
			wi := 0.0
			switch {
			case k == n:
				wi = -1
			case i == k:
				wi = 1
			}
			v += wi * l.Coef[at+i]
			for j := range n {
				wj := 0.0
				switch {
				case k == n:
					wj = -1
				case j == k:
					wj = 1
				}
				variance += wi * wj * l.Cov.At(at+i, at+j)
			}
		}
		se := math.Sqrt(variance)
		out = append(out, LevelEffect{name, ratio(v/100, se/100, stats.Interval{Lo: (v - h*se) / 100, Hi: (v + h*se) / 100})})
	}
	return out
}

func (m *Model) check(l stats.Linear, y []float64) {
	var size, fitted []float64
	for i, r := range l.Residuals {
		size = append(size, math.Abs(r))
		fitted = append(fitted, y[i]-r)
		m.Largest = max(m.Largest, math.Abs(r)/l.ResidualSD)
	}
	m.OutlierP = min(1, float64(len(y))*2*stats.TTail(m.Largest, l.DF))
	a, b := stats.Ranks(size), stats.Ranks(fitted)
	ma, mb := stats.Mean(a), stats.Mean(b)
	var ab, aa, bb float64
	for i := range a {
		ab += (a[i] - ma) * (b[i] - mb)
		aa += (a[i] - ma) * (a[i] - ma)
		bb += (b[i] - mb) * (b[i] - mb)
	}
	m.Fanning = ab / math.Sqrt(aa*bb)
}

// interactionWords says where the levels of one factor stand differently to each other:
// "seal time: flat cup against bellows cup: −12 % on film, +3 % on paper".
func interactionWords(m *Measure, kept []view, y []float64, factors []string) string {
	inner, outer := factors[1], factors[0]
	sum := map[[2]string][2]float64{}
	for i, u := range kept {
		k := [2]string{u.setup.Level(inner), u.setup.Level(outer)}
		s := sum[k]
		sum[k] = [2]float64{s[0] + y[i], s[1] + 1}
	}
	_, ins := split(kept, func(u view) string { return u.setup.Level(inner) })
	_, outs := split(kept, func(u view) string { return u.setup.Level(outer) })
	// The pair of levels whose difference moves most from one outer level to another.
	best, words := -1.0, ""
	for i, a := range ins {
		for _, b := range ins[i+1:] {
			var parts []string
			lo, hi := math.Inf(1), math.Inf(-1)
			for _, o := range outs {
				sa, sb := sum[[2]string{a, o}], sum[[2]string{b, o}]
				if sa[1] == 0 || sb[1] == 0 {
					continue
				}
				d := sa[0]/sa[1] - sb[0]/sb[1]
				lo, hi = min(lo, d), max(hi, d)
				parts = append(parts, fmt.Sprintf("%+.0f %% on %s", 100*math.Expm1(d/100), o))
			}
			if len(parts) > 1 && hi-lo > best {
				best, words = hi-lo, fmt.Sprintf("%s: %s against %s: %s", m.Words, a, b, strings.Join(parts, ", "))
			}
		}
	}
	return words
}
