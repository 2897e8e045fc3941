package budget

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/config"
)

// rtu is a line with one device of n registers, polled every interval.
func rtu(t *testing.T, baud, n int, interval, turnaround string) *config.Rig {
	text := fmt.Sprintf(`name: bench
stations: [{name: left}]
buses:
  - name: line
    kind: modbus-rtu
    address: COM3
    serial: {baud: %d, parity: even}
    devices:
      - name: sensor
        unit: 17
        interval: %s
        turnaround: %s
        channels:
          - {name: p, kind: vacuum, station: left, at: cup, reads: gauge, register: {table: input, address: 0, type: i16}, scale: -0.1 kPa, update: 20 ms}
`, baud, interval, turnaround)
	if n > 1 {
		text += fmt.Sprintf("          - {name: s, kind: supply, station: left, register: {table: input, address: %d, bit: 0}}\n", n-1)
	}
	rig, err := config.ParseRig("rig.yaml", []byte(text))
	require.NoError(t, err)
	return rig
}

// The table of protocols.md, section 3: an exchange of 3 and of 125 registers with a
// turnaround of 0, in ms, from the timing of MODBUS over Serial Line V1.02. Above 9,600 baud
// two registers apart are read as a block of three; 125 would not be.
func TestExchangeTimes(t *testing.T) {
	for baud, want := range map[int]float64{9600: 29.79, 19200: 14.90, 38400: 8.94, 57600: 7.13, 115200: 5.31} {
		lines, _, err := Of(rtu(t, baud, 3, "1 s", "0 s"))
		require.NoError(t, err)
		require.Len(t, lines[0].Requests, 1)
		assert.Equal(t, 19, lines[0].Requests[0].Characters)
		assert.InDelta(t, want, 1e3*lines[0].Requests[0].TotalS(), 0.005, "%d baud", baud)
		assert.InDelta(t, want/1e3, lines[0].Load, 1e-5, "once a second")
	}
}

func TestImpossibleRatesAreRefusedWithTheNumbers(t *testing.T) {
	lines, _, err := Of(rtu(t, 9600, 3, "20 ms", "5 ms"))
	require.NoError(t, err)
	// 29.79 ms and 5 ms of turnaround, every 20 ms; at 38,400 baud 8.94 + 5.
	err = lines[0].Err()
	require.Error(t, err)
	assert.Equal(t, "bus line: the polls asked for take 174 % of the line's time at 9600 baud: line sensor input 0–2 34.8 ms every 20 ms; "+
		"possible are intervals 1.74 times as long, or every request each 34.8 ms; or 115200 baud", strings.Join(strings.Fields(err.Error()), " "))
	require.NotEmpty(t, lines[0].Better)
	assert.Equal(t, "115200 baud", lines[0].Better[0].What)
	assert.InDelta(t, (5.31+5)/20, lines[0].Better[0].Load, 1e-3)
	last := lines[0].Better[len(lines[0].Better)-1]
	assert.Equal(t, "19200 baud", last.What)
	assert.InDelta(t, (14.90+5)/20, last.Load, 1e-3)

	for interval, possible := range map[string]bool{"34.7 ms": false, "34.8 ms": true} {
		lines, _, err := Of(rtu(t, 9600, 3, interval, "5 ms"))
		require.NoError(t, err)
		assert.Equal(t, possible, lines[0].Err() == nil, interval)
	}
}

func TestSealTimeUncertainty(t *testing.T) {
	_, stations, err := Of(rtu(t, 38400, 3, "20 ms", "4 ms"))
	require.NoError(t, err)
	s := stations[0]
	assert.Equal(t, "supply", s.From)
	// Half-widths: edge 10 ms, refresh 10 ms, two stamps 2 ms each.
	assert.InDelta(t, math.Sqrt((100+100+4+4)/3.0), 1e3*s.U, 1e-9)
	assert.Len(t, s.Parts, 4)

	_, stations, err = Of(rtu(t, 9600, 3, "20 ms", "4 ms"))
	require.NoError(t, err)
	// An overloaded line samples (29.79 + 4)/20 as slowly.
	assert.InDelta(t, math.Sqrt((16.895*16.895+100+4+4)/3.0), 1e3*stations[0].U, 1e-3)
	_, stations, err = Of(rtu(t, 38400, 1, "20 ms", "4 ms"))
	require.NoError(t, err)
	assert.Equal(t, "rise", stations[0].From)
}

func TestTheRigsOfTestdata(t *testing.T) {
	for _, name := range []string{"rtu-transducers", "io-block-tcp", "flow-text-line"} {
		path := "../../testdata/rigs/" + name + ".yaml"
		if _, err := os.Stat(path); err != nil {
			t.Fatal(err)
		}
		rig, err := config.LoadRig(path)
		require.NoError(t, err)
		lines, stations, err := Of(rig)
		require.NoError(t, err)
		assert.Len(t, stations, len(rig.Stations))
		for i := range lines {
			assert.NoError(t, lines[i].Err(), name)
		}
	}
}
