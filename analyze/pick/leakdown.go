package pick

import (
	"fmt"
	"iter"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// A LeakDown is how a closed volume loses what it holds, on either side of ambient.
type LeakDown struct {
	FromS, ToS  float64        // of the window: its first and last sample
	SlopeKPaS   analyze.Figure // of the distance from ambient: negative while it is lost
	LostKPa     float64        // between the first and the last second of the window
	FallStartsS float64        // when it left the level of the window's first second for good, at the earliest where the window begins; NaN if it did not
	LeakLminANR analyze.Figure // V·dp/dt, with the volume stated
}

// leakBlocks is how many blocks the interval of a slope comes from. Neighbouring samples
// of a slow fall are not independent (a sensor sticks at a level for seconds), blocks of a
// thirteenth of the window nearly are.
const leakBlocks = 13

// FindLeakDown returns the leak-down of the vacuum channel of a recording between times
// from and to, in seconds, in a volume of volumeL litres (NaN: not known). A pressure
// above ambient, which channels show as negative vacuum, loses its magnitude alike.
//
// The slope is the median of the slopes of all pairs of samples (Sen 1968), thinned to
// 2,000 block medians where there are more. Its standard uncertainty is that of the
// least-squares slope through the medians of 13 blocks, its interval Student's t with 11
// degrees of freedom. It is an error if the window holds fewer than 39 samples.
func FindLeakDown(g sample.Group, batches iter.Seq[sample.Batch], from, to, volumeL float64) (LeakDown, error) {
	c := -1
	for i := range g.Channels {
		if g.Channels[i].Kind == sample.Vacuum {
			c = i
		}
	}
	if c < 0 {
		return LeakDown{}, fmt.Errorf("no vacuum channel")
	}
	ch := &g.Channels[c]
	var t, v []float64
	var e noise
	e.floor = ch.Resolution / math.Sqrt(12)
	for b := range batches {
		for i, n := range b.Counts[c] {
			if x := seconds(b.T[i]); n != sample.Missing && x >= from && x <= to {
				t = append(t, x)
				v = append(v, ch.Value(n))
				if k := len(t); k > 2 {
					e.add(t[k-3], t[k-2], t[k-1], v[k-3], v[k-2], v[k-1])
				}
			}
		}
	}
	n := len(t)
	if n < 3*leakBlocks {
		return LeakDown{}, fmt.Errorf("%d samples between %g s and %g s; a leak-down needs %d", n, from, to, 3*leakBlocks)
	}
	if medianOf(append([]float64(nil), v...)) < 0 {
		for i := range v {
			v[i] = -v[i]
		}
	}
	l := LeakDown{FromS: t[0], ToS: t[n-1], FallStartsS: math.NaN(), LeakLminANR: analyze.None()}

	ts, vs := thin(t, v, 2000)
	slope, _ := theilSen(ts, vs)
	tb, vb := thin(t, v, leakBlocks)
	u := slopeError(tb, vb)
	k := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: leakBlocks - 2}.Quantile(0.975)
	l.SlopeKPaS = analyze.Figure{Value: slope, U: u, Lo: slope - k*u, Hi: slope + k*u}
	if volumeL > 0 {
		f := -volumeL * 60 / 100 // 1 L ANR is 100 kPa·L at 20 °C
		l.LeakLminANR = analyze.Figure{Value: f * slope, U: -f * u, Lo: f * (slope + k*u), Hi: f * (slope - k*u)}
	}

	var first, last []float64
	for i := range t {
		if t[i] <= t[0]+1 {
			first = append(first, v[i])
		}
		if t[i] >= t[n-1]-1 {
			last = append(last, v[i])
		}
	}
	level := medianOf(first)
	l.LostKPa = level - medianOf(last)
	tol := max(0.5, 4*e.sigma())
	at := n - 1
	for at >= 0 && v[at] < level-tol {
		at--
	}
	if at >= 0 && at < n-1 {
		l.FallStartsS = max(t[0], fallStart(t[at:], v[at:], level, level-l.LostKPa/4))
	}
	return l, nil
}

// thin returns the medians of at most n blocks of equal numbers of neighbouring samples,
// with their mean times.
func thin(t, v []float64, n int) (tb, vb []float64) {
	if len(t) <= n {
		return t, v
	}
	for b := range n {
		i, j := b*len(t)/n, (b+1)*len(t)/n
		mean := 0.0
		for _, x := range t[i:j] {
			mean += x / float64(j-i)
		}
		tb = append(tb, mean)
		vb = append(vb, medianOf(append([]float64(nil), v[i:j]...)))
	}
	return tb, vb
}

// slopeError returns the standard error of the least-squares slope through the points.
func slopeError(t, v []float64) float64 {
	n := float64(len(t))
	var mt, mv, sxx, sxy, ss float64
	for i := range t {
		mt += t[i] / n
		mv += v[i] / n
	}
	for i := range t {
		sxx += (t[i] - mt) * (t[i] - mt)
		sxy += (t[i] - mt) * (v[i] - mv)
	}
	for i := range t {
		r := v[i] - mv - sxy/sxx*(t[i]-mt)
		ss += r * r
	}
	return math.Sqrt(ss / (n - 2) / sxx)
}

// fallStart returns when a fall began whose samples follow the last one at level: where the
// line through them, down to low, met level.
func fallStart(t, v []float64, level, low float64) float64 {
	n := 1
	for n < len(v) && n < 200 && v[n] > low {
		n++
	}
	slope, _ := theilSen(t[1:n], v[1:n])
	if !(slope < 0) {
		return t[0]
	}
	return t[1] + (level-v[1])/slope
}
