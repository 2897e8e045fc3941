package modbus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
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
//   - A device answers in order, or not at all. What was asked and not answered stays under way
//     (pending) until a later request is answered, or for so long that no answer can be expected.
//   - While something is under way, a request follows a probe: a read whose answer looks like none
//     of those under way nor like those to any request. Once it is answered nothing else comes.
//   - A refusal tells neither of which request it is nor of which length. It is taken for one of the
//     earliest request that it may belong to; the present one is refused where that is itself.
//   - Lengths of probes take turns, that an answer which comes twice does not pass for a later one's.
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
	last8     [8]byte // the last request, whose echo may come late
	from, to  time.Time
	discarded uint64

	asked   map[byte]map[shape]bool // what requests to each unit look like, probes left out
	pending map[byte][]sent         // to each unit, and perhaps still to be answered, oldest first
	probes  map[byte]int            // to each unit since nothing was under way
	turn    int                     // of the lengths of probes
}

// A sent is what tells the answer of a request that went out.
type sent struct {
	shape
	at time.Time
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

// latest is how long after a request its answer may come: a device server may hold one back
// while its line is down, a device answers within a second (common practice, no source).
const latest = 10 * time.Second

func newRTU(bus config.Bus, timeout time.Duration) *rtu {
	l := &rtu{framing: modbus.NewRTUClientHandler(""), timeout: timeout,
		asked: map[byte]map[shape]bool{}, pending: map[byte][]sent{}, probes: map[byte]int{}}
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

// hear listens for other masters. A single answer is none: it is late, to a request of a
// program that has just closed the port. After it the listening begins anew.
func (l *rtu) hear(ctx context.Context) error {
	until := time.Now().Add(l.listen)
	l.n = 0
	late := false
	for l.listen > 0 && ctx.Err() == nil {
		err := l.receive(until)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			break
		}
		if err != nil {
			return err
		}
		if f, ok := firstFrame(l.buf[:l.n]); ok {
			if !late && !isRequest(f) && bytes.HasSuffix(l.buf[:l.n], f) {
				late, l.n, until = true, 0, time.Now().Add(l.listen)
				continue
			}
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
	l.pending[unit] = slices.DeleteFunc(l.pending[unit], func(s sent) bool { return time.Since(s.at) > latest })
	if len(l.pending[unit]) > 0 {
		probe := l.probe(request)
		if probe == nil {
			return nil, fmt.Errorf("%w: unit %d has answered none of the last %d requests", ErrTimeout, unit, len(l.pending[unit]))
		}
		// A device may refuse a longer read: then it goes on without one.
		if _, err := l.exchange(probe); err != nil && (err != errRefused || l.underWay(unit, shapeOf(request))) {
			return nil, err
		}
	}
	return l.exchange(request)
}

// errRefused says that all that came is a refusal, perhaps of an earlier request.
var errRefused = fmt.Errorf("%w: a refusal came that may be of an earlier request", ErrTimeout)

func shapeOf(request []byte) shape {
	n := int(binary.BigEndian.Uint16(request[4:]))
	if request[1] <= 2 {
		return shape{request[1], (n + 7) / 8}
	}
	return shape{request[1], 2 * n}
}

// underWay reports whether an answer in shape s may still come from unit.
func (l *rtu) underWay(unit byte, s shape) bool {
	return slices.ContainsFunc(l.pending[unit], func(p sent) bool { return p.shape == s })
}

// Of the lengths that a probe may have, so many of the shortest take turns.
const turns = 16

// probe returns a request like another, whose answer has a length that none under way and no
// request to the unit has; nil where there is none. Every second one reads the other table of
// the same width: its refusal, too, cannot be an earlier one.
func (l *rtu) probe(request []byte) []byte {
	p := bytes.Clone(request[:6])
	unit := p[0]
	if l.probes[unit]%2 == 1 {
		p[1] = [...]byte{1: 2, 2: 1, 3: 4, 4: 3}[p[1]]
	}
	l.probes[unit]++
	step := 1
	if p[1] <= 2 {
		step = 8 // bits, and their answers count bytes
	}
	for i := range maxRegisters {
		k := i
		if i < turns {
			k = (l.turn + i) % turns
		}
		binary.BigEndian.PutUint16(p[4:], uint16(1+k*step))
		if s := shapeOf(p); !l.asked[unit][s] && !l.underWay(unit, s) {
			l.turn = k + 1
			// Near the end of the table the device refuses a longer one: that, too, is an answer.
			return binary.LittleEndian.AppendUint16(p, config.CRC16(p))
		}
	}
	return nil
}

// exchange sends request and returns its answer: data in a shape that no other request under
// way has, or a refusal that can be of no other.
func (l *rtu) exchange(request []byte) ([]byte, error) {
	if err := l.quiet(); err != nil {
		return nil, err
	}
	unit, want := request[0], shapeOf(request)
	l.pending[unit] = append(l.pending[unit], sent{want, time.Now()})
	begin := time.Now()
	copy(l.last8[:], request)
	if _, err := l.stream.Write(request); err != nil {
		return nil, fmt.Errorf("send: %w", err)
	}
	// At the earliest: a port may hold back what it was given.
	end := begin.Add(time.Duration(len(request)) * l.character)
	l.last = end
	deadline := end.Add(l.timeout + time.Duration(5+want.data)*l.character)

	refused, echoed := false, false
	for {
		if !echoed && l.echo != echoNo && bytes.HasPrefix(l.buf[:l.n], request) {
			l.drop(len(request))
			echoed = true
		}
		waitForEcho := !echoed && l.echo != echoNo && l.n < len(request) && l.n > 0 && bytes.HasPrefix(request, l.buf[:l.n])
		if at, n := find(l.buf[:l.n], unit, want); n > 0 && !waitForEcho {
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
			if answer[1] == request[1] || l.refuse(unit, request[1]) {
				l.pending[unit], l.probes[unit] = l.pending[unit][:0], 0
				l.between(begin, end, time.Now(), n)
				l.rest(at + n)
				return answer, nil
			}
			refused = true
			l.drop(at + n)
			continue
		}
		wait := deadline
		if l.n >= 5+want.data && !refused { // as much as the answer, and none in it
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
			return nil, errRefused
		case l.n > 0:
			n := l.n
			l.n = 0
			return nil, fmt.Errorf("%w: %d bytes hold no answer of unit %d, function %02X with %d data bytes and a right CRC", ErrFraming, n, unit, want.function, want.data)
		default:
			return nil, ErrTimeout
		}
	}
}

// refuse takes a refusal of function for an answer to the earliest request that it may belong
// to, and reports whether that is the last one.
func (l *rtu) refuse(unit, function byte) bool {
	all := l.pending[unit]
	i := slices.IndexFunc(all, func(s sent) bool { return s.function == function })
	if i < len(all)-1 {
		l.pending[unit] = slices.Delete(all, 0, i+1) // in order: what was sent before has no answer any more
		return false
	}
	return true
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
		if f, ok := firstFrame(l.buf[:l.n]); ok && l.listen > 0 && isRequest(f) && !bytes.Equal(f, l.last8[:]) && !l.mine(f) {
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
	return f[1]&0x80 != 0 || l.asked[f[0]][shape{f[1], int(f[2])}] || len(l.pending[f[0]]) > 0
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
