package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"griptrial/analyze"
	"griptrial/analyze/compare"
	"griptrial/analyze/pick"
	"griptrial/record"
	"griptrial/report/document"
	"griptrial/report/drawing"
)

// overlay draws the vacuum of picks over each other, a panel a setup.
func (r *TrialReport) overlay(bag string, setups []string) (document.Figure, bool) {
	byRun := map[int]map[string]string{}
	for _, x := range r.in.Runs {
		byRun[x.N] = x.Setups
	}
	of := map[string][]*record.Trace{}
	deepest, longest := 0.0, 0.0
	for i := range r.in.Survey.Traces {
		x := &r.in.Survey.Traces[i]
		setup := byRun[x.Pick.Run][x.Pick.Station]
		if !slices.Contains(setups, setup) || len(x.TS) < 2 {
			continue
		}
		of[setup] = append(of[setup], x)
		longest = max(longest, x.TS[len(x.TS)-1])
		for _, v := range x.VacuumKPa {
			if v > deepest {
				deepest = v
			}
		}
	}
	if len(of) == 0 || !(longest > 0) {
		return document.Figure{}, false
	}
	columns := min(2, len(setups))
	rows := (len(setups) + columns - 1) / columns
	const panelH = 48.0
	d := drawing.New(plotWidthMM, panelH*float64(rows))
	f := document.Figure{Drawing: d}
	w := plotWidthMM / float64(columns)
	for k, setup := range setups {
		x0, y0 := float64(k%columns)*w, float64(k/columns)*panelH
		required := 0.0
		if s := r.setup(setup); s != nil {
			required = float64(s.RequiredKPa)
		}
		a := drawing.NewAxes(d, drawing.Box{X: x0 + 14, Y: y0 + 6, W: w - 18, H: panelH - 17}, -0.05*longest, longest*1.02, min(0, -0.03*deepest), max(deepest, required)*1.08, "s from the pick's start", "vacuum, kPa")
		traces := of[setup]
		lost := 0
		for _, x := range traces {
			if x.Pick.Outcome != pick.Dropped && x.Pick.Outcome != pick.Unsealed {
				a.Curve(drawing.Pen{Ink: drawing.Ink{R: 90, G: 110, B: 140}, WidthMM: 0.12}, x.TS, x.VacuumKPa)
			}
		}
		for _, x := range traces {
			if x.Pick.Outcome == pick.Dropped || x.Pick.Outcome == pick.Unsealed {
				lost++
				a.Curve(drawing.Pen{Ink: drawing.Black, WidthMM: 0.3, Dash: []float64{1.4, 0.7}}, x.TS, x.VacuumKPa)
			}
		}
		if required > 0 {
			a.Across(drawing.Pen{Ink: drawing.Black, WidthMM: 0.3, Dash: []float64{0.5, 0.5}}, required)
		}
		d.Words(at(x0+14, y0+4.4), fmt.Sprintf("%s: %s shown, %d lost; required %s kPa", r.label(setup), plural(len(traces), "pick"), lost, brief(required)), drawing.Font{SizeMM: 2.7, Bold: true})
		for _, x := range traces {
			f.Series = append(f.Series, document.Series{Name: fmt.Sprintf("vacuum, %s, %s pick %d", r.nameOf(setup), x.Pick.Station, x.Pick.N), XUnit: "s", YUnit: "kPa", X: x.TS, Y: x.VacuumKPa})
		}
	}
	f.Caption = "Vacuum over the picks, laid over each other: whole thin lines held to the release, heavy dashed ones dropped or did not seal; dotted: the required vacuum. At most " + plural(overlayPicks, "pick") + " of each setup, lost ones first, the others spread evenly over the trial; peaks are kept. " + lettersAre
	f.Label = fmt.Sprintf("vacuum against time of picks of %s, %s", short(bag, 80), plural(len(setups), "panel"))
	return f, true
}

// TraceParts is of how many parts, two points each, the trace of a pick in an overlay is.
const TraceParts = 150

// overlayPicks is how many picks of a setup an overlay shows.
const overlayPicks = 30

// A row of an interval plot.
type intervalRow struct {
	label string
	f     analyze.Figure
	ink   drawing.Ink
}

// intervalPanel draws figures with their intervals below each other. mark, where it is a
// number, is drawn upright and told by its words.
func intervalPanel(d *drawing.Drawing, b drawing.Box, labelMM float64, title, unit string, rows []intervalRow, mark float64, markWords string, zero bool) {
	lo, hi := math.Inf(1), math.Inf(-1)
	see := func(v float64) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	for _, x := range rows {
		see(x.f.Value)
		// An interval far wider than the others' values is cut off, with an arrow.
		see(x.f.Lo)
		see(x.f.Hi)
	}
	see(mark)
	if zero {
		see(0)
	}
	if !(hi > lo) {
		if math.IsInf(lo, 0) {
			return
		}
		lo, hi = lo-1, hi+1
	}
	pad := 0.06 * (hi - lo)
	d.Words(at(b.X+labelMM, b.Y+3), title, drawing.Font{SizeMM: 2.8, Bold: true})
	a := drawing.NewAxes(d, drawing.Box{X: b.X + labelMM, Y: b.Y + 5, W: b.W - labelMM - 2, H: b.H - 14}, lo-pad, hi+pad, 0, 1, unit, "")
	if zero {
		a.Upright(drawing.Pen{Ink: drawing.Dark, WidthMM: 0.3}, 0)
	}
	if !math.IsNaN(mark) {
		a.Upright(drawing.Pen{WidthMM: 0.4, Dash: []float64{1.2, 0.8}}, mark)
		anchor := drawing.Start
		x := a.X(mark) + 0.7
		if mark > (lo+hi)/2 {
			anchor, x = drawing.End, x-1.4
		}
		d.Words(at(x, a.Area.Y+2.7), markWords, drawing.Label(anchor))
	}
	step := (a.Area.H - 4) / float64(len(rows))
	for i, x := range rows {
		y := a.Area.Y + 3.5 + step*(float64(i)+0.5)
		d.Words(at(a.Area.X-1.2, y+0.9), drawing.Fit(x.label, 2.6, false, labelMM-1.2), drawing.Label(drawing.End))
		if !x.f.OK() {
			d.Words(at(a.Area.X+1, y+0.9), "not measured", drawing.Label(drawing.Start))
			continue
		}
		from, to := max(a.X(x.f.Lo), a.Area.X), min(a.X(x.f.Hi), a.Area.X+a.Area.W)
		if !math.IsNaN(from) && !math.IsNaN(to) {
			pen := drawing.Pen{Ink: x.ink, WidthMM: 0.5}
			d.Line(pen, at(from, y), at(to, y))
			for _, end := range []float64{from, to} {
				d.Line(pen, at(end, y-0.9), at(end, y+0.9))
			}
		}
		d.Circle(nil, &x.ink, at(a.X(x.f.Value), y), 0.95)
	}
}

// intervals draws the middles of the setups of a bag: seal time, hold vacuum, energy.
func (r *TrialReport) intervals(bag string, setups []string) (document.Figure, bool) {
	q := r.Requirement
	required := math.NaN()
	for _, s := range setups {
		if v := float64(r.setup(s).RequiredKPa); math.IsNaN(required) || v == required {
			required = v
		}
	}
	panels := []struct {
		measure, title, unit string
		mark                 float64
		words                string
	}{
		{"hold_vacuum_kPa", "Hold vacuum", "kPa", required, "required"},
		{"seal_time_s", "Seal time, typical", "ms", 1e3 * float64(q.SealTimeLimitS), "budget"},
		{"energy_J", "Energy of a pick", "J", math.NaN(), ""},
	}
	h := 22 + 5.5*float64(len(setups))
	d := drawing.New(plotWidthMM, h)
	f := document.Figure{Drawing: d}
	w := plotWidthMM / float64(len(panels))
	any := false
	for k, p := range panels {
		var rows []intervalRow
		x := document.Series{Name: p.title, XUnit: "row", YUnit: p.unit}
		for i, s := range setups {
			m := r.middle(s, p.measure)
			any = any || m.OK()
			rows = append(rows, intervalRow{r.label(s), m, drawing.Black})
			x.X, x.Y = append(x.X, float64(i+1)), append(x.Y, m.Value)
		}
		f.Series = append(f.Series, x)
		intervalPanel(d, drawing.Box{X: float64(k) * w, W: w, H: h}, 8, p.title, p.unit, rows, p.mark, p.words, false)
	}
	f.Caption = fmt.Sprintf("What the setups showed: the dot is the middle, the bar its %s interval; dashed: what is required. ", percent(float64(r.Comparison.Confidence))) + lettersAre
	f.Label = fmt.Sprintf("hold vacuum, seal time and energy of %s with %s intervals, one row a setup; the numbers stand in “What was measured”", short(bag, 80), percent(float64(r.Comparison.Confidence)))
	return f, any
}

// distribution draws the seal times of the setups of a bag as histograms, with limit and
// tolerance limit.
func (r *TrialReport) distribution(bag string, setups []string) (document.Figure, bool) {
	limit := float64(r.Requirement.SealTimeLimitS)
	times := map[string][]float64{}
	unsealed := map[string]int{}
	longest, n := 0.0, 0
	for i := range r.in.Trial.Picks {
		p := &r.in.Trial.Picks[i]
		if !slices.Contains(setups, p.Setup) {
			continue
		}
		if p.Outcome == pick.Unsealed {
			unsealed[p.Setup]++
		}
		if p.SealTimeS.OK() {
			times[p.Setup] = append(times[p.Setup], p.SealTimeS.Value)
			longest = max(longest, p.SealTimeS.Value)
			n++
		}
	}
	if n == 0 || !(longest > 0) {
		return document.Figure{}, false
	}
	most := longest
	bound := map[string]float64{}
	for _, s := range setups {
		if c := r.verdict(s).criterion("seal time"); c != nil {
			x := float64(c.FreeLimit)
			if c.ByShape || math.IsNaN(x) {
				x = float64(c.NormalLimit)
			}
			bound[s] = x
			if x < 3*longest {
				most = max(most, x)
			}
		}
	}
	// The budget is on the plot where that does not squeeze the times.
	shown := !math.IsNaN(limit) && limit < 2.5*most
	if shown {
		most = max(most, limit)
	}
	const classes = 60
	const rowH = 15.0
	d := drawing.New(plotWidthMM, 14+rowH*float64(len(setups)))
	a := drawing.NewAxes(d, drawing.Box{X: 12, Y: 2, W: plotWidthMM - 14, H: rowH * float64(len(setups))}, 0, 1e3*most*1.04, 0, 1, "seal time, ms", "")
	f := document.Figure{Drawing: d}
	if shown {
		a.Upright(drawing.Pen{WidthMM: 0.4, Dash: []float64{1.2, 0.8}}, 1e3*limit)
	}
	for k, s := range setups {
		base := a.Area.Y + rowH*float64(k+1)
		counts := make([]int, classes)
		x := document.Series{Name: "picks in the class from, " + r.nameOf(s), XUnit: "ms", YUnit: "picks"}
		for _, t := range times[s] {
			counts[min(classes-1, int(t/(most*1.04)*classes))]++
		}
		top := slices.Max(counts)
		d.Line(drawing.Pen{Ink: drawing.Dark, WidthMM: 0.2}, at(a.Area.X, base), at(a.Area.X+a.Area.W, base))
		d.Words(at(a.Area.X-1.2, base-1), r.label(s), drawing.Font{SizeMM: 2.8, Bold: true, Anchor: drawing.End})
		for i, c := range counts {
			if c > 0 {
				h := (rowH - 5) * float64(c) / float64(top)
				left := a.Area.X + a.Area.W*float64(i)/classes
				d.Rect(&drawing.Pen{Ink: drawing.Dark, WidthMM: 0.1}, &drawing.Grey, drawing.Box{X: left, Y: base - h, W: a.Area.W / classes, H: h})
				x.X, x.Y = append(x.X, 1e3*most*1.04*float64(i)/classes), append(x.Y, float64(c))
			}
		}
		f.Series = append(f.Series, x)
		words := plural(len(times[s]), "pick")
		if u := unsealed[s]; u > 0 {
			words += fmt.Sprintf(", %d more never sealed", u)
		}
		right := at(a.Area.X+a.Area.W-1, base-rowH+3.6)
		if b, ok := bound[s]; ok && !math.IsNaN(b) && !math.IsInf(b, 0) {
			words += fmt.Sprintf("; tolerance limit %s ms", brief(1e3*b))
			if b <= most {
				px := a.X(1e3 * b)
				d.Line(drawing.Pen{WidthMM: 0.6}, at(px, base), at(px, base-rowH+5.2))
				d.Area(nil, &drawing.Black, at(px, base), at(px-1, base-2), at(px+1, base-2))
			}
		}
		wide := drawing.Width(words, 2.6, false)
		d.Rect(nil, &drawing.White, drawing.Box{X: right.X - wide - 0.5, Y: right.Y - 2.6, W: wide + 1, H: 3.4})
		d.Words(right, words, drawing.Label(drawing.End))
	}
	f.Caption = "Seal times of the picks, a row a setup, highest class to full height."
	if len(bound) > 0 {
		f.Caption += fmt.Sprintf(" The arrow is the tolerance limit: %s of all picks stay within it, at %s confidence.", percent(float64(r.Requirement.SealTimeShare)), percent(float64(r.Comparison.Confidence)))
	}
	switch {
	case shown:
		f.Caption += fmt.Sprintf(" Dashed: the budget of %s ms.", brief(1e3*limit))
	case !math.IsNaN(limit):
		f.Caption += fmt.Sprintf(" The budget of %s ms lies far to the right of the plot.", brief(1e3*limit))
	default:
		f.Caption += " No budget is stated."
	}
	f.Caption += " " + lettersAre
	f.Label = fmt.Sprintf("distribution of seal times on %s, one histogram a setup; the longest took %s ms", short(bag, 80), brief(1e3*longest))
	return f, true
}

// forest draws the differences between setups of a bag in percent.
func (r *TrialReport) forest(bag string) (document.Figure, bool) {
	var rows []intervalRow
	f := document.Figure{}
	x := document.Series{Name: "difference", XUnit: "row", YUnit: "%"}
	for _, name := range deciding {
		for _, e := range r.Comparison.Effects {
			if e.Measure != name || e.Within != bag || !e.Percent.OK() || len(rows) >= 36 {
				continue
			}
			ink := drawing.Grey
			if e.Finding == compare.Better || e.Finding == compare.Worse {
				ink = drawing.Black
			}
			p := e.Percent
			if math.IsInf(p.Lo, 0) || math.IsInf(p.Hi, 0) {
				p.Lo, p.Hi = math.NaN(), math.NaN()
			}
			rows = append(rows, intervalRow{fmt.Sprintf("%s, %s against %s", measureWords(name), r.machineLetter(e.A), r.machineLetter(e.B)), p, ink})
			x.X, x.Y = append(x.X, float64(len(rows))), append(x.Y, p.Value)
		}
	}
	if rows == nil {
		return f, false
	}
	labelMM := 10.0
	for _, row := range rows {
		labelMM = max(labelMM, min(80, drawing.Width(row.label, 2.6, false)+3))
	}
	h := 20 + 4.2*float64(len(rows))
	d := drawing.New(plotWidthMM, h)
	intervalPanel(d, drawing.Box{W: plotWidthMM, H: h}, labelMM, "", "first less second, % of second", rows, math.NaN(), "", true)
	f.Drawing, f.Series = d, []document.Series{x}
	f.Caption = fmt.Sprintf("How the setups differ, with %s intervals: black where a difference was found after adjustment for the number of comparisons, grey where not. ", percent(float64(r.Comparison.Confidence))) + lettersAre
	f.Label = fmt.Sprintf("%s between setups on %s with intervals in percent", plural(len(rows), "difference"), short(bag, 80))
	return f, true
}

// figure draws engines on a leak.
func (j EngineJSON) figure() document.Figure {
	const height = 80
	d := drawing.New(plotWidthMM, height)
	j.panel(d, 0, height)
	f := document.Figure{Drawing: d, Caption: "Flow that the leak lets in and flow that each engine moves, over the vacuum. Where they meet is the operating point, its bar the 95 % interval. Rings: measured leaks.",
		Label: fmt.Sprintf("leak curve of %s and curves of %s with their operating points", short(j.Name, 80), plural(len(j.Engines), "engine"))}
	x := floats(j.Curves.Vacuum)
	f.Series = append(f.Series, document.Series{Name: "leak", XUnit: "kPa", YUnit: "L/min ANR", X: x, Y: floats(j.Curves.Leak)})
	for k, m := range j.Engines {
		f.Series = append(f.Series, document.Series{Name: m.Name, XUnit: "kPa", YUnit: "L/min ANR", X: x, Y: floats(j.Curves.Engines[k])})
	}
	return f
}

// energy draws the energy of the phases as bars, told apart by their hatching.
func (r *TrialReport) energy() (document.Figure, bool) {
	phases := []string{"energy_approach_J", "energy_evacuate_J", "energy_hold_J", "energy_release_J"}
	names := []string{"approach", "evacuate", "hold", "release"}
	most := 0.0
	var setups []string
	for _, v := range r.Comparison.Setups {
		sum := 0.0
		for _, p := range phases {
			if m := r.middle(v.Setup, p); m.OK() {
				sum += max(0, m.Value)
			}
		}
		if sum > 0 && len(setups) < 24 {
			setups = append(setups, v.Setup)
			most = max(most, sum)
		}
	}
	if setups == nil {
		return document.Figure{}, false
	}
	labelMM := 10.0
	for _, s := range setups {
		labelMM = max(labelMM, min(70, drawing.Width(r.nameOf(s), 2.6, false)+3))
	}
	rowH := 6.0
	d := drawing.New(plotWidthMM, 22+rowH*float64(len(setups)))
	a := drawing.NewAxes(d, drawing.Box{X: labelMM, Y: 8, W: plotWidthMM - labelMM - 2, H: rowH * float64(len(setups))}, 0, most*1.04, 0, 1, "energy of a pick, J", "")
	f := document.Figure{Drawing: d, Caption: "Energy of a pick by phase: up to contact, up to sealed, up to the release or the loss, up to the end. Intervals in the table.",
		Label: "energy by phase of " + plural(len(setups), "setup") + ", stacked bars"}
	fill := func(k int, b drawing.Box) {
		pen := &drawing.Pen{Ink: drawing.Black, WidthMM: 0.2}
		switch k {
		case 0:
			d.Rect(pen, &drawing.White, b)
		case 1:
			d.Rect(pen, &drawing.White, b)
			d.Stripes(drawing.Pen{WidthMM: 0.2}, b, 45, 1.1)
		case 2:
			d.Rect(pen, &drawing.Grey, b)
		case 3:
			d.Rect(pen, &drawing.Light, b)
			d.Stripes(drawing.Pen{WidthMM: 0.2}, b, 135, 1.6)
		}
	}
	x := min(labelMM, 50)
	for k, n := range names {
		fill(k, drawing.Box{X: x, Y: 1.5, W: 7, H: 3.4})
		d.Words(at(x+8.5, 4.2), n, drawing.Label(drawing.Start))
		x += 30
	}
	for i, s := range setups {
		y := a.Area.Y + rowH*float64(i)
		d.Words(at(labelMM-1.2, y+rowH/2+0.9), r.nameWithin(s, labelMM-2), drawing.Label(drawing.End))
		from := 0.0
		for k, p := range phases {
			m := r.middle(s, p)
			if !m.OK() || !(m.Value > 0) {
				continue
			}
			fill(k, drawing.Box{X: a.X(from), Y: y + 1, W: a.X(from+m.Value) - a.X(from), H: rowH - 2})
			from += m.Value
		}
	}
	return f, true
}

// soakFigures draws how measures moved, of the setups with the most picks.
func (r *TrialReport) soakFigures() []document.Block {
	order := make([]int, len(r.soaks))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return r.soaks[b].Picks - r.soaks[a].Picks })
	var all []document.Block
	for _, i := range order {
		s := &r.soaks[i]
		if len(all) == 2 || s.Picks < 100 || len(s.Trends) == 0 {
			break
		}
		rows := (len(s.Trends) + 1) / 2
		const panelH, w = 44.0, plotWidthMM / 2
		d := drawing.New(plotWidthMM, panelH*float64(rows))
		f := document.Figure{Drawing: d}
		for k := range s.Trends {
			t := &s.Trends[k]
			m := t.Measure
			lo, hi := math.Inf(1), math.Inf(-1)
			y := make([]float64, len(t.Y))
			for j, v := range t.Y {
				y[j] = v * m.Scale
				lo, hi = min(lo, y[j]), max(hi, y[j])
			}
			limit := t.Limit * m.Scale
			near := !math.IsNaN(limit) && limit > lo-2*(hi-lo) && limit < hi+2*(hi-lo)
			if near {
				lo, hi = min(lo, limit), max(hi, limit)
			}
			if !(hi > lo) {
				lo, hi = lo-1, hi+1
			}
			pad := 0.08 * (hi - lo)
			last := t.AtH[len(t.AtH)-1]
			if !(last > 0) {
				continue
			}
			x, scale, unit := t.AtH, 1.0, "hours from the first pick"
			if last < 0.5 {
				x, scale, unit = nil, 60, "minutes from the first pick"
				for _, v := range t.AtH {
					x = append(x, v*scale)
				}
			}
			f.Series = append(f.Series, document.Series{Name: m.Words, XUnit: strings.Fields(unit)[0], YUnit: m.Unit, X: x, Y: y})
			x, y = broken(x, y)
			x0, y0 := float64(k%2)*w, float64(k/2)*panelH
			a := drawing.NewAxes(d, drawing.Box{X: x0 + 14, Y: y0 + 6, W: w - 18, H: panelH - 17}, 0, last*scale, lo-pad, hi+pad, unit, m.Unit)
			d.Words(at(x0+14, y0+4.2), m.Words, drawing.Font{SizeMM: 2.8, Bold: true})
			a.Curve(drawing.Pen{Ink: drawing.Ink{R: 90, G: 110, B: 140}, WidthMM: 0.2}, x, y)
			level := t.Level * m.Scale
			a.Curve(drawing.Pen{WidthMM: 0.5}, []float64{0, last * scale}, []float64{level - t.Slope.Value*m.Scale*last, level})
			if near {
				a.Across(drawing.Pen{WidthMM: 0.35, Dash: []float64{1.2, 0.8}}, limit)
				d.Words(at(a.Area.X+1, a.Y(limit)-0.8), "limit", drawing.Label(drawing.Start))
			}
		}
		f.Caption = fmt.Sprintf("%s on %s: medians of stretches of the run, and the trend through them.", r.nameOf(s.Setup), s.Station)
		f.Label = fmt.Sprintf("%s over time of %s on %s", plural(len(s.Trends), "measure"), r.nameOf(s.Setup), s.Station)
		all = append(all, f)
	}
	return all
}

// broken returns a series with NaN where it pauses for more than ten of its steps, so that no
// line is drawn there.
func broken(x, y []float64) (bx, by []float64) {
	steps := make([]float64, 0, len(x))
	for i := 1; i < len(x); i++ {
		steps = append(steps, x[i]-x[i-1])
	}
	slices.Sort(steps)
	for i := range x {
		if i > 0 && x[i]-x[i-1] > 10*steps[len(steps)/2] {
			bx, by = append(bx, x[i]), append(by, math.NaN())
		}
		bx, by = append(bx, x[i]), append(by, y[i])
	}
	return bx, by
}

// order draws when which setup was tried.
func (r *TrialReport) order() (document.Figure, bool) {
	var setups []string
	end := 0.0
	for i := range r.in.Trial.Picks {
		if e := r.in.Trial.Picks[i].EndS; e > end {
			end = e
		}
	}
	for _, v := range r.Comparison.Setups {
		setups = append(setups, v.Setup)
	}
	if len(setups) == 0 || len(setups) > 40 || !(end > 0) {
		return document.Figure{}, false
	}
	labelMM := 10.0
	for _, s := range setups {
		labelMM = max(labelMM, min(70, drawing.Width(r.nameOf(s), 2.6, false)+3))
	}
	const rowH = 4.4
	scale, unit := 1.0, "s"
	switch {
	case end > 7200:
		scale, unit = 1.0/3600, "h"
	case end > 180:
		scale, unit = 1.0/60, "min"
	}
	d := drawing.New(plotWidthMM, 16+rowH*float64(len(setups)))
	a := drawing.NewAxes(d, drawing.Box{X: labelMM, Y: 6, W: plotWidthMM - labelMM - 2, H: rowH * float64(len(setups))}, 0, end*scale, 0, 1, "time of the trial, "+unit, "")
	for i, s := range setups {
		d.Words(at(labelMM-1.2, a.Area.Y+rowH*(float64(i)+0.5)+0.9), r.nameWithin(s, labelMM-2), drawing.Label(drawing.End))
	}
	bar := func(k int, b drawing.Box) {
		if k == 0 {
			d.Rect(&drawing.Pen{WidthMM: 0.15}, &drawing.Grey, b)
			return
		}
		d.Rect(&drawing.Pen{WidthMM: 0.15}, &drawing.White, b)
		d.Stripes(drawing.Pen{WidthMM: 0.15}, b, 45, 0.9)
	}
	x := labelMM
	for k, station := range r.File.Stations {
		bar(k, drawing.Box{X: x, Y: 1, W: 6, H: 3})
		d.Words(at(x+7.5, 3.5), short(station, 20), drawing.Label(drawing.Start))
		x += 12 + drawing.Width(short(station, 20), 2.6, false)
	}
	for i := range r.Runs {
		run := &r.Runs[i]
		for k, station := range r.File.Stations {
			n := slices.Index(setups, run.Setups[station])
			span, known := r.spans[runAt{run.N, station}]
			if n < 0 || !known {
				continue
			}
			left, right := a.X(span[0]*scale), a.X(span[1]*scale)
			bar(k, drawing.Box{X: left, Y: a.Area.Y + rowH*float64(n) + 0.8, W: max(0.2, right-left), H: rowH - 1.6})
		}
	}
	return document.Figure{Drawing: d, Caption: "When each setup was tried, by station.", Label: fmt.Sprintf("%s over time, by setup and station", plural(len(r.Runs), "run"))}, true
}
