package engine

import (
	"math"

	"griptrial/analyze"
)

// Warnings on operating points and seal times.
const (
	Extrapolated   analyze.Code = "beyond 1.3 times the tested vacuum" // A: highest vacuum tested, kPa
	ThreeLaws      analyze.Code = "fewer than three settings: the interval spans the three leak laws"
	BeyondCurve    analyze.Code = "leak below the engine's curve: at its deepest vacuum" // A: that vacuum, kPa
	GasUnsettled   analyze.Code = "gas taken at 20 °C: may be up to 29 % sooner"
	VolumeByEffect analyze.Code = "volume from measured seal times"
)

// A Supply is an engine with the line to the cup.
type Supply struct {
	Curve      *Curve  // flow, L/min ANR, over vacuum at the engine, kPa, at CurveKPa around
	CurveKPa   float64 // ambient at which the curve was taken; NaN takes AmbientKPa
	AmbientKPa float64 // at the place
	Hose       Hose    // zero for none
	Line       []Restriction

	straight bool // straight lines between the curve's points
}

// deepest returns the vacuum at which the engine's curve ends, at the place.
func (s Supply) deepest() float64 {
	_, hi := s.Curve.Range()
	return min(hi*s.ratio(), s.AmbientKPa)
}

// ratio is by how much the place thins the curve. An engine's ratio of pressures and its flow
// of volume are taken to stay as they are: vacuum and flow ANR both go with the ambient.
func (s Supply) ratio() float64 {
	if math.IsNaN(s.CurveKPa) || s.CurveKPa == 0 {
		return 1
	}
	return s.AmbientKPa / s.CurveKPa
}

// engineFlow returns the flow at the engine's own vacuum.
func (s Supply) engineFlow(v float64) float64 {
	r := s.ratio()
	if s.straight {
		return s.Curve.Linear(v/r) * r
	}
	return s.Curve.At(v/r) * r
}

// engineVacuum returns the vacuum at the engine while flow q arrives there from a cup at vacuum
// v. NaN where the line cannot pass so much.
func (s Supply) engineVacuum(v, q float64) float64 {
	p := s.AmbientKPa - v
	for _, r := range s.Line {
		p = r.drop(q, p)
	}
	if s.Hose.LengthM > 0 {
		p = s.Hose.outlet(q, p)
	}
	return s.AmbientKPa - p
}

// Flow returns what the engine draws from a cup at vacuum v through the line, L/min ANR.
func (s Supply) Flow(v float64) float64 {
	if s.Hose.LengthM == 0 && len(s.Line) == 0 {
		return s.engineFlow(v)
	}
	// The engine's flow falls with its vacuum, which grows with the flow: one crossing.
	lo, hi := 0.0, s.engineFlow(v)
	for range 60 {
		q := (lo + hi) / 2
		e := s.engineVacuum(v, q)
		if math.IsNaN(e) || e > s.deepest() || s.engineFlow(e) < q {
			hi = q
		} else {
			lo = q
		}
	}
	return lo
}

// atCup returns s as the cup sees it, for work that asks for many flows: its line is taken into
// a curve of 129 points, which is 0.1 % of the free flow off at most (TestAtCup).
func (s Supply) atCup() Supply {
	if s.Hose.LengthM == 0 && len(s.Line) == 0 {
		return s
	}
	const n = 129
	x, y := make([]float64, n), make([]float64, n)
	for i := range n {
		x[i] = s.deepest() * float64(i) / (n - 1)
		y[i] = s.Flow(x[i])
	}
	c, err := NewCurve(x, y)
	if err != nil {
		return s
	}
	return Supply{Curve: c, CurveKPa: math.NaN(), AmbientKPa: s.AmbientKPa}
}

// crossing returns the vacuum at the cup at which leak takes what the engine draws, and
// whether it does before the curve ends.
func (s Supply) crossing(leak func(v float64) float64) (v float64, met bool) {
	hi := s.deepest()
	if s.Flow(hi) > leak(hi) {
		return hi, false
	}
	lo := 0.0
	for range 80 {
		if mid := (lo + hi) / 2; s.Flow(mid) > leak(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2, true
}

// An Operating is where an engine and a leak meet.
type Operating struct {
	VacuumKPa         analyze.Figure // at the cup
	FlowLminANR       float64
	EngineVacuumKPa   float64
	LinearKPa         float64 // with straight lines between the curve's points
	BeyondTested, Met bool
}

// Operate returns the operating point of fit's leak times count (as many equal circuits on one
// engine; 1 for one) on s. U is by the delta method, from Cov. The interval is U times
// Student's factor, widened to that of every other law that the points allow, and by how much
// straight lines between the curve's points would move it.
func Operate(s Supply, fit Fit, count float64) Operating {
	v, met := s.crossing(fit.flow(count))
	o := Operating{FlowLminANR: fit.flow(count)(v), Met: met}
	o.EngineVacuumKPa = s.engineVacuum(v, o.FlowLminANR)
	straight := s
	straight.straight = true
	o.LinearKPa, _ = straight.crossing(fit.flow(count))
	u := fit.delta(vacuumOn(s, count))
	figure := analyze.Figure{Value: v, U: u, Lo: v, Hi: v}
	widen := func(v, u, dof float64) {
		if dof > 0 && !math.IsNaN(u) {
			t := StudentT(dof)
			figure.Lo, figure.Hi = min(figure.Lo, v-t*u), max(figure.Hi, v+t*u)
		}
		figure.Lo, figure.Hi = min(figure.Lo, v), max(figure.Hi, v)
	}
	widen(v, u, fit.Dof)
	for _, other := range fit.Others {
		at, _ := s.crossing(other.flow(count))
		own, shared := other.deltas(vacuumOn(s, count))
		if fit.Settings < 3 { // a law's misfit is in the span already
			own /= math.Sqrt(other.scale())
			if !other.Weighted {
				own = math.NaN()
			}
		}
		u := math.Hypot(own, shared)
		widen(at, u, other.Dof)
	}
	figure.Lo -= math.Abs(o.LinearKPa - v)
	figure.Hi += math.Abs(o.LinearKPa - v)
	figure.Lo, figure.Hi = max(figure.Lo, 0), max(min(figure.Hi, s.deepest()), v)
	if fit.Settings < 3 {
		figure.U = (figure.Hi - figure.Lo) / math.Sqrt(12) // evenly over the span
		figure.Warnings = append(figure.Warnings, analyze.Warn(ThreeLaws))
	}
	if o.BeyondTested = v > 1.3*fit.TestedToKPa; o.BeyondTested {
		figure.Warnings = append(figure.Warnings, analyze.Warn1(Extrapolated, fit.TestedToKPa))
	}
	if !met {
		figure.Warnings = append(figure.Warnings, analyze.Warn1(BeyondCurve, s.deepest()))
	}
	o.VacuumKPa = figure
	return o
}

// flow returns the leak of so many equal circuits over vacuum.
func (f Fit) flow(count float64) func(float64) float64 {
	return func(v float64) float64 { return count * f.Flow(v, f.AmbientKPa) }
}

// delta returns the standard uncertainty of g(leak) by the delta method: √(JᵀCov·J) and
// what the flows share, with numerical derivatives. NaN where the points tell no covariance.
func (f Fit) delta(g func(Fit) float64) float64 { return math.Hypot(f.deltas(g)) }

// deltas returns the two parts of delta.
func (f Fit) deltas(g func(Fit) float64) (own, shared float64) {
	if f.Dof == 0 {
		return math.NaN(), math.NaN()
	}
	var j [2]float64
	for i := range j {
		up, down := f, f
		h := 1e-4
		if i == 0 {
			h *= f.K
			up.K, down.K = f.K+h, f.K-h
		} else {
			if f.Law != Power {
				continue
			}
			up.N, down.N = f.N+h, f.N-h
		}
		j[i] = (g(up) - g(down)) / (2 * h)
	}
	own = math.Sqrt(max(0, j[0]*j[0]*f.Cov[0][0]+2*j[0]*j[1]*f.Cov[0][1]+j[1]*j[1]*f.Cov[1][1]))
	return own, math.Abs(j[0]) * f.K * f.CommonU
}

// vacuumOn returns the operating vacuum of so many circuits on s, as a function of the leak.
func vacuumOn(s Supply, count float64) func(Fit) float64 {
	return func(f Fit) float64 {
		v, _ := s.crossing(f.flow(count))
		return v
	}
}

// Holds reports whether the value reaches the required vacuum, and whether the whole interval
// does: only then it is shown.
func (o Operating) Holds(requiredKPa float64) (holds, shown bool) {
	return o.VacuumKPa.Value >= requiredKPa, o.VacuumKPa.Lo >= requiredKPa
}
