package simulator

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// channel is one of a test's rig: continuous or switched with the fields a simulator needs.
func channel(name string, k sample.Kind, station string, offset, scale float64, r config.Register) config.Channel {
	nan := math.NaN()
	c := config.Channel{Register: r, Channel: sample.Channel{Name: name, Kind: k, Station: station, Offset: offset, Scale: scale,
		OnAbove: nan, Resolution: math.Abs(scale), Accuracy: nan, IntervalS: 0.01, UpdateS: nan, LagS: nan}}
	if k.Switched() {
		c.OnAbove = 0.5
	}
	return c
}

func reg(table config.Table, address int, kind, order string) config.Register {
	return config.Register{Table: table, Address: address, Type: kind, Order: order}
}

// demoRig has all of the demo's signals in an I/O block, and a power meter with 32 bits.
func demoRig() config.Rig {
	block := config.Device{Name: "io", Unit: 1, IntervalS: 0.01}
	for i, st := range DemoStations {
		block.Channels = append(block.Channels,
			// 0–10 V as 0–27648 counts for 0 to 100 kPa of vacuum.
			channel("vacuum "+st, sample.Vacuum, st, 0, 100./27648, reg(config.Input, i, "i16", "AB")),
			channel("flow "+st, sample.Flow, st, 0, 0.01, reg(config.Input, 2+i, "u16", "AB")),
			channel("air "+st, sample.Air, st, 0, 0.1, reg(config.Input, 4+i, "u16", "AB")))
		for k, kind := range []sample.Kind{sample.Supply, sample.Release, sample.Touch, sample.Carried} {
			block.Channels = append(block.Channels, channel(string(kind)+" "+st, kind, st, 0, 1, reg(config.Discrete, 4*i+k, "bit", "")))
		}
	}
	meter := config.Device{Name: "meter", Unit: 2, IntervalS: 0.02, Channels: []config.Channel{
		channel("power", sample.Power, "", 0, 0.1, reg(config.Holding, 10, "f32", "CDAB")),
		channel("air pressure", sample.AirPressure, "", 0, 0.1, reg(config.Holding, 12, "u32", "ABCD"))}}
	return config.Rig{Name: "demo", Buses: []config.Bus{{Name: "cell", Kind: config.ModbusTCP, Devices: []config.Device{block, meter}}}}
}

func TestReadIsTheInverseOfValue(t *testing.T) {
	for _, tc := range []struct {
		name          string
		kind          string
		offset, scale float64
		value         float64
		want          int64
	}{
		{"negative gauge", "i16", 0, -0.01, 61.25, -6125},
		{"rounds half away", "u16", 0, 1, 2.5, 3},
		{"absolute", "u16", 101.325, -0.1, 60, 413},
		{"below u16", "u16", 0, 0.01, -0.3, 0},
		{"above u16", "u16", 0, 0.001, 70, 65535},
		{"below i16", "i16", 0, -0.001, 60, -32768},
		{"above i16", "i16", 0, 0.001, 60, 32767},
		{"above i32", "i32", 0, 1e-9, 60, math.MaxInt32},
		{"below i32", "i32", 0, -1e-9, 60, math.MinInt32},
		{"above u32", "u32", 0, 1e-9, 60, math.MaxUint32},
		{"below u32", "u32", 0, 1, -1, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := channel("v", sample.Vacuum, "a", tc.offset, tc.scale, reg(config.Input, 0, tc.kind, ""))
			require.Equal(t, tc.want, read(&c, tc.value).count)
		})
	}
}

func TestSwitchesComeOutOnTheRightSide(t *testing.T) {
	for _, tc := range []struct {
		name                   string
		kind                   string
		offset, scale, onAbove float64
	}{
		{"bit", "bit", 0, 1, 0.5}, {"bit, low is on", "bit", 1, -1, 0.5}, {"volts", "u16", 0, 0.001, 2.5}, {"one or zero", "u16", 0, 1, 0.5},
		{"low is on in a word", "u16", 1, -1, 0.5}, {"above zero", "u16", 0, 1, 0}, {"float", "f32", 0, 1, 0.5},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := channel("s", sample.Supply, "a", tc.offset, tc.scale, reg(config.Input, 0, tc.kind, ""))
			c.OnAbove = tc.onAbove
			require.True(t, c.On(readSwitch(&c, true).count))
			require.False(t, c.On(readSwitch(&c, false).count))
		})
	}
}

// −61.25 as a float32 is C2750000; the four orders as bytes on the wire. Computed from IEEE 754.
func TestOrdersOf32Bits(t *testing.T) {
	for order, want := range map[string]uint64{"": 0xC2750000, "ABCD": 0xC2750000, "CDAB": 0x0000C275, "BADC": 0x75C20000, "DCBA": 0x000075C2} {
		for kind, scale := range map[string]float64{"f32": -0.01, "u32": -61.25 / 0xC2750000} {
			c := channel("v", sample.Vacuum, "a", 0, scale, reg(config.Input, 1, kind, order))
			d := &device{words: map[config.Table][]uint16{config.Input: make([]uint16, 3)}}
			x := read(&c, 61.25) // −61.25 in the device's own sign
			if kind == "u32" {
				x = read(&c, -61.25)
			}
			d.put(c.Register, x)
			got := binary.BigEndian.Uint64(append([]byte{0, 0, 0, 0}, d.answer([]byte{4, 0, 1, 0, 2})[2:]...))
			require.Equal(t, want, got, "%s %s", kind, order)
		}
	}
	c := channel("v", sample.Vacuum, "a", 0, -0.01, reg(config.Input, 0, "f32", "ABCD"))
	c.Register.Step = 0.1 // the device sends mbar
	d := &device{words: map[config.Table][]uint16{config.Input: make([]uint16, 2)}}
	d.put(c.Register, read(&c, 61.25))
	require.Equal(t, float32(-612.5), math.Float32frombits(binary.BigEndian.Uint32(d.answer([]byte{4, 0, 0, 0, 2})[2:])))
	c = channel("v", sample.Vacuum, "a", 0, 1, reg(config.Input, 0, "i16", "BA"))
	d.put(c.Register, read(&c, -2))
	require.Equal(t, []byte{4, 2, 0xFE, 0xFF}, d.answer([]byte{4, 0, 0, 0, 1}))
}

func TestRigFaultsAreNamed(t *testing.T) {
	for _, tc := range []struct {
		name, want string
		change     func(*config.Rig)
	}{
		{"unknown station", `no station "middle"`, func(r *config.Rig) { r.Buses[0].Devices[0].Channels[0].Station = "middle" }},
		{"no scale", "cannot be turned round", func(r *config.Rig) { r.Buses[0].Devices[0].Channels[0].Scale = 0 }},
		{"shared register", "share input 0", func(r *config.Rig) { r.Buses[0].Devices[0].Channels[1].Register.Address = 0 }},
		{"overlapping words", "share holding 11", func(r *config.Rig) { r.Buses[0].Devices[1].Channels[1].Register.Address = 11 }},
		{"last address of 32 bits", "ends past 65535", func(r *config.Rig) { r.Buses[0].Devices[1].Channels[1].Register.Address = 65535 }},
		{"address too high", "0 to 65535", func(r *config.Rig) { r.Buses[0].Devices[1].Channels[1].Register.Address = 65536 }},
		{"unknown type", `type "u8"`, func(r *config.Rig) { r.Buses[0].Devices[1].Channels[1].Register.Type = "u8" }},
		{"wrong order", `order "AB" for type u32`, func(r *config.Rig) { r.Buses[0].Devices[1].Channels[1].Register.Order = "AB" }},
		{"word in coils", `type "u32" in table coil`, func(r *config.Rig) { r.Buses[0].Devices[1].Channels[1].Register.Table = config.Coil }},
		{"unknown table", `table "file"`, func(r *config.Rig) { r.Buses[0].Devices[1].Channels[1].Register.Table = "file" }},
		{"same unit", "two devices have unit 1", func(r *config.Rig) { r.Buses[0].Devices[1].Unit = 1 }},
		{"vacuum of all", "belongs to one station", func(r *config.Rig) { r.Buses[0].Devices[0].Channels[0].Station = "" }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rig := demoRig()
			tc.change(&rig)
			_, err := NewRig(DemoScenario(8), rig)
			require.ErrorContains(t, err, tc.want)
		})
	}
}

// collect runs Fast and joins its batches by group.
func collect(t *testing.T, sc Scenario, rig config.Rig, intervalS float64) ([]sample.Batch, []Truth) {
	t.Helper()
	var all []sample.Batch
	lastNS := map[int]int64{}
	truths, err := Fast(sc, rig, intervalS, func(b sample.Batch) error {
		for len(all) <= b.Group {
			all = append(all, sample.Batch{Group: len(all)})
		}
		a := &all[b.Group]
		for i, x := range b.T {
			last, seen := lastNS[b.Group]
			require.True(t, !seen || x > last, "stamps increase strictly")
			require.Zero(t, x%sample.TickNS)
			lastNS[b.Group] = b.T[i]
		}
		require.Len(t, b.Half, len(b.T))
		a.T = append(a.T, b.T...)
		if a.Counts == nil {
			a.Counts = make([][]int64, len(b.Counts))
		}
		require.Len(t, b.Counts, len(a.Counts))
		for k := range b.Counts {
			require.Len(t, b.Counts[k], len(b.T))
			a.Counts[k] = append(a.Counts[k], b.Counts[k]...)
		}
		return nil
	})
	require.NoError(t, err)
	return all, truths
}

func TestFastShowsThePlant(t *testing.T) {
	sc, cfg := DemoScenario(16), demoRig()
	sc.Noise = Noise{}
	got, truths := collect(t, sc, cfg, 0)
	require.Len(t, got, 2)
	require.Equal(t, text(t, truthOf(t, sc)), text(t, truths), "looking changes nothing")
	p, err := NewPlant(sc)
	require.NoError(t, err)
	block := cfg.Buses[0].Devices[0]
	require.Equal(t, int64(10e6), got[0].T[1])
	require.Equal(t, int64(20e6), got[1].T[1])
	for i, ns := range got[0].T {
		for st := range DemoStations {
			x := p.Sample(st, float64(ns)/1e9)
			c := block.Channels[7*st : 7*st+7]
			v := got[0].Counts[7*st : 7*st+7]
			for k, want := range []float64{x.VacuumKPa, x.FlowLminANR, x.AirLminANR} {
				if off := c[k].Value(v[k][i]) - want; !(math.Abs(off) <= 0.5*c[k].Scale+1e-9) {
					require.Failf(t, "not what the plant has", "%s off by %v at %d ns", c[k].Name, off, ns)
				}
			}
			require.Equal(t, []bool{x.Supply, x.Release, x.Touch, x.Carried},
				[]bool{c[3].On(v[3][i]), c[4].On(v[4][i]), c[5].On(v[5][i]), c[6].On(v[6][i])})
		}
	}
	// Every edge that a pick commands is in the samples: rises counted at both stations.
	for st := range DemoStations {
		for k, kind := range []string{"supply", "release", "touch", "carried"} {
			rises, last := 0, int64(0)
			for _, n := range got[0].Counts[7*st+3+k] {
				if n > last {
					rises++
				}
				last = n
			}
			require.Equal(t, 16, rises, "%s %s", kind, DemoStations[st])
		}
	}
	require.Positive(t, slices.Max(got[1].Counts[0]), "power of both stations")
	require.Equal(t, int64(5500), got[1].Counts[1][0])
}

// text lets truths compare, NaN and all.
func text(t *testing.T, x []Truth) string {
	t.Helper()
	var b strings.Builder
	require.NoError(t, WriteTruth(&b, x))
	return b.String()
}

func TestFastIsDeterministic(t *testing.T) {
	a, _ := collect(t, DemoScenario(9), demoRig(), 0.01)
	b, _ := collect(t, DemoScenario(9), demoRig(), 0.01)
	require.Equal(t, a, b)
	sc := DemoScenario(9)
	sc.Seed++
	c, _ := collect(t, sc, demoRig(), 0.01)
	require.NotEqual(t, a[0].Counts, c[0].Counts)
}

func TestNoiseHasItsStandardDeviation(t *testing.T) {
	sc, cfg := DemoScenario(0), demoRig()
	sc.LeadS = 100
	sc.Noise.VacuumKPa = 0.2
	got, _ := collect(t, sc, cfg, 0.01)
	var sum, squares, neighbours float64
	v := got[0].Counts[0]
	for i, n := range v {
		x := float64(n) * 100 / 27648
		sum, squares = sum+x, squares+x*x
		if i > 0 {
			neighbours += x * float64(v[i-1]) * 100 / 27648
		}
	}
	n := float64(len(v))
	require.Greater(t, n, 10_000.)
	// Standard errors for n independent normal numbers: σ/√n, σ/√(2n), σ²/√n; four of each.
	assert.InDelta(t, 0, sum/n, 4*0.2/math.Sqrt(n))
	assert.InDelta(t, 0.2, math.Sqrt(squares/n), 4*0.2/math.Sqrt(2*n))
	assert.InDelta(t, 0, neighbours/n, 4*0.04/math.Sqrt(n))
}

func TestUpdateHoldsTheReading(t *testing.T) {
	sc, cfg := DemoScenario(8), demoRig()
	ch := &cfg.Buses[0].Devices[0].Channels[0]
	ch.UpdateS = 0.05
	got, _ := collect(t, sc, cfg, 0.001) // 1 ms a row
	var changes []int64
	for i, n := range got[0].Counts[0] {
		if i > 0 && n != got[0].Counts[0][i-1] {
			changes = append(changes, got[0].T[i])
		}
	}
	require.Greater(t, len(changes), 100)
	require.Less(t, changes[0], int64(100e6), "the first refresh counts")
	for _, c := range changes { // ms, all of one phase
		require.Equal(t, changes[0]/1e6%50, c/1e6%50)
	}
	// What is held does not depend on how often it is looked at.
	slow, _ := collect(t, sc, cfg, 0.007)
	for i, ns := range slow[0].T {
		require.Equal(t, got[0].Counts[0][ns/1e6], slow[0].Counts[0][i], "at %d ns", ns)
	}
}

// On an exponential rise from rest v = v∞(1 − e^(−t/τ)), a first-order lag λ gives
// v∞(1 − (τ·e^(−t/τ) − λ·e^(−t/λ))/(τ − λ)).
func TestLagMeetsClosedForm(t *testing.T) {
	u := sealedSetup()
	u.Leak = Leak{K: 0.1, N: 1}
	const lag = 0.1
	cfg := config.Rig{Buses: []config.Bus{{Name: "b", Kind: config.ModbusTCP, Devices: []config.Device{{Name: "d", Unit: 1, IntervalS: 0.01,
		Channels: []config.Channel{channel("v", sample.Vacuum, "a", 0, 1e-6, reg(config.Input, 0, "i32", ""))}}}}}}
	cfg.Buses[0].Devices[0].Channels[0].LagS = lag
	got, _ := collect(t, oneStation(u, 1), cfg, 0.01)
	g := 60/85. + 0.1
	vInf, tau := 60/g, 60*0.4/(100*g)
	for i := 100; i < 1000; i++ {
		s := float64(got[0].T[i])/1e9 - 1
		want := vInf * (1 - (tau*math.Exp(-s/tau)-lag*math.Exp(-s/lag))/(tau-lag))
		require.InDelta(t, want, float64(got[0].Counts[0][i])*1e-6, 5e-3, "at %v s", s)
	}
}

func TestFastStopsOnAnError(t *testing.T) {
	stop := errors.New("enough")
	n := 0
	_, err := Fast(DemoScenario(8), demoRig(), 0.01, func(sample.Batch) error { n++; return stop })
	require.ErrorIs(t, err, stop)
	require.Equal(t, 1, n)
	for _, s := range []float64{-1, math.NaN(), 1e-6} {
		_, err = Fast(DemoScenario(8), demoRig(), s, func(sample.Batch) error { return nil })
		require.ErrorContains(t, err, "interval", fmt.Sprint(s))
	}
}

func BenchmarkFast(b *testing.B) {
	cfg := demoRig()
	seconds := 0.0
	for b.Loop() {
		sc := DemoScenario(160)
		_, err := Fast(sc, cfg, 0.01, func(sample.Batch) error { return nil })
		require.NoError(b, err)
		seconds += sc.DurationS() * 2
	}
	b.ReportMetric(seconds/b.Elapsed().Seconds(), "×real/station")
}

// A device has refreshed before anyone looks: its first answer is a reading, not an empty
// register, and its next refresh comes less than one period later.
func TestFirstRefreshes(t *testing.T) {
	sc, cfg := DemoScenario(0), demoRig()
	sc.Noise.VacuumKPa = 1
	ch := &cfg.Buses[0].Devices[0].Channels[0]
	ch.UpdateS, ch.Offset, ch.Scale = 0.5, 101.325, -0.001 // an absolute sensor
	ch.Register = reg(config.Input, 100, "i32", "ABCD")
	got, _ := collect(t, sc, cfg, 0.01)
	v := got[0].Counts[0]
	require.InDelta(t, 101_325, v[0], 6000, "ambient, within six standard deviations")
	var changes []int64
	for i := 1; i < len(v); i++ {
		if v[i] != v[i-1] {
			changes = append(changes, got[0].T[i])
		}
	}
	require.Greater(t, len(changes), 3)
	require.LessOrEqual(t, changes[0], int64(500e6))
	require.Equal(t, int64(500e6), changes[1]-changes[0])
}
