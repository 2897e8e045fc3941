package report

import (
	"fmt"
	"html"
	"io"
	"math"
	"strings"

	"github.com/go-pdf/fpdf"

	"griptrial/analyze/layout"
)

// A Paper is a size to print on.
type Paper string

// The papers. Tiles are A4 sheets to be glued together.
const (
	A4    Paper = "A4"
	A3    Paper = "A3"
	Tiles Paper = "tiles"
)

const (
	paperEdgeMM = 10 // what printers leave blank, with a little to spare
	headMM      = 24 // for the title and the check line
	checkLineMM = 100
)

// A Sheet is a pattern of cups drawn at true scale: pages of lines, circles and words, in mm
// from the page's upper left corner, y downwards.
type Sheet struct {
	WidthMM, HeightMM float64 // of every page
	Pages             []Page
}

// A Page is one page of a sheet. Body is drawn inside Clip only.
type Page struct {
	Clip box
	Body []mark
	Head []mark
}

type box struct{ x, y, w, h float64 }

// A mark is a line, or with radius > 0 a circle, or with words a text that begins at x0, y0.
type mark struct {
	x0, y0, x1, y1 float64
	radius         float64
	words          string
	sizeMM         float64
	widthMM        float64 // of the stroke
	dashed, grey   bool
}

// NewSheet draws the pattern for printing at true scale: the bag's outline, its flat part, the
// folds, areas to keep clear, the lips with their numbers and centres, and a line of 100 mm to
// check the print by. paper "" takes the smallest on which all goes on one page, else tiles.
// The error says that the bag does not go on the paper asked for.
func NewSheet(o layout.Order, p layout.Pattern, paper Paper, title string) (*Sheet, error) {
	length, width := o.Bag.LengthMM, o.Bag.WidthMM
	sizes := map[Paper][2]float64{A4: {297, 210}, A3: {420, 297}, Tiles: {297, 210}}
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
		return nil, fmt.Errorf("paper %q is unknown; want A4, A3 or tiles", paper)
	}
	if paper != Tiles && !goes(paper) {
		w, h := room(paper)
		return nil, fmt.Errorf("the bag of %.4g mm x %.4g mm does not go on %s at true scale, which has room for %.4g mm x %.4g mm; want a larger paper or tiles", length, width, paper, w, h)
	}
	s := &Sheet{WidthMM: sizes[paper][0], HeightMM: sizes[paper][1]}
	w, h := room(paper)
	columns, rows := 1, 1
	if paper == Tiles {
		columns, rows = int(math.Ceil(length/w)), int(math.Ceil(width/h))
	}
	if columns*rows > 100 {
		return nil, fmt.Errorf("the bag of %.4g mm x %.4g mm would take %d tiles; at most 100 are drawn", length, width, columns*rows)
	}
	for row := range rows {
		for column := range columns {
			page := Page{Clip: box{paperEdgeMM, paperEdgeMM + headMM, w, h}}
			// The page shows w x h of the bag's plane; together the tiles show its middle.
			left := (float64(column) - float64(columns)/2) * w
			top := (float64(row) - float64(rows)/2) * h
			x := func(mm float64) float64 { return paperEdgeMM + mm - left }
			y := func(mm float64) float64 { return paperEdgeMM + headMM - mm - top } // y of the bag is upwards
			page.Body = body(o, p, x, y)
			words := title
			if columns*rows > 1 {
				words += fmt.Sprintf(" - tile %d of %d: row %d, column %d; cut at the grey frame and join", row*columns+column+1, columns*rows, row+1, column+1)
			}
			page.Head = head(words)
			if c := page.Clip; columns*rows > 1 {
				page.Head = append(page.Head, rectangle(c.x, c.y, c.x+c.w, c.y+c.h, mark{widthMM: 0.1, grey: true})...)
			}
			s.Pages = append(s.Pages, page)
		}
	}
	return s, nil
}

func head(title string) []mark {
	x0, y := float64(paperEdgeMM), float64(paperEdgeMM)+16
	return []mark{
		{x0: x0, y0: paperEdgeMM + 5, words: title, sizeMM: 4},
		{x0: x0, y0: paperEdgeMM + 10.5, words: "Print at 100 %, without fitting to the page. Check: this line must be 100 mm long.", sizeMM: 3.2},
		{x0: x0, y0: y, x1: x0 + checkLineMM, y1: y, widthMM: 0.5},
		{x0: x0 + checkLineMM + 3, y0: y + 1, words: "100 mm", sizeMM: 3.2},
	}
}

func rectangle(x0, y0, x1, y1 float64, like mark) []mark {
	var all []mark
	for _, l := range [][4]float64{{x0, y0, x1, y0}, {x1, y0, x1, y1}, {x1, y1, x0, y1}, {x0, y1, x0, y0}} {
		m := like
		m.x0, m.y0, m.x1, m.y1 = l[0], l[1], l[2], l[3]
		all = append(all, m)
	}
	return all
}

func body(o layout.Order, p layout.Pattern, x, y func(float64) float64) []mark {
	length, width := o.Bag.LengthMM, o.Bag.WidthMM
	all := rectangle(x(-length/2), y(width/2), x(length/2), y(-width/2), mark{widthMM: 0.5})
	flatLength, flatWidth := o.Bag.FlatMM()
	if in := o.MarginMM; flatLength > 2*in && flatWidth > 2*in && (flatLength < length || in > 0) {
		all = append(all, rectangle(x(-flatLength/2+in), y(flatWidth/2-in), x(flatLength/2-in), y(-flatWidth/2+in), mark{widthMM: 0.15, grey: true})...)
	}
	foldsX, foldsY := layout.FoldsMM(o.Bag, o.Cups)
	for _, f := range foldsX {
		all = append(all, mark{x0: x(f), y0: y(-width / 2), x1: x(f), y1: y(width / 2), widthMM: 0.2, dashed: true})
	}
	for _, f := range foldsY {
		all = append(all, mark{x0: x(-length / 2), y0: y(f), x1: x(length / 2), y1: y(f), widthMM: 0.2, dashed: true})
	}
	for _, a := range o.Bag.KeepClear {
		all = append(all, rectangle(x(a.X0MM), y(a.Y1MM), x(a.X1MM), y(a.Y0MM), mark{widthMM: 0.3, dashed: true})...)
		all = append(all, mark{x0: x(a.X0MM), y0: y(a.Y1MM), x1: x(a.X1MM), y1: y(a.Y0MM), widthMM: 0.2, grey: true},
			mark{x0: x(a.X0MM), y0: y(a.Y0MM), x1: x(a.X1MM), y1: y(a.Y1MM), widthMM: 0.2, grey: true})
	}
	for i, c := range p.Cups {
		all = append(all,
			mark{x0: x(c.XMM), y0: y(c.YMM), radius: o.LipMM / 2, widthMM: 0.4},
			mark{x0: x(c.XMM) - 3, y0: y(c.YMM), x1: x(c.XMM) + 3, y1: y(c.YMM), widthMM: 0.2},
			mark{x0: x(c.XMM), y0: y(c.YMM) - 3, x1: x(c.XMM), y1: y(c.YMM) + 3, widthMM: 0.2},
			mark{x0: x(c.XMM) + 1.5, y0: y(c.YMM) - 1.5, words: fmt.Sprint(i + 1), sizeMM: 5})
	}
	c := o.Bag.CentreOfMass
	return append(all, mark{x0: x(c.XMM), y0: y(c.YMM), radius: 1.5, widthMM: 0.2})
}

// PDF writes all pages as one PDF.
func (s *Sheet) PDF(w io.Writer) error {
	doc := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: s.WidthMM, Ht: s.HeightMM}})
	doc.SetAutoPageBreak(false, 0)
	doc.SetLineCapStyle("butt") // a line is as long as it says
	translate := doc.UnicodeTranslatorFromDescriptor("")
	draw := func(m mark) {
		grey := 0
		if m.grey {
			grey = 150
		}
		doc.SetDrawColor(grey, grey, grey)
		doc.SetLineWidth(m.widthMM)
		doc.SetDashPattern(nil, 0)
		if m.dashed {
			doc.SetDashPattern([]float64{4, 2}, 0)
		}
		switch {
		case m.words != "":
			doc.SetFont("Helvetica", "", m.sizeMM*72/25.4)
			doc.Text(m.x0, m.y0, translate(m.words))
		case m.radius > 0:
			doc.Circle(m.x0, m.y0, m.radius, "D")
		default:
			doc.Line(m.x0, m.y0, m.x1, m.y1)
		}
	}
	for _, page := range s.Pages {
		doc.AddPageFormat("P", fpdf.SizeType{Wd: s.WidthMM, Ht: s.HeightMM})
		doc.ClipRect(page.Clip.x, page.Clip.y, page.Clip.w, page.Clip.h, false)
		for _, m := range page.Body {
			draw(m)
		}
		doc.ClipEnd()
		for _, m := range page.Head {
			draw(m)
		}
	}
	return doc.Output(w)
}

// SVG writes one page, from 0, as SVG with its size in mm.
func (s *Sheet) SVG(w io.Writer, page int) error {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g" fill="none" stroke-linecap="butt" font-family="Helvetica, Arial, sans-serif">`+"\n",
		s.WidthMM, s.HeightMM, s.WidthMM, s.HeightMM)
	p := s.Pages[page]
	fmt.Fprintf(&b, `<clipPath id="bag"><rect x="%.3f" y="%.3f" width="%.3f" height="%.3f"/></clipPath>`+"\n<g clip-path=\"url(#bag)\">\n", p.Clip.x, p.Clip.y, p.Clip.w, p.Clip.h)
	draw := func(m mark) {
		colour, dash := "#000", ""
		if m.grey {
			colour = "#969696"
		}
		if m.dashed {
			dash = ` stroke-dasharray="4 2"`
		}
		switch {
		case m.words != "":
			fmt.Fprintf(&b, `<text x="%.3f" y="%.3f" font-size="%.3g" fill="#000">%s</text>`+"\n", m.x0, m.y0, m.sizeMM, html.EscapeString(m.words))
		case m.radius > 0:
			fmt.Fprintf(&b, `<circle cx="%.3f" cy="%.3f" r="%.3f" stroke="%s" stroke-width="%.3g"%s/>`+"\n", m.x0, m.y0, m.radius, colour, m.widthMM, dash)
		default:
			fmt.Fprintf(&b, `<line x1="%.3f" y1="%.3f" x2="%.3f" y2="%.3f" stroke="%s" stroke-width="%.3g"%s/>`+"\n", m.x0, m.y0, m.x1, m.y1, colour, m.widthMM, dash)
		}
	}
	for _, m := range p.Body {
		draw(m)
	}
	b.WriteString("</g>\n")
	for _, m := range p.Head {
		draw(m)
	}
	b.WriteString("</svg>\n")
	_, err := io.WriteString(w, b.String())
	return err
}
