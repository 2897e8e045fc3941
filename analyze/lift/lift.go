// Package lift computes the vacuum that a load needs at the cups, and the acceleration that
// a vacuum allows: statics of bags under suction cups. It comes after config and before
// report.
package lift

import (
	"fmt"
	"math"
	"slices"
)

// GravityMS2 is the standard acceleration of free fall, m/s² (exact by definition).
const GravityMS2 = 9.80665

// SeaLevelKPa is the pressure of the U.S. Standard Atmosphere 1976 at height 0.
const SeaLevelKPa = 101.325

// A Motion is how cup and load are accelerated.
type Motion string

// The motions. The required force of all cups together, for mass m, acceleration a,
// friction μ and safety S (statics: the normal force must carry what pulls off, and its
// friction what pulls along the face):
const (
	Up          Motion = "up"           // face level, a upwards: m(g+a)·S
	Level       Motion = "level"        // face level, a sideways: m(g+a/μ)·S
	Upright     Motion = "upright"      // face upright, a upwards, in the face: m(g+a)/μ·S
	UprightAway Motion = "upright-away" // face upright, a off the face: m(g/μ+a)·S
)

// Motions lists the motions.
var Motions = []Motion{Up, Level, Upright, UprightAway}

// NeedsFriction reports whether friction carries a part of the load.
func (m Motion) NeedsFriction() bool { return m != Up }

// A Phase is a part of the cycle with one motion.
type Phase struct {
	Motion          Motion
	AccelerationMS2 float64 // 0 or more
}

// String writes the phase as "up 6 m/s²".
func (p Phase) String() string { return fmt.Sprintf("%s %.4g m/s²", p.Motion, p.AccelerationMS2) }

// forcePerKg returns the force of all cups for 1 kg, m/s², at safety 1.
func (p Phase) forcePerKg(friction float64) float64 {
	a := p.AccelerationMS2
	switch p.Motion {
	case Up:
		return GravityMS2 + a
	case Level:
		return GravityMS2 + a/friction
	case Upright:
		return (GravityMS2 + a) / friction
	case UprightAway:
		return GravityMS2/friction + a
	}
	return math.NaN()
}

// acceleration is the inverse of forcePerKg.
func (m Motion) acceleration(forcePerKg, friction float64) float64 {
	switch m {
	case Up:
		return forcePerKg - GravityMS2
	case Level:
		return (forcePerKg - GravityMS2) * friction
	case Upright:
		return forcePerKg*friction - GravityMS2
	case UprightAway:
		return forcePerKg - GravityMS2/friction
	}
	return math.NaN()
}

// A Load is what the cups carry and how.
type Load struct {
	MassKg              float64
	Cups                int
	EffectiveDiameterMM float64 // of the area that pulls, of one cup
	Friction            float64 // lip on film; NaN where no phase needs it
	Safety              float64 // the user's factor, 1 or more
	AmbientKPa          float64 // absolute pressure around
	HoldKPa             float64 // vacuum held at the cups; NaN where not stated
	Phases              []Phase
}

// A Needed is a phase with what it needs.
type Needed struct {
	Phase
	RequiredVacuumKPa float64 // safety included
	ForcePerCupN      float64 // safety included
	Possible          bool    // below ambient
}

// A Result is the vacuum that a load needs, safety included.
type Result struct {
	RequiredVacuumKPa float64 // of the ruling phase
	PercentOfAmbient  float64
	ForcePerCupN      float64
	Possible          bool // the required vacuum lies below ambient
	Held              bool // a hold vacuum is stated, and is enough
	Ruling            Phase
	Phases            []Needed // as asked

	// What HoldKPa allows in each motion of the phases, safety included, m/s²: NaN without a
	// hold vacuum, and where it does not even carry the load at rest.
	MaxAccelerationMS2 map[Motion]float64

	// What the ruling phase needs where one of the cups is lost, on a circuit that keeps its
	// vacuum, and the others share the load evenly. NaN with one cup.
	OneCupLostKPa float64

	// What would make an impossible load possible: the least number of cups, the least
	// effective diameter, the greatest mass. Each alone, at a vacuum of UsableKPa.
	UsableKPa     float64
	CupsNeeded    int
	DiameterMM    float64
	MassAllowedKg float64
}

// AreaMM2 returns the area of a circle of the given diameter.
func AreaMM2(diameterMM float64) float64 { return math.Pi / 4 * diameterMM * diameterMM }

// EffectiveDiameterMM returns the diameter of the area that pulls, from a measured pull:
// the force of one cup at a vacuum, d = √(4F/(πv)), N over kPa being 1000 mm².
func EffectiveDiameterMM(pullN, vacuumKPa float64) float64 {
	return math.Sqrt(4 * pullN / (math.Pi * vacuumKPa) * 1000)
}

// usable is the share of ambient that an engine at its best is taken to reach, for hints on
// impossible loads. Common practice, no source.
const usable = 0.85

// Required returns what the load needs. The error says in one line which input has no
// meaning. Statics: see the motions.
func Required(l Load) (Result, error) {
	if err := l.check(); err != nil {
		return Result{}, err
	}
	area := float64(l.Cups) * AreaMM2(l.EffectiveDiameterMM)
	r := Result{MaxAccelerationMS2: map[Motion]float64{}, OneCupLostKPa: math.NaN(), UsableKPa: usable * l.AmbientKPa}
	ruling := math.Inf(-1)
	for _, p := range l.Phases {
		force := l.MassKg * p.forcePerKg(l.Friction) * l.Safety
		n := Needed{Phase: p, RequiredVacuumKPa: force / area * 1000, ForcePerCupN: force / float64(l.Cups)}
		n.Possible = n.RequiredVacuumKPa < l.AmbientKPa
		r.Phases = append(r.Phases, n)
		if force > ruling {
			ruling = force
			r.RequiredVacuumKPa, r.ForcePerCupN, r.Ruling, r.Possible = n.RequiredVacuumKPa, n.ForcePerCupN, p, n.Possible
		}
		a := p.Motion.acceleration(l.HoldKPa*area/1000/(l.MassKg*l.Safety), l.Friction)
		if !(a >= 0) {
			a = math.NaN()
		}
		r.MaxAccelerationMS2[p.Motion] = a
	}
	r.PercentOfAmbient = 100 * r.RequiredVacuumKPa / l.AmbientKPa
	r.Held = l.HoldKPa >= r.RequiredVacuumKPa
	if l.Cups > 1 {
		r.OneCupLostKPa = r.RequiredVacuumKPa * float64(l.Cups) / float64(l.Cups-1)
	}
	more := r.RequiredVacuumKPa / r.UsableKPa // of area, at the usable vacuum
	r.CupsNeeded = int(math.Ceil(more*float64(l.Cups) - 1e-9))
	r.DiameterMM = l.EffectiveDiameterMM * math.Sqrt(more)
	r.MassAllowedKg = l.MassKg / more
	return r, nil
}

func (l Load) check() error {
	for _, x := range []struct {
		name  string
		value float64
	}{
		{"mass", l.MassKg}, {"effective diameter", l.EffectiveDiameterMM}, {"ambient pressure", l.AmbientKPa},
	} {
		if !(x.value > 0) || math.IsInf(x.value, 0) {
			return fmt.Errorf("the %s is %g; want more than 0", x.name, x.value)
		}
	}
	switch {
	case l.Cups < 1:
		return fmt.Errorf("%d cups; want 1 or more", l.Cups)
	case !(l.Safety >= 1) || math.IsInf(l.Safety, 0):
		return fmt.Errorf("the safety factor is %g; want 1 or more", l.Safety)
	case len(l.Phases) == 0:
		return fmt.Errorf("no phase is stated; want at least one such as \"up 5 m/s2\"")
	case l.HoldKPa <= 0 || l.HoldKPa >= l.AmbientKPa:
		return fmt.Errorf("the hold vacuum is %g kPa; want more than 0 and less than the pressure around, %.4g kPa", l.HoldKPa, l.AmbientKPa)
	}
	for _, p := range l.Phases {
		switch {
		case !slices.Contains(Motions, p.Motion):
			return fmt.Errorf("phase %q is unknown; want up, level, upright or upright-away", p.Motion)
		case !(p.AccelerationMS2 >= 0) || math.IsInf(p.AccelerationMS2, 0):
			return fmt.Errorf("phase %s: the acceleration is %g m/s²; want 0 or more", p.Motion, p.AccelerationMS2)
		case p.Motion.NeedsFriction() && !(l.Friction > 0 && l.Friction <= 2):
			return fmt.Errorf("phase %s needs the friction of lip on film, more than 0 and at most 2", p.Motion)
		}
	}
	return nil
}
