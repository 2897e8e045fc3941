package stats

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// A Linear is a least-squares fit of y on columns.
type Linear struct {
	Coef, SE   []float64
	Cov        *mat.SymDense // of Coef
	ResidualSD float64
	DF         float64
	RSS        float64
	Residuals  []float64
}

// ErrSingular is returned for columns that depend on each other.
var ErrSingular = errors.New("columns depend on each other")

// FitLinear fits y by least squares with QR of the design, given row by row. It needs more
// rows than columns.
func FitLinear(rows [][]float64, y []float64) (Linear, error) {
	n := len(rows)
	if n == 0 || n <= len(rows[0]) {
		return Linear{}, errors.New("not more rows than columns")
	}
	p := len(rows[0])
	x := mat.NewDense(n, p, nil)
	for i, r := range rows {
		x.SetRow(i, r)
	}
	var qr mat.QR
	qr.Factorize(x)
	if !(qr.Cond() < 1e12) {
		return Linear{}, ErrSingular
	}
	beta := mat.NewVecDense(p, nil)
	rest := mat.NewVecDense(n, append([]float64(nil), y...))
	// One step of refinement takes the rounding of the first solution off.
	for range 2 {
		var step mat.VecDense
		if err := qr.SolveVecTo(&step, false, rest); err != nil {
			return Linear{}, ErrSingular
		}
		beta.AddVec(beta, &step)
		var fitted mat.VecDense
		fitted.MulVec(x, beta)
		rest.SubVec(mat.NewVecDense(n, append([]float64(nil), y...)), &fitted)
	}
	var r mat.Dense
	qr.RTo(&r)
	tri := mat.NewTriDense(p, mat.Upper, nil)
	for i := range p {
		for j := i; j < p; j++ {
			tri.SetTri(i, j, r.At(i, j))
		}
	}
	var inv mat.TriDense
	if inv.InverseTri(tri) != nil {
		return Linear{}, ErrSingular
	}
	l := Linear{DF: float64(n - p), RSS: mat.Dot(rest, rest), Residuals: rest.RawVector().Data}
	l.ResidualSD = math.Sqrt(l.RSS / l.DF)
	cov := mat.NewSymDense(p, nil)
	cov.SymOuterK(l.RSS/l.DF, &inv)
	l.Cov = cov
	for i := range p {
		l.Coef = append(l.Coef, beta.AtVec(i))
		l.SE = append(l.SE, math.Sqrt(cov.At(i, i)))
	}
	return l, nil
}
