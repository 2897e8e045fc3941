package engine

import (
	"errors"
	"fmt"
	"math"
)

// A Curve is a quantity over vacuum, from points, with a monotone cubic through them: between
// two points it never leaves their range (Fritsch and Butland 1984: harmonic means of slopes;
// ends by three points, as in scipy's PchipInterpolator).
type Curve struct{ x, y, slope []float64 }

// NewCurve returns the curve through points (x, y), which must be finite, x rising. The slices
// are not kept.
func NewCurve(x, y []float64) (*Curve, error) {
	n := len(x)
	if n < 2 || len(y) != n {
		return nil, errors.New("a curve needs two points or more")
	}
	for i := range x {
		if math.IsNaN(x[i]+y[i]) || math.IsInf(x[i], 0) || math.IsInf(y[i], 0) {
			return nil, fmt.Errorf("point %d is no number", i+1)
		}
		if i > 0 && x[i] <= x[i-1] {
			return nil, fmt.Errorf("point %d at %g does not lie beyond point %d at %g", i+1, x[i], i, x[i-1])
		}
	}
	c := &Curve{append([]float64(nil), x...), append([]float64(nil), y...), make([]float64, n)}
	h, d := make([]float64, n-1), make([]float64, n-1)
	for i := range h {
		h[i] = x[i+1] - x[i]
		d[i] = (y[i+1] - y[i]) / h[i]
	}
	if n == 2 {
		c.slope[0], c.slope[1] = d[0], d[0]
		return c, nil
	}
	for i := 1; i < n-1; i++ {
		if d[i-1]*d[i] > 0 {
			a, b := 2*h[i]+h[i-1], h[i]+2*h[i-1]
			c.slope[i] = (a + b) / (a/d[i-1] + b/d[i])
		}
	}
	end := func(h0, h1, d0, d1 float64) float64 {
		s := ((2*h0+h1)*d0 - h0*d1) / (h0 + h1)
		switch {
		case s*d0 <= 0:
			return 0
		case d0*d1 <= 0 && math.Abs(s) > 3*math.Abs(d0):
			return 3 * d0
		}
		return s
	}
	c.slope[0] = end(h[0], h[1], d[0], d[1])
	c.slope[n-1] = end(h[n-2], h[n-3], d[n-2], d[n-3])
	return c, nil
}

// Range returns the first and the last x.
func (c *Curve) Range() (lo, hi float64) { return c.x[0], c.x[len(c.x)-1] }

func (c *Curve) piece(x float64) int {
	i := 0
	for i < len(c.x)-2 && x > c.x[i+1] {
		i++
	}
	return i
}

// At returns the curve at x; beyond its ends the value there.
func (c *Curve) At(x float64) float64 {
	lo, hi := c.Range()
	x = min(max(x, lo), hi)
	i := c.piece(x)
	h := c.x[i+1] - c.x[i]
	t := (x - c.x[i]) / h
	return c.y[i]*(1+2*t)*(1-t)*(1-t) + c.slope[i]*h*t*(1-t)*(1-t) + c.y[i+1]*t*t*(3-2*t) + c.slope[i+1]*h*t*t*(t-1)
}

// Linear returns straight lines through the points at x; beyond the ends the value there.
func (c *Curve) Linear(x float64) float64 {
	lo, hi := c.Range()
	x = min(max(x, lo), hi)
	i := c.piece(x)
	t := (x - c.x[i]) / (c.x[i+1] - c.x[i])
	return c.y[i] + t*(c.y[i+1]-c.y[i])
}
