package pick

import (
	"math"

	"griptrial/acquire/sample"
)

// An idleWatch finds the start of a pick where no supply channel tells it.
type idleWatch struct {
	flatFrom float64 // since when every sample lay near the idle level
	flat     bool    // for at least flatS
	near     bool
}

// flatS is how long a level must last to count as one, in seconds.
const flatS = 0.05

// reference returns the level that idle samples are held against before a pick: the one
// last found, else zero.
func (k *Tracker) reference() float64 {
	if math.IsNaN(k.idle) {
		return 0
	}
	return k.idle
}

// stepIdle judges sample i while no pick is in progress.
func (k *Tracker) stepIdle(i int, t, m float64, gap bool) {
	if k.has(sample.Supply) {
		return
	}
	if gap {
		k.in = idleWatch{}
	}
	ref := k.reference()
	k.nearIdle(t, k.trace.vacuum(i), ref, k.tol())
	if m <= ref+k.set.IdleBandKPa {
		return
	}
	x := k.riseStart(i, ref)
	k.begin(x, t)
	if p := k.now; x.ok() && !math.IsNaN(p.idle) {
		// The level is known now: the start is the last sample within the band of it.
		p.start = k.riseStart(i, p.idle)
	}
	if p := k.now; p != nil {
		p.required = watch{level: p.level}
		p.idling = watch{level: p.band, known: true, above: true, since: t, at: i, inGap: true}
		if x.ok() { // it rose from idle: below the required vacuum until now
			p.required.known, p.required.since, p.required.at = true, k.trace.time(max(i-1, k.trace.base)), i
			prev := k.trace.vacuum(max(i-1, k.trace.base))
			k.watch(p, &p.required, i, t, m, p.required.since, prev, gap)
		} else {
			k.watch(p, &p.required, i, t, m, math.NaN(), math.NaN(), gap)
		}
		p.flats.add(&k.trace, i, k.tol())
	}
}

func (k *Tracker) nearIdle(t, v, ref, tol float64) {
	w := &k.in
	if math.Abs(v-ref) > tol {
		w.near = false
		return
	}
	if !w.near {
		w.near, w.flatFrom = true, t
	}
	if t-w.flatFrom >= flatS-1e-9 {
		w.flat = true
	}
}

// riseStart returns the last sample within the idle band of level before the rise that
// takes the running median out of it at sample i; none where no stretch near the idle
// level came before it: then the recording began with the supply on.
func (k *Tracker) riseStart(i int, level float64) instant {
	if !k.in.flat {
		return noInstant()
	}
	r := &k.trace
	first, last := r.window(i, k.half)
	limit := max(0.5, 6*k.noise.sigma())
	for j := last; j >= first; j-- {
		if r.vacuum(j) <= level+k.set.IdleBandKPa && !r.spike(j, limit) {
			x := instant{t: r.time(j), err: k.spread()}
			if j+1 < r.len() {
				x.beside = r.time(j+1) - x.t
			}
			x.err.Rect("start between samples", x.beside)
			x.err.Rect("stamp of the start", r.stampHalf(j))
			return x
		}
	}
	if first > r.base {
		return instant{t: r.time(first - 1), beside: r.time(first) - r.time(first-1)}
	}
	return noInstant()
}

// flats finds flat stretches while a cup waits for its bag: at least flatS and three
// samples long, with a range under twice the tolerance.
type flats struct {
	from     int // first sample of the current stretch, -1 for none
	fromT, t float64
	lo, hi   float64
	n        int
	sum      float64
	st, sv   float64 // sums for the slope, about the first sample
	stt, stv float64
	list     []flat
}

// A flat is a stretch at one level.
type flat struct {
	level, slope float64 // kPa, kPa/s
	from, to     float64 // s
}

// maxFlats bounds the stretches remembered; the oldest is forgotten.
const maxFlats = 16

func (f *flats) reset() { *f = flats{from: -1, list: f.list[:0]} }

// cut ends the current stretch.
func (f *flats) cut() {
	f.note()
	f.from = -1
}

// length returns how long the current stretch is, in seconds.
func (f *flats) length() float64 {
	if f.from < 0 {
		return 0
	}
	return f.t - f.fromT
}

func (f *flats) add(r *trace, i int, tol float64) {
	v := r.vacuum(i)
	if f.from >= 0 && max(f.hi, v)-min(f.lo, v) >= 2*tol {
		f.note()
		// The next stretch may have begun before: as far back as the range allows.
		lo, hi := v, v
		j := i
		for j > max(f.from+1, r.base) && !r.gapBefore(j) {
			u := r.vacuum(j - 1)
			if max(hi, u)-min(lo, u) >= 2*tol {
				break
			}
			lo, hi = min(lo, u), max(hi, u)
			j--
		}
		f.start(r, j)
		for j++; j < i; j++ {
			f.extend(r, j)
		}
	}
	if f.from < 0 {
		f.start(r, i)
		return
	}
	if i > f.from {
		f.extend(r, i)
	}
}

func (f *flats) start(r *trace, i int) {
	l := f.list
	*f = flats{from: i, fromT: r.time(i), t: r.time(i), lo: math.Inf(1), hi: math.Inf(-1), list: l}
	f.extend(r, i)
}

func (f *flats) extend(r *trace, i int) {
	t, v := r.time(i), r.vacuum(i)
	f.t = t
	f.lo, f.hi = min(f.lo, v), max(f.hi, v)
	f.n++
	x := t - f.fromT
	f.sum += v
	f.st += x
	f.sv += v
	f.stt += x * x
	f.stv += x * v
}

func (f *flats) stretch() (flat, bool) {
	if f.from < 0 || f.n < 3 || f.t-f.fromT < flatS-1e-9 {
		return flat{}, false
	}
	n := float64(f.n)
	slope := (f.stv - f.st*f.sv/n) / (f.stt - f.st*f.st/n)
	return flat{level: f.sum / n, slope: slope, from: f.fromT, to: f.t}, true
}

func (f *flats) note() {
	if s, ok := f.stretch(); ok {
		if len(f.list) == maxFlats {
			f.list = append(f.list[:0], f.list[1:]...)
		}
		f.list = append(f.list, s)
	}
}

// openSuction returns the level and the end of the flat stretch before a rise that met
// level at time ts, all flats above lowest counting; ok is false where there is none, or
// where there are several at different levels.
func (f *flats) openSuction(lowest, level, ts, tol float64) (at, end float64, ok bool) {
	all := f.list
	if s, is := f.stretch(); is {
		all = append(all, s)
	}
	var last flat
	n := 0
	for _, s := range all {
		if s.level < lowest || s.level >= level || s.to >= ts {
			continue
		}
		// Half of flatS belongs to the way from the stretch's middle to its end: without it
		// a stretch of a slow rise that noise lets end at ts would pass for flat.
		if math.Abs(s.slope) > 0.1*(level-s.level)/(ts-s.to+flatS/2) {
			continue
		}
		if n > 0 && s.from > last.to && math.Abs(s.level-last.level) > tol {
			return 0, 0, false // apart in time and in level
		}
		last = s
		n++
	}
	return last.level, last.to, n > 0
}
