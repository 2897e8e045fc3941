package compare

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// Commands belong to the run that the plan has then, or the operator; those between two runs
// of an operator belong to none.
func TestCommandsInRuns(t *testing.T) {
	times := []float64{0.5, 1, 2, 3, 4, 5}
	planned := &Trial{StartsS: []float64{1, 3}}
	assert.Equal(t, []stamp{{1, 1}, {2, 1}}, planned.inRuns("a", times, map[int]bool{1: true}))
	assert.Equal(t, []stamp{{3, 2}, {4, 2}, {5, 2}}, planned.inRuns("a", times, map[int]bool{2: true}))
	byHand := &Trial{StartsS: []float64{1, 4}, Changes: map[string][]RunFrom{"a": {{0.999, 1}, {1.999, 0}, {3.999, 2}, {4.999, 1}}}}
	assert.Equal(t, []stamp{{1, 1}, {5, 1}}, byHand.inRuns("a", times, map[int]bool{1: true}))
	assert.Equal(t, []stamp{{4, 2}}, byHand.inRuns("a", times, map[int]bool{2: true}))
	assert.Empty(t, byHand.inRuns("b", times, map[int]bool{1: true}))
}
