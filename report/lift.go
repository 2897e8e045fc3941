package report

import (
	"errors"
	"fmt"
	"io"
	"math"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/lift"
	"griptrial/config"
)

// A LiftJSON is the vacuum that a load needs.
type LiftJSON struct {
	RequiredVacuumKPa analyze.Number `json:"required_vacuum_kPa"` // of the ruling phase, safety included
	PercentOfAmbient  analyze.Number `json:"percent_of_ambient"`
	Possible          bool           `json:"possible"`
	RulingPhase       string         `json:"ruling_phase"`
	ForcePerCupN      analyze.Number `json:"force_per_cup_N"`

	HoldKPa            analyze.Number            `json:"hold_kPa"`
	Held               *bool                     `json:"held"`                  // null without a hold vacuum
	MaxAccelerationMS2 map[string]analyze.Number `json:"max_acceleration_m_s2"` // at the hold vacuum, by motion
	Phases             []LiftPhaseJSON           `json:"phases"`
	OneCupLostKPa      analyze.Number            `json:"one_cup_lost_kPa"` // null with one cup
	OneCupLostPossible *bool                     `json:"one_cup_lost_possible"`

	MassKg       analyze.Number `json:"mass_kg"`
	Cups         int            `json:"cups"`
	DiameterMM   analyze.Number `json:"effective_diameter_mm"`
	DiameterFrom string         `json:"effective_diameter_from"`
	Friction     analyze.Number `json:"friction"`
	FrictionFrom string         `json:"friction_from"`
	Safety       analyze.Number `json:"safety"`
	AmbientKPa   analyze.Number `json:"ambient_kPa"`
	AmbientFrom  string         `json:"ambient_from"`

	WouldHelp []string `json:"would_help"` // to an impossible load, or to one that is not held
	Remarks   []string `json:"remarks"`
	Cautions  []string `json:"cautions"`
}

// A LiftPhaseJSON is what one phase needs.
type LiftPhaseJSON struct {
	Phase             lift.Motion    `json:"phase"`
	AccelerationMS2   analyze.Number `json:"acceleration_m_s2"`
	RequiredVacuumKPa analyze.Number `json:"required_vacuum_kPa"`
	ForcePerCupN      analyze.Number `json:"force_per_cup_N"`
	Possible          bool           `json:"possible"`
}

// Fill takes over a load and its result. DiameterFrom, AmbientFrom and FrictionFrom are the
// caller's.
func (j *LiftJSON) Fill(l lift.Load, r lift.Result) {
	j.RequiredVacuumKPa, j.PercentOfAmbient = analyze.Number(r.RequiredVacuumKPa), analyze.Number(r.PercentOfAmbient)
	j.Possible, j.RulingPhase, j.ForcePerCupN = r.Possible, string(r.Ruling.Motion), analyze.Number(r.ForcePerCupN)
	j.HoldKPa = analyze.Number(l.HoldKPa)
	if !math.IsNaN(l.HoldKPa) {
		j.Held = &r.Held
	}
	j.MaxAccelerationMS2 = map[string]analyze.Number{}
	for m, a := range r.MaxAccelerationMS2 {
		j.MaxAccelerationMS2[string(m)] = analyze.Number(a)
	}
	friction := false
	for _, p := range r.Phases {
		friction = friction || p.Motion.NeedsFriction()
		j.Phases = append(j.Phases, LiftPhaseJSON{p.Motion, analyze.Number(p.AccelerationMS2),
			analyze.Number(p.RequiredVacuumKPa), analyze.Number(p.ForcePerCupN), p.Possible})
	}
	j.OneCupLostKPa = analyze.Number(r.OneCupLostKPa)
	if l.Cups > 1 {
		possible := r.OneCupLostKPa < l.AmbientKPa
		j.OneCupLostPossible = &possible
	}
	j.MassKg, j.Cups, j.DiameterMM = analyze.Number(l.MassKg), l.Cups, analyze.Number(l.EffectiveDiameterMM)
	j.Friction, j.Safety, j.AmbientKPa = analyze.Number(l.Friction), analyze.Number(l.Safety), analyze.Number(l.AmbientKPa)
	j.WouldHelp, j.Remarks, j.Cautions = []string{}, []string{}, Cautions
	if !r.Possible {
		j.WouldHelp = []string{
			fmt.Sprintf("%d cups of the same size (at %.0f kPa, 85 %% of ambient)", r.CupsNeeded, r.UsableKPa),
			fmt.Sprintf("or an effective diameter of %.0f mm", math.Ceil(r.DiameterMM)),
			fmt.Sprintf("or a mass of %.2g kg at most", r.MassAllowedKg),
			"or less acceleration, more friction, or a lower place",
		}
	} else if j.Held != nil && !r.Held {
		more := r.RequiredVacuumKPa / l.HoldKPa
		j.WouldHelp = []string{
			fmt.Sprintf("a hold vacuum of %.1f kPa", r.RequiredVacuumKPa),
			fmt.Sprintf("or %d cups of the same size", int(math.Ceil(more*float64(l.Cups)-1e-9))),
			fmt.Sprintf("or an effective diameter of %.0f mm", math.Ceil(l.EffectiveDiameterMM*math.Sqrt(more))),
		}
		if a := r.MaxAccelerationMS2[r.Ruling.Motion]; a >= 0 {
			j.WouldHelp = append(j.WouldHelp, fmt.Sprintf("or %s at %.2g m/s² at most", r.Ruling.Motion, a))
		}
	}
	j.Remarks = append(j.Remarks, "usual safety factors: 2 for a level lift, 4 for upright or swinging (common practice, no source)")
	if r.Possible && r.RequiredVacuumKPa > r.UsableKPa {
		j.Remarks = append(j.Remarks, "above 85 % of ambient: few engines hold that (common practice, no source)")
	}
	if friction && j.FrictionFrom == "" {
		j.Remarks = append(j.Remarks, "friction is stated without a source: measure it (the method of ASTM D1894), dust and moisture lower it")
	}
	if j.OneCupLostPossible != nil && !*j.OneCupLostPossible {
		j.Remarks = append(j.Remarks, "with one cup lost the others cannot carry the load")
	}
	if j.DiameterFrom == "stated" {
		j.Remarks = append(j.Remarks, "the effective diameter is smaller than the lip's: state it from a measured pull where you can")
	}
}

// A LiftTrialJSON is what the load of a trial asks of its setups.
type LiftTrialJSON struct {
	Setups   []SetupLiftJSON `json:"setups"`
	Cautions []string        `json:"cautions"`
}

// A SetupLiftJSON is what a load asks of a setup.
type SetupLiftJSON struct {
	Setup     string         `json:"setup"`
	OwnVacuum analyze.Number `json:"own_vacuum_kPa"` // stated for the setup, and going before the load; null for none
	LiftJSON
}

// LiftTrial returns what the load of a trial asks of its setups at a place. The error says that
// the trial states no load.
func LiftTrial(t *config.Trial, ambientKPa float64, ambientFrom string) (LiftTrialJSON, error) {
	l := t.Requirement.Load
	if l == nil {
		return LiftTrialJSON{}, errors.New("the requirement is no load; want requirement.load")
	}
	out := LiftTrialJSON{Cautions: Cautions}
	for _, s := range t.Setups {
		load := lift.OfSetup(l, s, ambientKPa)
		r, err := lift.Required(load)
		if err != nil {
			return LiftTrialJSON{}, fmt.Errorf("setup %q: %w", s.Name, err)
		}
		j := SetupLiftJSON{Setup: s.Name, OwnVacuum: analyze.Number(math.NaN()), LiftJSON: LiftJSON{DiameterFrom: "stated", FrictionFrom: l.FrictionSource, AmbientFrom: ambientFrom}}
		j.Fill(load, r)
		if math.Abs(s.VacuumKPa-r.RequiredVacuumKPa) > 1e-9*r.RequiredVacuumKPa {
			j.OwnVacuum = analyze.Number(s.VacuumKPa)
		}
		out.Setups = append(out.Setups, j)
	}
	return out, nil
}

// WriteLiftTrial writes what the load of a trial asks of its setups.
func WriteLiftTrial(w io.Writer, j LiftTrialJSON) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "setup\tmass kg\tcups\teffective mm\trequired kPa\t% of ambient\truling phase\tN a cup\tone cup lost kPa\t")
	for _, s := range j.Setups {
		note := ""
		if !math.IsNaN(float64(s.OwnVacuum)) {
			note = fmt.Sprintf("judged at its own %.4g kPa", s.OwnVacuum)
			if s.OwnVacuum < s.RequiredVacuumKPa {
				note += ", LESS THAN THE LOAD NEEDS"
			}
		}
		if !s.Possible {
			note = "IMPOSSIBLE"
		}
		fmt.Fprintf(tw, "%s\t%.4g\t%d\t%.4g\t%.1f\t%.0f\t%s\t%.1f\t%s\t%s\n", s.Setup, s.MassKg, s.Cups, s.DiameterMM, s.RequiredVacuumKPa, s.PercentOfAmbient, s.RulingPhase, s.ForcePerCupN,
			dash(float64(s.OneCupLostKPa), "%.1f"), note)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w)
	if len(j.Setups) > 0 {
		s := j.Setups[0]
		fmt.Fprintf(w, "safety %g; ambient %.1f kPa (%s)\n", s.Safety, s.AmbientKPa, s.AmbientFrom)
		for _, r := range s.Remarks[:1] {
			fmt.Fprintf(w, "- %s\n", r)
		}
	}
	return cautions(w)
}

// Lift writes what a load needs.
func Lift(w io.Writer, j LiftJSON) error {
	if j.Possible {
		fmt.Fprintf(w, "required vacuum %.1f kPa, %.0f %% of ambient (%s rules), %.1f N a cup\n", j.RequiredVacuumKPa, j.PercentOfAmbient, j.RulingPhase, j.ForcePerCupN)
	} else {
		fmt.Fprintf(w, "IMPOSSIBLE: %.1f kPa would be needed, %.0f %% of ambient (%s rules), %.1f N a cup\n", j.RequiredVacuumKPa, j.PercentOfAmbient, j.RulingPhase, j.ForcePerCupN)
	}
	fmt.Fprintf(w, "%.4g kg on %d × %.4g mm effective (%s), safety %g; ambient %.1f kPa (%s)\n\n", j.MassKg, j.Cups, j.DiameterMM, j.DiameterFrom, j.Safety, j.AmbientKPa, j.AmbientFrom)
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprint(tw, "phase\tm/s²\trequired kPa\tN a cup")
	if j.Held != nil {
		fmt.Fprintf(tw, "\tmost m/s² at %.4g kPa", j.HoldKPa)
	}
	fmt.Fprintln(tw)
	for _, p := range j.Phases {
		fmt.Fprintf(tw, "%s\t%g\t%.1f\t%.1f", p.Phase, p.AccelerationMS2, p.RequiredVacuumKPa, p.ForcePerCupN)
		if j.Held != nil {
			most := "– (not even at rest)"
			if a := float64(j.MaxAccelerationMS2[string(p.Phase)]); !math.IsNaN(a) {
				most = fmt.Sprintf("%.2f", a)
			}
			fmt.Fprintf(tw, "\t%s", most)
		}
		fmt.Fprintln(tw)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	if !math.IsNaN(float64(j.OneCupLostKPa)) {
		fmt.Fprintf(w, "\nwith one cup lost, the load shared by the others: %.1f kPa\n", j.OneCupLostKPa)
	}
	if len(j.WouldHelp) > 0 {
		fmt.Fprintln(w, "\nWhat would help")
		for _, s := range j.WouldHelp {
			fmt.Fprintf(w, "  %s\n", s)
		}
	}
	fmt.Fprintln(w)
	for _, s := range j.Remarks {
		fmt.Fprintf(w, "- %s\n", s)
	}
	return cautions(w)
}
