// Package port opens the way to a device: a serial port or a TCP connection, as a stream
// of bytes with deadlines. It takes a bus from config; acquire/modbus and acquire/textline
// speak their protocols over its streams.
package port

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"strings"
	"time"

	"go.bug.st/serial"
	"go.bug.st/serial/enumerator"

	"griptrial/config"
)

// A Stream carries bytes both ways. net.Conn is one. It has one reader and one writer;
// Close may be called from anywhere and ends a Read in progress.
type Stream interface {
	// Read waits for at least one byte, until the deadline at the latest. Then its error
	// is os.ErrDeadlineExceeded, as errors.Is tells.
	Read(b []byte) (int, error)
	SetReadDeadline(t time.Time) error
	// Write sends all of b, or returns an error.
	Write(b []byte) (int, error)
	Close() error
}

// Open opens the port or connection of bus. For a device server it takes timeout at most.
// A port stated by the marks of its USB adapter is looked for anew each time: after
// unplugging it may have another name. When ctx ends, the stream is closed.
func Open(ctx context.Context, bus *config.Bus, timeout time.Duration) (Stream, error) {
	var s Stream
	var err error
	if bus.OnSerialPort() {
		s, err = openSerial(bus)
	} else {
		s, err = dial(ctx, bus.Address, timeout)
	}
	if err != nil {
		return nil, err
	}
	return watched{s, context.AfterFunc(ctx, func() { s.Close() })}, nil
}

// A watched stream is closed when a context ends.
type watched struct {
	Stream
	release func() bool
}

func (w watched) Close() error {
	w.release()
	return w.Stream.Close()
}

func dial(ctx context.Context, address string, timeout time.Duration) (Stream, error) {
	d := net.Dialer{Timeout: timeout}
	c, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err // not c, a nil of another type
	}
	return c, nil
}

func openSerial(bus *config.Bus) (Stream, error) {
	name := bus.Address
	if name == "" {
		ports, err := plugged()
		if err != nil {
			return nil, fmt.Errorf("list serial ports: %w", err)
		}
		if name, err = find(ports, bus.USB); err != nil {
			return nil, err
		}
	}
	mode := &serial.Mode{BaudRate: bus.Serial.Baud, DataBits: 8, Parity: serial.EvenParity, StopBits: serial.OneStopBit}
	switch bus.Serial.Parity {
	case "none":
		mode.Parity = serial.NoParity
	case "odd":
		mode.Parity = serial.OddParity
	}
	if bus.Serial.StopBits == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	p, err := serial.Open(name, mode)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", name, err)
	}
	p.ResetInputBuffer() // an answer to a program before this one
	return &serialPort{Port: p}, nil
}

// plugged lists the ports there are now; tests plug adapters in and out.
var plugged = func() ([]*enumerator.PortDetails, error) { return enumerator.GetDetailedPortsList() }

// find returns the name of the one port whose adapter has the marks that usb states.
func find(ports []*enumerator.PortDetails, usb config.USB) (string, error) {
	var found, others []string
	for _, p := range ports {
		if !p.IsUSB {
			continue
		}
		if strings.EqualFold(p.VID, usb.VID) && strings.EqualFold(p.PID, usb.PID) && (usb.Serial == "" || p.SerialNumber == usb.Serial) {
			found = append(found, p.Name)
		} else {
			others = append(others, fmt.Sprintf("%s is %s:%s:%s", p.Name, p.VID, p.PID, p.SerialNumber))
		}
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		slices.Sort(others)
		return "", fmt.Errorf("no USB adapter %s is plugged in%s", usb, strings.TrimSuffix("; "+strings.Join(others, ", "), "; "))
	}
	slices.Sort(found)
	return "", fmt.Errorf("%s are all USB adapters %s; state the serial number too", strings.Join(found, " and "), usb)
}

// A serialPort gives a serial port deadlines in place of a time-out for each Read, which
// returns 0 bytes without an error when it passes.
type serialPort struct {
	serial.Port
	deadline time.Time
}

func (s *serialPort) SetReadDeadline(t time.Time) error {
	s.deadline = t
	return nil
}

func (s *serialPort) Read(b []byte) (int, error) {
	timeout := serial.NoTimeout
	if !s.deadline.IsZero() {
		timeout = max(0, time.Until(s.deadline)) // 0 takes what is there already
	}
	if err := s.Port.SetReadTimeout(timeout); err != nil {
		return 0, err
	}
	n, err := s.Port.Read(b)
	if n == 0 && err == nil {
		return 0, os.ErrDeadlineExceeded
	}
	return n, err
}

func (s *serialPort) Write(b []byte) (int, error) {
	done := 0
	for done < len(b) { // one write(2) each, which may be short
		n, err := s.Port.Write(b[done:])
		done += n
		if err != nil {
			return done, err
		}
		if n == 0 {
			return done, errors.New("the port takes no more bytes")
		}
	}
	return done, nil
}
