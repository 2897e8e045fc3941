package stats

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A TTest is the difference of two means, x less y, with its test against zero.
type TTest struct {
	Diff, SE float64
	T, DF    float64 // Welch's degrees of freedom are not rounded
	P        float64 // two-sided
	Interval
}

func newTTest(diff, se, df, level float64) TTest {
	t := diff / se
	h := TQuantile((1+level)/2, df) * se
	return TTest{diff, se, t, df, min(1, 2*TTail(math.Abs(t), df)), Interval{diff - h, diff + h}}
}

func noTTest() TTest {
	nan := math.NaN()
	return TTest{nan, nan, nan, nan, nan, noInterval()}
}

// Welch compares the means of two samples of unequal variance (Welch 1947). It takes two
// values of each at least.
func Welch(x, y []float64, level float64) TTest {
	m, n := float64(len(x)), float64(len(y))
	if m < 2 || n < 2 {
		return noTTest()
	}
	a, b := SumSquares(x)/(m-1)/m, SumSquares(y)/(n-1)/n
	df := (a + b) * (a + b) / (a*a/(m-1) + b*b/(n-1))
	return newTTest(Mean(x)-Mean(y), math.Sqrt(a+b), df, level)
}

// Pooled compares the means of two samples of one variance.
func Pooled(x, y []float64, level float64) TTest {
	m, n := float64(len(x)), float64(len(y))
	if m < 1 || n < 1 || m+n < 3 {
		return noTTest()
	}
	v := (SumSquares(x) + SumSquares(y)) / (m + n - 2)
	return newTTest(Mean(x)-Mean(y), math.Sqrt(v*(1/m+1/n)), m+n-2, level)
}

// OneSample tests the mean of d against zero; of differences it is the paired t test.
func OneSample(d []float64, level float64) TTest {
	n := float64(len(d))
	if n < 2 {
		return noTTest()
	}
	return newTTest(Mean(d), SD(d)/math.Sqrt(n), n-1, level)
}

// A Crossover is a comparison in which two treatments changed sides: half of the blocks had
// the first on the left, the others on the right.
type Crossover struct {
	Effect TTest // of the treatments, free of the side
	Side   TTest // left less right, free of the treatments
}

// CrossOver compares two treatments from differences first − second of blocks in which the
// first was on the left, and on the right (the two-period crossover of Hills and Armitage
// 1979, with sides in place of periods). It needs one block of each, three in all.
func CrossOver(left, right []float64, level float64) Crossover {
	m, n := float64(len(left)), float64(len(right))
	if m < 1 || n < 1 || m+n < 3 {
		return Crossover{noTTest(), noTTest()}
	}
	df := m + n - 2
	se := math.Sqrt((SumSquares(left)+SumSquares(right))/df*(1/m+1/n)) / 2
	l, r := Mean(left), Mean(right)
	return Crossover{newTTest((l+r)/2, se, df, level), newTTest((l-r)/2, se, df, level)}
}

// Widen returns t with its standard error multiplied by factor.
func (t TTest) Widen(factor, level float64) TTest { return newTTest(t.Diff, t.SE*factor, t.DF, level) }

// MeanOf returns the mean of independent differences, with Satterthwaite's degrees of
// freedom (1946, Biometrics Bulletin 2, 110–114).
func MeanOf(parts []TTest, level float64) TTest {
	var diff, v, w float64
	for _, p := range parts {
		diff += p.Diff
		v += p.SE * p.SE
		w += math.Pow(p.SE, 4) / p.DF
	}
	n := float64(len(parts))
	if n == 0 {
		return noTTest()
	}
	return newTTest(diff/n, math.Sqrt(v)/n, v*v/w, level)
}

// SizeForDifference returns the smallest number of blocks of each level (of pairs, where
// paired) with which a two-sided t test at the given confidence shows a difference delta of
// normal values with standard deviation sd (of the pairs' differences, where paired) with
// probability power: the noncentral t, exact for equal spreads. It is 0 where there is none.
func SizeForDifference(delta, sd, confidence, power float64, paired bool) int {
	if !(delta != 0 && sd > 0 && confidence > 0 && confidence < 1 && power > 0 && power < 1) || math.IsInf(delta, 0) || math.IsInf(sd, 0) {
		return 0
	}
	enough := func(n int) bool {
		df, shift := float64(n-1), math.Abs(delta)/sd*math.Sqrt(float64(n))
		if !paired {
			df, shift = float64(2*n-2), shift/math.Sqrt2
		}
		if df > 1e5 { // normal to five digits, and the integral's step shrinks with delta
			return NormalQuantile((1+confidence)/2)+NormalQuantile(power) <= shift
		}
		t := TQuantile((1+confidence)/2, df)
		// Nine digits are plenty for a size.
		p := 1 - noncentralT(t, df, shift, 1e-9, 22)
		// A difference found with the wrong sign is no likelier than a negative numerator.
		return p >= power || p+distuv.UnitNormal.Survival(shift) >= power && p+noncentralT(-t, df, shift, 1e-9, 22) >= power
	}
	// The normal size is a few short of the exact one: from there on it is a step or two.
	z := NormalQuantile((1 + confidence) / 2)
	about := math.Pow((z+NormalQuantile(power))*sd/delta, 2) + z*z/2
	if !paired {
		about = 2*about - 3*z*z/4
	}
	n := max(2, int(min(about, 1<<40)))
	for range 8 {
		if enough(n) {
			for n > 2 && enough(n-1) {
				n--
			}
			return n
		}
		n++
	}
	return smallest(n, enough)
}
