package report

import (
	"fmt"
	"io"
	"math"

	"griptrial/analyze"
	"griptrial/report/drawing"
)

// plotWidthMM is the width of every plot.
const plotWidthMM = 170.0

func at(x, y float64) drawing.Point { return drawing.Point{X: x, Y: y} }

// EnginesSVG draws flow over vacuum: the engines' curves, the leak's with its 95 % band, and
// the operating points with their intervals. One panel a leak.
func EnginesSVG(w io.Writer, j EngineJSON) error {
	all := j.all()
	const height = 100.0
	d := drawing.New(plotWidthMM, height*float64(len(all)))
	d.Rect(nil, &drawing.White, drawing.Box{W: d.WidthMM, H: d.HeightMM})
	for i, e := range all {
		e.panel(d, height*float64(i), height)
	}
	return d.SVG(w, "engines", "flow over vacuum: engines, leaks and operating points")
}

func floats(x []analyze.Number) []float64 {
	out := make([]float64, len(x))
	for i := range x {
		out[i] = float64(x[i])
	}
	return out
}

// panel draws one leak, from top on.
func (j EngineJSON) panel(d *drawing.Drawing, top, height float64) {
	vacuum := floats(j.Curves.Vacuum)
	if len(vacuum) < 2 {
		return
	}
	deepest, most := vacuum[len(vacuum)-1], j.mostFlow()
	d.Words(at(15, top+5), drawing.Fit(drawing.Isolated(j.Name), 3, true, d.WidthMM-15), drawing.Font{SizeMM: 3, Bold: true})
	a := drawing.NewAxes(d, drawing.Box{X: 15, Y: top + 8, W: d.WidthMM - 18, H: height - 20}, 0, deepest, 0, most, "vacuum, kPa", "flow, L/min ANR")
	a.Within(a.Area, func() {
		var band []drawing.Point
		for i, x := range vacuum {
			band = append(band, at(a.X(x), a.Y(float64(j.Curves.LeakLo[i]))))
		}
		for i := len(vacuum) - 1; i >= 0; i-- {
			band = append(band, at(a.X(vacuum[i]), a.Y(min(float64(j.Curves.LeakHi[i]), 10*most))))
		}
		d.Area(nil, &drawing.Light, band...)
		required := drawing.Pen{Ink: drawing.Black, WidthMM: 0.3, Dash: []float64{1.2, 1}}
		a.Upright(required, float64(j.RequiredKPa))
		a.Words(at(a.X(float64(j.RequiredKPa))+1, a.Area.Y+3.5), "required", drawing.Label(drawing.Start))
		for k, flow := range j.Curves.Engines {
			a.Curve(drawing.PenOf(k, 0.5), vacuum, floats(flow))
		}
		a.Curve(drawing.Pen{WidthMM: 0.6}, vacuum, floats(j.Curves.Leak))
		for _, p := range j.Leak.Points {
			a.Circle(&drawing.Pen{WidthMM: 0.4}, &drawing.White, at(a.X(float64(p.Vacuum)), a.Y(float64(p.Flow))), 0.9)
		}
		for k, m := range j.Engines {
			ink := drawing.InkOf(k)
			y := a.Y(float64(m.Flow))
			if !math.IsNaN(float64(m.VacuumLo)) {
				a.Line(drawing.Pen{Ink: ink, WidthMM: 0.8}, at(a.X(float64(m.VacuumLo)), y), at(a.X(float64(m.VacuumHi)), y))
			}
			a.Point(k, ink, at(a.X(float64(m.Vacuum)), y), 1.3)
		}
	})
	// The legend, on white, in the upper right corner.
	y := a.Area.Y + 1.5
	right := a.Area.X + a.Area.W - 1.5
	widest := drawing.Width("leak, with its 95 % band", 2.6, false)
	for _, m := range j.Engines {
		widest = max(widest, drawing.Width(engineLabel(m), 2.6, false))
	}
	d.Rect(nil, &drawing.White, drawing.Box{X: right - widest - 12, Y: y, W: widest + 12, H: 4*float64(len(j.Engines)+1) + 1})
	for k := range len(j.Engines) + 1 {
		yy := y + 3.2 + 4*float64(k)
		left, pen, label := right-widest-11, drawing.Pen{WidthMM: 0.6}, "leak, with its 95 % band"
		if k < len(j.Engines) {
			pen, label = drawing.PenOf(k, 0.5), engineLabel(j.Engines[k])
		}
		d.Line(pen, at(left, yy-0.9), at(left+8, yy-0.9))
		if k < len(j.Engines) {
			d.Point(k, drawing.InkOf(k), at(left+4, yy-0.9), 1.1)
		}
		d.Words(at(left+9.5, yy), label, drawing.Label(drawing.Start))
	}
}

func engineLabel(m MatchJSON) string { return fmt.Sprintf("%s, %.1f kPa", short(m.Name, 40), m.Vacuum) }
