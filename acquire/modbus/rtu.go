package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"github.com/goburrow/modbus"

	"griptrial/acquire"
	"griptrial/acquire/port"
	"griptrial/config"
)

// ErrForeign says that another master polls the line. RS-485 has one: nothing is sent.
var ErrForeign = acquire.ErrForeign

// An rtu is a link over a serial line, or over a stream that carries a line's frames
// ([SL] 2.5.1). These have no transaction id, so that an answer is told from one to an
// earlier request by what it may look like:
//
//   - A request is sent into silence: what came before it is discarded.
//   - An answer is of the unit and function asked, exactly as long as asked, with its CRC.
//   - After a request without an answer, the next one to that unit is a probe, a read of
//     another length than any request to it has. A device answers in order: once the probe
//     is answered, no earlier answer is under way. What comes before is discarded. Where a probe
//     is not answered, the next one has a length of its own: the late answer to the first would
//     pass for the second's, and leave that one's under way.
//   - A refusal tells neither of which request it is nor of which length. One that comes while
//     that of an earlier request may still be under way leaves the present one unanswered.
//
// The stock transporter of goburrow discards nothing, takes answers of another length, and
// sleeps 0.75 ms a character on fast lines.
type rtu struct {
	modbus.Packager
	framing *modbus.RTUClientHandler
	dial    func(context.Context) (port.Stream, error)

	timeout   time.Duration // from the end of a request to the begin of its answer
	character time.Duration // 0 where the line's rate is not known: behind a stream
	silence   time.Duration // before a request
	listen    time.Duration // after opening; nothing is sent before
	patient   int

	stream    port.Stream // nil while closed
	buf       [1024]byte
	n         int
	last      time.Time // a byte was received or sent
	echo      echo
	sent      [8]byte // the last request, whose echo may come late
	from, to  time.Time
	discarded uint64

	asked map[byte]map[shape]bool // what requests to each unit look like, probes left out
	doubt map[byte]bool           // units with an answer under way, perhaps
	tries map[byte]int            // probes of units in doubt without an answer of their own
	stray map[byte]int            // units with a refusal of a probe under way, perhaps: for so many more refused probes
}

// A shape is what tells answers of one unit apart: function and number of data bytes.
type shape struct {
	function byte
	data     int
}

// An echo says whether what is sent comes back, as on two-wire adapters that hear
// themselves.
type echo int

const (
	echoUnknown echo = iota
	echoNo
	echoYes
)

// How long a serial line is listened to before the first byte, and how many bytes heard
// then count as noise: opening a port moves its lines, and an idle pair may float.
const (
	listenFirst = time.Second
	noiseBytes  = 3
)

// grace is how long the rest of a damaged answer is waited for: USB adapters hand bytes on
// every 16 ms at the latest (the usual latency timer, from memory).
const grace = 20 * time.Millisecond

func newRTU(bus config.Bus, timeout time.Duration) *rtu {
	l := &rtu{framing: modbus.NewRTUClientHandler(""), timeout: timeout,
		asked: map[byte]map[shape]bool{}, doubt: map[byte]bool{}, tries: map[byte]int{}, stray: map[byte]int{}}
	l.Packager = l.framing
	l.dial = func(ctx context.Context) (port.Stream, error) { return port.Open(ctx, &bus, timeout) }
	if bus.OnSerialPort() {
		l.character, l.silence, l.listen = port.Character(bus.Serial), port.Silence(bus.Serial), listenFirst
	} else {
		// The device server keeps the silence. A moment is left for what has arrived to be read.
		l.silence, l.patient = 200*time.Microsecond, 3
	}
	return l
}

func (l *rtu) address(unit byte)           { l.framing.SlaveId = unit }
func (l *rtu) isOpen() bool                { return l.stream != nil }
func (l *rtu) times() (from, to time.Time) { return l.from, l.to }
func (l *rtu) stale() uint64               { return l.discarded }

// A line is not reopened for a spoiled answer: what is on it is told by its form, and one
// device must not take it from the others.
func (l *rtu) keeps(err error) bool { return errors.Is(err, ErrTimeout) || errors.Is(err, ErrFraming) }
func (l *rtu) patience() int        { return l.patient }

// open opens the port and listens. It returns ErrForeign where it hears another master.
func (l *rtu) open(ctx context.Context) error {
	l.close()
	stream, err := l.dial(ctx)
	if err != nil {
		return err
	}
	l.stream, l.last, l.echo = stream, time.Now(), echoUnknown
	if err := l.hear(ctx); err != nil {
		l.close()
		return err
	}
	return nil
}

func (l *rtu) close() {
	if l.stream != nil {
		l.stream.Close()
		l.stream, l.n = nil, 0
	}
}

// hear listens for other masters.
func (l *rtu) hear(ctx context.Context) error {
	until := time.Now().Add(l.listen)
	l.n = 0
	for l.listen > 0 && ctx.Err() == nil {
		err := l.receive(until)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			break
		}
		if err != nil {
			return err
		}
		if f, ok := firstFrame(l.buf[:l.n]); ok {
			return fmt.Errorf("%w: heard unit %d, function %02X; nothing was sent", ErrForeign, f[0], f[1])
		}
		l.makeRoom()
	}
	heard := l.n
	l.n = 0
	if heard > noiseBytes {
		return fmt.Errorf("%w: heard %d bytes that are no Modbus frame at these settings of the line; nothing was sent", ErrForeign, heard)
	}
	return ctx.Err()
}

// receive appends what comes until deadline to buf.
func (l *rtu) receive(deadline time.Time) error {
	if err := l.stream.SetReadDeadline(deadline); err != nil {
		return err
	}
	n, err := l.stream.Read(l.buf[l.n:])
	if l.n += n; n > 0 {
		l.last = time.Now()
		return nil // an error after bytes comes again
	}
	return err
}

// makeRoom forgets what is too old to be part of a frame.
func (l *rtu) makeRoom() {
	if l.n > len(l.buf)-maxLineBytes {
		copy(l.buf[:], l.buf[l.n-maxLineBytes:l.n])
		l.n = maxLineBytes
	}
}

const maxLineBytes = 256 // [SL] 2.5.1

// Send sends one frame into silence and returns its answer, valid until the next Send. It
// returns ErrTimeout where nothing came, ErrFraming where what came is no answer to it,
// ErrForeign where another master began to poll; else the error of the port.
func (l *rtu) Send(request []byte) ([]byte, error) {
	if len(request) != 8 || request[1] < 1 || request[1] > 4 || request[0] == 0 {
		return nil, errWrite // functions 1 to 4 read; 0 is every device on the line
	}
	if l.stream == nil {
		return nil, net.ErrClosed
	}
	unit := request[0]
	if l.asked[unit] == nil {
		l.asked[unit] = map[shape]bool{}
	}
	l.asked[unit][shapeOf(request)] = true
	if l.doubt[unit] {
		probe := l.probe(request)
		l.tries[unit]++
		answered, err := l.exchange(probe, true)
		if err != nil {
			return nil, err
		}
		delete(l.doubt, unit)
		if answered == nil { // refused, by one answer or another
			l.stray[unit] = max(0, l.stray[unit]-1)
		} else {
			l.tries[unit] = 0
		}
	}
	answer, err := l.exchange(request, false)
	switch {
	case err != nil:
		// A device that refuses all it is asked comes out of doubt after two time-outs.
		l.doubt[unit], l.stray[unit] = true, 2
	case answer[1]&0x80 == 0:
		l.stray[unit] = 0
	case l.stray[unit] > 0:
		l.doubt[unit] = true
	}
	return answer, err
}

func shapeOf(request []byte) shape {
	n := int(binary.BigEndian.Uint16(request[4:]))
	if request[1] <= 2 {
		return shape{request[1], (n + 7) / 8}
	}
	return shape{request[1], 2 * n}
}

// probe returns a request like another, whose answer has a length that no request to the
// unit has had, nor any of the last three probes that were not answered.
func (l *rtu) probe(request []byte) []byte {
	p := bytes.Clone(request[:6])
	step := uint16(1)
	if request[1] <= 2 {
		step = 8 // bits, and their answers count bytes
	}
	skip := l.tries[p[0]] % 4
	for n := uint16(1); ; n += step {
		binary.BigEndian.PutUint16(p[4:], n)
		s := shapeOf(p)
		if s.data > 2*maxRegisters || !l.asked[p[0]][s] && skip == 0 {
			break
		}
		if !l.asked[p[0]][s] {
			skip--
		}
	}
	// Near the end of the table the device refuses a longer one: that, too, is an answer.
	return binary.LittleEndian.AppendUint16(p, config.CRC16(p))
}

// exchange sends request and returns its answer. As a probe, a refusal does not end it: it
// may be the late answer to an earlier request, and what else comes is waited for.
func (l *rtu) exchange(request []byte, probe bool) ([]byte, error) {
	if err := l.quiet(); err != nil {
		return nil, err
	}
	begin := time.Now()
	copy(l.sent[:], request)
	if _, err := l.stream.Write(request); err != nil {
		return nil, fmt.Errorf("send: %w", err)
	}
	want := shapeOf(request)
	// At the earliest: a port may hold back what it was given.
	end := begin.Add(time.Duration(len(request)) * l.character)
	l.last = end
	deadline := end.Add(l.timeout + time.Duration(5+want.data)*l.character)

	begun, refused, echoed := 0, false, false
	for {
		if !echoed && l.echo != echoNo && bytes.HasPrefix(l.buf[:l.n], request) {
			l.drop(len(request))
			echoed = true
		}
		waitForEcho := !echoed && l.echo != echoNo && l.n < len(request) && l.n > 0 && bytes.HasPrefix(request, l.buf[:l.n])
		if at, n := find(l.buf[:l.n], request[0], want); n > 0 && !waitForEcho {
			answer := l.buf[at : at+n]
			if at > 0 {
				l.discarded++
			}
			if l.echo == echoUnknown {
				l.echo = echoNo
				if echoed {
					l.echo = echoYes
				}
			}
			if !probe || answer[1] == request[1] {
				l.between(begin, end, time.Now(), n)
				l.rest(at + n)
				return answer, nil
			}
			refused = true
			l.drop(at + n)
			continue
		}
		wait := deadline
		if l.n-begun >= 5+want.data && !refused { // as much as the answer, and none in it
			if g := l.last.Add(max(grace, l.silence)); g.Before(wait) {
				wait = g
			}
		}
		err := l.receive(wait)
		switch {
		case err == nil:
			l.makeRoom()
		case !errors.Is(err, os.ErrDeadlineExceeded):
			return nil, err
		case refused:
			return nil, nil
		case l.n > 0:
			n := l.n
			l.n = 0
			return nil, fmt.Errorf("%w: %d bytes hold no answer of unit %d, function %02X with %d data bytes and a right CRC", ErrFraming, n, request[0], want.function, want.data)
		default:
			return nil, ErrTimeout
		}
	}
}

// between notes between which instants the values of an answer of n bytes were taken: from
// the end of the request on the wire to the begin of the answer, the device's turnaround.
func (l *rtu) between(begin, end, received time.Time, n int) {
	l.from, l.to = end, received.Add(-time.Duration(n)*l.character)
	if l.character == 0 || l.to.Before(l.from) { // a line without wire time
		l.from, l.to = begin, received
	}
}

// drop forgets the first n bytes received.
func (l *rtu) drop(n int) { l.n = copy(l.buf[:], l.buf[n:l.n]) }

// rest keeps what came after the n first bytes for quiet to judge. The n bytes themselves
// stay where they are: an answer lies there.
func (l *rtu) rest(n int) {
	if l.n > n {
		l.discarded++
	}
	l.n = 0
}

// quiet waits until the line has been silent, and discards what comes.
func (l *rtu) quiet() error {
	l.n = 0
	limit := time.Now().Add(l.timeout + maxLineBytes*l.character)
	counted := false
	for {
		until := l.last.Add(l.silence)
		if l.character == 0 { // no matter when the last byte came: see what has come since
			until = time.Now().Add(l.silence)
		}
		err := l.receive(until)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			break
		}
		if err != nil {
			return err
		}
		if !counted {
			counted = true
			l.discarded++
		}
		if f, ok := firstFrame(l.buf[:l.n]); ok && l.listen > 0 && isRequest(f) && !bytes.Equal(f, l.sent[:]) && !l.mine(f) {
			return fmt.Errorf("%w: heard a request to unit %d, function %02X", ErrForeign, f[0], f[1])
		}
		l.makeRoom()
		if time.Now().After(limit) {
			l.n = 0
			return fmt.Errorf("%w: the line is never silent", ErrFraming)
		}
	}
	l.n = 0
	return nil
}

// mine reports whether f may be an answer to a request of ours, a late one.
func (l *rtu) mine(f []byte) bool {
	return f[1]&0x80 != 0 || l.asked[f[0]][shape{f[1], int(f[2])}] || l.doubt[f[0]]
}

// find returns where in b the first answer of unit in the shape wanted lies, or the first
// refusal, and how long it is; 0, 0 where there is none. It may stand amid noise.
func find(b []byte, unit byte, want shape) (at, n int) {
	for i := range b {
		f := b[i:]
		if len(f) < 5 {
			break
		}
		if f[0] != unit {
			continue
		}
		n := 0
		switch {
		case f[1] == want.function && int(f[2]) == want.data:
			n = 5 + want.data
		case f[1] == want.function|0x80:
			n = 5
		}
		if n > 0 && n <= len(f) && config.CRC16(f[:n]) == 0 {
			return i, n
		}
	}
	return 0, 0
}
