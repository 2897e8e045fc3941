package simulator

import (
	"encoding/binary"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
)

// A plan is what will be commanded and what will go wrong in one pick, all of it drawn
// before the pick begins: the truth does not depend on who looks. Times are plant seconds.
type plan struct {
	setup *Setup
	piece string
	n     int // from 1, at its station
	run   int // from 1

	onS, contactS, closedS, liftS, placeS, offS, releaseS, releaseEndS float64

	leakK         float64
	gap           float64 // open part of the cup once the lip has closed as far as it will
	sits          bool    // the lip closes
	lossS         float64 // the bag is lost from here on; NaN: it is not
	dipS, dipEndS float64 // the lip opens for a while; NaN: it does not
	dipGap        float64
}

// beginS returns when the pick's first thing happens.
func (p *plan) beginS() float64 { return min(p.onS, p.contactS) }

// stream returns random numbers that depend on the seed and on what they are for only.
func (s *Scenario) stream(what string, names []string, numbers ...int) *rand.Rand {
	h := fnv.New64a()
	write := func(b []byte) { h.Write(append(b, 0)) }
	write([]byte(what))
	for _, n := range names {
		write([]byte(n))
	}
	for _, n := range numbers {
		write(binary.LittleEndian.AppendUint64(nil, uint64(n)))
	}
	return rand.New(rand.NewPCG(s.Seed, h.Sum64()))
}

// normal returns a standard normal number, cut at three.
func normal(r *rand.Rand) float64 { return min(3, max(-3, r.NormFloat64())) }

// A schedule hands out the plans of one station in order.
type schedule struct {
	sc      *Scenario
	station int
	run     int     // index of the current run
	startS  float64 // when it begins
	pick    int     // index of the next pick in it
	n       int     // picks handed out
}

// next returns the next pick's plan, nil when there are no more.
func (c *schedule) next() *plan {
	st := &c.sc.Stations[c.station]
	for c.run < len(c.sc.Runs) {
		r := &c.sc.Runs[c.run]
		u := c.sc.setup(r.Setups[st.Name])
		if u != nil && c.pick < r.Picks {
			p := c.sc.plan(u, r, c.run, c.pick, c.station)
			p.shift(c.startS + st.PhaseS + float64(c.pick)*u.Cycle.CycleS)
			c.pick++
			c.n++
			p.n = c.n
			return p
		}
		c.startS += c.sc.durationS(r) + r.PauseS
		c.run, c.pick = c.run+1, 0
	}
	return nil
}

// plan draws a pick, with times from the start of its cycle.
func (s *Scenario) plan(u *Setup, r *Run, run, pick, station int) *plan {
	name := s.Stations[station].Name
	bySetup := s.stream("setup", []string{u.Name})
	byPiece := s.stream("piece", []string{u.Name, r.Piece})
	byRun := s.stream("run", []string{name}, run)
	byPick := s.stream("pick", []string{name}, run, pick)
	factor := func(c Scatter) float64 {
		return math.Exp(c.Setup*normal(bySetup) + c.Piece*normal(byPiece) + c.Run*normal(byRun) + c.Pick*normal(byPick))
	}
	k := &u.Cycle
	p := &plan{setup: u, piece: r.Piece, run: run + 1, lossS: math.NaN(), dipS: math.NaN(), dipEndS: math.NaN()}
	// Every draw is made, used or not, so that one parameter changes one thing.
	p.leakK = u.Leak.K * factor(u.LeakScatter)
	closeS := u.Cup.CloseS * factor(u.CloseScatter)
	p.onS = k.JitterS * byPick.Float64()
	p.contactS = p.onS + k.ContactS + k.ContactSDS*normal(byPick)
	seal, bad := byPick.Float64(), byPick.Float64()
	drop, dropAt := byPick.Float64(), byPick.Float64()
	dip, dipAt := byPick.Float64(), byPick.Float64()

	p.closedS = p.contactS + closeS
	p.liftS, p.placeS = p.onS+k.LiftS, p.onS+k.PlaceS
	p.offS, p.releaseS = p.onS+k.SupplyOffS, p.onS+k.ReleaseS
	p.releaseEndS = p.releaseS + k.PulseS
	p.sits = seal < u.SealProbability
	if !p.sits {
		p.gap = u.gapFor(u.BadSealKPa[0] + bad*(u.BadSealKPa[1]-u.BadSealKPa[0]))
	}
	// A bag is lost well inside the carry, so that no loss can be taken for the release.
	carryS := min(p.placeS, p.offS) - p.liftS
	if p.sits && drop < u.DropProbability {
		p.lossS = p.liftS + carryS*(0.2+0.5*dropAt)
	} else if p.sits && dip < u.DipProbability {
		if free := carryS - u.DipS; free > 0 {
			p.dipS = p.liftS + free*0.8*dipAt
			p.dipEndS, p.dipGap = p.dipS+u.DipS, u.gapFor(u.DipKPa)
		}
	}
	return p
}

// shift moves the plan by dS seconds.
func (p *plan) shift(dS float64) {
	for _, t := range []*float64{&p.onS, &p.contactS, &p.closedS, &p.liftS, &p.placeS, &p.offS, &p.releaseS, &p.releaseEndS,
		&p.lossS, &p.dipS, &p.dipEndS} {
		*t += dS
	}
}

// A segment is a stretch of time in which the plant's equation is smooth.
type segment struct {
	fromS, toS   float64
	gap0, gap1   float64 // open part of the cup at its ends, linear between
	supply, blow bool    // valves open
	letGo        bool    // the bag leaves once the vacuum no longer carries it
	bagOn        bool    // the bag is on the cup
}

// segments cuts the pick into segments up to endS, when the next one begins.
func (p *plan) segments(endS float64, into []segment) []segment {
	d := p.setup.Cup.DelayS
	cuts := []float64{p.beginS(), endS}
	for _, t := range []float64{p.onS + d, p.offS + d, p.releaseS + d, p.releaseEndS + d, p.contactS, p.closedS,
		p.lossS, p.lossS + p.setup.Cup.LossOpenS, p.dipS, p.dipEndS, p.liftS} {
		if t > cuts[0] && t < endS { // NaN is neither
			cuts = append(cuts, t)
		}
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	for i := 1; i < len(cuts); i++ {
		g := segment{fromS: cuts[i-1], toS: cuts[i]}
		mid := (g.fromS + g.toS) / 2
		g.supply = mid > p.onS+d && mid < p.offS+d
		g.blow = mid > p.releaseS+d && mid < p.releaseEndS+d && p.setup.Cup.BlowTauS > 0
		g.bagOn = mid > p.contactS && !(mid > p.lossS) && (p.sits || mid < p.liftS)
		g.letGo = g.bagOn && mid > p.offS+d && (!p.setup.Cup.Holds || mid > p.releaseS+d)
		g.gap0, g.gap1 = p.gapAt(g.fromS, mid), p.gapAt(g.toS, mid)
		into = append(into, g)
	}
	return into
}

// gapAt returns the open part of the cup at t, as seen from the segment about mid.
func (p *plan) gapAt(t, mid float64) float64 {
	ramp := func(from, to, fromS, toS float64) float64 {
		return from + (to-from)*min(1, max(0, (t-fromS)/(toS-fromS)))
	}
	switch {
	case mid < p.contactS, !p.sits && mid > p.liftS: // a bag that does not hold stays behind
		return 1
	case mid > p.lossS:
		return ramp(p.gap, 1, p.lossS, p.lossS+p.setup.Cup.LossOpenS)
	case mid < p.closedS:
		return ramp(1, p.gap, p.contactS, p.closedS)
	case mid > p.dipS && mid < p.dipEndS:
		return p.dipGap
	}
	return p.gap
}
