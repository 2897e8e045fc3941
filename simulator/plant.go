package simulator

import (
	"cmp"
	"math"
	"slices"
)

// A State is what holds at one station at one instant.
type State struct {
	TS          float64 // plant time, s
	VacuumKPa   float64 // in the cup, or of several in their manifold
	CupKPa      float64 // in the first cup
	ManifoldKPa float64
	EngineKPa   float64 // at the engine
	FlowLminANR float64 // what the engine draws from the station
	PowerW      float64
	AirLminANR  float64 // compressed air drawn
	AirKPa      float64 // its pressure, gauge
	RequiredKPa float64 // of the setup in use

	Supply, Release, Touch, Carried bool // as commanded; Touch: a cup is on the bag
}

// A Plant is the physics: the air in every station's volumes integrated in time. Stations
// on one engine are one network. Not safe for concurrent use.
//
// A step ends exactly where a valve, a lip or a bag changes the equations, foreseen or not.
// Between the steps' ends every pressure is the cubic that meets value and slope at both.
type Plant struct {
	sc       *Scenario
	stations []*station
	groups   []*group
}

// A group is the stations of one network.
type group struct {
	net      *network
	central  *Central
	stations []*station
	engine   circuit // of the central engine
	first    float64 // air at the beginning, L ANR
	ledger   [ledgerSize]float64
}

// A station is one circuit and what it is doing.
type station struct {
	sc       *Scenario
	name     string
	group    *group
	net      *network
	central  *Central
	setup    *Setup
	at       circuit
	schedule schedule

	following *plan // the pick after the current one
	cur       *plan // nil while no pick runs
	segs      []segment
	seg       segment // the one in hand
	slipped   int     // wrinkles
	saving    bool    // the ejector has shut off to save air
	airKPa    float64
	grip      grip

	cups0, cups1 []float64 // scratch
	taps         []*tap
	watch        watch
	truths       []Truth
}

// NewPlant returns a plant at time 0, at rest.
func NewPlant(sc Scenario) (*Plant, error) {
	if err := sc.Check(); err != nil {
		return nil, err
	}
	sc.defaults()
	p := &Plant{sc: &sc}
	central := map[string]*group{}
	for i, x := range sc.Stations {
		st := &station{sc: &sc, name: x.Name, setup: &sc.Setups[0], central: sc.central(x.Central)}
		st.schedule = schedule{sc: &sc, station: i, startS: sc.LeadS}
		st.following = st.schedule.next()
		if st.following != nil {
			st.setup = st.following.setup
		} else if st.central != nil { // it rests, but must have a line
			for k := range sc.Setups {
				if !sc.Setups[k].Circuit.Line.none() {
					st.setup = &sc.Setups[k]
				}
			}
		}
		g := central[x.Central]
		if g == nil || x.Central == "" {
			g = &group{central: st.central}
			central[x.Central] = g
			p.groups = append(p.groups, g)
		}
		st.group = g
		g.stations = append(g.stations, st)
		p.stations = append(p.stations, st)
	}
	for _, g := range p.groups {
		g.lay(0)
		g.first = g.net.amount()
		for _, st := range g.stations {
			st.nextSpan()
		}
		g.net.renew()
	}
	return p, nil
}

// lay builds the network for the setups in use, with the air where it was.
func (g *group) lay(nowS float64) {
	sc := g.stations[0].sc
	type air struct{ kPa, k, taken float64 }
	was := map[[2]int]air{}
	each := func(visit func(role [2]int, node int)) {
		if g.central != nil {
			visit([2]int{-1, 0}, g.engine.engine)
		}
		for i, st := range g.stations {
			visit([2]int{i, -1}, st.at.manifold)
			if st.at.engine != st.at.manifold && g.central == nil {
				visit([2]int{i, -2}, st.at.engine)
			}
			for k, c := range st.at.cups {
				if c != st.at.manifold {
					visit([2]int{i, k}, c)
				}
			}
		}
	}
	old := g.net
	next := 1e-4
	if old != nil {
		each(func(role [2]int, i int) {
			was[role] = air{old.p1[i], old.temp[i], old.solver.y0[3*i+2]}
		})
		for i, x := range old.ledger() {
			g.ledger[i] += x
		}
	}
	n := newNetwork(sc)
	g.net = n
	var central *circuit
	if g.central != nil {
		g.engine = n.layCentral(g.central)
		central = &g.engine
	}
	for _, st := range g.stations {
		st.net = n
		st.at = n.laySetup(st.setup, central)
	}
	n.toS, n.fromS, n.nextS = nowS, nowS, next
	n.lay()
	if old == nil {
		return
	}
	each(func(role [2]int, i int) {
		if a, ok := was[role]; ok {
			n.solver.y0[3*i+2] = min(a.taken, 0.8*n.nodes[i].volumeL)
			n.charge(i, a.kPa, a.k)
		}
	})
	// Other cups come with other air in them.
	g.ledger[ledgerIn] += n.amount() - old.amount()
	for _, st := range g.stations {
		if len(st.segs) > 0 || st.seg.toS > 0 {
			st.applySegment()
		}
	}
}

// Air returns the account of the air in a station's network, L ANR, as the last step left it.
func (p *Plant) Air(station int) Air {
	g := p.stations[station].group
	l := g.ledger
	for i, x := range g.net.ledger() {
		l[i] += x
	}
	return Air{In: l[ledgerIn], Out: l[ledgerOut], Drawn: l[ledgerDrawn], Blown: l[ledgerBlown], Stored: g.net.amount(), StoredAtFirst: g.first}
}

// Sample returns the state of a station, by its index in the scenario, at plant time tS.
// Times asked for at stations on one engine must not decrease: the state at the start of
// the last step is the earliest that can be had.
func (p *Plant) Sample(station int, tS float64) State {
	st := p.stations[station]
	st.group.advance(tS)
	return st.state(tS)
}

// Truth returns what happened in every pick that is over, in the order of their starts.
func (p *Plant) Truth() []Truth {
	var all []Truth
	for _, st := range p.stations {
		all = append(all, st.truths...)
	}
	slices.SortStableFunc(all, func(a, b Truth) int { return cmp.Compare(a.SupplyOnS, b.SupplyOnS) })
	return all
}

// settleS is how long after its release a pick is watched if no other comes.
const settleS = 0.5

// letGoKPa is the vacuum that no longer carries a bag once the release has begun.
const letGoKPa = 1

// nextSpan begins the next pick, or a rest before it.
func (s *station) nextSpan() {
	s.segs = s.segs[:0]
	nowS := s.net.toS
	if p := s.following; p != nil && p.beginS() <= nowS {
		s.cur, s.following = p, s.schedule.next()
		s.slipped, s.saving, s.grip = 0, false, grip{}
		if p.setup != s.setup {
			s.setup = p.setup
			s.group.lay(nowS)
		}
		s.segs = p.segments(p.beginS(), s.spanEndS(), s.segs)
		s.watch.begin(s.sc, p, s.name)
	} else {
		endS := nowS + 1
		if p != nil {
			endS = min(endS, p.beginS())
		}
		s.cur, s.saving = nil, false
		s.segs = append(s.segs, segment{fromS: nowS, toS: endS})
	}
	s.nextSegment()
}

// spanEndS returns when the current pick gives way to what follows.
func (s *station) spanEndS() float64 {
	endS := s.cur.releaseEndS + settleS
	if s.following != nil {
		endS = min(endS, s.following.beginS())
	}
	return endS
}

func (s *station) nextSegment() {
	s.seg, s.segs = s.segs[0], s.segs[1:]
	s.applySegment()
}

// recut cuts what is left of the pick anew, because the plan has changed.
func (s *station) recut() {
	s.segs = s.cur.segments(s.net.toS, s.spanEndS(), s.segs[:0])
	if len(s.segs) == 0 { // at the pick's very end
		s.seg.toS = s.net.toS
		return
	}
	s.nextSegment()
}

// longestS returns the longest step that the station allows just now.
func (s *station) longestS() float64 {
	if s.seg.carried && s.setup.Load.MassKg > 0 {
		return 2e-3 // a bag that slides is followed in steps of the plant
	}
	return math.Inf(1)
}

// step goes on by one step.
func (g *group) step() {
	n := g.net
	changed := false
	for _, s := range g.stations {
		if s.seg.toS > n.toS {
			continue
		}
		changed = true
		if len(s.segs) > 0 {
			s.nextSegment()
			continue
		}
		if s.cur != nil {
			s.truths = append(s.truths, s.watch.end(s))
		}
		s.nextSpan()
		n = g.net // other setups may have been laid
	}
	if changed {
		n.renew()
	}
	untilS := math.Inf(1)
	n.longestS = g.stations[0].sc.StepS
	for _, s := range g.stations {
		untilS = min(untilS, s.seg.toS)
		n.longestS = min(n.longestS, s.longestS())
		for _, t := range s.taps {
			t.y0 = t.y1
		}
	}
	n.step(untilS)
	var who *station
	var first event
	for _, s := range g.stations {
		if e, ok := s.event(); ok && (who == nil || e.atS < first.atS) {
			who, first = s, e
		}
	}
	if who != nil && first.atS < n.toS {
		n.back(max(first.atS, n.fromS))
	}
	for _, s := range g.stations {
		if s.cur != nil {
			s.watch.observe(s)
		}
		for _, t := range s.taps {
			t.y1 = t.after(n.toS-n.fromS, s.signal(t.of, n.fromS), s.signal(t.of, (n.fromS+n.toS)/2), s.signal(t.of, n.toS))
		}
	}
	happened := who != nil
	if happened {
		who.happen(first)
	}
	for _, s := range g.stations {
		if s.slide() {
			s.lose(-1)
			happened = true
		}
	}
	if happened {
		n.renew()
	}
}

// An event is something that happens in a step without having been foreseen.
type event struct {
	atS  float64
	what eventKind
	cup  int
}

type eventKind int

const (
	bagLeaves   eventKind = iota // in the release
	filmSlips                    // a wrinkle closes
	airSaved                     // the ejector shuts off
	airSpent                     // and comes on again
	bagComesOff                  // the load is too much
)

// event returns the first event of the station in the last step.
func (s *station) event() (event, bool) {
	n := s.net
	var first event
	found := false
	add := func(e event) {
		if !found || e.atS < first.atS {
			first, found = e, true
		}
	}
	// through adds an event where the vacuum in a node passes level, upward or downward; one
	// that is past it already passes at once.
	through := func(node int, level float64, up bool, what eventKind) {
		v0, v1 := n.ambientKPa-n.p0[node], n.ambientKPa-n.p1[node]
		if up {
			v0, v1, level = -v0, -v1, -level
		}
		switch {
		case v1 >= level:
		case v0 <= level:
			add(event{n.fromS, what, -1})
		default:
			if up {
				level = -level
			}
			add(event{n.crossing(node, level), what, -1})
		}
	}
	if s.seg.letGo {
		through(s.ref(), letGoKPa, false, bagLeaves)
	}
	if s.cur != nil && s.seg.bagOn && s.slipped < len(s.cur.wrinkles) {
		through(s.cupNode(0), s.cur.wrinkles[s.slipped], true, filmSlips)
	}
	if e := &s.setup.Engine; e.SaveOffKPa > 0 && s.central == nil && s.seg.supply {
		if s.saving {
			through(s.at.manifold, e.SaveOnKPa, false, airSpent)
		} else {
			through(s.at.manifold, e.SaveOffKPa, true, airSaved)
		}
	}
	if at, cup, off := s.strain(); off {
		add(event{at, bagComesOff, cup})
	}
	return first, found
}

// happen lets an event take its course at the end of the last step.
func (s *station) happen(e event) {
	s.seg.fromS = s.net.toS // gaps go on from here; none moves while these can happen
	switch e.what {
	case bagLeaves:
		s.cur.goneS = s.net.toS
		s.recut()
	case filmSlips:
		s.slipped++
		s.recut()
	case airSaved, airSpent:
		s.saving = e.what == airSaved
		s.recut()
	case bagComesOff:
		s.lose(e.cup)
	}
}

// lose lets the bag leave all cups (−1), or one, from the end of the last step.
func (s *station) lose(cup int) {
	nowS := s.net.toS
	if cup >= 0 {
		s.cur.cupLossS[cup] = nowS
		if s.cur.cupsOn(nowS+1e-9) == 0 {
			cup = -1
		}
	}
	if cup < 0 {
		s.cur.lossS = nowS
		s.watch.lost(nowS)
	}
	s.recut()
}

func (g *group) advance(tS float64) {
	for g.net.toS < tS {
		g.step()
	}
}

// cupNode returns the node of a cup.
func (s *station) cupNode(i int) int { return s.at.cups[i] }

// ref returns the node whose vacuum is the station's: the cup, or of several their manifold.
func (s *station) ref() int {
	if len(s.at.cups) == 1 {
		return s.at.cups[0]
	}
	return s.at.manifold
}

// A quantity is one of the continuous signals of a station.
type quantity int

const (
	cupVacuum quantity = iota
	manifoldVacuum
	engineVacuum
	flow
	power
	air
	airPressure
)

// signal returns what a station's sensor of a kind sees at t in the last step.
func (s *station) signal(of quantity, tS float64) float64 {
	n := s.net
	switch of {
	case cupVacuum:
		return n.vacuum(s.at.cups[0], tS)
	case manifoldVacuum:
		return n.vacuum(s.at.manifold, tS)
	case engineVacuum:
		return n.vacuum(s.at.engine, tS)
	case flow:
		return 60 * s.drawn(tS)
	case power:
		return s.power(tS)
	case air:
		q := 0.0
		if e := s.engineOf(); s.seg.supply && !s.saving && e.kind() == Ejector && s.central == nil {
			q = e.air(s.airKPa, n.ambientKPa)
		}
		if s.seg.blow {
			l := &n.links[s.at.blow]
			q += 60 * l.factor(tS) * l.through(l.sourceKPa, n.airK, min(l.sourceKPa, n.ambientKPa-n.vacuum(s.at.manifold, tS)))
		}
		return q
	}
	return s.airKPa
}

// drawn returns what the engine draws from the station at t in the last step, L ANR/s.
func (s *station) drawn(tS float64) float64 {
	n := s.net
	if s.at.line < 0 {
		l := &n.links[s.at.draw]
		return l.factor(tS) * l.engine.drawn(n.ambientKPa, n.ambientKPa-n.vacuum(s.at.manifold, tS), n.temp[s.at.manifold], l.supply)
	}
	l := &n.links[s.at.line]
	f := l.factor(tS)
	pa, pb := n.ambientKPa-n.vacuum(s.at.manifold, tS), n.ambientKPa-n.vacuum(s.at.engine, tS)
	switch {
	case f == 0:
		return 0
	case pa >= pb:
		return f * l.through(pa, n.temp[s.at.manifold], pb)
	}
	return -f * l.through(pb, n.temp[s.at.engine], pa)
}

// power returns the electric power of the station at t in the last step, W: of a central
// engine its share by flow, or, while nobody draws, an equal one.
func (s *station) power(tS float64) float64 {
	e := s.engineOf()
	on := s.seg.supply && !s.saving || s.alwaysOn()
	p := e.IdlePowerW
	if on {
		p = e.PowerW + e.PowerWPerKPa*s.net.vacuum(s.at.engine, tS)
	}
	if s.central == nil {
		return p
	}
	own, all := 0.0, 0.0
	for _, o := range s.group.stations {
		q := max(0, o.drawn(tS))
		all += q
		if o == s {
			own = q
		}
	}
	if all < 1e-6 {
		return p / float64(len(s.group.stations))
	}
	return p * own / all
}

// integral returns a signal's integral from a to b in the last step, by Simpson's rule:
// exact where it goes straight with a vacuum.
func (s *station) integral(of quantity, a, b float64) float64 {
	return (b - a) / 6 * (s.signal(of, a) + 4*s.signal(of, (a+b)/2) + s.signal(of, b))
}

func (s *station) state(t float64) State {
	n := s.net
	x := State{TS: t, VacuumKPa: n.vacuum(s.ref(), t), CupKPa: s.signal(cupVacuum, t), ManifoldKPa: s.signal(manifoldVacuum, t),
		EngineKPa: s.signal(engineVacuum, t), FlowLminANR: s.signal(flow, t), PowerW: s.signal(power, t), AirLminANR: s.signal(air, t),
		AirKPa: s.airKPa, RequiredKPa: s.setup.RequiredKPa}
	if p := s.cur; p != nil {
		x.Supply = t >= p.onS && t < p.offS
		x.Release = t >= p.releaseS && t < p.releaseEndS
		x.Carried = t >= p.liftS && t < p.placeS
		x.Touch = t >= p.contactS && !(t >= p.lossS) && (p.sits || t < p.liftS) && !(t >= p.goneS) && p.cupsOn(t) > 0
	}
	return x
}

// A tap is a sensor's first-order lag on one quantity, kept up with the steps.
type tap struct {
	of     quantity
	tauS   float64
	y0, y1 float64 // at the ends of the last step
}

// after returns the lag's output after hS seconds in which its input went along the
// parabola through u0, um in the middle and u1: y = P(h) + (y₀ − P(0))·e^(−h/τ), with
// P = u − τu′ + τ²u″.
func (t *tap) after(hS, u0, um, u1 float64) float64 {
	if hS == 0 {
		return t.y0
	}
	x := t.tauS / hS
	bend := 4 * (u0 - 2*um + u1) // u″h²
	if x > 1e3 {                 // rounding would be multiplied
		bend, um = 0, (u0+u1)/2
	}
	p0 := u0 - x*(4*um-3*u0-u1) + x*x*bend
	p1 := u1 - x*(3*u1-4*um+u0) + x*x*bend
	return p1 + (t.y0-p0)*math.Exp(-hS/t.tauS)
}

// tapped returns a tap's output at t in the last step.
func (s *station) tapped(t *tap, tS float64) float64 {
	n := s.net
	tS = min(n.toS, max(n.fromS, tS))
	return t.after(tS-n.fromS, s.signal(t.of, n.fromS), s.signal(t.of, (n.fromS+tS)/2), s.signal(t.of, tS))
}
