package acquire

import (
	"errors"
	"time"
)

// Causes of faults in batches, for any bus.
const (
	FaultTimeout      = "timeout"
	FaultFraming      = "framing"
	FaultLost         = "connection lost"
	FaultNoConnection = "no connection"
	FaultForeign      = "another master"
)

// ErrForeign says that somebody else sends on a line before anything was asked: another
// master, or a device that sends by itself. Nothing is sent on such a line.
var ErrForeign = errors.New("the line is in use by another")

// A Reading is one channel read once.
type Reading struct {
	Device, Channel string
	Raw             int64         // sample.Missing where Err is set
	Value           float64       // in the unit of the channel; NaN where Raw is Missing
	Transaction     time.Duration // from the first byte sent to the last received
	Between         time.Duration // the instant of the value lies within so much
	Parts           int           // transactions that it took: more than one where the device refuses a gap
	Err             error         // nil, or why there is no value
}
