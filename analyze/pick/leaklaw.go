package pick

import (
	"math"

	"griptrial/analyze"
)

// A LeakLaw is how air leaks into a closed circuit, Q = k·vⁿ, told by how fast the vacuum v
// falls: FallKPaS·(v/MidKPa)ⁿ. n is 0.5 for an orifice and 1 for a laminar or porous leak
// (ISO 9972 fits the same law to buildings); a choked hole comes near 0.
type LeakLaw struct {
	MidKPa   float64 // vacuum in the middle of the window
	FallKPaS float64 // at MidKPa; positive while vacuum is lost
	N        float64
	NFitted  bool // false: the window was too short to tell, and 0.5 to 1 is taken as equally likely

	cov [3][3]float64 // of MidKPa, FallKPaS and N as fitted
}

// unsureN is the half-width of what n is taken to lie in where it could not be fitted.
const unsureN, middleN = 0.25, 0.75

// lminANR is the flow in L/min ANR that fills 1 L by 1 kPa in a second at 20 °C: 1 L ANR is
// 100 kPa·L (ISO 8778).
const lminANR = 60.0 / 100

// fitLeakLaw fits the law to times and vacuums of equal length by least squares, of v(t)
// that solves it:
//
//	v = mid·[1 − (1−n)·fall/mid·t]^(1/(1−n)), t from the middle of the window; n = 1: mid·e^(−fall/mid·t).
//
// Residuals that follow one another widen the uncertainty by their summed autocorrelation.
// ok is false for fewer than six points, and where no law of that form comes near.
func fitLeakLaw(t, v []float64) (l LeakLaw, ok bool) {
	n := len(t)
	if n < 6 {
		return l, false
	}
	x := make([]float64, n)
	mid := (t[0] + t[n-1]) / 2
	for i := range t {
		x[i] = t[i] - mid
	}
	slope, _ := theilSen(t, v, new([]float64))
	start := [3]float64{medianOf(append([]float64(nil), v...)), -slope, middleN}
	if !(start[0] > 0) {
		return l, false
	}
	a, cov, ok := fitDecay(x, v, start, 3)
	if !ok || !(math.Sqrt(cov[2][2]) < unsureN/math.Sqrt(3)) {
		a, cov, ok = fitDecay(x, v, start, 2)
		return LeakLaw{MidKPa: a[0], FallKPaS: a[1], N: middleN, cov: cov}, ok
	}
	return LeakLaw{a[0], a[1], a[2], true, cov}, ok
}

// leakLawAt returns the law of a leak known at one vacuum only.
func leakLawAt(vacuumKPa, fallKPaS, u float64) LeakLaw {
	l := LeakLaw{MidKPa: vacuumKPa, FallKPaS: fallKPaS, N: middleN}
	l.cov[1][1] = u * u
	return l
}

func decay(a [3]float64, x float64) float64 {
	m := 1 - a[2]
	if math.Abs(m) < 1e-6 {
		return a[0] * math.Exp(-a[1]/a[0]*x)
	}
	z := 1 - m*a[1]/a[0]*x
	if z <= 0 {
		if m > 0 {
			return 0 // it has run empty
		}
		return math.Inf(1)
	}
	return a[0] * math.Pow(z, 1/m)
}

// fitDecay finds the first p of the parameters by Levenberg's and Marquardt's steps from
// start on. cov is their covariance.
func fitDecay(x, v []float64, start [3]float64, p int) (a [3]float64, cov [3][3]float64, ok bool) {
	a = start
	r := make([]float64, len(x))
	cost := func(a [3]float64) float64 {
		s := 0.0
		for i := range x {
			r[i] = v[i] - decay(a, x[i])
			s += r[i] * r[i]
		}
		return s
	}
	var now float64
	var normal [3][3]float64
	damp := 1e-3
	for range 60 {
		var g [3]float64
		normal = [3][3]float64{}
		now = cost(a)
		for i := range x {
			var d [3]float64
			for j := range p {
				h := 1e-5 * max(math.Abs(start[j]), 1e-3)
				up, down := a, a
				up[j] += h
				down[j] -= h
				d[j] = (decay(up, x[i]) - decay(down, x[i])) / (2 * h)
			}
			for j := range p {
				g[j] += d[j] * r[i]
				for k := range p {
					normal[j][k] += d[j] * d[k]
				}
			}
		}
		better := false
		for range 12 {
			m := normal
			for j := range p {
				m[j][j] *= 1 + damp
			}
			inv, is := invert(m, p)
			if !is {
				return a, cov, false
			}
			next := a
			for j := range p {
				for k := range p {
					next[j] += inv[j][k] * g[k]
				}
			}
			if c := cost(next); next[0] > 0 && c < now {
				better = c < now*(1-1e-10)
				a, now = next, c
				damp = max(damp/10, 1e-12)
				break
			}
			damp *= 10
		}
		if !better {
			break
		}
	}
	now = cost(a)
	inv, ok := invert(normal, p)
	if !ok || math.IsNaN(now) || math.IsInf(now, 0) {
		return a, cov, false
	}
	scale := now / float64(len(x)-p) * follows(r)
	for j := range p {
		for k := range p {
			cov[j][k] = inv[j][k] * scale
		}
	}
	return a, cov, true
}

// follows returns by what factor the variance of a mean of r grows because its values
// follow one another: one plus twice the autocorrelations up to the first that is negative.
func follows(r []float64) float64 {
	var c0 float64
	for _, x := range r {
		c0 += x * x
	}
	sum := 1.0
	for lag := 1; lag < len(r)/2 && c0 > 0; lag++ {
		c := 0.0
		for i := lag; i < len(r); i++ {
			c += r[i] * r[i-lag]
		}
		if c <= 0 {
			break
		}
		sum += 2 * c / c0
	}
	return sum
}

// invert returns the inverse of the leading p×p part of a symmetric positive matrix.
func invert(m [3][3]float64, p int) (inv [3][3]float64, ok bool) {
	for i := range p {
		inv[i][i] = 1
	}
	for c := range p {
		best := c
		for r := c + 1; r < p; r++ {
			if math.Abs(m[r][c]) > math.Abs(m[best][c]) {
				best = r
			}
		}
		m[c], m[best] = m[best], m[c]
		inv[c], inv[best] = inv[best], inv[c]
		d := m[c][c]
		if d == 0 || math.IsNaN(d) || math.IsInf(d, 0) {
			return inv, false
		}
		for j := range p {
			m[c][j] /= d
			inv[c][j] /= d
		}
		for r := range p {
			if f := m[r][c]; r != c {
				for j := range p {
					m[r][j] -= f * m[c][j]
					inv[r][j] -= f * inv[c][j]
				}
			}
		}
	}
	return inv, true
}

// Fall returns how fast the vacuum falls at vacuumKPa, in kPa/s, with its error.
func (l LeakLaw) Fall(vacuumKPa float64) (float64, analyze.Spread) {
	ratio := vacuumKPa / l.MidKPa
	p := math.Pow(ratio, l.N)
	f := l.FallKPaS * p
	// Derivatives by MidKPa, FallKPaS and N.
	d := [3]float64{-l.N * f / l.MidKPa, p, f * math.Log(ratio)}
	var e analyze.Spread
	u2 := 0.0
	for i := range d {
		for j := range d {
			u2 += d[i] * d[j] * l.cov[i][j]
		}
	}
	e.Normal("fit of the leak law", math.Sqrt(max(u2, 0)))
	if !l.NFitted {
		e.Rect("exponent of the leak law", d[2]*unsureN)
	}
	return f, e
}

// FallsFor returns how long the vacuum takes from one level down to another, in seconds:
// ∫ dv/fall, with its error. NaN unless it falls and from lies above to.
func (l LeakLaw) FallsFor(fromKPa, toKPa float64) (float64, analyze.Spread) {
	var e analyze.Spread
	if !(l.FallKPaS > 0) || !(fromKPa > toKPa) || !(toKPa > 0) {
		return math.NaN(), e
	}
	took := func(mid, fall, n float64) float64 {
		if m := 1 - n; math.Abs(m) > 1e-6 {
			return mid / fall * (math.Pow(fromKPa/mid, m) - math.Pow(toKPa/mid, m)) / m
		}
		return mid / fall * math.Log(fromKPa/toKPa)
	}
	t := took(l.MidKPa, l.FallKPaS, l.N)
	const h = 1e-4
	d := [3]float64{(took(l.MidKPa*(1+h), l.FallKPaS, l.N) - t) / (l.MidKPa * h), -t / l.FallKPaS,
		(took(l.MidKPa, l.FallKPaS, l.N+h) - took(l.MidKPa, l.FallKPaS, l.N-h)) / (2 * h)}
	u2 := 0.0
	for i := range d {
		for j := range d {
			u2 += d[i] * d[j] * l.cov[i][j]
		}
	}
	e.Normal("fit of the leak law", math.Sqrt(max(u2, 0)))
	if !l.NFitted {
		e.Rect("exponent of the leak law", d[2]*unsureN)
	}
	return t, e
}

// Leak returns the flow that leaks in at vacuumKPa, in L/min ANR, into a circuit of volumeL
// litres known to volumeU, with its error: Q = V·dp/dt.
func (l LeakLaw) Leak(vacuumKPa, volumeL, volumeU float64) (float64, analyze.Spread) {
	f, e := l.Fall(vacuumKPa)
	e = e.Times(volumeL * lminANR)
	e.Normal("volume", volumeU*f*lminANR)
	return volumeL * f * lminANR, e
}

// exponent returns n, none where it could not be fitted.
func (l LeakLaw) exponent() (float64, analyze.Spread) {
	var e analyze.Spread
	if !l.NFitted {
		return math.NaN(), e
	}
	e.Normal("fit of the leak law", math.Sqrt(l.cov[2][2]))
	return l.N, e
}

// coefficient returns k of Q = k·vⁿ in L/min ANR per kPaⁿ, none where n could not be fitted:
// it is the leak at 1 kPa.
func (l LeakLaw) coefficient(volumeL, volumeU float64) (float64, analyze.Spread) {
	if !l.NFitted {
		return math.NaN(), analyze.Spread{}
	}
	return l.Leak(1, volumeL, volumeU)
}
