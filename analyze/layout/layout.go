// Package layout places suction cups on a bag: the folds in thirds, the gaps between lips,
// the flat part, areas to keep clear, and one pattern for several bags. It comes after config
// and before report. Its rules are common practice without a source, unless they say more.
package layout

import (
	"fmt"
	"math"
	"slices"
)

// A Point is a place on a bag, in mm: origin at the bag's centre, x along its length.
type Point struct{ XMM, YMM float64 }

// A Rect is an area of a bag, in mm, for a seam, a zip or a valve. X0 < X1, Y0 < Y1.
type Rect struct{ X0MM, Y0MM, X1MM, Y1MM float64 }

// distance returns how far p lies from the area; 0 inside.
func (a Rect) distance(p Point) float64 {
	return math.Hypot(max(a.X0MM-p.XMM, 0, p.XMM-a.X1MM), max(a.Y0MM-p.YMM, 0, p.YMM-a.Y1MM))
}

// A Bag is what the cups sit on.
type Bag struct {
	LengthMM, WidthMM float64
	FillHeightMM      float64 // thickness of the filled bag; 0 takes the whole bag as flat
	CentreOfMass      Point
	KeepClear         []Rect
}

// FlatMM returns the length and width of the part of the bag that lies flat. A filled bag of
// thickness h has rounded edges. Taken as half circles of film that does not stretch, they use
// up πh/2 of the length that the empty bag has, and as much of its width.
func (b Bag) FlatMM() (length, width float64) {
	edge := math.Pi / 2 * b.FillHeightMM
	return b.LengthMM - edge, b.WidthMM - edge
}

// An Order asks for a pattern.
type Order struct {
	Bag      Bag
	LipMM    float64 // diameter of the lip
	Cups     int     // 1, 2, 3, 4 or 6
	MarginMM float64 // lips stay this far inside the flat part
}

// CupCounts lists the numbers of cups for which there is a pattern.
var CupCounts = []int{1, 2, 3, 4, 6}

// gapShare is the least gap between neighbouring lips, in lip diameters.
const gapShare = 1.0 / 3

// slack in mm lets a lip touch its limit in spite of rounding.
const slack = 1e-9

// A Pattern is where cups go.
type Pattern struct {
	Cups     []Point // in the bag's coordinates
	GapMM    float64 // between the nearest two lips; NaN with one cup
	MinGapMM float64 // a third of the lip
	Scale    float64 // of the pattern that the folds give; 1 where no cup moved
	MoveMM   float64 // of the cup that moved farthest from where the folds have it
	Moved    bool    // outward, for the gap or to keep an area clear

	// Shift is how far the pattern's centre lies off the centre of mass, where areas to keep
	// clear leave no other place.
	Shift Point

	Fits         bool    // every lip on the flat part, and off the areas to keep clear
	LargestLipMM float64 // with the same cups and margin; 0 where none fits
	Why          string  // why it does not fit, else ""
}

// start returns the pattern that folds give, about its centre of mass. Four cups: the
// crossings of the folds in thirds both ways. Two: the folds in thirds of the longer side, on
// its middle line. Six: quarters of the longer side, thirds of the other. Three: one in the
// middle at a third of the longer side, two beside the centre at thirds of the other.
func start(b Bag, cups int) []Point {
	length, width := b.LengthMM, b.WidthMM
	turned := width > length && cups != 4
	if turned {
		length, width = width, length
	}
	x, y, q := length/6, width/6, length/4
	var p []Point
	switch cups {
	case 1:
		p = []Point{{0, 0}}
	case 2:
		p = []Point{{x, 0}, {-x, 0}}
	case 3:
		p = []Point{{x, 0}, {-x / 2, y}, {-x / 2, -y}}
	case 4:
		p = []Point{{x, y}, {-x, y}, {-x, -y}, {x, -y}}
	case 6:
		p = []Point{{q, y}, {0, y}, {-q, y}, {-q, -y}, {0, -y}, {q, -y}}
	}
	if turned {
		for i := range p {
			p[i].XMM, p[i].YMM = p[i].YMM, p[i].XMM
		}
	}
	return p
}

// FoldsMM returns where a bag is folded for so many cups: x of the folds across its length, y of
// those across its width.
func FoldsMM(b Bag, cups int) (x, y []float64) {
	folds := func(side float64, quarters bool) []float64 {
		if quarters {
			return []float64{-side / 4, 0, side / 4}
		}
		return []float64{-side / 6, side / 6}
	}
	long := b.LengthMM >= b.WidthMM
	return folds(b.LengthMM, cups == 6 && long), folds(b.WidthMM, cups == 6 && !long)
}

// nearest returns the least distance of two centres, +Inf with one.
func nearest(p []Point) float64 {
	least := math.Inf(1)
	for i := range p {
		for j := range i {
			least = min(least, math.Hypot(p[i].XMM-p[j].XMM, p[i].YMM-p[j].YMM))
		}
	}
	return least
}

// at returns pattern p times scale, moved by to.
func at(p []Point, scale float64, to Point) []Point {
	out := make([]Point, len(p))
	for i := range p {
		out[i] = Point{p[i].XMM*scale + to.XMM, p[i].YMM*scale + to.YMM}
	}
	return out
}

// Place returns the pattern for an order. Where neighbouring lips would come closer than a
// third of their diameter, all cups move away from the centre along the lines on which they
// lie — with four cups the bag's own diagonals — by the least that restores the gap, so that
// the pattern keeps its shape. So they do, where that is enough, to keep an area clear; where
// it is not, the whole pattern shifts, by the least that fits, and Shift says so.
// The error says in one line which input has no meaning.
func Place(o Order) (Pattern, error) {
	if err := o.check(); err != nil {
		return Pattern{}, err
	}
	p := o.place()
	p.LargestLipMM = o.largestLip()
	return p, nil
}

// Judge returns the pattern of cups at the user's own places: its gap, and whether every lip
// fits there with a gap of a third of its diameter. Scale and MoveMM are NaN. The order's Cups
// does not count.
func Judge(o Order, cups []Point) (Pattern, error) {
	o.Cups = 1 // any number has its places
	if err := o.check(); err != nil {
		return Pattern{}, err
	}
	if len(cups) == 0 || len(cups) > 100 {
		return Pattern{}, fmt.Errorf("%d cups; want 1 to 100", len(cups))
	}
	p := Pattern{Cups: slices.Clone(cups), MinGapMM: gapShare * o.LipMM, GapMM: math.NaN(), Scale: math.NaN(), MoveMM: math.NaN(), Why: o.why(cups)}
	for i, c := range cups {
		if math.IsNaN(c.XMM+c.YMM) || math.IsInf(c.XMM, 0) || math.IsInf(c.YMM, 0) {
			return Pattern{}, fmt.Errorf("cup %d is nowhere", i+1)
		}
	}
	if len(cups) > 1 {
		p.GapMM = nearest(cups) - o.LipMM
	}
	if p.Why == "" && p.GapMM < p.MinGapMM-slack {
		p.Why = fmt.Sprintf("the gap of %.4g mm is less than a third of the lip, %.4g mm", p.GapMM, p.MinGapMM)
	}
	p.Fits = p.Why == ""
	fits := func(d float64) bool {
		x := o
		x.LipMM = d
		over, on := x.misfit(cups)
		return over < 0 && on < 0 && (len(cups) == 1 || nearest(cups)-d >= gapShare*d-slack)
	}
	if fits(1e-6) { // smaller lips fit where a larger one does
		p.LargestLipMM = boundary(fits, 1e-6, max(o.Bag.LengthMM, o.Bag.WidthMM)+1)
	}
	return p, nil
}

func (o Order) place() Pattern {
	first := start(o.Bag, o.Cups)
	least := max(1, (1+gapShare)*o.LipMM/nearest(first))
	scale, shift, ok := o.find(first, least)
	r := Pattern{Scale: scale, Shift: shift, MinGapMM: gapShare * o.LipMM, GapMM: math.NaN(), Moved: scale > 1+1e-12, Fits: ok}
	to := o.Bag.CentreOfMass
	r.Cups = at(first, scale, Point{to.XMM + shift.XMM, to.YMM + shift.YMM})
	if o.Cups > 1 {
		r.GapMM = nearest(first)*scale - o.LipMM
	}
	for _, p := range first {
		r.MoveMM = max(r.MoveMM, (scale-1)*math.Hypot(p.XMM, p.YMM))
	}
	if !ok {
		r.Why = o.why(r.Cups)
		if _, on := o.misfit(r.Cups); on >= 0 {
			r.Why += ", and no other place is free"
		}
	}
	return r
}

// find returns the least scale, from least on, at which the pattern fits about the centre of
// mass; else the least shift at the least scale; else the least scale and false.
func (o Order) find(first []Point, least float64) (scale float64, shift Point, ok bool) {
	centre := o.Bag.CentreOfMass
	if o.fits(at(first, least, centre)) {
		return least, Point{}, true
	}
	if len(o.Bag.KeepClear) == 0 {
		return least, Point{}, false
	}
	// A lip moves out along a ray, and the area grown by the lip's radius is convex: it stays
	// inside for one stretch of scales. So the least scale that fits ends such a stretch.
	best := math.Inf(1)
	for _, p := range first {
		for _, a := range o.Bag.KeepClear {
			if s := o.leaves(p, a, least); s < best && o.fits(at(first, s, centre)) {
				best = s
			}
		}
	}
	if !math.IsInf(best, 1) {
		return best, Point{}, true
	}
	pattern := at(first, least, centre)
	far := min(o.Bag.LengthMM, o.Bag.WidthMM) / 2
	const directions, steps = 16, 100
	nearestShift := math.Inf(1)
	for d := range directions {
		sin, cos := math.Sincos(2 * math.Pi * float64(d) / directions)
		free := func(r float64) bool { return o.fits(at(pattern, 1, Point{r * cos, r * sin})) }
		for i := 1; i <= steps; i++ {
			r := far * float64(i) / steps
			if !free(r) {
				continue
			}
			r = boundary(free, r, far*float64(i-1)/steps)
			if r < nearestShift-1e-6 {
				nearestShift, shift = r, Point{r * cos, r * sin}
			}
			break
		}
	}
	return least, shift, !math.IsInf(nearestShift, 1)
}

// boundary returns where ok turns, on its side of it, between yes, where it holds, and no.
func boundary(ok func(float64) bool, yes, no float64) float64 {
	for range 60 {
		if mid := (no + yes) / 2; ok(mid) {
			yes = mid
		} else {
			no = mid
		}
	}
	return yes
}

// leaves returns the scale at which a lip on the ray through p has left area a, +Inf where it
// does not meet it from scale least on, or where p is the centre.
func (o Order) leaves(p Point, a Rect, least float64) float64 {
	length := math.Hypot(p.XMM, p.YMM)
	if length == 0 {
		return math.Inf(1)
	}
	clear := func(s float64) bool {
		return a.distance(at([]Point{p}, s, o.Bag.CentreOfMass)[0]) >= o.LipMM/2-slack
	}
	// The distance to a convex area is convex along a ray: a ternary search finds the nearest
	// place, and beyond it the lip leaves once.
	far := math.Hypot(o.Bag.LengthMM, o.Bag.WidthMM) / length
	near, end := least, max(least, far)
	for range 100 {
		u, v := near+(end-near)/3, end-(end-near)/3
		du := a.distance(at([]Point{p}, u, o.Bag.CentreOfMass)[0])
		dv := a.distance(at([]Point{p}, v, o.Bag.CentreOfMass)[0])
		if du <= dv { // on a flat bottom, inside the area, the first place will do
			end = v
		} else {
			near = u
		}
	}
	if clear(near) || !clear(max(least, far)) {
		return math.Inf(1)
	}
	return boundary(clear, max(least, far), near)
}

// fits reports whether all lips lie on the flat part and off the areas to keep clear.
func (o Order) fits(cups []Point) bool {
	over, on := o.misfit(cups)
	return over < 0 && on < 0
}

// misfit returns the first cup whose lip reaches over the flat part, else the first on an area
// to keep clear; -1 for none.
func (o Order) misfit(cups []Point) (over, on int) {
	length, width := o.Bag.FlatMM()
	r := o.LipMM / 2
	for i, c := range cups {
		if math.Abs(c.XMM)+r > length/2-o.MarginMM+slack || math.Abs(c.YMM)+r > width/2-o.MarginMM+slack {
			return i, -1
		}
	}
	for i, c := range cups {
		for _, a := range o.Bag.KeepClear {
			if a.distance(c) < r-slack {
				return -1, i
			}
		}
	}
	return -1, -1
}

// why says what keeps cups from their places, "" where nothing does.
func (o Order) why(cups []Point) string {
	switch over, on := o.misfit(cups); {
	case over >= 0:
		length, width := o.Bag.FlatMM()
		return fmt.Sprintf("the lip of cup %d reaches over the flat part, %.4g mm x %.4g mm, less its margin of %.4g mm", over+1, max(length, 0), max(width, 0), o.MarginMM)
	case on >= 0:
		return fmt.Sprintf("the lip of cup %d lies on an area to keep clear", on+1)
	}
	return ""
}

// largestLip returns the largest lip that fits, 0 where none does. Without areas to keep
// clear that is exact; with them a larger one may hide where less than a hundredth of the
// bag's shorter side separates it from lips that do not fit.
func (o Order) largestLip() float64 {
	fits := func(d float64) bool {
		x := o
		x.LipMM = d
		return x.place().Fits
	}
	side := min(o.Bag.LengthMM, o.Bag.WidthMM)
	steps := 1
	if len(o.Bag.KeepClear) > 0 {
		steps = 100
	}
	for i := steps - 1; i >= 0; i-- {
		lo := max(side*float64(i)/float64(steps), 1e-6)
		if fits(lo) {
			return boundary(fits, lo, side*float64(i+1)/float64(steps))
		}
	}
	return 0
}

const longestMM = 1e5 // 100 m: no bag is longer

func (o Order) check() error {
	for _, x := range []struct {
		name  string
		value float64
	}{
		{"bag's length", o.Bag.LengthMM}, {"bag's width", o.Bag.WidthMM}, {"lip's diameter", o.LipMM},
	} {
		if !(x.value > 0 && x.value <= longestMM) {
			return fmt.Errorf("the %s is %g mm; want more than 0 and at most 100 m", x.name, x.value)
		}
	}
	switch c := o.Bag.CentreOfMass; {
	case !slices.Contains(CupCounts, o.Cups):
		return fmt.Errorf("%d cups have no pattern; want 1, 2, 3, 4 or 6", o.Cups)
	case !(o.MarginMM >= 0 && o.MarginMM <= longestMM):
		return fmt.Errorf("the margin is %g mm; want 0 or more", o.MarginMM)
	case !(o.Bag.FillHeightMM >= 0 && o.Bag.FillHeightMM <= longestMM):
		return fmt.Errorf("the fill height is %g mm; want 0 or more", o.Bag.FillHeightMM)
	case !(math.Abs(c.XMM) <= o.Bag.LengthMM/2 && math.Abs(c.YMM) <= o.Bag.WidthMM/2):
		return fmt.Errorf("the centre of mass at %g, %g mm lies off the bag; the origin is the bag's centre, x along its length", c.XMM, c.YMM)
	}
	for _, a := range o.Bag.KeepClear {
		if !(a.X0MM < a.X1MM && a.Y0MM < a.Y1MM) || math.IsInf(a.X1MM-a.X0MM, 0) || math.IsInf(a.Y1MM-a.Y0MM, 0) {
			return fmt.Errorf("an area to keep clear runs from %g, %g to %g, %g mm; want its lower corner first", a.X0MM, a.Y0MM, a.X1MM, a.Y1MM)
		}
	}
	return nil
}
