package engine

import "math"

// A Cycle is the line's.
type Cycle struct {
	PicksPerMinute      float64
	SupplyOnS           float64 // a pick; NaN takes the whole cycle
	HoursPerYear        float64 // NaN where not known
	SpecificEnergyKWhM3 float64 // of compressed air, per m³ ANR
}

// Specific energy of compressed air at 8 bar: target and average of 12 energy analyses in
// Switzerland are 0.10 and 0.13 kWh/m³ (Gloor 2003). The user's own meter comes first.
const (
	DefaultSpecificEnergyKWhM3 = 0.12
	LowSpecificEnergyKWhM3     = 0.10
	HighSpecificEnergyKWhM3    = 0.14
)

// lengthS returns the length of a cycle.
func (c Cycle) lengthS() float64 { return 60 / c.PicksPerMinute }

// AirJ returns the energy of compressed air, J, drawn at airLmin L/min ANR for timeS, at
// kWhM3 kWh per m³ ANR: q/60·t/1000·e·3.6e6.
func AirJ(airLmin, timeS, kWhM3 float64) float64 { return airLmin / 60 * timeS / 1000 * kWhM3 * 3.6e6 }

// ElectricJ returns the energy of a cycle, J: on for onS at onW, the rest of lengthS at idleW,
// shared by so many picks.
func ElectricJ(onW, onS, idleW, lengthS, share float64) float64 {
	return (onW*onS + idleW*(lengthS-onS)) / share
}

// IdealJ returns the work to evacuate volumeL to vacuum v, J: an isothermal pump without loss,
// V·(v − p·ln(ambient/p)), p = ambient − v, L·kPa being J.
func IdealJ(volumeL, v, ambientKPa float64) float64 {
	p := ambientKPa - v
	return volumeL * (v - p*math.Log(ambientKPa/p))
}

// PickJ returns an engine's energy for a pick, J. Compressed air runs while the supply is on;
// a pump or blower runs all the time. NaN where neither is known.
func (c Cycle) PickJ(airLmin, powerW float64) float64 {
	on := c.SupplyOnS
	if math.IsNaN(on) {
		on = c.lengthS()
	}
	air, electric := AirJ(airLmin, on, c.SpecificEnergyKWhM3), powerW*c.lengthS()
	switch {
	case math.IsNaN(air):
		return electric
	case math.IsNaN(electric):
		return air
	}
	return air + electric
}

// YearKWh returns the energy of a year.
func (c Cycle) YearKWh(pickJ float64) float64 {
	return pickJ * c.PicksPerMinute * 60 * c.HoursPerYear / 3.6e6
}
