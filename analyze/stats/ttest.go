package stats

import "math"

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
