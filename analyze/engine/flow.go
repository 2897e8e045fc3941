// Package engine matches vacuum engines to measured leaks: leak laws, engine curves, where
// the two meet, evacuation and seal time, energy. It comes after analyze/pick and config and
// before report.
package engine

import "math"

// State ANR (ISO 8778): 100 kPa, 20 °C, 1.185 kg/m³.
const (
	anrKPa  = 100.0
	anrK    = 293.15
	anrKgM3 = 1.185
)

// AirR is the gas constant of dry air, J/(kg·K), in the hose's density.
const airR = 287.055

// airPaS is the viscosity of air at 20 °C (from memory: 1.82e-5 Pa·s).
const airPaS = 1.82e-5

// OrificeB is the critical pressure ratio of a hole, (2/(γ+1))^(γ/(γ−1)) for γ = 1.4.
const OrificeB = 0.528281788

// ISO6358 returns the flow through a restriction, L/min ANR, from p1 at t1K to p2 (kPa
// absolute, K), for conductance c in dm³/(s·bar), critical pressure ratio b and subsonic index
// m (ISO 6358-1: 0.5): C·p₁·ρ₀·√(T₀/T₁)·[1 − ((r − b)/(1 − b))²]^m, choked below r = b. It is 0
// where p2 ≥ p1. Form after Sanville, as in the manuals of two modelling libraries.
func ISO6358(p1KPa, t1K, p2KPa, c, b, m float64) float64 {
	r := p2KPa / p1KPa
	if r >= 1 {
		return 0
	}
	// 1 dm³/(s·bar) at 1 kPa passes 0.01 dm³/s ANR = 0.6 L/min ANR.
	q := 0.6 * c * p1KPa * math.Sqrt(anrK/t1K)
	if r > b {
		x := (r - b) / (1 - b)
		q *= math.Pow(1-x*x, m)
	}
	return q
}

// A Restriction is a part of a line by ISO 6358: C in dm³/(s·bar), b.
type Restriction struct{ C, B float64 }

// drop returns the outlet pressure, kPa absolute, of flow q in L/min ANR at 20 °C from p1. NaN
// where so much does not pass.
func (r Restriction) drop(q, p1KPa float64) float64 {
	x := q / (0.6 * r.C * p1KPa)
	if x > 1 {
		return math.NaN()
	}
	return p1KPa * (r.B + (1-r.B)*math.Sqrt(1-x*x))
}

// Series returns restrictions in a row as one: C of the whole from choked flow, solved along
// the chain (each outlet is the next inlet, without recovery), and the b with which the ISO
// form comes nearest to the chain over the subsonic range, by least squares.
func Series(parts []Restriction) Restriction {
	const p1 = 100.0
	through := func(q float64) float64 { // NaN where q does not pass
		p := p1
		for _, r := range parts {
			p = r.drop(q, p)
		}
		return p
	}
	hi := math.Inf(1)
	for _, r := range parts {
		hi = min(hi, 0.6*r.C*p1)
	}
	lo := 0.0
	for range 200 {
		if mid := (lo + hi) / 2; math.IsNaN(through(mid)) {
			hi = mid
		} else {
			lo = mid
		}
	}
	const points = 200
	var x, ratio [points]float64
	for i := range x {
		x[i] = 0.02 + (0.999-0.02)*float64(i)/(points-1)
		ratio[i] = through(x[i]*lo) / p1
	}
	misfit := func(b float64) float64 {
		sum := 0.0
		for i := range x {
			d := ISO6358(1, anrK, ratio[i], 1/0.6, b, 0.5) - x[i]
			sum += d * d
		}
		return sum
	}
	return Restriction{C: lo / (0.6 * p1), B: lowest(misfit, 0, 0.9)}
}

// lowest returns where f is least from lo to hi: the best of a grid, then golden sections.
func lowest(f func(float64) float64, lo, hi float64) float64 {
	const grid = 50
	best, at := math.Inf(1), lo
	for i := range grid + 1 {
		x := lo + (hi-lo)*float64(i)/grid
		if y := f(x); y < best {
			best, at = y, x
		}
	}
	step := (hi - lo) / grid
	a, b := max(lo, at-step), min(hi, at+step)
	golden := (math.Sqrt(5) - 1) / 2
	c, d := b-golden*(b-a), a+golden*(b-a)
	fc, fd := f(c), f(d)
	for range 80 {
		if fc < fd {
			b, d, fd = d, c, fc
			c = b - golden*(b-a)
			fc = f(c)
		} else {
			a, c, fc = c, d, fd
			d = a + golden*(b-a)
			fd = f(d)
		}
	}
	mid := (a + b) / 2
	for _, end := range []float64{lo, hi} { // a minimum at the end is the end
		if f(end) <= f(mid) {
			mid = end
		}
	}
	return mid
}

// A Hose is a smooth hose.
type Hose struct{ DiameterMM, LengthM float64 }

// DropKPa returns the pressure loss of q L/min ANR at mean pressure meanKPa absolute and 20 °C:
// Darcy–Weisbach, f = 64/Re below Re 2300, Blasius 0.3164·Re^−¼ above.
func (h Hose) DropKPa(q, meanKPa float64) float64 {
	if q <= 0 || h.LengthM == 0 {
		return 0
	}
	d := h.DiameterMM / 1000
	rho := meanKPa * 1000 / (airR * anrK)
	u := q / 6e4 * anrKgM3 / rho / (math.Pi / 4 * d * d)
	re := rho * u * d / airPaS
	f := 0.3164 * math.Pow(re, -0.25)
	if re < 2300 {
		f = 64 / re
	}
	return f * h.LengthM / d * rho * u * u / 2 / 1000
}

// outlet returns the pressure at the far end of the hose, kPa absolute, where inlet is at p1:
// the mean pressure is iterated. NaN where the hose cannot pass so much: p1² − p2² is then
// more than p1².
func (h Hose) outlet(q, p1KPa float64) float64 {
	// The loss is as 1/mean, mean = (p1+p2)/2: p1² − p2² = 2·mean·drop, which does not depend
	// on the mean.
	square := p1KPa*p1KPa - 2*p1KPa*h.DropKPa(q, p1KPa)
	if square < 0 {
		return math.NaN()
	}
	return math.Sqrt(square)
}
