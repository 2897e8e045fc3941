package report

import (
	"fmt"
	"io"
	"math"
	"time"

	"griptrial/analyze/layout"
	"griptrial/report/drawing"
)

// A Paper is a size to print on.
type Paper string

// The papers. Tiles are sheets to be glued together, of A4 unless they say Letter.
const (
	A4          Paper = "A4"
	A3          Paper = "A3"
	Letter      Paper = "Letter"
	Tiles       Paper = "tiles"
	LetterTiles Paper = "Letter tiles"
)

const (
	paperEdgeMM = 10 // what printers leave blank, with a little to spare
	headMM      = 24 // for the title and the check line
	checkLineMM = 100
)

// A Sheet is a pattern of cups drawn at true scale, a drawing a page.
type Sheet struct {
	WidthMM, HeightMM float64 // of every page
	Pages             []*drawing.Drawing
}

// NewSheet draws the pattern for printing at true scale: the bag's outline, its flat part, the
// folds, areas to keep clear, the lips with their numbers and centres, and a line of 100 mm to
// check the print by. paper "" takes the smallest of A4 and A3 on which all goes on one page,
// else tiles. The error says that the bag does not go on the paper asked for.
func NewSheet(o layout.Order, p layout.Pattern, paper Paper, title string) (*Sheet, error) {
	length, width := o.Bag.LengthMM, o.Bag.WidthMM
	sizes := map[Paper][2]float64{A4: {297, 210}, A3: {420, 297}, Letter: {279.4, 215.9}, Tiles: {297, 210}, LetterTiles: {279.4, 215.9}}
	room := func(paper Paper) (w, h float64) {
		s := sizes[paper]
		return s[0] - 2*paperEdgeMM, s[1] - 2*paperEdgeMM - headMM
	}
	goes := func(paper Paper) bool {
		w, h := room(paper)
		return length <= w && width <= h
	}
	if paper == "" {
		paper = Tiles
		for _, x := range []Paper{A3, A4} {
			if goes(x) {
				paper = x
			}
		}
	}
	if _, known := sizes[paper]; !known {
		return nil, fmt.Errorf("paper %q is unknown; want A4, A3, Letter, tiles or Letter tiles", paper)
	}
	tiles := paper == Tiles || paper == LetterTiles
	if !tiles && !goes(paper) {
		w, h := room(paper)
		return nil, fmt.Errorf("the bag of %.4g mm x %.4g mm does not go on %s at true scale, which has room for %.4g mm x %.4g mm; want a larger paper or tiles", length, width, paper, w, h)
	}
	s := &Sheet{WidthMM: sizes[paper][0], HeightMM: sizes[paper][1]}
	w, h := room(paper)
	columns, rows := 1, 1
	if tiles {
		columns, rows = int(math.Ceil(length/w)), int(math.Ceil(width/h))
	}
	if columns*rows > 100 {
		return nil, fmt.Errorf("the bag of %.4g mm x %.4g mm would take %d tiles; at most 100 are drawn", length, width, columns*rows)
	}
	for row := range rows {
		for column := range columns {
			page := drawing.New(s.WidthMM, s.HeightMM)
			frame := drawing.Box{X: paperEdgeMM, Y: paperEdgeMM + headMM, W: w, H: h}
			// The page shows w x h of the bag's plane; together the tiles show its middle.
			left := (float64(column) - float64(columns)/2) * w
			top := (float64(row) - float64(rows)/2) * h
			at := func(xMM, yMM float64) drawing.Point { // y of the bag is upwards
				return drawing.Point{X: paperEdgeMM + xMM - left, Y: paperEdgeMM + headMM - yMM - top}
			}
			page.Within(frame, func() { drawBag(page, o, p, at) })
			words := title
			if columns*rows > 1 {
				words += fmt.Sprintf(" - tile %d of %d: row %d, column %d; cut at the grey frame and join", row*columns+column+1, columns*rows, row+1, column+1)
				page.Rect(&drawing.Pen{Ink: drawing.Grey, WidthMM: 0.1}, nil, frame)
			}
			drawHead(page, words)
			s.Pages = append(s.Pages, page)
		}
	}
	return s, nil
}

func drawHead(page *drawing.Drawing, title string) {
	x0, y := float64(paperEdgeMM), float64(paperEdgeMM)+16
	page.Words(drawing.Point{X: x0, Y: paperEdgeMM + 5}, title, drawing.Font{SizeMM: 4})
	page.Words(drawing.Point{X: x0, Y: paperEdgeMM + 10.5}, "Print at 100 %, without fitting to the page. Check: this line must be 100 mm long.", drawing.Font{SizeMM: 3.2})
	page.Line(drawing.Pen{WidthMM: 0.5}, drawing.Point{X: x0, Y: y}, drawing.Point{X: x0 + checkLineMM, Y: y})
	page.Words(drawing.Point{X: x0 + checkLineMM + 3, Y: y + 1}, "100 mm", drawing.Font{SizeMM: 3.2})
}

// drawBag draws a bag with its cups; at returns where a place on the bag is on the page.
func drawBag(page *drawing.Drawing, o layout.Order, p layout.Pattern, at func(xMM, yMM float64) drawing.Point) {
	dashed := []float64{4, 2}
	rectangle := func(pen drawing.Pen, x0, y0, x1, y1 float64) {
		page.Area(&pen, nil, at(x0, y0), at(x1, y0), at(x1, y1), at(x0, y1))
	}
	length, width := o.Bag.LengthMM, o.Bag.WidthMM
	rectangle(drawing.Pen{WidthMM: 0.5}, -length/2, -width/2, length/2, width/2)
	flatLength, flatWidth := o.Bag.FlatMM()
	if in := o.MarginMM; flatLength > 2*in && flatWidth > 2*in && (flatLength < length || in > 0) {
		rectangle(drawing.Pen{Ink: drawing.Grey, WidthMM: 0.15}, -flatLength/2+in, -flatWidth/2+in, flatLength/2-in, flatWidth/2-in)
	}
	foldsX, foldsY := layout.FoldsMM(o.Bag, o.Cups)
	fold := drawing.Pen{WidthMM: 0.2, Dash: dashed}
	for _, f := range foldsX {
		page.Line(fold, at(f, -width/2), at(f, width/2))
	}
	for _, f := range foldsY {
		page.Line(fold, at(-length/2, f), at(length/2, f))
	}
	for _, a := range o.Bag.KeepClear {
		rectangle(drawing.Pen{WidthMM: 0.3, Dash: dashed}, a.X0MM, a.Y0MM, a.X1MM, a.Y1MM)
		cross := drawing.Pen{Ink: drawing.Grey, WidthMM: 0.2}
		page.Line(cross, at(a.X0MM, a.Y1MM), at(a.X1MM, a.Y0MM))
		page.Line(cross, at(a.X0MM, a.Y0MM), at(a.X1MM, a.Y1MM))
	}
	thin := drawing.Pen{WidthMM: 0.2}
	for i, c := range p.Cups {
		m := at(c.XMM, c.YMM)
		page.Circle(&drawing.Pen{WidthMM: 0.4}, nil, m, o.LipMM/2)
		page.Line(thin, drawing.Point{X: m.X - 3, Y: m.Y}, drawing.Point{X: m.X + 3, Y: m.Y})
		page.Line(thin, drawing.Point{X: m.X, Y: m.Y - 3}, drawing.Point{X: m.X, Y: m.Y + 3})
		page.Words(drawing.Point{X: m.X + 1.5, Y: m.Y - 1.5}, fmt.Sprint(i+1), drawing.Font{SizeMM: 5})
	}
	page.Circle(&thin, nil, at(o.Bag.CentreOfMass.XMM, o.Bag.CentreOfMass.YMM), 1.5)
}

// PDF writes all pages as one PDF.
func (s *Sheet) PDF(w io.Writer) error {
	doc := drawing.NewPDF(s.WidthMM, s.HeightMM, time.Time{})
	for _, page := range s.Pages {
		doc.AddPage()
		page.PDF(doc, 0, 0)
	}
	return doc.Output(w)
}

// SVG writes one page, from 0, as SVG with its size in mm.
func (s *Sheet) SVG(w io.Writer, page int) error {
	return s.Pages[page].SVG(w, "sheet", "cups on the bag at true scale")
}
