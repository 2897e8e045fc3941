package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"griptrial/analyze/lift"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
)

type liftOptions struct {
	mass, diameter, pull     string
	cups                     int
	friction, safety         float64
	frictionFrom             string
	altitude, ambient, holds string
	phases                   []string
	json                     bool
}

func liftCommand() *cobra.Command {
	o := &liftOptions{}
	c := &cobra.Command{
		Use:   "lift [TRIAL.yaml]",
		Short: "Compute the vacuum that a load needs",
		Long: `lift computes the vacuum that a load needs at the cups, safety included, and the highest
acceleration that a vacuum held allows.

Phases: "up" and "level" have the cup's face level, with the acceleration upwards or
sideways; "upright" and "upright-away" have it upright, with the acceleration upwards in
the face or off the face. Friction is that of lip on film.

Usual safety factors: 2 for a level lift, 4 for upright or swinging (common practice, no
source). A competent person judges the factor; it has no default.

With a trial file whose requirement is a load, lift shows the vacuum that it asks of each
setup; --altitude or --ambient is then the place, else sea level.

The exit code is 3 where the load is impossible, or the vacuum held is too little for it.`,
		Example: `  griptrial lift --mass "2.4 kg" --cups 4 --effective-diameter "35 mm" --friction 0.5 --safety 2 --altitude "500 m" --phase "up 6 m/s2" --phase "level 8 m/s2"
  griptrial lift --mass "2.4 kg" --cups 4 --pull "52 N at 55 kPa" --safety 2 --phase "up 6 m/s2" --hold "45 kPa" --json
  griptrial lift testdata/trials/load.yaml`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 1 {
				return liftTrial(c, args[0], o)
			}
			return liftLoad(c.OutOrStdout(), o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.mass, "mass", "", `mass of the bag, "2.4 kg" (required)`)
	f.IntVar(&o.cups, "cups", 0, "number of cups that share it (required)")
	f.StringVar(&o.diameter, "effective-diameter", "", `diameter of the area that pulls, of one cup, "35 mm"; the lip's own diameter is too much`)
	f.StringVar(&o.pull, "pull", "", `in place of it a measured pull of one cup, "52 N at 55 kPa"`)
	f.Float64Var(&o.friction, "friction", math.NaN(), "friction of lip on film, for all phases but \"up\"")
	f.StringVar(&o.frictionFrom, "friction-source", "", `where that value comes from, "measured, ASTM D1894"`)
	f.Float64Var(&o.safety, "safety", math.NaN(), "safety factor (required)")
	f.StringVar(&o.altitude, "altitude", "", `height of the place, "500 m"`)
	f.StringVar(&o.ambient, "ambient", "", `in place of it the pressure around, "955 mbar"`)
	f.StringArrayVar(&o.phases, "phase", nil, `motion and acceleration, "up 6 m/s2"; may be given several times (required)`)
	f.StringVar(&o.holds, "hold", "", `vacuum held at the cups, "45 kPa": gives the highest accelerations`)
	f.BoolVar(&o.json, "json", false, "write JSON")
	return c
}

// place returns the pressure around from --altitude or --ambient, and how it is known.
func place(q *quantities, altitude, ambient string) (kPa float64, from string) {
	switch {
	case altitude != "" && ambient != "":
		q.fail(wrongf("--ambient: state it or --altitude, not both"))
	case ambient != "":
		kPa = q.get("ambient", config.Pressure, ambient, math.NaN())
		if q.err == nil && !(kPa >= 30 && kPa <= 110) {
			q.fail(wrongf("--ambient: %s is impossible; want 30 kPa to 110 kPa", ambient))
		}
		return kPa, "stated"
	case altitude != "":
		m := q.get("altitude", config.Altitude, altitude, math.NaN())
		kPa = lift.AmbientKPa(m)
		if q.err == nil && math.IsNaN(kPa) {
			q.fail(wrongf("--altitude: %s is impossible; want %d m to %d m", altitude, lift.LowestM, lift.HighestM))
		}
		return kPa, "standard atmosphere at " + altitude
	}
	return lift.SeaLevelKPa, "standard atmosphere at sea level, no altitude stated"
}

// fail notes err as the error of q where there is none yet.
func (q *quantities) fail(err error) {
	if q.err == nil {
		q.err = err
	}
}

func parsePhase(text string) (lift.Phase, error) {
	motion, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
	p := lift.Phase{Motion: lift.Motion(motion)}
	known := false
	for _, m := range lift.Motions {
		known = known || m == p.Motion
	}
	if !known {
		return p, wrongf(`--phase: found %q; want a motion and an acceleration such as "up 6 m/s2"; motions are up, level, upright, upright-away`, text)
	}
	a, err := config.Parse(config.Acceleration, rest)
	if err != nil {
		return p, wrongf("--phase %s: %w", motion, err)
	}
	p.AccelerationMS2 = a
	return p, nil
}

// diameter returns the effective diameter, in mm, and how it is known.
func (o *liftOptions) effective(q *quantities) (mm float64, from string) {
	switch {
	case o.pull != "" && o.diameter != "":
		q.fail(wrongf("--pull: state it or --effective-diameter, not both"))
	case o.pull != "":
		force, vacuum, ok := strings.Cut(o.pull, " at ")
		if !ok {
			q.fail(wrongf(`--pull: found %q; want a force and a vacuum such as "52 N at 55 kPa"`, o.pull))
			return
		}
		n := q.get("pull", config.Force, force, math.NaN())
		v := q.get("pull", config.Pressure, vacuum, math.NaN())
		if q.err == nil && !(n > 0 && v > 0) {
			q.fail(wrongf("--pull: found %q; want more than 0 of both", o.pull))
		}
		return lift.EffectiveDiameterMM(n, v), "measured: " + o.pull
	case o.diameter == "":
		q.fail(wrongf("lift: --effective-diameter or --pull is missing; see griptrial lift --help"))
	}
	return q.get("effective-diameter", config.Length, o.diameter, math.NaN()), "stated"
}

func liftLoad(w io.Writer, o *liftOptions) error {
	for _, need := range []struct {
		flag    string
		missing bool
	}{
		{"mass", o.mass == ""}, {"cups", o.cups == 0}, {"safety", math.IsNaN(o.safety)}, {"phase", len(o.phases) == 0},
	} {
		if need.missing {
			return wrongf("lift: --%s is missing; see griptrial lift --help", need.flag)
		}
	}
	var q quantities
	load := lift.Load{Cups: o.cups, Friction: o.friction, Safety: o.safety}
	load.MassKg = q.get("mass", config.Mass, o.mass, math.NaN())
	out := report.LiftJSON{FrictionFrom: o.frictionFrom}
	load.EffectiveDiameterMM, out.DiameterFrom = o.effective(&q)
	load.AmbientKPa, out.AmbientFrom = place(&q, o.altitude, o.ambient)
	load.HoldKPa = q.get("hold", config.PressureAt(load.AmbientKPa), o.holds, math.NaN())
	for _, text := range o.phases {
		p, err := parsePhase(text)
		q.fail(err)
		load.Phases = append(load.Phases, p)
	}
	if q.err != nil {
		return q.err
	}
	r, err := lift.Required(load)
	if err != nil {
		return wrongf("lift: %w", err)
	}
	out.Fill(load, r)
	if o.json {
		err = report.WriteJSON(w, out)
	} else {
		err = report.Lift(w, out)
	}
	switch {
	case err != nil:
		return err
	case !r.Possible:
		return notMet(fmt.Errorf("impossible: the load needs %.1f kPa, and the air around has %.1f kPa", r.RequiredVacuumKPa, load.AmbientKPa))
	case o.holds != "" && !r.Held:
		return notMet(fmt.Errorf("not met: the load needs %.1f kPa, and %s is held", r.RequiredVacuumKPa, o.holds))
	}
	return nil
}

// liftTrial shows what the load of a trial asks of each setup.
func liftTrial(c *cobra.Command, path string, o *liftOptions) error {
	for _, flag := range []string{"mass", "cups", "effective-diameter", "pull", "friction", "friction-source", "safety", "phase", "hold"} {
		if c.Flags().Changed(flag) {
			return wrongf("--%s: the trial file states the load; leave it out", flag)
		}
	}
	var q quantities
	ambient, from := place(&q, o.altitude, o.ambient)
	if q.err != nil {
		return q.err
	}
	trial, err := record.LoadTrial(path, nil)
	if err != nil {
		return wrong(err)
	}
	out, err := report.LiftTrial(trial, ambient, from)
	if err != nil {
		return wrongf("%s: %w", path, err)
	}
	if o.json {
		err = report.WriteJSON(c.OutOrStdout(), out)
	} else {
		err = report.WriteLiftTrial(c.OutOrStdout(), out)
	}
	for _, s := range out.Setups {
		if err == nil && !s.Possible {
			err = notMet(fmt.Errorf("impossible: setup %q needs %.1f kPa, and the air around has %.1f kPa", s.Setup, s.RequiredVacuumKPa, ambient))
		}
	}
	return err
}
