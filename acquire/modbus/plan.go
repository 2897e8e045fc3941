package modbus

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// Most that one request may ask for ([AP] 6.1 to 6.4).
const (
	maxRegisters = 125
	maxBits      = 2000
)

// A Request is one read of neighbouring values of a device. Its channels are those of the
// group of the same index in Plan's result, in the same order.
type Request struct {
	Device   int // index into the bus's devices
	Unit     byte
	Table    config.Table
	Address  uint16
	Quantity uint16 // registers; bits for coils and discrete inputs
	Interval time.Duration

	whole span
	parts []span // what the channels cover of it, one by one; nil where no gap is bridged
}

// A span is a piece of a table that one transaction reads, and the fields in it.
type span struct {
	address, quantity uint16
	fields            []field
}

// function returns the function code of r: one of the four that read ([AP] 6.1 to 6.4),
// or 0 where the table is none.
func (r *Request) function() byte {
	switch r.Table {
	case config.Coil:
		return 1
	case config.Discrete:
		return 2
	case config.Holding:
		return 3
	case config.Input:
		return 4
	}
	return 0
}

// DataBytes returns how many bytes of data the answer to r holds.
func (r *Request) DataBytes() int { return dataBytes(r.Table, int(r.Quantity)) }

func isBits(t config.Table) bool { return t == config.Coil || t == config.Discrete }

// dataBytes returns how many bytes of data n values of table t take in a reply.
func dataBytes(t config.Table, n int) int {
	if isBits(t) {
		return (n + 7) / 8
	}
	return 2 * n
}

// requestBytes returns what one more request to d costs on bus b, in bytes that could be
// sent in the time instead, beside the data of its reply. A gap is read along where its
// bytes are fewer.
//
// On a serial line: request of 8 and reply of 5 characters, two silent intervals of 3.5
// ([SL] 2.5.1), and the turnaround of the device. Over TCP: request of 12 and reply of 9
// bytes, each in a frame with 78 bytes of TCP, IP and Ethernet about it (20 + 20 + 18
// for header and check sequence + 8 preamble + 12 gap), 177 in all, hence gaps of up to
// 88 registers; the round trip and the device's scan, which no byte count holds, speak
// for bridging still more, the reply's limit against it.
func requestBytes(b config.Bus, d config.Device) int {
	if b.Kind != config.ModbusRTU {
		return 12 + 9 + 2*78
	}
	n := 8 + 5 + 2*3.5
	if d.TurnaroundS > 0 && b.Serial.Baud > 0 {
		n += d.TurnaroundS * float64(b.Serial.Baud) / 11 // a character is 11 bits
	}
	return int(math.Min(n, 1000)) // over any gap that fits into a reply
}

// Plan returns the requests that read all channels of bus, and the group of channels that
// each request fills: by device in the order given, then by table, then by address. A
// group's channels are ordered by address; their IntervalS is their device's.
//
// Neighbours share a request as far as its limits allow (125 registers, 2,000 bits). A gap
// between them is read along where that costs fewer bytes than another request. Where the
// limits force a cut, it is made where all requests together cost least.
//
// The error holds one line for each fault found, in the order of devices and channels.
func Plan(bus config.Bus) ([]Request, []sample.Group, error) {
	switch bus.Kind {
	case config.ModbusTCP, config.ModbusRTU, config.ModbusRTUOverTCP:
	default:
		return nil, nil, fmt.Errorf("bus %s: kind %q is no Modbus", bus.Name, bus.Kind)
	}
	var requests []Request
	var groups []sample.Group
	var errs []error
	for i, device := range bus.Devices {
		places, err := placesOf(bus, device)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		for _, run := range cut(places, requestBytes(bus, device)) {
			r, g := gather(run, device)
			r.Device = i
			g.Name = fmt.Sprintf("%s %s %s %d–%d", bus.Name, device.Name, r.Table, r.Address, int(r.Address)+int(r.Quantity)-1)
			if r.Quantity == 1 {
				g.Name = fmt.Sprintf("%s %s %s %d", bus.Name, device.Name, r.Table, r.Address)
			}
			requests, groups = append(requests, r), append(groups, g)
		}
	}
	if len(errs) > 0 {
		return nil, nil, errors.Join(errs...)
	}
	if len(requests) == 0 {
		return nil, nil, fmt.Errorf("bus %s: no device has a channel", bus.Name)
	}
	return requests, groups, nil
}

// A place is where a channel lies in its table: [from, to).
type place struct {
	channel  config.Channel
	from, to int
}

// placesOf returns the channels of d sorted by table and address.
func placesOf(b config.Bus, d config.Device) ([]place, error) {
	var errs []error
	fault := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("bus %s: device %s: "+format, append([]any{b.Name, d.Name}, args...)...))
	}
	// Unit 0 is the broadcast address of a serial line, which nobody answers ([SL] 2.1);
	// over TCP it is one of the two for a device without a line behind it ([TG] 4.4.1.2).
	low, high := 0, 255
	if b.Kind != config.ModbusTCP {
		low, high = 1, 247
	}
	if d.Unit < low || d.Unit > high {
		fault("unit %d is out of range; want %d to %d", d.Unit, low, high)
	}
	if ns := d.IntervalS * 1e9; !(ns >= sample.TickNS && ns < 1e18) {
		fault("interval of %g s is out of range; want 10 µs at least", d.IntervalS)
	}
	places := make([]place, 0, len(d.Channels))
	for _, c := range d.Channels {
		w, err := width(c.Register)
		switch at := c.Register.Address; {
		case err != nil:
			fault("channel %s: %w", c.Name, err)
		case at < 0 || at+w > 65536:
			fault("channel %s: address %d is out of range; want 0 to %d", c.Name, at, 65536-w)
		case c.Register.Type == "f32" && !(c.StepSize() > 0 && c.StepSize() < math.Inf(1)):
			fault("channel %s: f32 needs a step or a scale that is not 0, as its counts are whole steps", c.Name)
		}
		places = append(places, place{c, c.Register.Address, c.Register.Address + w})
	}
	slices.SortStableFunc(places, func(a, b place) int {
		return cmp.Or(cmp.Compare(tableOrder(a.channel.Register.Table), tableOrder(b.channel.Register.Table)),
			cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to))
	})
	return places, errors.Join(errs...)
}

func tableOrder(t config.Table) int {
	return slices.Index([]config.Table{config.Holding, config.Input, config.Coil, config.Discrete}, t)
}

// cut parts places, sorted, into the runs that one request each reads, so that request
// and data bytes together are fewest; the fewer requests where that is equal.
func cut(places []place, requestBytes int) [][]place {
	// best[i] is what the first i places cost, from[i] where their last run begins.
	best, from := make([]int, len(places)+1), make([]int, len(places)+1)
	for i := 1; i <= len(places); i++ {
		best[i] = math.MaxInt
		table, to := places[i-1].channel.Register.Table, 0
		limit := maxRegisters
		if isBits(table) {
			limit = maxBits
		}
		for j := i - 1; j >= 0 && places[j].channel.Register.Table == table; j-- {
			to = max(to, places[j].to)
			n := to - places[j].from
			if n > limit {
				break
			}
			if c := best[j] + requestBytes + dataBytes(table, n); c <= best[i] {
				best[i], from[i] = c, j
			}
		}
	}
	var runs [][]place
	for i := len(places); i > 0; i = from[i] {
		runs = append(runs, places[from[i]:i])
	}
	slices.Reverse(runs)
	return runs
}

// gather returns the request that reads run, and its group.
func gather(run []place, d config.Device) (Request, sample.Group) {
	table, first, to := run[0].channel.Register.Table, run[0].from, 0
	r := Request{Unit: byte(d.Unit), Table: table, Address: uint16(first),
		Interval: time.Duration(math.Round(d.IntervalS * 1e9))}
	var g sample.Group
	r.whole.address = r.Address
	for _, p := range run {
		c := p.channel.Channel
		c.IntervalS = d.IntervalS
		g.Channels = append(g.Channels, c)

		if p.from > to || len(r.parts) == 0 {
			r.parts = append(r.parts, span{address: uint16(p.from)})
		}
		to = max(to, p.to)
		r.whole.add(p, to)
		r.parts[len(r.parts)-1].add(p, to)
	}
	r.Quantity = r.whole.quantity
	if len(r.parts) == 1 {
		r.parts = nil
	}
	return r, g
}

// add adds the field of p to s, which reaches to address to now.
func (s *span) add(p place, to int) {
	f := field{at: p.from - int(s.address), kind: p.channel.Register.Type, bits: isBits(p.channel.Register.Table),
		order: p.channel.Register.Order, bit: p.channel.Register.Bit, step: p.channel.StepSize()}
	if !f.bits {
		f.at *= 2
	}
	s.fields = append(s.fields, f)
	s.quantity = uint16(to - int(s.address))
}
