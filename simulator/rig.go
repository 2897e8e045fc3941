package simulator

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// A Rig looks at a plant through the sensors and registers of a config.Rig. It is safe
// for concurrent use.
type Rig struct {
	mu      sync.Mutex
	plant   *Plant
	sensors []*sensor
	buses   []*Bus
	groups  []sample.Group
	devices []*device // one for each device of the rig, in its order
	every   []float64 // poll interval of each device, s; NaN where not stated
	nowS    float64   // plant time of the last look
	t0      time.Time

	live     []Trouble // added while the rig runs
	ratedKPa float64   // ambient that the rig file states; NaN or 0: none
}

// A sensor is one channel: what it watches, and the reading that it holds between refreshes.
type sensor struct {
	ch       config.Channel
	spec     Sensor
	of       quantity
	stations []int  // indexes of the stations whose sum, or any of which, it shows
	taps     []*tap // of each station, where the sensor lags
	noise    float64
	seed     uint64
	updateS  float64 // 0: a fresh reading at every look
	phaseS   float64
	serial   int64 // number of the refresh, or look, that gave the held reading; −2: none yet
	held     reading
}

// A Bus answers for the devices of one bus of the rig.
type Bus struct {
	Name    string
	Address string // as the rig file gives it
	Kind    config.BusKind
	Serial  config.Serial

	rig     *Rig
	devices []*device

	faultMu  sync.Mutex
	fault    func(Request) Fault
	requests int
}

// NewRig returns a rig at plant time 0 that has not started: see Start. The names of the
// rig's stations must be stations of the scenario. Channels without a station show the
// sum over all stations, or whether any is on. A scenario that states no ambient has the rig's.
func NewRig(sc Scenario, cfg config.Rig) (*Rig, error) {
	if sc.AmbientKPa == 0 && cfg.AmbientKPa > 0 {
		sc.AmbientKPa = cfg.AmbientKPa
	}
	plant, err := NewPlant(sc)
	if err != nil {
		return nil, err
	}
	r := &Rig{plant: plant, ratedKPa: cfg.AmbientKPa}
	for _, b := range cfg.Buses {
		bus := &Bus{Name: b.Name, Address: b.Address, Kind: b.Kind, Serial: b.Serial, rig: r}
		modbus := b.Kind == config.ModbusTCP || b.Kind == config.ModbusRTU || b.Kind == config.ModbusRTUOverTCP
		for _, d := range b.Devices {
			dev := &device{unit: d.Unit, words: map[config.Table][]uint16{}, bits: map[config.Table][]bool{},
				bus: bus, name: d.Name, intervalS: d.IntervalS, turnaroundS: d.TurnaroundS, updateS: math.NaN()}
			if !modbus {
				var err error
				if dev.text, err = newTextLine(d.Line); err != nil {
					return nil, fmt.Errorf("device %q: %w", d.Name, err)
				}
			}
			used := map[string]string{}
			group := sample.Group{Name: b.Name + " " + d.Name}
			if modbus && slices.ContainsFunc(bus.devices, func(o *device) bool { return o.unit == d.Unit }) {
				return nil, fmt.Errorf("bus %q: two devices have unit %d", b.Name, d.Unit)
			}
			for _, c := range d.Channels {
				if modbus {
					if err := dev.place(&c, used); err != nil {
						return nil, fmt.Errorf("device %q: %w", d.Name, err)
					}
				}
				s, err := r.sensor(c, b.Name+"/"+d.Name)
				if err != nil {
					return nil, fmt.Errorf("device %q: channel %q: %w", d.Name, c.Name, err)
				}
				if s.updateS > 0 && !(dev.updateS < s.updateS) {
					dev.updateS = s.updateS
				}
				if dev.text != nil {
					if err := dev.text.add(&c, len(r.sensors)); err != nil {
						return nil, fmt.Errorf("device %q: channel %q: %w", d.Name, c.Name, err)
					}
				}
				dev.placed = append(dev.placed, len(r.sensors))
				r.sensors = append(r.sensors, s)
				group.Channels = append(group.Channels, c.Channel)
			}
			if dev.text != nil {
				if _, err := dev.text.write(make([]float64, len(dev.text.fields))); err != nil {
					return nil, fmt.Errorf("device %q: %w", d.Name, err)
				}
			}
			bus.devices = append(bus.devices, dev)
			r.devices = append(r.devices, dev)
			r.groups = append(r.groups, group)
			every := d.IntervalS
			if dev.text != nil && !(every > 0) {
				every = dev.streamS()
			}
			r.every = append(r.every, every)
		}
		if !modbus && len(bus.devices) != 1 {
			return nil, fmt.Errorf("bus %q: a text bus has one device, here %d", b.Name, len(bus.devices))
		}
		r.buses = append(r.buses, bus)
	}
	return r, nil
}

// sensor fits a channel's sensor to the plant.
func (r *Rig) sensor(c config.Channel, where string) (*sensor, error) {
	sc := r.plant.sc
	s := &sensor{ch: c, seed: sc.stream("sensor", []string{where, c.Name}).Uint64(), serial: -2}
	for i, st := range r.plant.stations {
		if c.Station == "" || c.Station == st.name {
			s.stations = append(s.stations, i)
		}
	}
	switch {
	case len(s.stations) == 0:
		return nil, fmt.Errorf("the scenario has no station %q", c.Station)
	case !slices.Contains(sample.Kinds, c.Kind):
		return nil, fmt.Errorf("kind %q is not known", c.Kind)
	case c.Scale == 0 || math.IsNaN(c.Scale+c.Offset) || math.IsInf(c.Scale+c.Offset, 0):
		return nil, fmt.Errorf("value = %v + %v × count cannot be turned round", c.Offset, c.Scale)
	}
	s.spec = NewSensor(c.Name)
	for _, x := range sc.Sensors {
		if x.Channel == c.Name {
			s.spec = x
		}
	}
	stated := func(own, rig float64) float64 {
		if !math.IsNaN(own) {
			return own
		}
		if rig > 0 {
			return rig
		}
		return 0 // NaN is none
	}
	// A device refreshes when it does, not when the plant starts.
	if s.updateS = stated(s.spec.UpdateS, c.UpdateS); s.updateS > 0 {
		s.phaseS = s.updateS * sc.stream("refresh", []string{where}).Float64()
	}
	lag := stated(s.spec.LagS, c.LagS)
	switch c.Kind {
	case sample.Vacuum:
		s.noise = sc.Noise.VacuumKPa
		if lag == 0 {
			lag = sc.VacuumLagS
		}
		at := s.spec.At
		if at == "" {
			at = c.At
		}
		// An absolute sensor shows the pressure there is; that the rig file takes another
		// ambient for it is an error that a reader makes.
		if c.Offset == r.ratedKPa && c.Scale < 0 && r.ratedKPa > 0 {
			s.spec.Offset += r.ratedKPa - sc.AmbientKPa
		}
		s.of = map[string]quantity{"engine": engineVacuum, "manifold": manifoldVacuum}[at] // else at the cup
	case sample.Flow:
		s.noise, s.of = sc.Noise.FlowLminANR, flow
	case sample.Power:
		s.noise, s.of = sc.Noise.PowerW, power
	case sample.Air:
		s.noise, s.of = sc.Noise.AirLminANR, air
	case sample.AirPressure:
		s.noise, s.of, lag = sc.Noise.AirPressureKPa, airPressure, 0
	default:
		lag = 0
	}
	s.noise = stated(s.spec.Noise, s.noise)
	if c.Kind == sample.Vacuum && len(s.stations) > 1 {
		return nil, fmt.Errorf("a vacuum belongs to one station")
	}
	if lag > 0 {
		for _, i := range s.stations {
			t := &tap{of: s.of, tauS: lag}
			t.y1 = r.plant.stations[i].signal(s.of, 0)
			s.taps = append(s.taps, t)
			r.plant.stations[i].taps = append(r.plant.stations[i].taps, t)
		}
	}
	return s, nil
}

// look renews the sensor's reading as it would stand at dueS, the instant of its refresh
// with number serial.
func (r *Rig) look(s *sensor, dueS float64, serial int64) {
	s.serial = serial
	var v float64
	any := false
	for k, i := range s.stations {
		st := r.plant.stations[i]
		st.group.advance(dueS)
		switch {
		case s.ch.Kind.Switched():
			any = any || on(s.ch.Kind, st.state(dueS))
		case s.taps != nil:
			v += st.tapped(s.taps[k], dueS)
		case s.of == airPressure:
			v = st.airKPa
		default:
			v += st.signal(s.of, dueS)
		}
	}
	burst := 0.0
	stuck, broken := false, false
	r.troubles(dueS, func(x *Trouble) {
		if x.Channel == s.ch.Name {
			stuck = stuck || x.Kind == StuckValue
			broken = broken || x.Kind == BrokenWire
			if x.Kind == NoiseBurst {
				burst = x.Value
			}
		}
	})
	switch {
	case stuck && serial > 0:
		return
	case broken:
		s.held = s.spec.broken(&s.ch)
		return
	}
	if s.ch.Kind.Switched() {
		s.held = readSwitch(&s.ch, any)
		return
	}
	v = s.spec.shown(v, dueS)
	if s.noise > 0 || burst > 0 {
		v += math.Hypot(s.noise, burst) * gauss(s.seed, uint64(serial))
	}
	s.held = read(&s.ch, s.spec.converted(v))
}

// gauss returns the n-th of a sequence of independent standard normal numbers. Being
// counted and not drawn, it does not depend on which of them are looked at.
func gauss(seed, n uint64) float64 {
	mix := func(x uint64) float64 { // SplitMix64 (Steele, Lea, Flood 2014), as a number in (0, 1]
		x += 0x9E3779B97F4A7C15
		x = (x ^ x>>30) * 0xBF58476D1CE4E5B9
		x = (x ^ x>>27) * 0x94D049BB133111EB
		return (float64((x^x>>31)>>11) + 1) / (1 << 53)
	}
	k := seed + 2*n*0x9E3779B97F4A7C15
	return math.Sqrt(-2*math.Log(mix(k))) * math.Cos(2*math.Pi*mix(k+0x9E3779B97F4A7C15))
}

// advance brings the sensors of the devices given up to plant time tS: each holds the
// reading of its last refresh. Time does not go back: an earlier tS stands for the last.
func (r *Rig) advance(tS float64, devices ...*device) {
	tS = max(tS, r.nowS)
	r.nowS = tS
	type due struct {
		s  *sensor
		at float64
		n  int64
	}
	// A refresh that nobody sees need not be computed, but those that are seen must be
	// taken in the order of time, for the plant goes forward only: so all sensors are
	// brought up to date, whichever device is asked.
	dues := make([]due, 0, len(r.sensors))
	for _, s := range r.sensors {
		if s.updateS == 0 {
			continue
		}
		n := int64(math.Floor((tS - s.phaseS) / s.updateS))
		if n > s.serial { // −1: the refresh before plant time 0
			dues = append(dues, due{s, max(0, s.phaseS+float64(n)*s.updateS), n})
		}
	}
	slices.SortStableFunc(dues, func(a, b due) int { return cmp.Compare(a.at, b.at) })
	for _, d := range dues {
		r.look(d.s, d.at, d.n)
	}
	for _, g := range r.plant.groups {
		g.advance(tS)
	}
	for _, d := range devices {
		for _, i := range d.placed {
			if s := r.sensors[i]; s.updateS == 0 {
				r.look(s, tS, s.serial+1)
			}
		}
	}
}

// Start lets plant time 0 be the instant t0, if the rig has not been started, and returns
// the instant that is.
func (r *Rig) Start(t0 time.Time) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.t0.IsZero() {
		r.t0 = t0
	}
	return r.t0
}

// T0 returns the instant of plant time 0 with its monotonic reading; the zero time before Start.
func (r *Rig) T0() time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.t0
}

// Truth returns what happened in every pick that is over, in the order of their starts.
func (r *Rig) Truth() []Truth {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.plant.Truth()
}

// DurationS returns the plant time in seconds when everything in the scenario is over and
// its truth is complete.
func (r *Rig) DurationS() float64 { return r.plant.sc.DurationS() + 2*settleS }

// Groups returns the rig's channels by device, in the rig's order: the groups of the
// batches that Fast emits.
func (r *Rig) Groups() []sample.Group { return r.groups }

// Buses returns the buses in the rig's order.
func (r *Rig) Buses() []*Bus { return r.buses }

// Bus returns the bus with that name, nil where there is none.
func (r *Rig) Bus(name string) *Bus {
	for _, b := range r.buses {
		if b.Name == name {
			return b
		}
	}
	return nil
}

// keepGoing keeps the plant up with the clock until ctx ends.
func (r *Rig) keepGoing(ctx context.Context) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			r.keepUp()
		}
	}
}

// keepUp brings the plant to the present, so that its truth is complete when nobody asks.
func (r *Rig) keepUp() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.t0.IsZero() {
		r.advance(time.Since(r.t0).Seconds())
	}
}

// Answer returns the reply PDU to the request PDU (1 to 253 bytes) for a unit at the
// present instant, whatever carries it. A unit that is not there has gateway exception
// 0B; a bus with a single device also answers units 0 and 255 (MODBUS Messaging on TCP/IP
// Implementation Guide V1.0b, 4.4.1.2).
func (b *Bus) Answer(unit byte, pdu []byte) []byte {
	r := b.rig
	r.mu.Lock()
	defer r.mu.Unlock()
	var d *device
	for _, x := range b.devices {
		if x.unit == int(unit) || len(b.devices) == 1 && (unit == 0 || unit == 255) {
			d = x
		}
	}
	if d == nil {
		return exception(pdu[0], gatewayNoTarget)
	}
	if !r.t0.IsZero() {
		r.refresh(d, time.Since(r.t0).Seconds())
	}
	return d.answer(pdu)
}

// refresh writes what a device's sensors show at plant time tS to its registers.
func (r *Rig) refresh(d *device, tS float64) {
	r.advance(tS, d)
	for _, i := range d.placed {
		d.put(r.sensors[i].ch.Register, r.sensors[i].held)
	}
}
