package main

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"griptrial/acquire"
	"griptrial/acquire/modbus"
	"griptrial/acquire/textline"
	"griptrial/config"
	"griptrial/record"
)

// A busSource reads one bus of a rig, whatever its kind.
type busSource interface {
	record.Source
	ReadOnce(ctx context.Context) ([]acquire.Reading, error)
}

// openBuses returns a source for each bus of a rig. Nothing is sent yet.
func openBuses(rig *config.Rig, clock acquire.Clock) ([]busSource, error) {
	var sources []busSource
	for _, b := range rig.Buses {
		var s busSource
		var err error
		switch {
		case b.Text():
			s, err = textline.New(b, clock)
		case b.Listen:
			s, err = modbus.NewListener(b, clock)
		default:
			s, err = modbus.NewPoller(b, clock)
		}
		if err != nil {
			return nil, wrong(fmt.Errorf("%s: %w", rig.Path, err))
		}
		sources = append(sources, s)
	}
	return sources, nil
}

// hearBuses refuses a serial line on which others are heard, before anything is sent or
// recorded. A port that cannot be had is no reason: it may be plugged in later.
func hearBuses(ctx context.Context, rig *config.Rig, sources []busSource) error {
	errs := make([]error, len(sources))
	var listening sync.WaitGroup
	for i, s := range sources {
		if h, ok := s.(interface{ Hear(context.Context) error }); ok && rig.Buses[i].OnSerialPort() {
			listening.Go(func() {
				if err := h.Hear(ctx); errors.Is(err, acquire.ErrForeign) {
					errs[i] = wrong(fmt.Errorf("bus %s: %w", rig.Buses[i].Name, err))
				}
			})
		}
	}
	listening.Wait()
	return errors.Join(errs...)
}

// deviceLines tells in a line for each device of a source what became of its reading.
func deviceLines(s busSource) []string {
	var lines []string
	switch s := s.(type) {
	case *modbus.Poller:
		for _, d := range s.Stats().Devices {
			lines = append(lines, d.Device+": "+deviceLine(d))
		}
	case *modbus.Listener:
		x := s.Stats()
		lines = append(lines, fmt.Sprintf("%d exchanges of the other master heard, %d of them with channels of the rig%s", x.Exchanges, x.OK,
			tally(tallied{x.NotAnswered, "requests not answered"}, tallied{x.Noise, "bytes of noise"}, tallied{x.Lost, "times the port lost"})))
	case *textline.Source:
		for _, d := range s.Stats() {
			lines = append(lines, fmt.Sprintf("%s: %d lines read%s%s", d.Device, d.OK, latencyText(d),
				tally(tallied{d.Timeouts, "timed out"}, tallied{d.Garbage, "not in the form stated"}, tallied{d.Checksum, "with a wrong checksum"},
					tallied{d.Lost, "times the connection lost"}, tallied{d.NoConnection, "times no connection"}, tallied{d.Skipped, "skipped"},
					tallied{d.BackedOff, "backed off"}, tallied{d.Dropped, "bytes that were no line"}, tallied{d.Bursts, "bursts"}))+lateLine(d.LateMedian, d.LateP99))
		}
	}
	return lines
}

// latencyText tells how old the values of a streaming device may be when they come.
func latencyText(d textline.Stats) string {
	switch {
	case d.Latency == 0:
		return ""
	case d.Declared:
		return fmt.Sprintf(", each measured up to %v before (stated as turnaround)", d.Latency)
	}
	return fmt.Sprintf(", each measured up to %v before (the period of its lines; turnaround in the rig file states it better)", d.Latency.Round(10*time.Microsecond))
}

// A tallied is a number of things and what they are.
type tallied struct {
	n    uint64
	what string
}

// tally returns the counts that are not 0 as the end of a list.
func tally(counts ...tallied) string {
	s := ""
	for _, c := range counts {
		if c.n > 0 {
			s += fmt.Sprintf(", %d %s", c.n, c.what)
		}
	}
	return s
}
