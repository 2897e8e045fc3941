package modbus

import (
	"maps"
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

// failed returns how many slots gave no values for another reason than being late.
func (s *DeviceStats) failed() uint64 {
	n := s.Timeouts + s.Framing + s.Lost + s.NoConnection + s.BackedOff
	for _, e := range s.Exceptions {
		n += e
	}
	return n
}

func (s DeviceStats) clone() DeviceStats {
	s.Exceptions = maps.Clone(s.Exceptions)
	return s
}
