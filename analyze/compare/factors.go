package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

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
	Stratum string  // what it is tested against: "whole plots", "pieces" or "rest" (within both)
	Effects []LevelEffect
	words   string // of an interaction: what it is
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
	Words                      []string // interactions that are shown, in words
}

// Factors fits a model of a measure. ok is false where there are too few runs, levels that
// cannot be separated, values that are not above 0, or nothing but a count of cases.
func Factors(t *Trial, m *Measure) (model Model, ok bool) {
	if all := Models(t, []string{m.Name}); len(all) > 0 {
		return all[0], true
	}
	return Model{}, false
}

// Models fits a model of every measure, or of the named ones where there are any. Once the
// plan is finished it says the interactions that are shown, all together being one family
// (Holm).
func Models(t *Trial, names []string) []Model {
	fits := make([]*Model, len(Measures))
	var wait sync.WaitGroup
	for i := range Measures {
		if m := &Measures[i]; len(names) == 0 || slices.Contains(names, m.Name) {
			wait.Go(func() {
				if model, ok := factors(t, m); ok {
					fits[i] = &model
				}
			})
		}
	}
	wait.Wait()
	var all []Model
	var p []float64
	for _, f := range fits {
		if f == nil {
			continue
		}
		all = append(all, *f)
		for _, x := range f.Terms {
			p = append(p, x.interactionP())
		}
	}
	adjusted := stats.Holm(p)
	at := 0
	for i := range all {
		for _, x := range all[i].Terms {
			if adjusted[at] <= 1-t.Requirement.Confidence && t.Finished {
				all[i].Words = append(all[i].Words, x.words)
			}
			at++
		}
	}
	return all
}

// interactionP is the p of two factors together, NaN of one.
func (x Term) interactionP() float64 {
	if len(x.Factors) < 2 {
		return math.NaN()
	}
	return x.P
}

func factors(t *Trial, m *Measure) (model Model, ok bool) {
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
		if !u.positive || math.IsInf(u.mid.log, 0) {
			continue
		}
		y = append(y, 100*u.mid.log)
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
	inner := within(t, kept, y, used, columnsOf)
	at := 1
	for k, term := range used {
		without, err := fit(slices.Concat(used[:k], used[k+1:]))
		if err != nil {
			return model, false
		}
		n := len(columnsOf(term))
		ss := without.RSS - full.RSS
		x := Term{Factors: term, DF: float64(n), Share: ss / total, F: math.NaN(), P: math.NaN(), Stratum: "rest"}
		f, inside := inner.test(k)
		switch {
		case inside:
			x.F = f
			x.P = stats.FTail(f, x.DF, inner.df)
		case len(term) == 1:
			x.F = ss / x.DF / (full.RSS / full.DF)
			t.restratify(&x, kept, y, full.Residuals, term[0])
		}
		if len(term) == 1 {
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
	for i := range model.Terms {
		if x := &model.Terms[i]; len(x.Factors) == 2 {
			x.words = interactionWords(m, kept, y, x.Factors)
		}
	}
	return model, true
}

// An inside is the stratum within pieces and within whole plots: what is left when both are
// taken out of values and columns alike. For balanced data its F tests are those of the
// sub-plots in the analysis of variance by strata; for others they are the intra-block ones.
type inside struct {
	y       []float64
	columns map[int][][]float64 // of the terms that vary within pieces and plots, by their place
	rss, df float64
}

// within returns the inside of the terms used. A term is in it if none of its columns is lost
// with the pieces and the plots, or with the terms before it.
func within(t *Trial, kept []view, y []float64, used [][]string, columnsOf func([]string) [][]float64) inside {
	number := func(key func(u view) string) []int {
		at := map[string]int{}
		out := make([]int, len(kept))
		for i, u := range kept {
			k := key(u)
			if _, ok := at[k]; !ok {
				at[k] = len(at)
			}
			out[i] = at[k]
		}
		return out
	}
	pieces := number(func(u view) string {
		if u.piece == "" {
			return ""
		}
		return u.setup.Bag + "\x00" + u.piece
	})
	plots := number(func(u view) string { return "" })
	if hard := t.dear(); slices.ContainsFunc(kept, func(u view) bool { return levels(u.setup, hard) != levels(kept[0].setup, hard) }) {
		plots = number(func(u view) string { return fmt.Sprint(u.plot) })
	}
	w := inside{y: sweep(y, pieces, plots), columns: map[int][][]float64{}}
	w.df = float64(len(y) - blockRank(pieces, plots))
	for k, term := range used {
		var cols [][]float64
		for _, c := range columnsOf(term) {
			left := sweep(c, pieces, plots)
			if stats.SumSquares(left) < 1e-9*float64(len(c)) {
				break
			}
			cols = append(cols, left)
		}
		if len(cols) < len(columnsOf(term)) || w.df < float64(len(cols)) {
			continue
		}
		w.columns[k] = cols
		if _, err := w.fit(-1); err != nil {
			delete(w.columns, k)
			continue
		}
		w.df -= float64(len(cols))
	}
	if full, err := w.fit(-1); err == nil {
		w.rss = full.RSS
	}
	return w
}

// fit fits the inside without the term at place but.
func (w inside) fit(but int) (stats.Linear, error) {
	rows := make([][]float64, len(w.y))
	for k := range w.columns {
		for _, c := range w.columns[k] {
			for i := range rows {
				if k != but {
					rows[i] = append(rows[i], c[i])
				}
			}
		}
	}
	if len(rows[0]) == 0 {
		var rss float64
		for _, v := range w.y {
			rss += v * v
		}
		return stats.Linear{RSS: rss}, nil
	}
	return stats.FitLinear(rows, w.y)
}

// test returns F of the term at place k, and whether the inside can tell.
func (w inside) test(k int) (f float64, ok bool) {
	if w.columns[k] == nil || w.df < 1 {
		return math.NaN(), false
	}
	without, err := w.fit(k)
	return (without.RSS - w.rss) / float64(len(w.columns[k])) / (w.rss / w.df), err == nil
}

// sweep takes the means of the groups out of v, of either numbering in turn until nothing
// moves: at once where they are balanced.
func sweep(v []float64, groups ...[]int) []float64 {
	out := slices.Clone(v)
	size := math.Sqrt(stats.SumSquares(v)/float64(len(v))) + 1e-300
	for range 1000 {
		moved := 0.0
		for _, g := range groups {
			sum, n := make([]float64, len(v)), make([]float64, len(v))
			for i, k := range g {
				sum[k] += out[i]
				n[k]++
			}
			for i, k := range g {
				out[i] -= sum[k] / n[k]
				moved = max(moved, math.Abs(sum[k]/n[k]))
			}
		}
		if moved < 1e-14*size {
			break
		}
	}
	return out
}

// blockRank is how many independent columns two numberings of groups make together: all their
// groups less the number of sets of groups that touch no other's.
func blockRank(a, b []int) int {
	na, nb := slices.Max(a)+1, slices.Max(b)+1
	set := make([]int, na+nb)
	for i := range set {
		set[i] = i
	}
	find := func(i int) int {
		for set[i] != i {
			i = set[i]
		}
		return i
	}
	joined := 0
	for i := range a {
		if x, y := find(a[i]), find(na+b[i]); x != y {
			set[x] = y
			joined++
		}
	}
	return joined // groups less sets: each join takes one set away
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
// factors that are dear to change, else the piece.
func (t *Trial) restratify(x *Term, kept []view, y, rest []float64, factor string) {
	var key func(u view) string
	switch {
	case slices.Contains(t.dear(), factor):
		x.Stratum = "whole plots"
		key = func(u view) string { return fmt.Sprint(u.plot) }
	default: // the bag, and what each piece met one level of
		x.Stratum = "pieces"
		key = func(u view) string { return u.setup.Bag + "\x00" + u.piece }
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
