//go:build linux

package modbus

import (
	"encoding/binary"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/term"

	"griptrial/config"
)

// Servers that nobody here wrote, Debian's pymodbus and libmodbus, serve registers and bits
// whose values are known, through a proxy that does to answers what lines and networks do.
// Some values are lost; not one may be wrong.
func TestServersThroughFaults(t *testing.T) {
	n := 5000
	switch {
	case os.Getenv("GRIPTRIAL_NIGHTLY") != "":
		n = 1_000_000
	case testing.Short():
		n = 300
	}
	need(t, "socat", func() bool { return found("socat") })
	need(t, "python3-pymodbus", func() bool {
		return exec.Command("/usr/bin/python3", "-c", "import pymodbus.server, serial").Run() == nil
	})
	need(t, "libmodbus-dev", func() bool { return exists("/usr/include/modbus/modbus.h") })
	need(t, "gcc", func() bool { return found("gcc") })

	c := filepath.Join(t.TempDir(), "libmodbus_server")
	out, err := exec.Command("gcc", "-O1", "-o", c, "testdata/servers/libmodbus_server.c", "-I/usr/include/modbus", "-lmodbus").CombinedOutput()
	require.NoError(t, err, "%s", out)
	servers := map[string][]string{"pymodbus": {"/usr/bin/python3", "testdata/servers/pymodbus_server.py"}, "libmodbus": {c}}
	for name, command := range servers {
		t.Run(name+" TCP", func(t *testing.T) {
			t.Parallel()
			address := freePort(t)
			_, port, _ := net.SplitHostPort(address)
			start(t, append(slices.Clone(command), "tcp", port)...)
			p := newProxy(t, n)
			bus := config.Bus{Name: name, Kind: config.ModbusTCP, Address: p.serveTCP(t, address), TimeoutS: faultTimeout.Seconds()}
			exerciseThrough(t, p, newLink(bus), n)
		})
		t.Run(name+" RTU", func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			near, far := filepath.Join(dir, "near"), filepath.Join(dir, "far")
			start(t, "socat", "pty,raw,echo=0,link="+near, "pty,raw,echo=0,link="+far)
			require.Eventually(t, func() bool { return exists(near) && exists(far) }, 10*time.Second, 10*time.Millisecond)
			start(t, append(slices.Clone(command), "rtu", far)...)
			p := newProxy(t, n)
			bus := rtuBus()
			bus.Address, bus.TimeoutS = p.serveRTU(t, near), faultTimeout.Seconds()
			// A pty does not take even parity.
			bus.Serial = config.Serial{Baud: 115200, Parity: "none", StopBits: 2, TrueSilence: true}
			exerciseThrough(t, p, newLink(bus), n)
		})
	}
}

// faultTimeout is short, that faults cost little: an answer that comes later on a busy
// machine is one more late answer.
const faultTimeout = 40 * time.Millisecond

// exerciseThrough makes n reads at random addresses and compares what is accepted with what
// is served.
func exerciseThrough(t *testing.T, p *proxy, l link, n int) {
	require.Eventually(t, func() bool { return l.open(t.Context()) == nil }, 20*time.Second, 100*time.Millisecond)
	defer l.close()
	const seed = 17
	rng := rand.New(rand.NewPCG(seed, 1))
	tables := []config.Table{config.Coil, config.Discrete, config.Holding, config.Input}
	ask := func() (r Request, s span, data []byte, err error) {
		table := tables[rng.IntN(4)]
		// Few lengths: requests alike but for their address are those that a late answer could deceive.
		quantity := []int{2, 8, 32}[rng.IntN(3)]
		if isBits(table) {
			quantity = []int{3, 16, 200}[rng.IntN(3)]
		}
		s = span{address: uint16(rng.IntN(3000 - quantity)), quantity: uint16(quantity)}
		r = Request{Unit: 17, Table: table}
		data, err = read(l, &r, &s)
		return r, s, data, err
	}
	// The server may still be starting.
	require.Eventually(t, func() bool {
		_, _, _, err := ask()
		if err != nil && !l.keeps(err) {
			l.close()
			require.NoError(t, l.open(t.Context()))
		}
		return err == nil
	}, 20*time.Second, 50*time.Millisecond, "the server answers")
	p.arm()

	right, failed, reopened := 0, map[string]int{}, 0
	for i := range n {
		r, s, data, err := ask()
		var refused Exception
		switch {
		case err == nil:
			require.Equal(t, served(r.Table, int(s.address), int(s.quantity)), data, "seed %d, read %d: %s %d, %d", seed, i, r.Table, s.address, s.quantity)
			right++
			continue
		case errors.As(err, &refused):
			failed["exception"]++
		case errors.Is(err, ErrTimeout):
			failed["timeout"]++
		case errors.Is(err, ErrFraming):
			failed["framing"]++
		default:
			failed["connection"]++
		}
		if !l.isOpen() || !l.keeps(err) && refused == 0 {
			reopened++
			l.close()
			require.Eventually(t, func() bool { return l.open(t.Context()) == nil }, 10*time.Second, time.Millisecond)
		}
	}
	t.Logf("%d of %d reads had the values served, none another; %v failed, %d reopenings; the proxy made %v", right, n, failed, reopened, p.made())
	assert.Greater(t, right, n*3/4, "most reads bring values")
	for fault := range proxyFaults {
		if n >= 5000 {
			assert.NotZero(t, p.made()[fault], "fault %s was made", fault)
		}
	}
}

// A proxy stands between a client and a server and makes faults. It knows frames only as
// unit, function, data, about which either protocol puts its own.
type proxy struct {
	wrap   func(id []byte, pdu []byte) []byte // id is of TCP: transaction and protocol
	mu     sync.Mutex
	rng    *rand.Rand
	armed  bool
	counts map[string]int
	storm  int
}

func newProxy(t *testing.T, n int) *proxy {
	return &proxy{rng: rand.New(rand.NewPCG(uint64(n), 3)), counts: map[string]int{}}
}

func (p *proxy) arm() { p.mu.Lock(); p.armed = true; p.mu.Unlock() }

func (p *proxy) made() map[string]int {
	p.mu.Lock()
	defer p.mu.Unlock()
	m := map[string]int{}
	for k, v := range p.counts {
		m[k] = v
	}
	return m
}

// The faults, each with how often it is made among 1,000 answers.
var proxyFaults = map[string]int{"dropped byte": 5, "split": 40, "doubled": 20, "delayed": 5, "delayed and doubled": 3, "wrong unit": 5,
	"bit flipped": 5, "short, well formed": 5, "exceptions": 5, "noise": 10, "the rest later": 3, "another function": 3, "lost": 3}

var faultNames = func() []string {
	var names []string
	for k := range proxyFaults {
		names = append(names, k)
	}
	slices.Sort(names)
	return names
}()

func (p *proxy) fault() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.armed {
		return ""
	}
	kind := ""
	if p.storm > 0 {
		p.storm--
		kind = "exceptions"
	} else {
		x := p.rng.IntN(1000)
		for _, k := range faultNames {
			if x -= proxyFaults[k]; x < 0 {
				kind = k
				break
			}
		}
		if kind == "exceptions" {
			p.storm = p.rng.IntN(4)
		}
	}
	if kind != "" {
		p.counts[kind]++
	}
	return kind
}

// answer hands an answer on to the client, with or without a fault.
func (p *proxy) answer(client io.Writer, id, pdu []byte) {
	frame := p.wrap(id, pdu)
	send := func(b []byte) { client.Write(b) }
	cut := func() int { return 1 + p.rng.IntN(len(frame)-1) }
	switch p.fault() {
	case "dropped byte":
		i := p.rng.IntN(len(frame))
		send(slices.Delete(slices.Clone(frame), i, i+1))
	case "split":
		i := cut()
		send(frame[:i])
		time.Sleep(time.Duration(p.rng.IntN(3)) * time.Millisecond)
		send(frame[i:])
	case "doubled":
		send(slices.Concat(frame, frame))
	case "delayed":
		time.Sleep(faultTimeout * time.Duration(11+p.rng.IntN(8)) / 10)
		send(frame)
	case "delayed and doubled":
		time.Sleep(faultTimeout * time.Duration(11+p.rng.IntN(8)) / 10)
		send(slices.Concat(frame, frame))
	case "wrong unit":
		send(p.wrap(id, append([]byte{18}, pdu[1:]...)))
	case "bit flipped":
		b := slices.Clone(frame)
		b[p.flippable(len(b))] ^= 1 << p.rng.IntN(8)
		send(b)
	case "short, well formed":
		if len(pdu) > 5 {
			b := slices.Clone(pdu[:len(pdu)-2])
			b[2] -= 2
			send(p.wrap(id, b))
		}
	case "exceptions":
		send(p.wrap(id, []byte{pdu[0], pdu[1] | 0x80, 6}))
	case "another function":
		b := slices.Clone(pdu)
		b[1] ^= 7
		send(p.wrap(id, b))
	case "noise":
		send(slices.Concat(p.noise(), frame, p.noise()))
	case "the rest later":
		i := cut()
		send(frame[:i])
		time.Sleep(faultTimeout * 3 / 2)
		send(frame[i:])
	case "lost":
	default:
		send(frame)
	}
}

// flippable returns where a bit may be flipped. The data of Modbus TCP have no check of
// their own, that being left to TCP, so there it is the header.
func (p *proxy) flippable(n int) int {
	if p.wrap(make([]byte, 4), []byte{1, 3, 2, 0, 0})[0] == 0 {
		return 2 + p.rng.IntN(4) // protocol id and length
	}
	return p.rng.IntN(n)
}

// noise is bytes where a line has them: none on TCP.
func (p *proxy) noise() []byte {
	if p.wrap(make([]byte, 4), []byte{1, 3, 2, 0, 0})[0] == 0 {
		return nil
	}
	b := make([]byte, p.rng.IntN(4))
	for i := range b {
		b[i] = byte(p.rng.Uint32())
	}
	return b
}

func (p *proxy) serveTCP(t *testing.T, server string) string {
	p.wrap = func(id, pdu []byte) []byte {
		f := append(slices.Clone(id[:4]), 0, byte(len(pdu)))
		return append(f, pdu...)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { listener.Close() })
	go func() {
		for {
			client, err := listener.Accept()
			if err != nil {
				return
			}
			go func() {
				defer client.Close()
				up, err := net.Dial("tcp", server)
				if err != nil {
					return
				}
				defer up.Close()
				for {
					request := make([]byte, 12)
					if _, err := io.ReadFull(client, request); err != nil {
						return
					}
					if _, err := up.Write(request); err != nil {
						return
					}
					head := make([]byte, 6)
					if _, err := io.ReadFull(up, head); err != nil {
						return
					}
					pdu := make([]byte, binary.BigEndian.Uint16(head[4:]))
					if _, err := io.ReadFull(up, pdu); err != nil {
						return
					}
					p.answer(client, head, pdu)
				}
			}()
		}
	}()
	return listener.Addr().String()
}

func (p *proxy) serveRTU(t *testing.T, near string) string {
	p.wrap = func(_, pdu []byte) []byte {
		f := slices.Clone(pdu)
		return binary.LittleEndian.AppendUint16(f, config.CRC16(f))
	}
	master, slave, err := pty.Open()
	require.NoError(t, err)
	_, err = term.MakeRaw(int(slave.Fd()))
	require.NoError(t, err)
	up, err := os.OpenFile(near, os.O_RDWR, 0)
	require.NoError(t, err)
	t.Cleanup(func() { master.Close(); slave.Close(); up.Close() })
	go func() {
		for {
			request := make([]byte, 8)
			if _, err := io.ReadFull(master, request); err != nil {
				return
			}
			if _, err := up.Write(request); err != nil {
				return
			}
			head := make([]byte, 3)
			if _, err := io.ReadFull(up, head); err != nil {
				return
			}
			rest := make([]byte, 2) // of an exception
			if head[1]&0x80 == 0 {
				rest = make([]byte, int(head[2])+2)
			}
			if _, err := io.ReadFull(up, rest); err != nil {
				return
			}
			p.answer(master, nil, append(head, rest[:len(rest)-2]...))
		}
	}()
	return slave.Name()
}

// need fails the test unless there is what a Debian package brings, which it installs where
// it may.
func need(t *testing.T, pkg string, there func() bool) {
	t.Helper()
	if there() {
		return
	}
	if os.Geteuid() == 0 {
		install := func() bool {
			c := exec.Command("apt-get", "-o", "DPkg::Lock::Timeout=120", "install", "-y", pkg)
			c.Env = append(os.Environ(), "DEBIAN_FRONTEND=noninteractive")
			return c.Run() == nil && there()
		}
		if install() {
			return
		}
		aptUpdate.Do(func() { exec.Command("apt-get", "update").Run() })
		if install() {
			return
		}
	}
	t.Fatalf("this test needs the Debian package %s: apt-get install %s", pkg, pkg)
}

var aptUpdate sync.Once

func found(program string) bool { _, err := exec.LookPath(program); return err == nil }
func exists(path string) bool   { _, err := os.Stat(path); return err == nil }

// start runs a program until the test ends.
func start(t *testing.T, command ...string) {
	t.Helper()
	c := exec.Command(command[0], command[1:]...)
	require.NoError(t, c.Start())
	t.Cleanup(func() { c.Process.Kill(); c.Wait() })
}

// freePort returns an address of loopback that was free a moment ago.
func freePort(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}
