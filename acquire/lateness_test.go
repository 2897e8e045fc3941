package acquire_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire"
)

func TestLateness(t *testing.T) {
	var empty acquire.Lateness
	assert.Zero(t, empty.Quantile(0.5))

	const seed = 3
	rng := rand.New(rand.NewPCG(seed, 0))
	for _, n := range []int{1, 2, 99, 100, 101, 10_000} {
		var l acquire.Lateness
		for i := range n { // all of 1 to n, scaled, in no order
			l.Add(time.Duration(i+1) * 317)
		}
		for _, q := range []float64{0.5, 0.99} {
			want := time.Duration(math.Ceil(q*float64(n))) * 317
			got := l.Quantile(q)
			assert.GreaterOrEqual(t, got, want, "n %d q %g", n, q)
			assert.LessOrEqual(t, float64(got), float64(want)*1.07, "n %d q %g", n, q)
		}
		assert.Equal(t, time.Duration(n)*317, l.Worst())
	}
	// Any duration lies within its class.
	for range 100_000 {
		d := time.Duration(rng.Int64() >> rng.IntN(63))
		var l acquire.Lateness
		l.Add(d)
		l.Add(math.MaxInt64) // else the worst would tell it exactly
		require.GreaterOrEqual(t, l.Quantile(0.5), d, "seed %d", seed)
		require.LessOrEqual(t, float64(l.Quantile(0.5)), float64(d)*1.07, "seed %d", seed)
	}
	var l acquire.Lateness
	l.Add(-time.Second)
	l.Add(math.MaxInt64)
	assert.Equal(t, time.Duration(0), l.Quantile(0.5), "early is not late")
}

// What is told is what came since the last time; nothing is told twice or lost.
func TestPunctuality(t *testing.T) {
	var p acquire.Punctuality
	p.Began(time.Millisecond)
	p.Began(3 * time.Millisecond)
	got := p.Tell("block", "io", 5, 2)
	assert.Equal(t, []uint64{2, 5, 2}, []uint64{got.Polls, got.Merged, got.Errors})
	assert.Equal(t, []string{"block", "io"}, []string{got.Bus, got.Device})
	assert.Equal(t, 3*time.Millisecond, got.Worst)
	assert.InEpsilon(t, time.Millisecond, got.Median, 0.07)
	p.Began(2 * time.Millisecond)
	assert.Equal(t, acquire.Polling{Bus: "block", Device: "io", Polls: 1, Merged: 1, Median: 2 * time.Millisecond, P99: 2 * time.Millisecond, Worst: 2 * time.Millisecond},
		p.Tell("block", "io", 6, 2))
	assert.Equal(t, acquire.Polling{Bus: "block", Device: "io"}, p.Tell("block", "io", 6, 2))
	assert.Equal(t, 3*time.Millisecond, p.All.Worst())
}
