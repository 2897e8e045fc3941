package config

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

// A small whole rig that tests change.
const baseRig = `name: bench
stations:
  - name: left
buses:
  - name: block
    kind: modbus-tcp
    address: 127.0.0.1:502
    devices:
      - name: io
        channels:
          - name: p
            kind: vacuum
            station: left
            at: cup
            reads: gauge
            register: {table: input, address: 0, type: i16}
            scale: -0.1 kPa
`

// The same for a text device.
const textRig = `name: bench
stations:
  - name: left
buses:
  - name: line
    kind: text-serial
    address: /dev/ttyUSB0
    serial: {baud: 9600}
    devices:
      - name: sensor
        line: {separator: ";"}
        channels:
          - name: p
            kind: vacuum
            station: left
            at: cup
            reads: gauge
            field: 2
            scale: -1 kPa
            resolution: 0.1 kPa
`

// rigText returns baseRig with each old text replaced by the new one after it.
func rigText(t *testing.T, oldNew ...string) string {
	t.Helper()
	return changed(t, baseRig, oldNew...)
}

func changed(t *testing.T, text string, oldNew ...string) string {
	t.Helper()
	for i := 0; i < len(oldNew); i += 2 {
		require.Contains(t, text, oldNew[i], "the text to change")
		text = strings.Replace(text, oldNew[i], oldNew[i+1], 1)
	}
	return text
}

// unmark takes the marks ‸ out of text and returns where they stood, as line:column.
func unmark(text string) (plain string, places []string) {
	line, column := 1, 1
	var b strings.Builder
	for _, r := range text {
		switch r {
		case '‸':
			places = append(places, fmt.Sprintf("%d:%d", line, column))
			continue
		case '\n':
			line, column = line+1, 0
		}
		column++
		b.WriteRune(r)
	}
	return b.String(), places
}

// assertFaults checks that err is the faults want, in file order, at the marked places. Two
// faults may stand at one mark.
func assertFaults(t *testing.T, err error, file string, places, want []string) {
	t.Helper()
	require.Error(t, err)
	var faults Faults
	require.True(t, errors.As(err, &faults), "%T", err)
	lines := strings.Split(err.Error(), "\n")
	require.Len(t, lines, len(faults), "a fault is one line:\n%v", err)
	var got, gotPlaces []string
	for _, f := range faults {
		got = append(got, strings.TrimPrefix(f.Error(), fmt.Sprintf("%s:%d:%d: ", file, f.Line, f.Column)))
		gotPlaces = append(gotPlaces, fmt.Sprintf("%d:%d", f.Line, f.Column))
	}
	assert.Equal(t, want, got, "%v", err)
	assert.Equal(t, places, slices.Compact(gotPlaces), "places of\n%v", err)
}

func TestRigFaults(t *testing.T) {
	const (
		channel  = "buses[0].devices[0].channels[0]"
		second   = "buses[0].devices[0].channels[1]"
		scale    = "scale: -0.1 kPa"
		register = "register: {table: input, address: 0, type: i16}"
		tcp      = "kind: modbus-tcp\n    address: 127.0.0.1:502\n"
		end      = "            scale: -0.1 kPa\n"
	)
	for _, c := range []struct {
		name   string
		change []string // of baseRig; ‸ marks where each fault must be found
		want   []string
	}{
		{"unknown key, near", []string{"address: 127", "‸adress: 127", "  - name: block", "  - ‸name: block"}, []string{
			`buses[0].address: not stated; want host:port such as "192.168.0.10:502"`,
			`buses[0].adress: unknown key (did you mean "address"?)`}},
		{"unknown key, far", []string{"name: bench", "name: bench\n‸zebra: 1"}, []string{
			"zebra: unknown key, known are ambient, buses, engines, name, stations"}},
		{"key twice", []string{"at: cup", "at: cup\n            ‸at: engine"}, []string{
			channel + ".at: written twice, first in line 14"}},
		{"text for a list", []string{"stations:\n  - name: left", "stations: ‸left"}, []string{
			`stations: found "left"; want a list: at least one station such as {name: left}`}},
		{"list for a text", []string{"name: bench", "name: ‸[bench]"}, []string{"name: found a list; want a text"}},
		{"empty list", []string{"stations:\n  - name: left", "stations: ‸[]"}, []string{
			"stations: empty; want at least one station such as {name: left}"}},
		{"text for a mapping", []string{"  - name: left", "  - ‸left"}, []string{
			`stations[0]: found "left"; want at least one station such as {name: left}`,
		}},
		{"nothing", []string{"name: bench", "name:‸"}, []string{"name: found nothing; want a text"}},
		{"no flag", []string{"- name: left", "- name: left\n    hand_held: ‸yes"}, []string{
			`stations[0].hand_held: found "yes"; want true or false`}},
		{"anchor", []string{"at: cup", "at: ‸&where cup"}, []string{channel + ".at: YAML's anchor is not read here; write the value out"}},
		{"tag", []string{"at: cup", "at: ‸!!str cup"}, []string{channel + ".at: YAML's tag is not read here; write the value out"}},
		{"tab", []string{"  - name: left", "‸\t- name: left"}, []string{"not valid YAML: found character 'tab' that cannot start any token"}},
		{"second document", []string{"name: bench", "name: bench\n---\nname‸: b"}, []string{"not valid YAML: a second document begins here; want one in a file"}},
		{"control character in a name", []string{"name: bench", `name: ‸"a\tb"`}, []string{
			`name: found "a\tb"; want one line of 1 to 100 printable characters`}},
		{"after letters of two bytes", []string{"  - name: left", "  - {name: left, ‸größe: 1}"}, []string{
			"stations[0].größe: unknown key, known are blank_leak, blank_leak_u, drop_level, engine, hand_held, idle_band, name, persist, release_pulse, remove_idle_level, seal_limit, specific_energy, specific_energy_u, supply_before_contact, supply_off, volume, volume_u"}},
		{"column after letters of two bytes", []string{"  - name: left", "  - {engine: ‸größe, name: left}"}, []string{
			`stations[0].engine: "größe" is unknown: the rig file names no engine`}},

		{"no unit", []string{scale, "scale: ‸10"}, []string{channel + ".scale: 10 has no unit; kPa, mbar, bar … are allowed"}},
		{"no unit, quoted", []string{scale, `scale: ‸"10"`}, []string{channel + ".scale: 10 has no unit; kPa, mbar, bar … are allowed"}},
		{"decimal comma", []string{scale, "scale: ‸-0,1 kPa"}, []string{
			channel + `.scale: -0,1 kPa has a comma in its number; write a decimal point, and nothing between thousands: "10 kPa"`}},
		{"decimal comma in braces", []string{"  - name: left", "  - {name: left, volume: ‸0,‸4 L}"}, []string{
			"stations[0].volume: 0 has no unit; L, mL, cm3 … are allowed",
			"stations[0].4 L: unknown key (a decimal comma? write a decimal point)"}},
		{"decimal comma in brackets", []string{scale, "scale: {raw: [0, 1], value: ‸[0 kPa, -100,5 kPa]}"}, []string{
			channel + `.scale.value: found 3 values (a decimal comma? write a decimal point); want two values, at those readings, each a pressure such as "10 kPa"`}},
		{"several at once", []string{"name: left", "name: left\n    volume: ‸0 L\n    persist: ‸-20 ms", scale, "scale: ‸0 kPa"}, []string{
			"stations[0].volume: 0 L is impossible; want more than 0",
			"stations[0].persist: -20 ms is impossible; want more than 0",
			channel + ".scale: 0 kPa for each count makes every value the same; want another"}},

		{"kind of bus", []string{"modbus-tcp", "‸modbus-tpc"}, []string{
			`buses[0].kind: "modbus-tpc" is unknown (did you mean "modbus-tcp"?); want modbus-tcp, modbus-rtu, modbus-rtu-over-tcp, text-serial or text-tcp`}},
		{"no port", []string{"127.0.0.1:502", "‸127.0.0.1"}, []string{`buses[0].address: "127.0.0.1" is no host:port; want one such as "192.168.0.10:502"`}},
		{"port 0", []string{"127.0.0.1:502", "‸127.0.0.1:0"}, []string{`buses[0].address: port "0" is impossible; want 1 to 65535`}},
		{"port 65536", []string{"127.0.0.1:502", "‸127.0.0.1:65536"}, []string{`buses[0].address: port "65536" is impossible; want 1 to 65535`}},
		{"serial port on TCP", []string{"    devices:", "    ‸serial: {baud: 9600}\n    devices:"}, []string{
			"buses[0].serial: has no place here: a modbus-tcp bus has no serial port"}},
		{"baud, parity, unit", []string{tcp, "kind: modbus-rtu\n    address: COM3\n    serial: ‸{baud: ‸9660, parity: none}\n", "- name: io", "- ‸name: io"}, []string{
			"buses[0].serial.stop_bits: not stated; want 1 or 2: without parity the standard says 2, and many devices use 1",
			"buses[0].serial.baud: 9660 is no usual rate; want one such as 9600, 19200, 38400, 57600 or 115200",
			"buses[0].devices[0].unit: not stated; want the device's address on the line, 1 to 247"}},
		{"unit 0 on a serial line", []string{tcp, "kind: modbus-rtu\n    address: COM3\n    serial: {baud: 9600}\n", "- name: io", "- name: io\n        unit: ‸0"}, []string{
			"buses[0].devices[0].unit: 0 is impossible; want a whole number from 1 to 247"}},
		{"unit 248 on a serial line", []string{tcp, "kind: modbus-rtu-over-tcp\n    address: a:1\n", "- name: io", "- name: io\n        unit: ‸248"}, []string{
			"buses[0].devices[0].unit: 248 is impossible; want a whole number from 1 to 247"}},
		{"unit 256", []string{"- name: io", "- name: io\n        unit: ‸256"}, []string{
			"buses[0].devices[0].unit: 256 is impossible; want a whole number from 0 to 255"}},
		{"unit twice", []string{end, end + "      - ‸name: io 2\n        channels:\n          - {name: s, kind: supply, register: {table: coil, address: 0}}\n"}, []string{
			"buses[0].devices[1].unit: 255 is already the unit id of the device in line 9"}},
		{"negative interval", []string{"- name: io", "- name: io\n        interval: ‸-10 ms"}, []string{
			"buses[0].devices[0].interval: -10 ms is impossible; want more than 0"}},
		{"interval too short", []string{"- name: io", "- name: io\n        interval: ‸0.1 ms"}, []string{
			"buses[0].devices[0].interval: 0.1 ms is impossible; want 1 ms to 60 min"}},
		{"turnaround longer than timeout", []string{"- name: io", "- name: io\n        turnaround: ‸200 ms"}, []string{
			"buses[0].devices[0].turnaround: 200 ms is not below the timeout of its bus, 200 ms: each answer would count as lost"}},
		{"no devices", []string{"- name: block", "- ‸name: block", "    devices:", "    ‸device:"}, []string{
			"buses[0].devices: not stated; want at least one device",
			`buses[0].device: unknown key (did you mean "devices"?)`}},

		{"kind of channel", []string{"kind: vacuum", "kind: ‸vaccum"}, []string{
			channel + `.kind: "vaccum" is unknown (did you mean "vacuum"?); want vacuum, flow, power, air, air_pressure, supply, release, touch, carried or part_present`}},
		{"unknown station", []string{"station: left", "station: ‸lefft"}, []string{
			channel + `.station: "lefft" is no station of the rig file (did you mean "left"?)`}},
		{"unknown engine", []string{"  - name: left", "  - name: left\n    engine: ‸pump", "name: bench", "name: bench\nengines:\n  - {name: blower, kind: blower}"}, []string{
			`stations[0].engine: "pump" is no engine of the rig file; want blower`}},
		{"station without vacuum", []string{"  - name: left", "  - name: left\n  - name: ‸right"}, []string{
			`stations[1].name: station "right" has no vacuum channel; want one with "station: right"`}},
		{"two vacuum channels", []string{end, end + "          - {name: q, kind: ‸vacuum, station: left, at: cup, reads: gauge, register: {table: input, address: 1, type: i16}, scale: -0.1 kPa}\n"}, []string{
			second + `.kind: station "left" has a vacuum channel already, in line 11; want one`}},
		{"two channels of one name", []string{end, end + "          - {name: ‸p, kind: supply, station: left, register: {table: coil, address: 1}}\n"}, []string{
			second + `.name: "p" is already the name of the channel in line 11`}},
		{"two stations of one name", []string{"  - name: left", "  - name: left\n  - name: ‸left"}, []string{
			`stations[1].name: "left" is already the name of the station in line 3`}},
		{"at on a flow channel", []string{end, end + "          - {name: q, kind: flow, ‸at: cup, register: {table: input, address: 1, type: i16}, scale: 1 L/min ANR}\n"}, []string{
			second + ".at: has no place here: only a vacuum channel says where its transducer sits"}},
		{"litres of no state", []string{end, end + "          - {name: q, kind: flow, register: {table: input, address: 1, type: i16}, scale: ‸1 L/min}\n"}, []string{
			second + `.scale: 1 L/min: "L/min" is refused: it does not say of which state: write L/min ANR (20 °C, 100 kPa, ISO 8778) or NL/min (0 °C, 101.325 kPa, DIN 1343)`}},

		{"table and type", []string{register, "register: ‸{table: coil, address: 0, ‸type: u16}"}, []string{
			channel + ".register: a vacuum channel cannot be read from one bit",
			channel + ".register.type: has no place here: a coil is one bit"}},
		{"no word order", []string{register, "register: ‸{table: input, address: 0, type: u32}"}, []string{
			channel + ".register.order: not stated; want ABCD, CDAB, BADC or DCBA: the standard fixes no word order"}},
		{"order of 32 bits for 16", []string{"type: i16", "type: i16, order: ‸ABCD"}, []string{
			channel + `.register.order: "ABCD" is unknown; want AB or BA`}},
		{"address of a manual", []string{"address: 0", "address: ‸400001"}, []string{
			channel + ".register.address: 400001 is impossible; want the address on the wire, from 0 to 65535 (a manual's 400001 is table holding, address 0)"}},
		{"address 65536", []string{"address: 0", "address: ‸65536"}, []string{
			channel + ".register.address: 65536 is impossible; want the address on the wire, from 0 to 65535 (a manual's 400001 is table holding, address 0)"}},
		{"negative address", []string{"address: 0", "address: ‸-1"}, []string{channel + ".register.address: -1 is impossible; want a whole number from 0 to 65535"}},
		{"leading zero", []string{"address: 0", "address: ‸010"}, []string{channel + ".register.address: found 010; want a whole number from 0 to 65535"}},
		{"two registers at the end", []string{"address: 0, type: i16", "address: ‸65535, type: i32, order: ABCD"}, []string{
			channel + ".register.address: i32 takes two registers, and 65535 is the last; want 0 to 65534"}},
		{"bit 16", []string{end, end + "          - {name: s, kind: supply, register: {table: input, address: 1, bit: ‸16}}\n"}, []string{
			second + ".register.bit: 16 is impossible; want a whole number from 0 to 15"}},
		{"level of a switched register", []string{end, end + "          - ‸{name: s, kind: supply, register: {table: input, address: 1, type: u16}}\n"}, []string{
			second + ".on_above: not stated; want the reading above which it is on, a plain number"}},
		{"level out of reach", []string{end, end + "          - {name: s, kind: supply, register: {table: input, address: 1, type: u16}, on_above: ‸65535}\n"}, []string{
			second + ".on_above: 65535 is impossible; the reading lies between 0 and 65535"}},
		{"level of a bit", []string{end, end + "          - {name: s, kind: supply, register: {table: coil, address: 1}, ‸on_above: 0.5}\n"}, []string{
			second + ".on_above: has no place here: a bit is on where it is 1; want invert: true for the other way round"}},

		{"float without resolution", []string{"type: i16", "type: f32, order: ABCD", "- name: p", "- ‸name: p"}, []string{
			channel + ".resolution: not stated; want the smallest step worth keeping: such readings are stored as whole numbers of it"}},
		{"resolution below a count", []string{end, end + "            resolution: ‸0.09 kPa\n"}, []string{
			channel + ".resolution: 0.09 kPa is below one count, 0.1 kPa; want that or more"}},
		{"raw out of reach", []string{scale, "scale: {raw: [0, ‸65535], value: [0 kPa, -100 kPa]}"}, []string{
			channel + ".scale.raw[1]: 65535 is impossible; the reading lies between -32768 and 32767"}},
		{"one point", []string{scale, "scale: {raw: ‸[5, 5], value: [0 kPa, -100 kPa]}"}, []string{
			channel + ".scale.raw: both points are the same; want two different ones"}},
		{"half a scale", []string{scale, "scale: ‸{raw: [0, 5]}"}, []string{
			channel + `.scale.value: not stated; want two values, at those readings, each a pressure such as "10 kPa"`}},
		{"gauge with positive values", []string{scale, "scale: {raw: [0, 5], value: ‸[0 kPa, 100 kPa]}"}, []string{
			channel + `.scale.value: "reads: gauge" is negative below ambient, and no value here is; want negative values or "reads: vacuum"`}},
		{"vacuum with negative values", []string{scale, "scale: {raw: [0, 5], value: ‸[0 kPa, -100 kPa]}", "gauge", "vacuum"}, []string{
			channel + `.scale.value: "reads: vacuum" is positive below ambient, and no value here is; want positive values or "reads: gauge"`}},
		{"absolute without ambient", []string{"reads: gauge", "reads: ‸absolute"}, []string{
			channel + `.reads: absolute needs the pressure around; want a line such as "ambient: 1013 hPa" at the top of the file`}},
		{"ambient of another place", []string{"name: bench", "name: bench\nambient: ‸1013 bar"}, []string{
			"ambient: 1013 bar is impossible; want 50 kPa to 110 kPa"}},
		{"mixed signals", []string{scale, "scale: {raw: [0, 5], value: [0 kPa, -100 kPa], signal: [0 V, 10 V], sensor: [‸4 mA, 5 V]}"}, []string{
			channel + `.scale.sensor[0]: 4 mA: "mA" is no unit of voltage; V, mV are allowed`}},
		{"accuracy of no span", []string{end, end + "            accuracy: ‸1 % of span\n"}, []string{
			channel + `.accuracy: 1 % of span: "% of span" needs a scale of two points`}},
		{"accuracy of a span in another unit", []string{end, end + "            accuracy: 1 % of span\n", scale, "scale: {raw: [0, 5], value: [0 kPa, ‸-100 L]}"}, []string{
			channel + `.scale.value[1]: -100 L: "L" is no unit of pressure; kPa, mbar, bar … are allowed`}},
		{"accuracy of a span of another sign", []string{end, end + "            accuracy: 1 % of span\n", scale, "scale: {raw: [0, 5], value: ‸[0 kPa, 100 kPa]}"}, []string{
			channel + `.scale.value: "reads: gauge" is negative below ambient, and no value here is; want negative values or "reads: vacuum"`}},

		{"release pulse", []string{"- name: left", "- name: left\n    release_pulse: ‸19.9 ms", end, end + "          - {name: r, kind: release, station: left, register: {table: coil, address: 1}}\n"}, []string{
			"stations[0].release_pulse: a release pulse of 19.9 ms is shorter than two sampling intervals of 10 ms: a poll may miss it; make it 20 ms or longer, or poll faster"}},
		{"release pulse of no channel", []string{"- name: left", "- name: left\n    ‸release_pulse: 1 s"}, []string{
			`stations[0].release_pulse: has no place here: station "left" has no release channel`}},
		{"drop level in the idle band", []string{"- name: left", "- name: left\n    drop_level: ‸3 kPa"}, []string{
			"stations[0].drop_level: 3 kPa lies in the idle band of 3 kPa, where a pick has ended; want more"}},
		{"specific energy", []string{"- name: left", "- name: left\n    specific_energy: ‸120 kWh/m3"}, []string{
			"stations[0].specific_energy: 120 kWh/m3 is impossible; want 0.02 kWh/m3 to 1 kWh/m3"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			text, places := unmark(rigText(t, c.change...))
			require.NotEmpty(t, places, "a case marks its faults")
			rig, err := ParseRig("rig.yaml", []byte(text))
			assert.Nil(t, rig, "an error comes with no half result")
			assertFaults(t, err, "rig.yaml", places, c.want)

			// An editor's line ends change nothing.
			_, crlf := ParseRig("rig.yaml", []byte("\ufeff"+strings.ReplaceAll(text, "\n", "\r\n")))
			assert.EqualError(t, crlf, err.Error(), "with CRLF")
		})
	}
}

func TestTextDeviceFaults(t *testing.T) {
	const (
		device  = "buses[0].devices[0]"
		channel = device + ".channels[0]"
		line    = `line: {separator: ";"}`
	)
	for _, c := range []struct {
		name   string
		change []string
		want   []string
	}{
		{"register", []string{"field: 2", "‸register: {table: input, address: 0}", "- name: p", "- ‸name: p"}, []string{
			channel + ".field: not stated; want the number of a column from 1, or the name of a group in line.pattern",
			channel + ".register: has no place here: a text device has no registers"}},
		{"column 0", []string{"field: 2", "field: ‸0"}, []string{channel + ".field: 0 is impossible; want a whole number from 1 to 1000"}},
		{"column of no number", []string{"field: 2", "field: ‸vacuum"}, []string{channel + `.field: found "vacuum"; want a whole number from 1 to 1000`}},
		{"both ways", []string{line, `line: {separator: ";", pattern: ‸"(?P<a>.)"}`, "field: 2", "field: a"}, []string{
			device + ".line.pattern: stated beside separator; want one of the two"}},
		{"no way", []string{line, `line: ‸{terminator: "\n"}`}, []string{
			device + ".line: neither separator nor pattern stated; want one of the two"}},
		{"pattern broken", []string{line, `line: {pattern: ‸"("}`}, []string{
			device + ".line.pattern: no regular expression: error parsing regexp: missing closing ): `(`"}},
		{"group unknown", []string{line, `line: {pattern: "(?P<vacuum>.*)"}`, "field: 2", "field: ‸vacum"}, []string{
			channel + `.field: "vacum" is no group of line.pattern (did you mean "vacuum"?); want vacuum`}},
		{"no group", []string{line, `line: {pattern: ".*"}`, "field: 2", "field: ‸flow"}, []string{
			channel + ".field: line.pattern names no group; write (?P<flow>…) where the number stands"}},
		{"unit id", []string{line, line + "\n        ‸unit: 1"}, []string{device + ".unit: has no place here: a text device has no Modbus unit id"}},
		{"interval of a stream", []string{line, line + "\n        ‸interval: 1 s"}, []string{
			device + ".interval: has no place here: a device without line.poll sends when it likes; state the channels' update instead"}},
		{"two streams on a line", []string{"            resolution: 0.1 kPa\n", "            resolution: 0.1 kPa\n" +
			"      - ‸name: other\n        line: {separator: ;}\n        channels:\n          - {name: s, kind: supply, field: 1, on_above: 0.5}\n"}, []string{
			"buses[0].devices[1]: shares a bus with another device, and one of the two sends without being asked; give both a line.poll, or each a bus"}},
		{"a port twice", []string{"            resolution: 0.1 kPa\n", "            resolution: 0.1 kPa\n" +
			"  - name: line 2\n    kind: text-serial\n    address: ‸/dev/ttyUSB0\n    serial: {baud: 9600}\n    devices:\n" +
			"      - name: other\n        line: {separator: ;}\n        channels:\n          - {name: s, kind: supply, field: 1, on_above: 0.5}\n"}, []string{
			`buses[1].address: "/dev/ttyUSB0" is already the port of the bus in line 7; a port has one bus`}},
		{"poll writes a register", []string{line, `line: {separator: ";", poll: ‸"\x01\x06\x00\x01\x00\x05\x18\x09"}`}, []string{
			device + `.line.poll: "\x01\x06\x00\x01\x00\x05\x18\t" is a Modbus RTU frame, which might write to a device; griptrial only reads`}},
		{"poll beyond ASCII", []string{line, `line: {separator: ";", poll: ‸"\x9a"}`}, []string{
			device + `.line.poll: "\u009a" holds more than ASCII: to YAML "\x9a" is a letter, not a byte; want characters up to "\x7f"`}},
		{"poll of nothing", []string{line, `line: {separator: ";", poll: ‸""}`}, []string{
			device + ".line.poll: empty; leave it out for a device that sends without being asked"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			text, places := unmark(changed(t, textRig, c.change...))
			rig, err := ParseRig("rig.yaml", []byte(text))
			assert.Nil(t, rig)
			assertFaults(t, err, "rig.yaml", places, c.want)
		})
	}
}

func TestBrokenFiles(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"empty", "‸", "the file is empty; want a mapping with name, buses, stations"},
		{"comment only", "‸# rig\n", "the file is empty; want a mapping with name, buses, stations"},
		{"a list", "‸- a\n", "found a list; want a mapping with name, buses, stations"},
		{"a number", "‸5\n", `found 5; want a mapping with name, buses, stations`},
		{"bracket open", "a: ‸[\n", "not valid YAML: sequence end token ']' not found"},
		{"two colons", "a: ‸b: c\n", "not valid YAML: mapping value is not allowed in this context"},
		{"no UTF-8", "ü: a\nname: ‸\xff\n", "byte 0xff is no text; want UTF-8 without control characters"},
		{"zero byte", "name: a‸\x00\n", "byte 0x00 is no text; want UTF-8 without control characters"},
		{"brackets nested", "a: " + strings.Repeat("[", maxNesting) + "‸[", "not valid YAML: nested too deeply"},
		{"lists nested", strings.Repeat("- ", maxNesting) + "‸- a", "not valid YAML: nested too deeply"},
		{"a line of many tokens", "a: [" + strings.Repeat("1,", maxLevel/2-2) + "1‸,1]", "not valid YAML: the line is too long"},
		{"too many lines", strings.Repeat("a: 1\n", maxLevel) + "‸a: 1", "not valid YAML: more than 5000 lines at one level"},
		{"too many entries", "a:\n" + strings.Repeat("-\n", maxEntries) + "‸-", "not valid YAML: more than 50000 list entries"},
		{"too large", "‸" + strings.Repeat("# comment\n", maxTextBytes/10+1), "the file is larger than 512 KiB"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text, places := unmark(c.in)
			if c.name == "no UTF-8" { // ranging over the text would have replaced the byte
				text = strings.Replace(c.in, "‸", "", 1)
			}
			_, err := ParseRig("rig.yaml", []byte(text))
			assertFaults(t, err, "rig.yaml", places, []string{c.want})
		})
	}
	_, err := LoadRig(filepath.Join(t.TempDir(), "none.yaml"))
	assert.ErrorIs(t, err, os.ErrNotExist)
}

func loadRig(t testing.TB, name string) *Rig {
	t.Helper()
	rig, err := LoadRig(filepath.Join("..", "testdata", "rigs", name+".yaml"))
	require.NoError(t, err)
	return rig
}

func channelOf(t *testing.T, rig *Rig, name string) *Channel {
	t.Helper()
	for p := range rig.Channels() {
		if p.Channel.Name == name {
			return p.Channel
		}
	}
	require.Fail(t, "no such channel", name)
	return nil
}

func TestWorkedRigs(t *testing.T) {
	tcp, rtu, line := loadRig(t, "io-block-tcp"), loadRig(t, "rtu-transducers"), loadRig(t, "flow-text-line")
	nan := math.NaN()
	// A compound transducer, 8-20 mA for 0 to -100 kPa, and an absolute one for the air supply.
	mA, err := ParseRig("rig.yaml", []byte("ambient: 1013 hPa\n"+rigText(t, "scale: -0.1 kPa",
		"scale: {raw: [0, 27648], signal: [0 mA, 20 mA], sensor: [8 mA, 20 mA], value: [0 kPa, -100 kPa]}")+
		"          - {name: supply pressure, kind: air_pressure, reads: absolute, register: {table: input, address: 1, type: u16}, scale: 0.1 kPa}\n"))
	require.NoError(t, err)

	// Values at raw counts, worked out by hand from the ranges in the files.
	for _, c := range []struct {
		rig     *Rig
		channel string
		raw     int64
		want    float64
	}{
		{tcp, "left vacuum", 0, 0},
		{tcp, "left vacuum", 27648, 100},
		{tcp, "left vacuum", 13824, 50},
		{tcp, "left vacuum", -276, -0.998263889}, // 276/276.48: above ambient is negative
		{tcp, "right vacuum", 13824, 100},        // 5 V of 0-10 V
		{tcp, "right vacuum", 8294, 49.9963831},  // 8294/2764.8 V = 2.99985532 V, less 1 V, over 4 V
		{tcp, "left flow", 13824, 100},
		{tcp, "left air", 27648, 108.744001}, // 100 NL/min
		{tcp, "left air pressure", 13824, 500},
		{tcp, "right power", 8000, 800},
		{mA, "p", 11059, -0.00120563},        // (11059 / 27648 × 20 - 8) / 12 × 100: 8 mA is 0
		{mA, "p", 27648, 100},                // 20 mA
		{mA, "p", 5530, -33.3309221},         // the same way; below 8 mA is above ambient
		{mA, "supply pressure", 0, -101.3},   // absolute 0
		{mA, "supply pressure", 6000, 498.7}, // 600 kPa absolute
		{rtu, "vacuum", 9540, 0},             // 954.0 mbar absolute in a room of 954 hPa
		{rtu, "vacuum", 3540, 60},            // 354.0 mbar absolute
		{line, "vacuum", 600, 60},            // 0.1 kPa a count
		{line, "flow", 1235, 13.429884},      // 12.35 NL/min × 1.08744001
		{line, "flow", sample.Missing, nan},
	} {
		got := channelOf(t, c.rig, c.channel).Value(c.raw)
		if math.IsNaN(c.want) {
			assert.True(t, math.IsNaN(got), "%s at %d: %g", c.channel, c.raw, got)
			continue
		}
		assert.InDelta(t, c.want, got, 1e-6, "%s at %d", c.channel, c.raw) // the digits given above
	}

	p := channelOf(t, tcp, "left vacuum")
	assert.InDelta(t, 1, p.Accuracy, 1e-12, "1 % of a span of 100 kPa")
	assert.InDelta(t, 100.0/27648, p.Resolution, 1e-15, "one count")
	assert.Equal(t, Register{Table: Input, Type: "i16", Order: "AB"}, p.Register)
	assert.Equal(t, 0.005, p.SamplingS())
	f := channelOf(t, rtu, "vacuum")
	assert.Equal(t, Register{Table: Holding, Address: 16, Type: "f32", Order: "CDAB", Step: f.Register.Step}, f.Register)
	assert.InDelta(t, 0.1, f.Register.Step, 1e-15, "mbar, as the device sends it")
	assert.InDelta(t, 0.01, f.Resolution, 1e-15, "kPa")
	flow := channelOf(t, line, "flow")
	assert.Equal(t, "flow", flow.Field)
	assert.True(t, math.IsNaN(flow.IntervalS), "a device that streams is not polled")
	assert.Equal(t, 0.1, flow.SamplingS())

	touch, supply, level := channelOf(t, tcp, "right touch"), channelOf(t, tcp, "right supply"), channelOf(t, rtu, "touch")
	assert.True(t, touch.On(0) && !touch.On(1), "inverted")
	assert.True(t, supply.On(1) && !supply.On(0))
	assert.True(t, level.On(12001) && !level.On(12000) && !level.On(sample.Missing))

	assert.Equal(t, 0.4, tcp.Station("left").VolumeL)
	assert.True(t, rtu.Station("bench").SupplyOffHolds)
	assert.True(t, rtu.Station("bench").RemoveIdleLevel)
	assert.True(t, line.Station("bench").HandHeld)
	assert.True(t, math.IsNaN(line.AmbientKPa))
	assert.Nil(t, tcp.Station("middle"))
	assert.Equal(t, "ejector", tcp.Engine("small ejector").Kind)
	assert.Nil(t, tcp.Engine("pump"))
	assert.Equal(t, Serial{Baud: 38400, Parity: "even", StopBits: 1}, rtu.Buses[0].Serial)
	assert.Equal(t, Serial{Baud: 9600, Parity: "none", StopBits: 1}, line.Buses[1].Serial)
	assert.Equal(t, Line{Terminator: "\n", Pattern: `Q=(?P<flow>[+-]?\d+\.\d+);`, Checksum: "none"}, line.Buses[1].Devices[0].Line)

	n := 0
	for p := range tcp.Channels() {
		assert.Equal(t, "block", p.Bus.Name)
		assert.Equal(t, "io block", p.Device.Name)
		if n++; n == 3 {
			break // an iterator must stop when told
		}
	}
	assert.Equal(t, 3, n)
}

func TestInvertedSignals(t *testing.T) {
	const end = "            scale: -0.1 kPa\n"
	rig, err := ParseRig("rig.yaml", []byte(rigText(t, end, end+
		"          - {name: low, kind: supply, register: {table: holding, address: 9, type: i16}, on_above: -5, invert: true}\n"+
		"          - {name: bit, kind: release, register: {table: holding, address: 9, bit: 15}, invert: true}\n")))
	require.NoError(t, err)
	low, bit := channelOf(t, rig, "low"), channelOf(t, rig, "bit")
	assert.True(t, low.On(-6) && !low.On(-5) && !low.On(7), "on where below the level")
	assert.True(t, bit.On(0) && !bit.On(1))
	assert.Equal(t, Register{Table: Holding, Address: 9, Type: "bit", Order: "AB", Bit: 15}, bit.Register)
}

func TestSHA256(t *testing.T) {
	rig := &Rig{Text: []byte("abc")} // FIPS 180-2, B.1
	assert.Equal(t, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", rig.SHA256())
	text := []byte(baseRig)
	parsed, err := ParseRig("rig.yaml", text)
	require.NoError(t, err)
	text[0] = 'X'
	assert.Equal(t, baseRig, string(parsed.Text), "the rig owns its text")
}

func TestModbusFrame(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"a question", "?\r\n", ""},
		{"nothing", "", ""},
		{"RTU read, MODBUS Application Protocol V1.1b3, 6.3 with its CRC", "\x11\x03\x00\x6b\x00\x03\x76\x87", "a Modbus RTU frame"},
		{"the same, damaged", "\x11\x03\x00\x6b\x00\x03\x76\x88", ""},
		{"TCP, MODBUS Messaging on TCP/IP V1.0b, 4.4.1.2", "\x15\x01\x00\x00\x00\x06\xff\x03\x00\x04\x00\x01", "a Modbus TCP frame"},
		{"the same, cut short", "\x15\x01\x00\x00\x00\x06\xff\x03\x00\x04\x00", ""},
		{"the same with more behind it", "\x15\x01\x00\x00\x00\x06\xff\x03\x00\x04\x00\x01\x00", "a Modbus TCP frame"},
		// Read of 3 registers from 107 of unit 17: LRC 7E is the two's complement of the sum 82 (computed by hand).
		{"ASCII", ":1103006B00037E\r\n", "a Modbus ASCII frame"},
		{"ASCII, wrong LRC", ":1103006B00037F\r\n", ""},
		{"colon and words", ":READ?\r\n", ""},
	} {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.want, ModbusFrame([]byte(c.in)), "%q", c.in) })
	}
	assert.EqualValues(t, 0x1241, CRC16([]byte{2, 7}), "MODBUS over Serial Line V1.02, 6.2.2")
}

func TestCheckReleasePulse(t *testing.T) {
	assert.NoError(t, CheckReleasePulse(0.02, 0.01))
	assert.NoError(t, CheckReleasePulse(math.NaN(), 0.01))
	assert.NoError(t, CheckReleasePulse(0.02, math.NaN()))
	assert.EqualError(t, CheckReleasePulse(0.0199, 0.01),
		"a release pulse of 19.9 ms is shorter than two sampling intervals of 10 ms: a poll may miss it; make it 20 ms or longer, or poll faster")
}

// Every default is one that the parser reads: spoil it, and some file that is silent about
// it is refused at that field.
func TestEveryDefaultIsRead(t *testing.T) {
	polled := changed(t, textRig, `separator: ";"`, `separator: ";", poll: "?\r\n"`)
	rtu := rigText(t, "kind: modbus-tcp\n    address: 127.0.0.1:502\n", "kind: modbus-rtu\n    address: COM3\n    serial: {baud: 9600}\n",
		"- name: io", "- name: io\n        unit: 1",
		"            scale: -0.1 kPa\n", "            scale: -0.1 kPa\n"+
			"          - {name: s, kind: supply, register: {table: coil, address: 0}}\n"+
			"          - {name: a, kind: air_pressure, register: {table: input, address: 1, type: i16}, scale: 1 kPa}\n")
	const trial = "name: x\nsetups:\n  - {name: a, bag: b, cup: c, vacuum: 30 kPa}\n"
	parse := func() (errs []error) {
		for _, text := range []string{baseRig, textRig, polled, rtu} {
			_, err := ParseRig("rig.yaml", []byte(text))
			errs = append(errs, err)
		}
		_, err := ParseTrial("trial.yaml", []byte(trial), nil)
		return append(errs, err)
	}
	for _, err := range parse() {
		require.NoError(t, err, "as they are")
	}
	kept := Defaults()
	for i, d := range kept {
		assert.NotEmpty(t, d.Why, d.Field)
		if d.Derived {
			continue
		}
		t.Run(d.Field+" "+d.When, func(t *testing.T) {
			defer func() { defaults[i] = d }()
			defaults[i].Value = "" // no quantity, no choice, no flag, no number
			if d.Value == `"\n"` {
				defaults[i].Value = "1" // a number, where a text is wanted
			}
			hit := false
			for _, err := range parse() {
				var faults Faults
				if errors.As(err, &faults) {
					for _, f := range faults {
						hit = hit || index.ReplaceAllString(f.Field, "[]") == d.Field
					}
				}
			}
			assert.True(t, hit, "nobody reads it")
		})
	}
	assert.Equal(t, kept, Defaults())
}

func TestNewStation(t *testing.T) {
	rig, err := ParseRig("rig.yaml", []byte(baseRig))
	require.NoError(t, err)
	a, b := fmt.Sprintf("%+v", NewStation("left")), fmt.Sprintf("%+v", rig.Stations[0]) // NaN equals no NaN
	assert.Equal(t, b, a)
	s := NewStation("left")
	assert.Equal(t, 3.0, s.IdleBandKPa)
	assert.Equal(t, 0.02, s.PersistS)
	assert.True(t, math.IsNaN(s.DropLevelKPa))
	assert.InDelta(t, 0.02/math.Sqrt(3), s.SpecificEnergyU, 5e-5, "0.10 to 0.14, rectangular")
}

var faultLine = regexp.MustCompile(`^f\.yaml:(\d+):(\d+): .+$`)

// checkFaults checks what holds for every error of a parser.
func checkFaults(t *testing.T, err error, text []byte) {
	var faults Faults
	require.True(t, errors.As(err, &faults), "%T %v", err, err)
	require.NotEmpty(t, faults)
	lines := strings.Split(string(text), "\n")
	for i, f := range faults {
		require.Regexp(t, faultLine, f.Error())
		require.True(t, utf8.ValidString(f.Error()))
		require.LessOrEqual(t, f.Line, len(lines)+1, "%v", f)
		if i > 0 {
			require.False(t, f.Line < faults[i-1].Line || f.Line == faults[i-1].Line && f.Column < faults[i-1].Column, "order of\n%v", err)
		}
	}
}

func FuzzParseRig(f *testing.F) {
	for _, path := range glob(f, "../testdata/rigs/*.yaml") {
		text, err := os.ReadFile(path)
		require.NoError(f, err)
		f.Add(text)
	}
	f.Add([]byte(baseRig))
	f.Add([]byte(textRig))
	for _, s := range []string{"", "a: &x\n", "? a\n: b\n", "- - a", "{[", "a: |\n  b", "\"a\nb\": 1\n", "<<: {a: 1}\n", "%YAML 1.2\n---\na: 1", "a: !!binary x"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		rig, err := ParseRig("f.yaml", text)
		if err != nil {
			require.Nil(t, rig)
			checkFaults(t, err, text)
			return
		}
		require.NotEmpty(t, rig.Stations)
		for p := range rig.Channels() {
			c := p.Channel
			require.False(t, math.IsNaN(c.Offset) || math.IsInf(c.Offset, 0) || math.IsInf(c.Scale, 0) || c.Scale == 0 || math.IsNaN(c.Scale), "%+v", c)
			require.Positive(t, c.Resolution, "%+v", c)
			require.False(t, c.Kind.Switched() && math.IsNaN(c.OnAbove), "%+v", c)
			if p.Bus.Kind == ModbusTCP {
				require.LessOrEqual(t, c.Register.Address+c.Register.Registers(), 65536)
			}
		}
		again, err := ParseRig("f.yaml", rig.Text)
		require.NoError(t, err)
		require.Equal(t, fmt.Sprintf("%+v", rig), fmt.Sprintf("%+v", again))
	})
}

func glob(t testing.TB, pattern string) []string {
	t.Helper()
	paths, err := filepath.Glob(pattern)
	require.NoError(t, err)
	require.NotEmpty(t, paths, pattern)
	return paths
}

func ExampleParseRig() {
	rig, err := ParseRig("rig.yaml", []byte(baseRig))
	if err != nil {
		fmt.Println(err)
		return
	}
	for p := range rig.Channels() {
		fmt.Printf("%s, %s: count 600 is %g kPa below ambient\n", p.Device.Name, p.Channel.Name, p.Channel.Value(-600))
	}
	_, err = ParseRig("rig.yaml", []byte(strings.Replace(baseRig, "scale: -0.1 kPa", "scale: -0.1", 1)))
	fmt.Println(err)
	// Output:
	// io, p: count 600 is -60 kPa below ambient
	// rig.yaml:17:20: buses[0].devices[0].channels[0].scale: -0.1 has no unit; kPa, mbar, bar … are allowed
}

func TestLimitsOfAFile(t *testing.T) {
	padded := func(n int) []byte {
		return []byte(baseRig + "#" + strings.Repeat("x", n-len(baseRig)-1))
	}
	for _, n := range []int{len(baseRig) + 1, maxTextBytes - 1, maxTextBytes} {
		_, err := ParseRig("rig.yaml", padded(n))
		assert.NoError(t, err, "%d bytes", n)
	}
	path := filepath.Join(t.TempDir(), "rig.yaml")
	require.NoError(t, os.WriteFile(path, padded(maxTextBytes+1), 0o644))
	_, err := LoadRig(path)
	assert.EqualError(t, err, path+":1:1: the file is larger than 512 KiB")

	deep := "name: " + strings.Repeat("[", maxNesting) + strings.Repeat("]", maxNesting) + "\n"
	_, err = ParseRig("rig.yaml", []byte(deep))
	assert.ErrorContains(t, err, "rig.yaml:1:7: name: found a list; want a text", "as deep as may be")
}

func TestSpecificEnergyOfTheUser(t *testing.T) {
	rig, err := ParseRig("rig.yaml", []byte(rigText(t, "- name: left", "- name: left\n    specific_energy: 0.1 kWh/m3")))
	require.NoError(t, err)
	assert.Equal(t, 0.1, rig.Stations[0].SpecificEnergyKWhM3)
	assert.True(t, math.IsNaN(rig.Stations[0].SpecificEnergyU), "the default's uncertainty is not the user's")
}

// BenchmarkParseRig reads the largest of the worked rigs.
func BenchmarkParseRig(b *testing.B) {
	text, err := os.ReadFile("../testdata/rigs/io-block-tcp.yaml")
	require.NoError(b, err)
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		if _, err := ParseRig("rig.yaml", text); err != nil {
			b.Fatal(err)
		}
	}
}

// Keys of serial lines: adapters by their marks, pauses, and listening to another master.
func TestSerialKeys(t *testing.T) {
	const rtu = `name: bench
stations:
  - name: left
buses:
  - name: line
    kind: modbus-rtu
    ADDRESS
    serial: {baud: 115200, parity: even SERIAL}
    BUS
    devices:
      - name: sensor
        unit: 17
        DEVICE
        channels:
          - {name: p, kind: vacuum, station: left, at: cup, reads: gauge, register: {table: input, address: 0, type: i16}, scale: -0.1 kPa}
`
	parse := func(address, serial, bus, device string) (*Rig, error) {
		text := strings.NewReplacer("ADDRESS", address, " SERIAL", serial, "BUS", bus, "DEVICE", device).Replace(rtu)
		return ParseRig("rig.yaml", []byte(text))
	}
	t.Run("read", func(t *testing.T) {
		rig, err := parse("usb: 0403:6aB1:A10K2B", ", silence: 3.5 characters", "listen: true", "turnaround: 5 ms")
		require.NoError(t, err)
		b := rig.Buses[0]
		assert.Equal(t, USB{"0403", "6AB1", "A10K2B"}, b.USB)
		assert.Equal(t, "USB adapter 0403:6AB1:A10K2B", b.Port())
		assert.Equal(t, "0403:6AB1", USB{VID: "0403", PID: "6AB1"}.String())
		assert.True(t, b.Listen && b.Serial.TrueSilence)
		assert.True(t, math.IsNaN(b.Devices[0].IntervalS), "another master's interval is not known")
	})
	t.Run("silent", func(t *testing.T) {
		rig, err := parse("address: COM3", "", "timeout: 100 ms", "turnaround: 5 ms")
		require.NoError(t, err)
		b := rig.Buses[0]
		assert.Equal(t, USB{}, b.USB)
		assert.Equal(t, "COM3", b.Port())
		assert.False(t, b.Listen || b.Serial.TrueSilence)
		assert.Equal(t, 0.05, b.Devices[0].IntervalS)
	})
	for _, c := range []struct{ name, address, serial, bus, device, want string }{
		{"usb and address", "usb: 0403:6001\n    address: COM3", "", "", "", "rig.yaml:8:5: buses[0].address: has no place here: usb says which port"},
		{"neither", "", "", "", "", "rig.yaml:5:5: buses[0].address: not stated; want the port's name"},
		{"no marks", "usb: the blue one", "", "", "", `rig.yaml:7:10: buses[0].usb: "the blue one" is no USB adapter; want VID:PID or VID:PID:SERIAL`},
		{"three digits", "usb: 403:6001", "", "", "", "is no USB adapter"},
		{"listening and polling", "address: COM3", "", "listen: true", "interval: 20 ms", "interval: has no place here: the other master polls when it likes"},
		{"silence", "address: COM3", ", silence: short", "", "", `"short"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := parse(c.address, c.serial, c.bus, c.device)
			require.Error(t, err)
			assert.Contains(t, err.Error(), c.want)
		})
	}
	_, err := ParseRig("rig.yaml", []byte(strings.Replace(baseRig, "kind: modbus-tcp", "kind: modbus-tcp\n    listen: true\n    usb: 0403:6001", 1)))
	require.Error(t, err)
	assert.Contains(t, err.Error(), "only on a Modbus RTU line can another master be listened to")
	assert.Contains(t, err.Error(), "has no serial port")
}

// A loop of 4 to 20 mA brings the limits of NAMUR NE 43 with it.
func TestLimitsOfCounts(t *testing.T) {
	parse := func(scale string) (*Rig, error) {
		return ParseRig("rig.yaml", []byte(strings.Replace(baseRig, "scale: -0.1 kPa", scale, 1)))
	}
	rig, err := parse("scale: {raw: [0, 27648], signal: [0 mA, 20 mA], sensor: [4 mA, 20 mA], value: [0 kPa, -100 kPa]}\n            saturated: [-32768, 32767]\n            stuck_after: 2 s")
	require.NoError(t, err)
	l := rig.Buses[0].Devices[0].Channels[0].Limits
	assert.InDelta(t, 20, l.LoopOffsetMA+27648*l.LoopScaleMA, 1e-9)
	assert.InDelta(t, 0, l.LoopOffsetMA, 1e-9)
	assert.Equal(t, []int64{-32768, 32767}, []int64{l.SaturatedLo, l.SaturatedHi})
	assert.Equal(t, 2.0, l.StuckS)
	assert.Equal(t, sample.BrokenWire, l.Of(0))
	assert.Equal(t, sample.Flag(""), l.Of(5530), "4 mA")

	for _, scale := range []string{"scale: -0.1 kPa", "scale: {raw: [0, 27648], signal: [0 V, 10 V], sensor: [1 V, 5 V], value: [0 kPa, -100 kPa]}",
		"scale: {raw: [0, 27648], signal: [0 mA, 20 mA], sensor: [0 mA, 20 mA], value: [0 kPa, -100 kPa]}"} {
		rig, err := parse(scale)
		require.NoError(t, err)
		assert.Equal(t, sample.Limits{}, rig.Buses[0].Devices[0].Channels[0].Limits, scale)
	}
	for scale, want := range map[string]string{
		"scale: -0.1 kPa\n            saturated: [5, 5]":   "[5, 5] are no ends; want two whole numbers, the smaller first",
		"scale: -0.1 kPa\n            saturated: [0.5, 5]": "[0.5, 5] are no ends",
		"scale: -0.1 kPa\n            saturated: 5":        "two readings at which the converter is at its ends",
		"scale: -0.1 kPa\n            stuck_after: 2":      "has no unit",
		"scale: -0.1 kPa\n            stuck_after: 0 s":    "stuck_after",
	} {
		_, err := parse(scale)
		require.Error(t, err, scale)
		assert.Contains(t, err.Error(), want)
	}
}
