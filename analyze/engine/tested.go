package engine

import (
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
	Stations    map[string]Station // by name; those without a volume may be missing
}

// A Station is what the rig says about a station's circuit. Numbers that it does not say are NaN.
type Station struct {
	VolumeL, VolumeU     float64
	BlankLminANR, BlankU float64 // what the rig itself leaks
}

// hold returns the hold vacuum of a pick.
func hold(p pick.Pick) analyze.Figure { return p.HoldVacuumKPa }

// values returns the figures' values: means of the runs where two runs or more have one, else
// those of the picks. With a single value u is its figure's own.
func (t Tested) values(of func(pick.Pick) analyze.Figure) (all []float64, u float64) {
	byRun := map[int][]float64{}
	var runs []int // in the order of the picks, so that sums come out the same each time
	u = math.NaN()
	for _, p := range t.Picks {
		f := of(p)
		if !f.OK() {
			continue
		}
		if byRun[p.Run] == nil {
			runs = append(runs, p.Run)
		}
		byRun[p.Run] = append(byRun[p.Run], f.Value)
		all = append(all, f.Value)
		u = f.U
	}
	if len(runs) > 1 {
		all = all[:0]
		for _, r := range runs {
			m, _ := moments(byRun[r])
			all = append(all, m)
		}
	}
	return all, u
}

// mean returns the mean of a figure, its standard uncertainty and degrees of freedom, from the
// scatter of its values; of a single value the figure's own.
func (t Tested) mean(of func(pick.Pick) analyze.Figure) (mean, u, dof float64) {
	all, one := t.values(of)
	switch len(all) {
	case 0:
		return math.NaN(), math.NaN(), 0
	case 1:
		return all[0], one, math.Inf(1)
	}
	mean, sd := moments(all)
	n := float64(len(all))
	return mean, sd / math.Sqrt(n), n - 1
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
	flow := func(p pick.Pick) analyze.Figure { return p.LeakFlowLminANR }
	p.FlowLminANR, p.FlowU, p.Dof = t.mean(flow)
	p.Source = FromFlow
	if p.VacuumKPa > 0 && p.FlowLminANR > 0 {
		p.Covariance = t.covariance(hold, flow)
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

// SealTime returns the median seal time, and the median delay from command to response that is
// part of it: 0 where seal time counts from contact. NaN without a seal.
func (t Tested) SealTime() (sealS, delayS float64) {
	var seal, delay []float64
	for _, p := range t.Picks {
		if p.SealTimeS.OK() {
			seal = append(seal, p.SealTimeS.Value)
			if p.SealFrom == "supply" && p.ResponseDelayS.OK() {
				delay = append(delay, p.ResponseDelayS.Value)
			}
		}
	}
	d := median(delay)
	if math.IsNaN(d) {
		d = 0
	}
	return median(seal), d
}

func median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Sorted(slices.Values(x))
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

// A Calibration is a measured seal time on a known engine.
type Calibration struct {
	Supply            Supply
	RequiredKPa       float64
	SealTimeS, DelayS float64
}

// MeasuredCircuit returns the circuit whose volume makes the measured seal times come out: the
// mean over the calibrations, with their scatter. VolumeL is NaN where there is none.
func MeasuredCircuit(fit Fit, all []Calibration) Circuit {
	var volumes, delays []float64
	for _, c := range all {
		if v := EffectiveVolumeL(c.Supply, fit, c.RequiredKPa, c.SealTimeS-c.DelayS); v > 0 {
			volumes, delays = append(volumes, v), append(delays, c.DelayS)
		}
	}
	if len(volumes) == 0 {
		return Circuit{VolumeL: math.NaN(), VolumeU: math.NaN()}
	}
	mean, sd := moments(volumes)
	return Circuit{VolumeL: mean, VolumeU: sd, Measured: true, DelayS: median(delays)}
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
