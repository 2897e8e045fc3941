package simulator

import (
	"fmt"
	"math"

	"griptrial/config"
)

// A Sensor says how the sensor of one channel differs from an ideal one that shows what its
// rig file promises. NaN or nil: as the rig file, or the scenario's Noise, has it. Values
// are in the channel's unit, vacuum positive.
type Sensor struct {
	Channel string

	At         string      // "cup", "manifold" or "engine": where a vacuum is really measured; "": as the rig file has it
	Range      *[2]float64 // it shows no less and no more
	Resolution float64     // step of what it shows
	Noise      float64     // standard deviation, of every conversion
	Offset     float64
	DriftPerH  float64 // by which the offset grows, at first; it settles with a time constant of DriftTauS
	DriftTauS  float64 // 0: it goes on
	LagS       float64
	UpdateS    float64
}

// NewSensor returns the sensor of a channel that is as its rig file says.
func NewSensor(channel string) Sensor {
	nan := math.NaN()
	return Sensor{Channel: channel, Resolution: nan, Noise: nan, LagS: nan, UpdateS: nan}
}

func (x *Sensor) check() error {
	for _, v := range []float64{x.Resolution, x.Noise, x.LagS, x.UpdateS, x.DriftTauS} {
		if v < 0 || math.IsInf(v, 0) {
			return fmt.Errorf("channel %q: want resolution, noise, lag, update and drift time of 0 or more", x.Channel)
		}
	}
	switch {
	case x.At != "" && x.At != "cup" && x.At != "manifold" && x.At != "engine":
		return fmt.Errorf("channel %q: at %q; want cup, manifold or engine", x.Channel, x.At)
	case x.Range != nil && !(x.Range[0] < x.Range[1]):
		return fmt.Errorf("channel %q: want a range that rises", x.Channel)
	case math.IsNaN(x.Offset+x.DriftPerH) || math.IsInf(x.Offset+x.DriftPerH, 0):
		return fmt.Errorf("channel %q: want a finite offset and drift", x.Channel)
	}
	return nil
}

// shown returns what the sensor shows, without noise, of a true value v at tS.
func (x *Sensor) shown(v, tS float64) float64 {
	hours := tS / 3600
	if x.DriftTauS > 0 {
		hours = x.DriftTauS / 3600 * (1 - math.Exp(-tS/x.DriftTauS))
	}
	return v + x.Offset + x.DriftPerH*hours
}

// converted returns the value after the sensor's own steps and limits.
func (x *Sensor) converted(v float64) float64 {
	if x.Range != nil {
		v = min(x.Range[1], max(x.Range[0], v))
	}
	if x.Resolution > 0 {
		v = math.Round(v/x.Resolution) * x.Resolution
	}
	return v
}

// brokenWire is where a 4–20 mA loop without current reads: a quarter of the span below its
// begin (0 mA on 4 to 20 mA).
const brokenWire = -0.25

// broken returns the count that a channel shows with its wire broken: of the span that its
// sensor has, 0 to 100 kPa where none is stated, a quarter below the begin.
func (x *Sensor) broken(c *config.Channel) reading {
	span := [2]float64{0, 100}
	if x.Range != nil {
		span = *x.Range
	}
	return read(c, span[0]+brokenWire*(span[1]-span[0]))
}
