package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"

	"github.com/goburrow/modbus"
)

// A link is one connection or serial line: the seam between polling and the wire. Its
// Send hands over a whole frame and returns the whole frame that answers it. It has one
// owner; only its context may end it from elsewhere.
type link interface {
	modbus.Transporter
	modbus.Packager
	// address names the device that the frames encoded next are for.
	address(unit byte)
	// open makes the link ready for Send, once. When ctx ends, a Send in progress returns
	// at once and later ones fail.
	open(ctx context.Context) error
	// isOpen reports whether Send may be tried.
	isOpen() bool
	// close forgets what is under way. It may be called at any time, by the owner.
	close()
	// times returns when the last Send that succeeded had been answered at the earliest
	// and at the latest: the instant of its values lies between.
	times() (from, to time.Time)
	// keeps reports whether the link may be used on after Send returned err, not nil.
	keeps(err error) bool
	// patience returns after how many time-outs in a row it is better opened again; 0: never.
	patience() int
	// stale returns how many frames were discarded because nobody waited for them.
	stale() uint64
}

// Why an exchange gave no values. An Exception is another reason.
var (
	ErrTimeout = errors.New("no answer in time")
	ErrFraming = errors.New("answer is not one to the request") // wrapped with what was found
	errWrite   = errors.New("a frame that could write is never sent")
)

// Header and frame of Modbus TCP ([TG] 3.1.3, [AP] 4.1).
const (
	headerBytes   = 7   // transaction id 2, protocol id 2, length 2, unit id 1
	maxFrameBytes = 260 // header and 253 bytes of function and data
)

// A tcp is a link over a stream. The stock transporter of goburrow is not used: after one
// late or doubled reply it fails for ever, and it never opens a lost connection again.
type tcp struct {
	modbus.Packager                          // framing, below, without the stock transporter about it
	framing         *modbus.TCPClientHandler // transaction ids count up, over all units of the link
	dial            func(context.Context) (net.Conn, error)
	timeout         time.Duration // of a dial, and of an exchange from its first byte to its last

	conn           net.Conn    // nil while closed
	release        func() bool // takes the watch of the context off conn
	buf            [2 * maxFrameBytes]byte
	from, to       int // buf[from:to] was received and not yet returned
	sent, received time.Time
	discarded      uint64
}

func newTCP(address string, timeout time.Duration) *tcp {
	var d net.Dialer // its keep-alive is on: a host that has gone is found even between polls
	t := &tcp{timeout: timeout, framing: modbus.NewTCPClientHandler("")}
	t.Packager = t.framing
	t.dial = func(ctx context.Context) (net.Conn, error) { return d.DialContext(ctx, "tcp", address) }
	return t
}

func (t *tcp) address(unit byte)           { t.framing.SlaveId = unit }
func (t *tcp) isOpen() bool                { return t.conn != nil }
func (t *tcp) times() (from, to time.Time) { return t.sent, t.received }
func (t *tcp) stale() uint64               { return t.discarded }
func (t *tcp) keeps(err error) bool        { return errors.Is(err, ErrTimeout) }
func (t *tcp) patience() int               { return 3 }

func (t *tcp) open(ctx context.Context) error {
	t.close()
	dialing, cancel := context.WithTimeout(ctx, t.timeout)
	defer cancel()
	conn, err := t.dial(dialing)
	if err != nil {
		return err
	}
	if c, ok := conn.(*net.TCPConn); ok {
		// Small frames must not wait for one another ([TG] 4.3.2). Go sets this already; here it is relied on.
		if err := c.SetNoDelay(true); err != nil {
			conn.Close()
			return err
		}
	}
	t.conn = conn
	// Closing, not a past deadline, which the next Send would overwrite.
	t.release = context.AfterFunc(ctx, func() { conn.Close() })
	return nil
}

func (t *tcp) close() {
	if t.conn == nil {
		return
	}
	t.release()
	t.conn.Close()
	t.conn, t.from, t.to = nil, 0, 0
}

// Send sends one frame and returns the one that carries its transaction id, valid until
// the next Send. Frames with other ids, late or doubled ones, are discarded and the
// waiting goes on, until timeout after the call at the latest. It returns ErrTimeout if
// nothing, or nothing but such frames, came; ErrFraming if what came cannot be cut into
// frames, or stopped in the middle of one; else the error of the connection. After any
// but ErrTimeout the stream cannot be trusted: the caller must close.
func (t *tcp) Send(request []byte) ([]byte, error) {
	if len(request) <= headerBytes || request[headerBytes] < 1 || request[headerBytes] > 4 {
		return nil, errWrite // functions 1 to 4 read, all others might not
	}
	if t.conn == nil {
		return nil, net.ErrClosed
	}
	t.sent = time.Now()
	if err := t.conn.SetDeadline(t.sent.Add(t.timeout)); err != nil {
		return nil, err
	}
	if _, err := t.conn.Write(request); err != nil {
		// However much went out, the rest never will: also a time-out ends the stream here.
		return nil, fmt.Errorf("send: %w", err)
	}
	for {
		frame, err := t.frame()
		if err != nil {
			return nil, err
		}
		if binary.BigEndian.Uint16(frame) == binary.BigEndian.Uint16(request) {
			t.received = time.Now()
			return frame, nil
		}
		t.discarded++ // [TG] 4.4.1.3
	}
}

// frame returns the next frame of the stream, in buf.
func (t *tcp) frame() ([]byte, error) {
	for {
		got := t.buf[t.from:t.to]
		n := headerBytes
		if len(got) >= headerBytes {
			if id := binary.BigEndian.Uint16(got[2:]); id != 0 {
				return nil, fmt.Errorf("%w: protocol id %d, want 0", ErrFraming, id)
			}
			// The length counts the unit id too. The least is a function code and one byte.
			length := int(binary.BigEndian.Uint16(got[4:]))
			if length < 3 || 6+length > maxFrameBytes {
				return nil, fmt.Errorf("%w: length field %d, want 3 to %d", ErrFraming, length, maxFrameBytes-6)
			}
			n = 6 + length
			if len(got) >= n {
				t.from += n
				return got[:n], nil
			}
		}
		if t.from+n > len(t.buf) { // no room for the rest: frames returned before are done with
			t.to = copy(t.buf[:], got)
			t.from = 0
		}
		m, err := t.conn.Read(t.buf[t.to:])
		t.to += m
		switch {
		case m > 0 || err == nil:
			// An error after bytes comes again with the next Read.
		case !errors.Is(err, os.ErrDeadlineExceeded):
			if err == io.EOF {
				err = errors.New("closed by the other side")
			}
			return nil, err
		case t.from < t.to:
			return nil, fmt.Errorf("%w: cut short after %d of %d bytes", ErrFraming, t.to-t.from, n)
		default:
			t.from, t.to = 0, 0
			return nil, ErrTimeout
		}
	}
}
