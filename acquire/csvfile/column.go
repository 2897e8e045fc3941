package csvfile

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// A Column says which column of a table is which channel.
type Column struct {
	Name    string // in the header
	Kind    sample.Kind
	Unit    string  // of its cells; "" for switched kinds
	OnAbove float64 // switched kinds: on where a cell is above it; NaN: half the column's range
	At      string  // vacuum only: "cup", "manifold" or "engine"; "" is "cup"

	spec string // as written: a header may hold the unit itself, "p [kPa]"
}

// ParseColumn reads a column as written on a command line: for measured kinds
// "NAME[UNIT]", as in "q[L/min ANR]", for switched kinds "NAME" or "NAME>0.5".
//
// Of several brackets the last holds the unit. "p[kPa]" also finds a column whose header
// is "p[kPa]", if none is called "p".
func ParseColumn(kind sample.Kind, text string) (Column, error) {
	c := Column{Name: strings.TrimSpace(text), Kind: kind, OnAbove: math.NaN(), spec: strings.TrimSpace(text)}
	if c.Name == "" {
		return Column{}, fmt.Errorf("%s: no column is named", kind)
	}
	if kind.Switched() {
		name, level, found := cutLast(c.Name, ">")
		if !found {
			return c, nil
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(level), 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return Column{}, fmt.Errorf("%s: %s: found %q after >, want a number such as %s>0.5", kind, text, level, strings.TrimSpace(name))
		}
		c.Name, c.OnAbove = strings.TrimSpace(name), v
		if c.Name == "" {
			return Column{}, fmt.Errorf("%s: %s: no column is named before >", kind, text)
		}
		return c, nil
	}
	name, unit, found := strings.TrimSuffix(c.Name, "]"), "", strings.HasSuffix(c.Name, "]")
	if found {
		name, unit, found = cutLast(name, "[")
	}
	c.Name, c.Unit = strings.TrimSpace(name), strings.TrimSpace(unit)
	if c.Name == "" {
		return Column{}, fmt.Errorf("%s: %s: no column is named before [", kind, text)
	}
	if !found || c.Unit == "" {
		return Column{}, fmt.Errorf("%s: %s has no unit; want %s[UNIT] with a unit such as %s", kind, c.Name, c.Name, usualUnits(kind))
	}
	if _, err := c.unit(1); err != nil {
		return Column{}, fmt.Errorf("%s: %s: %w", kind, text, err)
	}
	return c, nil
}

// unit returns the unit of a measured column. Where it is "% of ambient" that needs the
// absolute pressure around.
func (c *Column) unit(ambientKPa float64) (config.Unit, error) {
	return dimension(c.Kind, ambientKPa).UnitOf(c.Unit)
}

// dimension returns what channels of a measured kind measure.
func dimension(kind sample.Kind, ambientKPa float64) config.Dimension {
	switch kind {
	case sample.Flow, sample.Air:
		return config.Flow
	case sample.Power:
		return config.Power
	}
	return config.PressureAt(ambientKPa)
}

// usualUnits lists the first few units that a column of a measured kind may have.
func usualUnits(kind sample.Kind) string {
	var names []string
	for _, u := range dimension(kind, math.NaN()).Units() {
		names = append(names, u.Name)
	}
	return strings.Join(names[:min(4, len(names))], ", ")
}

// parseTimeColumn reads "t_s", which is in seconds, or "t[ms]".
func parseTimeColumn(text string) (name string, u config.Unit, err error) {
	name, unit, found := strings.TrimSpace(text), "s", false
	if strings.HasSuffix(name, "]") {
		if name, unit, found = cutLast(strings.TrimSuffix(name, "]"), "["); !found {
			return "", u, fmt.Errorf("time: %s: found ] without [", text)
		}
		name = strings.TrimSpace(name)
	}
	if name == "" {
		return "", u, errors.New("no time column is named")
	}
	if u, err = config.Time.UnitOf(unit); err != nil {
		return "", u, fmt.Errorf("time: %s: %w", text, err)
	}
	return name, u, nil
}

// cutLast is strings.Cut at the last sep.
func cutLast(s, sep string) (before, after string, found bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}

// digits is how many decimal digits a count may have: what a float64 always carries, so
// that counts are exact as values too. It also rounds off what printing a float64 with
// 17 or more digits adds behind them.
const digits = 15

// maxPlain bounds the decimal places of numbers that are not in exponent form.
const maxPlain = 9

// A table column while it is read. Its counts are value × 10^places, where places is the
// most that any cell so far has, as far as the largest count fits into digits.
type column struct {
	Column
	index  int // of the cell in a row
	want   int // most decimal places of any cell so far
	places int // in use
	max    int64
}

// count returns d as a count. Where that needs other decimal places than those in use,
// rescale is called to shift all counts so far by a power of ten.
func (c *column) count(d decimal, rescale func(by int)) int64 {
	places := min(d.places, maxPlaces)
	if !d.exponent {
		places = min(places, maxPlain)
	}
	to := c.places
	if places > c.want {
		c.want, to = places, places // perhaps more than the largest count allows
	}
	n, ok := d.at(to)
	m, okMax := shift(c.max, to-c.places)
	for !ok || !okMax || !fits(n) || !fits(m) {
		to--
		n, ok = d.at(to)
		m, okMax = shift(c.max, to-c.places)
	}
	if to != c.places {
		rescale(to - c.places)
		c.places, c.max = to, m
	}
	if n < 0 {
		c.max = max(c.max, -n)
	} else {
		c.max = max(c.max, n)
	}
	return n
}

var limit, _ = shift(1, digits)

func fits(n int64) bool { return -limit < n && n < limit }

// smallestStep returns the smallest non-zero difference of neighbours in sorted, which
// must be in order, or 1 if there is none.
func smallestStep(sorted []int64) int64 {
	step := int64(math.MaxInt64)
	for i := 1; i < len(sorted); i++ {
		if d := sorted[i] - sorted[i-1]; d > 0 && d < step {
			step = d
		}
	}
	if step == math.MaxInt64 {
		return 1
	}
	return step
}

// quantile returns the value at share p of sorted, the nearest one from below.
func quantile(sorted []int64, p float64) int64 { return sorted[int(p*float64(len(sorted)-1))] }

// median returns the middle of sorted, between the two middle ones of an even number;
// NaN if it is empty.
func median(sorted []int64) float64 {
	n := len(sorted)
	if n == 0 {
		return math.NaN()
	}
	return (float64(sorted[(n-1)/2]) + float64(sorted[n/2])) / 2
}

// sortedMedian sorts v and returns its median.
func sortedMedian(v []int64) float64 {
	slices.Sort(v)
	return median(v)
}
