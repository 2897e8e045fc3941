package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"griptrial/analyze"
	"griptrial/analyze/compare"
	"griptrial/analyze/pick"
	"griptrial/report/document"
)

// Most rows of a table in print; the rest is counted, and stands in the JSON.
const mostRows = 60

func heading(words string) document.Paragraph {
	return document.Paragraph{Words: words, Style: document.Heading}
}

func (r *TrialReport) evidence() []document.Section {
	all := []document.Section{{Title: "What every setup showed", NewPage: true, Blocks: []document.Block{r.criteriaTable(), r.summaryTable()}}}
	var twins []string
	for _, v := range r.Comparison.Setups {
		if strings.HasSuffix(r.letterOf(v.Setup), ")") {
			twins = append(twins, r.nameOf(v.Setup)+" is setup “"+short(v.Setup, 90)+"”")
		}
	}
	if n := len(twins) - 12; n > 0 {
		twins = append(twins[:12], plural(n, "more setup"))
	}
	if twins != nil {
		all[0].Blocks = append(all[0].Blocks, document.Paragraph{Words: "Some setups differ in nothing that the trial file states but their names. They are numbered here; the choice counts the first of them alone."}, document.List{Items: twins})
	}
	if r.Choice.drawn() && len(r.Choice.Machines) > 1 {
		all[0].Blocks = append(all[0].Blocks, document.Figure{Caption: "Energy against the bound of drops, one point a machine. " + lettersAre, Label: r.Choice.label(), Drawing: r.Choice.plot()})
	}
	if r.Lift != nil {
		all = append(all, r.liftSection())
	}
	for _, b := range r.bags() {
		all = append(all, r.bagSection(b))
	}
	all = append(all, r.differences())
	if r.Engines != nil {
		all = append(all, r.engineSection())
	} else {
		why := "no file of engines was given (--engines)"
		if r.in.NoEngines != "" {
			why = r.in.NoEngines
		}
		all = append(all, document.Section{Title: "Leak and engine curves", Blocks: []document.Block{document.Paragraph{Words: "Not drawn: " + why + "."}}})
	}
	all = append(all, r.energySection(), r.soakSection(), r.orderSection(), r.troubleSection(), r.rigSection(), r.placementSection())
	return all
}

// liftSection says which vacuum the load needs of each setup.
func (r *TrialReport) liftSection() document.Section {
	t := document.Table{Caption: "Vacuum that the load needs", Columns: setupColumns(document.Column{Head: "Mass kg", Right: true}, document.Column{Head: "Cups", Right: true}, document.Column{Head: "Effective diameter mm", Right: true},
		document.Column{Head: "Safety", Right: true}, document.Column{Head: "Ruling phase"}, document.Column{Head: "Needed kPa", Right: true}, document.Column{Head: "With one cup lost kPa", Right: true}, document.Column{Head: "Judged at kPa", Right: true})}
	above := ""
	for _, x := range r.Lift.Setups {
		judged := x.RequiredVacuumKPa
		if !math.IsNaN(float64(x.OwnVacuum)) {
			judged = x.OwnVacuum
		}
		t.Rows = append(t.Rows, append(r.setupCells(x.Setup, &above), numberCell(x.MassKg, 1, "kg"), countCell(x.Cups), numberCell(x.DiameterMM, 1, "mm"), numberCell(x.Safety, 1, ""), document.Words(x.RulingPhase),
			numberCell(x.RequiredVacuumKPa, 1, "kPa"), numberCell(x.OneCupLostKPa, 1, "kPa"), numberCell(judged, 1, "kPa")))
	}
	t.Note = "Computed from the load that the trial states, with its safety factor; stated numbers, without intervals. A competent person judges the factor."
	return document.Section{Title: "Vacuum that the load needs", Blocks: []document.Block{t}}
}

// bags are the bags of all setups with picks.
func (r *TrialReport) bags() []string {
	var all []string
	for _, s := range r.Setups {
		if r.verdict(s.Name) != nil && !slices.Contains(all, s.Bag) {
			all = append(all, s.Bag)
		}
	}
	return all
}

// setupsOf are the setups of a bag that have picks.
func (r *TrialReport) setupsOf(bag string) []string {
	var all []string
	for _, s := range r.Setups {
		if s.Bag == bag && r.verdict(s.Name) != nil {
			all = append(all, s.Name)
		}
	}
	return all
}

// lettersAre says where the letters of machines are told.
const lettersAre = "Letters: see Table\u00a01."

// setupCells are the first two cells of a row on a setup; above is the setup of the row above.
func (r *TrialReport) setupCells(setup string, above *string) []document.Cell {
	s, last := r.setup(setup), r.setup(*above)
	same := *above == setup
	*above = setup
	if s == nil {
		return []document.Cell{{Words: short(setup, 60), Ditto: same}, document.Words("")}
	}
	return []document.Cell{{Words: short(s.Bag, 60), Ditto: last != nil && last.Bag == s.Bag}, {Words: r.label(setup), Ditto: same}}
}

// setupColumns are the heads of setupCells.
func setupColumns(more ...document.Column) []document.Column {
	return append([]document.Column{{Head: "Bag", Keep: true}, {Head: "With"}}, more...)
}

// label is the name of a setup within its bag.
func (r *TrialReport) label(setup string) string {
	if l := r.letterOf(setup); l != "" {
		return l
	}
	return short(setup, 24)
}

func (r *TrialReport) criteriaTable() document.Block {
	t := document.Table{Caption: "Each requirement on each setup", Columns: setupColumns(document.Column{Head: "Requirement", Keep: true}, document.Column{Head: "Pieces", Right: true}, document.Column{Head: "Picks", Right: true},
		document.Column{Head: "Failed", Right: true}, document.Column{Head: "At most %", Right: true}, document.Column{Head: "May fail %", Right: true}, document.Column{Head: "Tolerance limit", Keep: true, Right: true},
		document.Column{Head: "Answer", Keep: true}, document.Column{Head: "Picks needed", Right: true})}
	above := ""
	for _, v := range r.Comparison.Setups {
		for _, c := range v.Criteria {
			row := append(r.setupCells(v.Setup, &above), document.Words(c.Name), countCell(v.Pieces), countCell(c.Picks), countCell(c.Failed),
				document.Words(notMeasured), numberCell(c.MaxShare, 100, "%"), document.Words(""), document.Words(string(c.Answer)), document.Words(""))
			if c.Rate.OK() && !(c.ByShape && c.Answer == compare.Holds) {
				row[6] = document.Cell{Words: brief(100 * c.Rate.Hi), Number: &document.Number{Value: 100 * c.Rate.Value, Lo: 100 * c.Rate.Lo, Hi: 100 * c.Rate.Hi, Unit: "%"}}
			}
			switch c.Name {
			case "seal time":
				row[2] = document.Cell{Words: fmt.Sprintf("seals within %s ms", brief(1e3*float64(c.Limit)))}
				row[8] = withUnit(limitCell(&c, 1e3, "ms"))
			case "lowest vacuum":
				row[2] = document.Cell{Words: fmt.Sprintf("keeps %s kPa", brief(float64(c.Limit)))}
				row[8] = withUnit(limitCell(&c, 1, "kPa"))
			}
			if c.Answer == compare.DoesNot {
				row[9] = document.Words("does not hold")
			}
			row[9].Strong = c.Answer == compare.Holds
			if c.Answer == compare.NotShown && c.Needed > c.Picks {
				row[10] = countCell(c.Needed)
			}
			t.Rows = append(t.Rows, row)
		}
	}
	if t.Rows == nil {
		return document.Paragraph{Words: "The trial states no seal time, lowest vacuum or rate of drops that a setup must hold: there is nothing to judge."}
	}
	t.Note = fmt.Sprintf("%s The tolerance limit is what the required share of all future picks stays within, at %s confidence. Bounds are exact binomial ones; where values of one piece are alike, picks count for less (design effect). A pick that never sealed fails on seal time and on vacuum. “At most” is the share that fails, as a bound; “may fail” is what the requirement allows. Where “at most” is not given, too few picks were made for it, and the tolerance limit alone has decided, from their spread, taken as normal (of times: of their logarithms).", lettersAre, percent(float64(r.Comparison.Confidence)))
	return t
}

// withUnit puts the unit behind a cell's number.
func withUnit(c document.Cell) document.Cell {
	if c.Number != nil && c.Words != notMeasured {
		c.Words += " " + c.Number.Unit
	}
	return c
}

func (r *TrialReport) summaryTable() document.Block {
	t := document.Table{Caption: "What was measured, with intervals", Columns: setupColumns()}
	var used []compare.Measure
	for _, m := range compare.Measures {
		if slices.ContainsFunc(r.Summaries, func(s SummaryJSON) bool { return s.Measure == m.Name }) {
			used = append(used, m)
			t.Columns = append(t.Columns, document.Column{Head: strings.ToUpper(m.Words[:1]) + m.Words[1:] + " " + m.Unit})
		}
	}
	above := ""
	for _, v := range r.Comparison.Setups {
		row := r.setupCells(v.Setup, &above)
		for _, m := range used {
			row = append(row, figureCell(r.middle(v.Setup, m.Name), 1, m.Unit))
		}
		t.Rows = append(t.Rows, row)
	}
	t.Note = fmt.Sprintf("Means, of times geometric means of pieces' medians; in brackets the %s interval, over pieces, or over picks where one piece was tried: then it says nothing of other pieces. That of drops is exact, from their count. The sensors’ limits of error come on top, see “Rig and channels”.", percent(float64(r.Comparison.Confidence)))
	return t
}

func (r *TrialReport) bagSection(bag string) document.Section {
	s := document.Section{Title: "Evidence: " + short(bag, 80)}
	setups := r.setupsOf(bag)
	if f, ok := r.overlay(bag, setups); ok {
		s.Blocks = append(s.Blocks, f)
	} else {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "No vacuum samples of these picks are in the file: no overlay."})
	}
	if f, ok := r.intervals(bag, setups); ok {
		s.Blocks = append(s.Blocks, f)
	}
	if f, ok := r.distribution(bag, setups); ok {
		s.Blocks = append(s.Blocks, f)
	}
	if f, ok := r.forest(bag); ok {
		s.Blocks = append(s.Blocks, f)
	}
	return s
}

// deciding are the measures whose differences are listed and drawn; the others are counted.
var deciding = []string{"seal_time_s", "hold_vacuum_kPa", "energy_J"}

// differences lists what was found between setups.
func (r *TrialReport) differences() document.Section {
	s := document.Section{Title: "Which setup is better, and how sure that is"}
	t := document.Table{Caption: "Differences in seal time, hold vacuum and energy that were found", Columns: []document.Column{{Head: "Bag", Keep: true}, {Head: "Measure", Keep: true}, {Head: "First"}, {Head: "Second"}, {Head: "First less second, %", Keep: true}, {Head: "First is"},
		{Head: "p, adjusted", Right: true}, {Head: "Counted", Right: true}}}
	tally := map[compare.Finding]int{}
	bag, more := "", 0
	for _, name := range deciding {
		for _, e := range r.Comparison.Effects {
			if e.Measure != name || e.Finding != compare.Better && e.Finding != compare.Worse {
				continue
			}
			if len(t.Rows) >= mostRows {
				more++
				continue
			}
			diff := figureCell(e.Percent, 1, "%")
			if !e.Percent.OK() {
				diff = figureCell(e.Absolute, 1, e.Unit)
				diff.Words += " " + e.Unit
			}
			blocks := plural(e.BlocksA, e.Block)
			if e.BlocksA != e.BlocksB {
				blocks = fmt.Sprintf("%d and %s", e.BlocksA, plural(e.BlocksB, e.Block))
			}
			t.Rows = append(t.Rows, []document.Cell{{Words: short(e.Within, 60), Ditto: e.Within == bag}, document.Words(measureWords(e.Measure)), document.Words(r.machineLetter(e.A)), document.Words(r.machineLetter(e.B)), diff,
				document.Words(string(e.Finding)), document.Exact(pValue(e.PAdjusted), float64(e.PAdjusted), ""), document.Words(blocks)})
			bag = e.Within
		}
		bag = ""
	}
	for _, e := range r.Comparison.Effects {
		tally[e.Finding]++
	}
	var rest []string
	for _, f := range []compare.Finding{compare.NotApart, compare.OnePiece, compare.Untestable, compare.NotYet} {
		if n := tally[f]; n > 0 {
			rest = append(rest, fmt.Sprintf("%d %s", n, f))
		}
	}
	found := tally[compare.Better] + tally[compare.Worse]
	if len(r.Comparison.Effects) == 0 {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "There was nothing to compare: of no bag were two setups tried that differ in what the trial file states."})
		return s
	}
	s.Blocks = append(s.Blocks, document.Paragraph{Words: fmt.Sprintf("Of %s made over all measures, %d found a difference.", plural(len(r.Comparison.Effects), "comparison"), found) + ifAny(" The others: ", rest, ".")})
	if tally[compare.OnePiece] > 0 {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "“This piece only”: both levels were tried on one piece, so nothing is said of other pieces. A general claim takes three pieces of each bag or more."})
	}
	if t.Rows != nil {
		t.Note = lettersAre + " p, adjusted: how likely chance alone would show as much, with all comparisons made taken into account; below " + brief(1-float64(r.Comparison.Confidence)) + " counts as found. Counted is what stands for itself: pieces"
		if slices.ContainsFunc(r.Comparison.Effects, func(e EffectJSON) bool { return e.Block == "whole plot" }) {
			t.Note += ", or whole plots, all that was tried between two changes of what is dear to change"
		}
		t.Note += ". Methods: see “Statistics, what they assume, and whether that held”."
		if more > 0 {
			t.Note += fmt.Sprintf(" %d more stand in the JSON of compare.", more)
		}
		s.Blocks = append(s.Blocks, t)
	}
	var words []string
	for _, m := range r.Comparison.Models {
		for _, w := range m.Words {
			words = append(words, strings.ReplaceAll(w, " -", " −"))
		}
	}
	if words != nil {
		s.Blocks = append(s.Blocks, heading("Where factors depend on each other"), document.Paragraph{Words: "Here the difference between two levels is not the same everywhere: first level less second, as estimated. " +
			"How sure each is stands in the figures “How the setups differ”."}, document.List{Items: words})
	}
	return s
}

// machineLetter returns the letter of a machine's levels, or the levels.
func (r *TrialReport) machineLetter(levels string) string {
	if l := r.letters().of[levels]; l != "" {
		return l
	}
	return short(levels, 60)
}

func measureWords(name string) string {
	if m := compare.MeasureOf(name); m != nil {
		return m.Words
	}
	return name
}

func pValue(p analyze.Number) string {
	switch x := float64(p); {
	case math.IsNaN(x):
		return notMeasured
	case x < 0.001:
		return "< 0.001"
	default:
		return decimal(x, 3)
	}
}

func ifAny(before string, parts []string, after string) string {
	if len(parts) == 0 {
		return ""
	}
	return before + listed(parts) + after
}

func (r *TrialReport) engineSection() document.Section {
	s := document.Section{Title: "Leak and engine curves"}
	all, rest := r.engineLeaks()
	if rest > 0 {
		what := "of what was chosen"
		if r.Chosen() == nil {
			what = fmt.Sprintf("of the first %d", len(all))
		}
		s.Blocks = append(s.Blocks, document.Paragraph{Words: fmt.Sprintf("Shown are the leaks %s; %d more stand in the JSON of engine.", what, rest)})
	}
	for _, e := range all {
		if len(e.Curves.Vacuum) >= 2 {
			s.Blocks = append(s.Blocks, e.figure())
		}
		t := document.Table{Caption: "Engines on the leak of " + short(e.Name, 80), Columns: []document.Column{{Head: "Engine"}, {Head: "Vacuum at the cup kPa"}, {Head: "Margin kPa"}, {Head: "Holds"},
			{Head: "Flow L/min ANR", Right: true}, {Head: "Seal time ms"}, {Head: "Energy, J a pick", Right: true}, {Head: "Energy, kWh a year", Right: true}}}
		for _, m := range e.Engines {
			holds := "no"
			if m.Shown {
				holds = "yes"
			} else if m.Holds {
				holds = "not shown yet"
			}
			name := short(m.Name, 60)
			if m.Extrapolated {
				name += " (beyond the tested vacuum)"
			}
			seal := figureCell(m.SealTime, 1e3, "ms")
			if m.SealTime.Value == 0 {
				seal.Words = "none: reached through the open cup"
			}
			t.Rows = append(t.Rows, []document.Cell{document.Words(name), figureCell(analyze.Figure{Value: float64(m.Vacuum), U: float64(m.VacuumU), Lo: float64(m.VacuumLo), Hi: float64(m.VacuumHi)}, 1, "kPa"),
				figureCell(analyze.Figure{Value: float64(m.Margin), U: float64(m.VacuumU), Lo: float64(m.Margin + m.VacuumLo - m.Vacuum), Hi: float64(m.Margin + m.VacuumHi - m.Vacuum)}, 1, "kPa"), document.Words(holds), numberCell(m.Flow, 1, "L/min ANR"), seal, numberCell(m.PickJ, 1, "J"), numberCell(m.YearKWh, 1, "kWh")})
		}
		t.Note = fmt.Sprintf("Leak law %s: Q = k·vⁿ with k %s L/min ANR per kPaⁿ and n %s, from %s up to %s kPa. Required %s kPa. Flow and energy are those at the operating point, as predicted, without intervals of their own.", e.Leak.Law,
			Interval(sdInterval(e.Leak.K, e.Leak.SeK), 1), Interval(sdInterval(e.Leak.N, e.Leak.SeN), 1), plural(e.Leak.Settings, "setting"), brief(float64(e.Leak.TestedToKPa)), brief(float64(e.RequiredKPa)))
		s.Blocks = append(s.Blocks, t)
	}
	s.Blocks = append(s.Blocks, document.Paragraph{Words: engineEnergy})
	var remarks []string
	for _, w := range slices.Concat(r.Engines.BetterCup, r.Engines.Remarks) {
		remarks = append(remarks, capital(w)+".")
	}
	if remarks != nil {
		s.Blocks = append(s.Blocks, heading("What was taken for granted"), document.List{Items: remarks})
	}
	return s
}

// engineEnergy says why predicted energies differ from measured ones.
const engineEnergy = "Energies here are predictions for the whole cycle of the line, from the power and the air that the file of engines states; those measured in the trial are of the picks alone, from their start to their end. The two are not to be compared."

// engineLeaks returns the leaks of what was chosen, else the first six, and how many others there
// are.
func (r *TrialReport) engineLeaks() (shown []EngineJSON, rest int) {
	all := r.Engines.all()
	for _, e := range all {
		for _, b := range r.Chosen() {
			if s := r.setup(b.Setup); s != nil && e.Bag == s.Bag && strings.Contains(e.Name, s.Cup) {
				shown = append(shown, e)
				break
			}
		}
	}
	if shown == nil {
		shown = all[:min(6, len(all))]
	}
	return shown, len(all) - len(shown)
}

// sdInterval is a fitted value with two standard errors either way, as the engine's text shows it.
func sdInterval(x, se analyze.Number) analyze.Figure {
	return analyze.Figure{Value: float64(x), U: float64(se), Lo: float64(x) - 2*float64(se), Hi: float64(x) + 2*float64(se)}
}

func (r *TrialReport) energySection() document.Section {
	s := document.Section{Title: "Energy by phase"}
	f, ok := r.energy()
	if !ok {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "Not measured: no power or compressed air in the file, or too few samples of it in a phase."})
		return s
	}
	t := document.Table{Caption: "Energy of the phases of a pick, J", Columns: setupColumns(document.Column{Head: "Approach"}, document.Column{Head: "Evacuate"}, document.Column{Head: "Hold"}, document.Column{Head: "Release"}, document.Column{Head: "Whole pick"})}
	above := ""
	for _, v := range r.Comparison.Setups {
		row := r.setupCells(v.Setup, &above)
		for _, name := range []string{"energy_approach_J", "energy_evacuate_J", "energy_hold_J", "energy_release_J", "energy_J"} {
			row = append(row, figureCell(r.middle(v.Setup, name), 1, "J"))
		}
		t.Rows = append(t.Rows, row)
	}
	s.Blocks = append(s.Blocks, f, t)
	return s
}

func (r *TrialReport) soakSection() document.Section {
	s := document.Section{Title: "Drift, steps and how picks depend on each other"}
	t := document.Table{Caption: "Trends that were shown, and measures whose picks depend on each other", Columns: setupColumns(document.Column{Head: "Station"}, document.Column{Head: "Measure"}, document.Column{Head: "Now", Right: true}, document.Column{Head: "Drift an hour"},
		document.Column{Head: "p of no drift", Right: true}, document.Column{Head: "Correlation of neighbours", Right: true}, document.Column{Head: "What it says"})}
	trends, drift, more, few := 0, 0, 0, 0
	alike, alikeIs := 0.0, "" // the largest correlation where no trend is told
	above := ""
	pieces := r.piecesAt()
	for i, k := range r.Soak {
		if n := len(pieces[[2]string{k.Setup, k.Station}]); n > 1 && n < fewPieces {
			few += len(k.Trends)
			for j, x := range k.Trends {
				if float64(x.Rho) > alike {
					alike, alikeIs = float64(x.Rho), fmt.Sprintf("%s of %s at %s", r.soaks[i].Trends[j].Measure.Words, r.nameOf(k.Setup), k.Station)
				}
			}
			continue
		}
		for j, x := range k.Trends {
			trends++
			says := "no drift shown"
			m := r.soaks[i].Trends[j].Measure
			shown := float64(x.P) < 1-float64(r.Comparison.Confidence)
			if shown {
				drift++
				says = "getting worse"
				if x.Slope.Value*m.Better > 0 {
					says = "getting better"
				}
				if x.ReachedH.OK() && says == "getting worse" {
					says += reachedWords(x)
				}
			}
			if x.LevelsAt.OK() {
				says += fmt.Sprintf("; levels off at %s %s", Interval(x.LevelsAt, 1), x.Unit)
			}
			if c := x.Change; c != nil {
				says += fmt.Sprintf("; a step after %s, from %s to %s %s", hours(float64(c.AtH)), brief(float64(c.Before)), brief(float64(c.After)), x.Unit)
			}
			if !shown && !(float64(x.Rho) > 0.2) && len(r.Soak) > 2 {
				continue
			}
			if len(t.Rows) >= mostRows/3 {
				more++
				continue
			}
			t.Rows = append(t.Rows, append(r.setupCells(k.Setup, &above), document.Words(k.Station), document.Words(m.Words), withUnit(numberCell(x.Level, 1, x.Unit)),
				withUnit(figureCell(x.Slope, 1, x.Unit)), document.Exact(pValue(x.P), float64(x.P), ""), document.Exact(decimal(float64(x.Rho), 2), float64(x.Rho), ""), document.Words(says)))
		}
	}
	if few > 0 {
		words := fmt.Sprintf("Of %s no drift is told: fewer than %d pieces followed each other there, and the difference between two pieces would look like one. They stand in the JSON of soak.", plural(few, "trend"), fewPieces)
		if alikeIs != "" {
			words += fmt.Sprintf(" Picks that follow each other depend on each other most in %s (correlation %s, of 1 at most), which the intervals of this report take into account.", alikeIs, decimal(alike, 2))
		}
		s.Blocks = append(s.Blocks, document.Paragraph{Words: words})
	}
	switch {
	case trends == 0 && few == 0:
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "Fewer than ten picks of each setup at a station: no trend can be told."})
	case trends > 0:
		s.Blocks = append(s.Blocks, document.Paragraph{Words: fmt.Sprintf("Looked at: %s, each a measure of one setup at one station over time. A drift was shown in %d; where nothing drifts, about %s would seem to.", plural(trends, "trend"), drift,
			brief(math.Round(float64(trends)*(1-float64(r.Comparison.Confidence)))))})
		s.Blocks = append(s.Blocks, r.soakFigures()...)
	}
	if t.Rows != nil {
		t.Note = "Slope after Theil and Sen. The interval takes into account how alike neighbours in time are (1 would be all alike, 0 not at all). Picks that depend on each other count for less in every interval of this report."
		if more > 0 {
			t.Note += fmt.Sprintf(" %d more stand in the JSON of soak.", more)
		}
		s.Blocks = append(s.Blocks, t)
	}
	span, scale, unit := "Minutes", 60.0, "min"
	if slices.ContainsFunc(r.Soak, func(k SoakJSON) bool { return k.Hours > 2 }) {
		span, scale, unit = "Hours", 1, "h"
	}
	rates := document.Table{Caption: "Rate and stops", Columns: setupColumns(document.Column{Head: "Station"}, document.Column{Head: "Picks", Right: true}, document.Column{Head: span, Right: true}, document.Column{Head: "Drops per 1,000 picks"}, document.Column{Head: "Picks a minute", Right: true}, document.Column{Head: "Stops", Right: true}, document.Column{Head: "Longest stop s", Right: true})}
	above = ""
	for _, k := range r.Soak {
		if len(rates.Rows) < mostRows {
			rates.Rows = append(rates.Rows, append(r.setupCells(k.Setup, &above), document.Words(k.Station), countCell(k.Picks), numberCell(k.Hours, scale, unit), figureCell(k.DropsPer1000, 1, "per 1,000"),
				numberCell(k.RatePerMinute, 1, "/min"), countCell(k.Stops), numberCell(k.LongestStopS, 1, "s")))
		}
	}
	if rates.Rows != nil {
		rates.Note = "Stops are pauses of over three cycles within a run."
		s.Blocks = append(s.Blocks, rates)
	}
	if ws := r.Comparison.Warnings; len(ws) > 0 {
		s.Blocks = append(s.Blocks, heading("Remarks on the whole trial"), document.List{Items: ws})
	}
	return s
}

// fewPieces is how many pieces it takes, one after the other, before a trend over them is told; over
// one piece it is told, too. Common practice, no source.
const fewPieces = 5

// piecesAt returns the pieces that were picked of each setup at each station.
func (r *TrialReport) piecesAt() map[[2]string]map[string]bool {
	all := map[[2]string]map[string]bool{}
	for i := range r.in.Trial.Picks {
		p := &r.in.Trial.Picks[i]
		k := [2]string{p.Setup, p.Station}
		if all[k] == nil {
			all[k] = map[string]bool{}
		}
		all[k][p.Piece] = true
	}
	return all
}

func reachedWords(x SoakTrendJSON) string {
	if x.ReachedH.Value == 0 {
		return fmt.Sprintf(", past the limit of %s %s", brief(float64(x.Limit)), x.Unit)
	}
	hi := "never"
	if !math.IsInf(x.ReachedH.Hi, 1) && !math.IsNaN(x.ReachedH.Hi) {
		hi = hours(x.ReachedH.Hi)
	}
	return fmt.Sprintf(", at the limit of %s %s in %s (%s to %s)", brief(float64(x.Limit)), x.Unit, hours(x.ReachedH.Value), hours(x.ReachedH.Lo), hi)
}

func (r *TrialReport) orderSection() document.Section {
	s := document.Section{Title: "Run order"}
	if len(r.Runs) == 0 {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "No runs are in the file."})
		return s
	}
	planned := len(r.in.Trial.Runs)
	words := fmt.Sprintf("%d of %s were begun.", len(r.Runs), plural(planned, "planned run"))
	if seed := r.in.Trial.Design.Seed; seed != 0 {
		words += fmt.Sprintf(" Their order was drawn with seed %d.", seed)
	} else {
		words += " The plan does not say that their order was drawn at random."
	}
	s.Blocks = append(s.Blocks, document.Paragraph{Words: words})
	if f, ok := r.order(); ok {
		s.Blocks = append(s.Blocks, f)
	}
	t := document.Table{Caption: "Runs in the order in which they were made", Columns: []document.Column{{Head: "Run", Right: true}, {Head: "Begun at s", Right: true}, {Head: "Piece", Keep: true}, {Head: "Setups by station"}, {Head: "Picks made", Right: true}, {Head: "Planned", Right: true}}}
	for _, x := range r.Runs {
		if len(t.Rows) == mostRows {
			t.Note = fmt.Sprintf("%d more runs stand in the JSON.", len(r.Runs)-mostRows)
			break
		}
		var parts []string
		for _, station := range r.File.Stations {
			if name := x.Setups[station]; name != "" {
				parts = append(parts, station+": "+r.nameOf(name))
			}
		}
		piece := x.Piece
		if piece == "" {
			piece = "not recorded"
		}
		t.Rows = append(t.Rows, []document.Cell{document.Exact(count(x.N), float64(x.N), ""), document.Exact(decimal(float64(x.StartS), 1), float64(x.StartS), "s"), document.Words(short(piece, 60)), document.Words(strings.Join(parts, "; ")), countCell(x.Made), countCell(x.Planned)})
	}
	s.Blocks = append(s.Blocks, t)
	return s
}

func (r *TrialReport) troubleSection() document.Section {
	s := document.Section{Title: "Spoiled picks, gaps, faults and notes"}
	if len(r.Spoiled) == 0 {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "Spoiled picks: none."})
	} else {
		t := document.Table{Caption: "Picks that are not to be trusted", Columns: []document.Column{{Head: "Station"}, {Head: "Pick", Right: true}, {Head: "Setup"}, {Head: "Begun at s", Right: true}, {Head: "Reason"}, {Head: "Counted in verdicts"}}}
		for i, x := range r.Spoiled {
			if i == mostRows {
				t.Note = fmt.Sprintf("%d more stand in the JSON.", len(r.Spoiled)-mostRows)
				break
			}
			counted := "no"
			if x.Counted {
				counted = "yes"
			}
			t.Rows = append(t.Rows, []document.Cell{document.Words(x.Station), document.Exact(count(x.Pick), float64(x.Pick), ""), document.Words(r.nameOf(x.Setup)), document.Exact(instant(float64(x.StartS)), float64(x.StartS), "s"), document.Words(short(x.Reason, 200)), document.Words(counted)})
		}
		s.Blocks = append(s.Blocks, t)
	}
	if len(r.Gaps) == 0 {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "Gaps in the vacuum signals: none."})
	} else {
		lost := 0.0
		t := document.Table{Caption: "Gaps: nothing was read of a station's vacuum", Columns: []document.Column{{Head: "Station"}, {Head: "From s", Right: true}, {Head: "To s", Right: true}, {Head: "Length s", Right: true}}}
		for i, g := range r.Gaps {
			length := float64(g.ToS - g.FromS)
			if !math.IsNaN(length) {
				lost += length
			}
			if i < mostRows {
				t.Rows = append(t.Rows, []document.Cell{document.Words(g.Station), document.Exact(instant(float64(g.FromS)), float64(g.FromS), "s"), document.Exact(instant(float64(g.ToS)), float64(g.ToS), "s"), numberCell(analyze.Number(length), 1, "s")})
			}
		}
		t.Note = fmt.Sprintf("%s, %s s in all.", plural(len(r.Gaps), "gap"), brief(lost))
		s.Blocks = append(s.Blocks, t)
	}
	if len(r.Faults) == 0 {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "Bus faults and values out of the sensors' ranges: none recorded."})
	} else {
		t := document.Table{Caption: "Bus faults, and values that are no measurement", Columns: []document.Column{{Head: "Where"}, {Head: "Cause"}, {Head: "Times", Right: true}, {Head: "First at s", Right: true}, {Head: "Last at s", Right: true}}}
		for _, f := range r.Faults {
			t.Rows = append(t.Rows, []document.Cell{document.Words(short(f.Where, 80)), document.Words(f.Cause), countCell(f.N), document.Exact(instant(float64(f.FirstS)), float64(f.FirstS), "s"), document.Exact(instant(float64(f.LastS)), float64(f.LastS), "s")})
		}
		s.Blocks = append(s.Blocks, t)
	}
	var jumps []string
	for _, c := range r.Around.Clock {
		if c.JumpedS != 0 {
			jumps = append(jumps, fmt.Sprintf("at %s s %s by %s s; the trial's own time did not", instant(c.TS), c.Why, brief(math.Abs(c.JumpedS))))
		}
	}
	if jumps != nil {
		s.Blocks = append(s.Blocks, heading("The wall clock"), document.List{Items: jumps})
	}
	if len(r.Around.Polling) == 0 {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "How polling kept its deadlines: not recorded."})
	} else {
		t := document.Table{Caption: "How polling kept its deadlines", Columns: []document.Column{{Head: "Device"}, {Head: "Polls", Right: true}, {Head: "Left out because the next was due", Right: true}, {Head: "Errors", Right: true}, {Head: "Late by, 99 % in the worst minute, ms", Right: true}, {Head: "Late by, most, ms", Right: true}}}
		for _, l := range r.Around.Polling {
			t.Rows = append(t.Rows, []document.Cell{document.Words(l.Bus + " / " + l.Device), countCell(int(l.Polls)), countCell(int(l.Merged)), countCell(int(l.Errors)), numberCell(l.P99S, 1e3, "ms"), numberCell(l.MaxS, 1e3, "ms")})
		}
		s.Blocks = append(s.Blocks, t)
	}
	if len(r.Notes) > 0 {
		var items []string
		for _, n := range r.Notes {
			items = append(items, fmt.Sprintf("at %s s: %s", instant(float64(n.TS)), short(n.Text, 500)))
		}
		s.Blocks = append(s.Blocks, heading("Notes made during the trial"), document.List{Items: items})
	}
	outcomes := map[pick.Outcome]int{}
	for i := range r.in.Trial.Picks {
		outcomes[r.in.Trial.Picks[i].Outcome]++
	}
	var parts []string
	for _, o := range []pick.Outcome{pick.Released, pick.Dropped, pick.Unsealed, pick.Ended, pick.Open} {
		if n := outcomes[o]; n > 0 {
			parts = append(parts, fmt.Sprintf("%s %s", count(n), o))
		}
	}
	s.Blocks = append(s.Blocks, document.Paragraph{Words: "Picks by outcome: " + listed(parts) + "."})
	return s
}

func (r *TrialReport) rigSection() document.Section {
	s := document.Section{Title: "Rig and channels"}
	t := document.Table{Caption: "Channels", Columns: []document.Column{{Head: "Device"}, {Head: "Channel"}, {Head: "What"}, {Head: "Station"}, {Head: "Polled every ms", Right: true}, {Head: "Sensor accuracy ±"}, {Head: "Resolution"}, {Head: "Calibrated"}}}
	for _, c := range r.Channels {
		kind := strings.ReplaceAll(string(c.Kind), "_", " ")
		if c.At != "" {
			kind += " at the " + c.At
		}
		calibrated := "not recorded"
		if c.Calibrated != nil {
			calibrated = fmt.Sprintf("%s, %s", *c.Calibrated, plural(c.CalibratedN, "point"))
		}
		unit := c.Kind.Unit()
		row := []document.Cell{document.Words(c.Bus + " / " + c.Device), document.Words(c.Name), document.Words(kind), document.Words(c.Station), numberCell(c.IntervalS, 1e3, "ms"), withUnit(numberCell(c.Accuracy, 1, unit)), withUnit(numberCell(c.Resolution, 1, unit)), document.Words(calibrated)}
		if c.Kind.Switched() {
			row[5], row[6], row[7] = document.Words(""), document.Words(""), document.Words("")
		} else if math.IsNaN(float64(c.Accuracy)) {
			row[5] = document.Words("not stated")
		}
		t.Rows = append(t.Rows, row)
	}
	s.Blocks = append(s.Blocks, t)
	if len(r.Around.Bench) == 0 {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: "Bench checks before and after the trial: not recorded."})
		return s
	}
	b := document.Table{Caption: "Bench checks", Columns: []document.Column{{Head: "When"}, {Head: "Station"}, {Head: "Step"}, {Head: "Shown kPa"}, {Head: "Allowed"}, {Head: "Passed"}, {Head: "Drift since before kPa"}}}
	for _, x := range r.Around.Bench {
		passed := "no limit"
		if x.Pass != nil && *x.Pass {
			passed = "yes"
		} else if x.Pass != nil {
			passed = "NO"
		}
		shown := document.Words(x.Why)
		if x.Value != nil {
			u := math.NaN()
			if x.U != nil {
				u = *x.U
			}
			shown = figureCell(sure(*x.Value, u), 1, "kPa")
		}
		drift := document.Words("")
		if !math.IsNaN(float64(x.Drift)) {
			drift = figureCell(sure(float64(x.Drift), float64(x.DriftU)), 1, "kPa")
		}
		b.Rows = append(b.Rows, []document.Cell{document.Words(x.Moment), document.Words(x.Station), document.Words(x.Step), shown, document.Words(allowed(x.Result)), document.Words(passed), drift})
	}
	s.Blocks = append(s.Blocks, b)
	return s
}

func (r *TrialReport) placementSection() document.Section {
	s := document.Section{Title: "Placement of the cups"}
	if r.placed == nil {
		s.Blocks = append(s.Blocks, document.Paragraph{Words: r.noPlan})
		return s
	}
	for _, p := range r.placed {
		t := document.Table{Caption: "Cups on " + short(p.Bag, 80), Columns: []document.Column{{Head: "Cup"}, {Head: "Along the bag mm"}, {Head: "Across mm"}}}
		for i, c := range p.Layout.Cups {
			t.Rows = append(t.Rows, []document.Cell{countCell(i + 1), numberCell(c.XMM, 1, "mm"), numberCell(c.YMM, 1, "mm")})
		}
		t.Note = fmt.Sprintf("From the bag's centre. On the sheet: the bag's outline, its folds dashed, lips as circles, the centre of mass as the small circle. Lip %s mm, largest lip that fits %s mm.", brief(p.LipMM), brief(float64(p.Layout.LargestLipMM)))
		if p.Cups > 1 {
			t.Note += fmt.Sprintf(" Gap between lips %s mm, at least %s mm.", brief(float64(p.Layout.GapMM)), brief(float64(p.Layout.MinGapMM)))
		}
		if tilt := p.Layout.Tilt; tilt.Deg == 0 {
			t.Note += " First tilt: none; " + tilt.Reason + "."
		} else {
			t.Note += fmt.Sprintf(" First tilt %g° %s; %s.", tilt.Deg, tilt.Direction, tilt.Reason)
		}
		if p.Layout.Why != nil {
			t.Note += " It does not fit: " + *p.Layout.Why + "."
		}
		s.Blocks = append(s.Blocks, t)
	}
	for _, p := range r.placed {
		for i, page := range p.Sheets {
			caption := "Where the cups go on " + short(p.Bag, 80) + ", at true scale: print at 100 % and check the line of 100 mm."
			if len(p.Sheets) > 1 {
				caption += fmt.Sprintf(" Tile %d of %d.", i+1, len(p.Sheets))
			}
			s.Blocks = append(s.Blocks, document.Figure{Caption: caption, Label: fmt.Sprintf("%s on %s, numbered, at true scale", plural(len(p.Layout.Cups), "cup"), short(p.Bag, 80)), Drawing: page, Scale: true})
		}
	}
	return s
}
