package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"griptrial/analyze/compare"
	"griptrial/report/document"
	"griptrial/report/drawing"
)

// Document returns the whole report: the first page, the evidence, the method, the cautions.
func (r *TrialReport) Document() *document.Document {
	d := r.newDocument("Gripping trial: " + r.nameOfTrial())
	d.Sections = append(d.Sections, r.firstPage())
	d.Sections = append(d.Sections, r.evidence()...)
	d.Sections = append(d.Sections, r.method()...)
	d.Sections = append(d.Sections, r.cautionsPage())
	return d
}

func (r *TrialReport) newDocument(title string) *document.Document {
	d := &document.Document{Title: title, DatedUTC: r.File.BegunUTC}
	d.Under = fmt.Sprintf("Begun %s UTC on rig “%s”; %s, %s, %s, %s.", r.File.BegunUTC.Format("2 January 2006, 15:04"), short(r.File.Rig, 80),
		plural(r.File.Picks, "pick"), plural(len(r.File.Stations), "station"), plural(r.File.Pieces, "piece"), plural(len(r.Comparison.Setups), "setup"))
	hash := "SHA-256 not taken: the file is still being recorded"
	if r.File.SHA256 != nil {
		hash = "SHA-256 " + (*r.File.SHA256)[:16] + "…"
	}
	d.Foot = fmt.Sprintf("%s, %s. Suspended loads can fall: see the cautions. No safety function, no risk assessment.", short(r.File.Name, 60), hash)
	return d
}

func (r *TrialReport) nameOfTrial() string {
	if r.File.Trial == "" {
		return short(r.File.Name, 120)
	}
	return short(r.File.Trial, 120)
}

// sentence returns the choice in one sentence, its names set off where they run from right to left.
func (r *TrialReport) sentence() string {
	var pairs []string
	for _, m := range r.Choice.Machines {
		pairs = append(pairs, m.Levels, drawing.Isolated(tidy(m.Levels)))
		for _, b := range m.Bags {
			pairs = append(pairs, b.Bag, drawing.Isolated(b.Bag))
		}
	}
	return strings.NewReplacer(pairs...).Replace(r.Choice.Sentence)
}

// answers are what a verdict's answer is called, with a mark that a grey print keeps.
var answers = map[compare.Answer]string{compare.Holds: "● holds", compare.DoesNot: "✕ does not hold", compare.NotShown: "○ not shown yet"}

// stated reports whether the trial states what a setup must hold.
func (r *TrialReport) stated() bool {
	q := r.Requirement
	return !math.IsNaN(float64(q.SealTimeLimitS)) || !math.IsNaN(float64(q.VacuumMinKPa)) || !math.IsNaN(float64(q.DropsMaxRate))
}

// required says the requirement in one sentence.
func (r *TrialReport) required() string {
	q := r.Requirement
	var parts []string
	if x := float64(q.SealTimeLimitS); !math.IsNaN(x) {
		parts = append(parts, fmt.Sprintf("at least %s of picks seal within %s ms", percent(float64(q.SealTimeShare)), brief(1e3*x)))
	}
	if x := float64(q.VacuumMinKPa); !math.IsNaN(x) {
		parts = append(parts, fmt.Sprintf("at least %s keep a vacuum of %s kPa while carried", percent(float64(q.VacuumShare)), brief(x)))
	}
	if x := float64(q.DropsMaxRate); !math.IsNaN(x) {
		parts = append(parts, fmt.Sprintf("at most %s of picks drop", percent(x)))
	}
	if parts == nil {
		return "The trial states no seal time, lowest vacuum or rate of drops that a setup must hold, so there is no verdict."
	}
	return fmt.Sprintf("A setup holds where it was shown, with %s confidence, that %s.", percent(float64(q.Confidence)), listed(parts))
}

func (r *TrialReport) letters() lettering {
	var names []string
	for _, m := range r.Choice.Machines {
		names = append(names, m.Levels)
	}
	return letterSetups(names)
}

// nameOf returns the short name of a setup: its bag and its machine's letter.
func (r *TrialReport) nameOf(setup string) string {
	if l := r.letterOf(setup); l != "" {
		return short(r.setup(setup).Bag, 60) + " with " + l
	}
	return short(setup, 90)
}

// nameWithin returns the short name of a setup in letters of a plot, no wider than widthMM: its bag
// is cut, its letter is not.
func (r *TrialReport) nameWithin(setup string, widthMM float64) string {
	name, size := r.nameOf(setup), drawing.Label(drawing.Start).SizeMM
	l := r.letterOf(setup)
	if l == "" || drawing.Width(name, size, false) <= widthMM {
		return drawing.Fit(name, size, false, widthMM)
	}
	with := " with " + l
	return drawing.Fit(short(r.setup(setup).Bag, 60), size, false, widthMM-drawing.Width(with, size, false)) + with
}

// letterOf returns the letter of a setup's machine, also where its bag is none of the mix; "" where
// no machine of the choice is it. Where setups of a bag differ in nothing but their names, those
// after the first are numbered: "A (2)".
func (r *TrialReport) letterOf(setup string) string {
	if r.letter != nil {
		return r.letter[setup]
	}
	r.letter = map[string]string{}
	machine := func(s SetupJSON) SetupJSON { // what stays when the bag changes
		s.Name, s.Bag, s.RequiredKPa = "", "", 0
		return s
	}
	letters, of := r.letters(), map[SetupJSON]string{}
	for _, m := range r.Choice.Machines {
		for _, b := range m.Bags {
			if s := r.setup(b.Setup); s != nil && of[machine(*s)] == "" {
				of[machine(*s)] = letters.of[m.Levels]
			}
		}
	}
	seen := map[[2]string]int{}
	for _, s := range r.Setups {
		l := of[machine(s)]
		if k := [2]string{s.Bag, l}; l != "" && r.verdict(s.Name) != nil {
			if seen[k]++; seen[k] > 1 {
				l += fmt.Sprintf(" (%d)", seen[k])
			}
		}
		r.letter[s.Name] = l
	}
	return r.letter[setup]
}

// tidy returns levels without those that are not stated, and says of what the number is.
func tidy(levels string) string {
	var parts []string
	for _, p := range strings.Split(levels, " | ") {
		if n, err := strconv.Atoi(p); err == nil {
			p = plural(n, "cup")
		}
		if strings.TrimSpace(p) != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(parts, " | ")
}

// missing says what would show what is not shown yet, an item a reason with the setups that it
// holds for, at most so many; nil where nothing is missing.
func (r *TrialReport) missing(most int) (items []string) {
	var order []string
	of := map[string][]string{}
	for _, v := range r.Comparison.Setups {
		why := strings.Join(r.lacks(v), "; ")
		if why == "" {
			continue
		}
		if of[why] == nil {
			order = append(order, why)
		}
		of[why] = append(of[why], r.nameOf(v.Setup))
	}
	for i, why := range order {
		if i == most-1 && len(order) > most {
			return append(items, fmt.Sprintf("%d more reasons stand in “What every setup showed”", len(order)-i))
		}
		names := of[why]
		if n := len(names) - 5; n > 1 {
			names = append(slices.Clone(names[:5]), plural(n, "more setup"))
		}
		items = append(items, listed(names)+": "+why)
	}
	return items
}

// lacks says what would show of a setup what is not shown yet, nil where nothing is missing.
func (r *TrialReport) lacks(v VerdictJSON) (missing []string) {
	if v.Answer == compare.DoesNot {
		return nil
	}
	for _, c := range v.Criteria {
		switch {
		case c.Answer != compare.NotShown:
		case c.Needed > c.Picks:
			missing = append(missing, fmt.Sprintf("%s: about %s in all would show it if no more fail (%s made, %d failed)", c.Name, plural(c.Needed, "pick"), count(c.Picks), c.Failed))
		case c.Failed == 0:
			missing = append(missing, fmt.Sprintf("%s: none of %s failed, too few to show it", c.Name, plural(c.Picks, "pick")))
		default:
			missing = append(missing, fmt.Sprintf("%s: %d of %s failed, too many to show it by more picks alone unless the share falls", c.Name, c.Failed, count(c.Picks)))
		}
	}
	if missing == nil && v.Answer == compare.NotShown && len(v.Criteria) > 0 {
		missing = append(missing, "the planned runs are not finished: until then nothing is decided")
	}
	return missing
}

func (r *TrialReport) firstPage() document.Section {
	s := document.Section{}
	add := func(b ...document.Block) { s.Blocks = append(s.Blocks, b...) }
	add(document.Paragraph{Words: r.sentence(), Style: document.Lead})
	add(document.Paragraph{Words: r.required() + r.mixWords()})
	if !r.Comparison.Finished && !r.Comparison.Sequential {
		add(document.Paragraph{Words: "The planned runs are not finished: every answer below is provisional."})
	}
	add(r.verdictTable())
	chosen := r.Chosen()
	if chosen == nil {
		if items := r.missing(4); items != nil {
			add(document.Paragraph{Words: "What is still missing", Style: document.Heading}, document.List{Items: items})
		}
	}
	add(r.keyTable(chosen))
	add(document.Paragraph{Words: "What to build", Style: document.Heading}, document.List{Items: r.recommended(chosen)})
	add(document.Paragraph{Words: "Measured with", Style: document.Heading}, document.List{Items: r.measuredWith()})
	add(document.Signatures{Lines: []string{"Trial made by: name, date", "Customer: name, date", "Safety judged by: name, date"}})
	return s
}

func (r *TrialReport) mixWords() string {
	var parts []string
	for _, m := range r.Choice.Mix {
		parts = append(parts, fmt.Sprintf("%s %s", percent(float64(m.Share)), short(m.Bag, 60)))
	}
	if len(parts) < 2 {
		return ""
	}
	if !slices.ContainsFunc(r.Choice.Mix, func(m MixJSON) bool { return m.Share != r.Choice.Mix[0].Share }) {
		return fmt.Sprintf(" The %d bags are counted alike, %s each.", len(parts), percent(float64(r.Choice.Mix[0].Share)))
	}
	return " The mix of bags counted with: " + listed(parts) + "."
}

// verdictTable is bags by machines.
func (r *TrialReport) verdictTable() document.Block {
	letters := r.letters()
	t := document.Table{Caption: "Verdicts: bags and what was tried on them", Columns: []document.Column{{Head: "Bag", Keep: true}}}
	for _, m := range r.Choice.Machines {
		t.Columns = append(t.Columns, document.Column{Head: letters.of[m.Levels]})
	}
	for i, b := range r.Choice.Mix {
		row := []document.Cell{document.Words(short(b.Bag, 80))}
		for _, m := range r.Choice.Machines {
			cell := document.Words("not tried")
			if m.Bags[i].Setup != "" {
				cell = document.Words(answers[m.Bags[i].Answer])
				if v := r.verdict(m.Bags[i].Setup); v == nil || len(v.Criteria) == 0 {
					cell.Words = "nothing to judge"
				}
				if slices.Contains(r.Choice.Chosen, m.Levels) {
					cell.Strong = true
				}
			}
			row = append(row, cell)
		}
		t.Rows = append(t.Rows, row)
	}
	t.Note = r.legend()
	return t
}

// legend tells the letters of machines.
func (r *TrialReport) legend() string {
	letters := r.letters()
	var parts []string
	for _, m := range r.Choice.Machines {
		parts = append(parts, letters.of[m.Levels]+" = "+short(tidy(m.Levels), 100))
	}
	return strings.Join(parts, "; ") + "."
}

// mostKeys is how many setups the first page tells in numbers where nothing is chosen, so that
// the signatures stay on it; the others stand in the evidence.
const mostKeys = 4

// keyTable is required against measured: of the chosen setups, where nothing is chosen of the
// first few.
func (r *TrialReport) keyTable(chosen []MachineBag) document.Block {
	caption := "Required and measured, for what was chosen"
	if len(r.Choice.Chosen) > 0 {
		caption += ": " + r.letters().of[r.Choice.Chosen[0]]
	}
	more := 0
	if chosen == nil {
		caption = "Required and measured"
		more = len(r.Comparison.Setups) - mostKeys
		for i := range r.Choice.Mix {
			for _, m := range r.Choice.Machines {
				if m.Bags[i].Setup != "" && len(chosen) < mostKeys {
					chosen = append(chosen, m.Bags[i])
				}
			}
		}
	}
	q := r.Requirement
	sealHead := "Seal time: stays within, ms"
	if x := float64(q.SealTimeLimitS); !math.IsNaN(x) {
		sealHead = fmt.Sprintf("Seal time: %s within, ms (budget %s)", percent(float64(q.SealTimeShare)), brief(1e3*x))
	}
	dropHead := "Drops, at most %"
	if x := float64(q.DropsMaxRate); !math.IsNaN(x) {
		dropHead = fmt.Sprintf("Drops, at most %% (allowed %s)", brief(100*x))
	}
	t := document.Table{Caption: caption, Columns: []document.Column{{Head: "Bag", Keep: true}, {Head: "Required kPa", Right: true}, {Head: "Hold vacuum kPa"}, {Head: "Seal time typical ms"},
		{Head: sealHead, Right: true}, {Head: dropHead, Right: true}, {Head: "Energy kJ per 1,000 picks"}}}
	year := !math.IsNaN(float64(r.HoursPerYear)) && float64(q.PicksPerMinute) > 0
	if year {
		t.Columns = append(t.Columns, document.Column{Head: "Energy kWh a year"})
	}
	for _, b := range chosen {
		if b.Setup == "" {
			continue
		}
		v := r.verdict(b.Setup)
		energy := b.EnergyJ
		if m := r.middle(b.Setup, "energy_J"); math.IsNaN(energy.Lo) && m.OK() {
			energy = m // of one piece: over its picks, as the note says
		}
		name := short(b.Bag, 60)
		if len(r.Choice.Chosen) == 0 {
			name = r.nameOf(b.Setup)
		}
		row := []document.Cell{document.Words(name), document.Words(notMeasured), figureCell(r.middle(b.Setup, "hold_vacuum_kPa"), 1, "kPa"),
			figureCell(r.middle(b.Setup, "seal_time_s"), 1, "ms"), limitCell(v.criterion("seal time"), 1e3, "ms"), document.Words(notMeasured), figureCell(energy, 1, "kJ")}
		if v != nil {
			row[1] = numberCell(v.RequiredKPa, 1, "kPa")
		}
		if x := float64(b.DropBound); !math.IsNaN(x) {
			row[5] = document.Cell{Words: brief(100 * x), Number: &document.Number{Value: math.NaN(), Lo: math.NaN(), Hi: 100 * x, Unit: "%"}}
		}
		if year {
			row = append(row, figureCell(compare.YearKWh(energy, float64(q.PicksPerMinute), float64(r.HoursPerYear)), 1, "kWh"))
		}
		t.Rows = append(t.Rows, row)
	}
	if m := r.chosenMachine(); m != nil && len(t.Rows) > 1 {
		row := []document.Cell{document.Strong("all, as mixed"), document.Words(""), document.Words(""), document.Words(""), document.Words(""), document.Words(""), figureCell(m.EnergyKJ, 1, "kJ")}
		if year {
			for _, y := range r.YearKWh {
				if y.Levels == m.Levels {
					row = append(row, figureCell(y.KWh, 1, "kWh"))
				}
			}
		}
		t.Rows = append(t.Rows, row)
	}
	t.Note = fmt.Sprintf("In brackets: %s interval over pieces, or over picks where one piece was tried; the sensors’ limits of error come on top, see “Rig and channels”. “At most” and “within” are bounds at %s confidence. Energy is that of the picks alone.",
		percent(float64(q.Confidence)), percent(float64(q.Confidence)))
	if slices.ContainsFunc(t.Rows, func(row []document.Cell) bool {
		return slices.ContainsFunc(row, func(c document.Cell) bool { return strings.HasSuffix(c.Words, "(no interval)") })
	}) {
		t.Note += " No interval: too few pieces or picks."
	}
	if year {
		t.Note += fmt.Sprintf(" A year is %s h at %s picks a minute, in the row of a bag of that bag alone.", brief(float64(r.HoursPerYear)), brief(float64(q.PicksPerMinute)))
	} else {
		t.Note += " Energy per year needs the line's rate and running hours (--rate, --hours)."
	}
	if more > 0 {
		t.Note += fmt.Sprintf(" %s more in “What every setup showed”.", plural(more, "setup"))
	}
	return t
}

// limitCell is the tolerance limit that decided, or would.
func limitCell(c *CriterionJSON, scale float64, unit string) document.Cell {
	if c == nil {
		return document.Words("not required")
	}
	x := float64(c.FreeLimit)
	if c.ByShape || math.IsNaN(x) {
		x = float64(c.NormalLimit)
	}
	if math.IsNaN(x) && c.Failed > 0 {
		return document.Words("too few held")
	}
	if math.IsNaN(x) {
		return document.Words("too few picks")
	}
	if math.IsInf(x, 0) {
		return document.Words("some never seal")
	}
	return document.Exact(brief(scale*x), scale*x, unit)
}

// recommended says what to build.
func (r *TrialReport) recommended(chosen []MachineBag) []string {
	if chosen == nil {
		if r.stated() && !slices.ContainsFunc(r.Comparison.Setups, func(v VerdictJSON) bool { return v.Answer != compare.DoesNot }) {
			return []string{"Nothing can be recommended: all that was tried was shown not to hold. Other cups, numbers of cups, places or engines are to be tried."}
		}
		if r.stated() {
			return []string{"Nothing can be recommended yet: nothing tried was shown to hold every bag of the mix. What is missing comes first; then this report is made again."}
		}
		return []string{"Nothing can be recommended: state in a copy of the trial file what a setup must hold (seal_time, vacuum min, drops). griptrial reanalyse --trial judges the picks by it, without recording again."}
	}
	var items, parts []string
	one := func(label string, of func(s *SetupJSON) string) {
		var values []string
		for _, b := range chosen {
			if s := r.setup(b.Setup); s != nil {
				if v := of(s); v != "" && !slices.Contains(values, v) {
					values = append(values, v)
				}
			}
		}
		if values == nil {
			parts = append(parts, strings.TrimSpace(label+" not recorded"))
			return
		}
		parts = append(parts, strings.TrimSpace(label+" "+short(strings.Join(values, " or "), 200)))
	}
	one("", func(s *SetupJSON) string { return s.Cup })
	one("number of cups", func(s *SetupJSON) string { return fmt.Sprint(s.Cups) })
	one("placement", func(s *SetupJSON) string { return s.Placement })
	one("tilt", func(s *SetupJSON) string { return s.Tilt })
	items = append(items, "Gripper: "+strings.Join(parts, "; ")+".")
	parts = nil
	one("", func(s *SetupJSON) string { return s.Engine })
	one("setting", func(s *SetupJSON) string { return s.EngineSetting })
	items = append(items, "Engine: "+strings.Join(parts, "; ")+".")
	if len(r.Choice.Chosen) > 1 {
		var others []string
		letters := r.letters()
		for _, c := range r.Choice.Chosen[1:] {
			others = append(others, letters.of[c])
		}
		items = append(items, "As good by what was measured: "+listed(others)+".")
	}
	items = append(items, r.engineWords()...)
	if r.placed != nil {
		parts = nil
		for _, p := range r.placed {
			parts = append(parts, p.words())
		}
		items = append(items, "Cups in mm from the bag's centre, along and across: "+strings.Join(parts, ". ")+". True scale: “Placement of the cups”.")
	}
	if r.placed == nil {
		items = append(items, r.noPlan)
	}
	return items
}

// chosenMachine returns the machine that the choice names, nil where it names none.
func (r *TrialReport) chosenMachine() *MachineJSON {
	for i := range r.Choice.Machines {
		if slices.Contains(r.Choice.Chosen[:min(1, len(r.Choice.Chosen))], r.Choice.Machines[i].Levels) {
			return &r.Choice.Machines[i]
		}
	}
	return nil
}

// words says where the cups go on a bag.
func (p PlacedBag) words() string {
	var places []string
	for i, c := range p.Layout.Cups {
		places = append(places, fmt.Sprintf("cup %d at %s, %s", i+1, brief(float64(c.XMM)), brief(float64(c.YMM))))
	}
	s := short(p.Bag, 60) + ": " + strings.Join(places, "; ")
	if !p.Layout.Fits {
		s += " (they do not fit)"
	}
	return s
}

// engineWords says which of the engines given hold, an item an engine and not a leak.
func (r *TrialReport) engineWords() []string {
	if r.Engines == nil {
		return nil
	}
	leaks, _ := r.engineLeaks()
	var order []string
	on := map[string][]string{}
	for _, l := range leaks {
		k := "none holds "
		switch {
		case l.Cheapest != nil && l.Shown:
			k = "the cheapest shown to hold is " + short(*l.Cheapest, 60) + ", on "
		case l.Cheapest != nil:
			k = "the cheapest that holds by its value, which the measured leak does not show yet, is " + short(*l.Cheapest, 60) + ", on "
		}
		if on[k] == nil {
			order = append(order, k)
		}
		words := short(l.Bag, 60)
		if words == "" {
			words = short(l.Name, 60)
		}
		on[k] = append(on[k], words)
	}
	var items []string
	for _, k := range order {
		items = append(items, "Of the engines given, "+k+listed(on[k])+".")
	}
	if items != nil {
		items[len(items)-1] += " That is by the energy of the whole cycle, see “Leak and engine curves”; the choice goes by that of the picks."
	}
	return items
}

// measuredWith says with what it was measured: rig, devices, calibration, bench checks.
func (r *TrialReport) measuredWith() []string {
	devices, kinds := map[string]bool{}, 0
	var calibrated, not []string
	for _, c := range r.Channels {
		devices[c.Bus+"\x00"+c.Device] = true
		if c.Kind.Switched() {
			continue
		}
		kinds++
		if c.Calibrated != nil {
			calibrated = append(calibrated, c.Name+" on "+*c.Calibrated)
		} else {
			not = append(not, c.Name)
		}
	}
	items := []string{fmt.Sprintf("%s, %s (%s measured, the rest switched); the whole list is in “Rig and channels”.", plural(len(devices), "device"), plural(len(r.Channels), "channel"), count(kinds))}
	if calibrated != nil {
		items = append(items, "Calibrated: "+short(strings.Join(calibrated, ", "), 300)+".")
	}
	if not != nil {
		items = append(items, "Calibration not recorded for: "+short(strings.Join(not, ", "), 300)+".")
	}
	return append(items, r.benchWords())
}

func (r *TrialReport) benchWords() string {
	if len(r.Around.Bench) == 0 {
		return "Bench checks before and after the trial: not recorded."
	}
	failed := 0
	var most *BenchJSON
	for i := range r.Around.Bench {
		b := &r.Around.Bench[i]
		if b.Pass != nil && !*b.Pass {
			failed++
		}
		if d := math.Abs(float64(b.Drift)); !math.IsNaN(d) && (most == nil || d > math.Abs(float64(most.Drift))) {
			most = b
		}
	}
	s := fmt.Sprintf("Bench checks: %s, ", plural(len(r.Around.Bench), "step"))
	if failed == 0 {
		s += "none outside its limits"
	} else {
		s += fmt.Sprintf("%d OUTSIDE the limits", failed)
	}
	if most != nil {
		s += fmt.Sprintf("; largest drift from before to after %s kPa (%s, %s)", Interval(sure(float64(most.Drift), float64(most.DriftU)), 1), most.Station, most.Step)
	} else {
		s += "; drift from before to after not recorded"
	}
	return s + "."
}
