package modbus

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"slices"
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

func TestSniffer(t *testing.T) {
	const (
		ask    = "+1103006b0003"
		answer = "+110306022b00000064"
		heard  = "11 03 107 3: 022b00000064"
	)
	cases := []struct {
		name                          string
		words                         string
		want                          []string
		notAnswered, noise, remaining int
	}{
		{name: "an exchange", words: ask + " " + answer, want: []string{heard}},
		{name: "two", words: strings.Repeat(ask+" "+answer+" ", 2), want: []string{heard, heard}},
		{name: "begins with an answer", words: answer + " " + ask + " " + answer, want: []string{heard}},
		{name: "noise before, between and after", words: "00ff " + ask + " fe " + answer + " 05", want: []string{heard}, noise: 3, remaining: 1},
		{name: "not answered", words: ask + " +0503006b0001 +050302abcd", want: []string{"05 03 107 1: abcd"}, notAnswered: 1},
		{name: "repeated", words: ask + " " + ask + " " + answer, want: []string{heard}},
		{name: "refused", words: ask + " +118302 " + ask + " " + answer, want: []string{heard}, notAnswered: 1},
		{name: "of another length", words: ask + " +11030411112222", notAnswered: 1},
		{name: "writes", words: "+1106000100ff +1106000100ff +111000010002041111ffff +111000010002 " + ask + " " + answer, want: []string{heard}},
		{name: "write with mask, read and write", words: "+1116000400f20025 +1116000400f20025 +11170003000200 " + ask, noise: 9},
		{name: "coils that look like a request", words: "+110103200018 +11010320000f", want: []string{"11 01 800 24: 20000f"}},
		{name: "damaged answer", words: ask + " 110306022b00000065c8ba " + ask + " " + answer, want: []string{heard}, noise: 11},
		{name: "noise like the begin of a long frame", words: "1103fa " + ask + " " + answer, want: []string{heard}, noise: 3},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			var stream []byte
			for _, w := range strings.Fields(c.words) {
				stream = append(stream, bytesOf(t, w)...)
			}
			for _, size := range []int{1, 2, 3, 7, 8, 9, len(stream)} {
				var s sniffer
				var got []string
				now := time.Now()
				for piece := range slices.Chunk(stream, size) {
					now = now.Add(time.Millisecond)
					s.add(piece, now, func(x exchange) {
						got = append(got, fmt.Sprintf("%02x %02x %d %d: %s", x.unit, x.function, x.address, x.quantity, hex.EncodeToString(x.data)))
						assert.False(t, x.to.Before(x.from))
					})
				}
				assert.Equal(t, c.want, got, "pieces of %d", size)
				assert.Equal(t, c.notAnswered, s.notAnswered, "pieces of %d", size)
				if c.name != "write with mask, read and write" { // of which the last frame has no end
					assert.Equal(t, c.noise, s.noise, "pieces of %d", size)
					assert.Len(t, s.buf, c.remaining, "pieces of %d", size)
				}
			}
		})
	}
}

// Whatever is heard, an exchange is a request that reads and an answer of its length, both
// in the stream with their CRCs.
func FuzzSniffer(f *testing.F) {
	exchange1, _ := hex.DecodeString("1103006b00037687110306022b00000064c8ba")
	f.Add(exchange1, uint8(1))
	f.Add(append(bytes.Clone(exchange1[:8]), exchange1...), uint8(3))
	f.Add([]byte("1103fa"), uint8(1))
	f.Fuzz(func(t *testing.T, stream []byte, size uint8) {
		var s sniffer
		for piece := range slices.Chunk(stream, int(size)+1) {
			s.add(piece, time.Time{}, func(x exchange) {
				r := Request{Table: []config.Table{"", config.Coil, config.Discrete, config.Holding, config.Input}[x.function]}
				require.Len(t, x.data, dataBytes(r.Table, int(x.quantity)))
				require.True(t, bytes.Contains(stream, x.data))
			})
		}
		require.LessOrEqual(t, s.noise+len(s.buf), len(stream))
	})
}

// The recorder takes a controller's own polling apart, and sends nothing.
func TestListener(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := rtuBus(words(config.Holding, 107, 109)...)
		bus.Listen = true
		second := bus.Devices[0]
		second.Name, second.Unit, second.Channels = "second", 5, words(config.Coil, 21)
		bus.Devices = append(bus.Devices, second)
		l, err := NewListener(bus, acquire.NewClock())
		require.NoError(t, err)
		require.Len(t, l.Groups(), 3)
		l.newWaiter = func(ctx context.Context) acquire.Waiter { return acquire.NewTimerWaiter(ctx.Done()) }
		l.jitter = func() float64 { return 0 }
		lines := make(chan *porttest.Wire, 8)
		l.dial = func(ctx context.Context) (port.Stream, error) {
			near, far := porttest.NewWires()
			context.AfterFunc(ctx, func() { near.Close() })
			lines <- far
			return near, nil
		}
		ctx, cancel := context.WithCancel(t.Context())
		var log logbook
		done := make(chan error, 1)
		go func() { done <- l.Run(ctx, log.emit) }()
		line := <-lines
		play := func(words string) {
			for _, w := range strings.Fields(words) {
				if w == "gap" {
					time.Sleep(10 * time.Millisecond)
					continue
				}
				line.Write(bytesOf(t, w))
			}
		}
		play("+1103006b0003 gap +110306022b00000064 gap") // both registers
		play("0501001300 gap gap gap gap gap gap")        // unit 5, damaged
		play("+050100130013 gap +050103cd6b05 gap")       // coils 19 to 37 ([AP] 6.1): 21 is on
		play("+1103006d0001 gap +1103020007 gap")         // register 109 alone
		play("+1104006b0003 gap +110406111122223333 gap") // another table
		play("+1103006a0001 gap +1103021234 gap")         // a neighbour
		time.Sleep(3 * time.Second)                       // the other master is silent
		play("+1103006b0001 gap +1103020009 gap")         // and comes back
		line.Close()                                      // the port goes
		line = <-lines                                    // and is opened again
		play("+1103006b0001 gap +110302000a gap")
		cancel()
		require.NoError(t, <-done)
		log.check(t, l.Groups())
		var got []string
		for _, b := range log.batches {
			if b.Fault != "" {
				got = append(got, fmt.Sprint(b.Group, " ", b.Fault))
				continue
			}
			got = append(got, fmt.Sprint(b.Group, " ", b.Counts[0][0]))
			// The answer came 10 ms after the request and took 7, 8 or 11 characters of the time
			// between: the turnaround that is left is at most 10 ms less 7 characters.
			assert.LessOrEqual(t, b.Half[0], int64(5*time.Millisecond))
		}
		assert.Equal(t, []string{"0 555", "1 100", "2 1", "1 7", "0 timeout", "1 timeout", "2 timeout", "0 9",
			"0 connection lost", "0 10"}, got)
		line.SetReadDeadline(time.Now())
		n, _ := line.Read(make([]byte, 1))
		assert.Zero(t, n, "a listener sends nothing")
		s := l.Stats()
		assert.Equal(t, uint64(1), s.Lost)
		assert.Equal(t, uint64(5), s.OK)
		assert.Equal(t, uint64(7), s.Exchanges)
	})
}

func TestListenerReadOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := rtuBus(words(config.Holding, 107, 200)...)
		l, err := NewListener(bus, acquire.NewClock())
		require.NoError(t, err)
		l.dial = func(context.Context) (port.Stream, error) {
			near, far := porttest.NewWires()
			far.Write(bytesOf(t, "+1103006b0001"))
			far.Write(bytesOf(t, "+110302000a"))
			return near, nil
		}
		readings, err := l.ReadOnce(t.Context())
		require.NoError(t, err)
		require.Len(t, readings, 2)
		assert.Equal(t, int64(10), readings[0].Raw)
		assert.ErrorIs(t, readings[1].Err, errNotHeard)
		assert.Equal(t, int64(sample.Missing), readings[1].Raw)
	})
}

// Random traffic of two masters' worth of exchanges, cut anyhow: none is lost, none made up.
func TestSnifferFindsAll(t *testing.T) {
	const seed = 5
	rng := rand.New(rand.NewPCG(seed, 0))
	var stream []byte
	var want []string
	for range 2000 {
		unit, n, at := byte(1+rng.IntN(247)), 1+rng.IntN(125), rng.IntN(60000)
		request := fmt.Sprintf("+%02x03%04x%04x", unit, at, n)
		data := make([]byte, 2*n)
		for i := range data {
			data[i] = byte(rng.Uint32())
		}
		stream = append(stream, bytesOf(t, request)...)
		stream = append(stream, bytesOf(t, fmt.Sprintf("+%02x03%02x%x", unit, 2*n, data))...)
		want = append(want, fmt.Sprintf("%d %d %x", unit, at, data))
	}
	var s sniffer
	var got []string
	now := time.Now()
	for len(stream) > 0 {
		n := min(len(stream), 1+rng.IntN(64))
		s.add(stream[:n], now, func(x exchange) { got = append(got, fmt.Sprintf("%d %d %x", x.unit, x.address, x.data)) })
		stream = stream[n:]
	}
	require.Len(t, got, len(want), "seed %d", seed)
	for i := range want { // one by one: all of them are no message
		require.Equal(t, want[i], got[i], "seed %d, exchange %d", seed, i)
	}
	assert.Zero(t, s.noise)
}
