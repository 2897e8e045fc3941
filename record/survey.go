package record

import (
	"cmp"
	"iter"
	"math"
	"slices"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
)

// A Trace is the vacuum of one pick: seconds from Origin, which rise, and kPa. Of a long pick
// it is the lowest and highest of equal parts, so that no peak is lost.
type Trace struct {
	Pick           *pick.Pick
	OriginS        float64
	TS, VacuumKPa  []float64
	part           int // that the last two entries are of
	from, to, step float64
}

// A GapSpan is a stretch in which a station's vacuum was not read.
type GapSpan struct {
	Station    string
	FromS, ToS float64 // ToS is NaN where the recording ended in it
}

// A FaultCount is how often a cause kept a group of channels from being read.
type FaultCount struct {
	Group, Cause  string
	N             int
	FirstS, LastS float64
}

// A FlagCount is how many counts of a channel were no measurement.
type FlagCount struct {
	Flagged
	N int
}

// A Survey is what one pass over the batches of a trial shows beside its picks.
type Survey struct {
	Traces  []Trace
	Gaps    []GapSpan
	Faults  []FaultCount
	Flagged []FlagCount
	Scans   int64
}

// Surveyed reports whether NewSurvey looks at the counts of a channel.
func Surveyed(c *sample.Channel) bool {
	return c.Kind == sample.Vacuum || c.Limits != (sample.Limits{})
}

// NewSurvey reads all batches once: the traces of chosen, which are in the order of time at
// each station, as at most 2·parts points each; the ends of the gaps that events tell the
// beginnings of; and what faults and flags there were.
func NewSurvey(batches iter.Seq2[sample.Batch, error], groups []sample.Group, chosen []*pick.Pick, events []pick.Event, parts int) (*Survey, error) {
	s := &Survey{}
	todo := map[string][]int{} // of each station: traces not passed yet
	for _, p := range chosen {
		from, to := Stretch(*p)
		if !(to > from) {
			continue
		}
		lead := 0.05 * (to - from)
		todo[p.Station] = append(todo[p.Station], len(s.Traces))
		s.Traces = append(s.Traces, Trace{Pick: p, OriginS: from, part: -1, from: from - lead, to: to, step: (to - from + lead) / float64(parts)})
	}
	open := map[string][]int{} // of each station: gaps whose end has not come yet
	for _, e := range events {
		if e.Kind == pick.GapSeen {
			open[e.Station] = append(open[e.Station], len(s.Gaps))
			s.Gaps = append(s.Gaps, GapSpan{e.Station, e.TS, math.NaN()})
		}
	}
	type fault struct {
		group int
		cause string
	}
	faults := map[fault]*FaultCount{}
	flags := map[Flagged]int{}
	flaggers := make([][]sample.Flagger, len(groups))
	for i, g := range groups {
		flaggers[i] = make([]sample.Flagger, len(g.Channels))
		for c := range g.Channels {
			flaggers[i][c].Limits = g.Channels[c].Limits
		}
	}
	for b, err := range batches {
		if err != nil {
			return nil, err
		}
		if b.Fault != "" {
			k := fault{b.Group, b.Fault}
			at := float64(b.FaultNS) / 1e9
			if faults[k] == nil {
				faults[k] = &FaultCount{Group: groups[b.Group].Name, Cause: b.Fault, FirstS: at}
			}
			faults[k].N++
			faults[k].LastS = at
			continue
		}
		s.Scans += int64(len(b.T))
		for c, counts := range b.Counts {
			ch := &groups[b.Group].Channels[c]
			if f := &flaggers[b.Group][c]; f.Limits != (sample.Limits{}) {
				for j, n := range counts {
					if flag := f.Flag(b.T[j], n); flag != "" {
						flags[Flagged{ch.Name, flag}]++
					}
				}
			}
			if ch.Kind == sample.Vacuum {
				open[ch.Station] = s.close(open[ch.Station], b.T, counts)
				todo[ch.Station] = s.trace(todo[ch.Station], ch, b.T, counts)
			}
		}
	}
	for _, f := range faults {
		s.Faults = append(s.Faults, *f)
	}
	slices.SortFunc(s.Faults, func(a, b FaultCount) int {
		return cmp.Or(cmp.Compare(a.Group, b.Group), cmp.Compare(a.Cause, b.Cause))
	})
	for f, n := range flags {
		s.Flagged = append(s.Flagged, FlagCount{f, n})
	}
	slices.SortFunc(s.Flagged, func(a, b FlagCount) int {
		return cmp.Or(cmp.Compare(a.Channel, b.Channel), cmp.Compare(a.Flag, b.Flag))
	})
	return s, nil
}

// close ends gaps at the first sample after their beginning.
func (s *Survey) close(open []int, ns, counts []int64) []int {
	for j := 0; j < len(ns) && len(open) > 0; j++ {
		g := &s.Gaps[open[0]]
		if t := float64(ns[j]) / 1e9; t > g.FromS+1e-9 && counts[j] != sample.Missing {
			g.ToS = t
			open = open[1:]
			j--
		}
	}
	return open
}

// trace adds a batch to the traces that it lies in.
func (s *Survey) trace(left []int, ch *sample.Channel, ns, counts []int64) []int {
	if len(left) == 0 || float64(ns[len(ns)-1])/1e9 < s.Traces[left[0]].from {
		return left
	}
	for j, n := range counts {
		t := float64(ns[j]) / 1e9
		for len(left) > 0 && s.Traces[left[0]].to < t {
			left = left[1:]
		}
		if len(left) == 0 {
			return nil
		}
		if x := &s.Traces[left[0]]; t >= x.from {
			x.add(t, ch.Value(n))
		}
	}
	return left
}

// add takes a value; a part keeps its lowest and highest in their order. NaN stands alone.
func (x *Trace) add(t, v float64) {
	part := int((t - x.from) / x.step)
	n := len(x.TS)
	t -= x.OriginS
	if part != x.part || n < 2 || math.IsNaN(v) || math.IsNaN(x.VacuumKPa[n-1]) || math.IsNaN(x.VacuumKPa[n-2]) || int((x.TS[n-2]+x.OriginS-x.from)/x.step) != part {
		x.part = part
		x.TS, x.VacuumKPa = append(x.TS, t), append(x.VacuumKPa, v)
		return
	}
	lo, hi := min(x.VacuumKPa[n-2], x.VacuumKPa[n-1]), max(x.VacuumKPa[n-2], x.VacuumKPa[n-1])
	if v < lo || v > hi {
		// The new extreme comes last; before it stands the other one.
		other, otherT := x.VacuumKPa[n-2], x.TS[n-2]
		if v < lo == (x.VacuumKPa[n-1] > other) {
			other, otherT = x.VacuumKPa[n-1], x.TS[n-1]
		}
		x.TS[n-2], x.VacuumKPa[n-2] = otherT, other
		x.TS[n-1], x.VacuumKPa[n-1] = t, v
	}
}
