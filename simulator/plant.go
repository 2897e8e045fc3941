package simulator

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// A State is what holds at one station at one instant.
type State struct {
	TS          float64 // plant time, s
	VacuumKPa   float64
	FlowLminANR float64 // what the engine draws
	PowerW      float64
	AirLminANR  float64 // compressed air drawn
	RequiredKPa float64 // of the setup in use

	Supply, Release, Touch, Carried bool // as commanded; Touch: the cup is on the bag
}

// A Plant is the physics: every station's vessel integrated in time. Not safe for
// concurrent use.
//
// Air is isothermal at 20 °C, where 1 L ANR is 100 kPa·L (ISO 8778: 100 kPa, 20 °C), so
//
//	dv/dt = 100/60/V × (what the engine draws − what comes in)
//
// with v in kPa, V in L, flows in L/min ANR. It is integrated by the classical fourth
// order Runge-Kutta method in fixed steps that end exactly where a valve, a lip or a bag
// changes the equation. Between the steps' ends v is the cubic that meets value and slope at both.
type Plant struct {
	sc       *Scenario
	stations []*station
}

// NewPlant returns a plant at time 0, at rest.
func NewPlant(sc Scenario) (*Plant, error) {
	if err := sc.Check(); err != nil {
		return nil, err
	}
	if sc.StepS == 0 {
		sc.StepS = 1e-3
	}
	if sc.IdleBandKPa == 0 {
		sc.IdleBandKPa = 3
	}
	p := &Plant{sc: &sc}
	for i := range sc.Stations {
		if len(sc.Setups) == 0 {
			return nil, fmt.Errorf("scenario %q: no setups", sc.Name)
		}
		st := &station{sc: &sc, name: sc.Stations[i].Name, setup: &sc.Setups[0], goneS: math.NaN()}
		st.schedule = schedule{sc: &sc, station: i, startS: sc.LeadS}
		st.following = st.schedule.next()
		if st.following != nil {
			st.setup = st.following.setup
		}
		st.nextSpan()
		p.stations = append(p.stations, st)
	}
	return p, nil
}

// Sample returns the state of a station, by its index in the scenario, at plant time tS.
// Times asked for at one station must not decrease: the state at the start of the last
// step is the earliest that can be had.
func (p *Plant) Sample(station int, tS float64) State {
	st := p.stations[station]
	st.advance(tS)
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

// linearBelowKPa is where a leak's or an opening's power law gives way to a straight line.
const linearBelowKPa = 1

// settleS is how long after its release a pick is watched if no other comes.
const settleS = 0.5

// letGoKPa is the vacuum that no longer carries a bag once the release has begun.
const letGoKPa = 1

// law returns vⁿ, odd in v, straight below linearBelowKPa.
func law(v, n float64) float64 {
	switch a := math.Abs(v); {
	case a < linearBelowKPa || n == 1:
		return v
	case n == 0.5:
		return math.Copysign(math.Sqrt(a), v)
	default:
		return math.Copysign(math.Pow(a, n), v)
	}
}

// flow returns what the engine draws at vacuum v, L/min ANR.
func (e *Engine) flow(v float64) float64 { return max(0, e.Q0LminANR*(1-v/e.VMaxKPa)) }

// perFlow is dv/dt in kPa/s for a flow of 1 L/min ANR out of 1 L.
const perFlow = 100. / 60

// valves returns the conductances of venting and blow-off, L/min ANR per kPa, that give
// the cup's time constants in this setup's volume; 0 for a valve that is not there.
func (u *Setup) valves() (vent, blow float64) {
	if !u.Cup.Holds {
		vent = u.VolumeL / (perFlow * u.Cup.VentTauS)
	}
	if u.Cup.BlowTauS > 0 {
		blow = u.VolumeL / (perFlow * u.Cup.BlowTauS)
	}
	return vent, blow
}

// stiffness returns a bound on −d(dv/dt)/dv in 1/s with the cup open by gap.
func (u *Setup) stiffness(gap, leakK float64, supply, blow bool) float64 {
	vent, blowK := u.valves()
	g := gap*u.Cup.OpenK + leakK + vent
	if supply {
		g += u.Engine.Q0LminANR / u.Engine.VMaxKPa
	}
	if blow {
		g += blowK
	}
	return perFlow / u.VolumeL * g
}

// A station integrates one circuit.
type station struct {
	sc       *Scenario
	name     string
	setup    *Setup
	schedule schedule

	following *plan // the pick after the current one
	cur       *plan // nil while no pick runs
	segs      []segment
	seg       segment // the one in hand
	vent      float64 // conductances of the setup
	blow      float64
	leakK     float64
	left, n   int     // steps left and steps in all of the segment
	goneS     float64 // when the bag left in the release; NaN: not yet

	fromS, toS     float64 // the last step
	v0, v1, d0, d1 float64 // vacuum and its slope at its ends
	taps           []*tap

	watch  watch
	truths []Truth
}

// nextSpan begins the next pick, or a rest before it.
func (s *station) nextSpan() {
	s.segs = s.segs[:0]
	if p := s.following; p != nil && p.beginS() <= s.toS {
		s.cur, s.following = p, s.schedule.next()
		s.setup, s.leakK = p.setup, p.leakK
		endS := p.releaseEndS + settleS
		if s.following != nil {
			endS = min(endS, s.following.beginS())
		}
		s.segs = p.segments(endS, s.segs)
		s.goneS = math.NaN()
		s.watch.begin(s.sc, p, s.name)
	} else {
		endS := s.toS + 1
		if p != nil {
			endS = min(endS, p.beginS())
		}
		s.cur, s.leakK, s.goneS = nil, s.setup.Leak.K, math.NaN()
		s.segs = append(s.segs, segment{fromS: s.toS, toS: endS, gap0: 1, gap1: 1})
	}
	s.vent, s.blow = s.setup.valves()
	s.nextSegment()
}

func (s *station) nextSegment() {
	s.seg, s.segs = s.segs[0], s.segs[1:]
	if !math.IsNaN(s.goneS) {
		s.seg.gap0, s.seg.gap1, s.seg.bagOn, s.seg.letGo = 1, 1, false, false
	}
	s.divide()
}

// stiffest is the stiffness in 1/s above which the steps shrink, so that one of them is
// at most half a time constant with the usual StepS of 1 ms.
const stiffest = 500

// divide sets the number of steps to the end of the segment in hand.
func (s *station) divide() {
	h := s.sc.StepS * min(1, stiffest/s.setup.stiffness(max(s.seg.gap0, s.seg.gap1), s.leakK, s.seg.supply, s.seg.blow))
	s.n = max(1, int(math.Ceil((s.seg.toS-s.seg.fromS)/h)))
	s.left = s.n
}

// slope returns dv/dt in kPa/s at vacuum v with the cup open by gap.
func (s *station) slope(gap, v float64) float64 {
	u := s.setup
	in := s.leakK * law(v, u.Leak.N)
	if gap > 0 {
		in += gap * u.Cup.OpenK * law(v, 0.5)
	}
	if s.seg.supply {
		in -= u.Engine.flow(v)
	} else {
		in += s.vent * v
	}
	if s.seg.blow {
		in += s.blow * (v + u.Cup.BlowKPa)
	}
	return -perFlow / u.VolumeL * in
}

// gap returns the open part of the cup at t in the segment in hand.
func (s *station) gap(t float64) float64 {
	return s.seg.gap0 + (s.seg.gap1-s.seg.gap0)*(t-s.seg.fromS)/(s.seg.toS-s.seg.fromS)
}

// integrate sets the step from fromS, v0 to toS.
func (s *station) integrate(toS float64) {
	h := toS - s.fromS
	g0, gm, g1 := s.gap(s.fromS), s.gap(s.fromS+h/2), s.gap(toS)
	k1 := s.slope(g0, s.v0)
	k2 := s.slope(gm, s.v0+h/2*k1)
	k3 := s.slope(gm, s.v0+h/2*k2)
	k4 := s.slope(g1, s.v0+h*k3)
	s.toS, s.v1 = toS, s.v0+h/6*(k1+2*k2+2*k3+k4)
	s.d0, s.d1 = k1, s.slope(g1, s.v1)
}

// step goes on by one step.
func (s *station) step() {
	if s.left == 0 {
		if len(s.segs) > 0 {
			s.nextSegment()
		} else {
			if s.cur != nil {
				s.truths = append(s.truths, s.watch.end(s.toS))
			}
			s.nextSpan()
		}
	}
	for _, t := range s.taps {
		t.y0 = t.y1
	}
	s.fromS, s.v0 = s.toS, s.v1
	s.left--
	toS := s.seg.toS
	if s.left > 0 {
		toS = s.seg.fromS + (s.seg.toS-s.seg.fromS)*float64(s.n-s.left)/float64(s.n)
	}
	s.integrate(toS)
	if s.seg.letGo && s.v1 < letGoKPa { // the step ends where the bag leaves
		if s.v0 > letGoKPa {
			s.integrate(s.crossing(letGoKPa))
		}
		s.goneS, s.seg.letGo = s.toS, false
	}
	if s.cur != nil {
		s.watch.observe(s)
	}
	for _, t := range s.taps {
		t.y1 = t.after(s.toS-s.fromS, s.signal(t.of, s.v0), s.signal(t.of, s.v1))
	}
	if s.goneS == s.toS && s.seg.bagOn {
		s.seg.fromS, s.seg.gap0, s.seg.gap1, s.seg.bagOn = s.toS, 1, 1, false
		if s.seg.fromS < s.seg.toS {
			s.divide()
		}
	}
}

func (s *station) advance(tS float64) {
	for s.toS < tS {
		s.step()
	}
}

// vacuum returns the vacuum at t in the last step.
func (s *station) vacuum(t float64) float64 {
	h := s.toS - s.fromS
	if h == 0 {
		return s.v1
	}
	x := min(1, max(0, (t-s.fromS)/h))
	return (1+2*x)*(1-x)*(1-x)*s.v0 + x*(1-x)*(1-x)*h*s.d0 + x*x*(3-2*x)*s.v1 + x*x*(x-1)*h*s.d1
}

// area returns the integral of the vacuum from the last step's start to t, kPa·s.
func (s *station) area(t float64) float64 {
	h := s.toS - s.fromS
	if h == 0 {
		return 0
	}
	x := min(1, max(0, (t-s.fromS)/h))
	x2, x3, x4 := x*x, x*x*x, x*x*x*x
	return h * ((x-x3+x4/2)*s.v0 + (x2/2-2*x3/3+x4/4)*h*s.d0 + (x3-x4/2)*s.v1 + (x4/4-x3/3)*h*s.d1)
}

// crossing returns when the vacuum meets level, which lies between the last step's ends.
func (s *station) crossing(level float64) float64 {
	lo, hi := s.fromS, s.toS
	rising := s.v1 > s.v0
	for range 60 {
		if mid := (lo + hi) / 2; s.vacuum(mid) < level == rising {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// signal returns what a station's sensor of a kind sees at vacuum v in the segment in hand.
func (s *station) signal(of quantity, v float64) float64 {
	e := &s.setup.Engine
	switch of {
	case vacuum:
		return v
	case flow:
		if s.seg.supply {
			return e.flow(v)
		}
	case power:
		if s.seg.supply {
			return e.PowerW + e.PowerWPerKPa*v
		}
	case air:
		q := 0.0
		if s.seg.supply {
			q += e.AirLminANR
		}
		if s.seg.blow {
			q += e.BlowAirLminANR
		}
		return q
	}
	return 0
}

func (s *station) state(t float64) State {
	v := s.vacuum(t)
	x := State{TS: t, VacuumKPa: v, FlowLminANR: s.signal(flow, v), PowerW: s.signal(power, v), AirLminANR: s.signal(air, v),
		RequiredKPa: s.setup.RequiredKPa}
	if p := s.cur; p != nil {
		x.Supply = t >= p.onS && t < p.offS
		x.Release = t >= p.releaseS && t < p.releaseEndS
		x.Carried = t >= p.liftS && t < p.placeS
		x.Touch = t >= p.contactS && !(t >= p.lossS) && (p.sits || t < p.liftS) && !(t >= s.goneS)
	}
	return x
}

// A quantity is one of the continuous signals of a station.
type quantity int

const (
	vacuum quantity = iota
	flow
	power
	air
)

// A tap is a sensor's first-order lag on one quantity, kept up with the steps.
type tap struct {
	of     quantity
	tauS   float64
	y0, y1 float64 // at the ends of the last step
}

// after returns the lag's output after hS seconds in which its input went straight from
// u0 to u1: y = u − τ·s + (y₀ − u₀ + τ·s)·e^(−h/τ), s the input's slope.
func (t *tap) after(hS, u0, u1 float64) float64 {
	if hS == 0 {
		return t.y0
	}
	lead := t.tauS * (u1 - u0) / hS
	return u1 - lead + (t.y0-u0+lead)*math.Exp(-hS/t.tauS)
}

// tapped returns a tap's output at t in the last step.
func (s *station) tapped(t *tap, tS float64) float64 {
	tS = min(s.toS, max(s.fromS, tS))
	return t.after(tS-s.fromS, s.signal(t.of, s.v0), s.signal(t.of, s.vacuum(tS)))
}
