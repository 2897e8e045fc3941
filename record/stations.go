package record

import (
	"cmp"
	"iter"
	"maps"
	"slices"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
)

// Stations judge the batches of a trial, a tracker each.
type Stations struct {
	plan     *Plan // nil: no runs
	trackers []*pick.Tracker
	names    []string
	groups   []sample.Group
	flaggers [][]sample.Flagger // by group and channel
	flagged  map[Flagged]int
}

// A Flagged is a channel and why counts of it are no measurement.
type Flagged struct {
	Channel string
	Flag    sample.Flag
}

// NewStations returns the stations with the given settings, which find their channels in
// groups.
func NewStations(groups []sample.Group, settings []pick.Settings, plan *Plan) (*Stations, error) {
	s := &Stations{plan: plan, groups: groups, flagged: map[Flagged]int{}}
	for _, g := range groups {
		f := make([]sample.Flagger, len(g.Channels))
		for i := range f {
			f[i].Limits = g.Channels[i].Limits
		}
		s.flaggers = append(s.flaggers, f)
	}
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

// Push judges one batch. Counts that are no measurement stay in the file as they were read;
// for the figures they are missing.
func (s *Stations) Push(b sample.Batch) {
	b = s.measured(b)
	for _, k := range s.trackers {
		k.Push(b)
	}
}

// measured returns b with sample.Missing in place of flagged counts.
func (s *Stations) measured(b sample.Batch) sample.Batch {
	cloned := false
	for c, counts := range b.Counts {
		f := &s.flaggers[b.Group][c]
		if f.Limits == (sample.Limits{}) {
			continue
		}
		own := false
		for i, n := range counts {
			flag := f.Flag(b.T[i], n)
			if flag == "" {
				continue
			}
			s.flagged[Flagged{s.groups[b.Group].Channels[c].Name, flag}]++
			if !cloned { // b is others' too
				b.Counts, cloned = slices.Clone(b.Counts), true
			}
			if !own {
				b.Counts[c], own = slices.Clone(counts), true
			}
			b.Counts[c][i] = sample.Missing
		}
	}
	return b
}

// Flagged returns how many counts were no measurement so far, by channel and cause.
func (s *Stations) Flagged() map[Flagged]int { return maps.Clone(s.flagged) }

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
				p[n].Run = s.plan.Run(p[n].Station, p[n].N)
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

// Provisional returns the picks that have sealed or ended and are not final yet, as far as
// they are known.
func (s *Stations) Provisional() (all []pick.Pick) {
	for _, k := range s.trackers {
		for _, p := range k.Provisional() {
			if s.plan != nil {
				p.Run = s.plan.Run(p.Station, p.N)
			}
			all = append(all, p)
		}
	}
	return all
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
