package pick

import (
	"math"
	"slices"

	"griptrial/acquire/sample"
)

// A follower is a channel that decides nothing: flow, power, air. It is read behind the
// vacuum, with marks in the order of time that say where a pick and its hold begin and end.
type follower struct {
	ch       sample.Channel
	passed   float64
	gapLimit float64
	queue    []reading // taken, not yet read
	past     []reading // read, the last few seconds of them
	marks    []mark

	total  float64 // ∫ value dt since the first sample
	missed float64 // variance of it: between two samples the value may have changed at any time
	n      int     // samples read
	gaps   int
	taking bool
	tally  tally
	blocks blocks
	noise  noise
	taken  int
}

type reading struct {
	t, v          float64
	total, missed float64
	gap           bool
	n, gaps       int
}

// A mark has f called once the channel has been read up to time t.
type mark struct {
	t float64
	f func(*follower)
}

// pastKept is how many readings are kept for the integrals, at least.
const pastKept = 256

func newFollower(c sample.Channel) *follower {
	f := &follower{ch: c, passed: math.Inf(-1), gapLimit: gapLimit(c)}
	if c.Resolution > 0 {
		f.noise.floor = c.Resolution / math.Sqrt(12)
	}
	return f
}

func (f *follower) take(times []float64, counts []int64) {
	for i, n := range counts {
		if n == sample.Missing {
			continue
		}
		t := times[i]
		// A lost answer alone is no gap here: what may have been drawn between two samples is in the
		// uncertainty of the integral, whatever made the time between them long.
		gap := t-f.passed > f.gapLimit && !math.IsInf(f.passed, -1)
		f.queue = append(f.queue, reading{t: t, v: f.ch.Value(n), gap: gap})
		f.passed = t
	}
}

// advance reads what lies at or before time limit.
func (f *follower) advance(limit float64) {
	i := 0
	for ; i < len(f.queue) && f.queue[i].t <= limit; i++ {
		f.read(f.queue[i])
	}
	f.queue = f.queue[:copy(f.queue, f.queue[i:])]
	if n := len(f.past) / 2; n >= pastKept && f.past[n].t < limit-2*deadAfterS-1 {
		f.past = f.past[:copy(f.past, f.past[n:])]
	}
}

func (f *follower) read(x reading) {
	if n := len(f.past); n > 0 {
		last := &f.past[n-1]
		if x.gap {
			f.gaps++
		} else {
			f.total += (x.v + last.v) / 2 * (x.t - last.t)
			f.missed += (x.v - last.v) * (x.v - last.v) * (x.t - last.t) * (x.t - last.t) / 12
		}
		if n > 1 && !x.gap && !last.gap && f.noise.next() {
			before := &f.past[n-2]
			f.noise.add(before.t, last.t, x.t, before.v, last.v, x.v)
		}
	}
	for len(f.marks) > 0 && f.marks[0].t < x.t {
		f.keep(x)
		f.pass()
	}
	f.keep(x)
	f.n++
	if f.taking {
		f.tally.add(x.v)
		f.blocks.add(x.t, x.v)
		f.taken++
	}
	for len(f.marks) > 0 && f.marks[0].t <= x.t {
		f.pass()
	}
}

func (f *follower) keep(x reading) {
	if n := len(f.past); n > 0 && f.past[n-1].t == x.t {
		return
	}
	x.total, x.missed, x.n, x.gaps = f.total, f.missed, f.n, f.gaps
	f.past = append(f.past, x)
}

func (f *follower) pass() {
	m := f.marks[0]
	f.marks = f.marks[1:]
	m.f(f)
}

// flush passes the marks up to time t although the channel has not come that far.
func (f *follower) flush(t float64) {
	for len(f.marks) > 0 && f.marks[0].t <= t {
		f.pass()
	}
}

// until reads the channel at time t, where it is said to step with an edge that lies midway
// between two samples, or not; the total is NaN where t lies outside what is kept or in a gap.
func (f *follower) until(t float64, stepped bool) cut {
	i, _ := slices.BinarySearchFunc(f.past, t, func(r reading, t float64) int {
		switch {
		case r.t < t:
			return -1
		case r.t > t:
			return 1
		}
		return 0
	})
	x := cut{t: t, done: true, total: math.NaN(), n: f.n, gaps: f.gaps}
	if i == len(f.past) {
		return x
	}
	b := f.past[i]
	x.n, x.gaps = b.n, b.gaps
	if b.t == t {
		x.total, x.missed, x.draw = b.total, b.missed, b.v
		return x
	}
	if i == 0 || b.gap {
		return x
	}
	a := f.past[i-1]
	x.draw = a.v + (b.v-a.v)*(t-a.t)/(b.t-a.t)
	if x.total = a.total + (a.v+x.draw)/2*(t-a.t); stepped {
		x.total = a.total + a.v*(t-a.t)
	}
	x.missed = (a.missed + b.missed) / 2
	return x
}

func (f *follower) startHold() {
	f.tally.reset(max(f.ch.Resolution, 1e-3))
	f.blocks.reset()
	f.taking, f.taken = true, 0
}

func (f *follower) pause()  { f.taking = false }
func (f *follower) resume() { f.taking = true }

// endHold gives the median flow of the hold to p.
func (f *follower) endHold(p *cycle) {
	f.taking = false
	p.flowDone = true
	p.flowMedian = f.tally.median()
	sigma := f.noise.sigma()
	first, second := f.blocks.halves()
	bias, scatter := f.blocks.moved(first, second, sigma)
	p.flowBias, p.flowDrift = bias, (second-first)/((p.holdTo-p.holdFrom)/2)
	if math.IsNaN(scatter) {
		scatter = 1.2533 * sigma
	}
	p.flowU = scatter / math.Sqrt(float64(max(f.taken, 1)))
}
