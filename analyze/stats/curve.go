package stats

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// A Curve is a nonlinear least-squares fit.
type Curve struct {
	Param, SE  []float64
	RSS        float64
	ResidualSD float64
	DF         float64
}

// Intervals returns the Wald intervals of the parameters, with t.
func (c Curve) Intervals(level float64) []Interval {
	t := TQuantile((1+level)/2, c.DF)
	all := make([]Interval, len(c.Param))
	for i, p := range c.Param {
		all[i] = Interval{p - t*c.SE[i], p + t*c.SE[i]}
	}
	return all
}

// ErrNoFit is returned where the iteration found no minimum.
var ErrNoFit = errors.New("no minimum found")

// FitCurve fits y at x by least squares, from start on, by Levenberg and Marquardt's method
// with Moré's scaling (Moré 1978, Lecture Notes in Mathematics 630, 105–116) and a central
// difference Jacobian. It needs more points than parameters.
func FitCurve(model func(x float64, param []float64) float64, x, y, start []float64) (Curve, error) {
	n, k := len(x), len(start)
	if n <= k {
		return Curve{}, errors.New("not more points than parameters")
	}
	residuals := func(r, p []float64) {
		for i := range r {
			r[i] = y[i] - model(x[i], p)
		}
	}
	squares := func(p []float64) float64 {
		var s float64
		for i := range y {
			d := y[i] - model(x[i], p)
			s += d * d
		}
		return s
	}
	p := append([]float64(nil), start...)
	jacobian := mat.NewDense(n, k, nil)
	derive := func() {
		// Each parameter is stepped in proportion to itself.
		unit := make([]float64, k)
		size := make([]float64, k)
		for j, v := range p {
			size[j] = math.Abs(v)
			if v == 0 {
				size[j] = 1
			}
			unit[j] = v / size[j]
		}
		q := make([]float64, k)
		fd.Jacobian(jacobian, func(r, u []float64) {
			for j := range u {
				q[j] = u[j] * size[j]
			}
			residuals(r, q)
		}, unit, &fd.JacobianSettings{Formula: fd.Central})
		for j := range k {
			for i := range n {
				jacobian.Set(i, j, -jacobian.At(i, j)/size[j])
			}
		}
	}
	scale := make([]float64, k)
	r := make([]float64, n)
	residuals(r, p)
	rss := floats.Dot(r, r)
	damp := 1e-3
	step := mat.NewVecDense(k, nil)
	solve := func(damp float64) bool {
		a := mat.NewDense(n+k, k, nil)
		b := mat.NewVecDense(n+k, nil)
		for i := range n {
			for j := range k {
				a.Set(i, j, jacobian.At(i, j)/scale[j])
			}
			b.SetVec(i, r[i])
		}
		for j := range k {
			a.Set(n+j, j, math.Sqrt(damp))
		}
		var qr mat.QR
		qr.Factorize(a)
		if err := qr.SolveVecTo(step, false, b); err != nil {
			var c mat.Condition
			if !errors.As(err, &c) {
				return false
			}
		}
		for j := range k {
			step.SetVec(j, step.AtVec(j)/scale[j])
		}
		return true
	}
	still := 0
	for range 20000 {
		derive()
		for j := range k {
			scale[j] = max(scale[j], floats.Norm(mat.Col(nil, j, jacobian), 2))
			if scale[j] == 0 {
				scale[j] = 1
			}
		}
		moved := false
		for damp < 1e20 {
			if !solve(damp) {
				damp *= 4
				continue
			}
			q := floats.AddTo(make([]float64, k), p, step.RawVector().Data)
			s := squares(q)
			if s <= rss {
				small := true
				for j := range k {
					small = small && math.Abs(q[j]-p[j]) <= 1e-11*math.Abs(q[j])
				}
				// Flat ground is left only after several steps that gain nothing.
				if rss-s <= 1e-14*rss {
					still++
				} else {
					still = 0
				}
				p, rss, moved = q, s, true
				damp = max(damp/5, 1e-18)
				if small {
					still += 10
				}
				break
			}
			damp *= 4
		}
		residuals(r, p)
		if !moved || still >= 10 {
			break
		}
	}
	if math.IsNaN(rss) || math.IsInf(rss, 0) {
		return Curve{}, ErrNoFit
	}
	derive()
	// The covariance is that of the linear fit to the last Jacobian, columns scaled.
	for j := range k {
		if scale[j] = floats.Norm(mat.Col(nil, j, jacobian), 2); scale[j] == 0 {
			return Curve{}, ErrNoFit
		}
		for i := range n {
			jacobian.Set(i, j, jacobian.At(i, j)/scale[j])
		}
	}
	var qr mat.QR
	qr.Factorize(jacobian)
	var upper mat.Dense
	qr.RTo(&upper)
	tri := mat.NewTriDense(k, mat.Upper, nil)
	for i := range k {
		for j := i; j < k; j++ {
			tri.SetTri(i, j, upper.At(i, j))
		}
	}
	var inv mat.TriDense
	if err := inv.InverseTri(tri); err != nil {
		return Curve{}, ErrNoFit
	}
	c := Curve{Param: p, RSS: rss, DF: float64(n - k)}
	c.ResidualSD = math.Sqrt(rss / c.DF)
	for j := range k {
		var s float64
		for i := range k {
			s += inv.At(j, i) * inv.At(j, i)
		}
		c.SE = append(c.SE, math.Sqrt(s)*c.ResidualSD/scale[j])
	}
	return c, nil
}
