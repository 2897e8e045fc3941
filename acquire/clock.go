// Package acquire holds what every bus shares: the clock that stamps are counted on.
// It stands between config, which says what hardware there is, and record, which makes
// the batches of its subpackages durable.
package acquire

import (
	"time"

	"griptrial/acquire/sample"
)

// A Clock counts nanoseconds from a zero that all sources of a trial share. It runs on
// the monotonic clock: setting the wall clock does not move it. The zero Clock is not
// of use. Clocks may be copied and used concurrently.
type Clock struct {
	zero time.Time // with its monotonic reading
}

// NewClock returns a clock whose zero is now.
func NewClock() Clock { return Clock{time.Now()} }

// Now returns the nanoseconds since the clock's zero.
func (c Clock) Now() int64 { return int64(time.Since(c.zero)) }

// At returns instant t in nanoseconds since the clock's zero, negative before it. It is
// monotonic where t came from time.Now in this process.
func (c Clock) At(t time.Time) int64 { return int64(t.Sub(c.zero)) }

// Both returns the nanoseconds since the clock's zero and what the wall clock reads, of the
// same instant.
func (c Clock) Both() (int64, time.Time) {
	now := time.Now()
	return c.At(now), now.Round(0).UTC()
}

// UTC returns the wall clock's reading at zero: the one anchor of a trial in the world's
// time. It is read once; a wall clock set later does not change it.
func (c Clock) UTC() time.Time { return c.zero.Round(0).UTC() }

// Stamp returns the middle of from and to in whole ticks, later than last, and a
// half-width, in ticks, that reaches both.
func Stamp(from, to, last int64) (stamp, half int64) {
	const tick = sample.TickNS
	stamp = FloorTick((from+to)/2 + tick/2)
	if last != sample.Missing {
		stamp = max(stamp, last+tick)
	}
	half = max(stamp-from, to-stamp)
	return stamp, -FloorTick(-half)
}

// FloorTick returns the last whole tick not after ns.
func FloorTick(ns int64) int64 {
	n := ns % sample.TickNS
	if n < 0 {
		n += sample.TickNS
	}
	return ns - n
}
