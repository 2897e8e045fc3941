package modbus

import (
	"encoding/binary"
	"fmt"
	"math"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// A field says where in a reply one channel's raw count lies and how to read it.
type field struct {
	at    int    // coil or discrete input: number of the bit in the reply; else of the first byte
	kind  string // config.Register.Type
	bits  bool   // the reply is a string of bits, not of registers
	order string // config.Register.Order; "" for the order of [AP] 4.2
	bit   int
	step  float64 // f32: value of one count
}

// width returns how many registers (or bits, for coils and discrete inputs) a value of r
// takes, or an error that says what cannot be read.
func width(r config.Register) (int, error) {
	switch r.Table {
	case config.Coil, config.Discrete:
		if r.Type != "bit" {
			return 0, fmt.Errorf("type %q cannot be read from table %q; want bit", r.Type, r.Table)
		}
		return 1, nil
	case config.Holding, config.Input:
	default:
		return 0, fmt.Errorf("table %q is not known; want holding, input, coil or discrete", r.Table)
	}

	switch r.Type {
	case "bit":
		if r.Bit < 0 || r.Bit > 15 {
			return 0, fmt.Errorf("bit %d is not in a register; want 0 to 15", r.Bit)
		}
		fallthrough
	case "u16", "i16":
		switch r.Order {
		case "", "AB", "BA":
			return 1, nil
		}
		return 0, fmt.Errorf("order %q of type %s is not known; want AB or BA", r.Order, r.Type)
	case "u32", "i32", "f32":
		switch r.Order {
		case "ABCD", "CDAB", "BADC", "DCBA":
			return 2, nil
		}
		// No default: [AP] 4.2 leaves the order of words open, and devices differ.
		return 0, fmt.Errorf("order %q of type %s is not known; want ABCD, CDAB, BADC or DCBA", r.Order, r.Type)
	}
	return 0, fmt.Errorf("type %q is not known; want u16, i16, u32, i32, f32 or bit", r.Type)
}

// count returns the raw count of f in data, the bytes of a reply after its byte count:
// registers with the high byte first ([AP] 4.2), or bits with the first in the lowest
// place of the first byte ([AP] 6.1). data must reach as far as f does.
//
// Integers and bits are returned as they are. A float32 becomes the number of steps
// nearest to it, halves away from zero: within half a step of what was sent, and so the
// same count at every reading back. One that is not finite, or whose count is beyond
// ±2^53 (where steps of one would get lost in Channel.Value), is sample.Missing.
func (f *field) count(data []byte) int64 {
	if f.bits {
		return int64(data[f.at/8] >> (f.at % 8) & 1)
	}
	u16, u32 := f.words(data)
	switch f.kind {
	case "u16":
		return int64(u16)
	case "i16":
		return int64(int16(u16))
	case "bit":
		return int64(u16 >> f.bit & 1)
	case "u32":
		return int64(u32)
	case "i32":
		return int64(int32(u32))
	case "f32":
		n := math.Round(float64(math.Float32frombits(u32)) / f.step)
		if math.Abs(n) <= 1<<53 { // false for NaN
			return int64(n)
		}
	}
	return sample.Missing
}

// float returns the float32 of f in data, whatever it is.
func (f *field) float(data []byte) float32 {
	_, u32 := f.words(data)
	return math.Float32frombits(u32)
}

// words returns the register or the two registers of f in data, in its order.
func (f *field) words(data []byte) (u16 uint16, u32 uint32) {
	switch b := data[f.at:]; f.order {
	case "", "AB":
		u16 = binary.BigEndian.Uint16(b)
	case "BA":
		u16 = binary.LittleEndian.Uint16(b)
	case "ABCD":
		u32 = binary.BigEndian.Uint32(b)
	case "CDAB":
		u32 = uint32(binary.BigEndian.Uint16(b)) | uint32(binary.BigEndian.Uint16(b[2:]))<<16
	case "BADC":
		u32 = uint32(binary.LittleEndian.Uint16(b))<<16 | uint32(binary.LittleEndian.Uint16(b[2:]))
	case "DCBA":
		u32 = binary.LittleEndian.Uint32(b)
	}
	return u16, u32
}
