package acquire

import "slices"

// A Refresh finds how often a device renews a count that is read more often: from the
// times between the scans at which it changed. The zero Refresh is ready for use.
type Refresh struct {
	scans   int
	last    int64 // count of the last scan
	changed int64 // stamp of the last change, ns
	between []int64
}

// How many times between changes an answer needs, and how many are kept.
const (
	enoughChanges = 20
	mostChanges   = 4096
)

// Add takes the next scan of a channel: its stamp in ns and its raw count.
func (r *Refresh) Add(t, count int64) {
	if r.scans++; r.scans > 1 && count != r.last {
		if r.changed != 0 && len(r.between) < mostChanges {
			r.between = append(r.between, t-r.changed)
		}
		r.changed = t
	}
	r.last = count
}

// UpdateS returns the interval in seconds at which the count is renewed, and false where
// nothing can be said: fewer than 20 changes, a count that changes at most scans, so that
// it is renewed as fast as it is read or faster, or changes at no steady interval.
//
// It is a low quantile of the times between changes, the tenth: a noisy signal changes at
// almost every renewal, but two renewals may bring the same count, so that longer times are
// multiples. The times below it are those that the reading cut short, by a poll at most.
func (r *Refresh) UpdateS() (float64, bool) {
	if len(r.between) < enoughChanges || 3*len(r.between) > 2*r.scans {
		return 0, false
	}
	sorted := slices.Clone(r.between)
	slices.Sort(sorted)
	low := sorted[len(sorted)/10]
	if low <= 0 {
		return 0, false
	}
	// The mean of those that are one renewal apart.
	var sum, n int64
	for _, x := range sorted {
		if x < low*3/2 {
			sum += x
			n++
		}
	}
	if n < int64(len(sorted))/2 {
		return 0, false
	}
	return float64(sum) / float64(n) / 1e9, true
}
