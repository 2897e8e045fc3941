package config

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// A Dimension is what a quantity measures: a name, and one table of the units it may be
// written in. Every text with a unit in a file, a flag or a column head goes through Parse
// with one of the dimensions below, so that a new unit is a new row.
type Dimension struct {
	Name    string // "pressure"
	Unit    string // of the numbers that Parse returns
	Example string // a quantity as one writes it
	units   []Unit // the most usual first
	refused []refusal
}

// A Unit is one way to write a quantity: 1 of it is Times / Over of the dimension's unit.
// (Two numbers, because 7 ms is 7 / 1000 s to the last bit, and 7 × 0.001 s is not.)
type Unit struct {
	Name        string
	Times, Over float64
}

// Factor returns what one of the unit is in the unit of its dimension.
func (u Unit) Factor() float64 { return u.Times / u.Over }

// A refusal is a unit that is read by people and refused here, because it can mean two things.
type refusal struct{ unit, why string }

const (
	whichLitre  = "it does not say of which state: write L/min ANR (20 °C, 100 kPa, ISO 8778) or NL/min (0 °C, 101.325 kPa, DIN 1343)"
	whichVacuum = "write the plain unit, and say with \"reads\" whether it is vacuum, gauge or absolute"
)

// The dimensions. Factors: NIST SP 811 (2008), appendix B.8, where not exact by definition;
// the derivation stands beside them.
var (
	// Pressure is in kPa. It knows no "% of ambient": PressureAt does.
	Pressure = PressureAt(math.NaN())

	// Flow is in L/min ANR: litres of air at 20 °C, 100 kPa and 65 % humidity (ISO 8778).
	Flow = Dimension{"flow", "L/min ANR", "60 L/min ANR", []Unit{
		{"L/min ANR", 1, 1}, {"NL/min", normalLitre, 1}, {"m3/h ANR", 1000, 60}, {"m³/h ANR", 1000, 60},
		{"l/min ANR", 1, 1}, {"Nl/min", normalLitre, 1},
		{"Nm3/h", normalLitre * 1000, 60}, {"Nm³/h", normalLitre * 1000, 60},
	}, []refusal{
		{"L/min", whichLitre}, {"l/min", whichLitre}, {"lpm", whichLitre}, {"m3/h", whichLitre}, {"m³/h", whichLitre},
		{"SL/min", whichLitre}, {"slpm", whichLitre}, {"scfm", whichLitre}, {"cfm", whichLitre},
	}}

	// Length is in mm.
	Length = Dimension{"length", "mm", "12 mm", []Unit{{"mm", 1, 1}, {"cm", 10, 1}, {"m", 1000, 1}, {"in", 25.4, 1}}, nil}

	// Mass is in kg.
	Mass = Dimension{"mass", "kg", "2.5 kg", []Unit{{"kg", 1, 1}, {"g", 1, 1000}, {"lb", poundKg, 1}}, nil}

	// Altitude is in m above sea level.
	Altitude = Dimension{"altitude", "m", "500 m", []Unit{{"m", 1, 1}, {"km", 1000, 1}, {"ft", 0.3048, 1}}, nil}

	// Force is in N.
	Force = Dimension{"force", "N", "40 N", []Unit{{"N", 1, 1}, {"kN", 1000, 1}}, nil}

	// Power is in W.
	Power = Dimension{"power", "W", "800 W", []Unit{{"W", 1, 1}, {"kW", 1000, 1}}, nil}

	// Time is in s.
	Time = Dimension{"time", "s", "10 ms", []Unit{
		{"ms", 1, 1000}, {"s", 1, 1}, {"min", 60, 1}, {"h", 3600, 1},
		{"us", 1, 1e6}, {"µs", 1, 1e6}, {"μs", 1, 1e6}, // both of Unicode's signs for micro
	}, nil}

	// Acceleration is in m/s².
	Acceleration = Dimension{"acceleration", "m/s²", "5 m/s2", []Unit{{"m/s2", 1, 1}, {"m/s²", 1, 1}}, nil}

	// Temperature is in °C.
	Temperature = Dimension{"temperature", "°C", "20 °C", []Unit{{"°C", 1, 1}}, nil}

	// Volume is in L.
	Volume = Dimension{"volume", "L", "0.4 L", []Unit{
		{"L", 1, 1}, {"mL", 1, 1000}, {"cm3", 1, 1000}, {"cm³", 1, 1000}, {"l", 1, 1}, {"ml", 1, 1000},
	}, nil}

	// Conductance of an orifice (ISO 6358), in dm³/(s·bar) of air ANR. 1 dm³/(s·bar) is
	// 1e-8 m³/(s·Pa).
	Conductance = Dimension{"conductance", "dm³/(s bar)", "0.2 dm3/(s bar)", []Unit{
		{"dm3/(s bar)", 1, 1}, {"dm³/(s bar)", 1, 1}, {"dm3/(s·bar)", 1, 1}, {"dm³/(s·bar)", 1, 1}, {"L/(s bar)", 1, 1},
		{"m3/(s Pa)", 1e8, 1}, {"m³/(s Pa)", 1e8, 1},
	}, nil}

	// SpecificEnergy is in kWh per m³ ANR of compressed air. A plain m³ is taken as m³ of
	// free air, ANR; "kWh/Nm3" is converted.
	SpecificEnergy = Dimension{"specific energy", "kWh/m3", "0.12 kWh/m3", []Unit{
		{"kWh/m3", 1, 1}, {"kWh/m³", 1, 1}, {"kWh/m3 ANR", 1, 1}, {"kWh/m³ ANR", 1, 1},
		{"kWh/Nm3", 1, normalLitre}, {"kWh/Nm³", 1, normalLitre},
	}, nil}

	// Voltage is in V.
	Voltage = Dimension{"voltage", "V", "10 V", []Unit{{"V", 1, 1}, {"mV", 1, 1000}}, nil}

	// Current is in mA.
	Current = Dimension{"current", "mA", "20 mA", []Unit{{"mA", 1, 1}}, nil}

	// Frequency is per minute.
	Frequency = Dimension{"rate", "/min", "40 /min", []Unit{{"/min", 1, 1}, {"/h", 1, 60}, {"/s", 60, 1}}, nil}

	// Share is a part of 1: "95 %" is 0.95.
	Share = Dimension{"share", "", "95 %", []Unit{{"%", 1, 100}}, nil}

	// Angle is in degrees.
	Angle = Dimension{"angle", "°", "5 °", []Unit{{"°", 1, 1}, {"deg", 1, 1}}, nil}
)

// Constants that the tables need.
const (
	poundKg = 0.45359237 // exact
	gravity = 9.80665    // m/s², standard, exact
	// A normal litre (0 °C, 101.325 kPa, DIN 1343) in litres ANR (20 °C, 100 kPa), humidity
	// left out: 1.087440.
	normalLitre = 101.325 / 100 * (273.15 + 20) / 273.15
	mercuryPa   = 13.5951 * gravity // of 1 mm: conventional mercury, 13.5951 g/cm³
)

// PressureAt returns the dimension pressure, in kPa, where "% of ambient" can be told
// because the absolute pressure around is ambientKPa. With NaN such a quantity is refused.
func PressureAt(ambientKPa float64) Dimension {
	return Dimension{"pressure", "kPa", "10 kPa", []Unit{
		{"kPa", 1, 1}, {"mbar", 1, 10}, {"bar", 100, 1}, {"Pa", 1, 1000}, {"hPa", 1, 10}, {"MPa", 1000, 1},
		{"inHg", mercuryPa * 25.4, 1000},
		{"mmHg", mercuryPa, 1000},
		{"Torr", 101.325, 760},
		{"psi", poundKg * gravity / (0.0254 * 0.0254), 1000},
		{"kgf/cm2", 10 * gravity, 1}, {"kgf/cm²", 10 * gravity, 1},
		{ofAmbient, ambientKPa, 100},
	}, []refusal{
		{"%", "write \"% of ambient\""},
		{"barg", whichVacuum}, {"bara", whichVacuum}, {"bar(g)", whichVacuum}, {"bar(a)", whichVacuum},
		{"psig", whichVacuum}, {"psia", whichVacuum}, {"mbara", whichVacuum}, {"hPa abs", whichVacuum},
	}}
}

// Units that are parts of something else: NaN in a table where that is not known.
const (
	ofAmbient = "% of ambient"
	ofSpan    = "% of span"
)

var needs = map[string]string{
	ofAmbient: "the ambient pressure, which is not stated",
	ofSpan:    "a scale of two points",
}

// with returns d with one more unit at the end of its table.
func (d Dimension) with(u Unit) Dimension {
	d.units = append(d.units[:len(d.units):len(d.units)], u)
	return d
}

// Units returns the table of d, the most usual unit first.
func (d Dimension) Units() []Unit { return append([]Unit(nil), d.units...) }

// UnitOf returns the unit with the given name, so that a column head such as
// "q[NL/min]" can be read with the same table. The error says what is allowed.
func (d Dimension) UnitOf(name string) (Unit, error) {
	name = strings.Join(strings.Fields(name), " ")
	for _, u := range d.units {
		if u.Name == name {
			if math.IsNaN(u.Times) {
				return Unit{}, fmt.Errorf("%q needs %s", u.Name, needs[u.Name])
			}
			return u, nil
		}
	}
	for _, r := range d.refused {
		if r.unit == name {
			return Unit{}, fmt.Errorf("%q is refused: %s", name, r.why)
		}
	}
	names := make([]string, len(d.units))
	for i, u := range d.units {
		names[i] = u.Name
	}
	return Unit{}, fmt.Errorf("%s is no unit of %s%s; %s", quote(name), d.Name, didYouMean(name, names), d.allowed())
}

// allowed says which units may be written: the first three, as a hint and no list.
func (d Dimension) allowed() string {
	var names []string
	for _, u := range d.units[:min(3, len(d.units))] {
		names = append(names, u.Name)
	}
	switch {
	case len(d.units) == 1:
		return names[0] + " is allowed"
	case len(d.units) > 3:
		return strings.Join(names, ", ") + " … are allowed"
	}
	return strings.Join(names, ", ") + " are allowed"
}

// want says what a quantity of d looks like.
func (d Dimension) want() string {
	article := "a"
	if strings.ContainsRune("aeiou", rune(d.Name[0])) {
		article = "an"
	}
	return fmt.Sprintf("%s %s such as %q", article, d.Name, d.Example)
}

// Format writes x, in the dimension's unit, to six digits: in the first unit of the table in
// which it is below 1000, else in the first.
func (d Dimension) Format(x float64) string {
	in := d.units[0]
	for _, u := range d.units {
		if math.Abs(x) < 1000*u.Factor() {
			in = u
			break
		}
	}
	return fmt.Sprintf("%.6g %s", x*in.Over/in.Times, in.Name)
}

var decimal = regexp.MustCompile(`^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?`)

// Parse reads a quantity, a decimal number and its unit with or without a blank between,
// and returns it in the unit of d. The result is finite; with an error it is NaN. The error
// is one line that begins with what was found and says what is allowed.
func Parse(d Dimension, text string) (float64, error) {
	nan := math.NaN()
	shown := quote(text)
	text = strings.ReplaceAll(strings.TrimSpace(text), "−", "-") // the typographer's minus, pasted from data sheets
	number := decimal.FindString(text)
	unit := strings.TrimSpace(text[len(number):])
	switch {
	case number == "":
		return nan, fmt.Errorf("%s does not begin with a number; want %s", shown, d.want())
	case strings.HasPrefix(unit, ","):
		return nan, fmt.Errorf("%s has a comma in its number; write a decimal point, and nothing between thousands: %q", shown, d.Example)
	case unit == "":
		return nan, fmt.Errorf("%s has no unit; %s", shown, d.allowed())
	case unit[0] >= '0' && unit[0] <= '9', unit[0] == '.':
		return nan, fmt.Errorf("%s has more than one number; want %s", shown, d.want())
	}
	u, err := d.UnitOf(unit)
	if err != nil {
		return nan, fmt.Errorf("%s: %w", shown, err)
	}
	x, err := parseDecimal(number)
	if err == nil {
		x = x * u.Times / u.Over
	}
	if err != nil || math.IsInf(x, 0) {
		return nan, fmt.Errorf("%s is too large a number", shown)
	}
	return x, nil
}

// parseDecimal reads a decimal number that is nothing else: no unit, no hexadecimal, no
// "inf", no comma.
func parseDecimal(text string) (float64, error) {
	if text == "" || decimal.FindString(text) != text {
		return math.NaN(), errors.New("not a decimal number")
	}
	return strconv.ParseFloat(text, 64)
}

// quote returns text as a message may show it: as written where it is short and plain, else
// in quotes, with odd characters escaped and the rest of a long text left out.
func quote(text string) string {
	const most = 60
	if utf8.RuneCountInString(text) > most {
		return strconv.Quote(string([]rune(text)[:most])) + "…"
	}
	plain := text != "" && strings.TrimSpace(text) == text
	for _, r := range text {
		plain = plain && unicode.IsPrint(r) && r != '"'
	}
	if plain && (text[0] == '-' || text[0] == '+' || text[0] == '.' || text[0] >= '0' && text[0] <= '9') {
		return text
	}
	return strconv.Quote(text)
}

// didYouMean returns a hint at the known word nearest to word, "" where none is near: one
// letter in four may differ, two in five or more; words of two letters only in their case.
func didYouMean(word string, known []string) string {
	n := utf8.RuneCountInString(word)
	best, distance := "", 1+min(2, (n+1)/3)
	if n < 3 {
		distance = 1
	}
	for _, k := range known {
		if d := editDistance(strings.ToLower(word), strings.ToLower(k)); d < distance {
			best, distance = k, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf(" (did you mean %q?)", best)
}

// editDistance counts the letters to insert, delete or replace that turn a into b
// (Levenshtein 1966). Words over 100 letters are near to nothing.
func editDistance(a, b string) int {
	s, t := []rune(a), []rune(b)
	if len(s) > 100 || len(t) > 100 {
		return math.MaxInt
	}
	row := make([]int, len(t)+1)
	for j := range row {
		row[j] = j
	}
	for i, r := range s {
		diagonal := row[0]
		row[0] = i + 1
		for j, q := range t {
			replace := diagonal
			if r != q {
				replace++
			}
			diagonal = row[j+1]
			row[j+1] = min(replace, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(t)]
}
