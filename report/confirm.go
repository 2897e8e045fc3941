package report

import (
	"fmt"
	"io"
	"strconv"

	"griptrial/analyze/engine"
	"griptrial/config"
)

// ConfirmingTrial writes a trial file in which each leak's cheapest engine, where it was not the
// one tested, meets the bags. setups has one of each leak.
func ConfirmingTrial(w io.Writer, j EngineJSON, setups []config.Setup) error {
	all := j.Leaks
	if len(all) == 0 {
		all = []EngineJSON{j}
	}
	fmt.Fprintln(w, "# Confirms what was predicted from leaks: run it, then compare with the same leaks and --confirm.")
	fmt.Fprintf(w, "name: confirm the engines\n\nsetups:\n")
	n := 0
	for i, e := range all {
		if e.Cheapest == nil {
			continue
		}
		n++
		s := setups[i]
		if s.Bag == "" { // leaks from a table
			s.Bag, s.Cup = s.Name, s.Name
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
		fmt.Fprintf(w, "    vacuum: %.6g kPa\n", s.VacuumKPa)
		for _, m := range e.Engines {
			if m.Name == *e.Cheapest {
				fmt.Fprintf(w, "    # predicted: hold vacuum %.1f kPa, %.1f to %.1f kPa\n", m.Vacuum, m.VacuumLo, m.VacuumHi)
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
