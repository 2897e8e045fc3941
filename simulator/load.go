package simulator

import "math"

const standardGravity = 9.80665 // m/s²

// acceleration returns the motion's acceleration at t after lift: up, and to the side (off
// the face where it is upright).
func (l *Load) acceleration(tS float64) (upMS2, sideMS2 float64) {
	for _, p := range l.Phases {
		if tS < p.DurationS {
			return p.UpMS2, p.SideMS2
		}
		tS -= p.DurationS
	}
	return 0, 0
}

// needed returns the holding force in N that the motion asks for: below peelN the face
// comes off, below slipN friction no longer carries. From statics; with no safety in it.
func (l *Load) needed(upMS2, sideMS2 float64) (peelN, slipN float64) {
	m, g := l.MassKg, standardGravity
	if l.Upright {
		off := m * max(0, sideMS2)
		return off, m*math.Abs(g+upMS2)/l.Mu + off
	}
	peel := m * max(0, g+upMS2)
	return peel, peel + m*math.Abs(sideMS2)/l.Mu
}

// swing returns the angle in rad by which the bag swings at t after lift: a damped pendulum
// of the length SwingMM that every change of the sideways acceleration a kicks towards −a/g.
func (l *Load) swing(tS float64) float64 {
	if l.SwingMM == 0 {
		return 0
	}
	w, z := math.Sqrt(standardGravity/(l.SwingMM/1e3)), l.SwingDamping
	root := math.Sqrt(1 - z*z)
	angle, was, at := 0.0, 0.0, 0.0
	kick := func(side float64) {
		if t := tS - at; side != was && t > 0 {
			settled := 1 - math.Exp(-z*w*t)*(math.Cos(w*root*t)+z/root*math.Sin(w*root*t))
			angle -= (side - was) / standardGravity * settled
		}
		was = side
	}
	for _, p := range l.Phases {
		kick(p.SideMS2)
		at += p.DurationS
	}
	kick(0)
	return angle
}

// A grip follows what the load does to a pick: slip and loss.
type grip struct {
	slipMM, speedMMS float64
}

// pull is the force that holds and what is asked of it, at one instant.
type pull struct {
	force, peel, slip float64   // N
	cups              []float64 // force of each cup, N
	moment            float64   // force by which a swing unloads or loads each of two cups, N
}

// pull returns the forces at t in the last step.
func (s *station) pull(tS float64, cups []float64) pull {
	p, l := s.cur, &s.setup.Load
	x := pull{cups: cups[:0]}
	n := p.cupsOn((s.seg.fromS + s.seg.toS) / 2)
	for i := range s.setup.cups() {
		f := 0.0
		if !(tS > p.cupLossS[i]) {
			f = max(0, s.net.vacuum(s.cupNode(i), tS)) * s.setup.Cup.AreaMM2 / 1e3 // kPa × mm² is mN
		}
		x.cups = append(x.cups, f)
		x.force += f
	}
	mid := (s.seg.fromS + s.seg.toS) / 2 // the acceleration jumps at the segment's ends
	x.peel, x.slip = l.needed(l.acceleration(mid - p.liftS))
	if l.SwingMM > 0 && n > 1 {
		x.moment = l.MassKg * standardGravity * l.SwingMM / l.SwingSpacingMM * math.Abs(l.swing(tS-p.liftS))
	}
	return x
}

// strain returns when in the last step the bag comes off, or off one cup (−1: all); ok is
// false if the cups hold. What slides is slide's.
func (s *station) strain() (atS float64, cup int, ok bool) {
	l := &s.setup.Load
	if !s.seg.carried || l.MassKg == 0 {
		return 0, 0, false
	}
	n := s.net
	x0 := s.pull(n.fromS, s.cups0)
	x1 := s.pull(n.toS, s.cups1)
	s.cups0, s.cups1 = x0.cups, x1.cups
	// first returns where a margin that is straight in the step falls below 0.
	first := func(a, b float64) (float64, bool) {
		switch {
		case b >= 0:
			return 0, false
		case a <= 0:
			return n.fromS, true
		}
		return n.fromS + (n.toS-n.fromS)*a/(a-b), true
	}
	if at, off := first(x0.force-x0.peel, x1.force-x1.peel); off {
		return at, -1, true
	}
	if x1.moment > 0 {
		// The cup on the far side of the swing has its share of the weight and the moment's.
		on := float64(s.cur.cupsOn((s.seg.fromS + s.seg.toS) / 2))
		far := 0
		if l.swing(n.toS-s.cur.liftS) < 0 {
			far = len(x1.cups) - 1
		}
		if x1.cups[far] > 0 {
			if at, off := first(x0.cups[far]-x0.peel/on-x0.moment, x1.cups[far]-x1.peel/on-x1.moment); off {
				return at, far, true
			}
		}
	}
	return 0, 0, false
}

// slide moves the bag on by the last step: beyond friction it slides, pulled by what
// friction lacks; else friction stops it. It reports whether the bag has slid off.
func (s *station) slide() bool {
	l := &s.setup.Load
	if !s.seg.carried || l.MassKg == 0 {
		return false
	}
	n := s.net
	x0 := s.pull(n.fromS, s.cups0)
	x1 := s.pull(n.toS, s.cups1)
	s.cups0, s.cups1 = x0.cups, x1.cups
	lack := ((x0.slip - x0.force) + (x1.slip - x1.force)) / 2
	h, was := n.toS-n.fromS, s.grip.speedMMS
	s.grip.speedMMS = max(0, was+l.Mu*lack/l.MassKg*1e3*h)
	s.grip.slipMM += h * (was + s.grip.speedMMS) / 2
	return s.grip.slipMM >= l.SlipMM
}
