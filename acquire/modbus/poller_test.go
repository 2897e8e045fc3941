package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire"
	"griptrial/acquire/sample"
	"griptrial/config"
)

// answer answers registers with their own addresses and bits with their address's lowest
// bit, each request after delay. A request whose unit is in mute is swallowed.
func answer(conn net.Conn, delay time.Duration, mute ...byte) {
	defer conn.Close()
	var b [12]byte
	for {
		if _, err := io.ReadFull(conn, b[:]); err != nil {
			return
		}
		silent := false
		for _, m := range mute {
			silent = silent || b[6] == m
		}
		if silent {
			continue
		}
		time.Sleep(delay)
		at, n := int(binary.BigEndian.Uint16(b[8:])), int(binary.BigEndian.Uint16(b[10:]))
		var data []byte
		if b[7] > 2 {
			for i := range n {
				data = binary.BigEndian.AppendUint16(data, uint16(at+i))
			}
		} else {
			data = make([]byte, (n+7)/8)
			for i := range n {
				data[i/8] |= byte((at+i)&1) << (i % 8)
			}
		}
		if _, err := conn.Write(frame(b[:2], b[6], b[7], data)); err != nil {
			return
		}
	}
}

// frame returns the reply to function with data.
func frame(id []byte, unit, function byte, data []byte) []byte {
	f := append([]byte{id[0], id[1], 0, 0, 0, byte(3 + len(data)), unit, function, byte(len(data))}, data...)
	return f
}

// runFor runs p in a bubble for d, less a moment lest it end at the very instant of a slot,
// and returns its log.
func runFor(t *testing.T, p *Poller, d time.Duration) *logbook {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d-time.Microsecond)
	defer cancel()
	var log logbook
	require.NoError(t, p.Run(ctx, log.emit))
	log.check(t, p.Groups())
	return &log
}

func serve(conns <-chan net.Conn, delay time.Duration, mute ...byte) {
	for c := range conns {
		go answer(c, delay, mute...)
	}
}

func TestAnHourWithoutDrift(t *testing.T) {
	length := time.Hour
	if testing.Short() {
		length /= 10
	}
	synctest.Test(t, func(t *testing.T) {
		p := bubblePoller(t, oneDevice(words(config.Holding, 5, 6)...))
		conns := pipes(t, p)
		go serve(conns, 3*time.Millisecond)

		ctx, cancel := context.WithTimeout(t.Context(), length-time.Microsecond)
		defer cancel()
		var n, wrong int64
		require.NoError(t, p.Run(ctx, func(b sample.Batch) {
			for i, stamp := range b.T {
				// Sent at k × 10 ms, answered 3 ms later.
				if stamp != n*10_000_000+1_500_000 || b.Half[i] != 1_500_000 || b.Counts[0][i] != 5 || b.Counts[1][i] != 6 || b.Fault != "" {
					wrong++
				}
				n++
			}
		}))
		polls := length.Milliseconds() / 10
		assert.Equal(t, polls, n)
		assert.Zero(t, wrong, "scans off their instants or with wrong counts")
		s := p.Stats()
		assert.Equal(t, DeviceStats{Device: "dev", OK: uint64(polls)}, s.Devices[0], "no lateness at all in a bubble")
		assert.Zero(t, s.Reconnects)
	})
}

func TestLateSlotsAreSkippedAndCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := bubblePoller(t, oneDevice(words(config.Holding, 5)...))
		conns := pipes(t, p)
		go serve(conns, 25*time.Millisecond)
		log := runFor(t, p, time.Second)

		// Slot 0 is polled at 0 ms. At 25 ms slots 1 and 2 are due: 1 is skipped, 2 is 5 ms
		// late. At 50 ms slot 5 is due on time, 3 and 4 are skipped. And so on, every 50 ms.
		var stamps []int64
		for _, b := range log.batches {
			stamps = append(stamps, b.T...)
		}
		require.Len(t, stamps, 39)
		for i, stamp := range stamps {
			require.Equal(t, int64(i)*25_000_000+12_500_000, stamp)
		}
		s := p.Stats().Devices[0]
		assert.Equal(t, uint64(39), s.OK)
		// Slots 0 to 97: the last poll began at 975 ms and was cut by the end.
		assert.Equal(t, uint64(97), slots(s))
		assert.Equal(t, uint64(58), s.Skipped)
		assert.Equal(t, 5*time.Millisecond, s.LateWorst)
		assert.Equal(t, time.Duration(0), s.LateMedian, "20 of 40 on time")
	})
}

func TestDevicesKeepTheirIntervals(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := oneDevice(append(words(config.Holding, 5), words(config.Coil, 9)...)...)
		bus.Devices = append(bus.Devices,
			config.Device{Name: "second", Unit: 2, IntervalS: 0.025, Channels: words(config.Input, 7)},
			config.Device{Name: "slow", Unit: 3, IntervalS: 1, Channels: words(config.Discrete, 8)})
		p := bubblePoller(t, bus)
		conns := pipes(t, p)
		go serve(conns, time.Millisecond)
		log := runFor(t, p, 10*time.Second)

		scans := make([]int, 4)
		firstT := make([]int64, 4)
		for i := len(log.batches) - 1; i >= 0; i-- {
			b := log.batches[i]
			scans[b.Group] += len(b.T)
			firstT[b.Group] = b.T[0]
			for _, n := range b.Counts[0] {
				require.Equal(t, []int64{5, 1, 7, 0}[b.Group], n)
			}
		}
		assert.Equal(t, []int{1000, 1000, 400, 10}, scans)
		// All are due at once at the start, and served in turn.
		assert.Equal(t, []int64{500_000, 1_500_000, 2_500_000, 3_500_000}, firstT)
		s := p.Stats().Devices
		assert.Equal(t, uint64(2000), s[0].OK)
		assert.Equal(t, uint64(400), s[1].OK)
		assert.Equal(t, uint64(10), s[2].OK)
		assert.Equal(t, 3*time.Millisecond, s[2].LateWorst)
		assert.Zero(t, s[0].Skipped+s[1].Skipped+s[2].Skipped)
	})
}

func TestOverloadStarvesNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := oneDevice(words(config.Holding, 5)...)
		bus.Devices[0].IntervalS = 0.001
		bus.Devices = append(bus.Devices, config.Device{Name: "slow", Unit: 2, IntervalS: 0.1, Channels: words(config.Input, 7)})
		p := bubblePoller(t, bus)
		conns := pipes(t, p)
		go serve(conns, 4*time.Millisecond)
		runFor(t, p, 10*time.Second)
		s := p.Stats().Devices
		assert.Equal(t, uint64(100), s[1].OK, "the slow device is polled in every slot")
		assert.Zero(t, s[1].Skipped)
		assert.LessOrEqual(t, s[1].LateWorst, 4*time.Millisecond, "behind one transaction of the other")
		assert.InDelta(t, 2400, s[0].OK, 1, "the rest of 10 s / 4 ms")
		assert.InDelta(t, 10_000, slots(s[0]), 5)
	})
}

func TestSlowDeviceDoesNotDelayAnotherBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := bubblePoller(t, oneDevice(words(config.Holding, 5)...))
		fast := bubblePoller(t, oneDevice(words(config.Holding, 5)...))
		slowConns, fastConns := pipes(t, slow), pipes(t, fast)
		go serve(slowConns, 0, 17)
		go serve(fastConns, time.Millisecond)
		done := make(chan *logbook)
		go func() { done <- runFor(t, slow, 10*time.Second) }()
		runFor(t, fast, 10*time.Second)
		log := <-done
		assert.Equal(t, DeviceStats{Device: "dev", OK: 1000}, fast.Stats().Devices[0], "every slot, none late")
		assert.Equal(t, []string{FaultTimeout}, log.lines(), "the other bus was mute indeed")
	})
}

func TestMuteDeviceLeavesTheBusToOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := oneDevice(append(words(config.Holding, 5), words(config.Input, 5)...)...) // two requests
		bus.Devices = append(bus.Devices, config.Device{Name: "well", Unit: 2, IntervalS: 0.01, Channels: words(config.Input, 7)})
		p := bubblePoller(t, bus)
		conns := pipes(t, p)
		go serve(conns, time.Millisecond, 17)
		log := runFor(t, p, time.Minute)

		s := p.Stats()
		assert.Zero(t, s.Reconnects, "the other device's answers show that the connection is well")
		mute, well := s.Devices[0], s.Devices[1]
		assert.Zero(t, mute.OK)
		// 2 + 4 doublings up to 2 s, then each 2.0 to 2.1 s: about 33, not 6,000.
		assert.InDelta(t, 33, mute.Timeouts, 3)
		assert.InDelta(t, 12_200, slots(mute), 205, "of 2 × 6,000, with up to 200 each that the last back-off counted ahead")
		assert.Greater(t, well.OK, uint64(5600), "a time-out of 100 ms every 2.1 s costs a twentieth")
		assert.InDelta(t, 6000, slots(well), 1)
		var faults []sample.Batch
		for _, b := range log.batches {
			if b.Fault != "" {
				faults = append(faults, b)
			}
		}
		require.Len(t, faults, 2, "one for each request of the mute device")
		assert.Equal(t, int64(100_000_000), faults[0].FaultNS, "noticed at the first time-out")
		assert.Equal(t, FaultTimeout, faults[0].Fault)
	})
}

func TestNoConnectionIsTriedUntilItComes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := bubblePoller(t, oneDevice(words(config.Holding, 5)...))
		go serve(pipes(t, p), time.Millisecond)
		dial, dials, from := p.link.(*tcp).dial, 0, time.Now().Add(time.Minute)
		p.link.(*tcp).dial = func(ctx context.Context) (net.Conn, error) {
			dials++
			if time.Now().Before(from) {
				return nil, errors.New("refused")
			}
			return dial(ctx)
		}
		log := runFor(t, p, 2*time.Minute)
		lines := log.lines()
		require.NotEmpty(t, lines)
		assert.Equal(t, FaultNoConnection, lines[0])
		assert.NotContains(t, lines[1:], FaultNoConnection, "one fault, at its beginning")
		assert.Less(t, log.batches[0].FaultNS, int64(sample.TickNS)+1)
		assert.InDelta(t, 36, dials, 3, "back-off up to 2 s")
		s := p.Stats()
		assert.InDelta(t, 12_000, slots(s.Devices[0]), 1)
		assert.GreaterOrEqual(t, s.Devices[0].OK, uint64(5800), "resumes within 2 s")
		assert.Zero(t, s.Reconnects, "there was none before")
	})
}

// A server that takes connections only to drop them is not besieged.
func TestDroppedConnectionsAreReopenedSlowly(t *testing.T) {
	for fault, reply := range map[string][]byte{FaultLost: nil, FaultFraming: make([]byte, 12)} {
		t.Run(fault, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := bubblePoller(t, oneDevice(words(config.Holding, 5)...))
				conns, served := pipes(t, p), 0
				go func() {
					for c := range conns {
						served++
						io.ReadFull(c, make([]byte, 12))
						c.Write(reply)
						c.Close()
					}
				}()
				log := runFor(t, p, time.Minute)
				assert.Equal(t, []string{fault}, log.lines())
				// 2, then 5 waits of 100 to 1,600 ms, then one each 2 s.
				assert.InDelta(t, 35, served, 3)
				assert.Equal(t, uint64(served-1), p.Stats().Reconnects)
			})
		})
	}
}

// A mute minute, then all is well: scans resume without a restart, on the old grid.
func TestResumesOnTheGrid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := bubblePoller(t, oneDevice(words(config.Holding, 5)...))
		conns := pipes(t, p)
		well := time.Now().Add(time.Minute)
		go func() {
			for c := range conns {
				go func() {
					if time.Now().Before(well) {
						io.Copy(io.Discard, c)
						return
					}
					answer(c, 2*time.Millisecond)
				}()
			}
		}()
		log := runFor(t, p, 3*time.Minute)
		require.Equal(t, FaultTimeout, log.lines()[0])
		require.Greater(t, len(log.batches), 1000)
		for _, b := range log.batches[1:] {
			require.Empty(t, b.Fault)
			for _, stamp := range b.T {
				require.Equal(t, int64(1_000_000), stamp%10_000_000, "middle of a transaction that began on a slot")
			}
		}
		s := p.Stats().Devices[0]
		assert.InDelta(t, 18_000, slots(s), 1)
		assert.Greater(t, s.OK, uint64(11_000))
	})
}

func TestScansAreHandedOnInTime(t *testing.T) {
	cases := []struct {
		name       string
		intervalS  float64
		flushEvery time.Duration
		wantScans  int // a batch
	}{
		{"10 ms, default", 0.01, 0, 10},
		{"10 ms, every second", 0.01, time.Second, 100},
		{"slower than the flush", 0.5, 0, 1},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				bus := oneDevice(words(config.Holding, 5)...)
				bus.Devices[0].IntervalS = c.intervalS
				p := bubblePoller(t, bus)
				if c.flushEvery > 0 {
					p.FlushEvery = c.flushEvery
				}
				conns := pipes(t, p)
				go serve(conns, time.Millisecond)
				ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second-time.Microsecond)
				defer cancel()
				var batches, scans int
				require.NoError(t, p.Run(ctx, func(b sample.Batch) {
					batches++
					scans += len(b.T)
					assert.LessOrEqual(t, p.clock.Now()-b.T[0], int64(p.FlushEvery)+500_000, "age of the oldest scan")
				}))
				assert.InDelta(t, c.wantScans, float64(scans)/float64(batches), float64(c.wantScans)/10)
				assert.Equal(t, int(10/c.intervalS), scans)
			})
		})
	}
}

func TestFaultHandsOnAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := bubblePoller(t, oneDevice(words(config.Holding, 5)...))
		conns := pipes(t, p)
		ask, good := "110300050001", "ID 0000 0005 11 03 02 0005"
		ctx, cancel := context.WithCancel(t.Context())
		go play(t, conns, []op{{ask, good}, {ask, good}, {ask, "ID 0000 0003 11 83 04"}, {ask, ""}}, time.Second, cancel)
		var at []int64
		var log logbook
		require.NoError(t, p.Run(ctx, func(b sample.Batch) {
			at = append(at, p.clock.Now())
			log.emit(b)
		}))
		assert.Equal(t, []string{"5", "5", "exception 04"}, log.lines())
		assert.Equal(t, []int64{20_000_000, 20_000_000}, at, "scans of 0 and 10 ms with the fault at 20 ms, before the flush at 100 ms")
	})
}

// A device that has registers 5, 6 and 9 and refuses all reads that touch others.
func TestRefusedGapsAreLeftOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := bubblePoller(t, oneDevice(words(config.Holding, 5, 6, 9)...))
		ops := []op{{"110300050005", "ID 0000 0003 11 83 02"}}
		for range 3 {
			ops = append(ops, op{"110300050002", "ID 0000 0007 11 03 04 0005 0006"}, op{"110300090001", "ID 0000 0005 11 03 02 0009"})
		}
		conns := pipes(t, p)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var log logbook
		go play(t, conns, ops, time.Second, func() { time.Sleep(time.Millisecond); cancel() })
		require.NoError(t, p.Run(ctx, log.emit))
		log.check(t, p.Groups())
		assert.Equal(t, []string{"exception 02", "5 6 9", "5 6 9", "5 6 9"}, log.lines())
		s := p.Stats().Devices[0]
		assert.Equal(t, uint64(1), s.Split)
		assert.Equal(t, map[Exception]uint64{2: 1}, s.Exceptions)
	})
	t.Run("stamp", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			p := bubblePoller(t, oneDevice(words(config.Holding, 5, 9)...))
			p.polls[0].split = true
			go serve(pipes(t, p), 2*time.Millisecond)
			log := runFor(t, p, 20*time.Millisecond)
			require.Len(t, log.batches, 1)
			b := log.batches[0]
			assert.Equal(t, []int64{2_000_000, 12_000_000}, b.T, "middle of both transactions")
			assert.Equal(t, []int64{2_000_000, 2_000_000}, b.Half, "half of both together")
			assert.Equal(t, [][]int64{{5, 5}, {9, 9}}, b.Counts)
		})
	})
	t.Run("ReadOnce", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			p := bubblePoller(t, oneDevice(words(config.Holding, 5, 9)...))
			conns := pipes(t, p)
			go play(t, conns, []op{{"110300050005", "ID 0000 0003 11 83 02"}, {"110300050001", "ID 0000 0005 11 03 02 0005"},
				{"110300090001", "ID 0000 0005 11 03 02 0009"}}, time.Second, func() {})
			readings, err := p.ReadOnce(t.Context())
			require.NoError(t, err)
			assert.Equal(t, []acquire.Reading{{Device: "dev", Channel: "holding5", Raw: 5, Value: 5, Parts: 2},
				{Device: "dev", Channel: "holding9", Raw: 9, Value: 9, Parts: 2}}, readings)
		})
	})
}

func TestReadOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		scaled := channel(config.Input, 40, "u16", "")
		scaled.Offset, scaled.Scale = -10, 0.5
		bus := oneDevice(scaled)
		bus.Devices = append(bus.Devices,
			config.Device{Name: "mute", Unit: 2, IntervalS: 0.01, Channels: words(config.Input, 7)},
			config.Device{Name: "last", Unit: 3, IntervalS: 0.01, Channels: words(config.Coil, 7)})
		p := bubblePoller(t, bus)
		conns := pipes(t, p)
		go serve(conns, 4*time.Millisecond, 2)
		readings, err := p.ReadOnce(t.Context())
		require.NoError(t, err)
		require.Len(t, readings, 3)
		assert.Equal(t, acquire.Reading{Device: "dev", Channel: "input40", Raw: 40, Value: 10, Transaction: 4 * time.Millisecond, Between: 4 * time.Millisecond, Parts: 1}, readings[0])
		require.ErrorIs(t, readings[1].Err, ErrTimeout)
		assert.Equal(t, int64(sample.Missing), readings[1].Raw)
		assert.True(t, math.IsNaN(readings[1].Value))
		assert.Equal(t, int64(1), readings[2].Raw)
	})
	t.Run("exception", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			p := bubblePoller(t, oneDevice(words(config.Input, 7)...))
			conns := pipes(t, p)
			go play(t, conns, []op{{"110400070001", "ID 0000 0003 11 84 01"}}, time.Second, func() {})
			readings, err := p.ReadOnce(t.Context())
			require.NoError(t, err)
			var refused Exception
			require.ErrorAs(t, readings[0].Err, &refused)
			assert.True(t, refused.Configuration())
			assert.EqualError(t, refused, "exception 01: the device does not know the function that reads this table")
		})
	})
	t.Run("no connection", func(t *testing.T) {
		p := bubblePoller(t, oneDevice(words(config.Input, 7)...))
		p.link.(*tcp).dial = func(context.Context) (net.Conn, error) { return nil, errors.New("refused") }
		readings, err := p.ReadOnce(t.Context())
		require.EqualError(t, err, "bus bus: refused")
		assert.Empty(t, readings)
	})
}

func TestEndOfContextEndsAtOnce(t *testing.T) {
	cases := []struct {
		name string
		mute []byte
		at   time.Duration
	}{
		{"while a device is awaited", []byte{17}, 30 * time.Millisecond},
		{"between polls", nil, 37 * time.Millisecond},
		{"before anything", nil, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := bubblePoller(t, oneDevice(words(config.Holding, 5)...))
				conns := pipes(t, p)
				go serve(conns, time.Millisecond, c.mute...)
				begin := time.Now()
				ctx, cancel := context.WithTimeout(t.Context(), c.at)
				defer cancel()
				var log logbook
				require.NoError(t, p.Run(ctx, log.emit))
				assert.Equal(t, c.at, time.Since(begin))
				for _, l := range log.lines() {
					assert.Equal(t, "5", l, "the end is no fault")
				}
				if c.mute == nil && c.at > 0 {
					assert.Len(t, log.lines(), 4, "what was gathered is handed on")
				}
			})
		})
	}
}

func TestNewPollerErrors(t *testing.T) {
	cases := []struct {
		name   string
		change func(*config.Bus)
		want   string
	}{
		{"no time-out", func(b *config.Bus) { b.TimeoutS = 0 }, "bus bus: timeout of 0 s is out of range; want 1 ms to 1000 s"},
		{"NaN time-out", func(b *config.Bus) { b.TimeoutS = math.NaN() }, "bus bus: timeout of NaN s is out of range; want 1 ms to 1000 s"},
		{"text", func(b *config.Bus) { b.Kind = config.TextTCP }, `bus bus: kind "text-tcp" is no Modbus`},
		{"nothing to read", func(b *config.Bus) { b.Devices = nil }, "bus bus: no device has a channel"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			b := oneDevice(words(config.Holding, 5)...)
			c.change(&b)
			_, err := NewPoller(b, acquire.NewClock())
			require.EqualError(t, err, c.want)
		})
	}
}
