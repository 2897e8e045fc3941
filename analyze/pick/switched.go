package pick

import (
	"math"

	"griptrial/acquire/sample"
	"griptrial/analyze"
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
	first  float64 // stamp of the first sample; +Inf before it
	passed float64
	half   int64 // of the last stamp, ns
	last   int64 // raw count
	on     bool
	known  bool
	fault  bool
	edges  []edge

	gapLimit float64
	arrivals arrivals
	brief    bool      // nobody asks for budgets
	says     [3]string // in them: edge, stamp, refresh

	// A supply that chatters has not been commanded anew: a state that lasts less than
	// settle counts as none. Until that is known its edges are unsure: at most two.
	settle float64
	unsure []edge
}

func newSwitched(c sample.Channel, set *Settings) *switched {
	s := &switched{kind: c.Kind, ch: c, first: math.Inf(1), passed: math.Inf(-1), gapLimit: gapLimit(c), brief: set.Explain == nil}
	kind := string(c.Kind)
	s.says = [3]string{"edge of " + kind + " between samples", "stamp of " + kind, "refresh of " + kind}
	if i := c.SamplingS(); i > 0 {
		s.arrivals.interval = i
	}
	if c.Kind == sample.Supply || c.Kind == sample.Carried {
		s.settle = set.PersistS
	}
	return s
}

// heard returns the time up to which all edges are known.
func (s *switched) heard() float64 {
	if len(s.unsure) > 0 {
		return min(s.passed, math.Nextafter(s.unsure[0].t, math.Inf(-1))) // an edge goes before a sample of its time
	}
	return s.passed
}

// pass notes that a sample of time t has been seen.
func (s *switched) pass(t float64, half int64) {
	if d := t - s.passed; s.arrivals.matters(d) && !math.IsInf(d, 1) {
		s.arrivals.next(d)
	}
	s.passed, s.half, s.fault = t, half, false
}

// put takes an edge that a sample has shown.
func (s *switched) put(e edge) {
	switch n := len(s.unsure); {
	case s.settle == 0:
		s.edges = append(s.edges, e)
	case n == 2: // back again within settle: the first of the two stands
		s.unsure = s.unsure[:1]
	default:
		s.unsure = append(s.unsure, e)
	}
}

// resolve decides over unsure edges at time t: the last has stood for settle, or it is the
// end of the recording.
func (s *switched) resolve(t float64) {
	n := len(s.unsure)
	if n == 0 || t-s.unsure[n-1].t < s.settle {
		return
	}
	if n == 1 {
		s.edges = append(s.edges, s.unsure[0])
	}
	s.unsure = s.unsure[:0]
}

// take finds the edges of a batch. A channel that is on at its first sample has an edge
// there whose instant is not known.
func (s *switched) take(b sample.Batch, times []float64, counts []int64) {
	for i, n := range counts {
		if n == sample.Missing {
			continue
		}
		if len(s.unsure) > 0 {
			s.resolve(times[i])
		}
		if n == s.last && s.known {
			if d := times[i] - s.passed; s.arrivals.matters(d) {
				s.pass(times[i], b.Half[i])
			} else {
				s.passed, s.half, s.fault = times[i], b.Half[i], false
			}
			continue
		}
		s.last = n
		on := s.ch.On(n)
		if on != s.on || !s.known {
			t := times[i]
			s.first = min(s.first, t)
			mid := (s.passed + t) / 2
			switch {
			case s.known && (s.fault || t-s.passed > s.gapLimit): // nothing is interpolated across a gap
				s.put(edge{mid, instant{t: math.NaN(), order: mid, beside: t - s.passed}, on})
			case s.known:
				x := instant{t: mid, order: mid, beside: t - s.passed, err: analyze.Spread{Brief: s.brief}}
				x.err.Early("wait before an arrival burst", s.arrivals.before(t-s.passed))
				x.err.Rect(s.says[0], (t-s.passed)/2)
				x.err.Rect(s.says[1], seconds(max(s.half, b.Half[i])))
				if u := s.ch.UpdateS; u > 0 { // it changed up to one refresh before it was read
					x.t -= u / 2
					x.err.Rect(s.says[2], u/2)
				}
				s.put(edge{mid, x, on})
			case on:
				s.put(edge{t, instant{t: math.NaN(), order: t}, on})
			}
			s.on, s.known = on, true
		}
		s.pass(times[i], b.Half[i])
	}
	if n := len(b.T); n > 0 {
		s.passed = max(s.passed, times[n-1])
	}
}
