package pick

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

func (b bench) all(to float64) []sample.Batch {
	var all []sample.Batch
	b.run(0, to, func(x sample.Batch) { all = append(all, x) })
	return all
}

func TestGrip(t *testing.T) {
	// Open suction at 6 kPa, contact at 2 s, then 60 − 54·e^(−t/0.2), still until 8 s.
	one := shape(piece{0, 6, 0.01}, piece{2, 60, 0.2}, piece{8, 0, 0.05})
	for _, c := range []struct {
		name  string
		b     bench
		opt   GripOptions
		to    float64
		grips int
		check func(t *testing.T, g Grip)
	}{
		{name: "one", b: bench{vacuum: one}, grips: 1, check: func(t *testing.T, g Grip) {
			assert.InDelta(t, 6, g.BeforeKPa, 0.01)
			assert.InDelta(t, 60, g.PlateauKPa.Value, 0.05)
			assert.Less(t, g.PlateauKPa.U, 0.05)
			// It leaves 6.5 kPa 0.2·ln(54/53.5) s after contact; a plateau of ± 0.5 kPa begins
			// 1 kPa under its top, 0.2·ln(54/1) s after contact.
			want := 0.2*math.Log(54) - 0.2*math.Log(54/53.5)
			assert.InDelta(t, want, g.SettlingTimeS.Value, 0.0201)
			assert.LessOrEqual(t, g.SettlingTimeS.Lo, want)
			assert.GreaterOrEqual(t, g.SettlingTimeS.Hi, want)
			assert.Less(t, g.SettlingTimeS.U, 0.01)
			assert.InDelta(t, 0, g.SlopeKPaS.Value, 0.02)
			assert.False(t, g.LeakLminANR.OK())
		}},
		{name: "noise", b: bench{vacuum: one, noiseKPa: 0.1}, grips: 1, check: func(t *testing.T, g Grip) {
			assert.InDelta(t, 60, g.PlateauKPa.Value, max(3*g.PlateauKPa.U, 0.05))
			assert.Greater(t, g.SettlingTimeS.Value, 0.2*math.Log(54)-0.03) // noise takes its part of ± 0.5 kPa
			assert.Less(t, g.SettlingTimeS.Value, 0.2*math.Log(54/0.4))
		}},
		{name: "leak flow", b: bench{vacuum: one, follow: map[sample.Kind]func(float64) float64{sample.Flow: func(float64) float64 { return 4 }}},
			grips: 1, check: func(t *testing.T, g Grip) { assert.InDelta(t, 4, g.LeakLminANR.Value, 1e-6) }},
		{name: "a slow fall, with its volume", opt: GripOptions{VolumeL: 0.5}, b: bench{vacuum: func(x float64) float64 {
			if x > 2.5 && x < 8 {
				return 60 - 0.1*(x-2.5) // 0.1 kPa/s in 0.5 L are 0.03 L/min ANR
			}
			return one(x)
		}, follow: map[sample.Kind]func(float64) float64{sample.Flow: func(float64) float64 { return 4 }}}, grips: 1, check: func(t *testing.T, g Grip) {
			assert.InDelta(t, -0.1, g.SlopeKPaS.Value, 0.003)
			assert.InDelta(t, 4.03, g.LeakLminANR.Value, 0.001)
		}},
		{name: "two grips", b: bench{vacuum: shape(piece{1, 6, 0.01}, piece{2, 60, 0.05}, piece{4, 6, 0.05}, piece{6, 45, 0.05}, piece{9, 0, 0.05})}, grips: 2},
		{name: "open suction is no grip", b: bench{vacuum: shape(piece{1, 6, 0.01})}},
		{name: "too short", b: bench{vacuum: shape(piece{2, 60, 0.02}, piece{2.4, 0, 0.02})}},
		{name: "short, asked for", opt: GripOptions{HoldS: 0.2}, b: bench{vacuum: shape(piece{2, 60, 0.02}, piece{2.6, 0, 0.02})}, grips: 1},
		{name: "shallow, asked for", opt: GripOptions{AboveKPa: 5}, b: bench{vacuum: shape(piece{2, 8, 0.02}, piece{5, 0, 0.02})}, grips: 1},
		{name: "already there as the recording begins", b: bench{vacuum: func(x float64) float64 { return one(x + 4) }}, to: 3, grips: 1, check: func(t *testing.T, g Grip) {
			assert.True(t, math.IsNaN(g.FromS))
			assert.False(t, g.SettlingTimeS.OK())
			assert.InDelta(t, 60, g.PlateauKPa.Value, 0.01)
		}},
		{name: "a gap over the rise", b: bench{vacuum: one, skip: between(1.9, 2.6)}, grips: 1, check: func(t *testing.T, g Grip) {
			assert.False(t, g.SettlingTimeS.OK())
		}},
		{name: "nothing", to: -1},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := c.b
			b.intervalS, b.stepKPa, b.seed = 0.01, 0.001, 6
			if b.vacuum == nil {
				b.vacuum = one
			}
			to := c.to
			if to == 0 {
				to = 10
			}
			g, err := FindGrips(b.groups()[0], slices.Values(b.all(to)), c.opt)
			require.NoError(t, err)
			require.Len(t, g, c.grips)
			if c.check != nil {
				c.check(t, g[0])
				if t.Failed() {
					t.Logf("%+v", g[0])
				}
			}
		})
	}
}

// The plateau's interval holds the truth as often as it says.
func TestGripCoverage(t *testing.T) {
	const n, seed = 200, 40
	in := 0
	for i := range n {
		b := bench{intervalS: 0.01, stepKPa: 0.0244, noiseKPa: 0.2, seed: seed + uint64(i), vacuum: shape(piece{1, 52.3, 0.05}, piece{4, 0, 0.05})}
		g, err := FindGrips(b.groups()[0], slices.Values(b.all(5)), GripOptions{})
		require.NoError(t, err)
		require.Len(t, g, 1)
		if p := g[0].PlateauKPa; p.Lo <= 52.3 && 52.3 <= p.Hi {
			in++
		}
	}
	t.Logf("%d of %d within, seeds %d on", in, n, seed)
	assert.GreaterOrEqual(t, in, 93*n/100)
}

// The volume of testdata/physics/leakdown.csv, rows 12 to 18: evacuated, shut, filling
// through an orifice by ISO 6358. In the form of that file's source, r = r0 + k·t up to b,
// then b + (1−b)·sin(k·(t−tb)/(1−b)), k = C/V.
func TestFindVolume(t *testing.T) {
	for _, c := range []struct {
		name                     string
		volumeL, c, b, v0, noise float64
		from, to                 float64
		atS, wantKPa             float64
	}{
		{"row 14", 0.4, 0.004, 0.3, 60, 0, 0, 60, 20, 40.6912592},
		{"row 15, noise", 0.4, 0.004, 0.3, 60, 0.1, 2, 60, 60, 10.7950993},
		{"row 18, choked, then not", 1, 0.01, 0.528, 80, 0.1, 0, 40, 40, 39.5124395},
		{"row 17, choked all along", 1, 0.01, 0.528, 80, 0.1, 0, 10, 10, 69.8675},
	} {
		t.Run(c.name, func(t *testing.T) {
			const pa = 101.325
			k, r0 := c.c/c.volumeL, 1-c.v0/pa
			vacuum := func(x float64) float64 {
				r, tb := r0+k*x, (c.b-r0)/k
				if r0 > c.b { // it begins above b: θ0 of r0
					theta := (1 - c.b) * math.Asin((r0-c.b)/(1-c.b))
					r = c.b + (1-c.b)*math.Sin((theta+k*x)/(1-c.b))
				} else if r > c.b {
					r = c.b + (1-c.b)*math.Sin(k*(x-tb)/(1-c.b))
				}
				return pa * (1 - r)
			}
			require.InDelta(t, c.wantKPa, vacuum(c.atS), 1e-6)
			b := bench{intervalS: 0.02, stepKPa: 0.001, noiseKPa: c.noise, seed: 3, vacuum: vacuum}
			run, err := FindVolume(b.groups()[0], slices.Values(b.all(c.to)), c.from, c.to, Orifice{C: c.c, CU: 0.01 * c.c, B: c.b}, pa, 0)
			require.NoError(t, err)
			assert.InDelta(t, c.volumeL, run.VolumeL.Value, 0.004*c.volumeL)
			assert.InDelta(t, 0.01*c.volumeL, run.VolumeL.U, 0.003*c.volumeL, "the orifice rules")
		})
	}
	b := bench{intervalS: 0.02, stepKPa: 0.001, vacuum: func(float64) float64 { return 50 }}
	_, err := FindVolume(b.groups()[0], slices.Values(b.all(5)), 0, 5, Orifice{C: 0.01, B: 0.5}, 101, 0)
	assert.ErrorContains(t, err, "does not fill")
	_, err = FindVolume(b.groups()[0], slices.Values(b.all(5)), 0, 5, Orifice{C: 0.01, B: 1}, 101, 0)
	assert.ErrorContains(t, err, "b from 0 to below 1")
}
