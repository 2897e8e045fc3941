package record

import (
	"cmp"
	"iter"
	"slices"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
)

// Stations judge the batches of a trial, a tracker each.
type Stations struct {
	plan     *Plan // nil: no runs
	trackers []*pick.Tracker
	names    []string
}

// NewStations returns the stations with the given settings, which find their channels in
// groups.
func NewStations(groups []sample.Group, settings []pick.Settings, plan *Plan) (*Stations, error) {
	s := &Stations{plan: plan}
	for _, set := range settings {
		k, err := pick.New(set, groups)
		if err != nil {
			return nil, err
		}
		s.trackers = append(s.trackers, k)
		s.names = append(s.names, set.Station)
	}
	return s, nil
}

// A Judged is what became final: picks and events of each station in the order of time.
type Judged struct {
	Picks  []pick.Pick
	Events []pick.Event
	Gaps   map[string][]pick.Gap // by station
}

// Push judges one batch.
func (s *Stations) Push(b sample.Batch) {
	for _, k := range s.trackers {
		k.Push(b)
	}
}

// Finish ends the recording.
func (s *Stations) Finish() {
	for _, k := range s.trackers {
		k.Finish()
	}
}

// Take returns what became final since the last call, sorted by the end of picks.
func (s *Stations) Take() Judged {
	var j Judged
	for i, k := range s.trackers {
		p, e, g := k.Take()
		if s.plan != nil {
			for n := range p {
				p[n].Run = s.plan.Run(p[n].N)
			}
		}
		j.Picks = append(j.Picks, p...)
		j.Events = append(j.Events, e...)
		if len(g) > 0 {
			if j.Gaps == nil {
				j.Gaps = map[string][]pick.Gap{}
			}
			j.Gaps[s.names[i]] = g
		}
	}
	slices.SortStableFunc(j.Events, func(a, b pick.Event) int { return cmp.Compare(a.TS, b.TS) })
	return j
}

// Begun returns how many picks have begun at each station.
func (s *Stations) Begun() []int {
	n := make([]int, len(s.trackers))
	for i, k := range s.trackers {
		n[i] = k.Picks()
	}
	return n
}

// IdleLevelKPa returns the median of the idle levels that the station with index i showed
// before its picks; NaN where there was none.
func (s *Stations) IdleLevelKPa(i int) float64 { return s.trackers[i].IdleLevelKPa() }

// Replay judges stored batches again, in the order in which they were committed: to the bit
// what the recorder found.
func Replay(batches iter.Seq2[sample.Batch, error], s *Stations) (Judged, error) {
	var all Judged
	add := func(j Judged) {
		all.Picks = append(all.Picks, j.Picks...)
		all.Events = append(all.Events, j.Events...)
		for name, g := range j.Gaps {
			if all.Gaps == nil {
				all.Gaps = map[string][]pick.Gap{}
			}
			all.Gaps[name] = append(all.Gaps[name], g...)
		}
	}
	for b, err := range batches {
		if err != nil {
			return all, err
		}
		s.Push(b)
		add(s.Take())
	}
	s.Finish()
	add(s.Take())
	return all, nil
}
