package modbus

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"griptrial/acquire"
	"griptrial/acquire/sample"
	"griptrial/config"
)

// Causes of faults in batches. A refused request is "exception" and its code in two hex
// digits: "exception 02".
const (
	FaultTimeout      = acquire.FaultTimeout
	FaultFraming      = acquire.FaultFraming
	FaultLost         = acquire.FaultLost
	FaultNoConnection = acquire.FaultNoConnection
	FaultForeign      = acquire.FaultForeign
)

// A Poller reads all channels of one bus at their intervals. Buses have a poller each, so
// that none waits for another.
type Poller struct {
	// FlushEvery is how long scans are gathered before they are handed on; 100 ms unless
	// set before Run. A fault hands them on at once.
	FlushEvery time.Duration

	bus       config.Bus
	clock     acquire.Clock
	groups    []sample.Group
	polls     []*poll
	link      link
	jitter    func() float64 // 0 to 1
	newWaiter func(context.Context) acquire.Waiter

	// Owned by Run.
	emit    func(sample.Batch)
	start   time.Time
	pending bool      // scans are gathered
	flushAt time.Time // where pending
	line    acquire.Backoff
	devices []acquire.Backoff
	mute    int // time-outs in a row, from whomever
	opened  bool

	mu    sync.Mutex // guards what Stats reads
	stats Stats
	late  []acquire.Punctuality // by device
}

// A poll is a request and how far its polling has come.
type poll struct {
	Request
	group int
	slot  int64 // due at start + slot × Interval
	split bool  // parts are read one by one: the device refuses the gaps between
	row   []int64

	backoff acquire.Backoff // while the device refuses this request
	faulted bool            // a fault was handed on since the last scan
	lastNS  int64
	scans   sample.Batch // gathered
}

// NewPoller returns a poller of bus that counts its stamps on clock. Nothing is sent before
// Run or ReadOnce. An error has a line for each fault of bus.
func NewPoller(bus config.Bus, clock acquire.Clock) (*Poller, error) {
	requests, groups, err := Plan(bus)
	if err != nil {
		return nil, err
	}
	if ns := bus.TimeoutS * 1e9; !(ns >= 1e6 && ns < 1e12) {
		return nil, fmt.Errorf("bus %s: timeout of %g s is out of range; want 1 ms to 1000 s", bus.Name, bus.TimeoutS)
	}
	p := &Poller{
		FlushEvery: 100 * time.Millisecond,
		bus:        bus, clock: clock, groups: groups,
		link:      newLink(bus),
		jitter:    rand.Float64,
		newWaiter: acquire.NewWaiter,
		devices:   make([]acquire.Backoff, len(bus.Devices)),
		late:      make([]acquire.Punctuality, len(bus.Devices)),
	}
	for i, r := range requests {
		p.polls = append(p.polls, &poll{Request: r, group: i, lastNS: sample.Missing, scans: p.empty(i, 1)})
	}
	for _, d := range bus.Devices {
		p.stats.Devices = append(p.stats.Devices, DeviceStats{Device: d.Name})
	}
	return p, nil
}

func newLink(bus config.Bus) link {
	timeout := time.Duration(bus.TimeoutS * 1e9)
	if bus.Kind == config.ModbusTCP {
		return newTCP(bus.Address, timeout)
	}
	return newRTU(bus, timeout)
}

// Groups returns the groups that the batches of Run count, from 0.
func (p *Poller) Groups() []sample.Group { return p.groups }

// Requests returns the requests that fill the groups, of the same indices.
func (p *Poller) Requests() []Request {
	requests := make([]Request, len(p.polls))
	for i, r := range p.polls {
		requests[i] = r.Request
	}
	return requests
}

// Stats returns the counts so far. It may be called at any time from any goroutine.
func (p *Poller) Stats() Stats {
	p.mu.Lock()
	defer p.mu.Unlock()
	s := Stats{Reconnects: p.stats.Reconnects}
	for i, d := range p.stats.Devices {
		d = d.clone()
		d.LateMedian, d.LateP99, d.LateWorst = p.late[i].All.Quantile(0.5), p.late[i].All.Quantile(0.99), p.late[i].All.Worst()
		s.Devices = append(s.Devices, d)
	}
	return s
}

// Polling returns how each device's deadlines were kept since the last call. It may be
// called at any time, from one place.
func (p *Poller) Polling() []acquire.Polling {
	p.mu.Lock()
	defer p.mu.Unlock()
	var all []acquire.Polling
	for i := range p.late {
		d := &p.stats.Devices[i]
		all = append(all, p.late[i].Tell(p.bus.Name, d.Device, d.Skipped, d.failed()))
	}
	return all
}

// count changes the counts of device under the lock.
func (p *Poller) count(device int, change func(*DeviceStats)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	change(&p.stats.Devices[device])
}

// Run polls until ctx ends, hands what it got to emit, and returns nil. It may be called
// once. Batch.Group is the index in Groups. emit is called from Run's goroutine, in the
// order in which scans were read; while it runs nothing is polled.
//
// Slot k of a request is due at k × Interval after the start, whatever became of the slots
// before. Requests that are due are served in turn, the one that was due first before
// others. A slot that is late is polled late, unless the next slot of the same request is
// due as well: then it is skipped and counted.
//
// A scan's stamp is the middle of its transaction and its half-width half of that; on a
// serial line, of the device's turnaround: from the end of the request on the wire to the
// begin of the answer. Both are on the clock and in whole sample.TickNS, the half-width
// rounded up so that the instant stays within. Stamps of a group increase strictly.
//
// A bus that fails is no error. A poll that brings no values is counted, and a batch names
// the fault, once until values come again. It is tried again at the next slot, then at
// growing intervals up to 2 s: the request alone where the device refuses it, all requests
// of a device that does not answer, all of the bus where the connection fails. A time-out
// leaves the connection open, as late answers are told by their transaction id, until three
// came in a row and nothing else; all other faults of the connection reopen it. A serial
// line is reopened only where the port fails or another master is heard on it, and no byte
// is sent before it was listened to.
func (p *Poller) Run(ctx context.Context, emit func(sample.Batch)) error {
	p.emit = emit
	defer p.link.close()
	if p.bus.OnSerialPort() {
		defer acquire.OwnThread()()
	}
	wait := p.newWaiter(ctx)
	defer wait.Close()

	// Opened before the first slot, lest its lateness tell the time of a handshake.
	p.open(ctx)
	p.start = time.Now()
	for ctx.Err() == nil {
		next := p.polls[0]
		for _, r := range p.polls[1:] {
			if p.due(r).Before(p.due(next)) {
				next = r
			}
		}
		wake := p.due(next)
		if p.pending && p.flushAt.Before(wake) {
			wake = p.flushAt
		}
		if time.Now().Before(wake) {
			wait.Until(wake)
			if ctx.Err() != nil {
				break
			}
		}
		now := time.Now()
		if p.pending && !now.Before(p.flushAt) {
			p.flush()
		}
		if !now.Before(p.due(next)) {
			p.poll(ctx, next)
		}
	}
	p.flush()
	return nil
}

func (p *Poller) due(r *poll) time.Time {
	return p.start.Add(time.Duration(r.slot) * r.Interval)
}

// poll serves the slot of r that is due, or its successor if that is due too, and moves
// on to the next slot.
func (p *Poller) poll(ctx context.Context, r *poll) {
	now := time.Now()
	if last := int64(now.Sub(p.start) / r.Interval); last > r.slot {
		skipped := uint64(last - r.slot)
		p.count(r.Device, func(s *DeviceStats) { s.Skipped += skipped })
		r.slot = last
	}
	for _, b := range []*acquire.Backoff{&p.line, &p.devices[r.Device], &r.backoff} {
		if now.Before(b.Until) {
			next := int64((b.Until.Sub(p.start) + r.Interval - 1) / r.Interval)
			passed := uint64(next - r.slot)
			p.count(r.Device, func(s *DeviceStats) { s.BackedOff += passed })
			r.slot = next
			p.fault(r, b.Cause)
			return
		}
	}
	due := p.due(r)
	r.slot++
	if !p.link.isOpen() && !p.open(ctx) {
		if ctx.Err() == nil {
			p.count(r.Device, func(s *DeviceStats) { s.NoConnection++ })
			p.fault(r, p.line.Cause)
		}
		return
	}

	late, stale := time.Since(due), p.link.stale()
	from, to, err := p.scan(r)
	stale = p.link.stale() - stale
	if err != nil && ctx.Err() != nil {
		return // the end of the context cut it short: no fault of the bus
	}
	var cause string
	var refused Exception
	p.count(r.Device, func(s *DeviceStats) {
		p.late[r.Device].Began(late)
		s.Stale += stale
		switch {
		case err == nil:
			s.OK++
		case errors.As(err, &refused):
			cause = fmt.Sprintf("exception %02X", byte(refused))
			if s.Exceptions == nil {
				s.Exceptions = map[Exception]uint64{}
			}
			s.Exceptions[refused]++
			if r.splits(refused) {
				s.Split++
			}
		case errors.Is(err, ErrTimeout):
			cause = FaultTimeout
			s.Timeouts++
		case errors.Is(err, ErrFraming):
			cause = FaultFraming
			s.Framing++
		case errors.Is(err, ErrForeign):
			cause = FaultForeign
			s.Lost++
		default:
			cause = FaultLost
			s.Lost++
		}
	})

	switch now := time.Now(); cause {
	case FaultTimeout:
		p.devices[r.Device].Fail(cause, now, p.jitter())
		if p.mute++; stale > 0 {
			p.mute = 0
		}
		if limit := p.link.patience(); limit > 0 && p.mute >= limit {
			p.mute = 0
			p.link.close()
		}
	case FaultFraming, FaultLost, FaultForeign:
		if p.link.keeps(err) {
			p.devices[r.Device].Fail(cause, now, p.jitter())
			break
		}
		p.link.close()
		p.line.Fail(cause, now, p.jitter())
	default: // an answer
		p.line, p.devices[r.Device], p.mute = acquire.Backoff{}, acquire.Backoff{}, 0
		if err != nil {
			r.backoff.Fail(cause, now, p.jitter())
		} else {
			r.backoff = acquire.Backoff{}
			p.gather(r, from, to)
			return
		}
	}
	p.fault(r, cause)
}

// open opens the link and reports whether that succeeded.
func (p *Poller) open(ctx context.Context) bool {
	if err := p.link.open(ctx); err != nil {
		cause := FaultNoConnection
		if errors.Is(err, ErrForeign) {
			cause = FaultForeign
		}
		p.line.Fail(cause, time.Now(), p.jitter())
		return false
	}
	if p.opened {
		p.mu.Lock()
		p.stats.Reconnects++
		p.mu.Unlock()
	}
	p.opened, p.mute = true, 0
	return true
}

// scan reads r once into its row and returns between which instants.
func (p *Poller) scan(r *poll) (from, to time.Time, err error) {
	spans := r.parts
	if !r.split {
		spans = []span{r.whole}
	}
	r.row = r.row[:0]
	for i := range spans {
		data, err := read(p.link, &r.Request, &spans[i])
		if err != nil {
			return from, to, err
		}
		first, last := p.link.times()
		if i == 0 {
			from = first
		}
		to = last
		for j := range spans[i].fields {
			r.row = append(r.row, spans[i].fields[j].count(data))
		}
	}
	return from, to, nil
}

// splits makes r read its parts one by one from now on, and reports that it did, if it was
// refused in a way that the gaps it bridges can be the cause of: devices may refuse
// addresses without a register, and more values than they like.
func (r *poll) splits(refused Exception) bool {
	if r.split || r.parts == nil || refused != 2 && refused != 3 {
		return false
	}
	r.split = true
	return true
}

// gather adds r's row, read between two instants, to its scans.
func (p *Poller) gather(r *poll, from, to time.Time) {
	stamp, half := acquire.Stamp(p.clock.At(from), p.clock.At(to), r.lastNS)
	r.lastNS, r.faulted = stamp, false
	r.scans.T, r.scans.Half = append(r.scans.T, stamp), append(r.scans.Half, half)
	for i, n := range r.row {
		r.scans.Counts[i] = append(r.scans.Counts[i], n)
	}
	if !p.pending {
		p.pending, p.flushAt = true, time.Now().Add(p.FlushEvery)
	}
}

// fault hands on what was gathered and a batch that names cause, unless r has a fault
// already.
func (p *Poller) fault(r *poll, cause string) {
	if r.faulted {
		return
	}
	r.faulted = true
	p.flush()
	b := p.empty(r.group, 0) // a column for each channel, for readers that count on it
	b.Fault, b.FaultNS = cause, max(-acquire.FloorTick(-p.clock.Now()), r.lastNS)
	p.emit(b)
}

// flush hands on the scans gathered, in the order of groups.
func (p *Poller) flush() {
	p.pending = false
	for i, r := range p.polls {
		if len(r.scans.T) == 0 {
			continue
		}
		b := r.scans
		r.scans = p.empty(i, len(b.T)+1) // b is no longer ours
		p.emit(b)
	}
}

// empty returns a batch to gather scans of a group in, with room for n. Its columns lie in
// one array.
func (p *Poller) empty(group, n int) sample.Batch {
	b := sample.Batch{Group: group, Counts: make([][]int64, len(p.groups[group].Channels))}
	room := make([]int64, (len(b.Counts)+2)*n)
	column := func() []int64 {
		c := room[:0:n]
		room = room[n:]
		return c
	}
	b.T, b.Half = column(), column()
	for i := range b.Counts {
		b.Counts[i] = column()
	}
	return b
}

// Hear opens the bus, listens where it is a serial line, and closes it. It returns
// ErrForeign where it hears another master, else what kept it from listening. It must not
// be called while Run runs.
func (p *Poller) Hear(ctx context.Context) error {
	defer p.link.close()
	return p.link.open(ctx)
}

// ReadOnce reads every channel once, over a connection of its own, and returns the readings
// in the order of Groups. The error says that there is no connection (any more); a device
// or request that fails is an error in its readings. It must not be called while Run runs.
func (p *Poller) ReadOnce(ctx context.Context) ([]acquire.Reading, error) {
	defer p.link.close()
	var readings []acquire.Reading
	for i, r := range p.polls {
		if !p.link.isOpen() {
			if err := p.link.open(ctx); err != nil {
				return readings, fmt.Errorf("bus %s: %w", p.bus.Name, err)
			}
		}
		begin := time.Now()
		from, to, err := p.scan(r)
		var refused Exception
		if errors.As(err, &refused) && r.splits(refused) {
			begin = time.Now()
			from, to, err = p.scan(r)
		}
		took := time.Since(begin)
		if err != nil && !errors.As(err, &refused) && !p.link.keeps(err) {
			p.link.close()
		}
		for j := range p.groups[i].Channels {
			c := &p.groups[i].Channels[j]
			reading := acquire.Reading{Device: p.bus.Devices[r.Device].Name, Channel: c.Name, Raw: sample.Missing, Parts: 1, Err: err}
			if r.split {
				reading.Parts = len(r.parts)
			}
			if err == nil {
				reading.Raw, reading.Transaction, reading.Between = r.row[j], took, to.Sub(from)
			}
			reading.Value = c.Value(reading.Raw)
			readings = append(readings, reading)
		}
	}
	return readings, nil
}
