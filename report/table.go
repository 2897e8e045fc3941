package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/report/drawing"
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

// plusMinus says below a table what Digits has written into it.
const plusMinus = "±: one standard uncertainty"

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
	Setup   string
	Spoiled string    // why a person marked it as spoiled, "" where nobody did
	Trace   []float64 // vacuum over the pick in equal parts, kPa; nil where not known
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
		fig("settling ms", 1e3, func(p *pick.Pick) *analyze.Figure { return &p.SettlingTimeS }),
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
	uncertain := false
	for _, r := range rows {
		line = line[:0]
		for _, c := range cols {
			line = append(line, c.cell(r))
			uncertain = uncertain || strings.Contains(line[len(line)-1], "±")
		}
		fmt.Fprintln(t, strings.TrimRight(strings.Join(line, "\t"), "\t"))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if uncertain {
		fmt.Fprintln(w, plusMinus)
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
	if r.Spoiled != "" {
		add("spoiled: " + r.Spoiled)
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

// short returns a name cut as cut does, set off where it runs from right to left.
func short(s string, n int) string { return drawing.Isolated(cut(s, n)) }

// cut returns s, cut after n characters where it is longer, with how long it is.
func cut(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return fmt.Sprintf("%s… (%d characters)", string(r[:n]), len(r))
}
