//go:build linux

package modbus

import (
	"encoding/binary"
	"fmt"
	"io"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"griptrial/acquire"
	"griptrial/acquire/port"
	"griptrial/config"
)

// BenchmarkRTU reads registers over a pty on which every character is handed over when a
// wire at that rate would have it, from a device that answers after the pause that ends a
// frame. of-limit is the time that the budget's formula gives, (13 + 2n) characters and two
// pauses, over the median time taken: 0.97 at least wanted. of-bare compares with the same
// bytes sent and read with no check, in turn, and bare-of-limit says how far those come: the
// rest is this machine's, and its load's.
func BenchmarkRTU(b *testing.B) {
	for _, baud := range []int{19200, 115200} {
		for _, long := range []bool{false, true} {
			if !long && baud <= 19200 {
				continue // the same pauses
			}
			for _, n := range []int{2, 8, 32} {
				serial := config.Serial{Baud: baud, Parity: "none", StopBits: 2, TrueSilence: long}
				name := fmt.Sprintf("%d-baud/%d-registers", baud, n)
				if !long {
					name += "/1.75-ms"
				}
				b.Run(name, func(b *testing.B) { benchmarkRTU(b, serial, n) })
			}
		}
	}
}

func benchmarkRTU(b *testing.B, serial config.Serial, n int) {
	master, slave, err := pty.Open()
	require.NoError(b, err)
	defer slave.Close()
	defer master.Close()
	_, err = term.MakeRaw(int(slave.Fd()))
	require.NoError(b, err)
	defer acquire.OwnThread()() // as a poller of a serial line has
	character, silence := port.Character(serial), port.Silence(serial)
	go func() {
		runtime.LockOSThread()
		unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0) // ns: a wire is not 50 µs late
		var request [8]byte
		for {
			if _, err := io.ReadFull(master, request[:]); err != nil {
				return
			}
			due := time.Now().Add(8*character + silence)
			reply := append([]byte{request[0], request[1], byte(2 * n)}, make([]byte, 2*n)...)
			reply = binary.LittleEndian.AppendUint16(reply, config.CRC16(reply))
			for i := range reply {
				due = due.Add(character)
				ts := unix.NsecToTimespec(int64(max(0, time.Until(due))))
				unix.Nanosleep(&ts, nil)
				if _, err := master.Write(reply[i : i+1]); err != nil {
					return
				}
			}
		}
	}()
	bus := rtuBus(words(config.Holding, upTo(n)...)...)
	bus.Address, bus.Serial, bus.TimeoutS = slave.Name(), serial, 1
	l := newRTU(bus, time.Second)
	require.NoError(b, l.open(b.Context()))
	defer l.close()
	r, s := &Request{Unit: 17, Table: config.Holding}, &span{quantity: uint16(n)}
	var took, bare []time.Duration
	request := []byte{17, 3, 0, 0, 0, byte(n)}
	request = binary.LittleEndian.AppendUint16(request, config.CRC16(request))
	reply := make([]byte, 5+2*n)
	for b.Loop() {
		// The same bytes and one pause, with nothing checked: what this machine and its load allow.
		begin := time.Now()
		ts := unix.NsecToTimespec(int64(silence))
		unix.Nanosleep(&ts, nil)
		if _, err := l.stream.Write(request); err != nil {
			b.Fatal(err)
		}
		if err := l.stream.SetReadDeadline(begin.Add(time.Second)); err != nil {
			b.Fatal(err)
		}
		if _, err := io.ReadFull(l.stream, reply); err != nil {
			b.Fatal(err)
		}
		l.last = time.Now()
		bare = append(bare, time.Since(begin))

		begin = time.Now()
		if _, err := read(l, r, s); err != nil {
			b.Fatal(err)
		}
		took = append(took, time.Since(begin))
	}
	slices.Sort(took)
	slices.Sort(bare)
	limit := time.Duration(13+2*n)*character + 2*silence
	median := took[len(took)/2]
	b.ReportMetric(1/median.Seconds(), "reads/s")
	b.ReportMetric(1/limit.Seconds(), "limit/s")
	b.ReportMetric(bare[len(bare)/2].Seconds()/median.Seconds(), "of-bare")
	b.ReportMetric(limit.Seconds()/median.Seconds(), "of-limit")
	b.ReportMetric(limit.Seconds()/bare[len(bare)/2].Seconds(), "bare-of-limit")
}
