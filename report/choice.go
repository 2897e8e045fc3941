package report

import (
	"encoding/csv"
	"fmt"
	"html"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/compare"
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
	const width, height, left, bottom = 720.0, 420.0, 70.0, 60.0
	mostX, mostY := 0.0, 0.0
	for _, m := range c.Machines {
		if m.Energy.OK() && !math.IsNaN(m.Drops) {
			mostX, mostY = max(mostX, m.Drops), max(mostY, m.Energy.Value, m.Energy.Hi)
		}
	}
	if mostX == 0 {
		mostX = 1
	}
	if mostY == 0 {
		mostY = 1
	}
	x := func(v float64) float64 { return left + (width-left-220)*v/(1.05*mostX) }
	y := func(v float64) float64 { return height - bottom - (height-bottom-20)*v/(1.05*mostY) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" font-family="sans-serif" font-size="12">`+"\n", width, height)
	fmt.Fprintf(&b, `<rect width="%g" height="%g" fill="white"/>`+"\n", width, height)
	fmt.Fprintf(&b, `<path d="M%g 20V%gH%g" fill="none" stroke="black"/>`+"\n", left, height-bottom, width-220)
	for i := range 6 {
		v := float64(i) / 5
		fmt.Fprintf(&b, `<text x="%.1f" y="%g" text-anchor="middle">%s</text>`+"\n", x(v*mostX), height-bottom+18, sig(v*mostX))
		fmt.Fprintf(&b, `<text x="%g" y="%.1f" text-anchor="end">%s</text>`+"\n", left-6, y(v*mostY)+4, sig(v*mostY))
	}
	fmt.Fprintf(&b, `<text x="%g" y="%g" text-anchor="middle">drops per 1,000 picks, at most</text>`+"\n", (left+width-220)/2, height-15)
	fmt.Fprintf(&b, `<text transform="translate(16 %g) rotate(-90)" text-anchor="middle">kJ per 1,000 picks</text>`+"\n", height/2)
	var names []string
	for _, m := range c.Machines {
		names = append(names, m.Levels)
	}
	letters := letterSetups(names)
	for i, m := range c.Machines {
		fmt.Fprintf(&b, `<text x="%g" y="%d">%s  %s</text>`+"\n", width-205, 30+16*i, letters.of[m.Levels], html.EscapeString(m.Levels))
		if !m.Energy.OK() || math.IsNaN(m.Drops) {
			continue
		}
		if !math.IsNaN(m.Energy.Lo) {
			fmt.Fprintf(&b, `<path d="M%.1f %.1fV%.1f" stroke="black"/>`+"\n", x(m.Drops), y(m.Energy.Lo), y(m.Energy.Hi))
		}
		fill := "white"
		if m.Answer == compare.Holds {
			fill = "black"
		}
		fmt.Fprintf(&b, `<circle cx="%.1f" cy="%.1f" r="5" fill="%s" stroke="black"/><text x="%.1f" y="%.1f">%s</text>`+"\n",
			x(m.Drops), y(m.Energy.Value), fill, x(m.Drops)+8, y(m.Energy.Value)-6, letters.of[m.Levels])
	}
	fmt.Fprintf(&b, `<text x="%g" y="%g">filled: holds every bag</text>`+"\n</svg>\n", width-205, height-15)
	_, err := io.WriteString(w, b.String())
	return err
}
