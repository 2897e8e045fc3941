package modbus

import (
	"context"
	"encoding/binary"
	"io"
	"math/rand/v2"
	"net"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire"
	"griptrial/acquire/sample"
	"griptrial/config"
)

// A faultyServer answers on loopback, one connection at a time, and misbehaves by chance.
// Reply n, counted over all requests, holds n in registers 0 and 1, its complement in
// registers 2 and 3, and nothing that must be believed where the reply is a wrong one.
type faultyServer struct {
	listener net.Listener
	rng      *rand.Rand

	mu       sync.Mutex
	n        uint32
	believed map[uint32]bool // replies that were right and sent at once
	faults   map[string]int
	codes    map[byte]int // function codes that reached the wire
}

var faultKinds = []string{"late", "doubled", "truncated", "wrong id", "wrong length", "wrong unit",
	"wrong function", "wrong protocol", "close", "mute", "short", "exception"}

func newFaultyServer(t *testing.T, seed uint64) *faultyServer {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s := &faultyServer{listener: l, rng: rand.New(rand.NewPCG(seed, 0)),
		believed: map[uint32]bool{}, faults: map[string]int{}, codes: map[byte]int{}}
	var served sync.WaitGroup
	served.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			s.serve(c)
		}
	})
	t.Cleanup(func() {
		l.Close()
		served.Wait()
	})
	return s
}

func (s *faultyServer) serve(c net.Conn) {
	defer c.Close()
	var request [12]byte
	var late []byte // held back until the next request
	for {
		if _, err := io.ReadFull(c, request[:]); err != nil {
			return
		}
		s.mu.Lock()
		s.codes[request[7]]++
		s.n++
		n := s.n
		fault := ""
		if s.rng.IntN(10) == 0 {
			fault = faultKinds[s.rng.IntN(len(faultKinds))]
			s.faults[fault]++
		}
		if fault == "" || fault == "doubled" {
			s.believed[n] = true
		}
		s.mu.Unlock()

		var data []byte
		data = binary.BigEndian.AppendUint32(data, n)
		data = binary.BigEndian.AppendUint32(data, ^n)
		reply := frame(request[:2], request[6], request[7], data)
		send := late
		late = nil
		switch fault {
		case "late":
			late = reply
			reply = nil
		case "doubled":
			reply = append(reply, reply...)
		case "truncated":
			reply = reply[:s.rng.IntN(len(reply))]
		case "wrong id":
			reply[1] ^= byte(1 + s.rng.IntN(255))
		case "wrong length":
			reply[5] ^= byte(1 + s.rng.IntN(255))
		case "wrong unit":
			reply[6]++
		case "wrong function":
			reply[7]++
		case "wrong protocol":
			reply[3]++
		case "close":
			return
		case "mute":
			reply = nil
		case "short":
			reply = frame(request[:2], request[6], request[7], data[:4])
		case "exception":
			reply = []byte{request[0], request[1], 0, 0, 0, 3, request[6], request[7] | 0x80, 6}
		}
		if send = append(send, reply...); len(send) > 0 {
			if _, err := c.Write(send); err != nil {
				return
			}
		}
	}
}

// Thousands of transactions over loopback with a device that goes wrong in every way: not
// one wrong value is taken, and polling goes on to the end.
func TestNoWrongValueOverLoopback(t *testing.T) {
	const seed = 5
	want := 5000
	if testing.Short() {
		want = 500
	}
	s := newFaultyServer(t, seed)
	bus := config.Bus{Name: "bus", Kind: config.ModbusTCP, Address: s.listener.Addr().String(), TimeoutS: 0.02,
		Devices: []config.Device{{Name: "dev", Unit: 1, IntervalS: 0.0002, Channels: []config.Channel{
			channel(config.Holding, 0, "u32", "ABCD"), channel(config.Holding, 2, "u32", "ABCD")}}}}
	p, err := NewPoller(bus, acquire.NewClock())
	require.NoError(t, err)
	p.jitter = func() float64 { return 2 } // takes all of a back-off away: the test is long enough

	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	go func() { // Stats may be read at any time
		for ctx.Err() == nil {
			p.Stats()
			time.Sleep(time.Millisecond)
		}
	}()
	var log logbook
	scans := 0
	require.NoError(t, p.Run(ctx, func(b sample.Batch) {
		log.emit(b)
		if scans += len(b.T); scans >= want {
			cancel()
		}
	}))
	require.GreaterOrEqual(t, scans, want, "scans before the test gave up")
	log.check(t, p.Groups())

	s.mu.Lock()
	defer s.mu.Unlock()
	taken := map[uint32]bool{}
	for _, b := range log.batches {
		for i := range b.T {
			n, complement := uint32(b.Counts[0][i]), uint32(b.Counts[1][i])
			require.Equal(t, ^n, complement, "reply %d, seed %d", n, seed)
			require.True(t, s.believed[n], "reply %d was not to be believed, seed %d", n, seed)
			require.False(t, taken[n], "reply %d was taken twice, seed %d", n, seed)
			taken[n] = true
		}
	}
	d := p.Stats().Devices[0]
	t.Logf("%d requests, faults %v", s.n, s.faults)
	t.Logf("%+v", d)
	for _, kind := range faultKinds {
		assert.NotZero(t, s.faults[kind], kind)
	}
	assert.Equal(t, uint64(scans), d.OK)
	assert.NotZero(t, d.Timeouts)
	assert.NotZero(t, d.Framing)
	assert.NotZero(t, d.Lost)
	assert.NotZero(t, d.Stale)
	assert.NotZero(t, d.Exceptions[6])
	assert.NotZero(t, p.Stats().Reconnects)
	assert.Equal(t, map[byte]int{3: int(s.n)}, s.codes)
}

// All function codes are tried at the last step before the wire: the four that read pass.
func TestOnlyReadsReachTheWire(t *testing.T) {
	near, far := net.Pipe()
	defer far.Close()
	codes := make(chan byte, 256)
	go func() {
		defer close(codes)
		var b [12]byte
		for {
			if _, err := io.ReadFull(far, b[:]); err != nil {
				return
			}
			codes <- b[7]
			if _, err := far.Write(frame(b[:2], b[6], b[7], []byte{0})); err != nil {
				return
			}
		}
	}()
	l := newTCP("", time.Minute)
	l.dial = func(context.Context) (net.Conn, error) { return near, nil }
	require.NoError(t, l.open(t.Context()))
	for code := range 256 {
		_, err := l.Send([]byte{0, 1, 0, 0, 0, 6, 1, byte(code), 0, 0, 0, 1})
		if code >= 1 && code <= 4 {
			assert.NoError(t, err, "function %d", code)
		} else {
			assert.ErrorIs(t, err, errWrite, "function %d", code)
		}
	}
	for _, short := range [][]byte{nil, {0, 1, 0, 0, 0, 1, 1}} {
		_, err := l.Send(short)
		assert.ErrorIs(t, err, errWrite)
	}
	l.close()
	var sent []byte
	for c := range codes {
		sent = append(sent, c)
	}
	assert.Equal(t, []byte{1, 2, 3, 4}, sent)
}

// Tables are all that a request can ask for, and no call of the package takes values.
func TestNoCallWrites(t *testing.T) {
	for _, table := range []config.Table{config.Coil, config.Discrete, config.Holding, config.Input} {
		r := Request{Table: table}
		assert.Contains(t, []byte{1, 2, 3, 4}, r.function())
	}
	l := newTCP("", time.Second)
	l.dial = func(context.Context) (net.Conn, error) { t.Error("dialed"); return nil, io.EOF }
	_, err := read(l, &Request{Table: "coil write"}, &span{quantity: 1})
	assert.ErrorIs(t, err, errWrite)

	for _, typ := range []reflect.Type{reflect.TypeFor[*Poller](), reflect.TypeFor[Request]()} {
		for i := range typ.NumMethod() {
			name := typ.Method(i).Name
			assert.False(t, strings.Contains(name, "Write") || strings.Contains(name, "Set") || strings.Contains(name, "Send"), name)
		}
	}
}
