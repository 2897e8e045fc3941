//go:build linux

package port

import (
	"context"
	"io"
	"net"
	"os"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial/enumerator"

	"griptrial/config"
)

func TestFindAdapter(t *testing.T) {
	ports := []*enumerator.PortDetails{{Name: "/dev/ttyS0"},
		{Name: "/dev/ttyUSB3", IsUSB: true, VID: "0403", PID: "6001", SerialNumber: "A10K2B"},
		{Name: "/dev/ttyUSB0", IsUSB: true, VID: "0403", PID: "6001", SerialNumber: "B7"},
		{Name: "/dev/ttyACM0", IsUSB: true, VID: "1A86", PID: "55D3"}, {}}
	for _, c := range []struct {
		usb  config.USB
		want string
		err  string
	}{
		{config.USB{VID: "0403", PID: "6001", Serial: "A10K2B"}, "/dev/ttyUSB3", ""},
		{config.USB{VID: "1a86", PID: "55d3"}, "/dev/ttyACM0", ""},
		{config.USB{VID: "0403", PID: "6001"}, "", "/dev/ttyUSB0 and /dev/ttyUSB3 are all USB adapters 0403:6001; state the serial number too"},
		{config.USB{VID: "0403", PID: "6001", Serial: "C"}, "", "no USB adapter 0403:6001:C is plugged in; /dev/ttyACM0 is 1A86:55D3:, /dev/ttyUSB0 is 0403:6001:B7, /dev/ttyUSB3 is 0403:6001:A10K2B"},
	} {
		got, err := find(ports, c.usb)
		assert.Equal(t, c.want, got)
		if c.err == "" {
			assert.NoError(t, err)
		} else {
			assert.EqualError(t, err, c.err)
		}
	}
	_, err := find(nil, config.USB{VID: "0403", PID: "6001"})
	assert.EqualError(t, err, "no USB adapter 0403:6001 is plugged in")
	assert.Equal(t, []Listed{{Name: "/dev/ttyACM0", USB: config.USB{VID: "1A86", PID: "55D3"}}, {Name: "/dev/ttyS0"},
		{Name: "/dev/ttyUSB0", USB: config.USB{VID: "0403", PID: "6001", Serial: "B7"}},
		{Name: "/dev/ttyUSB3", USB: config.USB{VID: "0403", PID: "6001", Serial: "A10K2B"}}}, listed(ports))
}

// An adapter that is unplugged and comes back under another name is found by its marks when
// the port is opened again; while it is out, and while a stranger has its old name, it is not.
func TestAdapterIsFoundAgain(t *testing.T) {
	defer func(was func() ([]*enumerator.PortDetails, error)) { plugged = was }(plugged)
	in := func(serial string) (master, slave *os.File) {
		master, slave, err := pty.Open()
		require.NoError(t, err)
		t.Cleanup(func() { master.Close(); slave.Close() })
		plugged = func() ([]*enumerator.PortDetails, error) {
			return []*enumerator.PortDetails{{Name: slave.Name(), IsUSB: true, VID: "0403", PID: "6001", SerialNumber: serial}}, nil
		}
		return master, slave
	}
	bus := &config.Bus{Kind: config.ModbusRTU, USB: config.USB{VID: "0403", PID: "6001", Serial: "A10K2B"},
		Serial: config.Serial{Baud: 115200, Parity: "none", StopBits: 2}}
	hears := func(master *os.File, s Stream) {
		_, err := s.Write([]byte("ask"))
		require.NoError(t, err)
		b := make([]byte, 3)
		_, err = io.ReadFull(master, b)
		require.NoError(t, err)
		assert.Equal(t, "ask", string(b))
	}
	first, slave := in("A10K2B")
	s, err := Open(t.Context(), bus, time.Second)
	require.NoError(t, err)
	hears(first, s)

	slave.Close()
	first.Close() // pulled out
	plugged = func() ([]*enumerator.PortDetails, error) { return nil, nil }
	require.NoError(t, s.SetReadDeadline(time.Now().Add(10*time.Second)))
	_, err = s.Read(make([]byte, 1))
	require.Error(t, err)
	require.NotErrorIs(t, err, os.ErrDeadlineExceeded, "an unplugged port is no silence")
	s.Close()
	_, err = Open(t.Context(), bus, time.Second)
	require.ErrorContains(t, err, "no USB adapter 0403:6001:A10K2B is plugged in")
	in("B7")
	_, err = Open(t.Context(), bus, time.Second)
	require.ErrorContains(t, err, "no USB adapter 0403:6001:A10K2B is plugged in")

	second, _ := in("A10K2B")
	s, err = Open(t.Context(), bus, time.Second)
	require.NoError(t, err)
	defer s.Close()
	hears(second, s)
}

// Both kinds of stream: bytes both ways, deadlines, past ones too, and an end from outside.
func TestStreams(t *testing.T) {
	serialBus := func(t *testing.T) (*config.Bus, io.ReadWriter) {
		master, slave, err := pty.Open()
		require.NoError(t, err)
		t.Cleanup(func() { master.Close(); slave.Close() })
		// A pty does not take even parity.
		return &config.Bus{Kind: config.ModbusRTU, Address: slave.Name(), Serial: config.Serial{Baud: 115200, Parity: "none", StopBits: 2}}, master
	}
	tcpBus := func(t *testing.T) (*config.Bus, io.ReadWriter) {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		t.Cleanup(func() { l.Close() })
		near, far := net.Pipe()
		go func() {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go io.Copy(c, far)
			io.Copy(far, c)
		}()
		return &config.Bus{Kind: config.ModbusRTUOverTCP, Address: l.Addr().String()}, near
	}
	for name, make := range map[string]func(*testing.T) (*config.Bus, io.ReadWriter){"serial": serialBus, "tcp": tcpBus} {
		t.Run(name, func(t *testing.T) {
			bus, far := make(t)
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			s, err := Open(ctx, bus, time.Second)
			require.NoError(t, err)
			defer s.Close()

			_, err = s.Write([]byte{0, 1, 10, 13, 17, 19, 255}) // bytes that a terminal would change
			require.NoError(t, err)
			got := [7]byte{}
			_, err = io.ReadFull(far, got[:])
			require.NoError(t, err)
			assert.Equal(t, [7]byte{0, 1, 10, 13, 17, 19, 255}, got)

			go far.Write([]byte{3, 4, 26, 28})
			require.NoError(t, s.SetReadDeadline(time.Now().Add(10*time.Second)))
			back := [4]byte{}
			_, err = io.ReadFull(s, back[:])
			require.NoError(t, err)
			assert.Equal(t, [4]byte{3, 4, 26, 28}, back)

			for _, d := range []time.Duration{-time.Second, 0, time.Millisecond} {
				require.NoError(t, s.SetReadDeadline(time.Now().Add(d)))
				n, err := s.Read(back[:])
				assert.Zero(t, n)
				assert.ErrorIs(t, err, os.ErrDeadlineExceeded)
			}
			require.NoError(t, s.SetReadDeadline(time.Time{}))
			go cancel()
			_, err = s.Read(back[:])
			require.Error(t, err)
			assert.NotErrorIs(t, err, os.ErrDeadlineExceeded)
		})
	}
	_, err := Open(t.Context(), &config.Bus{Kind: config.ModbusRTU, Address: "/dev/no-such-port", Serial: config.Serial{Baud: 9600, Parity: "none", StopBits: 1}}, time.Second)
	assert.ErrorContains(t, err, "open /dev/no-such-port")
}

func TestCharacter(t *testing.T) {
	for _, c := range []struct {
		s    config.Serial
		bits float64
	}{{config.Serial{Baud: 1000, Parity: "even", StopBits: 1}, 11}, {config.Serial{Baud: 1000, Parity: "none", StopBits: 2}, 11},
		{config.Serial{Baud: 1000, Parity: "none", StopBits: 1}, 10}, {config.Serial{Baud: 1000, Parity: "odd", StopBits: 2}, 12}} {
		assert.Equal(t, time.Duration(c.bits*1e6), Character(c.s))
	}
	assert.Zero(t, Character(config.Serial{}))
	assert.Zero(t, Silence(config.Serial{}))
}
