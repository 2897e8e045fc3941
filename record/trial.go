package record

import (
	"math"

	"griptrial/analyze/lift"
	"griptrial/config"
)

// LoadTrial reads the trial file at path. See ParseTrial.
func LoadTrial(path string, rig *config.Rig) (*config.Trial, error) {
	t, err := config.LoadTrial(path, rig)
	return required(t, err, rig)
}

// ParseTrial reads the text of a trial file as config.ParseTrial does. Where the requirement is
// a load, setups without a vacuum of their own get the vacuum that it needs of them; a load that
// no vacuum carries is a fault of the setup. The ambient is the rig's, else that at sea level.
func ParseTrial(name string, text []byte, rig *config.Rig) (*config.Trial, error) {
	t, err := config.ParseTrial(name, text, rig)
	return required(t, err, rig)
}

func required(t *config.Trial, err error, rig *config.Rig) (*config.Trial, error) {
	if err != nil || t.Requirement.Load == nil {
		return t, err
	}
	ambient := lift.SeaLevelKPa
	if rig != nil && !math.IsNaN(rig.AmbientKPa) {
		ambient = rig.AmbientKPa
	}
	for i := range t.Setups {
		s := &t.Setups[i]
		if !math.IsNaN(s.VacuumKPa) {
			continue
		}
		r, err := lift.Required(lift.OfSetup(t.Requirement.Load, *s, ambient))
		if err != nil {
			return nil, t.SetupFault(i, "%v", err)
		}
		if !r.Possible {
			return nil, t.SetupFault(i, "the load needs %.1f kPa (%s), more than the %.1f kPa around; %d cups, an effective diameter of %.0f mm, or %.2g kg at most would help",
				r.RequiredVacuumKPa, r.Ruling, ambient, r.CupsNeeded, math.Ceil(r.DiameterMM), r.MassAllowedKg)
		}
		s.VacuumKPa = r.RequiredVacuumKPa
	}
	if rig == nil {
		return t, nil
	}
	for _, r := range t.Runs {
		for _, s := range rig.Stations {
			for i := range t.Setups {
				if name := t.Setups[i].Name; r.Setups[s.Name] == name {
					if why := s.Unfit(name, t.Setups[i].VacuumKPa); why != "" {
						return nil, t.SetupFault(i, "%s", why)
					}
				}
			}
		}
	}
	return t, nil
}
