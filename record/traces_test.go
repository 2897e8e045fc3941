package record

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
)

func TestTraces(t *testing.T) {
	groups := []sample.Group{{Channels: []sample.Channel{{Kind: sample.Vacuum, Station: "A", Scale: 1}, {Kind: sample.Vacuum, Station: "B", Scale: 1}}}}
	var b sample.Batch
	b.Counts = make([][]int64, 2)
	for i := range int64(100) {
		b.T = append(b.T, i*10_000_000)
		b.Half = append(b.Half, 0)
		b.Counts[0] = append(b.Counts[0], i)
		b.Counts[1] = append(b.Counts[1], sample.Missing)
	}
	nan := math.NaN()
	at := func(station string, start, seal, end float64) pick.Pick {
		return pick.Pick{Station: station, StartS: start, ContactS: nan, SealedAtS: seal, EndS: end}
	}
	batches := func(yield func(sample.Batch, error) bool) { yield(b, nil) }
	got, err := Traces(batches, groups, []pick.Pick{at("A", 0.1, nan, 0.295), at("B", 0.1, nan, 0.2), at("A", nan, 0.5, 0.695), at("A", nan, nan, 0.8), at("A", 0.9, nan, nan)}, 2)
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{14.5, 24.5}, got[0], 0.51)
	assert.True(t, math.IsNaN(got[1][0]) && math.IsNaN(got[1][1]), "missing samples draw nothing")
	assert.InDeltaSlice(t, []float64{54.5, 64.5}, got[2], 0.51)
	assert.Nil(t, got[3])
	assert.Nil(t, got[4])
}
