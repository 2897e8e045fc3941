package pick

import (
	"fmt"
	"iter"
	"math"

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
	Law         LeakLaw        // of the fall
	LawKnown    bool
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
	t, v, e, err := closedSamples(g, batches, from, to)
	if err != nil {
		return LeakDown{}, err
	}
	n := len(t)
	if medianOf(append([]float64(nil), v...)) < 0 {
		for i := range v {
			v[i] = -v[i]
		}
	}
	l := LeakDown{FromS: t[0], ToS: t[n-1], FallStartsS: math.NaN(), LeakLminANR: analyze.None()}

	l.SlopeKPaS = blockSlope(t, v)
	tf, vf := thin(t, v, maxBlocks)
	l.Law, l.LawKnown = fitLeakLaw(tf, vf)
	if s := l.SlopeKPaS; volumeL > 0 {
		f := -volumeL * lminANR
		l.LeakLminANR = analyze.Figure{Value: f * s.Value, U: -f * s.U, Lo: f * s.Hi, Hi: f * s.Lo}
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

// AtRequired returns the leak at requiredKPa in L/min ANR, by the law, in a volume of volumeL
// litres known to volumeU, less what the rig itself leaks; None where one is not known.
func (l *LeakDown) AtRequired(requiredKPa, volumeL, volumeU, blankLminANR float64) analyze.Figure {
	if !l.LawKnown || !(requiredKPa > 0) || !(volumeL > 0) {
		return analyze.None()
	}
	q, e := l.Law.Leak(requiredKPa, volumeL, max(volumeU, 0))
	if blankLminANR > 0 {
		q -= blankLminANR
	}
	if !(volumeU > 0) {
		return e.Figure(q, analyze.Warn(analyze.VolumeExact))
	}
	return e.Figure(q)
}

// Exponent returns n of the law, None where the window is too short to tell it.
func (l *LeakDown) Exponent() analyze.Figure {
	if !l.LawKnown {
		return analyze.None()
	}
	n, e := l.Law.exponent()
	return e.Figure(n)
}

// closedSamples returns the vacuum samples between two times, and their noise; an error for
// fewer than slopes need.
func closedSamples(g sample.Group, batches iter.Seq[sample.Batch], from, to float64) (t, v []float64, e noise, err error) {
	c := -1
	for i := range g.Channels {
		if g.Channels[i].Kind == sample.Vacuum {
			c = i
		}
	}
	if c < 0 {
		return nil, nil, e, fmt.Errorf("no vacuum channel")
	}
	ch := &g.Channels[c]
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
	if n := len(t); n < 3*leakBlocks {
		return nil, nil, e, fmt.Errorf("%d samples between %g s and %g s; a leak-down needs %d", n, from, to, 3*leakBlocks)
	}
	return t, v, e, nil
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
	slope, _ := theilSen(t[1:n], v[1:n], new([]float64))
	if !(slope < 0) {
		return t[0]
	}
	return t[1] + (level-v[1])/slope
}
