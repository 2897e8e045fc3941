package compare

import (
	"cmp"
	"math"
	"slices"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
)

// InTurn is how two stations stand to each other by readings taken in turn, or side by side:
// what a person with two hand-held grippers and one bag wants to know while pressing.
type InTurn struct {
	Measure  *Measure
	Readings []Reading
	Pairs    int
	Percent  analyze.Figure // A less B in percent of B
	Reverse  analyze.Figure // B less A in percent of A
	Lead     int            // +1 where A looks better so far, -1 where B does; 0 for neither
	Shown    bool           // that it is: the interval does not hold 0
	Warnings []analyze.Warning
}

// A Reading is one pick of each station, or of one of them; nil for none.
type Reading struct{ A, B *pick.Pick }

// NotPositive warns that a value is not above 0, so that there is no ratio.
const NotPositive analyze.Code = "a value is not above 0"

// TakeTurns compares picks of two stations by one measure. In the order of their starts a
// reading of one and the next of the other make a pair; a reading that another of its own
// station follows stands alone. The ratio of a pair is A's value by B's; the interval of their
// geometric mean holds at every number of pairs at once (stats.AnytimeMean on logarithms), so
// that one may look after each and stop when it shows something. Picks without the measure
// are left out.
func TakeTurns(a, b []pick.Pick, m *Measure, level float64) InTurn {
	t := InTurn{Measure: m, Percent: analyze.None(), Reverse: analyze.None()}
	type turn struct {
		p    *pick.Pick
		ofA  bool
		when float64
	}
	var all []turn
	for _, x := range []struct {
		picks []pick.Pick
		ofA   bool
	}{{a, true}, {b, false}} {
		for i := range x.picks {
			p := &x.picks[i]
			when := p.StartS
			for _, s := range []float64{p.ContactS, p.SealedAtS, p.EndS} {
				if math.IsNaN(when) {
					when = s
				}
			}
			if v := m.of(p); !math.IsNaN(v) && !math.IsInf(v, 0) {
				all = append(all, turn{p, x.ofA, when})
			}
		}
	}
	slices.SortStableFunc(all, func(x, y turn) int { return cmp.Compare(x.when, y.when) })
	var logs []float64
	for i := 0; i < len(all); i++ {
		r := Reading{}
		put := func(x turn) {
			if x.ofA {
				r.A = x.p
			} else {
				r.B = x.p
			}
		}
		put(all[i])
		if i+1 < len(all) && all[i+1].ofA != all[i].ofA {
			put(all[i+1])
			i++
			va, vb := m.of(r.A), m.of(r.B)
			if va > 0 && vb > 0 {
				logs = append(logs, math.Log(va/vb))
			} else if len(t.Warnings) == 0 {
				t.Warnings = append(t.Warnings, analyze.Warn(NotPositive))
			}
		}
		t.Readings = append(t.Readings, r)
	}
	t.Pairs = len(logs)
	if t.Pairs == 0 {
		return t
	}
	mean, u := stats.Mean(logs), math.NaN()
	if t.Pairs > 1 {
		u = stats.SD(logs) / math.Sqrt(float64(t.Pairs))
	}
	i := stats.AnytimeMean(logs, level)
	percent := func(log float64) float64 { return 100 * math.Expm1(log) }
	t.Percent = figure(percent(mean), 100*math.Exp(mean)*u, stats.Interval{Lo: percent(i.Lo), Hi: percent(i.Hi)})
	t.Reverse = figure(percent(-mean), 100*math.Exp(-mean)*u, stats.Interval{Lo: percent(-i.Hi), Hi: percent(-i.Lo)})
	switch x := mean * m.Better; {
	case x > 0:
		t.Lead = 1
	case x < 0:
		t.Lead = -1
	}
	t.Shown = i.Lo > 0 || i.Hi < 0
	return t
}
