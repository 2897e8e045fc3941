package drawing

import (
	"math"
	"strconv"
)

// Axes are a plot's two straight scales. They only place what they are given.
type Axes struct {
	*Drawing
	Area           Box
	x0, x1, y0, y1 float64
}

// letterMM is the size of words in a plot.
const letterMM = 2.6

// Label is how the words of a plot are set.
func Label(a Anchor) Font { return Font{SizeMM: letterMM, Anchor: a, Ink: Black} }

// NewAxes draws a frame with ticks and thin lines, and the names of both scales.
func NewAxes(d *Drawing, area Box, x0, x1, y0, y1 float64, xName, yName string) *Axes {
	a := &Axes{d, area, x0, x1, y0, y1}
	thin := Pen{Ink: Light, WidthMM: 0.15}
	for _, v := range Ticks(x0, x1, max(4, int(area.W/14))) {
		x := a.X(v)
		d.Line(thin, Point{x, area.Y}, Point{x, area.Y + area.H})
		d.Words(Point{x, area.Y + area.H + 3.6}, Tick(v), Label(Middle))
	}
	if yName != "" {
		for _, v := range Ticks(y0, y1, max(4, int(area.H/6))) {
			y := a.Y(v)
			d.Line(thin, Point{area.X, y}, Point{area.X + area.W, y})
			d.Words(Point{area.X - 1.2, y + 0.9}, Tick(v), Label(End))
		}
		d.Words(Point{area.X - 10.5, area.Y + area.H/2}, yName, Font{SizeMM: letterMM, Anchor: Middle, Turned: true})
	}
	d.Words(Point{area.X + area.W/2, area.Y + area.H + 7.6}, xName, Label(Middle))
	d.Rect(&Pen{Ink: Dark, WidthMM: 0.2}, nil, area)
	return a
}

// X and Y return the place of a value in mm.
func (a *Axes) X(v float64) float64 { return a.Area.X + a.Area.W*(v-a.x0)/(a.x1-a.x0) }

// Y returns the place of a value in mm.
func (a *Axes) Y(v float64) float64 { return a.Area.Y + a.Area.H*(a.y1-v)/(a.y1-a.y0) }

// Curve draws a line through values, inside the frame, broken where y is NaN. More points than
// the frame can show are thinned so that no peak is lost.
func (a *Axes) Curve(pen Pen, x, y []float64) {
	x, y = Thin(x, y, int(a.Area.W*4))
	a.Within(a.Area, func() {
		var points []Point
		for i := range x {
			if math.IsNaN(y[i]) || math.IsNaN(x[i]) {
				a.Line(pen, points...)
				points = nil
				continue
			}
			points = append(points, Point{a.X(x[i]), a.Y(y[i])})
		}
		a.Line(pen, points...)
	})
}

// Across draws a line over the whole width at y, and Upright one over the whole height at x.
func (a *Axes) Across(pen Pen, y float64) {
	a.Line(pen, Point{a.Area.X, a.Y(y)}, Point{a.Area.X + a.Area.W, a.Y(y)})
}

// Upright draws a line over the whole height at x.
func (a *Axes) Upright(pen Pen, x float64) {
	a.Line(pen, Point{a.X(x), a.Area.Y}, Point{a.X(x), a.Area.Y + a.Area.H})
}

// Thin returns at most 4 points a column of n columns of x, which rises: the first, lowest,
// highest and last, in their order. A NaN in a column is kept as one.
func Thin(x, y []float64, columns int) (tx, ty []float64) {
	if len(x) <= 4*columns || columns < 1 {
		return x, y
	}
	x0, width := x[0], (x[len(x)-1]-x[0])/float64(columns)
	for i := 0; i < len(x); {
		column := int((x[i] - x0) / width)
		lo, hi, gap := i, i, -1
		j := i
		for ; j < len(x) && int((x[j]-x0)/width) == column; j++ {
			switch {
			case math.IsNaN(y[j]):
				gap = j
			case !(y[lo] <= y[j]):
				lo = j
			}
			if y[j] > y[hi] || math.IsNaN(y[hi]) {
				hi = j
			}
		}
		keep := []int{i, min(lo, hi), max(lo, hi), j - 1}
		if gap >= 0 {
			keep = append(keep, gap)
		}
		last := -1
		for k := i; k < j; k++ {
			for _, want := range keep {
				if k == want && k != last {
					tx, ty, last = append(tx, x[k]), append(ty, y[k]), k
				}
			}
		}
		i = j
	}
	return tx, ty
}

// Ticks returns round numbers from lo to hi, about as many as wanted.
func Ticks(lo, hi float64, about int) []float64 {
	if !(hi > lo) || math.IsInf(hi-lo, 0) {
		return nil
	}
	about = max(2, about)
	ten := math.Pow(10, math.Ceil(math.Log10((hi-lo)/float64(about))))
	step := ten
	for _, k := range []float64{0.5, 0.2} { // finer while still few enough
		if (hi-lo)/(ten*k) <= float64(about) {
			step = ten * k
		}
	}
	var all []float64
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9; i++ {
		all = append(all, i*step+0) // + 0: no −0
	}
	return all
}

// Tick writes a tick's number.
func Tick(v float64) string {
	s := strconv.FormatFloat(v, 'g', 6, 64)
	if s == "-0" {
		return "0"
	}
	if s[0] == '-' {
		return "−" + s[1:]
	}
	return s
}
