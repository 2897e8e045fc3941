package analyze

import (
	"math"
	"slices"
)

// A Spread is what is known of an error: a sum of independent normal and rectangular
// parts, and one-sided delays. The zero Spread is no error at all.
//
// The 95 % interval follows the shape of the sum (JCGM 101:2008), not ± 1.96 u whatever
// rules: its half-width is k·u with k from the kurtosis, 1.96 for a normal error, 1.90 for
// a triangular and 1.645 for a rectangular one (exact at those three).
type Spread struct {
	Parts []Part // in the order in which they were added
	Brief bool   // Parts are not kept: nobody asks for the budget

	variance float64
	kurtosis float64 // sum of the fourth cumulants
	bias     float64 // by how much the true value lies above what is given, as far as is known
	early    float64 // the true value may lie below by up to this
	late     float64 // … or above by up to this
}

// A Part is one line of an uncertainty budget.
type Part struct {
	Name  string // what it comes from
	Shape Shape
	Size  float64 // standard uncertainty of a normal part, half-width of a rectangular one, length of a one-sided one, by how much was corrected
	U     float64 // its standard uncertainty, as the others in the figure's unit
}

// A Shape is that of a part's distribution.
type Shape string

// The shapes.
const (
	Gaussian    Shape = "normal"
	Rectangular Shape = "rectangular"
	OneSided    Shape = "one-sided"
	Left        Shape = "left in"    // a known error that the definition leaves in the value; the interval is that of the truth
	Correction  Shape = "correction" // a known error, taken out of the value already; what it leaves is a part of its own
)

// Normal adds a normal part with standard uncertainty u.
func (s *Spread) Normal(name string, u float64) {
	if u = math.Abs(u); u == 0 {
		return
	}
	s.variance += u * u
	s.keep(Part{name, Gaussian, u, u})
}

// Rect adds a rectangular part of half-width a (JCGM 100:2008, 4.3.7: a/√3).
func (s *Spread) Rect(name string, a float64) {
	if a = math.Abs(a); a > 0 {
		s.rect(Part{name, Rectangular, a, a / math.Sqrt(3)})
	}
}

// Early adds a one-sided part: the true value may lie below by anything up to d, all
// equally likely.
func (s *Spread) Early(name string, d float64) {
	if d > 0 {
		s.rect(Part{name, OneSided, d, d / 2 / math.Sqrt(3)})
		s.early += d
	}
}

// Corrected notes that by has been added to the value for a known error.
func (s *Spread) Corrected(name string, by float64) {
	if by != 0 && !math.IsNaN(by) {
		s.keep(Part{name, Correction, by, 0})
	}
}

// Leave notes that the true value lies by above the one that is given, for a known effect that
// the definition of the number leaves in: the interval moves there and still holds the value.
func (s *Spread) Leave(name string, by float64) {
	if by != 0 && !math.IsNaN(by) {
		s.bias += by
		s.keep(Part{name, Left, by, math.Abs(by)})
	}
}

func (s *Spread) rect(p Part) {
	v := p.U * p.U
	s.variance += v
	s.kurtosis -= 1.2 * v * v
	s.keep(p)
}

func (s *Spread) keep(p Part) {
	if !s.Brief {
		s.Parts = append(s.Parts, p)
	}
}

// Add adds another independent error to s.
func (s *Spread) Add(o Spread) {
	s.variance += o.variance
	s.kurtosis += o.kurtosis
	s.bias += o.bias
	s.early += o.early
	s.late += o.late
	if !s.Brief {
		s.Parts = append(slices.Clip(s.Parts), o.Parts...)
	}
}

// Subtract adds the error of a number that is taken away: its one-sided parts change sides.
func (s *Spread) Subtract(o Spread) {
	o.early, o.late = o.late, o.early
	o.bias *= -1
	if !s.Brief {
		o.Parts = slices.Clone(o.Parts)
		for i := range o.Parts {
			if o.Parts[i].Shape.signed() {
				o.Parts[i].Size *= -1
			}
		}
	}
	s.Add(o)
}

// signed says that the size of a part of this shape has a direction.
func (s Shape) signed() bool { return s == Correction || s == Left }

// U returns the standard uncertainty: of the value that is given, known error and all.
func (s Spread) U() float64 { return math.Hypot(math.Sqrt(s.variance), s.bias) }

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
	g := 0.0
	if s.variance > 0 {
		g = max(s.kurtosis/(s.variance*s.variance), -1.2)
	}
	h := math.Sqrt(s.variance) * (1.95996 - 0.0692*g - 0.2764*g*g)
	// One-sided parts have their middle half their length away.
	f.Lo = min(value, value+s.bias-h-s.early/2)
	f.Hi = max(value, value+s.bias+h+s.late/2)
	return f
}

// Times returns the error of a number that is multiplied by f.
func (s Spread) Times(f float64) Spread {
	a := math.Abs(f)
	o := Spread{variance: s.variance * f * f, kurtosis: s.kurtosis * f * f * f * f, bias: s.bias * f, early: s.early * f, Brief: s.Brief}
	for _, p := range s.Parts {
		size := p.Size * a
		if p.Shape.signed() {
			size = p.Size * f
		}
		o.Parts = append(o.Parts, Part{p.Name, p.Shape, size, p.U * a})
	}
	return o
}
