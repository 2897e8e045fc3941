package bench

import (
	"encoding/json"
	"math"
	"math/rand/v2"
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
	assert.JSONEq(t, `{"station":"left","step":"zero","value":null,"u":null,"scatter":null,"lo":-0.5,"hi":0.5,"pass":false,"why":"2 samples"}`, string(text))

	free := Steps(rig(t, ""))
	r = free[1].Judge([]float64{1, 2, 3})
	assert.Nil(t, r.Pass, "no limit, no verdict")
	assert.Nil(t, r.Lo)
}

func TestDrift(t *testing.T) {
	x, y, ux, uy := 0.25, 0.5, 0.03, 0.04
	before := []Result{{Station: "left", Step: "zero", Value: &x, Scatter: &ux}, {Station: "left", Step: "open suction"}}
	d, u := Drift(before, Result{Station: "left", Step: "zero", Value: &y, Scatter: &uy})
	assert.Equal(t, 0.25, d)
	assert.InDelta(t, 0.05, u, 1e-12, "0.03 and 0.04 in squares")
	_, u = Drift(before, Result{Station: "left", Step: "zero", Value: &y})
	assert.True(t, math.IsNaN(u), "of a file without it")
	for _, after := range []Result{{Station: "right", Step: "zero", Value: &y}, {Station: "left", Step: "open suction", Value: &y}, {Station: "left", Step: "zero"}} {
		d, u := Drift(before, after)
		assert.True(t, math.IsNaN(d) && math.IsNaN(u))
	}
}

// The uncertainty of a check is that of its median: seen in the scatter of 2,000 checks of
// the same rig, and the drift between two of them.
func TestUncertaintyIsThatSeen(t *testing.T) {
	steps := Steps(rig(t, ""))
	r := rand.New(rand.NewPCG(1, 2))
	for _, s := range steps[:3] {
		s.Place.Channel.Resolution = math.NaN() // noise alone
		var sum, square, u2 float64
		const n = 2000
		for range n {
			v := make([]float64, 200)
			for i := range v {
				v[i] = 60 - 0.005*float64(i) + 0.2*r.NormFloat64()
			}
			if s.Name != "leak-down" {
				for i := range v {
					v[i] += 0.005 * float64(i)
				}
			}
			got := s.Judge(v)
			sum, square, u2 = sum+*got.Value, square+*got.Value**got.Value, u2+*got.Scatter**got.Scatter
			assert.Equal(t, *got.Scatter, *got.U, "no accuracy stated")
		}
		seen := math.Sqrt(square/n - sum/n*sum/n)
		// The standard deviation of 2,000 has a standard error of 1.6 %.
		assert.InEpsilon(t, seen, math.Sqrt(u2/n), 0.08, s.Name)
	}
	s := steps[1]
	s.Place.Channel.Accuracy, s.Place.Channel.Resolution = 0.5, 0.1
	got := s.Judge([]float64{60, 60, 60})
	assert.InDelta(t, 0.1/math.Sqrt(12), *got.Scatter, 1e-9, "a resolution of 0.1 kPa")
	assert.InDelta(t, math.Hypot(0.1/math.Sqrt(12), 0.5/math.Sqrt(3)), *got.U, 1e-9)
}

// A vacuum that swings while it should stand is no level: somebody picks meanwhile. Noise, a
// drift and the ripple of a blower are none of it.
func TestStepsThatMustStandStill(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	picking := func(i int) float64 { // 0.6 s of 0.9 s evacuated, read every 10 ms
		if i%90 < 60 {
			return 63 * (1 - math.Exp(-float64(i%90)/5))
		}
		return 63 * math.Exp(-float64(i%90-60)/3)
	}
	for _, c := range []struct {
		name   string
		step   int
		value  func(i int) float64
		swings bool
		why    string
	}{
		{"picking, zero", 0, picking, true, "swings from "},
		{"picking, blanked", 1, picking, true, "swings from "},
		{"picking, open suction", 3, picking, true, "swings from "},
		{"picking, leak-down", 2, picking, true, "keep the supply shut"},
		{"rising still", 1, func(i int) float64 { return 40 + 0.1*float64(i) }, true, "swings from "},
		{"zero in noise of 0.5 kPa", 0, func(int) float64 { return 0.5 * r.NormFloat64() }, false, ""},
		{"blanked with ripple", 1, func(i int) float64 { return 30 + math.Sin(float64(i)) }, false, ""},
		{"leak-down in noise", 2, func(i int) float64 { return 60 - 0.01*float64(i) + 0.5*r.NormFloat64() }, false, ""},
		{"leak-down", 2, func(i int) float64 { return 60 - 0.1*float64(i) }, false, ""},
		{"air pressure", 4, func(i int) float64 { return 600 + 50*math.Sin(float64(i)/20) }, false, ""},
		{"zero within the idle band", 0, func(int) float64 { return -2.9 }, false, ""},
		{"zero beyond it", 0, func(int) float64 { return -3.1 }, false, "far from ambient: the idle band is 3 kPa"},
		{"open suction far from ambient", 3, func(int) float64 { return 8 }, false, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := make([]float64, 200)
			for i := range v {
				v[i] = c.value(i)
			}
			steps := Steps(rig(t, ""))
			got := steps[c.step].Judge(v)
			assert.Equal(t, c.swings, got.Value == nil)
			assert.Equal(t, c.swings, got.Pass != nil && !*got.Pass, "no limit is stated")
			if c.why == "" {
				assert.Empty(t, got.Why)
			}
			assert.Contains(t, got.Why, c.why)
		})
	}
	limited := Steps(rig(t, "    bench: {zero: 5 kPa}"))
	got := limited[0].Judge([]float64{4, 4, 4})
	assert.True(t, *got.Pass)
	assert.Empty(t, got.Why, "the limit judges it")
}
