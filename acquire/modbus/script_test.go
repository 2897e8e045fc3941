package modbus

import (
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire"
	"griptrial/acquire/sample"
	"griptrial/config"
)

// An op is one exchange that a scripted device expects and what it does then.
type op struct {
	req string // unit id, function and data, in hex
	// What is sent: bytes in hex, ID and ID-1 for the transaction id of this request and the
	// one before, "wait" to let the time-out and a half of it pass, "close" to close.
	resp string
}

// play serves the connections of a scripted device one after the other until its ops are
// used up; then it calls done. It runs in a bubble, over net.Pipe.
func play(t *testing.T, conns <-chan net.Conn, ops []op, timeout time.Duration, done func()) {
	defer done()
	for conn := range conns {
		requests := make(chan []byte, 16)
		go func() {
			defer close(requests)
			for {
				b := make([]byte, 12)
				if _, err := io.ReadFull(conn, b); err != nil {
					return
				}
				requests <- b
			}
		}()
		for request := range requests {
			assert.Equal(t, ops[0].req, hex.EncodeToString(request[6:]), "request, %d ops left", len(ops))
			id := binary.BigEndian.Uint16(request)
			for _, word := range strings.Fields(ops[0].resp) {
				switch word {
				case "ID":
					conn.Write(binary.BigEndian.AppendUint16(nil, id))
				case "ID-1":
					conn.Write(binary.BigEndian.AppendUint16(nil, id-1))
				case "wait":
					time.Sleep(timeout * 3 / 2)
				case "close":
					conn.Close()
				default:
					b, err := hex.DecodeString(word)
					require.NoError(t, err)
					conn.Write(b) // fails where the client has given up: part of the script
				}
			}
			if ops = ops[1:]; len(ops) == 0 {
				return
			}
		}
	}
}

// pipes makes p dial in-memory connections, whose far ends it returns, in a bubble. The end
// of the test lets those who serve them come to theirs.
func pipes(t *testing.T, p *Poller) chan net.Conn {
	conns := make(chan net.Conn, 16)
	t.Cleanup(func() {
		close(conns)
		time.Sleep(time.Minute)
	})
	p.link.(*tcp).dial = func(context.Context) (net.Conn, error) {
		near, far := net.Pipe()
		conns <- far
		return near, nil
	}
	return conns
}

// bubblePoller returns a poller without the two things that do not belong in a bubble, a
// kernel timer and chance.
func bubblePoller(t *testing.T, bus config.Bus) *Poller {
	p, err := NewPoller(bus, acquire.NewClock())
	require.NoError(t, err)
	p.newWaiter = func(ctx context.Context) acquire.Waiter { return acquire.NewTimerWaiter(ctx.Done()) }
	p.jitter = func() float64 { return 0 }
	return p
}

// A logbook keeps what a poller hands on.
type logbook struct {
	mu      sync.Mutex
	batches []sample.Batch
}

func (l *logbook) emit(b sample.Batch) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.batches = append(l.batches, b)
}

// lines returns each scan as its counts and each fault as its cause, in the order handed on.
func (l *logbook) lines() []string {
	var lines []string
	for _, b := range l.batches {
		if b.Fault != "" {
			lines = append(lines, b.Fault)
		}
		for i := range b.T {
			var counts []string
			for _, c := range b.Counts {
				counts = append(counts, fmt.Sprint(c[i]))
			}
			lines = append(lines, strings.Join(counts, " "))
		}
	}
	return lines
}

// check fails the test unless the batches keep the promises of sample.Batch.
func (l *logbook) check(t *testing.T, groups []sample.Group) {
	t.Helper()
	require.NoError(t, l.fault(groups))
}

func (l *logbook) fault(groups []sample.Group) error {
	last := make([]int64, len(groups))
	for i := range last {
		last[i] = sample.Missing
	}
	for n, b := range l.batches {
		switch {
		case b.Group < 0 || b.Group >= len(groups):
			return fmt.Errorf("batch %d: group %d", n, b.Group)
		case len(b.Counts) != len(groups[b.Group].Channels), len(b.Half) != len(b.T):
			return fmt.Errorf("batch %d: columns", n)
		case (b.Fault == "") != (len(b.T) > 0):
			return fmt.Errorf("batch %d: neither scans nor a fault, or both", n)
		case b.Fault != "" && b.FaultNS < last[b.Group]:
			return fmt.Errorf("batch %d: fault at %d, before the last scan at %d", n, b.FaultNS, last[b.Group])
		case b.FaultNS%sample.TickNS != 0:
			return fmt.Errorf("batch %d: fault off the ticks", n)
		}
		for i, stamp := range b.T {
			if stamp <= last[b.Group] || stamp%sample.TickNS != 0 || b.Half[i]%sample.TickNS != 0 || b.Half[i] < 0 {
				return fmt.Errorf("batch %d scan %d: %d ± %d after %d", n, i, stamp, b.Half[i], last[b.Group])
			}
			last[b.Group] = stamp
		}
		for _, c := range b.Counts {
			if len(c) != len(b.T) {
				return errors.New("columns of unequal length")
			}
		}
	}
	return nil
}

// slots returns how many slots s accounts for.
func slots(s DeviceStats) uint64 {
	n := s.OK + s.Timeouts + s.Framing + s.Lost + s.NoConnection + s.Skipped + s.BackedOff
	for _, e := range s.Exceptions {
		n += e
	}
	return n
}

// served returns the data bytes that a right answer holds.
func served(table config.Table, at, n int) []byte {
	var data []byte
	if isBits(table) {
		data = make([]byte, (n+7)/8)
		for i := range n {
			data[i/8] |= byte((at+i)*40503>>7&1) << (i % 8)
		}
		return data
	}
	for i := range n {
		data = binary.BigEndian.AppendUint16(data, uint16((at+i)*40503+12345))
	}
	return data
}
