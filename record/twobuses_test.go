//go:build linux

package record

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"griptrial/acquire"
	"griptrial/acquire/modbus"
	"griptrial/acquire/port"
	"griptrial/acquire/sample"
	"griptrial/config"
	"griptrial/store"
)

// An edgeSignal is one wire that goes to two devices: how many edges it has had.
type edgeSignal []time.Time

func (e edgeSignal) count() uint16 {
	now, n := time.Now(), uint16(0)
	for int(n) < len(e) && !now.Before(e[n]) {
		n++
	}
	return n
}

// pause waits as a wire does: time.Sleep may be 1 ms late.
func pause(d time.Duration) {
	ts := unix.NsecToTimespec(int64(d))
	unix.Nanosleep(&ts, nil)
}

// precise has the goroutine's pauses end in time.
func precise() {
	runtime.LockOSThread()
	unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0) // ns
}

// answer returns the PDU with the count of edges at an instant within the device's
// turnaround, which ends as it returns.
func (e edgeSignal) answer(r *rand.Rand, request []byte) []byte {
	pause(time.Duration(r.IntN(100)) * time.Microsecond)
	n := e.count()
	pause(time.Duration(r.IntN(100)) * time.Microsecond)
	return binary.BigEndian.AppendUint16([]byte{request[0], 2}, n)
}

// serveTCP is a Modbus TCP device that shows the signal.
func (e edgeSignal) serveTCP(t *testing.T) string {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { ln.Close() })
	go func() {
		precise()
		c, err := ln.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		r := rand.New(rand.NewPCG(1, 1))
		for request := make([]byte, 12); ; {
			if _, err := io.ReadFull(c, request); err != nil {
				return
			}
			pdu := e.answer(r, request[7:])
			c.Write(append([]byte{request[0], request[1], 0, 0, 0, byte(1 + len(pdu)), request[6]}, pdu...))
		}
	}()
	return ln.Addr().String()
}

// serveRTU is a Modbus RTU device on a pseudo-terminal that shows it; request and answer
// take the time that their characters need on a wire.
func (e edgeSignal) serveRTU(t *testing.T, character time.Duration) string {
	master, slave, err := pty.Open()
	require.NoError(t, err)
	_, err = term.MakeRaw(int(slave.Fd()))
	require.NoError(t, err)
	t.Cleanup(func() { master.Close(); slave.Close() })
	go func() {
		precise()
		r := rand.New(rand.NewPCG(2, 2))
		for request := make([]byte, 8); ; {
			if _, err := io.ReadFull(master, request); err != nil {
				return
			}
			pause(time.Duration(len(request)) * character)
			frame := append([]byte{request[0]}, e.answer(r, request[1:])...)
			frame = binary.LittleEndian.AppendUint16(frame, config.CRC16(frame))
			pause(time.Duration(len(frame)) * character)
			master.Write(frame)
		}
	}()
	return slave.Name()
}

// A clockBound narrows down by how much two buses' times can be apart: an edge lies between
// a bus's last sample before it and its first one after, widened by their half-widths.
type clockBound struct {
	seen   [2][]between // of each bus and edge
	last   [2]sample.Batch
	used   int
	lo, hi int64 // ns, by how much the second bus's times are ahead of the first's
}

type between struct{ lo, hi int64 }

func newClockBound(edges int) *clockBound {
	return &clockBound{seen: [2][]between{make([]between, edges), make([]between, edges)}, lo: -1e18, hi: 1e18}
}

func (c *clockBound) add(b sample.Batch) {
	for i, ns := range b.T {
		n := b.Counts[0][i]
		if before := c.last[b.Group]; before.T != nil {
			for k := before.Counts[0][0]; k < n; k++ {
				c.seen[b.Group][k] = between{before.T[0] - before.Half[0], ns + b.Half[i]}
				if x, y := c.seen[0][k], c.seen[1][k]; x != (between{}) && y != (between{}) {
					c.used++
					c.lo, c.hi = max(c.lo, y.lo-x.hi), min(c.hi, y.hi-x.lo)
				}
			}
		}
		c.last[b.Group] = sample.Batch{T: []int64{ns}, Half: []int64{b.Half[i]}, Counts: [][]int64{{n}}}
	}
}

// Two buses of one trial, a serial line and Modbus TCP, see the edges of one signal. Each
// stamp's half-width reaches the truth, and what both say about the edges leaves no room for
// their times to be apart by 2 ms. A busy machine widens what each edge tells: then it takes
// more of them, a minute's at most.
func TestTwoBusesAgree(t *testing.T) {
	const edges, enough, seed = 1700, 40, 4
	r := rand.New(rand.NewPCG(seed, 0))
	clock := acquire.NewClock()
	var signal edgeSignal
	at := time.Now().Add(1500 * time.Millisecond) // a serial port is listened to for a second
	for range edges {
		at = at.Add(25*time.Millisecond + time.Duration(r.IntN(20_000_000)))
		signal = append(signal, at)
	}
	serial := config.Serial{Baud: 115200, Parity: "none", StopBits: 2}
	rig, err := config.ParseRig("two buses", fmt.Appendf(nil, `name: two buses
stations:
  - {name: left, seal_limit: 600 ms}
buses:
  - name: line
    kind: modbus-rtu
    address: %s
    serial: {baud: 115200, parity: none, stop_bits: 2}
    devices:
      - name: transducer
        unit: 3
        interval: 7 ms
        channels:
          - {name: on the line, kind: vacuum, station: left, at: cup, reads: vacuum, register: {table: input, address: 0, type: u16}, scale: 1 kPa}
  - name: block
    kind: modbus-tcp
    address: %s
    devices:
      - name: io
        unit: 1
        interval: 5 ms
        channels:
          - {name: on the block, kind: flow, station: left, register: {table: input, address: 0, type: u16}, scale: 1 L/min ANR}
`, signal.serveRTU(t, port.Character(serial)), signal.serveTCP(t)))
	require.NoError(t, err)
	var sources []Source
	for _, b := range rig.Buses {
		p, err := modbus.NewPoller(b, clock)
		require.NoError(t, err)
		sources = append(sources, p)
	}
	groups := Groups(sources)
	stations, err := NewStations(groups, nil, nil)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "two.gtrial")
	file, err := store.Create(path, store.Header{Program: "test", AnchorUTC: clock.UTC(), Groups: groups, Stations: []string{"left"}})
	require.NoError(t, err)
	ctx, stop := context.WithDeadline(t.Context(), at)
	defer stop()
	live := newClockBound(edges)
	rec := Recorder{File: file, Sources: sources, Stations: stations, Now: clock.Both, Committed: func(p Progress) {
		for _, b := range p.Batches {
			live.add(b)
		}
		if live.used >= enough && max(live.hi, -live.lo) < 1.5e6 {
			stop()
		}
	}}
	require.NoError(t, rec.Run(ctx))
	require.NoError(t, file.Close())

	read, err := store.OpenRead(path)
	require.NoError(t, err)
	defer read.Close()
	c := newClockBound(edges)
	for b, err := range read.Batches() {
		require.NoError(t, err)
		c.add(b)
	}
	t.Logf("%d edges: the block's times are %.2f to %.2f ms ahead of the line's", c.used, float64(c.lo)/1e6, float64(c.hi)/1e6)
	require.GreaterOrEqual(t, c.used, enough)
	for bus, all := range c.seen {
		for k, x := range all {
			if x == (between{}) {
				continue
			}
			truth := clock.At(signal[k])
			require.LessOrEqual(t, x.lo, truth, "bus %d, edge %d", bus, k)
			require.GreaterOrEqual(t, x.hi, truth, "bus %d, edge %d", bus, k)
		}
	}
	assert.LessOrEqual(t, c.lo, int64(0))
	assert.GreaterOrEqual(t, c.hi, int64(0))
	assert.Less(t, max(c.hi, -c.lo), int64(2e6), "ns: two buses are comparable to better than 2 ms")
}
