package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"griptrial/analyze"
	"griptrial/analyze/compare"
	"griptrial/report/document"
)

// definitions say how a pick is measured, in the words of the program.
var definitions = []string{
	"Vacuum is in kPa below the pressure around, positive when evacuated. Flow is in L/min ANR (ISO 8778: 100 kPa, 20 °C).",
	"Start: the supply's rising edge, midway between the samples about it; without a supply channel the last sample in the idle band before the rise.",
	"Sealed: the first crossing of the required vacuum that holds for the time to persist (20 ms unless the rig file states another). The instant is where a straight line through the samples about it meets the level.",
	"Seal time: from the start or from contact, whichever is later, to sealed. Times that count from different events are never compared.",
	"Hold vacuum: the median from 50 ms after sealing to the release, the supply's end or the loss. Lowest vacuum: the minimum of the running median over the same span.",
	"Dropped: below the drop level (half the required vacuum unless another is stated) for the time to persist, with no release commanded. Below the required vacuum and back is a dip; below it until the release is a sag.",
	"Unsealed: no seal before the seal limit or the supply's end.",
	"Leak flow: the median flow over the hold, less what the change of vacuum in the circuit's volume moves, less the rig's own leak where it is known.",
	"Energy of a pick: electric power and compressed air (at its stated specific energy) from start to end, by trapezoids on the samples' true stamps.",
	"Every figure carries an interval from stamps, sampling, noise, the sensor's limits of error, resolution and lag (JCGM 100, JCGM 101). What the sampling cannot support is null, and says why.",
	"A gap is an interval above five sampling intervals, and 0.25 s at least. Nothing is interpolated across it.",
}

func (r *TrialReport) method() []document.Section {
	return []document.Section{r.methodSection(), r.budgetSection(), r.statisticsSection(), r.reproduceSection()}
}

func (r *TrialReport) methodSection() document.Section {
	return document.Section{Title: "Method: what the words mean", NewPage: true, Blocks: []document.Block{document.List{Items: definitions}}}
}

func (r *TrialReport) budgetSection() document.Section {
	s := document.Section{Title: "Uncertainty of a representative pick"}
	if len(r.Budgets) == 0 {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "No pick of this trial has a budget that can be shown."})
		return s
	}
	p, of := r.budgetOf, "of the first ones of what was chosen"
	if r.Chosen() == nil {
		of = "of the first ones"
	}
	s.Blocks = append(s.Blocks, document.Paragraph{Words: fmt.Sprintf("Pick %s at %s, %s: the pick %s whose seal time is the middle one. u is the standard uncertainty of each part, the square root of its variance; a part's share is of the variance of the figure.", count(p.N), p.Station, r.nameOf(p.Setup), of)})
	t := document.Table{Caption: "Uncertainty budget", Columns: []document.Column{{Head: "Figure", Keep: true}, {Head: "Value, 95 % interval", Keep: true}, {Head: "Part"}, {Head: "Shape and size"}, {Head: "u", Right: true, Keep: true}, {Head: "Share %", Right: true}}}
	for _, b := range r.Budgets {
		if !b.Value.OK() || !(b.Value.U > 0) {
			continue
		}
		scale, unit := 1.0, b.Unit
		if unit == "s" {
			scale, unit = 1e3, "ms"
		}
		share := func(p PartJSON) float64 { return 100 * float64(p.U) * float64(p.U) / (b.Value.U * b.Value.U) }
		parts := slices.Clone(b.Parts)
		slices.SortStableFunc(parts, func(x, y PartJSON) int { return cmp.Compare(share(y), share(x)) })
		small, name := 0.0, strings.ReplaceAll(strings.TrimSuffix(b.Figure, "_"+b.Unit), "_", " ")
		n := 0
		for i, part := range parts {
			if share(part) < 1 && i > 0 {
				small += share(part)
				n++
				continue
			}
			row := []document.Cell{{Words: name, Ditto: i > 0, Strong: i == 0}, document.Words("")}
			if i == 0 {
				row[1] = withUnit(figureCell(b.Value, scale, unit))
			}
			t.Rows = append(t.Rows, append(row, document.Words(part.Name), document.Words(fmt.Sprintf("%s %s %s", sizes[part.Shape], brief(scale*float64(part.Size)), unit)),
				withUnit(numberCell(part.U, scale, unit)), document.Exact(decimal(share(part), 0), share(part), "%")))
		}
		if n > 0 {
			t.Rows = append(t.Rows, []document.Cell{{Words: name, Ditto: true}, document.Words(""), document.Words(plural(n, "smaller part")), document.Words(""), document.Words(""), document.Exact(decimal(small, 1), small, "%")})
		}
	}
	s.Blocks = append(s.Blocks, t)
	return s
}

// has reports whether any remark of the comparison or the verdicts begins with code.
func (r *TrialReport) has(code string) bool {
	begins := func(all []string) bool {
		return slices.ContainsFunc(all, func(s string) bool { return strings.HasPrefix(s, code) })
	}
	if begins(r.Comparison.Warnings) {
		return true
	}
	for _, e := range r.Comparison.Effects {
		if begins(e.Warnings) {
			return true
		}
	}
	for _, v := range r.Comparison.Setups {
		if begins(v.Warnings) {
			return true
		}
		for _, c := range v.Criteria {
			if begins(c.Warnings) {
				return true
			}
		}
	}
	return false
}

func (r *TrialReport) statisticsSection() document.Section {
	s := document.Section{Title: "Statistics, what they assume, and whether that held"}
	t := document.Table{Caption: "Assumptions", Columns: []document.Column{{Head: "Used for"}, {Head: "How"}, {Head: "Assumes"}, {Head: "Held here"}}}
	row := func(used, how, assumes, held string) {
		t.Rows = append(t.Rows, []document.Cell{document.Words(used), document.Words(how), document.Words(assumes), document.Words(held)})
	}
	if0 := func(code analyze.Code, yes, no string) string {
		if r.has(string(code)) {
			return yes
		}
		return no
	}
	methods := map[string]bool{}
	for _, e := range r.Comparison.Effects {
		if e.Method != "" {
			methods[e.Method] = true
		}
	}
	var used []string
	for m := range methods {
		used = append(used, m)
	}
	slices.Sort(used)
	onePiece := slices.ContainsFunc(r.Comparison.Setups, func(v VerdictJSON) bool { return v.Pieces == 1 })
	row("Shares that fail: drops, seal times over the limit", "exact binomial bounds (Clopper and Pearson), one-sided", "picks that do not depend on each other",
		if0(compare.DropsCluster, "NO: failures cluster by piece; picks were counted for less by the design effect", "no clustering by piece was shown"))
	row("Tolerance limits", "distribution-free by ranks; with too few picks the normal limit, of logarithms for times", "that the pieces tried are like those to come",
		if0(compare.NormalRefused, "where picks never sealed, were too few, or failed by more than the scatter of the others, no normal limit is given", "a limit could be had for every setup")+map[bool]string{true: "; of some setups one piece only was tried, which cannot show it", false: ""}[onePiece])
	if used != nil {
		row("Differences between setups", strings.Join(used, "; "), "pieces drawn at random, runs in random order",
			if0(compare.OrderConfounded, "NOT for all: some levels were tried one after the other, so that a drift would look like a difference", "levels were mixed in time")+
				if0(compare.SidesNotSwapped, "; sides were not swapped everywhere, so the stations' own difference is in some effects", ""))
	}
	row("Several comparisons at once", fmt.Sprintf("p-values adjusted after Holm over %s; intervals are not adjusted", plural(r.Comparison.Tests, "test")), "nothing", "holds always")
	row("Trends", "slope after Theil and Sen, autocorrelation of first order taken into account", "that a run goes on as it did", if0(compare.Drifts, "some measure drifts over the trial: see the trends", "no drift over the whole trial was shown"))
	if r.File.Shared {
		row("Stations side by side", "each station judged on its own", "that one does not feel the other", "NO: stations share an engine, and are not independent")
	}
	t.Note = "References: JCGM 100 and 101 (uncertainty); Clopper and Pearson 1934; Hahn and Meeker, Statistical Intervals; Holm 1979; Kish 1965 (design effect); Sen 1968."
	s.Blocks = append(s.Blocks, t, heading("Stopping rule"))
	d := r.in.Trial.Design
	switch {
	case r.Comparison.Sequential:
		s.Blocks = append(s.Blocks, document.Paragraph{Words: fmt.Sprintf("Stated before the first pick: drops are judged by Wald's sequential test, good %s, bad %s, risks %s and %s. It stops at the first boundary; bounds of fixed size are not given.",
			percent(d.GoodRate), percent(d.BadRate), percent(d.Alpha), percent(d.Beta))})
	case r.Comparison.Finished:
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "The number of runs was planned beforehand, and all were made. Nothing was decided before."})
	default:
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "The planned runs are not finished. Intervals of differences may be looked at as often as one likes (anytime-valid), and nothing is decided until the plan is done."})
	}
	return s
}

func (r *TrialReport) reproduceSection() document.Section {
	f := r.File
	s := document.Section{Title: "How to make this report again"}
	hash := "not taken: the file is still being recorded"
	if f.SHA256 != nil {
		hash = *f.SHA256
	}
	program := f.ReportedBy
	t := document.Table{Caption: "Where this report comes from", Columns: []document.Column{{Head: "What"}, {Head: "Which"}}, Rows: [][]document.Cell{
		{document.Words("Trial file"), document.Words(cut(f.Name, 200))},
		{document.Words("SHA-256 of the trial file"), document.Words(hash)},
		{document.Words("SHA-256 of the rig's description in it"), document.Words(f.RigSHA256)},
		{document.Words("SHA-256 of the trial's plan in it"), document.Words(f.TrialSHA256)},
		{document.Words("Analysis shown"), document.Words(fmt.Sprintf("set %d of the file, %s", f.Set, why(r.in.Set.Why)))},
		{document.Words("Recorded by"), document.Words("griptrial " + f.RecordedBy)},
		{document.Words("Analysed by"), document.Words("griptrial " + f.AnalysedBy)},
		{document.Words("This report by"), document.Words("griptrial " + program)},
		{document.Words("Resampling"), document.Words(fmt.Sprintf("%s resamples of pieces, seed %d", count(r.in.Resamples), r.in.Seed))},
		{document.Words("Command"), document.Words(cut(f.Command, 1000))},
	}}
	if f.EnginesSHA256 != nil {
		t.Rows = append(t.Rows, []document.Cell{document.Words("SHA-256 of the file of engines"), document.Words(*f.EnginesSHA256)})
	}
	s.Blocks = append(s.Blocks, t, document.List{Items: []string{
		"Compare the hash: sha256sum " + cut(f.Name, 200) + " gives the one above.",
		"griptrial verify reads every block of the file, and judges every pick again from the raw counts: it finds the same picks to the bit.",
		"The command above, by the same version, makes the same bytes of this report again: nothing in it depends on the day or the machine.",
		"griptrial compare --json and griptrial choose --json give every number of the verdicts and of the choice.",
	}})
	return s
}

func why(s string) string {
	if s == "live" {
		return "made while recording"
	}
	return s
}

func (r *TrialReport) cautionsPage() document.Section {
	return document.Section{Title: "Cautions", NewPage: true, Blocks: []document.Block{
		document.Paragraph{Words: Cautions[0], Style: document.Lead},
		document.List{Items: []string{
			Cautions[1],
			Cautions[2],
			"This report says what was measured on the pieces, with the rig and on the days that it names. Other bags, fills, films, dust, moisture, temperatures and wear were not tried.",
			"A required vacuum that was met is not a safe load: safety factors, motion, failing power and failing air are to be judged for the machine as a whole.",
			"“Holds” means: shown at the stated confidence, in the trial as it was made. It is no promise for the single pick.",
		}},
	}}
}
