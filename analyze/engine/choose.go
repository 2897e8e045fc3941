package engine

import (
	"fmt"
	"math"
	"slices"

	"griptrial/analyze"
	"griptrial/config"
)

// A Need is what the line asks of an engine.
type Need struct {
	RequiredKPa float64 // at the cup
	AmbientKPa  float64
	Circuits    int     // equal circuits that pick at the same time; 1 or more
	Circuit     Circuit // one of them; VolumeL NaN where not known
	Cycle       Cycle   // PicksPerMinute NaN where not known
}

// A Match is an engine on a leak.
type Match struct {
	Of        config.Candidate
	Supply    Supply
	Operating Operating // one engine for each circuit
	Work
	Central Work // one engine for all circuits; as Work with one circuit
}

// Work is what an arrangement of engines does.
type Work struct {
	VacuumKPa    analyze.Figure
	FlowLminANR  float64
	Holds, Shown bool    // the required vacuum: by value, and by the whole interval
	MarginKPa    float64 // value less required
	AirLminANR   float64 // of all engines; NaN for none
	PowerW       float64 // electric, of all engines; NaN for none
	SealTimeS    analyze.Figure
	PickJ        float64 // of all circuits, a cycle; NaN without a cycle
	YearKWh      float64
	HoldsShutS   float64 // how long the required vacuum lasts with the supply shut
}

// NewSupply returns a candidate's supply at the place.
func NewSupply(c config.Candidate, ambientKPa float64) (Supply, error) {
	curve, err := NewCurve(column(c, func(p config.CurvePoint) float64 { return p.VacuumKPa }), column(c, func(p config.CurvePoint) float64 { return p.FlowLminANR }))
	if err != nil {
		return Supply{}, fmt.Errorf("engine %q: %w", c.Name, err)
	}
	s := Supply{Curve: curve, CurveKPa: c.CurveKPa, AmbientKPa: ambientKPa}
	if c.HoseLengthM > 0 {
		s.Hose = Hose{c.HoseDiameterMM, c.HoseLengthM}
	}
	if c.LineC > 0 {
		s.Line = []Restriction{{c.LineC, c.LineB}}
	}
	return s, nil
}

func column(c config.Candidate, of func(config.CurvePoint) float64) []float64 {
	out := make([]float64, len(c.Curve))
	for i, p := range c.Curve {
		out[i] = of(p)
	}
	return out
}

// NewMatch puts a candidate on a leak.
func NewMatch(c config.Candidate, fit Fit, need Need) (Match, error) {
	s, err := NewSupply(c, need.AmbientKPa)
	if err != nil {
		return Match{}, err
	}
	m := Match{Of: c, Supply: s, Operating: Operate(s, fit, 1)}
	m.Work = m.work(m.Operating, fit, need, 1, float64(need.Circuits))
	m.Central = m.Work
	if need.Circuits > 1 {
		m.Central = m.work(Operate(s, fit, float64(need.Circuits)), fit, need, float64(need.Circuits), 1)
	}
	return m, nil
}

// work returns what so many engines with so many circuits each do.
func (m Match) work(o Operating, fit Fit, need Need, circuits, engines float64) Work {
	w := Work{VacuumKPa: o.VacuumKPa, FlowLminANR: o.FlowLminANR, MarginKPa: o.VacuumKPa.Value - need.RequiredKPa,
		AirLminANR: engines * m.Of.AirLminANR, PowerW: engines * m.powerAt(o.EngineVacuumKPa), SealTimeS: analyze.None()}
	w.Holds, w.Shown = o.Holds(need.RequiredKPa)
	w.PickJ = need.Cycle.PickJ(w.AirLminANR, w.PowerW)
	w.YearKWh = need.Cycle.YearKWh(w.PickJ)
	c := need.Circuit
	w.HoldsShutS = HoldsShutS(fit, c.VolumeL, o.VacuumKPa.Value, need.RequiredKPa)
	if c.VolumeL > 0 {
		c.VolumeL *= circuits
		c.VolumeU *= circuits
		w.SealTimeS = SealTime(m.Supply, fit, circuits, need.RequiredKPa, c)
	}
	return w
}

// powerAt returns the electric power at the engine's vacuum.
func (m Match) powerAt(v float64) float64 {
	power := column(m.Of, func(p config.CurvePoint) float64 { return p.PowerW })
	if math.IsNaN(power[0]) {
		return m.Of.PowerW
	}
	x := column(m.Of, func(p config.CurvePoint) float64 { return p.VacuumKPa })
	curve, err := NewCurve(x, power)
	if err != nil {
		return math.NaN()
	}
	return curve.At(v / m.Supply.ratio())
}

// Cheapest returns the index of the engine, and whether as one for all circuits, with the least
// energy a pick among the arrangements that are shown to hold, else among those that hold by
// value; -1 where none does. Without a cycle it goes by electric power, compressed air at the
// default specific energy.
func Cheapest(all []Match) (best int, central, shown bool) {
	best = -1
	cost := func(w Work) float64 {
		if !math.IsNaN(w.PickJ) {
			return w.PickJ
		}
		return Cycle{PicksPerMinute: 60, SupplyOnS: 1, SpecificEnergyKWhM3: DefaultSpecificEnergyKWhM3}.PickJ(w.AirLminANR, w.PowerW)
	}
	var least float64
	try := func(i int, w Work, one bool) {
		switch {
		case !w.Holds || shown && !w.Shown:
		case best < 0, w.Shown && !shown, cost(w) < least:
			best, central, shown, least = i, one, w.Shown, cost(w)
		}
	}
	for i, m := range all {
		try(i, m.Work, false)
		try(i, m.Central, true)
	}
	return best, central, shown
}

// A Drawing is curves over vacuum for a plot.
type Drawing struct {
	VacuumKPa            []float64
	Leak, LeakLo, LeakHi []float64   // L/min ANR; the band is at 95 %
	Engines              [][]float64 // of each match, at the cup; NaN beyond its curve
}

// Draw samples the curves at n vacuums from 0 to the deepest of the engines, and at the end of
// each engine's.
func Draw(all []Match, fit Fit, n int) Drawing {
	var d Drawing
	deepest := fit.TestedToKPa
	for _, m := range all {
		deepest = max(deepest, m.Supply.deepest())
	}
	d.Engines = make([][]float64, len(all))
	t := 0.0
	if fit.Dof > 0 {
		t = StudentT(fit.Dof)
	}
	at := make([]float64, n)
	for i := range at {
		at[i] = deepest * math.Pow(float64(i)/float64(n-1), 1.5) // closer where the leak is steep
	}
	for _, m := range all { // so that every curve is drawn to its end
		at = append(at, m.Supply.deepest())
	}
	slices.Sort(at)
	for _, v := range slices.Compact(at) {
		q := fit.flow(1)(v)
		lo, hi := q, q
		if t > 0 && v > 0 {
			u := t * fit.delta(func(f Fit) float64 { return f.flow(1)(v) })
			lo, hi = max(0, q-u), q+u
		}
		for _, other := range fit.Others {
			x := other.flow(1)(v)
			lo, hi = min(lo, x), max(hi, x)
		}
		d.VacuumKPa = append(d.VacuumKPa, v)
		d.Leak, d.LeakLo, d.LeakHi = append(d.Leak, q), append(d.LeakLo, lo), append(d.LeakHi, hi)
		for k, m := range all {
			y := math.NaN()
			if v <= m.Supply.deepest() {
				y = m.Supply.Flow(v)
			}
			d.Engines[k] = append(d.Engines[k], y)
		}
	}
	return d
}
