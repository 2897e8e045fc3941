package modbus

import (
	"context"
	"io"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"griptrial/acquire"
	"griptrial/acquire/sample"
	"griptrial/config"
)

// BenchmarkTransactions reads 8 holding registers over loopback, and in turn sends the same
// bytes to and fro over a bare socket, with neither deadline nor check: the limit for Go.
// The metric of-limit is the ratio of their rates; DEVELOPERS.md promises 0.90.
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
	var ours, limit time.Duration
	n := 0
	for b.Loop() {
		// Rounds of 500, that a change of the machine's load meets both alike.
		begin := time.Now()
		for range 500 {
			if _, err := bare.Write(request); err != nil {
				b.Fatal(err)
			}
			if _, err := bare.Read(reply[:]); err != nil {
				b.Fatal(err)
			}
		}
		limit += time.Since(begin)
		begin = time.Now()
		for range 500 {
			if _, _, err := p.scan(p.polls[0]); err != nil {
				b.Fatal(err)
			}
		}
		ours += time.Since(begin)
		n += 500
	}
	b.ReportMetric(float64(n)/ours.Seconds(), "transactions/s")
	b.ReportMetric(float64(n)/limit.Seconds(), "limit/s")
	b.ReportMetric(limit.Seconds()/ours.Seconds(), "of-limit")
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
