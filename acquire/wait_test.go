package acquire_test

import (
	"context"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire"
	"griptrial/acquire/sample"
)

var waiters = map[string]func(context.Context) acquire.Waiter{
	"of the system": acquire.NewWaiter,
	"timer":         func(ctx context.Context) acquire.Waiter { return acquire.NewTimerWaiter(ctx.Done()) },
}

func TestWaiters(t *testing.T) {
	for name, make := range waiters {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			w := make(ctx)
			defer w.Close()
			for i := range 50 {
				at := time.Now().Add(time.Duration(i*i) * time.Microsecond)
				w.Until(at)
				require.False(t, time.Now().Before(at), "woke early")
			}
			w.Until(time.Now().Add(-time.Second)) // past: at once
			go cancel()
			w.Until(time.Now().Add(time.Hour)) // ended by the context
			w.Until(time.Now().Add(time.Hour)) // has ended
		})
	}
}

// The instants asked for lie within T ± Half, whatever the rounding, and T increases.
func TestStamp(t *testing.T) {
	const seed = 11
	rng := rand.New(rand.NewPCG(seed, 0))
	last := int64(sample.Missing)
	now := int64(-50_000)
	for i := range 100_000 {
		from := now + rng.Int64N(30_000)
		to := from + rng.Int64N(1+rng.Int64N(100_000))
		T, half := acquire.Stamp(from, to, last)
		require.Zero(t, T%sample.TickNS)
		require.Zero(t, half%sample.TickNS)
		require.Greater(t, T, last)
		require.LessOrEqual(t, T-half, from, "seed %d, %d", seed, i)
		require.GreaterOrEqual(t, T+half, to, "seed %d, %d", seed, i)
		if T-last > sample.TickNS { // not pushed on by the scan before
			require.LessOrEqual(t, half, (to-from)/2+3*sample.TickNS/2, "seed %d, %d", seed, i)
		}
		last, now = T, to
	}
	T, half := acquire.Stamp(10_000, 30_000, sample.Missing)
	assert.Equal(t, []int64{20_000, 10_000}, []int64{T, half}, "exact where it can be")
	T, half = acquire.Stamp(20_000, 20_000, sample.Missing)
	assert.Equal(t, []int64{20_000, 0}, []int64{T, half}, "no duration")
}

func TestBackoff(t *testing.T) {
	now := time.Now()
	var b acquire.Backoff
	var waits []time.Duration
	for range 70 {
		b.Fail("x", now, 0)
		waits = append(waits, b.Until.Sub(now))
	}
	ms := time.Millisecond
	assert.Equal(t, []time.Duration{0, 100 * ms, 200 * ms, 400 * ms, 800 * ms, 1600 * ms, 2000 * ms}, waits[:7])
	assert.Equal(t, 2000*ms, waits[69])
	b.Fail("x", now, 1)
	assert.Equal(t, 1000*ms, b.Until.Sub(now), "jitter takes up to half off")
}
