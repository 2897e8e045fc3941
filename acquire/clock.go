// Package acquire holds what every bus shares: the clock that stamps are counted on.
// It stands between config, which says what hardware there is, and record, which makes
// the batches of its subpackages durable.
package acquire

import (
	"sync/atomic"
	"time"

	"griptrial/acquire/sample"
)

// A Clock counts nanoseconds from a zero that all sources of a trial share. It runs on
// the monotonic clock: setting the wall clock does not move it. While the computer is
// suspended it goes on, so that a night asleep is a gap and not one sampling interval. The
// zero Clock is not of use. Clocks may be copied and used concurrently.
type Clock struct {
	zero  time.Time // with its monotonic reading
	slept *slept
}

// NewClock returns a clock whose zero is now.
func NewClock() Clock {
	c := Clock{time.Now(), new(slept)}
	c.slept.before = suspended()
	return c
}

// Now returns the nanoseconds since the clock's zero.
func (c Clock) Now() int64 { return c.At(time.Now()) }

// At returns instant t, of which it is asked at once, in nanoseconds since the clock's zero,
// negative before it. It is monotonic where t came from time.Now in this process.
func (c Clock) At(t time.Time) int64 {
	ns := int64(t.Sub(c.zero))
	if last := c.slept.asked.Load(); ns-last < askEvery && ns >= last {
		return ns + c.slept.sum.Load()
	}
	c.slept.asked.Store(ns)
	return ns + c.slept.since(suspended())
}

// askEvery bounds what asking costs: 0.5 µs each time.
const askEvery = int64(time.Millisecond)

// slept is how long the computer was suspended since a clock's zero, in nanoseconds.
type slept struct {
	before int64        // what suspended returned at zero
	sum    atomic.Int64 // never less
	asked  atomic.Int64 // when, on the monotonic clock since zero
}

// since takes what suspended returned now. That is too little by as much as the program was
// held up between its two readings, and so only a difference that is no such delay counts.
func (s *slept) since(now int64) int64 {
	const least = int64(100 * time.Millisecond)
	for {
		sum := s.sum.Load()
		if more := now - s.before; more < sum+least || s.sum.CompareAndSwap(sum, more) {
			return max(sum, s.sum.Load())
		}
	}
}

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
