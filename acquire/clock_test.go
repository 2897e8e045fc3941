package acquire_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"

	"griptrial/acquire"
)

func TestClockCountsFromItsZero(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		before := time.Now()
		time.Sleep(time.Second)
		c := acquire.NewClock()
		// A bubble begins at midnight UTC 2000-01-01 (testing/synctest).
		assert.Equal(t, time.Date(2000, 1, 1, 0, 0, 1, 0, time.UTC), c.UTC())
		assert.Equal(t, int64(0), c.Now())
		assert.Equal(t, int64(-time.Second), c.At(before))

		time.Sleep(90 * time.Minute)
		assert.Equal(t, int64(90*time.Minute), c.Now())
		assert.Equal(t, c.Now(), c.At(time.Now()))
	})
}

func TestUTCAnchorHasNoMonotonicReading(t *testing.T) {
	anchor := acquire.NewClock().UTC()
	assert.Equal(t, anchor, anchor.Round(0), "comparable after it was stored and read back")
}
