package modbus

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// channel returns one channel that is read as text says: table, address, type and order.
func channel(table config.Table, address int, kind, order string) config.Channel {
	return config.Channel{
		Channel: sample.Channel{Name: fmt.Sprintf("%s%d", table, address), Kind: sample.Vacuum, Scale: 1,
			Resolution: 1, Accuracy: math.NaN(), UpdateS: math.NaN(), LagS: math.NaN()},
		Register: config.Register{Table: table, Address: address, Type: kind, Order: order},
	}
}

// words returns a channel of 16 bits for each address of a table.
func words(table config.Table, addresses ...int) []config.Channel {
	kind := "u16"
	if isBits(table) {
		kind = "bit"
	}
	var cs []config.Channel
	for _, a := range addresses {
		cs = append(cs, channel(table, a, kind, ""))
	}
	return cs
}

// oneDevice returns a bus with a single device, unit 17, that is polled every 10 ms.
func oneDevice(channels ...config.Channel) config.Bus {
	return config.Bus{Name: "bus", Kind: config.ModbusTCP, Address: "127.0.0.1:0", TimeoutS: 0.1,
		Devices: []config.Device{{Name: "dev", Unit: 17, IntervalS: 0.01, TurnaroundS: math.NaN(), Channels: channels}}}
}

func TestPlanRequests(t *testing.T) {
	serial := func(turnaroundS float64, baud int, cs []config.Channel) config.Bus {
		b := oneDevice(cs...)
		b.Kind, b.Serial.Baud, b.Devices[0].TurnaroundS = config.ModbusRTU, baud, turnaroundS
		return b
	}
	cases := []struct {
		name string
		bus  config.Bus
		want []string // group names: bus, device, table, addresses
	}{
		{"neighbours", oneDevice(words(config.Holding, 0, 1, 2)...), []string{"bus dev holding 0–2"}},
		{"out of order, doubled", oneDevice(words(config.Holding, 2, 0, 1, 1)...), []string{"bus dev holding 0–2"}},
		{"one", oneDevice(words(config.Input, 65535)...), []string{"bus dev input 65535"}},
		{"a table each", oneDevice(append(append(words(config.Coil, 3), words(config.Discrete, 3)...),
			append(words(config.Input, 3), words(config.Holding, 3)...)...)...),
			[]string{"bus dev holding 3", "bus dev input 3", "bus dev coil 3", "bus dev discrete 3"}},

		// 177 bytes a request: a gap of 88 registers is 176 bytes, one of 89 is 178.
		{"TCP gap bridged", oneDevice(words(config.Holding, 0, 89)...), []string{"bus dev holding 0–89"}},
		{"TCP gap left", oneDevice(words(config.Holding, 0, 90)...), []string{"bus dev holding 0", "bus dev holding 90"}},
		{"TCP gap of bits bridged", oneDevice(words(config.Coil, 0, 1000)...), []string{"bus dev coil 0–1000"}},
		{"TCP gap of bits left", oneDevice(words(config.Coil, 0, 1999)...), []string{"bus dev coil 0", "bus dev coil 1999"}},
		// 20 bytes a request on a line: 10 registers.
		{"line gap bridged", serial(math.NaN(), 19200, words(config.Input, 0, 11)), []string{"bus dev input 0–11"}},
		{"line gap left", serial(math.NaN(), 19200, words(config.Input, 0, 12)), []string{"bus dev input 0", "bus dev input 12"}},
		// 5 ms at 19200 baud are 8.7 characters more: 14 registers.
		{"turnaround bridges", serial(0.005, 19200, words(config.Input, 0, 15)), []string{"bus dev input 0–15"}},
		{"turnaround leaves", serial(0.005, 19200, words(config.Input, 0, 16)), []string{"bus dev input 0", "bus dev input 16"}},
		{"slow device bridges all", serial(10, 19200, words(config.Input, 0, 124)), []string{"bus dev input 0–124"}},

		{"125 registers", oneDevice(words(config.Holding, upTo(125)...)...), []string{"bus dev holding 0–124"}},
		{"126 registers", oneDevice(words(config.Holding, upTo(126)...)...), []string{"bus dev holding 0", "bus dev holding 1–125"}},
		{"250 registers", oneDevice(words(config.Holding, upTo(250)...)...), []string{"bus dev holding 0–124", "bus dev holding 125–249"}},
		{"251 registers", oneDevice(words(config.Holding, upTo(251)...)...),
			[]string{"bus dev holding 0", "bus dev holding 1–125", "bus dev holding 126–250"}},
		{"2000 bits", oneDevice(words(config.Discrete, upTo(2000)...)...), []string{"bus dev discrete 0–1999"}},
		{"2001 bits", oneDevice(words(config.Discrete, upTo(2001)...)...), []string{"bus dev discrete 0", "bus dev discrete 1–2000"}},
		{"two words at the limit", oneDevice(append(words(config.Holding, upTo(123)...), channel(config.Holding, 123, "u32", "ABCD"))...),
			[]string{"bus dev holding 0–124"}},
		{"two words not parted", oneDevice(append(words(config.Holding, upTo(124)...), channel(config.Holding, 124, "u32", "ABCD"))...),
			[]string{"bus dev holding 0", "bus dev holding 1–125"}},
		{"cut at the gap, not at the limit", oneDevice(words(config.Holding, 0, 1, 70, 71, 126)...),
			[]string{"bus dev holding 0–1", "bus dev holding 70–126"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			requests, groups, err := Plan(c.bus)
			require.NoError(t, err)
			require.Len(t, groups, len(requests))
			var got []string
			channels := 0
			for i, g := range groups {
				got = append(got, g.Name)
				channels += len(g.Channels)
				assert.Equal(t, len(g.Channels), len(requests[i].whole.fields))
				assert.Equal(t, 0.01, g.Channels[0].IntervalS)
			}
			assert.Equal(t, c.want, got)
			assert.Equal(t, len(c.bus.Devices[0].Channels), channels, "channels in groups")
		})
	}
}

func upTo(n int) []int {
	s := make([]int, n)
	for i := range s {
		s[i] = i
	}
	return s
}

func TestPlanParts(t *testing.T) {
	requests, _, err := Plan(oneDevice(append(words(config.Holding, 3, 4, 6, 20), channel(config.Holding, 10, "f32", "ABCD"))...))
	require.NoError(t, err)
	require.Len(t, requests, 1)
	var got [][2]uint16
	for _, s := range requests[0].parts {
		got = append(got, [2]uint16{s.address, s.quantity})
	}
	assert.Equal(t, [][2]uint16{{3, 2}, {6, 1}, {10, 2}, {20, 1}}, got)

	requests, _, err = Plan(oneDevice(words(config.Holding, 3, 4)...))
	require.NoError(t, err)
	assert.Nil(t, requests[0].parts, "no gap")
}

// Any layout: every channel is read once, from where it lies, within the limits, and no
// other way to part neighbours into requests is cheaper (tried by brute force).
func TestPlanIsCheapest(t *testing.T) {
	const seed = 7
	rng := rand.New(rand.NewPCG(seed, 0))
	for trial := range 300 {
		var cs []config.Channel
		at := rng.IntN(100)
		for range 1 + rng.IntN(9) {
			kind, order := "u16", ""
			if rng.IntN(3) == 0 {
				kind, order = "u32", "ABCD"
			}
			cs = append(cs, channel(config.Holding, at, kind, order))
			at += rng.IntN(130)
		}
		requests, groups, err := Plan(oneDevice(cs...))
		require.NoError(t, err)
		cost, n := 0, 0
		for i, r := range requests {
			require.LessOrEqual(t, r.Quantity, uint16(125))
			cost += 177 + 2*int(r.Quantity)
			for j, f := range r.whole.fields {
				require.Equal(t, cs[n].Name, groups[i].Channels[j].Name, "seed %d trial %d", seed, trial)
				require.Equal(t, cs[n].Register.Address, int(r.Address)+f.at/2, "seed %d trial %d", seed, trial)
				require.LessOrEqual(t, f.at/2+len(cs[n].Register.Order)/4+1, int(r.Quantity))
				n++
			}
		}
		require.Equal(t, len(cs), n)

		cheapest := math.MaxInt
		for cuts := range 1 << (len(cs) - 1) { // bit i: a cut after channel i
			sum, from, to := 0, cs[0].Register.Address, 0
			for i, c := range cs {
				to = max(to, c.Register.Address+1+len(c.Register.Order)/4)
				if i == len(cs)-1 || cuts>>i&1 == 1 {
					sum += 177 + 2*(to-from)
					if to-from > 125 {
						sum += 1 << 30
					}
					if i < len(cs)-1 {
						from, to = cs[i+1].Register.Address, 0
					}
				}
			}
			cheapest = min(cheapest, sum)
		}
		require.Equal(t, cheapest, cost, "seed %d trial %d", seed, trial)
	}
}

func TestPlanErrors(t *testing.T) {
	bus := oneDevice(words(config.Holding, -1)...)
	cases := []struct {
		name   string
		change func(*config.Bus)
		want   string
	}{
		{"no Modbus", func(b *config.Bus) { b.Kind = config.TextTCP }, `bus bus: kind "text-tcp" is no Modbus`},
		{"no channel", func(b *config.Bus) { b.Devices[0].Channels = nil }, "bus bus: no device has a channel"},
		{"several, in order", func(b *config.Bus) {
			b.Devices[0].Unit, b.Devices[0].IntervalS = 256, math.NaN()
			b.Devices[0].Channels = append(words(config.Holding, -1, 65536), channel(config.Holding, 65535, "u32", "ABCD"), channel(config.Input, 0, "u64", ""))
		}, "bus bus: device dev: unit 256 is out of range; want 0 to 255\n" +
			"bus bus: device dev: interval of NaN s is out of range; want 10 µs at least\n" +
			"bus bus: device dev: channel holding-1: address -1 is out of range; want 0 to 65535\n" +
			"bus bus: device dev: channel holding65536: address 65536 is out of range; want 0 to 65535\n" +
			"bus bus: device dev: channel holding65535: address 65535 is out of range; want 0 to 65534\n" +
			`bus bus: device dev: channel input0: type "u64" is not known; want u16, i16, u32, i32, f32 or bit`},
		{"broadcast on a line", func(b *config.Bus) {
			b.Kind, b.Devices[0].Unit, b.Devices[0].Channels = config.ModbusRTU, 0, words(config.Input, 0)
		}, "bus bus: device dev: unit 0 is out of range; want 1 to 247"},
		{"f32 without step", func(b *config.Bus) {
			c := channel(config.Input, 0, "f32", "ABCD")
			c.Scale = 0
			b.Devices[0].Channels = []config.Channel{c}
		}, "bus bus: device dev: channel input0: f32 needs a step or a scale that is not 0, as its counts are whole steps"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			b := bus
			b.Devices = []config.Device{bus.Devices[0]}
			c.change(&b)
			requests, groups, err := Plan(b)
			require.EqualError(t, err, c.want)
			assert.Empty(t, requests)
			assert.Empty(t, groups)
		})
	}
}
