package stats

import "math"

// An SPRT is Wald's sequential test of a rate (Wald 1947, Sequential Analysis): stop as
// good once the cases among n trials are at most −H1 + S·n, as bad once they are at least
// H2 + S·n.
type SPRT struct {
	Good, Bad   float64 // the rates p0 < p1
	Alpha, Beta float64 // risk of stopping as bad at Good, as good at Bad
	H1, H2, S   float64
}

// NewSPRT returns the test; its lines are NaN unless 0 < good < bad < 1 and the risks lie
// between 0 and 1/2.
func NewSPRT(good, bad, alpha, beta float64) SPRT {
	s := SPRT{Good: good, Bad: bad, Alpha: alpha, Beta: beta, H1: math.NaN(), H2: math.NaN(), S: math.NaN()}
	if good > 0 && good < bad && bad < 1 && alpha > 0 && alpha < 0.5 && beta > 0 && beta < 0.5 {
		k := math.Log(bad/good) + math.Log1p(-good) - math.Log1p(-bad)
		s.H1 = math.Log((1-alpha)/beta) / k
		s.H2 = math.Log((1-beta)/alpha) / k
		s.S = (math.Log1p(-good) - math.Log1p(-bad)) / k
	}
	return s
}

// Accept returns the most cases in n trials that stop the test as good, −1 for none.
func (s SPRT) Accept(n int) int { return max(-1, int(math.Floor(-s.H1+s.S*float64(n)))) }

// Reject returns the fewest cases in n trials that stop the test as bad; n + 1 where even n
// do not.
func (s SPRT) Reject(n int) int { return min(n+1, int(math.Ceil(s.H2+s.S*float64(n)))) }

// Decide returns +1 where x cases in n trials stop the test as good, −1 as bad, else 0.
func (s SPRT) Decide(x, n int) int {
	switch {
	case x <= s.Accept(n):
		return 1
	case x >= s.Reject(n):
		return -1
	}
	return 0
}

// Characteristics returns the true probability of stopping as good and the mean number of
// trials at rate p, by following every path until less than 1e-13 are left.
func (s SPRT) Characteristics(p float64) (accept, meanTrials float64) {
	if math.IsNaN(s.S) || !(p > 0 && p < 1) {
		return math.NaN(), math.NaN()
	}
	open := []float64{1} // by cases from first on
	first := 0
	left := 1.0
	for n := 1; left > 1e-13; n++ {
		meanTrials += left
		next := make([]float64, len(open)+1)
		for i, v := range open {
			next[i] += v * (1 - p)
			next[i+1] += v * p
		}
		a, r := s.Accept(n), s.Reject(n)
		left = 0
		from, to := 0, len(next)
		for i, v := range next {
			switch x := first + i; {
			case x <= a:
				accept += v
				from = i + 1
			case x >= r:
				to = min(to, i)
			default:
				left += v
			}
		}
		open, first = next[from:max(from, to)], first+from
	}
	return accept, meanTrials
}
