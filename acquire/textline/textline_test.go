package textline

import (
	"context"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire"
	"griptrial/acquire/port"
	"griptrial/acquire/port/porttest"
	"griptrial/acquire/sample"
	"griptrial/config"
)

func channel(name, field string, step float64) config.Channel {
	return config.Channel{Channel: sample.Channel{Name: name, Kind: sample.Flow, Scale: 1, UpdateS: math.NaN()},
		Field: field, Register: config.Register{Step: step}}
}

func sensor(line config.Line, channels ...config.Channel) config.Device {
	return config.Device{Name: "sensor", IntervalS: math.NaN(), TurnaroundS: math.NaN(), Line: line, Channels: channels}
}

func TestDecode(t *testing.T) {
	const missing = sample.Missing
	pattern := config.Line{Pattern: `Q=(?P<flow>[+-]?\d+\.\d+);T=(?P<temp>\S*)`, Terminator: "\n"}
	columns := config.Line{Separator: ";", Terminator: "\n"}
	sum := func(kind string) config.Line {
		return config.Line{Separator: ",", Terminator: "\r\n", Checksum: kind}
	}
	cases := []struct {
		name   string
		line   config.Line
		fields [2]string
		text   string
		want   []int64
		err    error
	}{
		{"groups", pattern, [2]string{"flow", "temp"}, "Q=+012.35;T=21.5", []int64{1235, 2150}, nil},
		{"groups amid text", pattern, [2]string{"flow", "temp"}, "xx Q=-0.05;T=1 \r", []int64{-5, 100}, nil},
		{"no match", pattern, [2]string{"flow", "temp"}, "Q=12;T=21.5", nil, errForm},
		{"group that is no number", pattern, [2]string{"flow", "temp"}, "Q=1.0;T=hot", nil, errForm},
		{"empty group", pattern, [2]string{"flow", "temp"}, "Q=1.0;T=", []int64{100, missing}, nil},
		{"columns", columns, [2]string{"1", "3"}, "1;2;3", []int64{100, 300}, nil},
		{"columns in another order, blanks", columns, [2]string{"3", "1"}, " 1 ; ; +.5e1 \r", []int64{500, 100}, nil},
		{"blank after the sign", columns, [2]string{"1", "2"}, "-  1.5;+ 2", []int64{-150, 200}, nil},
		{"too few columns", columns, [2]string{"1", "3"}, "1;2", nil, errForm},
		{"empty column", columns, [2]string{"1", "2"}, ";7", []int64{missing, 700}, nil},
		{"all empty", columns, [2]string{"1", "2"}, ";", nil, errForm},
		{"damaged digit", columns, [2]string{"1", "2"}, "1;7#", nil, errForm},
		{"comma", columns, [2]string{"1", "2"}, "1,5;7", nil, errForm},
		{"inf", columns, [2]string{"1", "2"}, "inf;7", nil, errForm},
		{"nan", columns, [2]string{"1", "2"}, "NaN;7", nil, errForm},
		{"hexadecimal", columns, [2]string{"1", "2"}, "0x10;7", nil, errForm},
		{"too large", columns, [2]string{"1", "2"}, "1e30;7", []int64{missing, 700}, nil},
		{"far too large", columns, [2]string{"1", "2"}, "1e999;7", []int64{missing, 700}, nil},
		{"rounded to the step", columns, [2]string{"1", "2"}, "0.014999;-0.015", []int64{1, -2}, nil},

		// The sentence of Wikipedia's article NMEA 0183 (from memory), its checksum 47.
		{"NMEA 0183", sum("xor"), [2]string{"9", "10"}, "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r", []int64{90, 54540}, nil},
		{"NMEA 0183 damaged", sum("xor"), [2]string{"9", "10"}, "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.5,M,46.9,M,,*47\r", nil, errChecksum},
		{"xor without star", sum("xor"), [2]string{"1", "2"}, "1,2" + fmt.Sprintf("%02x", '1'^','^'2'), []int64{100, 200}, nil},
		{"sum", sum("sum"), [2]string{"1", "2"}, "1,2*" + fmt.Sprintf("%02X", ('1'+','+'2')&0xFF), []int64{100, 200}, nil},
		{"sum wrong", sum("sum"), [2]string{"1", "2"}, "1,2*00", nil, errChecksum},
		// CRC-16/MODBUS of "123456789" is 4B37 (protocols.md).
		{"crc16", config.Line{Separator: "5", Checksum: "crc16"}, [2]string{"1", "2"}, "1234567894B37", []int64{123400, 678900}, nil},
		{"crc16 wrong", config.Line{Separator: "5", Checksum: "crc16"}, [2]string{"1", "2"}, "123456789374B", nil, errChecksum},
		{"no checksum", sum("xor"), [2]string{"1", "2"}, "1,2", nil, errChecksum},
		{"shorter than a checksum", sum("crc16"), [2]string{"1", "2"}, "1,2", nil, errChecksum},
		{"nothing", sum("xor"), [2]string{"1", "2"}, "", nil, errChecksum},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			d, err := newDecoder(sensor(c.line, channel("a", c.fields[0], 0.01), channel("b", c.fields[1], 0.01)))
			require.NoError(t, err)
			got, err := d.decode([]byte(c.text), nil)
			assert.Equal(t, c.err, err)
			assert.Equal(t, c.want, got)
		})
	}
}

// bus is a serial line of 9,600 baud, 8N1: 10 bits and so 1.0417 ms a character.
func bus(devices ...config.Device) config.Bus {
	return config.Bus{Name: "line", Kind: config.TextSerial, TimeoutS: 0.5, Devices: devices,
		Serial: config.Serial{Baud: 9600, Parity: "none", StopBits: 1}}
}

// start runs a source of bus in a bubble until the test ends; it returns the far ends of
// the lines that it opens, and how to end it and get what it handed on.
func start(t *testing.T, b config.Bus) (s *Source, lines chan *porttest.Wire, end func() []string) {
	s, err := New(b, acquire.NewClock())
	require.NoError(t, err)
	lines = make(chan *porttest.Wire, 64)
	s.dial = func(ctx context.Context) (port.Stream, error) {
		near, far := porttest.NewWires()
		context.AfterFunc(ctx, func() { near.Close() })
		lines <- far
		return near, nil
	}
	s.FlushEvery = 1 // that groups come in the order in which they were read
	s.jitter = func() float64 { return 0 }
	s.newWaiter = func(ctx context.Context) acquire.Waiter { return acquire.NewTimerWaiter(ctx.Done()) }
	ctx, cancel := context.WithCancel(t.Context())
	var got []string
	done := make(chan error, 1)
	last := make([]int64, len(b.Devices))
	go func() {
		done <- s.Run(ctx, func(x sample.Batch) {
			if x.Fault != "" {
				got = append(got, x.Fault)
			}
			for i, T := range x.T {
				assert.True(t, last[x.Group] == 0 || T > last[x.Group], "stamps increase")
				last[x.Group] = T
				var row []string
				for _, c := range x.Counts {
					row = append(row, fmt.Sprint(c[i]))
				}
				got = append(got, fmt.Sprintf("%d: %s at %v ± %v", x.Group, strings.Join(row, " "),
					time.Duration(T).Round(100*time.Microsecond), time.Duration(x.Half[i]).Round(100*time.Microsecond)))
			}
		})
	}()
	return s, lines, func() []string {
		cancel()
		require.NoError(t, <-done)
		return got
	}
}

func TestStreaming(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := sensor(config.Line{Separator: ";", Terminator: "\n"}, channel("q", "1", 0.01))
		s, lines, end := start(t, bus(d))
		line := <-lines
		send := func(text string) { line.Write([]byte(text)) }
		send("35\n") // a half line: it might have been 12.35
		time.Sleep(100 * time.Millisecond)
		send("1.00\r\n")
		time.Sleep(100 * time.Millisecond)
		send("1.01\r")
		send("\n\r\n") // and an empty line
		time.Sleep(100 * time.Millisecond)
		send("1.0#\r\n")
		time.Sleep(300 * time.Millisecond)
		send("1.03\r\n1.04\r\n1.0")
		time.Sleep(100 * time.Millisecond)
		send("5\r\n")
		time.Sleep(600 * time.Millisecond)
		send("1.06\r\n")
		time.Sleep(time.Millisecond)
		line.Close()
		line = <-lines
		send("7\r\n")
		time.Sleep(100 * time.Millisecond)
		send("1.08\r\n")
		time.Sleep(time.Millisecond)
		got := end()
		// A line of 6 characters began 6.25 ms before it was there, at 93.75 ms for 1.00, which
		// may be as old as the opening. Others are at most a period old: 97.9 ms, then 103.1.
		// 1.03 and 1.04 came in one go after a pause since 300 ms.
		assert.Equal(t, []string{
			"0: 100 at 46.9ms ± 46.9ms", "0: 101 at 142.7ms ± 49ms",
			acquire.FaultFraming,
			"0: 103 at 442.2ms ± 142.2ms", "0: 104 at 445.3ms ± 145.3ms", "0: 105 at 642.2ms ± 51.6ms",
			acquire.FaultTimeout,
			"0: 106 at 1.2422s ± 51.6ms",
			acquire.FaultLost,
			"0: 108 at 1.3433s ± 51.5ms",
		}, got)
		st := s.Stats()[0]
		assert.Equal(t, Stats{Device: "sensor", OK: 7, Timeouts: 1, Garbage: 1, Lost: 1, Dropped: st.Dropped, Bursts: 1, Latency: st.Latency}, st)
		assert.InDelta(t, 102*time.Millisecond, st.Latency, float64(2*time.Millisecond), "the longest period that was no pause, faded a little")
		assert.Equal(t, uint64(2+2), st.Dropped, "35 and 7\\r")
	})
}

func TestDeclaredLatency(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := sensor(config.Line{Separator: ";", Terminator: "\n"}, channel("q", "1", 0.01))
		d.TurnaroundS = 0.02
		s, lines, end := start(t, bus(d))
		line := <-lines
		line.Write([]byte("\n"))
		time.Sleep(100 * time.Millisecond)
		line.Write([]byte("123456789\n"))
		time.Sleep(time.Millisecond)
		// Ten characters take 10.4 ms: the line began at 89.6 ms, and was measured at most 20 ms before.
		assert.Equal(t, []string{"0: 12345678900 at 79.6ms ± 10ms"}, end())
		assert.Equal(t, Stats{Device: "sensor", OK: 1, Latency: 20 * time.Millisecond, Declared: true, Dropped: s.Stats()[0].Dropped}, s.Stats()[0])
	})
}

func TestPolled(t *testing.T) {
	a := sensor(config.Line{Separator: ";", Terminator: "\r", Poll: "?A\r"}, channel("a", "1", 1))
	b := sensor(config.Line{Separator: ";", Terminator: "\r", Poll: "?B\r"}, channel("b", "1", 1))
	a.IntervalS, b.IntervalS, b.Name = 0.1, 0.1, "other"
	// What the device does at each poll string.
	type op struct{ poll, resp string }
	run := func(t *testing.T, ops []op, want ...string) []Stats {
		var stats []Stats
		synctest.Test(t, func(t *testing.T) {
			s, lines, end := start(t, bus(a, b))
			go func() {
				line := <-lines
				for len(ops) > 0 {
					var got []byte
					line.SetReadDeadline(time.Now().Add(time.Hour))
					for len(got) < 3 {
						piece := make([]byte, 3-len(got))
						n, err := line.Read(piece)
						if err != nil {
							return
						}
						got = append(got, piece[:n]...)
					}
					assert.Equal(t, ops[0].poll, string(got), "%d ops left", len(ops))
					for _, w := range strings.Split(ops[0].resp, "|") {
						switch w {
						case "wait":
							time.Sleep(600 * time.Millisecond)
						case "gap":
							time.Sleep(10 * time.Millisecond)
						default:
							line.Write([]byte(w))
						}
					}
					ops = ops[1:]
				}
			}()
			time.Sleep(30 * time.Second)
			var got []string
			for _, l := range end() {
				got = append(got, strings.SplitN(l, " at", 2)[0])
			}
			if len(got) > len(want) { // the script has ended, and nobody answers
				got = got[:len(want)]
			}
			assert.Equal(t, want, got)
			synctest.Wait()
			assert.Empty(t, ops)
			stats = s.Stats()
		})
		return stats
	}
	t.Run("in turn", func(t *testing.T) {
		run(t, []op{{"?A\r", "1\r"}, {"?B\r", "2\r"}, {"?A\r", "3|gap|4\r"}, {"?B\r", "5\r"}}, "0: 1", "1: 2", "0: 34", "1: 5")
	})
	t.Run("echo", func(t *testing.T) {
		run(t, []op{{"?A\r", "?A\r|gap|1\r"}, {"?B\r", "?B\r2\r"}}, "0: 1", "1: 2")
	})
	t.Run("second line is not the next answer", func(t *testing.T) {
		run(t, []op{{"?A\r", "1\r9\r"}, {"?B\r", "2\r|gap|9\r"}, {"?A\r", "3\r"}}, "0: 1", "1: 2", "0: 3")
	})
	t.Run("late line is not the next answer", func(t *testing.T) {
		run(t, []op{{"?A\r", "wait|9\r"}, {"?B\r", "2\r"}, {"?A\r", "3\r"}}, acquire.FaultTimeout, "0: 3", "1: 2")
	})
	t.Run("garbage", func(t *testing.T) {
		s := run(t, []op{{"?A\r", "x1\r"}, {"?B\r", "2\r"}, {"?A\r", "3\r"}}, acquire.FaultFraming, "1: 2", "0: 3")
		assert.Equal(t, uint64(1), s[0].Garbage)
	})
}

// A polled serial line is listened to before the first byte.
func TestForeignTrafficIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := sensor(config.Line{Separator: ";", Terminator: "\r", Poll: "?A\r"}, channel("a", "1", 1))
		a.IntervalS = 0.1
		s, err := New(bus(a), acquire.NewClock())
		require.NoError(t, err)
		var far *porttest.Wire
		s.dial = func(context.Context) (port.Stream, error) {
			var near *porttest.Wire
			near, far = porttest.NewWires()
			far.Write([]byte("?A\r12\r"))
			return near, nil
		}
		_, err = s.ReadOnce(t.Context())
		require.ErrorIs(t, err, ErrForeign)
		n, _ := far.Read(make([]byte, 1))
		assert.Zero(t, n, "a byte was sent")
	})
}

// No poll string that any bus would take for a Modbus frame, of whatever function, is sent.
func TestPollStringsAreNoModbusFrames(t *testing.T) {
	for function := range 256 {
		body := []byte{17, byte(function), 0, 1, 0, 3}
		rtu := append(append([]byte{}, body...), byte(config.CRC16(body)), byte(config.CRC16(body)>>8))
		tcp := append([]byte{0, 1, 0, 0, 0, 6}, body...)
		lrc := byte(0)
		for _, b := range body {
			lrc -= b
		}
		ascii := fmt.Appendf(nil, ":%X%02X\r\n", body, lrc)
		for name, frame := range map[string][]byte{"RTU": rtu, "TCP": tcp, "ASCII": ascii} {
			d := sensor(config.Line{Separator: ";", Terminator: "\r", Poll: string(frame)}, channel("a", "1", 1))
			d.IntervalS = 0.1
			_, err := New(bus(d), acquire.NewClock())
			require.ErrorContains(t, err, "Modbus "+name+" frame", "function %d", function)

			// Were it to get past New, the last step refuses it.
			d.Line.Poll = "?"
			s, err := New(bus(d), acquire.NewClock())
			require.NoError(t, err)
			s.devices[0].poll = frame
			var out writes
			s.stream = &out
			_, _, _, _, err = s.exchange(0)
			require.ErrorContains(t, err, "never sent")
			require.Empty(t, out.sent)
		}
	}
}

// A writes keeps what is sent and never has anything to read.
type writes struct{ sent []byte }

func (w *writes) Write(b []byte) (int, error)     { w.sent = append(w.sent, b...); return len(b), nil }
func (w *writes) Read([]byte) (int, error)        { return 0, os.ErrDeadlineExceeded }
func (w *writes) SetReadDeadline(time.Time) error { return nil }
func (w *writes) Close() error                    { return nil }

// Lines come out alike however the stream is cut, and none is longer than allowed.
func FuzzCutter(f *testing.F) {
	f.Add([]byte("1;2\r\n3;4\r\n"), []byte{1, 2, 3}, "\r\n", false)
	f.Add([]byte("a\r\r\n\r\n"), []byte{2}, "\r\n", true)
	f.Add([]byte("aabaab"), []byte{0}, "aab", false)
	f.Add([]byte(strings.Repeat("x", 4095)+"\n"+strings.Repeat("y", 4096)+"\n"+strings.Repeat("z", 4097)+"\nok\n"), []byte{255}, "\n", false)
	f.Fuzz(func(t *testing.T, stream, sizes []byte, terminator string, skip bool) {
		if terminator == "" || len(terminator) > 8 {
			return
		}
		cut := func(sizes []byte) (lines []string, c cutter) {
			c = cutter{terminator: []byte(terminator), skipping: skip}
			rest := stream
			for len(rest) > 0 {
				n := len(rest)
				if len(sizes) > 0 {
					n, sizes = min(n, 1+int(sizes[0])), sizes[1:]
				}
				c.add(rest[:n], func(line []byte, after int) {
					lines = append(lines, string(line))
					require.LessOrEqual(t, len(line), maxLineBytes)
				})
				rest = rest[n:]
			}
			return lines, c
		}
		whole, _ := cut(nil)
		pieces, c := cut(sizes)
		require.Equal(t, whole, pieces)
		total := c.dropped + len(c.buf)
		for _, l := range pieces {
			total += len(l)
		}
		require.LessOrEqual(t, total, len(stream), "no byte is counted twice")
		var want []string
		parts := strings.Split(string(stream), terminator)
		for i, p := range parts[:len(parts)-1] {
			if len(p) <= maxLineBytes && !(skip && i == 0) {
				want = append(want, p)
			}
		}
		require.Equal(t, want, pieces)
	})
}

// A line gives a number for each channel or none at all, and never a panic.
func FuzzDecode(f *testing.F) {
	f.Add("$1;2*03", "xor")
	f.Add("1;-2.5", "none")
	f.Add("1;24B37", "crc16")
	f.Fuzz(func(t *testing.T, line, checksum string) {
		d, err := newDecoder(sensor(config.Line{Separator: ";", Checksum: checksum}, channel("a", "1", 0.01), channel("b", "2", 0.01)))
		if err != nil {
			return
		}
		got, err := d.decode([]byte(line), nil)
		if err != nil {
			require.Nil(t, got)
			return
		}
		require.Len(t, got, 2)
		for _, n := range got {
			require.True(t, n == sample.Missing || n >= -1<<53 && n <= 1<<53)
		}
	})
}

func TestNewErrors(t *testing.T) {
	good := sensor(config.Line{Separator: ";", Terminator: "\n"}, channel("a", "1", 1))
	for _, c := range []struct {
		change func(*config.Bus)
		want   string
	}{
		{func(b *config.Bus) { b.Kind = config.ModbusTCP }, `bus line: kind "modbus-tcp" has no text lines`},
		{func(b *config.Bus) { b.TimeoutS = 0 }, "bus line: timeout of 0 s is out of range; want 1 ms to 1000 s"},
		{func(b *config.Bus) { b.Devices = nil }, "bus line: no device"},
		{func(b *config.Bus) { b.Devices[0].Channels = nil }, "bus line: device sensor has no channel"},
		{func(b *config.Bus) { b.Devices[0].Line.Terminator = "" }, "bus line: device sensor: no terminator"},
		{func(b *config.Bus) { b.Devices[0].Line.Separator = "" }, "bus line: device sensor: neither separator nor pattern"},
		{func(b *config.Bus) { b.Devices = append(b.Devices, b.Devices[0]) }, "bus line: device sensor sends without being asked, and shares the bus"},
		{func(b *config.Bus) { b.Devices[0].Line.Poll = "?" }, "bus line: device sensor: interval of NaN s is out of range; want 1 ms at least"},
		{func(b *config.Bus) { b.Devices[0].Channels[0].Field = "0" }, `bus line: device sensor: channel a: field "0" is not in a line`},
		{func(b *config.Bus) { b.Devices[0].Channels[0].Field = "x" }, `bus line: device sensor: channel a: field "x" is not in a line`},
		{func(b *config.Bus) {
			b.Devices[0].Channels[0].Register.Step = 0
			b.Devices[0].Channels[0].Scale = 0
		}, "bus line: device sensor: channel a: needs a resolution or a scale that is not 0, as its counts are whole steps"},
	} {
		b := bus(good)
		b.Devices[0].Channels = append([]config.Channel(nil), good.Channels...)
		c.change(&b)
		_, err := New(b, acquire.NewClock())
		assert.EqualError(t, err, c.want)
	}
}
