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
// Only what the load does is found while it happens, and written down here, too.
type plan struct {
	setup *Setup
	piece string
	n     int // from 1, at its station
	run   int // from 1

	onS, contactS, closedS, liftS, placeS, offS, releaseS, releaseEndS float64

	leakK, holeC  float64   // of each cup, with all factors
	wrinkles      []float64 // vacuums at which the film slips, rising
	hoseFactor    float64   // of the conductance of branches and line
	lineFactor    float64   // and of the line alone
	engineFactor  float64
	airKPa        float64
	gap           float64   // open part of the cups once the lips have closed as far as they will
	sits          bool      // the lips close
	lossS         float64   // the bag is lost from here on; NaN: it is not
	cupLossS      []float64 // one cup loses it; NaN: it does not
	goneS         float64   // the bag left in the release; NaN: not yet
	dipS, dipEndS float64   // the lips open for a while; NaN: they do not
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
	spell   bool    // a bad spell is on
}

// next returns the next pick's plan, nil when there are no more.
func (c *schedule) next() *plan {
	st := &c.sc.Stations[c.station]
	for c.run < len(c.sc.Runs) {
		r := &c.sc.Runs[c.run]
		u := c.sc.setup(r.Setups[st.Name])
		if u != nil && c.pick < r.Picks {
			p := c.plan(u, r)
			p.shift(c.startS + st.PhaseS + float64(c.pick)*u.Cycle.CycleS)
			c.pick++
			c.n++
			p.n = c.n
			c.sc.trouble(p, st.Name)
			return p
		}
		c.startS += c.sc.durationS(r) + r.PauseS
		c.run, c.pick = c.run+1, 0
	}
	return nil
}

// plan draws a pick, with times from the start of its cycle.
func (c *schedule) plan(u *Setup, r *Run) *plan {
	s := c.sc
	name := s.Stations[c.station].Name
	bySetup := s.stream("setup", []string{u.Name})
	byPiece := s.stream("piece", []string{u.Name, r.Piece})
	byRun := s.stream("run", []string{name}, c.run)
	byPick := s.stream("pick", []string{name}, c.run, c.pick)
	factor := func(c Scatter) float64 {
		return math.Exp(c.Setup*normal(bySetup) + c.Piece*normal(byPiece) + c.Run*normal(byRun) + c.Pick*normal(byPick))
	}
	k, nan := &u.Cycle, math.NaN()
	p := &plan{setup: u, piece: r.Piece, run: c.run + 1, lossS: nan, goneS: nan, dipS: nan, dipEndS: nan,
		hoseFactor: 1, lineFactor: 1, engineFactor: 1, airKPa: s.AirPressureKPa}
	// Every draw is made, used or not, so that one parameter changes one thing.
	wear := u.LeakFactor() * (1 + u.Drift.WearPer1000*float64(c.n)/1000)
	leak := factor(u.LeakScatter) * wear
	p.leakK, p.holeC = u.Leak.K*leak, Hole(u.Leak.HoleMM2).C*wear
	closeS := u.Cup.CloseS * factor(u.CloseScatter)
	p.onS = k.JitterS * byPick.Float64()
	p.contactS = p.onS + k.ContactS + k.ContactSDS*normal(byPick)
	seal, bad := byPick.Float64(), byPick.Float64()
	drop, dropAt := byPick.Float64(), byPick.Float64()
	dip, dipAt := byPick.Float64(), byPick.Float64()
	cup, cupAt, which := byPick.Float64(), byPick.Float64(), byPick.IntN(u.cups())
	spell := byPick.Float64()
	if c.spell {
		c.spell = spell >= u.Spells.Leave
	} else {
		c.spell = spell < u.Spells.Enter
	}
	for range u.Leak.Wrinkles {
		p.wrinkles = append(p.wrinkles, u.Leak.WrinkleKPa[0]+byPick.Float64()*(u.Leak.WrinkleKPa[1]-u.Leak.WrinkleKPa[0]))
	}
	slices.Sort(p.wrinkles)

	p.lineFactor = 1 / (1 + u.Drift.ClogPer1000*float64(c.n)/1000)
	if u.Drift.HeatLoss > 0 {
		p.engineFactor = 1 - u.Drift.HeatLoss*(1-math.Exp(-(c.startS+float64(c.pick)*k.CycleS)/u.Drift.HeatTauS))
	}
	p.closedS = p.contactS + closeS
	p.liftS, p.placeS = p.onS+k.LiftS, p.onS+k.PlaceS
	p.offS, p.releaseS = p.onS+k.SupplyOffS, p.onS+k.ReleaseS
	p.releaseEndS = p.releaseS + k.PulseS
	p.sits = seal < u.SealProbability
	if !p.sits {
		p.gap = u.gapFor(u.BadSealKPa[0]+bad*(u.BadSealKPa[1]-u.BadSealKPa[0]), s.AmbientKPa)
	}
	p.cupLossS = make([]float64, u.cups())
	for i := range p.cupLossS {
		p.cupLossS[i] = nan
	}
	dropProbability := u.DropProbability
	if c.spell {
		dropProbability = min(1, dropProbability*u.Spells.Factor)
	}
	// A bag is lost well inside the carry, so that no loss can be taken for the release.
	switch carryS := p.carryS(); {
	case !p.sits:
	case drop < dropProbability:
		p.lossS = p.liftS + carryS*(0.2+0.5*dropAt)
	case u.cups() > 1 && cup < u.CupLossProbability:
		p.cupLossS[which] = p.liftS + carryS*(0.2+0.5*cupAt)
	case dip < u.DipProbability:
		if free := carryS - u.DipS; free > 0 {
			p.dipS = p.liftS + free*0.8*dipAt
			p.dipEndS, p.dipGap = p.dipS+u.DipS, u.gapFor(u.DipKPa, s.AmbientKPa)
		}
	}
	return p
}

func (p *plan) carryS() float64 { return min(p.placeS, p.offS) - p.liftS }

// shift moves the plan by dS seconds.
func (p *plan) shift(dS float64) {
	for _, t := range []*float64{&p.onS, &p.contactS, &p.closedS, &p.liftS, &p.placeS, &p.offS, &p.releaseS, &p.releaseEndS,
		&p.lossS, &p.dipS, &p.dipEndS} {
		*t += dS
	}
	for i := range p.cupLossS {
		p.cupLossS[i] += dS
	}
}

// A segment is a stretch of time in which a station's links change at most linearly.
type segment struct {
	fromS, toS   float64
	supply, blow bool // valves open
	letGo        bool // the bag leaves once the vacuum no longer carries it
	bagOn        bool // the bag is on a cup
	carried      bool // lifted and not yet placed, the bag on
}

// swingCutS is how often the swing's effect on the lips is renewed.
const swingCutS = 0.01

// segments cuts the pick into segments from fromS to endS, when the next one begins.
func (p *plan) segments(fromS, endS float64, into []segment) []segment {
	w, c := &p.setup.Circuit, &p.setup.Cup
	cuts := []float64{fromS, endS}
	add := func(t float64) {
		if t > fromS && t < endS { // NaN is neither
			cuts = append(cuts, t)
		}
	}
	for _, t := range []float64{p.onS + w.OnDelayS, p.offS + w.OffDelayS, p.releaseS + w.OnDelayS, p.releaseEndS + w.OffDelayS,
		p.contactS, p.closedS, p.lossS, p.lossS + c.LossOpenS, p.dipS, p.dipEndS, p.liftS, p.placeS, p.goneS} {
		add(t)
	}
	for _, t := range p.cupLossS {
		add(t)
		add(t + c.LossOpenS)
	}
	if l := &p.setup.Load; l.MassKg > 0 {
		t := p.liftS
		for _, x := range l.Phases {
			t += x.DurationS
			add(t)
		}
		if l.SwingMM > 0 {
			for t := p.liftS; t < p.placeS; t += swingCutS {
				add(t)
			}
		}
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	for i := 1; i < len(cuts); i++ {
		g := segment{fromS: cuts[i-1], toS: cuts[i]}
		mid := (g.fromS + g.toS) / 2
		g.supply = mid > p.onS+w.OnDelayS && mid < p.offS+w.OffDelayS
		g.blow = mid > p.releaseS+w.OnDelayS && mid < p.releaseEndS+w.OffDelayS && w.BlowC > 0
		g.bagOn = mid > p.contactS && !(mid > p.lossS) && !(mid > p.goneS) && (p.sits || mid < p.liftS) && p.cupsOn(mid) > 0
		g.letGo = g.bagOn && mid > p.offS+w.OffDelayS && (!w.Holds || mid > p.releaseS+w.OnDelayS)
		g.carried = g.bagOn && mid > p.liftS && mid < p.placeS
		into = append(into, g)
	}
	return into
}

// cupsOn returns how many cups have not lost the bag one by one at t.
func (p *plan) cupsOn(t float64) int {
	n := 0
	for _, loss := range p.cupLossS {
		if !(t > loss) {
			n++
		}
	}
	return n
}

// gapAt returns the open part of a cup at t, as seen from the segment about mid.
func (p *plan) gapAt(cup int, t, mid float64) float64 {
	ramp := func(from, to, fromS, toS float64) float64 {
		return from + (to-from)*min(1, max(0, (t-fromS)/(toS-fromS)))
	}
	open := p.setup.Cup.LossOpenS
	loss := p.lossS
	if !(loss < p.cupLossS[cup]) && !math.IsNaN(p.cupLossS[cup]) {
		loss = p.cupLossS[cup]
	}
	switch {
	case mid < p.contactS, !p.sits && mid > p.liftS, mid > p.goneS: // a bag that does not hold stays behind
		return 1
	case mid > loss:
		return ramp(p.gap, 1, loss, loss+open)
	case mid < p.closedS:
		return ramp(1, p.gap, p.contactS, p.closedS)
	case mid > p.dipS && mid < p.dipEndS:
		return p.dipGap
	}
	return p.gap
}
