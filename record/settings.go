// Package record joins sources, the trial file and the trackers: the one loop for live
// recording, fast simulation and replay. It comes after acquire, analyze and store and
// before report and cmd.
package record

import (
	"fmt"
	"math"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/store"
)

// A Plan says which run each pick of a station belongs to, and what it requires. A pick that
// is made between two runs belongs to none; it requires what the trial does, else the most
// that one of its setups does.
type Plan struct {
	trial *config.Trial

	// Where an operator begins and ends the runs:
	byOperator bool
	replay     bool             // runs is what was stored
	run        int              // in progress, 0 for none
	runs       map[string][]int // by station: the run of each pick that has begun
}

// NewPlan returns the plan of a trial. Runs follow each other: a station's picks are
// counted through those that have a setup for it; in the others it rests.
func NewPlan(t *config.Trial) *Plan { return &Plan{trial: t} }

// NewOperatorPlan returns the plan of a trial whose runs an operator begins and ends.
func NewOperatorPlan(t *config.Trial) *Plan {
	p := NewPlan(t)
	p.byOperator, p.runs = true, map[string][]int{}
	return p
}

// PlanAsRun returns the plan of a trial as it was carried out: picks of the live analysis in
// file belong to the runs that they belonged to then.
func PlanAsRun(t *config.Trial, file *store.Trial) (*Plan, error) {
	planned, asRun := NewPlan(t), NewOperatorPlan(t)
	asRun.replay = true
	same := true
	err := file.Heads(1, func(_ int64, x *pick.Pick) {
		same = same && x.Run == planned.Run(x.Station, x.N)
		asRun.note(x.Station, x.N, x.Run)
		asRun.run = x.Run // picks that were never stored belong to the last run
	})
	if same {
		return planned, err
	}
	return asRun, err
}

// note keeps the run of pick n of a station.
func (p *Plan) note(station string, n, run int) {
	all := p.runs[station]
	for len(all) < n {
		all = append(all, run)
	}
	all[n-1] = run
	p.runs[station] = all
}

// Trial returns the trial that the plan is of.
func (p *Plan) Trial() *config.Trial { return p.trial }

// ByOperator reports whether an operator begins and ends the runs.
func (p *Plan) ByOperator() bool { return p.byOperator }

// Run returns the number, from 1, of the run to which pick n of a station belongs; 0 where
// the plan has no run with that station or an operator had begun none. Without an operator
// picks beyond the plan belong to the station's last run.
func (p *Plan) Run(station string, n int) int {
	if p.byOperator {
		if all := p.runs[station]; n <= len(all) {
			return all[n-1]
		}
		return p.run
	}
	end, last := 0, 0
	for i, r := range p.trial.Runs {
		if r.Setups[station] == "" {
			continue
		}
		last = i + 1
		if end += r.Picks; n <= end {
			break
		}
	}
	return last
}

// Picks returns how many picks are planned on a station, up to the end of run r (from 1).
func (p *Plan) Picks(station string, r int) int {
	n := 0
	for _, x := range p.trial.Runs[:min(r, len(p.trial.Runs))] {
		if x.Setups[station] != "" {
			n += x.Picks
		}
	}
	return n
}

// Runs returns the number of runs planned.
func (p *Plan) Runs() int { return len(p.trial.Runs) }

// RequiredKPa returns the vacuum that pick n of a station requires, which begins now.
func (p *Plan) RequiredKPa(station string, n int) float64 {
	r := p.Run(station, n)
	if p.byOperator && !p.replay {
		r = p.run // a number that was no pick after all is given again
		p.note(station, n, r)
	}
	if r > 0 && r <= len(p.trial.Runs) {
		return p.trial.RequiredVacuumKPa(p.trial.Runs[r-1].Setups[station])
	}
	if v := p.trial.Requirement.VacuumKPa; v > 0 {
		return v
	}
	most := math.NaN()
	for _, s := range p.trial.Setups {
		if v := s.VacuumKPa; !(most >= v) {
			most = v
		}
	}
	return most
}

// Settings returns how the picks of each station of a rig are judged.
func Settings(rig *config.Rig, plan *Plan) ([]pick.Settings, error) {
	var all []pick.Settings
	for _, s := range rig.Stations {
		for i, r := range plan.trial.Runs {
			if r.Setups[s.Name] == "" {
				continue
			}
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
			Draws: func(n int) sample.Kind {
				setup := ""
				if r := plan.Run(s.Name, n); r > 0 && r <= len(plan.trial.Runs) {
					setup = plan.trial.Runs[r-1].Setups[s.Name]
				}
				return draws(rig, plan.trial, &s, setup)
			},
		})
	}
	return all, nil
}

// draws returns what the engine of a setup at a station draws; "" where neither states one.
func draws(rig *config.Rig, trial *config.Trial, s *config.Station, setup string) sample.Kind {
	name := s.Engine
	if u := trial.Setup(setup); u != nil && u.Engine != "" {
		name = u.Engine
	}
	switch e := rig.Engine(name); {
	case e == nil:
		return ""
	case e.Kind == "ejector":
		return sample.Air
	}
	return sample.Power
}
