package pick

import (
	"math"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// openSuctionS is how long open suction must be steady to end a pick that has sealed and
// lost it, in seconds.
const openSuctionS = 2

// A phase is how far the pick in progress has come.
type phase int

const (
	approach phase = iota // not sealed yet
	holding               // sealed, neither released nor lost
	leaving               // released, or given up unsealed: on the way to the idle band
	lost                  // below the drop level: dropped, or nobody can tell yet
)

// A cycle is a pick in progress.
type cycle struct {
	Pick
	phase phase

	level, dropLevel, band float64 // as the channel shows them, kPa
	idle                   float64 // NaN where not known
	shift                  float64 // removed from figures, kPa

	start, contact, sealed, lostAt, released, backIdle, response instant
	letGo, shut, off                                             bool    // released; supply shut in the hold; shut before a seal was sure
	supplyShut                                                   instant // last in the hold
	sealT                                                        float64 // by the running median; NaN where sealed unseen
	countFrom                                                    instant // of the seal time
	holdFrom, holdTo                                             float64 // s; NaN while open
	late, dropped, dipping, unseen                               bool
	offAt                                                        instant // supply shut while a seal was not yet sure
	dipFrom                                                      float64
	required, dropping, idling                                   watch
	responded                                                    bool
	flats                                                        flats
	openKPa                                                      float64 // level of open suction; NaN for none
	asideOpen, lostOpen                                          bool
	asideFrom                                                    float64
	refining                                                     int
	endT, beganT, leftT, blindS                                  float64 // s; blind: without samples before a seal or giving up

	holdMedian            float64
	holdN                 int
	lowest                lowest
	under                 int // samples of the hold below the lowest
	begun                 bool
	beginning             beginning
	settledT, settledIn   float64 // when the vacuum had settled, and the interval in which it did, s
	settledU              float64 // noise over its slope there, s
	width, bias, scatter  float64 // of the median: a bin, by how much noise moved it, and by how much that scatters for one sample
	gapS                  float64
	firstHalf, secondHalf float64
	slope, slopeU         float64
	offs                  shut
	letGoT                float64 // when its hold of the bag ended, s
	cycled                cycled
	present               instant // the controller's own signal, first rising edge
	sigma                 float64

	flowMedian, flowU   float64
	flowBias, flowDrift float64 // by how much noise moved the median; L/min ANR a second
	flowDone            bool
	energy              []energy
	draws               sample.Kind // what the engine draws, "" where not known
}

// A refinement is an instant to be found once the samples around it have come.
type refinement struct {
	p      *cycle
	dst    *instant
	level  float64
	at     int
	rising bool
	due    float64
	rise   *rise // instead: of the hold of p
}

// A watch follows the running median across one level. Its state holds once the time
// between two crossings, interpolated, has reached persist.
type watch struct {
	level float64
	known bool
	above bool
	held  bool
	inGap bool    // the last crossing lies in a gap, or before the recording
	since float64 // time of the last crossing
	at    int     // first sample behind it
}

// restart has a watch that already lies below its level wait from time t on.
func (w *watch) restart(t float64) {
	if w.known && !w.above {
		w.since, w.held, w.inGap = t, false, true
	}
}

// tol is the distance within which two vacuums count as one level, kPa.
func (k *Tracker) tol() float64 { return max(0.5, 4*k.noise.sigma()) }

// step judges sample i.
func (k *Tracker) step(i int) {
	r := &k.trace
	t, gap := r.time(i), r.gapBefore(i)
	k.judging = t
	m := r.median(i, k.half, &k.scratch)
	prevT, prevM := k.lastMT, k.lastM
	k.lastMT, k.lastM = t, m
	if len(k.later) > 0 {
		k.refine(t, gap)
	}
	from := prevT
	if math.IsNaN(prevT) { // vacuum may come later than the channels that tell of picks
		if from = k.firstEdge(); t-from > k.gapLimit {
			gap = true
			k.gaps = append(k.gaps, Gap{FromS: from, ToS: t, Cause: k.early})
		}
	}
	if gap {
		k.gapAt(from, t)
	}
	p := k.now
	if p == nil {
		k.stepIdle(i, t, m, gap)
		return
	}
	if p.phase == approach || p.phase == lost {
		p.flats.add(r, i, k.tol())
	}
	watches := [...]*watch{&p.required, &p.dropping, &p.idling}
	if m > prevM { // levels in the order in which they are met
		watches = [...]*watch{&p.idling, &p.dropping, &p.required}
	}
	for _, w := range watches {
		k.watch(p, w, i, t, m, prevT, prevM, gap)
		if k.now != p {
			return
		}
	}
	switch p.phase {
	case holding:
		if p.asideOpen && !p.lostOpen && t-p.asideFrom > k.oneEventS() {
			k.closeAside(p, true)
		}
		k.accumulate(p, i, t, m)
	case lost:
		if p.lostOpen && !p.dropped {
			k.accumulate(p, i, t, m)
		}
		if p.flats.length() >= openSuctionS {
			k.end(p, t, "open_suction")
		}
	}
}

func (k *Tracker) watch(p *cycle, w *watch, i int, t, m, prevT, prevM float64, gap bool) {
	const eps = 1e-9
	above := m >= w.level
	if !w.known {
		w.known, w.above, w.since, w.at, w.inGap = true, above, t, i, true
	}
	if above != w.above {
		tx, before := t, prevT
		if !gap {
			tx = prevT + (t-prevT)*(w.level-prevM)/(m-prevM)
			before = tx
		}
		if !w.held && before-w.since >= k.set.PersistS-eps {
			w.held = true
			k.stateHeld(p, w)
			if k.now != p {
				return
			}
		}
		w.above, w.since, w.at, w.inGap, w.held = above, tx, i, gap, false
		k.stateCrossed(p, w, i)
	}
	if !w.held && t-w.since >= k.set.PersistS-eps {
		w.held = true
		k.stateHeld(p, w)
	}
}

func (k *Tracker) stateHeld(p *cycle, w *watch) {
	switch {
	case w == &p.required && w.above:
		switch {
		case p.phase == approach:
			k.seal(p, w)
		case p.phase == holding && p.dipping:
			p.dipping = false
			p.ReSeals++
			p.BelowRequiredS += w.since - p.dipFrom
			k.event(p.dipFrom, Dip, p)
			k.event(w.since, ReSeal, p)
		}
	case w == &p.required:
		if p.phase == holding || p.phase == lost {
			if !p.dipping {
				p.dipping, p.dipFrom = true, w.since
			}
		}
	case w == &p.dropping && w.above:
		if p.phase == lost && !p.dropped { // it was a dip after all
			k.closeLost(p, true)
			p.phase = holding
		}
	case w == &p.dropping:
		if p.phase == holding {
			k.loss(p, w)
		}
	case w == &p.idling && !w.above:
		switch {
		case p.phase == leaving:
			k.refineLater(p, &p.backIdle, w, false)
			k.end(p, w.since, "ambient")
		case p.phase == lost, p.phase == approach && !k.has(sample.Supply):
			k.end(p, w.since, "ambient")
		}
	}
}

func (k *Tracker) stateCrossed(p *cycle, w *watch, i int) {
	switch {
	case w == &p.required && w.above:
		k.closeAside(p, true)
	case w == &p.required:
		switch {
		case p.phase == holding && !p.dipping:
			k.openAside(p, w.since)
		case p.phase == approach && p.off:
			k.giveUp(p, p.offAt.order)
		}
	case w == &p.dropping && w.above:
		if p.phase == holding && p.lostOpen {
			k.closeLost(p, true)
		}
	case w == &p.dropping:
		if p.phase == holding {
			k.reset(&k.spans[2])
			p.lostOpen = true
			k.flow(w.since, (*follower).pause)
		}
	case w == &p.idling && w.above:
		if p.phase == approach && !p.responded && p.start.ok() && k.has(sample.Supply) {
			p.responded = true
			k.refineLater(p, &p.response, w, true)
		}
	}
}

// oneEventS is the time within which a fall through the required vacuum and the drop level
// is one event, in seconds.
func (k *Tracker) oneEventS() float64 { return 5 * k.set.PersistS }

// openAside sets the hold's samples aside from time t on, when the vacuum has fallen below
// what is required: whether they belong to the hold, or to the loss that ends it, is known
// only once it recovers, stays between the levels, or is lost.
func (k *Tracker) openAside(p *cycle, t float64) {
	if !p.asideOpen {
		k.reset(&k.spans[1])
		p.asideOpen, p.asideFrom = true, t
	}
}

// closeAside ends the stretch set aside: it belongs to the hold, or does not.
func (k *Tracker) closeAside(p *cycle, hold bool) {
	if p.asideOpen && hold {
		k.merge(&k.spans[0], &k.spans[1])
	}
	p.asideOpen = false
}

// holdEnd returns when a hold ended that was lost at t: where it fell below what is required.
func (p *cycle) holdEnd(t float64) float64 {
	if p.asideOpen {
		return min(t, p.asideFrom)
	}
	return t
}

// closeLost ends the stretch below the drop level: it belongs to the hold, or does not.
func (k *Tracker) closeLost(p *cycle, hold bool) {
	if !p.lostOpen {
		return
	}
	p.lostOpen = false
	if hold {
		to := &k.spans[0]
		if p.asideOpen {
			to = &k.spans[1]
		}
		k.merge(to, &k.spans[2])
		k.flow(k.lastMT, (*follower).resume)
	}
}

func (k *Tracker) reset(s *span) { s.reset(k.binWidth()) }

func (k *Tracker) event(t float64, kind EventKind, p *cycle) {
	e := Event{TS: t, Kind: kind, Station: k.set.Station, Group: k.set.Group}
	if p != nil {
		e.Pick = p.N
	}
	k.events = append(k.events, e)
}

// gapAt notes that samples are missing between times from and to.
func (k *Tracker) gapAt(from, to float64) {
	p := k.now
	k.event(from, GapSeen, p)
	if p != nil {
		k.missing(p, from, to)
	}
}

// firstEdge returns the time of the first sample of a switched channel; +Inf without one.
func (k *Tracker) firstEdge() float64 {
	t := math.Inf(1)
	for _, s := range k.switches {
		t = min(t, s.first)
	}
	return t
}

// silent has a pick take the time up to t as missing where t lies in a gap whose end has not
// been judged: the pick is over before the vacuum is heard again.
func (k *Tracker) silent(p *cycle, t float64) {
	from, to, gap := k.lastMT, t, false
	if math.IsNaN(from) {
		from = k.firstEdge()
	}
	if r := &k.trace; k.next < r.len() {
		to, gap = r.time(k.next), r.gapBefore(k.next)
	}
	if gap || to-from > k.gapLimit {
		k.missing(p, from, t)
	}
}

// missing marks a pick that has no samples between times from and to.
func (k *Tracker) missing(p *cycle, from, to float64) {
	p.TouchedByGap = true
	p.flats.cut()
	switch end := p.holdTo; {
	case p.phase == holding && !p.shut:
		k.spans[0].gapS += to - from
	case !math.IsNaN(end): // it began in the hold and was seen only now
		p.gapS += max(0, min(to, end)-max(from, p.holdFrom))
	}
	if math.IsNaN(p.sealT) {
		p.blindS += max(0, min(to, p.leftT)-max(from, p.beganT))
	}
	k.shut.reset()
	k.cycling.rises.topN = 0 // turns may be missing as well
	p.offs.gapTo = to
}

// seal takes the required vacuum as reached: it has held for persist.
func (k *Tracker) seal(p *cycle, w *watch) {
	p.phase = holding
	p.unseen = w.inGap
	p.sealT = w.since
	k.findContact(p, w)
	at := w.since
	if p.unseen { // as early as can be
		at = p.beganT
		if i := w.at - 1; i >= k.trace.base {
			at = k.trace.time(i)
		}
	}
	if from := p.countFrom; from.ok() && at-from.t > k.set.SealLimitS {
		p.late = true
	}
	if !p.unseen {
		k.refineLater(p, &p.sealed, w, true)
	}
	p.holdFrom = w.since + holdStartS
	k.reset(&k.spans[0])
	k.cycling.reset(max(1, 8*k.noise.sigma()), max(k.binWidth(), 0.01))
	k.cutAt(p, cutContact, p.contact.t)
	p.asideOpen, p.lostOpen = false, false
	k.flow(p.holdFrom, (*follower).startHold)
	p.dropping.known, p.dropping.held = false, false
	r := &k.trace
	for i := r.after(p.holdFrom); i < k.current(); i++ {
		k.accumulate(p, i, r.time(i), r.median(i, k.half, &k.scratch))
	}
	if p.off {
		k.supplyFell(p, p.offAt)
	}
}

// current returns the index of the sample being judged.
func (k *Tracker) current() int { return k.next }

// findContact says when the cup met the bag, and so where seal time counts from.
func (k *Tracker) findContact(p *cycle, w *watch) {
	if level, _, ok := k.openSuction(p, w); ok {
		p.openKPa = level
	}
	switch {
	case k.has(sample.Touch):
		if k.touched.ok() && k.touched.t <= w.since && (k.touchOn || k.touched.t > k.idleFrom) {
			p.contact = k.touched
		}
	default:
		p.contact = k.inferContact(p, w)
	}
	p.countFrom, p.SealFrom = p.start, "supply"
	if !k.has(sample.Supply) {
		p.SealFrom = "rise"
	}
	switch {
	case p.contact.ok() && (!p.start.ok() || p.contact.t > p.start.t):
		p.countFrom, p.SealFrom = p.contact, "contact"
		if k.has(sample.Touch) {
			p.SealFrom = "touch"
		}
	case k.set.SupplyBeforeContact && !p.contact.ok():
		p.countFrom = noInstant()
	}
	if !p.countFrom.ok() {
		p.SealFrom = ""
	}
}

// inferContact reads contact from the vacuum: the last sample at the level of open suction
// before the rise that seals. It cannot be had where there was no open suction, or where
// flat stretches at different levels leave it open which.
func (k *Tracker) inferContact(p *cycle, w *watch) instant {
	tol := k.tol()
	level, end, ok := k.openSuction(p, w)
	if !ok {
		return noInstant()
	}
	r := &k.trace
	at := -1
	for i := w.at - 1; i >= r.base && r.time(i) >= end && !r.gapBefore(i+1); i-- {
		if math.Abs(r.vacuum(i)-level) <= tol {
			at = i
			break
		}
	}
	x := instant{t: end, err: k.spread(), warn: []analyze.Warning{analyze.Warn(analyze.ContactInferred)}}
	if at >= 0 {
		x.t = r.time(at)
		x.beside = r.time(at+1) - x.t
		x.err.Rect("contact read from samples", x.beside)
		x.err.Rect("stamp of contact", r.stampHalf(at))
	} else {
		x.beside = k.interval()
		x.err.Rect("contact read from samples", x.beside)
	}
	if p.start.ok() && x.t > p.start.t && k.has(sample.Supply) {
		// Supply came first: it responds to the bag by leaving open suction.
		p.response = k.crossing(level+tol, max(at+1, r.base+1), true)
		p.responded = true
	}
	return x
}

// openSuction returns the level of open suction before the rise that seals, and its end.
func (k *Tracker) openSuction(p *cycle, w *watch) (level, end float64, ok bool) {
	base := p.idle
	if math.IsNaN(base) {
		base = 0
	}
	return p.flats.openSuction(base+k.tol(), w.level, w.since, k.tol())
}

// loss judges a fall below the drop level that has held for persist.
func (k *Tracker) loss(p *cycle, w *watch) {
	p.phase = lost
	p.flats.reset()
	k.refineLater(p, &p.lostAt, w, false)
	if k.canTell(p, w.since) {
		k.drop(p, w)
	}
}

// canTell reports whether a loss at time t is a drop and not somebody's letting go. With a
// release channel supply off means hold, so that a loss before the release is a drop; but
// where no check valve is stated and the vacuum goes as the supply shuts, the valve vents, or
// the release pulse fell between samples.
func (k *Tracker) canTell(p *cycle, t float64) bool {
	if k.set.HandHeld {
		return false
	}
	supply := k.has(sample.Supply)
	switch {
	case k.carriedOn, supply && (k.supplyOn || k.set.SupplyOffHolds):
		return true
	case k.has(sample.Release):
		return !p.shut || t-p.supplyShut.order > max(k.oneEventS(), p.supplyShut.beside)
	}
	return false
}

func (k *Tracker) drop(p *cycle, w *watch) {
	p.dropped = true
	k.closeLost(p, false)
	k.sagBefore(p, w.since)
	k.closeHold(p, p.holdEnd(w.since))
	k.holdEnded(p, p.holdEnd(w.since))
	k.closeAside(p, false)
	if p.late {
		return // it counts as unsealed
	}
	at := w.since
	if w.inGap {
		at = math.NaN()
	}
	if w.inGap && p.required.inGap && !p.required.above {
		p.BelowRequiredS = math.NaN() // nobody saw when it fell
	}
	k.event(at, Drop, p)
}

// sagBefore notes a stretch below the required vacuum that led to a loss at t, unless the
// two are one event.
func (k *Tracker) sagBefore(p *cycle, t float64) {
	if p.dipping && t-p.dipFrom > k.oneEventS() {
		k.event(p.dipFrom, Sag, p)
		p.BelowRequiredS += t - p.dipFrom
	}
	p.dipping = false
}

// release takes a release commanded at x.
func (k *Tracker) release(p *cycle, x instant) {
	// A loss that begins within persist before the release belongs to it, and so does one that
	// samples cannot tell from it: both lie between the same two.
	persist := max(k.set.PersistS, x.beside/2)
	if w := &p.dropping; p.phase == holding && w.known && !w.above && !w.held && x.order-w.since >= persist && k.canTell(p, w.since) {
		w.held = true
		k.loss(p, w)
		if p.dropped {
			return
		}
	}
	if w := &p.required; p.phase == holding && !w.above {
		if !p.dipping && x.order-w.since >= persist {
			p.dipping, p.dipFrom = true, w.since
		}
		if p.dipping && x.order-p.dipFrom >= persist {
			k.event(p.dipFrom, Sag, p)
			p.BelowRequiredS += x.order - p.dipFrom
		}
	} else if p.dipping {
		k.event(p.dipFrom, Dip, p)
		p.BelowRequiredS += p.required.since - p.dipFrom
	}
	p.dipping = false
	k.closeLost(p, false)
	k.closeAside(p, x.order-p.asideFrom >= persist)
	k.closeHold(p, x.order)
	k.closeLeakDown(p, x.order, false)
	p.offs.cutShort(x, p.supplyShut.beside)
	k.holdEnded(p, x.order)
	p.released, p.letGo = x, true
	p.phase = leaving
	p.idling.restart(x.order)
}

// giveUp takes a pick as unsealed: the supply was shut before it sealed.
func (k *Tracker) giveUp(p *cycle, t float64) {
	p.phase = leaving
	p.leftT = t
	p.idling.restart(t)
}

// closeHold ends the hold at time t and keeps its medians.
func (k *Tracker) closeHold(p *cycle, t float64) {
	if !math.IsNaN(p.holdTo) {
		return
	}
	p.holdTo = t
	s := &k.spans[0]
	k.commitLow(k.next)
	if math.IsInf(s.lowest.v, 1) && len(k.pending) > 0 { // shorter than one window
		s.low(k.pending[0].low)
	}
	k.pending = k.pending[:0]
	p.holdMedian, p.holdN, p.gapS = s.tally.median(), s.tally.n, s.gapS
	p.lowest, p.under = s.lowest, s.tally.below(s.lowest.v)
	p.width = s.tally.width
	p.firstHalf, p.secondHalf = s.blocks.halves()
	p.sigma = k.noise.sigma()
	p.bias, p.scatter = s.blocks.moved(p.firstHalf, p.secondHalf, p.sigma)
	level, u := p.holdMedian, 1.2533*p.sigma/math.Sqrt(float64(max(p.holdN, 1)))
	if !math.IsNaN(p.bias) {
		level, u = level-p.bias, math.Hypot(u, 0.6*p.bias)
	}
	p.settledT, p.settledIn, p.settledU = s.blocks.within(level, u, k.tol(), p.sealT, p.sigma)
	if !math.IsNaN(k.set.VolumeL) && k.hasFollower(sample.Flow) {
		p.slope, p.slopeU = s.blocks.slope()
	}
	k.flow(t, func(f *follower) { f.endHold(p) })
}

// flow has g called for each flow channel once it has been read up to time t.
func (k *Tracker) flow(t float64, g func(*follower)) {
	for _, f := range k.follow {
		if f.ch.Kind == sample.Flow {
			k.mark(f, t, g)
		}
	}
}

// mark marks time t in channel f, once it has been read as far as the station has been
// judged: so what it knew then does not depend on the sizes of batches.
func (k *Tracker) mark(f *follower, t float64, g func(*follower)) {
	f.advance(k.judging)
	f.marks = append(f.marks, mark{t, g})
}

// accumulate adds sample i, at which the running median is m, to the hold.
func (k *Tracker) accumulate(p *cycle, i int, t, m float64) {
	v := k.trace.vacuum(i)
	if p.shut {
		switch {
		case p.offs.onAgain:
			if on := &k.cycling.on; on.add(t, v) {
				k.turn(p, i, on.lastT, on.lastV)
			}
		case t >= p.offs.offAt+k.set.SettleS && k.shut.add(t, v):
			k.turn(p, i, k.shut.lastT, k.shut.lastV)
		}
		return
	}
	if t < p.holdFrom || !math.IsNaN(p.holdTo) {
		return
	}
	s := &k.spans[0]
	switch {
	case p.lostOpen:
		s = &k.spans[2]
	case p.asideOpen:
		s = &k.spans[1]
	}
	if s.add(t, v) {
		k.turn(p, i, s.blocks.lastT, s.blocks.lastV)
	}
	if !p.begun {
		p.begun = true
		k.beginHold(p, s, i, m)
	}
	k.low(s, i, lowest{v: m, step: k.trace.step(i, k.half, k.noise.sigma())})
}

// beginHold reads the running median at the instant from which the hold counts, between the
// sample before it and sample i: a vacuum that still rises is lowest there.
func (k *Tracker) beginHold(p *cycle, s *span, i int, m float64) {
	r := &k.trace
	if i <= r.base || r.gapBefore(i) {
		return
	}
	from, dt := r.time(i-1), r.time(i)-r.time(i-1)
	before := r.median(i-1, k.half, &k.scratch)
	x := (p.holdFrom - from) / dt
	q, trust := r.settling(i, k.noise.sigma())
	v := before + (m-before)*(x+ahead(x, q, trust))
	// A vacuum that settles is no steeper here than it was on the way from the seal.
	a, b := r.window(i, k.half)
	p.beginning = beginning{v: v, slope: max(0, min((v-p.level)/holdStartS, max(r.fit(a, b, 1).c[1], (m-before)/dt)))}
	if c := r.bend(i-1, i, (r.vacuum(i)-r.vacuum(i-1))/dt, k.noise.sigma()); c > 0 {
		p.beginning.bend = (m - before) * c * (0.1 + 0.25*c)
		if c == 1 && dt > holdStartS {
			p.beginning.unseen = max(0, v-p.level)
		}
	}
	s.low(lowest{v: v})
}

// edge takes an edge of a switched channel.
func (k *Tracker) edge(kind sample.Kind, e edge) {
	k.judging = e.t
	p := k.now
	switch kind {
	case sample.Supply:
		k.supplyOn = e.on
		switch {
		case e.on && p != nil && p.phase == holding && p.shut:
			k.closeLeakDown(p, e.t, true) // evacuated again during the hold
		case e.on:
			if p != nil {
				k.silent(p, e.t)
				k.end(p, e.t, "")
			}
			k.begin(e.at, e.t)
		case p != nil:
			k.supplyFell(p, e.at)
		}
	case sample.Release:
		k.releaseOn = e.on
		if !e.on || p == nil {
			return
		}
		switch p.phase {
		case approach:
			k.shutUnsealed(p, e.at)
		case holding:
			k.release(p, e.at)
		case lost:
			if !p.dropped && !k.supplyOn {
				k.release(p, e.at)
			}
		}
	case sample.Touch:
		k.touchOn = e.on
		if e.on {
			k.touched = e.at
			if p != nil && p.phase == approach {
				k.cutAt(p, cutContact, e.at.t)
			}
		}
	case sample.PartPresent:
		if e.on && p != nil && !p.present.ok() && (p.phase == approach || p.phase == holding) {
			p.present = e.at
		}
	case sample.Carried:
		k.carriedOn = e.on
	}
}

// supplyFell takes a falling edge of supply.
func (k *Tracker) supplyFell(p *cycle, x instant) {
	switch p.phase {
	case approach:
		k.shutUnsealed(p, x)
	case holding:
		if !k.set.SupplyOffHolds && !k.has(sample.Release) {
			k.release(p, x)
			return
		}
		k.closeAside(p, x.order-p.asideFrom >= max(k.set.PersistS, x.beside/2))
		k.closeHold(p, x.order)
		k.shutAt(p, x)
	}
}

// shutUnsealed ends an approach, unless the required vacuum has been reached and only
// persist is missing.
func (k *Tracker) shutUnsealed(p *cycle, x instant) {
	w := &p.required
	if w.known && w.above && !w.inGap {
		p.offAt, p.off = x, true
		return
	}
	k.giveUp(p, x.order)
}

// begin starts a pick at instant x, which stands at time t in the order of events.
func (k *Tracker) begin(x instant, t float64) {
	k.count++
	nan := math.NaN()
	p := &cycle{start: x, openKPa: math.NaN(), contact: noInstant(), sealed: noInstant(), lostAt: noInstant(), released: noInstant(),
		backIdle: noInstant(), response: noInstant(), supplyShut: noInstant(), offAt: noInstant(), countFrom: noInstant(),
		sealT: nan, holdFrom: nan, holdTo: nan, letGoT: nan, present: noInstant(), flowMedian: nan, flowU: nan,
		holdMedian: nan, bias: nan, scatter: nan, settledT: nan, lowest: lowest{v: math.Inf(1)}, beginning: beginning{v: math.Inf(1)}, firstHalf: nan, secondHalf: nan, slope: nan, slopeU: nan}
	p.EndS, p.beganT, p.leftT = nan, t, math.Inf(1)
	p.N, p.Station, p.Group = k.count, k.set.Station, k.set.Group
	if x.ok() || k.has(sample.Supply) {
		k.findIdle(t)
	}
	p.idle = k.idle
	base := 0.0
	if !math.IsNaN(p.idle) {
		base = p.idle
		if x.ok() {
			k.idles.add(base)
		}
	}
	if !x.ok() {
		p.idle = nan
	}
	if k.set.RemoveIdleLevel {
		p.shift = base
	}
	p.RequiredKPa = k.set.RequiredKPa(p.N)
	if k.set.Draws != nil {
		p.draws = k.set.Draws(p.N)
	}
	p.level = p.RequiredKPa + p.shift
	drop := k.set.DropLevelKPa
	if !(drop > 0) {
		drop = p.RequiredKPa / 2
	}
	p.dropLevel = drop + p.shift
	p.band = base + k.set.IdleBandKPa
	p.required = watch{level: p.level}
	p.dropping = watch{level: p.dropLevel}
	p.idling = watch{level: p.band}
	if m := k.lastM; !math.IsNaN(m) {
		for _, w := range []*watch{&p.required, &p.idling} {
			w.known, w.above, w.since, w.at, w.inGap = true, m >= w.level, t, k.next, true
		}
	}
	p.flats.reset()
	k.now = p
	for _, f := range k.follow {
		if f.ch.Kind != sample.Flow {
			p.energy = append(p.energy, energy{kind: f.ch.Kind})
		}
	}
	k.cutAt(p, cutStart, x.t)
}

// findIdle sets the idle level: the median of the last 2 s before time t with the supply
// off and no pick in progress. Without a supply channel only samples near the level that
// idle was held against count: open suction may lie within the idle band too.
func (k *Tracker) findIdle(t float64) {
	r := &k.trace
	from := max(t-2, k.idleFrom)
	ref, tol := k.reference(), k.tol()
	v := k.scratch[:0]
	for i := r.after(from); i < r.len() && r.time(i) < t; i++ {
		if x := r.vacuum(i); k.has(sample.Supply) || math.Abs(x-ref) <= tol {
			v = append(v, x)
		}
	}
	if k.scratch = v; len(v) > 0 {
		k.idle = medianOf(v)
	}
}

// end closes the pick in progress at time t, for the reason given: "ambient",
// "open_suction", or "" for the next start.
func (k *Tracker) end(p *cycle, t float64, where string) {
	k.now = nil
	k.idleFrom = t
	k.in = idleWatch{}
	p.endT, p.EndS = t, t
	switch {
	case p.late:
		p.Outcome = Unsealed
	case p.dropped:
		p.Outcome = Dropped
	case p.phase == leaving && p.letGo:
		p.Outcome = Released
	case p.phase == leaving || p.phase == approach:
		p.Outcome = p.unsealed(t)
	default: // sealed and lost, and no channel tells why
		p.Outcome, p.EndedAt = Ended, where
		if where == "" {
			p.EndedAt = "open_suction"
		}
		k.sagBefore(p, p.dropping.since)
		k.closeLost(p, false)
		k.closeHold(p, p.holdEnd(p.dropping.since))
		k.holdEnded(p, p.holdEnd(p.dropping.since))
		k.closeAside(p, false)
	}
	k.close(p, t)
}

// unsealed returns the outcome at time t of a pick that was not seen to seal: Open where it was
// not seen for most of the time in which it might have.
func (p *cycle) unsealed(t float64) Outcome {
	if p.blindS > (min(p.leftT, t)-p.beganT)/2 {
		return Open
	}
	return Unsealed
}

// close hands the pick on to be settled. Without a supply channel a stretch of vacuum that
// began before the recording, or after another pick's loss, and never sealed is no pick.
func (k *Tracker) close(p *cycle, t float64) {
	if p.Outcome != "" && !k.has(sample.Supply) && !p.start.ok() && math.IsNaN(p.sealT) {
		k.count--
		return
	}
	k.cutAt(p, cutEnd, t)
	k.closing = append(k.closing, p)
}

// finishCycle closes what is in progress when the recording ends.
func (k *Tracker) finishCycle() {
	k.refine(math.Inf(1), true)
	p := k.now
	if p == nil {
		return
	}
	t := k.lastMT
	k.now = nil
	p.endT = t
	if p.phase == leaving {
		k.silent(p, k.passed)
	}
	switch {
	case p.late:
		p.Outcome = Unsealed
	case p.dropped:
		p.Outcome = Dropped
	case p.phase == leaving && p.letGo:
		p.Outcome = Released
	case p.phase == leaving:
		p.Outcome = p.unsealed(p.leftT)
	case p.phase == approach && p.start.ok() && t-p.start.t > k.set.SealLimitS:
		p.Outcome = p.unsealed(t)
	default:
		p.Outcome = Open
	}
	if p.phase == holding || p.phase == lost {
		end := t
		if p.phase == lost {
			end = p.holdEnd(p.dropping.since)
		}
		k.closeAside(p, p.phase == holding)
		k.closeHold(p, end)
		k.holdEnded(p, end)
	}
	k.close(p, t)
}

// refineLater has the instant of the watch's last crossing found once the samples around
// it have come.
func (k *Tracker) refineLater(p *cycle, dst *instant, w *watch, rising bool) {
	if w.inGap {
		return
	}
	due := w.since + maxReach
	p.refining++
	k.later = append(k.later, refinement{p: p, dst: dst, level: w.level, at: w.at, rising: rising, due: due})
}

// refine finds the instants that are due at time t, all of them where all is set.
func (k *Tracker) refine(t float64, all bool) {
	n := 0
	for _, x := range k.later {
		if !all && x.due >= t {
			k.later[n] = x
			n++
			continue
		}
		if x.rise != nil {
			if x.p == k.now && math.IsNaN(x.p.letGoT) {
				k.measureRise(x.p, x.rise)
			}
			continue
		}
		*x.dst = k.crossing(x.level, x.at, x.rising)
		if x.dst == &x.p.sealed {
			k.cutAt(x.p, cutSealed, x.p.sealed.t)
		}
		x.p.refining--
	}
	k.later = k.later[:n]
}
