package simulator

import (
	"context"
	"io"
	"math"
	"net"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/goburrow/modbus"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// rtuRig has the demo's signals on a serial line.
func rtuRig() config.Rig {
	rig := demoRig()
	rig.Buses[0].Kind = config.ModbusRTU
	rig.Buses[0].Serial = config.Serial{Baud: 115200, Parity: "even", StopBits: 1}
	for i := range rig.Buses[0].Devices {
		rig.Buses[0].Devices[i].TurnaroundS = math.NaN()
	}
	return rig
}

// serveLine serves a bus on one end of a pipe and returns the other.
func serveLine(t *testing.T, b *Bus) net.Conn {
	t.Helper()
	ours, theirs := net.Pipe()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- ServeLine(ctx, theirs, b, false) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-done)
		ours.Close()
	})
	require.NoError(t, ours.SetDeadline(time.Now().Add(20*time.Second)))
	return ours
}

// The frames of MODBUS Application Protocol Specification V1.1b3, 6.3 and 6.4, with CRCs
// worked out bit by bit by another program (Python, from the polynomial in MODBUS over
// Serial Line V1.02, 6.2.2). The CRC of "02 07" is printed there, page 40: 41 12.
func TestRTUFrames(t *testing.T) {
	require.Equal(t, unhex(t, "0207 4112"), appendCRC([]byte{2, 7}))
	rig := rtuRig()
	r, err := NewRig(DemoScenario(0), rig)
	require.NoError(t, err)
	b := r.Bus("cell")
	spec := specDevice()
	spec.turnaroundS = math.NaN()
	b.devices = []*device{spec}
	c := serveLine(t, b)
	ask := func(pdu string) []byte { return appendCRC(append([]byte{0x11}, unhex(t, pdu)...)) }
	expect := func(pdu string) {
		t.Helper()
		want := ask(pdu)
		got := make([]byte, len(want))
		_, err := io.ReadFull(c, got)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	write := func(x []byte) {
		t.Helper()
		_, err := c.Write(x)
		require.NoError(t, err)
	}
	write(ask("03 006B 0003"))
	expect("03 06 022B 0000 0064")
	t.Run("in pieces", func(t *testing.T) {
		x := ask("04 0008 0001")
		write(x[:3])
		write(x[3:])
		expect("04 02 000A")
	})
	t.Run("a write is refused", func(t *testing.T) {
		write(ask("10 0001 0002 04 000A 0102"))
		expect("90 01")
	})
	t.Run("spoiled, then whole after a silence", func(t *testing.T) {
		x := ask("04 0008 0001")
		x[5] ^= 1
		write(x)
		time.Sleep(5 * silence)
		write(ask("04 0008 0001"))
		expect("04 02 000A")
	})
	t.Run("another unit is not answered", func(t *testing.T) {
		write(appendCRC(unhex(t, "12 04 0008 0001")))
		write(ask("04 0008 0001"))
		expect("04 02 000A")
	})
	t.Run("an unknown function ends with a silence", func(t *testing.T) {
		write(ask("2B 0E"))
		expect("AB 01")
	})
	t.Run("bad CRC", func(t *testing.T) {
		b.SetFault(func(Request) Fault { return Fault{BadCRC: true} })
		write(ask("04 0008 0001"))
		got := make([]byte, 7)
		_, err := io.ReadFull(c, got)
		require.NoError(t, err)
		require.NotZero(t, crc16(got))
		b.SetFault(nil)
	})
	t.Run("a foreign master", func(t *testing.T) {
		require.NoError(t, r.Add(Trouble{Kind: ForeignMaster, Bus: "cell"}))
		got := make([]byte, 8+9)
		_, err := io.ReadFull(c, got)
		require.NoError(t, err)
		require.Zero(t, crc16(got[:8]))
		require.Zero(t, crc16(got[8:]))
		require.Equal(t, byte(0xF0), got[0])
		r.ClearTroubles()
	})
}

func FuzzRTU(f *testing.F) {
	f.Add([]byte{0x11, 3, 0, 0x6B, 0, 3, 0x76, 0x87})
	f.Add([]byte{0x11, 16, 0, 1, 0, 1, 255, 1})
	f.Fuzz(func(t *testing.T, b []byte) {
		n := requestLen(b)
		require.True(t, n == 0 || n >= 8 && n <= 9+255)
	})
}

// A client of another project reads the rig over a pseudo-terminal.
func TestPTY(t *testing.T) {
	if runtime.GOOS != "linux" {
		_, _, err := OpenPTY()
		require.ErrorContains(t, err, "Linux only")
		t.Skip("pseudo-terminals are had on Linux only")
	}
	line, path, err := OpenPTY()
	require.NoError(t, err)
	sc := DemoScenario(0)
	sc.Noise = Noise{}
	r, err := NewRig(sc, rtuRig())
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- ServeLine(ctx, line, r.Bus("cell"), true) }()
	for range 2 { // the device outlives whoever opens it
		h := modbus.NewRTUClientHandler(path)
		h.BaudRate, h.DataBits, h.Parity, h.StopBits, h.SlaveId, h.Timeout = 115200, 8, "N", 1, 2, 10*time.Second
		require.NoError(t, h.Connect())
		got, err := modbus.NewClient(h).ReadHoldingRegisters(12, 2)
		require.NoError(t, err)
		require.Equal(t, []byte{0, 0, 5500 >> 8, 5500 & 255}, got, "550 kPa in steps of 0.1")
		require.NoError(t, h.Close())
	}
	cancel()
	require.NoError(t, <-done)
	_, err = OpenPort(t.TempDir()+"/none", config.Serial{Baud: 9600})
	require.Error(t, err)
}

func TestTextLines(t *testing.T) {
	channels := []config.Channel{channel("flow", sample.Flow, DemoStations[0], 0, 0.01, config.Register{}), channel("v", sample.Vacuum, DemoStations[0], 0, -0.1, config.Register{})}
	channels[0].Register.Step, channels[1].Register.Step = 0.01, 0.1
	for _, tc := range []struct {
		name   string
		line   config.Line
		fields [2]string
		v      [2]float64
		want   string
	}{
		{"columns", config.Line{Separator: ";"}, [2]string{"1", "3"}, [2]float64{12.345, -60}, "12.35;0;-60.0\n"},
		{"pattern", config.Line{Pattern: `Q=(?P<flow>[+-]?\d+\.\d+);P=(?P<v>-?\d+)`, Terminator: "\r\n"}, [2]string{"flow", "v"}, [2]float64{12.345, -60}, "Q=12.35;P=-60\r\n"},
		{"fixed width", config.Line{Pattern: `^\s*(?P<flow>[+-]\d{3}\.\d{2})\s+kPa (?P<v>\S+)$`}, [2]string{"flow", "v"}, [2]float64{12.345, -60}, "+012.35 kPa -60.0\n"},
		{"optional and either", config.Line{Pattern: `(?:A|B)x?(?P<flow>.*),[a-c]{2}(?P<v>.*)`}, [2]string{"flow", "v"}, [2]float64{1, 2}, "A1.00,aa2.0\n"},
		{"xor", config.Line{Separator: ",", Checksum: "xor"}, [2]string{"1", "2"}, [2]float64{1, 2}, "1.00,2.0" + "2F" + "\n"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			x, err := newTextLine(tc.line)
			require.NoError(t, err)
			for i := range channels {
				c := channels[i]
				c.Field = tc.fields[i]
				require.NoError(t, x.add(&c, i))
			}
			got, err := x.write(tc.v[:])
			require.NoError(t, err)
			if tc.name == "xor" {
				sum := byte(0)
				for _, c := range []byte("1.00,2.0") {
					sum ^= c
				}
				require.Equal(t, "1.00,2.0"+strings.ToUpper(strconv.FormatInt(int64(sum)+256, 16)[1:])+"\n", got)
				return
			}
			require.Equal(t, tc.want, got)
			if tc.line.Pattern != "" {
				require.Regexp(t, regexp.MustCompile(tc.line.Pattern), strings.TrimRight(got, "\r\n"))
			}
		})
	}
}

func TestTextOverALine(t *testing.T) {
	for _, poll := range []string{"", "M\r"} {
		rig := config.Rig{Buses: []config.Bus{{Name: "line", Kind: config.TextSerial, Devices: []config.Device{{Name: "flow", IntervalS: 0.01,
			Line: config.Line{Separator: ";", Terminator: "\r\n", Poll: poll}, Channels: []config.Channel{channel("p", sample.AirPressure, "", 0, 0.1, config.Register{Step: 0.1})}}}}}}
		rig.Buses[0].Devices[0].Channels[0].Field = "2"
		sc := DemoScenario(0)
		sc.Noise = Noise{}
		r, err := NewRig(sc, rig)
		require.NoError(t, err)
		c := serveLine(t, r.Buses()[0])
		for range 3 {
			if poll != "" {
				_, err := c.Write([]byte(poll))
				require.NoError(t, err)
			}
			want := "0;550.0\r\n"
			got := make([]byte, len(want))
			_, err := io.ReadFull(c, got)
			require.NoError(t, err)
			require.Equal(t, want, string(got), "poll %q", poll)
		}
	}
	rig := config.Rig{Buses: []config.Bus{{Name: "line", Kind: config.TextSerial, Devices: []config.Device{{Name: "d", Line: config.Line{Pattern: `\d(?P<p>[a-z]+)`},
		Channels: []config.Channel{channel("p", sample.AirPressure, "", 0, 0.1, config.Register{})}}}}}}
	rig.Buses[0].Devices[0].Channels[0].Field = "p"
	_, err := NewRig(DemoScenario(0), rig)
	require.ErrorContains(t, err, "no number")
}

// Every trouble of the wire by script, over TCP: what comes back.
func TestTroublesOfTheWire(t *testing.T) {
	const ask = "0001 0000 0006 11 03 006B 0003"
	const answer = "0001 0000 0009 11 03 06 022B 0000 0064"
	for _, tc := range []struct {
		kind  TroubleKind
		value float64
		want  string // "": nothing
	}{
		{BadCRC, 0, "8001 0000 0009 11 03 06 022B 0000 0064"}, {Late, 0.01, answer}, {Lost, 0, ""}, {DeadDevice, 0, ""},
		{Split, 0, answer}, {Doubled, 0, answer + answer}, {Short, 0, "0001 0000 0007 11 03 04 022B 0000"},
		{ExceptionCode, 4, "0001 0000 0003 11 83 04"},
	} {
		t.Run(string(tc.kind), func(t *testing.T) {
			sc := DemoScenario(0)
			sc.Troubles = []Trouble{{Kind: tc.kind, Value: tc.value, Bus: "cell", Every: 2}}
			r, err := NewRig(sc, demoRig())
			require.NoError(t, err)
			b := r.Bus("cell")
			b.devices = []*device{specDevice()}
			c := dial(t, serve(t, b))
			send(t, c, ask)
			require.Equal(t, unhex(t, answer), frame(t, c), "the first of two")
			send(t, c, ask)
			if tc.want != "" {
				got := make([]byte, len(unhex(t, tc.want)))
				_, err := io.ReadFull(c, got)
				require.NoError(t, err)
				require.Equal(t, unhex(t, tc.want), got)
			}
			send(t, c, ask)
			require.Equal(t, unhex(t, answer), frame(t, c), "the third")
		})
	}
	t.Run("reset", func(t *testing.T) {
		sc := DemoScenario(0)
		sc.Troubles = []Trouble{{Kind: Reset}}
		r, err := NewRig(sc, demoRig())
		require.NoError(t, err)
		c := dial(t, serve(t, r.Bus("cell")))
		send(t, c, ask)
		_, err = c.Read(make([]byte, 1))
		require.ErrorIs(t, err, io.EOF)
	})
}

func TestTroublesOfChannels(t *testing.T) {
	sc, cfg := DemoScenario(8), demoRig()
	sc.Noise = Noise{}
	sc.Sensors = []Sensor{NewSensor("vacuum left"), NewSensor("flow left")}
	sc.Sensors[0].Range, sc.Sensors[0].Offset, sc.Sensors[0].DriftPerH = &[2]float64{0, 40}, 2, 360
	sc.Sensors[1].Resolution = 5
	sc.Troubles = []Trouble{{Kind: StuckValue, Channel: "air left", FromS: 3, ToS: 5}, {Kind: BrokenWire, Channel: "vacuum right", FromS: 1, ToS: 2},
		{Kind: NoiseBurst, Channel: "flow right", Value: 5, FromS: 0, ToS: 2}}
	got, _ := collect(t, sc, cfg, 0)
	ch := cfg.Buses[0].Devices[0].Channels
	seen := map[int64]bool{}
	burst := 0.0
	for i, ns := range got[0].T {
		s := float64(ns) / 1e9
		v := ch[0].Value(got[0].Counts[0][i])
		require.True(t, v >= 0 && v <= 40.01, "%v kPa is out of its range", v)
		if s < 2.5 {
			require.InDelta(t, 2+360*s/3600, v, 0.01, "offset and drift at rest")
		}
		if s >= 3 && s < 5 {
			seen[got[0].Counts[2][i]] = true
		}
		if right := ch[7].Value(got[0].Counts[7][i]); s >= 1 && s < 2 {
			require.InDelta(t, -25, right, 0.01)
		} else {
			require.Greater(t, right, -10.)
		}
		if s < 2 {
			burst = max(burst, ch[8].Value(got[0].Counts[8][i]))
		}
		q := ch[1].Value(got[0].Counts[1][i])
		require.InDelta(t, math.Round(q/5)*5, q, 1e-6)
	}
	require.Len(t, seen, 1, "stuck")
	require.Greater(t, burst, 5.)
}

func TestTroublesOfThePlant(t *testing.T) {
	u := sealedSetup()
	u.Cycle = Cycle{ContactS: 0.02, LiftS: 0.2, PlaceS: 0.5, SupplyOffS: 0.52, ReleaseS: 0.52, PulseS: 0.03, CycleS: 0.7}
	u.Leak = Leak{K: 0.3, N: 0.7}
	u.Circuit.VolumeL, u.Circuit.Line, u.Circuit.EngineL = 0.1, Restriction{C: 2, B: 0.3}, 0.05
	u.Engine.NominalKPa, u.Engine.AirLminANR = 500, 60
	sc := oneStation(u, 12)
	sc.Troubles = []Trouble{{Kind: DropBag, FromPick: 2, ToPick: 2}, {Kind: WornCup, FromPick: 4, ToPick: 4, Value: 5}, {Kind: KinkedHose, FromPick: 6, ToPick: 6, Value: 0.1},
		{Kind: LowAir, FromPick: 8, ToPick: 8, Value: 250}, {Kind: BagChange, FromS: 1 + 9*0.7 - 0.1, ToS: 1 + 9*0.7 + 0.1, Value: 3}}
	x := truthOf(t, sc)
	sealTime := func(i int) float64 { return float64(x[i-1].SealedAtS) - x[i-1].ContactS }
	for n := 1; n <= 12; n++ {
		want := "released"
		if n == 2 {
			want = "dropped"
		}
		assert.Equal(t, want, x[n-1].Outcome, "pick %d", n)
	}
	require.InEpsilon(t, 5*x[2].LeakK, x[3].LeakK, 1e-9)
	require.InEpsilon(t, 3*x[2].LeakK, x[9].LeakK, 1e-9)
	require.Greater(t, sealTime(6), 1.3*sealTime(5), "kinked")
	require.Less(t, float64(x[7].HoldKPa), float64(x[6].HoldKPa)-10, "low air")
	require.Less(t, float64(x[3].HoldKPa), float64(x[2].HoldKPa)-5, "worn")
	require.InDelta(t, sealTime(3), sealTime(12), 1e-4, "and all is well again")
}

func TestWallClockJumps(t *testing.T) {
	sc := DemoScenario(0)
	sc.Troubles = []Trouble{{Kind: ClockJump, Value: -3600, FromS: 5}}
	r, err := NewRig(sc, demoRig())
	require.NoError(t, err)
	t0 := r.Start(time.Date(2030, 1, 1, 12, 0, 0, 0, time.UTC))
	require.Equal(t, t0.Add(4*time.Second), r.Wall(t0.Add(4*time.Second)))
	require.Equal(t, t0.Add(6*time.Second-time.Hour), r.Wall(t0.Add(6*time.Second)))
}

func TestTroublesAreChecked(t *testing.T) {
	for _, tc := range []struct {
		x    Trouble
		want string
	}{
		{Trouble{Kind: "fire"}, "is unknown"}, {Trouble{Kind: DropBag, Station: "z"}, `no station "z"`}, {Trouble{Kind: Lost, FromPick: 1}, "want a time"},
		{Trouble{Kind: StuckValue}, "channel's name"}, {Trouble{Kind: DropBag, FromPick: 5, ToPick: 4}, "after its begin"}, {Trouble{Kind: KinkedHose, Value: 2}, "is allowed"},
		{Trouble{Kind: DropBag, Every: 2}, "no trouble of a bus"}, {Trouble{Kind: Late, Value: math.NaN()}, "is allowed"},
	} {
		sc := oneStation(sealedSetup(), 1)
		sc.Troubles = []Trouble{tc.x}
		require.ErrorContains(t, sc.Check(), tc.want)
	}
}

// Without a wire, what a wire would have lost is a recorded fault.
func TestFastHasTheFaultsOfTheWire(t *testing.T) {
	sc, cfg := DemoScenario(2), demoRig()
	sc.Troubles = []Trouble{{Kind: DeadDevice, Device: "io", FromS: 1, ToS: 2}, {Kind: ExceptionCode, Value: 2, Device: "meter", Every: 50}}
	var faults []sample.Batch
	last := map[int]int64{}
	_, err := Fast(sc, cfg, 0, func(b sample.Batch) error {
		if b.Fault != "" {
			require.Empty(t, b.T)
			require.Greater(t, b.FaultNS, last[b.Group])
			faults = append(faults, b)
			return nil
		}
		for _, ns := range b.T {
			require.False(t, b.Group == 0 && ns >= 1e9 && ns < 2e9, "the block is dead at %d", ns)
			last[b.Group] = ns
		}
		return nil
	})
	require.NoError(t, err)
	count := map[string]int{}
	for _, b := range faults {
		count[b.Fault]++
	}
	require.Equal(t, 1, count["timeout"])
	require.Greater(t, count["exception 02"], 2)
}

// An absolute sensor shows the weather: the rig file's ambient is another.
func TestAbsoluteSensorInOtherWeather(t *testing.T) {
	sc, cfg := DemoScenario(0), demoRig()
	sc.Noise, sc.AmbientKPa = Noise{}, 99
	cfg.AmbientKPa = 101.3
	ch := &cfg.Buses[0].Devices[0].Channels[0]
	ch.Offset, ch.Scale, ch.Register = 101.3, -0.001, reg(config.Input, 100, "i32", "ABCD")
	got, _ := collect(t, sc, cfg, 0.1)
	require.Equal(t, int64(99_000), got[0].Counts[0][0], "Pa absolute")
	require.InDelta(t, 2.3, ch.Value(got[0].Counts[0][0]), 1e-9, "a false vacuum")
}
