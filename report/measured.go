package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// Text returns nil for "", so that it becomes null in JSON.
func Text(s string) *string { return text(s) }

// Measured writes what was measured in a table: a head, the picks, the events, one line of
// counts.
func Measured(w io.Writer, name string, f PicksJSON, rows []Row, events []pick.Event) error {
	fmt.Fprintf(w, "%s", name)
	if s := f.Sampling; s != nil && !math.IsNaN(float64(s.IntervalS)) {
		fmt.Fprintf(w, ": a sample every %.4g ms, longest interval %.4g ms", 1e3*float64(s.IntervalS), 1e3*float64(s.LongestS))
		if s.Bursts > 0 {
			fmt.Fprintf(w, ", %d arrival bursts", s.Bursts)
		}
	}
	fmt.Fprintln(w)
	if f.AmbientFrom != nil {
		fmt.Fprintf(w, "ambient %.2f kPa, %s\n", float64(f.AmbientKPa), map[string]string{
			"given": "as given", "recording": "taken from the recording; --ambient states it"}[*f.AmbientFrom])
	}
	if v := float64(f.IdleLevelKPa); !math.IsNaN(v) {
		fmt.Fprintf(w, "idle level %.2f kPa\n", math.Round(v*100)/100+0) // + 0: no −0.00
	}
	airEnergy(w, f)
	if f.Circumstances != nil {
		f.Circumstances.Write(w)
	}
	fmt.Fprintln(w)
	if len(rows) > 0 {
		if err := Picks(w, rows); err != nil {
			return err
		}
		fmt.Fprintln(w)
	}
	energyPhases(w, rows)
	Events(w, events)
	picks := make([]pick.Pick, len(rows))
	for i := range rows {
		picks[i] = rows[i].Pick
	}
	_, err := fmt.Fprintln(w, Counts(picks))
	return err
}

// Events writes events that are worth a line: all but gaps outside picks.
func Events(w io.Writer, events []pick.Event) {
	events = slices.DeleteFunc(slices.Clone(events), func(e pick.Event) bool { return e.Kind == pick.GapSeen && e.Pick == 0 })
	if len(events) == 0 {
		return
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, e := range events {
		where := e.Station
		if e.Group != "" {
			where = "group " + e.Group
		}
		fmt.Fprintf(t, "%s\t%.3f s\t%s\tpick %d\n", where, e.TS, e.Kind, e.Pick)
	}
	t.Flush()
	fmt.Fprintln(w)
}

// LeakDowns writes a table of leak-downs.
func LeakDowns(w io.Writer, all []LeakDownJSON) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "group\tfrom s\tto s\tslope kPa/s\t95 % interval\tlost kPa\tfall starts s\tleak L/min ANR\texponent n\tat required L/min ANR")
	for _, l := range all {
		group := "–"
		if l.Group != nil {
			group = *l.Group
		}
		fmt.Fprintf(t, "%s\t%.1f\t%.1f\t%s\t%.4f … %.4f\t%.2f\t%s\t%s\t%s\t%s\n", group, float64(l.FromS), float64(l.ToS),
			Digits(l.SlopeKPaS, 1), l.SlopeKPaS.Lo, l.SlopeKPaS.Hi, float64(l.LostKPa), instant(float64(l.FallStartsS)), Digits(l.LeakLmin, 1),
			Digits(l.LawN, 1), Digits(l.AtRequired, 1))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, plusMinus)
	return err
}

// A BudgetsJSON is where the uncertainty of a pick's figures comes from.
type BudgetsJSON struct {
	Schema  int          `json:"schema"`
	Station string       `json:"station"`
	Pick    int          `json:"pick"`
	Budgets []BudgetJSON `json:"budgets"`
}

// PickBudgets returns the uncertainty budgets of a pick as JSON.
func PickBudgets(p pick.Pick, all []pick.Budget) BudgetsJSON {
	out := BudgetsJSON{Schema, p.Station, p.N, []BudgetJSON{}}
	for _, b := range all {
		j := BudgetJSON{Figure: b.Name, Unit: b.Unit, Value: b.Figure, Parts: []PartJSON{}}
		for _, x := range b.Parts {
			j.Parts = append(j.Parts, PartJSON{x.Name, x.Shape, analyze.Number(x.Size), analyze.Number(x.U)})
		}
		out.Budgets = append(out.Budgets, j)
	}
	return out
}

// Budgets writes the uncertainty budgets of a pick, a part a line with its share of the
// variance.
func Budgets(w io.Writer, p pick.Pick, all []pick.Budget, asJSON bool) error {
	if asJSON {
		return WriteJSON(w, PickBudgets(p, all))
	}
	fmt.Fprintf(w, "%s, pick %d: %s\n", p.Station, p.N, outcome(p))
	for _, b := range all {
		places := 4
		if b.Figure.U > 0 {
			places = Places(b.Figure.U)
		}
		fmt.Fprintf(w, "\n%s %s %s, 95 %% within %.*f to %.*f", b.Name, Digits(b.Figure, 1), b.Unit, places, b.Figure.Lo, places, b.Figure.Hi)
		for _, x := range b.Figure.Warnings {
			fmt.Fprintf(w, "; %v", x)
		}
		fmt.Fprintln(w)
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		for _, x := range b.Parts {
			if x.Shape == analyze.Correction { // nothing of it is left
				fmt.Fprintf(t, "  %s\t%s\t%+.3g %s\tknown\t  –\n", x.Name, sizes[x.Shape], x.Size, b.Unit)
				continue
			}
			share := x.U * x.U / (b.Figure.U * b.Figure.U)
			fmt.Fprintf(t, "  %s\t%s\t%.3g %s\tu %.3g\t%3.0f %%\n", x.Name, sizes[x.Shape], x.Size, b.Unit, x.U, 100*share)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	return nil
}

// sizes says what the size of a part of a shape is.
var sizes = map[analyze.Shape]string{
	analyze.Gaussian: "normal, u", analyze.Rectangular: "even within ±", analyze.OneSided: "early by up to",
	analyze.Left:       "left in: truth off by",
	analyze.Correction: "corrected by",
}
