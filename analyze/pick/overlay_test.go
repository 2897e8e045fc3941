package pick

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestOnGrid(t *testing.T) {
	nan := math.NaN()
	got := OnGrid([]float64{1, 2, 5, 6}, []float64{10, 20, 50, 70}, []float64{0.5, 1, 1.25, 2, 3, 5.5, 6, 6.5}, 1)
	// 3 s lies between samples 3 s apart.
	assert.Equal(t, fmt.Sprint([]float64{nan, 10, 12.5, 20, nan, 60, 70, nan}), fmt.Sprint(got))
	assert.Equal(t, fmt.Sprint([]float64{nan}), fmt.Sprint(OnGrid(nil, nil, []float64{1}, 1)))
}

func TestEnvelope(t *testing.T) {
	nan := math.NaN()
	median, lo, hi := Envelope([][]float64{{1, nan, nan}, {3, 5, nan}, {8, 6, nan}}, 3)
	assert.Equal(t, fmt.Sprint([]float64{3, 5.5, nan}), fmt.Sprint(median))
	assert.Equal(t, fmt.Sprint([]float64{1, 5, nan}), fmt.Sprint(lo))
	assert.Equal(t, fmt.Sprint([]float64{8, 6, nan}), fmt.Sprint(hi))
}
