package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/engine"
	"griptrial/analyze/lift"
	"griptrial/record"
	"griptrial/store"
)

// An EngineJSON is engines on a measured leak. For several leaks (cups, bags) Leaks has one of
// these for each, and the fields beside it are those of the first.
type EngineJSON struct {
	Name            string         `json:"name,omitempty"` // of the leak: bag and cup
	Bag             string         `json:"bag,omitempty"`
	RequiredKPa     analyze.Number `json:"required_kPa"`
	AmbientKPa      analyze.Number `json:"ambient_kPa"`
	Leak            LeakJSON       `json:"leak"`
	Engines         []MatchJSON    `json:"engines"`
	Cheapest        *string        `json:"cheapest"`         // of those that are shown to hold, else that hold; null for none
	CheapestCentral bool           `json:"cheapest_central"` // as one engine for all circuits
	Shown           bool           `json:"shown"`            // that the cheapest holds, by its whole interval
	Volume          *CircuitJSON   `json:"volume"`
	Leaks           []EngineJSON   `json:"leaks,omitempty"`
	BetterCup       []string       `json:"better_cup,omitempty"`
	Confirmed       []ConfirmJSON  `json:"confirmed,omitempty"`
	Remarks         []string       `json:"remarks"`
	Curves          CurvesJSON     `json:"curves"`
	Cautions        []string       `json:"cautions"`

	answer engine.Answer
}

// CurvesJSON are the curves to draw, over vacuum at the cup.
type CurvesJSON struct {
	Vacuum  []analyze.Number   `json:"vacuum_kPa"`
	Leak    []analyze.Number   `json:"leak_Lmin"`
	LeakLo  []analyze.Number   `json:"leak_lo_Lmin"` // 95 %
	LeakHi  []analyze.Number   `json:"leak_hi_Lmin"`
	Engines [][]analyze.Number `json:"engines_Lmin"` // in the order of the engines; null beyond a curve's end
}

// A LeakJSON is a fitted leak law.
type LeakJSON struct {
	Law         engine.Law      `json:"law"`
	K           analyze.Number  `json:"k"` // L/min ANR per kPaⁿ
	N           analyze.Number  `json:"n"`
	SeK         analyze.Number  `json:"se_k"` // null where the points do not tell
	SeN         analyze.Number  `json:"se_n"`
	CovKN       analyze.Number  `json:"cov_kn"`
	Dof         analyze.Number  `json:"degrees_of_freedom"` // null for infinitely many
	Settings    int             `json:"settings"`
	TestedToKPa analyze.Number  `json:"tested_to_kPa"`
	Points      []LeakPointJSON `json:"points"`
	Left        []string        `json:"settings_that_few_held,omitempty"` // their leak tells of the tightest pieces only
	Others      []LeakJSON      `json:"other_laws,omitempty"`             // that the points do not rule out
}

// A LeakPointJSON is a measured leak.
type LeakPointJSON struct {
	Setting string         `json:"setting,omitempty"`
	Vacuum  analyze.Number `json:"vacuum_kPa"`
	VacuumU analyze.Number `json:"vacuum_u_kPa"`
	Flow    analyze.Number `json:"flow_Lmin"`
	FlowU   analyze.Number `json:"flow_u_Lmin"`
	Source  string         `json:"source"`

	Exponent  analyze.Number `json:"exponent"` // of the law, from the course of a leak-down; null for none
	ExponentU analyze.Number `json:"exponent_u"`
}

// A MatchJSON is one engine on the leak.
type MatchJSON struct {
	Name         string         `json:"name"`
	Kind         string         `json:"kind"`
	Vacuum       analyze.Number `json:"operating_vacuum_kPa"`
	VacuumU      analyze.Number `json:"operating_vacuum_u_kPa"`
	VacuumLo     analyze.Number `json:"operating_vacuum_lo_kPa"` // 95 %
	VacuumHi     analyze.Number `json:"operating_vacuum_hi_kPa"`
	Linear       analyze.Number `json:"operating_vacuum_linear_kPa"` // straight lines between the curve's points
	EngineVacuum analyze.Number `json:"engine_vacuum_kPa"`
	Extrapolated bool           `json:"extrapolated"`
	Warnings     []string       `json:"warnings"`
	WorkJSON
	Central *WorkJSON `json:"central,omitempty"` // one engine for all circuits
}

// A WorkJSON is what an arrangement of engines does.
type WorkJSON struct {
	Flow       analyze.Number `json:"flow_Lmin"`
	Holds      bool           `json:"holds"`
	Shown      bool           `json:"shown"`
	Margin     analyze.Number `json:"margin_kPa"`
	Air        analyze.Number `json:"air_Lmin"`
	Power      analyze.Number `json:"power_W"`
	SealTime   analyze.Figure `json:"seal_time_s"`
	PickJ      analyze.Number `json:"energy_per_pick_J"`
	YearKWh    analyze.Number `json:"energy_per_year_kWh"`
	HoldsShutS analyze.Number `json:"holds_with_supply_shut_s"`
	CentralKPa analyze.Number `json:"vacuum_kPa"`
}

// A CircuitJSON is the circuit's volume.
type CircuitJSON struct {
	VolumeL  analyze.Number `json:"volume_L"`
	VolumeU  analyze.Number `json:"volume_u_L"`
	Measured bool           `json:"from_seal_times"`
}

// A ConfirmJSON is a prediction beside a measurement.
type ConfirmJSON struct {
	Leak        string         `json:"leak"`
	Engine      string         `json:"engine"`
	PredictedKP analyze.Figure `json:"predicted_vacuum_kPa"`
	MeasuredKP  analyze.Figure `json:"measured_vacuum_kPa"`
	Within      *bool          `json:"within"` // the intervals meet
	PredictedS  analyze.Figure `json:"predicted_seal_time_s"`
	MeasuredS   analyze.Number `json:"measured_seal_time_s"` // median
	SealWithin  *bool          `json:"seal_time_within"`     // the median lies in the predicted interval
}

func num(x float64) analyze.Number { return analyze.Number(x) }

func leakJSON(f engine.Fit) LeakJSON {
	j := LeakJSON{Law: f.Law, K: num(f.K), N: num(f.N), SeK: num(f.SeK()), SeN: num(f.SeN()), CovKN: num(f.Cov[0][1]), Dof: num(f.Dof),
		Settings: f.Settings, TestedToKPa: num(f.TestedToKPa), Points: []LeakPointJSON{}}
	for _, o := range f.Others {
		j.Others = append(j.Others, leakJSON(o))
	}
	return j
}

func workJSON(w engine.Work) WorkJSON {
	return WorkJSON{num(w.FlowLminANR), w.Holds, w.Shown, num(w.MarginKPa), num(w.AirLminANR), num(w.PowerW), w.SealTimeS,
		num(w.PickJ), num(w.YearKWh), num(w.HoldsShutS), num(w.VacuumKPa.Value)}
}

// MatchEngines answers a question about leaks as JSON: the one way of the command, the page and
// reports. Every error is about the leaks or the question.
func MatchEngines(leaks []engine.MeasuredLeak, q engine.Question) (EngineJSON, error) {
	var out EngineJSON
	for i, l := range leaks {
		a, err := q.Answer(l)
		if err != nil {
			return EngineJSON{}, fmt.Errorf("%s: %w", l.Name, err)
		}
		e := answerJSON(a)
		if i == 0 {
			out = e
		}
		out.Leaks = append(out.Leaks, e)
	}
	if len(leaks) == 1 {
		out.Leaks = nil
	} else {
		out.betterCups()
	}
	out.Remarks = append(out.Remarks, fmt.Sprintf("compressed air at %.4g kWh/m³ ANR; plants lie from %.2f to %.2f, the user's own meter comes first",
		q.Cycle.SpecificEnergyKWhM3, engine.LowSpecificEnergyKWhM3, engine.HighSpecificEnergyKWhM3))
	switch {
	case math.IsNaN(q.Cycle.PicksPerMinute) && !math.IsNaN(q.Cycle.HoursPerYear):
		out.Remarks = append(out.Remarks, "no J a pick and no kWh a year: they take the picks a minute (--picks)")
	case math.IsNaN(q.Cycle.PicksPerMinute):
		out.Remarks = append(out.Remarks, "no J a pick: it takes the picks a minute (--picks)")
	}
	if out.Volume == nil {
		out.Remarks = append(out.Remarks, "no seal time: it takes the volume of cups and hoses (--volume)")
	}
	if math.IsNaN(q.Cycle.SupplyOnS) && !math.IsNaN(q.Cycle.PicksPerMinute) {
		out.Remarks = append(out.Remarks, "no time that the supply is on: ejectors are taken to run the whole cycle")
	}
	if q.Circuits > 1 {
		out.Remarks = append(out.Remarks, "one for all: a cup that misses its bag takes the vacuum of the others, too")
	}
	if q.LeakFactor != 1 {
		out.Remarks = append(out.Remarks, fmt.Sprintf("what if: %.3g times the measured leak", q.LeakFactor))
	}
	if !math.IsNaN(q.AirPressureKPa) {
		out.Remarks = append(out.Remarks, fmt.Sprintf("what if: %.4g bar of compressed air. %s; measure before you build on it", q.AirPressureKPa/100, airPressureModel))
		for _, c := range q.Candidates {
			if c.Kind == "ejector" && math.IsNaN(c.AirPressureKPa) {
				out.Remarks = append(out.Remarks, c.Name+": its air_pressure is not stated, so that its curve stays as it is")
			}
		}
	}
	return out, nil
}

// airPressureModel says how an ejector's curve follows its air pressure.
const airPressureModel = "An ejector's flow and deepest vacuum are taken to fall in proportion to the gauge pressure and not to grow above that of its curve, its air to follow the absolute pressure"

// MatchTrial is MatchEngines on a recorded trial: an analysis of file, whose words for itself is
// name. A rate, or an ambient, that the question leaves open (NaN) is the trial's.
func MatchTrial(file *store.Trial, name string, set int, q engine.Question) (EngineJSON, error) {
	t, err := record.TestedSetups(file, name, set)
	if err != nil {
		return EngineJSON{}, err
	}
	if math.IsNaN(q.Cycle.PicksPerMinute) {
		q.Cycle.PicksPerMinute = t.Trial.Requirement.PicksPerMinute
	}
	ambientFrom := ""
	if math.IsNaN(q.AmbientKPa) {
		if q.AmbientKPa, ambientFrom = t.AmbientKPa, "as the trial's rig file states"; math.IsNaN(q.AmbientKPa) {
			q.AmbientKPa, ambientFrom = lift.SeaLevelKPa, SeaLevel
		}
	}
	leaks, err := q.Leaks(t.Setups)
	if err != nil {
		return EngineJSON{}, fmt.Errorf("%s: %w", name, err)
	}
	j, err := MatchEngines(leaks, q)
	if err != nil {
		return EngineJSON{}, err
	}
	var told []string
	for _, l := range leaks {
		told = append(told, l.Name)
	}
	for _, s := range t.Setups {
		if name := engine.NameOf(s.Setup); !slices.Contains(told, name) {
			told = append(told, name)
			j.Remarks = append(j.Remarks, name+": no leak is told: no flow above 0 in the hold, no leak-down with a volume, no tested engine with a known curve")
		}
	}
	if ambientFrom != "" {
		j.Remarks = append(j.Remarks, "ambient: "+ambientFrom)
	}
	return j, nil
}

// SeaLevel says where the ambient pressure is from when nobody stated it.
const SeaLevel = "standard atmosphere at sea level, no altitude stated"

// answerJSON returns an answer as JSON.
func answerJSON(a engine.Answer) EngineJSON {
	fit, need := a.Fit, a.Need
	d := engine.Draw(a.Matches, fit, 101)
	j := EngineJSON{Name: a.Leak.Name, RequiredKPa: num(need.RequiredKPa), AmbientKPa: num(need.AmbientKPa), Leak: leakJSON(fit), Engines: []MatchJSON{},
		Curves: CurvesJSON{nums(d.VacuumKPa), nums(d.Leak), nums(d.LeakLo), nums(d.LeakHi), nil}, Remarks: []string{}, Cautions: Cautions, answer: a}
	if len(a.Leak.Tested) > 0 {
		j.Bag = a.Leak.Tested[0].Setup.Bag
	}
	for i, p := range a.Leak.Points {
		x := LeakPointJSON{Vacuum: num(p.VacuumKPa), VacuumU: num(p.VacuumU), Flow: num(p.FlowLminANR), FlowU: num(p.FlowU), Source: p.Source,
			Exponent: num(math.NaN()), ExponentU: num(math.NaN())}
		if p.ExponentU > 0 {
			x.Exponent, x.ExponentU = num(p.Exponent), num(p.ExponentU)
		}
		if a.Leak.Settings != nil {
			x.Setting = a.Leak.Settings[i]
		}
		j.Leak.Points = append(j.Leak.Points, x)
	}
	for i, m := range a.Matches {
		f := m.Operating.VacuumKPa
		x := MatchJSON{Name: m.Of.Name, Kind: m.Of.Kind, Vacuum: num(f.Value), VacuumU: num(f.U), VacuumLo: num(f.Lo), VacuumHi: num(f.Hi),
			Linear: num(m.Operating.LinearKPa), EngineVacuum: num(m.Operating.EngineVacuumKPa), Extrapolated: m.Operating.BeyondTested, Warnings: []string{}, WorkJSON: workJSON(m.Work)}
		for _, w := range f.Warnings {
			x.Warnings = append(x.Warnings, w.String())
		}
		if need.Circuits > 1 {
			c := workJSON(m.Central)
			x.Central = &c
		}
		j.Engines = append(j.Engines, x)
		j.Curves.Engines = append(j.Curves.Engines, nums(d.Engines[i]))
	}
	if best, central, shown := engine.Cheapest(a.Matches); best >= 0 {
		j.Cheapest, j.CheapestCentral, j.Shown = &a.Matches[best].Of.Name, central && need.Circuits > 1, shown
	}
	j.Leak.Left = a.Leak.Left
	if need.Circuit.VolumeL > 0 {
		j.Volume = &CircuitJSON{num(need.Circuit.VolumeL), num(need.Circuit.VolumeU), need.Circuit.Measured}
	}
	return j
}

func nums(x []float64) []analyze.Number {
	out := make([]analyze.Number, len(x))
	for i := range x {
		out[i] = num(x[i])
	}
	return out
}

// AllShown reports whether every leak has an engine that is shown to hold, by its whole interval.
func (j EngineJSON) AllShown() bool {
	for _, e := range j.all() {
		if !e.Shown {
			return false
		}
	}
	return true
}

// all returns one for each leak.
func (j EngineJSON) all() []EngineJSON {
	if len(j.Leaks) == 0 {
		return []EngineJSON{j}
	}
	return j.Leaks
}

// betterCups says, for leaks of the same bag, what each leak's cheapest engine takes beside the
// dearest leak's, where it is less; without a cycle which engine each takes, where they differ.
func (j *EngineJSON) betterCups() {
	bags := map[string][]EngineJSON{}
	var order []string
	for _, e := range j.Leaks {
		if bags[e.Bag] == nil {
			order = append(order, e.Bag)
		}
		bags[e.Bag] = append(bags[e.Bag], e)
	}
	for _, bag := range order {
		j.BetterCup = append(j.BetterCup, better(bags[bag])...)
	}
}

// better compares leaks of one bag.
func better(leaks []EngineJSON) (lines []string) {
	energy := func(e EngineJSON) float64 {
		for _, m := range e.Engines {
			if e.Cheapest != nil && m.Name == *e.Cheapest {
				if e.CheapestCentral {
					return float64(m.Central.PickJ)
				}
				return float64(m.PickJ)
			}
		}
		return math.NaN()
	}
	engineOf := func(e EngineJSON) string {
		if e.Cheapest == nil {
			return ""
		}
		return *e.Cheapest
	}
	worst, most, differ := -1, 0.0, false
	for i, e := range leaks {
		differ = differ || engineOf(e) != engineOf(leaks[0])
		if x := energy(e); x > most {
			worst, most = i, x
		}
	}
	for i, e := range leaks {
		x := energy(e)
		switch {
		case e.Cheapest == nil && differ:
			lines = append(lines, fmt.Sprintf("with %s no engine holds", e.Name))
		case math.IsNaN(x) && differ:
			lines = append(lines, fmt.Sprintf("with %s the %s holds", e.Name, *e.Cheapest))
		case i != worst && x < 0.99*most:
			lines = append(lines, fmt.Sprintf("with %s the %s holds, at %.0f %% of the energy that %s needs with the %s", e.Name, *e.Cheapest, 100*x/most, leaks[worst].Name, *leaks[worst].Cheapest))
		}
	}
	return lines
}

// WriteEngines writes engines on leaks.
func WriteEngines(w io.Writer, j EngineJSON) error {
	for _, e := range j.all() {
		if err := e.write(w); err != nil {
			return err
		}
	}
	for _, s := range j.BetterCup {
		fmt.Fprintf(w, "%s\n", s)
	}
	if len(j.Confirmed) > 0 {
		fmt.Fprintln(w, "\npredicted against measured")
		tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(tw, "leak\tengine\tpredicted kPa\t95 %\tmeasured kPa\tagree\tpredicted seal ms\t95 %\tmeasured ms\tagree")
		agree := func(within *bool) string {
			switch {
			case within == nil:
				return "–"
			case *within:
				return "yes"
			}
			return "NO"
		}
		interval := func(f analyze.Figure, times float64) string {
			if !f.OK() {
				return "–"
			}
			return fmt.Sprintf("%.4g to %s", f.Lo*times, dash(f.Hi*times, "%.4g"))
		}
		for _, c := range j.Confirmed {
			fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", c.Leak, c.Engine, Digits(c.PredictedKP, 1), interval(c.PredictedKP, 1), Digits(c.MeasuredKP, 1), agree(c.Within),
				Digits(c.PredictedS, 1000), interval(c.PredictedS, 1000), dash(float64(c.MeasuredS)*1000, "%.0f"), agree(c.SealWithin))
		}
		if err := tw.Flush(); err != nil {
			return err
		}
		fmt.Fprintln(w, plusMinus)
	}
	for _, s := range j.Remarks {
		fmt.Fprintf(w, "- %s\n", s)
	}
	return cautions(w)
}

func dash(x float64, format string) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "–"
	}
	return fmt.Sprintf(format, x)
}

func (j EngineJSON) write(w io.Writer) error {
	if j.Name != "" {
		fmt.Fprintf(w, "%s\n", j.Name)
	}
	l := j.Leak
	settings := "one setting"
	if l.Settings > 1 {
		settings = fmt.Sprintf("%d settings", l.Settings)
	}
	fmt.Fprintf(w, "leak: %s law, k %.4g L/min ANR per kPa^n (± %s), n %.3f (± %s); %s, tested to %.4g kPa\n",
		l.Law, l.K, dash(float64(l.SeK), "%.2g"), l.N, dash(float64(l.SeN), "%.2g"), settings, l.TestedToKPa)
	sources := map[string]int{}
	for _, p := range l.Points {
		sources[p.Source]++
		if sources[p.Source] == 1 {
			fmt.Fprintf(w, "  from %s\n", p.Source)
		}
	}
	for _, s := range l.Left {
		fmt.Fprintf(w, "  at %s fewer than 9 of 10 picks held: their leak would tell of the tightest pieces only\n", s)
	}
	if len(l.Others) > 0 {
		var names []string
		for _, o := range l.Others {
			names = append(names, string(o.Law))
		}
		fmt.Fprintf(w, "  not ruled out, and in the intervals: %s\n", strings.Join(names, ", "))
	}
	fmt.Fprintf(w, "required %.4g kPa, ambient %.4g kPa\n\n", j.RequiredKPa, j.AmbientKPa)
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "\tengine\tvacuum kPa\t95 %\tmargin\tholds\tflow L/min\tair L/min\tpower W\tseal ms\tJ a pick\tkWh a year\tshut s")
	for i, m := range j.Engines {
		holds := func(w WorkJSON) string {
			switch {
			case w.Shown:
				return "yes"
			case w.Holds:
				return "not shown"
			}
			return "no"
		}
		mark := ""
		if m.Extrapolated {
			mark = " extrapolated"
		}
		fmt.Fprintf(tw, "%c\t%s\t%.1f\t%.1f to %.1f%s\t%+.1f\t%s\t%.1f\t%s\t%s\t%s\t%s\t%s\t%s\n", 'A'+rune(i%26), m.Name, m.Vacuum, m.VacuumLo, m.VacuumHi, mark, m.Margin, holds(m.WorkJSON), m.Flow,
			dash(float64(m.Air), "%.0f"), dash(float64(m.Power), "%.0f"), Digits(m.SealTime, 1000), dash(float64(m.PickJ), "%.0f"), dash(float64(m.YearKWh), "%.0f"), dash(float64(m.HoldsShutS), "%.2f"))
		if c := m.Central; c != nil {
			fmt.Fprintf(tw, "\t  one for all\t%.1f\t\t%+.1f\t%s\t%.1f\t%s\t%s\t%s\t%s\t%s\t\n", c.CentralKPa, c.Margin, holds(*c), c.Flow, dash(float64(c.Air), "%.0f"), dash(float64(c.Power), "%.0f"),
				Digits(c.SealTime, 1000), dash(float64(c.PickJ), "%.0f"), dash(float64(c.YearKWh), "%.0f"))
		}
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w, plusMinus)
	all := ""
	if j.CheapestCentral {
		all = ", one for all circuits"
	}
	switch {
	case j.Cheapest == nil:
		fmt.Fprintln(w, "\nno engine holds")
	case j.Shown:
		fmt.Fprintf(w, "\nthe cheapest that holds: %s%s\n", *j.Cheapest, all)
	default:
		fmt.Fprintf(w, "\nthe cheapest that holds by its value: %s%s; the points do not show it: measure at more settings\n", *j.Cheapest, all)
	}
	j.plot(w)
	return nil
}

// plot writes the curves as characters: engines A, B …, the leak as *, the required vacuum as |.
func (j EngineJSON) plot(w io.Writer) {
	const columns, rows = 64, 14
	d := j.Curves
	n := len(d.Vacuum)
	if n < 2 {
		return
	}
	top, deepest := j.mostFlow(), float64(d.Vacuum[n-1])
	var grid [rows][columns]rune
	for r := range grid {
		for c := range grid[r] {
			grid[r][c] = ' '
		}
	}
	put := func(i int, q float64, mark rune) {
		if r := rows - 1 - int(math.Round(q/top*(rows-1))); r >= 0 && r < rows {
			grid[r][int(math.Round(float64(d.Vacuum[i])/deepest*(columns-1)))] = mark
		}
	}
	if c := int(math.Round(float64(j.RequiredKPa) / deepest * (columns - 1))); c >= 0 && c < columns {
		for r := range grid {
			grid[r][c] = '|'
		}
	}
	for k := range d.Engines {
		for i, q := range d.Engines[k] {
			if q := float64(q); !math.IsNaN(q) {
				put(i, q, 'A'+rune(k%26))
			}
		}
	}
	for i, q := range d.Leak {
		put(i, float64(q), '*')
	}
	fmt.Fprintf(w, "\nL/min ANR; * leak, | required\n")
	for r := range grid {
		label := ""
		if r == 0 || r == rows-1 {
			label = fmt.Sprintf("%.3g", top*float64(rows-1-r)/(rows-1))
		}
		fmt.Fprintf(w, "%6s ┤%s\n", label, strings.TrimRight(string(grid[r][:]), " "))
	}
	fmt.Fprintf(w, "%6s 0%*s kPa\n\n", "", columns-1, fmt.Sprintf("%.3g", deepest))
}

// mostFlow returns the top of a plot: four times the largest operating flow, at most all.
func (j EngineJSON) mostFlow() float64 {
	all, at := 0.0, 0.0
	for _, e := range j.Curves.Engines {
		all = max(all, float64(e[0]))
	}
	for _, m := range j.Engines {
		at = max(at, float64(m.Flow))
	}
	return max(min(all, 4*at), 1e-9)
}
