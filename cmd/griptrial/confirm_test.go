package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const confirmRig = `name: one test gripper
ambient: 1013 hPa
engines:
  - {name: low ejector, kind: ejector}
  - {name: mid ejector, kind: ejector}
  - {name: high ejector, kind: ejector}
  - {name: thrifty ejector, kind: ejector}
stations:
  - {name: left, volume: 0.3 L, volume_u: 0.01 L, seal_limit: 2 s}
buses:
  - name: block
    kind: modbus-tcp
    address: 127.0.0.1:1
    devices:
      - name: block
        unit: 1
        interval: 5 ms
        channels:
          - {name: vacuum, kind: vacuum, station: left, at: cup, reads: vacuum, register: {table: input, address: 0, type: u16}, scale: {raw: [0, 10000], value: [0 kPa, 100 kPa]}, accuracy: 0.2 kPa}
          - {name: flow, kind: flow, station: left, register: {table: input, address: 1, type: u16}, scale: 0.01 L/min ANR, accuracy: 0.5 L/min ANR}
          - {name: supply, kind: supply, station: left, register: {table: input, address: 2, type: bit, bit: 0}}
          - {name: touch, kind: touch, station: left, register: {table: input, address: 2, type: bit, bit: 1}}
          - {name: release, kind: release, station: left, register: {table: input, address: 2, type: bit, bit: 2}}
`

// confirmScenario has a gusseted bag, whose wrinkles leak, on one engine after another.
func confirmScenario(picks int, engines ...string) string {
	var b bytes.Buffer
	b.WriteString(`name: gusseted bag
seed: 4
ambient: 1013 hPa
lead: 1.5 s
noise: {vacuum: 0.05 kPa, flow: 0.3 L/min ANR}
engines:
  low ejector: {kind: ejector, flow: 50 L/min ANR, deepest: 70 kPa, air: 90 L/min ANR}
  mid ejector: {kind: ejector, flow: 70 L/min ANR, deepest: 76 kPa, air: 120 L/min ANR}
  high ejector: {kind: ejector, flow: 95 L/min ANR, deepest: 82 kPa, air: 160 L/min ANR}
  thrifty ejector: {kind: ejector, flow: 110 L/min ANR, deepest: 60 kPa, air: 70 L/min ANR}
cups:
  bellows cup, 40 mm lip: {open: 5 dm3/(s bar), close: 25 ms, lip: 40 mm, effective_area: 900 mm2}
bags:
  gusseted bag: {leak: {flow: 25 L/min ANR, at: 35 kPa, n: 0.62}, leak_scatter: {piece: 2 %, pick: 1 %}}
circuits:
  short: {volume: 0.3 L, wall: 120 ms, vent: 4 dm3/(s bar), on_delay: 15 ms, off_delay: 15 ms}
cycles:
  steady: {contact: 150 ms, lift: 900 ms, place: 1.2 s, supply_off: 1.25 s, release: 1.25 s, pulse: 80 ms, cycle: 1.6 s, jitter: 15 ms}
stations: [{name: left}]
setups:
`)
	for _, e := range engines {
		fmt.Fprintf(&b, "  - {name: %s, bag: gusseted bag, cup: \"bellows cup, 40 mm lip\", engine: %s, circuit: short, cycle: steady, required: 25 kPa}\n", e, e)
	}
	b.WriteString("runs:\n")
	for _, e := range engines {
		for piece := range 4 {
			fmt.Fprintf(&b, "  - {setups: {left: %s}, piece: B-%d, picks: %d}\n", e, piece+1, picks)
		}
	}
	return b.String()
}

const confirmEngines = `engines:
  - {name: low ejector, kind: ejector, air: 90 L/min ANR, curve: [{vacuum: 0 kPa, flow: 50 L/min ANR}, {vacuum: 70 kPa, flow: 0 L/min ANR}]}
  - {name: mid ejector, kind: ejector, air: 120 L/min ANR, curve: [{vacuum: 0 kPa, flow: 70 L/min ANR}, {vacuum: 76 kPa, flow: 0 L/min ANR}]}
  - {name: high ejector, kind: ejector, air: 160 L/min ANR, curve: [{vacuum: 0 kPa, flow: 95 L/min ANR}, {vacuum: 82 kPa, flow: 0 L/min ANR}]}
  - {name: thrifty ejector, kind: ejector, air: 70 L/min ANR, curve: [{vacuum: 0 kPa, flow: 110 L/min ANR}, {vacuum: 60 kPa, flow: 0 L/min ANR}]}
`

// From a trial on three engines to a fourth, and back: the prediction is written as a trial file,
// planned, recorded over the wire, and put beside what was measured.
func TestConfirmPrediction(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if text != "" {
			require.NoError(t, os.WriteFile(path, []byte(text), 0o666))
		}
		return path
	}
	rig, engines := file("rig.yaml", confirmRig), file("engines.yaml", confirmEngines)
	tested, plan, runs := file("tested.gtrial", ""), file("confirm.yaml", ""), file("runs.yaml", "")
	code, _, errs := command(t, "simulate", rig, file("tested.yaml", confirmScenario(3, "low ejector", "mid ejector", "high ejector")), "--fast", "--out", tested)
	require.Equal(t, exitDone, code, errs)
	ask := []string{"engine", tested, "--engines", engines, "--picks", "37 /min", "--on", "1.25 s"}
	code, out, errs := command(t, append(ask, "--plan", plan)...)
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "the cheapest that holds: thrifty ejector")
	text, err := os.ReadFile(plan)
	require.NoError(t, err)
	assert.Contains(t, string(text), "# predicted: hold vacuum ")
	assert.Contains(t, string(text), "# predicted: seal time ")

	code, _, errs = command(t, "plan", "complete", plan, "--stations", "left", "--pieces", "2", "--picks", "2", "--out", runs)
	require.Equal(t, exitDone, code, errs)
	completed, err := os.ReadFile(runs)
	require.NoError(t, err)
	assert.True(t, bytes.HasPrefix(completed, text), "the plan's own text stays as it is")
	code, _, errs = command(t, "plan", "complete", runs)
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "has runs already")

	port := freePort(t)
	ctx, stop := context.WithCancel(t.Context())
	served := make(chan int)
	var said, wrong bytes.Buffer
	go func() {
		served <- run(ctx, []string{"simulate", rig, file("fourth.yaml", confirmScenario(1, "thrifty ejector")), "--port", port}, &said, &wrong)
	}()
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", "127.0.0.1:"+port)
		if err == nil {
			c.Close()
		}
		return err == nil
	}, 20*time.Second, 20*time.Millisecond)
	confirmed := filepath.Join(dir, "confirmed.gtrial")
	code, _, errs = command(t, "record", rig, runs, "--address", "block=127.0.0.1:"+port, "--out", confirmed)
	require.Equal(t, exitDone, code, errs)
	stop()
	require.Equal(t, exitDone, <-served, wrong.String())

	code, out, errs = command(t, append(ask, "--confirm", confirmed, "--json")...)
	require.Equal(t, exitDone, code, errs)
	var m struct {
		Confirmed []struct {
			Engine     string
			Predicted  *struct{ Value, Lo, Hi float64 } `json:"predicted_vacuum_kPa"`
			Measured   *struct{ Value, Lo, Hi float64 } `json:"measured_vacuum_kPa"`
			Within     *bool
			PredictedS *struct{ Value, Lo, Hi float64 } `json:"predicted_seal_time_s"`
			MeasuredS  *float64                         `json:"measured_seal_time_s"`
			SealWithin *bool                            `json:"seal_time_within"`
		}
		Leak struct {
			Settings int
			N        float64
		}
	}
	require.NoError(t, json.Unmarshal([]byte(out), &m))
	assert.Equal(t, 3, m.Leak.Settings)
	assert.InDelta(t, 0.62, m.Leak.N, 0.06, "the simulated leak's exponent")
	require.Len(t, m.Confirmed, 1)
	c := m.Confirmed[0]
	assert.Equal(t, "thrifty ejector", c.Engine)
	require.NotNil(t, c.Measured)
	require.NotNil(t, c.Within)
	assert.True(t, *c.Within, "%+v against %+v", *c.Predicted, *c.Measured)
	assert.InDelta(t, c.Measured.Value, c.Predicted.Value, 2)
	require.NotNil(t, c.MeasuredS)
	require.NotNil(t, c.PredictedS)
	assert.InEpsilon(t, *c.MeasuredS, c.PredictedS.Value, 0.25, "over the wire, while other tests run")
	code, out, _ = command(t, append(ask, "--confirm", confirmed)...)
	assert.Equal(t, exitDone, code)
	assert.Contains(t, out, "predicted against measured")
	t.Log(out)
}
