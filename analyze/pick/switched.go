package pick

import (
	"math"

	"griptrial/acquire/sample"
)

// An edge is a change of a switched channel: midway between the last sample before and the
// first after, half-width half that distance and the stamp's own.
type edge struct {
	t  float64 // where it stands in the order of events
	at instant // NaN where the channel was on from its first sample
	on bool
}

// A switched channel's state and the edges not yet judged.
type switched struct {
	kind   sample.Kind
	ch     sample.Channel
	passed float64
	half   int64 // of the last stamp, ns
	last   int64 // raw count
	on     bool
	known  bool
	fault  bool
	edges  []edge
}

func newSwitched(c sample.Channel) *switched {
	return &switched{kind: c.Kind, ch: c, passed: math.Inf(-1)}
}

// take finds the edges of a batch. A channel that is on at its first sample has an edge
// there whose instant is not known.
func (s *switched) take(b sample.Batch, times []float64, counts []int64) {
	for i, n := range counts {
		if n == sample.Missing {
			continue
		}
		if n == s.last && s.known {
			s.passed, s.half = times[i], b.Half[i]
			continue
		}
		s.last = n
		on := s.ch.On(n)
		if on != s.on || !s.known {
			t := times[i]
			mid := (s.passed + t) / 2
			switch {
			case s.known:
				x := instant{t: mid, beside: t - s.passed}
				x.err.Rect("edge of "+string(s.kind)+" between samples", (t-s.passed)/2)
				x.err.Rect("stamp of "+string(s.kind), seconds(max(s.half, b.Half[i])))
				if u := s.ch.UpdateS; u > 0 { // it changed up to one refresh before it was read
					x.t -= u / 2
					x.err.Rect("refresh of "+string(s.kind), u/2)
				}
				s.edges = append(s.edges, edge{mid, x, on})
			case on:
				s.edges = append(s.edges, edge{t, noInstant(), on})
			}
			s.on, s.known = on, true
		}
		s.passed, s.half = times[i], b.Half[i]
	}
	if n := len(b.T); n > 0 {
		s.passed = max(s.passed, times[n-1])
	}
}
