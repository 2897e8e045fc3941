package report

import (
	"fmt"
	"html"
	"io"
	"math"
	"strings"

	"griptrial/analyze"
)

// colours of engines; they differ in lightness, too.
var colours = []string{"#1b5e9e", "#c4561a", "#2e7d4f", "#8e3b8a", "#7a6a00", "#008b8b"}

// EnginesSVG draws flow over vacuum: the engines' curves, the leak's with its 95 % band, and
// the operating points with their intervals. One panel a leak.
func EnginesSVG(w io.Writer, j EngineJSON) error {
	all := j.all()
	const width, height = 720.0, 420.0
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" width="%g" height="%g" font-family="Helvetica, Arial, sans-serif" font-size="12">`+"\n", width, height*float64(len(all)), width, height*float64(len(all)))
	fmt.Fprintf(&b, `<rect width="100%%" height="100%%" fill="#fff"/>`+"\n")
	for i, e := range all {
		fmt.Fprintf(&b, `<g transform="translate(0 %g)">`+"\n", height*float64(i))
		e.panel(&b, i, width, height)
		b.WriteString("</g>\n")
	}
	b.WriteString("</svg>\n")
	_, err := io.WriteString(w, b.String())
	return err
}

func (j EngineJSON) panel(b *strings.Builder, number int, width, height float64) {
	const left, right, top, bottom = 60, 20, 36, 48
	d := j.Curves
	if len(d.Vacuum) < 2 {
		return
	}
	deepest, most := float64(d.Vacuum[len(d.Vacuum)-1]), j.mostFlow()
	x := func(v float64) float64 { return left + (width-left-right)*v/deepest }
	y := func(q float64) float64 { return height - bottom - (height-top-bottom)*q/most }
	fmt.Fprintf(b, `<clipPath id="area%d"><rect x="%d" y="%d" width="%g" height="%g"/></clipPath>`+"\n", number, left, top, width-left-right, height-top-bottom)
	for _, v := range ticks(deepest) {
		fmt.Fprintf(b, `<line x1="%.1f" y1="%d" x2="%.1f" y2="%.1f" stroke="#ddd"/><text x="%.1f" y="%.1f" text-anchor="middle">%g</text>`+"\n", x(v), top, x(v), height-bottom, x(v), height-bottom+16, v)
	}
	for _, q := range ticks(most) {
		fmt.Fprintf(b, `<line x1="%d" y1="%.1f" x2="%.1f" y2="%.1f" stroke="#ddd"/><text x="%d" y="%.1f" text-anchor="end">%g</text>`+"\n", left, y(q), width-right, y(q), left-6, y(q)+4, q)
	}
	fmt.Fprintf(b, `<text x="%.1f" y="%.1f" text-anchor="middle">vacuum, kPa</text><text transform="translate(16 %.1f) rotate(-90)" text-anchor="middle">flow, L/min ANR</text>`+"\n", (left+width-right)/2, height-12, (top+height-bottom)/2)
	fmt.Fprintf(b, `<text x="%d" y="20" font-weight="bold">%s</text>`+"\n<g clip-path=\"url(#area%d)\">\n", left, html.EscapeString(j.Name), number)
	var band strings.Builder
	for i, v := range d.Vacuum {
		fmt.Fprintf(&band, "%.2f,%.2f ", x(float64(v)), y(float64(d.LeakLo[i])))
	}
	for i := len(d.Vacuum) - 1; i >= 0; i-- {
		fmt.Fprintf(&band, "%.2f,%.2f ", x(float64(d.Vacuum[i])), y(min(float64(d.LeakHi[i]), 10*most)))
	}
	fmt.Fprintf(b, `<polygon points="%s" fill="#000" fill-opacity="0.12"/>`+"\n", strings.TrimSpace(band.String()))
	line := func(flow []analyze.Number, style string) {
		var p strings.Builder
		for i, q := range flow {
			if q := float64(q); !math.IsNaN(q) {
				fmt.Fprintf(&p, "%.2f,%.2f ", x(float64(d.Vacuum[i])), y(q))
			}
		}
		fmt.Fprintf(b, `<polyline points="%s" fill="none" %s/>`+"\n", strings.TrimSpace(p.String()), style)
	}
	r := float64(j.RequiredKPa)
	fmt.Fprintf(b, `<line x1="%.1f" y1="%d" x2="%.1f" y2="%.1f" stroke="#b00" stroke-dasharray="5 4"/><text x="%.1f" y="%d" fill="#b00">required</text>`+"\n", x(r), top, x(r), height-bottom, x(r)+4, top+12)
	for k := range d.Engines {
		line(d.Engines[k], fmt.Sprintf(`stroke="%s" stroke-width="2"`, colours[k%len(colours)]))
	}
	line(d.Leak, `stroke="#000" stroke-width="2"`)
	for _, p := range j.Leak.Points {
		fmt.Fprintf(b, `<circle cx="%.2f" cy="%.2f" r="3.5" fill="#fff" stroke="#000" stroke-width="1.5"/>`+"\n", x(float64(p.Vacuum)), y(float64(p.Flow)))
	}
	for k, m := range j.Engines {
		c := colours[k%len(colours)]
		fmt.Fprintf(b, `<line x1="%.2f" y1="%.2f" x2="%.2f" y2="%.2f" stroke="%s" stroke-width="6" stroke-opacity="0.35"/>`+"\n", x(float64(m.VacuumLo)), y(float64(m.Flow)), x(float64(m.VacuumHi)), y(float64(m.Flow)), c)
		fmt.Fprintf(b, `<circle cx="%.2f" cy="%.2f" r="4" fill="%s"/>`+"\n", x(float64(m.Vacuum)), y(float64(m.Flow)), c)
	}
	b.WriteString("</g>\n")
	for k, m := range j.Engines {
		fmt.Fprintf(b, `<text x="%.1f" y="%d" fill="%s" text-anchor="end">%s, %.1f kPa</text>`+"\n", width-right-6, top+14+15*k, colours[k%len(colours)], html.EscapeString(m.Name), m.Vacuum)
	}
}

// ticks returns four to ten round numbers from 0 to most.
func ticks(most float64) []float64 {
	step := math.Pow(10, math.Floor(math.Log10(most)))
	for most/step < 4 {
		step /= 2
	}
	var all []float64
	for i := 0; step*float64(i) <= most*(1+1e-9); i++ {
		all = append(all, step*float64(i))
	}
	return all
}
