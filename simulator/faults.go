package simulator

import (
	"fmt"
	"slices"
	"time"
)

// A Request is one that has come in at a bus.
type Request struct {
	N    int // from 1, counted over all connections to the bus
	Conn int // from 1
	Unit byte
	PDU  []byte // function code and data; not to be changed
}

// A Fault is what goes wrong with one answer. The zero Fault is none. Several may be set.
type Fault struct {
	Mute      bool          // no answer at all
	Delay     time.Duration // the answer is late; later ones may overtake it
	Twice     bool          // the answer is sent twice
	Fewer     int           // well-formed, but with so many data bytes fewer than asked for
	Cut       int           // so many bytes of the frame are never sent, though its length counts them
	Split     int           // the frame comes in two pieces, the first so long
	WrongID   bool          // TCP: with a transaction id nobody waits for
	WrongUnit bool
	BadCRC    bool // serial frames
	Exception byte // answered with this exception code
	Close     bool // the connection is closed in place of the answer, or after it if Twice, Cut or Split is set
}

// SetFault lets hook decide over every request that comes in from now on; nil: the
// scenario's troubles do. It is called by one goroutine at a time.
func (b *Bus) SetFault(hook func(Request) Fault) {
	b.faultMu.Lock()
	defer b.faultMu.Unlock()
	b.fault = hook
}

func (b *Bus) decide(q Request) Fault {
	b.faultMu.Lock()
	defer b.faultMu.Unlock()
	b.requests++
	q.N = b.requests
	if b.fault == nil {
		return b.rig.wireFault(b, q)
	}
	return b.fault(q)
}

// splitPause is long enough for the pieces of a split answer to arrive apart.
const splitPause = 2 * time.Millisecond

// Add lets a trouble of a channel, the wire or the clock begin now, for a run by hand: its
// times count from this instant. A ToS of 0 is: until ClearTroubles. Troubles of the plant
// begin with the next pick that is planned.
func (r *Rig) Add(x Trouble) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := x.check(r.plant.sc); err != nil {
		return err
	}
	nowS := r.sinceStart()
	x.FromS += nowS
	if x.ToS > 0 {
		x.ToS += nowS
	}
	if slices.Contains(plantTroubles, x.Kind) {
		r.plant.sc.Troubles = append(slices.Clip(r.plant.sc.Troubles), x)
		return nil
	}
	r.live = append(r.live, x)
	return nil
}

// ClearTroubles ends everything that Add has begun, and what the scenario has going on.
func (r *Rig) ClearTroubles() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.live = nil
	nowS := r.sinceStart()
	for i := range r.plant.sc.Troubles {
		if x := &r.plant.sc.Troubles[i]; x.FromPick == 0 && x.on(nowS) {
			x.ToS = max(nowS, x.FromS+1e-9)
		}
	}
}

// sinceStart returns the plant time now, s; 0 before Start.
func (r *Rig) sinceStart() float64 {
	if r.t0.IsZero() {
		return 0
	}
	return time.Since(r.t0).Seconds()
}

// troubles calls visit for every trouble that holds at tS.
func (r *Rig) troubles(tS float64, visit func(*Trouble)) {
	for _, list := range [2][]Trouble{r.plant.sc.Troubles, r.live} {
		for i := range list {
			if list[i].on(tS) {
				visit(&list[i])
			}
		}
	}
}

// Wall returns the wall clock as the scenario's clock jumps would have set it at the
// instant t, for tests of a logger whose clock can be injected.
func (r *Rig) Wall(t time.Time) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	wall := t.Round(0)
	if !r.t0.IsZero() {
		r.troubles(t.Sub(r.t0).Seconds(), func(x *Trouble) {
			if x.Kind == ClockJump {
				wall = wall.Add(time.Duration(x.Value * float64(time.Second)))
			}
		})
	}
	return wall
}

// wireFault returns what the troubles do to the answer to q.
func (r *Rig) wireFault(b *Bus, q Request) Fault {
	r.mu.Lock()
	defer r.mu.Unlock()
	var f Fault
	r.troubles(r.sinceStart(), func(x *Trouble) {
		if !b.hit(x, q) {
			return
		}
		switch x.Kind {
		case BadCRC:
			f.BadCRC, f.WrongID = true, true // TCP has no CRC: a spoiled frame there is one nobody waits for
		case Late:
			f.Delay = time.Duration(x.Value * float64(time.Second))
		case Lost, DeadDevice:
			f.Mute = true
		case Split:
			f.Split = 3
		case Doubled:
			f.Twice = true
		case Short:
			f.Fewer = 2
		case ExceptionCode:
			f.Exception = byte(x.Value)
		case Reset:
			f.Close = true
		}
	})
	return f
}

// hit reports whether a trouble of the wire concerns a request.
func (b *Bus) hit(x *Trouble, q Request) bool {
	if !slices.Contains(wireTroubles, x.Kind) || x.Bus != "" && x.Bus != b.Name || x.Every > 1 && q.N%x.Every != 0 {
		return false
	}
	return x.Device == "" || slices.ContainsFunc(b.devices, func(d *device) bool { return d.name == x.Device && d.unit == int(q.Unit) })
}

// foreign reports whether another master polls on the bus at present.
func (b *Bus) foreign() bool {
	r := b.rig
	r.mu.Lock()
	defer r.mu.Unlock()
	on := false
	r.troubles(r.sinceStart(), func(x *Trouble) {
		on = on || x.Kind == ForeignMaster && (x.Bus == "" || x.Bus == b.Name)
	})
	return on
}

// unheard returns why a poll of a device with number n, at tS, would have had no answer
// that is of use; "" where it would.
func (b *Bus) unheard(d *device, n int, tS float64) string {
	cause := ""
	b.rig.troubles(tS, func(x *Trouble) {
		if !b.hit(x, Request{N: n, Unit: byte(d.unit)}) {
			return
		}
		switch x.Kind {
		case Lost, DeadDevice:
			cause = "timeout"
		case BadCRC, Short:
			cause = "framing"
		case Reset:
			cause = "connection lost"
		case ExceptionCode:
			cause = fmt.Sprintf("exception %02X", byte(x.Value))
		}
	})
	return cause
}
