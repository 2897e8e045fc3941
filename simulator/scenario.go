package simulator

import (
	"fmt"
	"math"
)

// A Scenario is what the simulated rig does: setups, runs of picks, scatter, sensors and
// what goes wrong. Together with its Seed it fixes everything that happens, whoever looks
// and when.
type Scenario struct {
	Name     string
	Seed     uint64
	Stations []Station
	Centrals []Central
	Setups   []Setup
	Runs     []Run
	Sensors  []Sensor  // of channels that are not as their rig file says
	Troubles []Trouble // what goes wrong, and when

	AmbientKPa     float64   // absolute pressure of the air around; 0: 101.325
	AirK           float64   // its temperature; 0: 293.15 K
	LeadS          float64   // quiet time before the first run, s
	StepS          float64   // longest step of the integration, s; 0: 20 ms
	Tolerance      float64   // error allowed in a step, as a share of ambient pressure; 0: 2e-6
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
	Name    string
	PhaseS  float64 // its cycles begin so much after a run's start, s
	Central string  // name of the central engine that serves it; "": the setup's own engine
}

// A Central is an engine that serves several stations and always runs, with the volume of
// its header. Its energy is shared by flow.
type Central struct {
	Name    string
	Engine  Engine
	VolumeL float64
}

// A Run is a number of picks on every station that has a setup in it.
type Run struct {
	Setups map[string]string // station name → setup name; a station without one rests
	Piece  string            // id of the physical bag
	Picks  int               // on each station
	PauseS float64           // rest after the last station has done, s
}

// A Setup is one combination of bag, cups and engine with its cycle, as the physics needs it.
type Setup struct {
	Name, Bag, CupName string

	Engine  Engine
	Circuit Circuit
	Cup     Cup // each of the cups
	Cups    int // 0: one
	Leak    Leak
	Load    Load
	Cycle   Cycle

	RequiredKPa  float64 // vacuum that counts as sealed
	DropLevelKPa float64 // vacuum that counts as lost; 0: half the required

	SealProbability    float64    // that the lips close at all
	BadSealKPa         [2]float64 // where a pick that does not seal settles, evenly between these, kPa
	DropProbability    float64    // that a bag is lost while carried
	CupLossProbability float64    // that one cup of several loses the bag while it is carried
	DipProbability     float64    // that the lips open for DipS while carried, and close again
	DipKPa             float64    // where the vacuum would settle if a dip stayed, kPa
	DipS               float64
	Spells             Spells

	LeakScatter  Scatter
	CloseScatter Scatter
	Drift        Drift
}

// A Circuit is the way from the cups to the engine.
type Circuit struct {
	VolumeL   float64     // manifold with hoses; with no Branch, of the cups, too
	Branch    Restriction // from each cup to the manifold; the zero Restriction: the cups are part of it
	Line      Restriction // hose and filter from the manifold to the engine; the zero Restriction: it sits on the manifold
	EngineL   float64     // volume at the engine, behind Line
	WallTauS  float64     // the air takes up the wall's temperature with this time constant at ambient pressure; 0: at once
	Holds     bool        // a check valve keeps the vacuum when the supply shuts
	VentC     float64     // sonic conductance by which the shut supply vents, dm³/(s·bar); unused if Holds
	BlowC     float64     // of the blow-off, dm³/(s·bar); 0: no blow-off
	BlowKPa   float64     // its pressure above ambient, kPa
	OnDelayS  float64     // from a valve's command to its opening, s
	OffDelayS float64     // to its shutting, s
}

// A Cup is one suction cup, and how the bag's film meets it.
type Cup struct {
	VolumeL   float64 // with its branch; part of Circuit.VolumeL where there is no Branch
	OpenC     float64 // sonic conductance of the open cup, dm³/(s·bar), critical ratio 0.5
	CloseS    float64 // time the lip takes to close after contact, s
	LossOpenS float64 // time the lip takes to open when the bag is lost, s
	LipMM     float64 // diameter of the lip
	AreaMM2   float64 // effective, for the holding force
	StrokeL   float64 // volume that the bellows lose by their stroke
	StrokeKPa float64 // vacuum that takes them 1 − 1/e of the way
	FilmL     float64 // volume that the bag's film, drawn in, takes of the cup
	FilmKPa   float64 // vacuum that draws it 1 − 1/e of the way
	MoveS     float64 // time constant of both
	TiltDeg   float64 // of the lip towards the bag
	SpacingMM float64 // between the centres of neighbouring cups; 0: far apart
}

// A Leak is what a cup that sits on the bag lets in: K·Δpⁿ, in L/min ANR with Δp in kPa, N
// from 0.5 (wrinkles) to 1 (porous paper), straight to 0 below 1 kPa, and a sharp hole that
// chokes. With Wrinkles the leak begins WrinkleFactor times as large, and falls in so many
// equal steps as the film slips, each at a vacuum that is drawn between WrinkleKPa.
type Leak struct {
	K, N          float64
	HoleMM2       float64
	Wrinkles      int
	WrinkleFactor float64
	WrinkleKPa    [2]float64
}

// A Load is what the cups have to carry. Zero mass: anything holds.
type Load struct {
	MassKg  float64
	Mu      float64 // friction between lip and film
	Upright bool    // the cups' face is upright, so that friction carries the weight
	Phases  []Phase // from lift on; then at rest
	SlipMM  float64 // the bag is lost when it has slipped so far

	// The bag swings about the cups when they move sideways: its centre lies so far below
	// two cups that are SwingSpacingMM apart. 0: it does not.
	SwingMM, SwingSpacingMM float64
	SwingDamping            float64 // share of critical
	SwingLeak               float64 // the lips leak 1 + SwingLeak × angle (rad) times as much
}

// A Phase is a stretch of the motion with one acceleration.
type Phase struct {
	Name           string
	DurationS      float64
	UpMS2, SideMS2 float64 // SideMS2: off the face where it is upright
}

// Spells make drops cluster: a pick enters a bad spell with probability Enter, leaves it
// with Leave, and in it drops Factor times as often.
type Spells struct{ Enter, Leave, Factor float64 }

// A Drift is what changes slowly over the picks of a station.
type Drift struct {
	WearPer1000 float64 // by lip wear, the leak grows by this share of itself at first for each 1000 picks
	ClogPer1000 float64 // by dust, the line's resistance grows likewise
	HeatLoss    float64 // a warm engine draws less by this share
	HeatTauS    float64 // time constant of its warming
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

// maxRadius bounds the stiffness of a circuit in 1/s, and so the work for a second of it.
const maxRadius = 2e5

// maxCups is how many cups a station may have.
const maxCups = 16

// A PartError is a fault in one part of a scenario.
type PartError struct {
	Part  string // "stations", "centrals", "setups", "runs", "sensors", "faults"; "": the whole
	Index int    // in that list
	Text  string
}

// Error names the part and what is wanted.
func (e *PartError) Error() string {
	if e.Part == "" {
		return "scenario: " + e.Text
	}
	return fmt.Sprintf("%s[%d]: %s", e.Part, e.Index, e.Text)
}

func wrongPart(part string, i int, format string, args ...any) error {
	return &PartError{part, i, fmt.Sprintf(format, args...)}
}

// defaults fills in what 0 stands for.
func (s *Scenario) defaults() {
	for _, x := range []struct {
		v *float64
		d float64
	}{{&s.AmbientKPa, standardKPa}, {&s.AirK, anrK}, {&s.StepS, 0.02}, {&s.Tolerance, 2e-6}, {&s.IdleBandKPa, 3}} {
		if *x.v == 0 {
			*x.v = x.d
		}
	}
}

// Check returns what is wrong with the scenario, a *PartError, or nil.
func (s Scenario) Check() error {
	s.defaults()
	if len(s.Stations) == 0 {
		return wrongPart("", 0, "no stations")
	}
	if len(s.Setups) == 0 {
		return wrongPart("", 0, "no setups")
	}
	centrals := map[string]bool{}
	for i := range s.Centrals {
		c := &s.Centrals[i]
		if err := c.Engine.check(); err != nil {
			return wrongPart("centrals", i, "%s: %v", c.Name, err)
		}
		if centrals[c.Name] || c.Name == "" || !(c.VolumeL > 0) {
			return wrongPart("centrals", i, "%q: want a name of its own and a volume above 0 L", c.Name)
		}
		centrals[c.Name] = true
	}
	stations := map[string]string{}
	for i, st := range s.Stations {
		if _, twice := stations[st.Name]; twice {
			return wrongPart("stations", i, "two stations are named %q", st.Name)
		}
		if !(st.PhaseS >= 0) || st.PhaseS > 1e6 {
			return wrongPart("stations", i, "%q: phase is %v s; 0 or more is allowed", st.Name, st.PhaseS)
		}
		if st.Central != "" && !centrals[st.Central] {
			return wrongPart("stations", i, "%q: there is no central engine %q", st.Name, st.Central)
		}
		stations[st.Name] = st.Central
	}
	setups := map[string]int{}
	for i := range s.Setups {
		u := &s.Setups[i]
		if _, twice := setups[u.Name]; twice {
			return wrongPart("setups", i, "two setups are named %q", u.Name)
		}
		if err := s.checkSetup(u); err != nil {
			return wrongPart("setups", i, "%q: %v", u.Name, err)
		}
		setups[u.Name] = i
	}
	for i, r := range s.Runs {
		if r.Picks < 0 || !(r.PauseS >= 0) {
			return wrongPart("runs", i, "%d picks, pause %v s; neither may be negative", r.Picks, r.PauseS)
		}
		for st, u := range r.Setups {
			central, known := stations[st]
			k, found := setups[u]
			if !known || !found {
				return wrongPart("runs", i, "setup %q on station %q: no such setup or station", u, st)
			}
			if central != "" && s.Setups[k].Circuit.Line.none() {
				return wrongPart("runs", i, "setup %q on station %q: want a line to the central engine", u, st)
			}
		}
	}
	for _, x := range []struct {
		name string
		v    float64
	}{{"lead", s.LeadS}, {"step", s.StepS}, {"tolerance", s.Tolerance}, {"idle band", s.IdleBandKPa}, {"vacuum noise", s.Noise.VacuumKPa},
		{"flow noise", s.Noise.FlowLminANR}, {"power noise", s.Noise.PowerW}, {"air noise", s.Noise.AirLminANR},
		{"air pressure noise", s.Noise.AirPressureKPa}, {"vacuum lag", s.VacuumLagS}, {"air pressure", s.AirPressureKPa}} {
		if !(x.v >= 0) || math.IsInf(x.v, 1) {
			return wrongPart("", 0, "%s is %v; 0 or more is allowed", x.name, x.v)
		}
	}
	if !(s.AmbientKPa >= 50 && s.AmbientKPa <= 110 && s.AirK >= 230 && s.AirK <= 340) {
		return wrongPart("", 0, "ambient %v kPa and %v K; 50 to 110 kPa and 230 to 340 K are allowed", s.AmbientKPa, s.AirK)
	}
	for i := range s.Sensors {
		if err := s.Sensors[i].check(); err != nil {
			return wrongPart("sensors", i, "%v", err)
		}
	}
	for i := range s.Troubles {
		if err := s.Troubles[i].check(&s); err != nil {
			return wrongPart("faults", i, "%v", err)
		}
	}
	return nil
}

func (s *Scenario) checkSetup(u *Setup) error {
	if err := u.Engine.check(); err != nil {
		return err
	}
	c, k, w, l := &u.Cup, &u.Cycle, &u.Circuit, &u.Load
	delay := max(w.OnDelayS, w.OffDelayS)
	early := max(0, -(k.ContactS - 3*k.ContactSDS)) // latest start of the next pick is this much sooner
	probability := func(x ...float64) bool {
		for _, p := range x {
			if !(p >= 0 && p <= 1) {
				return false
			}
		}
		return true
	}
	notNegative := func(x ...float64) bool {
		for _, v := range x {
			if !(v >= 0) || math.IsInf(v, 1) {
				return false
			}
		}
		return true
	}
	restriction := func(r Restriction) bool {
		return notNegative(r.C, r.LengthM, r.DiameterMM) && r.B >= 0 && r.B < 0.9 && (r.LengthM > 0) == (r.DiameterMM > 0) &&
			!(r.LengthM > 0 && r.C > 0)
	}
	phases := 0.0
	for _, p := range l.Phases {
		if !(p.DurationS > 0) || math.IsNaN(p.UpMS2+p.SideMS2) || math.Abs(p.UpMS2)+math.Abs(p.SideMS2) > 1000 {
			return fmt.Errorf("want motion phases longer than 0 s with accelerations below 1000 m/s²")
		}
		phases += p.DurationS
	}
	rules := []struct {
		ok   bool
		want string
	}{
		{w.VolumeL > 0 && w.VolumeL < 1e4, "a volume above 0 L"},
		{restriction(w.Branch) && restriction(w.Line), "restrictions of 0 or more, critical ratio 0 to 0.9, or hoses with diameter and length"},
		{u.Cups >= 0 && u.Cups <= maxCups, "1 to 16 cups"},
		{w.Branch.none() || c.VolumeL > 0, "a volume of the cup above 0 L behind its branch"},
		{w.Line.none() || w.EngineL > 0, "a volume at the engine above 0 L behind its line"},
		{w.WallTauS >= 0, "a thermal time constant of 0 s or more"},
		{u.Leak.K >= 0 && u.Leak.K < 1e6 && u.Leak.N >= 0.5 && u.Leak.N <= 1 && notNegative(u.Leak.HoleMM2), "leak k of 0 or more and n of 0.5 to 1"},
		{u.Leak.Wrinkles == 0 || u.Leak.Wrinkles > 0 && u.Leak.Wrinkles < 100 && u.Leak.WrinkleFactor >= 1 && u.Leak.WrinkleFactor < 1e3 && u.Leak.WrinkleKPa[0] > 0 &&
			u.Leak.WrinkleKPa[1] >= u.Leak.WrinkleKPa[0] && u.Leak.WrinkleKPa[1] < 100, "wrinkles that let in 1 to 1000 times as much and slip at vacuums above 0"},
		{c.OpenC > 0 && c.CloseS > 0 && c.LossOpenS > 0, "open cup, closing time and opening time above 0"},
		{notNegative(c.StrokeL, c.FilmL, c.LipMM, c.AreaMM2, c.SpacingMM) && math.Abs(c.TiltDeg) < 60, "cup sizes of 0 or more and a tilt below 60°"},
		{c.StrokeL+c.FilmL == 0 || c.StrokeL+c.FilmL < 0.8*u.cupNodeL() && c.MoveS >= 1e-3, "bellows and film that take less than 0.8 of the cup's volume, in 1 ms or more"},
		{(c.StrokeL == 0 || c.StrokeKPa > 0) && (c.FilmL == 0 || c.FilmKPa > 0), "a vacuum above 0 that draws bellows or film"},
		{w.Holds || w.VentC > 0, "a venting conductance above 0, or a check valve"},
		{!w.Holds || w.BlowC > 0, "a blow-off where a check valve holds"},
		{notNegative(w.VentC, w.BlowC, w.BlowKPa, w.OnDelayS, w.OffDelayS) && w.BlowKPa < 1000, "blow-off and delays of 0 or more"},
		{u.RequiredKPa > 1 && u.RequiredKPa < 100, "a required vacuum between 1 kPa and 100 kPa"},
		{u.DropLevelKPa >= 0 && u.DropLevelKPa < u.RequiredKPa, "a drop level below the required vacuum"},
		{probability(u.SealProbability, u.DropProbability, u.DipProbability, u.CupLossProbability, u.Spells.Enter, u.Spells.Leave), "probabilities of 0 to 1"},
		{u.Spells.Enter == 0 || u.Spells.Leave > 0 && u.Spells.Factor >= 1, "spells that end and in which drops are more frequent"},
		{u.SealProbability == 1 || u.BadSealKPa[0] >= 1 && u.BadSealKPa[1] >= u.BadSealKPa[0] && u.BadSealKPa[1] < u.RequiredKPa,
			"bad seals that settle from 1 kPa to below the required vacuum"},
		{u.DipProbability == 0 || u.DipKPa >= 1 && u.DipKPa < u.Engine.deepest(s.AmbientKPa) && u.DipS > 0, "dips from 1 kPa up and longer than 0 s"},
		{notNegative(u.LeakScatter.Setup, u.LeakScatter.Piece, u.LeakScatter.Run, u.LeakScatter.Pick, u.CloseScatter.Setup, u.CloseScatter.Piece,
			u.CloseScatter.Run, u.CloseScatter.Pick), "scatter of 0 or more"},
		{notNegative(u.Drift.WearPer1000, u.Drift.ClogPer1000, u.Drift.HeatLoss, u.Drift.HeatTauS) && u.Drift.HeatLoss < 1 &&
			(u.Drift.HeatLoss == 0 || u.Drift.HeatTauS > 0), "drifts of 0 or more"},
		{notNegative(l.MassKg, l.SlipMM, l.SwingMM, l.SwingSpacingMM, l.SwingDamping, l.SwingLeak), "a load of 0 or more"},
		{l.MassKg == 0 || c.AreaMM2 > 0 && l.Mu > 0 && l.SlipMM > 0, "effective area, friction and slip above 0 for a load"},
		{l.SwingMM == 0 || l.SwingSpacingMM > 0 && l.SwingDamping < 1 && l.MassKg > 0, "a load, a spacing above 0 and damping below 1 for a swing"},
		{k.ContactSDS >= 0 && k.JitterS >= 0, "contact scatter and jitter of 0 or more"},
		{k.LiftS > 0 && k.LiftS > k.ContactS && k.PlaceS > k.LiftS && k.ReleaseS >= k.PlaceS, "contact, lift, place and release in this order"},
		{k.SupplyOffS > k.LiftS && k.SupplyOffS <= k.ReleaseS, "supply off after lift, at the latest with the release"},
		{k.PulseS >= minPulseS, "a release pulse of at least 20 ms"},
		{k.LiftS+phases <= k.PlaceS+1e-9, "motion phases that end before the bag is placed"},
		{k.ReleaseS+k.PulseS+delay+k.JitterS+early < k.CycleS, "a cycle that outlasts the release pulse"},
	}
	for _, r := range rules {
		if !r.ok {
			return fmt.Errorf("want %s", r.want)
		}
	}
	if n := soleNetwork(s, u); !(n.radius() < maxRadius) {
		return fmt.Errorf("want a volume that fills slower: raise it, or narrow the cup")
	}
	return nil
}

// cups returns how many cups a station with the setup has.
func (u *Setup) cups() int { return max(1, u.Cups) }

// cupNodeL returns the volume of the node that a cup is part of.
func (u *Setup) cupNodeL() float64 {
	if u.Circuit.Branch.none() {
		return u.Circuit.VolumeL / float64(u.cups())
	}
	return u.Cup.VolumeL
}

// dropLevelKPa returns the vacuum below which a sealed bag counts as lost.
func (u *Setup) dropLevelKPa() float64 {
	if u.DropLevelKPa > 0 {
		return u.DropLevelKPa
	}
	return u.RequiredKPa / 2
}

// open returns the restriction of the open cup.
func (c *Cup) open() Restriction { return Restriction{C: c.OpenC, B: 0.5} }

// LeakFactor returns how much more than at rest on a flat bag the lips leak by tilt and by
// neighbours that are too near. A tilt of 4° towards the bag is best, 0.7 of none; 15° leaks
// three times as much. Lips nearer than a third of their diameter share the film's folds.
// Both are choices of this model: rules of practice, put into a formula.
func (u *Setup) LeakFactor() float64 {
	off := (math.Abs(u.Cup.TiltDeg) - 4) / 6
	f := (1 + off*off) / (1 + 4./6*4./6)
	if gap, third := u.Cup.SpacingMM-u.Cup.LipMM, u.Cup.LipMM/3; u.cups() > 1 && u.Cup.SpacingMM > 0 && gap < third {
		near := 1 - max(0, gap)/third
		f *= 1 + 3*near*near
	}
	return f
}

// gapFor returns the open part of every cup, 0 to 1, with which the vacuum settles at vKPa
// on this engine without a leak or a loss on the way.
func (u *Setup) gapFor(vKPa, ambientKPa float64) float64 {
	p := ambientKPa - vKPa
	open := u.Cup.open().iso(ambientKPa, anrK, p) * float64(u.cups())
	return min(1, u.Engine.drawn(ambientKPa, p, anrK, 1)/open)
}

// OpenSuctionKPa returns the vacuum at which the engine settles with no bag on the cups,
// at standard ambient and without losses on the way.
func (u *Setup) OpenSuctionKPa() float64 {
	lo, hi := 0.0, u.Engine.deepest(standardKPa)
	for range 60 {
		v := (lo + hi) / 2
		p := standardKPa - v
		in := float64(u.cups()) * (u.Cup.open().iso(standardKPa, anrK, p) + u.Leak.K/60*law(v, u.Leak.N))
		if in < u.Engine.drawn(standardKPa, p, anrK, 1) {
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

func (s *Scenario) central(name string) *Central {
	for i := range s.Centrals {
		if s.Centrals[i].Name == name {
			return &s.Centrals[i]
		}
	}
	return nil
}
