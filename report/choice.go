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
	"griptrial/report/drawing"
)

// A ChoiceJSON is the choice for a mix of bags.
type ChoiceJSON struct {
	Schema   int            `json:"schema"`
	Sentence string         `json:"sentence"`
	Mix      []MixJSON      `json:"mix"`
	Rate     analyze.Number `json:"picks_per_minute"`
	Chosen   []string       `json:"chosen"` // several: either is as good
	Changes  int            `json:"changes"`
	Plan     []MachineBag   `json:"change_plan"`
	Machines []MachineJSON  `json:"machines"`
}

// A MixJSON is a bag's share of the picks, 0 to 1.
type MixJSON struct {
	Bag   string         `json:"bag"`
	Share analyze.Number `json:"share"`
}

// A MachineBag is one machine on one bag.
type MachineBag struct {
	Bag       string         `json:"bag"`
	Setup     string         `json:"setup"` // in a change plan the machine's levels
	Answer    compare.Answer `json:"answer"`
	EnergyJ   analyze.Figure `json:"energy_J"`
	DropBound analyze.Number `json:"drop_rate_bound"`
}

// A MachineJSON is what stays on the gripper for all bags.
type MachineJSON struct {
	Levels      string         `json:"levels"`
	Answer      compare.Answer `json:"answer"`
	Missing     string         `json:"missing,omitempty"`
	EnergyKJ    analyze.Figure `json:"energy_kJ_per_1000"`
	DropsBound  analyze.Number `json:"drops_per_1000_bound"`
	LowestShare analyze.Number `json:"share_of_resamples_lowest"`
	Bags        []MachineBag   `json:"bags"`
}

// Choice returns the JSON of a choice.
func Choice(c compare.Choice) ChoiceJSON {
	bags := func(rs []compare.BagResult) []MachineBag {
		out := []MachineBag{}
		for _, r := range rs {
			out = append(out, MachineBag{r.Bag, r.Setup, r.Answer, r.EnergyJ, number(r.DropBound)})
		}
		return out
	}
	j := ChoiceJSON{Schema: ComparisonSchema, Sentence: c.Sentence, Rate: number(c.Rate), Chosen: append([]string{}, c.Chosen...), Changes: c.Changes, Plan: bags(c.Plan), Machines: []MachineJSON{}}
	for _, m := range c.Mix {
		j.Mix = append(j.Mix, MixJSON{m.Bag, number(m.Share)})
	}
	for _, m := range c.Machines {
		j.Machines = append(j.Machines, MachineJSON{m.Levels, m.Answer, m.Missing, m.Energy, number(m.Drops), number(m.Lowest), bags(m.Bags)})
	}
	return j
}

// Chosen writes a choice for people: the sentence, then the machines.
func Chosen(w io.Writer, c compare.Choice) error {
	fmt.Fprintln(w, c.Sentence)
	if c.NothingAsked {
		fmt.Fprintln(w, stateThem)
	}
	fmt.Fprintln(w)
	for _, m := range c.Mix {
		fmt.Fprintf(w, "%.3g %% %s\n", 100*m.Share, m.Bag)
	}
	fmt.Fprintln(w)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "machine\trequirement\tkJ per 1,000 picks\tdrops per 1,000, at most\tlowest in\tremarks")
	for _, m := range c.Machines {
		energy := "–"
		if m.Energy.OK() {
			energy = sig(m.Energy.Value)
			if !math.IsNaN(m.Energy.Lo) {
				energy += fmt.Sprintf(" (%s to %s)", sig(m.Energy.Lo), sig(m.Energy.Hi))
			}
		}
		lowest := "–"
		if m.Answer == compare.Holds && m.Energy.OK() {
			lowest = fmt.Sprintf("%.0f %% of resamples", 100*m.Lowest)
		}
		var remarks []string
		if m.Missing != "" {
			remarks = append(remarks, m.Missing)
		}
		for _, answer := range []compare.Answer{compare.DoesNot, compare.NotShown} {
			var bags []string
			for _, b := range m.Bags {
				if b.Setup != "" && b.Answer == answer {
					bags = append(bags, b.Bag)
				}
			}
			switch {
			case len(bags) == len(m.Bags):
				remarks = append(remarks, fmt.Sprintf("%s: every bag", answer))
			case bags != nil:
				remarks = append(remarks, fmt.Sprintf("%s: %s", answer, strings.Join(bags, ", ")))
			}
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", m.Levels, m.Answer, energy, sig(m.Drops), lowest, strings.Join(remarks, "; "))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if c.Plan != nil {
		fmt.Fprintln(w)
		for _, p := range c.Plan {
			fmt.Fprintf(w, "%s: %s, %s J a pick\n", p.Bag, p.Setup, Digits(p.EnergyJ, 1))
		}
		fmt.Fprintln(w, plusMinus)
	}
	return nil
}

func sig(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "–"
	}
	return plain(x, 3)
}

// ChoiceCSV writes one line a machine.
func ChoiceCSV(w io.Writer, c compare.Choice) error {
	out := csv.NewWriter(w)
	out.Write([]string{"machine", "answer", "energy_kJ_per_1000", "energy_lo", "energy_hi", "drops_per_1000_bound", "share_lowest", "chosen", "missing"})
	for _, m := range c.Machines {
		out.Write([]string{m.Levels, string(m.Answer), cell(m.Energy.Value), cell(m.Energy.Lo), cell(m.Energy.Hi), cell(m.Drops), cell(m.Lowest),
			strconv.FormatBool(slices.Contains(c.Chosen, m.Levels)), m.Missing})
	}
	out.Flush()
	return out.Error()
}

// ChoiceSVG draws energy against drop bound: a point a machine with the interval of its
// energy, filled where it holds.
func ChoiceSVG(w io.Writer, c compare.Choice) error {
	j := Choice(c)
	return j.plot().SVG(w, "choice", j.label())
}

// label says what the plot of a choice shows.
func (j ChoiceJSON) label() string {
	return fmt.Sprintf("energy against the bound of drops for %d machines; filled: holds every bag", len(j.Machines))
}

// drawn reports whether any machine has an energy and a bound of drops.
func (j ChoiceJSON) drawn() bool {
	return slices.ContainsFunc(j.Machines, func(m MachineJSON) bool { return m.EnergyKJ.OK() && !math.IsNaN(float64(m.DropsBound)) })
}

// plot draws energy against drop bound.
func (j ChoiceJSON) plot() *drawing.Drawing {
	mostX, mostY := 0.0, 0.0
	for _, m := range j.Machines {
		if drops := float64(m.DropsBound); m.EnergyKJ.OK() && !math.IsNaN(drops) {
			mostX, mostY = max(mostX, drops), max(mostY, m.EnergyKJ.Value)
			if hi := m.EnergyKJ.Hi; hi > mostY { // NaN where there is no interval
				mostY = hi
			}
		}
	}
	if mostX == 0 {
		mostX = 1
	}
	if mostY == 0 {
		mostY = 1
	}
	var names []string
	for _, m := range j.Machines {
		names = append(names, m.Levels)
	}
	letters := letterSetups(names)
	d := drawing.New(plotWidthMM, 75+4*float64(len(names)))
	a := drawing.NewAxes(d, drawing.Box{X: 15, Y: 3, W: d.WidthMM - 18, H: 58}, 0, 1.08*mostX, 0, 1.12*mostY, "drops per 1,000 picks, at most", "kJ per 1,000 picks")
	for _, m := range j.Machines {
		drops := float64(m.DropsBound)
		if !m.EnergyKJ.OK() || math.IsNaN(drops) {
			continue
		}
		if !math.IsNaN(m.EnergyKJ.Lo) {
			d.Line(drawing.Pen{WidthMM: 0.3}, at(a.X(drops), a.Y(m.EnergyKJ.Lo)), at(a.X(drops), a.Y(m.EnergyKJ.Hi)))
		}
		fill := &drawing.White
		if m.Answer == compare.Holds {
			fill = &drawing.Black
		}
		p := at(a.X(drops), a.Y(m.EnergyKJ.Value))
		d.Circle(&drawing.Pen{WidthMM: 0.3}, fill, p, 1.3)
		d.Words(at(p.X+2, p.Y-1.2), letters.of[m.Levels], drawing.Label(drawing.Start))
	}
	d.Words(at(a.Area.X+a.Area.W-1, a.Area.Y+a.Area.H-1.5), "filled: holds every bag", drawing.Label(drawing.End))
	for i, name := range letters.order {
		d.Words(at(15, 74+4*float64(i)), drawing.Fit(letters.of[name]+"  "+short(tidy(name), 110), 2.6, false, d.WidthMM-15), drawing.Label(drawing.Start))
	}
	return d
}
