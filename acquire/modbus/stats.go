package modbus

import (
	"maps"
	"math"
	"math/bits"
	"time"
)

// Stats is what a bus has been through since its poller began to run.
type Stats struct {
	Reconnects uint64 // times a connection was opened after the first
	Devices    []DeviceStats
}

// DeviceStats counts what became of the slots of one device's requests. Every slot that
// has passed is counted once, under OK, Timeouts, Exceptions, Framing, Lost, NoConnection,
// Skipped or BackedOff.
type DeviceStats struct {
	Device       string
	OK           uint64               // answered with values
	Timeouts     uint64               // no answer in time
	Exceptions   map[Exception]uint64 // refused by the device, by code; nil for none
	Framing      uint64               // answered with what is no answer to the request
	Lost         uint64               // connection lost while asking
	NoConnection uint64               // connection could not be opened
	Skipped      uint64               // slots not polled because the one after them was due already
	BackedOff    uint64               // slots not polled because of a fault before; counted up to 2 s ahead

	Stale uint64 // frames discarded because nobody waited for them; no slots
	Split uint64 // requests now read in parts, because the device refuses the gaps in them

	// How late polls began after their deadlines. Median and P99 are within 7 % above the
	// true value; 0 before the first poll.
	LateMedian, LateP99, LateWorst time.Duration
}

func (s DeviceStats) clone() DeviceStats {
	s.Exceptions = maps.Clone(s.Exceptions)
	return s
}

// A lateness is a histogram of durations with 16 classes an octave of nanoseconds: memory
// is bounded however long a trial is. Negative durations count as 0.
type lateness struct {
	class [60 * 16]uint64
	n     uint64
	worst time.Duration
}

func (l *lateness) add(d time.Duration) {
	d = max(d, 0)
	l.n++
	l.worst = max(l.worst, d)
	l.class[latenessClass(uint64(d))]++
}

// latenessClass numbers classes from 0 upwards: one for each of 0 to 31 ns, then 16 for
// each doubling.
func latenessClass(ns uint64) int {
	shift := max(0, bits.Len64(ns)-5)
	return shift*16 + int(ns>>shift)
}

// quantile returns the upper end of the class that holds the q-quantile, at most the
// worst; 0 where nothing was added.
func (l *lateness) quantile(q float64) time.Duration {
	want := uint64(math.Ceil(q * float64(l.n)))
	var seen uint64
	for i, n := range l.class {
		seen += n
		if n > 0 && seen >= want {
			shift := max(0, i/16-1)
			upper := (uint64(i-shift*16)+1)<<shift - 1
			return min(time.Duration(upper), l.worst)
		}
	}
	return 0
}
