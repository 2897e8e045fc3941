package modbus

import (
	"context"
	"encoding/hex"
	"testing"
	"testing/synctest"
	"time"

	"github.com/goburrow/modbus"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/config"
)

// What a device may do wrong, and what must come of it. Each case polls the three registers
// of [AP] 6.3 (108 to 110, sent as 107 to 109) of unit 17 every 10 ms with a time-out of
// 100 ms, and ends with the script.
func TestGuards(t *testing.T) {
	const (
		ask  = "1103006b0003"
		good = "ID 0000 0009 11 03 06 022b 0000 0064"
		vals = "555 0 100"
	)
	cases := []struct {
		name       string
		ops        []op
		want       []string
		reconnects uint64
		stats      DeviceStats // what must be counted, beside OK, Skipped and BackedOff
	}{
		{name: "all well", ops: []op{{ask, good}, {ask, good}}, want: []string{vals, vals}},
		{name: "reply in single bytes", ops: []op{{ask, "ID 00 00 00 09 11 03 06 02 2b 00 00 00 64"}}, want: []string{vals}},

		{name: "server closes", ops: []op{{ask, "close"}, {ask, good}},
			want: []string{FaultLost, vals}, reconnects: 1, stats: DeviceStats{Lost: 1}},
		{name: "server closes after the reply", ops: []op{{ask, good + " close"}, {ask, good}},
			want: []string{vals, FaultLost, vals}, reconnects: 1, stats: DeviceStats{Lost: 1}},
		{name: "server closes in a reply", ops: []op{{ask, "ID 0000 0009 11 close"}, {ask, good}},
			want: []string{FaultLost, vals}, reconnects: 1, stats: DeviceStats{Lost: 1}},

		{name: "late reply is not taken for the next", ops: []op{{ask, "wait ID 0000 0009 11 03 06 ffff ffff ffff"}, {ask, good}, {ask, good}},
			want: []string{FaultTimeout, vals, vals}, stats: DeviceStats{Timeouts: 1, Stale: 1}},
		{name: "doubled reply", ops: []op{{ask, good + " " + good}, {ask, good}, {ask, good}},
			want: []string{vals, vals, vals}, stats: DeviceStats{Stale: 1}},
		{name: "foreign reply before the right one", ops: []op{{ask, "ID-1 0000 0009 11 03 06 ffff ffff ffff " + good}},
			want: []string{vals}, stats: DeviceStats{Stale: 1}},
		{name: "foreign reply only", ops: []op{{ask, "ID-1 0000 0009 11 03 06 ffff ffff ffff"}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 1, Stale: 1}},
		{name: "mute once", ops: []op{{ask, ""}, {ask, good}}, want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 1}},
		{name: "mute three times reopens", ops: []op{{ask, ""}, {ask, ""}, {ask, ""}, {ask, good}},
			want: []string{FaultTimeout, vals}, reconnects: 1, stats: DeviceStats{Timeouts: 3}},

		{name: "always late is not mute", ops: []op{{ask, "wait " + good}, {ask, "wait " + good}, {ask, "wait " + good}, {ask, "wait " + good}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 4, Stale: 4}},

		{name: "length field 300", ops: []op{{ask, "ID 0000 012c 11 03 06 ffff ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "length field 0", ops: []op{{ask, "ID 0000 0000 11 03 06 ffff ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "length field one too small", ops: []op{{ask, "ID 0000 0008 11 03 06 ffff ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "length field one too large", ops: []op{{ask, "ID 0000 000a 11 03 06 ffff ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "protocol id 1", ops: []op{{ask, "ID 0001 0009 11 03 06 ffff ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "cut short, the rest later", ops: []op{{ask, "ID 0000 0009 11 03 06 ffff wait ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "header cut short", ops: []op{{ask, "ID 00"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},

		{name: "fewer registers, well formed", ops: []op{{ask, "ID 0000 0007 11 03 04 ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "more registers, well formed", ops: []op{{ask, "ID 0000 000b 11 03 08 ffff ffff ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "byte count beside the data", ops: []op{{ask, "ID 0000 0009 11 03 04 ffff ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "another function", ops: []op{{ask, "ID 0000 0009 11 04 06 ffff ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "another function, as short as an exception", ops: []op{{ask, "ID 0000 0003 11 04 02"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "exception to another function", ops: []op{{ask, "ID 0000 0003 11 84 02"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "exception too long", ops: []op{{ask, "ID 0000 0004 11 83 02 00"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},
		{name: "another unit", ops: []op{{ask, "ID 0000 0009 12 03 06 ffff ffff ffff"}, {ask, good}},
			want: []string{FaultFraming, vals}, reconnects: 1, stats: DeviceStats{Framing: 1}},

		{name: "exception 02", ops: []op{{ask, "ID 0000 0003 11 83 02"}, {ask, good}},
			want: []string{"exception 02", vals}, stats: DeviceStats{Exceptions: map[Exception]uint64{2: 1}}},
		{name: "exceptions in a row are one fault", ops: []op{{ask, "ID 0000 0003 11 83 06"}, {ask, "ID 0000 0003 11 83 0B"}, {ask, "ID 0000 0003 11 83 06"}, {ask, good}},
			want: []string{"exception 06", vals}, stats: DeviceStats{Exceptions: map[Exception]uint64{6: 2, 0x0B: 1}}},
		{name: "faults parted by a scan are two", ops: []op{{ask, "ID 0000 0003 11 83 06"}, {ask, good}, {ask, "ID 0000 0003 11 83 04"}, {ask, good}},
			want: []string{"exception 06", vals, "exception 04", vals}, stats: DeviceStats{Exceptions: map[Exception]uint64{6: 1, 4: 1}}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := bubblePoller(t, oneDevice(words(config.Holding, 107, 108, 109)...))
				conns := pipes(t, p)
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				var log logbook
				ran := make(chan error)
				go func() { ran <- p.Run(ctx, log.emit) }()
				go func() {
					play(t, conns, c.ops, 100*time.Millisecond, func() {
						time.Sleep(time.Millisecond) // the last answer arrives, the next slot does not
						cancel()
					})
				}()
				require.NoError(t, <-ran)

				log.check(t, p.Groups())
				assert.Equal(t, c.want, log.lines())
				s := p.Stats()
				assert.Equal(t, c.reconnects, s.Reconnects, "reconnects")
				d := s.Devices[0]
				var scans uint64
				for _, l := range c.want {
					if l == vals {
						scans++
					}
				}
				assert.Equal(t, scans, d.OK)
				c.stats.Device, c.stats.OK, c.stats.Skipped, c.stats.BackedOff = "dev", d.OK, d.Skipped, d.BackedOff
				c.stats.LateMedian, c.stats.LateP99, c.stats.LateWorst = d.LateMedian, d.LateP99, d.LateWorst
				assert.Equal(t, c.stats, d)
			})
		})
	}
}

// One failure is tried again at the next slot, two in a row 100 ms later, and an answer
// makes a device start afresh.
func TestAnAnswerEndsTheBackoff(t *testing.T) {
	const ask, good = "110300050001", "ID 0000 0005 11 03 02 0005"
	for name, bad := range map[string]string{"connection": "close", "device": "", "request": "ID 0000 0003 11 83 04"} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := bubblePoller(t, oneDevice(words(config.Holding, 5)...))
				conns := pipes(t, p)
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				ops := []op{{ask, bad}, {ask, bad}, {ask, good}, {ask, bad}, {ask, good}}
				go play(t, conns, ops, time.Second, func() { time.Sleep(time.Millisecond); cancel() })
				var log logbook
				require.NoError(t, p.Run(ctx, log.emit))
				s := p.Stats()
				assert.Len(t, log.lines(), 4)
				assert.Equal(t, uint64(2), s.Devices[0].OK)
				assert.InDelta(t, 10, s.Devices[0].BackedOff, 1, "slots in 100 ms, once")

				s.Devices[0].OK = 99
				if s.Devices[0].Exceptions != nil {
					s.Devices[0].Exceptions[4] = 99
				}
				assert.NotEqual(t, s, p.Stats(), "Stats is a copy")
				assert.Equal(t, uint64(2), p.Stats().Devices[0].OK)
				assert.NotEqual(t, uint64(99), p.Stats().Devices[0].Exceptions[4])
			})
		})
	}
}

// The frames printed in the specifications, both ways.
func TestSpecificationFrames(t *testing.T) {
	t.Run("[TG] 4.4.1.2 request", func(t *testing.T) {
		l := newTCP("", time.Second)
		l.address(0xFF)
		var frame []byte
		for range 0x1501 { // ids count from 1
			var err error
			frame, err = l.Encode(&modbus.ProtocolDataUnit{FunctionCode: 3, Data: []byte{0, 4, 0, 1}})
			require.NoError(t, err)
		}
		assert.Equal(t, "150100000006ff0300040001", hex.EncodeToString(frame))
	})

	bitsOf := func(table config.Table, address, n int) []config.Channel {
		var at []int
		for i := range n {
			at = append(at, address+i)
		}
		return words(table, at...)
	}
	cases := []struct {
		name     string
		channels []config.Channel
		op       op
		want     []string
	}{
		{"[AP] 6.1 coils 20 to 38", bitsOf(config.Coil, 0x13, 19), op{"110100130013", "ID 0000 0006 11 01 03 cd 6b 05"},
			// CD, 6B and 05 with the lowest bit first.
			[]string{"1 0 1 1 0 0 1 1 1 1 0 1 0 1 1 0 1 0 1"}},
		{"[AP] 6.2 inputs 197 to 218", bitsOf(config.Discrete, 0xC4, 22), op{"110200c40016", "ID 0000 0006 11 02 03 ac db 35"},
			[]string{"0 0 1 1 0 1 0 1 1 1 0 1 1 0 1 1 1 0 1 0 1 1"}},
		{"[AP] 6.3 registers 108 to 110", words(config.Holding, 107, 108, 109), op{"1103006b0003", "ID 0000 0009 11 03 06 022b 0000 0064"},
			[]string{"555 0 100"}},
		{"[AP] 6.4 input register 9", words(config.Input, 8), op{"110400080001", "ID 0000 0005 11 04 02 000a"}, []string{"10"}},
		{"[AP] 7 coil 1185 absent", words(config.Coil, 0x4A1), op{"110104a10001", "ID 0000 0003 11 81 02"}, []string{"exception 02"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := bubblePoller(t, oneDevice(c.channels...))
				conns := pipes(t, p)
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				var log logbook
				go play(t, conns, []op{c.op}, time.Second, func() { time.Sleep(time.Millisecond); cancel() })
				require.NoError(t, p.Run(ctx, log.emit))
				assert.Equal(t, c.want, log.lines())
			})
		})
	}
}
