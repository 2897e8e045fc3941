package engine

import (
	"fmt"
	"math"
	"slices"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/config"
)

// A Tested is one setup of a trial with its picks.
type Tested struct {
	Setup       config.Setup
	RequiredKPa float64 // of the setup, in the trial
	Picks       []pick.Pick
	Pieces      map[int]string     // by run; a run without one counts as a piece of its own
	Stations    map[string]Station // by name; those without a volume may be missing
}

// A Station is what the rig says about a station's circuit. Numbers that it does not say are NaN.
type Station struct {
	VolumeL, VolumeU     float64
	BlankLminANR, BlankU float64 // what the rig itself leaks
	IdleBandKPa          float64
}

// hold returns the hold vacuum of a pick.
func hold(p pick.Pick) analyze.Figure { return p.HoldVacuumKPa }

// leakFlow returns the leak flow of a pick.
func leakFlow(p pick.Pick) analyze.Figure { return p.LeakFlowLminANR }

// piece names what a pick was made on: the piece, else its run.
func (t Tested) piece(p pick.Pick) string {
	if id := t.Pieces[p.Run]; id != "" {
		return "piece " + id
	}
	return fmt.Sprint("run ", p.Run)
}

// values returns the figures' values: means of the pieces where two pieces or more have one,
// else those of the picks; with the median of their own standard uncertainties.
func (t Tested) values(of func(pick.Pick) analyze.Figure) (all []float64, u float64) {
	by := map[string][]float64{}
	var pieces []string // in the order of the picks, so that sums come out the same each time
	var us []float64
	for _, p := range t.Picks {
		f := of(p)
		if !f.OK() {
			continue
		}
		id := t.piece(p)
		if by[id] == nil {
			pieces = append(pieces, id)
		}
		by[id] = append(by[id], f.Value)
		all, us = append(all, f.Value), append(us, f.U)
	}
	if len(pieces) > 1 {
		all = all[:0]
		for _, id := range pieces {
			m, _ := moments(by[id])
			all = append(all, m)
		}
	}
	return all, median(us)
}

// mean returns the mean of a figure, its standard uncertainty and degrees of freedom, from the
// scatter of its values and from their own uncertainty, which is mostly the sensor's and does
// not average out; of a single value that alone.
func (t Tested) mean(of func(pick.Pick) analyze.Figure) (mean, u, dof float64) {
	all, own := t.values(of)
	switch len(all) {
	case 0:
		return math.NaN(), math.NaN(), 0
	case 1:
		return all[0], own, math.Inf(1)
	}
	mean, sd := moments(all)
	n := float64(len(all))
	return mean, math.Hypot(sd/math.Sqrt(n), max(0, own)), n - 1
}

// covariance returns that of the means of two figures, 0 where they are not had in pairs.
func (t Tested) covariance(a, b func(pick.Pick) analyze.Figure) float64 {
	pairs := Tested{Setup: t.Setup}
	for _, p := range t.Picks {
		if a(p).OK() && b(p).OK() {
			pairs.Picks = append(pairs.Picks, p)
		}
	}
	x, _ := pairs.values(a)
	y, _ := pairs.values(b)
	if len(x) < 2 {
		return 0
	}
	mx, _ := moments(x)
	my, _ := moments(y)
	sum := 0.0
	for i := range x {
		sum += (x[i] - mx) * (y[i] - my)
	}
	n := float64(len(x))
	return sum / (n - 1) / n
}

// moments returns the mean and the standard deviation; the latter is NaN below two values.
func moments(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	if len(x) < 2 {
		return mean, math.NaN()
	}
	return mean, math.Sqrt(sd)
}

// Sources of leak points.
const (
	FromFlow     = "flow in the hold"
	FromLeakDown = "leak-down × volume"
	FromLeakLaw  = "leak-down × volume, with the law of its fall"
	FromCurve    = "the tested engine's curve at the hold vacuum"
)

// Point returns the leak of the setup: from the flow measured in the hold, at the hold vacuum;
// else from the leak-down and the circuit's volume, at the median vacuum of its window, with
// the exponent of its law where most picks tell it; else from the tested engine's own curve at
// the hold vacuum, where its supply is given. volumeL goes before the stations' own; NaN for
// none. ok is false where there is no point.
func (t Tested) Point(volumeL, volumeU float64, s *Supply) (p Point, ok bool) {
	p.VacuumKPa, p.VacuumU, _ = t.mean(hold)
	p.FlowLminANR, p.FlowU, p.Dof = t.mean(leakFlow)
	p.Source = FromFlow
	if p.VacuumKPa > 0 && p.FlowLminANR > 0 {
		p.Covariance = t.covariance(hold, leakFlow)
		return p, true
	}
	if down, ok := t.leakDown(volumeL, volumeU); ok {
		return down, true
	}
	if s == nil || !(p.VacuumKPa > 0) {
		return p, false
	}
	p.FlowLminANR = s.Flow(p.VacuumKPa)
	h := 1e-3 * p.VacuumKPa
	p.FlowU = math.Abs(s.Flow(p.VacuumKPa+h)-s.Flow(p.VacuumKPa-h)) / (2 * h) * p.VacuumU
	p.VacuumU, p.Dof, p.Source = 0, math.Inf(1), FromCurve // all of it is in FlowU
	return p, p.FlowLminANR > 0
}

// leakDown returns the point that leak-downs give: Q = V·dv/dt·60/100, isothermal, less what
// the rig itself leaks.
func (t Tested) leakDown(volumeL, volumeU float64) (p Point, ok bool) {
	vacuum := func(p pick.Pick) analyze.Figure {
		if p.LeakDownVacuumKPa.OK() {
			return p.LeakDownVacuumKPa
		}
		return p.HoldVacuumKPa
	}
	flow := func(p pick.Pick) analyze.Figure {
		own, known := t.Stations[p.Station]
		v := volumeL
		if math.IsNaN(v) && known {
			v = own.VolumeL
		}
		if !(v > 0) || !p.LeakDownKPaS.OK() || !vacuum(p).OK() {
			return analyze.None()
		}
		perFall := v * 60 / anrKPa
		q, u := -p.LeakDownKPaS.Value*perFall, p.LeakDownKPaS.U*perFall
		if k, n := p.LeakLawKLminANR, p.LeakLawN; known && k.OK() && n.OK() { // the slope is the window's mean, the law's that at its middle
			q = k.Value * math.Pow(vacuum(p).Value, n.Value) * v / own.VolumeL
		}
		if known && own.BlankLminANR > 0 {
			q -= own.BlankLminANR
			if own.BlankU > 0 {
				u = math.Hypot(u, own.BlankU)
			}
		}
		return analyze.Figure{Value: q, U: u}
	}
	p.VacuumKPa, p.VacuumU, _ = t.mean(vacuum)
	p.FlowLminANR, p.FlowU, p.Dof = t.mean(flow)
	if !(p.VacuumKPa > 0 && p.FlowLminANR > 0) {
		return p, false
	}
	p.Source, p.Covariance = FromLeakDown, t.covariance(vacuum, flow)
	exponent := func(p pick.Pick) analyze.Figure { return p.LeakLawN }
	told, falls := 0, 0
	for _, x := range t.Picks {
		if flow(x).OK() {
			falls++
			if exponent(x).OK() {
				told++
			}
		}
		if own := t.Stations[x.Station]; math.IsNaN(volumeL) && own.VolumeU > 0 && own.VolumeL > 0 {
			p.CommonU = max(p.CommonU, own.VolumeU/own.VolumeL)
		}
	}
	if volumeU > 0 {
		p.CommonU = volumeU / volumeL
	}
	if 2*told > falls {
		p.Exponent, p.ExponentU, _ = t.mean(exponent)
		p.Source = FromLeakLaw
	}
	return p, true
}

// HoldVacuum returns the setup's measured hold vacuum with its 95 % interval.
func (t Tested) HoldVacuum() analyze.Figure {
	return interval(t.mean(hold))
}

func interval(mean, u, dof float64) analyze.Figure {
	if math.IsNaN(mean) {
		return analyze.None()
	}
	f := analyze.Figure{Value: mean, U: u, Lo: math.NaN(), Hi: math.NaN()}
	if dof > 0 {
		k := StudentT(dof)
		f.Lo, f.Hi = mean-k*u, mean+k*u
	}
	return f
}

// SealTime returns the median seal time; NaN without a seal.
func (t Tested) SealTime() float64 {
	return median(t.all(func(p pick.Pick) analyze.Figure { return p.SealTimeS }))
}

// all returns the values of a figure.
func (t Tested) all(of func(pick.Pick) analyze.Figure) (x []float64) {
	for _, p := range t.Picks {
		if f := of(p); f.OK() {
			x = append(x, f.Value)
		}
	}
	return x
}

// crossings returns when picks passed which vacuum, counted from where seal time counts: the
// required one, and where that is the supply's command, the idle band's end too.
func (t Tested) crossings() (all []Crossing) {
	if s := t.SealTime(); !math.IsNaN(s) {
		all = append(all, Crossing{t.RequiredKPa, s})
	}
	fromSupply := Tested{}
	for _, p := range t.Picks {
		if p.SealTimeS.OK() && p.SealFrom == "supply" {
			fromSupply.Picks = append(fromSupply.Picks, p)
		}
	}
	if 2*len(fromSupply.Picks) <= len(t.Picks) {
		return all
	}
	band := idleBandKPa
	if own, known := t.Stations[fromSupply.Picks[0].Station]; known && own.IdleBandKPa > 0 {
		band = own.IdleBandKPa
	}
	if d := median(fromSupply.all(func(p pick.Pick) analyze.Figure { return p.ResponseDelayS })); d > 0 && band < t.RequiredKPa {
		all = append(all, Crossing{band, d})
	}
	return all
}

// startKPa returns the median vacuum of open cups at contact where most seal times count from
// contact with the supply on before; else 0.
func (t Tested) startKPa() float64 {
	var open []float64
	seals := 0
	for _, p := range t.Picks {
		if p.SealTimeS.OK() {
			seals++
			if p.SealFrom != "supply" && p.OpenSuctionKPa.OK() {
				open = append(open, p.OpenSuctionKPa.Value)
			}
		}
	}
	if 2*len(open) <= seals {
		return 0
	}
	return median(open)
}

// idleBandKPa is the idle band of stations that do not state theirs.
const idleBandKPa = 3.0

func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Sorted(slices.Values(x))
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

// A Crossing is when the vacuum passed a level, counted from where seal time counts.
type Crossing struct{ KPa, TimeS float64 }

// A Calibration is what was measured on a known engine.
type Calibration struct {
	Supply    Supply
	Crossings []Crossing
	StartKPa  float64 // what it draws through the open cups, where times count from contact; else 0
}

// MeasuredCircuit returns the circuit whose volume and delay make the measured crossings come
// out, by least squares. The delay, 0 or more, is told from the volume where times per litre
// differ by half or more, else it is 0. Times are taken as good to 1 ms, 2 %, and what a leak of
// 5 % more or less makes of them: close to where the engine ends, that is most. VolumeU is from
// their misfit; NaN where they tell none. VolumeL is NaN without a crossing.
func MeasuredCircuit(fit Fit, all []Calibration) Circuit {
	type row struct {
		at     Calibration
		kPa    float64
		timeS  float64
		weight float64
	}
	var rows []row
	var open []float64
	c := Circuit{VolumeL: math.NaN(), VolumeU: math.NaN()}
	least, most, lo, hi := math.Inf(1), 0.0, math.Inf(1), 0.0
	for _, x := range all {
		x.Supply = x.Supply.atCup()
		if v := x.StartKPa; v > 0 {
			open = append(open, x.Supply.Flow(v)/ISO6358(x.Supply.AmbientKPa, anrK, x.Supply.AmbientKPa-v, 1, openB, 0.5))
		}
		for _, y := range x.Crossings {
			litre := func(factor float64) float64 { // isothermal
				return Circuit{VolumeL: 1}.takesS(x.Supply, fit.times(factor), 1, x.StartKPa, y.KPa)
			}
			per, more, less := litre(1), litre(1.05), litre(0.95)
			if !(per > 0) || math.IsInf(more, 0) || !(y.TimeS > 0) {
				continue
			}
			u := math.Hypot(0.001+0.02*y.TimeS, (more-less)/2/per*y.TimeS)
			rows = append(rows, row{x, y.KPa, y.TimeS, 1 / (u * u)})
			least, most = min(least, per), max(most, per)
			lo, hi = min(lo, y.TimeS/per), max(hi, y.TimeS/per)
		}
	}
	if open != nil {
		c.OpenC = median(open)
	}
	if rows == nil {
		return c
	}
	c.Measured, c.WarmS = true, thermalS
	delayed := most >= 1.5*least
	took := make([]float64, len(rows))
	try := func(volumeL float64) (delayS, misfit float64) {
		c.VolumeL = volumeL
		var sum, n float64
		for i, r := range rows {
			took[i] = c.takesS(r.at.Supply, fit, 1, r.at.StartKPa, r.kPa)
			sum += r.weight * (r.timeS - took[i])
			n += r.weight
		}
		if delayed {
			delayS = max(0, sum/n)
		}
		for i, r := range rows {
			d := r.timeS - delayS - took[i]
			misfit += r.weight * d * d
		}
		return delayS, misfit
	}
	// At constant temperature and without a delay the volume lies from lo to hi; warming takes up
	// to 1.4 of it, a delay any part.
	best := lowest(func(x float64) float64 { _, m := try(math.Exp(x)); return m }, math.Log(lo/5), math.Log(1.5*hi))
	var misfit float64
	c.DelayS, misfit = try(math.Exp(best))
	parameters := 1.0
	if delayed {
		parameters++
	}
	if left := float64(len(rows)) - parameters; left > 0 {
		var info float64 // ∂t/∂V is t/V but for the warmth
		for i, r := range rows {
			info += r.weight * took[i] * took[i] / (c.VolumeL * c.VolumeL)
		}
		c.VolumeU = math.Sqrt(misfit / left / info)
	}
	return c
}

// PointsOf returns the points of a table, with the names of their settings. Rows with the same
// setting are runs of it: their mean is the point, and its uncertainty is from the runs'
// scatter, pooled over all settings as a share of the flow, each point's by its number of runs.
func PointsOf(rows []config.LeakRow) (points []Point, settings []string) {
	const source = "leak points as given"
	groups := map[string][]config.LeakRow{}
	for _, r := range rows {
		if r.Setting == "" {
			points = append(points, Point{VacuumKPa: r.VacuumKPa, FlowLminANR: r.FlowLminANR, VacuumU: r.VacuumU, FlowU: r.FlowU, Dof: math.Inf(1), Source: source})
			settings = append(settings, "")
			continue
		}
		if groups[r.Setting] == nil {
			settings = append(settings, r.Setting)
			points = append(points, Point{})
		}
		groups[r.Setting] = append(groups[r.Setting], r)
	}
	var shareQ, shareV, shareVQ, dof float64
	for i, name := range settings {
		g := groups[name]
		if name == "" || len(g) == 0 {
			continue
		}
		var v, q []float64
		for _, r := range g {
			v, q = append(v, r.VacuumKPa), append(q, r.FlowLminANR)
		}
		meanV, sdV := moments(v)
		meanQ, sdQ := moments(q)
		points[i] = Point{VacuumKPa: meanV, FlowLminANR: meanQ, VacuumU: g[0].VacuumU, FlowU: g[0].FlowU, Dof: math.Inf(1), Source: source}
		if n := float64(len(g)); n > 1 {
			shareQ += (n - 1) * sdQ * sdQ / (meanQ * meanQ)
			shareV += (n - 1) * sdV * sdV / (meanV * meanV)
			for k := range v {
				shareVQ += (v[k] - meanV) * (q[k] - meanQ) / (meanV * meanQ)
			}
			dof += n - 1
		}
	}
	if dof == 0 {
		return points, settings
	}
	for i, name := range settings {
		if g := groups[name]; name != "" && len(g) > 0 {
			n := float64(len(g))
			points[i].FlowU = points[i].FlowLminANR * math.Sqrt(shareQ/dof/n)
			points[i].VacuumU = points[i].VacuumKPa * math.Sqrt(shareV/dof/n)
			points[i].Covariance = points[i].VacuumKPa * points[i].FlowLminANR * shareVQ / dof / n
			points[i].Dof = dof / float64(len(groups)) // together dof
			points[i].Source = source + ", variance from runs"
		}
	}
	return points, settings
}
