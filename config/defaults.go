package config

import (
	"math"
	"regexp"
	"slices"
)

// A Default is what holds where a file is silent.
type Default struct {
	Field string // its path in the file, such as "stations[].idle_band"
	When  string // where defaults differ: the kind of bus, of channel or of reading they hold for; else ""
	Value string // as one would write it in the file
	Why   string

	// Derived: Value says in words how the number follows from others, and is no text for a file.
	Derived bool
}

// The one place for defaults of both files. The parser reads Value as if it stood in the
// file, so what is shown is what is used.
var defaults = []Default{
	{Field: "buses[].timeout", When: "modbus", Value: "200 ms",
		Why: "one lost answer stays below the 0.25 s that make a gap"},
	{Field: "buses[].timeout", When: "text", Value: "2 s",
		Why: "text devices send a few lines a second"},
	{Field: "buses[].serial.parity", When: "modbus", Value: "even",
		Why: "MODBUS over Serial Line V1.02, 2.5.1"},
	{Field: "buses[].serial.parity", When: "text", Value: "none",
		Why: "the usual setting of text devices"},
	{Field: "buses[].serial.stop_bits", When: "parity", Value: "1",
		Why: "MODBUS over Serial Line V1.02, 2.5.1: 11 bits a character"},
	{Field: "buses[].serial.stop_bits", When: "no parity, text", Value: "1",
		Why: "the usual setting of text devices"},
	{Field: "buses[].serial.silence", Value: "recommended",
		Why: "MODBUS over Serial Line V1.02, 2.5.1.1: 1.75 ms between frames above 19,200 baud, else 3.5 characters"},
	{Field: "buses[].listen", Value: "false",
		Why: "griptrial is the only master of the line, and refuses one on which it hears another"},
	{Field: "buses[].devices[].unit", When: "modbus-tcp", Value: "255",
		Why: "MODBUS Messaging on TCP/IP V1.0b, 4.4.1.2: not behind a gateway"},
	{Field: "buses[].devices[].interval", When: "modbus-tcp", Value: "10 ms",
		Why: "a fast TCP device answers within it, and a seal takes several"},
	{Field: "buses[].devices[].interval", When: "serial modbus", Value: "50 ms",
		Why: "three registers at 9600 baud take 30 ms on the wire"},
	{Field: "buses[].devices[].interval", When: "polled text", Value: "100 ms",
		Why: "a line of 20 characters at 9600 baud takes 21 ms on the wire"},
	{Field: "buses[].devices[].line.terminator", Value: `"\n"`,
		Why: "a \"\\r\" before it counts as a blank"},
	{Field: "buses[].devices[].line.checksum", Value: "none",
		Why: "none can be guessed"},
	{Field: "buses[].devices[].channels[].reads", When: "air_pressure", Value: "gauge",
		Why: "compressed air is stated as gauge pressure"},
	{Field: "buses[].devices[].channels[].resolution", When: "whole numbers", Value: "one count", Derived: true,
		Why: "a whole number cannot show less"},
	{Field: "buses[].devices[].channels[].on_above", When: "bit", Value: "0.5",
		Why: "midway between 0 and 1"},
	{Field: "buses[].devices[].channels[].invert", Value: "false",
		Why: "1 means on"},
	{Field: "buses[].devices[].channels[].register.bit", When: "coil or discrete", Value: "0", Derived: true,
		Why: "each is one bit"},
	{Field: "buses[].devices[].channels[].register.order", When: "16 bits", Value: "AB",
		Why: "MODBUS Application Protocol V1.1b3, 4.2: high byte first; it fixes no word order"},
	{Field: "stations[].idle_band", Value: "3 kPa",
		Why: "above the drift of a zero, below open suction"},
	{Field: "stations[].persist", Value: "20 ms",
		Why: "longer than a spike, shorter than a drop"},
	{Field: "stations[].drop_level", Value: "half the required vacuum", Derived: true,
		Why: "well below a dip, well above open suction"},
	{Field: "stations[].seal_limit", Value: "none", Derived: true,
		Why: "it is a property of the line; no number suits all"},
	{Field: "stations[].supply_off", Value: "releases",
		Why: "without a check valve the vacuum is lost when the supply shuts"},
	{Field: "stations[].supply_before_contact", Value: "false",
		Why: "stated only where the cup always sucks freely first"},
	{Field: "stations[].hand_held", Value: "false",
		Why: "a handler holds the cup"},
	{Field: "stations[].remove_idle_level", Value: "false",
		Why: "the idle level is reported, not hidden"},
	{Field: "stations[].specific_energy", Value: "0.12 kWh/m3",
		Why: "compressed air at 8 bar: 0.10 (target) to 0.13 (average of 12 analyses, Gloor 2003), up to 0.14; your own meter is better"},
	{Field: "stations[].specific_energy_u", When: "no specific_energy", Value: "0.0115 kWh/m3",
		Why: "0.10 to 0.14 taken as equally likely: 0.02 / √3 (JCGM 100, 4.3.7)"},
	{Field: "requirement.confidence", Value: "95 %",
		Why: "usual, as for every interval shown"},
	{Field: "setups[].cups", Value: "1",
		Why: "one cup"},
}

// Defaults returns everything that holds where a rig or trial file is silent, in the order
// of the files.
func Defaults() []Default { return slices.Clone(defaults) }

var index = regexp.MustCompile(`\[\d+\]`)

// defaultOf returns the default of the field at path where when holds.
func defaultOf(path, when string) (Default, bool) {
	path = index.ReplaceAllString(path, "[]")
	for _, d := range defaults {
		if d.Field == path && (d.When == "" || d.When == when) && !d.Derived {
			return d, true
		}
	}
	return Default{}, false
}

// kind returns the sort of YAML value that d.Value is.
func (d Default) kind() kind {
	switch {
	case d.Value == "true" || d.Value == "false":
		return boolean
	case wholeNumber.MatchString(d.Value):
		return number
	}
	return word
}

// NewStation returns the station that a rig file with nothing but its name gives.
func NewStation(name string) Station {
	s := Station{Name: name}
	s.read(&value{file: &file{}, path: "stations[0]", kind: mapping}, PressureAt(math.NaN()))
	return s
}
