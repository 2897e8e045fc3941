package config

import (
	"math"

	"griptrial/acquire/sample"
)

// switched reads how a switched channel's reading means on. Its value is the reading, or
// with invert its negative (for a bit: 1 less the bit), so that on is always above OnAbove.
func switched(v *value, c *Channel, kind reading) {
	v.refuse("a "+string(c.Kind)+" channel is on or off", "scale", "reads", "accuracy", "resolution", "saturated", "stuck_after", "calibration")
	invert := v.flag("invert")
	c.Offset, c.Scale, c.Resolution = 0, 1, 1
	if kind.known && !kind.whole {
		c.Register.Step = 1
	}
	switch {
	case kind.bit:
		v.refuse("a bit is on where it is 1; want invert: true for the other way round", "on_above")
		v.when = "bit"
	case kind.known:
		v.require("on_above", "the reading above which it is on, a plain number")
	}
	if level := v.get("on_above"); level != nil {
		c.OnAbove = level.asNumber("a plain number: the reading above which the signal is on")
		if kind.known && (c.OnAbove < kind.lo || c.OnAbove >= kind.hi) {
			level.fault("%s is impossible; the reading lies between %.10g and %.10g", quote(level.text), kind.lo, kind.hi)
		}
	}
	if kind.known && !kind.whole && c.Register.Type == "f32" {
		v.where("register").fault("an f32 is no switched signal; want a bit or a whole number")
	}
	switch {
	case invert && kind.bit:
		c.Offset, c.Scale = 1, -1 // on_above 0.5 stays midway
	case invert:
		c.Scale, c.OnAbove = -1, -c.OnAbove
	}
}

// scale reads how a reading becomes a value, and sets the channel's Offset and Scale so
// that a vacuum is positive below ambient whatever the device means.
func (r *rigReader) scale(v *value, c *Channel, kind reading) {
	v.refuse("a "+string(c.Kind)+" channel is measured, not switched", "on_above", "invert")
	dim := r.dimension(c.Kind)
	reads := r.reads(v, c.Kind)
	const want = `one count's worth such as "0.1 kPa", or two points {raw: [0, 27648], value: [0 kPa, -100 kPa]}`
	if kind.bit {
		v.where("register").fault("a %s channel cannot be read from one bit", c.Kind)
	}
	scaleOK := v.require("scale", want)
	line := straight{factor: math.NaN(), span: math.NaN()}
	if scaleOK {
		sign := reads
		if c.Kind == sample.AirPressure && reads == "gauge" {
			sign = "" // positive, as one expects
		}
		line = readScale(v.at["scale"], dim, kind, sign, want)
	}
	c.Limits.LoopOffsetMA, c.Limits.LoopScaleMA = line.loopOffsetMA, line.loopScaleMA
	c.limits(v, kind)
	if math.IsNaN(line.factor) {
		line.span = 1 // noted; that an accuracy is a share of it is no second fault
	}
	c.Accuracy = v.quantity("accuracy", dim.with(Unit{ofSpan, line.span, 100}), positive)
	c.Resolution = v.quantity("resolution", dim, positive)
	if math.IsNaN(line.factor) || !kind.known {
		return // noted
	}
	step := math.Abs(line.factor)
	switch {
	case !kind.whole:
		v.require("resolution", "the smallest step worth keeping: such readings are stored as whole numbers of it")
		c.Register.Step = c.Resolution / step
		line.factor = math.Copysign(c.Resolution, line.factor)
	case math.IsNaN(c.Resolution):
		c.Resolution = step
	case c.Resolution < step*(1-1e-9):
		v.where("resolution").fault("%s is below one count, %s; want that or more", dim.Format(c.Resolution), dim.Format(step))
	}
	// 0 - x, not -x: a zero offset stays a plain zero.
	switch {
	case c.Kind == sample.Vacuum && reads == "gauge":
		c.Offset, c.Scale = 0-line.offset, -line.factor
	case c.Kind == sample.Vacuum && reads == "absolute":
		c.Offset, c.Scale = r.rig.AmbientKPa-line.offset, -line.factor
	case c.Kind == sample.AirPressure && reads == "absolute":
		c.Offset, c.Scale = line.offset-r.rig.AmbientKPa, line.factor
	default:
		c.Offset, c.Scale = line.offset, line.factor
	}
	c.calibrated(v, dim)
}

// calibrated puts the line of a calibration in place of that of the data sheet. It is from
// raw counts to the channel's value as griptrial keeps it: a vacuum positive below ambient.
func (c *Channel) calibrated(v *value, dim Dimension) {
	const want = "a mapping such as {offset: -0.1 kPa, scale: 0.1 kPa, points: 3, date: 2026-11-25}, as griptrial calibrate writes it"
	if !v.has("calibration") {
		return
	}
	m := v.mapping("calibration", want)
	if m == nil {
		return
	}
	defer m.finish()
	ok := m.require("offset", "the value at a count of 0") && m.require("scale", "the value of one count")
	offset, scale := m.quantity("offset", dim), m.quantity("scale", dim)
	if scale == 0 {
		m.where("scale").fault("%s for each count makes every value the same; want another", quote(m.at["scale"].text))
		ok = false
	}
	zero := func(x float64) float64 { // not stated, or a fault that is noted
		if math.IsNaN(x) {
			return 0
		}
		return x
	}
	errors := sample.Calibration{OffsetU: zero(m.quantity("offset_u", dim, notNegative)), ScaleU: zero(m.quantity("scale_u", dim, notNegative))}
	if at := m.get("center"); at != nil {
		errors.CenterCount = zero(at.asNumber("the mean raw count of the points such as 512.3"))
	}
	k := &Calibrated{Date: m.raw("date")}
	k.Points, _ = m.integer("points", 2, 10_000)
	if ok && !math.IsNaN(offset) && !math.IsNaN(scale) {
		c.Offset, c.Scale, c.Calibration, c.Calibrated = offset, scale, errors, k
	}
}

// limits reads which readings are no measurement.
func (c *Channel) limits(v *value, kind reading) {
	if v.has("saturated") {
		const want = "the two readings at which the converter is at its ends such as [0, 4095]"
		if two := v.pair("saturated", want); two != nil {
			lo, hi := two[0].asNumber(want), two[1].asNumber(want)
			switch {
			case math.IsNaN(lo) || math.IsNaN(hi): // noted
			case !kind.whole && kind.known:
				v.where("saturated").fault("has no place here: only a converter's whole numbers have ends")
			case lo >= hi || lo != math.Trunc(lo) || hi != math.Trunc(hi):
				v.at["saturated"].fault("[%g, %g] are no ends; want two whole numbers, the smaller first", lo, hi)
			default:
				c.Limits.SaturatedLo, c.Limits.SaturatedHi = int64(lo), int64(hi)
			}
		}
	}
	if v.has("stuck_after") {
		if c.Limits.StuckS = v.quantity("stuck_after", Time, positive); math.IsNaN(c.Limits.StuckS) {
			c.Limits.StuckS = 0
		}
	}
}

// dimension returns what a channel of kind k measures.
func (r *rigReader) dimension(k sample.Kind) Dimension {
	switch k {
	case sample.Flow, sample.Air:
		return Flow
	case sample.Power:
		return Power
	}
	return r.pressure
}

// Dimension returns what c measures, for values of the channel: of a rig that states its
// ambient pressure, vacuum may be in "% of ambient" too.
func (c *Channel) Dimension(r *Rig) Dimension {
	return (&rigReader{pressure: PressureAt(r.AmbientKPa)}).dimension(c.Kind)
}

// reads returns how the device means a pressure, "" where it measures none.
func (r *rigReader) reads(v *value, k sample.Kind) string {
	var how string
	switch k {
	case sample.Vacuum:
		if v.require("reads", "vacuum (positive below ambient), gauge (negative) or absolute") {
			how = v.choice("reads", "vacuum", "gauge", "absolute")
		}
	case sample.AirPressure:
		v.when = string(k)
		how = v.choice("reads", "gauge", "absolute")
	default:
		v.refuse("only a pressure can be vacuum, gauge or absolute", "reads")
	}
	if how == "absolute" && !r.ambient {
		v.where("reads").fault(`absolute needs the pressure around; want a line such as "ambient: 1013 hPa" at the top of the file`)
	}
	return how
}

// straight is the line value = offset + factor × reading, and the span of values that it
// was stated over. With a fault factor is NaN; span is NaN where none was stated.
type straight struct {
	offset, factor, span float64

	loopOffsetMA, loopScaleMA float64 // of the reading, where the sensor sends 4 to 20 mA; else 0
}

// readScale reads a scale: one count's worth, or two points, or two points by way of the
// electric signal between a transducer and the block that digitises it. With reads the
// signs of the values must agree.
func readScale(v *value, dim Dimension, kind reading, reads, want string) straight {
	none := straight{offset: math.NaN(), factor: math.NaN(), span: math.NaN()}
	if v.kind != mapping {
		if v.kind == list {
			v.misfit(want)
			return none
		}
		factor := v.asQuantity(dim)
		if factor == 0 {
			v.fault("%s for each count makes every value the same; want another", quote(v.text))
			return none
		}
		return straight{factor: factor, span: math.NaN()}
	}
	defer v.finish()
	v.known = append(v.known, "signal", "sensor")
	numbers := func(key, want string, read func(*value) float64) (a, b float64) {
		if !v.require(key, want) {
			return math.NaN(), math.NaN()
		}
		two := v.pair(key, want)
		if two == nil {
			return math.NaN(), math.NaN()
		}
		a, b = read(two[0]), read(two[1])
		if a == b {
			v.at[key].fault("both points are the same; want two different ones")
			return math.NaN(), math.NaN()
		}
		return a, b
	}
	wantRaw := "two readings such as [0, 27648]"
	r0, r1 := numbers("raw", wantRaw, func(p *value) float64 {
		x := p.asNumber("a plain number, the reading")
		if kind.known && (x < kind.lo || x > kind.hi) {
			p.fault("%s is impossible; the reading lies between %.10g and %.10g", quote(p.text), kind.lo, kind.hi)
			return math.NaN()
		}
		return x
	})
	wantValue := "two values, at those readings, each " + dim.want()
	y0, y1 := numbers("value", wantValue, func(p *value) float64 { return p.asQuantity(dim) })
	var loopOffsetMA, loopScaleMA float64
	if v.has("signal") || v.has("sensor") {
		// raw ↔ signal is the block's range, sensor ↔ value the transducer's: find the
		// readings at which the transducer gives its two signals.
		unit := Voltage
		if s := v.at["signal"]; s != nil && s.kind == list && len(s.items) > 0 {
			if _, err := Parse(Current, s.items[0].text); err == nil {
				unit = Current
			}
		}
		quantity := func(p *value) float64 { return p.asQuantity(unit) }
		s0, s1 := numbers("signal", "the block's two signals at those readings such as [0 V, 10 V] or [4 mA, 20 mA]", quantity)
		a0, a1 := numbers("sensor", "the transducer's two signals at those values such as [1 V, 5 V]", quantity)
		perSignal := (r1 - r0) / (s1 - s0)
		if unit.Name == Current.Name && min(a0, a1) == 4 && max(a0, a1) == 20 {
			loopScaleMA = 1 / perSignal
			loopOffsetMA = s0 - loopScaleMA*r0
		}
		r0, r1 = r0+(a0-s0)*perSignal, r0+(a1-s0)*perSignal
	}
	factor := (y1 - y0) / (r1 - r0)
	if math.IsNaN(factor) {
		return none
	}
	if factor == 0 || math.IsInf(factor, 0) || math.IsInf(r0*factor, 0) {
		v.fault("the two points give no usable scale: %g for each count", factor)
		return none
	}
	lo, hi := min(y0, y1), max(y0, y1)
	switch {
	case reads == "vacuum" && hi <= 0:
		v.at["value"].fault("\"reads: vacuum\" is positive below ambient, and no value here is; want positive values or \"reads: gauge\"")
		return none
	case reads == "gauge" && lo >= 0:
		v.at["value"].fault("\"reads: gauge\" is negative below ambient, and no value here is; want negative values or \"reads: vacuum\"")
		return none
	case reads == "absolute" && lo < 0:
		v.at["value"].fault("an absolute pressure is not negative; want 0 or more, or \"reads: gauge\"")
		return none
	}
	return straight{y0 - factor*r0, factor, hi - lo, loopOffsetMA, loopScaleMA}
}
