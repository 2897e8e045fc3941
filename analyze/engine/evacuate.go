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
	Measured bool    // the volume that makes measured seal times come out, warmth of the gas included
	DelayS   float64 // from command to the first vacuum; part of the seal time
}

// SealTime returns the time to the required vacuum on s against fit's leak. Without measured
// seal times the gas is taken at 20 °C, and lo is that of an adiabatic vessel, 1.4 times as
// fast. NaN where the engine does not get there.
func SealTime(s Supply, fit Fit, count, requiredKPa float64, c Circuit) analyze.Figure {
	perLitre := func(f Fit) float64 {
		leak := f.flow(count)
		return timePerLitre(func(v float64) float64 { return s.Flow(v) - leak(v) }, 0, requiredKPa)
	}
	t := perLitre(fit) * c.VolumeL
	if !(t >= 0) || math.IsInf(t, 0) {
		return analyze.None()
	}
	u := fit.delta(perLitre) * c.VolumeL
	if math.IsNaN(u) || math.IsInf(u, 0) {
		u = 0
	}
	if c.VolumeU > 0 {
		u = math.Hypot(u, t*c.VolumeU/c.VolumeL)
	}
	if !c.Measured {
		u = math.Hypot(u, (t-t/1.4)/math.Sqrt(12)) // anywhere between isothermal and adiabatic
	}
	k := StudentT(math.Inf(1))
	f := analyze.Figure{Value: t + c.DelayS, U: u, Lo: max(0, t-k*u) + c.DelayS, Hi: t + k*u + c.DelayS}
	for _, other := range fit.Others {
		if x := perLitre(other) * c.VolumeL; x > 0 {
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

// EffectiveVolumeL returns the volume that makes a seal time measured on s come out: it holds
// the warmth of the gas, too. NaN where the engine does not get to the required vacuum.
func EffectiveVolumeL(s Supply, fit Fit, requiredKPa, sealTimeS float64) float64 {
	leak := fit.flow(1)
	per := timePerLitre(func(v float64) float64 { return s.Flow(v) - leak(v) }, 0, requiredKPa)
	if math.IsInf(per, 0) || !(sealTimeS > 0) {
		return math.NaN()
	}
	return sealTimeS / per
}

// HoldsShutS returns how long a circuit keeps the required vacuum after the supply shuts
// behind a check valve at vacuum fromKPa, s, isothermal. NaN where it never had it.
func HoldsShutS(fit Fit, volumeL, fromKPa, requiredKPa float64) float64 {
	if !(fromKPa >= requiredKPa) || !(requiredKPa > 0) || !(volumeL > 0) {
		return math.NaN()
	}
	return volumeL * timePerLitre(fit.flow(1), requiredKPa, fromKPa)
}
