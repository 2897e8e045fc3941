package compare

import (
	"maps"
	"math"

	"griptrial/acquire/sample"
)

// A Line is what the switched channels show of how the stations are run, whatever the vacuum
// did: when the controller commanded the supply, and when it saw a part. Batches come in by
// Take.
type Line struct {
	FromS, ToS float64 // first and last scan; NaN before any
	groups     []sample.Group
	last       [][]edge
	supply     map[string][]float64 // rising edges by station, s
	part       map[string][]float64
}

// An edge is the last known state of a switched channel.
type edge struct {
	known, on bool
	tNS       int64
}

// NewLine returns the line of a trial with these groups of channels.
func NewLine(groups []sample.Group) *Line {
	l := &Line{FromS: math.NaN(), ToS: math.NaN(), groups: groups, supply: map[string][]float64{}, part: map[string][]float64{}}
	for _, g := range groups {
		l.last = append(l.last, make([]edge, len(g.Channels)))
		for _, c := range g.Channels {
			if rises := l.rises(c.Kind); rises != nil {
				rises[c.Station] = []float64{}
			}
		}
	}
	return l
}

func (l *Line) rises(k sample.Kind) map[string][]float64 {
	switch k {
	case sample.Supply:
		return l.supply
	case sample.PartPresent:
		return l.part
	}
	return nil
}

// Snapshot returns the line as it is now; what Take notes later is not in it. The two may be
// used from two goroutines.
func (l *Line) Snapshot() *Line {
	s := *l
	s.last, s.supply, s.part = nil, maps.Clone(l.supply), maps.Clone(l.part) // the edges are only ever added to
	return &s
}

// Take notes the rising edges in a batch, midway between the samples about them.
func (l *Line) Take(b *sample.Batch) {
	if len(b.T) == 0 {
		return
	}
	if from := float64(b.T[0]) / 1e9; !(from >= l.FromS) {
		l.FromS = from
	}
	if to := float64(b.T[len(b.T)-1]) / 1e9; !(to <= l.ToS) {
		l.ToS = to
	}
	for i, c := range l.groups[b.Group].Channels {
		rises := l.rises(c.Kind)
		if rises == nil {
			continue
		}
		e := &l.last[b.Group][i]
		for k, n := range b.Counts[i] {
			if n == sample.Missing {
				continue
			}
			on := c.On(n)
			if e.known && on && !e.on {
				rises[c.Station] = append(rises[c.Station], float64(e.tNS+b.T[k])/2e9)
			}
			*e = edge{true, on, b.T[k]}
		}
	}
}

// of returns the rising edges that belong to a station, its own or the whole rig's; nil where
// there is no such channel.
func of(rises map[string][]float64, station string) []float64 {
	if own, ok := rises[station]; ok {
		return own
	}
	return rises[""]
}

// A stamp is an instant in a run.
type stamp struct {
	tS  float64
	run int
}

// A RunFrom is the run that a station's picks belong to from an instant on; 0 for none.
type RunFrom struct {
	FromS float64
	Run   int
}

// inRuns returns those of times, which rise, that a station made in one of the runs, with the
// run of each.
func (t *Trial) inRuns(station string, times []float64, runs map[int]bool) []stamp {
	changes := t.Changes[station]
	if t.Changes == nil {
		for i, s := range t.StartsS {
			changes = append(changes, RunFrom{s, i + 1})
		}
	}
	var in []stamp
	run := 0
	for _, x := range times {
		for len(changes) > 0 && changes[0].FromS <= x {
			run, changes = changes[0].Run, changes[1:]
		}
		if runs[run] {
			in = append(in, stamp{x, run})
		}
	}
	return in
}
