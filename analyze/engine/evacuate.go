package engine

import (
	"math"

	"griptrial/analyze"
)

// Vacuum returns the vacuum of a vessel of volumeL after timeS, from v0, where flow(v) is what
// leaves it, net, in L/min ANR: V·dv/dt = n·100/60·flow(v), n the polytropic exponent of the
// gas that stays (1 isothermal at 20 °C, 1.4 adiabatic). Classic Runge–Kutta, steps steps.
func Vacuum(flow func(v float64) float64, volumeL, n, v0, timeS float64, steps int) float64 {
	rate := func(v float64) float64 { return n * anrKPa / 60 / volumeL * flow(v) }
	v, h := v0, timeS/float64(steps)
	for range steps {
		a := rate(v)
		b := rate(v + h/2*a)
		c := rate(v + h/2*b)
		d := rate(v + h*c)
		v += h / 6 * (a + 2*b + 2*c + d)
	}
	return v
}

// timePerLitre returns the time that 1 L takes from vacuum v0 to v1, s/L, isothermal:
// ∫ 60/100·dv/flow(v), by Simpson. +Inf where the flow is not enough on the way.
func timePerLitre(flow func(v float64) float64, v0, v1 float64) float64 {
	const steps = 400
	h := (v1 - v0) / steps
	sum := 0.0
	for i := range steps + 1 {
		q := flow(v0 + h*float64(i))
		if !(q > 0) {
			return math.Inf(1)
		}
		weight := 2.0
		switch {
		case i == 0 || i == steps:
			weight = 1
		case i%2 == 1:
			weight = 4
		}
		sum += weight / q
	}
	return 60 / anrKPa * sum * h / 3
}

// A Circuit is what an engine evacuates.
type Circuit struct {
	VolumeL  float64 // with the bag on it
	VolumeU  float64 // its standard uncertainty; NaN for none
	Measured bool    // volume and delay make measured times come out
	DelayS   float64 // from where seal time counts to the first vacuum: valve, or the closing of lips
	WarmS    float64 // thermal time constant of the gas, with Measured; 0: isothermal
	OpenC    float64 // of the open cups, where seal time counts from contact with the supply on: dm³/(s·bar); 0: not so
}

// openB is the critical ratio of an open cup (from memory: fittings lie from 0.2 to 0.5).
const openB = 0.5

// What the model leaves out of seal times from measured circuits — how the gas warms, how lips
// close, how a curve runs between its points — as a share of them, and in s. Found so that 95 %
// intervals hold on 500 simulated rigs (TestPredictFourthEngine), not from a source.
const modelU, lipsU = 0.03, 0.001

// startKPa returns the vacuum at which the lips close: what the engine draws through open cups.
func (c Circuit) startKPa(s Supply) float64 {
	if c.OpenC == 0 {
		return 0
	}
	v, _ := s.crossing(func(v float64) float64 { return ISO6358(s.AmbientKPa, anrK, s.AmbientKPa-v, c.OpenC, openB, 0.5) })
	return v
}

// thermalS is the thermal time constant of the gas in a circuit of some tenths of a litre
// (from memory: 0.05 to 0.5 s; design of the leak-down's window).
const thermalS = 0.15

// evacuationS returns how long a circuit of volumeL takes from one vacuum to another, s, where out
// and in draw and leak, L/min ANR over vacuum, and the gas exchanges heat with the wall, of 20 °C,
// with the time constant warmS at ambient pressure p₀. Energy balance of an ideal gas that mixes
// at once (Bar-Meir, Fundamentals of Compressible Fluid Mechanics, ch. 11), θ = T/T₀:
//
//	dp/dt = γ·100/(60·V)·(in − θ·out) + p₀·(1 − θ)/τ, dm/dt = (in − out)/60, θ = p·V/(100·m).
//
// Runge–Kutta in steps of a fiftieth of the way, at most half of warmS. +Inf where it does not get there.
func evacuationS(out, in func(v float64) float64, volumeL, warmS, ambientKPa, fromKPa, toKPa float64) float64 {
	const gamma, pieces = 1.4, 50
	rate := func(p, m float64) (dp, dm float64) {
		v := ambientKPa - p
		o, i := out(v), in(v)
		theta := p * volumeL / (anrKPa * m)
		return gamma*anrKPa/60/volumeL*(i-theta*o) + ambientKPa*(1-theta)/warmS, (i - o) / 60
	}
	p, end := ambientKPa-fromKPa, ambientKPa-toKPa
	m, t := p*volumeL/anrKPa, 0.0
	step := (p - end) / pieces
	for range 40 * pieces {
		if p <= end {
			return t
		}
		p1, m1 := rate(p, m)
		if !(p1 < 0) {
			return math.Inf(1)
		}
		h := min(-step/p1, warmS/2)
		p2, m2 := rate(p+h/2*p1, m+h/2*m1)
		p3, m3 := rate(p+h/2*p2, m+h/2*m2)
		p4, m4 := rate(p+h*p3, m+h*m3)
		dp := h / 6 * (p1 + 2*p2 + 2*p3 + p4)
		if p+dp < end {
			return t + h*(end-p)/dp
		}
		p, m, t = p+dp, m+h/6*(m1+2*m2+2*m3+m4), t+h
	}
	return math.Inf(1)
}

// takesS returns how long the circuit's gas takes on s against so many leaks from one vacuum
// to another: 0 where it is there already, +Inf where the engine does not get there.
func (c Circuit) takesS(s Supply, fit Fit, count, fromKPa, toKPa float64) float64 {
	switch {
	case fromKPa >= toKPa:
		return 0
	case c.WarmS > 0:
		return evacuationS(s.Flow, fit.flow(count), c.VolumeL, c.WarmS, s.AmbientKPa, fromKPa, toKPa)
	}
	leak := fit.flow(count)
	return c.VolumeL * timePerLitre(func(v float64) float64 { return s.Flow(v) - leak(v) }, fromKPa, toKPa)
}

// SealTime returns the time to the required vacuum on s against fit's leak. Without measured
// times the gas is taken at 20 °C, and lo is that of an adiabatic vessel, 1.4 times as fast. NaN
// where the engine does not get there.
func SealTime(s Supply, fit Fit, count, requiredKPa float64, c Circuit) analyze.Figure {
	s = s.atCup()
	from := c.startKPa(s)
	of := func(f Fit) float64 { return c.takesS(s, f, count, from, requiredKPa) }
	t := of(fit)
	if !(t >= 0) || math.IsInf(t, 0) {
		return analyze.None()
	}
	u := fit.delta(of)
	if math.IsNaN(u) || math.IsInf(u, 0) {
		u = 0
	}
	if c.VolumeU > 0 {
		u = math.Hypot(u, t*c.VolumeU/c.VolumeL)
	}
	if c.Measured {
		u = math.Hypot(u, modelU*t+lipsU)
	} else {
		u = math.Hypot(u, (t-t/1.4)/math.Sqrt(12)) // anywhere between isothermal and adiabatic
	}
	k := StudentT(math.Inf(1))
	f := analyze.Figure{Value: t + c.DelayS, U: u, Lo: max(0, t-k*u) + c.DelayS, Hi: t + k*u + c.DelayS}
	for _, other := range fit.Others {
		if x := of(other); x > 0 {
			f.Hi = max(f.Hi, x+k*u+c.DelayS) // +Inf is null: that law does not get there
			f.Lo = min(f.Lo, max(0, x-k*u)+c.DelayS)
		}
	}
	if c.Measured {
		f.Warnings = append(f.Warnings, analyze.Warn(VolumeByEffect))
	} else {
		f.Lo = min(f.Lo, c.DelayS+t/1.4)
		f.Warnings = append(f.Warnings, analyze.Warn(GasUnsettled))
	}
	if fit.Settings < 3 {
		f.Warnings = append(f.Warnings, analyze.Warn(ThreeLaws))
	}
	return f
}

// HoldsShutS returns how long a circuit keeps the required vacuum after the supply shuts
// behind a check valve at vacuum fromKPa, s, isothermal. NaN where it never had it.
func HoldsShutS(fit Fit, volumeL, fromKPa, requiredKPa float64) float64 {
	if !(fromKPa >= requiredKPa) || !(requiredKPa > 0) || !(volumeL > 0) {
		return math.NaN()
	}
	return volumeL * timePerLitre(fit.flow(1), requiredKPa, fromKPa)
}
