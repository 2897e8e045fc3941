package config

import "griptrial/acquire/sample"

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
	Address  string // host:port, or the serial port's name
	Serial   Serial // serial kinds only
	TimeoutS float64
	Devices  []Device
}

// Serial is how characters travel on a serial line.
type Serial struct {
	Baud     int
	Parity   string // "even", "odd" or "none"
	StopBits int
}

// A Device is what answers on a bus.
type Device struct {
	Name        string
	Unit        int     // Modbus unit id
	IntervalS   float64 // poll interval
	TurnaroundS float64 // longest time between request and answer that the maker states
	Line        Line    // text kinds only
	Channels    []Channel
}

// A Line says how a text device's lines are read.
type Line struct {
	Poll       string // sent to ask for a line; "" for a device that streams
	Terminator string
	Separator  string // between columns; "" where Pattern is used
	Pattern    string // regular expression with named groups
	Checksum   string // "none", "xor", "sum" or "crc16"
}

// A Channel is one signal of a device: what it means, and where it is read.
type Channel struct {
	sample.Channel
	Register Register // Modbus kinds
	Field    string   // text kinds: name of the group, or number of the column from 1
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
	// where the device sends the channel's unit.
	Step float64
}

// A Station is one vacuum circuit.
type Station struct {
	Name                string
	Engine              string // name of its engine, "" where not stated
	VolumeL             float64
	IdleBandKPa         float64
	PersistS            float64
	DropLevelKPa        float64 // NaN: half the required vacuum
	SealLimitS          float64 // NaN: none
	SupplyOffHolds      bool    // a check valve keeps the vacuum when the supply shuts
	SupplyBeforeContact bool
	HandHeld            bool
	RemoveIdleLevel     bool    // subtract the idle level from vacuums
	SpecificEnergyKWhM3 float64 // of compressed air, kWh/m³ ANR
	SpecificEnergyU     float64 // its standard uncertainty
}

// An Engine is a vacuum generator.
type Engine struct {
	Name string
	Kind string // "ejector", "pump" or "blower"
}
