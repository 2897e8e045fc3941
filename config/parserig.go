package config

import (
	"fmt"
	"math"
	"net"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"griptrial/acquire/sample"
)

// LoadRig reads the rig file at path. See ParseRig.
func LoadRig(path string) (*Rig, error) {
	text, err := load(path)
	if err != nil {
		return nil, err
	}
	return ParseRig(path, text)
}

// ParseRig reads the text of a rig file; name is what messages call it. The error is
// Faults, everything wrong in file order, and then the rig is nil. Nothing is guessed: what
// the file does not state is in Defaults, or NaN.
func ParseRig(name string, text []byte) (*Rig, error) {
	f, top := readYAML(name, text, "a mapping with name, buses, stations")
	if top == nil {
		return nil, f.faults.asError()
	}
	r := &rigReader{rig: &Rig{Path: name, Text: slices.Clone(text)}, named: map[string]*value{}, read: map[string]*value{}, doubtful: map[string]bool{}}
	if r.readTop(top); top.has("setups") && !top.has("buses") {
		f.faults = Faults{{f.name, 1, 1, "", "this is a trial or scenario file, by its setups; want a rig file, which comes first"}}
	}
	if err := f.faults.asError(); err != nil {
		return nil, err
	}
	return r.rig, nil
}

// A rigReader holds what several parts of a rig file must agree on.
type rigReader struct {
	rig      *Rig
	pressure Dimension
	ambient  bool              // stated, be it well or badly
	named    map[string]*value // "kind of thing\x00name" → where that name was given
	read     map[string]*value // "station\x00kind" → the first channel of that kind there
	stations []*value          // beside rig.Stations

	// What faults leave open, so that one fault does not bring others with it.
	doubtful map[string]bool // kinds of thing of which not every name is known
	unread   bool            // some channel is not known well enough to say what stations lack
}

func (r *rigReader) readTop(top *value) {
	rig := r.rig
	if top.require("name", `a name such as "test gripper, hall 2"`) {
		rig.Name = top.name("name")
	}
	rig.AmbientKPa = top.quantity("ambient", Pressure, between(Pressure, 50, 110))
	r.ambient = top.has("ambient")
	r.pressure = PressureAt(rig.AmbientKPa)

	engines := top.list("engines", "engines such as {name: small ejector, kind: ejector}")
	r.doubtful["engine"] = top.has("engines") && len(engines) == 0 || len(engines) > 0 && len(engines) != len(top.at["engines"].items)
	for _, v := range engines {
		e := Engine{Name: r.name(v, "engine")}
		if v.require("kind", "ejector, pump or blower") {
			e.Kind = v.choice("kind", "ejector", "pump", "blower")
		}
		v.finish()
		rig.Engines = append(rig.Engines, e)
	}
	if !top.require("stations", "at least one station such as {name: left}") {
		r.doubtful["station"] = true
	} else {
		stations := top.list("stations", "at least one station such as {name: left}")
		r.doubtful["station"] = len(stations) == 0 || len(stations) != len(top.at["stations"].items)
		for _, v := range stations {
			s := Station{Name: r.name(v, "station")}
			s.read(v, r.pressure)
			r.refer(v, "engine", "engine", s.Engine)
			v.finish()
			rig.Stations = append(rig.Stations, s)
			r.stations = append(r.stations, v)
		}
	}
	for _, v := range r.list(top, "buses", "at least one bus") {
		rig.Buses = append(rig.Buses, r.bus(v))
		v.finish()
	}
	r.checkStations()
	top.finish()
}

// list returns the mappings in the list under key, on the way down to the channels.
func (r *rigReader) list(v *value, key, want string) []*value {
	if !v.require(key, want) {
		r.unread = true
		return nil
	}
	items := v.list(key, want)
	r.unread = r.unread || len(items) == 0 || len(items) != len(v.at[key].items)
	return items
}

// name returns the name of v, which no other thing of that sort in the rig may have.
func (r *rigReader) name(v *value, sort string) string {
	name := ""
	if v.require("name", "a name") {
		name = v.name("name")
	}
	if name == "" {
		r.doubtful[sort] = true
		return ""
	}
	key := sort + "\x00" + name
	if first := r.named[key]; first != nil {
		v.where("name").fault("%q is already the name of the %s in line %d", name, sort, first.line)
	} else {
		r.named[key] = v.where("name")
	}
	return name
}

// refer notes a fault where name, the value of key, is not the name of such a thing.
func (r *rigReader) refer(v *value, key, sort, name string) {
	if name == "" || r.named[sort+"\x00"+name] != nil || r.doubtful[sort] {
		return
	}
	var known []string
	for k := range r.named {
		if s, n, _ := strings.Cut(k, "\x00"); s == sort {
			known = append(known, n)
		}
	}
	v.where(key).fault("%s", unknownName(name, sort, known))
}

// unknownName says that the file has no such thing, and which it has.
func unknownName(name, sort string, known []string) string {
	if len(known) == 0 {
		return fmt.Sprintf("%q is unknown: the rig file names no %s", name, sort)
	}
	slices.Sort(known)
	if hint := didYouMean(name, known); hint != "" {
		return fmt.Sprintf("%q is no %s of the rig file%s", name, sort, hint)
	}
	return fmt.Sprintf("%q is no %s of the rig file; want %s", name, sort, either(known))
}

// read reads everything of a station but its name.
func (s *Station) read(v *value, pressure Dimension) {
	s.Engine = v.name("engine")
	s.VolumeL = v.quantity("volume", Volume, positive)
	s.VolumeUL = v.quantity("volume_u", Volume, notNegative)
	s.BlankLeakLminANR = v.quantity("blank_leak", Flow, notNegative)
	s.BlankLeakU = v.quantity("blank_leak_u", Flow, notNegative)
	for _, x := range [][2]string{{"volume_u", "volume"}, {"blank_leak_u", "blank_leak"}} {
		if v.has(x[0]) && !v.has(x[1]) {
			v.keyAt[x[0]].fault("has no place here: %s is not stated", x[1])
		}
	}
	s.IdleBandKPa = v.quantity("idle_band", pressure, positive)
	s.PersistS = v.quantity("persist", Time, positive)
	s.DropLevelKPa = v.quantity("drop_level", pressure, positive)
	s.SealLimitS = v.quantity("seal_limit", Time, positive)
	s.ReleasePulseS = v.quantity("release_pulse", Time, positive)
	s.SupplyOffHolds = v.choice("supply_off", "releases", "holds") == "holds"
	s.SupplyBeforeContact = v.flag("supply_before_contact")
	s.HandHeld = v.flag("hand_held")
	s.RemoveIdleLevel = v.flag("remove_idle_level")
	if s.DropLevelKPa <= s.IdleBandKPa {
		v.where("drop_level").fault("%s lies in the idle band of %s, where a pick has ended; want more",
			pressure.Format(s.DropLevelKPa), pressure.Format(s.IdleBandKPa))
	}
	if !v.has("specific_energy") {
		v.when = "no specific_energy"
	}
	s.SpecificEnergyKWhM3 = v.quantity("specific_energy", SpecificEnergy, positive, between(SpecificEnergy, 0.02, 1))
	s.SpecificEnergyU = v.quantity("specific_energy_u", SpecificEnergy, notNegative)
	s.Bench = readBench(v, pressure)
}

// readBench reads the limits of a station's bench check.
func readBench(v *value, pressure Dimension) Bench {
	nan := math.NaN()
	b := Bench{nan, nan, nan, nan, nan, nan}
	if !v.has("bench") {
		return b
	}
	m := v.mapping("bench", "a mapping such as {zero: 0.5 kPa, blanked: 60 kPa, leak_down: 2 kPa, open: 10 kPa, air_pressure: [5 bar, 7 bar]}")
	if m == nil {
		return b
	}
	b.ZeroKPa = m.quantity("zero", pressure, positive)
	b.BlankedKPa = m.quantity("blanked", pressure, positive)
	b.LeakDownKPa = m.quantity("leak_down", pressure, positive)
	b.OpenKPa = m.quantity("open", pressure, positive)
	if m.has("air_pressure") {
		const want = "the least and the most such as [5 bar, 7 bar]"
		if two := m.pair("air_pressure", want); two != nil {
			b.AirLoKPa, b.AirHiKPa = two[0].asQuantity(pressure, positive), two[1].asQuantity(pressure, positive)
			if b.AirLoKPa >= b.AirHiKPa {
				m.at["air_pressure"].fault("the first is not below the second; want %s", want)
			}
		}
	}
	m.finish()
	return b
}

// Baud rates that serial ports and their adapters are set to.
var bauds = []int{1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200, 187500, 230400, 250000,
	460800, 500000, 921600, 1000000, 1500000, 2000000, 3000000}

func (r *rigReader) bus(v *value) Bus {
	b := Bus{Name: r.name(v, "bus")}
	kinds := []string{string(ModbusTCP), string(ModbusRTU), string(ModbusRTUOverTCP), string(TextSerial), string(TextTCP)}
	if !v.require("kind", either(kinds)) {
		return r.skipBus(v, b)
	}
	if b.Kind = BusKind(v.choice("kind", kinds...)); b.Kind == "" {
		return r.skipBus(v, b)
	}
	v.when = "modbus"
	if b.Text() {
		v.when = "text"
	}
	if b.OnSerialPort() {
		b.Serial = r.serial(v, b.Kind)
		if v.has("usb") {
			b.USB = usb(v)
			v.refuse("usb says which port", "address")
		} else if v.require("address", `the port's name such as "/dev/ttyUSB0" or "COM3", or in its place usb: VID:PID:SERIAL`) {
			b.Address = v.name("address")
			key := "serial port\x00" + b.Address
			if first := r.named[key]; first != nil && b.Address != "" {
				v.where("address").fault("%q is already the port of the bus in line %d; a port has one bus", b.Address, first.line)
			}
			r.named[key] = v.where("address")
		}
	} else {
		v.refuse("a "+string(b.Kind)+" bus has no serial port", "serial", "usb")
		if v.require("address", `host:port such as "192.168.0.10:502"`) {
			b.Address = tcpAddress(v)
		}
	}
	if b.Kind == ModbusRTU || b.Kind == ModbusRTUOverTCP {
		b.Listen = v.flag("listen")
	} else {
		v.refuse("only on a Modbus RTU line can another master be listened to", "listen")
	}
	b.TimeoutS = v.quantity("timeout", Time, positive, between(Time, 0.001, 60))

	units := map[int]*value{}
	silent := false // some device has no poll string
	for _, dv := range r.list(v, "devices", "at least one device") {
		d, hasUnit := r.device(dv, &b)
		if first := units[d.Unit]; hasUnit && first != nil {
			dv.where("unit").fault("%d is already the unit id of the device in line %d", d.Unit, first.line)
		} else if hasUnit {
			units[d.Unit] = dv
		}
		if d.TurnaroundS >= b.TimeoutS {
			dv.where("turnaround").fault("%s is not below the timeout of its bus, %s: each answer would count as lost",
				Time.Format(d.TurnaroundS), Time.Format(b.TimeoutS))
		}
		if silent = silent || d.Line.Poll == ""; b.Text() && silent && len(b.Devices) > 0 {
			dv.fault("shares a bus with another device, and one of the two sends without being asked; give both a line.poll, or each a bus")
		}
		b.Devices = append(b.Devices, d)
	}
	return b
}

// skipBus marks as known what is not read because the kind of bus is unknown: one fault is
// enough.
func (r *rigReader) skipBus(v *value, b Bus) Bus {
	r.unread = true
	v.known = append(v.known, v.keys...)
	return b
}

// usb returns the marks of the adapter under the key usb.
func usb(v *value) USB {
	text := v.name("usb")
	m := usbMarks.FindStringSubmatch(text)
	if m == nil {
		if text != "" {
			v.where("usb").fault(`%q is no USB adapter; want VID:PID or VID:PID:SERIAL such as "0403:6001:A10K2B", as "griptrial find" lists them`, text)
		}
		return USB{}
	}
	return USB{strings.ToUpper(m[1]), strings.ToUpper(m[2]), m[3]}
}

var usbMarks = regexp.MustCompile(`^([0-9A-Fa-f]{4}):([0-9A-Fa-f]{4})(?::(\S+))?$`)

// tcpAddress returns the host:port under the key address, "" where it is faulty.
func tcpAddress(v *value) string {
	address := v.name("address")
	if address == "" {
		return ""
	}
	host, port, err := net.SplitHostPort(address)
	n, perr := strconv.Atoi(port)
	switch {
	case err != nil || host == "" || strings.ContainsAny(host, " /"):
		v.where("address").fault(`%q is no host:port; want one such as "192.168.0.10:502"`, address)
	case perr != nil || n < 1 || n > 65535:
		v.where("address").fault("port %q is impossible; want 1 to 65535", port)
	default:
		return address
	}
	return ""
}

func (r *rigReader) serial(v *value, kind BusKind) Serial {
	const want = "a mapping such as {baud: 19200, parity: even}"
	if !v.require("serial", want) {
		return Serial{}
	}
	s := v.mapping("serial", want)
	if s == nil {
		return Serial{}
	}
	var out Serial
	if s.require("baud", "a rate such as 19200") {
		if baud, ok := s.integer("baud", bauds[0], bauds[len(bauds)-1]); ok {
			if !slices.Contains(bauds, baud) {
				s.where("baud").fault("%d is no usual rate; want one such as 9600, 19200, 38400, 57600 or 115200", baud)
			}
			out.Baud = baud
		}
	}
	out.Parity = s.choice("parity", "even", "odd", "none")
	switch {
	case out.Parity != "none":
		s.when = "parity"
	case kind == TextSerial:
		s.when = "no parity, text"
	default:
		s.when = "no parity, modbus"
		s.require("stop_bits", "1 or 2: without parity the standard says 2, and many devices use 1")
	}
	out.StopBits, _ = s.integer("stop_bits", 1, 2)
	if kind == ModbusRTU {
		out.TrueSilence = s.choice("silence", "recommended", "3.5 characters") == "3.5 characters"
	}
	s.finish()
	return out
}

// device returns a device of bus b, and whether it has a Modbus unit id.
func (r *rigReader) device(v *value, b *Bus) (d Device, hasUnit bool) {
	d = Device{Name: r.name(v, "device"), IntervalS: math.NaN()}
	d.TurnaroundS = v.quantity("turnaround", Time, notNegative)
	if b.Text() {
		v.refuse("a text device has no Modbus unit id", "unit")
		if v.require("line", `a mapping such as {separator: ";"}`) {
			if l := v.mapping("line", `a mapping such as {separator: ";"}`); l != nil {
				d.Line = readLine(l)
			}
		}
		if d.Line.Poll == "" {
			v.refuse("a device without line.poll sends when it likes; state the channels' update instead", "interval")
		} else {
			v.when = "polled text"
			d.IntervalS = v.quantity("interval", Time, positive, between(Time, 0.001, 3600))
		}
	} else {
		v.refuse("a "+string(b.Kind)+" device sends no text lines", "line")
		switch b.Kind {
		case ModbusTCP:
			v.when = "modbus-tcp"
			d.Unit, hasUnit = v.integer("unit", 0, 255)
		default: // 0 is broadcast, which nobody answers; 248 to 255 are reserved
			v.when = "serial modbus"
			if v.require("unit", "the device's address on the line, 1 to 247") {
				d.Unit, hasUnit = v.integer("unit", 1, 247)
			}
		}
		if b.Listen {
			v.refuse("the other master polls when it likes; state the channels' update instead", "interval")
		} else {
			d.IntervalS = v.quantity("interval", Time, positive, between(Time, 0.001, 3600))
		}
	}
	for _, cv := range r.list(v, "channels", "at least one channel") {
		d.Channels = append(d.Channels, r.channel(cv, b, &d))
		cv.finish()
	}
	v.finish()
	return d, hasUnit
}

func readLine(v *value) Line {
	l := Line{Poll: v.raw("poll"), Terminator: v.raw("terminator"), Separator: v.raw("separator"), Pattern: v.raw("pattern")}
	l.Checksum = v.choice("checksum", "none", "xor", "sum", "crc16")
	if strings.ContainsFunc(l.Poll, func(r rune) bool { return r > unicode.MaxASCII }) {
		v.where("poll").fault(`%+q holds more than ASCII: to YAML "\x9a" is a letter, not a byte; want characters up to "\x7f"`, l.Poll)
	} else if why := ModbusFrame([]byte(l.Poll)); why != "" {
		v.where("poll").fault("%q is %s, which might write to a device; griptrial only reads", l.Poll, why)
	}
	if v.has("poll") && l.Poll == "" && v.at["poll"].kind == word {
		v.where("poll").fault("empty; leave it out for a device that sends without being asked")
	}
	if l.Terminator == "" && v.has("terminator") && v.at["terminator"].kind == word {
		v.where("terminator").fault(`empty; want the characters that end a line such as "\r\n"`)
	}
	switch {
	case v.has("separator") && v.has("pattern"):
		v.where("pattern").fault("stated beside separator; want one of the two")
	case !v.has("separator") && !v.has("pattern"):
		v.fault("neither separator nor pattern stated; want one of the two")
	case v.has("separator") && l.Separator == "" && v.at["separator"].kind == word:
		v.where("separator").fault(`empty; want the characters between columns such as ";"`)
	}
	if l.Pattern != "" {
		if _, err := regexp.Compile(l.Pattern); err != nil {
			v.where("pattern").fault("no regular expression: %s", strings.Join(strings.Fields(err.Error()), " "))
		}
	}
	v.finish()
	return l
}

// channel reads a channel of device d, whose own keys are read already.
func (r *rigReader) channel(v *value, b *Bus, d *Device) Channel {
	nan := math.NaN()
	var c Channel
	c.Channel = sample.Channel{Name: r.name(v, "channel"), Scale: 1, OnAbove: nan, Resolution: nan, Accuracy: nan, IntervalS: d.IntervalS}
	c.UpdateS = v.quantity("update", Time, positive)
	c.LagS = v.quantity("lag", Time, notNegative)

	kinds := make([]string, len(sample.Kinds))
	for i, k := range sample.Kinds {
		kinds[i] = string(k)
	}
	known := v.require("kind", either(kinds))
	if known {
		c.Kind = sample.Kind(v.choice("kind", kinds...))
		known = c.Kind != ""
	}
	c.Station = v.name("station")
	r.unread = r.unread || c.Kind == sample.Vacuum && r.named["station\x00"+c.Station] == nil
	r.refer(v, "station", "station", c.Station)
	if !known {
		r.unread = true
		v.known = append(v.known, v.keys...)
		return c
	}
	if c.Kind == sample.Vacuum {
		v.require("station", "the name of the station whose vacuum it is")
		if v.require("at", "cup, manifold or engine: where the transducer sits") {
			c.At = v.choice("at", "cup", "manifold", "engine")
		}
	} else {
		v.refuse("only a vacuum channel says where its transducer sits", "at")
	}
	if c.Station != "" || !v.has("station") {
		key := c.Station + "\x00" + string(c.Kind)
		if first := r.read[key]; first != nil {
			whose := "the whole rig"
			if c.Station != "" {
				whose = fmt.Sprintf("station %q", c.Station)
			}
			v.where("kind").fault("%s has a %s channel already, in line %d; want one", whose, c.Kind, first.line)
		} else {
			r.read[key] = v
		}
	}

	kind := reading{} // nothing known of it: a fault is noted
	if b.Text() {
		v.refuse("a text device has no registers", "register")
		kind, c.Field = textField(v, d)
	} else {
		v.refuse("a Modbus device has registers", "field")
		const want = "a mapping such as {table: input, address: 0, type: i16}"
		if v.require("register", want) {
			if rv := v.mapping("register", want); rv != nil {
				kind, c.Register = readRegister(rv)
			}
		}
	}
	if c.Kind.Switched() {
		switched(v, &c, kind)
	} else {
		r.scale(v, &c, kind)
	}
	return c
}

// A reading is what kind of number comes from a register or a line.
type reading struct {
	known  bool    // false: its type is faulty, so that nothing can be said
	bit    bool    // 0 or 1
	whole  bool    // no fraction
	lo, hi float64 // limits of the number
}

// textField returns the field that a text device's channel reads.
func textField(v *value, d *Device) (reading, string) {
	if !v.require("field", "the number of a column from 1, or the name of a group in line.pattern") {
		return reading{}, ""
	}
	field := v.name("field")
	if field == "" {
		return reading{}, ""
	}
	if d.Line.Pattern != "" {
		pattern, err := regexp.Compile(d.Line.Pattern)
		if err != nil {
			return reading{}, field // noted already
		}
		if pattern.SubexpIndex(field) < 0 {
			var groups []string
			for _, g := range pattern.SubexpNames() {
				if g != "" {
					groups = append(groups, g)
				}
			}
			if len(groups) == 0 {
				v.where("field").fault("line.pattern names no group; write %s where the number stands", fmt.Sprintf("(?P<%s>…)", "flow"))
			} else {
				v.where("field").fault("%q is no group of line.pattern%s; want %s", field, didYouMean(field, groups), either(groups))
			}
			return reading{}, field
		}
	} else if d.Line.Separator != "" {
		if _, ok := v.integer("field", 1, 1000); !ok {
			return reading{}, field
		}
	}
	return reading{known: true, lo: math.Inf(-1), hi: math.Inf(1)}, field
}

// readRegister returns where a value lies and what kind of number it is.
func readRegister(v *value) (reading, Register) {
	var reg Register
	defer v.finish()
	ok := v.require("table", "holding, input, coil or discrete")
	if ok {
		reg.Table = Table(v.choice("table", "holding", "input", "coil", "discrete"))
		ok = reg.Table != ""
	}
	v.known = append(v.known, "type", "bit", "order")
	if v.require("address", "the address on the wire, from 0") {
		a := v.at["address"]
		if n, err := strconv.Atoi(a.text); err == nil && n > 65535 && a.kind == number {
			a.fault("%d is impossible; want the address on the wire, from 0 to 65535 (a manual's 400001 is table holding, address 0)", n)
		} else {
			reg.Address, _ = v.integer("address", 0, 65535)
		}
	}
	if !ok {
		return reading{}, reg
	}
	bit := reading{known: true, bit: true, whole: true, lo: 0, hi: 1}
	if reg.Table == Coil || reg.Table == Discrete {
		v.refuse(fmt.Sprintf("a %s is one bit", reg.Table), "type", "bit", "order")
		reg.Type = "bit"
		return bit, reg
	}
	if v.has("bit") {
		if v.has("type") && v.choice("type", "bit") == "" {
			return reading{}, reg
		}
		reg.Type = "bit"
		reg.Bit, _ = v.integer("bit", 0, 15)
	} else {
		if !v.require("type", "u16, i16, u32, i32 or f32, or beside it a bit from 0 to 15") {
			return reading{}, reg
		}
		if reg.Type = v.choice("type", "u16", "i16", "u32", "i32", "f32", "bit"); reg.Type == "" {
			return reading{}, reg
		}
		if reg.Type == "bit" {
			v.require("bit", "the number of the bit, from 0 at the least significant to 15")
		}
	}
	if reg.Registers() == 2 {
		if v.require("order", "ABCD, CDAB, BADC or DCBA: the standard fixes no word order") {
			reg.Order = v.choice("order", "ABCD", "CDAB", "BADC", "DCBA")
		}
		if reg.Address == 65535 {
			v.where("address").fault("%s takes two registers, and 65535 is the last; want 0 to 65534", reg.Type)
		}
	} else {
		v.when = "16 bits"
		reg.Order = v.choice("order", "AB", "BA")
	}
	switch reg.Type {
	case "u16":
		return reading{known: true, whole: true, lo: 0, hi: math.MaxUint16}, reg
	case "i16":
		return reading{known: true, whole: true, lo: math.MinInt16, hi: math.MaxInt16}, reg
	case "u32":
		return reading{known: true, whole: true, lo: 0, hi: math.MaxUint32}, reg
	case "i32":
		return reading{known: true, whole: true, lo: math.MinInt32, hi: math.MaxInt32}, reg
	case "f32":
		return reading{known: true, lo: -math.MaxFloat32, hi: math.MaxFloat32}, reg
	}
	return bit, reg
}

// Registers returns how many registers, coils or discrete inputs the value takes: 1 or 2.
func (g Register) Registers() int {
	switch g.Type {
	case "u32", "i32", "f32":
		return 2
	}
	return 1
}

// checkStations notes what a station lacks or has too much of.
func (r *rigReader) checkStations() {
	for i := range r.rig.Stations {
		s, v := &r.rig.Stations[i], r.stations[i]
		if s.Name == "" {
			continue
		}
		if !r.unread && r.read[s.Name+"\x00"+string(sample.Vacuum)] == nil {
			v.where("name").fault("station %q has no vacuum channel; want one with \"station: %s\"", s.Name, s.Name)
		}
		if math.IsNaN(s.ReleasePulseS) {
			continue
		}
		if !r.unread && r.read[s.Name+"\x00"+string(sample.Release)] == nil && r.read["\x00"+string(sample.Release)] == nil {
			v.keyAt["release_pulse"].fault("has no place here: station %q has no release channel", s.Name)
			continue
		}
		for p := range r.rig.Channels() {
			if p.Channel.Kind == sample.Release && (p.Channel.Station == s.Name || p.Channel.Station == "") {
				if err := CheckReleasePulse(s.ReleasePulseS, p.Channel.SamplingS()); err != nil {
					v.where("release_pulse").fault("%v", err)
					break
				}
			}
		}
	}
}

// CheckReleasePulse returns an error where a release command of pulseS seconds is shorter
// than two sampling intervals of its channel, so that a poll may miss it. It is nil where
// either is NaN: nothing can be said.
func CheckReleasePulse(pulseS, samplingS float64) error {
	if pulseS < 2*samplingS {
		return fmt.Errorf("a release pulse of %s is shorter than two sampling intervals of %s: a poll may miss it; make it %s or longer, or poll faster",
			Time.Format(pulseS), Time.Format(samplingS), Time.Format(2*samplingS))
	}
	return nil
}
