package modbus

import (
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/goburrow/modbus"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/port"
	"griptrial/acquire/port/porttest"
	"griptrial/acquire/sample"
	"griptrial/config"
)

// bytesOf returns the bytes of words in hex; a "+" before one appends its CRC.
func bytesOf(t *testing.T, word string) []byte {
	b, err := hex.DecodeString(strings.TrimPrefix(word, "+"))
	require.NoError(t, err)
	if word[0] == '+' {
		b = binary.LittleEndian.AppendUint16(b, config.CRC16(b))
	}
	return b
}

const rtuTimeout = 100 * time.Millisecond

// rtuBus is a line of 19,200 baud, even parity, with one device of unit 17.
func rtuBus(channels ...config.Channel) config.Bus {
	b := oneDevice(channels...)
	b.Kind, b.TimeoutS = config.ModbusRTU, rtuTimeout.Seconds()
	b.Serial = config.Serial{Baud: 19200, Parity: "even", StopBits: 1}
	return b
}

// wires makes p open in-memory lines and returns their far ends, in a bubble.
func wires(t *testing.T, p *Poller) chan *porttest.Wire {
	lines := make(chan *porttest.Wire, 16)
	var all []*porttest.Wire
	t.Cleanup(func() {
		close(lines)
		for _, w := range all {
			w.Close()
		}
		time.Sleep(time.Minute)
	})
	p.link.(*rtu).dial = func(ctx context.Context) (port.Stream, error) {
		near, far := porttest.NewWires()
		all = append(all, near)
		context.AfterFunc(ctx, func() { near.Close() })
		lines <- far
		return near, nil
	}
	return lines
}

// playRTU serves a scripted device: each request, without its CRC, must be as the script
// says, then the words are sent: bytes as bytesOf reads them, "echo" for the request itself,
// "wait" lets the time-out and a half of it pass, "gap" 1 ms, "close" closes the port.
func playRTU(t *testing.T, lines <-chan *porttest.Wire, ops []op, done func()) {
	defer done()
	for line := range lines {
		for len(ops) > 0 {
			request := readEight(line)
			if request == nil {
				break
			}
			assert.Zero(t, config.CRC16(request), "CRC of % x", request)
			assert.Equal(t, ops[0].req, hex.EncodeToString(request[:6]), "request, %d ops left", len(ops))
			for _, word := range strings.Fields(ops[0].resp) {
				switch word {
				case "echo":
					line.Write(request)
				case "wait":
					time.Sleep(rtuTimeout * 3 / 2)
				case "gap":
					time.Sleep(time.Millisecond)
				case "close":
					line.Close()
				default:
					line.Write(bytesOf(t, word))
				}
			}
			ops = ops[1:]
		}
		if len(ops) == 0 {
			return
		}
	}
}

// readEight returns the next 8 bytes of line, nil once it is closed.
func readEight(line *porttest.Wire) []byte {
	var b []byte
	line.SetReadDeadline(time.Now().Add(time.Hour))
	for len(b) < 8 {
		piece := make([]byte, 8-len(b))
		n, err := line.Read(piece)
		if err != nil {
			return nil
		}
		b = append(b, piece[:n]...)
	}
	return b
}

// What may happen on a line, and what must come of it. Each case polls registers 107 to
// 109 of unit 17, the three of [AP] 6.3.
func TestRTUGuards(t *testing.T) {
	const (
		ask   = "1103006b0003"
		probe = "1103006b0001" // sent after a request without an answer
		again = "1104006b0002" // after a probe without one
		good  = "+110306022b00000064"
		bad   = "+110306ffffffffffff"
		one   = "+110302022b"
		two   = "+110404022b0000"
		vals  = "555 0 100"
	)
	cases := []struct {
		name       string
		ops        []op
		want       []string
		reconnects uint64
		stats      DeviceStats // what must be counted, beside OK, Skipped and BackedOff
	}{
		{name: "all well", ops: []op{{ask, good}, {ask, good}}, want: []string{vals, vals}},
		{name: "reply in single bytes with pauses", ops: []op{{ask, "11 gap 03 gap 06 gap 02 gap 2b 00 gap 00 00 gap 64 c8 gap ba"}}, want: []string{vals}},

		{name: "echo of the request is dropped", ops: []op{{ask, "echo " + good}, {ask, "echo gap " + good}, {ask, good}}, want: []string{vals, vals, vals}},
		{name: "echo in pieces", ops: []op{{ask, "11 gap 03006b gap 00037687 gap " + good}}, want: []string{vals}},
		{name: "echo and no answer", ops: []op{{ask, "echo"}, {probe, "echo " + one}, {ask, "echo " + good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 1}},

		{name: "noise before the reply", ops: []op{{ask, "00 " + good}, {ask, "1103 " + good}, {ask, "110306 gap " + good}},
			want: []string{vals, vals, vals}, stats: DeviceStats{Stale: 3}},
		{name: "noise after the reply", ops: []op{{ask, good + " ff00"}, {ask, good}}, want: []string{vals, vals}, stats: DeviceStats{Stale: 1}},
		{name: "noise between", ops: []op{{ask, good + " gap gap ff00"}, {ask, good}}, want: []string{vals, vals}, stats: DeviceStats{Stale: 1}},
		{name: "noise only", ops: []op{{ask, "ffee"}, {probe, one}, {ask, good}}, want: []string{FaultFraming, vals}, stats: DeviceStats{Framing: 1}},
		{name: "wrong CRC", ops: []op{{ask, "110306ffffffffffffc8ba"}, {probe, one}, {ask, good}}, want: []string{FaultFraming, vals}, stats: DeviceStats{Framing: 1}},
		{name: "one bit wrong", ops: []op{{ask, "110306022b00000065c8ba"}, {probe, one}, {ask, good}}, want: []string{FaultFraming, vals}, stats: DeviceStats{Framing: 1}},
		{name: "a byte lost", ops: []op{{ask, "1103022b00000064c8ba"}, {probe, one}, {ask, good}}, want: []string{FaultFraming, vals}, stats: DeviceStats{Framing: 1}},
		{name: "cut short", ops: []op{{ask, "110306022b"}, {probe, one}, {ask, good}}, want: []string{FaultFraming, vals}, stats: DeviceStats{Framing: 1}},

		{name: "doubled reply", ops: []op{{ask, good + " " + bad}, {ask, good}}, want: []string{vals, vals}, stats: DeviceStats{Stale: 1}},
		{name: "late reply before the next request", ops: []op{{ask, "wait " + bad}, {probe, one}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 1, Stale: 1}},
		{name: "late reply after the next request", ops: []op{{ask, ""}, {probe, bad + " " + one}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 1, Stale: 1}},
		{name: "late reply after the next request, and time passes", ops: []op{{ask, ""}, {probe, bad + " gap gap gap " + one}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 1, Stale: 1}},
		{name: "late reply and no other", ops: []op{{ask, ""}, {probe, bad}, {again, two}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 1, Framing: 1}},
		{name: "late refusal is not the probe's", ops: []op{{ask, ""}, {probe, "+118306 gap " + one}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 1}},
		{name: "probe refused", ops: []op{{ask, ""}, {probe, "+118302"}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 1}},
		{name: "late reply to a probe is not the next one's", ops: []op{{ask, ""}, {probe, ""}, {again, one + " " + two}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 2, Stale: 1}},
		{name: "late reply to a probe, and to what follows it", ops: []op{{ask, ""}, {probe, ""}, {again, one}, {"1103006b0004", two + " +110308022b000000000000"}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 2, Framing: 1, Stale: 1}},
		{name: "refusals late by a time-out", ops: []op{{ask, ""}, {probe, "+118306"}, {ask, "+118306"}, {again, bad + " " + two}, {ask, good}, {ask, good}},
			want: []string{FaultTimeout, vals, vals}, stats: DeviceStats{Timeouts: 2, Stale: 1}},
		{name: "refuses all after a time-out", ops: []op{{ask, ""}, {probe, "+118302"}, {ask, "+118302"}, {again, "+118402"}, {ask, "+118302"}, {ask, "+118302"}, {ask, "+118302"}},
			want: []string{FaultTimeout}, stats: DeviceStats{Timeouts: 2, Exceptions: map[Exception]uint64{2: 3}}},
		{name: "mute four times, the port stays open", ops: []op{{ask, ""}, {probe, ""}, {again, ""}, {"1103006b0004", ""}, {"1104006b0005", "+11040a022b0000000000000000"}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 4}},
		// However long it was mute: the answer to its first probe passes for no other's.
		{name: "mute for many probes, then answers all", ops: []op{{ask, ""}, {probe, ""}, {again, ""}, {"1103006b0004", ""}, {"1104006b0005", ""}, {"1103006b0006", one}, {"1104006b0007", ""},
			{"1103006b0008", two + " +110310022b0000000000000000000000000000"}, {ask, good}}, want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 6, Framing: 1, Stale: 1}},
		{name: "an answer to a probe comes twice, late", ops: []op{{ask, ""}, {probe, one}, {ask, one}, {"1103006b0002", bad + " " + one + " +110304022b0000"}, {ask, good}},
			want: []string{FaultTimeout, vals}, stats: DeviceStats{Timeouts: 1, Framing: 1, Stale: 1}},

		{name: "fewer registers, well formed", ops: []op{{ask, "+110304ffffffff"}, {probe, one}, {ask, good}},
			want: []string{FaultFraming, vals}, stats: DeviceStats{Framing: 1}},
		{name: "more registers, well formed", ops: []op{{ask, "+110308ffffffffffffffff"}, {probe, one}, {ask, good}},
			want: []string{FaultFraming, vals}, stats: DeviceStats{Framing: 1}},
		{name: "another function", ops: []op{{ask, "+110406ffffffffffff"}, {probe, one}, {ask, good}},
			want: []string{FaultFraming, vals}, stats: DeviceStats{Framing: 1}},
		{name: "exception to another function", ops: []op{{ask, "+118402"}, {probe, one}, {ask, good}},
			want: []string{FaultFraming, vals}, stats: DeviceStats{Framing: 1}},
		{name: "another unit, then the right one", ops: []op{{ask, "+120306ffffffffffff " + good}, {ask, good}},
			want: []string{vals, vals}, stats: DeviceStats{Stale: 1}},
		{name: "another unit only", ops: []op{{ask, "+120306ffffffffffff"}, {probe, one}, {ask, good}},
			want: []string{FaultFraming, vals}, stats: DeviceStats{Framing: 1}},

		{name: "exception in two pieces", ops: []op{{ask, "118302c1 gap 34"}, {ask, good}}, // CRC of protocols: C1 34
			want: []string{"exception 02", vals}, stats: DeviceStats{Exceptions: map[Exception]uint64{2: 1}}},
		{name: "port lost and back", ops: []op{{ask, "close"}, {probe, one}, {ask, good}}, want: []string{FaultLost, vals}, reconnects: 1, stats: DeviceStats{Lost: 1}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				bus := rtuBus(words(config.Holding, 107, 108, 109)...)
				bus.Devices[0].IntervalS = 0.05
				p := bubblePoller(t, bus)
				lines := wires(t, p)
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				go playRTU(t, lines, c.ops, func() {
					time.Sleep(20 * time.Millisecond) // the last answer arrives, the next slot does not
					cancel()
				})
				var log logbook
				require.NoError(t, p.Run(ctx, log.emit))
				log.check(t, p.Groups())
				assert.Equal(t, c.want, log.lines())
				s := p.Stats()
				assert.Equal(t, c.reconnects, s.Reconnects, "reconnects")
				d := s.Devices[0]
				c.stats.Device, c.stats.OK, c.stats.Skipped, c.stats.BackedOff = "dev", d.OK, d.Skipped, d.BackedOff
				c.stats.LateMedian, c.stats.LateP99, c.stats.LateWorst = d.LateMedian, d.LateP99, d.LateWorst
				assert.Equal(t, c.stats, d)
			})
		})
	}
}

// Coils 800 (0x320) and on: the echo of a request for 24 of them is, byte for byte, an
// answer with three data bytes. Once a line is known to have an echo or none, both are told.
func TestAnEchoThatLooksLikeAnAnswer(t *testing.T) {
	for name, c := range map[string]struct{ first, resp, want string }{
		"with echo":    {"echo +110103a5a5a5", "echo +11010355aa55", bitText(0x55, 0xaa, 0x55)},
		"without echo": {"+110103a5a5a5", "echo", bitText(0x20, 0x00, 0x18)},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var at []int
				for i := range 24 {
					at = append(at, 0x0320+i)
				}
				p := bubblePoller(t, rtuBus(words(config.Coil, at...)...))
				lines := wires(t, p)
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				var log logbook
				go playRTU(t, lines, []op{{"110103200018", c.first}, {"110103200018", c.resp}}, func() {
					time.Sleep(5 * time.Millisecond)
					cancel()
				})
				require.NoError(t, p.Run(ctx, log.emit))
				assert.Equal(t, []string{bitText(0xa5, 0xa5, 0xa5), c.want}, log.lines())
			})
		})
	}
}

// bitText returns how a logbook shows bytes of coils.
func bitText(b ...byte) string {
	var s []string
	for _, x := range b {
		for i := range 8 {
			s = append(s, string('0'+x>>i&1))
		}
	}
	return strings.Join(s, " ")
}

// A device that stalls for up to half a second, 12 time-outs, and then answers all it was asked in
// order, but loses, refuses or repeats some: many reads go without an answer, none gets another's.
func TestLateAnswersDeceiveNoOne(t *testing.T) {
	const timeout = 40 * time.Millisecond
	n := 50_000
	if os.Getenv("GRIPTRIAL_NIGHTLY") != "" {
		n = 2_000_000
	}
	synctest.Test(t, func(t *testing.T) {
		near, far := porttest.NewWires()
		defer time.Sleep(time.Minute) // the device comes to its end
		defer near.Close()
		bus := rtuBus()
		bus.Serial.Baud, bus.Serial.TrueSilence = 115200, true
		l := newRTU(bus, timeout)
		l.dial = func(context.Context) (port.Stream, error) { return near, nil }
		require.NoError(t, l.open(t.Context()))

		const seed = 5
		go func() {
			rng := rand.New(rand.NewPCG(seed, 1))
			for request := readEight(far); request != nil; request = readEight(far) {
				delay := time.Duration(rng.IntN(3)) * time.Millisecond
				if rng.IntN(20) == 0 {
					delay = time.Duration(rng.ExpFloat64() * float64(60*time.Millisecond))
				}
				time.Sleep(min(delay, 500*time.Millisecond))
				table := []config.Table{1: config.Coil, 2: config.Discrete, 3: config.Holding, 4: config.Input}[request[1]]
				data := served(table, int(binary.BigEndian.Uint16(request[2:])), int(binary.BigEndian.Uint16(request[4:])))
				answer := append([]byte{request[0], request[1], byte(len(data))}, data...)
				if rng.IntN(50) == 0 {
					answer = []byte{request[0], request[1] | 0x80, 6}
				}
				answer = binary.LittleEndian.AppendUint16(answer, config.CRC16(answer))
				switch rng.IntN(30) {
				case 0: // lost
				case 1:
					far.Write(slices.Concat(answer, answer))
				default:
					far.Write(answer)
				}
			}
		}()
		rng := rand.New(rand.NewPCG(seed, 2))
		right, refused, late := 0, 0, 0
		for i := range n {
			table := []config.Table{config.Discrete, config.Holding, config.Input}[rng.IntN(3)]
			s := span{address: uint16(rng.IntN(3000)), quantity: uint16([]int{2, 8}[rng.IntN(2)])}
			data, err := read(l, &Request{Unit: 17, Table: table}, &s)
			var exception Exception
			switch {
			case err == nil:
				require.Equal(t, served(table, int(s.address), int(s.quantity)), data, "seed %d, read %d: %s %d, %d", seed, i, table, s.address, s.quantity)
				right++
			case errors.As(err, &exception):
				refused++
			default:
				require.True(t, l.keeps(err), "%v", err)
				late++
			}
		}
		t.Logf("%d reads: %d right, %d refused, %d without an answer", n, right, refused, late)
		assert.Greater(t, right, n*3/4)
		assert.Greater(t, refused, n/100)
		assert.Greater(t, late, n/50)
	})
}

// A request goes out only after a silence of 3.5 characters, a fixed 1.75 ms above 19,200
// baud ([SL] 2.5.1.1).
func TestSilenceBeforeARequest(t *testing.T) {
	cases := []struct {
		serial config.Serial
		want   time.Duration
	}{
		{config.Serial{Baud: 9600, Parity: "even", StopBits: 1}, 4010416 * time.Nanosecond},
		{config.Serial{Baud: 19200, Parity: "even", StopBits: 1}, 2005208 * time.Nanosecond},
		{config.Serial{Baud: 38400, Parity: "even", StopBits: 1}, 1750 * time.Microsecond},
		{config.Serial{Baud: 115200, Parity: "even", StopBits: 1}, 1750 * time.Microsecond},
		{config.Serial{Baud: 115200, Parity: "even", StopBits: 1, TrueSilence: true}, 334201 * time.Nanosecond},
	}
	for _, c := range cases {
		synctest.Test(t, func(t *testing.T) {
			bus := rtuBus(words(config.Holding, 5)...)
			bus.Serial, bus.Devices[0].IntervalS = c.serial, 0.001
			p := bubblePoller(t, bus)
			lines := wires(t, p)
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			go func() {
				line := <-lines
				var answered time.Time
				for i := range 100 {
					if readEight(line) == nil {
						return
					}
					if i > 0 {
						assert.Equal(t, c.want, time.Since(answered), "%+v", c.serial)
					}
					time.Sleep(20 * time.Millisecond)
					line.Write(bytesOf(t, "+1103020005"))
					answered = time.Now()
				}
				cancel()
			}()
			require.NoError(t, p.Run(ctx, func(sample.Batch) {}))
		})
	}
}

// The instant of a value lies between the end of the request on the wire and the begin of
// its answer: 8 characters after its first byte was sent, 9 before its answer was there.
func TestStampOfASerialValue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := bubblePoller(t, rtuBus(words(config.Holding, 5, 6)...))
		lines := wires(t, p)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		character := 572916 * time.Nanosecond // 11 bits at 19,200 baud
		turnaround := 6 * time.Millisecond
		go func() {
			line := <-lines
			readEight(line)
			time.Sleep(8*character + turnaround + 9*character)
			line.Write(bytesOf(t, "+11030400050006"))
			time.Sleep(time.Millisecond)
			cancel()
		}()
		var log logbook
		require.NoError(t, p.Run(ctx, log.emit))
		log.check(t, p.Groups())
		require.Len(t, log.batches, 1)
		asked := int64(listenFirst) // the first slot follows the listening
		assert.InDelta(t, asked+int64(8*character+turnaround/2), log.batches[0].T[0], sample.TickNS)
		assert.InDelta(t, int64(turnaround/2), log.batches[0].Half[0], 2*sample.TickNS)
	})
}

// Several units on a line in turn; one that is mute leaves the line to the others.
func TestUnitsInTurnOnALine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := rtuBus(words(config.Holding, 5)...)
		bus.Devices[0].IntervalS = 0.05
		for _, unit := range []int{18, 19} {
			d := bus.Devices[0]
			d.Unit, d.Name = unit, string(rune('a'+unit))
			bus.Devices = append(bus.Devices, d)
		}
		p := bubblePoller(t, bus)
		lines := wires(t, p)
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		go func() {
			line := <-lines
			for {
				request := readEight(line)
				if request == nil {
					return
				}
				if request[0] == 18 {
					continue
				}
				time.Sleep(10 * time.Millisecond)
				b := append([]byte{request[0], 3, 2}, 0, request[0])
				line.Write(binary.LittleEndian.AppendUint16(b, config.CRC16(b)))
			}
		}()
		var log logbook
		require.NoError(t, p.Run(ctx, log.emit))
		log.check(t, p.Groups())
		for _, b := range log.batches {
			for i := range b.T {
				require.Equal(t, []int64{17, 18, 19}[b.Group], b.Counts[0][i])
			}
		}
		s := p.Stats()
		assert.Zero(t, s.Devices[1].OK)
		assert.InDelta(t, 30, s.Devices[1].Timeouts, 6, "backed off to 2 s")
		assert.Greater(t, s.Devices[0].OK, uint64(1050), "of 1,180")
		assert.Greater(t, s.Devices[2].OK, uint64(1050))
		assert.Zero(t, s.Reconnects)
	})
}

// RS-485 has one master. What is heard before the first byte decides.
func TestListensBeforeTheFirstByte(t *testing.T) {
	cases := []struct{ name, heard, want string }{
		{"nothing", "", ""},
		{"a glitch", "00ff", ""},
		{"a request", "+0503006b0003", "heard unit 5, function 03; nothing was sent"},
		{"a late answer", "+050306022b00000064", ""},
		{"an answer and the next request", "+050306022b00000064 +0503006b0003", "heard unit 5, function 03; nothing was sent"},
		{"two answers", "+050306022b00000064 +050306022b00000064", "heard unit 5, function 03; nothing was sent"},
		{"a write", "+0506000100ff", "heard unit 5, function 06; nothing was sent"},
		{"a frame cut at its begin", "022b00000064c8ba +0503006b0003", "heard unit 5, function 03; nothing was sent"},
		{"something else", "24312c322c332a", "heard 7 bytes that are no Modbus frame at these settings of the line; nothing was sent"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := bubblePoller(t, rtuBus(words(config.Holding, 5)...))
				lines := wires(t, p)
				sent := make(chan bool, 1)
				go func() {
					line := <-lines
					time.Sleep(900 * time.Millisecond)
					for _, w := range strings.Fields(c.heard) {
						line.Write(bytesOf(t, w))
						time.Sleep(10 * time.Millisecond)
					}
					got := readEight(line) != nil
					line.Write(bytesOf(t, "+1103020005"))
					sent <- got
				}()
				readings, err := p.ReadOnce(t.Context())
				if c.want != "" {
					require.ErrorIs(t, err, ErrForeign)
					assert.ErrorContains(t, err, c.want)
					assert.False(t, <-sent, "a byte was sent")
					return
				}
				require.NoError(t, err)
				assert.True(t, <-sent)
				assert.Equal(t, int64(5), readings[0].Raw)
			})
		})
	}
}

// A master that comes later is noticed too; while it polls nothing is sent, and when it has
// gone polling goes on.
func TestAMasterThatComesLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := rtuBus(words(config.Holding, 5)...)
		bus.Devices[0].IntervalS = 0.1
		p := bubblePoller(t, bus)
		lines := wires(t, p)
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		const comes, goes = 10 * time.Second, 30 * time.Second
		begin, begged := time.Now(), 0
		go func() {
			for line := range lines {
				go func() { // the other master
					for time.Since(begin) < goes {
						if time.Since(begin) > comes {
							if _, err := line.Write(bytesOf(t, "+050300000001")); err != nil {
								return
							}
						}
						time.Sleep(170 * time.Millisecond)
					}
				}()
				for request := readEight(line); request != nil; request = readEight(line) {
					if at := time.Since(begin); at > comes+200*time.Millisecond && at < goes {
						begged++
					}
					n := request[5] // registers; a probe asks for two
					b := append([]byte{17, 3, 2 * n}, make([]byte, 2*n)...)
					line.Write(binary.LittleEndian.AppendUint16(b, config.CRC16(b)))
				}
			}
		}()
		var log logbook
		require.NoError(t, p.Run(ctx, log.emit))
		log.check(t, p.Groups())
		var faults []string
		for _, b := range log.batches {
			if b.Fault != "" {
				faults = append(faults, b.Fault)
			}
		}
		assert.Equal(t, []string{FaultForeign}, faults)
		assert.LessOrEqual(t, begged, 1)
		assert.Greater(t, p.Stats().Devices[0].OK, uint64(300), "10 s before, 27 s after")
	})
}

// The frames of the specifications with the CRCs that a libmodbus 3.1.6 server took and
// gave (protocols.md): only those that read can be sent.
func TestRTUFrames(t *testing.T) {
	l := newRTU(rtuBus(), time.Second)
	for request, want := range map[string]string{
		"0100130013": "8e92", "0200c40016": "baa9", "03006b0003": "7687", "0400080001": "b298", "0104a10001": "af88",
	} {
		b, err := hex.DecodeString(request)
		require.NoError(t, err)
		l.address(0x11)
		frame, err := l.Encode(&modbus.ProtocolDataUnit{FunctionCode: b[0], Data: b[1:]})
		require.NoError(t, err)
		assert.Equal(t, "11"+request+want, hex.EncodeToString(frame))
	}
	for _, answer := range []string{"1101 03cd6b05 4012", "1102 03acdb35 2018", "1103 06022b00000064 c8ba", "1104 02000a f8f4", "1181 02 c054", "1183 02 c134"} {
		assert.Zero(t, config.CRC16(bytesOf(t, strings.ReplaceAll(answer, " ", ""))), answer)
	}
}

// Whatever comes, an answer is one with unit, function, length and CRC, and the first of those.
func FuzzRTUStream(f *testing.F) {
	good := []byte{0x11, 3, 6, 2, 0x2b, 0, 0, 0, 0x64, 0xc8, 0xba}
	f.Add(good, []byte{})
	f.Add(append([]byte{0x11, 3, 6}, good...), []byte{0, 0, 0, 0})
	f.Add([]byte{0x11, 0x83, 2, 0xc1, 0x34}, []byte{1})
	f.Add(append([]byte{0x11, 3, 0, 0x6b, 0, 3, 0x76, 0x87}, good...), []byte{2})
	f.Add(append(make([]byte, 3000), good...), []byte{255})
	f.Fuzz(func(t *testing.T, data, sizes []byte) {
		l := newRTU(rtuBus(), time.Second)
		l.character, l.silence, l.listen = 0, 0, 0
		served := &later{data: slices.Clone(data), sizes: sizes}
		l.dial = func(context.Context) (port.Stream, error) { return served, nil }
		require.NoError(t, l.open(t.Context()))
		got, err := read(l, &Request{Unit: 0x11, Table: config.Holding}, &span{address: 0x6b, quantity: 3})
		if err != nil {
			require.Nil(t, got)
			return
		}
		require.Len(t, got, 6)
		whole := append([]byte{0x11, 3, 6}, got...)
		whole = binary.LittleEndian.AppendUint16(whole, config.CRC16(whole))
		require.Contains(t, string(data), string(whole))
	})
}

// A later is a stream on which bytes come, in pieces, once something was sent.
type later struct {
	data, sizes []byte
	sent        bool
}

func (p *later) Write(b []byte) (int, error)     { p.sent = true; return len(b), nil }
func (p *later) SetReadDeadline(time.Time) error { return nil }
func (p *later) Close() error                    { return nil }
func (p *later) Read(b []byte) (int, error) {
	if !p.sent || len(p.data) == 0 {
		return 0, os.ErrDeadlineExceeded
	}
	x := pieces{data: p.data, sizes: p.sizes}
	n, err := x.Read(b)
	p.data, p.sizes = x.data, x.sizes
	return n, err
}

// Every function code and unit that could reach a line: only the four that read, and never
// unit 0, which is all devices at once. A probe is one of the four too.
func TestOnlyReadsReachALine(t *testing.T) {
	near, far := porttest.NewWires()
	l := newRTU(rtuBus(), time.Millisecond)
	l.dial = func(context.Context) (port.Stream, error) { return near, nil }
	l.listen, l.silence = 0, 0
	require.NoError(t, l.open(t.Context()))
	for function := range 256 {
		for _, unit := range []byte{0, 1, 17} {
			body := []byte{unit, byte(function), 0, 1, 0, 1}
			frame := binary.LittleEndian.AppendUint16(body, config.CRC16(body))
			_, err := l.Send(frame)
			if unit > 0 && function >= 1 && function <= 4 {
				require.ErrorIs(t, err, ErrTimeout)
			} else {
				require.ErrorIs(t, err, errWrite, "unit %d, function %d", unit, function)
			}
			_, err = l.Send(append(frame, 0)) // of another length
			require.ErrorIs(t, err, errWrite)
		}
	}
	far.SetReadDeadline(time.Now().Add(-time.Second))
	sent := 0
	for {
		b := make([]byte, 8)
		n, err := far.Read(b)
		if err != nil {
			break
		}
		sent++
		require.Equal(t, 8, n)
		require.Contains(t, []byte{1, 2, 3, 4}, b[1])
		require.NotZero(t, b[0])
	}
	assert.Equal(t, 8, sent, "a request of each function to each of two units, or a probe in its place")
	_, err := l.Send(nil)
	assert.ErrorIs(t, err, errWrite)
}
