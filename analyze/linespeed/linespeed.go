// Package linespeed holds measured picks against the cycle of a line: how long sealing may
// take, how many picks take longer, which phase eats the time, and where to set switch
// points. It comes after analyze/pick and before report.
package linespeed

import (
	"errors"
	"iter"
	"math"
	"slices"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
)

// Options are what picks are held against. NaN is not stated.
type Options struct {
	PicksPerMinute float64
	LimitS         float64 // for the seal time; NaN: what the cycle leaves
	Share          float64 // of picks that must seal within the limit
	Confidence     float64 // default 0.95
}

// A View is picks held against a line's cycle.
type View struct {
	PicksPerMinute, CycleS float64
	LimitS                 float64
	LimitFrom              string  // "given", or "cycle": what the other phases leave of it
	RestS                  float64 // median time of a pick outside sealing: approach, from sealed to the end
	SealFrom               string  // where the seal times count from

	Picks   int            // that count: sealed with a seal time, or unsealed
	Left    int            // that do not: no seal time can be had, or another SealFrom
	Over    int            // over the limit, unsealed ones among them
	Unsure  int            // whose interval holds the limit
	OverIn  stats.Interval // share over the limit, exact 95 %
	SealS   []float64      // sorted
	Tail    float64        // seal time that the share of picks stays under, at the confidence; NaN where too few
	Verdict string         // "shown", "not shown", "not met"; "" where no share is required

	Phases []Phase
	Switch SwitchPoints
}

// A Phase is a part of a pick's time. They are, in their order:
//
//   - approach: from the start to contact; of the line's making.
//   - response delay: from the supply to the first rise of vacuum; valve, hose and dead volume.
//   - evacuation: from there, or from contact, to the required vacuum.
//   - settling: from sealed to within max(0.5 kPa, 4σ) of the hold vacuum. A robot that waits for
//     the hold and not for the required vacuum loses this; one that does not, carries meanwhile.
//   - part present: from sealed to the controller's own signal. It waits on top of the seal time.
//   - sealed to release: the carry, settling within it.
//   - release: from its command to the idle band.
//
// Response delay and evacuation make up the seal time where it counts from the supply.
type Phase struct {
	Name                 string
	N                    int
	MedianS, P95S, LongS float64 // median, 95 % quantile, longest
	ReadS                float64 // how far one reading can be trusted: median of the picks' standard uncertainties; NaN where they have none
	ShareOfCycle         float64 // of the median
	InSeal               bool    // part of the seal time
}

// SwitchPoints are levels for the line's own switches, from what was measured. NaN where the
// picks do not tell, or where a level cannot be told apart from the one below it.
type SwitchPoints struct {
	PartPresentOnKPa  float64 // vacuum above which a part is taken as present
	PartPresentOffKPa float64 // below which it is taken as lost
	ReleasedKPa       float64 // below which it is taken as let go

	HoldLowKPa  float64 // 95 % of holds lie above it, with 95 % confidence
	HeldLowKPa  float64 // 95 % of lowest vacuums in carry lie above it
	IdleHighKPa float64 // 95 % of idle levels lie below it
	Remarks     []string
}

// cover and sure are those of tolerance limits.
const cover, sure = 0.95, 0.95

// New holds picks of one station and setup against a cycle. Picks whose seal times count
// from another event than most are left out. It is an error where no rate is stated.
func New(picks []pick.Pick, o Options) (View, error) {
	return Of(func(yield func(*pick.Pick) bool) {
		for i := range picks {
			if !yield(&picks[i]) {
				return
			}
		}
	}, o)
}

// Of is New of picks that are no slice. It goes through them several times.
func Of(picks iter.Seq[*pick.Pick], o Options) (View, error) {
	v := View{PicksPerMinute: o.PicksPerMinute, CycleS: 60 / o.PicksPerMinute, LimitS: o.LimitS, LimitFrom: "given", RestS: math.NaN(), Tail: math.NaN()}
	if !(o.PicksPerMinute > 0) || math.IsInf(o.PicksPerMinute, 0) {
		return v, errors.New("no rate of picks per minute")
	}
	if !(o.Confidence > 0 && o.Confidence < 1) {
		o.Confidence = 0.95
	}
	v.SealFrom = mostUsed(picks)
	var approach, after []float64
	between := func(later, earlier float64) (float64, float64) { return positive(later - earlier), math.NaN() }
	figure := func(f analyze.Figure) (float64, float64) { return f.Value, f.U }
	phases := []struct {
		name string
		in   bool
		of   func(p *pick.Pick) (s, u float64)
		s, u []float64
	}{
		{"approach (start to contact)", false, func(p *pick.Pick) (float64, float64) { return between(p.ContactS, p.StartS) }, nil, nil},
		{"response delay", true, func(p *pick.Pick) (float64, float64) { return figure(responseIn(p)) }, nil, nil},
		{"evacuation", true, func(p *pick.Pick) (float64, float64) {
			if d := responseIn(p); d.OK() {
				return positive(p.SealTimeS.Value - d.Value), math.Hypot(p.SealTimeS.U, d.U)
			}
			return figure(p.SealTimeS)
		}, nil, nil},
		{"settling, after sealed", false, func(p *pick.Pick) (float64, float64) { return figure(p.SettlingTimeS) }, nil, nil},
		{"part present, after sealed", false, func(p *pick.Pick) (float64, float64) { return figure(p.PartPresentDelayS) }, nil, nil},
		{"sealed to release", false, func(p *pick.Pick) (float64, float64) { return between(p.ReleaseS, p.SealedAtS) }, nil, nil},
		{"release", false, func(p *pick.Pick) (float64, float64) { return figure(p.ReleaseTimeS) }, nil, nil},
	}
	for p := range picks {
		if p.Outcome == pick.Open {
			v.Left++
			continue
		}
		if p.Outcome == pick.Unsealed {
			v.Picks++
			continue
		}
		if !p.SealTimeS.OK() || p.SealFrom != v.SealFrom {
			v.Left++
			continue
		}
		v.Picks++
		v.SealS = append(v.SealS, p.SealTimeS.Value)
		add(&approach, positive(p.ContactS-p.StartS))
		if p.Outcome == pick.Released {
			add(&after, positive(p.EndS-p.SealedAtS))
		}
		for k := range phases {
			x, u := phases[k].of(p)
			add(&phases[k].s, x)
			add(&phases[k].u, u)
		}
	}
	slices.Sort(v.SealS)
	if len(after) > 0 {
		v.RestS = stats.Median(after)
		if len(approach) > 0 {
			v.RestS += stats.Median(approach)
		}
	}
	if !(v.LimitS > 0) {
		v.LimitFrom = "cycle"
		v.LimitS = v.CycleS - v.RestS
	}
	if !math.IsNaN(v.LimitS) {
		v.Over = v.Picks - len(v.SealS)
		for p := range picks {
			f := p.SealTimeS
			if !f.OK() || p.SealFrom != v.SealFrom || p.Outcome == pick.Unsealed || p.Outcome == pick.Open {
				continue
			}
			if f.Value > v.LimitS {
				v.Over++
			}
			if f.Lo <= v.LimitS && v.LimitS <= f.Hi {
				v.Unsure++
			}
		}
	}
	v.OverIn = stats.ClopperPearson(float64(v.Over), float64(v.Picks), 0.95)
	if math.IsNaN(v.LimitS) {
		v.OverIn = stats.Interval{Lo: math.NaN(), Hi: math.NaN()}
	}
	if o.Share > 0 && o.Share < 1 && v.Picks > 0 && !math.IsNaN(v.LimitS) {
		switch n, x := float64(v.Picks), float64(v.Over); {
		case stats.UpperBound(x, n, o.Confidence) <= 1-o.Share:
			v.Verdict = "shown"
		case stats.LowerBound(x, n, o.Confidence) > 1-o.Share:
			v.Verdict = "not met"
		default:
			v.Verdict = "not shown"
		}
		v.Tail = tail(v.SealS, v.Picks, o.Share, o.Confidence)
	}
	for _, x := range phases {
		if len(x.s) == 0 {
			continue
		}
		slices.Sort(x.s)
		p := Phase{Name: x.name, N: len(x.s), MedianS: stats.Median(x.s), P95S: stats.Quantile(x.s, 0.95, stats.MedianUnbiased), LongS: x.s[len(x.s)-1], ReadS: math.NaN(), InSeal: x.in}
		if len(x.u) > 0 {
			slices.Sort(x.u)
			p.ReadS = stats.Median(x.u)
		}
		p.ShareOfCycle = p.MedianS / v.CycleS
		v.Phases = append(v.Phases, p)
	}
	v.Switch = switchPoints(picks)
	return v, nil
}

// responseIn returns the response delay where it is part of the seal time: where that counts
// from the supply. (With open suction before contact the delay runs from the supply on.)
func responseIn(p *pick.Pick) analyze.Figure {
	if p.SealFrom != "supply" {
		return analyze.None()
	}
	return p.ResponseDelayS
}

// tail returns the seal time that a share of picks stays under with the confidence, free of
// any distribution (order statistics; unsealed picks count as longest), NaN where there are
// too few.
func tail(sorted []float64, n int, share, confidence float64) float64 {
	rank := stats.FreeRank(n, share, confidence)
	i := n - rank
	if rank < 1 || i < 0 || i >= len(sorted) {
		return math.NaN()
	}
	return sorted[i]
}

func add(to *[]float64, x float64) {
	if !math.IsNaN(x) {
		*to = append(*to, x)
	}
}

// positive returns x, NaN where it is negative.
func positive(x float64) float64 {
	if x >= 0 {
		return x
	}
	return math.NaN()
}

// mostUsed returns the event from which most seal times count.
func mostUsed(picks iter.Seq[*pick.Pick]) string {
	n := map[string]int{}
	best := ""
	for p := range picks {
		if s := p.SealFrom; s != "" && p.SealTimeS.OK() {
			n[s]++
			if n[s] > n[best] || best == "" {
				best = s
			}
		}
	}
	return best
}

// switchPoints returns levels that follow from the spread of what was measured. A part is
// present above the required vacuum. It is lost below the lower 95 %/95 % tolerance limit of
// the lowest vacuums in carry (normal; ISO 16269-6), at least six standard uncertainties of
// one reading under the upper level, so that noise does not switch it: the median of the picks',
// for that of a single bad one says nothing of the others. It is let go below the upper tolerance
// limit of the idle levels plus the same.
func switchPoints(picks iter.Seq[*pick.Pick]) SwitchPoints {
	nan := math.NaN()
	s := SwitchPoints{PartPresentOnKPa: nan, PartPresentOffKPa: nan, ReleasedKPa: nan, HoldLowKPa: nan, HeldLowKPa: nan, IdleHighKPa: nan}
	var hold, lowest, idle, drop, us []float64
	required, clamped := 0.0, false
	for p := range picks {
		add(&idle, p.IdleLevelKPa)
		if p.Outcome != pick.Released && p.Outcome != pick.Ended || p.SealFrom == "" {
			continue
		}
		required = max(required, p.RequiredKPa)
		add(&hold, p.HoldVacuumKPa.Value)
		add(&lowest, p.LowestVacuumKPa.Value)
		drop = append(drop, p.RequiredKPa/2)
		if f := p.LowestVacuumKPa; f.OK() {
			us = append(us, f.U)
		}
	}
	u := 0.0
	if len(us) > 0 {
		u = stats.Median(us)
	}
	s.HoldLowKPa = limit(hold, -1)
	s.HeldLowKPa = limit(lowest, -1)
	s.IdleHighKPa = limit(idle, 1)
	if required > 0 && len(hold) > 0 {
		s.PartPresentOnKPa = required
		if s.HoldLowKPa < required {
			s.Remarks = append(s.Remarks, "some holds would not switch part present on: the lower limit of hold vacuums lies under the required vacuum")
		}
		if math.IsNaN(s.HoldLowKPa) {
			s.Remarks = append(s.Remarks, "too few holds to tell their spread")
		}
		if !math.IsNaN(s.HeldLowKPa) {
			s.PartPresentOffKPa = min(s.HeldLowKPa, required-6*u)
			if d := slices.Max(drop); s.PartPresentOffKPa < d {
				s.PartPresentOffKPa, clamped = d, true
			}
		}
	}
	if !math.IsNaN(s.IdleHighKPa) {
		s.ReleasedKPa = s.IdleHighKPa + 6*u
		if released := s.ReleasedKPa; released >= min(s.PartPresentOffKPa, s.HeldLowKPa) || released >= s.PartPresentOnKPa {
			s.Remarks = slices.Insert(s.Remarks, 0, "released and part present overlap: those levels cannot be told apart, and none is given")
			s.ReleasedKPa, s.PartPresentOffKPa = nan, nan
			if released >= s.PartPresentOnKPa {
				s.PartPresentOnKPa = nan
			}
		}
	}
	if clamped && !math.IsNaN(s.PartPresentOffKPa) {
		s.Remarks = append(s.Remarks, "the spread of lowest vacuums reaches under half the required: part present off is set there, and will switch in picks that held")
	}
	return s
}

// limit returns the one-sided normal tolerance limit on the given side, NaN for fewer than
// three values.
func limit(x []float64, side float64) float64 {
	if len(x) < 3 {
		return math.NaN()
	}
	return stats.Mean(x) + side*stats.ToleranceFactor(float64(len(x)), cover, sure)*stats.SD(x)
}
