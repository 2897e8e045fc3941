package modbus

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"sync"
	"time"

	"griptrial/acquire"
	"griptrial/acquire/port"
	"griptrial/acquire/sample"
	"griptrial/config"
)

// ListenerStats counts what a listener has heard.
type ListenerStats struct {
	Exchanges   uint64 // requests that read, with their answers
	OK          uint64 // of these, with values of channels
	NotAnswered uint64 // requests that read, without an answer, or refused
	Noise       uint64 // bytes that were in no frame
	Lost        uint64 // times that the port was lost or could not be opened
}

// A Listener takes the values of channels from the traffic of another master. It sends
// nothing: it never writes to its stream.
type Listener struct {
	bus       config.Bus
	clock     acquire.Clock
	groups    []sample.Group
	wanted    []Request // of the groups, one channel each
	dial      func(context.Context) (port.Stream, error)
	character time.Duration
	jitter    func() float64
	newWaiter func(context.Context) acquire.Waiter

	lastNS  []int64
	faulted []bool

	mu    sync.Mutex // guards stats
	stats ListenerStats
}

// NewListener returns a listener to bus that counts its stamps on clock. Each channel is a
// group of its own: what the other master reads together is its choice.
func NewListener(bus config.Bus, clock acquire.Clock) (*Listener, error) {
	l := &Listener{bus: bus, clock: clock, jitter: rand.Float64, newWaiter: acquire.NewWaiter}
	if bus.Kind != config.ModbusRTU && bus.Kind != config.ModbusRTUOverTCP {
		return nil, fmt.Errorf("bus %s: kind %q cannot be listened to", bus.Name, bus.Kind)
	}
	for i, d := range bus.Devices {
		one := bus
		for _, c := range d.Channels {
			d.Channels = []config.Channel{c}
			d.IntervalS = 1 // any: nothing is polled
			one.Devices = []config.Device{d}
			r, g, err := Plan(one)
			if err != nil {
				return nil, err
			}
			r[0].Device = i
			g[0].Channels[0].IntervalS = math.NaN()
			l.wanted, l.groups = append(l.wanted, r[0]), append(l.groups, g[0])
			l.lastNS, l.faulted = append(l.lastNS, sample.Missing), append(l.faulted, false)
		}
	}
	if len(l.groups) == 0 {
		return nil, fmt.Errorf("bus %s: no device has a channel", bus.Name)
	}
	if bus.OnSerialPort() {
		l.character = port.Character(bus.Serial)
	}
	l.dial = func(ctx context.Context) (port.Stream, error) {
		return port.Open(ctx, &l.bus, time.Duration(bus.TimeoutS*1e9))
	}
	return l, nil
}

// Groups returns the groups that the batches of Run count: one for each channel.
func (l *Listener) Groups() []sample.Group { return l.groups }

// Stats returns the counts so far. It may be called at any time.
func (l *Listener) Stats() ListenerStats {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.stats
}

func (l *Listener) count(change func(*ListenerStats)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	change(&l.stats)
}

// listenQuiet is how long a line may be silent before the other master counts as silent.
const listenQuiet = 2 * time.Second

// Run listens until ctx ends, hands what it heard to emit, and returns nil. The stamp of a
// value is the middle between the end of the request and the begin of its answer, as they
// came, the half-width half of that. A port that fails is no error: it is opened again at
// growing intervals up to 2 s, and a batch names the fault.
func (l *Listener) Run(ctx context.Context, emit func(sample.Batch)) error {
	wait := l.newWaiter(ctx)
	defer wait.Close()
	var back acquire.Backoff
	for ctx.Err() == nil {
		wait.Until(back.Until)
		if ctx.Err() != nil {
			break
		}
		cause := acquire.FaultNoConnection
		stream, err := l.dial(ctx)
		if err == nil {
			cause = acquire.FaultLost
			err = l.follow(ctx, stream, func(x exchange) bool {
				back = acquire.Backoff{}
				l.hand(x, emit)
				return true
			}, func() { l.fault(acquire.FaultTimeout, emit) })
			stream.Close()
		}
		if ctx.Err() == nil && err != nil {
			l.count(func(s *ListenerStats) { s.Lost++ })
			back.Fail(cause, time.Now(), l.jitter())
			l.fault(cause, emit)
		}
	}
	return nil
}

// follow reads a stream and calls heard with each exchange until it returns false, and
// silent when the other master has been silent for listenQuiet. Its error is that of the
// stream.
func (l *Listener) follow(ctx context.Context, stream port.Stream, heard func(exchange) bool, silent func()) error {
	s := sniffer{character: l.character}
	var b [512]byte
	last := time.Now()
	for ctx.Err() == nil {
		if err := stream.SetReadDeadline(last.Add(listenQuiet)); err != nil {
			return err
		}
		n, err := stream.Read(b[:])
		now := time.Now()
		switch {
		case n > 0:
			last = now
			goOn := true
			s.add(b[:n], now, func(x exchange) { goOn = goOn && heard(x) })
			l.count(func(c *ListenerStats) {
				c.Exchanges += uint64(s.exchanges)
				c.NotAnswered += uint64(s.notAnswered)
				c.Noise += uint64(s.noise)
			})
			s.exchanges, s.notAnswered, s.noise = 0, 0, 0
			if !goOn {
				return nil
			}
		case errors.Is(err, os.ErrDeadlineExceeded):
			last = now
			silent()
		case err != nil:
			return err
		}
	}
	return nil
}

// hand hands on the channels that an exchange holds.
func (l *Listener) hand(x exchange, emit func(sample.Batch)) {
	any := false
	for i := range l.wanted {
		n, ok := l.value(i, x)
		if !ok {
			continue
		}
		any = true
		stamp, half := acquire.Stamp(l.clock.At(x.from), l.clock.At(x.to), l.lastNS[i])
		l.lastNS[i], l.faulted[i] = stamp, false
		emit(sample.Batch{Group: i, T: []int64{stamp}, Half: []int64{half}, Counts: [][]int64{{n}}})
	}
	if any {
		l.count(func(s *ListenerStats) { s.OK++ })
	}
}

// value returns the raw count of channel i where x holds it.
func (l *Listener) value(i int, x exchange) (int64, bool) {
	r := &l.wanted[i]
	at := int(r.Address) - int(x.address)
	if r.Unit != x.unit || r.function() != x.function || at < 0 || at+int(r.Quantity) > int(x.quantity) {
		return 0, false
	}
	f := r.whole.fields[0]
	if f.bits {
		f.at += at
	} else {
		f.at += 2 * at
	}
	return f.count(x.data), true
}

func (l *Listener) fault(cause string, emit func(sample.Batch)) {
	for i := range l.groups {
		if !l.faulted[i] {
			l.faulted[i] = true
			emit(sample.Batch{Group: i, T: nil, Counts: make([][]int64, 1), Fault: cause,
				FaultNS: max(-acquire.FloorTick(-l.clock.Now()), l.lastNS[i])})
		}
	}
}

// errNotHeard says that the other master did not read a channel while it was listened to.
var errNotHeard = errors.New("the other master did not read it in 5 s of listening")

// ReadOnce listens until every channel was heard, 5 s at most, and returns the readings in
// the order of Groups. The error says that the port cannot be had.
func (l *Listener) ReadOnce(ctx context.Context) ([]acquire.Reading, error) {
	listening, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	stream, err := l.dial(listening)
	if err != nil {
		return nil, fmt.Errorf("bus %s: %w", l.bus.Name, err)
	}
	defer stream.Close()
	readings := make([]acquire.Reading, len(l.groups))
	missing := len(readings)
	for i := range readings {
		c := &l.groups[i].Channels[0]
		readings[i] = acquire.Reading{Device: l.bus.Devices[l.wanted[i].Device].Name, Channel: c.Name,
			Raw: sample.Missing, Value: math.NaN(), Parts: 1, Err: errNotHeard}
	}
	err = l.follow(listening, stream, func(x exchange) bool {
		for i := range readings {
			if n, ok := l.value(i, x); ok && readings[i].Err != nil {
				r := &readings[i]
				r.Err, r.Raw, r.Value, r.Between = nil, n, l.groups[i].Channels[0].Value(n), x.to.Sub(x.from)
				r.Transaction = r.Between
				missing--
			}
		}
		return missing > 0
	}, func() {})
	if err != nil && listening.Err() == nil {
		return readings, fmt.Errorf("bus %s: %w", l.bus.Name, err)
	}
	return readings, nil
}
