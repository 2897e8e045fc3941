package simulator

import (
	"fmt"
	"math"
	"slices"
)

// An EngineKind is a way to make vacuum.
type EngineKind string

// The kinds of engine.
const (
	Ejector EngineKind = "ejector"
	Pump    EngineKind = "pump"   // displacement
	Blower  EngineKind = "blower" // side channel
)

// An Engine is a vacuum generator. What an ejector or a blower draws falls from Q0LminANR
// at ambient to nothing at VMaxKPa, straight or along a curve; a pump takes in a constant
// volume less what leaks back inside it. Curves hold at 101.325 kPa around: an engine
// reaches the same share of ambient anywhere.
type Engine struct {
	Name string
	Kind EngineKind // "": an ejector

	Q0LminANR float64
	VMaxKPa   float64
	Curve     [][2]float64 // kPa of vacuum, L/min ANR; rising, falling; nil: a straight line

	SpeedLmin   float64 // pump: inlet volume
	UltimateKPa float64 // pump: absolute pressure at which nothing is drawn

	AirLminANR          float64 // ejector: compressed air drawn while it blows, at NominalKPa
	NominalKPa          float64 // ejector: compressed air, kPa gauge, for which it is stated; 0: whatever there is
	SpecificEnergyKWhM3 float64 // of compressed air, kWh/m³ ANR

	PowerW       float64 // electric, while it draws, at ambient
	PowerWPerKPa float64 // and more for each kPa of vacuum
	IdlePowerW   float64 // electric, while no station draws

	// An ejector that saves air shuts off at OffKPa of vacuum and comes on again at OnKPa; a
	// check valve holds meanwhile. 0: it does not.
	SaveOffKPa, SaveOnKPa float64
}

func (e *Engine) kind() EngineKind {
	if e.Kind == "" {
		return Ejector
	}
	return e.Kind
}

// standardKPa is the ambient for which curves hold.
const standardKPa = 101.325

// flow returns what the engine draws at vacuum vKPa at standard ambient, L/min ANR.
func (e *Engine) flow(vKPa float64) float64 {
	switch {
	case e.kind() == Pump:
		return max(0, e.SpeedLmin*(standardKPa-vKPa-e.UltimateKPa)/anrKPa)
	case e.Curve == nil:
		return max(0, e.Q0LminANR*(1-vKPa/e.VMaxKPa))
	}
	c := e.Curve
	k := 1
	for k < len(c)-1 && vKPa > c[k][0] {
		k++
	}
	return max(0, c[k-1][1]+(c[k][1]-c[k-1][1])*(vKPa-c[k-1][0])/(c[k][0]-c[k-1][0]))
}

// drawn returns what it draws in L ANR/s from pKPa (absolute) at tK. supply is an ejector's
// compressed air as a share of its nominal pressure: with less it draws less and less deep.
func (e *Engine) drawn(ambientKPa, pKPa, tK, supply float64) float64 {
	if e.kind() == Pump {
		return max(0, e.SpeedLmin/60*(pKPa-e.UltimateKPa)/anrKPa*anrK/tK)
	}
	v := (ambientKPa - pKPa) * standardKPa / ambientKPa
	if e.kind() == Ejector && supply != 1 {
		return e.flow(v/max(0.05, min(1.1, supply))) / 60 * min(1.2, supply) * ambientKPa / standardKPa
	}
	return e.flow(v) / 60 * ambientKPa / standardKPa
}

// stiffness returns the steepest slope of what it draws, L ANR/s per kPa.
func (e *Engine) stiffness(ambientKPa float64) float64 {
	if e.kind() == Pump {
		return e.SpeedLmin / 60 / anrKPa
	}
	steepest := 0.0
	if e.Curve == nil {
		steepest = e.Q0LminANR / e.VMaxKPa
	}
	for i := 1; i < len(e.Curve); i++ {
		steepest = max(steepest, (e.Curve[i-1][1]-e.Curve[i][1])/(e.Curve[i][0]-e.Curve[i-1][0]))
	}
	return steepest / 60
}

// deepest returns the vacuum in kPa at which it draws nothing more.
func (e *Engine) deepest(ambientKPa float64) float64 {
	switch {
	case e.kind() == Pump:
		return ambientKPa - e.UltimateKPa
	case e.Curve != nil:
		return e.Curve[len(e.Curve)-1][0] * ambientKPa / standardKPa
	}
	return e.VMaxKPa * ambientKPa / standardKPa
}

// air returns the compressed air in L/min ANR that an ejector draws while it blows, with
// airKPa of gauge pressure: its nozzle is choked, so it goes with the absolute pressure.
func (e *Engine) air(airKPa, ambientKPa float64) float64 {
	if e.NominalKPa == 0 {
		return e.AirLminANR
	}
	return e.AirLminANR * (airKPa + ambientKPa) / (e.NominalKPa + standardKPa)
}

// share returns the compressed air as a share of the nominal.
func (e *Engine) share(airKPa float64) float64 {
	if e.NominalKPa == 0 || e.kind() != Ejector {
		return 1
	}
	return max(0, airKPa) / e.NominalKPa
}

// check returns what an engine lacks.
func (e *Engine) check() error {
	switch e.kind() {
	case Pump:
		if !(e.SpeedLmin > 0 && e.UltimateKPa >= 0 && e.UltimateKPa < 90) {
			return fmt.Errorf("want a pump's speed above 0 and an ultimate pressure of 0 to 90 kPa")
		}
	case Ejector, Blower:
		if e.Curve == nil && !(e.Q0LminANR > 0 && e.VMaxKPa > 0 && e.VMaxKPa < 101) {
			return fmt.Errorf("want engine flow and deepest vacuum above 0, below 101 kPa")
		}
		if e.Curve != nil && (len(e.Curve) < 2 || e.Curve[0][0] != 0 || !slices.IsSortedFunc(e.Curve, func(a, b [2]float64) int {
			if a[0] < b[0] && a[1] > b[1] {
				return -1
			}
			return 1
		}) || e.Curve[len(e.Curve)-1][1] != 0 || e.Curve[len(e.Curve)-1][0] >= 101) {
			return fmt.Errorf("want an engine's curve from 0 kPa on, rising in vacuum and falling in flow to 0")
		}
	default:
		return fmt.Errorf("engine kind %q is unknown; want ejector, pump or blower", e.Kind)
	}
	for _, x := range []float64{e.AirLminANR, e.NominalKPa, e.SpecificEnergyKWhM3, e.PowerW, e.PowerWPerKPa, e.IdlePowerW, e.SaveOffKPa, e.SaveOnKPa} {
		if !(x >= 0) || math.IsInf(x, 1) {
			return fmt.Errorf("want an engine's air, power and energy of 0 or more")
		}
	}
	if e.SaveOffKPa > 0 && !(e.SaveOnKPa > 0 && e.SaveOnKPa < e.SaveOffKPa && e.SaveOffKPa < e.deepest(standardKPa)) {
		return fmt.Errorf("want air saving that comes on at less vacuum than it shuts off at, within the engine's reach")
	}
	return nil
}
