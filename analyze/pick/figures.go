package pick

import (
	"math"
	"slices"

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

// spread returns an error to add parts to, which it keeps where somebody wants budgets.
func (k *Tracker) spread() analyze.Spread { return analyze.Spread{Brief: k.set.Explain == nil} }

// of returns what is said of a kind of channel, where somebody wants budgets.
func (k *Tracker) of(what, kind string) string {
	if k.set.Explain == nil {
		return ""
	}
	return what + kind
}

// figure returns a figure and keeps its budget where somebody wants it.
func (k *Tracker) figure(name, unit string, v float64, e analyze.Spread, w ...analyze.Warning) analyze.Figure {
	return k.explained(name, unit, e.Figure(v, w...), e)
}

// lasted returns a time that is not negative, see atLeastZero, as figure does.
func (k *Tracker) lasted(name string, interval, v float64, e analyze.Spread, w ...analyze.Warning) analyze.Figure {
	return k.explained(name, "s", atLeastZero(e.Figure(v, w...), interval), e)
}

// explained keeps the budget of a figure; the last of a name counts.
func (k *Tracker) explained(name, unit string, f analyze.Figure, e analyze.Spread) analyze.Figure {
	if k.set.Explain != nil && f.OK() {
		k.budgets = slices.DeleteFunc(k.budgets, func(b Budget) bool { return b.Name == name })
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
	p.SettlingTimeS = analyze.None()
	p.OpenSuctionKPa = analyze.None()
	if p.dropped && !p.late {
		p.DropS = p.lostAt.t
	}
	k.energies(p)
	if k.has(sample.Supply) {
		v, e, w := p.response.since(p.start)
		p.ResponseDelayS = k.lasted("response delay", max(p.response.beside, p.start.beside), v, e, w...)
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
		e := k.spread()
		e.Normal("noise of three samples' mean", p.sigma/math.Sqrt(3)) // a flat has three or more
		k.level(&e, p.sigma, p.openKPa)
		p.OpenSuctionKPa = k.figure("open suction", "kPa", p.openKPa-p.shift, e)
	}
	k.holdFigures(p)
	k.cyclingFigures(p)
	k.settling(p)
	p.LeakFlowLminANR = k.leakFlow(p)
	k.leakDownFigures(p)
}

func (k *Tracker) sealTime(p *cycle) analyze.Figure {
	v, e, w := p.sealed.since(p.countFrom)
	if !p.countFrom.ok() {
		w = append(w, analyze.Warn(analyze.StartUnseen))
	}
	return k.lasted("seal time", max(p.sealed.beside, p.countFrom.beside), v, e, append(w, k.place()...)...)
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
	s := k.spread()
	scatter := 1.2533 * p.sigma
	if !math.IsNaN(p.scatter) {
		scatter = p.scatter
	}
	s.Normal("noise of the median", scatter/math.Sqrt(float64(p.holdN)))
	s.Rect("histogram's bin", p.width/2)
	// Noise beside a rise's tail draws the median of the samples from that of the vacuum.
	if !math.IsNaN(p.bias) {
		s.Leave("noise beside a change", -p.bias)
		s.Normal("what noise beside a change leaves", 0.6*p.bias)
	} else if d := p.secondHalf - p.firstHalf; !(math.Abs(d) < p.sigma) { // too short to tell
		s.Rect("noise beside a change", p.sigma)
	}
	// Where the vacuum still changes, the ends of the hold, each known to half an interval,
	// move its median.
	if drift := (p.secondHalf - p.firstHalf) / (length / 2); !math.IsNaN(drift) {
		s.Rect("drift over the hold's beginning", drift*k.interval()/2)
		s.Rect("drift over the hold's end", drift*max(p.released.beside, k.interval())/2)
	}
	k.level(&s, p.sigma, p.holdMedian)
	p.HoldVacuumKPa = k.figure("hold vacuum", "kPa", p.holdMedian-p.shift, s, w...)

	if math.IsInf(p.lowest.v, 1) {
		return
	}
	least, u := k.leastOf(p)
	l := k.spread()
	// The figure is the least running median, whoever works it out; what noise makes of a minimum
	// is in its uncertainty and its interval, not taken out.
	l.Leave("noise of a minimum", least)
	l.Normal("noise of a minimum", u)
	// Between two samples it may have been lower by as much as they differ.
	l.Early("between samples", p.lowest.step)
	if b := p.beginning; b.v-p.lowest.v < 3*u {
		// It is lowest as it begins, which was by the running median's crossing; that instant is
		// known better since.
		slope := max(b.slope, p.rise(3*u))
		late := slope * (p.sealed.t + k.lateS() - p.sealT)
		l.Leave("instant of the seal", late)
		l.Normal("instant of the seal", slope*p.sealed.err.U())
		l.Normal("bend between samples", b.bend)
		if b.unseen > 0 {
			l.Early("between the seal and the next sample", b.unseen)
			w = append(w, analyze.Warn1(analyze.BelowSampling, k.interval()))
		}
	}
	k.level(&l, p.sigma, p.lowest.v)
	p.LowestVacuumKPa = k.figure("lowest vacuum", "kPa", p.lowest.v-p.shift, l, w...)
}

// settling works out how long after the seal the vacuum came within the tolerance of its hold
// vacuum: between the medians of five samples, or of more in a hold of more than 1,280, the last
// outside and the first inside. Where the first is inside it came before that: any
// time since the seal.
func (k *Tracker) settling(p *cycle) {
	f := p.HoldVacuumKPa
	if !f.OK() || f.Has(analyze.StillRising) || f.Has(analyze.EngineCycles) || math.IsNaN(p.settledT) {
		return
	}
	x := instant{t: p.settledT, beside: p.settledIn, err: k.spread()}
	x.err.Rect("settling between medians", p.settledIn/2)
	x.err.Normal("hold vacuum over slope", p.settledU)
	shown := p.sealed
	shown.t += k.lateS() // as the vacuum channel shows both
	v, e, w := x.since(shown)
	p.SettlingTimeS = k.lasted("settling time", p.settledIn, v, e, w...)
}

// leastOf returns by how much the lowest running median of a hold lies under the vacuum for
// being the least of many that scatter, and its standard uncertainty, in kPa.
//
// The running median of n samples scatters by 1.2533·σ/√(n + 1/2), and N of them are worth
// 1 + (N − n)/√n independent ones (both simulated for n = 3, 5, 11, 21 and N = 20 to 5,000:
// within 1 % and a third; a third more of them moves the least by a tenth of its scatter). The
// least of M normal values lies Φ⁻¹((M − 3/8)/(M + 1/4)) deviations down (Blom 1958) and scatters by near
// π/√(12·ln M) of one (the limit of Gumbel). Both from memory, within 0.02 and 0.05 of the
// integrals for M from 5 to 3,000.
//
// Only those count that have the vacuum at their lowest. How many, the samples under the
// lowest median tell (and 0.7 more, simulated: this concave estimate is too low in the mean): a
// share Φ(−z) of them is to be expected there, z its distance in σ.
// That number scatters by half of it where n is 3, less for more, and is small where the least
// is low by chance (simulated): the correction scatters along with the least, by 0.4·√(3/n).
//
// On a rise by g a sample, at the hold's beginning, the median is of fewer samples the steeper
// it is: its variance is σ·g/√π (as in noisyMedian, with a density of 1/g), at most σ².
func (k *Tracker) leastOf(p *cycle) (below, u float64) {
	n := 3.0
	if i := k.interval(); i > 0 {
		n = max(3, 2*math.Floor(k.half/i)+1)
	}
	own := 1.2533 / math.Sqrt(n+0.5)
	// A rise leaves fewer that are near the lowest. Where it begins, its slope is noisy; a vacuum that
	// settles is steeper there than later on.
	rise := p.rise(4 * own * p.sigma)
	slope := max(p.beginning.slope, rise)
	first := p.sigma > 0 && p.beginning.v-p.lowest.v < 3*own*p.sigma
	most := float64(p.holdN)
	if first && rise > 0 {
		most = min(most, n+2*own*p.sigma/(slope*k.interval()))
	}
	down, many := 0.0, 1.0
	for range 12 { // the share changes slowly
		all := min((float64(p.under)+0.7)/(0.5*math.Erfc(down*own/math.Sqrt2)), most)
		many = 1 + max(0, all-n)/math.Sqrt(n)
		down = math.Sqrt2 * math.Erfinv(2*(many-0.375)/(many+0.25)-1)
	}
	below = down * own * p.sigma
	if g := slope * k.interval(); first {
		own = max(own, min(1, math.Sqrt(g/p.sigma/math.Sqrt(math.Pi))))
	}
	scatter := min(1.15, math.Pi/math.Sqrt(12*math.Log(many))+0.4*math.Sqrt(3/n))
	return below, scatter * own * p.sigma
}

// rise returns how steep a hold is in kPa/s from its lowest to the median of its first half, a
// quarter of its length later, less what noise (kPa) may make of that, 0 where it is too short to
// tell; a vacuum that settles begins at least as steeply.
func (p *cycle) rise(noise float64) float64 {
	if d := p.firstHalf - p.lowest.v - noise; d > 0 {
		return d / ((p.holdTo - p.holdFrom) / 4)
	}
	return 0
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
	if p.cycled.does { // most of the time its valve is shut, and nothing flows
		return analyze.None(analyze.Warn(analyze.EngineCycles))
	}
	s := k.spread()
	s.Normal("noise of the flow's median", p.flowU)
	if !math.IsNaN(p.flowBias) { // as for the hold vacuum
		s.Leave("noise of the flow beside a change", -p.flowBias)
		s.Normal("what noise of the flow beside a change leaves", 0.75*p.flowBias)
	}
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
		if d := p.flowDrift; !math.IsNaN(d) {
			ends := max(k.interval(), p.released.beside)
			if i := f.ch.SamplingS(); i > ends {
				ends = i
			}
			s.Rect("drift of the flow over the hold's ends", d*ends/2)
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
