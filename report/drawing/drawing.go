// Package drawing holds drawings as marks in millimetres, and writes the same drawing as SVG
// or into a page of a PDF. It comes before report, which draws plots and sheets with it.
package drawing

import "math"

// A Drawing is lines, areas, circles and words, in mm from its upper left corner, y downwards.
type Drawing struct {
	WidthMM, HeightMM float64
	marks             []mark
}

// An Ink is a colour. The inks of a plot differ in lightness, too, so that a grey print tells
// them apart; lines also differ by their dashes and points by their shapes.
type Ink struct{ R, G, B uint8 }

// The inks.
var (
	Black = Ink{0, 0, 0}
	Dark  = Ink{70, 70, 70}
	Grey  = Ink{150, 150, 150}
	Light = Ink{222, 222, 222}
	Pale  = Ink{240, 240, 240}
	White = Ink{255, 255, 255}
)

// A Pen draws lines.
type Pen struct {
	Ink     Ink
	WidthMM float64
	Dash    []float64 // mm on, off …; nil for a whole line
}

// An Anchor says which point of words is given.
type Anchor string

// The anchors.
const (
	Start  Anchor = "start"
	Middle Anchor = "middle"
	End    Anchor = "end"
)

// A Font is how words are set.
type Font struct {
	SizeMM float64 // of the letters' body
	Bold   bool
	Anchor Anchor // "" is Start
	Ink    Ink
	Turned bool // reads upwards
}

// A Point is a place in mm.
type Point struct{ X, Y float64 }

// A Box is a rectangle by its upper left corner and its size.
type Box struct{ X, Y, W, H float64 }

type kind int

const (
	line kind = iota
	area
	circle
	words
	clip
	unclip
)

type mark struct {
	kind   kind
	points []Point
	radius float64
	text   string
	pen    *Pen // nil: no outline
	fill   *Ink // nil: not filled
	font   Font
	box    Box
}

// New returns an empty drawing.
func New(widthMM, heightMM float64) *Drawing {
	return &Drawing{WidthMM: widthMM, HeightMM: heightMM}
}

// add takes a mark; one without a place, at a value that cannot be had, is not drawn.
func (d *Drawing) add(m mark) {
	for _, p := range m.points {
		if math.IsNaN(p.X+p.Y) || math.IsInf(p.X+p.Y, 0) {
			return
		}
	}
	d.marks = append(d.marks, m)
}

// Line draws a line through points.
func (d *Drawing) Line(pen Pen, points ...Point) {
	if len(points) > 1 {
		d.add(mark{kind: line, points: points, pen: &pen})
	}
}

// Area draws a polygon. pen or fill may be nil.
func (d *Drawing) Area(pen *Pen, fill *Ink, points ...Point) {
	d.add(mark{kind: area, points: points, pen: pen, fill: fill})
}

// Rect draws a rectangle. pen or fill may be nil.
func (d *Drawing) Rect(pen *Pen, fill *Ink, b Box) {
	d.Area(pen, fill, Point{b.X, b.Y}, Point{b.X + b.W, b.Y}, Point{b.X + b.W, b.Y + b.H}, Point{b.X, b.Y + b.H})
}

// Circle draws a circle. pen or fill may be nil.
func (d *Drawing) Circle(pen *Pen, fill *Ink, centre Point, radius float64) {
	d.add(mark{kind: circle, points: []Point{centre}, radius: radius, pen: pen, fill: fill})
}

// Words sets words with their baseline at p.
func (d *Drawing) Words(p Point, text string, f Font) {
	d.add(mark{kind: words, points: []Point{p}, text: text, font: f})
}

// Within draws what draw draws inside b only.
func (d *Drawing) Within(b Box, draw func()) {
	d.marks = append(d.marks, mark{kind: clip, box: b})
	draw()
	d.marks = append(d.marks, mark{kind: unclip})
}

// Stripes fills b with lines at an angle, in degrees anticlockwise, so many mm apart.
func (d *Drawing) Stripes(pen Pen, b Box, degrees, apartMM float64) {
	if !(b.W > 0 && b.H > 0) {
		return
	}
	sin, cos := math.Sincos(-degrees * math.Pi / 180)
	// Lines n·p = k·apart, with n across the stripes; each is cut at the box's edges.
	nx, ny := -sin, cos
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range []Point{{b.X, b.Y}, {b.X + b.W, b.Y}, {b.X, b.Y + b.H}, {b.X + b.W, b.Y + b.H}} {
		lo, hi = min(lo, nx*p.X+ny*p.Y), max(hi, nx*p.X+ny*p.Y)
	}
	for k := math.Ceil(lo / apartMM); k*apartMM <= hi; k++ {
		x, y := nx*k*apartMM, ny*k*apartMM
		from, to := math.Inf(-1), math.Inf(1)
		for _, e := range [][3]float64{{cos, b.X - x, b.X + b.W - x}, {sin, b.Y - y, b.Y + b.H - y}} {
			if math.Abs(e[0]) < 1e-9 {
				if e[1] > 0 || e[2] < 0 {
					to = math.Inf(-1)
				}
				continue
			}
			from, to = max(from, min(e[1]/e[0], e[2]/e[0])), min(to, max(e[1]/e[0], e[2]/e[0]))
		}
		if to > from {
			d.Line(pen, Point{x + cos*from, y + sin*from}, Point{x + cos*to, y + sin*to})
		}
	}
}

// Shapes is how many shapes of points there are.
const Shapes = 6

// Point draws a point with shape n modulo Shapes: disc, square, triangle, ring, cross, diamond.
func (d *Drawing) Point(n int, ink Ink, p Point, radiusMM float64) {
	pen := &Pen{Ink: ink, WidthMM: radiusMM / 3}
	r := radiusMM
	switch n % Shapes {
	case 0:
		d.Circle(nil, &ink, p, r)
	case 1:
		d.Rect(nil, &ink, Box{p.X - 0.9*r, p.Y - 0.9*r, 1.8 * r, 1.8 * r})
	case 2:
		d.Area(nil, &ink, Point{p.X, p.Y - 1.15*r}, Point{p.X + 1.1*r, p.Y + 0.85*r}, Point{p.X - 1.1*r, p.Y + 0.85*r})
	case 3:
		d.Circle(pen, &White, p, 0.9*r)
	case 4:
		d.Line(*pen, Point{p.X - r, p.Y - r}, Point{p.X + r, p.Y + r})
		d.Line(*pen, Point{p.X - r, p.Y + r}, Point{p.X + r, p.Y - r})
	case 5:
		d.Area(pen, &White, Point{p.X, p.Y - 1.2*r}, Point{p.X + 1.2*r, p.Y}, Point{p.X, p.Y + 1.2*r}, Point{p.X - 1.2*r, p.Y})
	}
}

// inks and dashes of the lines of a plot, by number.
var (
	inks   = []Ink{{20, 60, 110}, {190, 95, 20}, {60, 60, 60}, {90, 150, 190}, {120, 20, 60}, {130, 130, 40}}
	dashes = [][]float64{nil, {2.2, 1}, {0.6, 0.7}, {3.2, 0.8, 0.6, 0.8}, {4.5, 1.2}, {1.2, 0.6}}
)

// InkOf returns the ink of line n.
func InkOf(n int) Ink { return inks[n%len(inks)] }

// PenOf returns the pen of line n: its own ink and its own dashes.
func PenOf(n int, widthMM float64) Pen { return Pen{InkOf(n), widthMM, dashes[n%len(dashes)]} }

// Add draws all of another drawing with its upper left corner at x, y.
func (d *Drawing) Add(other *Drawing, x, y float64) {
	for _, m := range other.marks {
		points := make([]Point, len(m.points))
		for i, p := range m.points {
			points[i] = Point{p.X + x, p.Y + y}
		}
		m.points = points
		m.box.X, m.box.Y = m.box.X+x, m.box.Y+y
		d.marks = append(d.marks, m)
	}
}

// Text returns all words, in the order in which they were set.
func (d *Drawing) Text() (all []string) {
	d.EachWords(func(_ Point, text string, _ Font) { all = append(all, text) })
	return all
}

// EachWords calls f with all words and where they stand.
func (d *Drawing) EachWords(f func(at Point, text string, font Font)) {
	for _, m := range d.marks {
		if m.kind == words {
			f(m.points[0], m.text, m.font)
		}
	}
}
