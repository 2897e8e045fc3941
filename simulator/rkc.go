package simulator

import "math"

// The integrator: the second-order Runge-Kutta-Chebyshev method of Sommeijer, Shampine and
// Verwer (RKC: An explicit solver for parabolic PDEs, J. Comput. Appl. Math. 88, 1998).
//
// Restrictions near equal pressures make a circuit stiff, and its eigenvalues lie along the
// negative real axis, like those of diffusion. For such systems s stages give stability over
// 0.65·s² instead of the 2 to 3 of s stages of a classical method, without a Jacobian; and
// being explicit and linear in the slopes, it keeps sums of the state, so that no air is lost.

// maxStages bounds the work in one step; the step shrinks where more would be needed.
const maxStages = 24

// A chebyshev holds the coefficients for one number of stages, as named in the paper.
type chebyshev struct {
	c               []float64 // where in the step each stage lies
	mu, nu, mut, ga []float64
	reach           float64 // step × spectral radius that it is stable for
}

var chebyshevs = func() (all [maxStages + 1]chebyshev) {
	for s := 2; s <= maxStages; s++ {
		all[s] = newChebyshev(s)
	}
	return all
}()

func newChebyshev(s int) chebyshev {
	const damping = 2. / 13
	n := float64(s)
	w0 := 1 + damping/(n*n)
	// Values and the first two derivatives of the Chebyshev polynomials at w0.
	t, d, dd := make([]float64, s+1), make([]float64, s+1), make([]float64, s+1)
	t[0], t[1], d[1] = 1, w0, 1
	for j := 2; j <= s; j++ {
		t[j] = 2*w0*t[j-1] - t[j-2]
		d[j] = 2*t[j-1] + 2*w0*d[j-1] - d[j-2]
		dd[j] = 4*d[j-1] + 2*w0*dd[j-1] - dd[j-2]
	}
	w1 := d[s] / dd[s]
	b := make([]float64, s+1)
	for j := 2; j <= s; j++ {
		b[j] = dd[j] / (d[j] * d[j])
	}
	b[0], b[1] = b[2], b[2]
	k := chebyshev{make([]float64, s+1), make([]float64, s+1), make([]float64, s+1), make([]float64, s+1), make([]float64, s+1),
		2. / 3 * (n*n - 1) * (1 - 2./15*damping)}
	k.mut[1] = b[1] * w1
	k.c[1] = k.mut[1]
	for j := 2; j <= s; j++ {
		k.mu[j], k.nu[j], k.mut[j] = 2*b[j]*w0/b[j-1], -b[j]/b[j-2], 2*b[j]*w1/b[j-1]
		k.ga[j] = -(1 - b[j-1]*t[j-1]) * k.mut[j]
		k.c[j] = k.mu[j]*k.c[j-1] + k.nu[j]*k.c[j-2] + k.mut[j] + k.ga[j]
	}
	return k
}

// stages returns the fewest stages that are stable for a step times spectral radius z, and
// whether there are as few as allowed.
func stages(z float64) (int, bool) {
	s := 2
	for s < maxStages && chebyshevs[s].reach < z {
		s++
	}
	return s, chebyshevs[s].reach >= z
}

// A solver takes steps of dy/dt = rates(t, y). Its slices hold one number for each of y.
type solver struct {
	rates       func(tS float64, y, dy []float64)
	y0, f0      []float64 // state and slopes at the step's start
	y1, f1      []float64 // at its end
	a, b        []float64
	evaluations int
}

func newSolver(n int, rates func(float64, []float64, []float64)) *solver {
	s := &solver{rates: rates}
	for _, x := range []*[]float64{&s.y0, &s.f0, &s.y1, &s.f1, &s.a, &s.b} {
		*x = make([]float64, n)
	}
	return s
}

// step fills y1 and f1 with the state hS after tS, from y0 and f0.
func (s *solver) step(tS, hS float64, k *chebyshev) {
	n := len(k.c) - 1
	was, here, next := s.a, s.b, s.y1
	copy(was, s.y0)
	for i, f := range s.f0 {
		here[i] = s.y0[i] + k.mut[1]*hS*f
	}
	for j := 2; j <= n; j++ {
		s.rates(tS+k.c[j-1]*hS, here, s.f1)
		mu, nu, mut, ga := k.mu[j], k.nu[j], k.mut[j]*hS, k.ga[j]*hS
		for i, f := range s.f1 {
			// Written as a change of y0, in which nothing is lost to rounding over many steps.
			next[i] = s.y0[i] + mu*(here[i]-s.y0[i]) + nu*(was[i]-s.y0[i]) + mut*f + ga*s.f0[i]
		}
		was, here, next = here, next, was
	}
	if &here[0] != &s.y1[0] {
		copy(s.y1, here)
	}
	s.rates(tS+hS, s.y1, s.f1)
	s.evaluations += n
}

// accept makes the step's end the start of the next.
func (s *solver) accept() {
	s.y0, s.y1 = s.y1, s.y0
	s.f0, s.f1 = s.f1, s.f0
}

// deviation returns the estimate of the last step's error in element i.
func (s *solver) deviation(i int, hS float64) float64 {
	return math.Abs(0.8*(s.y0[i]-s.y1[i]) + 0.4*hS*(s.f0[i]+s.f1[i]))
}
