package acquire

import "time"

// A Backoff says how long to leave alone what has failed.
type Backoff struct {
	failures int
	Cause    string // of the last failure
	Until    time.Time
}

// Longest wait of a backoff, and the wait after the second failure in a row.
const (
	backoffMax   = 2 * time.Second
	backoffFirst = 100 * time.Millisecond
)

// Fail notes a failure. The first has no wait, the next slot may try. The nth, from the
// second, waits 100 ms × 2^(n-2), at most 2 s, less up to half, as jitter in 0 to 1 says:
// many rigs must not come back to one gateway at the same instant.
func (b *Backoff) Fail(cause string, now time.Time, jitter float64) {
	b.failures++
	b.Cause, b.Until = cause, now
	if n := b.failures - 2; n >= 0 {
		wait := min(backoffMax, backoffFirst<<min(n, 10))
		b.Until = now.Add(wait - time.Duration(jitter/2*float64(wait)))
	}
}
