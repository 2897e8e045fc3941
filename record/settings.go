// Package record joins sources, the trial file and the trackers: the one loop for live
// recording, fast simulation and replay. It comes after acquire, analyze and store and
// before report and cmd.
package record

import (
	"fmt"

	"griptrial/analyze/pick"
	"griptrial/config"
)

// A Plan says which run each pick of a station belongs to, and what it requires.
type Plan struct {
	trial *config.Trial
	ends  []int // picks on each station up to the end of a run
}

// NewPlan returns the plan of a trial. Runs follow each other: a station's picks are
// counted through them.
func NewPlan(t *config.Trial) *Plan {
	p := &Plan{trial: t}
	n := 0
	for _, r := range t.Runs {
		n += r.Picks
		p.ends = append(p.ends, n)
	}
	return p
}

// Trial returns the trial that the plan is of.
func (p *Plan) Trial() *config.Trial { return p.trial }

// Run returns the number, from 1, of the run to which pick n of a station belongs; the last
// run where the plan has fewer picks, 0 where it has no runs.
func (p *Plan) Run(n int) int {
	for i, end := range p.ends {
		if n <= end {
			return i + 1
		}
	}
	return len(p.ends)
}

// Picks returns how many picks are planned on each station, up to the end of run r (from 1).
func (p *Plan) Picks(r int) int {
	if r < 1 || r > len(p.ends) {
		return 0
	}
	return p.ends[r-1]
}

// Runs returns the number of runs planned.
func (p *Plan) Runs() int { return len(p.ends) }

// RequiredKPa returns the vacuum that pick n of a station requires.
func (p *Plan) RequiredKPa(station string, n int) float64 {
	if r := p.Run(n); r > 0 {
		return p.trial.RequiredVacuumKPa(p.trial.Runs[r-1].Setups[station])
	}
	return p.trial.Requirement.VacuumKPa
}

// Settings returns how the picks of each station of a rig are judged.
func Settings(rig *config.Rig, plan *Plan) ([]pick.Settings, error) {
	var all []pick.Settings
	for _, s := range rig.Stations {
		for i, r := range plan.trial.Runs {
			if v := plan.trial.RequiredVacuumKPa(r.Setups[s.Name]); !(v > 0) {
				return nil, fmt.Errorf("run %d, station %s: no required vacuum; state it for setup %q or for the trial",
					i+1, s.Name, r.Setups[s.Name])
			}
		}
		if len(plan.trial.Runs) == 0 && !(plan.trial.Requirement.VacuumKPa > 0) {
			return nil, fmt.Errorf("station %s: no required vacuum; state requirement.vacuum in the trial file", s.Name)
		}
		all = append(all, pick.Settings{
			Station:             s.Name,
			RequiredKPa:         func(n int) float64 { return plan.RequiredKPa(s.Name, n) },
			DropLevelKPa:        s.DropLevelKPa,
			SealLimitS:          s.SealLimitS,
			IdleBandKPa:         s.IdleBandKPa,
			PersistS:            s.PersistS,
			SupplyOffHolds:      s.SupplyOffHolds,
			SupplyBeforeContact: s.SupplyBeforeContact,
			HandHeld:            s.HandHeld,
			RemoveIdleLevel:     s.RemoveIdleLevel,
			VolumeL:             s.VolumeL,
			VolumeUL:            s.VolumeUL,
			BlankLeakLminANR:    s.BlankLeakLminANR,
			BlankLeakU:          s.BlankLeakU,
			SpecificEnergyKWhM3: s.SpecificEnergyKWhM3,
			SpecificEnergyU:     s.SpecificEnergyU,
		})
	}
	return all, nil
}
