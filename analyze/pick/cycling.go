package pick

import (
	"math"

	"griptrial/analyze"
)

// Cycling finds an engine that saves air by itself: while it is on, the vacuum falls slowly
// to a lower level and is pulled up to a higher one, again and again. It follows the
// medians of five samples from turn to turn.
type cycling struct {
	band     float64 // a turn is sure once the vacuum has come back by it, kPa
	on       blocks  // while the supply is on again
	dir      int     // +1 rising, −1 falling, 0 not known
	lo, hi   float64 // extremes since the last turn, kPa
	loT, hiT float64
	lows     tally
	tops     int
	lowKPa   float64 // the last ones
	topKPa   float64
	lastLow  float64
	lastTop  float64
	fallS    float64 // time of complete falls
	riseS    float64 // of complete rises
	seen     bool    // the rise in progress has come near its upper turn
	rises    rises
}

// Cycled is what cycling found in a hold.
type cycled struct {
	does               bool
	band, lowKPa       float64 // as in cycling; median of the lowest medians
	fallKPaS, riseKPaS float64 // about how fast the vacuum falls and rises
	rises
}

// measured reports whether rises tell of it: they may be too long, see riseHistoryS, or hardly
// higher than what makes a turn sure, so that turns are missed.
func (c *cycled) measured() bool {
	return c.does && c.fall.n >= 2 && c.top.mean()-c.low.mean() >= 1.3*c.band
}

// cyclingFewest is how many lower turns make a cycling engine.
const cyclingFewest = 3

func (c *cycling) reset(band, width float64) {
	nan := math.NaN()
	*c = cycling{band: band, lo: math.Inf(1), hi: math.Inf(-1), lastLow: nan, lastTop: nan, on: c.on, lows: c.lows}
	c.on.reset()
	c.lows.reset(width)
}

func (c *cycling) turn(t, v float64) {
	if v < c.lo {
		c.lo, c.loT = v, t
	}
	if v > c.hi {
		c.hi, c.hiT = v, t
	}
	switch {
	case c.dir >= 0 && c.hi-v >= c.band: // it fell from a top
		c.tops, c.topKPa = c.tops+1, c.hi
		if !math.IsNaN(c.lastLow) {
			c.riseS += c.hiT - c.lastLow
		}
		c.lastTop = c.hiT
		c.dir, c.lo, c.loT = -1, v, t
	case c.dir <= 0 && v-c.lo >= c.band: // it rose from a low
		if c.dir < 0 {
			c.lows.add(c.lo)
			c.lowKPa = c.lo
			c.fallS += c.loT - c.lastTop
			c.lastLow = c.loT
			c.seen = false
		}
		c.dir, c.hi, c.hiT = 1, v, t
	}
}

// summary tells whether the engine cycled: it turned up at one and the same level often, and
// fell for longer than it rose. (A central engine that the neighbour's pick pulls down falls
// at once and recovers slowly.)
func (c *cycling) summary() cycled {
	if c.lows.n < cyclingFewest || c.fallS <= c.riseS {
		return cycled{}
	}
	m := c.lows.median()
	if 10*c.lows.within(m-c.band, m+c.band) < 9*c.lows.n {
		return cycled{}
	}
	return cycled{does: true, band: c.band, lowKPa: m, fallKPaS: (c.topKPa - m) / (c.fallS / float64(c.lows.n)), riseKPaS: (c.topKPa - m) / (c.riseS / float64(c.lows.n)), rises: c.rises}
}

// Where a rise is read, as parts of the way up.
var riseParts = [3]float64{0.15, 0.5, 0.85}

// A rise is one pull-up of an engine that saves air, from the lower turn with number n to the
// next upper one. It is measured once some of the next fall has come.
type rise struct {
	n       int
	fallenS float64    // for how long the vacuum fell before, s
	level   [3]float64 // kPa
	at      [3]int     // samples at which the running median has passed them
}

// Rises are what the rises of a hold have shown.
type rises struct {
	length     sums    // of a rise from turn to turn, s
	lengthU    float64 // sum of what instants and turning levels leave unknown of each
	rounded    bool    // the sensor's lag hides the turns of a rise
	bentS      float64 // sum of what the form of the rise adds to straight ones
	turnU      float64 // sum of what is unknown of a lower turn, s
	stretches  int     // of rises that follow each other: no turn is missed in them
	periodS    float64 // sum of what they span, from lower turn to lower turn
	low, top   sums    // turning levels, kPa
	lowU       float64 // sum of what noise leaves unknown of each lower one
	fall       sums    // slopes of the falls between, kPa/s
	fallS      float64 // sum of their lengths
	lowS, topS float64 // the last turns
	topKPa     float64
	topN       int // of the rise between them; 0: a gap came since
}

// riseHistoryS is the longest rise that is measured, in seconds: it, maxReach behind it and
// turnLineS beside it have to lie within historyS.
const (
	riseHistoryS = 2
	turnLineS    = 1 // of the vacuum beside a turn
)

// riseTries bounds how often the turns of a rise are sought again from the levels that they gave.
const riseTries = 8

// turn takes the median v at time t of the hold of p, which sample i completed.
func (k *Tracker) turn(p *cycle, i int, t, v float64) {
	k.cycling.turn(t, v)
	k.seeRise(p, i, t, v)
}

// seeRise notes a rise once the medians of samples, of which sample i completes the last, have
// come near its upper turn.
func (k *Tracker) seeRise(p *cycle, i int, t, v float64) {
	c := &k.cycling
	if c.dir <= 0 || c.seen || c.tops == 0 || c.lows.n == 0 {
		return
	}
	lo, hi := c.lowKPa, c.topKPa
	if v < lo+riseParts[2]*(hi-lo) {
		return
	}
	c.seen = true
	if t-c.lastLow > riseHistoryS {
		return
	}
	x := &rise{n: c.lows.n, fallenS: c.lastLow - c.lastTop}
	r := &k.trace
	for j, part := range riseParts {
		x.level[j] = lo + part*(hi-lo)
	}
	above := r.median(i, k.half, &k.scratch)
	j := len(riseParts) - 1
	if above < x.level[j] { // it passes it just now
		x.at[j] = i
		j--
	}
	for ; i > r.base && r.time(i) >= c.lastLow-blockSamples*k.interval() && !r.gapBefore(i); i-- {
		below := r.median(i-1, k.half, &k.scratch)
		for j >= 0 && above >= x.level[j] && below < x.level[j] {
			x.at[j] = i
			j--
		}
		if j < 0 {
			due := r.time(x.at[2]) + maxReach
			k.later = append(k.later, refinement{p: p, rise: x, due: due})
			return
		}
		above = below
	}
}

// measureRise finds the turns of a rise: where the curve through it meets the lines through the
// vacuum before and after. The curve is that of an evacuation with one time constant, which three
// of its instants tell.
func (k *Tracker) measureRise(p *cycle, x *rise) {
	c := &k.cycling
	var at [3]instant
	var t [3]float64 // as the samples show them
	for j := range at {
		if at[j] = k.crossing(x.level[j], x.at[j], true); !at[j].ok() {
			return
		}
		t[j] = at[j].t + k.lateS()
	}
	if !(t[0] < t[1] && t[1] < t[2]) {
		return
	}
	tries := 0
	sigma, aside := k.noise.sigma(), max(k.interval(), (t[2]-t[0])/10)
	s, lag := &c.rises, k.vac.LagS
	if lag > 0 { // it rounds the turns
		aside = max(aside, 5*lag)
	}
	lo, hi := x.level[0]-(x.level[2]-x.level[0])*riseParts[0]/(riseParts[2]-riseParts[0]), x.level[2]+(x.level[2]-x.level[0])*riseParts[0]/(riseParts[2]-riseParts[0])
	var low, top, straight, uLow, uTop float64
	var part [3]float64
	for moved := math.Inf(1); moved > aside/1000; {
		wasLow, wasTop := low, top
		for j, v := range x.level {
			part[j] = (v - lo) / (hi - lo)
		}
		low, top = turnsOf(t, part)
		straight = (t[2] - t[0]) / (part[2] - part[0])
		var ok bool
		if lo, uLow, ok = k.lineAt(low, low-aside-min(turnLineS, x.fallenS/4), low-aside, sigma); !ok {
			return
		}
		if hi, uTop, ok = k.lineAt(top, top+aside, top+aside+min(turnLineS, x.fallenS/4), sigma); !ok {
			return
		}
		moved = math.Abs(low-wasLow) + math.Abs(top-wasTop)
		if tries++; tries == riseTries { // samples that go from one window to the next and back
			if moved > aside {
				return
			}
			break
		}
	}
	if !(top > low) || part[0] > 2*riseParts[0] || part[2] < 1-2*(1-riseParts[2]) {
		return // the levels were those of another rise
	}
	uTurn, uLength := (top-low)*uLow/(hi-lo), (top-low)*math.Hypot(uLow, uTop)/(hi-lo)
	for j := range at {
		moved := t
		moved[j] += at[j].err.U()
		a, b := turnsOf(moved, part)
		uTurn, uLength = math.Hypot(uTurn, a-low), math.Hypot(uLength, b-a-(top-low))
	}
	if lag > (t[2]-t[0])/10 { // it rounds all of such a short rise
		s.rounded = true
	}
	s.length.add(top - low)
	s.lengthU += uLength
	s.turnU += uTurn
	s.bentS += math.Abs(top - low - straight)
	s.low.add(lo)
	s.lowU += math.Hypot(uLow, (hi-lo)/x.fallenS*uTurn) // it is read off a fall
	if s.topN == 0 || x.n != s.topN+1 {
		s.stretches++
	} else {
		s.fall.add((lo - s.topKPa) / (low - s.topS))
		s.fallS += low - s.topS
		s.periodS += low - s.lowS
	}
	s.top.add(hi)
	s.lowS, s.topS, s.topKPa, s.topN = low, top, hi, x.n
}

// lineAt returns what the line through the samples between times from and to shows at time t,
// and its standard uncertainty by noise sigma; ok is false where there are not three without a gap.
func (k *Tracker) lineAt(t, from, to, sigma float64) (v, u float64, ok bool) {
	r := &k.trace
	a, b := r.after(max(from, k.judging-historyS)), min(r.upTo(to), k.next)-1
	for i := b; i > a; i-- {
		if r.gapBefore(i) {
			a = i
		}
	}
	if b-a < 2 {
		return 0, 0, false
	}
	f := r.fit(a, b, 1)
	return f.at(t - f.t), sigma * f.spread(t-f.t), true
}

// turnsOf returns the times of the ends of a rise that has made three parts of its way at times t.
// v(t) = (1 − exp(−t/τ))/k, k of which t tell, goes through them; a straight rise has k = 0, one
// that comes to rest 1.
func turnsOf(t, part [3]float64) (low, top float64) {
	way := func(k, f float64) float64 { // in time constants
		if math.Abs(k) < 1e-6 {
			return f
		}
		return -math.Log(1-k*f) / k
	}
	want := (t[2] - t[1]) / (t[1] - t[0])
	a, b := -20.0, 0.995
	for range 60 {
		k := (a + b) / 2
		if (way(k, part[2])-way(k, part[1]))/(way(k, part[1])-way(k, part[0])) < want {
			a = k
		} else {
			b = k
		}
	}
	k := (a + b) / 2
	tau := (t[2] - t[0]) / (way(k, part[2]) - way(k, part[0]))
	return t[0] - tau*way(k, part[0]), t[2] + tau*(way(k, 1)-way(k, part[2]))
}

// within returns how many values lie between a and b.
func (h *tally) within(a, b float64) int {
	n := 0
	for i := h.lo; i <= h.hi; i++ {
		if v := h.first + float64(i-h.zero)*h.width; v >= a && v <= b {
			n += int(h.bin[i])
		}
	}
	return n
}

// cyclingFigures gives the figures of an engine that saves air, whether the supply's
// commands or the vacuum alone show it; the hold vacuum is then the lower turning level.
func (k *Tracker) cyclingFigures(p *cycle) {
	c, s := &p.cycled, &p.offs
	w := append(k.place(), analyze.Warn(analyze.EngineCycles))
	if p.HoldVacuumKPa.Has(analyze.TouchedByGap) {
		w = append(w, analyze.Warn(analyze.TouchedByGap))
	}
	switch {
	case !p.HoldVacuumKPa.OK() && p.HoldVacuumKPa.Has(analyze.TouchedByGap): // too little of it was seen
	case c.measured() && !c.rounded:
		e := k.spread()
		e.Normal("scatter of the turning levels", c.low.u())
		e.Normal("noise of a turning level", c.lowU/c.low.n/math.Sqrt(c.low.n))
		k.level(&e, p.sigma, c.low.mean())
		p.HoldVacuumKPa = k.figure("hold vacuum", "kPa", c.low.mean()-p.shift, e, w...)
	case c.does:
		// The lowest median of five lies under the turn by noise, or above it by half of what it spans.
		e := k.spread()
		e.Rect("noise of a turning level", 3*1.2533*p.sigma/math.Sqrt(blockSamples))
		e.Rect("fall within five samples", c.fallKPaS*blockSamples*k.interval())
		if lag := k.vac.LagS; lag > 0 {
			e.Early("lag of the sensor over the rise", lag*c.riseKPaS)
		}
		k.level(&e, p.sigma, c.lowKPa)
		p.HoldVacuumKPa = k.figure("hold vacuum", "kPa", c.lowKPa-p.shift, e, w...)
	}
	switch {
	case s.cycles > 0:
		n, span, edge := float64(s.cycles), s.offAt-s.firstOff, p.supplyShut.beside/2
		e := k.spread()
		e.Rect("first turn", n/span*60*edge/span)
		e.Rect("last turn", n/span*60*edge/span)
		p.ReEvacuationsPerMin = k.figure("re-evacuations", "/min", n/span*60, e)
		e = k.spread()
		// The turns may lie alike between the samples of every cycle, so that nothing averages out.
		e.Rect("upper turns between samples", edge*n/span)
		e.Rect("lower turns between samples", edge*n/span)
		p.DutyShare = k.figure("duty", "", s.onS/span, e)
	case c.measured():
		m, period := c.length.n, c.periodS/c.fall.n
		e := k.spread()
		e.Normal("first and last turn", math.Sqrt(2*float64(c.stretches))*c.turnU/m*60/period/c.periodS)
		p.ReEvacuationsPerMin = k.figure("re-evacuations", "/min", 60/period, e)
		if c.rounded {
			return
		}
		e = k.spread()
		e.Normal("scatter of the rises", c.length.u()/period)
		e.Normal("instants of a rise", c.lengthU/m/math.Sqrt(m)/period)
		e.Rect("form of a rise", c.bentS/m/period/4)
		p.DutyShare = k.figure("duty", "", c.length.mean()/period, e)
	}
}
