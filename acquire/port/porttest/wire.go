// Package porttest holds a serial line in memory for tests of what is read from ports.
package porttest

import (
	"os"
	"slices"
	"sync"
	"time"
)

// A Wire is one end of a serial line in memory. Unlike net.Pipe it keeps what was sent
// until it is read, and a Read with a deadline that has passed takes what is there.
type Wire struct {
	in, out  chan []byte
	closed   chan struct{}
	once     *sync.Once
	rest     []byte
	deadline time.Time
}

// NewWires returns both ends of a line.
func NewWires() (near, far *Wire) {
	a, b, closed, once := make(chan []byte, 4096), make(chan []byte, 4096), make(chan struct{}), new(sync.Once)
	return &Wire{in: a, out: b, closed: closed, once: once}, &Wire{in: b, out: a, closed: closed, once: once}
}

// SetReadDeadline sets the deadline of Reads; the zero time is none.
func (w *Wire) SetReadDeadline(t time.Time) error { w.deadline = t; return nil }

// Write sends b. The error is os.ErrClosed once either end was closed.
func (w *Wire) Write(b []byte) (int, error) {
	select {
	case <-w.closed:
		return 0, os.ErrClosed
	case w.out <- slices.Clone(b):
		return len(b), nil
	}
}

// Read waits for bytes until the deadline.
func (w *Wire) Read(b []byte) (int, error) {
	if len(w.rest) == 0 {
		select {
		case w.rest = <-w.in:
		default:
			t := time.NewTimer(time.Until(w.deadline))
			defer t.Stop()
			if w.deadline.IsZero() {
				t.Stop()
			}
			select {
			case w.rest = <-w.in:
			case <-w.closed:
				return 0, os.ErrClosed
			case <-t.C:
				return 0, os.ErrDeadlineExceeded
			}
		}
	}
	n := copy(b, w.rest)
	w.rest = w.rest[n:]
	return n, nil
}

// Close closes both ends.
func (w *Wire) Close() error {
	w.once.Do(func() { close(w.closed) })
	return nil
}
