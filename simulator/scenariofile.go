package simulator

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"griptrial/config"
)

// A FileError is a fault in a scenario file, as one line: file:line:column: what.
type FileError struct {
	File         string
	Line, Column int
	Text         string
}

// Error returns the one line.
func (e *FileError) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Text)
}

// maxScenarioBytes bounds what is read of a file.
const maxScenarioBytes = 512 << 10

// LoadScenario reads a scenario file. See ParseScenario.
func LoadScenario(path string) (*Scenario, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return ParseScenario(path, text)
}

// ParseScenario reads the text of a scenario file; name is what messages call it. Unknown
// and doubled keys, quantities without a unit and impossible numbers are refused: the error
// is a *FileError, the first fault found.
func ParseScenario(name string, text []byte) (sc *Scenario, err error) {
	defer func() {
		if r := recover(); r != nil { // the parser is another project's
			sc, err = nil, &FileError{name, 1, 1, "the text cannot be read as YAML"}
		}
	}()
	if len(text) > maxScenarioBytes {
		return nil, &FileError{name, 1, 1, fmt.Sprintf("the file is larger than %d KiB", maxScenarioBytes>>10)}
	}
	// The parser recurses, and a deep text would hold it up.
	for i, line := range strings.Split(string(text), "\n") {
		if depth := len(line) - len(strings.TrimLeft(line, " [{-?")); depth > 60 || strings.Count(line, "[")+strings.Count(line, "{") > 60 {
			return nil, &FileError{name, i + 1, 1, "nested too deeply"}
		}
	}
	var f scenarioFile
	if err := yaml.UnmarshalWithOptions(text, &f, yaml.Strict()); err != nil {
		return nil, placed(name, err)
	}
	s, err := f.scenario()
	if err == nil {
		err = s.Check()
	}
	var part *PartError
	if errors.As(err, &part) {
		at := position{1, 1}
		if list := f.positions()[part.Part]; part.Index < len(list) {
			at = list[part.Index]
		}
		return nil, &FileError{name, at.line, at.column, part.Text}
	}
	if err != nil {
		return nil, &FileError{name, 1, 1, err.Error()}
	}
	return s, nil
}

// placed turns an error of the parser, or of a value in it, into one line.
func placed(name string, err error) error {
	var own *valueError
	if errors.As(err, &own) {
		return &FileError{name, own.at.line, own.at.column, own.text}
	}
	var y yaml.Error
	if errors.As(err, &y) {
		text, _, _ := strings.Cut(y.GetMessage(), "\n")
		if t := y.GetToken(); t != nil && t.Position != nil {
			return &FileError{name, t.Position.Line, t.Position.Column, text}
		}
		return &FileError{name, 1, 1, text}
	}
	text, _, _ := strings.Cut(err.Error(), "\n")
	return &FileError{name, 1, 1, text}
}

// A position is where something stands in a file, from 1.
type position struct{ line, column int }

func at(n ast.Node) position {
	if m, ok := n.(*ast.MappingNode); ok && len(m.Values) > 0 {
		n = m.Values[0].Key
	}
	if t := n.GetToken(); t != nil && t.Position != nil {
		return position{t.Position.Line, t.Position.Column}
	}
	return position{1, 1}
}

// A valueError is a fault in one value.
type valueError struct {
	at   position
	text string
}

func (e *valueError) Error() string { return e.text }

// scalar returns the text of a single value.
func scalar(n ast.Node) (string, error) {
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode, *ast.SequenceNode, *ast.NullNode:
		return "", &valueError{at(n), "want a single value"}
	}
	if s, ok := n.(*ast.StringNode); ok {
		return s.Value, nil
	}
	return n.GetToken().Value, nil
}

// quantity reads a number with a unit; into is set where it is right.
func readQuantity(n ast.Node, d config.Dimension, into *float64) error {
	text, err := scalar(n)
	if err != nil {
		return err
	}
	x, err := config.Parse(d, text)
	if err != nil {
		return &valueError{at(n), err.Error()}
	}
	*into = x
	return nil
}

// Quantities by what they measure; each reads itself with its unit.
type (
	pressure     float64
	flowRate     float64
	duration     float64
	length       float64
	volume       float64
	mass         float64
	acceleration float64
	watts        float64
	share        float64
	angle        float64
	celsius      float64
	specific     float64
	altitude     float64 // m
	conductance  float64 // dm³/(s·bar)
	area         float64 // mm²
)

func (x *pressure) UnmarshalYAML(n ast.Node) error {
	return readQuantity(n, config.Pressure, (*float64)(x))
}
func (x *flowRate) UnmarshalYAML(n ast.Node) error {
	return readQuantity(n, config.Flow, (*float64)(x))
}
func (x *duration) UnmarshalYAML(n ast.Node) error {
	return readQuantity(n, config.Time, (*float64)(x))
}
func (x *length) UnmarshalYAML(n ast.Node) error {
	return readQuantity(n, config.Length, (*float64)(x))
}
func (x *volume) UnmarshalYAML(n ast.Node) error {
	return readQuantity(n, config.Volume, (*float64)(x))
}
func (x *mass) UnmarshalYAML(n ast.Node) error { return readQuantity(n, config.Mass, (*float64)(x)) }
func (x *acceleration) UnmarshalYAML(n ast.Node) error {
	return readQuantity(n, config.Acceleration, (*float64)(x))
}
func (x *watts) UnmarshalYAML(n ast.Node) error { return readQuantity(n, config.Power, (*float64)(x)) }
func (x *share) UnmarshalYAML(n ast.Node) error { return readQuantity(n, config.Share, (*float64)(x)) }
func (x *angle) UnmarshalYAML(n ast.Node) error { return readQuantity(n, config.Angle, (*float64)(x)) }
func (x *celsius) UnmarshalYAML(n ast.Node) error {
	return readQuantity(n, config.Temperature, (*float64)(x))
}
func (x *specific) UnmarshalYAML(n ast.Node) error {
	return readQuantity(n, config.SpecificEnergy, (*float64)(x))
}

var withUnit = regexp.MustCompile(`^([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)$`)

// readSuffixed reads a number with the one unit that this package alone has a use for.
func readSuffixed(n ast.Node, into *float64, units ...string) error {
	text, err := scalar(n)
	if err != nil {
		return err
	}
	m := withUnit.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil || !slices.Contains(units, m[2]) {
		return &valueError{at(n), fmt.Sprintf("%q is no number with the unit %s", text, units[0])}
	}
	x, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		return &valueError{at(n), fmt.Sprintf("%q is too large a number", text)}
	}
	*into = x
	return nil
}

func (x *altitude) UnmarshalYAML(n ast.Node) error { return readSuffixed(n, (*float64)(x), "m") }
func (x *conductance) UnmarshalYAML(n ast.Node) error {
	return readSuffixed(n, (*float64)(x), "dm3/(s bar)", "dm³/(s·bar)")
}
func (x *area) UnmarshalYAML(n ast.Node) error { return readSuffixed(n, (*float64)(x), "mm2", "mm²") }

// The file. Its pieces are pointers where leaving one out differs from 0.
type scenarioFile struct {
	Name           string                 `yaml:"name"`
	Seed           uint64                 `yaml:"seed"`
	Ambient        pressure               `yaml:"ambient"`
	Altitude       *altitude              `yaml:"altitude"`
	AirTemperature *celsius               `yaml:"air_temperature"`
	AirPressure    pressure               `yaml:"air_pressure"`
	Lead           duration               `yaml:"lead"`
	Levels         []pressure             `yaml:"levels"`
	Noise          fileNoise              `yaml:"noise"`
	VacuumLag      duration               `yaml:"vacuum_lag"`
	Engines        map[string]fileEngine  `yaml:"engines"`
	Cups           map[string]fileCup     `yaml:"cups"`
	Bags           map[string]fileBag     `yaml:"bags"`
	Circuits       map[string]fileCircuit `yaml:"circuits"`
	Cycles         map[string]fileCycle   `yaml:"cycles"`
	Centrals       []fileCentral          `yaml:"centrals"`
	Stations       []fileStation          `yaml:"stations"`
	Setups         []fileSetup            `yaml:"setups"`
	Runs           []fileRun              `yaml:"runs"`
	Sensors        []fileSensor           `yaml:"sensors"`
	Faults         []fileFault            `yaml:"faults"`
}

type fileNoise struct {
	Vacuum      pressure `yaml:"vacuum"`
	Flow        flowRate `yaml:"flow"`
	Power       watts    `yaml:"power"`
	Air         flowRate `yaml:"air"`
	AirPressure pressure `yaml:"air_pressure"`
}

type fileEngine struct {
	Kind           string      `yaml:"kind"`
	Flow           flowRate    `yaml:"flow"`
	Deepest        pressure    `yaml:"deepest"`
	Curve          []filePoint `yaml:"curve"`
	Speed          flowRate    `yaml:"speed"` // of a pump: what it draws at 101.325 kPa
	Ultimate       pressure    `yaml:"ultimate"`
	Air            flowRate    `yaml:"air"`
	AirPressure    pressure    `yaml:"air_pressure"`
	SpecificEnergy specific    `yaml:"specific_energy"`
	Power          watts       `yaml:"power"`
	PowerPerKPa    watts       `yaml:"power_per_kPa"`
	IdlePower      watts       `yaml:"idle_power"`
	SaveAir        *fileSaving `yaml:"save_air"`
}

type filePoint struct {
	Vacuum pressure `yaml:"vacuum"`
	Flow   flowRate `yaml:"flow"`
}

type fileSaving struct {
	Off pressure `yaml:"off"`
	On  pressure `yaml:"on"`
}

type fileRestriction struct {
	C        conductance `yaml:"C"`
	B        float64     `yaml:"b"`
	Diameter length      `yaml:"diameter"`
	Length   length      `yaml:"length"`
}

type fileCup struct {
	Volume  volume      `yaml:"volume"`
	Open    conductance `yaml:"open"`
	Close   duration    `yaml:"close"`
	Tear    duration    `yaml:"tear"`
	Lip     length      `yaml:"lip"`
	Area    area        `yaml:"effective_area"`
	Bellows *fileTaken  `yaml:"bellows"`
}

type fileTaken struct {
	Volume volume   `yaml:"volume"`
	At     pressure `yaml:"at"`
	Within duration `yaml:"within"`
}

type fileBag struct {
	Leak     fileLeak    `yaml:"leak"`
	Film     *fileTaken  `yaml:"film"`
	Seals    *share      `yaml:"seals"`
	BadSeal  []pressure  `yaml:"bad_seal"`
	Drops    share       `yaml:"drops"`
	CupLoss  share       `yaml:"cup_loss"`
	Dips     *fileDips   `yaml:"dips"`
	Spells   *fileSpells `yaml:"spells"`
	Scatter  fileScatter `yaml:"leak_scatter"`
	Closing  fileScatter `yaml:"close_scatter"`
	Mass     mass        `yaml:"mass"`
	Friction float64     `yaml:"friction"`
	Slip     length      `yaml:"slip"`
}

type fileLeak struct {
	Flow     flowRate      `yaml:"flow"`
	At       pressure      `yaml:"at"`
	N        float64       `yaml:"n"`
	Hole     area          `yaml:"hole"`
	Wrinkles *fileWrinkles `yaml:"wrinkles"`
}

type fileWrinkles struct {
	Steps  int        `yaml:"steps"`
	Factor float64    `yaml:"factor"`
	Slip   []pressure `yaml:"slip"`
}

type fileDips struct {
	Share share    `yaml:"share"`
	To    pressure `yaml:"to"`
	For   duration `yaml:"for"`
}

type fileSpells struct {
	Enter  share   `yaml:"enter"`
	Leave  share   `yaml:"leave"`
	Factor float64 `yaml:"factor"`
}

type fileScatter struct {
	Setup share `yaml:"setup"`
	Piece share `yaml:"piece"`
	Run   share `yaml:"run"`
	Pick  share `yaml:"pick"`
}

type fileCircuit struct {
	Volume       volume          `yaml:"volume"`
	Branch       fileRestriction `yaml:"branch"`
	Line         fileRestriction `yaml:"line"`
	EngineVolume volume          `yaml:"engine_volume"`
	Wall         duration        `yaml:"wall"`
	SupplyOff    string          `yaml:"supply_off"` // "vents" or "holds"
	Vent         conductance     `yaml:"vent"`
	Blow         conductance     `yaml:"blow"`
	BlowPressure pressure        `yaml:"blow_pressure"`
	OnDelay      duration        `yaml:"on_delay"`
	OffDelay     duration        `yaml:"off_delay"`
}

type fileCycle struct {
	Contact   duration    `yaml:"contact"`
	ContactSD duration    `yaml:"contact_sd"`
	Lift      duration    `yaml:"lift"`
	Place     duration    `yaml:"place"`
	SupplyOff duration    `yaml:"supply_off"`
	Release   duration    `yaml:"release"`
	Pulse     duration    `yaml:"pulse"`
	Cycle     duration    `yaml:"cycle"`
	Jitter    duration    `yaml:"jitter"`
	Upright   bool        `yaml:"upright"`
	Motion    []filePhase `yaml:"motion"`
	Swing     *fileSwing  `yaml:"swing"`
}

type filePhase struct {
	Name string       `yaml:"name"`
	For  duration     `yaml:"for"`
	Up   acceleration `yaml:"up"`
	Side acceleration `yaml:"side"`
}

type fileSwing struct {
	Below   length  `yaml:"below"`
	Damping share   `yaml:"damping"`
	Leak    float64 `yaml:"leak"` // per rad
}

type fileCentral struct {
	Name   string `yaml:"name"`
	Engine string `yaml:"engine"`
	Header volume `yaml:"header"`

	at position
}

type fileStation struct {
	Name    string   `yaml:"name"`
	Phase   duration `yaml:"phase"`
	Central string   `yaml:"central"`

	at position
}

type fileSetup struct {
	Name     string    `yaml:"name"`
	Bag      string    `yaml:"bag"`
	Cup      string    `yaml:"cup"`
	Cups     int       `yaml:"cups"`
	Tilt     angle     `yaml:"tilt"`
	Spacing  length    `yaml:"spacing"`
	Engine   string    `yaml:"engine"`
	Circuit  string    `yaml:"circuit"`
	Cycle    string    `yaml:"cycle"`
	Required pressure  `yaml:"required"`
	Drop     pressure  `yaml:"drop_level"`
	Drift    fileDrift `yaml:"drift"`

	at position
}

type fileDrift struct {
	Wear       share    `yaml:"wear_per_1000"`
	Clog       share    `yaml:"clog_per_1000"`
	HeatLoss   share    `yaml:"heat_loss"`
	HeatWithin duration `yaml:"heat_within"`
}

type fileRun struct {
	Setups map[string]string `yaml:"setups"`
	Piece  string            `yaml:"piece"`
	Picks  int               `yaml:"picks"`
	Pause  duration          `yaml:"pause"`

	at position
}

// Sensors and faults have values in the unit of their channel, which the scenario does not
// know: any unit of a measured kind will do.
type fileSensor struct {
	Channel    string     `yaml:"channel"`
	At         string     `yaml:"at"`
	Range      []anyValue `yaml:"range"`
	Resolution *anyValue  `yaml:"resolution"`
	Noise      *anyValue  `yaml:"noise"`
	Offset     anyValue   `yaml:"offset"`
	DriftPerH  anyValue   `yaml:"drift_per_hour"`
	DriftTau   duration   `yaml:"drift_within"`
	Lag        *duration  `yaml:"lag"`
	Update     *duration  `yaml:"update"`

	at position
}

type fileFault struct {
	Kind     string    `yaml:"fault"`
	FromPick int       `yaml:"from_pick"`
	ToPick   int       `yaml:"to_pick"`
	From     duration  `yaml:"from"`
	To       duration  `yaml:"to"`
	Station  string    `yaml:"station"`
	Channel  string    `yaml:"channel"`
	Bus      string    `yaml:"bus"`
	Device   string    `yaml:"device"`
	Every    int       `yaml:"every"`
	Factor   float64   `yaml:"factor"`
	Pressure *pressure `yaml:"pressure"`
	By       *duration `yaml:"by"`
	Noise    *anyValue `yaml:"noise"`
	Code     int       `yaml:"code"`

	at position
}

// anyValue is a pressure, a flow or a power, in the unit in which channels keep them.
type anyValue float64

func (x *anyValue) UnmarshalYAML(n ast.Node) error {
	var first error
	for _, d := range []config.Dimension{config.Pressure, config.Flow, config.Power} {
		err := readQuantity(n, d, (*float64)(x))
		if err == nil {
			return nil
		}
		if first == nil {
			first = err
		}
	}
	return first
}

// The parts that Check names know where they stand.
func strictly(n ast.Node, into any, here *position) error {
	*here = at(n)
	return yaml.NodeToValue(n, into, yaml.Strict())
}

func (x *fileCentral) UnmarshalYAML(n ast.Node) error {
	type plain fileCentral
	return strictly(n, (*plain)(x), &x.at)
}

func (x *fileStation) UnmarshalYAML(n ast.Node) error {
	type plain fileStation
	return strictly(n, (*plain)(x), &x.at)
}

func (x *fileSetup) UnmarshalYAML(n ast.Node) error {
	type plain fileSetup
	return strictly(n, (*plain)(x), &x.at)
}

func (x *fileRun) UnmarshalYAML(n ast.Node) error {
	type plain fileRun
	return strictly(n, (*plain)(x), &x.at)
}

func (x *fileSensor) UnmarshalYAML(n ast.Node) error {
	type plain fileSensor
	return strictly(n, (*plain)(x), &x.at)
}

func (x *fileFault) UnmarshalYAML(n ast.Node) error {
	type plain fileFault
	return strictly(n, (*plain)(x), &x.at)
}

func (f *scenarioFile) positions() map[string][]position {
	all := map[string][]position{}
	for _, x := range f.Centrals {
		all["centrals"] = append(all["centrals"], x.at)
	}
	for _, x := range f.Stations {
		all["stations"] = append(all["stations"], x.at)
	}
	for _, x := range f.Setups {
		all["setups"] = append(all["setups"], x.at)
	}
	for _, x := range f.Runs {
		all["runs"] = append(all["runs"], x.at)
	}
	for _, x := range f.Sensors {
		all["sensors"] = append(all["sensors"], x.at)
	}
	for _, x := range f.Faults {
		all["faults"] = append(all["faults"], x.at)
	}
	return all
}

// named finds what a part refers to.
func named[T any](from map[string]T, name, what, part string, i int) (T, error) {
	x, ok := from[name]
	if !ok {
		return x, wrongPart(part, i, "%s %q is unknown; known are %q", what, name, slices.Sorted(maps.Keys(from)))
	}
	return x, nil
}

// scenario puts the pieces together.
func (f *scenarioFile) scenario() (*Scenario, error) {
	s := &Scenario{Name: f.Name, Seed: f.Seed, LeadS: float64(f.Lead), AmbientKPa: float64(f.Ambient), AirPressureKPa: float64(f.AirPressure),
		VacuumLagS: float64(f.VacuumLag), Noise: Noise{float64(f.Noise.Vacuum), float64(f.Noise.Flow), float64(f.Noise.Power), float64(f.Noise.Air), float64(f.Noise.AirPressure)}}
	switch {
	case f.Name == "":
		return nil, wrongPart("", 0, "name is not stated")
	case f.Ambient != 0 && f.Altitude != nil:
		return nil, wrongPart("", 0, "ambient and altitude are both stated; want one of them")
	case f.Altitude != nil && !(*f.Altitude >= -400 && *f.Altitude <= 5500):
		return nil, wrongPart("", 0, "altitude %v m; -400 to 5500 m is allowed", float64(*f.Altitude))
	case f.Altitude != nil:
		s.AmbientKPa, _ = Atmosphere(float64(*f.Altitude))
	}
	if f.AirTemperature != nil {
		s.AirK = float64(*f.AirTemperature) + 273.15
	}
	for _, v := range f.Levels {
		s.LevelsKPa = append(s.LevelsKPa, float64(v))
	}
	for i, x := range f.Centrals {
		e, err := named(f.Engines, x.Engine, "engine", "centrals", i)
		if err != nil {
			return nil, err
		}
		s.Centrals = append(s.Centrals, Central{x.Name, e.engine(x.Engine), float64(x.Header)})
	}
	for _, x := range f.Stations {
		s.Stations = append(s.Stations, Station{x.Name, float64(x.Phase), x.Central})
	}
	for i := range f.Setups {
		u, err := f.setup(i)
		if err != nil {
			return nil, err
		}
		s.Setups = append(s.Setups, u)
	}
	for _, x := range f.Runs {
		s.Runs = append(s.Runs, Run{x.Setups, x.Piece, x.Picks, float64(x.Pause)})
	}
	for i, x := range f.Sensors {
		y := NewSensor(x.Channel)
		y.At, y.Offset, y.DriftPerH, y.DriftTauS = x.At, float64(x.Offset), float64(x.DriftPerH), float64(x.DriftTau)
		if x.Range != nil {
			if len(x.Range) != 2 {
				return nil, wrongPart("sensors", i, "range has %d values; want two", len(x.Range))
			}
			y.Range = &[2]float64{float64(x.Range[0]), float64(x.Range[1])}
		}
		if x.Resolution != nil {
			y.Resolution = float64(*x.Resolution)
		}
		if x.Noise != nil {
			y.Noise = float64(*x.Noise)
		}
		if x.Lag != nil {
			y.LagS = float64(*x.Lag)
		}
		if x.Update != nil {
			y.UpdateS = float64(*x.Update)
		}
		s.Sensors = append(s.Sensors, y)
	}
	for i, x := range f.Faults {
		y, err := x.trouble(i)
		if err != nil {
			return nil, err
		}
		s.Troubles = append(s.Troubles, y)
	}
	return s, nil
}

func (x *fileFault) trouble(i int) (Trouble, error) {
	y := Trouble{Kind: TroubleKind(x.Kind), FromPick: x.FromPick, ToPick: x.ToPick, FromS: float64(x.From), ToS: float64(x.To),
		Station: x.Station, Channel: x.Channel, Bus: x.Bus, Device: x.Device, Every: x.Every}
	stated := map[string]bool{"factor": x.Factor != 0, "pressure": x.Pressure != nil, "by": x.By != nil, "noise": x.Noise != nil, "code": x.Code != 0}
	needs := map[TroubleKind]string{BagChange: "factor", WornCup: "factor", KinkedHose: "factor", LowAir: "pressure", Late: "by", ClockJump: "by", NoiseBurst: "noise", ExceptionCode: "code"}[y.Kind]
	for _, key := range slices.Sorted(maps.Keys(stated)) {
		if stated[key] != (key == needs) {
			if key == needs {
				return y, wrongPart("faults", i, "%s: %s is not stated", x.Kind, key)
			}
			return y, wrongPart("faults", i, "%s: %s has no place here", x.Kind, key)
		}
	}
	switch needs {
	case "factor":
		y.Value = x.Factor
	case "pressure":
		y.Value = float64(*x.Pressure)
	case "by":
		y.Value = float64(*x.By)
	case "noise":
		y.Value = float64(*x.Noise)
	case "code":
		y.Value = float64(x.Code)
	}
	return y, nil
}

func (x *fileEngine) engine(name string) Engine {
	e := Engine{Name: name, Kind: EngineKind(x.Kind), Q0LminANR: float64(x.Flow), VMaxKPa: float64(x.Deepest), SpeedLmin: float64(x.Speed) * anrKPa / standardKPa,
		UltimateKPa: float64(x.Ultimate), AirLminANR: float64(x.Air), NominalKPa: float64(x.AirPressure), SpecificEnergyKWhM3: float64(x.SpecificEnergy),
		PowerW: float64(x.Power), PowerWPerKPa: float64(x.PowerPerKPa), IdlePowerW: float64(x.IdlePower)}
	for _, p := range x.Curve {
		e.Curve = append(e.Curve, [2]float64{float64(p.Vacuum), float64(p.Flow)})
	}
	if x.SaveAir != nil {
		e.SaveOffKPa, e.SaveOnKPa = float64(x.SaveAir.Off), float64(x.SaveAir.On)
	}
	return e
}

func (x *fileRestriction) restriction() Restriction {
	return Restriction{C: float64(x.C), B: x.B, DiameterMM: float64(x.Diameter), LengthM: float64(x.Length) / 1e3}
}

func (x *fileScatter) scatter() Scatter {
	return Scatter{float64(x.Setup), float64(x.Piece), float64(x.Run), float64(x.Pick)}
}

func (f *scenarioFile) setup(i int) (Setup, error) {
	x := &f.Setups[i]
	bag, err := named(f.Bags, x.Bag, "bag", "setups", i)
	cup, err2 := named(f.Cups, x.Cup, "cup", "setups", i)
	circuit, err3 := named(f.Circuits, x.Circuit, "circuit", "setups", i)
	cycle, err4 := named(f.Cycles, x.Cycle, "cycle", "setups", i)
	engine, err5 := named(f.Engines, x.Engine, "engine", "setups", i)
	for _, err := range []error{err, err2, err3, err4, err5} {
		if err != nil {
			return Setup{}, err
		}
	}
	u := Setup{Name: x.Name, Bag: x.Bag, CupName: x.Cup, Engine: engine.engine(x.Engine), Cups: x.Cups, RequiredKPa: float64(x.Required), DropLevelKPa: float64(x.Drop),
		SealProbability: 1, DropProbability: float64(bag.Drops), CupLossProbability: float64(bag.CupLoss), LeakScatter: bag.Scatter.scatter(), CloseScatter: bag.Closing.scatter(),
		Drift: Drift{float64(x.Drift.Wear), float64(x.Drift.Clog), float64(x.Drift.HeatLoss), float64(x.Drift.HeatWithin)}}
	u.Circuit = Circuit{VolumeL: float64(circuit.Volume), Branch: circuit.Branch.restriction(), Line: circuit.Line.restriction(), EngineL: float64(circuit.EngineVolume),
		WallTauS: float64(circuit.Wall), VentC: float64(circuit.Vent), BlowC: float64(circuit.Blow), BlowKPa: float64(circuit.BlowPressure),
		OnDelayS: float64(circuit.OnDelay), OffDelayS: float64(circuit.OffDelay)}
	switch circuit.SupplyOff {
	case "", "vents":
	case "holds":
		u.Circuit.Holds = true
	default:
		return u, wrongPart("setups", i, "circuit %q: supply_off %q; want vents or holds", x.Circuit, circuit.SupplyOff)
	}
	u.Cup = Cup{VolumeL: float64(cup.Volume), OpenC: float64(cup.Open), CloseS: float64(cup.Close), LossOpenS: float64(cup.Tear), LipMM: float64(cup.Lip), AreaMM2: float64(cup.Area),
		TiltDeg: float64(x.Tilt), SpacingMM: float64(x.Spacing)}
	if u.Cup.LossOpenS == 0 {
		u.Cup.LossOpenS = 0.01
	}
	for _, m := range []*fileTaken{cup.Bellows, bag.Film} {
		if m != nil {
			u.Cup.MoveS = max(u.Cup.MoveS, float64(m.Within))
		}
	}
	if m := cup.Bellows; m != nil {
		u.Cup.StrokeL, u.Cup.StrokeKPa = float64(m.Volume), float64(m.At)
	}
	if m := bag.Film; m != nil {
		u.Cup.FilmL, u.Cup.FilmKPa = float64(m.Volume), float64(m.At)
	}
	u.Leak = Leak{N: bag.Leak.N, HoleMM2: float64(bag.Leak.Hole)}
	if u.Leak.N == 0 {
		u.Leak.N = 0.6
	}
	if bag.Leak.Flow != 0 {
		if !(bag.Leak.At > 1) {
			return u, wrongPart("setups", i, "bag %q: leak.at is %v kPa; want the vacuum above 1 kPa at which the flow is stated", x.Bag, float64(bag.Leak.At))
		}
		u.Leak.K = float64(bag.Leak.Flow) / math.Pow(float64(bag.Leak.At), u.Leak.N)
	}
	pair := func(v []pressure, what string) ([2]float64, error) {
		if len(v) != 2 {
			return [2]float64{}, wrongPart("setups", i, "bag %q: %s has %d values; want two", x.Bag, what, len(v))
		}
		return [2]float64{float64(v[0]), float64(v[1])}, nil
	}
	if w := bag.Leak.Wrinkles; w != nil {
		u.Leak.Wrinkles, u.Leak.WrinkleFactor = w.Steps, w.Factor
		if u.Leak.WrinkleKPa, err = pair(w.Slip, "leak.wrinkles.slip"); err != nil {
			return u, err
		}
	}
	if bag.Seals != nil {
		u.SealProbability = float64(*bag.Seals)
	}
	if u.SealProbability < 1 {
		if u.BadSealKPa, err = pair(bag.BadSeal, "bad_seal"); err != nil {
			return u, err
		}
	}
	if d := bag.Dips; d != nil {
		u.DipProbability, u.DipKPa, u.DipS = float64(d.Share), float64(d.To), float64(d.For)
	}
	if p := bag.Spells; p != nil {
		u.Spells = Spells{float64(p.Enter), float64(p.Leave), p.Factor}
	}
	u.Cycle = Cycle{ContactS: float64(cycle.Contact), ContactSDS: float64(cycle.ContactSD), LiftS: float64(cycle.Lift), PlaceS: float64(cycle.Place), SupplyOffS: float64(cycle.SupplyOff),
		ReleaseS: float64(cycle.Release), PulseS: float64(cycle.Pulse), CycleS: float64(cycle.Cycle), JitterS: float64(cycle.Jitter)}
	u.Load = Load{MassKg: float64(bag.Mass), Mu: bag.Friction, SlipMM: float64(bag.Slip), Upright: cycle.Upright}
	for _, p := range cycle.Motion {
		u.Load.Phases = append(u.Load.Phases, Phase{p.Name, float64(p.For), float64(p.Up), float64(p.Side)})
	}
	if w := cycle.Swing; w != nil {
		u.Load.SwingMM, u.Load.SwingSpacingMM, u.Load.SwingDamping, u.Load.SwingLeak = float64(w.Below), u.Cup.SpacingMM, float64(w.Damping), w.Leak
	}
	return u, nil
}

// Shortened returns the scenario with so few picks in each run, and the faults in the order
// and the parts of the whole in which they were: a long soak for a quick look.
func (s Scenario) Shortened(picks int) Scenario {
	long := s.DurationS()
	most := 1
	for _, r := range s.Runs {
		most = max(most, r.Picks)
	}
	s.Runs = slices.Clone(s.Runs)
	for i := range s.Runs {
		s.Runs[i].Picks = min(s.Runs[i].Picks, picks)
	}
	part := s.DurationS() / long
	s.Troubles = slices.Clone(s.Troubles)
	scale := func(n int) int {
		if n == 0 || most <= picks {
			return n
		}
		return max(1, n*picks/most)
	}
	for i := range s.Troubles {
		x := &s.Troubles[i]
		x.FromPick, x.ToPick = scale(x.FromPick), scale(x.ToPick)
		x.FromS, x.ToS = x.FromS*part, x.ToS*part
	}
	return s
}
