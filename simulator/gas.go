package simulator

import "math"

// Air. With R = 287.867 J/(kg·K) and the 1.185 kg/m³ of ISO 8778 one litre ANR is exactly
// 100 kPa·L at 20 °C, so that mass, pressure and volume close; amounts of air are kept in
// litres ANR and flows in litres ANR a second.
const (
	anrKPa     = 100.0
	anrK       = 293.15
	gasR       = anrKPa * 1e3 / (anrDensity * anrK) // 287.867 J/(kg·K)
	anrDensity = 1.185                              // kg/m³
	gamma      = 1.4
	viscosity  = 1.82e-5 // Pa·s, air at 20 °C
)

// linearAbove is the pressure ratio above which a restriction's flow runs straight to 0:
// the ellipse's slope there has no end, and would hold up any integrator.
const linearAbove = 0.9995

// A Restriction lets air through: by ISO 6358 with sonic conductance C and critical ratio B,
// or, where LengthM is set, by the friction of a smooth hose. The zero Restriction is an
// opening that loses nothing.
type Restriction struct {
	C float64 // dm³/(s·bar)
	B float64 // critical ratio, 0 to below 1

	DiameterMM, LengthM float64 // of a hose
}

// none reports whether the restriction is not there.
func (r Restriction) none() bool { return r.C == 0 && r.LengthM == 0 }

// iso returns the flow in L ANR/s from pKPa (absolute) at tK to the lower downKPa: ISO 6358-1
// with m = 0.5, 100 kPa and 293.15 K as reference.
func (r Restriction) iso(pKPa, tK, downKPa float64) float64 {
	q := r.C * pKPa * 0.01 // 1 dm³/(s·bar) is 0.01 L/(s·kPa)
	if tK != anrK {
		q *= math.Sqrt(anrK / tK)
	}
	switch ratio := downKPa / pKPa; {
	case ratio <= r.B:
		return q
	case ratio >= linearAbove:
		return q * r.steepest() * (1 - ratio)
	default:
		x := (ratio - r.B) / (1 - r.B)
		return q * math.Sqrt(1-x*x)
	}
}

// steepest returns the slope of the flow against the pressure ratio in the linear piece, as
// a multiple of the choked flow: the steepest there is.
func (r Restriction) steepest() float64 {
	x := (linearAbove - r.B) / (1 - r.B)
	return math.Sqrt(1-x*x) / (1 - linearAbove)
}

// hose returns the flow in L ANR/s from pKPa (absolute) at tK to the lower downKPa through
// a smooth hose: Darcy-Weisbach at the mean pressure, f = 64/Re up to Re 2300, Blasius'
// 0.3164·Re^−¼ where that gives more than Re 2300, and the flow of Re 2300 between.
func (r Restriction) hose(pKPa, tK, downKPa float64) float64 {
	d := r.DiameterMM / 1e3
	dp := (pKPa - downKPa) * 1e3
	rho := (pKPa + downKPa) / 2 * 1e3 / (gasR * tK)
	area := math.Pi * d * d / 4
	u := dp * d * d / (32 * viscosity * r.LengthM) // laminar
	const bend = 2300.
	if limit := bend * viscosity / (rho * d); u > limit {
		// Δp = 0.3164·(μ/ρd)^¼·(L/d)·ρ/2·u^(7/4)
		u = math.Pow(dp/(0.3164*math.Pow(viscosity/(rho*d), 0.25)*r.LengthM/d*rho/2), 4./7)
		u = max(u, limit)
	}
	return u * area * rho / anrDensity * 1e3
}

// flow returns the flow in L ANR/s from pKPa (absolute) at tK to the lower downKPa. A
// negative pressure difference is the caller's to turn round.
func (r Restriction) flow(pKPa, tK, downKPa float64) float64 {
	if r.LengthM > 0 {
		return r.hose(pKPa, tK, downKPa)
	}
	return r.iso(pKPa, tK, downKPa)
}

// stiffness returns the largest slope of the flow against a pressure at its ends, in
// L ANR/s per kPa, with up to pKPa (absolute) at the upstream end.
func (r Restriction) stiffness(pKPa float64) float64 {
	if r.LengthM > 0 {
		d := r.DiameterMM / 1e3
		return 1e3 * d * d / (32 * viscosity * r.LengthM) * math.Pi * d * d / 4 * pKPa / anrKPa * 1e3
	}
	return r.C * 0.01 * (r.steepest() + 1)
}

// Hole returns the restriction of a sharp hole with the effective area mm2: a nozzle of
// air that chokes at 0.5283.
//
// Choked, a nozzle passes A·p/√(R·T)·√γ·(2/(γ+1))^((γ+1)/(2(γ−1))) kg/s, which is C·ρ₀·p.
func Hole(mm2 float64) Restriction {
	choked := math.Sqrt(gamma) * math.Pow(2/(gamma+1), (gamma+1)/(2*(gamma-1)))
	c := mm2 * 1e-6 / math.Sqrt(gasR*anrK) * choked / anrDensity // m³/(s·Pa)
	return Restriction{C: c * 1e8, B: math.Pow(2/(gamma+1), gamma/(gamma-1))}
}

// linearBelowKPa is where a leak's power law gives way to a straight line.
const linearBelowKPa = 1

// law returns vⁿ for v in kPa, odd in v, straight below linearBelowKPa.
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

// Atmosphere returns the air around at a geometric altitude in m, 0 to 11,000: pressure
// kPa and temperature K of the U.S. Standard Atmosphere 1976 (NASA-TM-X-74335), eq. 18, 23
// and 33a with its own constants.
func Atmosphere(altitudeM float64) (kPa, k float64) {
	const r0, lapse = 6_356_766, 0.0065
	h := r0 * altitudeM / (r0 + altitudeM)
	k = 288.15 - lapse*h
	return 101.325 * math.Pow(k/288.15, 9.80665*28.9644/(8314.32*lapse)), k
}
