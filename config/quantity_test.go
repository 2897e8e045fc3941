package config

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// How the units of testdata/units.csv are written in a rig file. Where a row says how the
// pressure is meant, reads and ambient say it here.
var unitRows = map[string]struct {
	dim            Dimension
	unit           string
	tolerance      float64 // relative: half of the last digit given
	reads, ambient string
}{
	"bar":                        {Pressure, "bar", 0, "", ""},
	"mbar_gauge":                 {Pressure, "mbar", 0, "gauge", ""},
	"bar_gauge":                  {Pressure, "bar", 0, "gauge", ""},
	"kPa_gauge":                  {Pressure, "kPa", 0, "gauge", ""},
	"hPa":                        {Pressure, "hPa", 0, "", ""},
	"psi":                        {Pressure, "psi", 5e-10, "", ""},
	"inHg":                       {Pressure, "inHg", 5e-9, "", ""},
	"inHg_32F":                   {Pressure, "inHg", 3e-6, "", ""}, // SP 811 prints 3.38638, and 3.386389 for the conventional inch
	"mmHg":                       {Pressure, "mmHg", 5e-9, "", ""},
	"Torr":                       {Pressure, "Torr", 5e-9, "", ""},
	"at (kgf/cm2)":               {Pressure, "kgf/cm2", 0, "", ""},
	"percent_of_101.325":         {PressureAt(101.325), "% of ambient", 5e-10, "", ""},
	"percent_at_ambient_95.4613": {PressureAt(95.4613), "% of ambient", 5e-10, "", ""},
	"kPa_abs_at_ambient_101.325": {Pressure, "kPa", 5e-10, "absolute", "101.325 kPa"},
	"kPa_abs_at_ambient_95.4613": {Pressure, "kPa", 5e-10, "absolute", "95.4613 kPa"},
	"NL/min":                     {Flow, "NL/min", 5e-9, "", ""},
	"m3/h_ANR":                   {Flow, "m3/h ANR", 5e-9, "", ""},
}

func TestUnitsAgreeWithPublishedFactors(t *testing.T) {
	f, err := os.Open("testdata/units.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 22, "head and 21 cases")
	for _, row := range rows[1:] {
		value, unit := row[1], row[2]
		t.Run("case "+row[0]+", "+unit, func(t *testing.T) {
			want, err := strconv.ParseFloat(row[4], 64)
			require.NoError(t, err)
			u, ok := unitRows[unit]
			require.True(t, ok, "unit %s is not in unitRows", unit)
			x, err := Parse(u.dim, value+" "+u.unit)
			require.NoError(t, err)
			if u.reads != "" { // through a channel of a rig, as a device would send it
				text := rigText(t, "scale: -0.1 kPa", "scale: 1 "+u.unit, "reads: gauge", "reads: "+u.reads)
				if u.ambient != "" {
					text = "ambient: " + u.ambient + "\n" + strings.Replace(text, "type: i16", "type: f32, order: ABCD", 1) +
						"            resolution: 0.001 kPa\n"
				} else {
					text = strings.Replace(text, "type: i16", "type: f32, order: ABCD", 1) + "            resolution: 0.1 Pa\n"
				}
				rig, err := ParseRig("rig.yaml", []byte(text))
				require.NoError(t, err)
				c := rig.Buses[0].Devices[0].Channels[0]
				raw, err := strconv.ParseFloat(value, 64)
				require.NoError(t, err)
				x = c.Value(int64(math.Round(raw / c.Register.Step)))
			}
			assert.InDelta(t, want, x, math.Abs(want)*max(u.tolerance, 1e-14), "%s %s in %s", value, unit, row[3])
		})
	}
}

func TestParse(t *testing.T) {
	for _, c := range []struct {
		name string
		dim  Dimension
		in   string
		want float64
	}{
		{"no blank", Pressure, "30kPa", 30},
		{"many blanks", Flow, "  60   L/min   ANR ", 60},
		{"narrow no-break blank", Pressure, "30\u202fkPa", 30},
		{"typographic minus", Pressure, "−0.6 bar", -60},
		{"plus", Pressure, "+0.6 bar", 60},
		{"exponent", Pressure, "3e4 Pa", 30},
		{"no leading zero", Pressure, ".5 bar", 50},
		{"trailing point", Pressure, "5. bar", 500},
		{"milliseconds to the last bit", Time, "7 ms", 0.007},
		{"microseconds", Time, "250 µs", 250e-6},
		{"microseconds, Greek mu", Time, "250 μs", 250e-6},
		{"minutes", Time, "2 min", 120},
		{"hours", Time, "1.5 h", 5400},
		{"normal cubic metres", Flow, "6 Nm3/h", 108.744001},
		{"cubic metres ANR", Flow, "6 m³/h ANR", 100},
		{"inch", Length, "2 in", 50.8},
		{"grams", Mass, "250 g", 0.25},
		{"pounds", Mass, "2 lb", 0.90718474}, // exact, NIST SP 811 B.8
		{"kilowatts", Power, "1.1 kW", 1100},
		{"acceleration", Acceleration, "5 m/s²", 5},
		{"temperature", Temperature, "-5 °C", -5},
		{"volume", Volume, "350 cm3", 0.35},
		{"specific energy", SpecificEnergy, "0.12 kWh/m³", 0.12},
		{"specific energy of a normal cubic metre", SpecificEnergy, "0.108744001 kWh/Nm3", 0.1},
		{"millivolts", Voltage, "500 mV", 0.5},
		{"current", Current, "4 mA", 4},
		{"rate", Frequency, "40 /min", 40},
		{"rate per hour", Frequency, "2400 /h", 40},
		{"share", Share, "95 %", 0.95},
		{"share without blank", Share, "0.1%", 0.001},
		{"angle", Angle, "5°", 5},
		{"zero", Pressure, "0 kPa", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := Parse(c.dim, c.in)
			require.NoError(t, err)
			assert.InDelta(t, c.want, got, math.Abs(c.want)*6e-9, "%q in %s", c.in, c.dim.Unit)
		})
	}
	ms, err := Parse(Time, "7 ms")
	require.NoError(t, err)
	assert.Equal(t, 0.007, ms, "7 ms is the double nearest to 0.007")
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		dim  Dimension
		in   string
		want string
	}{
		{"no unit", Pressure, "30", `30 has no unit; kPa, mbar, bar … are allowed`},
		{"no unit, two allowed", Voltage, "30", `30 has no unit; V, mV are allowed`},
		{"no unit, one allowed", Temperature, "30", `30 has no unit; °C is allowed`},
		{"share without unit", Share, "0.95", `0.95 has no unit; % is allowed`},
		{"nothing", Pressure, "", `"" does not begin with a number; want a pressure such as "10 kPa"`},
		{"blanks", Pressure, "  ", `"  " does not begin with a number; want a pressure such as "10 kPa"`},
		{"words", Acceleration, "fast", `"fast" does not begin with a number; want an acceleration such as "5 m/s2"`},
		{"sign only", Pressure, "- kPa", `- kPa does not begin with a number; want a pressure such as "10 kPa"`},
		{"not a number", Pressure, "NaN kPa", `"NaN kPa" does not begin with a number; want a pressure such as "10 kPa"`},
		{"infinite", Pressure, "Inf kPa", `"Inf kPa" does not begin with a number; want a pressure such as "10 kPa"`},
		{"too large", Pressure, "1e999 kPa", `1e999 kPa is too large a number`},
		{"too large in the other unit", Pressure, "1e308 bar", `1e308 bar is too large a number`},
		{"decimal comma", Pressure, "0,6 bar", `0,6 bar has a comma in its number; write a decimal point, and nothing between thousands: "10 kPa"`},
		{"thousands", Power, "1,100.5 W", `1,100.5 W has a comma in its number; write a decimal point, and nothing between thousands: "800 W"`},
		{"two numbers", Pressure, "10 20 kPa", `10 20 kPa has more than one number; want a pressure such as "10 kPa"`},
		{"two points", Pressure, "1.2.3 kPa", `1.2.3 kPa has more than one number; want a pressure such as "10 kPa"`},
		{"hexadecimal", Pressure, "0x10 kPa", `0x10 kPa: "x10 kPa" is no unit of pressure; kPa, mbar, bar … are allowed`},
		{"case", Pressure, "30 kpa", `30 kpa: "kpa" is no unit of pressure (did you mean "kPa"?); kPa, mbar, bar … are allowed`},
		{"other dimension", Pressure, "30 mm", `30 mm: "mm" is no unit of pressure; kPa, mbar, bar … are allowed`},
		{"litres of no state", Flow, "60 L/min", `60 L/min: "L/min" is refused: it does not say of which state: write L/min ANR (20 °C, 100 kPa, ISO 8778) or NL/min (0 °C, 101.325 kPa, DIN 1343)`},
		{"gauge in the unit", Pressure, "-0.6 barg", `-0.6 barg: "barg" is refused: write the plain unit, and say with "reads" whether it is vacuum, gauge or absolute`},
		{"per cent of what", Pressure, "60 %", `60 %: "%" is refused: write "% of ambient"`},
		{"ambient unknown", Pressure, "60 % of ambient", `60 % of ambient: "% of ambient" needs the ambient pressure, which is not stated`},
		{"line break", Pressure, "30\nkPa\x00", `"30\nkPa\x00": "kPa\x00" is no unit of pressure (did you mean "kPa"?); kPa, mbar, bar … are allowed`},
		{"long", Pressure, strings.Repeat("9", 100), `"` + strings.Repeat("9", 60) + `"… has no unit; kPa, mbar, bar … are allowed`},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := Parse(c.dim, c.in)
			require.EqualError(t, err, c.want)
			assert.True(t, math.IsNaN(got), "an error comes with NaN, got %g", got)
		})
	}
}

// dimensions lists every dimension; a fuzzer picks one by number.
var dimensions = []Dimension{Pressure, PressureAt(95.4613), Flow, Length, Mass, Power, Time, Acceleration, Temperature, Volume,
	SpecificEnergy, Voltage, Current, Frequency, Share, Angle}

func TestDimensionsAreWhole(t *testing.T) {
	for _, d := range dimensions {
		t.Run(d.Name, func(t *testing.T) {
			_, err := Parse(d, d.Example)
			require.NoError(t, err, "the example must be one")
			seen := map[string]bool{}
			for _, u := range d.Units() {
				assert.False(t, seen[u.Name], "%s twice", u.Name)
				seen[u.Name] = true
				if u.Name == ofAmbient && d.Units()[0].Name == "kPa" && math.IsNaN(u.Times) {
					continue
				}
				x, err := Parse(d, "3 "+u.Name)
				require.NoError(t, err)
				assert.InEpsilon(t, 3*u.Factor(), x, 1e-15)
			}
			for _, r := range d.refused {
				assert.False(t, seen[r.unit], "%s is allowed and refused", r.unit)
				_, err := d.UnitOf(r.unit)
				assert.ErrorContains(t, err, r.why)
			}
		})
	}
}

func TestFormatCanBeRead(t *testing.T) {
	for _, d := range dimensions {
		for _, x := range []float64{0, 1, -2.5, 1234.5, 1e-7, 3.25e9} {
			got, err := Parse(d, d.Format(x))
			require.NoError(t, err, d.Format(x))
			assert.InDelta(t, x, got, math.Abs(x)*1e-5, "six digits: %s", d.Format(x))
		}
	}
}

func FuzzParse(f *testing.F) {
	for i, d := range dimensions {
		f.Add(i, d.Example)
	}
	for _, s := range []string{"0,6 bar", "−0.6 bar", "60 % of ambient", "1e999 kPa", "30", "\xff kPa", "1e-999 kPa", "5.e3 Pa"} {
		f.Add(0, s)
	}
	f.Fuzz(func(t *testing.T, i int, text string) {
		d := dimensions[uint(i)%uint(len(dimensions))]
		x, err := Parse(d, text)
		if err != nil {
			assert.True(t, math.IsNaN(x), "an error comes with NaN, got %g", x)
			assert.NotContains(t, err.Error(), "\n")
			return
		}
		require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%q is %g", text, x)
		if d.Unit == "" {
			return
		}
		again, err := Parse(d, strconv.FormatFloat(x, 'g', -1, 64)+" "+d.Unit)
		require.NoError(t, err)
		assert.Equal(t, x, again, "written in %s and read again", d.Unit)
	})
}

func ExampleParse() {
	kPa, _ := Parse(Pressure, "-600 mbar")
	fmt.Println(kPa, "kPa")
	flow, _ := Parse(Flow, "100 NL/min")
	fmt.Printf("%.3f L/min ANR\n", flow)
	_, err := Parse(Pressure, "30")
	fmt.Println(err)
	// Output:
	// -60 kPa
	// 108.744 L/min ANR
	// 30 has no unit; kPa, mbar, bar … are allowed
}

func ExampleDimension_UnitOf() {
	unit, _ := Flow.UnitOf("m3/h ANR") // of a column headed "q[m3/h ANR]"
	fmt.Printf("%.4f L/min ANR\n", unit.Factor())
	_, err := Flow.UnitOf("L/min")
	fmt.Println(err)
	// Output:
	// 16.6667 L/min ANR
	// "L/min" is refused: it does not say of which state: write L/min ANR (20 °C, 100 kPa, ISO 8778) or NL/min (0 °C, 101.325 kPa, DIN 1343)
}
