package engine

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"griptrial/config"
)

// A MeasuredLeak is what engines are matched to: a bag under so many cups of a kind.
type MeasuredLeak struct {
	Name        string
	Points      []Point
	Settings    []string // of the engine, one for each point; "" where not known
	RequiredKPa float64
	Tested      []Tested // one for each point; nil where the points are a table's
	Left        []string // settings at which few picks held, so that their leak does not count
}

// A Question is asked of leaks: which engine holds, how soon, at what energy. Its fields are
// the what-ifs, too. NewQuestion leaves open what may be left open.
type Question struct {
	Candidates []config.Candidate
	Law        Law // "" lets the points tell

	RequiredKPa    float64 // NaN takes each leak's own
	LeakFactor     float64 // times the measured leak: a better or a worn lip; 1 as measured
	AirPressureKPa float64 // gauge, at ejectors; NaN takes that of their curves

	AmbientKPa float64
	Circuits   int     // equal circuits that pick at the same time; 1 or more
	VolumeL    float64 // of a circuit with the bag on it; NaN takes what measured seal times say
	VolumeU    float64 // its standard uncertainty; NaN for none
	Cycle      Cycle   // PicksPerMinute NaN for none
}

// NewQuestion returns a question about candidates that leaves all else open.
func NewQuestion(candidates []config.Candidate, ambientKPa float64) Question {
	nan := math.NaN()
	return Question{Candidates: candidates, RequiredKPa: nan, LeakFactor: 1, AirPressureKPa: nan, AmbientKPa: ambientKPa, Circuits: 1,
		VolumeL: nan, VolumeU: nan, Cycle: Cycle{PicksPerMinute: nan, SupplyOnS: nan, HoursPerYear: nan, SpecificEnergyKWhM3: DefaultSpecificEnergyKWhM3}}
}

// Check says in one line which field has no meaning.
func (q Question) Check() error {
	if len(q.Candidates) == 0 {
		return errors.New("no engine to match")
	}
	switch q.Law {
	case "", Power, Orifice, Laminar:
	default:
		return fmt.Errorf(`leak law %q is unknown; want "power", "orifice" or "laminar"`, q.Law)
	}
	for _, x := range []struct {
		name, unit string
		value      float64
		needed     bool
	}{
		{"ambient pressure", "kPa", q.AmbientKPa, true}, {"leak factor", "", q.LeakFactor, true}, {"required vacuum", "kPa", q.RequiredKPa, false},
		{"air pressure", "kPa", q.AirPressureKPa, false}, {"volume", "L", q.VolumeL, false}, {"volume's uncertainty", "L", q.VolumeU, false},
		{"rate", "picks a minute", q.Cycle.PicksPerMinute, false}, {"time that the supply is on", "s", q.Cycle.SupplyOnS, false},
		{"time a year", "h", q.Cycle.HoursPerYear, false}, {"specific energy of air", "kWh/m³", q.Cycle.SpecificEnergyKWhM3, true},
	} {
		if open := math.IsNaN(x.value) && !x.needed; !open && (!(x.value > 0) || math.IsInf(x.value, 0)) {
			return fmt.Errorf("the %s is %g %s; want more than 0", x.name, x.value, x.unit)
		}
	}
	switch {
	case q.RequiredKPa >= q.AmbientKPa:
		return fmt.Errorf("the required vacuum is %.4g kPa; want less than the pressure around, %.4g kPa", q.RequiredKPa, q.AmbientKPa)
	case q.Circuits < 1 || q.Circuits > 1000:
		return fmt.Errorf("%d circuits; want 1 to 1000", q.Circuits)
	case q.LeakFactor > 1000 || q.LeakFactor < 0.001:
		return fmt.Errorf("the leak factor is %g; want 0.001 to 1000", q.LeakFactor)
	case q.Cycle.SupplyOnS > q.Cycle.lengthS():
		return fmt.Errorf("the supply is on for %.4g s, longer than the cycle of %.4g s", q.Cycle.SupplyOnS, q.Cycle.lengthS())
	}
	return nil
}

// An Answer is every candidate on one leak.
type Answer struct {
	Leak    MeasuredLeak
	Fit     Fit // times the question's leak factor
	Need    Need
	Matches []Match // in the order of the candidates
}

// Answer fits the leak's law, and puts every candidate on it.
func (q Question) Answer(l MeasuredLeak) (Answer, error) {
	if err := q.Check(); err != nil {
		return Answer{}, err
	}
	fit, err := FitLeak(l.Points, q.AmbientKPa)
	if q.Law != "" {
		fit, err = FitLaw(l.Points, q.AmbientKPa, q.Law)
	}
	if err != nil {
		return Answer{}, err
	}
	a := Answer{Leak: l, Need: Need{RequiredKPa: l.RequiredKPa, AmbientKPa: q.AmbientKPa, Circuits: q.Circuits, Cycle: q.Cycle,
		Circuit: Circuit{VolumeL: q.VolumeL, VolumeU: q.VolumeU}}}
	if !math.IsNaN(q.RequiredKPa) {
		a.Need.RequiredKPa = q.RequiredKPa
	}
	if !(a.Need.RequiredKPa > 0 && a.Need.RequiredKPa < q.AmbientKPa) {
		return Answer{}, fmt.Errorf("the required vacuum is %.4g kPa; want more than 0 and less than the pressure around, %.4g kPa", a.Need.RequiredKPa, q.AmbientKPa)
	}
	if math.IsNaN(q.VolumeL) {
		a.Need.Circuit = q.measuredCircuit(l, fit)
	}
	a.Fit = fit.times(q.LeakFactor)
	for _, c := range q.Candidates {
		m, err := NewMatch(atAirPressure(c, q.AirPressureKPa, q.AmbientKPa), a.Fit, a.Need)
		if err != nil {
			return Answer{}, err
		}
		a.Matches = append(a.Matches, m)
	}
	return a, nil
}

// times returns the fit of a leak that is factor times as large at every vacuum.
func (f Fit) times(factor float64) Fit {
	f.K *= factor
	f.Cov[0][0] *= factor * factor
	f.Cov[0][1] *= factor
	f.Cov[1][0] *= factor
	others := f.Others
	f.Others = nil
	for _, o := range others {
		f.Others = append(f.Others, o.times(factor))
	}
	return f
}

// atAirPressure returns an ejector at another air pressure than its curve's, both gauge. Its
// nozzle is choked: the air that it takes goes with the absolute pressure (White, Fluid
// Mechanics, ch. 9). That with less of it flow and deepest vacuum fall in proportion to the
// gauge pressure, and with more do not grow, is a modelling choice without a source.
func atAirPressure(c config.Candidate, kPa, ambientKPa float64) config.Candidate {
	if math.IsNaN(kPa) || math.IsNaN(c.AirPressureKPa) || c.Kind != "ejector" {
		return c
	}
	c.AirLminANR *= (kPa + ambientKPa) / (c.AirPressureKPa + ambientKPa)
	share := min(kPa/c.AirPressureKPa, 1)
	points := c.Curve
	c.Curve = nil
	for _, p := range points {
		c.Curve = append(c.Curve, config.CurvePoint{VacuumKPa: p.VacuumKPa * share, FlowLminANR: p.FlowLminANR * share, PowerW: p.PowerW})
	}
	c.AirPressureKPa = kPa
	return c
}

// supplyOf returns the supply of the engine that a setup was tested on, nil where its curve is
// not known. A setting that is an air pressure counts where the engine states its curve's; any
// other is taken as the curve's where the trial has no other setting of that engine.
func (q Question) supplyOf(t Tested, all []Tested) *Supply {
	for _, c := range q.Candidates {
		if c.Name != t.Setup.Engine {
			continue
		}
		if kPa, err := config.Parse(config.Pressure, t.Setup.EngineSetting); err == nil && kPa > 0 && !math.IsNaN(c.AirPressureKPa) {
			c = atAirPressure(c, kPa, q.AmbientKPa)
		} else if slices.ContainsFunc(all, func(o Tested) bool {
			return o.Setup.Engine == t.Setup.Engine && o.Setup.EngineSetting != t.Setup.EngineSetting && t.Setup.EngineSetting != ""
		}) {
			return nil
		}
		if s, err := NewSupply(c, q.AmbientKPa); err == nil {
			return &s
		}
	}
	return nil
}

// NameOf names a leak by all of a setup but its engine.
func NameOf(s config.Setup) string {
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

// ErrNoLeak says that nothing tells of a leak.
var ErrNoLeak = errors.New("no setup has a leak: it takes a hold vacuum with a flow, or a leak-down and the volume, or a tested engine whose curve is known")

// Leaks returns the leaks of tested setups, one for each bag, cup, number, placement and tilt,
// in their order. Of a leak's settings those count at which most picks held; the others would
// tell of the tightest pieces only, and are named in its Left; where there is no better one, they
// do count. The error says that there is no leak.
func (q Question) Leaks(tested []Tested) ([]MeasuredLeak, error) {
	var leaks []MeasuredLeak
	at := map[string]int{}
	for _, few := range []bool{false, true} {
		for _, t := range tested {
			if t.fewHeld() != few {
				continue
			}
			p, ok := t.Point(q.VolumeL, q.VolumeU, q.supplyOf(t, tested))
			if !ok {
				continue
			}
			setting := t.Setup.Engine
			if t.Setup.EngineSetting != "" {
				setting += ", " + t.Setup.EngineSetting
			}
			if setting == "" {
				setting = t.Setup.Name
			}
			name := NameOf(t.Setup)
			i, known := at[name]
			if known && few {
				leaks[i].Left = append(leaks[i].Left, setting)
				continue
			}
			if !known {
				i = len(leaks)
				at[name] = i
				leaks = append(leaks, MeasuredLeak{Name: name, RequiredKPa: t.RequiredKPa})
			}
			l := &leaks[i]
			l.Points, l.Settings, l.Tested = append(l.Points, p), append(l.Settings, setting), append(l.Tested, t)
			if few {
				l.Left = append(l.Left, setting)
			}
		}
	}
	if leaks == nil {
		return nil, ErrNoLeak
	}
	for i := range leaks {
		leaks[i].sharePieces(q.AmbientKPa)
	}
	return leaks, nil
}

// measuredCircuit returns the circuit that the leak's measured seal times tell, each to the
// vacuum that was required in the trial.
func (q Question) measuredCircuit(l MeasuredLeak, fit Fit) Circuit {
	var all []Calibration
	for _, t := range l.Tested {
		if s := q.supplyOf(t, l.Tested); s != nil {
			all = append(all, Calibration{*s, t.crossings(), t.startKPa()})
		}
	}
	return MeasuredCircuit(fit, all)
}
