package acquire

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// A clock goes on while the computer sleeps, by no less than it slept, and not for what is only
// a delay between two readings.
func TestClockGoesOnWhileSuspended(t *testing.T) {
	const ms, hour = int64(time.Millisecond), int64(time.Hour)
	s := slept{before: 5 * hour}
	for _, c := range []struct{ now, want int64 }{
		{5 * hour, 0},
		{5*hour - 80*ms, 0}, // held up between the readings
		{5*hour + 50*ms, 0},
		{6*hour - 3*ms, hour - 3*ms}, // asleep for an hour
		{6 * hour, hour - 3*ms},
		{6*hour - 90*ms, hour - 3*ms},
		{14 * hour, 9 * hour},
	} {
		assert.Equal(t, c.want, s.since(c.now), "%v", c)
	}
	c := NewClock()
	before := c.Now()
	c.slept.before -= hour
	time.Sleep(2 * time.Millisecond) // it is asked every millisecond
	assert.InDelta(t, before+hour, c.Now(), float64(time.Minute), "and the stamps with it")
	ns, wall := c.Both()
	assert.InDelta(t, wall.Sub(c.UTC())+time.Hour, ns, float64(time.Minute))
}
