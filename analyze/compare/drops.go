package compare

import (
	"math"

	"griptrial/analyze"
	"griptrial/analyze/stats"
)

// cases compares how often something happened to the picks of two levels: an exact test and
// an interval of the difference of the rates, cell by cell. Where cases cluster by piece, all
// counts are divided by the design effect first. Before the plan is finished the rates' own
// anytime-valid intervals take the place of both.
func (t *Trial) cases(e Effect, m *Measure, cells []cell) Effect {
	var strata []stats.Counts
	var seen [2]stats.Interval // of the rates, all cells together, at any time
	var all stats.Counts
	effect := 1.0
	level := t.Requirement.Confidence
	e.NA, e.NB, e.Block, e.Paired = 0, 0, "pick", false
	for _, c := range cells {
		var x, n [2]float64
		for i, views := range [][]view{c.a, c.b} {
			var units []unit
			for _, v := range views {
				units = append(units, *v.unit)
			}
			groups := clusters(units, func(p *Pick) float64 { return m.of(&p.Pick) })
			// The worst of all holds for all: few drops show a cluster in one sample and hide it in
			// the next.
			effect = max(effect, designEffect(groups, true))
			for _, g := range groups {
				n[i] += float64(len(g))
				x[i] += math.Round(stats.Mean(g) * float64(len(g)))
			}
		}
		strata = append(strata, stats.Counts{X1: x[0], N1: n[0], X2: x[1], N2: n[1]})
		e.NA += int(n[0])
		e.NB += int(n[1])
	}
	for i := range strata {
		s := &strata[i]
		*s = stats.Counts{X1: s.X1 / effect, N1: s.N1 / effect, X2: s.X2 / effect, N2: s.N2 / effect}
		all = stats.Counts{X1: all.X1 + s.X1, N1: all.N1 + s.N1, X2: all.X2 + s.X2, N2: all.N2 + s.N2}
	}
	if effect > 1 {
		e.Block = "piece"
		e.Warnings = append(e.Warnings, analyze.Warn1(DropsCluster, effect))
	}
	diff, i := stats.RateDifference(strata, level)
	if !t.Finished {
		// Each end is wrong with half the chance.
		seen[0], seen[1] = stats.AnytimeRate(all.X1, all.N1, (1+level)/2), stats.AnytimeRate(all.X2, all.N2, (1+level)/2)
		e.Method = "anytime-valid interval"
		e.Absolute = figure(diff, math.NaN(), stats.Interval{Lo: seen[0].Lo - seen[1].Hi, Hi: seen[0].Hi - seen[1].Lo})
		return e
	}
	e.Method = "Fisher, Newcombe"
	e.Absolute = figure(diff, math.NaN(), i)
	if all.X1+all.X2 == 0 {
		return e // no case, no evidence: it is no member of the family (Tarone 1990, Biometrics 46, 515–522)
	}
	if e.P = stats.Fisher(strata); e.P > 1-level {
		// As many of each as would tell the rates seen apart at a power of 80 %, by their
		// angles (Cohen 1988, Statistical Power Analysis, 6.4).
		angle := 2 * math.Abs(math.Asin(math.Sqrt(all.X1/all.N1))-math.Asin(math.Sqrt(all.X2/all.N2)))
		z := stats.NormalQuantile((1+level)/2) + stats.NormalQuantile(0.8)
		if n := effect * 2 * z * z / (angle * angle); n < 1e7 {
			e.Warnings = append(e.Warnings, analyze.Warn1(MorePicks, math.Ceil(max(1, n-float64(min(e.NA, e.NB))))))
		}
	}
	return e
}
