package simulator

import (
	"fmt"
	"math"
)

// A Scenario is what the simulated rig does: setups, runs of picks, scatter and sensors.
// Together with its Seed it fixes everything that happens, whoever looks and when.
type Scenario struct {
	Name     string
	Seed     uint64
	Stations []Station
	Setups   []Setup
	Runs     []Run

	LeadS          float64   // quiet time before the first run, s
	StepS          float64   // longest step of the integration, s; 0: 1 ms
	LevelsKPa      []float64 // vacuums whose first crossings the truth records besides the required one
	IdleBandKPa    float64   // a pick ends below this vacuum once let go; 0: 3 kPa
	AirPressureKPa float64   // compressed air at the ejectors, kPa gauge
	Noise          Noise
	VacuumLagS     float64 // lag of vacuum sensors for which the rig states none, s
}

// Noise is the standard deviation of what each kind of sensor adds to every conversion,
// normal and independent.
type Noise struct {
	VacuumKPa, FlowLminANR, PowerW, AirLminANR, AirPressureKPa float64
}

// A Station is one vacuum circuit; a rig's channels find it by its name.
type Station struct {
	Name   string
	PhaseS float64 // its cycles begin so much after a run's start, s
}

// A Run is a number of picks on every station that has a setup in it.
type Run struct {
	Setups map[string]string // station name → setup name; a station without one rests
	Piece  string            // id of the physical bag
	Picks  int               // on each station
	PauseS float64           // rest after the last station has done, s
}

// A Setup is one combination of bag, cup and engine with its cycle, as the physics needs it.
type Setup struct {
	Name, Bag, CupName string

	Engine  Engine
	VolumeL float64 // of the circuit with the bag on it, L
	Leak    Leak    // of a cup that sits well
	Cup     Cup
	Cycle   Cycle

	RequiredKPa  float64 // vacuum that counts as sealed
	DropLevelKPa float64 // vacuum that counts as lost; 0: half the required

	SealProbability float64    // that the lip closes at all
	BadSealKPa      [2]float64 // where a pick that does not seal settles, evenly between these, kPa
	DropProbability float64    // that a bag is lost while carried
	DipProbability  float64    // that the lip opens for DipS while carried, and closes again
	DipKPa          float64    // where the vacuum would settle if a dip stayed, kPa
	DipS            float64

	LeakScatter  Scatter
	CloseScatter Scatter
}

// An Engine is a vacuum generator whose flow falls linearly from Q0LminANR at ambient to
// nothing at VMaxKPa.
type Engine struct {
	Name                string
	Q0LminANR           float64
	VMaxKPa             float64
	AirLminANR          float64 // compressed air drawn while the supply is on, L/min ANR
	BlowAirLminANR      float64 // compressed air drawn by the blow-off, L/min ANR
	SpecificEnergyKWhM3 float64 // of that air, kWh/m³ ANR
	PowerW              float64 // electric, while the supply is on, at ambient
	PowerWPerKPa        float64 // and more for each kPa of vacuum
}

// A Leak is the law Q = K·vⁿ, in L/min ANR with v in kPa, N from 0.5 (hole) to 1
// (laminar). Below 1 kPa it runs straight to 0: a root's slope at 0 has no end.
type Leak struct{ K, N float64 }

// A Cup is the way air gets in and out of the circuit besides the leak.
type Cup struct {
	OpenK     float64 // an open cup draws OpenK·√v, L/min ANR with v in kPa
	CloseS    float64 // time the lip takes to close after contact, s
	LossOpenS float64 // time the lip takes to open when the bag is lost, s
	Holds     bool    // a check valve keeps the vacuum when the supply shuts
	VentTauS  float64 // time constant of venting with the supply off, s; unused if Holds
	BlowTauS  float64 // time constant of the blow-off, s; 0: no blow-off
	BlowKPa   float64 // pressure above ambient that the blow-off would reach, kPa
	DelayS    float64 // from a valve's command to its opening or shutting, s
}

// A Cycle is when things are commanded, in seconds after supply on.
type Cycle struct {
	ContactS   float64 // cup on the bag; negative: before supply on
	ContactSDS float64 // its standard deviation from pick to pick, cut at three, s
	LiftS      float64 // carried on
	PlaceS     float64 // carried off
	SupplyOffS float64
	ReleaseS   float64 // release on
	PulseS     float64 // length of the release pulse, s
	CycleS     float64 // to the next supply on
	JitterS    float64 // each supply on is late by up to this, evenly, s
}

// Scatter is by how much a quantity varies, as standard deviations of its natural
// logarithm, each cut at three: from setup to setup, piece to piece, run to run, pick to pick.
type Scatter struct{ Setup, Piece, Run, Pick float64 }

// minPulseS is two sampling intervals at 100 Hz: a shorter pulse could go unseen.
const minPulseS = 0.02

// maxStepsPerS bounds the work that one second of one station can ask for.
const maxStepsPerS = 200_000

// Check returns what is wrong with the scenario, or nil.
func (s *Scenario) Check() error {
	if len(s.Stations) == 0 {
		return fmt.Errorf("scenario %q: no stations", s.Name)
	}
	stations := map[string]bool{}
	for _, st := range s.Stations {
		if stations[st.Name] {
			return fmt.Errorf("scenario %q: two stations are named %q", s.Name, st.Name)
		}
		if !(st.PhaseS >= 0) {
			return fmt.Errorf("station %q: phase is %v s; 0 or more is allowed", st.Name, st.PhaseS)
		}
		stations[st.Name] = true
	}
	setups := map[string]bool{}
	for i := range s.Setups {
		u := &s.Setups[i]
		if setups[u.Name] {
			return fmt.Errorf("scenario %q: two setups are named %q", s.Name, u.Name)
		}
		if err := s.checkSetup(u); err != nil {
			return fmt.Errorf("setup %q: %w", u.Name, err)
		}
		setups[u.Name] = true
	}
	for i, r := range s.Runs {
		if r.Picks < 0 || !(r.PauseS >= 0) {
			return fmt.Errorf("run %d: %d picks, pause %v s; neither may be negative", i+1, r.Picks, r.PauseS)
		}
		for st, u := range r.Setups {
			if !stations[st] || !setups[u] {
				return fmt.Errorf("run %d: setup %q on station %q: no such setup or station", i+1, u, st)
			}
		}
	}
	for _, x := range []struct {
		name string
		v    float64
	}{{"lead", s.LeadS}, {"step", s.StepS}, {"idle band", s.IdleBandKPa}, {"vacuum noise", s.Noise.VacuumKPa},
		{"flow noise", s.Noise.FlowLminANR}, {"power noise", s.Noise.PowerW}, {"air noise", s.Noise.AirLminANR},
		{"air pressure noise", s.Noise.AirPressureKPa}, {"vacuum lag", s.VacuumLagS}} {
		if !(x.v >= 0) || math.IsInf(x.v, 1) {
			return fmt.Errorf("scenario %q: %s is %v; 0 or more is allowed", s.Name, x.name, x.v)
		}
	}
	return nil
}

func (s *Scenario) checkSetup(u *Setup) error {
	c, k := &u.Cup, &u.Cycle
	early := max(0, -(k.ContactS - 3*k.ContactSDS)) // latest start of the next pick is this much sooner
	rules := []struct {
		ok   bool
		want string
	}{
		{u.Engine.Q0LminANR > 0 && u.Engine.VMaxKPa > 0, "engine flow and deepest vacuum above 0"},
		{u.VolumeL > 0, "a volume above 0 L"},
		{u.Leak.K >= 0 && u.Leak.N >= 0.5 && u.Leak.N <= 1, "leak k of 0 or more and n of 0.5 to 1"},
		{c.OpenK > 0 && c.CloseS > 0 && c.LossOpenS > 0, "open cup, closing time and opening time above 0"},
		{c.Holds || c.VentTauS > 0, "a venting time constant above 0 s, or a check valve"},
		{!c.Holds || c.BlowTauS > 0, "a blow-off where a check valve holds"},
		{c.BlowTauS >= 0 && c.BlowKPa >= 0 && c.DelayS >= 0, "blow-off and delay of 0 or more"},
		{u.RequiredKPa > 1 && u.RequiredKPa < u.Engine.VMaxKPa, "a required vacuum between 1 kPa and the engine's deepest"},
		{u.DropLevelKPa >= 0 && u.DropLevelKPa < u.RequiredKPa, "a drop level below the required vacuum"},
		{u.SealProbability >= 0 && u.SealProbability <= 1 && u.DropProbability >= 0 && u.DropProbability <= 1 &&
			u.DipProbability >= 0 && u.DipProbability <= 1, "probabilities of 0 to 1"},
		{u.SealProbability == 1 || u.BadSealKPa[0] >= 1 && u.BadSealKPa[1] >= u.BadSealKPa[0] && u.BadSealKPa[1] < u.RequiredKPa,
			"bad seals settle from 1 kPa to below the required vacuum"},
		{u.DipProbability == 0 || u.DipKPa >= 1 && u.DipKPa < u.Engine.VMaxKPa && u.DipS > 0, "dips from 1 kPa up and longer than 0 s"},
		{k.ContactSDS >= 0 && k.JitterS >= 0, "contact scatter and jitter of 0 or more"},
		{k.LiftS > 0 && k.LiftS > k.ContactS && k.PlaceS > k.LiftS && k.ReleaseS >= k.PlaceS, "contact, lift, place and release in this order"},
		{k.SupplyOffS > k.LiftS && k.SupplyOffS <= k.ReleaseS, "supply off after lift, at the latest with the release"},
		{k.PulseS >= minPulseS, "a release pulse of at least 20 ms"},
		{k.ReleaseS+k.PulseS+c.DelayS+k.JitterS+early < k.CycleS, "a cycle that outlasts the release pulse"},
		{1000/stiffest*u.stiffness(1, u.Leak.K, true, true) < maxStepsPerS, "a volume that fills slower: raise it, or narrow the cup"},
	}
	for _, r := range rules {
		if !r.ok {
			return fmt.Errorf("want %s", r.want)
		}
	}
	return nil
}

// dropLevelKPa returns the vacuum below which a sealed bag counts as lost.
func (u *Setup) dropLevelKPa() float64 {
	if u.DropLevelKPa > 0 {
		return u.DropLevelKPa
	}
	return u.RequiredKPa / 2
}

// gapFor returns the open part of the cup, 0 to 1, with which the vacuum settles at vKPa
// on this engine without a leak.
func (u *Setup) gapFor(vKPa float64) float64 {
	return min(1, max(0, u.Engine.flow(vKPa))/(u.Cup.OpenK*law(vKPa, 0.5)))
}

// OpenSuctionKPa returns the vacuum at which the engine settles with no bag on the cup.
func (u *Setup) OpenSuctionKPa() float64 {
	lo, hi := 0.0, u.Engine.VMaxKPa
	for range 60 {
		if v := (lo + hi) / 2; u.Cup.OpenK*law(v, 0.5)+u.Leak.K*law(v, u.Leak.N) < u.Engine.flow(v) {
			lo = v
		} else {
			hi = v
		}
	}
	return (lo + hi) / 2
}

// durationS returns how long the run lasts without its pause.
func (s *Scenario) durationS(r *Run) float64 {
	d := 0.0
	for _, st := range s.Stations {
		if u := s.setup(r.Setups[st.Name]); u != nil && r.Picks > 0 {
			d = max(d, st.PhaseS+float64(r.Picks)*u.Cycle.CycleS)
		}
	}
	return d
}

// DurationS returns the plant time in seconds when the last run and its pause are over.
func (s *Scenario) DurationS() float64 {
	d := s.LeadS
	for i := range s.Runs {
		d += s.durationS(&s.Runs[i]) + s.Runs[i].PauseS
	}
	return d
}

func (s *Scenario) setup(name string) *Setup {
	for i := range s.Setups {
		if s.Setups[i].Name == name {
			return &s.Setups[i]
		}
	}
	return nil
}
