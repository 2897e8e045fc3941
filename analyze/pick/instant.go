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
// residual under 1.5 σ. With two samples this is linear interpolation, bent the way that
// settling goes where the samples beside show it (see settling).
//
// A line that no test can tell from a straight one is still off by up to its own standard
// error where the vacuum bends. So where there are samples enough a parabola takes its
// place, through a window twice as long, from where the line's began to shrink: at its middle the
// standard error of a parabola is 3/2 of that of a line through the same samples (orthogonal
// polynomials: 1/n + 5/(4n)), so that the longer window brings it back to nearly that of the line. It is
// taken if it fits, and agrees with the parabola through the line's own window; else the window shrinks.
//
// The standard uncertainty follows
//
//	u² = (σ/s)²·Σ p²(d)/Σp²·(1 + h²) + [span·r·(0.1 + 0.25·r)]² + (late/√12)²
//
// with slope s; p the orthogonal polynomials and d the distance from the window's centre,
// for a line 1/n + d²/Sxx; h what a bend may do that noise hides, see hidden; for lines r,
// the change of slope beside the window beyond noise relative to s (at most 1); and late by how
// much the samples may have come late, see arrivals. With it go the stamps'
// half-widths, the sensor's limits of error and resolution over the slope, its refresh and
// its lag.
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
	first, last, fit := r.straight(j, tx, k.reach(r, j, tx, slope, sigma), slope, sigma)
	width := r.time(last) - r.time(first)
	x := instant{err: k.spread()}
	d, s := fit.meets(level)
	if !(math.Abs(d) <= width) || s*slope <= 0 { // noise rules: trust the pair
		first, last = j-1, j
		fit = r.fit(first, last, 1)
		width = dt
		d, s = fit.meets(level)
	}
	x.t = fit.t + d
	if last == first+1 {
		q, trust := r.settling(j, sigma)
		early := bow((level-v0)/(v1-v0), q, trust) * dt
		x.t -= early
		x.err.Corrected("bend between samples", -early)
	}
	by := s
	if fit.n < curvedFrom {
		by = r.steadier(first, last, level, s, sigma)
	}
	noise := sigma / math.Abs(by) * fit.spread(d)
	x.err.Normal("noise over slope", noise)
	x.err.Normal("bend that noise hides", noise*fit.hidden(sigma))
	if c := r.bend(first, last, s, sigma); c > 0 && fit.degree == 1 {
		x.err.Normal("bend between samples", width*c*(0.1+0.25*c))
	}
	x.err.Rect("stamp", r.stampHalf(j))
	x.beside = dt

	if i := k.interval(); i > 0 && dt > 1.5*i && j+1 < r.len() && r.time(j+1)-t1 < i/5 {
		// The pair spans the pause itself, and what came behind it came late: any instant of it.
		x.err.Early("pause between the samples", x.t-t0)
		x.err.Rect("pause between the samples", t1-x.t)
	}
	if late := r.lateBefore(j, k.interval()); late > 0 {
		x.err.Early("wait before an arrival burst", late)
		x.beside = max(x.beside, late)
	}
	k.sensor(&x, by, level)
	return x
}

// curvedFrom is how many samples a parabola takes at least, and curvedReach how much longer
// its window is than a line's.
const (
	curvedFrom  = 6
	curvedReach = 2
)

// straight returns the samples about the pair (j−1, j), which crosses a level near time t at
// the given slope, that lie on a line or a parabola for all that noise sigma can tell, and
// that fit; half is the half-width of a line's window, in seconds.
func (r *trace) straight(j int, t, half, slope, sigma float64) (first, last int, f fit) {
	dt := r.time(j) - r.time(j-1)
	reach := curvedReach * half
	for {
		first, last = r.within(j, t, half)
		f = r.fit(first, last, 1)
		if last-first < 2 || f.plain(sigma) && f.c[1]*slope > 0 {
			break
		}
		if half *= 0.8; half < dt/2 {
			return j - 1, j, r.fit(j-1, j, 1)
		}
	}
	if last-first < 3 {
		return first, last, f
	}
	near := r.fit(first, last, 2)
	for ; reach > 0.9*half; reach *= 0.85 {
		a, b := r.within(j, t, reach)
		if b-a+1 < curvedFrom {
			break
		}
		g := r.fit(a, b, 2)
		if !g.plain(sigma) || g.slope(t-g.t)*slope <= 0 {
			continue
		}
		// What the longer window has more of is independent of the shorter one.
		own, its := g.spread(t-g.t), near.spread(t-near.t)
		d := math.Abs(g.at(t-g.t) - near.at(t-near.t))
		if d*d < 4*sigma*sigma*(its*its-own*own) {
			return a, b, g
		}
	}
	if last-first+1 >= curvedFrom {
		return first, last, near
	}
	return first, last, f
}

// steadier returns the slope that samples first to last, which cross level at slope s, are judged
// by: that of the line through them and up to two more on each side, as long as they lie on one for
// all that noise sigma can tell, for the slope of two or three samples scatters. Where they do not,
// noise may have moved the crossing past the nearer end, onto a shallower stretch: then its slope.
func (r *trace) steadier(first, last int, level, s, sigma float64) float64 {
	steady := s
	for n := range 2 {
		a, b := first-1-n, last+1+n
		if a < r.base || b >= r.len() || r.gapBefore(a+1) || r.gapBefore(b) {
			break
		}
		f := r.fit(a, b, 1)
		if f.plain(sigma) && f.c[1]*s > 0 {
			steady = f.c[1]
			continue
		}
		if n == 0 && math.Abs(r.vacuum(first)-level) < 2*sigma {
			s = shallower(s, r.fit(a, first, 1).c[1], math.Sqrt2*sigma/(r.time(first)-r.time(a)))
		}
		if n == 0 && math.Abs(r.vacuum(last)-level) < 2*sigma {
			s = shallower(s, r.fit(last, b, 1).c[1], math.Sqrt2*sigma/(r.time(b)-r.time(last)))
		}
		if n == 0 {
			return s
		}
		break
	}
	return steady
}

// shallower returns s, or the slope beside, known to u, where that is the shallower one.
func shallower(s, beside, u float64) float64 {
	if s < 0 {
		return -shallower(-s, -beside, u)
	}
	return min(s, max(beside, u))
}

// settling returns the factor q by which the steps of the vacuum shrink from one interval as
// long as the pair (j−1, j) to the next, 1 where noise sigma may make them do so; and how far
// the pair itself can be trusted to be bent that way: where the interval before is less than
// half as steep, the change began in it or in the pair.
func (r *trace) settling(j int, sigma float64) (q, trust float64) {
	if j-2 < r.base || j+1 >= r.len() || r.gapBefore(j-1) || r.gapBefore(j) || r.gapBefore(j+1) {
		return 1, 0
	}
	slope := func(i int) float64 { return (r.vacuum(i) - r.vacuum(i-1)) / (r.time(i) - r.time(i-1)) }
	dt := r.time(j) - r.time(j-1)
	s := slope(j)
	bent := 1 - slope(j+1)/s
	trust = min(1, 2*slope(j-1)/s)
	if !(trust > 0 && bent > 0.01+2*math.Sqrt2*sigma/(math.Abs(s)*dt)) {
		return 1, 0
	}
	return math.Pow(max(1-bent, 0.02), 2*dt/(r.time(j+1)-r.time(j-1))), trust
}

// A vacuum that settles goes through a pair of samples as (1 − q^x)/(1 − q) of its rise, x the
// part of the time gone. bow returns how much earlier than a straight line it has made the
// part f of its rise; and ahead by how much of the rise it leads at x.
func bow(f, q, trust float64) float64 {
	if trust == 0 || !(f > 0 && f < 1) {
		return 0
	}
	return trust * (f - math.Log(1-f*(1-q))/math.Log(q))
}

func ahead(x, q, trust float64) float64 {
	if trust == 0 {
		return 0
	}
	return trust * ((1-math.Pow(q, x))/(1-q) - x)
}

// about returns the samples about sample at, without one-sample spikes, and the index among them
// of that sample or of the one after it; they are good until the next sample comes.
func (k *Tracker) about(at int) (*trace, int) {
	// Samples that have come and are not judged yet do not count: how many those are depends on
	// the batches in which they came.
	heard := k.trace
	n := min(max(k.next, at)+1, heard.len()) - heard.base
	heard.t, heard.v, heard.half, heard.gap = heard.t[:n], heard.v[:n], heard.half[:n], heard.gap[:n]
	r, c := &heard, &k.near
	t := r.time(at)
	const span = 2 * maxReach
	first, last := at, at
	if k.lastGap <= r.base { // none among those held: look from the ends
		first, last = r.after(t-1.001*span), min(r.after(t+1.001*span), r.len()-1)
		for t-r.time(first) > span {
			first++
		}
		for r.time(last)-t > span {
			last--
		}
	}
	for first > r.base && !r.gapBefore(first) && t-r.time(first-1) <= span {
		first--
	}
	for last+1 < r.len() && !r.gapBefore(last+1) && r.time(last+1)-t <= span {
		last++
	}
	limit := max(0.5, 6*k.noise.sigma())
	whole := func() (*trace, int) {
		a, b := first-r.base, last+1-r.base
		k.view = trace{t: r.t[a:b], v: r.v[a:b], half: r.half[a:b], gap: r.gap[a:b]}
		return &k.view, at - first
	}
	if !r.spiked(first, last, limit) {
		return whole()
	}
	*c = trace{t: c.t[:0], v: c.v[:0], half: c.half[:0], gap: c.gap[:0]}
	near := 0
	for i := first; i <= last; i++ {
		if i == at {
			near = c.len()
		}
		if !r.spike(i, limit) {
			c.append(r.time(i), r.vacuum(i), r.stampHalf(i), i > first && r.gapBefore(i))
		}
	}
	if c.len() < 2 { // so slowly sampled that a turn looks like a spike
		return whole()
	}
	return c, min(near, c.len()-1)
}

// spiked reports whether one of samples first to last may be a spike.
func (r *trace) spiked(first, last int, limit float64) bool {
	v := r.v[first-r.base : last+1-r.base]
	for i := 1; i < len(v); i++ {
		if d := v[i] - v[i-1]; (d > limit || -d > limit) && (r.spike(first+i-1, limit) || r.spike(first+i, limit)) {
			return true
		}
	}
	return r.spike(first, limit) || r.spike(last, limit)
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
		s := r.fit(first, last, 1).c[1]
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
	x.t -= k.lateS()
	if c.UpdateS > 0 { // the value is as old as its last refresh, on average half of it
		x.err.Corrected("refresh of the sensor", -c.UpdateS/2)
		x.err.Rect("refresh of the sensor", c.UpdateS/2)
	}
	if c.LagS > 0 {
		// A first-order sensor shows a ramp late by its time constant; on the exponential
		// rises of the check values the delay differs from it by up to 12 %.
		x.err.Corrected("lag of the sensor", -c.LagS)
		x.err.Rect("what the lag's correction leaves", 0.13*c.LagS)
	}
}

// lateS returns by how much the vacuum channel shows a crossing late, in seconds.
func (k *Tracker) lateS() float64 {
	late := 0.0
	if u := k.vac.UpdateS; u > 0 {
		late += u / 2
	}
	if l := k.vac.LagS; l > 0 {
		late += l
	}
	return late
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

// A fit is a least-squares polynomial of degree 1 or 2 through n samples about their mean time
// t: Σ c[i]·p[i](x), x the time after t, with the polynomials that are orthogonal over the
// samples: p[i+1] = (x − α[i])·p[i] − β[i]·p[i−1]. The terms left out, one after a line and two
// after a parabola (a kink in its middle shows in the second), tell whether the degree suffices.
type fit struct {
	t, rms      float64
	n, degree   int
	c, norm     [5]float64 // coefficients, and Σ p[i]² over the samples
	alpha, beta [4]float64
}

func (r *trace) fit(first, last, degree int) fit {
	n := last - first + 1
	f := fit{n: n, degree: degree}
	t, v := r.t[first-r.base:last+1-r.base], r.v[first-r.base:last+1-r.base]
	mean := 0.0
	for i := range t {
		f.t += t[i]
		mean += v[i]
	}
	f.t /= float64(n)
	mean /= float64(n)
	f.c[0], f.norm[0] = mean, float64(n)
	left := 0.0 // Σ (v − fit)², term by term
	for i := range v {
		left += (v[i] - mean) * (v[i] - mean)
	}
	for d := 1; d <= min(2*degree, n-1); d++ {
		var xpp, pp, pv float64
		for i := range t {
			x := t[i] - f.t
			p := f.p(d, x)
			pp += p * p
			xpp += x * p * p
			pv += p * (v[i] - mean)
		}
		f.c[d], f.norm[d] = pv/pp, pp
		if d < len(f.alpha) {
			f.alpha[d], f.beta[d] = xpp/pp, pp/f.norm[d-1]
		}
		if d <= degree {
			left -= pv * pv / pp
		}
	}
	f.rms = math.Sqrt(max(left, 0) / float64(max(n-degree-1, 1)))
	return f
}

// p returns the orthogonal polynomial of degree d at x.
func (f *fit) p(d int, x float64) float64 {
	a, b := 0.0, 1.0
	for i := range d {
		a, b = b, (x-f.alpha[i])*b-f.beta[i]*a
	}
	return b
}

// at returns the fit at x.
func (f *fit) at(x float64) float64 {
	v := f.c[0]
	for d := 1; d <= f.degree; d++ {
		v += f.c[d] * f.p(d, x)
	}
	return v
}

// meets returns when the fit meets level, as time after its mean time, and its slope there.
func (f *fit) meets(level float64) (d, slope float64) {
	d = (level - f.c[0]) / f.c[1]
	if f.degree > 1 {
		for range 4 { // Newton: the bend is slight
			d -= (f.at(d) - level) / f.slope(d)
		}
	}
	return d, f.slope(d)
}

// slope returns the slope of the fit at x.
func (f *fit) slope(x float64) float64 {
	if f.degree == 1 {
		return f.c[1]
	}
	return f.c[1] + f.c[2]*(2*x-f.alpha[1])
}

// spread returns the standard error of the fit's value at time d after its mean time, where
// σ is 1.
func (f *fit) spread(d float64) float64 {
	s := 0.0
	for i := 0; i <= f.degree; i++ {
		p := f.p(i, d)
		s += p * p / f.norm[i]
	}
	if f.n >= curvedFrom {
		return math.Sqrt(s)
	}
	// The samples also choose the window; where it holds few that scatters as well
	// (simulated: rms of error/u 1.05 to 1.13 without the factor, see TestCoverage).
	return 1.1 * math.Sqrt(s)
}

// plain reports whether the samples lie on the fit for all that noise σ can tell: each term
// left out under two standard errors, the residual under 1.5 σ. With few samples the residual
// itself scatters more: its limit is three standard errors up.
func (f *fit) plain(sigma float64) bool {
	limit := max(1.5, math.Sqrt(1+3*math.Sqrt(2/float64(f.n-f.degree-1))))
	for d := f.degree + 1; d <= min(f.degree*2, f.n-1); d++ {
		if math.Abs(f.c[d])*math.Sqrt(f.norm[d]) >= 2*sigma {
			return false
		}
	}
	return f.rms < limit*sigma
}

// hidden returns by how many standard errors a bend may move the crossing that noise sigma hides
// from plain: by as many as the terms left out lie off zero together, and more for few samples,
// where less of the bend shows in them. Small ones say nothing.
//
// The constants are simulated: a knee of 1 : 4 anywhere within 5 kPa is held in 92 to 97 % of
// intervals (TestKneeHiddenByNoise), while a smooth rise stays at an rms of error/u of 0.85
// (TestCoverage); wider is not to be had without leaving that. Of a kink in the middle of a parabola's
// window the fourth term shows a third.
func (f *fit) hidden(sigma float64) float64 {
	if sigma == 0 {
		return 0
	}
	left := 0.0 // chi-squared
	for d := f.degree + 1; d <= min(2*f.degree, f.n-1); d++ {
		left += f.c[d] * f.c[d] * f.norm[d] / (sigma * sigma)
	}
	n := float64(f.n)
	switch {
	case f.degree == 1 && left > 0.3:
		return 2 * math.Sqrt(left)
	case f.degree == 2 && left > 1.7-2.5/n:
		return math.Sqrt(left * (0.8 + 15/n))
	}
	return 0
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

// lateBefore returns by how much sample j−1 may have arrived late, in seconds.
func (r *trace) lateBefore(j int, interval float64) float64 {
	a := arrivals{interval: interval}
	for i := r.base + 1; i < j; i++ {
		if r.gapBefore(i) {
			a = arrivals{interval: interval}
			continue
		}
		a.next(r.time(i) - r.time(i-1))
	}
	return a.before(r.time(j) - r.time(j-1))
}
