// Package sample holds the one noun that is handed on from a bus to the analysis: a
// batch of raw counts with their time stamps, and what its channels mean. It comes
// before record and imports nothing of griptrial.
package sample

import "math"

// TickNS is the resolution of recorded time stamps in nanoseconds: 10 µs. A finer one
// triples what stamps cost in a trial file and tells nothing about a bus.
const TickNS = 10_000

// Missing is the raw count of a sample that was not had (an empty cell, a NaN).
const Missing = math.MinInt64

// A Kind says what a channel measures or switches, and so its unit.
type Kind string

// The kinds of channel, each with the unit of its values.
const (
	Vacuum      Kind = "vacuum"       // kPa below ambient
	Flow        Kind = "flow"         // L/min ANR, sucked in at the cup
	Power       Kind = "power"        // W, electric
	Air         Kind = "air"          // L/min ANR, compressed air drawn
	AirPressure Kind = "air_pressure" // kPa gauge at the ejector
	Supply      Kind = "supply"       // vacuum commanded
	Release     Kind = "release"      // blow-off or venting commanded
	Touch       Kind = "touch"        // cup on the bag
	Carried     Kind = "carried"      // bag off the ground
	PartPresent Kind = "part_present" // the controller's own signal
)

// Kinds lists every kind in the order in which files and screens show them.
var Kinds = []Kind{Vacuum, Flow, Power, Air, AirPressure, Supply, Release, Touch, Carried, PartPresent}

// Switched reports whether channels of kind k are on or off and nothing between.
func (k Kind) Switched() bool {
	switch k {
	case Supply, Release, Touch, Carried, PartPresent:
		return true
	}
	return false
}

// Unit returns the unit of values of kind k, "" for switched kinds.
func (k Kind) Unit() string {
	switch k {
	case Vacuum, AirPressure:
		return "kPa"
	case Flow, Air:
		return "L/min ANR"
	case Power:
		return "W"
	}
	return ""
}

// A Channel is one measured or switched signal: how its raw counts become a value.
// Fields that a rig does not state are NaN.
type Channel struct {
	Name    string
	Kind    Kind
	Station string // "" where the whole rig has it
	At      string // vacuum only: "cup", "manifold" or "engine"

	Offset, Scale float64 // value = Offset + Scale × count, vacuum positive below ambient
	OnAbove       float64 // switched: on where the value is above this

	Resolution float64 // smallest step of the value, at least |Scale|
	Accuracy   float64 // half-width of the sensor's stated limits of error, in its unit
	IntervalS  float64 // poll interval
	UpdateS    float64 // refresh inside the device, or the controller's scan
	LagS       float64 // time constant of the sensor

	Limits Limits // beyond which a count is no measurement; zero where none are stated

	Calibration Calibration // of Offset and Scale; zero where none is stated
}

// A Calibration says how well a line is known that was found against a reference gauge.
type Calibration struct {
	OffsetU, ScaleU float64 // standard errors of Offset and Scale
	CenterCount     float64 // mean count of the points, about which the line turns
}

// CalibrationScaleU returns the standard uncertainty of the calibration's slope as a share of
// it, for differences of values; 0 where none is stated.
func (c *Channel) CalibrationScaleU() float64 {
	if c.Scale == 0 {
		return 0
	}
	return math.Abs(c.Calibration.ScaleU / c.Scale)
}

// CalibrationU returns the standard uncertainty that the calibration leaves in a value, in
// the channel's unit; 0 where none is stated. For a least-squares line through points whose
// mean count is m, the errors of offset a and scale b are correlated by −m·u(b)/u(a), so that
// at count c u² = u(a)² − m²·u(b)² + (c − m)²·u(b)² (JCGM 100:2008, H.3, from memory).
func (c *Channel) CalibrationU(value float64) float64 {
	k := c.Calibration
	if c.Scale == 0 || k.OffsetU == 0 && k.ScaleU == 0 {
		return 0
	}
	at := (value-c.Offset)/c.Scale - k.CenterCount
	center := max(k.OffsetU*k.OffsetU-k.CenterCount*k.CenterCount*k.ScaleU*k.ScaleU, 0)
	return math.Sqrt(center + at*at*k.ScaleU*k.ScaleU)
}

// Value returns the value of raw count n in the channel's unit, NaN where it is Missing.
func (c *Channel) Value(n int64) float64 {
	if n == Missing {
		return math.NaN()
	}
	return c.Offset + c.Scale*float64(n)
}

// On reports whether raw count n of a switched channel means on. A Missing count is off.
func (c *Channel) On(n int64) bool { return n != Missing && c.Offset+c.Scale*float64(n) > c.OnAbove }

// SamplingS returns the sampling interval in seconds: the longer of poll interval and
// refresh of the device; NaN where neither is known.
func (c *Channel) SamplingS() float64 {
	switch {
	case math.IsNaN(c.UpdateS):
		return c.IntervalS
	case math.IsNaN(c.IntervalS):
		return c.UpdateS
	}
	return max(c.IntervalS, c.UpdateS)
}

// A Group is a list of channels that are read at the same instant: one request.
type Group struct {
	Name     string // bus, device and request, for people
	Channels []Channel
}

// A Batch is a number of scans of one group, or word of a fault. Times are nanoseconds
// since the trial's time zero; live sources round them to TickNS.
//
// T, Half and every column of Counts have equal length. T increases strictly. Counts has
// one column for each channel of the group. A batch is not changed once handed on.
type Batch struct {
	Group  int       // index into the trial's groups
	T      []int64   // stamp of each scan, ns
	Half   []int64   // half-width of each stamp, ns: the instant lies within T ± Half
	Counts [][]int64 // Counts[channel][scan]: raw, as read; Missing where there is none

	// A recorded fault: nothing was read from the group between its last scan and its
	// next one, because of Fault. Such a batch has no scans.
	Fault   string // "" where there is none; else the cause, in a few fixed words
	FaultNS int64  // when it was noticed
}
