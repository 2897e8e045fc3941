package compare

import (
	"math"
	"slices"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
)

// A Summary is what one setup showed in one measure.
type Summary struct {
	Setup   string
	Measure *Measure
	Picks   int
	Blocks  int    // what counts as one:
	Block   string // "piece", or "pick" where all are of one piece
	// Middle is the mean over blocks, of times the geometric mean over blocks' medians, with its
	// interval by t. Of one piece it is over picks, an effective number of which counts where
	// they depend on each other, and says nothing of other pieces.
	Middle analyze.Figure
}

// Phases are the parts of a pick's energy, as measures.
var Phases = []Measure{
	{Name: "energy_approach_J", Words: "approach", Short: "approach", Unit: "J", Scale: 1, Better: -1, of: value(func(p *pick.Pick) *analyze.Figure { return &p.ApproachJ })},
	{Name: "energy_evacuate_J", Words: "evacuate", Short: "evacuate", Unit: "J", Scale: 1, Better: -1, of: value(func(p *pick.Pick) *analyze.Figure { return &p.EvacuateJ })},
	{Name: "energy_hold_J", Words: "hold", Short: "hold", Unit: "J", Scale: 1, Better: -1, of: value(func(p *pick.Pick) *analyze.Figure { return &p.HoldJ })},
	{Name: "energy_release_J", Words: "release", Short: "release", Unit: "J", Scale: 1, Better: -1, of: value(func(p *pick.Pick) *analyze.Figure { return &p.ReleaseJ })},
}

// Summaries returns what every setup with picks showed in each of measures, in the order of
// the trial's setups; nothing for a measure that a setup's picks do not have. Unsealed picks
// have no seal time and are left out of it, and so are a few whose seal time starts otherwise than
// that of most; where they are more than a few there is no middle.
func Summaries(t *Trial, measures []Measure) []Summary {
	bySetup, _ := split(t.units(), func(u unit) string { return u.setup.Name })
	var all []Summary
	for i := range t.Setups {
		name := t.Setups[i].Name
		for k := range measures {
			if s, ok := t.summary(&measures[k], bySetup[name]); ok {
				s.Setup = name
				all = append(all, s)
			}
		}
	}
	return all
}

func (t *Trial) summary(m *Measure, units []unit) (Summary, bool) {
	known := true
	if m.fromStart {
		var ones [][]view
		ones, _, known = oneStart(m, look(units, m))
		units = nil
		for _, v := range ones[0] {
			units = append(units, *v.unit)
		}
	}
	groups := clusters(units, func(p *Pick) float64 {
		if x := m.of(&p.Pick); !math.IsInf(x, 0) {
			return x
		}
		return math.NaN()
	})
	s := Summary{Measure: m, Blocks: len(groups), Block: "piece", Middle: analyze.None()}
	values := make([]float64, 0, len(groups))
	for _, g := range groups {
		s.Picks += len(g)
		values = append(values, middle(m, slices.Clone(g)))
	}
	if s.Picks == 0 {
		return s, false
	}
	if !known {
		return s, true
	}
	if m.cases { // exact bounds of the count: the mean's interval knows nothing of 0 and of rare cases
		n := 0.0
		for _, g := range groups {
			for _, x := range g {
				n += x
			}
		}
		f := t.dropsPer1000(int(n), s.Picks, designEffect(groups, true))
		f.Value, f.U, f.Lo, f.Hi = f.Value/1e3, f.U/1e3, f.Lo/1e3, f.Hi/1e3
		s.Middle = f
		return s, true
	}
	level := t.Requirement.Confidence
	interval := stats.MeanInterval
	if len(groups) == 1 {
		s.Block, s.Blocks, values = "pick", s.Picks, groups[0]
		if s.Picks >= 5 { // fewer cannot show how they depend on each other
			interval = stats.MeanIntervalAR1
		}
	}
	back := func(x float64) float64 { return x }
	if m.Skewed && !slices.ContainsFunc(values, func(x float64) bool { return !(x > 0) }) {
		back = math.Exp
		logs := make([]float64, len(values))
		for i, x := range values {
			logs[i] = math.Log(x)
		}
		values = logs
	}
	x, i := stats.Mean(values), interval(values, level)
	s.Middle = figure(back(x), math.NaN(), stats.Interval{Lo: back(i.Lo), Hi: back(i.Hi)})
	if len(groups) == 1 {
		s.Middle.Warnings = append(s.Middle.Warnings, analyze.Warn(ThisPieceOnly))
	}
	return s, true
}

// YearKWh returns the energy of a year in kWh, from that of a pick in J (which is kJ per 1,000
// picks), the picks per minute and the running hours a year.
func YearKWh(pickJ analyze.Figure, picksPerMinute, hoursPerYear float64) analyze.Figure {
	k := picksPerMinute * 60 * hoursPerYear / 3.6e6
	pickJ.Value, pickJ.U, pickJ.Lo, pickJ.Hi = pickJ.Value*k, pickJ.U*k, pickJ.Lo*k, pickJ.Hi*k
	return pickJ
}
