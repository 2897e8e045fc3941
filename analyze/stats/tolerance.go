package stats

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// NoncentralTCDF returns P(T ≤ t) of the noncentral t distribution with df degrees of
// freedom and noncentrality delta. gonum's loses accuracy for the large noncentralities
// that tolerance limits need, as every plain series does above about 37.
//
// It is ∫ Φ(t·eᵘ − δ) f(u) du with f the density of the logarithm of χ/√df, by the
// trapezoidal rule, whose error for a function that is analytic in the strip |Im u| < a and
// bounded there by M = sup ∫ |g(u+ib)| du is at most 2M/(exp(2πa/h) − 1) (Trefethen and
// Weideman 2014, SIAM Review 56, 385–458, theorem 5.1). Here ∫|f| = cos(2a)^(−df/2), and
// with c = cos 2a
//
//	|Φ(t·eᵘ − δ)| ≤ 1 + sin(a)/√(2π) · (|δ|cos(a)/c + 1/√(ce)) · exp(δ² sin²(a)/2c),
//
// from |Φ(x+iy)| ≤ 1 + |y|·exp((y²−x²)/2)/√(2π). The step is chosen so that the bound is
// 1e-15; the tails left out hold less than e⁻⁴⁰ each (Chernoff). What remains is rounding.
func NoncentralTCDF(t, df, delta float64) float64 { return noncentralT(t, df, delta, 1e-15, 40) }

// noncentralT is NoncentralTCDF with a bound on the error of the rule, and tails of e^−tail.
func noncentralT(t, df, delta, most, tail float64) float64 {
	if math.IsNaN(t) || math.IsNaN(delta) || !(df > 0) {
		return math.NaN()
	}
	if t < 0 {
		return 1 - noncentralT(-t, df, -delta, most, tail)
	}
	a := min(0.5, 1/math.Sqrt(df), 1/max(math.Abs(delta), 1))
	c, s := math.Cos(2*a), math.Sin(a)
	m := math.Pow(c, -df/2) * (1 + s/math.Sqrt(2*math.Pi)*(math.Abs(delta)*math.Cos(a)/c+1/math.Sqrt(c*math.E))*math.Exp(delta*delta*s*s/(2*c)))
	h := 2 * math.Pi * a / math.Log1p(2*m/most)
	lo, hi := chiTail(df, -1, tail), chiTail(df, 1, tail)
	var sum, norm float64
	for i := math.Ceil(lo / h); i*h <= hi; i++ {
		u := i * h
		// u − (e²ᵘ−1)/2 without cancellation near u = 0; its peak is f = 1 at u = 0, so that
		// the sum of f, which the same bound covers, norms the result.
		f := math.Exp(df * (u - math.Expm1(2*u)/2))
		norm += f
		sum += f * distuv.UnitNormal.CDF(t*math.Exp(u)-delta)
	}
	return min(1, sum/norm)
}

// chiTail returns the u beyond which, on the given side of 0, the logarithm of χ/√df lies
// with probability below e^−tail: (q·e^(1−q))^(df/2) = e^−tail at q = e²ᵘ (Chernoff's bound).
func chiTail(df, side, tail float64) float64 {
	excess := func(u float64) float64 { return df*(u-math.Expm1(2*u)/2) + tail }
	in, out := 0.0, side
	for excess(out) > 0 {
		in, out = out, 2*out
	}
	for range 20 { // the outer end is taken: no digits are needed
		if mid := (in + out) / 2; excess(mid) > 0 {
			in = mid
		} else {
			out = mid
		}
	}
	return out
}

// ToleranceFactor returns k1 such that the mean of n independent normal values plus k1
// standard deviations is, with the given confidence, above the given cover of the
// distribution (and mean − k1·sd below it): k1 = t'(confidence; n−1, z·√n)/√n with the
// noncentral t (ISO 16269-6; Owen 1968, Technometrics 10, 445–478). n need not be whole.
func ToleranceFactor(n, cover, confidence float64) float64 {
	if !(n > 1 && cover > 0 && cover < 1 && confidence > 0 && confidence < 1) {
		return math.NaN()
	}
	delta := NormalQuantile(cover) * math.Sqrt(n)
	short := func(t float64) float64 { return NoncentralTCDF(t, n-1, delta) - confidence }
	// Bracket, then bisection on a scale on which any tail is short, then secants.
	lo, hi := delta-1, delta+1
	for step := 2.0; short(lo) > 0; step *= 2 {
		lo -= step
	}
	for step := 2.0; short(hi) < 0; step *= 2 {
		hi += step
	}
	return root(short, lo, hi) / math.Sqrt(n)
}

// root returns where the rising f is zero between lo and hi, by the Illinois variant of
// regula falsi (Dowell and Jarratt 1971), to rounding.
func root(f func(float64) float64, lo, hi float64) float64 {
	a, b := f(lo), f(hi)
	side := 0
	for range 200 {
		x := (a*hi - b*lo) / (a - b)
		if !(x > lo && x < hi) {
			x = (lo + hi) / 2
			if x == lo || x == hi {
				break
			}
		}
		y := f(x)
		switch {
		case y == 0:
			return x
		case y < 0:
			lo, a = x, y
			if side < 0 {
				b /= 2
			}
			side = -1
		default:
			hi, b = x, y
			if side > 0 {
				a /= 2
			}
			side = 1
		}
		if hi-lo <= 1e-15*math.Abs(lo+hi) {
			break
		}
	}
	return (lo + hi) / 2
}

// FreeSize returns the smallest number of independent values whose rank-th largest is, with
// the given confidence, above the given cover of any distribution: P(Bin(n, 1−cover) ≥ rank)
// ≥ confidence (Wilks 1941). For the interval from least to most take rank 2.
func FreeSize(rank int, cover, confidence float64) int {
	return PicksForRate(rank-1, 1-cover, confidence)
}

// FreeRank returns the rank, from 1 for the largest, of the tightest distribution-free
// upper limit that n values allow, and 0 where n is too small for any.
func FreeRank(n int, cover, confidence float64) int {
	rank, over := 0, n+1 // the confidence falls as the rank rises
	for over-rank > 1 {
		if mid := (rank + over) / 2; FreeConfidence(n, mid, cover) >= confidence {
			rank = mid
		} else {
			over = mid
		}
	}
	return rank
}

// FreeConfidence returns the confidence with which the rank-th largest of n values is above
// the given cover of any distribution.
func FreeConfidence(n, rank int, cover float64) float64 {
	if rank < 1 || rank > n {
		return math.NaN()
	}
	return mathext.RegIncBeta(float64(rank), float64(n-rank+1), 1-cover)
}
