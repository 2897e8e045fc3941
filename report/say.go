package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"griptrial/analyze"
	"griptrial/report/document"
)

// notMeasured stands where a figure cannot be had.
const notMeasured = "–"

// decimal writes x with places decimals, with a minus sign that is one and commas in thousands.
func decimal(x float64, places int) string {
	s := strconv.FormatFloat(math.Abs(x), 'f', places, 64)
	whole, rest, _ := strings.Cut(s, ".")
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	if rest != "" {
		whole += "." + rest
	}
	if x < 0 && strings.Trim(s, "0.") != "" {
		return "−" + whole
	}
	return whole
}

// count writes a whole number.
func count(n int) string { return decimal(float64(n), 0) }

// brief writes x with three digits, without an exponent.
func brief(x float64) string {
	switch {
	case math.IsNaN(x):
		return notMeasured
	case math.IsInf(x, 0):
		return "any"
	case x == 0:
		return "0"
	}
	places := max(0, 2-int(math.Floor(math.Log10(math.Abs(x)))))
	s := decimal(x, min(places, 9))
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// Interval returns a figure with its interval as "75.4 (75.1 to 75.7)", with as many digits
// as half the interval deserves, four where that is enough.
func Interval(f analyze.Figure, scale float64) string {
	if !f.OK() {
		return notMeasured
	}
	v, lo, hi := f.Value*scale, f.Lo*scale, f.Hi*scale
	width := hi - lo
	if math.IsNaN(width) || math.IsInf(width, 0) {
		if math.IsNaN(lo) || math.IsNaN(hi) {
			return brief(v) + " (no interval)"
		}
		return fmt.Sprintf("%s (%s to %s)", brief(v), brief(lo), brief(hi))
	}
	if !(width > 0) {
		return brief(v)
	}
	places := Places(width / 2)
	// Four digits are enough, as long as they tell the interval's ends apart.
	for places > 0 && math.Abs(v)*math.Pow(10, float64(places)) >= 1e4 && decimal(lo, places-1) != decimal(hi, places-1) {
		places--
	}
	return fmt.Sprintf("%s (%s to %s)", decimal(v, places), decimal(lo, places), decimal(hi, places))
}

// figure returns a cell with a figure and its interval.
func figureCell(f analyze.Figure, scale float64, unit string) document.Cell {
	return document.Cell{Words: Interval(f, scale), Number: &document.Number{Value: f.Value * scale, Lo: f.Lo * scale, Hi: f.Hi * scale, Unit: unit}}
}

// numberCell returns a cell with a number that has no interval of its own: a limit, a setting.
func numberCell(x analyze.Number, scale float64, unit string) document.Cell {
	return document.Exact(brief(float64(x)*scale), float64(x)*scale, unit)
}

// countCell returns a cell with a count.
func countCell(n int) document.Cell { return document.Exact(count(n), float64(n), "") }

// percent writes a share.
func percent(share float64) string { return brief(100*share) + " %" }

// plural returns "1 piece", "12 pieces".
func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return count(n) + " " + what + "s"
}

// listed joins words as in a sentence.
func listed(all []string) string {
	if len(all) < 2 {
		return strings.Join(all, "")
	}
	return strings.Join(all[:len(all)-1], ", ") + " and " + all[len(all)-1]
}

// hours writes a time in hours, short ones in minutes.
func hours(h float64) string {
	if h < 1 {
		return brief(60*h) + " min"
	}
	return brief(h) + " h"
}

// capital returns a sentence with its first letter as a capital.
func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// sure returns a figure with its interval at 95 % from its standard uncertainty, as the texts of
// bench checks show it; without one where u is NaN.
func sure(value, u float64) analyze.Figure {
	return analyze.Figure{Value: value, U: u, Lo: value - 1.96*u, Hi: value + 1.96*u}
}
