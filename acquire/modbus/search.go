package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"griptrial/config"
)

// A Search looks for devices. It only reads: one holding register of each unit id.
type Search struct {
	Bus      config.Bus      // kind, address, time-out; its devices do not matter
	Settings []config.Serial // of a serial port, in the order to try; ignored elsewhere
	Units    []int           // ids to ask
	All      bool            // go on with the other settings after one at which something answered

	// Progress, which may be nil, is called before each request with how many were made of
	// how many there are at most.
	Progress func(made, of int)
}

// A Found is a device that answered.
type Found struct {
	Serial config.Serial // zero but for serial ports
	Unit   int
	Answer string // what it said: a register's value or a refusal, either of which it is there by
}

// Run searches until ctx ends. A serial port is listened to at each setting before the first
// byte; the error is ErrForeign where others are heard, else what keeps it from searching.
// What was found until then is returned with it.
func (s *Search) Run(ctx context.Context) ([]Found, error) {
	settings := s.Settings
	if !s.Bus.OnSerialPort() {
		settings = []config.Serial{{}}
	}
	var found []Found
	made := 0
	for _, serial := range settings {
		bus := s.Bus
		bus.Serial = serial
		l := newLink(bus)
		if err := l.open(ctx); err != nil {
			return found, err
		}
		before := len(found)
		for _, unit := range s.Units {
			if ctx.Err() != nil {
				break
			}
			if s.Progress != nil {
				s.Progress(made, len(settings)*len(s.Units))
			}
			made++
			data, err := read(l, &Request{Unit: byte(unit), Table: config.Holding}, &span{address: 0, quantity: 1})
			var refused Exception
			switch {
			case err == nil:
				found = append(found, Found{serial, unit, fmt.Sprintf("holding register 0 is %d", binary.BigEndian.Uint16(data))})
			case errors.As(err, &refused):
				if refused != 0x0A && refused != 0x0B { // a gateway's word that nobody is there
					found = append(found, Found{serial, unit, refused.Error()})
				}
			case errors.Is(err, ErrForeign):
				l.close()
				return found, err
			case !l.keeps(err) && ctx.Err() == nil:
				if err := l.open(ctx); err != nil {
					return found, err
				}
			}
		}
		l.close()
		if ctx.Err() != nil || len(found) > before && !s.All {
			break
		}
	}
	if s.Progress != nil {
		s.Progress(made, made)
	}
	return found, nil
}

// ReadRegisters reads n registers of a unit from an address on, in requests of at most 125,
// over a connection of its own. A serial port is listened to first.
func ReadRegisters(ctx context.Context, bus config.Bus, unit int, table config.Table, address, n int) ([]uint16, error) {
	l := newLink(bus)
	if err := l.open(ctx); err != nil {
		return nil, err
	}
	defer l.close()
	var registers []uint16
	for len(registers) < n {
		at := address + len(registers)
		part := min(maxRegisters, n-len(registers))
		data, err := read(l, &Request{Unit: byte(unit), Table: table}, &span{address: uint16(at), quantity: uint16(part)})
		if err != nil {
			return registers, fmt.Errorf("read %s registers %d–%d of unit %d: %w", table, at, at+part-1, unit, err)
		}
		for i := range part {
			registers = append(registers, binary.BigEndian.Uint16(data[2*i:]))
		}
	}
	return registers, nil
}

// A Meaning is one way to read registers.
type Meaning struct {
	Type, Order string
	Value       float64 // NaN where the float is none
	Sense       string  // what the value would be at rest in a room, "" where nothing known
}

// Meanings returns every way to read the value that begins at register i: of 16 bits, and
// where another register follows of 32 bits, in all orders.
func Meanings(registers []uint16, i int) []Meaning {
	var all []Meaning
	add := func(kind, order string, data []byte) {
		f := field{kind: kind, order: order}
		m := Meaning{Type: kind, Order: order}
		if kind == "f32" {
			m.Value = float64(f.float(data))
			if math.IsInf(m.Value, 0) || m.Value != 0 && (math.Abs(m.Value) < 1e-6 || math.Abs(m.Value) > 1e9) {
				m.Value = math.NaN() // no measured value looks so, but bytes in the wrong order do
			}
		} else {
			m.Value = float64(f.count(data))
		}
		m.Sense = sense(kind, m.Value)
		all = append(all, m)
	}
	var b [4]byte
	binary.BigEndian.PutUint16(b[:], registers[i])
	for _, kind := range []string{"u16", "i16"} {
		for _, order := range []string{"AB", "BA"} {
			add(kind, order, b[:2])
		}
	}
	if i+1 < len(registers) {
		binary.BigEndian.PutUint16(b[2:], registers[i+1])
		for _, kind := range []string{"f32", "u32", "i32"} {
			for _, order := range []string{"ABCD", "CDAB", "BADC", "DCBA"} {
				add(kind, order, b[:])
			}
		}
	}
	return all
}

// sense says what a value would be that a transducer sends at rest in a room: 950 to
// 1050 hPa of air, nothing below or above it, or the current of a loop.
func sense(kind string, x float64) string {
	within := func(lo, hi float64) bool { return x >= lo && x <= hi }
	switch {
	case math.IsNaN(x) || x == 0:
		return ""
	case within(950, 1050):
		return "ambient in hPa or mbar"
	case kind == "f32" && within(95, 105):
		return "ambient in kPa"
	case kind == "f32" && within(0.95, 1.05):
		return "ambient in bar"
	case kind == "f32" && within(13.8, 15.2):
		return "ambient in psi, or 4–20 mA"
	case kind == "f32" && within(3.8, 20.5):
		return "4–20 mA"
	case kind == "f32" && within(-1, 1):
		return "near zero: a gauge at ambient"
	case kind == "u16" && within(9500, 10500):
		return "ambient in 0.1 hPa, or 4–20 mA in µA"
	case kind == "u16" && within(3800, 20500):
		return "4–20 mA in µA"
	case (kind == "u32" || kind == "i32") && within(95_000, 105_000):
		return "ambient in Pa"
	case kind == "i16" && within(-20, 20):
		return "near zero: a gauge at ambient"
	}
	return ""
}
