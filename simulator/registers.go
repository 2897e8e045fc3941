package simulator

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// Modbus exception codes (MODBUS Application Protocol Specification V1.1b3, section 7).
const (
	illegalFunction byte = 1
	illegalAddress  byte = 2
	illegalValue    byte = 3
	gatewayNoTarget byte = 0x0B
)

// A device is the register model of one Modbus device: what lies where, without a wire.
type device struct {
	unit   int
	words  map[config.Table][]uint16 // holding and input registers, as last written
	bits   map[config.Table][]bool   // coils and discrete inputs
	placed []int                     // indexes into the rig's sensors

	bus                             *Bus
	name                            string
	intervalS, turnaroundS, updateS float64   // NaN where not stated
	text                            *textLine // nil: registers
}

// width returns how many registers or bits a channel takes; an error names what is wrong.
func width(r config.Register) (int, error) {
	if r.Address < 0 || r.Address > 65535 {
		return 0, fmt.Errorf("address %d; 0 to 65535 is allowed", r.Address)
	}
	n := 1
	switch r.Table {
	case config.Coil, config.Discrete:
		if r.Type != "bit" {
			return 0, fmt.Errorf("type %q in table %s; bit is allowed", r.Type, r.Table)
		}
	case config.Holding, config.Input:
		orders := []string{"AB", "BA"}
		switch r.Type {
		case "u16", "i16":
		case "u32", "i32", "f32":
			n, orders = 2, []string{"ABCD", "CDAB", "BADC", "DCBA"}
		case "bit":
			if r.Bit < 0 || r.Bit > 15 {
				return 0, fmt.Errorf("bit %d; 0 to 15 is allowed", r.Bit)
			}
		default:
			return 0, fmt.Errorf("type %q; u16, i16, u32, i32, f32 or bit is allowed", r.Type)
		}
		if r.Order != "" && !slices.Contains(orders, r.Order) {
			return 0, fmt.Errorf("order %q for type %s; one of %v is allowed", r.Order, r.Type, orders)
		}
	default:
		return 0, fmt.Errorf("table %q; holding, input, coil or discrete is allowed", r.Table)
	}
	if r.Address+n > 65536 {
		return 0, fmt.Errorf("address %d with %d registers ends past 65535", r.Address, n)
	}
	return n, nil
}

// place makes room for a channel, and fails where another one lies there already.
func (d *device) place(c *config.Channel, used map[string]string) error {
	n, err := width(c.Register)
	if err != nil {
		return fmt.Errorf("channel %q: %w", c.Name, err)
	}
	r := c.Register
	word := r.Table == config.Holding || r.Table == config.Input
	for i := range n {
		for bit := range 16 {
			if word && r.Type == "bit" && bit != r.Bit || !word && bit > 0 {
				continue
			}
			key := fmt.Sprint(r.Table, r.Address+i, bit)
			if other, ok := used[key]; ok {
				return fmt.Errorf("channels %q and %q share %s %d", other, c.Name, r.Table, r.Address+i)
			}
			used[key] = c.Name
		}
	}
	if end := r.Address + n; word {
		d.words[r.Table] = grown(d.words[r.Table], end)
	} else {
		d.bits[r.Table] = grown(d.bits[r.Table], end)
	}
	return nil
}

func grown[T any](s []T, n int) []T {
	if len(s) >= n {
		return s
	}
	return append(s, make([]T, n-len(s))...)
}

// put writes a channel's reading to its register.
func (d *device) put(r config.Register, x reading) {
	if r.Table == config.Coil || r.Table == config.Discrete {
		d.bits[r.Table][r.Address] = x.count != 0
		return
	}
	w := d.words[r.Table][r.Address:]
	switch r.Type {
	case "bit":
		w[0] &^= 1 << r.Bit
		if x.count != 0 {
			w[0] |= 1 << r.Bit
		}
	case "u16", "i16":
		var b [2]byte
		binary.BigEndian.PutUint16(b[:], uint16(x.count))
		if r.Order == "BA" {
			b[0], b[1] = b[1], b[0]
		}
		w[0] = binary.BigEndian.Uint16(b[:])
	default:
		v := uint32(x.count)
		if r.Type == "f32" {
			v = math.Float32bits(float32(x.exact * x.step))
		}
		var b [4]byte
		binary.BigEndian.PutUint32(b[:], v)
		switch r.Order {
		case "CDAB":
			b = [4]byte{b[2], b[3], b[0], b[1]}
		case "BADC":
			b = [4]byte{b[1], b[0], b[3], b[2]}
		case "DCBA":
			b = [4]byte{b[3], b[2], b[1], b[0]}
		}
		w[0], w[1] = binary.BigEndian.Uint16(b[:2]), binary.BigEndian.Uint16(b[2:])
	}
}

// A reading is what a sensor shows: its value with noise in counts, and the raw count
// nearest to it that the channel's register can hold.
type reading struct {
	exact, step float64 // step: f32 registers hold exact × step
	count       int64
}

// limits returns the smallest and largest count of a register type. Counts of f32
// channels are only the step in which a reader counts them.
func limits(kind string) (lo, hi float64) {
	switch kind {
	case "bit":
		return 0, 1
	case "u16":
		return 0, math.MaxUint16
	case "i16":
		return math.MinInt16, math.MaxInt16
	case "u32":
		return 0, math.MaxUint32
	case "i32":
		return math.MinInt32, math.MaxInt32
	}
	return -1 << 52, 1 << 52
}

// read turns a value into a channel's reading: the inverse of sample.Channel.Value,
// rounded and clipped to the register.
func read(c *config.Channel, value float64) reading {
	lo, hi := limits(c.Register.Type)
	x := reading{exact: (value - c.Offset) / c.Scale, step: c.Register.Step}
	if x.step == 0 {
		x.step = math.Abs(c.Scale)
	}
	x.count = int64(min(hi, max(lo, math.Round(x.exact))))
	return x
}

// readSwitch returns the reading of a switched channel: a count on the right side of its
// threshold; off is 0 where the threshold is positive, on is twice the threshold.
func readSwitch(c *config.Channel, on bool) reading {
	if c.Register.Type == "bit" {
		n := int64(0)
		if c.On(n) != on {
			n = 1
		}
		return reading{count: n}
	}
	d := math.Abs(c.OnAbove)
	if on {
		return read(c, c.OnAbove+max(d, math.Abs(c.Scale)))
	}
	return read(c, c.OnAbove-d)
}

// answer returns the reply PDU to a request PDU: functions 1 to 4, exceptions for the
// rest. Checked in the order of the state diagrams of section 6 of the specification:
// function, quantity, address.
func (d *device) answer(pdu []byte) []byte {
	table, ok := map[byte]config.Table{1: config.Coil, 2: config.Discrete, 3: config.Holding, 4: config.Input}[pdu[0]]
	if !ok {
		return exception(pdu[0], illegalFunction)
	}
	if len(pdu) != 5 {
		return exception(pdu[0], illegalValue)
	}
	start, n := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	if pdu[0] <= 2 {
		switch {
		case n < 1 || n > 2000:
			return exception(pdu[0], illegalValue)
		case start+n > len(d.bits[table]):
			return exception(pdu[0], illegalAddress)
		}
		reply := make([]byte, 2+(n+7)/8)
		reply[0], reply[1] = pdu[0], byte((n+7)/8)
		for i, on := range d.bits[table][start : start+n] {
			if on {
				reply[2+i/8] |= 1 << (i % 8)
			}
		}
		return reply
	}
	switch {
	case n < 1 || n > 125:
		return exception(pdu[0], illegalValue)
	case start+n > len(d.words[table]):
		return exception(pdu[0], illegalAddress)
	}
	reply := make([]byte, 2, 2+2*n)
	reply[0], reply[1] = pdu[0], byte(2*n)
	for _, w := range d.words[table][start : start+n] {
		reply = binary.BigEndian.AppendUint16(reply, w)
	}
	return reply
}

func exception(function, code byte) []byte { return []byte{function | 0x80, code} }

// on returns whether a switched signal of kind k is on.
func on(k sample.Kind, x State) bool {
	switch k {
	case sample.Supply:
		return x.Supply
	case sample.Release:
		return x.Release
	case sample.Touch:
		return x.Touch
	case sample.Carried:
		return x.Carried
	case sample.PartPresent:
		return x.VacuumKPa >= x.RequiredKPa
	}
	return false
}
