package compare

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"sync"

	"griptrial/analyze"
	"griptrial/analyze/stats"
	"griptrial/config"
)

// A Finding says how two levels stand to each other.
type Finding string

// The findings.
const (
	Better     Finding = "better"
	Worse      Finding = "worse"
	NotApart   Finding = "cannot be told apart"
	Untestable Finding = "not testable"
	OnePiece   Finding = "this piece only"
	NotYet     Finding = "provisional"
)

// An Effect is how level A stands to level B in one measure within one stratum.
type Effect struct {
	Measure *Measure
	Stratum string // the levels of the factors compared within, "" for none
	A, B    string // levels of the factors compared by

	Percent  analyze.Figure // A less B in percent of B; its interval is not adjusted for the number of comparisons
	Absolute analyze.Figure // A less B in the measure's unit inside; of what each setup needs where the measure says so
	Sides    analyze.Figure // left less right in percent, where sides were swapped

	P, Adjusted float64 // NaN where nothing was tested
	Method      string
	Block       string // what counts as one: "piece", "run", "whole plot", "pick"
	NA, NB      int    // how many of them
	Paired      bool
	Finding     Finding
	Warnings    []analyze.Warning
}

// Options say what is compared.
type Options struct {
	By, Within []string // factors; By nil: all but bag. Within nil: bag
	Measures   []string // names; nil for all that the picks have
	See        float64  // the difference in percent that a warning sizes a trial for; 0 for 10
}

// A Comparison is the effects of a trial with letters for what cannot be told apart.
type Comparison struct {
	By, Within []string
	Effects    []Effect
	Letters    []Letters
	Warnings   []analyze.Warning // of the whole trial
	Confidence float64
	Tests      int // in the family that was adjusted for
	Spoiled    int // picks left out, marked as spoiled
	Changes    []Change
}

// A Change is a finding that would be another with the spoiled picks.
type Change struct {
	Effect Effect // with them
	Was    Finding
}

// Letters are the levels of one stratum in one measure, the best first: two levels that
// share a letter cannot be told apart. There are none where of some pair nothing was found,
// such as of one piece: then to have no difference shown says nothing.
type Letters struct {
	Measure *Measure
	Stratum string
	Levels  []Lettered
}

// A Lettered is a level with its letters and its middle: the mean over units, the median of
// times.
type Lettered struct {
	Level   string
	Letters string
	Middle  float64
	Pieces  int
	Picks   int
	First   int // place of its first unit in the order of runs
}

// Compare compares every pair of levels within every stratum. p-values are adjusted after
// Holm over all tests of the comparison, all measures included; a comparison of one measure
// is the stronger for it. The run that is being made waits until it is complete: what a run
// shows must not depend on when one looks.
func Compare(t *Trial, o Options) Comparison {
	c := compare(t, o)
	with, n := t.all()
	if c.Spoiled = n; n == 0 || t.withSpoiled {
		return c
	}
	for _, e := range compare(with, o).Effects {
		i := slices.IndexFunc(c.Effects, func(x Effect) bool {
			return x.Measure == e.Measure && x.Stratum == e.Stratum && (x.A == e.A && x.B == e.B || x.A == e.B && x.B == e.A)
		})
		switch {
		case i < 0: // only the spoiled picks show it at all
			if e.Finding == Better || e.Finding == Worse {
				c.Changes = append(c.Changes, Change{e, NotApart})
			}
		case c.Effects[i].A == e.A && c.Effects[i].Finding != e.Finding, c.Effects[i].A != e.A && c.Effects[i].Finding != e.Finding.turned():
			c.Changes = append(c.Changes, Change{e, c.Effects[i].Finding})
		}
	}
	return c
}

// turned is the finding with the levels the other way round.
func (f Finding) turned() Finding {
	switch f {
	case Better:
		return Worse
	case Worse:
		return Better
	}
	return f
}

func compare(t *Trial, o Options) Comparison {
	if o.Within == nil {
		o.Within = []string{"bag"}
	}
	if o.By == nil {
		for _, f := range config.Factors {
			if !slices.Contains(o.Within, f) {
				o.By = append(o.By, f)
			}
		}
	}
	if o.See == 0 {
		o.See = 10
	}
	all := slices.DeleteFunc(t.units(), func(u unit) bool { return u.run == t.Current })
	c := Comparison{By: o.By, Within: o.Within, Confidence: t.Requirement.Confidence}
	by := varying(all, o.By)
	var others []string // compared within one level of these, too, without showing each
	for _, f := range config.Factors {
		if !slices.Contains(o.By, f) && !slices.Contains(o.Within, f) {
			others = append(others, f)
		}
	}
	stratum := func(s *config.Setup) string { return levels(s, o.Within) }
	_, names := split(all, func(u unit) string { return stratum(u.setup) })
	// Measures and strata do not touch each other: each is compared on its own, all at once.
	parts := make([]Comparison, len(Measures)*len(names))
	drifts := make([][]analyze.Warning, len(Measures))
	var wait sync.WaitGroup
	for k := range Measures {
		m := &Measures[k]
		if len(o.Measures) > 0 && !slices.Contains(o.Measures, m.Name) {
			continue
		}
		wait.Go(func() {
			views := look(all, m)
			if !slices.ContainsFunc(views, func(v view) bool { return !math.IsInf(v.mid.raw, 0) && (!m.cases || v.mid.raw > 0) }) {
				return
			}
			strata, _ := split(views, func(u view) string { return stratum(u.setup) })
			for n, name := range names {
				// A stratum without a case has nothing to compare.
				none := m.cases && !slices.ContainsFunc(strata[name], func(v view) bool { return v.mid.raw > 0 })
				part := &parts[k*len(names)+n]
				wait.Go(func() {
					groups, order := split(strata[name], func(u view) string { return levels(u.setup, by) })
					for i, a := range order {
						for _, b := range order[i+1:] {
							if none {
								break
							}
							e := t.pair(m, groups[a], groups[b], others, o.See)
							e.Stratum, e.A, e.B = name, a, b
							part.Effects = append(part.Effects, e)
						}
					}
					part.Letters = append(part.Letters, middles(m, name, groups, order))
				})
			}
			if w, ok := drift(views); ok && !m.cases {
				drifts[k] = []analyze.Warning{w}
			}
		})
	}
	wait.Wait()
	c.Warnings = append(slices.Concat(drifts...), t.energyRemarks()...)
	for _, p := range parts {
		c.Effects = append(c.Effects, p.Effects...)
	}
	c.judge()
	for _, p := range parts {
		for _, l := range p.Letters {
			if len(l.Levels) > 1 {
				c.Letters = append(c.Letters, c.letter(l))
			}
		}
	}
	return c
}

// judge adjusts the p-values and finds.
func (c *Comparison) judge() {
	p := make([]float64, len(c.Effects))
	for i, e := range c.Effects {
		p[i] = e.P
		if !math.IsNaN(e.P) {
			c.Tests++
		}
	}
	for i, adjusted := range stats.Holm(p) {
		e := &c.Effects[i]
		e.Adjusted = adjusted
		if e.Finding != "" {
			continue // decided already
		}
		e.Finding = NotApart
		if adjusted <= 1-c.Confidence {
			e.Finding = Worse
			if e.Percent.Value*e.Measure.Better > 0 || math.IsNaN(e.Percent.Value) && e.Absolute.Value*e.Measure.Better > 0 {
				e.Finding = Better
			}
		}
		if c.Tests > 1 {
			e.Percent.Warnings = append(e.Percent.Warnings, analyze.Warn(Unadjusted))
		}
	}
}

// middles returns the levels of a stratum, the best first, without letters. A level whose seal
// times start from different events has no middle; a few that start otherwise are left out.
func middles(m *Measure, stratum string, groups map[string][]view, order []string) Letters {
	l := Letters{Measure: m, Stratum: stratum}
	for _, name := range order {
		v := Lettered{Level: name, First: groups[name][0].place}
		pieces := map[string]bool{}
		var mids []float64
		ones, _, ok := oneStart(m, groups[name])
		for _, u := range ones[0] {
			v.Picks += len(u.picks)
			pieces[u.piece] = true
			mids = append(mids, u.mid.raw)
		}
		if v.Pieces, v.Middle = len(pieces), middle(m, mids); !ok {
			v.Middle = math.NaN()
		}
		l.Levels = append(l.Levels, v)
	}
	slices.SortStableFunc(l.Levels, func(a, b Lettered) int { // what has no middle comes last
		return cmp.Compare(m.Better*b.Middle, m.Better*a.Middle)
	})
	return l
}

// letter gives each level its letters, if any (Piepho 2004, Journal of Computational and Graphical
// Statistics 13, 456–466: insert and absorb).
func (c *Comparison) letter(l Letters) Letters {
	apart := map[[2]string]bool{}
	for _, e := range c.Effects {
		if e.Measure != l.Measure || e.Stratum != l.Stratum {
			continue
		}
		switch e.Finding {
		case Better, Worse:
			apart[[2]string{e.A, e.B}], apart[[2]string{e.B, e.A}] = true, true
		case NotApart:
		default:
			return l
		}
	}
	// Columns of levels that cannot be told apart; each pair that can splits the columns that
	// hold both, and a column within another is absorbed.
	n := len(l.Levels)
	whole := make([]bool, n)
	for i := range whole {
		whole[i] = true
	}
	columns := [][]bool{whole}
	for i := range n {
		for j := i + 1; j < n; j++ {
			if !apart[[2]string{l.Levels[i].Level, l.Levels[j].Level}] {
				continue
			}
			var next [][]bool
			for _, col := range columns {
				if !col[i] || !col[j] {
					next = append(next, col)
					continue
				}
				for _, drop := range []int{j, i} {
					part := slices.Clone(col)
					part[drop] = false
					next = append(next, part)
				}
			}
			columns = absorb(next)
		}
	}
	slices.SortFunc(columns, func(a, b []bool) int { return slices.Index(a, true) - slices.Index(b, true) })
	for k, col := range columns {
		for i, in := range col {
			if in {
				l.Levels[i].Letters += letter(k)
			}
		}
	}
	return l
}

func letter(k int) string {
	if k < 26 {
		return string(rune('a' + k))
	}
	return letter(k/26-1) + letter(k%26)
}

// absorb drops columns that are part of another.
func absorb(columns [][]bool) [][]bool {
	var kept [][]bool
	for i, a := range columns {
		within := false
		for j, b := range columns {
			inside, same := true, true
			for k := range a {
				inside = inside && (!a[k] || b[k])
				same = same && a[k] == b[k]
			}
			if inside && (!same || j < i) && j != i {
				within = true
			}
		}
		if !within {
			kept = append(kept, a)
		}
	}
	return kept
}

// varying returns the factors that have several levels among units, all where none has.
func varying(all []unit, factors []string) []string {
	var out []string
	for _, f := range factors {
		if slices.ContainsFunc(all, func(u unit) bool { return u.setup.Level(f) != all[0].setup.Level(f) }) {
			out = append(out, f)
		}
	}
	if out == nil {
		return factors
	}
	return out
}

// split groups all by key, with the keys in order of first appearance.
func split[T any, K comparable](all []T, key func(T) K) (map[K][]T, []K) {
	groups := map[K][]T{}
	var order []K
	for _, u := range all {
		k := key(u)
		if groups[k] == nil {
			order = append(order, k)
		}
		groups[k] = append(groups[k], u)
	}
	return groups, order
}

// middle is the mean of values, the median of times.
func middle(m *Measure, v []float64) float64 {
	if m.Skewed {
		return stats.Median(v)
	}
	return stats.Mean(v)
}

// A cell is the units of both levels within one level of everything else.
type cell struct{ a, b []view }

// pair compares the units of two levels.
func (t *Trial) pair(m *Measure, a, b []view, others []string, see float64) (e Effect) {
	e = Effect{Measure: m, P: math.NaN(), Percent: analyze.None(), Absolute: analyze.None(), Sides: analyze.None()}
	ones, out, ok := oneStart(m, a, b)
	if !ok {
		return e.cannot(analyze.Warn(DifferentStarts))
	}
	if a, b = ones[0], ones[1]; out > 0 {
		defer func() { e.Warnings = append(e.Warnings, analyze.Warn1(OtherStarts, float64(out))) }()
	}
	byOther, order := split(slices.Concat(a, b), func(u view) string { return levels(u.setup, others) })
	var cells []cell
	for _, o := range order {
		var c cell
		for _, u := range byOther[o] {
			if slices.ContainsFunc(a, func(x view) bool { return x.setup == u.setup }) {
				c.a = append(c.a, u)
			} else {
				c.b = append(c.b, u)
			}
		}
		if len(c.a) > 0 && len(c.b) > 0 {
			cells = append(cells, c)
		}
	}
	if len(cells) == 0 {
		return e.cannot(analyze.Warn2(NotTestable, float64(len(a)), float64(len(b))))
	}
	hard := t.dear()
	d := t.contrast(m, cells, levels(a[0].setup, hard) != levels(b[0].setup, hard))
	e.Block, e.NA, e.NB, e.Paired = d.block, d.nA, d.nB, d.paired
	e.Warnings = d.warnings
	level := t.Requirement.Confidence
	// Cases count by picks or pieces, but between set-ups of what is dear by set-ups.
	describe := func() Effect {
		if m.cases {
			e := t.cases(e, m, cells)
			e.P = math.NaN()
			return e
		}
		return t.onePiece(e, m, cells)
	}
	switch {
	case m.cases && t.Design.Sequential:
		return e.cannot(analyze.Warn(Sequential))
	case d.block == "whole plot" && min(d.nA, d.nB) < 2:
		e = describe()
		e.Finding = Untestable
		e.Warnings = append(e.Warnings, analyze.Warn2(NotTestable, float64(d.nA), float64(d.nB)))
		return e
	case d.units() < 2:
		e = describe()
		e.Finding = OnePiece
		e.Warnings = append(e.Warnings, analyze.Warn(ThisPieceOnly))
		if !m.cases {
			e.Warnings = append(e.Warnings, t.pieces(d, m, see))
		}
		return e
	case m.cases && d.block != "whole plot":
		e = t.cases(e, m, cells)
		if !t.Finished {
			e.Finding = NotYet
			e.Warnings = append(e.Warnings, analyze.Warn(Provisional))
		}
		return e
	case !t.Finished:
		e = d.anytime(e, level)
		e.Finding = NotYet
		e.Warnings = append(e.Warnings, analyze.Warn(Provisional))
		return e
	}
	e = d.test(e, level)
	if !(e.P <= 1-level) && !m.cases {
		e.Warnings = append(e.Warnings, t.pieces(d, m, see))
	}
	return e
}

func (e Effect) cannot(w analyze.Warning) Effect {
	e.Finding = Untestable
	e.Warnings = append(e.Warnings, w)
	return e
}

// A contrast is what is known of the difference of two levels, unit by independent unit, on
// the measure's own scale and, where all values are above 0, on that of logarithms.
type contrast struct {
	measure  *Measure
	block    string
	nA, nB   int
	paired   bool
	own      scaled
	log      scaled  // empty where a value is not above 0
	base     float64 // mean of B on the measure's scale
	warnings []analyze.Warning
}

// scaled holds differences of pairs, by the side that A was on, or the two samples, cell by
// cell.
type scaled struct {
	diffs       []float64
	left, right []float64
	a, b        [][]float64
}

// crossover reports whether every pair stood side by side, with sides swapped.
func (d *contrast) crossover() bool {
	return d.paired && len(d.own.left) > 0 && len(d.own.right) > 0 && len(d.own.left)+len(d.own.right) == d.nA && d.nA >= 3
}

func (d *contrast) units() int {
	if d.paired {
		return d.nA
	}
	return min(d.nA, d.nB)
}

// contrast finds what counts as one. Where the levels differ in a factor that is dear to
// change, it is the whole plot. Else it is the piece: both levels on the same piece are a
// pair, or on different pieces two samples of pieces; where pieces have no name it is the
// run. Both levels side by side in one run share the run.
func (t *Trial) contrast(m *Measure, cells []cell, dear bool) contrast {
	d := contrast{measure: m, block: "piece"}
	logs := true
	for _, c := range cells {
		for _, u := range slices.Concat(c.a, c.b) {
			logs = logs && u.positive
		}
	}
	named := true
	for _, c := range cells {
		for _, u := range slices.Concat(c.a, c.b) {
			named = named && u.piece != ""
		}
	}
	key := func(u view) string { return u.setup.Bag + "\x00" + u.piece }
	switch {
	case dear:
		d.block = "whole plot"
		key = func(u view) string { return strconv.Itoa(u.plot) }
	case !named:
		d.block = "run"
		key = func(u view) string { return strconv.Itoa(u.run) }
	}
	var bAll []float64
	for _, c := range cells {
		ga, oa := split(c.a, key)
		gb, ob := split(c.b, key)
		var shared []string
		for _, k := range oa {
			if gb[k] != nil {
				shared = append(shared, k)
			}
		}
		side := map[string]int{}
		if 2*len(shared) >= min(len(oa), len(ob)) && len(shared) > 0 && !dear {
			// Pairs: only blocks that have both.
			for _, k := range shared {
				a := blockValue(ga[k])
				b := blockValue(gb[k])
				d.paired = true
				d.nA++
				d.own.diffs = append(d.own.diffs, minus(a.own, b.own))
				d.log.diffs = append(d.log.diffs, minus(a.log, b.log))
				bAll = append(bAll, b.raw)
				switch s := abreast(ga[k], gb[k]); s {
				case 1:
					d.own.left, d.log.left = append(d.own.left, minus(a.own, b.own)), append(d.log.left, minus(a.log, b.log))
					side["left"]++
				case -1:
					d.own.right, d.log.right = append(d.own.right, minus(a.own, b.own)), append(d.log.right, minus(a.log, b.log))
					side["right"]++
				}
			}
			continue
		}
		var own, log [2][]float64
		for i, g := range []map[string][]view{ga, gb} {
			for _, k := range [][]string{oa, ob}[i] {
				v := blockValue(g[k])
				own[i], log[i] = append(own[i], v.own), append(log[i], v.log)
				if i == 1 {
					bAll = append(bAll, v.raw)
				}
			}
		}
		d.nA += len(own[0])
		d.nB += len(own[1])
		d.own.a, d.own.b = append(d.own.a, own[0]), append(d.own.b, own[1])
		d.log.a, d.log.b = append(d.log.a, log[0]), append(d.log.b, log[1])
		if ordered(c) && !dear {
			d.warnings = append(d.warnings, analyze.Warn(OrderConfounded))
		}
	}
	if d.paired {
		// Mixed cells: pairs are the stronger evidence, samples beside them are left out.
		d.own.a, d.own.b, d.log.a, d.log.b = nil, nil, nil, nil
		d.nA = len(d.own.diffs)
		d.nB = d.nA
		if n := len(d.own.left) + len(d.own.right); n == d.nA && (len(d.own.left) == 0 || len(d.own.right) == 0) {
			d.warnings = append(d.warnings, analyze.Warn(SidesNotSwapped))
		}
	}
	if t.Shared && len(d.own.left)+len(d.own.right) > 0 {
		d.warnings = append(d.warnings, analyze.Warn(NotIndependent))
	}
	if !logs {
		d.log = scaled{}
	}
	d.base = middle(m, bAll)
	return d
}

// energyRemarks says what is missing of the picks' energies.
func (t *Trial) energyRemarks() (all []analyze.Warning) {
	n, some := 0, false
	for i := range t.Picks {
		e := &t.Picks[i].EnergyJ
		some = some || e.OK()
		if e.Has(analyze.AirUnmeasured) || e.Has(analyze.PowerUnmeasured) {
			n++
		}
	}
	if n > 0 {
		all = append(all, analyze.Warn1(EnergyMissing, float64(n)))
	}
	if t.Unlike && some {
		all = append(all, analyze.Warn(EnergyUnlike))
	}
	return all
}

// minus returns a − b, 0 for two unsealed ones.
func minus(a, b float64) float64 {
	if math.IsInf(a, 1) && math.IsInf(b, 1) {
		return 0
	}
	return a - b
}

type blockMean struct{ own, log, raw float64 }

// blockValue is one number of a block: the mean of what its runs have.
func blockValue(units []view) blockMean {
	var own, log, raw []float64
	for _, u := range units {
		own, log, raw = append(own, u.mid.own), append(log, u.mid.log), append(raw, u.mid.raw)
	}
	return blockMean{stats.Mean(own), stats.Mean(log), stats.Mean(raw)}
}

// abreast returns 1 where a and b stood side by side in one run with a on the first station
// by name, −1 with b there, and 0 where they were apart or both ways.
func abreast(a, b []view) int {
	side := 0
	for _, x := range a {
		for _, y := range b {
			if x.run != y.run || x.station == y.station {
				continue
			}
			s := cmp.Compare(y.station, x.station)
			if side != 0 && s != side {
				return 0
			}
			side = s
		}
	}
	return side
}

// ordered reports whether all runs of one level came before all of the other.
func ordered(c cell) bool {
	first := func(u []view) (lo, hi int) {
		lo, hi = u[0].run, u[0].run
		for _, x := range u {
			lo, hi = min(lo, x.run), max(hi, x.run)
		}
		return lo, hi
	}
	la, ha := first(c.a)
	lb, hb := first(c.b)
	return len(c.a)+len(c.b) > 2 && (ha < lb || hb < la)
}

// rankUnits is the number of blocks from which times are compared by ranks: with 8 and 8
// the smallest two-sided p is 0.00016, which leaves room for an adjustment; below it ranks
// can show nothing and logarithms of medians are compared by t.
const rankUnits = 8

// test fills in what the contrast shows.
func (d *contrast) test(e Effect, level float64) Effect {
	infinite := false
	for _, v := range slices.Concat(slices.Concat(d.own.a...), slices.Concat(d.own.b...), d.own.diffs) {
		infinite = infinite || math.IsInf(v, 0)
	}
	logs := len(d.log.diffs)+len(d.log.a) > 0
	rank := d.measure.Skewed && (d.units() >= rankUnits || infinite)
	switch {
	case rank && d.paired:
		e.Method = "Wilcoxon, Hodges–Lehmann"
		own := stats.SignedRank(d.own.diffs, level)
		e.P, e.Absolute = own.P, figure(own.Shift, math.NaN(), own.Interval)
		if logs {
			l := stats.SignedRank(d.log.diffs, level)
			e.P = l.P // of what is shown: ranks of differences depend on the scale
			e.Percent = ratio(l.Shift, math.NaN(), l.Interval)
		}
	case rank:
		e.Method = "Mann–Whitney, Hodges–Lehmann"
		own := stats.RankSum(aligned(d.own, level))
		e.P, e.Absolute = own.P, figure(own.Shift, math.NaN(), own.Interval)
		if logs {
			l := stats.RankSum(aligned(d.log, level))
			e.P = l.P
			e.Percent = ratio(l.Shift, math.NaN(), l.Interval)
		}
	case d.crossover():
		e.Method = "crossover, t"
		own := stats.CrossOver(d.own.left, d.own.right, level)
		e.P, e.Absolute = own.Effect.P, figure(own.Effect.Diff, own.Effect.SE, own.Effect.Interval)
		e.Percent = percentOf(own.Effect, d.base)
		e.Sides = percentOf(own.Side, d.base)
		if logs {
			l := stats.CrossOver(d.log.left, d.log.right, level)
			e.P, e.Percent = l.Effect.P, ratio(l.Effect.Diff, l.Effect.SE, l.Effect.Interval)
			e.Sides = ratio(l.Side.Diff, l.Side.SE, l.Side.Interval)
			own.Side.P = l.Side.P
		}
		if own.Side.P <= 1-level {
			e.Warnings = append(e.Warnings, analyze.Warn1(SidesDiffer, e.Sides.Value))
		}
	case d.paired:
		e.Method = "paired t"
		own := stats.OneSample(d.own.diffs, level)
		e.P, e.Absolute, e.Percent = own.P, figure(own.Diff, own.SE, own.Interval), percentOf(own, d.base)
		if logs {
			l := stats.OneSample(d.log.diffs, level)
			e.P, e.Percent = l.P, ratio(l.Diff, l.SE, l.Interval)
		}
	default:
		e.Method = "t of means, unequal spreads"
		own := cellwise(d.own, level)
		e.P, e.Absolute, e.Percent = own.P, figure(own.Diff, own.SE, own.Interval), percentOf(own, d.base)
		if logs {
			l := cellwise(d.log, level)
			e.P, e.Percent = l.P, ratio(l.Diff, l.SE, l.Interval)
		}
	}
	return e
}

// aligned puts the samples of several cells on one level: each cell less its median (Hodges
// and Lehmann 1962, Annals of Mathematical Statistics 33, 482–497).
func aligned(s scaled, level float64) (x, y []float64, at float64) {
	if len(s.a) == 1 {
		return s.a[0], s.b[0], level
	}
	for i := range s.a {
		m := stats.Median(slices.Concat(s.a[i], s.b[i]))
		if math.IsInf(m, 0) {
			m = 0
		}
		for _, v := range s.a[i] {
			x = append(x, v-m)
		}
		for _, v := range s.b[i] {
			y = append(y, v-m)
		}
	}
	return x, y, level
}

// cellwise is the mean of the cells' differences, each with its own spread, with
// Satterthwaite's degrees of freedom; of one cell it is Welch's test.
func cellwise(s scaled, level float64) stats.TTest {
	if len(s.a) == 1 {
		return stats.Welch(s.a[0], s.b[0], level)
	}
	var parts []stats.TTest
	for i := range s.a {
		if w := stats.Welch(s.a[i], s.b[i], level); !math.IsNaN(w.SE) {
			parts = append(parts, w)
		}
	}
	return stats.MeanOf(parts, level)
}

// anytime fills in intervals that hold however often one looks.
func (d *contrast) anytime(e Effect, level float64) Effect {
	interval := func(s scaled) (float64, stats.Interval) {
		if d.paired {
			return stats.Mean(s.diffs), stats.AnytimeMean(s.diffs, level)
		}
		x, y, _ := aligned(s, level)
		return stats.Mean(x) - stats.Mean(y), stats.AnytimeDifference(x, y, level)
	}
	e.Method = "anytime-valid interval"
	v, i := interval(d.own)
	e.Absolute = figure(v, math.NaN(), i)
	if len(d.log.diffs)+len(d.log.a) > 0 {
		v, i := interval(d.log)
		e.Percent = ratio(v, math.NaN(), i)
	} else if b := d.base; b > 0 {
		e.Percent = figure(100*v/b, math.NaN(), stats.Interval{Lo: 100 * i.Lo / b, Hi: 100 * i.Hi / b})
	}
	return e
}

// onePiece describes the picks of one piece or whole plot: it says nothing of others.
func (t *Trial) onePiece(e Effect, m *Measure, cells []cell) Effect {
	var a, b, la, lb []float64
	var rho, raws float64
	var worth [2]float64
	shown, positive := false, true
	for _, c := range cells {
		for i, units := range [][]view{c.a, c.b} {
			for _, u := range units {
				worth[i] += stats.EffectiveSize(u.raw)
				if r, yes := stats.Lag1(u.raw); yes && len(u.raw) >= 10 {
					shown, rho = true, max(rho, r)
				}
				positive = positive && u.positive
				if i == 0 {
					a, la = append(a, u.above...), append(la, u.logs...)
				} else {
					b, lb = append(b, u.above...), append(lb, u.logs...)
					raws += stats.Mean(u.raw) * float64(len(u.raw))
				}
			}
		}
	}
	e.Method = "of the picks alone"
	e.Block, e.NA, e.NB, e.Paired = "pick", len(a), len(b), false
	if worth[0] < 5 || worth[1] < 5 {
		e.Warnings = append(e.Warnings, analyze.Warn2(TooFewPicks, math.Floor(min(worth[0], worth[1])), 5))
		if len(a) > 0 && len(b) > 0 {
			e.Absolute = figure(minus(middle(m, a), middle(m, b)), math.NaN(), stats.Interval{Lo: math.NaN(), Hi: math.NaN()})
		}
		return e
	}
	if shown {
		e.Warnings = append(e.Warnings, analyze.Warn2(Autocorrelated, rho, min(worth[0]/float64(len(a)), worth[1]/float64(len(b)))))
	}
	level := t.Requirement.Confidence
	if m.Skewed && !shown {
		r, l := stats.RankSum(a, b, level), stats.RankSum(la, lb, level)
		e.Absolute = figure(r.Shift, math.NaN(), r.Interval)
		if positive {
			e.Percent = ratio(l.Shift, math.NaN(), l.Interval)
		}
		return e
	}
	spread := func(x, y []float64) stats.TTest {
		w := stats.Welch(x, y, level)
		// Picks that depend on each other are worth fewer.
		return w.Widen(math.Sqrt(max(float64(len(x))/worth[0], float64(len(y))/worth[1])), level)
	}
	own := spread(a, b)
	e.Absolute = figure(own.Diff, own.SE, own.Interval)
	if positive {
		l := spread(la, lb)
		e.Percent = ratio(l.Diff, l.SE, l.Interval)
	} else {
		e.Percent = percentOf(own, raws/float64(len(b)))
	}
	return e
}

// pieces says how many blocks of each level would show a difference of see percent with a
// power of 80 %, from the spread seen.
func (t *Trial) pieces(d contrast, m *Measure, see float64) analyze.Warning {
	s := d.log
	delta := math.Log1p(see / 100)
	if len(s.diffs)+len(s.a) == 0 {
		s, delta = d.own, see/100*math.Abs(d.base)
	}
	var sd float64
	switch {
	case d.crossover():
		// What the sides differ by is no spread: it is taken out.
		l, r := s.left, s.right
		sd = math.Sqrt((stats.SumSquares(l) + stats.SumSquares(r)) / float64(len(l)+len(r)-2))
	case d.paired:
		sd = stats.SD(s.diffs)
	default:
		var ss, df float64
		for i := range s.a {
			for _, v := range [][]float64{s.a[i], s.b[i]} {
				if len(v) > 1 {
					ss += stats.SumSquares(v)
					df += float64(len(v) - 1)
				}
			}
		}
		sd = math.Sqrt(ss / df)
	}
	if !(sd > 0) || math.IsInf(sd, 0) {
		// Nothing is known of the spread between blocks: a pilot has to show it first.
		return analyze.Warn1(MorePieces, 3)
	}
	return analyze.Warn2(MorePieces, float64(stats.SizeForDifference(delta, sd, t.Requirement.Confidence, 0.8, d.paired)), see)
}

func figure(v, u float64, i stats.Interval) analyze.Figure {
	return analyze.Figure{Value: v, U: u, Lo: i.Lo, Hi: i.Hi}
}

// ratio turns a difference of logarithms into percent.
func ratio(v, u float64, i stats.Interval) analyze.Figure {
	p := func(x float64) float64 { return 100 * math.Expm1(x) }
	return analyze.Figure{Value: p(v), U: 100 * math.Exp(v) * u, Lo: p(i.Lo), Hi: p(i.Hi)}
}

func percentOf(t stats.TTest, base float64) analyze.Figure {
	if !(base > 0) || math.IsInf(base, 1) {
		return analyze.None()
	}
	f := 100 / base
	return analyze.Figure{Value: f * t.Diff, U: f * t.SE, Lo: f * t.Lo, Hi: f * t.Hi}
}

// drift looks for a trend over the runs in what setup and piece leave.
func drift(all []view) (analyze.Warning, bool) {
	groups, order := split(all, func(u view) string { return u.setup.Name + "\x00" + u.piece })
	if len(all)-len(order) < 4 {
		groups, order = split(all, func(u view) string { return u.setup.Name })
	}
	var at, rest []float64
	for _, k := range order {
		var runs, v []float64
		for _, u := range groups[k] {
			if !math.IsInf(u.mid.raw, 0) {
				runs, v = append(runs, float64(u.run)), append(v, u.mid.own)
			}
		}
		if len(v) < 2 {
			continue
		}
		mean := stats.Mean(v)
		for i := range v {
			at, rest = append(at, runs[i]), append(rest, v[i]-mean)
		}
	}
	if len(rest) < 8 {
		return analyze.Warning{}, false
	}
	at, rest = thin(at, rest, trendPoints/4)
	if trend := stats.TheilSen(at, rest, 0.95); trend.P < 0.01 {
		return analyze.Warn1(Drifts, trend.P), true
	}
	return analyze.Warning{}, false
}
