package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// Digits returns value and uncertainty as "84.2 ± 1.2": the uncertainty with two digits
// where it begins with 1 or 2 and else with one, the value as far as the uncertainty goes.
// Both are multiplied by scale first. A figure that cannot be had is "–".
func Digits(f analyze.Figure, scale float64) string {
	if !f.OK() {
		return "–"
	}
	v, u := f.Value*scale, f.U*scale
	if !(u > 0) {
		return strconv.FormatFloat(v, 'g', 4, 64)
	}
	places := Places(u)
	return fmt.Sprintf("%.*f ± %.*f", places, v, places, u)
}

// Places returns the decimal places that a number with uncertainty u deserves.
func Places(u float64) int {
	e := math.Floor(math.Log10(u))
	if u/math.Pow(10, e) < 2.95 {
		e--
	}
	return max(0, int(-e))
}

var marks = map[pick.Outcome]string{
	pick.Released: "● released", pick.Dropped: "✕ dropped", pick.Unsealed: "○ unsealed",
	pick.Ended: "◐ ended", pick.Open: "… open",
}

// A Row is a pick and the name of its setup, "" where none was planned.
type Row struct {
	pick.Pick
	Setup string
	Trace []float64 // vacuum over the pick in equal parts, kPa; nil where not known
}

// Picks writes a table of picks, one a line, without columns that hold nothing. Setups are
// letters, told below the table.
func Picks(w io.Writer, rows []Row) error {
	var names []string
	for _, r := range rows {
		names = append(names, r.Setup)
	}
	letters := letterSetups(names)
	deepest := 0.0
	for _, r := range rows {
		for _, v := range r.Trace {
			if v > deepest {
				deepest = v
			}
		}
	}
	type column struct {
		head string
		cell func(r Row) string
	}
	fig := func(head string, scale float64, f func(p *pick.Pick) *analyze.Figure) column {
		return column{head, func(r Row) string { return Digits(*f(&r.Pick), scale) }}
	}
	cols := []column{
		{"station", func(r Row) string { return r.Station }},
		{"pick", func(r Row) string { return strconv.Itoa(r.N) }},
		{"group", func(r Row) string { return r.Group }},
		{"setup", func(r Row) string { return letters.of[r.Setup] }},
		{"outcome", func(r Row) string { return outcome(r.Pick) }},
		{"vacuum", func(r Row) string { return Spark(r.Trace, deepest) }},
		{"start s", func(r Row) string { return instant(r.StartS) }},
		fig("response ms", 1e3, func(p *pick.Pick) *analyze.Figure { return &p.ResponseDelayS }),
		fig("seal ms", 1e3, func(p *pick.Pick) *analyze.Figure { return &p.SealTimeS }),
		{"from", func(r Row) string { return r.SealFrom }},
		fig("hold kPa", 1, func(p *pick.Pick) *analyze.Figure { return &p.HoldVacuumKPa }),
		fig("lowest kPa", 1, func(p *pick.Pick) *analyze.Figure { return &p.LowestVacuumKPa }),
		fig("leak L/min ANR", 1, func(p *pick.Pick) *analyze.Figure { return &p.LeakFlowLminANR }),
		fig("leak-down kPa/s", 1, func(p *pick.Pick) *analyze.Figure { return &p.LeakDownKPaS }),
		fig("at required L/min ANR", 1, func(p *pick.Pick) *analyze.Figure { return &p.LeakAtRequiredLminANR }),
		fig("re-evacuations /min", 1, func(p *pick.Pick) *analyze.Figure { return &p.ReEvacuationsPerMin }),
		fig("duty %", 100, func(p *pick.Pick) *analyze.Figure { return &p.DutyShare }),
		fig("part present ms", 1e3, func(p *pick.Pick) *analyze.Figure { return &p.PartPresentDelayS }),
		fig("release ms", 1e3, func(p *pick.Pick) *analyze.Figure { return &p.ReleaseTimeS }),
		fig("energy J", 1, func(p *pick.Pick) *analyze.Figure { return &p.EnergyJ }),
		{"remarks", remarks},
	}
	cols = slices.DeleteFunc(cols, func(c column) bool {
		return !slices.ContainsFunc(rows, func(r Row) bool { s := c.cell(r); return s != "" && s != "–" })
	})
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	var line []string
	for _, c := range cols {
		line = append(line, c.head)
	}
	fmt.Fprintln(t, strings.Join(line, "\t"))
	for _, r := range rows {
		line = line[:0]
		for _, c := range cols {
			line = append(line, c.cell(r))
		}
		fmt.Fprintln(t, strings.TrimRight(strings.Join(line, "\t"), "\t"))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	letters.legend(w)
	return nil
}

// A lettering gives setups letters in the order of first appearance.
type lettering struct {
	of    map[string]string
	order []string
}

func letterSetups(names []string) lettering {
	l := lettering{of: map[string]string{"": ""}}
	for _, name := range names {
		if _, ok := l.of[name]; !ok {
			l.of[name] = letter(len(l.order))
			l.order = append(l.order, name)
		}
	}
	return l
}

// legend writes a line a setup, after a blank one.
func (l lettering) legend(w io.Writer) {
	for i, name := range l.order {
		if i == 0 {
			fmt.Fprintln(w)
		}
		fmt.Fprintf(w, "%s  %s\n", l.of[name], name)
	}
}

// letter returns A to Z, then AA, AB and so on, for n from 0.
func letter(n int) string {
	s := string(rune('A' + n%26))
	if n >= 26 {
		return letter(n/26-1) + s
	}
	return s
}

// Spark draws values from 0 to most as a line of blocks; what is not known is a blank.
func Spark(values []float64, most float64) string {
	const blocks = "▁▂▃▄▅▆▇█"
	var b strings.Builder
	for _, v := range values {
		if math.IsNaN(v) || most <= 0 {
			b.WriteByte(' ')
			continue
		}
		i := int(max(0, min(v/most, 1)) * 7.999)
		b.WriteString(blocks[3*i : 3*i+3]) // each block is three bytes
	}
	return b.String()
}

func instant(t float64) string {
	if math.IsNaN(t) {
		return "–"
	}
	return fmt.Sprintf("%.3f", t)
}

func outcome(p pick.Pick) string {
	s := marks[p.Outcome]
	if p.EndedAt != "" {
		s += " (" + strings.ReplaceAll(p.EndedAt, "_", " ") + ")"
	}
	return s
}

// remarks lists what a reader must know of a pick, each thing once.
func remarks(r Row) string {
	var s []string
	add := func(x string) {
		if !slices.Contains(s, x) {
			s = append(s, x)
		}
	}
	if r.ReSeals > 0 {
		add(fmt.Sprintf("re-sealed %d×", r.ReSeals))
	}
	if r.BelowRequiredS > 0 {
		add(fmt.Sprintf("below required for %.0f ms", r.BelowRequiredS*1e3))
	}
	if r.TouchedByGap {
		add("touched by a gap")
	}
	for _, f := range []analyze.Figure{r.SealTimeS, r.HoldVacuumKPa, r.LeakFlowLminANR, r.EnergyJ} {
		for _, w := range f.Warnings {
			add(string(w.Code))
		}
	}
	return strings.Join(s, ", ")
}

// Counts returns how picks went, in one line: "12 picks: 10 released, 2 dropped".
func Counts(picks []pick.Pick) string {
	n := map[pick.Outcome]int{}
	for _, p := range picks {
		n[p.Outcome]++
	}
	var parts []string
	for _, o := range []pick.Outcome{pick.Released, pick.Dropped, pick.Unsealed, pick.Ended, pick.Open} {
		if n[o] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n[o], o))
		}
	}
	head := fmt.Sprintf("%d picks", len(picks))
	if len(picks) == 1 {
		head = "1 pick"
	}
	if len(parts) == 0 {
		return head
	}
	return head + ": " + strings.Join(parts, ", ")
}

// A Summary is the picks of one setup, told by medians: a description, not a comparison
// that carries a verdict.
type Summary struct {
	Setup                                     string
	Picks, Sealed, Dropped                    int
	SealTimeS, HoldVacuumKPa, LeakFlowLminANR Middle
	LowestVacuumKPa                           float64 // the lowest of all picks, NaN without any
	EnergyJ                                   Middle
	MeetRequired                              int // sealed in time, never below the required vacuum, not dropped
}

// A Middle is the median of the picks that have a figure, with the smallest and largest.
type Middle struct {
	Median, Least, Most float64
	N                   int
}

// Summarise returns a summary of each setup, in the order of first appearance.
func Summarise(rows []Row) []Summary {
	var order []string
	by := map[string][]Row{}
	for _, r := range rows {
		if _, ok := by[r.Setup]; !ok {
			order = append(order, r.Setup)
		}
		by[r.Setup] = append(by[r.Setup], r)
	}
	var all []Summary
	for _, name := range order {
		s := Summary{Setup: name, LowestVacuumKPa: math.NaN()}
		var seal, hold, leak, energy []float64
		for _, r := range by[name] {
			s.Picks++
			if r.Outcome != pick.Unsealed && r.SealFrom != "" {
				s.Sealed++
			}
			if r.Outcome == pick.Dropped {
				s.Dropped++
			}
			if r.Outcome == pick.Released && r.BelowRequiredS == 0 {
				s.MeetRequired++
			}
			if f := r.LowestVacuumKPa; f.OK() && !(f.Value >= s.LowestVacuumKPa) {
				s.LowestVacuumKPa = f.Value
			}
			for _, x := range []struct {
				to *[]float64
				f  analyze.Figure
			}{{&seal, r.SealTimeS}, {&hold, r.HoldVacuumKPa}, {&leak, r.LeakFlowLminANR}, {&energy, r.EnergyJ}} {
				if x.f.OK() {
					*x.to = append(*x.to, x.f.Value)
				}
			}
		}
		s.SealTimeS, s.HoldVacuumKPa = middle(seal), middle(hold)
		s.LeakFlowLminANR, s.EnergyJ = middle(leak), middle(energy)
		all = append(all, s)
	}
	return all
}

func middle(x []float64) Middle {
	n := len(x)
	if n == 0 {
		return Middle{math.NaN(), math.NaN(), math.NaN(), 0}
	}
	slices.SortFunc(x, cmp.Compare[float64])
	m := x[n/2]
	if n%2 == 0 {
		m = (x[n/2-1] + x[n/2]) / 2
	}
	return Middle{m, x[0], x[n-1], n}
}

func (m Middle) text(scale float64, places int) string {
	switch m.N {
	case 0:
		return "–"
	case 1:
		return fmt.Sprintf("%.*f", places, m.Median*scale)
	}
	return fmt.Sprintf("%.*f (%.*f … %.*f)", places, m.Median*scale, places, m.Least*scale, places, m.Most*scale)
}

// Setups writes a table of setups, as letters that are told below it.
func Setups(w io.Writer, all []Summary) error {
	var names []string
	for _, s := range all {
		names = append(names, s.Setup)
	}
	letters := letterSetups(names)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "setup\tpicks\tsealed\tdropped\theld throughout\tseal ms\thold kPa\tlowest kPa\tleak L/min ANR\tenergy J")
	for _, s := range all {
		lowest := "–"
		if !math.IsNaN(s.LowestVacuumKPa) {
			lowest = fmt.Sprintf("%.1f", s.LowestVacuumKPa)
		}
		fmt.Fprintf(t, "%s\t%d\t%d\t%d\t%d\t%s\t%s\t%s\t%s\t%s\n", letters.of[s.Setup], s.Picks, s.Sealed, s.Dropped, s.MeetRequired,
			s.SealTimeS.text(1e3, 0), s.HoldVacuumKPa.text(1, 1), lowest, s.LeakFlowLminANR.text(1, 1), s.EnergyJ.text(1, 1))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	letters.legend(w)
	_, err := fmt.Fprintln(w, "\nMedians of picks (least … most). They describe what was recorded; nothing is tested for significance.")
	return err
}

// A SummaryJSON is a Summary as JSON.
type SummaryJSON struct {
	Setup           string         `json:"setup"`
	Picks           int            `json:"picks"`
	Sealed          int            `json:"sealed"`
	Dropped         int            `json:"dropped"`
	HeldThroughout  int            `json:"held_throughout"`
	SealTimeS       MiddleJSON     `json:"seal_time_s"`
	HoldVacuumKPa   MiddleJSON     `json:"hold_vacuum_kPa"`
	LowestVacuumKPa analyze.Number `json:"lowest_vacuum_kPa"`
	LeakFlowLmin    MiddleJSON     `json:"leak_flow_Lmin"`
	EnergyJ         MiddleJSON     `json:"energy_J"`
}

// A MiddleJSON is a Middle as JSON.
type MiddleJSON struct {
	Median analyze.Number `json:"median"`
	Least  analyze.Number `json:"least"`
	Most   analyze.Number `json:"most"`
	N      int            `json:"n"`
}

// SetupsJSON returns the JSON of a comparison of setups.
func SetupsJSON(all []Summary) any {
	mid := func(m Middle) MiddleJSON {
		return MiddleJSON{analyze.Number(m.Median), analyze.Number(m.Least), analyze.Number(m.Most), m.N}
	}
	out := struct {
		Schema int           `json:"schema"`
		Setups []SummaryJSON `json:"setups"`
	}{Schema, []SummaryJSON{}}
	for _, s := range all {
		out.Setups = append(out.Setups, SummaryJSON{s.Setup, s.Picks, s.Sealed, s.Dropped, s.MeetRequired,
			mid(s.SealTimeS), mid(s.HoldVacuumKPa), analyze.Number(s.LowestVacuumKPa), mid(s.LeakFlowLminANR), mid(s.EnergyJ)})
	}
	return out
}
