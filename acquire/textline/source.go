package textline

import (
	"bytes"
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

// ErrForeign says that bytes came before anything was asked.
var ErrForeign = acquire.ErrForeign

// errTimeout says that no line came.
var errTimeout = errors.New("no line in time")

// How long a serial port is listened to before the first poll string, and how many bytes
// heard then count as noise.
const (
	listenFirst = time.Second
	noiseBytes  = 3
)

// Stats is what the device has been through, for each device of the bus.
type Stats struct {
	Device       string
	OK           uint64 // lines with values
	Timeouts     uint64 // times that no line came within the bus's time-out
	Garbage      uint64 // lines not in the form stated
	Checksum     uint64 // lines with a wrong checksum, or without
	Lost         uint64 // times that the connection was lost
	NoConnection uint64 // times that it could not be opened
	Skipped      uint64 // slots not polled because the next was due already
	BackedOff    uint64 // slots not polled because of a fault before
	Dropped      uint64 // bytes that were no whole line: half ones, and what came between
	Bursts       uint64 // times that several lines came in one go

	// How long before its line a streaming device measured, at most: declared, or the period of
	// its lines as seen. 0 for a device that is polled, and before its second line.
	Latency  time.Duration
	Declared bool // the rig file states it

	// How late polls began after their deadlines; 0 for a device that streams. Median and P99
	// are within 7 % above the true value.
	LateMedian, LateP99, LateWorst time.Duration
}

// A Source reads one bus of text devices: a single one that streams, or some that are
// polled in turn.
type Source struct {
	// FlushEvery is how long scans are gathered before they are handed on; 100 ms unless set
	// before Run.
	FlushEvery time.Duration

	bus       config.Bus
	clock     acquire.Clock
	groups    []sample.Group
	devices   []*device
	dial      func(context.Context) (port.Stream, error)
	jitter    func() float64
	newWaiter func(context.Context) acquire.Waiter

	timeout   time.Duration
	character time.Duration

	emit    func(sample.Batch)
	stream  port.Stream // nil while closed
	opened  time.Time
	line    acquire.Backoff
	pending bool
	flushAt time.Time
	settle  bool // a line may still come that was asked for before

	mu    sync.Mutex // guards what Stats reads
	stats []Stats
	late  []acquire.Punctuality // by device
}

// A device is one group and how far its reading has come.
type device struct {
	config.Device
	decoder  *decoder
	cutter   cutter
	poll     []byte
	interval time.Duration
	latency  time.Duration // of a streaming device, as declared; 0: not declared
	period   time.Duration // between its lines, as stated or seen; 0: not known yet
	begin    time.Time     // of its last line; zero before the first
	mute     int           // time-outs in a row

	slot    int64
	backoff acquire.Backoff
	faulted bool
	lastNS  int64
	row     []int64
	scans   sample.Batch
}

// New returns a source for bus that counts its stamps on clock. Nothing is sent before Run
// or ReadOnce.
func New(bus config.Bus, clock acquire.Clock) (*Source, error) {
	if !bus.Text() {
		return nil, fmt.Errorf("bus %s: kind %q has no text lines", bus.Name, bus.Kind)
	}
	if ns := bus.TimeoutS * 1e9; !(ns >= 1e6 && ns < 1e12) {
		return nil, fmt.Errorf("bus %s: timeout of %g s is out of range; want 1 ms to 1000 s", bus.Name, bus.TimeoutS)
	}
	if len(bus.Devices) == 0 {
		return nil, fmt.Errorf("bus %s: no device", bus.Name)
	}
	s := &Source{FlushEvery: 100 * time.Millisecond, bus: bus, clock: clock, jitter: rand.Float64, newWaiter: acquire.NewWaiter,
		timeout: time.Duration(bus.TimeoutS * 1e9)}
	if bus.OnSerialPort() {
		s.character = port.Character(bus.Serial)
	}
	s.dial = func(ctx context.Context) (port.Stream, error) { return port.Open(ctx, &s.bus, s.timeout) }
	for _, d := range bus.Devices {
		dec, err := newDecoder(d)
		if err != nil {
			return nil, fmt.Errorf("bus %s: %w", bus.Name, err)
		}
		if len(d.Channels) == 0 {
			return nil, fmt.Errorf("bus %s: device %s has no channel", bus.Name, d.Name)
		}
		x := &device{Device: d, decoder: dec, poll: []byte(d.Line.Poll), lastNS: sample.Missing}
		x.cutter.terminator = []byte(d.Line.Terminator)
		switch {
		case len(x.cutter.terminator) == 0:
			return nil, fmt.Errorf("bus %s: device %s: no terminator", bus.Name, d.Name)
		case len(x.poll) == 0 && len(bus.Devices) > 1:
			return nil, fmt.Errorf("bus %s: device %s sends without being asked, and shares the bus", bus.Name, d.Name)
		case len(x.poll) > 0:
			if why := config.ModbusFrame(x.poll); why != "" {
				return nil, fmt.Errorf("bus %s: device %s: poll string is %s, which might write to a device", bus.Name, d.Name, why)
			}
			if ns := d.IntervalS * 1e9; !(ns >= 1e6 && ns < 1e15) {
				return nil, fmt.Errorf("bus %s: device %s: interval of %g s is out of range; want 1 ms at least", bus.Name, d.Name, d.IntervalS)
			}
			x.interval = time.Duration(math.Round(d.IntervalS * 1e9))
		case d.TurnaroundS > 0:
			x.latency = time.Duration(d.TurnaroundS * 1e9)
		default:
			for _, c := range d.Channels {
				if c.UpdateS > 0 {
					x.period = max(x.period, time.Duration(c.UpdateS*1e9))
				}
			}
		}
		g := sample.Group{Name: bus.Name + " " + d.Name + " line"}
		for _, c := range d.Channels {
			g.Channels = append(g.Channels, c.Channel)
		}
		s.groups, s.devices, s.stats = append(s.groups, g), append(s.devices, x), append(s.stats, Stats{Device: d.Name})
		s.late = append(s.late, acquire.Punctuality{})
		x.scans = s.empty(len(s.groups) - 1)
	}
	return s, nil
}

// Groups returns the groups that the batches of Run count: one for each device.
func (s *Source) Groups() []sample.Group { return s.groups }

// Stats returns the counts so far, by device. It may be called at any time.
func (s *Source) Stats() []Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := append([]Stats(nil), s.stats...)
	for i := range all {
		l := &s.late[i].All
		all[i].LateMedian, all[i].LateP99, all[i].LateWorst = l.Quantile(0.5), l.Quantile(0.99), l.Worst()
	}
	return all
}

// Polling returns how each device's deadlines were kept since the last call. It may be
// called at any time, from one place. A device that streams has none: its polls are 0.
func (s *Source) Polling() []acquire.Polling {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all []acquire.Polling
	for i, d := range s.stats {
		errors := d.Timeouts + d.Garbage + d.Checksum + d.Lost + d.NoConnection + d.BackedOff
		all = append(all, s.late[i].Tell(s.bus.Name, d.Device, d.Skipped, errors))
	}
	return all
}

func (s *Source) count(i int, change func(*Stats)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change(&s.stats[i])
}

// Run reads until ctx ends, hands what it got to emit, and returns nil. It may be called
// once. A bus that fails is no error: it is opened again at growing intervals up to 2 s,
// and a batch names the fault, once until values come again.
//
// A polled line's stamp is the middle between the end of the poll string on the wire and
// the begin of its answer, the half-width half of that. A streaming device measured before
// the line's first character: at most its declared latency before (turnaround in the rig
// file), else at most one period of its lines, as seen so far. Where several lines come in
// one go, each was measured at any time since bytes last came: that pause is in the
// half-width.
func (s *Source) Run(ctx context.Context, emit func(sample.Batch)) error {
	s.emit = emit
	defer s.close()
	wait := s.newWaiter(ctx)
	defer wait.Close()
	if len(s.devices[0].poll) == 0 {
		s.follow(ctx, wait)
	} else {
		s.ask(ctx, wait)
	}
	s.flush()
	return nil
}

// open opens the bus unless it must be left alone, and reports whether it is open. Before
// the first poll string a serial port is listened to.
func (s *Source) open(ctx context.Context) error {
	s.close()
	stream, err := s.dial(ctx)
	if err != nil {
		return err
	}
	s.stream = stream
	for _, d := range s.devices {
		d.cutter.restart(len(d.poll) == 0)
	}
	if len(s.devices[0].poll) == 0 || !s.bus.OnSerialPort() {
		return nil
	}
	heard, err := s.drain(time.Now().Add(listenFirst))
	if err == nil && heard > noiseBytes {
		err = fmt.Errorf("%w: heard %d bytes that nobody here asked for; nothing was sent", ErrForeign, heard)
	}
	if err != nil {
		s.close()
	}
	return err
}

func (s *Source) close() {
	if s.stream != nil {
		s.stream.Close()
		s.stream = nil
	}
}

// drain reads until an instant and returns how many bytes came.
func (s *Source) drain(until time.Time) (n int, err error) {
	var b [512]byte
	if err := s.stream.SetReadDeadline(until); err != nil {
		return 0, err
	}
	for {
		m, err := s.stream.Read(b[:])
		n += m
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return n, nil
		}
		if m == 0 && err != nil {
			return n, err
		}
	}
}

// follow reads a device that streams.
func (s *Source) follow(ctx context.Context, wait acquire.Waiter) {
	d := s.devices[0]
	last := time.Now() // bytes came, or the waiting for them began
	silentSince := last
	var b [512]byte
	for ctx.Err() == nil {
		if s.stream == nil {
			wait.Until(s.line.Until)
			if ctx.Err() != nil {
				return
			}
			if err := s.open(ctx); err != nil {
				if ctx.Err() == nil {
					s.noConnection(0, err)
				}
				continue
			}
			last = time.Now()
			silentSince, s.opened = last, last
		}
		until := silentSince.Add(s.timeout)
		if s.pending && s.flushAt.Before(until) {
			until = s.flushAt
		}
		err := s.stream.SetReadDeadline(until)
		n := 0
		if err == nil {
			n, err = s.stream.Read(b[:])
		}
		now := time.Now()
		switch {
		case n > 0:
			if s.take(d, b[:n], last, now) {
				silentSince = now
			}
			last = now
		case ctx.Err() != nil:
			return
		case errors.Is(err, os.ErrDeadlineExceeded):
			if now.Sub(silentSince) >= s.timeout {
				s.count(0, func(c *Stats) { c.Timeouts++ })
				s.fault(0, acquire.FaultTimeout)
				silentSince = now
				if !s.bus.OnSerialPort() { // the other side may have forgotten the connection
					s.close()
				}
			}
		default:
			s.lost(0)
		}
		if s.pending && !now.Before(s.flushAt) {
			s.flush()
		}
	}
}

// take takes bytes that came between last and now, and reports whether there were values.
func (s *Source) take(d *device, b []byte, last, now time.Time) bool {
	type found struct {
		row   []int64
		begin time.Time
	}
	var lines []found
	cause := ""
	dropped := d.cutter.dropped
	d.cutter.add(b, func(line []byte, after int) {
		begin := now.Add(-time.Duration(after+len(line)+len(d.cutter.terminator)) * s.character)
		if row, bad := s.decode(0, line); bad != "" {
			cause = bad
		} else if row != nil {
			lines = append(lines, found{append([]int64(nil), row...), begin})
		}
	})
	if more := d.cutter.dropped - dropped; more > 0 {
		s.count(0, func(c *Stats) { c.Dropped += uint64(more) })
	}
	if cause != "" && len(lines) == 0 {
		s.fault(0, cause)
	}
	if len(lines) > 1 {
		s.count(0, func(c *Stats) { c.Bursts++ })
	}
	if len(lines) == 0 {
		return false
	}
	if d.latency == 0 {
		d.see(lines[0].begin)
		d.begin = lines[len(lines)-1].begin
	}
	s.count(0, func(c *Stats) { c.Latency, c.Declared = max(d.latency, d.period), d.latency > 0 })
	for _, l := range lines {
		from := l.begin.Add(-max(d.latency, d.period))
		if d.latency == 0 && d.period == 0 && s.opened.Before(l.begin) {
			from = s.opened // the first line, of a device of which nothing is known
		}
		if len(lines) > 1 && last.Before(from) {
			from = last
		}
		s.gather(0, l.row, from, l.begin)
	}
	return true
}

// see notes when a line began and keeps the period of late: the longest, which fades; a
// pause is none.
func (d *device) see(begin time.Time) {
	if d.begin.IsZero() {
		return
	}
	p := begin.Sub(d.begin)
	switch {
	case d.period == 0 || p > d.period && p < 4*d.period:
		d.period = p
	case p < d.period:
		d.period -= (d.period - p) / 16
	}
}

// decode returns the counts of a line, or the fault in it; neither for an empty line.
func (s *Source) decode(i int, line []byte) (row []int64, cause string) {
	if len(bytes.Trim(line, " \t\r\n\x00")) == 0 {
		return nil, ""
	}
	d := s.devices[i]
	row, err := d.decoder.decode(line, d.row[:0])
	s.count(i, func(c *Stats) {
		switch {
		case err == nil:
			c.OK++
		case errors.Is(err, errChecksum):
			c.Checksum++
		default:
			c.Garbage++
		}
	})
	if err != nil {
		return nil, acquire.FaultFraming
	}
	d.row = row
	return row, ""
}

// ask polls the devices in turn, each at its interval after the start, as a Modbus poller
// does.
func (s *Source) ask(ctx context.Context, wait acquire.Waiter) {
	if err := s.open(ctx); err != nil && ctx.Err() == nil {
		for i := range s.devices {
			s.noConnection(i, err)
		}
	}
	start := time.Now()
	due := func(d *device) time.Time { return start.Add(time.Duration(d.slot) * d.interval) }
	for ctx.Err() == nil {
		next := 0
		for i, d := range s.devices {
			if due(d).Before(due(s.devices[next])) {
				next = i
			}
		}
		d := s.devices[next]
		wake := due(d)
		if s.pending && s.flushAt.Before(wake) {
			wake = s.flushAt
		}
		if time.Now().Before(wake) {
			wait.Until(wake)
			if ctx.Err() != nil {
				return
			}
		}
		now := time.Now()
		if s.pending && !now.Before(s.flushAt) {
			s.flush()
		}
		if now.Before(due(d)) {
			continue
		}
		if last := int64(now.Sub(start) / d.interval); last > d.slot {
			skipped := uint64(last - d.slot)
			s.count(next, func(c *Stats) { c.Skipped += skipped })
			d.slot = last
		}
		until := s.line.Until
		if d.backoff.Until.After(until) {
			until = d.backoff.Until
		}
		if now.Before(until) {
			slot := int64((until.Sub(start) + d.interval - 1) / d.interval)
			passed := uint64(slot - d.slot)
			s.count(next, func(c *Stats) { c.BackedOff += passed })
			d.slot = slot
			cause := s.line.Cause
			if s.line.Until.Before(until) {
				cause = d.backoff.Cause
			}
			s.fault(next, cause)
			continue
		}
		slotDue := due(d)
		d.slot++
		if s.stream == nil {
			if err := s.open(ctx); err != nil {
				if ctx.Err() == nil {
					s.noConnection(next, err)
				}
				continue
			}
		}
		late := time.Since(slotDue)
		s.mu.Lock()
		s.late[next].Began(late)
		s.mu.Unlock()
		row, from, to, cause, err := s.exchange(next)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil && !errors.Is(err, errTimeout):
			s.lost(next)
		case err != nil:
			s.count(next, func(c *Stats) { c.Timeouts++ })
			d.backoff.Fail(acquire.FaultTimeout, time.Now(), s.jitter())
			if d.mute++; d.mute >= 3 && !s.bus.OnSerialPort() { // the other side may have forgotten the connection
				s.close()
				d.mute = 0
			}
			s.fault(next, acquire.FaultTimeout)
		case cause != "":
			d.backoff.Fail(cause, time.Now(), s.jitter())
			s.fault(next, cause)
		default:
			s.line, d.backoff, d.mute = acquire.Backoff{}, acquire.Backoff{}, 0
			s.gather(next, row, from, to)
		}
	}
}

// exchange sends a device's poll string and reads its line.
func (s *Source) exchange(i int) (row []int64, from, to time.Time, cause string, err error) {
	d := s.devices[i]
	// What has come unasked is not the answer. After a time-out the late line may still come:
	// one time-out more of silence is waited for.
	quiet := 200 * time.Microsecond
	if s.settle {
		quiet = s.timeout
	}
	dropped, err := s.drain(time.Now().Add(quiet))
	if err != nil {
		return nil, from, to, "", err
	}
	s.settle = false
	d.cutter.restart(false)
	begin := time.Now()
	if config.ModbusFrame(d.poll) != "" { // New has refused it; this is the last step before the wire
		return nil, from, to, "", errors.New("a poll string that is a Modbus frame is never sent")
	}
	if _, err := s.stream.Write(d.poll); err != nil {
		return nil, from, to, "", err
	}
	from = begin.Add(time.Duration(len(d.poll)) * s.character)
	deadline := from.Add(s.timeout)
	var b [512]byte
	for first := true; ; {
		if err := s.stream.SetReadDeadline(deadline); err != nil {
			return nil, from, to, "", err
		}
		n, err := s.stream.Read(b[:])
		if n == 0 && err != nil {
			if errors.Is(err, os.ErrDeadlineExceeded) {
				s.settle, err = true, errTimeout
				d.cutter.restart(false)
			}
			s.dropped(i, dropped)
			return nil, from, to, "", err
		}
		got, done := b[:n], false
		if first { // an adapter may hear itself
			got = bytes.TrimPrefix(got, d.poll)
			first = len(got) == 0
		}
		now := time.Now()
		d.cutter.add(got, func(line []byte, after int) {
			if done || len(bytes.TrimSpace(line)) == 0 {
				dropped += len(line)
				return
			}
			done = true
			to = now.Add(-time.Duration(after+len(line)+len(d.cutter.terminator)) * s.character)
			row, cause = s.decode(i, line)
		})
		if done {
			s.dropped(i, dropped)
			if s.character == 0 || to.Before(from) {
				from, to = begin, now
			}
			return row, from, to, cause, nil
		}
	}
}

func (s *Source) dropped(i, n int) {
	d := s.devices[i]
	n += d.cutter.dropped
	d.cutter.dropped = 0
	s.count(i, func(c *Stats) { c.Dropped += uint64(n) })
}

func (s *Source) noConnection(i int, err error) {
	cause := acquire.FaultNoConnection
	if errors.Is(err, ErrForeign) {
		cause = acquire.FaultForeign
	}
	s.count(i, func(c *Stats) { c.NoConnection++ })
	s.line.Fail(cause, time.Now(), s.jitter())
	s.fault(i, cause)
}

func (s *Source) lost(i int) {
	s.close()
	s.count(i, func(c *Stats) { c.Lost++ })
	s.line.Fail(acquire.FaultLost, time.Now(), s.jitter())
	s.fault(i, acquire.FaultLost)
}

// gather adds a row, measured between two instants, to the scans of a device.
func (s *Source) gather(i int, row []int64, from, to time.Time) {
	d := s.devices[i]
	s.line = acquire.Backoff{}
	stamp, half := acquire.Stamp(s.clock.At(from), s.clock.At(to), d.lastNS)
	d.lastNS, d.faulted = stamp, false
	d.scans.T, d.scans.Half = append(d.scans.T, stamp), append(d.scans.Half, half)
	for c, n := range row {
		d.scans.Counts[c] = append(d.scans.Counts[c], n)
	}
	if !s.pending {
		s.pending, s.flushAt = true, time.Now().Add(s.FlushEvery)
	}
}

// fault hands on what was gathered and a batch that names cause, unless the device has a
// fault already.
func (s *Source) fault(i int, cause string) {
	d := s.devices[i]
	if d.faulted {
		return
	}
	d.faulted = true
	s.flush()
	b := s.empty(i)
	b.Fault, b.FaultNS = cause, max(-acquire.FloorTick(-s.clock.Now()), d.lastNS)
	s.emit(b)
}

func (s *Source) flush() {
	s.pending = false
	for i, d := range s.devices {
		if len(d.scans.T) > 0 {
			b := d.scans
			d.scans = s.empty(i) // b is no longer ours
			s.emit(b)
		}
	}
}

func (s *Source) empty(group int) sample.Batch {
	return sample.Batch{Group: group, Counts: make([][]int64, len(s.groups[group].Channels))}
}

// Hear opens the bus, listens where a poll string would follow, and closes it. It returns
// ErrForeign where it hears others, else what kept it from listening. It must not be called
// while Run runs.
func (s *Source) Hear(ctx context.Context) error {
	defer s.close()
	return s.open(ctx)
}

// ReadOnce reads one line of every device, over a connection of its own, and returns the
// readings in the order of Groups. The error says that there is no connection. It must not
// be called while Run runs.
func (s *Source) ReadOnce(ctx context.Context) ([]acquire.Reading, error) {
	defer s.close()
	if err := s.open(ctx); err != nil {
		return nil, fmt.Errorf("bus %s: %w", s.bus.Name, err)
	}
	var readings []acquire.Reading
	for i, d := range s.devices {
		begin := time.Now()
		var row []int64
		var from, to time.Time
		var cause string
		var err error
		if len(d.poll) == 0 {
			row, cause, err = s.nextLine(i)
		} else {
			row, from, to, cause, err = s.exchange(i)
		}
		if err == nil && cause != "" {
			err = fmt.Errorf("a line came that is not as the rig states: %s", cause)
		}
		for j := range s.groups[i].Channels {
			c := &s.groups[i].Channels[j]
			r := acquire.Reading{Device: d.Name, Channel: c.Name, Raw: sample.Missing, Parts: 1, Err: err}
			if err == nil {
				r.Raw, r.Transaction, r.Between = row[j], time.Since(begin), to.Sub(from)
			}
			r.Value = c.Value(r.Raw)
			readings = append(readings, r)
		}
	}
	return readings, nil
}

// nextLine returns the counts of the next whole line of a streaming device.
func (s *Source) nextLine(i int) (row []int64, cause string, err error) {
	d := s.devices[i]
	if err := s.stream.SetReadDeadline(time.Now().Add(2 * s.timeout)); err != nil {
		return nil, "", err
	}
	var b [512]byte
	for {
		n, err := s.stream.Read(b[:])
		if n == 0 && err != nil {
			if errors.Is(err, os.ErrDeadlineExceeded) {
				err = errTimeout
			}
			return nil, "", err
		}
		done := false
		d.cutter.add(b[:n], func(line []byte, _ int) {
			if !done && len(bytes.TrimSpace(line)) > 0 {
				done = true
				row, cause = s.decode(i, line)
			}
		})
		if done {
			return row, cause, nil
		}
	}
}
