package pick

import (
	"math"
	"slices"
)

// A trace holds the vacuum samples of the last few seconds and those that have come but
// are not yet judged. Indices count from the first sample of the recording and stay valid
// while a sample is held.
type trace struct {
	t, v, half []float64
	gap        []bool // a gap lies before the sample
	base       int    // index of t[0]
}

func (r *trace) len() int                { return r.base + len(r.t) }
func (r *trace) time(i int) float64      { return r.t[i-r.base] }
func (r *trace) vacuum(i int) float64    { return r.v[i-r.base] }
func (r *trace) gapBefore(i int) bool    { return r.gap[i-r.base] }
func (r *trace) stampHalf(i int) float64 { return r.half[i-r.base] }

// grow makes room for n more samples.
func (r *trace) grow(n int) {
	r.t, r.v = slices.Grow(r.t, n), slices.Grow(r.v, n)
	r.half, r.gap = slices.Grow(r.half, n), slices.Grow(r.gap, n)
}

func (r *trace) append(t, v, half float64, gap bool) {
	r.t = append(r.t, t)
	r.v = append(r.v, v)
	r.half = append(r.half, half)
	r.gap = append(r.gap, gap)
}

// forget drops samples before time t and index keep. It moves memory only once half of
// what is held can go.
func (r *trace) forget(t float64, keep int) {
	n := 0
	if m := len(r.t) / 2; m > 0 && r.t[m] < t && r.base+m < keep {
		n = m
	}
	if n < 1024 {
		return
	}
	r.t = r.t[:copy(r.t, r.t[n:])]
	r.v = r.v[:copy(r.v, r.v[n:])]
	r.half = r.half[:copy(r.half, r.half[n:])]
	r.gap = r.gap[:copy(r.gap, r.gap[n:])]
	r.base += n
}

// after returns the index of the first sample held at or after time t.
func (r *trace) after(t float64) int {
	lo, hi := 0, len(r.t)
	for step := 1; hi-step > 0; step *= 2 { // it is mostly asked for what has just come
		if r.t[hi-step] < t {
			lo = hi - step + 1
			break
		}
		hi -= step
	}
	i, _ := slices.BinarySearch(r.t[lo:hi], t)
	return r.base + lo + i
}

// upTo returns the index behind the last sample held at or before time t.
func (r *trace) upTo(t float64) int { return r.after(math.Nextafter(t, math.Inf(1))) }

// window returns the first and last index of the running median's window about sample i:
// the samples within ± half, at least one on each side, never across a gap.
func (r *trace) window(i int, half float64) (first, last int) {
	t := r.time(i)
	first, last = i, i
	for first > r.base && !r.gapBefore(first) && (first == i || t-r.time(first-1) <= half) {
		first--
	}
	for last+1 < r.len() && !r.gapBefore(last+1) && (last == i || r.time(last+1)-t <= half) {
		last++
	}
	return first, last
}

// median returns the running median at sample i. scratch is overwritten.
func (r *trace) median(i int, half float64, scratch *[]float64) float64 {
	first, last := r.window(i, half)
	if last-first == 2 {
		a, b, c := r.vacuum(first), r.vacuum(first+1), r.vacuum(last)
		return max(min(a, b), min(max(a, b), c))
	}
	*scratch = append((*scratch)[:0], r.v[first-r.base:last+1-r.base]...)
	return medianOf(*scratch)
}

// step returns by how much the vacuum changes about sample i from sample to sample, kPa,
// beyond what noise sigma makes of it.
func (r *trace) step(i int, half, sigma float64) float64 {
	a, b := r.window(i, half)
	return max(0, math.Abs(r.vacuum(b)-r.vacuum(a))-2*math.Sqrt2*sigma) / float64(max(b-a, 1))
}

// medianOf returns the median of x, whose order it changes; NaN of nothing.
func medianOf(x []float64) float64 {
	n := len(x)
	if n == 0 {
		return math.NaN()
	}
	m := n / 2
	arrange(x, m)
	if n%2 == 1 {
		return x[m]
	}
	below := x[m-1]
	for _, v := range x[:m-1] {
		if v > below {
			below = v
		}
	}
	return (below + x[m]) / 2
}

// arrange puts the value there at index m of x that would be there if x were sorted, and none
// greater before it (Hoare's selection). Few values it sorts, and so it does where one is NaN.
func arrange(x []float64, m int) {
	const few = 16
	if len(x) > few {
		for _, v := range x {
			if v != v {
				slices.Sort(x)
				return
			}
		}
	}
	lo, hi := 0, len(x)-1
	for hi-lo >= few {
		a, b, c := x[lo], x[(lo+hi)/2], x[hi]
		pivot := max(min(a, b), min(max(a, b), c))
		i, j := lo, hi
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for x[j] > pivot {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case m <= j:
			hi = j
		case m >= i:
			lo = i
		default:
			return
		}
	}
	slices.Sort(x[lo : hi+1])
}

// noise estimates the standard deviation of a channel's noise from the median absolute
// second difference of near-even triples: (v₀ + v₂)/2 − v₁ has 1.5 σ², and the median of a
// normal variable's magnitude is 0.6745 of its deviation. The median is read from a
// histogram with 16 bins an octave that forgets half of what it holds when it is full.
type noise struct {
	bin   [noiseOctaves * 16]uint32
	n     uint32
	turn  int
	floor float64 // resolution/√12, kPa

	known float64 // sigma when it was last worked out
	stale int     // triples until it is worked out again
}

const (
	noiseOctaves = 64
	noiseLowest  = 1023 - 44 // exponent of the lowest bin: 2⁻⁴⁴ kPa
	noiseFull    = 1 << 16
	noiseFewest  = 8 // triples below which the floor is all that is known
)

// noiseAll is the number of triples up to which every one is taken, later one in four.
const noiseAll = 4096

// next reports whether the next triple is to be taken.
func (e *noise) next() bool {
	e.turn++
	return e.turn <= noiseAll || e.turn&3 == 0
}

func (e *noise) add(t0, t1, t2, v0, v1, v2 float64) {
	a, b := t1-t0, t2-t1
	if d := a - b; d > 0.1*(a+b) || -d > 0.1*(a+b) {
		return
	}
	d := (v0+v2)/2 - v1
	k := int(math.Float64bits(d)>>48&0x7fff) - noiseLowest<<4
	e.bin[min(max(k, 0), len(e.bin)-1)]++
	if e.n++; e.n >= noiseFull {
		e.n = 0
		for i := range e.bin {
			e.bin[i] /= 2
			e.n += e.bin[i]
		}
	}
	if e.stale--; e.stale <= 0 && e.n >= noiseFewest {
		e.known, e.stale = e.read(), int(e.n/16)
	}
}

// sigma returns the standard deviation of the noise in kPa, not below the floor. It is
// worked out anew once a sixteenth more triples have come.
func (e *noise) sigma() float64 {
	if e.n < noiseFewest {
		return e.floor
	}
	return e.known
}

func (e *noise) read() float64 {
	half := float64(e.n) / 2
	sum := 0.0
	for i, n := range e.bin {
		if sum+float64(n) < half {
			sum += float64(n)
			continue
		}
		if i == 0 {
			break
		}
		k := uint64(i + noiseLowest<<4)
		lo, hi := math.Float64frombits(k<<48), math.Float64frombits((k+1)<<48)
		d := lo + (hi-lo)*(half-sum)/float64(n)
		return max(d/0.6745/math.Sqrt(1.5), e.floor)
	}
	return e.floor
}
