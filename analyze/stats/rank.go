package stats

import (
	"math"
	"slices"
)

// A RankTest compares two samples by ranks: Mann and Whitney's test and Hodges and
// Lehmann's shift, x less y. Values may be +Inf ("longer than any"); two of them tie.
type RankTest struct {
	U        float64 // pairs with x > y, plus half the ties
	Shift    float64 // median of all differences
	P        float64 // two-sided: exact without ties and up to exactPairs, else normal with continuity
	PPlain   float64 // the normal approximation without continuity correction
	PNormal  float64 // the one with it
	Exact    bool
	Rank     int64   // of the interval's ends among the sorted differences, from either side
	Attained float64 // confidence of the interval without ties; it may fall short of the level asked for
	Interval
}

// exactPairs is the size m·n up to which the exact distribution is worked out.
const exactPairs = 1000

// RankSum compares x and y in O((m+n) log(m+n)): differences are counted, never listed
// (Hodges and Lehmann 1963; the interval after Hollander and Wolfe 1973, 4.3). Fields are
// NaN without values of both.
func RankSum(x, y []float64, level float64) RankTest {
	m, n := len(x), len(y)
	if m == 0 || n == 0 {
		nan := math.NaN()
		return RankTest{U: nan, Shift: nan, P: nan, PPlain: nan, PNormal: nan, Attained: nan, Interval: noInterval()}
	}
	d := newDifferences(x, y)
	pairs := int64(m) * int64(n)
	r := RankTest{U: float64(pairs-d.atMost(0)) + float64(d.atMost(0)-d.below(0))/2}
	r.Shift = d.kth((pairs + 1) / 2)
	if pairs%2 == 0 {
		if upper := d.kth(pairs/2 + 1); upper != r.Shift {
			r.Shift = (r.Shift + upper) / 2
		}
	}
	ties := d.ties()
	fm, fn := float64(m), float64(n)
	variance := fm * fn / 12 * (fm + fn + 1 - ties/((fm+fn)*(fm+fn-1)))
	away := math.Abs(r.U - fm*fn/2)
	if variance > 0 {
		r.PPlain = twoSided(away / math.Sqrt(variance))
		r.PNormal = twoSided(max(0, away-0.5) / math.Sqrt(variance))
	} else {
		r.PPlain, r.PNormal = 1, 1
	}
	r.P = r.PNormal
	if pairs <= exactPairs {
		cdf := rankSumCDF(m, n)
		if r.Exact = ties == 0; r.Exact {
			low := min(int64(r.U), pairs-int64(r.U))
			r.P = min(1, 2*cdf[low])
		}
		k := int64(0)
		for cdf[k] < (1-level)/2 {
			k++
		}
		r.Rank = max(1, k)
		r.Attained = 1 - 2*cdf[r.Rank-1]
	} else {
		sd := math.Sqrt(fm * fn * (fm + fn + 1) / 12)
		r.Rank = max(1, int64(math.Floor(fm*fn/2+0.5-NormalQuantile((1+level)/2)*sd)))
		r.Attained = 1 - twoSided((fm*fn/2+0.5-float64(r.Rank))/sd)
	}
	r.Interval = Interval{d.kth(r.Rank), d.kth(pairs + 1 - r.Rank)}
	return r
}

// rankSumCDF returns P(U ≤ u) for u from 0 to m·n, without ties.
func rankSumCDF(m, n int) []float64 {
	// Mann and Whitney's recurrence, f(i,j,u) = f(i−1,j,u−j) + f(i,j−1,u): sums of positive
	// numbers only. rows[j] is f(i,j,·).
	rows := make([][]float64, n+1)
	for j := range rows {
		rows[j] = make([]float64, m*n+1)
		rows[j][0] = 1
	}
	for i := 1; i <= m; i++ {
		for j := 1; j <= n; j++ {
			for u := i * j; u >= 0; u-- {
				v := rows[j-1][u] // already of i
				if u >= j {
					v += rows[j][u-j]
				}
				rows[j][u] = v
			}
		}
	}
	cdf := rows[n]
	for u := 1; u < len(cdf); u++ {
		cdf[u] += cdf[u-1]
	}
	for u, all := 0, cdf[len(cdf)-1]; u < len(cdf); u++ {
		cdf[u] /= all
	}
	return cdf
}

// differences are all x − y of two sorted samples. Infinite values are kept as counts.
type differences struct {
	x, y       []float64
	infX, infY int64
	probes     []probe // counted on the way to one of them, and used for the next
}

// A probe is how many differences are at most v.
type probe struct {
	v float64
	n int64
}

func newDifferences(x, y []float64) differences {
	split := func(v []float64) ([]float64, int64) {
		s := slices.Sorted(slices.Values(v))
		i, _ := slices.BinarySearch(s, math.Inf(1))
		return s[:i], int64(len(s) - i)
	}
	var d differences
	d.x, d.infX = split(x)
	d.y, d.infY = split(y)
	return d
}

// ties returns Σ t³ − t over groups of equal values of both samples.
func (d differences) ties() float64 {
	var sum float64
	add := func(n int64) {
		t := float64(n)
		sum += t*t*t - t
	}
	i, j := 0, 0
	for i < len(d.x) || j < len(d.y) {
		v := math.Inf(1)
		if i < len(d.x) {
			v = d.x[i]
		}
		if j < len(d.y) {
			v = min(v, d.y[j])
		}
		from := i + j
		for i < len(d.x) && d.x[i] == v {
			i++
		}
		for j < len(d.y) && d.y[j] == v {
			j++
		}
		add(int64(i + j - from))
	}
	add(d.infX + d.infY)
	return sum
}

// atMost counts differences ≤ v.
func (d differences) atMost(v float64) int64 {
	n := d.infY * int64(len(d.x)) // −Inf
	if v >= 0 {
		n += d.infX * d.infY
	}
	j := len(d.y)
	for i := len(d.x) - 1; i >= 0; i-- { // x falls, so that the first y with x−y ≤ v falls too
		for j > 0 && d.x[i]-d.y[j-1] <= v {
			j--
		}
		n += int64(len(d.y) - j)
	}
	if math.IsInf(v, 1) {
		n += d.infX * int64(len(d.y))
	}
	return n
}

// below counts differences < v.
func (d differences) below(v float64) int64 { return d.atMost(math.Nextafter(v, math.Inf(-1))) }

// kth returns the k-th smallest difference, k from 1: bisection of the value until few
// differences are left, which are then listed and sorted.
func (d *differences) kth(k int64) float64 {
	minus := d.infY * int64(len(d.x))
	finite := int64(len(d.x))*int64(len(d.y)) + d.infX*d.infY
	switch {
	case k <= minus:
		return math.Inf(-1)
	case k > minus+finite:
		return math.Inf(1)
	case len(d.x) == 0 || len(d.y) == 0:
		return 0 // both infinite
	}
	lo := min(0, d.x[0]-d.y[len(d.y)-1])
	hi := max(0, d.x[len(d.x)-1]-d.y[0])
	lo = math.Nextafter(lo, math.Inf(-1))
	below, upTo := minus, minus+finite // below < k ≤ upTo
	for _, p := range d.probes {
		if p.n >= k && p.v < hi {
			hi, upTo = p.v, p.n
		}
		if p.n < k && p.v > lo {
			lo, below = p.v, p.n
		}
	}
	// Counts rise almost evenly between close values, so that the ends are aimed a little to
	// either side of k; where that fails to halve what is left, the middle is taken.
	for i, was := 0, upTo-below; upTo-below > 64+int64(len(d.x)+len(d.y))/8; i++ {
		mid := lo + (hi-lo)/2
		if left := upTo - below; i%3 < 2 || left <= was/2 {
			aside := left/32 + 16
			if i%2 == 0 {
				aside = -aside
			}
			share := float64(k-below+aside) / float64(left)
			if v := lo + (hi-lo)*share; share > 0 && share < 1 && v > lo && v < hi {
				mid = v
			}
		} else {
			was = left
		}
		if mid <= lo || mid >= hi {
			return hi // all that are left are equal
		}
		n := d.atMost(mid)
		d.probes = append(d.probes, probe{mid, n})
		if n >= k {
			hi, upTo = mid, n
		} else {
			lo, below = mid, n
		}
	}
	left := make([]float64, 0, upTo-below)
	if lo < 0 && 0 <= hi {
		for range d.infX * d.infY {
			left = append(left, 0)
		}
	}
	from, to := len(d.y), len(d.y)
	for i := len(d.x) - 1; i >= 0; i-- {
		for from > 0 && d.x[i]-d.y[from-1] <= hi {
			from--
		}
		for to > 0 && d.x[i]-d.y[to-1] <= lo {
			to--
		}
		for j := from; j < to; j++ {
			left = append(left, d.x[i]-d.y[j])
		}
	}
	slices.Sort(left)
	return left[k-below-1]
}

// SignedRank tests paired differences by Wilcoxon's signed ranks, with the median of their
// pairwise means as the shift (Hollander and Wolfe 1973, 3.2). Differences of zero are left
// out of the test, not of the shift; values may be infinite. Cost O(n²).
func SignedRank(d []float64, level float64) RankTest {
	n := len(d)
	nan := math.NaN()
	r := RankTest{U: nan, Shift: nan, P: nan, PPlain: nan, PNormal: nan, Attained: nan, Interval: noInterval()}
	if n == 0 {
		return r
	}
	walsh := make([]float64, 0, n*(n+1)/2)
	for i, a := range d {
		for _, b := range d[i:] {
			if m := a/2 + b/2; math.IsNaN(m) {
				walsh = append(walsh, 0) // +Inf and −Inf
			} else {
				walsh = append(walsh, m)
			}
		}
	}
	slices.Sort(walsh)
	r.Shift = medianSorted(walsh)
	// Midranks of the magnitudes without zeros.
	nonzero := slices.DeleteFunc(slices.Clone(d), func(v float64) bool { return v == 0 })
	slices.SortFunc(nonzero, func(a, b float64) int {
		switch a, b = math.Abs(a), math.Abs(b); {
		case a < b:
			return -1
		case a > b:
			return 1
		}
		return 0
	})
	k := len(nonzero)
	ties := 0.0
	r.U = 0
	for i := 0; i < k; {
		j := i
		for j < k && math.Abs(nonzero[j]) == math.Abs(nonzero[i]) {
			j++
		}
		t := float64(j - i)
		ties += t*t*t - t
		for _, v := range nonzero[i:j] {
			if v > 0 {
				r.U += float64(i+j+1) / 2
			}
		}
		i = j
	}
	fk := float64(k)
	away := math.Abs(r.U - fk*(fk+1)/4)
	r.PPlain, r.PNormal = 1, 1
	if variance := fk*(fk+1)*(2*fk+1)/24 - ties/48; variance > 0 {
		r.PPlain = twoSided(away / math.Sqrt(variance))
		r.PNormal = twoSided(max(0, away-0.5) / math.Sqrt(variance))
	}
	r.P = r.PNormal
	all := int64(len(walsh))
	if n <= 50 {
		cdf := signedRankCDF(n)
		if r.Exact = ties == 0 && k == n; r.Exact {
			r.P = min(1, 2*cdf[min(int64(r.U), all-int64(r.U))])
		}
		i := int64(0)
		for cdf[i] < (1-level)/2 {
			i++
		}
		r.Rank = max(1, i)
		r.Attained = 1 - 2*cdf[r.Rank-1]
	} else {
		fn := float64(n)
		mean, sd := fn*(fn+1)/4, math.Sqrt(fn*(fn+1)*(2*fn+1)/24)
		r.Rank = max(1, int64(math.Floor(mean+0.5-NormalQuantile((1+level)/2)*sd)))
		r.Attained = 1 - twoSided((mean+0.5-float64(r.Rank))/sd)
	}
	r.Interval = Interval{walsh[r.Rank-1], walsh[all-r.Rank]}
	return r
}

// signedRankCDF returns P(V ≤ v) for v from 0 to n(n+1)/2, without ties or zeros.
func signedRankCDF(n int) []float64 {
	f := make([]float64, n*(n+1)/2+1)
	f[0] = 1
	for i := 1; i <= n; i++ {
		for v := i * (i + 1) / 2; v >= 0; v-- {
			f[v] /= 2
			if v >= i {
				f[v] += f[v-i] / 2
			}
		}
	}
	for v := 1; v < len(f); v++ {
		f[v] += f[v-1]
	}
	return f
}
