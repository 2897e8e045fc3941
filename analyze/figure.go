// Package analyze holds the figure: a measured number with how far to trust it. Its
// sub-packages turn batches into picks and picks into choices; they open no file, read no
// clock and call no network.
package analyze

import (
	"encoding/json"
	"fmt"
	"math"
)

// A Figure is a measured number and how far to trust it.
type Figure struct {
	Value    float64   // in the unit that the field's name carries; NaN (JSON null) if it cannot be had
	U        float64   // standard uncertainty (JCGM 100), same unit
	Lo, Hi   float64   // 95 % interval, from the shape of the error
	Warnings []Warning // what a reader must know before using Value
}

// A Warning is a remark on a figure: a code and up to two numbers, NaN where it has none.
// Compare warnings by Code.
type Warning struct {
	Code Code
	A, B float64
}

// A Code names a kind of warning in a reader's words.
type Code string

// The warnings that figures carry. A and B are what the comment says.
const (
	ContactInferred  Code = "contact inferred"      // contact read from the vacuum: late by the start of the lip's closing
	BelowSampling    Code = "below sampling"        // shorter than the sampling can show; A: sampling interval, s
	NotResolved      Code = "not resolved"          // the sampling cannot support the figure; A: longest interval beside the instant, s
	LineLossUnknown  Code = "line loss unknown"     // transducer away from the cup, restriction or flow unknown
	StartUnseen      Code = "start not seen"        // no idle level before the pick, or in a gap
	StillRising      Code = "still rising"          // A, B: medians of the halves of the hold, kPa
	TouchedByGap     Code = "touched by a gap"      // samples are missing in the span of the figure
	IntervalAssumed  Code = "interval assumed"      // A: sampling interval taken from the data, s
	PowerTooSparse   Code = "too few power samples" // A: samples had, B: samples needed
	ChannelTooLate   Code = "channel late or dead"  // the channel had not passed the pick's end 2 s later
	AirUnmeasured    Code = "compressed air not measured"
	PowerUnmeasured  Code = "power not measured"
	AirPressureUnset Code = "air pressure not measured" // an ejector's figures depend on it
	AccuracyUnknown  Code = "sensor accuracy not stated"
	EngineCycles     Code = "lower turning level"      // an engine that saves air: the vacuum swings
	VolumeExact      Code = "volume taken as exact"    // its uncertainty is not stated
	OrificeExact     Code = "orifice taken as exact"   // its uncertainty is not stated
	LagUncorrected   Code = "sensor lag not corrected" // A: lag, s
)

// None is the figure that cannot be had, with the reasons why.
func None(why ...Warning) Figure {
	nan := math.NaN()
	return Figure{Value: nan, U: nan, Lo: nan, Hi: nan, Warnings: why}
}

// Warn returns a warning without numbers.
func Warn(c Code) Warning { return Warning{Code: c, A: math.NaN(), B: math.NaN()} }

// Warn1 returns a warning with one number.
func Warn1(c Code, a float64) Warning { return Warning{Code: c, A: a, B: math.NaN()} }

// Warn2 returns a warning with two numbers.
func Warn2(c Code, a, b float64) Warning { return Warning{Code: c, A: a, B: b} }

// OK reports whether the figure has a value.
func (f Figure) OK() bool { return !math.IsNaN(f.Value) }

// Has reports whether f carries a warning with code c.
func (f Figure) Has(c Code) bool {
	for _, w := range f.Warnings {
		if w.Code == c {
			return true
		}
	}
	return false
}

// MarshalJSON writes {"value","u","lo","hi","warnings"}, or null where there is neither a
// value nor a warning that says why. A number that cannot be had is null.
func (f Figure) MarshalJSON() ([]byte, error) {
	if !f.OK() {
		return []byte("null"), nil
	}
	codes := make([]string, len(f.Warnings))
	for i, w := range f.Warnings {
		codes[i] = string(w.Code)
	}
	return json.Marshal(struct {
		Value    Number   `json:"value"`
		U        Number   `json:"u"`
		Lo       Number   `json:"lo"`
		Hi       Number   `json:"hi"`
		Warnings []string `json:"warnings"`
	}{Number(f.Value), Number(f.U), Number(f.Lo), Number(f.Hi), codes})
}

// A Number is a float64 whose JSON is null where it is NaN or infinite.
type Number float64

// MarshalJSON writes the number, or null.
func (n Number) MarshalJSON() ([]byte, error) {
	if v := float64(n); !math.IsNaN(v) && !math.IsInf(v, 0) {
		return json.Marshal(v)
	}
	return []byte("null"), nil
}

// String writes the warning with its numbers.
func (w Warning) String() string {
	switch {
	case math.IsNaN(w.A):
		return string(w.Code)
	case math.IsNaN(w.B):
		return fmt.Sprintf("%s (%.3g)", w.Code, w.A)
	}
	return fmt.Sprintf("%s (%.4g, %.4g)", w.Code, w.A, w.B)
}
