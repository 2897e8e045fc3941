package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/compare"
	"griptrial/config"
)

// ComparisonSchema is the number of the JSON of compare, choose, soak and plan, which
// comparison.schema.json describes; it grows when a field changes meaning.
const ComparisonSchema = 1

// A ComparisonJSON is a comparison with its verdicts. Figures hold value, u, lo, hi and
// warnings, or null; percent is of the second level; p is null where nothing was tested.
type ComparisonJSON struct {
	Schema     int            `json:"schema"`
	Confidence analyze.Number `json:"confidence"`
	Finished   bool           `json:"finished"` // false: intervals are anytime-valid, answers provisional
	Sequential bool           `json:"sequential"`
	By         []string       `json:"by"`
	Within     []string       `json:"within"`
	Tests      int            `json:"tests"` // in the family that p_adjusted is adjusted for (Holm)
	Setups     []VerdictJSON  `json:"setups"`
	Levels     []LevelJSON    `json:"levels"`
	Effects    []EffectJSON   `json:"effects"`
	Models     []ModelJSON    `json:"models"`
	Spoiled    int            `json:"spoiled"` // picks left out everywhere, marked as spoiled
	Changes    []ChangeJSON   `json:"with_spoiled"`
	Warnings   []string       `json:"warnings"`
}

// A ChangeJSON is a finding that would be another if spoiled picks were counted.
type ChangeJSON struct {
	Measure string          `json:"measure"`
	Within  string          `json:"within"`
	A       string          `json:"a"`
	B       string          `json:"b"`
	Without compare.Finding `json:"without"`
	With    compare.Finding `json:"with"`
}

// An EffectJSON is how level a stands to level b.
type EffectJSON struct {
	Measure    string          `json:"measure"`
	Unit       string          `json:"unit"` // of absolute
	Within     string          `json:"within"`
	A          string          `json:"a"`
	B          string          `json:"b"`
	Finding    compare.Finding `json:"finding"`
	Percent    analyze.Figure  `json:"percent"`
	Absolute   analyze.Figure  `json:"absolute"`
	SidesPc    analyze.Figure  `json:"sides_percent"` // left less right, where sides were swapped
	P          analyze.Number  `json:"p"`
	PAdjusted  analyze.Number  `json:"p_adjusted"`
	Method     string          `json:"method"`
	Block      string          `json:"block"` // what counts as one: piece, run, whole plot, pick
	BlocksA    int             `json:"blocks_a"`
	BlocksB    int             `json:"blocks_b"`
	Paired     bool            `json:"paired"`
	Warnings   []string        `json:"warnings"`
	Sufficient *int            `json:"blocks_needed,omitempty"`
}

// A LevelJSON is a level's middle with its letters: levels that share one cannot be told apart;
// none where of some pair nothing was found.
type LevelJSON struct {
	Measure string         `json:"measure"`
	Unit    string         `json:"unit"` // of middle
	Within  string         `json:"within"`
	Level   string         `json:"level"`
	Middle  analyze.Number `json:"middle"`
	Letters string         `json:"letters"`
	Pieces  int            `json:"pieces"`
	Picks   int            `json:"picks"`
}

// A VerdictJSON is what one setup was shown to do.
type VerdictJSON struct {
	Setup       string          `json:"setup"`
	Answer      compare.Answer  `json:"answer"`
	RequiredKPa analyze.Number  `json:"required_kPa"`
	Picks       int             `json:"picks"`
	Pieces      int             `json:"pieces"`
	Spoiled     int             `json:"spoiled"`        // marked as spoiled, and left out
	WithSpoiled *compare.Answer `json:"with_spoiled"`   // the answer if they were counted; null where there are none
	Touched     int             `json:"touched_by_gap"` // counted
	Untouched   *compare.Answer `json:"without_touched"`
	Criteria    []CriterionJSON `json:"criteria"`
	Warnings    []string        `json:"warnings"`
}

// A CriterionJSON is one requirement. Rate is the share that failed, with one-sided bounds.
type CriterionJSON struct {
	Name        string         `json:"name"`
	Limit       analyze.Number `json:"limit"` // s or kPa
	MaxShare    analyze.Number `json:"max_share"`
	Answer      compare.Answer `json:"answer"`
	Picks       int            `json:"picks"`
	Failed      int            `json:"failed"`
	Rate        analyze.Figure `json:"rate"`
	Independent analyze.Number `json:"independent_picks"`
	FreeLimit   analyze.Number `json:"tolerance_limit"`
	NormalLimit analyze.Number `json:"tolerance_limit_normal"`
	ByShape     bool           `json:"normal_decided"`
	Needed      int            `json:"picks_needed"`
	Rule        string         `json:"stopping_rule,omitempty"`
	Warnings    []string       `json:"warnings"`
}

// A ModelJSON is a linear model of the logarithm of one measure.
type ModelJSON struct {
	Measure    string         `json:"measure"`
	Terms      []TermJSON     `json:"terms"`
	ResidualPc analyze.Number `json:"residual_sd_percent"`
	DF         analyze.Number `json:"df"`
	Largest    analyze.Number `json:"largest_residual_sd"`
	OutlierP   analyze.Number `json:"outlier_p"`
	Fanning    analyze.Number `json:"size_with_fitted_rank_correlation"`
	Words      []string       `json:"interactions"`
}

// A TermJSON is a factor or an interaction.
type TermJSON struct {
	Factors []string       `json:"factors"`
	DF      analyze.Number `json:"df"`
	F       analyze.Number `json:"f"`
	P       analyze.Number `json:"p"`
	Share   analyze.Number `json:"share_of_variance"`
	Against string         `json:"against"`
	Effects []LevelPcJSON  `json:"effects"`
}

// A LevelPcJSON is what a level does, in percent from the mean of all levels.
type LevelPcJSON struct {
	Level   string         `json:"level"`
	Percent analyze.Figure `json:"percent"`
}

func warnings(ws ...[]analyze.Warning) []string {
	out := []string{}
	for _, w := range slices.Concat(ws...) {
		if s := w.String(); !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

func number(x float64) analyze.Number { return analyze.Number(x) }

// Comparison returns the JSON of a comparison.
func Comparison(t *compare.Trial, c compare.Comparison, verdicts []compare.Verdict, models []compare.Model) ComparisonJSON {
	j := ComparisonJSON{Schema: ComparisonSchema, Confidence: number(c.Confidence), Finished: t.Finished, Sequential: t.Design.Sequential,
		By: c.By, Within: c.Within, Tests: c.Tests, Setups: []VerdictJSON{}, Levels: []LevelJSON{}, Effects: []EffectJSON{}, Models: []ModelJSON{}, Spoiled: c.Spoiled, Changes: []ChangeJSON{}, Warnings: warnings(c.Warnings)}
	for _, x := range c.Changes {
		e := x.Effect
		j.Changes = append(j.Changes, ChangeJSON{e.Measure.Name, e.Stratum, e.A, e.B, x.Was, e.Finding})
	}
	for _, e := range c.Effects {
		x := EffectJSON{e.Measure.Name, e.Measure.Unit, e.Stratum, e.A, e.B, e.Finding, e.Percent, scaled(e.Absolute, e.Measure.Scale), e.Sides,
			number(e.P), number(e.Adjusted), e.Method, e.Block, e.NA, e.NB, e.Paired, warnings(e.Warnings, e.Percent.Warnings), nil}
		for _, w := range e.Warnings {
			if w.Code == compare.MorePieces && !math.IsNaN(w.B) {
				n := int(w.A)
				x.Sufficient = &n
			}
		}
		j.Effects = append(j.Effects, x)
	}
	for _, l := range c.Letters {
		for _, v := range l.Levels {
			j.Levels = append(j.Levels, LevelJSON{l.Measure.Name, l.Measure.Unit, l.Stratum, v.Level, number(v.Middle * l.Measure.Scale), v.Letters, v.Pieces, v.Picks})
		}
	}
	for _, v := range verdicts {
		x := VerdictJSON{v.Setup, v.Answer, number(v.RequiredKPa), v.Picks, v.Pieces, v.Spoiled, answer(v.WithSpoiled), v.Touched, answer(v.Untouched),
			[]CriterionJSON{}, warnings(v.Warnings)}
		for _, k := range v.Criteria {
			x.Criteria = append(x.Criteria, CriterionJSON{k.Name, number(k.Limit), number(k.Share), k.Answer, k.Picks, k.Failed, k.Rate,
				number(k.Worth), number(k.Free), number(k.Normal), k.ByShape, k.Needed, k.Rule, warnings(k.Warnings)})
		}
		j.Setups = append(j.Setups, x)
	}
	for _, m := range models {
		x := ModelJSON{Measure: m.Measure.Name, ResidualPc: number(m.ResidualSD), DF: number(m.DF), Largest: number(m.Largest),
			OutlierP: number(m.OutlierP), Fanning: number(m.Fanning), Words: append([]string{}, m.Words...), Terms: []TermJSON{}}
		for _, t := range m.Terms {
			y := TermJSON{t.Factors, number(t.DF), number(t.F), number(t.P), number(t.Share), t.Stratum, []LevelPcJSON{}}
			for _, e := range t.Effects {
				y.Effects = append(y.Effects, LevelPcJSON{e.Level, e.Effect})
			}
			x.Terms = append(x.Terms, y)
		}
		j.Models = append(j.Models, x)
	}
	return j
}

// answer returns nil for "", so that it becomes null.
func answer(a compare.Answer) *compare.Answer {
	if a == "" {
		return nil
	}
	return &a
}

func scaled(f analyze.Figure, by float64) analyze.Figure {
	f.Value, f.U, f.Lo, f.Hi = f.Value*by, f.U*by, f.Lo*by, f.Hi*by
	return f
}

// SayEffect says an effect in one line: "A: seal time 11 % less than B (95 % interval 7 to
// 15 %), 12 pieces: better".
func SayEffect(e compare.Effect, confidence float64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s ", e.Measure.Words)
	lo, hi, v := e.Percent.Lo, e.Percent.Hi, e.Percent.Value
	unit := "%"
	if lo <= -100 { // nothing is less: the interval is open
		lo = math.Inf(-1)
	}
	if !e.Percent.OK() {
		f := scaled(e.Absolute, e.Measure.Scale)
		lo, hi, v, unit = f.Lo, f.Hi, f.Value, e.Measure.Unit
	}
	switch {
	case math.IsNaN(v):
		b.WriteString("not comparable")
	case v < 0:
		fmt.Fprintf(&b, "%s %s less", plain(-v, 3), unit)
		lo, hi = -hi, -lo
	default:
		fmt.Fprintf(&b, "%s %s more", plain(v, 3), unit)
	}
	switch {
	case math.IsNaN(v):
	case math.IsNaN(lo) || math.IsInf(lo, 0) && math.IsInf(hi, 0):
		b.WriteString(" (no interval yet)")
	default:
		fmt.Fprintf(&b, " (%g %% interval %s to %s %s)", 100*confidence, bound(lo), bound(hi), unit)
	}
	switch {
	case e.Block == "":
	case e.NA == e.NB:
		fmt.Fprintf(&b, ", %d %ss of each", e.NA, e.Block)
	default:
		fmt.Fprintf(&b, ", %d and %d %ss", e.NA, e.NB, e.Block)
	}
	fmt.Fprintf(&b, ": %s", e.Finding)
	var more []string
	for _, w := range e.Warnings {
		switch w.Code {
		case compare.MorePieces:
			if math.IsNaN(w.B) {
				more = append(more, fmt.Sprintf("%.0f pieces of each would begin to tell more", w.A))
				continue
			}
			more = append(more, fmt.Sprintf("about %.0f of each would show a difference of %g %%", w.A, w.B))
		case compare.ThisPieceOnly, compare.Provisional, compare.NotTestable:
		case compare.MorePicks:
			more = append(more, fmt.Sprintf("about %.0f more picks of each would tell, if it goes on so", w.A))
		case compare.SidesDiffer:
			more = append(more, fmt.Sprintf("left and right differ by %s %%, which is taken out", plain(w.A, 2)))
		case compare.DropsCluster:
			more = append(more, fmt.Sprintf("drops cluster by piece: picks count 1/%s", plain(w.A, 2)))
		case compare.Autocorrelated:
			more = append(more, fmt.Sprintf("picks depend on each other: each is worth %s", plain(w.B, 2)))
		case compare.TooFewPicks:
			more = append(more, fmt.Sprintf("too few independent picks: %.0f of %.0f", w.A, w.B))
		case compare.OtherStarts:
			more = append(more, fmt.Sprintf("%s left out whose start was seen otherwise", picksAre(int(w.A))))
		default:
			more = append(more, w.String())
		}
	}
	if more != nil {
		fmt.Fprintf(&b, " (%s)", strings.Join(more, "; "))
	}
	return b.String()
}

// bound writes an end of an interval with two digits, "any" where it is open.
func bound(x float64) string {
	if math.IsInf(x, 0) {
		return "any"
	}
	return plain(x, 2)
}

// plain writes x with digits significant ones, whole numbers never as powers of ten.
func plain(x float64, digits int) string {
	if a := math.Abs(x); a >= math.Pow(10, float64(digits-1)) && a < 1e9 {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'g', digits, 64)
}

// A levelRow is a line of the table of levels.
type levelRow struct {
	name   string
	picks  int
	pieces int
	first  int
	cells  map[string]string
}

// Compared writes a comparison for people: a table of levels with letters, what was found,
// what could not be told, and the verdicts. With all set, or few effects, every effect gets a
// line; else only differences that were found, and the rest is counted.
func Compared(w io.Writer, t *compare.Trial, c compare.Comparison, verdicts []compare.Verdict, models []compare.Model, all bool) error {
	var rows []*levelRow
	var names, measures []string
	lettered := false
	for _, l := range c.Letters {
		head := l.Measure.Short + " " + l.Measure.Unit
		if !slices.Contains(measures, head) {
			measures = append(measures, head)
		}
		alone := !slices.ContainsFunc(l.Levels, func(v compare.Lettered) bool { return strings.Trim(v.Letters, "a") != "" })
		for _, v := range l.Levels {
			name := v.Level
			if l.Stratum != "" {
				name = l.Stratum + " | " + v.Level
			}
			i := slices.Index(names, name)
			if i < 0 {
				i = len(rows)
				names = append(names, name)
				rows = append(rows, &levelRow{name: name, first: v.First, cells: map[string]string{}})
			}
			rows[i].picks, rows[i].pieces = max(rows[i].picks, v.Picks), max(rows[i].pieces, v.Pieces)
			cell := "–"
			if math.IsInf(v.Middle, 1) {
				cell = "unsealed"
			} else if !math.IsNaN(v.Middle) {
				cell = strconv.FormatFloat(v.Middle*l.Measure.Scale, 'f', places(v.Middle*l.Measure.Scale), 64)
			}
			if !alone {
				cell += " " + v.Letters
				lettered = true
			}
			rows[i].cells[head] = cell
		}
	}
	var letters lettering
	if len(rows) > 0 {
		// In order of time, so that the letters are those of the table of picks.
		slices.SortStableFunc(rows, func(a, b *levelRow) int { return a.first - b.first })
		for i, r := range rows {
			names[i] = r.name
		}
		letters = letterSetups(names)
		tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(tw, "\tpicks\tpieces\t"+strings.Join(measures, "\t"))
		for _, r := range rows {
			line := []string{letters.of[r.name], strconv.Itoa(r.picks), strconv.Itoa(r.pieces)}
			for _, m := range measures {
				line = append(line, r.cells[m])
			}
			fmt.Fprintln(tw, strings.TrimRight(strings.Join(line, "\t"), "\t"))
		}
		if err := tw.Flush(); err != nil {
			return err
		}
		letters.legend(w)
		fmt.Fprint(w, "\nMiddles: medians of times, means of the rest.")
		if lettered {
			fmt.Fprint(w, " Levels with a small letter in common cannot be told apart")
			if c.Tests > 1 {
				fmt.Fprintf(w, ", all %d comparisons taken together; intervals are of each alone", c.Tests)
			}
			fmt.Fprint(w, ".")
		}
		fmt.Fprintln(w)
	}
	if !t.Finished {
		now := len(t.StartsS)
		if t.Current > 0 {
			now--
		}
		fmt.Fprintf(w, "The plan is not finished (%d of %d runs): intervals hold however often you look, and nothing is decided yet.\n", now, len(t.Runs))
	}
	all = all || len(c.Effects) <= 8
	if len(c.Effects) == 0 {
		fmt.Fprintln(w, "There is nothing to compare: no two setups of one "+strings.Join(c.Within, " and ")+".")
	}
	count := map[compare.Finding]int{}
	needed := 0.0
	for _, e := range c.Effects {
		found := e.Finding == compare.Better || e.Finding == compare.Worse
		if !all && !found {
			count[e.Finding]++
			for _, x := range e.Warnings {
				if x.Code == compare.MorePieces {
					needed = max(needed, x.A)
				}
			}
			continue
		}
		where := ""
		if e.Stratum != "" {
			where = e.Stratum + ": "
		}
		fmt.Fprintf(w, "%s%s against %s: %s\n", where, e.A, e.B, SayEffect(e, c.Confidence))
	}
	for _, f := range []compare.Finding{compare.NotApart, compare.OnePiece, compare.Untestable, compare.NotYet} {
		if n := count[f]; n > 0 {
			fmt.Fprintf(w, "%d of %d comparisons: %s.", n, len(c.Effects), f)
			switch {
			case f == compare.OnePiece:
				fmt.Fprint(w, " A general claim takes three pieces of each bag or more.")
			case f == compare.NotApart && needed > 0:
				fmt.Fprintf(w, " Up to %.0f pieces of each would show a difference of 10 %%.", needed)
			}
			fmt.Fprintln(w)
		}
	}
	for _, names := range sameLevels(t) {
		fmt.Fprintf(w, "Setups of the same levels, taken as one: %s. State in what they differ to tell them apart.\n", strings.Join(names, ", "))
	}
	for _, x := range c.Warnings {
		switch x.Code {
		case compare.EnergyMissing:
			fmt.Fprintf(w, "%s without energy: an ejector's needs an air channel at its station, a pump's or blower's a power channel.\n", picksAre(int(x.A)))
		case compare.EnergyUnlike:
			fmt.Fprintln(w, "Stations measure energy by different channels, and the rig does not name their engines: do not compare energies between them.")
		default:
			fmt.Fprintln(w, x)
		}
	}
	if c.Spoiled > 0 {
		fmt.Fprintf(w, "%s marked as spoiled left out; counted, %s.\n", picksAre(c.Spoiled), changed(c.Changes))
	}
	for _, m := range models {
		for _, s := range m.Words {
			fmt.Fprintln(w, s)
		}
	}
	return verdictLines(w, verdicts, letters, c.Confidence)
}

// sameLevels returns the names of setups in use that no factor tells apart.
func sameLevels(t *compare.Trial) (all [][]string) {
	used := map[string]bool{}
	for i := range t.Picks {
		used[t.Picks[i].Setup] = true
	}
	at := map[string]int{}
	for i := range t.Setups {
		s := &t.Setups[i]
		if !used[s.Name] {
			continue
		}
		var key []string
		for _, f := range config.Factors {
			key = append(key, s.Level(f))
		}
		k := strings.Join(key, "\x00")
		if _, ok := at[k]; !ok {
			at[k] = len(all)
			all = append(all, nil)
		}
		all[at[k]] = append(all[at[k]], s.Name)
	}
	return slices.DeleteFunc(all, func(names []string) bool { return len(names) < 2 })
}

func picksAre(n int) string {
	if n == 1 {
		return "1 pick"
	}
	return fmt.Sprintf("%d picks", n)
}

// changed says what the spoiled picks would change.
func changed(all []compare.Change) string {
	if len(all) == 0 {
		return "no comparison would end otherwise"
	}
	var parts []string
	for _, x := range all {
		e, where := x.Effect, ""
		if e.Stratum != "" {
			where = e.Stratum + ", "
		}
		parts = append(parts, fmt.Sprintf("%s%s of %s against %s would be %q, not %q", where, e.Measure.Words, e.A, e.B, e.Finding, x.Was))
	}
	return strings.Join(parts, "; ")
}

func places(x float64) int {
	switch x = math.Abs(x); {
	case x >= 100, x == 0:
		return 0
	case x >= 10:
		return 1
	case x >= 1:
		return 2
	}
	return 3
}

// stateThem says how a recorded trial gets what its setups must hold.
const stateThem = "State them in a copy of the trial file;\ngriptrial reanalyse --trial judges the picks by it, without recording again, and --set shows that."

// verdictLines writes a table: a line a setup, a column a requirement.
func verdictLines(w io.Writer, verdicts []compare.Verdict, letters lettering, confidence float64) error {
	var asked []compare.Criterion // each once
	for _, v := range verdicts {
		for _, c := range v.Criteria {
			if !slices.ContainsFunc(asked, func(x compare.Criterion) bool { return x.Name == c.Name }) {
				asked = append(asked, c)
			}
		}
	}
	if asked == nil {
		_, err := fmt.Fprintln(w, "\nThe trial states no seal_time, vacuum min or drops to hold: no verdict. "+stateThem)
		return err
	}
	fmt.Fprintln(w)
	place := func(v compare.Verdict) int {
		if i := slices.Index(letters.order, v.Setup); i >= 0 {
			return i
		}
		return len(letters.order)
	}
	verdicts = slices.SortedStableFunc(slices.Values(verdicts), func(a, b compare.Verdict) int { return place(a) - place(b) })
	remarks := map[string]int{} // said below once where all setups have them
	said := func(v compare.Verdict) []string {
		var all []string
		for _, x := range v.Warnings {
			switch x.Code {
			case compare.SpoiledMatters:
				all = append(all, fmt.Sprintf("with the %s marked as spoiled: %s", picksAre(v.Spoiled), v.WithSpoiled))
			case compare.GapsMatter:
				all = append(all, fmt.Sprintf("without the %s touched by gaps: %s", picksAre(v.Touched), v.Untouched))
			default:
				all = append(all, x.String())
			}
		}
		if v.Spoiled > 0 && v.WithSpoiled == v.Answer {
			all = append(all, fmt.Sprintf("with the %s marked as spoiled it is the same", picksAre(v.Spoiled)))
		}
		for _, c := range v.Criteria {
			for _, x := range c.Warnings {
				if x.Code == compare.DropsCluster {
					all = append(all, fmt.Sprintf("%s: failures cluster, picks count 1/%s", c.Name, plain(x.A, 2)))
				}
			}
			if c.Rule != "" {
				all = append(all, c.Rule)
			}
		}
		return all
	}
	for _, v := range verdicts {
		for _, s := range said(v) {
			remarks[s]++
		}
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	head := "setup\tpicks\tpieces"
	each := slices.ContainsFunc(verdicts, func(v compare.Verdict) bool { return v.RequiredKPa != verdicts[0].RequiredKPa })
	if each {
		head += "\trequired kPa"
	}
	head += "\trequirement"
	for _, c := range asked {
		head += "\t" + c.Name
	}
	fmt.Fprintln(t, head+"\tto show it\tremarks")
	for _, v := range verdicts {
		name, ok := letters.of[v.Setup]
		if !ok {
			name = v.Setup
		}
		line := []string{name, strconv.Itoa(v.Picks), strconv.Itoa(v.Pieces)}
		if each {
			line = append(line, sig(v.RequiredKPa))
		}
		line = append(line, string(v.Answer))
		need := 0
		for _, a := range asked {
			cell := "–"
			for _, c := range v.Criteria {
				if c.Name == a.Name {
					cell = sayCriterion(c)
					if c.Answer == compare.NotShown {
						need = max(need, c.Needed)
					}
				}
			}
			line = append(line, cell)
		}
		more := ""
		if need > v.Picks && v.Answer == compare.NotShown {
			more = fmt.Sprintf("%d picks", need)
		}
		var own []string
		for _, s := range said(v) {
			if remarks[s] < len(verdicts) {
				own = append(own, s)
			}
		}
		fmt.Fprintln(t, strings.TrimRight(strings.Join(append(line, more, strings.Join(own, "; ")), "\t"), "\t"))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	var must []string
	if !each {
		must = append(must, "a seal at "+sig(verdicts[0].RequiredKPa)+" kPa")
	}
	for _, c := range asked {
		share := strconv.FormatFloat(100*c.Share, 'g', 3, 64) + " %"
		switch c.Name {
		case "seal time":
			must = append(must, fmt.Sprintf("at most %s seal later than %s ms", share, sig(1e3*c.Limit)))
		case "lowest vacuum":
			must = append(must, fmt.Sprintf("at most %s fall below %s kPa", share, sig(c.Limit)))
		default:
			must = append(must, "at most "+share+" drop")
		}
	}
	shape := ""
	if slices.ContainsFunc(verdicts, func(v compare.Verdict) bool {
		return slices.ContainsFunc(v.Criteria, func(c compare.Criterion) bool { return c.ByLimit() })
	}) {
		shape = "; n: by the normal limit, within which the required share of all picks stays"
	}
	fmt.Fprintf(w, "\nRequired at %g %% confidence: %s. Failed of how many, with the bound of the rate in brackets%s.\n", 100*confidence, strings.Join(must, ", "), shape)
	for _, v := range verdicts[:1] {
		for _, s := range said(v) {
			if remarks[s] == len(verdicts) {
				fmt.Fprintf(w, "Of every setup: %s.\n", s)
			}
		}
	}
	return nil
}

// sayCriterion says an answer with its reason: "holds, 0 of 120 (≤ 2.5 %)", "holds, 0 of 10
// (n 84 ms)".
func sayCriterion(c compare.Criterion) string {
	s := fmt.Sprintf("%s, %d of %d", c.Answer, c.Failed, c.Picks)
	switch {
	case c.ByLimit() && c.Name == "seal time":
		s += " (n " + sig(1e3*c.Normal) + " ms)"
	case c.ByLimit():
		s += " (n " + sig(c.Normal) + " kPa)"
	case c.Rate.OK():
		s += fmt.Sprintf(" (≤ %s %%)", bound(100*c.Rate.Hi))
	}
	return s
}

// EffectsCSV writes one line an effect.
func EffectsCSV(w io.Writer, c compare.Comparison) error {
	out := csv.NewWriter(w)
	out.Write([]string{"measure", "unit", "within", "a", "b", "finding", "percent", "percent_lo", "percent_hi", "absolute", "absolute_lo", "absolute_hi",
		"p", "p_adjusted", "method", "block", "blocks_a", "blocks_b", "warnings"})
	for _, e := range c.Effects {
		a := scaled(e.Absolute, e.Measure.Scale)
		out.Write([]string{e.Measure.Name, e.Measure.Unit, e.Stratum, e.A, e.B, string(e.Finding), cell(e.Percent.Value), cell(e.Percent.Lo), cell(e.Percent.Hi),
			cell(a.Value), cell(a.Lo), cell(a.Hi), cell(e.P), cell(e.Adjusted), e.Method, e.Block, strconv.Itoa(e.NA), strconv.Itoa(e.NB),
			strings.Join(warnings(e.Warnings, e.Percent.Warnings), "; ")})
	}
	out.Flush()
	return out.Error()
}

// VerdictsCSV writes one line a setup and requirement.
func VerdictsCSV(w io.Writer, verdicts []compare.Verdict) error {
	out := csv.NewWriter(w)
	out.Write([]string{"setup", "answer", "picks", "pieces", "spoiled", "with_spoiled", "touched_by_gap", "without_touched",
		"criterion", "limit", "max_share", "criterion_answer", "criterion_picks", "failed", "rate", "rate_lo", "rate_hi", "independent_picks", "tolerance_limit", "tolerance_limit_normal", "picks_needed", "warnings"})
	for _, v := range verdicts {
		head := []string{v.Setup, string(v.Answer), strconv.Itoa(v.Picks), strconv.Itoa(v.Pieces), strconv.Itoa(v.Spoiled), string(v.WithSpoiled), strconv.Itoa(v.Touched), string(v.Untouched)}
		if len(v.Criteria) == 0 {
			out.Write(append(head, append(make([]string, 13), strings.Join(warnings(v.Warnings), "; "))...))
		}
		for _, c := range v.Criteria {
			out.Write(append(head[:len(head):len(head)], c.Name, cell(c.Limit), cell(c.Share), string(c.Answer), strconv.Itoa(c.Picks), strconv.Itoa(c.Failed),
				cell(c.Rate.Value), cell(c.Rate.Lo), cell(c.Rate.Hi), cell(c.Worth), cell(c.Free), cell(c.Normal), strconv.Itoa(c.Needed), strings.Join(warnings(v.Warnings, c.Warnings), "; ")))
		}
	}
	out.Flush()
	return out.Error()
}

// cell writes a number for CSV, nothing where it cannot be had.
func cell(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}
