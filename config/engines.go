package config

import (
	"math"
)

// A Candidate is an engine that might be used: its curve, and what it draws. Numbers that the
// file does not state are NaN.
type Candidate struct {
	Name           string
	Kind           string       // "ejector", "pump" or "blower"
	Curve          []CurvePoint // vacuum rising, flow never rising
	AirLminANR     float64      // compressed air while it runs
	PowerW         float64      // electric power, where stated once
	CurveKPa       float64      // ambient at which the curve was taken
	AirPressureKPa float64      // of an ejector: gauge, for which curve and air are stated

	HoseDiameterMM, HoseLengthM float64 // of the line to the cup
	LineC, LineB                float64 // restriction in the line (ISO 6358): dm³/(s·bar), ratio
}

// A CurvePoint is a point of an engine's curve.
type CurvePoint struct{ VacuumKPa, FlowLminANR, PowerW float64 }

// LoadEngines reads the file of engines at path. See ParseEngines.
func LoadEngines(path string) ([]Candidate, error) {
	text, err := load(path)
	if err != nil {
		return nil, err
	}
	return ParseEngines(path, text)
}

// ParseEngines reads the text of a file of engines; name is what messages call it. The error
// is Faults, everything wrong in file order, and then there are no engines.
func ParseEngines(name string, text []byte) ([]Candidate, error) {
	const want = "a mapping with engines"
	f, top := readYAML(name, text, want)
	if top == nil {
		return nil, f.faults.asError()
	}
	var all []Candidate
	const one = "engines such as {name: small ejector, kind: ejector, curve: [...], air: 60 L/min ANR}"
	if top.require("engines", one) {
		first := map[string]*value{}
		for _, v := range top.list("engines", one) {
			c := candidate(v)
			if was := first[c.Name]; was != nil && c.Name != "" {
				v.where("name").fault("%q is already the name of the engine in line %d", c.Name, was.line)
			} else {
				first[c.Name] = v
			}
			all = append(all, c)
		}
	}
	top.finish()
	if err := f.faults.asError(); err != nil {
		return nil, err
	}
	return all, nil
}

func candidate(v *value) Candidate {
	nan := math.NaN()
	c := Candidate{HoseDiameterMM: nan, HoseLengthM: nan, LineC: nan, LineB: nan}
	if v.require("name", `a name such as "small ejector"`) {
		c.Name = v.name("name")
	}
	if v.require("kind", "ejector, pump or blower") {
		c.Kind = v.choice("kind", "ejector", "pump", "blower")
	}
	c.AirLminANR = v.quantity("air", Flow, positive)
	c.PowerW = v.quantity("power", Power, positive)
	c.CurveKPa = v.quantity("ambient", Pressure, between(Pressure, 50, 110))
	c.AirPressureKPa = v.quantity("air_pressure", Pressure, positive)
	const point = "points such as {vacuum: 20 kPa, flow: 40 L/min ANR}"
	powers := 0
	if v.require("curve", point) {
		items := v.list("curve", point)
		for i, p := range items {
			var x CurvePoint
			if p.require("vacuum", Pressure.want()) {
				x.VacuumKPa = p.quantity("vacuum", Pressure, between(Pressure, 0, 110))
			}
			if p.require("flow", Flow.want()) {
				x.FlowLminANR = p.quantity("flow", Flow, notNegative)
			}
			x.PowerW = p.quantity("power", Power, positive)
			if p.has("power") {
				powers++
			}
			p.finish()
			if i > 0 {
				before := c.Curve[i-1]
				if x.VacuumKPa <= before.VacuumKPa {
					p.where("vacuum").fault("%s does not lie beyond the point before, %s; want rising vacuums", Pressure.Format(x.VacuumKPa), Pressure.Format(before.VacuumKPa))
				}
				if x.FlowLminANR > before.FlowLminANR {
					p.where("flow").fault("%s is more than at the point before, %s; want flows that do not rise with vacuum", Flow.Format(x.FlowLminANR), Flow.Format(before.FlowLminANR))
				}
			}
			c.Curve = append(c.Curve, x)
		}
		switch n := len(items); {
		case n == 1:
			v.where("curve").fault("found one point; want two or more")
		case n > 1 && c.Curve[0].VacuumKPa > 0:
			items[0].where("vacuum").fault("the first point lies at %s; want the free flow, at 0 kPa", Pressure.Format(c.Curve[0].VacuumKPa))
		case powers > 0 && powers < n:
			v.where("curve").fault("%d of %d points state a power; want all, or one power beside the curve", powers, n)
		}
		if powers > 0 {
			v.refuse("the points of the curve state the power", "power")
		}
	}
	if v.has("kind") && c.Kind == "ejector" && !v.has("air") {
		v.where("air").fault("not stated; want the compressed air that it draws such as %q", "60 L/min ANR")
	}
	if c.Kind != "ejector" && v.has("air_pressure") {
		v.where("air_pressure").fault("a %s takes no compressed air; want it for ejectors only", c.Kind)
	}
	if (c.Kind == "pump" || c.Kind == "blower") && !v.has("power") && powers == 0 {
		v.where("power").fault("not stated; want the electric power such as %q, once or at every point of the curve", "800 W")
	}
	if h := v.mapping("hose", "a mapping such as {diameter: 9 mm, length: 2 m}"); h != nil {
		if h.require("diameter", Length.want()) {
			c.HoseDiameterMM = h.quantity("diameter", Length, positive)
		}
		if h.require("length", Length.want()) {
			c.HoseLengthM = h.quantity("length", Length, positive) / 1000
		}
		h.finish()
	}
	if r := v.mapping("restriction", "a mapping such as {conductance: 2 dm3/(s bar), b: 0.3}"); r != nil {
		if r.require("conductance", Conductance.want()) {
			c.LineC = r.quantity("conductance", Conductance, positive)
		}
		if r.require("b", "the critical pressure ratio such as 0.3") {
			if b := r.get("b"); b != nil {
				c.LineB = b.asNumber("a number from 0 to less than 1")
				if c.LineB < 0 || c.LineB >= 1 {
					b.fault("%s is impossible; want a number from 0 to less than 1", quote(b.text))
				}
			}
		}
		r.finish()
	}
	v.finish()
	return c
}
