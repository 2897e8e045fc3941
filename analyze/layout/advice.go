package layout

import "math"

// A Tilt is a first tilt to try, as one factor of a trial.
type Tilt struct {
	Deg       float64 // towards the pattern's centre; 0 for none
	Direction string
	TryDeg    []float64 // levels for the trial
	Reason    string
}

// FirstTilt returns the tilt to begin with for so many cups. Common practice, no source: a
// small tilt towards the bag is usually better than none. The trial decides.
func FirstTilt(cups int) Tilt {
	if cups == 1 {
		return Tilt{0, "none", []float64{0}, "one cup sits over the centre of mass, where the film lies level"}
	}
	return Tilt{5, "inward", []float64{0, 5, 10},
		"a filled bag is crowned, and sags between the cups when lifted: the film under a cup rises towards the middle, where a lip tilted inward meets it flat and is peeled less"}
}

// A SwingAxis is the line through two cups about which a bag can swing.
type SwingAxis struct {
	From, To Point
	Along    string  // "length" or "width" of the bag
	OffMM    float64 // distance of the centre of mass from the line, seen from above
	Remark   string
}

// Swing returns the swing axis of a pattern of two cups, nil for other numbers.
func Swing(b Bag, p Pattern) *SwingAxis {
	if len(p.Cups) != 2 {
		return nil
	}
	a := &SwingAxis{From: p.Cups[1], To: p.Cups[0], Along: "length"}
	dx, dy := a.To.XMM-a.From.XMM, a.To.YMM-a.From.YMM
	if math.Abs(dy) > math.Abs(dx) {
		a.Along = "width"
	}
	c := b.CentreOfMass
	a.OffMM = math.Abs(dx*(c.YMM-a.From.YMM)-dy*(c.XMM-a.From.XMM)) / math.Hypot(dx, dy)
	a.Remark = "the bag swings about the line through the two cups, along its " + a.Along + ": accelerate along that line, not across it"
	return a
}

// A Mix is what several bags need of one gripper.
type Mix struct {
	Own    []Pattern // of each bag alone
	Common *Pattern  // one pattern that serves all, nil where none is found
	Ranges []Range   // over which each cup must be adjustable to have each bag's own pattern
}

// A Range is the travel of one cup, in mm.
type Range struct{ X0MM, X1MM, Y0MM, Y1MM float64 }

// leastSpread is how near to the centre of a bag a common pattern may stay, as a share of what
// that bag's own pattern has. Common practice, no source: nearer in, the ends hang.
const leastSpread = 0.6

// ForAll places the same cups on several bags. A pattern serves a bag where it has the gap,
// fits, and spreads over at least 0.6 of what the bag's own pattern does, both ways.
// Tried are every bag's own pattern and that of the bag that lies inside all others; of those
// that serve, the widest is taken. Bags lie with their centres of mass at the same place:
// that is the origin of the common pattern and of the ranges.
func ForAll(orders []Order) (Mix, error) {
	var m Mix
	if len(orders) == 0 {
		return m, nil
	}
	inner := orders[0]
	for _, o := range orders {
		p, err := Place(o)
		if err != nil {
			return Mix{}, err
		}
		m.Own = append(m.Own, p)
		inner.LipMM = max(inner.LipMM, o.LipMM)
		inner.Bag.LengthMM = min(inner.Bag.LengthMM, o.Bag.LengthMM)
		inner.Bag.WidthMM = min(inner.Bag.WidthMM, o.Bag.WidthMM)
	}
	inner.Bag.CentreOfMass, inner.Bag.KeepClear = Point{}, nil
	relative := func(i int) []Point {
		c := orders[i].Bag.CentreOfMass
		return at(m.Own[i].Cups, 1, Point{-c.XMM, -c.YMM})
	}
	candidates := [][]Point{inner.place().Cups}
	for i := range orders {
		candidates = append(candidates, relative(i))
	}
	widest := -1.0
	for _, c := range candidates {
		serves := true
		for i, o := range orders {
			serves = serves && o.serves(c, relative(i))
		}
		if s := spread(c, fromCentre); serves && s > widest {
			widest = s
			p := Pattern{Cups: c, GapMM: math.NaN(), MinGapMM: gapShare * inner.LipMM, Scale: math.NaN(), MoveMM: math.NaN(), Fits: true, LargestLipMM: math.Inf(1)}
			for _, own := range m.Own {
				p.LargestLipMM = min(p.LargestLipMM, own.LargestLipMM)
			}
			if len(c) > 1 {
				p.GapMM = nearest(c) - inner.LipMM
			}
			m.Common = &p
		}
	}
	m.Ranges = make([]Range, len(m.Own[0].Cups))
	for k := range m.Ranges {
		r := Range{math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)}
		for i := range orders {
			if p := relative(i); k < len(p) {
				r = Range{min(r.X0MM, p[k].XMM), max(r.X1MM, p[k].XMM), min(r.Y0MM, p[k].YMM), max(r.Y1MM, p[k].YMM)}
			}
		}
		m.Ranges[k] = r
	}
	return m, nil
}

// serves reports whether cups, placed about the centre of mass, serve the order's bag, whose
// own pattern about it is own.
func (o Order) serves(cups, own []Point) bool {
	return len(cups) == len(own) && o.fits(at(cups, 1, o.Bag.CentreOfMass)) &&
		(len(cups) < 2 || nearest(cups)-o.LipMM >= gapShare*o.LipMM-slack) &&
		spread(cups, alongX) >= leastSpread*spread(own, alongX)-slack &&
		spread(cups, alongY) >= leastSpread*spread(own, alongY)-slack
}

func alongX(p Point) float64     { return math.Abs(p.XMM) }
func alongY(p Point) float64     { return math.Abs(p.YMM) }
func fromCentre(p Point) float64 { return math.Hypot(p.XMM, p.YMM) }

// spread returns the greatest distance of a cup from the centre, as far tells it.
func spread(cups []Point, far func(Point) float64) float64 {
	most := 0.0
	for _, c := range cups {
		most = max(most, far(c))
	}
	return most
}
