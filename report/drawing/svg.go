package drawing

import (
	"fmt"
	"html"
	"io"
	"strconv"
	"strings"
)

// num writes mm to a hundredth, without zeros that say nothing.
func num(mm float64) string {
	s := strconv.FormatFloat(mm, 'f', 2, 64)
	s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	if s == "-0" || s == "" {
		return "0"
	}
	return s
}

func (i Ink) hex() string { return fmt.Sprintf("#%02x%02x%02x", i.R, i.G, i.B) }

func outline(p *Pen, fill *Ink) string {
	s := ` fill="none"`
	if fill != nil {
		s = ` fill="` + fill.hex() + `"`
	}
	if p == nil {
		return s
	}
	s += ` stroke="` + p.Ink.hex() + `" stroke-width="` + num(p.WidthMM) + `"`
	if p.Dash != nil {
		var parts []string
		for _, x := range p.Dash {
			parts = append(parts, num(x))
		}
		s += ` stroke-dasharray="` + strings.Join(parts, " ") + `"`
	}
	return s
}

// SVG writes the drawing as one svg element at its true size. id must differ between the
// drawings of one page; label says what is to be seen for those who cannot see it.
func (d *Drawing) SVG(w io.Writer, id, label string) error {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="%s" width="%smm" height="%smm" viewBox="0 0 %s %s" stroke-linecap="butt" stroke-linejoin="round" font-family="'DejaVu Sans Condensed', 'Segoe UI', Helvetica, Arial, sans-serif">`+"\n",
		html.EscapeString(Clean(label)), num(d.WidthMM), num(d.HeightMM), num(d.WidthMM), num(d.HeightMM))
	clips := 0
	for _, m := range d.marks {
		switch m.kind {
		case line:
			if len(m.points) == 2 {
				a, z := m.points[0], m.points[1]
				fmt.Fprintf(&b, `<line x1="%s" y1="%s" x2="%s" y2="%s"%s/>`+"\n", num(a.X), num(a.Y), num(z.X), num(z.Y), outline(m.pen, nil))
				continue
			}
			b.WriteString(`<polyline points="`)
			writePoints(&b, m.points)
			fmt.Fprintf(&b, `"%s/>`+"\n", outline(m.pen, nil))
		case area:
			b.WriteString(`<polygon points="`)
			writePoints(&b, m.points)
			fmt.Fprintf(&b, `"%s/>`+"\n", outline(m.pen, m.fill))
		case circle:
			fmt.Fprintf(&b, `<circle cx="%s" cy="%s" r="%s"%s/>`+"\n", num(m.points[0].X), num(m.points[0].Y), num(m.radius), outline(m.pen, m.fill))
		case words:
			f := m.font
			fmt.Fprintf(&b, `<text x="%s" y="%s" font-size="%s" fill="%s"`, num(m.points[0].X), num(m.points[0].Y), num(f.SizeMM), f.Ink.hex())
			if f.Bold {
				b.WriteString(` font-weight="bold"`)
			}
			if f.Anchor == Middle || f.Anchor == End {
				fmt.Fprintf(&b, ` text-anchor="%s"`, f.Anchor)
			}
			if f.Turned {
				fmt.Fprintf(&b, ` transform="rotate(-90 %s %s)"`, num(m.points[0].X), num(m.points[0].Y))
			}
			fmt.Fprintf(&b, ">%s</text>\n", html.EscapeString(Clean(m.text)))
		case clip:
			clips++
			fmt.Fprintf(&b, `<clipPath id="%s-%d"><rect x="%s" y="%s" width="%s" height="%s"/></clipPath>`+"\n"+`<g clip-path="url(#%s-%d)">`+"\n",
				id, clips, num(m.box.X), num(m.box.Y), num(m.box.W), num(m.box.H), id, clips)
		case unclip:
			b.WriteString("</g>\n")
		}
	}
	b.WriteString("</svg>\n")
	_, err := io.WriteString(w, b.String())
	return err
}

func writePoints(b *strings.Builder, points []Point) {
	for i, p := range points {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(num(p.X))
		b.WriteByte(',')
		b.WriteString(num(p.Y))
	}
}
