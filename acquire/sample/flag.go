package sample

// Limits say which counts of a channel are no measurement.
type Limits struct {
	// A 4–20 mA loop: its current in mA is LoopOffsetMA + LoopScaleMA × count. LoopScaleMA is
	// 0 where the channel is none.
	LoopOffsetMA, LoopScaleMA float64

	// The converter is saturated at counts up to SaturatedLo and from SaturatedHi on. Both are
	// 0 where not stated.
	SaturatedLo, SaturatedHi int64

	StuckS float64 // a count that has not changed for longer is stuck; 0: not judged
}

// A Flag says why a count is no measurement: "" where it is one.
type Flag string

// The flags of counts. Stuck follows from the counts before, the others from the count alone.
const (
	BrokenWire Flag = "broken wire"
	UnderRange Flag = "under range"
	OverRange  Flag = "over range"
	Saturated  Flag = "saturated"
	Stuck      Flag = "stuck"
)

// NAMUR NE 43 (from memory): a transmitter signals values between 3.8 and 20.5 mA, and its
// failure by 3.6 mA or less, or by 21 mA or more. Less than 3.6 mA is also what a broken
// wire gives.
const (
	failureLowMA = 3.6
	valueLowMA   = 3.8
	valueHighMA  = 20.5
)

// Of returns the flag of count n, as far as it follows from n alone. Missing has none: there
// is nothing to flag.
func (l *Limits) Of(n int64) Flag {
	if n == Missing {
		return ""
	}
	if l.LoopScaleMA != 0 {
		const rounding = 1e-9
		switch mA := l.LoopOffsetMA + l.LoopScaleMA*float64(n); {
		case mA <= failureLowMA+rounding:
			return BrokenWire
		case mA < valueLowMA-rounding:
			return UnderRange
		case mA > valueHighMA+rounding:
			return OverRange
		}
	}
	if (l.SaturatedLo != 0 || l.SaturatedHi != 0) && (n <= l.SaturatedLo || n >= l.SaturatedHi) {
		return Saturated
	}
	return ""
}

// A Flagger flags the counts of one channel in the order of time. It is used by one
// goroutine. The zero Flagger with Limits set is ready.
type Flagger struct {
	Limits Limits

	begun bool
	last  int64 // count
	since int64 // stamp at which the count became what it is, ns
}

// Flag returns the flag of count n at stamp t, ns. Stamps increase.
func (f *Flagger) Flag(t, n int64) Flag {
	if flag := f.Limits.Of(n); flag != "" {
		return flag
	}
	if n == Missing || f.Limits.StuckS <= 0 {
		return ""
	}
	if !f.begun || n != f.last {
		f.begun, f.last, f.since = true, n, t
		return ""
	}
	if float64(t-f.since) > 1e9*f.Limits.StuckS {
		return Stuck
	}
	return ""
}
