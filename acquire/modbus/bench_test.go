package modbus

import (
	"context"
	"io"
	"net"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"griptrial/acquire"
	"griptrial/acquire/sample"
	"griptrial/config"
)

// BenchmarkTransactions reads 8 holding registers over loopback, and in turn sends the same
// bytes to and fro over a bare socket, with neither deadline nor check: the limit for Go.
// The metrics are of the median round; of-limit is the ratio of the two, 0.90 at least wanted.
func BenchmarkTransactions(b *testing.B) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(b, err)
	defer listener.Close()
	go func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				var request [12]byte
				reply := frame(request[:], 17, 3, make([]byte, 16))
				for {
					if _, err := io.ReadFull(c, request[:]); err != nil {
						return
					}
					copy(reply, request[:2])
					if _, err := c.Write(reply); err != nil {
						return
					}
				}
			}()
		}
	}()

	bus := oneDevice(words(config.Holding, upTo(8)...)...)
	bus.Address, bus.TimeoutS = listener.Addr().String(), 1
	p, err := NewPoller(bus, acquire.NewClock())
	require.NoError(b, err)
	require.NoError(b, p.link.open(b.Context()))
	defer p.link.close()
	bare, err := net.Dial("tcp", bus.Address)
	require.NoError(b, err)
	defer bare.Close()

	request := []byte{0, 1, 0, 0, 0, 6, 17, 3, 0, 0, 0, 8}
	var reply [7 + 2 + 16]byte
	const round = 100 // short, and in turn, that a change of the machine's load meets both alike
	var ours, limit []time.Duration
	b.ReportAllocs()
	for b.Loop() {
		begin := time.Now()
		for range round {
			if _, err := bare.Write(request); err != nil {
				b.Fatal(err)
			}
			if _, err := bare.Read(reply[:]); err != nil {
				b.Fatal(err)
			}
		}
		between := time.Now()
		for range round {
			if _, _, err := p.scan(p.polls[0]); err != nil {
				b.Fatal(err)
			}
		}
		limit, ours = append(limit, between.Sub(begin)), append(ours, time.Since(between))
	}
	slices.Sort(ours)
	slices.Sort(limit)
	median := len(ours) / 2
	b.ReportMetric(round/ours[median].Seconds(), "transactions/s")
	b.ReportMetric(round/limit[median].Seconds(), "limit/s")
	b.ReportMetric(limit[median].Seconds()/ours[median].Seconds(), "of-limit")
}

// BenchmarkLateness polls at 1 kHz over loopback, b.N times, and reports how late polls began.
func BenchmarkLateness(b *testing.B) {
	for name, make := range waiters {
		b.Run(name, func(b *testing.B) {
			listener, err := net.Listen("tcp", "127.0.0.1:0")
			require.NoError(b, err)
			defer listener.Close()
			go func() {
				for {
					c, err := listener.Accept()
					if err != nil {
						return
					}
					go answer(c, 0)
				}
			}()
			bus := oneDevice(words(config.Holding, upTo(8)...)...)
			bus.Address, bus.TimeoutS, bus.Devices[0].IntervalS = listener.Addr().String(), 1, 0.001
			p, err := NewPoller(bus, acquire.NewClock())
			require.NoError(b, err)
			p.newWaiter = make
			ctx, cancel := context.WithTimeout(b.Context(), time.Duration(b.N)*time.Millisecond)
			defer cancel()
			require.NoError(b, p.Run(ctx, func(sample.Batch) {}))
			s := p.Stats().Devices[0]
			b.ReportMetric(float64(s.LateMedian)/1e3, "late-p50-µs")
			b.ReportMetric(float64(s.LateP99)/1e3, "late-p99-µs")
			b.ReportMetric(float64(s.LateWorst)/1e3, "late-worst-µs")
			b.ReportMetric(float64(s.Skipped)/float64(slots(s)), "skipped")
		})
	}
}

var waiters = map[string]func(context.Context) acquire.Waiter{
	"of the system": acquire.NewWaiter,
	"timer":         func(ctx context.Context) acquire.Waiter { return acquire.NewTimerWaiter(ctx.Done()) },
}
