// Package bench is the bench check that begins and ends a trial: what a person does with a
// cup, and what the rig must show meanwhile. It takes the limits from config and readings
// from acquire's buses; two of its results give the drift between them.
package bench

import (
	"fmt"
	"math"
	"slices"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// A Step is one thing to do and the channel to read meanwhile.
type Step struct {
	Station string
	Name    string // "zero", "blanked", "leak-down", "open suction" or "air pressure"
	Do      string // what the person does; "" where nothing changes since the step before
	Place   config.Place
	LengthS float64 // how long to read

	lo, hi  float64 // what passes; infinite where it is open
	judge   judge
	still   bool    // the vacuum must stand meanwhile
	falls   bool    // it must not rise meanwhile
	bandKPa float64 // within which the station takes a vacuum as idle
}

// A judge makes one number of values, from so many medians of so many of them each.
type judge struct {
	value   func(v []float64) float64
	medians int
	share   float64 // of the values that each median is of
}

var (
	level = judge{median, 1, 1}
	fall  = judge{loss, 2, 0.1}
)

// A Result is what a step showed.
type Result struct {
	Station string   `json:"station"`
	Step    string   `json:"step"`
	Value   *float64 `json:"value"`   // kPa; nil where it could not be had
	U       *float64 `json:"u"`       // its standard uncertainty, kPa; nil with it
	Scatter *float64 `json:"scatter"` // the part of U that is another at each check: noise and resolution; kPa
	Lo      *float64 `json:"lo"`      // kPa; nil where open
	Hi      *float64 `json:"hi"`
	Pass    *bool    `json:"pass"`          // nil where the rig states no limit, unless the vacuum did not stand
	Why     string   `json:"why,omitempty"` // there is no value, or why it is odd
}

// Steps returns the steps for every station of a rig that has a vacuum channel.
func Steps(rig *config.Rig) []Step {
	var steps []Step
	inf := math.Inf(1)
	open := func(x, none float64) float64 {
		if math.IsNaN(x) {
			return none
		}
		return x
	}
	for i := range rig.Stations {
		s := &rig.Stations[i]
		b := s.Bench
		var vacuum, air *config.Place
		for p := range rig.Channels() {
			if p.Channel.Station != s.Name && (p.Channel.Station != "" || p.Channel.Kind != sample.AirPressure) {
				continue
			}
			switch p.Channel.Kind {
			case sample.Vacuum:
				vacuum = &config.Place{Bus: p.Bus, Device: p.Device, Channel: p.Channel}
			case sample.AirPressure:
				air = &config.Place{Bus: p.Bus, Device: p.Device, Channel: p.Channel}
			}
		}
		if vacuum == nil {
			continue
		}
		add := func(name, do string, p config.Place, lengthS, lo, hi float64, judge judge) {
			falls := judge.medians > 1
			steps = append(steps, Step{s.Name, name, do, p, lengthS, lo, hi, judge, p == *vacuum && !falls, falls, s.IdleBandKPa})
		}
		zero := open(b.ZeroKPa, inf)
		add("zero", "shut the supply and leave the cup open", *vacuum, 2, -zero, zero, level)
		add("blanked", "hold the cup against a smooth plate, open the supply, wait until the vacuum stands", *vacuum, 2, open(b.BlankedKPa, -inf), inf, level)
		add("leak-down", "keep the plate on and shut the supply", *vacuum, 5, -inf, open(b.LeakDownKPa, inf), fall)
		add("open suction", "take the plate away and open the supply", *vacuum, 2, -inf, open(b.OpenKPa, inf), level)
		if air != nil {
			add("air pressure", "", *air, 2, open(b.AirLoKPa, -inf), open(b.AirHiKPa, inf), level)
		}
	}
	return steps
}

// Judge returns the result of values in kPa, in the order of time, NaN where a sample was
// missing or flagged.
func (s *Step) Judge(values []float64) Result {
	r := Result{Station: s.Station, Step: s.Name}
	finite := func(x float64) *float64 {
		if math.IsInf(x, 0) || math.IsNaN(x) {
			return nil
		}
		return &x
	}
	r.Lo, r.Hi = finite(s.lo), finite(s.hi)
	limited := r.Lo != nil || r.Hi != nil
	values = slices.DeleteFunc(slices.Clone(values), math.IsNaN)
	if len(values) < 3 {
		r.Why = fmt.Sprintf("%d samples", len(values))
		if limited {
			r.Pass = new(bool) // what was not shown has not passed
		}
		return r
	}
	if lo, hi, swings := swing(values); s.still && swings {
		r.Why = fmt.Sprintf("swings from %.1f to %.1f kPa: keep it still", math.Round(10*lo)/10+0, math.Round(10*hi)/10+0) // no -0.0
	} else if up := rise(values); s.falls && up > 0 {
		r.Why = fmt.Sprintf("rises by %.1f kPa: keep the supply shut", up)
	}
	if r.Why != "" {
		r.Pass = new(bool)
		return r
	}
	x := s.judge.value(values)
	r.Value = &x
	if s.Name == "zero" && !limited && math.Abs(x) > s.bandKPa {
		r.Why = fmt.Sprintf("far from ambient: the idle band is %g kPa", s.bandKPa)
	}
	u, scatter := s.uncertainty(x, values)
	r.U, r.Scatter = &u, &scatter
	if limited {
		pass := x >= s.lo && x <= s.hi
		r.Pass = &pass
	}
	return r
}

// swing returns between which levels values lie, a tenth of them beyond either, and whether that
// is more than noise (2.6 σ if normal), a drift of 1 kPa or a ripple of a tenth of the level make:
// then somebody picks, or it does not stand yet. These bounds are common practice, no source.
func swing(values []float64) (lo, hi float64, swings bool) {
	v := slices.Sorted(slices.Values(values))
	n := len(v) / 10
	lo, hi = v[n], v[len(v)-1-n]
	return lo, hi, hi-lo > max(1, 5*noise(values), 0.1*math.Abs(median(values)))
}

// rise returns by how much values rise again from the lowest before, in medians of a tenth of them;
// 0 where noise or 1 kPa may be all of it, and of too few values for that.
func rise(values []float64) float64 {
	n := len(values) / 10
	if n < 3 {
		return 0
	}
	lowest, most := math.Inf(1), 0.0
	for block := range slices.Chunk(values[:10*n], n) {
		m := median(block)
		most = max(most, m-lowest)
		lowest = min(lowest, m)
	}
	if most <= max(1, 5*noise(values)) {
		return 0
	}
	return most
}

// noise returns the standard deviation of values from the median absolute difference of
// neighbours, which a slope hardly moves.
func noise(values []float64) float64 {
	steps := make([]float64, len(values)-1)
	for i := range steps {
		steps[i] = math.Abs(values[i+1] - values[i])
	}
	return 1.4826 * median(steps) / math.Sqrt2
}

// uncertainty returns the standard uncertainty of x, which was made of values, and the part
// of it that two checks do not share: the noise of a median (1.2533 σ/√n, for a normal error,
// from memory) and the resolution. They share the sensor's limits of error and its
// calibration, which in a fall cancel.
func (s *Step) uncertainty(x float64, values []float64) (u, scatter float64) {
	sigma := noise(values)
	n := max(1, s.judge.share*float64(len(values)))
	c := &s.Place.Channel.Channel
	medians := float64(s.judge.medians)
	scatter = 1.2533 * sigma * math.Sqrt(medians/n)
	if c.Resolution > 0 {
		scatter = math.Hypot(scatter, c.Resolution*math.Sqrt(medians/12))
	}
	if s.judge.medians > 1 {
		return scatter, scatter
	}
	u = math.Hypot(scatter, c.CalibrationU(x))
	if c.Accuracy > 0 {
		u = math.Hypot(u, c.Accuracy/math.Sqrt(3))
	}
	return u, scatter
}

// Drift returns by how much after's value is above before's in kPa, for the same step of the
// same station, with its standard uncertainty, both NaN where either has none. What the two
// share is in neither.
func Drift(before []Result, after Result) (kPa, u float64) {
	for _, b := range before {
		if b.Station == after.Station && b.Step == after.Step && b.Value != nil && after.Value != nil {
			u = math.NaN()
			if b.Scatter != nil && after.Scatter != nil {
				u = math.Hypot(*b.Scatter, *after.Scatter)
			}
			return *after.Value - *b.Value, u
		}
	}
	return math.NaN(), math.NaN()
}

// median returns the median of values, of which there is one at least.
func median(values []float64) float64 {
	v := slices.Sorted(slices.Values(values))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

// loss returns by how much the median of the first tenth is above that of the last.
func loss(values []float64) float64 {
	n := max(1, len(values)/10)
	return median(values[:n]) - median(values[len(values)-n:])
}
