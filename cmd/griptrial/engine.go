package main

import (
	"errors"
	"io"
	"math"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"griptrial/analyze/engine"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

type engineOptions struct {
	leakPoints                       []string
	engines, require, law            string
	altitude, ambient                string
	volume, volumeU                  string
	picks, on, hours, specificEnergy string
	airPressure                      string
	leakFactor                       float64
	circuits, set                    int
	svg, plan, confirm               string
	json                             bool
}

func engineCommand() *cobra.Command {
	o := &engineOptions{}
	c := &cobra.Command{
		Use:   "engine [TRIAL" + store.Ext + "]",
		Short: "Match vacuum engines to a measured leak",
		Long: `engine fits a leak law to measured leaks, and says at which vacuum each engine of a file
meets it, which engines hold the required vacuum, how soon, and at what energy.

Leaks come from a recorded trial (the flow in the hold, else leak-down and volume, else the
tested engine's own curve), one for each bag, cup and number of cups; or from tables with
columns vacuum_kPa,flow_Lmin, and vacuum_u_kPa, flow_u_Lmin, setting as far as known. Rows
with the same setting are runs of it.

With fewer than three settings the interval spans the three leak laws: orifice, laminar and
power. The law's own points bound what it may say: beyond 1.3 times their vacuum the
operating point is marked as extrapolated.

The exit code is 3 where no engine is shown to hold, by its whole interval.`,
		Example: `  griptrial engine --leak-points leak.csv --engines engines.yaml --require "30 kPa"
  griptrial engine --leak-points "bellows cup=a.csv" --leak-points "thin-lip cup=b.csv" --engines engines.yaml --require "30 kPa" --picks "40 /min" --svg match.svg
  griptrial engine hall.gtrial --engines engines.yaml --volume "0.4 L" --picks "40 /min" --on "0.9 s" --hours "4000 h" --plan confirm.yaml
  griptrial engine hall.gtrial --engines engines.yaml --confirm confirm.gtrial`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error { return matchEngines(c.OutOrStdout(), args, o) },
	}
	f := c.Flags()
	f.StringArrayVar(&o.leakPoints, "leak-points", nil, `table of leak points, FILE.csv or "NAME=FILE.csv"; several to compare cups`)
	f.StringVar(&o.engines, "engines", "", "file of engines with their curves (required)")
	f.StringVar(&o.require, "require", "", `required vacuum at the cup, "30 kPa" (default the trial's)`)
	f.StringVar(&o.law, "law", "", `leak law, where it is known: "power", "orifice" or "laminar"`)
	f.StringVar(&o.altitude, "altitude", "", `height of the place, "500 m"`)
	f.StringVar(&o.ambient, "ambient", "", `in place of it the pressure around, "955 mbar"`)
	f.Float64Var(&o.leakFactor, "leak-factor", 1, "what if the lip leaked so many times what was measured")
	f.StringVar(&o.airPressure, "air-pressure", "", `what if ejectors had this pressure of compressed air, "4.5 bar"`)
	f.StringVar(&o.volume, "volume", "", `volume of the circuit with the bag on it, "0.4 L" (default, with a trial: what its seal times say)`)
	f.StringVar(&o.volumeU, "volume-u", "", "standard uncertainty of that volume")
	f.StringVar(&o.picks, "picks", "", `the line's rate, "40 /min", for energy (default the trial's)`)
	f.StringVar(&o.on, "on", "", `time that the supply is on in a pick, "0.9 s" (default the whole cycle)`)
	f.StringVar(&o.hours, "hours", "", `running hours a year, "4000 h"`)
	f.StringVar(&o.specificEnergy, "specific-energy", "", `energy of compressed air, "0.12 kWh/m3" (default that; plants lie from 0.10 to 0.14)`)
	f.IntVar(&o.circuits, "circuits", 1, "equal circuits that pick at the same time: one engine each against one for all")
	f.IntVar(&o.set, "set", 1, "analysis of the trial to use")
	f.StringVar(&o.svg, "svg", "", "write the curves as SVG to this file")
	f.StringVar(&o.plan, "plan", "", "write a trial file that confirms the choice")
	f.StringVar(&o.confirm, "confirm", "", "trial that was recorded since: predicted against measured")
	f.BoolVar(&o.json, "json", false, "write JSON")
	return c
}

func matchEngines(w io.Writer, args []string, o *engineOptions) error {
	if o.engines == "" {
		return wrongf("engine: --engines is missing; see griptrial engine --help")
	}
	if (len(args) == 0) == (len(o.leakPoints) == 0) {
		return wrongf("engine: want a trial or --leak-points, one of the two; see griptrial engine --help")
	}
	candidates, err := config.LoadEngines(o.engines)
	if err != nil {
		return wrong(err)
	}
	nan := math.NaN()
	var v quantities
	ambient, ambientFrom := place(&v, o.altitude, o.ambient)
	q := engine.NewQuestion(candidates, ambient)
	q.Law, q.Circuits, q.LeakFactor = engine.Law(o.law), o.circuits, o.leakFactor
	q.RequiredKPa = v.positive("require", config.PressureAt(ambient), o.require, nan)
	q.AirPressureKPa = v.positive("air-pressure", config.Pressure, o.airPressure, nan)
	q.VolumeL, q.VolumeU = v.positive("volume", config.Volume, o.volume, nan), v.positive("volume-u", config.Volume, o.volumeU, nan)
	q.Cycle.PicksPerMinute, q.Cycle.SupplyOnS = v.positive("picks", config.Frequency, o.picks, nan), v.positive("on", config.Time, o.on, nan)
	q.Cycle.HoursPerYear = v.positive("hours", config.Time, o.hours, nan) / 3600
	q.Cycle.SpecificEnergyKWhM3 = v.positive("specific-energy", config.SpecificEnergy, o.specificEnergy, engine.DefaultSpecificEnergyKWhM3)
	if v.err != nil {
		return v.err
	}
	if err := q.Check(); err != nil {
		return wrongf("engine: %w", err)
	}
	var out report.EngineJSON
	if len(args) == 1 {
		if o.altitude == "" && o.ambient == "" {
			q.AmbientKPa, ambientFrom = nan, "" // the rig file's
		}
		out, err = matchTrial(args[0], o.set, q)
	} else {
		var leaks []engine.MeasuredLeak
		if leaks, err = tableLeaks(o.leakPoints, q.RequiredKPa); err == nil {
			out, err = report.MatchEngines(leaks, q)
			err = wrong(err)
		}
	}
	if err != nil {
		return err
	}
	if ambientFrom != "" {
		out.Remarks = append(out.Remarks, "ambient: "+ambientFrom)
	}
	if o.confirm != "" {
		if err := confirm(&out, o.confirm); err != nil {
			return err
		}
	}
	if o.plan != "" {
		if err := writeFile(o.plan, func(w io.Writer) error { return report.ConfirmingTrial(w, out) }); err != nil {
			return err
		}
	}
	if o.svg != "" {
		if err := writeFile(o.svg, func(w io.Writer) error { return report.EnginesSVG(w, out) }); err != nil {
			return err
		}
	}
	if o.json {
		err = report.WriteJSON(w, out)
	} else {
		err = report.WriteEngines(w, out)
	}
	if err == nil && !out.AllShown() {
		err = notMet(errors.New("not shown: not every leak has an engine whose whole interval lies above the required vacuum"))
	}
	return err
}

// matchTrial matches engines to the leaks of a trial file.
func matchTrial(path string, set int, q engine.Question) (report.EngineJSON, error) {
	t, err := openTrial(path)
	if err != nil {
		return report.EngineJSON{}, err
	}
	defer t.Close()
	if _, err := setOf(t, set); err != nil {
		return report.EngineJSON{}, err
	}
	out, err := report.MatchTrial(t, path, set, q)
	return out, wrong(err)
}

// confirm puts predictions beside what another trial measured.
func confirm(out *report.EngineJSON, path string) error {
	t, err := openTrial(path)
	if err != nil {
		return err
	}
	defer t.Close()
	measured, err := record.TestedSetups(t, path, 1)
	if err == nil {
		err = out.Confirm(measured.Setups)
	}
	if err != nil {
		return wrongf("%s: %w", path, err)
	}
	return nil
}

// tableLeaks reads tables of leak points.
func tableLeaks(paths []string, required float64) ([]engine.MeasuredLeak, error) {
	if math.IsNaN(required) {
		return nil, wrongf(`engine: --require is missing: the vacuum that holds the bag, such as "30 kPa"`)
	}
	var leaks []engine.MeasuredLeak
	for _, path := range paths {
		name := ""
		if before, after, ok := strings.Cut(path, "="); ok {
			if _, err := os.Stat(path); err != nil { // no file with "=" in its name
				name, path = before, after
			}
		}
		rows, err := config.LoadLeakPoints(path)
		if err != nil {
			return nil, wrong(err)
		}
		l := engine.MeasuredLeak{Name: name, RequiredKPa: required}
		if name == "" {
			l.Name = path
		}
		l.Points, l.Settings = engine.PointsOf(rows)
		leaks = append(leaks, l)
	}
	return leaks, nil
}
