package pick

import (
	"math"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// settle hands on the picks that are final: their instants are found and flow and energy
// have been read up to their end, or are given up deadAfterS later.
func (k *Tracker) settle(final bool) {
	for len(k.closing) > 0 {
		p := k.closing[0]
		if !final && (p.refining > 0 || !k.settled(p)) {
			return
		}
		if p.refining > 0 {
			k.refine(math.Inf(1), true)
		}
		if final || k.passed > p.endT+deadAfterS {
			for _, f := range k.follow {
				f.flush(p.endT)
			}
		}
		k.budgets = nil
		k.figures(p)
		if k.set.Explain != nil {
			k.set.Explain(p.Pick, k.budgets)
		}
		if k.inspect != nil {
			k.inspect(p)
		}
		k.picks = append(k.picks, p.Pick)
		k.closing = k.closing[1:]
	}
}

func (k *Tracker) settled(p *cycle) bool {
	if k.passed > p.endT+deadAfterS {
		return true
	}
	for _, f := range k.follow {
		if len(f.marks) > 0 && f.marks[0].t <= p.endT {
			return false
		}
	}
	return true
}

// A Budget is the uncertainty of one figure of a pick, part by part.
type Budget struct {
	Name, Unit string
	Figure     analyze.Figure
	Parts      []analyze.Part
}

// figure returns a figure and keeps its budget where somebody wants it.
func (k *Tracker) figure(name, unit string, v float64, e analyze.Spread, w ...analyze.Warning) analyze.Figure {
	f := e.Figure(v, w...)
	if k.set.Explain != nil && f.OK() {
		k.budgets = append(k.budgets, Budget{name, unit, f, e.Parts})
	}
	return f
}

// figures works out the figures of a pick that has ended.
func (k *Tracker) figures(p *cycle) {
	p.StartS, p.ContactS, p.ReleaseS = p.start.t, p.contact.t, p.released.t
	p.SealedAtS, p.DropS = math.NaN(), math.NaN()
	p.IdleLevelKPa = p.idle
	p.ResponseDelayS, p.SealTimeS = analyze.None(), analyze.None()
	p.HoldVacuumKPa, p.LowestVacuumKPa = analyze.None(), analyze.None()
	p.LeakFlowLminANR, p.LeakDownKPaS = analyze.None(), analyze.None()
	p.ReleaseTimeS = analyze.None()
	p.LeakDownVacuumKPa, p.LeakDownFromS, p.LeakDownToS = analyze.None(), analyze.None(), analyze.None()
	p.LeakLawN, p.LeakLawKLminANR, p.LeakAtRequiredLminANR = analyze.None(), analyze.None(), analyze.None()
	p.ShutLastsS, p.ShutSavesJ = analyze.None(), analyze.None()
	p.ReEvacuationsPerMin, p.DutyShare, p.PartPresentDelayS = analyze.None(), analyze.None(), analyze.None()
	p.OpenSuctionKPa = analyze.None()
	if p.dropped && !p.late {
		p.DropS = p.lostAt.t
	}
	k.energies(p)
	if k.has(sample.Supply) {
		v, e, w := p.response.since(p.start)
		p.ResponseDelayS = atLeastZero(k.figure("response delay", "s", v, e, w...), max(p.response.beside, p.start.beside))
	}
	if p.letGo && !math.IsNaN(p.sealT) {
		v, e, w := p.backIdle.since(p.released)
		p.ReleaseTimeS = k.figure("release time", "s", v, e, w...)
	}
	if p.late || math.IsNaN(p.sealT) {
		p.SealFrom, p.ReSeals, p.BelowRequiredS = "", 0, 0
		return
	}
	if p.unseen || !p.sealed.ok() {
		p.SealFrom = ""
		return
	}
	p.SealedAtS = p.sealed.t
	p.SealTimeS = k.sealTime(p)
	v, e, w := p.present.since(p.sealed)
	p.PartPresentDelayS = k.figure("delay of part present", "s", v, e, w...)
	if !math.IsNaN(p.openKPa) {
		var e analyze.Spread
		e.Normal("noise of three samples' mean", p.sigma/math.Sqrt(3)) // a flat has three or more
		k.level(&e, p.sigma, p.openKPa)
		p.OpenSuctionKPa = k.figure("open suction", "kPa", p.openKPa-p.shift, e)
	}
	k.holdFigures(p)
	k.cyclingFigures(p)
	p.LeakFlowLminANR = k.leakFlow(p)
	k.leakDownFigures(p)
}

func (k *Tracker) sealTime(p *cycle) analyze.Figure {
	v, e, w := p.sealed.since(p.countFrom)
	if !p.countFrom.ok() {
		w = append(w, analyze.Warn(analyze.StartUnseen))
	}
	f := k.figure("seal time", "s", v, e, append(w, k.place()...)...)
	if !f.OK() {
		return f
	}
	return atLeastZero(f, max(p.sealed.beside, p.countFrom.beside))
}

// atLeastZero returns a time that is not negative, and says so where it is shorter than the
// interval of the samples beside its ends, in seconds.
func atLeastZero(f analyze.Figure, interval float64) analyze.Figure {
	switch {
	case !f.OK():
		return f
	case f.Hi < 0: // the samples make no rise that could be it
		return analyze.None(analyze.Warn1(analyze.NotResolved, interval))
	}
	f.Value, f.Lo = max(f.Value, 0), max(f.Lo, 0) // an edge lies up to half an interval off
	if f.Value < interval {
		f.Lo = 0
		f.Warnings = append(f.Warnings, analyze.Warn1(analyze.BelowSampling, interval))
	}
	return f
}

// place warns of a transducer away from the cup: the restriction between is not known.
func (k *Tracker) place() []analyze.Warning {
	if at := k.vac.At; at == "manifold" || at == "engine" {
		return []analyze.Warning{analyze.Warn(analyze.LineLossUnknown)}
	}
	return nil
}

// stillRisingKPa is the difference between the medians of the halves of a hold above which
// it has not settled.
const stillRisingKPa = 1

func (k *Tracker) holdFigures(p *cycle) {
	length := p.holdTo - p.holdFrom
	if !(length >= holdStartS) || p.holdN == 0 {
		return
	}
	if p.gapS > length/10 {
		w := analyze.Warn(analyze.TouchedByGap)
		p.HoldVacuumKPa, p.LowestVacuumKPa = analyze.None(w), analyze.None(w)
		return
	}
	w := k.place()
	if p.gapS > 0 {
		w = append(w, analyze.Warn(analyze.TouchedByGap))
	}
	if math.Abs(p.secondHalf-p.firstHalf) > stillRisingKPa {
		w = append(w, analyze.Warning{Code: analyze.StillRising, A: p.firstHalf, B: p.secondHalf})
	}
	// The median of n normal values has 1.2533 times the mean's standard deviation
	// (asymptotic; Kendall and Stuart, from memory).
	var s analyze.Spread
	s.Normal("noise of the median", 1.2533*p.sigma/math.Sqrt(float64(p.holdN)))
	k.level(&s, p.sigma, p.holdMedian)
	s.Rect("histogram's bin", p.width/2)
	// Noise beside a rise's tail draws the median down. The blocks, which hold less noise,
	// show how far: it goes with the square root of the noise.
	if !math.IsNaN(p.bias) {
		s.Rect("noise beside a change", 6*p.bias)
	}
	// Where the vacuum still changes, the ends of the hold, each known to half an interval,
	// move its median.
	if drift := (p.secondHalf - p.firstHalf) / (length / 2); !math.IsNaN(drift) {
		s.Rect("drift over the hold's beginning", drift*k.interval()/2)
		s.Rect("drift over the hold's end", drift*max(p.released.beside, k.interval())/2)
	}
	p.HoldVacuumKPa = k.figure("hold vacuum", "kPa", p.holdMedian-p.shift, s, w...)

	if math.IsInf(p.lowest, 1) {
		return
	}
	n := max(3, math.Round(2*k.half/max(k.interval(), 1e-9)))
	var l analyze.Spread
	l.Normal("noise of the running median", 1.2533*p.sigma/math.Sqrt(n))
	k.level(&l, p.sigma, p.lowest)
	// The least of many noisy medians lies below the truth: by up to what the least of as many
	// normal values does, √(2·ln n) deviations (extreme value theory, from memory).
	var least analyze.Spread
	least.Early("noise of a minimum", 1.2533*p.sigma/math.Sqrt(n)*math.Sqrt(2*math.Log(max(float64(p.holdN)/n, 2))))
	l.Subtract(least)
	// Between two samples it may have been lower by as much as they differ.
	l.Early("between samples", p.step)
	if i := k.interval(); i > 0 { // a hold that still rises is lowest where it begins
		l.Normal("instant of the seal", p.step/i*p.sealed.err.U())
	}
	p.LowestVacuumKPa = k.figure("lowest vacuum", "kPa", p.lowest-p.shift, l, w...)
}

// level adds what the sensor does to a vacuum of vKPa as it shows it.
func (k *Tracker) level(s *analyze.Spread, sigma, vKPa float64) {
	s.Normal("calibration", k.vac.CalibrationU(vKPa))
	if a := k.vac.Accuracy; a > 0 {
		s.Rect("sensor's limits of error", a)
	}
	if q := k.vac.Resolution; q > 0 {
		// With little noise the steps do not average out: half a step either way.
		if sigma < q/2 {
			s.Rect("resolution", q/2)
		} else {
			s.Normal("resolution", q/math.Sqrt(12))
		}
	}
}

// leakFlow returns the flow that leaks in during the hold: the median of the flow less
// what still goes into the volume, V·dv/dt (L/min ANR; 1 L ANR is 100 kPa·L at 20 °C).
func (k *Tracker) leakFlow(p *cycle) analyze.Figure {
	if !p.flowDone || math.IsNaN(p.flowMedian) || !p.HoldVacuumKPa.OK() {
		if k.hasFollower(sample.Flow) && !p.flowDone {
			return analyze.None(analyze.Warn(analyze.ChannelTooLate))
		}
		return analyze.None()
	}
	var s analyze.Spread
	s.Normal("noise of the flow's median", p.flowU)
	for _, f := range k.follow {
		if f.ch.Kind != sample.Flow {
			continue
		}
		s.Normal("calibration of the flow", f.ch.CalibrationU(p.flowMedian))
		if a := f.ch.Accuracy; a > 0 {
			s.Rect("flow sensor's limits of error", a)
		}
		if q := f.ch.Resolution; q > 0 {
			s.Rect("resolution of the flow", q/2)
		}
	}
	flow := p.flowMedian
	k.lessBlank(&flow, &s)
	v := k.set.VolumeL
	if math.IsNaN(v) {
		if p.HoldVacuumKPa.Has(analyze.StillRising) {
			return analyze.None(p.HoldVacuumKPa.Warnings...)
		}
		return k.figure("leak flow", "L/min ANR", flow, s)
	}
	if math.IsNaN(p.slope) {
		return k.figure("leak flow", "L/min ANR", flow, s)
	}
	s.Normal("slope of the vacuum, in the volume", v*p.slopeU*lminANR)
	s.Normal("volume", k.set.VolumeUL*p.slope*lminANR)
	return k.figure("leak flow", "L/min ANR", flow-v*p.slope*lminANR, s)
}

func (k *Tracker) hasFollower(kind sample.Kind) bool {
	for _, f := range k.follow {
		if f.ch.Kind == kind {
			return true
		}
	}
	return false
}
