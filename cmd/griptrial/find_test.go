package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/term"

	"griptrial/acquire/bench"
	"griptrial/config"
)

// registers serves one value in every register of unit 1 on loopback, and fails the test at
// anything that does not read.
func registers(t *testing.T, value *atomic.Uint32) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				var b [12]byte
				for {
					if _, err := io.ReadFull(c, b[:]); err != nil {
						return
					}
					assert.Contains(t, []byte{3, 4}, b[7], "function")
					if b[6] != 1 {
						continue
					}
					n := int(b[11])
					out := []byte{b[0], b[1], 0, 0, 0, byte(3 + 2*n), 1, b[7], byte(2 * n)}
					for range n {
						out = binary.BigEndian.AppendUint16(out, uint16(value.Load()))
					}
					c.Write(out)
				}
			}()
		}
	}()
	return l.Addr().String()
}

func TestFind(t *testing.T) {
	var value atomic.Uint32
	value.Store(1013)
	address := registers(t, &value)
	code, out, errs := command(t, "find", address, "--units", "1-3", "--timeout", "30 ms")
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "holding register 0 is 1013")
	assert.Equal(t, 2, strings.Count(out, "holding register 0 is 1013")+strings.Count(out, "unit  at"), "one device")

	code, out, errs = command(t, "find", address, "--unit", "1", "--registers", "input:4-5")
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "u16 AB = 1013 (ambient in hPa or mbar)")

	code, _, errs = command(t, "find")
	require.Equal(t, exitDone, code, errs)

	var got findJSON
	asJSON := func(args ...string) {
		t.Helper()
		got = findJSON{}
		code, out, errs := command(t, append([]string{"find", "--json"}, args...)...)
		require.Equal(t, exitDone, code, errs)
		require.NoError(t, json.Unmarshal([]byte(out), &got), out)
	}
	asJSON()
	asJSON(address, "--units", "1-3", "--timeout", "30 ms")
	require.Len(t, got.Devices, 1)
	assert.Equal(t, findDeviceJSON{Unit: 1, Answer: got.Devices[0].Answer}, got.Devices[0])
	assert.Contains(t, got.Devices[0].Answer, "1013")
	assert.True(t, *got.Complete)
	asJSON(address, "--unit", "1", "--registers", "input:4-5")
	require.Len(t, got.Registers, 2)
	assert.Equal(t, []int{4, 1013}, []int{got.Registers[0].Address, int(got.Registers[0].Raw)})
	assert.Equal(t, findReadingJSON{"u16", "AB", 1013, "ambient in hPa or mbar"}, got.Registers[0].Readings[0])

	for args, want := range map[string]string{
		"--units 5-1": "--units", "--units 0-300": "want ids from 0 to 255", "--timeout 5": "--timeout", "--timeout -1s": "--timeout",
		"--registers coil:0-3": "--registers", "--registers input:9-3": "--registers", "--registers input:0-2000": "up to 1000",
		"--unit 300 --registers input:0": "--unit", "--parity even,x": `"x"`, "--baud 7": "--baud: found 7", "--stop-bits 3": "--stop-bits",
	} {
		code, _, errs := command(t, append([]string{"find", address}, split(args)...)...)
		assert.Equal(t, exitUsage, code, args)
		assert.Contains(t, errs, want, args)
	}
	code, _, errs = command(t, "find", "/dev/no-such-port")
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errs, "/dev/no-such-port")
}

// A stepper sets a register at each line that is asked for.
type stepper struct {
	value *atomic.Uint32
	steps []uint32
	lines []string
}

func (s *stepper) Read(b []byte) (int, error) {
	if len(s.steps) == 0 {
		return 0, io.EOF
	}
	s.value.Store(s.steps[0])
	n := copy(b, s.lines[0]+"\n")
	s.steps, s.lines = s.steps[1:], s.lines[1:]
	return n, nil
}

func TestCalibrate(t *testing.T) {
	var value atomic.Uint32
	address := registers(t, &value)
	path := filepath.Join(t.TempDir(), "rig.yaml")
	const text = `# mine
name: bench
stations: [{name: left}]
buses:
  - name: block
    kind: modbus-tcp
    address: 192.0.2.20:502
    devices:
      - name: io
        unit: 1
        channels:
          - name: p # the cup
            kind: vacuum
            station: left
            at: cup
            reads: gauge
            register: {table: input, address: 0, type: u16}
            scale: -0.1 kPa
`
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	o := &calibrateOptions{at: []string{"0 kPa", "30 kPa", "60 kPa"}, forText: "50 ms", addresses: []string{"block=" + address}}

	o.dry = true
	var out, result bytes.Buffer
	in := &stepper{&value, []uint32{100, 400, 700}, []string{"", "29.7 kPa", ""}}
	require.NoError(t, calibrateChannel(context.Background(), in, &result, &out, path, "p", o), out.String())
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, text, string(after), "a dry run writes nothing")

	o.dry = false
	in = &stepper{&value, []uint32{100, 400, 700}, []string{"", "29.7 kPa", ""}}
	require.NoError(t, calibrateChannel(context.Background(), in, &result, &out, path, "p", o), out.String())
	rig, err := config.LoadRig(path)
	require.NoError(t, err)
	c := rig.Buses[0].Devices[0].Channels[0]
	// Counts 100, 400, 700 at 0, 29.7, 60: slope 0.1, offset -10.1; residuals 0.1 -0.2 0.1, so
	// s = √0.06, u(slope) = s/√180000, u(offset) = s·√(1/3 + 400²/180000).
	assert.InDelta(t, 0.1, c.Scale, 1e-12)
	assert.InDelta(t, -10.1, c.Offset, 1e-9)
	assert.InDelta(t, 0.244949/424.264, c.Calibration.ScaleU, 1e-6)
	assert.InDelta(t, 0.271, c.Calibration.OffsetU, 1e-3)
	assert.Equal(t, 400.0, c.Calibration.CenterCount)
	assert.Equal(t, 3, c.Calibrated.Points)
	after, _ = os.ReadFile(path)
	assert.Contains(t, string(after), "# mine")
	assert.Contains(t, string(after), "- name: p # the cup\n")

	// As JSON: the questions go elsewhere, two points have no standard errors.
	assert.Empty(t, result.String())
	o.json = true
	in = &stepper{&value, []uint32{100, 400, 700}, []string{"", "29.7 kPa", ""}}
	require.NoError(t, calibrateChannel(context.Background(), in, &result, &out, path, "p", o), out.String())
	var got calibrationJSON
	require.NoError(t, json.Unmarshal(result.Bytes(), &got), result.String())
	assert.InDelta(t, 0.1, got.Scale, 1e-12)
	assert.InDelta(t, 0.271, float64(got.OffsetU), 1e-3)
	assert.Equal(t, []any{"p", "kPa", true, 3}, []any{got.Channel, got.Unit, got.Written, len(got.Points)})
	assert.InDelta(t, 29.9, got.Points[1].Line, 1e-9)
	o.at, o.dry = o.at[:2], true
	result.Reset()
	in = &stepper{&value, []uint32{100, 400}, []string{"", ""}}
	require.NoError(t, calibrateChannel(context.Background(), in, &result, &out, path, "p", o))
	assert.Contains(t, result.String(), `"offset_u": null`)
	assert.Contains(t, result.String(), `"written": false`)
	o.json, o.dry = false, false
	after, _ = os.ReadFile(path)

	before := after
	for _, c := range []struct {
		name    string
		in      *stepper
		channel string
		at      []string
		want    string
	}{
		{"the count does not follow", &stepper{&value, []uint32{100, 100}, []string{"", ""}}, "p", []string{"0 kPa", "30 kPa"}, "does not follow the gauge"},
		{"input ends", &stepper{&value, []uint32{100}, []string{""}}, "p", []string{"0 kPa", "30 kPa"}, "the input ended"},
		{"no such channel", nil, "q", []string{"0 kPa", "30 kPa"}, `"q" is no measured channel; want one of "p"`},
		{"one value", nil, "p", []string{"0 kPa"}, "--at: found 1 values"},
		{"no unit", nil, "p", []string{"0", "30"}, "has no unit"},
		{"typed nonsense", &stepper{&value, []uint32{100}, []string{"wet"}}, "p", []string{"0 kPa", "30 kPa"}, "wet"},
	} {
		o.at = c.at
		err := calibrateChannel(context.Background(), c.in, io.Discard, io.Discard, path, c.channel, o)
		assert.ErrorContains(t, err, c.want, c.name)
		after, _ := os.ReadFile(path)
		assert.Equal(t, before, after, c.name)
	}
}

// The bench check's verdicts, its file, and the drift between two of them.
func TestBenchCheck(t *testing.T) {
	var value atomic.Uint32
	address := registers(t, &value)
	dir := t.TempDir()
	path, first := filepath.Join(dir, "rig.yaml"), filepath.Join(dir, "before.json")
	require.NoError(t, os.WriteFile(path, []byte(`name: bench
stations:
  - name: left
    bench: {zero: 0.5 kPa, blanked: 60 kPa, leak_down: 2 kPa, open: 10 kPa}
buses:
  - name: block
    kind: modbus-tcp
    address: 192.0.2.20:502
    devices:
      - name: io
        unit: 1
        channels:
          - {name: p, kind: vacuum, station: left, at: cup, reads: vacuum, register: {table: input, address: 0, type: u16}, scale: 0.1 kPa}
`), 0o600))
	rig, err := loadRig(path, []string{"block=" + address})
	require.NoError(t, err)
	steps := bench.Steps(rig)
	for i := range steps {
		steps[i].LengthS = 0.1
	}
	var out bytes.Buffer
	lines := []string{"", "", "", ""}
	require.NoError(t, benchCheck(t.Context(), &stepper{&value, []uint32{3, 650, 640, 80}, lines}, &out, rig, steps, benchOptions{out: first}), out.String())
	assert.Contains(t, out.String(), "pass")
	assert.NotContains(t, out.String(), "FAIL")

	out.Reset()
	err = benchCheck(t.Context(), &stepper{&value, []uint32{7, 590, 580, 90}, lines}, &out, rig, steps, benchOptions{before: first})
	require.Error(t, err)
	assert.ErrorContains(t, err, "2 of 4 steps failed")
	assert.Regexp(t, `zero +0.700 ± 0.029 kPa +-0.5 to 0.5 kPa +FAIL +\+0.40 ± 0.04 kPa`, out.String())
	assert.Regexp(t, `blanked +59.000 ± 0.029 kPa +60 kPa or more +FAIL +-6.00 ± 0.04 kPa`, out.String())
	assert.Regexp(t, `leak-down +0.00 ± 0.04 kPa +2 kPa or less +pass +\+0.00 ± 0.06 kPa`, out.String())
	assert.Regexp(t, `open suction +9.000 ± 0.029 kPa +10 kPa or less +pass +\+1.00 ± 0.04 kPa`, out.String())

	require.NoError(t, os.WriteFile(first, []byte("my notes"), 0o600))
	assert.ErrorContains(t, benchCheck(t.Context(), &stepper{&value, nil, nil}, &out, rig, steps, benchOptions{before: first}), "no results of a bench check")
	assert.ErrorContains(t, benchCheck(t.Context(), &stepper{&value, nil, nil}, &out, rig, steps, benchOptions{}), "the input ended")
}

// A step that cannot be measured, here for another master on the line, is asked for again: what
// was measured before it is not lost.
func TestBenchStepIsTriedAgain(t *testing.T) {
	master, slave, err := pty.Open()
	require.NoError(t, err)
	t.Cleanup(func() { master.Close(); slave.Close() })
	_, err = term.MakeRaw(int(slave.Fd()))
	require.NoError(t, err)
	var value atomic.Uint32
	value.Store(3)
	rig, err := config.ParseRig("rig.yaml", []byte(`name: bench
stations: [{name: left}, {name: right}]
buses:
  - {name: block, kind: modbus-tcp, address: 192.0.2.20:502, devices: [{name: io, unit: 1, channels: [{name: p, kind: vacuum, station: left, at: cup, reads: vacuum, register: {table: input, address: 0, type: u16}, scale: 0.1 kPa}]}]}
  - {name: line, kind: modbus-rtu, address: `+slave.Name()+`, serial: {baud: 38400, parity: none, stop_bits: 2}, devices: [{name: other, unit: 1, interval: 20 ms, channels: [{name: q, kind: vacuum, station: right, at: cup, reads: vacuum, register: {table: input, address: 0, type: u16}, scale: 0.1 kPa}]}]}
`))
	require.NoError(t, err)
	rig.Buses[0].Address = registers(t, &value)
	framed := func(b ...byte) []byte { return binary.LittleEndian.AppendUint16(b, config.CRC16(b)) }
	var gone atomic.Bool
	go func() { // another master, and when that has gone the device
		for !gone.Load() {
			master.Write(framed(5, 3, 0, 1, 0, 1))
			time.Sleep(100 * time.Millisecond)
		}
		for request := make([]byte, 8); ; {
			if _, err := io.ReadFull(master, request); err != nil {
				return
			}
			master.Write(framed(1, 4, 2, 0, 7))
		}
	}()
	var steps []bench.Step
	for _, s := range bench.Steps(rig) {
		if s.LengthS = 0.2; s.Name == "zero" {
			steps = append(steps, s)
		}
	}
	require.Len(t, steps, 2)
	var out bytes.Buffer
	results, err := takeBenchCheck(t.Context(), bufio.NewScanner(&onRead{lines: 3, then: func() { gone.Store(true); time.Sleep(200 * time.Millisecond) }}), &out, rig, steps)
	require.NoError(t, err, out.String())
	require.Len(t, results, 2)
	for i, want := range []float64{0.3, 0.7} {
		require.NotNil(t, results[i].Value, "%s %s", results[i].Why, out.String())
		assert.InDelta(t, want, *results[i].Value, 1e-9)
	}
	assert.Equal(t, 1, strings.Count(out.String(), "not measured: "), out.String())
	assert.Contains(t, out.String(), "heard unit 5, function 03")
	assert.Contains(t, out.String(), "station right, zero: see to that, then press Enter: ")
}

// An onRead is somebody who presses Enter, and before the last time does something.
type onRead struct {
	lines int
	then  func()
}

func (r *onRead) Read(b []byte) (int, error) {
	if r.lines--; r.lines == 0 {
		r.then()
	}
	return copy(b, "\n"), nil
}

// A recording with its bench checks: both are in the trial file with the drift, verify and
// picks show them with how polling went; a check that fails before ends it before anything
// is recorded, and one made later goes into the file too.
func TestRecordWithBenchChecks(t *testing.T) {
	var value atomic.Uint32
	address := registers(t, &value)
	dir := t.TempDir()
	rigPath, trialPath, out := filepath.Join(dir, "rig.yaml"), filepath.Join(dir, "trial.yaml"), filepath.Join(dir, "hall.gtrial")
	require.NoError(t, os.WriteFile(rigPath, []byte(`name: bench
stations:
  - name: left
    seal_limit: 600 ms
    bench: {zero: 0.5 kPa, blanked: 60 kPa, leak_down: 2 kPa, open: 10 kPa}
buses:
  - name: block
    kind: modbus-tcp
    address: 192.0.2.20:502
    devices:
      - name: io
        unit: 1
        interval: 10 ms
        channels:
          - {name: p, kind: vacuum, station: left, at: cup, reads: vacuum, register: {table: input, address: 0, type: u16}, scale: 0.1 kPa}
`), 0o600))
	require.NoError(t, os.WriteFile(trialPath, []byte(`name: hall
requirement: {vacuum: 30 kPa}
setups:
  - {name: a, bag: grass seed, cup: "bellows cup, 40 mm lip", cups: 1, placement: centre}
runs:
  - {setups: {left: a}, picks: 5}
`), 0o600))
	rig, err := loadRig(rigPath, []string{"block=" + address})
	require.NoError(t, err)
	trial, err := config.LoadTrial(trialPath, rig)
	require.NoError(t, err)
	steps := bench.Steps(rig)
	for i := range steps {
		steps[i].LengthS = 0.1
	}
	var shown bytes.Buffer
	take := func(values ...uint32) error {
		shown.Reset()
		in := &stepper{&value, values, make([]string, len(values))}
		r := recording{rig: rig, trial: trial, out: out, stdout: &shown, stderr: &shown, length: 300 * time.Millisecond,
			steps: steps, answers: bufio.NewScanner(in)}
		return r.run(t.Context())
	}
	err = take(9, 650, 640, 80)
	assert.ErrorContains(t, err, "1 of 4 steps failed; nothing was recorded")
	var missed notMetError
	assert.ErrorAs(t, err, &missed)
	assert.NoFileExists(t, out)

	require.NoError(t, take(3, 650, 640, 80, 4, 645, 640, 90), shown.String())
	assert.Regexp(t, `zero +0.400 ± 0.029 kPa +-0.5 to 0.5 kPa +pass +\+0.10 ± 0.04 kPa`, shown.String())
	assert.ErrorContains(t, take(3), "exists")

	// Days later, with the trial file.
	in := &stepper{&value, []uint32{5, 640, 640, 90}, make([]string, 4)}
	shown.Reset()
	require.NoError(t, benchCheck(t.Context(), in, &shown, rig, steps, benchOptions{into: out}))
	assert.Regexp(t, `zero +0.500 ± 0.029 kPa +-0.5 to 0.5 kPa +pass +\+0.20 ± 0.04 kPa`, shown.String())

	for _, args := range [][]string{{"verify", out}, {"picks", out}} {
		code, text, errs := command(t, args...)
		require.Equal(t, exitDone, code, errs)
		assert.Regexp(t, `before +left +blanked +65.000 ± 0.029 kPa +60 kPa or more +pass +–`, text)
		assert.Regexp(t, `after +left +blanked +64.500 ± 0.029 kPa +60 kPa or more +pass +-0.50 ± 0.04 kPa`, text)
		assert.Regexp(t, `after +left +blanked +64.000 ± 0.029 kPa +60 kPa or more +pass +-1.00 ± 0.04 kPa`, text)
		assert.Regexp(t, `block io +[0-9]+ +[0-9]+ +0 +[0-9.]+ ms`, text)
		code, text, errs = command(t, append(args, "--json")...)
		require.Equal(t, exitDone, code, errs)
		var got struct {
			Circumstances struct {
				Clock   []struct{ Why string }
				Polling []struct {
					Device        string
					Polls, Merged int64
					P99           *float64 `json:"late_p99_s"`
				}
				Bench []struct {
					Moment, Step string
					T            float64 `json:"t_s"`
					Drift        *float64
				} `json:"bench_checks"`
			}
		}
		require.NoError(t, json.Unmarshal([]byte(text), &got))
		c := got.Circumstances
		require.Len(t, c.Clock, 1)
		require.Len(t, c.Polling, 1)
		assert.Positive(t, c.Polling[0].Polls)
		assert.LessOrEqual(t, c.Polling[0].Polls+c.Polling[0].Merged, int64(60), "300 ms at 100 Hz")
		assert.NotNil(t, c.Polling[0].P99)
		require.Len(t, c.Bench, 12)
		assert.Negative(t, c.Bench[0].T, "before time zero")
		assert.Positive(t, c.Bench[4].T)
		assert.Nil(t, c.Bench[0].Drift)
		assert.InDelta(t, 0.1, *c.Bench[4].Drift, 1e-9)
		assert.InDelta(t, 0.2, *c.Bench[8].Drift, 1e-9)
	}
}

// check as JSON: the line's budget, every channel once, and the rates reached.
func TestCheckJSON(t *testing.T) {
	var value atomic.Uint32
	value.Store(653)
	address := registers(t, &value)
	path := filepath.Join(t.TempDir(), "rig.yaml")
	require.NoError(t, os.WriteFile(path, []byte(`name: bench
stations: [{name: left}]
buses:
  - name: line
    kind: modbus-rtu
    address: /dev/no-such-port
    serial: {baud: 19200}
    devices:
      - name: flow
        unit: 2
        interval: 100 ms
        channels:
          - {name: q, kind: flow, station: left, register: {table: input, address: 0, type: u16}, scale: 1 L/min ANR}
  - name: block
    kind: modbus-tcp
    address: 192.0.2.20:502
    devices:
      - name: io
        unit: 1
        interval: 20 ms
        channels:
          - {name: p, kind: vacuum, station: left, at: cup, reads: vacuum, register: {table: input, address: 0, type: u16}, scale: 0.1 kPa}
`), 0o600))
	var got checkedJSON
	code, text, errs := command(t, "check", path, "--json", "--offline")
	require.Equal(t, exitDone, code, errs)
	require.NoError(t, json.Unmarshal([]byte(text), &got), text)
	require.Len(t, got.Lines, 1)
	// (13 + 2·1) characters of 11 bits at 19,200 baud and two silences of 3.5 characters.
	assert.InDelta(t, (15+7)*11/19200.0, got.Lines[0].Requests[0].TotalS, 1e-6)
	assert.Empty(t, got.Buses)

	code, text, errs = command(t, "check", path, "--json", "--for", "500 ms", "--address", "block="+address)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, errs, "/dev/no-such-port")
	got = checkedJSON{}
	require.NoError(t, json.Unmarshal([]byte(text), &got), text)
	require.Len(t, got.Buses, 2)
	assert.Contains(t, got.Buses[0].Error, "/dev/no-such-port")
	block := got.Buses[1]
	require.Len(t, block.Readings, 1)
	assert.Equal(t, int64(653), *block.Readings[0].Raw)
	assert.InDelta(t, 65.3, float64(block.Readings[0].Value), 1e-9)
	require.Len(t, block.Groups, 1)
	assert.InDelta(t, 50, float64(block.Groups[0].AskedHz), 1e-9)
	assert.Positive(t, block.Groups[0].HalfWidthS)

	code, _, errs = command(t, "check", path, "--bench", "--json")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "--out")
}
