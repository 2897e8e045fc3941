package config

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"iter"
	"math"

	"griptrial/acquire/sample"
)

// A Rig is the hardware of a trial: buses, devices, channels, stations, engines. Numbers
// that the file does not state and that have no default are NaN.
type Rig struct {
	Path string // as given
	Text []byte // the file as read
	Name string

	AmbientKPa float64 // absolute pressure of the air around; NaN where not stated
	Buses      []Bus
	Stations   []Station
	Engines    []Engine
}

// A BusKind is a way to talk to devices.
type BusKind string

// The kinds of bus.
const (
	ModbusTCP        BusKind = "modbus-tcp"
	ModbusRTU        BusKind = "modbus-rtu"
	ModbusRTUOverTCP BusKind = "modbus-rtu-over-tcp"
	TextSerial       BusKind = "text-serial"
	TextTCP          BusKind = "text-tcp"
)

// A Bus is one connection or one serial line, with the devices on it.
type Bus struct {
	Name     string
	Kind     BusKind
	Address  string // host:port, or the serial port's name; "" where USB says which port
	USB      USB    // the adapter of the serial port; zero where Address says which port
	Listen   bool   // another master polls the line: decode its traffic, send nothing
	Serial   Serial // serial kinds only
	TimeoutS float64
	Devices  []Device
}

// Serial is how characters travel on a serial line.
type Serial struct {
	Baud     int
	Parity   string // "even", "odd" or "none"
	StopBits int

	// TrueSilence asks for pauses of 3.5 characters above 19,200 baud too, where the
	// standard recommends 1.75 ms. Modbus RTU only.
	TrueSilence bool
}

// USB is the marks by which a USB adapter is found again under whatever name.
type USB struct {
	VID, PID string // four hexadecimal digits each
	Serial   string // its serial number; "" for any
}

// String returns the marks as a rig file states them.
func (u USB) String() string {
	if u.Serial == "" {
		return u.VID + ":" + u.PID
	}
	return u.VID + ":" + u.PID + ":" + u.Serial
}

// Port returns what to call the port or connection of the bus, for people.
func (b *Bus) Port() string {
	if b.Address == "" && b.OnSerialPort() {
		return "USB adapter " + b.USB.String()
	}
	return b.Address
}

// OnSerialPort reports whether the bus is a serial port of this machine.
func (b *Bus) OnSerialPort() bool { return b.Kind == ModbusRTU || b.Kind == TextSerial }

// Text reports whether the devices of the bus send lines of text.
func (b *Bus) Text() bool { return b.Kind == TextSerial || b.Kind == TextTCP }

// A Device is what answers on a bus.
type Device struct {
	Name        string
	Unit        int     // Modbus unit id
	IntervalS   float64 // poll interval; NaN for a device that streams, or that another master polls
	TurnaroundS float64 // longest time between request and answer that the maker states
	Line        Line    // text kinds only
	Channels    []Channel
}

// A Line says how a text device's lines are read.
type Line struct {
	Poll       string // sent to ask for a line; "" for a device that streams
	Terminator string // ends a line; a line read may still have blanks and "\r" at its ends
	Separator  string // between columns; "" where Pattern is used
	Pattern    string // regular expression with named groups
	Checksum   string // "none", "xor", "sum" or "crc16"
}

// A Channel is one signal of a device: what it means, and where it is read.
type Channel struct {
	sample.Channel
	Register Register // Modbus kinds
	Field    string   // text kinds: name of the group, or number of the column from 1

	Calibrated *Calibrated // nil where there is no calibration; else Offset and Scale are its
}

// A Calibrated says whence a line is that was found against a reference gauge; its standard
// errors are in sample.Channel.
type Calibrated struct {
	Points int
	Date   string // of the comparison, "2026-11-25"
}

// StepSize returns the number, as the device sends it, of one raw count of c: for f32 and
// for text, whose counts are whole steps.
func (c *Channel) StepSize() float64 {
	if c.Register.Step != 0 {
		return c.Register.Step
	}
	return math.Abs(c.Scale)
}

// A Table is one of the four kinds of Modbus data.
type Table string

// The tables that can be read.
const (
	Holding  Table = "holding"
	Input    Table = "input"
	Coil     Table = "coil"
	Discrete Table = "discrete"
)

// A Register is where a value lies in a Modbus device.
type Register struct {
	Table   Table
	Address int    // on the wire, from 0
	Type    string // "u16", "i16", "u32", "i32", "f32"; "bit" for coils and discrete inputs, or one bit of a register
	Order   string // of the bytes of 32-bit values: "ABCD", "CDAB", "BADC" or "DCBA"; 16 bits: "AB" or "BA"
	Bit     int    // number of the bit in a register where Type is "bit", from 0 at the least significant

	// Step is the f32 value of one raw count, in the device's own unit: count = f32 / Step,
	// rounded, so that raw counts stay integers. 0 means |Scale| of the channel, which is right
	// where the device sends the channel's unit. A rig file's channels have it stated for f32
	// and for text fields, from "resolution"; for whole numbers it is 0.
	Step float64
}

// A Station is one vacuum circuit.
type Station struct {
	Name                string
	Engine              string // name of its engine, "" where not stated
	VolumeL             float64
	VolumeUL            float64 // its standard uncertainty, L; NaN where not stated
	BlankLeakLminANR    float64 // what leaks in with the cup blanked; NaN where not stated
	BlankLeakU          float64 // its standard uncertainty
	IdleBandKPa         float64
	PersistS            float64
	DropLevelKPa        float64 // NaN: half the required vacuum
	SealLimitS          float64 // NaN: none
	ReleasePulseS       float64 // length of the release command, NaN where not stated
	SupplyOffHolds      bool    // a check valve keeps the vacuum when the supply shuts
	SupplyBeforeContact bool
	HandHeld            bool
	RemoveIdleLevel     bool    // subtract the idle level from vacuums
	SpecificEnergyKWhM3 float64 // of compressed air, kWh/m³ ANR
	SpecificEnergyU     float64 // its standard uncertainty
	Bench               Bench   // limits of the bench check
}

// Unfit says why a station cannot judge picks by the required vacuum of a setup, "" where it can.
func (s *Station) Unfit(setup string, requiredKPa float64) string {
	switch {
	case requiredKPa <= s.IdleBandKPa:
		return fmt.Sprintf("setup %q requires %s, which lies in the idle band of station %q, %s; want more, or a smaller idle_band",
			setup, Pressure.Format(requiredKPa), s.Name, Pressure.Format(s.IdleBandKPa))
	case requiredKPa <= s.DropLevelKPa:
		return fmt.Sprintf("setup %q requires %s, not above the drop level of station %q, %s; want a lower drop_level",
			setup, Pressure.Format(requiredKPa), s.Name, Pressure.Format(s.DropLevelKPa))
	}
	return ""
}

// A Bench is what a bench check of a station allows, each NaN where not stated.
type Bench struct {
	ZeroKPa     float64 // largest vacuum shown at ambient, above or below zero
	BlankedKPa  float64 // least vacuum of a blanked cup
	LeakDownKPa float64 // most vacuum that a blanked cup loses in the 5 s after the supply is shut
	OpenKPa     float64 // largest vacuum of open suction
	AirLoKPa    float64 // air pressure at the ejector, gauge: at least ...
	AirHiKPa    float64 // ... and at most
}

// An Engine is a vacuum generator.
type Engine struct {
	Name string
	Kind string // "ejector", "pump" or "blower"
}

// A Place is a channel with the device and the bus that it is read from.
type Place struct {
	Bus     *Bus
	Device  *Device
	Channel *Channel
}

// Channels iterates over the channels of all devices in the order of the file.
func (r *Rig) Channels() iter.Seq[Place] {
	return func(yield func(Place) bool) {
		for b := range r.Buses {
			for d := range r.Buses[b].Devices {
				device := &r.Buses[b].Devices[d]
				for c := range device.Channels {
					if !yield(Place{&r.Buses[b], device, &device.Channels[c]}) {
						return
					}
				}
			}
		}
	}
}

// Station returns the station with the given name, nil where there is none.
func (r *Rig) Station(name string) *Station {
	for i := range r.Stations {
		if r.Stations[i].Name == name {
			return &r.Stations[i]
		}
	}
	return nil
}

// Engine returns the engine with the given name, nil where there is none.
func (r *Rig) Engine(name string) *Engine {
	for i := range r.Engines {
		if r.Engines[i].Name == name {
			return &r.Engines[i]
		}
	}
	return nil
}

// SHA256 returns the hash of the file as read, in hexadecimal.
func (r *Rig) SHA256() string { return hash(r.Text) }

func hash(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}
