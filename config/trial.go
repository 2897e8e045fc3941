package config

import (
	"fmt"
	"math"
	"strconv"
)

// A Trial is a planned experiment: setups, runs and what is required. Numbers that the
// file does not state and that have no default are NaN.
type Trial struct {
	Path string
	Text []byte
	Name string

	Requirement Requirement
	Setups      []Setup
	Design      Design
	Runs        []Run

	setupAt []Fault // where each setup stands, without a text
}

// A Design is what the analysis must know of how the runs were planned. The zero Design is
// that of a trial whose plan says nothing.
type Design struct {
	Seed       int      // of the order of the runs
	WholePlots []string // factors that change seldom because changing them is dear
	Sequential bool     // drops are judged by Wald's sequential test, whose numbers follow
	GoodRate   float64  // drops per pick
	BadRate    float64
	Alpha      float64 // risk of calling the good rate bad
	Beta       float64 // risk of calling the bad rate good
}

// Factors are the names by which a design and a comparison call the fields of a Setup.
var Factors = []string{"bag", "cup", "cups", "placement", "tilt", "engine", "engine_setting"}

// Level returns the setup's level of one of Factors as text, "" for any other name.
func (s *Setup) Level(factor string) string {
	switch factor {
	case "bag":
		return s.Bag
	case "cup":
		return s.Cup
	case "cups":
		return strconv.Itoa(s.Cups)
	case "placement":
		return s.Placement
	case "tilt":
		return s.Tilt
	case "engine":
		return s.Engine
	case "engine_setting":
		return s.EngineSetting
	}
	return ""
}

// A Requirement is what a setup has to meet.
type Requirement struct {
	VacuumKPa      float64 // for setups that state none of their own
	Load           *Load   // in place of that, nil for none
	SealTimeLimitS float64
	SealTimeShare  float64 // share of picks that seal within the limit, 0 to 1
	VacuumMinKPa   float64 // lowest vacuum in carry
	VacuumShare    float64
	DropsMaxRate   float64 // drops per pick
	Confidence     float64 // 0 to 1
	PicksPerMinute float64
}

// A Load is what the cups have to carry. The vacuum that it requires of each setup is computed
// by analyze/lift, in record.ParseTrial.
type Load struct {
	MassKg         map[string]float64 // by bag; that of "" for all others
	DiameterMM     map[string]float64 // effective, of one cup, by cup; that of "" for all others
	Friction       float64            // of lip on film; NaN where no phase needs it
	FrictionSource string
	Safety         float64
	Phases         []Phase
}

// A Phase is a part of the cycle with one motion, of Motions.
type Phase struct {
	Motion          string
	AccelerationMS2 float64
}

// Motions are the motions of a load: what they mean is analyze/lift's.
var Motions = []string{"up", "level", "upright", "upright-away"}

// of returns what by says of name: its own value, else that of all others; NaN for neither.
func (l *Load) of(by map[string]float64, name string) float64 {
	for _, key := range []string{name, ""} {
		if x, ok := by[key]; ok {
			return x
		}
	}
	return math.NaN()
}

// MassOf returns the mass of a bag, kg.
func (l *Load) MassOf(bag string) float64 { return l.of(l.MassKg, bag) }

// DiameterOf returns the effective diameter of a cup, mm.
func (l *Load) DiameterOf(cup string) float64 { return l.of(l.DiameterMM, cup) }

// A Setup is one combination of factor levels.
type Setup struct {
	Name          string
	Bag           string
	Cup           string
	Cups          int
	Placement     string
	Tilt          string // quantity as written, "" where not stated
	Engine        string
	EngineSetting string
	VacuumKPa     float64 // its own required vacuum
}

// A Run is a number of picks made in one go, one setup a station.
type Run struct {
	Setups map[string]string // station name → setup name
	Piece  string            // id of the physical bag
	Picks  int               // on each station
}

// Setup returns the setup with the given name, nil where there is none.
func (t *Trial) Setup(name string) *Setup {
	for i := range t.Setups {
		if t.Setups[i].Name == name {
			return &t.Setups[i]
		}
	}
	return nil
}

// RequiredVacuumKPa returns the vacuum that the named setup has to reach: its own, else the
// requirement's. It is NaN where there is neither or no such setup.
func (t *Trial) RequiredVacuumKPa(setup string) float64 {
	s := t.Setup(setup)
	switch {
	case s == nil:
		return math.NaN()
	case math.IsNaN(s.VacuumKPa):
		return t.Requirement.VacuumKPa
	}
	return s.VacuumKPa
}

// SetupFault returns an error that points at setup i in the file.
func (t *Trial) SetupFault(i int, format string, args ...any) error {
	f := t.setupAt[i]
	f.Text = fmt.Sprintf(format, args...)
	return Faults{f}
}

// SHA256 returns the hash of the file as read, in hexadecimal.
func (t *Trial) SHA256() string { return hash(t.Text) }
