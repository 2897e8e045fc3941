package pick

import (
	"math"

	"griptrial/analyze"
)

// A shut is what the stretches of a hold with the supply shut showed. An air-saving circuit
// has several; the longest tells the law.
type shut struct {
	onAgain   bool    // the supply is on again
	firstOff  float64 // when it was shut first, last, and came back last, s
	offAt     float64
	onAt      float64
	gapTo     float64 // end of the last gap
	cycles    int     // from shut to shut
	onS       float64 // time on in them
	slopes    sums    // of every stretch, kPa/s
	known     bool    // the rest: of the longest
	slopeU    float64
	from, to  float64 // its window, s
	n         int     // medians of blockSamples in it
	medianKPa float64
	law       LeakLaw
	lawKnown  bool
}

// Sums give the mean of any number of values and its scatter.
type sums struct{ n, sum, sum2 float64 }

func (s *sums) add(x float64) {
	s.n++
	s.sum += x
	s.sum2 += x * x
}

func (s sums) mean() float64 { return s.sum / s.n }

// u returns the standard uncertainty of the mean, NaN for fewer than two values.
func (s sums) u() float64 {
	return math.Sqrt(max(s.sum2-s.sum*s.sum/s.n, 0) / (s.n - 1) / s.n)
}

// shutAt begins a stretch of the hold with the supply shut.
func (k *Tracker) shutAt(p *cycle, x instant) {
	s := &p.offs
	switch {
	case !p.shut:
		s.firstOff = x.order
	case s.onAgain:
		s.cycles++
		s.onS += x.order - s.onAt
	}
	s.onAgain, s.offAt = false, x.order
	p.shut, p.supplyShut = true, x
	k.shut.reset()
}

// closeLeakDown ends a stretch with the supply shut at time t: released, or evacuated again.
func (k *Tracker) closeLeakDown(p *cycle, t float64, again bool) {
	s := &p.offs
	if !p.shut || s.onAgain {
		return
	}
	if again {
		s.onAgain, s.onAt = true, t
	}
	slope, u := k.shut.slope()
	if math.IsNaN(slope) {
		return
	}
	s.slopes.add(slope)
	if from := max(s.offAt+k.set.SettleS, s.gapTo); !s.known || t-from > s.to-s.from {
		s.known = true
		s.from, s.to, s.slopeU, s.n = from, t, u, len(k.shut.v)
		s.medianKPa = medianOf(append([]float64(nil), k.shut.v...))
		s.law, s.lawKnown = fitLeakLaw(k.shut.t, k.shut.v)
	}
}

// holdEnded ends the time in which p held its bag: released, lost, or the recording's end.
func (k *Tracker) holdEnded(p *cycle, t float64) {
	p.letGoT = t
	k.cutAt(p, cutLetGo, t)
	p.cycled = k.cycling.summary()
}

// leakDownFigures works out what the circuit loses while nothing evacuates it: with the
// supply shut, or between the turns of an engine that saves air by itself.
func (k *Tracker) leakDownFigures(p *cycle) {
	var law LeakLaw
	known := false
	s := &p.offs
	switch {
	case s.known:
		slope, u := s.slopes.mean(), s.slopeU
		if n := s.slopes.n; n > 1 {
			u = max(s.slopes.u(), u/math.Sqrt(n))
		}
		e := k.spread()
		e.Normal("scatter about the slope", u)
		e.Normal("calibration", slope*k.vac.CalibrationScaleU())
		p.LeakDownKPaS = k.figure("leak-down", "kPa/s", slope, e)
		e = k.spread()
		e.Normal("noise of the median", 1.2533*p.sigma/math.Sqrt(float64(blockSamples*s.n)))
		k.level(&e, p.sigma, s.medianKPa)
		// Both ends of the window move its middle by half of what they are off, and up to a block of
		// samples is left over at its end.
		e.Normal("drift over the window's ends", slope*math.Hypot(p.supplyShut.err.U(), p.released.err.U())/2)
		e.Rect("drift over the last samples", slope*blockSamples*k.interval()/4)
		p.LeakDownVacuumKPa = k.figure("median vacuum of the leak-down", "kPa", s.medianKPa-p.shift, e)
		e = k.spread()
		e.Add(p.supplyShut.err)
		p.LeakDownFromS = k.figure("leak-down from", "s", s.from, e)
		p.LeakDownToS = k.figure("leak-down to", "s", s.to, p.released.err)
		law, known = s.law, s.lawKnown
	case p.cycled.does:
		c := &p.cycled
		e := k.spread()
		e.Normal("scatter of the falls", c.fallU)
		e.Normal("calibration", c.fallKPaS*k.vac.CalibrationScaleU())
		p.LeakDownKPaS = k.figure("leak-down", "kPa/s", c.fallKPaS, e)
		law, known = leakLawAt((c.topKPa+c.lowKPa)/2-p.shift, -c.fallKPaS, c.fallU), true
	}
	if known {
		n, e := law.exponent()
		p.LeakLawN = k.figure("exponent of the leak law", "", n, e)
	}
	v, uv := k.set.VolumeL, k.set.VolumeUL
	if known && !math.IsNaN(v) {
		var w []analyze.Warning
		if uv == 0 {
			w = append(w, analyze.Warn(analyze.VolumeExact))
		}
		q, e := law.coefficient(v, uv)
		p.LeakLawKLminANR = k.figure("coefficient of the leak law", "L/min ANR per kPaⁿ", q, e, w...)
		q, e = law.Leak(p.RequiredKPa, v, uv)
		k.lessBlank(&q, &e)
		p.LeakAtRequiredLminANR = k.figure("leak at the required vacuum", "L/min ANR", q, e, w...)
	}
	if f := p.LeakFlowLminANR; !known && f.OK() && !math.IsNaN(v) && p.HoldVacuumKPa.OK() {
		law, known = leakLawAt(p.HoldVacuumKPa.Value, f.Value/v/lminANR, math.Hypot(f.U, f.Value*uv/v)/v/lminANR), true
	}
	if known {
		k.shutFigures(p, law)
	}
}

// lessBlank takes the rig's own leak away.
func (k *Tracker) lessBlank(q *float64, e *analyze.Spread) {
	if b := k.set.BlankLeakLminANR; b > 0 {
		*q -= b
		e.Normal("the rig's own leak", k.set.BlankLeakU)
	}
}

// shutFigures says how long the vacuum would stay above the required one were the supply
// shut, by the measured leak law, and what shutting it for so long at the end of the hold
// would save: the hold's energy, times that over the length of the hold.
func (k *Tracker) shutFigures(p *cycle, law LeakLaw) {
	lasts, e := law.FallsFor(p.HoldVacuumKPa.Value, p.RequiredKPa)
	if fall, u := law.Fall(p.RequiredKPa); !(fall > 2*u.U()) {
		return // nothing that could be told from none leaks
	}
	p.ShutLastsS = k.figure("holds with the supply shut", "s", lasts, e)
	carry := p.letGoT - p.sealed.t
	if h := p.HoldJ; p.ShutLastsS.OK() && h.OK() && carry > 0 && !p.shut {
		share := min(1, lasts/carry)
		s := k.spread()
		s.Normal("energy of the hold", h.U*share)
		if share < 1 {
			s.Normal("how long it holds", h.Value*e.U()/carry)
		}
		p.ShutSavesJ = k.figure("saved by shutting the supply", "J", h.Value*share, s)
	}
}

// Cycling finds an engine that saves air by itself: while it is on, the vacuum falls slowly
// to a lower level and is pulled up to a higher one, again and again. It follows the
// medians of five samples from turn to turn.
type cycling struct {
	band       float64 // a turn is sure once the vacuum has come back by it, kPa
	on         blocks  // while the supply is on again
	dir        int     // +1 rising, −1 falling, 0 not known
	lo, hi     float64 // extremes since the last turn, kPa
	loT, hiT   float64
	lows, tops tally
	firstLow   float64 // when they turned up, s
	lastLow    float64
	lastTop    float64
	topKPa     float64 // the last
	fallS      float64 // time of complete falls
	riseS      float64 // of complete rises
	slopes     sums    // of the falls, kPa/s
}

// Cycled is what cycling found in a hold.
type cycled struct {
	does            bool
	lows            int
	lowKPa, topKPa  float64 // medians of the turning levels
	fallKPaS, fallU float64 // mean slope of the falls, its uncertainty
	spanS           float64 // from the first low to the last
	fallS, riseS    float64
}

// cyclingFewest is how many lower turns make a cycling engine.
const cyclingFewest = 3

func (c *cycling) reset(band, width float64) {
	nan := math.NaN()
	*c = cycling{band: band, lo: math.Inf(1), hi: math.Inf(-1), firstLow: nan, lastLow: nan, lastTop: nan, on: c.on, lows: c.lows, tops: c.tops}
	c.on.reset()
	c.lows.reset(width)
	c.tops.reset(width)
}

func (c *cycling) add(t, v float64) {
	if c.on.add(t, v) {
		c.turn(c.on.lastT, c.on.lastV)
	}
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
		c.tops.add(c.hi)
		if !math.IsNaN(c.lastLow) {
			c.riseS += c.hiT - c.lastLow
		}
		c.lastTop, c.topKPa = c.hiT, c.hi
		c.dir, c.lo, c.loT = -1, v, t
	case c.dir <= 0 && v-c.lo >= c.band: // it rose from a low
		if c.dir < 0 {
			c.lows.add(c.lo)
			c.fallS += c.loT - c.lastTop
			c.slopes.add((c.lo - c.topKPa) / (c.loT - c.lastTop))
			if math.IsNaN(c.firstLow) {
				c.firstLow = c.loT
			}
			c.lastLow = c.loT
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
	return cycled{true, c.lows.n, m, c.tops.median(), c.slopes.mean(), c.slopes.u(), c.lastLow - c.firstLow, c.fallS, c.riseS}
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
	blockS := blockSamples * k.interval()
	if c.does {
		e := k.spread()
		e.Normal("noise of a turning level", 1.2533*p.sigma/math.Sqrt(blockSamples*float64(c.lows)))
		e.Early("fall within five samples", -c.fallKPaS*blockS) // their median lies above the turn
		k.level(&e, p.sigma, c.lowKPa)
		p.HoldVacuumKPa = k.figure("hold vacuum", "kPa", c.lowKPa-p.shift, e, append(k.place(), analyze.Warn(analyze.EngineCycles))...)
	}
	var n, span, on, edge float64
	switch {
	case s.cycles > 0:
		n, span, on, edge = float64(s.cycles), s.offAt-s.firstOff, s.onS, p.supplyShut.beside/2
	case c.does:
		n, span, edge = float64(c.lows-1), c.spanS, blockS/2
		on = c.riseS / (c.riseS + c.fallS) * span
	default:
		return
	}
	e := k.spread()
	e.Rect("first turn", n/span*60*edge/span)
	e.Rect("last turn", n/span*60*edge/span)
	p.ReEvacuationsPerMin = k.figure("re-evacuations", "/min", n/span*60, e)
	e = k.spread()
	// The turns may lie alike between the samples of every cycle, so that nothing averages out.
	e.Rect("upper turns between samples", edge*n/span)
	e.Rect("lower turns between samples", edge*n/span)
	p.DutyShare = k.figure("duty", "", on/span, e)
}
