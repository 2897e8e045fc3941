package stats

import (
	"math"

	"gonum.org/v1/gonum/diff/fd"
)

// A Combined is the uncertainty of a result of several inputs (JCGM 100:2008).
type Combined struct {
	Value         float64
	Sensitivity   []float64
	Contribution  []float64 // |sensitivity| · u
	U             float64   // combined standard uncertainty, 5.1.2 and 5.2.2
	DF            float64   // effective degrees of freedom, G.4.1; NaN where inputs are correlated or all are known exactly
	Factor        float64   // k at the level asked for, from DF as it is; NaN with it
	FactorRounded float64   // k from DF rounded down, G.4.1 note 1
}

// Combine propagates the standard uncertainties u of the inputs x through model. df holds
// their degrees of freedom, +Inf where u is known; corr their correlations, nil for none.
func Combine(model func([]float64) float64, x, u, df []float64, corr [][]float64, level float64) Combined {
	n := len(x)
	c := Combined{Value: model(x), Contribution: make([]float64, n), DF: math.NaN(), Factor: math.NaN(), FactorRounded: math.NaN()}
	// Derivatives in units of u, or of x where u is much smaller, by extrapolated central
	// differences: exact for polynomials up to the fourth degree.
	c.Sensitivity = make([]float64, n)
	for i := range x {
		step := max(u[i], 1e-3*math.Abs(x[i]))
		at := func(d float64) float64 {
			y := append([]float64(nil), x...)
			y[i] += d * step
			return model(y) - c.Value
		}
		s := fd.Formula{Stencil: []fd.Point{{Loc: -2, Coeff: 1. / 12}, {Loc: -1, Coeff: -2. / 3}, {Loc: 1, Coeff: 2. / 3}, {Loc: 2, Coeff: -1. / 12}}, Derivative: 1, Step: 1}
		if step > 0 {
			c.Sensitivity[i] = fd.Derivative(at, 0, &fd.Settings{Formula: s}) / step
		}
		c.Contribution[i] = math.Abs(c.Sensitivity[i]) * u[i]
	}
	var v, w float64
	for i := range x {
		for j := range x {
			r := 0.0
			switch {
			case corr != nil:
				r = corr[i][j]
			case i == j:
				r = 1
			}
			v += c.Sensitivity[i] * u[i] * c.Sensitivity[j] * u[j] * r
		}
		if !math.IsInf(df[i], 1) {
			w += math.Pow(c.Contribution[i], 4) / df[i]
		}
	}
	c.U = math.Sqrt(v)
	if corr == nil && w > 0 {
		c.DF = v * v / w
		c.Factor = TQuantile((1+level)/2, c.DF)
		c.FactorRounded = TQuantile((1+level)/2, math.Floor(c.DF))
	}
	return c
}
