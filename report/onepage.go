package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"griptrial/report/document"
)

// OnePage returns the hand-out for the shop floor: what to mount, where to set the switches,
// and how much of the cycle sealing may take.
func (r *TrialReport) OnePage() *document.Document {
	d := r.newDocument("Shop-floor sheet: " + r.nameOfTrial())
	s := document.Section{}
	add := func(b ...document.Block) { s.Blocks = append(s.Blocks, b...) }
	add(document.Paragraph{Words: r.sentence(), Style: document.Lead})
	chosen := r.Chosen()
	if chosen == nil {
		add(document.Paragraph{Words: "There is nothing to mount yet. " + r.required()})
		add(r.verdictTable())
		if items := r.missing(12); items != nil {
			add(document.Paragraph{Words: "What is still missing", Style: document.Heading}, document.List{Items: items})
		}
	} else {
		add(r.mountTable(chosen), r.switchTable(chosen))
	}
	if chosen != nil && r.placed != nil {
		for _, p := range r.placed {
			add(document.Paragraph{Words: "Cup positions in mm from the bag's centre, along and across, on " + p.words() + "."})
		}
	} else if chosen != nil {
		add(document.Paragraph{Words: r.noPlan, Style: document.Small})
	}
	add(document.Paragraph{Words: strings.Join(Cautions, " "), Style: document.Small})
	d.Sections = []document.Section{s}
	return d
}

// mountTable says what to mount for each bag.
func (r *TrialReport) mountTable(chosen []MachineBag) document.Block {
	t := document.Table{Caption: "What to mount and what it did", Columns: []document.Column{{Head: "Bag"}, {Head: "Cup"}, {Head: "Cups", Right: true}, {Head: "Placement"}, {Head: "Tilt"}, {Head: "Engine, setting"}, {Head: "Required kPa", Right: true}, {Head: "Hold vacuum kPa"}, {Head: "Drops per 1,000, at most", Right: true}}}
	for _, b := range chosen {
		s := r.setup(b.Setup)
		if s == nil {
			continue
		}
		placement, tilt := s.Placement, s.Tilt
		if placement == "" {
			placement = "not recorded"
		}
		if tilt == "" {
			tilt = "not recorded"
		}
		engine := s.Engine
		if engine == "" {
			engine = "not recorded"
		}
		if s.EngineSetting != "" {
			engine += ", " + s.EngineSetting
		}
		t.Rows = append(t.Rows, []document.Cell{document.Strong(short(b.Bag, 60)), document.Words(short(s.Cup, 60)), countCell(s.Cups), document.Words(short(placement, 80)), document.Words(tilt), document.Words(short(engine, 80)),
			numberCell(s.RequiredKPa, 1, "kPa"), figureCell(r.middle(b.Setup, "hold_vacuum_kPa"), 1, "kPa"), numberCell(b.DropBound, 1e3, "per 1,000")})
	}
	return t
}

// switchTable says where to set the line's switches, and the cycle budget.
func (r *TrialReport) switchTable(chosen []MachineBag) document.Block {
	if r.lines == nil {
		return document.Paragraph{Words: "Switch points and cycle budget: they need the line's rate, which neither the trial's requirement nor --rate states."}
	}
	t := document.Table{Caption: fmt.Sprintf("Switch points and cycle budget at %s picks a minute", brief(r.in.Rate)), Columns: []document.Column{{Head: "Bag"}, {Head: "Part present on kPa", Right: true}, {Head: "Part lost below kPa", Right: true}, {Head: "Released below kPa", Right: true},
		{Head: "Cycle ms", Right: true}, {Head: "Sealing may take ms", Right: true}, {Head: "Sealing takes, up to, ms", Right: true}, {Head: "Remarks"}}}
	for i := range r.lines {
		v := &r.lines[i]
		bag := ""
		for _, b := range chosen {
			if b.Setup == v.Setup {
				bag = b.Bag
			}
		}
		longest := math.NaN()
		if !math.IsNaN(v.Tail) {
			longest = v.Tail
		} else if len(v.SealS) > 0 {
			longest = slices.Max(v.SealS)
		}
		point := func(kPa float64) document.Cell { // as finely as a switch is set
			if math.IsNaN(kPa) {
				return document.Words(notMeasured)
			}
			return document.Exact(decimal(kPa, 1), kPa, "kPa")
		}
		t.Rows = append(t.Rows, []document.Cell{document.Strong(short(bag, 60)), point(v.Switch.PartPresentOnKPa), point(v.Switch.PartPresentOffKPa), point(v.Switch.ReleasedKPa),
			numberCell(number(v.CycleS), 1e3, "ms"), numberCell(number(v.LimitS), 1e3, "ms"), numberCell(number(longest), 1e3, "ms"), document.Words(short(strings.Join(v.Switch.Remarks, "; "), 200))})
	}
	t.Note = "Switch points follow from what was measured, with the spread of the picks. “Up to”: the tolerance limit of the required share, else the longest seen. Check them on the line."
	return t
}
