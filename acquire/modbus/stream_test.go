package modbus

import (
	"bytes"
	"context"
	"errors"
	"net"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"griptrial/config"
)

// A pieces is a connection on which bytes arrive in pieces of given sizes, then nothing.
type pieces struct {
	net.Conn
	data  []byte
	sizes []byte
}

func (p *pieces) Read(b []byte) (int, error) {
	if len(p.data) == 0 {
		return 0, os.ErrDeadlineExceeded
	}
	n := len(p.data)
	if len(p.sizes) > 0 {
		n, p.sizes = min(n, 1+int(p.sizes[0])), p.sizes[1:]
	}
	n = copy(b, p.data[:n])
	p.data = p.data[n:]
	return n, nil
}

func (p *pieces) Write(b []byte) (int, error)   { return len(b), nil }
func (p *pieces) SetDeadline(t time.Time) error { return nil }
func (p *pieces) Close() error                  { return nil }

// FuzzStream feeds a reader of two registers any bytes in any pieces. What it makes of them
// must be what a slow reader of the whole stream makes of them.
func FuzzStream(f *testing.F) {
	good := []byte{0, 1, 0, 0, 0, 7, 17, 3, 4, 0x12, 0x34, 0x56, 0x78}
	foreign := []byte{9, 9, 0, 0, 0, 7, 17, 3, 4, 1, 1, 1, 1}
	longest := append([]byte{9, 9, 0, 0, 0, 254, 17, 3, 251}, make([]byte, 251)...)
	f.Add(good, []byte{})
	f.Add(good, []byte{0, 0, 0, 0, 0, 0, 0, 0, 0, 0})
	f.Add(append(bytes.Clone(foreign), good...), []byte{3, 20})
	f.Add(bytes.Join([][]byte{longest, longest, longest, good}, nil), []byte{255, 255, 3, 255})
	f.Add([]byte{0, 1, 0, 0, 0, 3, 17, 0x83, 2}, []byte{})
	f.Add(bytes.Join([][]byte{foreign, longest, longest, good}, nil), []byte{})
	tooLong := append([]byte{9, 9, 0, 0, 0, 255, 17, 3, 252}, make([]byte, 252)...)
	f.Add(append(tooLong, good...), []byte{})
	f.Add([]byte{0, 1, 0, 0, 0, 0, 17}, []byte{})
	f.Add(good[:11], []byte{})
	f.Fuzz(func(t *testing.T, data, sizes []byte) {
		l := newTCP("", time.Second)
		l.dial = func(context.Context) (net.Conn, error) { return &pieces{data: bytes.Clone(data), sizes: sizes}, nil }
		require.NoError(t, l.open(t.Context()))
		defer l.close()
		got, err := read(l, &Request{Unit: 17, Table: config.Holding}, &span{address: 5, quantity: 2})
		wantData, want := slowly(data)
		if want == nil {
			require.NoError(t, err)
			require.Equal(t, wantData, got)
			return
		}
		require.Nil(t, got)
		var refused Exception
		if errors.As(want, &refused) {
			require.Equal(t, want, err)
			return
		}
		require.ErrorIs(t, err, want)
	})
}

// slowly returns what a reader of unit 17, registers of 4 bytes, transaction 1 takes from stream.
func slowly(stream []byte) ([]byte, error) {
	if len(stream) == 0 {
		return nil, ErrTimeout
	}
	if len(stream) < 7 {
		return nil, ErrFraming
	}
	length := int(stream[4])*256 + int(stream[5])
	if stream[2] != 0 || stream[3] != 0 || length < 3 || length > 254 || len(stream) < 6+length {
		return nil, ErrFraming
	}
	frame := stream[:6+length]
	switch {
	case frame[0] != 0 || frame[1] != 1:
		return slowly(stream[6+length:])
	case frame[6] != 17:
		return nil, ErrFraming
	case frame[7] == 0x83 && len(frame) == 9:
		return nil, Exception(frame[8])
	case frame[7] == 3 && len(frame) == 13 && frame[8] == 4:
		return frame[9:], nil
	}
	return nil, ErrFraming
}
