package pick

import (
	"math"
	"slices"
)

// A tally gives the median of any number of values in bounded memory: a histogram with
// bins as wide as the channel's resolution, so that the median of raw counts is exact.
type tally struct {
	width, perWidth float64
	first           float64 // bin i is centred at first + (i − zero)·width
	zero            int
	bin             []uint32
	lo, hi          int // bins used
	n               int
}

// tallyBins bounds a tally's memory: where it does not suffice, bins get twice as wide.
const tallyBins = 1 << 16

func (h *tally) reset(width float64) {
	if h.n > 0 {
		clear(h.bin[h.lo : h.hi+1])
	}
	h.width, h.perWidth, h.n = width, 1/width, 0
}

func (h *tally) add(v float64) { h.addN(v, 1) }

func (h *tally) addN(v float64, n int) {
	if h.n == 0 {
		h.first, h.zero = v, len(h.bin)/2
		h.lo, h.hi = h.zero, h.zero
	}
	h.n += n
	i := int((v-h.first)*h.perWidth + float64(h.zero) + 0.5)
	if uint(i) >= uint(len(h.bin)) || i == 0 {
		i = h.grow(v)
	}
	h.lo, h.hi = min(h.lo, i), max(h.hi, i)
	h.bin[i] += uint32(n)
}

// grow makes room for value v and returns its bin.
func (h *tally) grow(v float64) int {
	for {
		i := int(math.Floor((v-h.first)*h.perWidth + float64(h.zero) + 0.5))
		if i >= 0 && i < len(h.bin) {
			return i
		}
		if len(h.bin) >= tallyBins {
			h.widen()
			continue
		}
		old := h.bin
		h.bin = make([]uint32, max(256, 2*len(old)))
		shift := (len(h.bin) - len(old)) / 2
		copy(h.bin[shift:], old)
		h.zero += shift
		h.lo += shift
		h.hi += shift
	}
}

// widen makes bins twice as wide: new bin j, as far from the first value's as i is, takes
// the old bins 2j and 2j + 1.
func (h *tally) widen() {
	old := slices.Clone(h.bin)
	clear(h.bin)
	for i, n := range old {
		if n > 0 {
			j := h.zero + (i-h.zero)>>1
			h.bin[j] += n
		}
	}
	h.lo, h.hi = h.zero+(h.lo-h.zero)>>1, h.zero+(h.hi-h.zero)>>1
	h.first += h.width / 2 // the middle of the two
	h.width *= 2
	h.perWidth /= 2
}

func (h *tally) merge(o *tally) {
	for i := o.lo; o.n > 0 && i <= o.hi; i++ {
		if n := o.bin[i]; n > 0 {
			h.addN(o.first+float64(i-o.zero)*o.width, int(n))
		}
	}
}

// median returns the median, NaN of nothing.
func (h *tally) median() float64 {
	if h.n == 0 {
		return math.NaN()
	}
	// From above: what a hold settles at is near its highest.
	hi := math.NaN()
	seen := 0
	for i := h.hi; ; i-- {
		seen += int(h.bin[i])
		if seen < (h.n+1)/2 {
			continue
		}
		v := h.first + float64(i-h.zero)*h.width
		if math.IsNaN(hi) {
			hi = v
		}
		if seen >= h.n/2+1 {
			return (v + hi) / 2
		}
	}
}

// below returns how many values lie under v.
func (h *tally) below(v float64) int {
	n := 0
	for i := h.lo; h.n > 0 && i <= h.hi && h.first+float64(i-h.zero)*h.width < v; i++ {
		n += int(h.bin[i])
	}
	return n
}

// Blocks are medians of a few neighbouring samples, at most maxBlocks of them: when full,
// neighbours merge and blocks take twice the samples. They give slopes in bounded memory.
type blocks struct {
	t, v   []float64
	merged int // base blocks in one block, a power of two
	part   [blockSamples]float64
	partT  float64
	nPart  int
	pend   int // base blocks gathered towards the next block
	pt, pv float64

	lastT, lastV float64 // of the last blockSamples

	scratch []float64
}

const (
	maxBlocks    = 256
	blockSamples = 5
)

func (b *blocks) reset() { *b = blocks{t: b.t[:0], v: b.v[:0], merged: 1, scratch: b.scratch} }

// add takes a sample and reports whether it completed blockSamples, whose median is then
// lastV.
func (b *blocks) add(t, v float64) bool {
	b.part[b.nPart] = v
	b.partT += t
	if b.nPart++; b.nPart < blockSamples {
		return false
	}
	b.lastT, b.lastV = b.partT/blockSamples, medianOf5(&b.part)
	b.put(b.lastT, b.lastV)
	b.nPart, b.partT = 0, 0
	return true
}

// medianOf5 returns the median of five: the smallest and the largest of four are dropped,
// the fifth goes with the middle two.
func medianOf5(p *[5]float64) float64 {
	a, b := min(p[0], p[1]), max(p[0], p[1])
	c, d := min(p[2], p[3]), max(p[2], p[3])
	x, y := max(a, c), min(b, d)
	lo, hi := min(x, y), max(x, y)
	return max(lo, min(hi, p[4]))
}

func (b *blocks) put(t, v float64) {
	b.pt += t
	b.pv += v
	if b.pend++; b.pend < b.merged {
		return
	}
	b.t = append(b.t, b.pt/float64(b.merged))
	b.v = append(b.v, b.pv/float64(b.merged))
	b.pend, b.pt, b.pv = 0, 0, 0
	if len(b.t) == maxBlocks {
		for i := range maxBlocks / 2 {
			b.t[i] = (b.t[2*i] + b.t[2*i+1]) / 2
			b.v[i] = (b.v[2*i] + b.v[2*i+1]) / 2
		}
		b.t, b.v = b.t[:maxBlocks/2], b.v[:maxBlocks/2]
		b.merged *= 2
	}
}

// merge appends the blocks of a later stretch.
func (b *blocks) merge(o *blocks) {
	for i := range o.t {
		for range o.merged {
			b.put(o.t[i], o.v[i])
		}
	}
	for i := range o.nPart {
		b.add(o.partT/float64(o.nPart), o.part[i])
	}
}

// halves returns the medians of the blocks of the first and of the second half, NaN where
// a half has none.
func (b *blocks) halves() (first, second float64) {
	v := slices.Clone(b.v)
	if b.nPart >= 3 {
		v = append(v, medianOf(slices.Clone(b.part[:b.nPart])))
	}
	n := len(v) / 2
	if n == 0 {
		return math.NaN(), math.NaN()
	}
	return medianOf(v[:n]), medianOf(v[len(v)-n:])
}

// within returns when the blocks came within tol of level, known to levelU, between which times
// in seconds, from at the earliest, and the uncertainty that the level and noise sigma make of it;
// NaN where none did.
func (b *blocks) within(level, levelU, tol, from, sigma float64) (t, interval, u float64) {
	inside := func(v float64) bool { return math.Abs(v-level) <= tol }
	i := slices.IndexFunc(b.v, inside)
	if i < 0 {
		return math.NaN(), 0, 0
	}
	scatter := 1.2533 * sigma / math.Sqrt(blockSamples*float64(b.merged))
	// Noise lets some come early and others late, as many on either side of when the vacuum
	// itself comes: until many in a row are inside, those outside are counted. That number has
	// the variance Σ p·(1 − p), for a straight rise by g a block and normal noise scatter/(g·√π).
	const many = 8
	n, last, over := i, i-1, false
	for j, row := i, 0; j < len(b.v) && row < many; j++ {
		if row++; !inside(b.v[j]) {
			n, last, row = n+1, j, 0
			over = over || i > 0 && (b.v[j] > level) != (b.v[0] > level)
		}
	}
	if over { // it swings: settled is what stays inside
		n = last + 1
	}
	switch {
	case n == 0:
		d := b.t[0] - from
		return from + d/2, d, 0
	case n == len(b.v):
		return math.NaN(), 0, 0
	}
	d := b.t[n] - b.t[n-1]
	off, now := math.Inf(1), 0.0
	if i > 0 {
		off, now = math.Abs(b.v[n-1]-level), math.Abs(b.v[n]-level)
	}
	if last >= i && !over || scatter > (off-now)/4 {
		beside := max(1, last-i+1)
		first, after := max(i-1-beside, 0), min(last+1+beside, len(b.v)-1)
		all := b.t[after] - b.t[first]
		if u = all; b.v[after] != b.v[first] {
			g := math.Abs(b.v[after]-b.v[first]) / float64(after-first)
			// 1.25: g scatters as well (simulated, see TestOtherFiguresCoverage).
			u = min(all, 1.25*d*math.Hypot(math.Sqrt(scatter/g/math.Sqrt(math.Pi)), levelU/g))
		}
		return b.t[n-1] + d/2, d, u
	}
	// A settling vacuum passes the tolerance between the two.
	return b.t[n-1] + d*(off-tol)/(off-now), d, min(d, d*math.Hypot(scatter, levelU)/(off-now))
}

// moved is noisyMedian where first and second, the medians of the halves, differ by so much that
// noise moves the median; else NaN.
func (b *blocks) moved(first, second, sigma float64) (shift, scatter float64) {
	if sigma > 0 && math.Abs(second-first) > sigma/10 {
		return b.noisyMedian(sigma)
	}
	return math.NaN(), math.NaN()
}

// noisyMedian returns by how much noise of standard deviation sigma moves the median of the
// samples from that of the vacuum itself, since it draws a rise's short tail to its long one,
// and by how much it makes the median of one sample scatter; NaN for fewer than five blocks.
//
// The course of the vacuum is taken from means of neighbouring blocks, which hold little
// noise. About it the median x has Σ Φ((x − v)/σ) = n/2 over the n samples v, and the variance
// Σ p·(1 − p)/(n·f)² with p = Φ((x − v)/σ) and the density f = Σ φ((x − v)/σ)/(n·σ): the count under x
// is a sum of independent trials. Where v stands still that is the known 1.2533·σ/√n.
func (b *blocks) noisyMedian(sigma float64) (shift, scatter float64) {
	n := len(b.v)
	if n < 5 {
		return math.NaN(), math.NaN()
	}
	mean := func(i int) float64 {
		side := min(1+n/16, i, n-1-i)
		sum := 0.0
		for _, v := range b.v[i-side : i+side+1] {
			sum += v
		}
		return sum / float64(2*side+1)
	}
	const points = 32
	var v [points]float64
	for i := range v {
		x := float64(n-1) * (float64(i) + 0.5) / points
		a := int(x)
		v[i] = mean(a) + (mean(a+1)-mean(a))*(x-float64(a))
	}
	slices.Sort(v[:])
	course := (v[points/2-1] + v[points/2]) / 2
	// Where the points lie further apart than σ noise moves little, and they are smoothed that
	// far to tell the density; the trials go with it.
	wide := max(sigma, (v[points/2+1]-v[points/2-2])/3)
	const far = 6 // from there on 1 − erf is under 3e-17
	x := course
	if wide <= sigma {
		// Newton, within what one point of 32 more than half can do: 2.2 σ.
		lo, hi := course-3*sigma, course+3*sigma
		for range 20 {
			above, slope := 0.0, 0.0
			for _, y := range v {
				switch z := (y - x) / (math.Sqrt2 * sigma); {
				case z > far:
					above++
				case z < -far:
					above--
				default:
					above += math.Erf(z)
					slope += math.Exp(-z * z)
				}
			}
			if above > 0 {
				lo = x
			} else {
				hi = x
			}
			next := x + above*sigma*math.Sqrt(math.Pi/2)/slope
			if !(next > lo && next < hi) {
				next = (lo + hi) / 2
			}
			step := math.Abs(next - x)
			if x = next; step < sigma/1000 {
				break
			}
		}
	}
	trials, density := 0.0, 0.0
	for _, y := range v {
		z := (x - y) / wide
		if math.Abs(z) > far*math.Sqrt2 {
			continue
		}
		p := 0.5 * math.Erfc(-z/math.Sqrt2)
		trials += p * (1 - p) / points
		density += math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / wide / points
	}
	// The means hold noise of their own, which has moved the course's median already. Beside a
	// short tail the median moves as the noise does, and what it still moves is as much too small
	// as √(σ² + c²) − c is smaller than σ.
	c := 1.2533 / math.Sqrt((blockSamples+0.5)*float64(b.merged*(2*min(1+n/16, (n-1)/2)+1)))
	return (x - course) / (math.Hypot(1, c) - c), math.Sqrt(trials*sigma/wide) / density
}

// slope returns the robust slope of the blocks (Theil and Sen: the median of the slopes of
// all pairs; Sen 1968) in units a second, with its standard uncertainty from the scatter
// about the line, NaN for fewer than three blocks.
func (b *blocks) slope() (slope, u float64) {
	return theilSen(b.t, b.v, &b.scratch)
}

// theilSen is slope for values v at times t; scratch is overwritten.
func theilSen(t, v []float64, scratch *[]float64) (slope, u float64) {
	n := len(t)
	if n < 3 {
		return math.NaN(), math.NaN()
	}
	s := slices.Grow((*scratch)[:0], n*(n-1)/2+2*n)
	*scratch = s
	for i := range n {
		for j := i + 1; j < n; j++ {
			if t[j] > t[i] {
				s = append(s, (v[j]-v[i])/(t[j]-t[i]))
			}
		}
	}
	slope = medianOf(s)
	r := s[len(s) : len(s)+n]
	mean := 0.0
	for i := range n {
		r[i] = v[i] - slope*t[i]
		mean += t[i] / float64(n)
	}
	mid := medianOf(append(r[n:n], r...))
	sxx := 0.0
	for i := range n {
		r[i] = math.Abs(r[i] - mid)
		sxx += (t[i] - mean) * (t[i] - mean)
	}
	return slope, medianOf(r) / 0.6745 / math.Sqrt(sxx)
}

// A span gathers the vacuum of a stretch of the hold: median, lowest, slope, and the time
// that gaps take of it.
type span struct {
	tally  tally
	blocks blocks
	lowest lowest
	gapS   float64
}

// A lowest is the least value of the running median in kPa, and by how much the vacuum
// changes there from sample to sample.
type lowest struct{ v, step float64 }

// A beginning is the running median in kPa at the instant from which a hold counts, how steep
// the vacuum is there in kPa/s, and by how much it may be off for being read between two samples.
// unseen is how far it rose from the required vacuum where one interval may hold that rise.
type beginning struct{ v, slope, bend, unseen float64 }

func (s *span) reset(width float64) {
	s.tally.reset(width)
	s.blocks.reset()
	s.lowest, s.gapS = lowest{v: math.Inf(1)}, 0
}

func (s *span) add(t, v float64) bool {
	s.tally.add(v)
	return s.blocks.add(t, v)
}

// A pending is a running median whose window reaches past what has been judged.
type pending struct {
	of   *span
	last int // of its window
	low  lowest
}

// low takes the running median at sample i into the lowest of s, once every sample of its
// window is one of the hold: beside a release the median is the least of those before it.
func (k *Tracker) low(s *span, i int, x lowest) {
	k.commitLow(i)
	k.pending = slices.DeleteFunc(k.pending, func(q pending) bool { return q.of != s })
	if x.v < s.lowest.v {
		_, last := k.trace.window(i, k.half)
		k.pending = append(k.pending, pending{s, last, x})
	}
}

// commitLow takes the medians whose windows end before sample i.
func (k *Tracker) commitLow(i int) {
	n := 0
	for _, q := range k.pending {
		if q.last < i {
			q.of.low(q.low)
		} else {
			k.pending[n] = q
			n++
		}
	}
	k.pending = k.pending[:n]
}

// merge adds span from to span to, and what is pending of it.
func (k *Tracker) merge(to, from *span) {
	k.commitLow(k.next)
	to.merge(from)
	for i := range k.pending {
		if k.pending[i].of == from {
			k.pending[i].of = to
		}
	}
}

// low keeps the lower one.
func (s *span) low(x lowest) {
	if x.v < s.lowest.v {
		s.lowest = x
	}
}

func (s *span) merge(o *span) {
	s.tally.merge(&o.tally)
	s.blocks.merge(&o.blocks)
	s.low(o.lowest)
	s.gapS += o.gapS
}
