package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"griptrial/acquire"
	"griptrial/acquire/budget"
	"griptrial/analyze"
	"griptrial/config"
	"griptrial/report"
)

// A checkedJSON is what check found, times in seconds; what cannot be had is null.
type checkedJSON struct {
	Schema   int                  `json:"schema"`
	Rig      string               `json:"rig"`
	SHA256   string               `json:"sha256"`
	Lines    []checkedLineJSON    `json:"lines"`    // serial ones
	Stations []checkedStationJSON `json:"stations"` // how well seal times can be known, of sampling alone
	Buses    []checkedBusJSON     `json:"buses,omitempty"`
}

type checkedLineJSON struct {
	Bus      string               `json:"bus"`
	Baud     int                  `json:"baud"`
	Load     float64              `json:"load"` // share of the line's time that polls take
	FastestS float64              `json:"fastest_s"`
	Better   []checkedBetterJSON  `json:"better"`
	Requests []checkedRequestJSON `json:"requests"`
}

type checkedBetterJSON struct {
	What string  `json:"what"`
	Load float64 `json:"load"`
}

type checkedRequestJSON struct {
	Group      string  `json:"group"`
	TotalS     float64 `json:"total_s"`
	AskedHz    float64 `json:"asked_hz"`
	PossibleHz float64 `json:"possible_hz"`
}

type checkedStationJSON struct {
	Station  string         `json:"station"`
	SealFrom string         `json:"seal_from"`
	SealU    analyze.Number `json:"seal_time_u_s"`
}

type checkedBusJSON struct {
	Bus      string               `json:"bus"`
	Error    string               `json:"error,omitempty"`
	Readings []checkedReadingJSON `json:"readings"`
	Groups   []checkedGroupJSON   `json:"groups"`
}

type checkedReadingJSON struct {
	Device  string         `json:"device"`
	Channel string         `json:"channel"`
	Raw     *int64         `json:"raw"`
	Value   analyze.Number `json:"value"`
	Unit    string         `json:"unit,omitempty"`
	Flag    string         `json:"flag,omitempty"`
	Error   string         `json:"error,omitempty"`
	TookS   float64        `json:"took_s"`
}

type checkedGroupJSON struct {
	Group      string         `json:"group"`
	AskedHz    analyze.Number `json:"asked_hz"`
	ReachedHz  analyze.Number `json:"reached_hz"`
	HalfWidthS float64        `json:"half_width_s"` // the largest of a stamp
	Faults     int            `json:"faults"`
}

// checkJSON checks a rig as check does, and writes what it found. The error says what failed.
func checkJSON(ctx context.Context, w io.Writer, rig *config.Rig, length time.Duration, offline bool) error {
	out := checkedJSON{Schema: report.Schema, Rig: rig.Name, SHA256: rig.SHA256(), Lines: []checkedLineJSON{}, Stations: []checkedStationJSON{}}
	lines, stations, err := budget.Of(rig)
	if err != nil {
		return wrong(err)
	}
	var failed []error
	for i := range lines {
		l := &lines[i]
		x := checkedLineJSON{Bus: l.Bus, Baud: l.Baud, Load: l.Load, FastestS: l.FastestS, Better: []checkedBetterJSON{}}
		for j := range l.Requests {
			r := &l.Requests[j]
			x.Requests = append(x.Requests, checkedRequestJSON{r.Group, r.TotalS(), 1 / r.AskedS, 1 / (r.AskedS * max(1, l.Load))})
		}
		for _, b := range l.Better {
			x.Better = append(x.Better, checkedBetterJSON{b.What, b.Load})
		}
		out.Lines = append(out.Lines, x)
		if err := l.Err(); err != nil {
			failed = append(failed, wrong(err))
		}
	}
	for _, s := range stations {
		out.Stations = append(out.Stations, checkedStationJSON{s.Name, s.From, analyze.Number(s.U)})
	}
	if !offline && failed == nil {
		buses, err := openBuses(rig, acquire.NewClock())
		if err != nil {
			return err
		}
		channels := map[string]*config.Channel{}
		for p := range rig.Channels() {
			channels[p.Channel.Name] = p.Channel
		}
		var answering []busSource
		var at []int
		for i, b := range buses {
			x := checkedBusJSON{Bus: rig.Buses[i].Name, Readings: []checkedReadingJSON{}, Groups: []checkedGroupJSON{}}
			readings, err := b.ReadOnce(ctx)
			if err != nil {
				x.Error = err.Error()
				failed = append(failed, err)
			} else {
				answering, at = append(answering, b), append(at, i)
			}
			for _, r := range readings {
				c := channels[r.Channel]
				y := checkedReadingJSON{Device: r.Device, Channel: r.Channel, Value: analyze.Number(r.Value), Unit: c.Kind.Unit(), TookS: r.Transaction.Seconds()}
				if r.Err != nil {
					y.Error = r.Err.Error()
					failed = append(failed, fmt.Errorf("bus %s: %s, %s: %w", x.Bus, r.Device, r.Channel, r.Err))
				} else {
					y.Raw, y.Flag = &r.Raw, string(c.Limits.Of(r.Raw))
				}
				x.Readings = append(x.Readings, y)
			}
			out.Buses = append(out.Buses, x)
		}
		if len(answering) > 0 && length > 0 {
			for i, groups := range watchFor(ctx, answering, length) {
				for g, group := range answering[i].Groups() {
					x := &groups[g]
					asked := analyze.Number(1 / group.Channels[0].IntervalS)
					b := &out.Buses[at[i]]
					b.Groups = append(b.Groups, checkedGroupJSON{group.Name, asked, analyze.Number(x.rate()), float64(x.half) / 1e9, x.faults})
				}
			}
		}
	}
	if err := report.WriteJSON(w, out); err != nil {
		return err
	}
	return errors.Join(failed...)
}
