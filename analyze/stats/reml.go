package stats

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
)

// A Spread holds standard deviations of a nested sample: between blocks (pieces), between
// the units of one block (runs), and within a unit (picks). A part that the data cannot
// show is NaN, one that they show to be none is 0.
type Spread struct{ Block, Unit, Within float64 }

// A Unit is a run of values that share a block and a fixed level.
type Unit struct {
	Block int // from 0
	Level int // of the fixed factor, from 0
	N     int
	Mean  float64
	SS    float64 // of deviations from Mean
}

// NewUnit summarises y.
func NewUnit(block, level int, y []float64) Unit {
	return Unit{Block: block, Level: level, N: len(y), Mean: Mean(y), SS: SumSquares(y)}
}

// A MixedFit is a linear mixed model with one fixed factor and nested random blocks and
// units, fitted by restricted maximum likelihood.
type MixedFit struct {
	Spread
	Levels []float64     // means of the fixed factor's levels
	Cov    *mat.SymDense // of Levels
}

// FitREML fits value = level + block + unit(block) + rest by restricted maximum likelihood
// (Patterson and Thompson 1971, Biometrika 58, 545–554), unbalanced as it may be. A fixed
// level may vary between the units of a block. Only means and sums of squares of units are
// needed, so the cost does not grow with the picks: with d = unit variance + rest/n, each
// block has the covariance diag(d) + block variance · 11ᵀ, inverted in closed form
// (Sherman and Morrison 1950). ok is false where there are fewer units than unknowns.
func FitREML(units []Unit) (fit MixedFit, ok bool) {
	levels, total, within := 0, 0, 0.0
	for _, u := range units {
		levels = max(levels, u.Level+1)
		total += u.N
		within += u.SS
	}
	m := len(units)
	blocks := map[int][]Unit{}
	var order []int
	for _, u := range units {
		if blocks[u.Block] == nil {
			order = append(order, u.Block)
		}
		blocks[u.Block] = append(blocks[u.Block], u)
	}
	if m <= levels || len(order) < 2 {
		return MixedFit{}, false
	}
	hasWithin := total > m && within > 0
	hasUnit := m > len(order)+levels-1
	// All data are shifted by one mean, for the sake of digits.
	shift := units[0].Mean

	// at returns −2 × the restricted log likelihood, profiled over the within variance (or,
	// where units are single values, over the unit variance), for variance ratios rb and ru.
	type solution struct {
		minus2 float64
		scale  float64
		beta   *mat.VecDense
		inv    *mat.SymDense
	}
	at := func(rb, ru float64) solution {
		xx := mat.NewSymDense(levels, nil)
		xy := mat.NewVecDense(levels, nil)
		var yy, logV float64
		for _, b := range order {
			var s0, sy float64
			sx := make([]float64, levels)
			for _, u := range blocks[b] {
				d := ru
				if hasWithin {
					d += 1 / float64(u.N)
				}
				w, y := 1/d, u.Mean-shift
				logV += math.Log(d)
				s0 += w
				sy += w * y
				sx[u.Level] += w
				yy += w * y * y
				xy.SetVec(u.Level, xy.AtVec(u.Level)+w*y)
				xx.SetSym(u.Level, u.Level, xx.At(u.Level, u.Level)+w)
			}
			c := rb / (1 + rb*s0)
			logV += math.Log1p(rb * s0)
			yy -= c * sy * sy
			for i := range levels {
				xy.SetVec(i, xy.AtVec(i)-c*sx[i]*sy)
				for j := i; j < levels; j++ {
					xx.SetSym(i, j, xx.At(i, j)-c*sx[i]*sx[j])
				}
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(xx) {
			return solution{minus2: math.Inf(1)}
		}
		beta := mat.NewVecDense(levels, nil)
		if chol.SolveVecTo(beta, xy) != nil {
			return solution{minus2: math.Inf(1)}
		}
		inv := mat.NewSymDense(levels, nil)
		if chol.InverseTo(inv) != nil {
			return solution{minus2: math.Inf(1)}
		}
		df := float64(m - levels)
		rss := yy - mat.Dot(beta, xy)
		if hasWithin {
			df += float64(total - m)
			rss += within
			for _, u := range units {
				logV += math.Log(float64(u.N)) // from scaling unit means to picks; constant
			}
		}
		scale := rss / df
		return solution{df*math.Log(scale) + logV + chol.LogDet(), scale, beta, inv}
	}
	// Ratios are searched on a logarithmic scale, 0 being tried beside it.
	ratio := func(x float64) float64 { return math.Exp(max(-30, min(30, x))) }
	value := func(x []float64) float64 {
		if hasWithin && hasUnit {
			return at(ratio(x[0]), ratio(x[1])).minus2
		}
		if hasWithin {
			return at(ratio(x[0]), 0).minus2
		}
		return at(ratio(x[0]), 1).minus2
	}
	dims := 1
	if hasWithin && hasUnit {
		dims = 2
	}
	best := []float64{math.NaN(), math.NaN()}
	least := math.Inf(1)
	for _, start := range [][]float64{{0, 0}, {4, 0}, {0, 4}, {-6, 0}, {0, -6}} {
		res, err := optimize.Minimize(optimize.Problem{Func: value}, start[:dims],
			&optimize.Settings{Converger: &optimize.FunctionConverge{Absolute: 1e-12, Iterations: 60}, FuncEvaluations: 2000}, &optimize.NelderMead{})
		if res != nil && (err == nil || len(res.X) == dims) && res.F < least-1e-9 {
			least, best = res.F, slices.Clone(res.X)
		}
	}
	if math.IsInf(least, 1) {
		return MixedFit{}, false
	}
	rb, ru := ratio(best[0]), 0.0
	switch {
	case dims == 2:
		ru = ratio(best[1])
	case !hasWithin:
		ru = 1
	}
	// A ratio that ran to the floor is none.
	for _, r := range []*float64{&rb, &ru} {
		if was := *r; was < 1e-4 {
			if *r = 0; at(rb, ru).minus2 > least+1e-7 {
				*r = was
			}
		}
	}
	polish := []*float64{&rb}
	if dims == 2 {
		polish = append(polish, &ru)
	}
	polish = slices.DeleteFunc(polish, func(r *float64) bool { return *r == 0 })
	// The search stops where the likelihood is flat to rounding, at half the digits of the
	// ratios. Newton's steps on its gradient find the rest.
	gradient := func() []float64 {
		s := at(rb, ru)
		var gb, gu float64
		for _, b := range order {
			var s0, s2, sr float64
			sx := mat.NewVecDense(levels, nil)
			w, r := make([]float64, len(blocks[b])), make([]float64, len(blocks[b]))
			for i, u := range blocks[b] {
				d := ru
				if hasWithin {
					d += 1 / float64(u.N)
				}
				w[i], r[i] = 1/d, u.Mean-shift-s.beta.AtVec(u.Level)
				s0, s2, sr = s0+w[i], s2+w[i]*w[i], sr+w[i]*r[i]
				sx.SetVec(u.Level, sx.AtVec(u.Level)+w[i])
			}
			k := 1 + rb*s0
			c := rb / k
			gb += s0/k - mat.Inner(sx, s.inv, sx)/(k*k) - sr*sr/(k*k)/s.scale
			gu += s0 - c*s2
			for i, u := range blocks[b] {
				q := w[i] * (r[i] - c*sr)
				gu -= q * q / s.scale
				a := mat.NewVecDense(levels, nil)
				a.ScaleVec(-w[i]*c, sx)
				a.SetVec(u.Level, a.AtVec(u.Level)+w[i])
				gu -= mat.Inner(a, s.inv, a)
			}
		}
		var g []float64
		for _, p := range polish {
			if p == &rb {
				g = append(g, rb*gb)
			} else {
				g = append(g, ru*gu)
			}
		}
		return g
	}
	for range 20 {
		n := len(polish)
		if n == 0 {
			break
		}
		g := mat.NewVecDense(n, gradient())
		hessian := mat.NewDense(n, n, nil)
		const h = 1e-4 // of the ratios' logarithms
		for j, p := range polish {
			was := *p
			*p = was * math.Exp(h)
			up := gradient()
			*p = was * math.Exp(-h)
			down := gradient()
			*p = was
			for i := range up {
				hessian.Set(i, j, (up[i]-down[i])/(2*h))
			}
		}
		var step mat.VecDense
		if step.SolveVec(hessian, g) != nil || !(mat.Norm(&step, 2) < 1) {
			break // no minimum inside: the search's answer stands
		}
		for i, p := range polish {
			*p *= math.Exp(-step.AtVec(i))
		}
		if mat.Norm(&step, 2) < 1e-13 {
			break
		}
	}
	s := at(rb, ru)
	nan := math.NaN()
	fit.Spread = Spread{Block: math.Sqrt(rb * s.scale), Unit: nan, Within: nan}
	switch {
	case dims == 2:
		fit.Unit, fit.Within = math.Sqrt(ru*s.scale), math.Sqrt(s.scale)
	case hasWithin:
		fit.Within = math.Sqrt(s.scale)
	default:
		fit.Unit = math.Sqrt(s.scale)
	}
	fit.Levels = make([]float64, levels)
	for i := range fit.Levels {
		fit.Levels[i] = s.beta.AtVec(i) + shift
	}
	s.inv.ScaleSym(s.scale, s.inv)
	fit.Cov = s.inv
	return fit, true
}
