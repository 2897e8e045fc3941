package pick

import (
	"fmt"
	"iter"
	"math"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// An Orifice is a restriction of known flow (ISO 6358): C in dm³/(s·bar), b the ratio of
// pressures below which it chokes.
type Orifice struct {
	C, CU float64 // CU is the standard uncertainty, 0 where not stated
	B     float64
}

// A VolumeRun is the volume of a circuit, found by letting ambient air into it, evacuated
// and shut, through a known orifice.
type VolumeRun struct {
	FromS, ToS float64
	VolumeL    analyze.Figure
}

// FindVolume returns the volume from the samples between times from and to, in seconds.
//
// With r = p/ambient the orifice lets in C·ambient up to r = b, and above it C·ambient·√(1 −
// ((r−b)/(1−b))²) (ISO 6358-1). V·dp/dt = 100 kPa × that flow then makes
//
//	θ = r up to b, b + (1−b)·asin((r−b)/(1−b)) above, grow by C/V a second:
//
// a straight line, whose slope is the median of those of all pairs. blankLminANR is what
// leaks in besides, 0 where not known; it counts by its share of the orifice's flow at the
// window's median. Air is taken as isothermal at 20 °C. It is an error where fewer than 39
// samples lie in the window, or it does not fill.
func FindVolume(g sample.Group, batches iter.Seq[sample.Batch], from, to float64, o Orifice, ambientKPa, blankLminANR float64) (VolumeRun, error) {
	if !(o.C > 0) || !(o.B >= 0 && o.B < 1) || !(ambientKPa > 0) {
		return VolumeRun{}, fmt.Errorf("orifice of %g dm³/(s·bar), b %g, at %g kPa: C above 0, b from 0 to below 1 and an ambient pressure are needed", o.C, o.B, ambientKPa)
	}
	t, v, e, err := closedSamples(g, batches, from, to)
	if err != nil {
		return VolumeRun{}, err
	}
	theta, ratio := make([]float64, len(v)), make([]float64, len(v))
	for i := range v {
		r := 1 - v[i]/ambientKPa
		ratio[i] = r
		if theta[i] = r; r > o.B {
			theta[i] = o.B + (1-o.B)*math.Asin(min(1, (r-o.B)/(1-o.B)))
		}
	}
	s := blockSlope(t, theta)
	run := VolumeRun{FromS: t[0], ToS: t[len(t)-1]}
	if !(s.Lo > 0) {
		return run, fmt.Errorf("the circuit does not fill between %g s and %g s", from, to)
	}
	flow := o.C * ambientKPa / 100 * 60 // L/min ANR while choked
	if r := medianOf(ratio); r > o.B {
		x := min(1, (r-o.B)/(1-o.B))
		flow *= math.Sqrt(1 - x*x)
	}
	volume := o.C * (1 + max(blankLminANR, 0)/flow) / s.Value
	var u analyze.Spread
	u.Normal("slope", volume*s.U/s.Value)
	u.Normal("conductance of the orifice", volume*o.CU/o.C)
	u.Normal("noise", volume*e.sigma()/ambientKPa/math.Sqrt(float64(len(t)))/(s.Value*(t[len(t)-1]-t[0])))
	var w []analyze.Warning
	if o.CU == 0 {
		w = append(w, analyze.Warn(analyze.OrificeExact))
	}
	run.VolumeL = u.Figure(volume, w...)
	return run, nil
}
