package drawing

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/go-pdf/fpdf"
	"golang.org/x/text/unicode/norm"
)

// PointsPerMM is how many points of 1/72 inch a millimetre has.
const PointsPerMM = 72 / 25.4

// NewPDF returns an empty PDF in mm with the font, whose bytes follow from what is drawn
// alone: it is dated at.
func NewPDF(widthMM, heightMM float64, at time.Time) *fpdf.Fpdf {
	doc := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: widthMM, Ht: heightMM}})
	doc.SetAutoPageBreak(false, 0)
	doc.SetMargins(0, 0, 0)
	doc.SetCatalogSort(true)
	if at.IsZero() {
		at = time.Unix(0, 0) // the zero time would mean now
	}
	doc.SetCreationDate(at.UTC())
	doc.SetModificationDate(at.UTC())
	doc.SetLineCapStyle("butt") // a line is as long as it says
	doc.SetLineJoinStyle("round")
	UseFonts(doc)
	return doc
}

// PDF draws into the current page, with the drawing's upper left corner at x, y.
func (d *Drawing) PDF(doc *fpdf.Fpdf, x, y float64) {
	at := func(points []Point) []fpdf.PointType {
		all := make([]fpdf.PointType, len(points))
		for i, p := range points {
			all[i] = fpdf.PointType{X: x + p.X, Y: y + p.Y}
		}
		return all
	}
	style := func(m mark) string {
		s := ""
		if m.fill != nil {
			s = "F"
			doc.SetFillColor(int(m.fill.R), int(m.fill.G), int(m.fill.B))
		}
		if m.pen != nil {
			s += "D"
			doc.SetDrawColor(int(m.pen.Ink.R), int(m.pen.Ink.G), int(m.pen.Ink.B))
			doc.SetLineWidth(m.pen.WidthMM)
			doc.SetDashPattern(m.pen.Dash, 0)
		}
		return s
	}
	for _, m := range d.marks {
		switch m.kind {
		case line:
			style(m)
			p := at(m.points)
			doc.MoveTo(p[0].X, p[0].Y)
			for _, q := range p[1:] {
				doc.LineTo(q.X, q.Y)
			}
			doc.DrawPath("D")
		case area:
			if s := style(m); s != "" {
				doc.Polygon(at(m.points), s)
			}
		case circle:
			if s := style(m); s != "" {
				doc.Circle(x+m.points[0].X, y+m.points[0].Y, m.radius, s)
			}
		case words:
			Write(doc, x+m.points[0].X, y+m.points[0].Y, m.text, m.font)
		case clip:
			doc.ClipRect(x+m.box.X, y+m.box.Y, m.box.W, m.box.H, false)
		case unclip:
			doc.ClipEnd()
		}
	}
	doc.SetDashPattern(nil, 0)
}

// Write sets words in the current page with their baseline at x, y.
func Write(doc *fpdf.Fpdf, x, y float64, text string, f Font) {
	text = Visual(string(glyphs(text)))
	style := ""
	if f.Bold {
		style = "B"
	}
	doc.SetFont(Family, style, f.SizeMM*PointsPerMM)
	doc.SetTextColor(int(f.Ink.R), int(f.Ink.G), int(f.Ink.B))
	left := x
	switch f.Anchor {
	case Middle:
		left -= Width(text, f.SizeMM, f.Bold) / 2
	case End:
		left -= Width(text, f.SizeMM, f.Bold)
	}
	if f.Turned {
		doc.TransformBegin()
		doc.TransformRotate(90, x, y)
		defer doc.TransformEnd()
	}
	for text != "" {
		i := strings.IndexFunc(text, isForm)
		if i < 0 {
			doc.Text(left, y, text)
			return
		}
		if i > 0 {
			doc.Text(left, y, text[:i])
			left += Width(text[:i], f.SizeMM, f.Bold)
		}
		form, n := utf8.DecodeRuneInString(text[i:])
		// Who searches or copies finds the letter, not its form.
		doc.RawWriteStr("/Span <</ActualText <" + utf16Hex(norm.NFKC.String(string(form))) + ">>> BDC")
		doc.Text(left, y, string(form))
		doc.RawWriteStr("EMC")
		left += Width(string(form), f.SizeMM, f.Bold)
		text = text[i+n:]
	}
}

// utf16Hex returns s as a PDF's string of Unicode, in hexadecimal.
func utf16Hex(s string) string {
	var b strings.Builder
	b.WriteString("FEFF")
	for _, u := range utf16.Encode([]rune(s)) {
		fmt.Fprintf(&b, "%04X", u)
	}
	return b.String()
}
