package report

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"

	"griptrial/analyze"
	"griptrial/analyze/engine"
	"griptrial/config"
)

// ConfirmingTrial writes a trial file in which each leak's cheapest engine, where it was not the
// one tested, meets the bags.
func ConfirmingTrial(w io.Writer, j EngineJSON) error {
	fmt.Fprint(w, `# Confirms what was predicted from leaks. Mount and name these engines in the rig file, then
#   griptrial plan complete THIS.yaml --stations left --out RUNS.yaml
#   griptrial record RIG.yaml RUNS.yaml --out CONFIRMED.gtrial
# and repeat the engine command with --confirm CONFIRMED.gtrial: predicted against measured.
`)
	fmt.Fprintf(w, "name: confirm the engines\n\nsetups:\n")
	n := 0
	for _, e := range j.all() {
		if e.Cheapest == nil {
			continue
		}
		n++
		s := config.Setup{Bag: e.Name, Cup: e.Name} // of a table
		if t := e.answer.Leak.Tested; len(t) > 0 {
			s = t[0].Setup
		}
		fmt.Fprintf(w, "  - name: %s\n", strconv.Quote(fmt.Sprintf("confirm %d", n)))
		for _, x := range []struct{ key, value string }{{"bag", s.Bag}, {"cup", s.Cup}, {"placement", s.Placement}, {"tilt", s.Tilt}, {"engine", *e.Cheapest}} {
			if x.value != "" {
				fmt.Fprintf(w, "    %s: %s\n", x.key, strconv.Quote(x.value))
			}
		}
		if s.Cups > 0 {
			fmt.Fprintf(w, "    cups: %d\n", s.Cups)
		}
		fmt.Fprintf(w, "    vacuum: %.6g kPa\n", float64(e.RequiredKPa))
		for _, m := range e.Engines {
			if m.Name == *e.Cheapest && e.CheapestCentral {
				fmt.Fprintf(w, "    # predicted: hold vacuum %.1f kPa with all circuits on this one engine\n", m.Central.CentralKPa)
			} else if m.Name == *e.Cheapest {
				fmt.Fprintf(w, "    # predicted: hold vacuum %.1f kPa, %.1f to %.1f kPa\n", m.Vacuum, m.VacuumLo, m.VacuumHi)
				if f := m.SealTime; f.OK() {
					fmt.Fprintf(w, "    # predicted: seal time %.0f ms, %.0f to %.0f ms\n", f.Value*1e3, f.Lo*1e3, f.Hi*1e3)
				}
				if m.Extrapolated {
					fmt.Fprintf(w, "    # (%s)\n", engine.Extrapolated)
				}
			}
		}
	}
	if n == 0 {
		return fmt.Errorf("no engine holds: there is nothing to confirm")
	}
	return nil
}

// Confirm puts the predictions of j beside what another trial's setups measured. The error
// says that none of them is predicted.
func (j *EngineJSON) Confirm(measured []engine.Tested) error {
	for _, t := range measured {
		for _, e := range j.all() {
			if e.Name != engine.NameOf(t.Setup) {
				continue
			}
			for _, m := range e.answer.Matches {
				if m.Of.Name != t.Setup.Engine {
					continue
				}
				c := ConfirmJSON{Leak: e.Name, Engine: m.Of.Name, PredictedKP: m.Operating.VacuumKPa, MeasuredKP: t.HoldVacuum(),
					PredictedS: analyze.None(), MeasuredS: num(t.SealTime())}
				if required := float64(e.RequiredKPa); math.Abs(t.RequiredKPa-required) < 1e-3*required { // else it is another seal time
					c.PredictedS = m.SealTimeS
				}
				if p, s := c.PredictedS, float64(c.MeasuredS); p.OK() && !math.IsNaN(s) {
					within := p.Lo <= s && (s <= p.Hi || math.IsInf(p.Hi, 1))
					c.SealWithin = &within
				}
				if f := c.MeasuredKP; f.OK() && !math.IsNaN(f.Lo) {
					within := f.Lo <= c.PredictedKP.Hi && f.Hi >= c.PredictedKP.Lo
					c.Within = &within
				}
				j.Confirmed = append(j.Confirmed, c)
			}
		}
	}
	if j.Confirmed == nil {
		return errors.New("none of its setups has a leak and an engine that are predicted here")
	}
	return nil
}
