package record

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"griptrial/acquire/sample"
)

// Flagged counts are missing for the figures and stay in the batch, which others hold too.
func TestFlaggedCountsAreNotUsed(t *testing.T) {
	groups := []sample.Group{{Channels: []sample.Channel{{Name: "loop", Limits: sample.Limits{LoopScaleMA: 0.01}}, {Name: "plain"}}}}
	s, err := NewStations(groups, nil, nil)
	assert.NoError(t, err)
	counts := [][]int64{{0, 1200, 2200}, {0, 1200, 2200}} // 0, 12 and 22 mA
	b := sample.Batch{T: []int64{1, 2, 3}, Half: []int64{0, 0, 0}, Counts: counts}
	got := s.measured(b)
	assert.Equal(t, [][]int64{{sample.Missing, 1200, sample.Missing}, {0, 1200, 2200}}, got.Counts)
	assert.Equal(t, [][]int64{{0, 1200, 2200}, {0, 1200, 2200}}, b.Counts, "stored as read")
	assert.Equal(t, map[Flagged]int{{"loop", sample.BrokenWire}: 1, {"loop", sample.OverRange}: 1}, s.Flagged())
}
