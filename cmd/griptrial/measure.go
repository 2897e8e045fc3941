package main

import (
	"context"
	"io"
	"math"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"griptrial/acquire/csvfile"
	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
)

type measureOptions struct {
	time, vacuum, require             string
	flow, power, air, specificEnergy  string
	supply, release, touch, carried   string
	partPresent                       string
	supplyOff                         string
	handHeld, sort, json              bool
	sealLimit, dropLevel, persist     string
	idleBand, lag, sign, ambient      string
	group, volume, station, at        string
	accuracy, update, closed          string
	orifice, orificeU, volumeU        string
	criticalRatio                     float64
	grip                              bool
	supplyBeforeContact, removeOffset bool
}

func measureCommand() *cobra.Command {
	o := &measureOptions{}
	c := &cobra.Command{
		Use:   "measure FILE.csv",
		Short: "Find and measure the picks in a table of any origin",
		Long: `measure reads a table with a column of time and one of vacuum, of whatever origin, and
measures the picks in it. Columns lie between commas, semicolons or tabs; decimal commas,
byte order marks and RFC 3339 times are understood.

A measured column is named with its unit: "p[mbar]". A switched column is on above half
its range, or above a level: "valve>0.5".

Without supply and release columns picks are found from the vacuum alone; then nothing
can tell a release from a loss, and a pick that ends is "ended".`,
		Example: `  griptrial measure log.csv --time t_s --vacuum "vacuum_kPa[kPa]" --require "30 kPa"
  griptrial measure log.csv --time t_s --vacuum "p[hPa]" --vacuum-sign absolute --ambient "1013 hPa" --require "30 kPa"
  griptrial measure log.csv --time t_s --vacuum "v[kPa]" --supply valve --release blow --power "p[W]" --require "30 kPa" --json
  griptrial measure chamber.csv --time time_s --vacuum "pressure_bar[bar]" --closed 10s..140s
  griptrial measure cups.csv --time t_s --vacuum "v[kPa]" --group cup --grip`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := noEmptyFlags(c); err != nil {
				return err
			}
			return measure(c.Context(), c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.time, "time", "", "column of time: seconds, or RFC 3339 (required)")
	f.StringVar(&o.vacuum, "vacuum", "", `column of vacuum with its unit, "NAME[kPa]" (required)`)
	f.StringVar(&o.require, "require", "", `required vacuum, "30 kPa"`)
	f.StringVar(&o.flow, "flow", "", `column of flow, "NAME[L/min ANR]"`)
	f.StringVar(&o.power, "power", "", `column of electric power, "NAME[W]"`)
	f.StringVar(&o.air, "air", "", `column of compressed air drawn, "NAME[L/min ANR]"`)
	f.StringVar(&o.specificEnergy, "specific-energy", "", `energy of compressed air, "0.12 kWh/m3" (default that, as likely 0.10 as 0.14)`)
	f.StringVar(&o.supply, "supply", "", "column that is on while vacuum is commanded")
	f.StringVar(&o.release, "release", "", "column that is on while the blow-off is commanded")
	f.StringVar(&o.touch, "touch", "", "column that is on while the cup is on the bag")
	f.StringVar(&o.carried, "carried", "", "column that is on while the bag is in the air")
	f.StringVar(&o.partPresent, "part-present", "", "column of the controller's own signal that a part is held")
	f.StringVar(&o.supplyOff, "supply-off", "vents", `what happens when the supply shuts: "vents", or "holds" with a check valve`)
	f.BoolVar(&o.handHeld, "hand-held", false, "held by hand: a loss is never called a drop")
	f.BoolVar(&o.supplyBeforeContact, "supply-before-contact", false, "the supply is always on before the cup meets the bag")
	f.BoolVar(&o.removeOffset, "remove-idle-level", false, "subtract what the sensor shows at idle")
	f.StringVar(&o.sealLimit, "seal-limit", "", `longest seal time that still counts, "2 s"`)
	f.StringVar(&o.dropLevel, "drop-level", "", `vacuum below which a pick is lost (default half the required)`)
	f.StringVar(&o.persist, "persist", "", `how long a state must last to count (default "20 ms")`)
	f.StringVar(&o.idleBand, "idle-band", "", `vacuum up to which the circuit is idle (default "3 kPa")`)
	f.StringVar(&o.lag, "lag", "", `time constant of the sensor, "5 ms"; instants are corrected by it`)
	f.StringVar(&o.update, "update", "", `refresh of the sensor, "10 ms", where it is slower than the samples`)
	f.StringVar(&o.accuracy, "accuracy", "", `limits of error of the vacuum sensor, "0.5 kPa"`)
	f.StringVar(&o.at, "at", "cup", `where the vacuum is measured: "cup", "manifold" or "engine"`)
	f.StringVar(&o.sign, "vacuum-sign", "positive", `how vacuum is written: "positive", "negative" (gauge) or "absolute"`)
	f.StringVar(&o.ambient, "ambient", "", `pressure of the air around, "1013 hPa", for absolute pressures`)
	f.StringVar(&o.group, "group", "", "column that tells recordings apart")
	f.StringVar(&o.volume, "volume", "", `volume of the circuit with the bag on it, "0.4 L"`)
	f.StringVar(&o.station, "station", "", "name of the station (default the file's name)")
	f.BoolVar(&o.sort, "sort", false, "order rows by time")
	f.StringVar(&o.closed, "closed", "", `measure the leak-down of a closed volume in this stretch, "10s..140s", instead of picks`)
	f.StringVar(&o.volumeU, "volume-u", "", "standard uncertainty of --volume")
	f.StringVar(&o.orifice, "orifice", "", `with --closed: find the volume that fills through an orifice of this conductance, "0.02 dm3/(s bar)"`)
	f.StringVar(&o.orificeU, "orifice-u", "", "standard uncertainty of --orifice")
	f.Float64Var(&o.criticalRatio, "critical-ratio", 0.528, "of --orifice (ISO 6358 b); 0.528 is that of a nozzle without losses")
	f.BoolVar(&o.grip, "grip", false, "read packs presented and held still from the vacuum alone: plateau, settling time, leak; --require is the vacuum that a grip exceeds (default 10 kPa)")
	f.BoolVar(&o.json, "json", false, "write JSON")
	return c
}

// quantity parses a flag's text; "" gives none.
func quantity(flag string, d config.Dimension, text string, none float64) (float64, error) {
	if text == "" {
		return none, nil
	}
	v, err := config.Parse(d, text)
	if err != nil {
		return none, wrongf("--%s: %w", flag, err)
	}
	return v, nil
}

// noEmptyFlags refuses flags that were given without a value: "" would pass for "not given".
func noEmptyFlags(c *cobra.Command) error {
	var err error
	c.Flags().Visit(func(f *pflag.Flag) {
		if err == nil && f.Value.String() == "" {
			err = wrongf("--%s: found nothing; leave it out or give a value", f.Name)
		}
	})
	return err
}

// quantities parses flags in order and returns the first error.
type quantities struct{ err error }

// positive is get for what must be above 0.
func (q *quantities) positive(flag string, d config.Dimension, text string, none float64) float64 {
	v := q.get(flag, d, text, none)
	if q.err == nil && text != "" && !(v > 0) {
		q.err = wrongf("--%s: found %s; a value above 0 is needed", flag, text)
	}
	return v
}

func (q *quantities) get(flag string, d config.Dimension, text string, none float64) float64 {
	v, err := quantity(flag, d, text, none)
	if q.err == nil {
		q.err = err
	}
	return v
}

func (o *measureOptions) columns() ([]csvfile.Column, error) {
	var cols []csvfile.Column
	for _, x := range []struct {
		flag, text string
		kind       sample.Kind
	}{
		{"vacuum", o.vacuum, sample.Vacuum}, {"flow", o.flow, sample.Flow}, {"power", o.power, sample.Power},
		{"air", o.air, sample.Air}, {"supply", o.supply, sample.Supply}, {"release", o.release, sample.Release},
		{"touch", o.touch, sample.Touch}, {"carried", o.carried, sample.Carried}, {"part-present", o.partPresent, sample.PartPresent},
	} {
		if x.text == "" {
			continue
		}
		c, err := csvfile.ParseColumn(x.kind, x.text)
		if err != nil {
			return nil, wrongf("--%s: %w", x.flag, err)
		}
		if x.kind == sample.Vacuum {
			c.At = o.at
		}
		cols = append(cols, c)
	}
	return cols, nil
}

func measure(ctx context.Context, w io.Writer, path string, o *measureOptions) error {
	for _, need := range [][2]string{{"time", o.time}, {"vacuum", o.vacuum}} {
		if need[1] == "" {
			return wrongf("measure: --%s is missing; see griptrial measure --help", need[0])
		}
	}
	if o.grip && o.closed != "" {
		return wrongf("--grip and --closed: one of the two is allowed")
	}
	if o.orifice != "" && o.closed == "" {
		return wrongf("--orifice: --closed is missing: the stretch in which the circuit fills through it")
	}
	if o.require == "" && o.closed == "" && !o.grip {
		return wrongf(`measure: --require is missing: the vacuum that counts as sealed, such as "30 kPa"`)
	}
	if o.supplyOff != "vents" && o.supplyOff != "holds" {
		return wrongf(`--supply-off: found %q; "vents" and "holds" are allowed`, o.supplyOff)
	}
	if o.at != "cup" && o.at != "manifold" && o.at != "engine" {
		return wrongf(`--at: found %q; "cup", "manifold" and "engine" are allowed`, o.at)
	}
	nan := math.NaN()
	var q quantities
	ambient := q.get("ambient", config.Pressure, o.ambient, nan)
	pressure := config.PressureAt(ambient)
	required := q.positive("require", pressure, o.require, nan)
	set := pick.Settings{
		Station:             o.station,
		RequiredKPa:         func(int) float64 { return required },
		DropLevelKPa:        q.positive("drop-level", pressure, o.dropLevel, nan),
		SealLimitS:          q.positive("seal-limit", config.Time, o.sealLimit, nan),
		IdleBandKPa:         q.positive("idle-band", config.Pressure, o.idleBand, nan),
		PersistS:            q.positive("persist", config.Time, o.persist, nan),
		SupplyOffHolds:      o.supplyOff == "holds",
		SupplyBeforeContact: o.supplyBeforeContact,
		HandHeld:            o.handHeld,
		RemoveIdleLevel:     o.removeOffset,
		VolumeL:             q.positive("volume", config.Volume, o.volume, nan),
		VolumeUL:            q.positive("volume-u", config.Volume, o.volumeU, nan),
		SpecificEnergyKWhM3: q.positive("specific-energy", config.SpecificEnergy, o.specificEnergy, nan),
	}
	lag := q.positive("lag", config.Time, o.lag, nan)
	update := q.positive("update", config.Time, o.update, nan)
	accuracy := q.positive("accuracy", config.Pressure, o.accuracy, nan)
	if q.err != nil {
		return q.err
	}
	var air *report.AirEnergyJSON
	if o.air != "" {
		if d := config.NewStation(""); o.specificEnergy == "" {
			set.SpecificEnergyKWhM3, set.SpecificEnergyU = d.SpecificEnergyKWhM3, d.SpecificEnergyU
		}
		air = &report.AirEnergyJSON{KWhM3: analyze.Number(set.SpecificEnergyKWhM3), U: analyze.Number(set.SpecificEnergyU), Default: o.specificEnergy == ""}
	}
	// No vacuum is deeper than the air around: at most 110 kPa at the lowest places on land.
	if deepest := min(ambient, 110); required >= deepest || math.IsNaN(ambient) && required >= 110 {
		return wrongf("--require: found %s; no vacuum can reach the pressure of the air around", o.require)
	}
	if band := set.IdleBandKPa; band >= required || math.IsNaN(band) && required <= pick.DefaultIdleBandKPa {
		return wrongf("--idle-band: it must lie below the required vacuum of %s; the default is %g kPa", o.require, pick.DefaultIdleBandKPa)
	}
	if set.PersistS > 1 {
		return wrongf("--persist: found %s; at most 1 s is allowed", o.persist)
	}
	if d := set.DropLevelKPa; d >= required {
		return wrongf("--drop-level: found %s; it must lie below the required vacuum of %s", o.dropLevel, o.require)
	}
	cols, err := o.columns()
	if err != nil {
		return err
	}
	if set.Station == "" {
		set.Station = strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
	}
	file, err := csvfile.Open(path, csvfile.Options{Time: o.time, Columns: cols, Group: o.group, Sort: o.sort,
		Sign: csvfile.Sign(o.sign), AmbientKPa: ambient, EitherSide: o.closed != "", Station: set.Station})
	if err != nil {
		return wrong(err)
	}
	for _, r := range file.Recordings {
		for i := range r.Groups[0].Channels {
			if c := &r.Groups[0].Channels[i]; c.Kind == sample.Vacuum {
				c.LagS, c.UpdateS, c.Accuracy = lag, update, accuracy
			}
		}
	}
	out := report.PicksJSON{Schema: report.Schema, Station: set.Station, IdleLevelKPa: analyze.Number(nan),
		AmbientKPa: analyze.Number(file.AmbientKPa), AmbientFrom: report.Text(file.AmbientFrom),
		Sampling: &report.SamplingJSON{IntervalS: analyze.Number(file.Sampling.IntervalS),
			LongestS: analyze.Number(file.Sampling.LongestS), Bursts: file.Sampling.Bursts},
		AirEnergy: air,
		Picks:     []report.PickJSON{}, Events: []report.EventJSON{}, Gaps: []report.GapJSON{}}
	switch {
	case o.orifice != "":
		return measureVolume(w, file, ambient, o)
	case o.closed != "":
		return measureClosed(w, file, set, required, out, o)
	case o.grip:
		return measureGrips(w, file, set, required, out, o)
	}
	var rows []report.Row
	var events []pick.Event
	var idle []float64
	for _, r := range file.Recordings {
		if err := ctx.Err(); err != nil {
			return err
		}
		set.Group = r.Group
		s, err := record.NewStations(r.Groups, []pick.Settings{set}, nil)
		if err != nil {
			return wrong(err)
		}
		for b := range r.Batches() {
			s.Push(b)
		}
		s.Finish()
		j := s.Take()
		if v := s.IdleLevelKPa(0); !math.IsNaN(v) {
			idle = append(idle, v)
		}
		events = append(events, j.Events...)
		first := len(rows)
		for _, p := range j.Picks {
			rows = append(rows, report.Row{Pick: p})
			out.Picks = append(out.Picks, report.Pick(p, ""))
		}
		if !o.json {
			sure := func(yield func(sample.Batch, error) bool) {
				for b := range r.Batches() {
					if !yield(b, nil) {
						return
					}
				}
			}
			if err := drawTraces(sure, r.Groups, rows[first:]); err != nil {
				return err
			}
		}
		for _, g := range j.Gaps[set.Station] {
			out.Gaps = append(out.Gaps, report.Gap(g, "", r.Group))
		}
	}
	for _, e := range events {
		out.Events = append(out.Events, report.Event(e))
	}
	out.IdleLevelKPa = analyze.Number(stats.Median(idle))
	if o.json {
		return report.WriteJSON(w, out)
	}
	return report.Measured(w, file.Name, out, rows, events)
}

// stretch parses "10s..140s".
func stretch(text string) (from, to float64, err error) {
	a, b, ok := strings.Cut(text, "..")
	if !ok {
		return 0, 0, wrongf(`--closed: found %q; want two times such as "10s..140s"`, text)
	}
	var q quantities
	from, to = q.get("closed", config.Time, strings.TrimSpace(a), 0), q.get("closed", config.Time, strings.TrimSpace(b), 0)
	if q.err == nil && !(to > from) {
		q.err = wrongf("--closed: %s does not end after it begins", text)
	}
	return from, to, q.err
}
