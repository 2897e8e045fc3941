package acquire

import (
	"math"
	"math/bits"
	"time"
)

// A Polling says how the deadlines of a device were kept for a while.
type Polling struct {
	Bus, Device string
	Polls       uint64 // begun
	Merged      uint64 // slots not polled because the next was due already
	Errors      uint64 // slots that gave no values for another reason
	// How late polls began; 0 without polls. Median and P99 are within 7 % above the true value.
	Median, P99, Worst time.Duration
}

// A Punctuality is how a device keeps its deadlines: in all, and since it was last asked.
type Punctuality struct {
	All Lateness

	since          Lateness
	merged, errors uint64 // told
}

// Began notes that a poll began late after its deadline.
func (p *Punctuality) Began(late time.Duration) {
	p.All.Add(late)
	p.since.Add(late)
}

// Tell returns what happened since the last call, from the number of slots merged and of
// slots without values so far.
func (p *Punctuality) Tell(bus, device string, merged, errors uint64) Polling {
	x := Polling{Bus: bus, Device: device, Polls: p.since.n, Merged: merged - p.merged, Errors: errors - p.errors,
		Median: p.since.Quantile(0.5), P99: p.since.Quantile(0.99), Worst: p.since.worst}
	p.since, p.merged, p.errors = Lateness{}, merged, errors
	return x
}

// A Lateness is a histogram of durations with 16 classes an octave of nanoseconds: memory
// is bounded however long a trial is. Negative durations count as 0.
type Lateness struct {
	class [60 * 16]uint64
	n     uint64
	worst time.Duration
}

// Add counts one duration.
func (l *Lateness) Add(d time.Duration) {
	d = max(d, 0)
	l.n++
	l.worst = max(l.worst, d)
	l.class[latenessClass(uint64(d))]++
}

// Worst returns the longest duration added; 0 where none was.
func (l *Lateness) Worst() time.Duration { return l.worst }

// latenessClass numbers classes from 0 upwards: one for each of 0 to 31 ns, then 16 for
// each doubling.
func latenessClass(ns uint64) int {
	shift := max(0, bits.Len64(ns)-5)
	return shift*16 + int(ns>>shift)
}

// Quantile returns the upper end of the class that holds the q-quantile, at most the
// worst; 0 where nothing was added.
func (l *Lateness) Quantile(q float64) time.Duration {
	want := uint64(math.Ceil(q * float64(l.n)))
	var seen uint64
	for i, n := range l.class {
		seen += n
		if n > 0 && seen >= want {
			shift := max(0, i/16-1)
			upper := (uint64(i-shift*16)+1)<<shift - 1
			return min(time.Duration(upper), l.worst)
		}
	}
	return 0
}
