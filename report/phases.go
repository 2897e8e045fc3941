package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
)

// energyPhases writes, for each setup with any, the median energy of the phases of its picks,
// and what shutting the supply in the hold would save.
func energyPhases(w io.Writer, rows []Row) {
	phases := []struct {
		name string
		of   func(p *pick.Pick) *analyze.Figure
	}{
		{"approach", func(p *pick.Pick) *analyze.Figure { return &p.ApproachJ }},
		{"evacuate", func(p *pick.Pick) *analyze.Figure { return &p.EvacuateJ }},
		{"hold", func(p *pick.Pick) *analyze.Figure { return &p.HoldJ }},
		{"release", func(p *pick.Pick) *analyze.Figure { return &p.ReleaseJ }},
		{"saved by shutting the supply in the hold", func(p *pick.Pick) *analyze.Figure { return &p.ShutSavesJ }},
	}
	var order []string
	by := map[string][]*pick.Pick{}
	var names []string
	for i := range rows {
		s := rows[i].Setup
		names = append(names, s)
		if by[s] == nil {
			order = append(order, s)
		}
		by[s] = append(by[s], &rows[i].Pick)
	}
	letters := letterSetups(names)
	wrote := false
	for _, s := range order {
		var parts []string
		for _, ph := range phases {
			var x []float64
			for _, p := range by[s] {
				if f := ph.of(p); f.OK() {
					x = append(x, f.Value)
				}
			}
			if len(x) > 0 {
				parts = append(parts, ph.name+" "+threeDigits(stats.Median(x)))
			}
		}
		if len(parts) == 0 {
			continue
		}
		if !wrote {
			fmt.Fprintln(w, "energy of the phases, medians in J:")
			wrote = true
		}
		fmt.Fprintln(w, strings.TrimSpace(letters.of[s]+"  "+strings.Join(parts, ", ")))
	}
	if wrote {
		fmt.Fprintln(w)
	}
}

// threeDigits returns x with three digits, or as many as it has before the point.
func threeDigits(x float64) string {
	if math.Abs(x) >= 1000 {
		return fmt.Sprintf("%.0f", x)
	}
	return fmt.Sprintf("%.3g", x)
}

// airEnergy says at what specific energy compressed air was counted, where it is a default.
func airEnergy(w io.Writer, f PicksJSON) {
	if a := f.AirEnergy; a != nil && a.Default {
		fmt.Fprintf(w, "compressed air counted at %.3f ± %.3f kWh/m³ ANR, a default: 0.10 to 0.14 taken as equally likely; a meter of your own is better\n", float64(a.KWhM3), float64(a.U))
	}
}

// An AirEnergyJSON is the specific energy at which compressed air was counted.
type AirEnergyJSON struct {
	KWhM3   analyze.Number `json:"specific_energy_kWh_m3"`
	U       analyze.Number `json:"u"`
	Default bool           `json:"default"` // nobody stated it
}
