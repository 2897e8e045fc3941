package lift

import (
	"math"

	"griptrial/config"
)

// OfSetup returns the load that a trial's requirement puts on a setup: the mass of its bag on
// its cups, with their effective diameter.
func OfSetup(l *config.Load, s config.Setup, ambientKPa float64) Load {
	load := Load{MassKg: l.MassOf(s.Bag), Cups: s.Cups, EffectiveDiameterMM: l.DiameterOf(s.Cup), Friction: l.Friction, Safety: l.Safety,
		AmbientKPa: ambientKPa, HoldKPa: math.NaN()}
	for _, p := range l.Phases {
		load.Phases = append(load.Phases, Phase{Motion(p.Motion), p.AccelerationMS2})
	}
	return load
}
