package simulator

import (
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"math"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/config"
)

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	require.NoError(t, err)
	return b
}

// specDevice holds the values of the examples in MODBUS Application Protocol
// Specification V1.1b3, sections 6.1 to 6.4, and 100 holding registers of unit 2 for section 7.
func specDevice() *device {
	d := &device{unit: 0x11, words: map[config.Table][]uint16{config.Holding: make([]uint16, 120), config.Input: make([]uint16, 9)},
		bits: map[config.Table][]bool{config.Coil: make([]bool, 2500), config.Discrete: make([]bool, 218)}}
	d.words[config.Holding][0x6B], d.words[config.Holding][0x6D] = 555, 100
	d.words[config.Input][8] = 10
	set := func(table config.Table, start, n int, packed ...byte) {
		for i := range n {
			d.bits[table][start+i] = packed[i/8]>>(i%8)&1 == 1
		}
	}
	set(config.Coil, 0x13, 0x13, 0xCD, 0x6B, 0x05)
	set(config.Discrete, 0xC4, 0x16, 0xAC, 0xDB, 0x35)
	return d
}

func TestAnswersOfTheSpecification(t *testing.T) {
	hundred := &device{words: map[config.Table][]uint16{config.Holding: make([]uint16, 100)}}
	wide := &device{words: map[config.Table][]uint16{config.Input: make([]uint16, 65536)}, bits: map[config.Table][]bool{config.Coil: make([]bool, 65536)}}
	for _, tc := range []struct {
		name           string
		d              *device
		request, reply string
	}{
		{"6.1 coils 20-38", specDevice(), "01 0013 0013", "01 03 CD6B05"},
		{"6.2 inputs 197-218", specDevice(), "02 00C4 0016", "02 03 ACDB35"},
		{"6.3 registers 108-110", specDevice(), "03 006B 0003", "03 06 022B 0000 0064"},
		{"6.4 input register 9", specDevice(), "04 0008 0001", "04 02 000A"},
		{"7 coil 1185 absent", &device{}, "01 04A1 0001", "81 02"},
		{"7 last four of 100", hundred, "03 0060 0004", "03 08 0000000000000000"},
		{"7 five from 96 of 100", hundred, "03 0060 0005", "83 02"},
		{"no registers", specDevice(), "03 0000 0000", "83 03"},
		{"126 registers", specDevice(), "03 0000 007E", "83 03"},
		{"quantity before address", hundred, "03 0063 007E", "83 03"},
		{"no coils", specDevice(), "01 0000 0000", "81 03"},
		{"2001 coils", specDevice(), "01 0000 07D1", "81 03"},
		{"2001 inputs", specDevice(), "02 0000 07D1", "82 03"},
		{"past the last input", specDevice(), "02 00D9 0002", "82 02"},
		{"one past the end of all", wide, "04 FFFF 0002", "84 02"},
		{"the last of all", wide, "04 FFFF 0001", "04 02 0000"},
		{"the last coil of all", wide, "01 FFFF 0001", "01 01 00"},
		{"short request", specDevice(), "03 0000 00", "83 03"},
		{"long request", specDevice(), "03 0000 0001 00", "83 03"},
		{"function alone", specDevice(), "03", "83 03"},
		{"6.5 write coil", specDevice(), "05 00AC FF00", "85 01"},
		{"6.6 write register", specDevice(), "06 0001 0003", "86 01"},
		{"6.11 write coils", specDevice(), "0F 0013 000A 02 CD01", "8F 01"},
		{"6.12 write registers", specDevice(), "10 0001 0002 04 000A 0102", "90 01"},
		{"6.16 mask write", specDevice(), "16 0004 00F2 0025", "96 01"},
		{"6.17 read and write", specDevice(), "17 0003 0006 000E 0003 06 00FF 00FF 00FF", "97 01"},
		{"function 0", specDevice(), "00", "80 01"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			require.Equal(t, unhex(t, tc.reply), tc.d.answer(unhex(t, tc.request)))
		})
	}
	require.Len(t, specDevice().answer(unhex(t, "01 0000 07D0")), 252, "2000 coils")
	wideAnswer := wide.answer(unhex(t, "04 0000 007D"))
	require.Len(t, wideAnswer, 252, "125 registers")
	require.Equal(t, byte(250), wideAnswer[1])
}

func FuzzAnswer(f *testing.F) {
	for _, pdu := range [][]byte{{1, 0, 0x13, 0, 0x13}, {3, 0, 0x6B, 0, 3}, {0x10, 0, 1, 0, 2, 4, 0, 10, 1, 2}, {4, 0xFF, 0xFF, 0, 2}, {0x17}, {0x83}} {
		f.Add(pdu)
	}
	d := specDevice()
	f.Fuzz(func(t *testing.T, pdu []byte) {
		if len(pdu) == 0 || len(pdu) > maxPDU {
			return
		}
		reply := d.answer(pdu)
		require.LessOrEqual(t, len(reply), maxPDU)
		require.Equal(t, pdu[0]&0x7f, reply[0]&0x7f)
	})
}

// serve starts a server for the bus on loopback and returns its address; the test's end
// stops it and waits.
func serve(t *testing.T, b *Bus) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- Serve(ctx, ln, b) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-done)
	})
	return ln.Addr().String()
}

func dial(t *testing.T, address string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", address)
	require.NoError(t, err)
	t.Cleanup(func() { c.Close() })
	require.NoError(t, c.SetDeadline(time.Now().Add(20*time.Second)))
	return c
}

// readFrame reads one frame.
func readFrame(c net.Conn) ([]byte, error) {
	head := make([]byte, 6)
	if _, err := io.ReadFull(c, head); err != nil {
		return nil, err
	}
	rest := make([]byte, binary.BigEndian.Uint16(head[4:]))
	_, err := io.ReadFull(c, rest)
	return append(head, rest...), err
}

func frame(t *testing.T, c net.Conn) []byte {
	t.Helper()
	f, err := readFrame(c)
	require.NoError(t, err)
	return f
}

func send(t *testing.T, c net.Conn, s string) {
	t.Helper()
	_, err := c.Write(unhex(t, s))
	require.NoError(t, err)
}

// specBus serves the specification's device without a plant behind it.
func specBus(t *testing.T) *Bus {
	t.Helper()
	r, err := NewRig(DemoScenario(0), demoRig())
	require.NoError(t, err)
	b := r.Buses()[0]
	b.devices = []*device{specDevice()}
	return b
}

func TestFramesOverLoopback(t *testing.T) {
	c := dial(t, serve(t, specBus(t)))
	for _, tc := range []struct{ name, request, reply string }{
		// MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 4.4.1.2 prints this request.
		{"guide 4.4.1.2, register 5, unit FF", "1501 0000 0006 FF 03 0004 0001", "1501 0000 0005 FF 03 02 0000"},
		{"6.3 in a frame", "0001 0000 0006 11 03 006B 0003", "0001 0000 0009 11 03 06 022B 0000 0064"},
		{"unit 0", "0002 0000 0006 00 04 0008 0001", "0002 0000 0005 00 04 02 000A"},
		{"another unit", "0003 0000 0006 12 04 0008 0001", "0003 0000 0003 12 84 0B"},
		{"a write", "0004 0000 0006 11 06 0001 0003", "0004 0000 0003 11 86 01"},
		{"function alone", "0005 0000 0002 11 03", "0005 0000 0003 11 83 03"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			send(t, c, tc.request)
			require.Equal(t, unhex(t, tc.reply), frame(t, c))
		})
	}
	t.Run("not Modbus is discarded", func(t *testing.T) {
		send(t, c, "0006 0001 0006 11 04 0008 0001"+"0007 0000 0006 11 04 0008 0001")
		require.Equal(t, unhex(t, "0007 0000 0005 11 04 02 000A"), frame(t, c))
	})
	t.Run("three in flight, the last in pieces", func(t *testing.T) {
		send(t, c, "0008 0000 0006 11 04 0008 0001"+"0009 0000 0006 11 03 006B 0001"+"000A 0000")
		require.Equal(t, unhex(t, "0008 0000 0005 11 04 02 000A"), frame(t, c))
		require.Equal(t, unhex(t, "0009 0000 0005 11 03 02 022B"), frame(t, c))
		send(t, c, "0006 11 04 0008 0001")
		require.Equal(t, unhex(t, "000A 0000 0005 11 04 02 000A"), frame(t, c))
	})
	for _, length := range []string{"0000", "0001", "00FF", "FFFF"} {
		t.Run("length "+length+" ends the connection", func(t *testing.T) {
			bad := dial(t, c.RemoteAddr().String())
			send(t, bad, "0001 0000 "+length+" 11 03")
			_, err := bad.Read(make([]byte, 1))
			require.Error(t, err)
			require.False(t, errors.Is(err, os.ErrDeadlineExceeded))
		})
	}
}

func TestFaults(t *testing.T) {
	const ask, answer = "0001 0000 0006 11 03 006B 0003", "0001 0000 0009 11 03 06 022B 0000 0064"
	const ask2, answer2 = "0002 0000 0006 11 04 0008 0001", "0002 0000 0005 11 04 02 000A"
	for _, tc := range []struct {
		name   string
		fault  Fault
		want   string // of all that comes before the second answer
		closed bool
	}{
		{"none", Fault{}, answer, false},
		{"mute", Fault{Mute: true}, "", false},
		{"twice", Fault{Twice: true}, answer + answer, false},
		{"fewer registers", Fault{Fewer: 2}, "0001 0000 0007 11 03 04 022B 0000", false},
		{"fewer than there are", Fault{Fewer: 99}, "0001 0000 0003 11 03 00", false},
		{"cut and closed", Fault{Cut: 3, Close: true}, "0001 0000 0009 11 03 06 022B 00", true},
		{"split", Fault{Split: 5}, answer, false},
		{"wrong id", Fault{WrongID: true}, "8001 0000 0009 11 03 06 022B 0000 0064", false},
		{"wrong unit", Fault{WrongUnit: true}, "0001 0000 0009 12 03 06 022B 0000 0064", false},
		{"exception", Fault{Exception: 6}, "0001 0000 0003 11 83 06", false},
		{"close", Fault{Close: true}, "", true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := specBus(t)
			b.SetFault(func(q Request) Fault {
				if q.N == 1 {
					return tc.fault
				}
				return Fault{}
			})
			c := dial(t, serve(t, b))
			send(t, c, ask)
			want := unhex(t, tc.want)
			if tc.closed {
				got, err := io.ReadAll(c)
				require.NoError(t, err)
				require.Equal(t, want, append([]byte{}, got...))
				c = dial(t, c.RemoteAddr().String())
				want = nil
			}
			send(t, c, ask2)
			got := make([]byte, len(want))
			_, err := io.ReadFull(c, got)
			require.NoError(t, err)
			require.Equal(t, append([]byte{}, want...), got)
			require.Equal(t, unhex(t, answer2), frame(t, c))
		})
	}
	t.Run("late, overtaken", func(t *testing.T) {
		b := specBus(t)
		b.SetFault(func(q Request) Fault {
			if q.N == 1 {
				return Fault{Delay: 200 * time.Millisecond}
			}
			return Fault{}
		})
		c := dial(t, serve(t, b))
		send(t, c, ask)
		send(t, c, ask2)
		require.Equal(t, unhex(t, answer2), frame(t, c))
		require.Equal(t, unhex(t, answer), frame(t, c))
	})
	t.Run("late at the server's end", func(t *testing.T) {
		b := specBus(t)
		var q sync.WaitGroup
		q.Add(1)
		b.SetFault(func(Request) Fault { defer q.Done(); return Fault{Delay: time.Hour} })
		send(t, dial(t, serve(t, b)), ask)
		q.Wait() // the test's end does not take an hour
	})
}

// A scenario short enough to be watched over the wire: what is read is what the truth says.
func TestPicksOverTheWire(t *testing.T) {
	sc := DemoScenario(2)
	sc.Runs = sc.Runs[:1]
	sc.Runs[0].Picks, sc.LeadS, sc.Runs[0].PauseS = 2, 0.2, 0
	sc.Noise = Noise{}
	r, err := NewRig(sc, demoRig())
	require.NoError(t, err)
	require.Zero(t, r.T0())
	address := serve(t, r.Bus("cell"))
	var all sync.WaitGroup
	type scan struct {
		before, after float64
		vacuum        float64
		supply        bool
	}
	scans, errs := make([][]scan, 3), make([]error, 3)
	asks := [][]byte{unhex(t, "0001 0000 0006 01 04 0000 0002"), unhex(t, "0002 0000 0006 01 02 0000 0008")}
	for n := range scans { // several connections at once
		c := dial(t, address)
		all.Go(func() {
			for {
				before := time.Now()
				var answers [2][]byte
				for i, ask := range asks {
					if _, errs[n] = c.Write(ask); errs[n] == nil {
						answers[i], errs[n] = readFrame(c)
					}
					if errs[n] != nil {
						return
					}
				}
				t0 := r.T0()
				x := scan{before: before.Sub(t0).Seconds(), after: time.Since(t0).Seconds(),
					vacuum: float64(int16(binary.BigEndian.Uint16(answers[0][9:]))) * 100 / 27648, supply: answers[1][9]&1 == 1}
				scans[n] = append(scans[n], x)
				if x.before > r.DurationS() {
					return
				}
				time.Sleep(5 * time.Millisecond)
			}
		})
	}
	all.Wait()
	for _, err := range errs {
		require.NoError(t, err)
	}
	truths := r.Truth()
	require.Len(t, truths, 4)
	p, err := NewPlant(sc)
	require.NoError(t, err)
	deepest, compared := 0.0, 0
	for _, x := range scans[0] {
		on, still := p.Sample(0, x.before).Supply, p.Sample(0, x.after).Supply
		if on == still && x.after-x.before < 0.2 { // no whole pulse between
			require.Equal(t, on, x.supply, "between %v and %v s", x.before, x.after)
			compared++
		}
		deepest = max(deepest, x.vacuum)
	}
	require.Positive(t, compared)
	require.InDelta(t, float64(truths[0].HoldKPa), deepest, 3)
	require.Equal(t, text(t, truthOf(t, sc)), text(t, truths), "polling changes nothing")
}

func TestTruthComesWithoutAnyRequest(t *testing.T) {
	sc := oneStation(sealedSetup(), 1)
	sc.Setups[0].Cycle = Cycle{ContactS: 0.06, LiftS: 0.1, PlaceS: 0.2, SupplyOffS: 0.2, ReleaseS: 0.2, PulseS: 0.02, CycleS: 0.3}
	sc.LeadS = 0
	cfg := demoRig()
	cfg.Buses[0].Devices = cfg.Buses[0].Devices[1:] // whole-rig channels only
	r, err := NewRig(sc, cfg)
	require.NoError(t, err)
	serve(t, r.Buses()[0])
	require.Eventually(t, func() bool { return len(r.Truth()) == 1 }, 20*time.Second, 10*time.Millisecond)
}

func TestServeReportsADeadListener(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, ln.Close())
	require.ErrorIs(t, Serve(context.Background(), ln, specBus(t)), net.ErrClosed)
}

func TestTimeDoesNotGoBack(t *testing.T) {
	r, err := NewRig(DemoScenario(8), demoRig())
	require.NoError(t, err)
	d := r.devices[0]
	r.refresh(d, 3)
	r.refresh(d, 1)
	assert.Equal(t, 3.0, r.nowS)
	assert.False(t, math.IsNaN(r.plant.Sample(0, 3).VacuumKPa))
}
