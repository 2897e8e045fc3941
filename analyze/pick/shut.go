package pick

import (
	"math"

	"griptrial/analyze"
	"griptrial/analyze/stats"
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
	lastOnS   float64 // in the last
	lastOff   float64 // when it was shut before the last time
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

// u returns the standard uncertainty of the mean, NaN for fewer than two values. Of few values the
// scatter itself is not well known: it is as much larger as Student's 95 % interval is.
func (s sums) u() float64 {
	if s.n < 2 {
		return math.NaN()
	}
	return math.Sqrt(max(s.sum2-s.sum*s.sum/s.n, 0)/(s.n-1)/s.n) * stats.TQuantile(0.975, s.n-1) / stats.TQuantile(0.975, math.Inf(1))
}

// shutAt begins a stretch of the hold with the supply shut.
func (k *Tracker) shutAt(p *cycle, x instant) {
	s := &p.offs
	switch {
	case !p.shut:
		s.firstOff = x.order
	case s.onAgain:
		s.cycles++
		s.lastOnS, s.lastOff = x.order-s.onAt, s.offAt
		s.onS += s.lastOnS
	}
	s.onAgain, s.offAt = false, x.order
	p.shut, p.supplyShut = true, x
	k.shut.reset()
}

// cutShort takes the last cycle back where the supply shut for the release at x: what was on then
// would have been on longer.
func (s *shut) cutShort(x instant, beside float64) {
	if s.cycles > 0 && !s.onAgain && x.order-s.offAt <= max(x.beside, beside) {
		s.cycles--
		s.onS -= s.lastOnS
		s.offAt = s.lastOff
	}
}

// closeLeakDown ends a stretch with the supply shut at time t: released, or evacuated again.
func (k *Tracker) closeLeakDown(p *cycle, t float64, again bool) {
	s := &p.offs
	if !p.shut || s.onAgain {
		return
	}
	if again {
		s.onAgain, s.onAt = true, t
		k.cycling.on.reset() // a block holds samples of one time on
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
	case p.cycled.measured():
		c := &p.cycled
		e := k.spread()
		slope, u := c.fall.mean(), c.fall.u()
		e.Normal("scatter of the falls", u)
		if q := k.vac.Resolution; p.sigma < q/2 { // turns may lie alike in the steps of every fall
			e.Rect("resolution at the upper turns", q/2/(c.fallS/c.fall.n))
			e.Rect("resolution at the lower turns", q/2/(c.fallS/c.fall.n))
		}
		e.Normal("calibration", slope*k.vac.CalibrationScaleU())
		p.LeakDownKPaS = k.figure("leak-down", "kPa/s", slope, e)
		law, known = leakLawAt((c.top.mean()+c.low.mean())/2-p.shift, -slope, u), true
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
