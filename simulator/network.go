package simulator

import "math"

// outside is the node number of the air around.
const outside = -1

// A node is a lumped volume of air. Its part of the state is three numbers: the amount of
// air in L ANR, pressure × volume in kPa·L (the energy of the air but for a factor), and
// the volume in L that bellows and film have taken out of it.
type node struct {
	volumeL  float64
	wallTauS float64 // the air takes up the wall's temperature with this time constant at ambient pressure; 0: at once; +Inf: never

	takes              bool // bellows or film take volume away
	strokeL, filmL     float64
	strokeKPa, filmKPa float64 // vacuums at which 1 − 1/e of each is taken
	takeTauS           float64 // how fast they follow
}

// A linkKind is a way for air to go.
type linkKind int

const (
	opening linkKind = iota // by a Restriction, either way
	leakage                 // k·Δpⁿ from the outside, k in L/min ANR
	drawing                 // what an engine draws out of a node
	blowing                 // by a Restriction from a source of fixed pressure
)

// A link joins two nodes. Its flow counts from its first node to its second.
type link struct {
	kind     linkKind
	from, to int

	r         Restriction
	steepest  float64 // of r, in the linear piece
	span      float64 // 1/(1 − B)
	k, n      float64 // leakage
	engine    *Engine // drawing
	supply    float64 // drawing: compressed air at an ejector, share of the nominal pressure
	sourceKPa float64 // blowing: absolute

	// The conductance is multiplied by a factor that runs straight from f0 at t0 to f1 at t1.
	f0, f1, t0, t1 float64

	q float64 // flow at the last evaluation, L ANR/s
}

// fixed sets the factor that holds from now on.
func (l *link) fixed(f float64) { l.f0, l.f1, l.t0, l.t1 = f, f, 0, 0 }

func (l *link) factor(tS float64) float64 {
	if l.t1 <= l.t0 || tS >= l.t1 {
		return l.f1
	}
	return l.f0 + (l.f1-l.f0)*max(0, (tS-l.t0)/(l.t1-l.t0))
}

// The ledger's places in the state, counted from its end, L ANR: what came from outside,
// what went outside, what engines drew, what blow-off brought.
const (
	ledgerIn = iota
	ledgerOut
	ledgerDrawn
	ledgerBlown
	ledgerSize
)

// A network is a set of nodes and links with one state.
type network struct {
	nodes      []node
	links      []link
	ambientKPa float64
	airK       float64 // of the air around and of the walls

	solver     *solver
	p, temp    []float64 // pressures kPa and temperatures K at the last evaluation
	warm, net  []float64 // scratch: Σ q·T and Σ q of each node
	fromS, toS float64   // the last step
	p0, p1     []float64 // pressures at its ends
	d0, d1     []float64 // and their slopes, kPa/s
	nextS      float64   // step that the error allows
	tolerance  float64   // error allowed in a step, as a share of ambient pressure
	longestS   float64
	steps      int

	lawOf, lawN, lawIs float64 // the last power law worked out
}

// lay fits the state to nodes that are new, at ambient pressure.
func (n *network) lay() {
	k := len(n.nodes)
	n.solver = newSolver(3*k+ledgerSize, n.rates)
	for _, x := range []*[]float64{&n.p, &n.temp, &n.warm, &n.net, &n.p0, &n.p1, &n.d0, &n.d1} {
		*x = make([]float64, k)
	}
	for i := range n.nodes {
		n.charge(i, n.ambientKPa, n.airK)
	}
	for i := range n.links {
		n.links[i].steepest, n.links[i].span = n.links[i].r.steepest(), 1/(1-n.links[i].r.B)
	}
	n.renew()
}

// charge sets a node's pressure and temperature.
func (n *network) charge(i int, kPa, k float64) {
	y := n.solver.y0[3*i:]
	v := n.nodes[i].volumeL - y[2]
	y[0], y[1] = kPa*v/anrKPa*anrK/k, kPa*v
}

// renew evaluates the slopes again after nodes or links have changed.
func (n *network) renew() {
	n.rates(n.toS, n.solver.y0, n.solver.f0)
	n.slopes(n.solver.y0, n.solver.f0, n.p1, n.d1)
	copy(n.p0, n.p1)
	n.fromS = n.toS
	n.nextS = min(1e-4, n.longestS)
}

// flow returns the flow of a link in L ANR/s, from its first node to its second.
func (n *network) flow(l *link, tS float64) float64 {
	f := l.factor(tS)
	if f == 0 {
		return 0
	}
	pa, pb, ta, tb := n.ambientKPa, n.ambientKPa, n.airK, n.airK
	if l.from != outside {
		pa, ta = n.p[l.from], n.temp[l.from]
	}
	if l.to != outside {
		pb, tb = n.p[l.to], n.temp[l.to]
	}
	switch l.kind {
	case opening:
		if pa >= pb {
			return f * l.through(pa, ta, pb)
		}
		return -f * l.through(pb, tb, pa)
	case leakage:
		// Cups side by side are mostly in the same state to the bit: the power is dear.
		if v := pa - pb; v != n.lawOf || l.n != n.lawN {
			n.lawOf, n.lawN, n.lawIs = v, l.n, law(v, l.n)
		}
		return f * l.k / 60 * n.lawIs
	case drawing:
		return f * l.engine.drawn(n.ambientKPa, pa, ta, l.supply)
	default: // blowing
		return f * l.through(l.sourceKPa, n.airK, min(pb, l.sourceKPa))
	}
}

// through is Restriction.flow with what does not change worked out beforehand: the same
// numbers, at half the cost.
func (l *link) through(p, t, down float64) float64 {
	if l.r.LengthM > 0 {
		return l.r.hose(p, t, down)
	}
	q := l.r.C * 0.01 * p
	if t != anrK {
		q *= math.Sqrt(anrK / t)
	}
	switch ratio := down / p; {
	case ratio <= l.r.B:
		return q
	case ratio >= linearAbove:
		return q * l.steepest * (1 - ratio)
	default:
		x := (ratio - l.r.B) * l.span
		return q * math.Sqrt(1-x*x)
	}
}

// rates is the right-hand side of the state's equation.
func (n *network) rates(tS float64, y, dy []float64) {
	for i := range n.nodes {
		s := y[3*i : 3*i+3]
		n.p[i] = s[1] / (n.nodes[i].volumeL - s[2])
		n.temp[i] = anrK * s[1] / (anrKPa * s[0])
		n.warm[i], n.net[i] = 0, 0
	}
	last, vacuum, taken := 0, math.NaN(), 0.0 // the last node with bellows or film, and what they take there in the end
	ledger := dy[len(dy)-ledgerSize:]
	clear(ledger)
	for i := range n.links {
		l := &n.links[i]
		q := n.flow(l, tS)
		l.q = q
		if q == 0 {
			continue
		}
		t := n.airK
		if q > 0 && l.from != outside {
			t = n.temp[l.from]
		} else if q < 0 && l.to != outside {
			t = n.temp[l.to]
		}
		if l.from != outside {
			n.net[l.from] -= q
			n.warm[l.from] -= q * t
		}
		if l.to != outside {
			n.net[l.to] += q
			n.warm[l.to] += q * t
		}
		switch {
		case l.kind == drawing:
			ledger[ledgerDrawn] += q
		case l.kind == blowing:
			ledger[ledgerBlown] += q
		case l.from == outside && q > 0:
			ledger[ledgerIn] += q
		case l.to == outside && q < 0:
			ledger[ledgerIn] -= q
		case l.from == outside:
			ledger[ledgerOut] -= q
		case l.to == outside:
			ledger[ledgerOut] += q
		}
	}
	for i := range n.nodes {
		v, d := &n.nodes[i], dy[3*i:3*i+3]
		d[0] = n.net[i]
		d[2] = 0
		if v.takes || y[3*i+2] != 0 {
			if x := n.ambientKPa - n.p[i]; x != vacuum || !v.like(&n.nodes[last]) {
				last, vacuum, taken = i, x, v.target(x)
			}
			d[2] = (taken - y[3*i+2]) / v.takeTauS
		}
		if v.wallTauS == 0 {
			d[1] = anrKPa / anrK * n.airK * n.net[i]
			continue
		}
		// Enthalpy in and out, work of the walls that move, heat from the wall.
		d[1] = gamma*anrKPa/anrK*n.warm[i] + (gamma-1)*n.p[i]*d[2] +
			n.ambientKPa*v.volumeL/v.wallTauS*(1-n.temp[i]/n.airK)
	}
}

// like reports whether bellows and film of both nodes take the same.
func (v *node) like(o *node) bool {
	return v.takes == o.takes && v.strokeL == o.strokeL && v.filmL == o.filmL && v.strokeKPa == o.strokeKPa && v.filmKPa == o.filmKPa
}

// target returns the volume in L that bellows and film take at vacuum vKPa in the end.
func (v *node) target(vKPa float64) float64 {
	if !v.takes || vKPa <= 0 {
		return 0
	}
	x := 0.0
	if v.strokeL > 0 {
		x += v.strokeL * (1 - math.Exp(-vKPa/v.strokeKPa))
	}
	if v.filmL > 0 {
		x += v.filmL * (1 - math.Exp(-vKPa/v.filmKPa))
	}
	return x
}

// slopes fills in pressures and their slopes.
func (n *network) slopes(y, dy, p, d []float64) {
	for i := range n.nodes {
		v := n.nodes[i].volumeL - y[3*i+2]
		p[i] = y[3*i+1] / v
		d[i] = (dy[3*i+1] + p[i]*dy[3*i+2]) / v
	}
}

// radius returns a bound on the spectral radius of the state's equation, 1/s.
func (n *network) radius() float64 {
	clear(n.net)
	high := n.ambientKPa
	for i := range n.links {
		l := &n.links[i]
		f := max(l.factor(n.toS), l.f1)
		if f == 0 {
			continue
		}
		var g float64
		switch l.kind {
		case opening:
			if l.r.LengthM > 0 {
				g = l.r.stiffness(high)
			} else {
				g = l.r.C * 0.01 * (l.steepest + 1)
			}
		case leakage:
			g = l.k / 60
		case drawing:
			g = l.engine.stiffness(n.ambientKPa)
		case blowing:
			g = l.r.C * 0.01 * (l.steepest + 1)
		}
		for _, i := range [2]int{l.from, l.to} {
			if i != outside {
				n.net[i] += f * g
			}
		}
	}
	most := 0.0
	for i := range n.nodes {
		v := &n.nodes[i]
		vol := v.volumeL - n.solver.y0[3*i+2]
		rate := 2 * gamma * anrKPa / vol * n.net[i] // 2: Gershgorin's circles of a network reach as far again
		if v.wallTauS > 0 {
			rate += n.ambientKPa / n.p1[i] / v.wallTauS
		}
		if v.takes {
			rate += 1/v.takeTauS + high/vol/v.takeTauS*(ratio(v.strokeL, v.strokeKPa)+ratio(v.filmL, v.filmKPa))
		}
		most = max(most, rate)
	}
	return most
}

func ratio(a, b float64) float64 {
	if a == 0 {
		return 0
	}
	return a / b
}

// step takes a step that ends at untilS or sooner, as long as the error allows. See back.
func (n *network) step(untilS float64) {
	n.fromS = n.toS
	copy(n.p0, n.p1)
	copy(n.d0, n.d1)
	radius := n.radius()
	left := untilS - n.fromS
	h := min(left, n.nextS, n.longestS)
	if h > 0.5*left && h < left {
		h = 0.5 * left
	}
	for {
		s, ok := stages(h * radius)
		if !ok {
			h = chebyshevs[maxStages].reach / radius * 0.99
			s = maxStages
		}
		n.solver.step(n.fromS, h, &chebyshevs[s])
		off := n.off(h)
		grow := 0.8 / math.Cbrt(max(off, 1e-6))
		if off <= 1 || h < 1e-9 {
			next := h * min(5, grow)
			if h < n.nextS { // cut short by an instant that was foreseen: that says nothing against longer ones
				next = max(next, n.nextS)
			}
			n.nextS = next
			break
		}
		h *= max(0.1, grow)
	}
	n.toS = n.fromS + h
	if left-h < 1e-12 {
		n.toS = untilS
	}
	n.steps++
	n.finish()
}

// back shortens the last step to end at tS, where something happens that was not foreseen.
func (n *network) back(tS float64) {
	n.solver.y0, n.solver.y1 = n.solver.y1, n.solver.y0
	n.solver.f0, n.solver.f1 = n.solver.f1, n.solver.f0
	h := tS - n.fromS
	s, _ := stages(h * n.radius())
	n.solver.step(n.fromS, h, &chebyshevs[s])
	n.toS = tS
	n.finish()
}

func (n *network) finish() {
	n.slopes(n.solver.y1, n.solver.f1, n.p1, n.d1)
	n.solver.accept()
}

// off returns the estimated error of the solver's step as a multiple of what is allowed.
func (n *network) off(h float64) float64 {
	worst := 0.0
	for i := range n.nodes {
		v := n.nodes[i].volumeL
		worst = max(worst, n.solver.deviation(3*i, h)*anrKPa/(n.ambientKPa*v), n.solver.deviation(3*i+1, h)/(n.ambientKPa*v),
			n.solver.deviation(3*i+2, h)/v)
	}
	return worst / n.tolerance
}

// vacuum returns the vacuum in kPa of a node at t in the last step: the cubic that meets
// value and slope at both its ends.
func (n *network) vacuum(i int, tS float64) float64 {
	h := n.toS - n.fromS
	if h == 0 {
		return n.ambientKPa - n.p1[i]
	}
	x := min(1, max(0, (tS-n.fromS)/h))
	return n.ambientKPa - ((1+2*x)*(1-x)*(1-x)*n.p0[i] + x*(1-x)*(1-x)*h*n.d0[i] + x*x*(3-2*x)*n.p1[i] + x*x*(x-1)*h*n.d1[i])
}

// crossing returns when a node's vacuum meets level, which lies between the last step's ends.
func (n *network) crossing(i int, level float64) float64 {
	lo, hi := n.fromS, n.toS
	rising := n.p1[i] < n.p0[i]
	for range 60 {
		if mid := (lo + hi) / 2; n.vacuum(i, mid) < level == rising {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// Air is an account of a network's air in L ANR.
type Air struct {
	In, Out       float64 // from and to the outside, through openings and leaks
	Drawn, Blown  float64 // by engines, by blow-off
	Stored        float64 // in the volumes now
	StoredAtFirst float64
}

// amount returns the air in the nodes, L ANR.
func (n *network) amount() float64 {
	sum := 0.0
	for i := range n.nodes {
		sum += n.solver.y0[3*i]
	}
	return sum
}

func (n *network) ledger() []float64 { return n.solver.y0[len(n.solver.y0)-ledgerSize:] }
