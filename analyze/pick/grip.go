package pick

import (
	"fmt"
	"iter"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// A Grip is one pack presented to a cup and held still, read from the vacuum alone: the
// plain comparison of two cups on a bench.
type Grip struct {
	FromS, SettledS, ToS float64 // leaves the level before, comes to the plateau, leaves it for good
	BeforeKPa            float64 // level that it rose from; NaN where the recording does not show it
	PlateauKPa           analyze.Figure
	SettlingTimeS        analyze.Figure // from the level before to the plateau
	SlopeKPaS            analyze.Figure // of the plateau
	LeakLminANR          analyze.Figure // median flow less V·dv/dt; None without a flow channel
}

// GripOptions say what counts as a grip. NaN or 0 gives the default.
type GripOptions struct {
	AboveKPa float64 // vacuum that a grip exceeds; default 10: open suction may reach that
	HoldS    float64 // shortest plateau; default 0.5
	PersistS float64 // as in Settings; default 0.02
	VolumeL  float64 // for the leak flow while the vacuum still changes; NaN or 0: not known
}

// FindGrips returns the grips of a recording in the order of time; none where the vacuum
// nowhere stays above the level for long enough.
//
// Levels are told apart by max(0.5 kPa, 4σ). The plateau is the longest stretch of the grip
// in which the running median stays within that of its own middle (the median of the
// stretch); its vacuum is the median, its standard uncertainty the larger of the noise's and
// that of the medians of 13 blocks, with the sensor's limits of error and resolution. The
// settling time runs from the last sample at the level before the rise to the first of the
// plateau, each known to one interval.
func FindGrips(g sample.Group, batches iter.Seq[sample.Batch], o GripOptions) ([]Grip, error) {
	if !(o.AboveKPa > 0) {
		o.AboveKPa = 10
	}
	if !(o.HoldS > 0) {
		o.HoldS = 0.5
	}
	if !(o.PersistS > 0) {
		o.PersistS = 0.02
	}
	vacuum, flow := -1, -1
	for i := range g.Channels {
		switch g.Channels[i].Kind {
		case sample.Vacuum:
			vacuum = i
		case sample.Flow:
			flow = i
		}
	}
	if vacuum < 0 {
		return nil, fmt.Errorf("no vacuum channel")
	}
	k := Tracker{vac: g.Channels[vacuum]}
	if q := k.vac.Resolution; q > 0 {
		k.noise.floor = q / math.Sqrt(12)
	}
	limit := gapLimit(k.vac)
	var flows, flowTimes []float64
	var r trace
	for b := range batches {
		for i, n := range b.Counts[vacuum] {
			t := seconds(b.T[i])
			if n != sample.Missing {
				m := r.len()
				r.append(t, k.vac.Value(n), seconds(b.Half[i]), m > 0 && t-r.time(m-1) > limit)
				if m > 1 && !r.gap[m] && !r.gap[m-1] {
					k.noise.add(r.t[m-2], r.t[m-1], t, r.v[m-2], r.v[m-1], r.v[m])
				}
			}
			if flow >= 0 && b.Counts[flow][i] != sample.Missing {
				flowTimes = append(flowTimes, t)
				flows = append(flows, g.Channels[flow].Value(b.Counts[flow][i]))
			}
		}
	}
	n := r.len()
	med := make([]float64, n) // running median
	var scratch []float64
	for i := range med {
		med[i] = r.median(i, o.PersistS/2+1e-9, &scratch)
	}
	var grips []Grip
	for i := 0; i < n; {
		if med[i] < o.AboveKPa {
			i++
			continue
		}
		end := i + 1
		for end < n && med[end] >= o.AboveKPa && !r.gap[end] {
			end++
		}
		if grip, ok := k.grip(&r, med, i, end, o); ok {
			if flow >= 0 {
				grip.LeakLminANR = gripLeak(&g.Channels[flow], flowTimes, flows, grip, o.VolumeL)
			}
			grips = append(grips, grip)
		}
		i = end
	}
	return grips, nil
}

// grip reads the grip whose running median lies above the level from sample i to before end.
func (k *Tracker) grip(r *trace, med []float64, i, end int, o GripOptions) (Grip, bool) {
	tol := k.tol()
	first, last := plateau(r.t, med, i, end, tol)
	if last-first < 2*leakBlocks || r.t[last]-r.t[first] < o.HoldS {
		return Grip{}, false
	}
	t, v := r.t[first:last+1], r.v[first:last+1]
	sigma := k.noise.sigma()
	level := medianOf(append([]float64(nil), v...))
	_, blocksV := thin(t, v, leakBlocks)
	var b sums
	for _, x := range blocksV {
		b.add(x)
	}
	var e analyze.Spread
	e.Normal("scatter of the plateau", max(1.2533*sigma/math.Sqrt(float64(len(v))), b.u()))
	k.level(&e, sigma, level)
	g := Grip{FromS: math.NaN(), SettledS: t[0], ToS: t[len(t)-1], BeforeKPa: math.NaN(), SettlingTimeS: analyze.None(), LeakLminANR: analyze.None()}
	var warn []analyze.Warning
	half := len(v) / 2
	if a, z := medianOf(append([]float64(nil), v[:half]...)), medianOf(append([]float64(nil), v[half:]...)); math.Abs(z-a) > stillRisingKPa {
		warn = append(warn, analyze.Warning{Code: analyze.StillRising, A: a, B: z})
	}
	g.PlateauKPa = e.Figure(level, warn...)
	g.SlopeKPaS = blockSlope(t, v)

	// The level before: flat for flatS, at most until the rise.
	for j := i; j > 0 && !r.gap[j]; j-- {
		from := j - 1
		for from > 0 && !r.gap[from] && r.t[j-1]-r.t[from] < flatS-1e-9 {
			from--
		}
		w := med[from:j]
		lo, hi := extremes(w)
		if r.t[j-1]-r.t[from] < flatS-1e-9 || len(w) < 3 {
			break
		}
		if hi-lo >= tol {
			continue
		}
		g.BeforeKPa = medianOf(append([]float64(nil), w...))
		at := j - 1
		for at+1 < first && r.v[at+1] <= g.BeforeKPa+tol {
			at++
		}
		g.FromS = r.t[at]
		var s analyze.Spread
		// It left the level within the interval behind its last sample there, and came to the
		// plateau within that before its first; the window of the running median blurs both.
		s.Early("left its level between samples", r.t[at+1]-r.t[at])
		s.Early("came to the plateau between samples", r.t[first]-r.t[first-1])
		s.Rect("window of the running median", o.PersistS/2)
		s.Rect("stamps", r.half[at]+r.half[first])
		g.SettlingTimeS = s.Figure(g.SettledS - g.FromS)
		g.SettlingTimeS.Lo = max(0, g.SettlingTimeS.Lo)
		break
	}
	return g, true
}

func extremes(v []float64) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, x := range v {
		lo, hi = min(lo, x), max(hi, x)
	}
	return lo, hi
}

// plateau returns the first and last index of the longest stretch of v between from and to
// that stays within tol of its middle: a range under twice tol.
func plateau(t, v []float64, from, to int, tol float64) (first, last int) {
	// Two queues of indices whose values fall and rise give the extremes of a sliding window.
	var high, low []int
	first, last = from, from
	a := from
	for b := from; b < to; b++ {
		for len(high) > 0 && v[high[len(high)-1]] <= v[b] {
			high = high[:len(high)-1]
		}
		for len(low) > 0 && v[low[len(low)-1]] >= v[b] {
			low = low[:len(low)-1]
		}
		high, low = append(high, b), append(low, b)
		for v[high[0]]-v[low[0]] >= 2*tol {
			a++
			if high[0] < a {
				high = high[1:]
			}
			if low[0] < a {
				low = low[1:]
			}
		}
		if t[b]-t[a] > t[last]-t[first] {
			first, last = a, b
		}
	}
	return first, last
}

// blockSlope returns the slope of v over t: the median of the slopes of all pairs (Sen 1968)
// of at most 2,000 block medians, its uncertainty from the medians of leakBlocks blocks and
// Student's t.
func blockSlope(t, v []float64) analyze.Figure {
	ts, vs := thin(t, v, 2000)
	slope, _ := theilSen(ts, vs, new([]float64))
	tb, vb := thin(t, v, leakBlocks)
	u := slopeError(tb, vb)
	k := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: leakBlocks - 2}.Quantile(0.975)
	return analyze.Figure{Value: slope, U: u, Lo: slope - k*u, Hi: slope + k*u}
}

// gripLeak returns the leak flow of a grip: the median flow over its plateau less what still
// goes into the volume.
func gripLeak(ch *sample.Channel, t, q []float64, g Grip, volumeL float64) analyze.Figure {
	var in []float64
	var e noise
	if ch.Resolution > 0 {
		e.floor = ch.Resolution / math.Sqrt(12)
	}
	for i := range t {
		if t[i] >= g.SettledS && t[i] <= g.ToS {
			in = append(in, q[i])
			if i > 1 {
				e.add(t[i-2], t[i-1], t[i], q[i-2], q[i-1], q[i])
			}
		}
	}
	if len(in) < 3 {
		return analyze.None()
	}
	var s analyze.Spread
	s.Normal("noise of the flow's median", 1.2533*e.sigma()/math.Sqrt(float64(len(in))))
	flow := medianOf(in)
	s.Normal("calibration of the flow", ch.CalibrationU(flow))
	if ch.Accuracy > 0 {
		s.Rect("flow sensor's limits of error", ch.Accuracy)
	}
	if ch.Resolution > 0 {
		s.Rect("resolution of the flow", ch.Resolution/2)
	}
	if !(volumeL > 0) {
		if g.PlateauKPa.Has(analyze.StillRising) {
			return analyze.None(g.PlateauKPa.Warnings...)
		}
		return s.Figure(flow)
	}
	s.Normal("slope of the vacuum, in the volume", volumeL*g.SlopeKPaS.U*lminANR)
	return s.Figure(flow - volumeL*g.SlopeKPaS.Value*lminANR)
}
