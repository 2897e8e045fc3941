package engine

import (
	"math"

	"griptrial/analyze/pick"
)

// A cell is what one piece leaked at one setting: the mean of ln(Q/vⁿ), n that of the law near by.
type cell struct{ sum, n float64 }

// sharePieces takes apart what the points of l owe to the pieces. The same pieces met every
// setting: one that leaks more does so at all of them, so its share does not average out over
// the settings, nor does it tell the law's exponent. Two-way analysis of variance of the leaks'
// logarithms, pieces by settings, over the pieces that met all (Montgomery, Design and Analysis of
// Experiments, 13.3: mixed model without replicates). Points of fewer than two settings or two
// such pieces stay as they are.
func (l *MeasuredLeak) sharePieces(ambientKPa float64) {
	fit, err := FitLeak(l.Points, ambientKPa)
	if err != nil || len(l.Points) < 2 {
		return
	}
	cells := make([]map[string]*cell, len(l.Points))
	var order []string
	for s, t := range l.Tested {
		if l.Points[s].Source != FromFlow {
			return
		}
		n := fit.exponentAt(l.Points[s].VacuumKPa, ambientKPa)
		cells[s] = map[string]*cell{}
		for _, p := range t.Picks {
			v, q := p.HoldVacuumKPa.Value, p.LeakFlowLminANR.Value
			if !(v > 0 && q > 0) {
				continue
			}
			id := t.piece(p)
			c := cells[s][id]
			if c == nil {
				c = &cell{}
				cells[s][id] = c
				if s == 0 {
					order = append(order, id)
				}
			}
			c.sum += math.Log(q) - n*math.Log(v)
			c.n++
		}
	}
	var pieces []string // that met all settings
	for _, id := range order {
		all := true
		for s := range cells {
			all = all && cells[s][id] != nil
		}
		if all {
			pieces = append(pieces, id)
		}
	}
	settings, many := float64(len(cells)), float64(len(pieces))
	if many < 2 {
		return
	}
	e := make([][]float64, len(cells)) // deviations from the setting's mean
	for s := range cells {
		mean := 0.0
		for _, id := range pieces {
			mean += cells[s][id].sum / cells[s][id].n / many
		}
		for _, id := range pieces {
			e[s] = append(e[s], cells[s][id].sum/cells[s][id].n-mean)
		}
	}
	var between, within float64
	for p := range pieces {
		mean := 0.0
		for s := range e {
			mean += e[s][p] / settings
		}
		between += settings * mean * mean / (many - 1)
		for s := range e {
			within += (e[s][p] - mean) * (e[s][p] - mean) / ((settings - 1) * (many - 1))
		}
	}
	shared := math.Sqrt(max(0, between-within) / settings / many)
	for s := range l.Points {
		p := &l.Points[s]
		_, sensor := l.Tested[s].values(leakFlow)
		p.FlowU = math.Hypot(p.FlowLminANR*math.Sqrt(within/many), max(0, sensor))
		_, sensor = l.Tested[s].values(hold)
		p.VacuumU, p.Covariance = max(0, sensor), 0 // the scatter along the law is in FlowU
		p.Dof = (settings - 1) * (many - 1) / settings
		p.CommonU, p.CommonDof = shared, many-1
	}
}

// fewHeld reports whether so many of the picks did not hold that those which did tell of the
// tightest pieces only.
func (t Tested) fewHeld() bool {
	held, all := 0, 0
	for _, p := range t.Picks {
		switch p.Outcome {
		case pick.Open:
			continue
		}
		all++
		if p.HoldVacuumKPa.OK() {
			held++
		}
	}
	return float64(held) < heldShare*float64(all)
}

// heldShare is the share of a setting's picks that must have held for its leak to count.
const heldShare = 0.9
