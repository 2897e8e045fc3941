package bench

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/config"
)

func rig(t *testing.T, bench string) *config.Rig {
	r, err := config.ParseRig("rig.yaml", []byte(`name: bench
stations:
  - name: left
`+bench+`
buses:
  - name: block
    kind: modbus-tcp
    address: 127.0.0.1:502
    devices:
      - name: io
        channels:
          - {name: p, kind: vacuum, station: left, at: cup, reads: gauge, register: {table: input, address: 0, type: i16}, scale: -0.1 kPa}
          - {name: air, kind: air_pressure, station: left, register: {table: input, address: 1, type: i16}, scale: 1 kPa}
`))
	require.NoError(t, err)
	return r
}

func TestSteps(t *testing.T) {
	nan := math.NaN()
	steps := Steps(rig(t, "    bench: {zero: 0.5 kPa, blanked: 60 kPa, leak_down: 2 kPa, open: 10 kPa, air_pressure: [5 bar, 7 bar]}"))
	require.Len(t, steps, 5)
	for _, c := range []struct {
		step   int
		values []float64
		want   float64
		pass   bool
	}{
		{0, []float64{0.4, 0.5, 0.5}, 0.5, true}, {0, []float64{0.5, 0.6, 0.6}, 0.6, false}, {0, []float64{-0.6, -0.6, -0.6}, -0.6, false}, {0, []float64{nan, 0, 0, 9}, 0, true},
		{1, []float64{60, 60, 60}, 60, true}, {1, []float64{59.9, 59.9, 80}, 59.9, false},
		{2, []float64{60, 59, 58}, 2, true}, {2, []float64{60, 59, 57.9}, 2.1, false}, {2, []float64{57, 59, 60}, -3, true},
		{3, []float64{10, 10, 10}, 10, true}, {3, []float64{10.1, 10.1, 10.1}, 10.1, false},
		{4, []float64{500, 500, 500}, 500, true}, {4, []float64{499, 499, 499}, 499, false}, {4, []float64{701, 701, 701}, 701, false}, {4, []float64{1, 2, 600, 600, 600, 600}, 600, true},
	} {
		r := steps[c.step].Judge(c.values)
		require.NotNil(t, r.Value)
		assert.InDelta(t, c.want, *r.Value, 1e-9)
		assert.Equal(t, c.pass, *r.Pass, "%s %v", r.Step, c.values)
	}
	r := steps[0].Judge([]float64{nan, nan, 1, 1})
	assert.Nil(t, r.Value)
	assert.False(t, *r.Pass, "not shown is not passed")
	assert.Equal(t, "2 samples", r.Why)
	text, err := json.Marshal(r)
	require.NoError(t, err)
	assert.JSONEq(t, `{"station":"left","step":"zero","value":null,"lo":-0.5,"hi":0.5,"pass":false,"why":"2 samples"}`, string(text))

	free := Steps(rig(t, ""))
	r = free[1].Judge([]float64{1, 2, 3})
	assert.Nil(t, r.Pass, "no limit, no verdict")
	assert.Nil(t, r.Lo)
}

func TestDrift(t *testing.T) {
	x, y := 0.25, 0.5
	before := []Result{{Station: "left", Step: "zero", Value: &x}, {Station: "left", Step: "open suction"}}
	d, ok := Drift(before, Result{Station: "left", Step: "zero", Value: &y})
	assert.True(t, ok)
	assert.Equal(t, 0.25, d)
	for _, after := range []Result{{Station: "right", Step: "zero", Value: &y}, {Station: "left", Step: "open suction", Value: &y}, {Station: "left", Step: "zero"}} {
		_, ok := Drift(before, after)
		assert.False(t, ok)
	}
}
