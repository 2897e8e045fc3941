package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"griptrial/analyze"
	"griptrial/analyze/engine"
	"griptrial/config"
	"griptrial/report"
	"griptrial/store"
)

type engineOptions struct {
	leakPoints                       []string
	engines, require, law            string
	altitude, ambient                string
	volume, volumeU                  string
	picks, on, hours, specificEnergy string
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

// A leak is what engines are matched to.
type leak struct {
	name     string
	points   []engine.Point
	settings []string
	required float64
	tested   []engine.Tested
}

func matchEngines(w io.Writer, args []string, o *engineOptions) error {
	if o.engines == "" {
		return wrongf("engine: --engines is missing; see griptrial engine --help")
	}
	if (len(args) == 0) == (len(o.leakPoints) == 0) {
		return wrongf("engine: want a trial or --leak-points, one of the two; see griptrial engine --help")
	}
	if o.law != "" && !slices.Contains([]engine.Law{engine.Power, engine.Orifice, engine.Laminar}, engine.Law(o.law)) {
		return wrongf(`--law: found %q; "power", "orifice" and "laminar" are allowed`, o.law)
	}
	if o.circuits < 1 || o.circuits > 1000 {
		return wrongf("--circuits: found %d; want 1 to 1000", o.circuits)
	}
	candidates, err := config.LoadEngines(o.engines)
	if err != nil {
		return wrong(err)
	}
	nan := math.NaN()
	var q quantities
	ambient, ambientFrom := place(&q, o.altitude, o.ambient)
	if len(args) == 1 && o.altitude == "" && o.ambient == "" {
		kPa, err := rigAmbient(args[0])
		if err != nil {
			return err
		}
		if !math.IsNaN(kPa) {
			ambient, ambientFrom = kPa, "as the trial's rig file states"
		}
	}
	required := q.get("require", config.PressureAt(ambient), o.require, nan)
	need := engine.Need{AmbientKPa: ambient, Circuits: o.circuits,
		Circuit: engine.Circuit{VolumeL: q.get("volume", config.Volume, o.volume, nan), VolumeU: q.get("volume-u", config.Volume, o.volumeU, nan)},
		Cycle: engine.Cycle{PicksPerMinute: q.get("picks", config.Frequency, o.picks, nan), SupplyOnS: q.get("on", config.Time, o.on, nan),
			HoursPerYear:        q.get("hours", config.Time, o.hours, nan) / 3600,
			SpecificEnergyKWhM3: q.get("specific-energy", config.SpecificEnergy, o.specificEnergy, engine.DefaultSpecificEnergyKWhM3)}}
	if q.err != nil {
		return q.err
	}
	for _, x := range []struct {
		flag, text string
		value      float64
	}{{"require", o.require, required}, {"volume", o.volume, need.Circuit.VolumeL}, {"volume-u", o.volumeU, need.Circuit.VolumeU}, {"picks", o.picks, need.Cycle.PicksPerMinute},
		{"on", o.on, need.Cycle.SupplyOnS}, {"hours", o.hours, need.Cycle.HoursPerYear}, {"specific-energy", o.specificEnergy, need.Cycle.SpecificEnergyKWhM3}} {
		if x.text != "" && !(x.value > 0) {
			return wrongf("--%s: found %s; want more than 0", x.flag, x.text)
		}
	}
	if required >= ambient {
		return wrongf("--require: found %s; want less than the pressure around, %.4g kPa", o.require, ambient)
	}
	if on := need.Cycle.SupplyOnS; on > 60/need.Cycle.PicksPerMinute {
		return wrongf("--on: %s is longer than the cycle at %s", o.on, o.picks)
	}
	var leaks []leak
	if len(args) == 1 {
		var rate float64
		if leaks, rate, err = trialLeaks(args[0], o.set, candidates, ambient, required, need.Circuit.VolumeL); err != nil {
			return err
		}
		if o.picks == "" {
			need.Cycle.PicksPerMinute = rate
		}
	} else if leaks, err = tableLeaks(o.leakPoints, required); err != nil {
		return err
	}
	var out report.EngineJSON
	var fits []engine.Fit
	var needs []engine.Need
	shown := true
	for i, l := range leaks {
		fit, err := engine.FitLeak(l.points, ambient)
		if o.law != "" {
			fit, err = engine.FitLaw(l.points, ambient, engine.Law(o.law))
		}
		if err != nil {
			return wrongf("%s: %w", l.name, err)
		}
		need.RequiredKPa = l.required
		n := need
		if !(n.Circuit.VolumeL > 0) {
			n.Circuit = measuredCircuit(l, fit, candidates, ambient)
		}
		var all []engine.Match
		for _, c := range candidates {
			m, err := engine.NewMatch(c, fit, n)
			if err != nil {
				return wrongf("%s: %w", o.engines, err)
			}
			all = append(all, m)
		}
		e := report.Engines(l.name, fit, l.points, l.settings, all, n)
		if len(l.tested) > 0 {
			e.Bag = l.tested[0].Setup.Bag
		}
		shown = shown && e.Shown
		fits, needs = append(fits, fit), append(needs, n)
		if i == 0 {
			out = e
		}
		out.Leaks = append(out.Leaks, e)
	}
	if len(leaks) == 1 {
		out.Leaks = nil
	} else {
		out.BetterCups()
	}
	out.Remarks = append(out.Remarks, "ambient: "+ambientFrom, "compressed air at "+strconv.FormatFloat(need.Cycle.SpecificEnergyKWhM3, 'g', 4, 64)+" kWh/m³ ANR; plants lie from 0.10 to 0.14, the user's own meter comes first")
	if o.on == "" && !math.IsNaN(need.Cycle.PicksPerMinute) {
		out.Remarks = append(out.Remarks, "no --on: ejectors are taken to run the whole cycle")
	}
	if o.confirm != "" {
		if out.Confirmed, err = confirmed(o.confirm, leaks, fits, needs, candidates, ambient); err != nil {
			return err
		}
	}
	if o.plan != "" {
		if err := writeFile(o.plan, func(w io.Writer) error { return report.ConfirmingTrial(w, out, testedSetups(leaks)) }); err != nil {
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
	if err == nil && !shown {
		err = notMet(errors.New("not shown: not every leak has an engine whose whole interval lies above the required vacuum"))
	}
	return err
}

// tableLeaks reads tables of leak points.
func tableLeaks(paths []string, required float64) ([]leak, error) {
	if math.IsNaN(required) {
		return nil, wrongf(`engine: --require is missing: the vacuum that holds the bag, such as "30 kPa"`)
	}
	var leaks []leak
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
		l := leak{name: name, required: required}
		if name == "" {
			l.name = path
		}
		l.points, l.settings = engine.PointsOf(rows)
		leaks = append(leaks, l)
	}
	return leaks, nil
}

// testedSetups returns a setup of each leak, nil where there was no trial.
func testedSetups(leaks []leak) []config.Setup {
	var all []config.Setup
	for _, l := range leaks {
		s := config.Setup{Name: l.name, VacuumKPa: l.required}
		if len(l.tested) > 0 {
			s = l.tested[0].Setup
			s.VacuumKPa = l.required
		}
		all = append(all, s)
	}
	return all
}

// leakName names a leak by all of a setup but its engine.
func leakName(s config.Setup) string {
	parts := []string{s.Bag, s.Cup}
	switch {
	case s.Cups == 1:
		parts = append(parts, "1 cup")
	case s.Cups > 1:
		parts = append(parts, fmt.Sprintf("%d cups", s.Cups))
	}
	for _, p := range []string{s.Placement, s.Tilt} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(parts, " | ")
}

// rigAmbient returns the pressure around that the rig file in a trial states, NaN for none.
func rigAmbient(path string) (float64, error) {
	t, err := openTrial(path)
	if err != nil {
		return math.NaN(), err
	}
	defer t.Close()
	if len(t.Header().RigText) == 0 {
		return math.NaN(), nil
	}
	rig, err := config.ParseRig("rig of "+path, t.Header().RigText)
	if err != nil {
		return math.NaN(), wrong(err)
	}
	return rig.AmbientKPa, nil
}

// readTested returns the setups of a trial with their picks, in the trial's order, and the trial.
func readTested(path string, set int) ([]engine.Tested, *config.Trial, error) {
	t, err := openTrial(path)
	if err != nil {
		return nil, nil, err
	}
	defer t.Close()
	trial, err := config.ParseTrial("trial of "+path, t.Header().TrialText, nil)
	if err != nil {
		return nil, nil, wrong(err)
	}
	rows, err := readRows(t, set, "")
	if err != nil {
		return nil, nil, err
	}
	var all []engine.Tested
	for _, s := range trial.Setups {
		x := engine.Tested{Setup: s}
		for _, r := range rows {
			if r.Setup == s.Name {
				x.Picks = append(x.Picks, r.Pick)
			}
		}
		if len(x.Picks) > 0 {
			all = append(all, x)
		}
	}
	return all, trial, nil
}

// supplyOf returns the supply of the candidate with the given name, nil where there is none.
func supplyOf(candidates []config.Candidate, name string, ambient float64) *engine.Supply {
	for _, c := range candidates {
		if c.Name == name {
			if s, err := engine.NewSupply(c, ambient); err == nil {
				return &s
			}
		}
	}
	return nil
}

// trialLeaks returns the leaks of a trial, one for each bag, cup, number, placement and tilt.
func trialLeaks(path string, set int, candidates []config.Candidate, ambient, required, volumeL float64) (leaks []leak, rate float64, err error) {
	tested, trial, err := readTested(path, set)
	if err != nil {
		return nil, 0, err
	}
	at := map[string]int{}
	for _, t := range tested {
		p, ok := t.Point(volumeL, supplyOf(candidates, t.Setup.Engine, ambient))
		if !ok {
			continue
		}
		name := leakName(t.Setup)
		i, known := at[name]
		if !known {
			i = len(leaks)
			at[name] = i
			l := leak{name: name, required: required}
			if math.IsNaN(required) {
				l.required = trial.RequiredVacuumKPa(t.Setup.Name)
			}
			leaks = append(leaks, l)
		}
		setting := t.Setup.Engine
		if t.Setup.EngineSetting != "" {
			setting += ", " + t.Setup.EngineSetting
		}
		leaks[i].points = append(leaks[i].points, p)
		leaks[i].settings = append(leaks[i].settings, setting)
		leaks[i].tested = append(leaks[i].tested, t)
	}
	if leaks == nil {
		return nil, 0, wrongf("%s: no setup has a leak: it takes a hold vacuum with a flow, or a leak-down and --volume, or an engine of the file of engines", path)
	}
	return leaks, trial.Requirement.PicksPerMinute, nil
}

// measuredCircuit returns the circuit that a leak's measured seal times tell.
func measuredCircuit(l leak, fit engine.Fit, candidates []config.Candidate, ambient float64) engine.Circuit {
	var all []engine.Calibration
	for _, t := range l.tested {
		if s := supplyOf(candidates, t.Setup.Engine, ambient); s != nil {
			seal, delay := t.SealTime()
			all = append(all, engine.Calibration{Supply: *s, RequiredKPa: l.required, SealTimeS: seal, DelayS: delay})
		}
	}
	return engine.MeasuredCircuit(fit, all)
}

// confirmed puts predictions beside what another trial measured.
func confirmed(path string, leaks []leak, fits []engine.Fit, needs []engine.Need, candidates []config.Candidate, ambient float64) ([]report.ConfirmJSON, error) {
	tested, _, err := readTested(path, 1)
	if err != nil {
		return nil, err
	}
	var all []report.ConfirmJSON
	for _, t := range tested {
		s := supplyOf(candidates, t.Setup.Engine, ambient)
		i := slices.IndexFunc(leaks, func(l leak) bool { return l.name == leakName(t.Setup) })
		if s == nil || i < 0 {
			continue
		}
		seal, _ := t.SealTime()
		c := report.ConfirmJSON{Leak: leaks[i].name, Engine: t.Setup.Engine, PredictedKP: engine.Operate(*s, fits[i], 1).VacuumKPa,
			MeasuredKP: t.HoldVacuum(), PredictedS: analyze.None(), MeasuredS: analyze.Number(seal)}
		if needs[i].Circuit.VolumeL > 0 {
			c.PredictedS = engine.SealTime(*s, fits[i], 1, needs[i].RequiredKPa, needs[i].Circuit)
		}
		if m := c.MeasuredKP; m.OK() && !math.IsNaN(m.Lo) {
			within := m.Lo <= c.PredictedKP.Hi && m.Hi >= c.PredictedKP.Lo
			c.Within = &within
		}
		all = append(all, c)
	}
	if all == nil {
		return nil, wrongf("%s: none of its setups has a leak and an engine that are predicted here", path)
	}
	return all, nil
}
