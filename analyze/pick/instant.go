package pick

import (
	"math"

	"griptrial/analyze"
)

// An instant is when something happened, in seconds of the trial's time, with what is
// known of its error. t is NaN where it cannot be had.
type instant struct {
	t      float64
	order  float64 // of an edge: where it stands in the order of events, whatever t
	err    analyze.Spread
	beside float64 // longest interval of the bracketing samples, s
	warn   []analyze.Warning
}

func noInstant() instant { return instant{t: math.NaN()} }

func (x instant) ok() bool { return !math.IsNaN(x.t) }

// since returns the time from an earlier instant to x in seconds, NaN where either cannot
// be had, with its error and the warnings of both.
func (x instant) since(earlier instant) (float64, analyze.Spread, []analyze.Warning) {
	w := append(append([]analyze.Warning(nil), earlier.warn...), x.warn...)
	if !x.ok() || !earlier.ok() {
		return math.NaN(), analyze.Spread{}, w
	}
	e := x.err
	e.Subtract(earlier.err)
	return x.t - earlier.t, e, w
}

// maxReach bounds the half-width, in seconds, of the window whose samples give an instant:
// longer windows meet curvature before they beat the noise.
const maxReach = 0.5

// crossing returns the instant at which the vacuum crosses level, near sample at, the
// first sample at which the running median lies on the new side; rising tells the way.
//
// It is where a least-squares line through the raw samples within ± max(one interval,
// 6σ/slope) of the crossing meets the level. The window shrinks, never below the bracketing
// pair, until it is straight: its quadratic term is under two standard errors and its
// residual under 1.5 σ. With two samples this is linear interpolation.
//
// The standard uncertainty follows
//
//	u² = (σ/s)²·(1/n + d²/Sxx) + [span·r·(0.1 + 0.25·r)]² + (pause/√12)²
//
// with slope s, d the distance from the window's centre, r the change of slope beside the
// window beyond noise relative to s (at most 1), and pause the wait before an arrival
// burst, by which the event may be earlier; with it the stamps' half-widths, the sensor's
// limits of error and resolution over the slope, its refresh and its lag.
func (k *Tracker) crossing(level float64, at int, rising bool) instant {
	r, near := k.about(at)
	j := r.bracket(level, near, rising, k.set.PersistS/2)
	if j < 0 {
		return noInstant()
	}
	t0, t1, v0, v1 := r.time(j-1), r.time(j), r.vacuum(j-1), r.vacuum(j)
	dt := t1 - t0
	slope := (v1 - v0) / dt
	tx := t0 + (level-v0)/slope
	sigma := k.noise.sigma()
	reach := k.reach(r, j, tx, slope, sigma)

	var first, last int
	var fit line
	for {
		first, last = r.within(j, tx, reach)
		fit = r.fit(first, last)
		if last-first < 2 || fit.straight(sigma) && fit.slope*slope > 0 {
			break
		}
		if reach *= 0.8; reach < dt/2 {
			first, last = j-1, j
			fit = r.fit(first, last)
			break
		}
	}
	width := r.time(last) - r.time(first)
	x := instant{}
	d, s := fit.meets(level)
	if !(math.Abs(d) <= width) || s*slope <= 0 { // noise rules: trust the pair
		first, last = j-1, j
		fit = r.fit(first, last)
		width = dt
		d, s = fit.meets(level)
	}
	x.t = fit.t + d
	x.err.Normal("noise over slope", sigma/math.Abs(s)*fit.spread(d))
	if c := r.bend(first, last, s, sigma); c > 0 {
		x.err.Normal("bend between samples", width*c*(0.1+0.25*c))
	}
	x.err.Rect("stamp", r.stampHalf(j))
	x.beside = dt

	if i := k.interval(); i > 0 && dt > 1.5*i && j+1 < r.len() && r.time(j+1)-t1 < i/5 {
		// The pair spans the pause itself, and what came behind it came late: any instant of it.
		x.err.Early("pause between the samples", x.t-t0)
		x.err.Rect("pause between the samples", t1-x.t)
	}
	// Samples that arrive in a burst after a pause were taken some time in the pause.
	if pause := r.pauseBefore(j, k.interval()); pause > 0 {
		x.err.Early("pause before an arrival burst", pause)
		x.beside = max(x.beside, pause)
	}
	k.sensor(&x, s, level)
	return x
}

// about returns a copy of the samples about sample at, without one-sample spikes, and the
// index in it of that sample or of the one after it.
func (k *Tracker) about(at int) (*trace, int) {
	r, c := &k.trace, &k.near
	*c = trace{t: c.t[:0], v: c.v[:0], half: c.half[:0], gap: c.gap[:0]}
	t := r.time(at)
	const span = 2 * maxReach
	first, last := at, at
	for first > r.base && !r.gapBefore(first) && t-r.time(first-1) <= span {
		first--
	}
	for last+1 < r.len() && !r.gapBefore(last+1) && r.time(last+1)-t <= span {
		last++
	}
	limit := max(0.5, 6*k.noise.sigma())
	near := 0
	for i := first; i <= last; i++ {
		if i == at {
			near = c.len()
		}
		if !r.spike(i, limit) {
			c.append(r.time(i), r.vacuum(i), r.stampHalf(i), i > first && r.gapBefore(i))
		}
	}
	return c, min(near, c.len()-1)
}

// spike reports whether sample i lies beyond both its neighbours by more than limit.
func (r *trace) spike(i int, limit float64) bool {
	if i <= r.base || i+1 >= r.len() || r.gapBefore(i) || r.gapBefore(i+1) {
		return false
	}
	a, b := r.vacuum(i)-r.vacuum(i-1), r.vacuum(i)-r.vacuum(i+1)
	return a > limit && b > limit || a < -limit && b < -limit
}

// reach returns the half-width of the window that gives a crossing near time t: 6σ/slope,
// at least one interval. Where noise rules, the slope of a pair of samples is noise, so
// that of the line through the window is taken, until the two agree.
func (k *Tracker) reach(r *trace, j int, t, slope, sigma float64) float64 {
	dt := r.time(j) - r.time(j-1)
	reach := min(max(dt, 6*sigma/math.Abs(slope)), maxReach)
	if 6*sigma/math.Abs(slope) < dt/4 {
		return reach
	}
	reach = max(reach, 4*dt, k.half)
	for range 8 {
		first, last := r.within(j, t, reach)
		s := r.fit(first, last).slope
		next := maxReach
		if s*slope > 0 {
			next = min(max(dt, 6*sigma/math.Abs(s)), maxReach)
		}
		if math.Abs(next-reach) < 0.1*reach {
			return next
		}
		reach = next
	}
	return reach
}

// sensor adds to x what the sensor does to a crossing of level at slope s (kPa/s).
func (k *Tracker) sensor(x *instant, s, level float64) {
	c := &k.vac
	x.err.Normal("calibration over slope", c.CalibrationU(level)/s)
	if c.Accuracy > 0 {
		x.err.Rect("sensor's limits of error over slope", c.Accuracy/s)
	}
	if q := c.Resolution; q > 0 && k.noise.sigma() < q/2 {
		x.err.Rect("resolution over slope", q/2/s) // too little noise to average the steps out
	}
	if c.UpdateS > 0 { // the value is as old as its last refresh, on average half of it
		x.t -= c.UpdateS / 2
		x.err.Rect("refresh of the sensor", c.UpdateS/2)
	}
	if c.LagS > 0 {
		// A first-order sensor shows a ramp late by its time constant; on the exponential
		// rises of the check values the delay differs from it by up to 12 %.
		x.t -= c.LagS
		x.err.Rect("what the lag's correction leaves", 0.13*c.LagS)
	}
}

// bracket returns the index of the later sample of the raw pair that crosses level the
// given way next to sample at, -1 where the pair would lie across a gap.
func (r *trace) bracket(level float64, at int, rising bool, half float64) int {
	first, last := r.window(at, half)
	best := -1
	for j := max(first, r.base+1); j <= last; j++ {
		if r.gapBefore(j) {
			continue
		}
		a, b := r.vacuum(j-1) >= level, r.vacuum(j) >= level
		if a == b || b != rising {
			continue
		}
		if best < 0 || abs(j-at) < abs(best-at) {
			best = j
		}
	}
	return best
}

func abs(n int) int {
	if n < 0 {
		return -n
	}
	return n
}

// within returns the first and last index of the samples within ± reach of time t about
// the pair (j−1, j), not across a gap.
func (r *trace) within(j int, t, reach float64) (first, last int) {
	first, last = j-1, j
	for first > r.base && !r.gapBefore(first) && t-r.time(first-1) <= reach {
		first--
	}
	for last+1 < r.len() && !r.gapBefore(last+1) && r.time(last+1)-t <= reach {
		last++
	}
	return first, last
}

// A line is a least-squares line through n samples: v at their mean time t. From
// curvedFrom samples on it may bend: the quadratic term, orthogonal to the line, takes away
// the bias of what curvature the noise hides.
type line struct {
	t, v, slope, sxx float64
	quad, quadSE1    float64 // quadratic term, and its standard error where σ is 1
	skew, mean2      float64 // the orthogonal quadratic is x² − skew·x − mean2
	rms              float64
	n                int
}

const curvedFrom = 6

// meets returns when the line meets level, as time after its mean time, and its slope there.
func (l line) meets(level float64) (d, slope float64) {
	d = (level - l.v) / l.slope
	slope = l.slope
	if l.n < curvedFrom {
		return d, slope
	}
	for range 4 { // Newton: the bend is slight
		slope = l.slope + l.quad*(2*d-l.skew)
		d -= (l.v + l.slope*d + l.quad*(d*d-l.skew*d-l.mean2) - level) / slope
	}
	return d, slope
}

// spread returns the standard error of the line's value at time d after its mean time,
// where σ is 1.
func (l line) spread(d float64) float64 {
	s := 1/float64(l.n) + d*d/l.sxx
	if l.n >= curvedFrom {
		q := (d*d - l.skew*d - l.mean2) * l.quadSE1
		s += q * q
		return math.Sqrt(s)
	}
	// The samples also choose the window; where it holds few that scatters as well
	// (simulated: rms of error/u 1.05 to 1.13 without the factor, see TestCoverage).
	return 1.1 * math.Sqrt(s)
}

func (r *trace) fit(first, last int) line {
	n := last - first + 1
	l := line{n: n}
	t, v := r.t[first-r.base:last+1-r.base], r.v[first-r.base:last+1-r.base]
	for i := range t {
		l.t += t[i]
		l.v += v[i]
	}
	l.t /= float64(n)
	l.v /= float64(n)
	var sxy, sxxx float64
	for i := range t {
		x := t[i] - l.t
		l.sxx += x * x
		sxxx += x * x * x
		sxy += x * v[i]
	}
	l.slope = sxy / l.sxx
	if n < 3 {
		return l
	}
	l.skew, l.mean2 = sxxx/l.sxx, l.sxx/float64(n)
	var qq, qv, ss float64
	for i := range t {
		x := t[i] - l.t
		q := x*x - l.skew*x - l.mean2
		e := v[i] - l.v - l.slope*x
		qq += q * q
		qv += q * e
		ss += e * e
	}
	l.quad, l.quadSE1 = qv/qq, 1/math.Sqrt(qq)
	l.rms = math.Sqrt(ss / float64(n-2))
	return l
}

// straight reports whether the samples lie on a line for all that noise σ can tell. With
// few samples the residual itself scatters more: its limit is three standard errors up.
func (l line) straight(sigma float64) bool {
	limit := max(1.5, math.Sqrt(1+3*math.Sqrt(2/float64(l.n-2))))
	return math.Abs(l.quad) < 2*sigma*l.quadSE1 && l.rms < limit*sigma
}

// bend returns the larger change of slope on either side of samples first to last, beyond
// what noise σ makes, relative to slope s and at most 1.
func (r *trace) bend(first, last int, s, sigma float64) float64 {
	b := 0.0
	side := func(i, j int) {
		if i < r.base || j >= r.len() || r.gapBefore(j) {
			return
		}
		dt := r.time(j) - r.time(i)
		d := math.Abs((r.vacuum(j)-r.vacuum(i))/dt - s)
		b = max(b, min(1, (d-2*math.Sqrt2*sigma/dt)/math.Abs(s)))
	}
	if first > r.base && !r.gapBefore(first) {
		side(first-1, first)
	}
	side(last, last+1)
	return b
}

// pauseBefore returns how long the wait before the pair (j−1, j) was where that pair came
// in a burst: closer together than a fifth of the interval, after a pause of more than one
// and a half. Else 0.
func (r *trace) pauseBefore(j int, interval float64) float64 {
	if r.time(j)-r.time(j-1) >= interval/5 {
		return 0
	}
	for i := j - 1; i > r.base && !r.gapBefore(i); i-- {
		d := r.time(i) - r.time(i-1)
		if d > 1.5*interval {
			return d
		}
		if d >= interval/5 {
			return 0
		}
	}
	return 0
}
