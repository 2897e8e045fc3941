package simulator

// Places of the nodes and links of one station in its network; −1 where there is none.
type circuit struct {
	cups     []int // nodes; the manifold's where there is no branch
	manifold int
	engine   int // node at the engine; the manifold's where there is no line

	open, leak, hole []int // links at each cup
	branch           []int
	line             int
	draw             int // the engine's link, in a central network the common one
	vent, blow       int
}

// lay appends the nodes and links of a station with setup u to the network. central is
// where the central engine's node and link are, nil for a station with its own engine.
func (n *network) laySetup(u *Setup, central *circuit) circuit {
	c := circuit{line: -1, vent: -1, blow: -1}
	w := &u.Circuit
	node := func(litres float64) int {
		n.nodes = append(n.nodes, node{volumeL: litres, wallTauS: w.WallTauS})
		return len(n.nodes) - 1
	}
	join := func(l link) int {
		l.fixed(0)
		n.links = append(n.links, l)
		return len(n.links) - 1
	}
	soft := func(i int, cups float64) {
		x := &n.nodes[i]
		x.strokeL, x.filmL = u.Cup.StrokeL*cups, u.Cup.FilmL*cups
		x.strokeKPa, x.filmKPa, x.takeTauS = max(1e-3, u.Cup.StrokeKPa), max(1e-3, u.Cup.FilmKPa), max(1e-3, u.Cup.MoveS)
	}
	c.manifold = node(w.VolumeL)
	for range u.cups() {
		i := c.manifold
		if !w.Branch.none() {
			i = node(u.Cup.VolumeL)
			soft(i, 1)
			c.branch = append(c.branch, join(link{kind: opening, from: i, to: c.manifold, r: w.Branch}))
		}
		c.cups = append(c.cups, i)
		c.open = append(c.open, join(link{kind: opening, from: outside, to: i, r: u.Cup.open()}))
		c.leak = append(c.leak, join(link{kind: leakage, from: outside, to: i, k: u.Leak.K, n: u.Leak.N}))
		hole := -1
		if u.Leak.HoleMM2 > 0 {
			hole = join(link{kind: opening, from: outside, to: i, r: Hole(u.Leak.HoleMM2)})
		}
		c.hole = append(c.hole, hole)
	}
	if w.Branch.none() {
		soft(c.manifold, float64(u.cups()))
	}
	switch {
	case central != nil:
		c.engine, c.draw = central.engine, central.draw
		c.line = join(link{kind: opening, from: c.manifold, to: c.engine, r: w.Line})
	case w.Line.none():
		c.engine = c.manifold
		c.draw = join(link{kind: drawing, from: c.manifold, to: outside, engine: &u.Engine, supply: 1})
	default:
		c.engine = node(w.EngineL)
		c.line = join(link{kind: opening, from: c.manifold, to: c.engine, r: w.Line})
		c.draw = join(link{kind: drawing, from: c.engine, to: outside, engine: &u.Engine, supply: 1})
	}
	if !w.Holds {
		c.vent = join(link{kind: opening, from: outside, to: c.manifold, r: Restriction{C: w.VentC, B: 0.5}})
	}
	if w.BlowC > 0 {
		c.blow = join(link{kind: blowing, from: outside, to: c.manifold, r: Restriction{C: w.BlowC, B: 0.5}, sourceKPa: n.ambientKPa + w.BlowKPa})
	}
	return c
}

// layCentral appends a central engine's node and link.
func (n *network) layCentral(c *Central) circuit {
	n.nodes = append(n.nodes, node{volumeL: c.VolumeL})
	l := link{kind: drawing, from: len(n.nodes) - 1, to: outside, engine: &c.Engine, supply: 1}
	l.fixed(1)
	n.links = append(n.links, l)
	return circuit{engine: len(n.nodes) - 1, draw: len(n.links) - 1}
}

func newNetwork(s *Scenario) *network {
	return &network{ambientKPa: s.AmbientKPa, airK: s.AirK, tolerance: s.Tolerance, longestS: s.StepS}
}

// soleNetwork returns a network of one setup with everything open, to judge its stiffness.
func soleNetwork(s *Scenario, u *Setup) *network {
	n := newNetwork(s)
	var central *circuit
	n.laySetup(u, central)
	for i := range n.links {
		n.links[i].fixed(1)
	}
	n.lay()
	return n
}

// alwaysOn reports whether the engine runs whether or not the station draws.
func (s *station) alwaysOn() bool {
	return s.central != nil || s.at.line >= 0 && s.setup.Engine.kind() != Ejector
}

// engineOf returns the engine that serves the station.
func (s *station) engineOf() *Engine {
	if s.central != nil {
		return &s.central.Engine
	}
	return &s.setup.Engine
}

// applySegment sets the station's links to what holds in the segment in hand, or in what is
// left of it.
func (s *station) applySegment() {
	n, p, u := s.net, s.cur, s.setup
	ramp := func(i int, f0, f1 float64) {
		if i >= 0 {
			l := &n.links[i]
			l.f0, l.f1, l.t0, l.t1 = f0, f1, s.seg.fromS, s.seg.toS
		}
	}
	set := func(i int, f float64) { ramp(i, f, f) }
	mid := (s.seg.fromS + s.seg.toS) / 2
	hose, line, engine, air := 1., 1., 1., s.sc.AirPressureKPa
	if p != nil {
		hose, line, engine, air = p.hoseFactor, p.hoseFactor*p.lineFactor, p.engineFactor, p.airKPa
	}
	for i := range s.at.cups {
		gap0, gap1, leak0, leak1 := 1., 1., 1., 1.
		if p != nil {
			gap0, gap1 = p.gapAt(i, s.seg.fromS, mid), p.gapAt(i, s.seg.toS, mid)
			n.links[s.at.leak[i]].k = p.leakK
			leak0, leak1 = s.wrinkled(), s.wrinkled()
			if s.seg.carried && u.Load.SwingMM > 0 {
				leak0 *= 1 + u.Load.SwingLeak*abs(u.Load.swing(s.seg.fromS-p.liftS))
				leak1 *= 1 + u.Load.SwingLeak*abs(u.Load.swing(s.seg.toS-p.liftS))
			}
			if h := s.at.hole[i]; h >= 0 {
				n.links[h].r.C = p.holeC
			}
		} else {
			n.links[s.at.leak[i]].k = u.Leak.K
		}
		ramp(s.at.open[i], gap0, gap1)
		ramp(s.at.leak[i], leak0, leak1)
		set(s.at.hole[i], 1)
		if i < len(s.at.branch) {
			set(s.at.branch[i], hose)
		}
		n.nodes[s.at.cups[i]].takes = s.seg.bagOn && u.Cup.StrokeL+u.Cup.FilmL > 0
	}
	draws := s.seg.supply && !s.saving
	gate := func(open bool, f float64) float64 {
		if open {
			return f
		}
		return 0
	}
	switch {
	case s.central != nil:
		set(s.at.line, gate(s.seg.supply, line))
	case s.alwaysOn():
		set(s.at.line, gate(s.seg.supply, line))
		set(s.at.draw, engine)
	default:
		set(s.at.line, gate(draws || !s.setup.Circuit.Holds && !s.saving, line)) // the check valve shuts
		set(s.at.draw, gate(draws, engine))
		n.links[s.at.draw].supply = u.Engine.share(air)
	}
	set(s.at.vent, gate(!s.seg.supply, 1))
	set(s.at.blow, gate(s.seg.blow, 1))
	s.airKPa = air
}

// wrinkled returns by how much more the lips leak for the wrinkles that have not slipped yet.
func (s *station) wrinkled() float64 {
	l := &s.setup.Leak
	if l.Wrinkles == 0 {
		return 1
	}
	left := float64(len(s.cur.wrinkles)-s.slipped) / float64(l.Wrinkles)
	return 1 + (l.WrinkleFactor-1)*left
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}
