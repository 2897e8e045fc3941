package report

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"griptrial/analyze/compare"
	"griptrial/config"
)

// TrialSheet writes a plan as the setups, design and runs of a trial file. The head (name and
// requirement) is the caller's.
func TrialSheet(w io.Writer, s compare.Sheet, seed uint64, wholePlots []string) error {
	var b strings.Builder
	fmt.Fprintf(&b, "setups:\n")
	for _, x := range s.Setups {
		fmt.Fprintf(&b, "  - {name: %q, bag: %q, cup: %q, cups: %d", x.Name, x.Bag, x.Cup, x.Cups)
		for _, f := range []string{"placement", "tilt", "engine", "engine_setting"} {
			if v := x.Level(f); v != "" {
				fmt.Fprintf(&b, ", %s: %q", f, v)
			}
		}
		fmt.Fprintln(&b, "}")
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return err
	}
	return PlannedRuns(w, s, seed, wholePlots)
}

// PlannedRuns writes the design and the runs of a trial file.
func PlannedRuns(w io.Writer, s compare.Sheet, seed uint64, wholePlots []string) error {
	var b strings.Builder
	fmt.Fprintf(&b, "\n# What the analysis must know: the order was drawn from this seed, and these factors were\n# set up seldom.\ndesign: {seed: %d, whole_plots: [%s]}\n", seed, strings.Join(wholePlots, ", "))
	fmt.Fprintf(&b, "\n# In this order.\nruns:\n")
	for _, r := range s.Runs {
		var parts []string
		for _, station := range stationsOf(r) {
			parts = append(parts, fmt.Sprintf("%q: %q", station, r.Setups[station]))
		}
		fmt.Fprintf(&b, "  - {piece: %q, picks: %d, setups: {%s}}\n", r.Piece, r.Picks, strings.Join(parts, ", "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func stationsOf(r config.Run) []string {
	var names []string
	for s := range r.Setups {
		names = append(names, s)
	}
	slices.Sort(names)
	return names
}

// A SheetJSON is a plan.
type SheetJSON struct {
	Schema     int            `json:"schema"`
	Seed       uint64         `json:"seed"`
	WholePlots []string       `json:"whole_plots"`
	Fraction   *FractionJSON  `json:"fraction"` // null: all combinations
	Setups     []string       `json:"setups"`
	Runs       []SheetRunJSON `json:"runs"`
}

// A FractionJSON says which combinations are left out, and what cannot be told apart for it.
type FractionJSON struct {
	OneIn      int        `json:"one_in"`
	Resolution int        `json:"resolution"`
	Generators []string   `json:"generators"` // "tilt = cup × engine"
	Aliases    [][]string `json:"aliases"`    // effects of one factor or two, by what they are mixed with
	Words      string     `json:"words"`
}

// A SheetRunJSON is a run of a plan.
type SheetRunJSON struct {
	N      int               `json:"n"`
	Piece  string            `json:"piece"`
	Picks  int               `json:"picks"`
	Setups map[string]string `json:"setups"`
}

// RunsJSON returns the JSON of a plan.
func RunsJSON(s compare.Sheet, seed uint64, wholePlots []string) SheetJSON {
	j := SheetJSON{ComparisonSchema, seed, append([]string{}, wholePlots...), fraction(s.Fraction), []string{}, []SheetRunJSON{}}
	for _, x := range s.Setups {
		j.Setups = append(j.Setups, x.Name)
	}
	for i, r := range s.Runs {
		j.Runs = append(j.Runs, SheetRunJSON{i + 1, r.Piece, r.Picks, r.Setups})
	}
	return j
}

func fraction(f *compare.Fraction) *FractionJSON {
	if f == nil {
		return nil
	}
	j := &FractionJSON{OneIn: 1 << len(f.Generators), Resolution: f.Resolution, Generators: []string{}, Aliases: [][]string{}, Words: f.Words()}
	for _, g := range f.Generators {
		j.Generators = append(j.Generators, g.Factor+" = "+compare.Term{Factors: g.Of}.String())
	}
	for _, group := range f.Aliases {
		var names []string
		for _, e := range group {
			names = append(names, e.String())
		}
		j.Aliases = append(j.Aliases, names)
	}
	return j
}

// RunsTable writes a plan to be ticked off by hand.
func RunsTable(w io.Writer, s compare.Sheet) error {
	if j := fraction(s.Fraction); j != nil {
		fmt.Fprintf(w, "One in %d of the combinations, %s.\nMade by %s.\n", j.OneIn, j.Words, strings.Join(j.Generators, ", "))
		for _, group := range j.Aliases {
			fmt.Fprintf(w, "Not to be told apart: %s.\n", strings.Join(group, " = "))
		}
		fmt.Fprintln(w)
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "run\tpiece\tpicks\tsetups\tdone")
	for i, r := range s.Runs {
		var parts []string
		for _, station := range stationsOf(r) {
			parts = append(parts, station+": "+r.Setups[station])
		}
		fmt.Fprintf(t, "%d\t%s\t%d\t%s\t□\n", i+1, r.Piece, r.Picks, strings.Join(parts, ";  "))
	}
	return t.Flush()
}
