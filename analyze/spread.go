package analyze

import "math"

// A Spread is what is known of an error: a sum of independent normal and rectangular
// parts, and one-sided delays. The zero Spread is no error at all.
//
// The 95 % interval follows the shape of the sum (JCGM 101:2008), not ± 1.96 u whatever
// rules: its half-width is k·u with k from the kurtosis, 1.96 for a normal error, 1.90 for
// a triangular and 1.645 for a rectangular one (exact at those three).
type Spread struct {
	variance float64
	kurtosis float64 // sum of the fourth cumulants
	early    float64 // the true value may lie below by up to this
}

// Normal adds a normal part with standard uncertainty u.
func (s *Spread) Normal(u float64) { s.variance += u * u }

// Rect adds a rectangular part of half-width a (JCGM 100:2008, 4.3.7: a/√3).
func (s *Spread) Rect(a float64) {
	v := a * a / 3
	s.variance += v
	s.kurtosis -= 1.2 * v * v
}

// Early adds a one-sided part: the true value may lie below by anything up to d, all
// equally likely.
func (s *Spread) Early(d float64) {
	s.Rect(d / 2)
	s.early += d
}

// Add adds another independent error to s.
func (s *Spread) Add(o Spread) {
	s.variance += o.variance
	s.kurtosis += o.kurtosis
	s.early += o.early
}

// Subtract adds the error of a number that is taken away: its one-sided parts change sides.
func (s *Spread) Subtract(o Spread) {
	o.early = -o.early
	s.Add(o)
}

// Scale multiplies the error by factor f.
func (s Spread) Scale(f float64) Spread {
	return Spread{variance: s.variance * f * f, kurtosis: s.kurtosis * f * f * f * f, early: s.early * f}
}

// U returns the standard uncertainty.
func (s Spread) U() float64 { return math.Sqrt(s.variance) }

// Figure returns value with the uncertainty and the 95 % interval of s, and None where
// value is NaN.
func (s Spread) Figure(value float64, w ...Warning) Figure {
	if math.IsNaN(value) {
		return None(w...)
	}
	u := s.U()
	f := Figure{Value: value, U: u, Lo: value, Hi: value, Warnings: w}
	if u == 0 {
		return f
	}
	// Parabola through k = 1.960 (normal, excess kurtosis 0), 1.902 (triangle, −0.6) and
	// 1.645 (rectangle, −1.2).
	g := max(s.kurtosis/(s.variance*s.variance), -1.2)
	h := u * (1.95996 - 0.0692*g - 0.2764*g*g)
	f.Lo, f.Hi = value-h, value+h
	if s.early > 0 {
		f.Lo -= s.early / 2
	} else {
		f.Hi -= s.early / 2
	}
	return f
}
