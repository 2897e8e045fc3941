// Package budget says before the first poll what a rig's serial lines allow: how long each
// request takes, which rates follow, how well seal times can be known, and what would
// better that. It takes a rig from config and the requests that acquire/modbus would make.
package budget

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"griptrial/acquire/modbus"
	"griptrial/acquire/port"
	"griptrial/acquire/sample"
	"griptrial/config"
)

// A Line is the budget of one Modbus RTU bus on a serial port.
type Line struct {
	Bus      string
	Baud     int
	Requests []Request
	Load     float64  // share of the line's time that is asked for; above 1 it is impossible
	FastestS float64  // shortest interval at which every request can be made once
	Unstated []string // devices whose turnaround is not stated; it counts as 0
	Better   []Better // what would lower the load, the greatest help first
}

// A Request is what one read takes of a line.
type Request struct {
	Group       string
	Device      string
	Characters  int     // of request and answer, with address and CRC
	WireS       float64 // for these characters
	SilenceS    float64 // two pauses between frames
	TurnaroundS float64 // of the device, as stated; NaN where it is not
	AskedS      float64 // poll interval of the rig
}

// TotalS returns how long the line is taken by the request, in seconds:
//
//	(13 + data)·bits/baud + 2·t3.5 + turnaround
//
// with 8 characters of request, 5 about the data of the answer, and the pauses of MODBUS
// over Serial Line V1.02, 2.5.1.
func (r *Request) TotalS() float64 {
	t := r.WireS + r.SilenceS
	if r.TurnaroundS > 0 {
		t += r.TurnaroundS
	}
	return t
}

// A Better is a change to the rig and the load of the line with it.
type Better struct {
	What string
	Load float64
}

// A Station is how well the seal time of a station can be known, from when its channels
// are sampled: the signals' noise comes on top.
type Station struct {
	Name  string
	From  string  // what the seal time counts from: "supply" or "rise"
	U     float64 // standard uncertainty of one seal time, s; NaN where an interval is not known
	Parts []Part  // the largest first
}

// A Part is one half-width within which an instant lies, in seconds.
type Part struct {
	What  string
	HalfS float64
}

// Of returns the budgets of all serial Modbus lines of a rig that griptrial polls, and of
// all its stations.
func Of(rig *config.Rig) ([]Line, []Station, error) {
	var lines []Line
	for i := range rig.Buses {
		b := &rig.Buses[i]
		if b.Kind != config.ModbusRTU || b.Listen {
			continue
		}
		l, err := lineOf(*b)
		if err != nil {
			return nil, nil, err
		}
		l.Better = better(*b, l)
		lines = append(lines, *l)
	}
	var stations []Station
	for i := range rig.Stations {
		stations = append(stations, stationOf(rig, rig.Stations[i].Name, lines))
	}
	return lines, stations, nil
}

func lineOf(b config.Bus) (*Line, error) {
	requests, groups, err := modbus.Plan(b)
	if err != nil {
		return nil, err
	}
	l := &Line{Bus: b.Name, Baud: b.Serial.Baud}
	for i, r := range requests {
		d := b.Devices[r.Device]
		n := 13 + r.DataBytes()
		x := Request{Group: groups[i].Name, Device: d.Name, Characters: n, WireS: float64(n) * port.Character(b.Serial).Seconds(),
			SilenceS: 2 * port.Silence(b.Serial).Seconds(), TurnaroundS: d.TurnaroundS, AskedS: r.Interval.Seconds()}
		l.Load += x.TotalS() / x.AskedS
		l.FastestS += x.TotalS()
		l.Requests = append(l.Requests, x)
	}
	for _, d := range b.Devices {
		if math.IsNaN(d.TurnaroundS) {
			l.Unstated = append(l.Unstated, d.Name)
		}
	}
	return l, nil
}

// Err returns an error with the numbers where a line cannot carry what is asked of it.
func (l *Line) Err() error {
	if l.Load <= 1 {
		return nil
	}
	s := fmt.Sprintf("bus %s: the polls asked for take %.0f %% of the line's time at %d baud: ", l.Bus, 100*l.Load, l.Baud)
	var each []string
	for i := range l.Requests {
		r := &l.Requests[i]
		each = append(each, fmt.Sprintf("%s %s every %s", r.Group, config.Time.Format(round(r.TotalS())), config.Time.Format(r.AskedS)))
	}
	s += strings.Join(each, ", ") + fmt.Sprintf("; possible are intervals %.2f times as long, or every request each %s", math.Ceil(l.Load*100)/100, config.Time.Format(round(l.FastestS)))
	for _, b := range l.Better {
		if b.Load <= 1 {
			s += "; or " + b.What
			break
		}
	}
	return errors.New(s)
}

// round returns a time in whole 10 µs, rounded up.
func round(s float64) float64 { return math.Ceil(s*1e5-1e-6) / 1e5 }

// better returns changes that lower the load, most effective first.
func better(b config.Bus, now *Line) []Better {
	var all []Better
	try := func(what string, changed config.Bus) {
		if l, err := lineOf(changed); err == nil && l.Load < now.Load*0.98 {
			all = append(all, Better{what, l.Load})
		}
	}
	for _, baud := range []int{19200, 38400, 57600, 115200} {
		if baud > b.Serial.Baud {
			faster := b
			faster.Serial.Baud = baud
			try(fmt.Sprintf("%d baud", baud), faster)
		}
	}
	if b.Serial.Baud > 19200 && !b.Serial.TrueSilence {
		short := b
		short.Serial.TrueSilence = true
		try("serial.silence: 3.5 characters", short)
	}
	if len(b.Devices) > 1 {
		for i, d := range b.Devices {
			fewer := b
			fewer.Devices = append(append([]config.Device(nil), b.Devices[:i]...), b.Devices[i+1:]...)
			try(fmt.Sprintf("%s on a bus of its own", d.Name), fewer)
		}
	}
	for i, d := range b.Devices {
		n := 0
		data := 0
		var first Request
		for _, r := range now.Requests {
			if r.Device == d.Name {
				n++
				data += r.Characters - 13
				first = r
			}
		}
		if n > 1 {
			// As if all values lay side by side in one table.
			character := port.Character(b.Serial).Seconds()
			one := first
			one.WireS = float64(13+data) * character
			load := now.Load
			for _, r := range now.Requests {
				if r.Device == d.Name {
					load -= r.TotalS() / r.AskedS
				}
			}
			load += one.TotalS() / one.AskedS
			all = append(all, Better{fmt.Sprintf("the values of %s in one block of registers", b.Devices[i].Name), load})
		}
	}
	slices.SortStableFunc(all, func(a, b Better) int { return cmp.Compare(a.Load, b.Load) })
	return all
}

// stationOf returns how well the seal time of a station can be known.
//
// An edge of the supply lies anywhere between two samples: half-width half the sampling
// interval. A vacuum crossing is interpolated, but what a device shows may be as old as its
// refresh: half-width half of that. Both stamps have half the turnaround on a serial line,
// or what is not known here elsewhere. All count as equally likely within their half-widths
// (JCGM 100, 4.3.7).
func stationOf(rig *config.Rig, name string, lines []Line) Station {
	s := Station{Name: name, From: "rise"}
	var vacuum, supply *config.Place
	for p := range rig.Channels() {
		if p.Channel.Station != name && (p.Channel.Station != "" || p.Channel.Kind != sample.Supply) {
			continue
		}
		switch p.Channel.Kind {
		case sample.Vacuum:
			vacuum = &config.Place{Bus: p.Bus, Device: p.Device, Channel: p.Channel}
		case sample.Supply:
			supply = &config.Place{Bus: p.Bus, Device: p.Device, Channel: p.Channel}
		}
	}
	if vacuum == nil {
		s.U = math.NaN()
		return s
	}
	slower := func(p *config.Place) float64 { // the interval that its line makes of the one asked
		for _, l := range lines {
			if l.Bus == p.Bus.Name && l.Load > 1 {
				return p.Channel.SamplingS() * l.Load
			}
		}
		return p.Channel.SamplingS()
	}
	stamp := func(p *config.Place) {
		if p.Device.TurnaroundS > 0 && p.Bus.OnSerialPort() {
			s.Parts = append(s.Parts, Part{"stamp of " + p.Channel.Name, p.Device.TurnaroundS / 2})
		}
	}
	if supply != nil {
		s.From = "supply"
		s.Parts = append(s.Parts, Part{"edge of " + supply.Channel.Name + " between two samples", slower(supply) / 2})
		stamp(supply)
	} else { // the rise is seen by the first sample above the idle level
		s.Parts = append(s.Parts, Part{"begin of the rise of " + vacuum.Channel.Name + " between two samples", slower(vacuum) / 2})
	}
	if vacuum.Channel.UpdateS > 0 {
		s.Parts = append(s.Parts, Part{"refresh of " + vacuum.Channel.Name, vacuum.Channel.UpdateS / 2})
	}
	stamp(vacuum)
	slices.SortStableFunc(s.Parts, func(a, b Part) int { return cmp.Compare(b.HalfS, a.HalfS) })
	for _, p := range s.Parts {
		s.U += p.HalfS * p.HalfS / 3
	}
	s.U = math.Sqrt(s.U)
	return s
}
