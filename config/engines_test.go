package config

import (
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const baseEngines = `engines:
  - name: small ejector
    kind: ejector
    air: 60 L/min ANR
    air_pressure: 5 bar
    hose: {diameter: 6 mm, length: 2 m}
    restriction: {conductance: 2 dm3/(s bar), b: 0.3}
    curve:
      - {vacuum: 0 kPa, flow: 52 L/min ANR}
      - {vacuum: 85 kPa, flow: 0 L/min ANR}
  - name: blower
    kind: blower
    curve:
      - {vacuum: 0 kPa, flow: 1000 L/min ANR, power: 0.9 kW}
      - {vacuum: 250 mbar, flow: 0 L/min ANR, power: 1600 W}
`

func TestParseEngines(t *testing.T) {
	all, err := ParseEngines("engines.yaml", []byte(baseEngines))
	require.NoError(t, err)
	require.Len(t, all, 2)
	e := all[0]
	assert.Equal(t, []CurvePoint{{0, 52, math.NaN()}, {85, 0, math.NaN()}}[1].VacuumKPa, e.Curve[1].VacuumKPa)
	assert.InDelta(t, 60, e.AirLminANR, 0)
	assert.InDelta(t, 500, e.AirPressureKPa, 1e-9)
	assert.True(t, math.IsNaN(all[1].AirPressureKPa))
	assert.InDelta(t, 2, e.HoseLengthM, 0)
	assert.InDelta(t, 6, e.HoseDiameterMM, 0)
	assert.InDelta(t, 2, e.LineC, 0)
	assert.InDelta(t, 0.3, e.LineB, 0)
	assert.True(t, math.IsNaN(e.PowerW))
	assert.True(t, math.IsNaN(e.CurveKPa))
	assert.InDelta(t, 25, all[1].Curve[1].VacuumKPa, 1e-12)
	assert.InDelta(t, 900, all[1].Curve[0].PowerW, 1e-9)
	assert.True(t, math.IsNaN(all[1].AirLminANR))

	hall, err := LoadEngines("../testdata/engines/hall.yaml")
	require.NoError(t, err)
	assert.Len(t, hall, 3)
	_, err = LoadEngines("nowhere.yaml")
	assert.ErrorIs(t, err, os.ErrNotExist)
}

func TestParseEnginesRefuses(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"no air", "    air: 60 L/min ANR\n", "", "engines.yaml:2:5: engines[0].air: not stated; want the compressed air"},
		{"no unit", "vacuum: 85 kPa", "vacuum: 85", "engines.yaml:10:18: engines[0].curve[1].vacuum: 85 has no unit"},
		{"which litre", "flow: 52 L/min ANR", "flow: 52 L/min", "it does not say of which state"},
		{"falling vacuum", "vacuum: 85 kPa", "vacuum: 0 kPa", "want rising vacuums"},
		{"rising flow", "flow: 0 L/min ANR}\n  - name: blower", "flow: 53 L/min ANR}\n  - name: blower", "want flows that do not rise"},
		{"no free flow", "vacuum: 0 kPa, flow: 52", "vacuum: 5 kPa, flow: 52", "want the free flow, at 0 kPa"},
		{"one point", "      - {vacuum: 85 kPa, flow: 0 L/min ANR}\n", "", "found one point"},
		{"half the powers", ", power: 0.9 kW", "", "1 of 2 points state a power"},
		{"no power", "", "", ""},
		{"two powers", "kind: blower", "kind: blower\n    power: 1 kW", "the points of the curve state the power"},
		{"air for a blower", "kind: blower", "kind: blower\n    air_pressure: 5 bar", "a blower takes no compressed air"},
		{"kind", "kind: blower", "kind: bellows", `"bellows" is unknown`},
		{"same name", "name: blower", "name: small ejector", "already the name of the engine in line 2"},
		{"unknown key", "air: 60", "airs: 60", "did you mean \"air\"?"},
		{"ratio", "b: 0.3", "b: 1", "1 is impossible"},
		{"ratio of words", "b: 0.3", "b: some", "want a number from 0"},
		{"no engines", baseEngines, "name: x\n", "engines: not stated"},
		{"empty list", baseEngines, "engines: []\n", "empty"},
		{"empty", baseEngines, "", "the file is empty"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.old == "" {
				c.old, c.new, c.want = ", power: 0.9 kW", "", "not stated"
				c.new = ""
				text := strings.NewReplacer(", power: 0.9 kW", "", ", power: 1600 W", "").Replace(baseEngines)
				_, err := ParseEngines("engines.yaml", []byte(text))
				require.ErrorContains(t, err, "engines[1].power: not stated; want the electric power")
				return
			}
			require.Contains(t, baseEngines, c.old)
			all, err := ParseEngines("engines.yaml", []byte(strings.Replace(baseEngines, c.old, c.new, 1)))
			require.ErrorContains(t, err, c.want)
			assert.Nil(t, all)
			assert.True(t, strings.HasPrefix(err.Error(), "engines.yaml:"))
		})
	}
}

func FuzzParseEngines(f *testing.F) {
	f.Add(baseEngines)
	f.Fuzz(func(t *testing.T, text string) {
		all, err := ParseEngines("engines.yaml", []byte(text))
		if err != nil {
			require.Nil(t, all)
			return
		}
		require.NotEmpty(t, all)
		for _, e := range all {
			require.GreaterOrEqual(t, len(e.Curve), 2)
		}
	})
}

func TestParseLeakPoints(t *testing.T) {
	rows, err := ParseLeakPoints("leak.csv", []byte("\ufeff# a remark\nsetting, vacuum_kPa,flow_Lmin,flow_u_Lmin\na, 10,1.5,0.1\n,20.5,2e0,\n"))
	require.NoError(t, err)
	require.Len(t, rows, 2)
	assert.Equal(t, "a", rows[0].Setting)
	assert.InDelta(t, 0.1, rows[0].FlowU, 0)
	assert.InDelta(t, 20.5, rows[1].VacuumKPa, 0)
	assert.True(t, math.IsNaN(rows[1].FlowU))
	assert.True(t, math.IsNaN(rows[0].VacuumU))
	for _, c := range []struct{ name, in, want string }{
		{"empty", "", "leak.csv:1:1: no leak point"},
		{"head only", "vacuum_kPa,flow_Lmin\n", "leak.csv:1:1: no leak point"},
		{"unknown column", "vacuum_kPa,flow\n1,2\n", `leak.csv:1:12: column "flow" is unknown`},
		{"column missing", "vacuum_kPa\n1\n", "column flow_Lmin is missing"},
		{"column twice", "vacuum_kPa,flow_Lmin,flow_Lmin\n1,2,3\n", "leak.csv:1:22: column flow_Lmin is there twice"},
		{"no number", "vacuum_kPa,flow_Lmin\n10,1\n20,x\n", `leak.csv:3:4: flow_Lmin: found "x"; want a number more than 0`},
		{"zero", "vacuum_kPa,flow_Lmin\n0,1\n", "leak.csv:2:1: vacuum_kPa: found 0"},
		{"inf", "vacuum_kPa,flow_Lmin\ninf,1\n", "leak.csv:2:1"},
		{"short row", "vacuum_kPa,flow_Lmin\n10\n", "leak.csv:2:1: found 1 fields; want 2"},
		{"quote", "vacuum_kPa,flow_Lmin\n\"10,1\n", "leak.csv:"},
	} {
		t.Run(c.name, func(t *testing.T) {
			rows, err := ParseLeakPoints("leak.csv", []byte(c.in))
			require.ErrorContains(t, err, c.want)
			assert.Nil(t, rows)
		})
	}
}

func FuzzParseLeakPoints(f *testing.F) {
	f.Add("vacuum_kPa,flow_Lmin\n10,1\n")
	f.Fuzz(func(t *testing.T, text string) {
		rows, err := ParseLeakPoints("leak.csv", []byte(text))
		require.Equal(t, err == nil, len(rows) > 0)
	})
}
