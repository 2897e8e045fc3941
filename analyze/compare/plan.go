package compare

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"griptrial/config"
)

// A Factor is what a plan varies, with its levels.
type Factor struct {
	Name   string // one of config.Factors
	Levels []string
}

// A Layout is what a plan is made from.
type Layout struct {
	Factors  []Factor
	Pieces   int      // of each bag
	Picks    int      // in a run
	Repeats  int      // of each whole plot: how often the dear factors are set up anew
	Dear     []string // factors that are set up seldom, the dearest first
	Stations []string // one or two; with two the sides swap half-way
	Fraction int      // 2, 4, 8 …: only one in so many of the combinations of the factors with two levels; 0 or 1: all
	Seed     uint64
}

// A Sheet is the plan: setups, and runs in the order in which to make them.
type Sheet struct {
	Setups   []config.Setup
	Runs     []config.Run
	Fraction *Fraction // nil where all combinations are made
}

// ErrFraction is returned for a fraction of too few factors with two levels.
var ErrFraction = errors.New("too few factors with two levels")

// Plan lays out runs: every repeat sets up each combination of the dear factors once, in
// random order; within it every piece meets every combination of the others, in random
// order. So a dear factor is judged between its set-ups, and the others within them (a split
// plot; Montgomery, Design and Analysis of Experiments, 14.5). With two stations two of the
// cheap combinations stand side by side, and change sides half-way. Of a fraction factors with
// other than two levels, and bags, are laid out in full.
func Plan(l Layout) (Sheet, error) {
	var bag Factor
	var dear, cheap []Factor
	for _, f := range l.Factors {
		switch {
		case f.Name == "bag":
			bag = f
		case slices.Contains(l.Dear, f.Name):
			dear = append(dear, f)
		default:
			cheap = append(cheap, f)
		}
	}
	slices.SortStableFunc(dear, func(a, b Factor) int { return slices.Index(l.Dear, a.Name) - slices.Index(l.Dear, b.Name) })
	var s Sheet
	allowed := func(map[string]string) bool { return true }
	if l.Fraction > 1 {
		// The dear factors first, so that the cheap ones are made from them.
		two := slices.DeleteFunc(slices.Concat(dear, cheap), func(f Factor) bool { return len(f.Levels) != 2 })
		f, err := NewFraction(two, l.Fraction)
		if err != nil {
			return Sheet{}, err
		}
		s.Fraction, allowed = f, f.holds
	}
	var plots [][]config.Setup
	for _, plot := range combinations(dear) {
		var of []config.Setup
		for _, b := range bag.Levels {
			for _, c := range combinations(cheap) {
				for k, x := range plot {
					c[k] = x
				}
				c["bag"] = b
				if allowed(c) {
					of = append(of, setupOf(c))
				}
			}
		}
		plots = append(plots, of)
	}
	s.lay(l, bag.Levels, plots)
	return s, nil
}

// combinations returns every combination of the factors' levels; one empty one of none.
func combinations(factors []Factor) []map[string]string {
	all := []map[string]string{{}}
	for _, f := range factors {
		var next []map[string]string
		for _, c := range all {
			for _, l := range f.Levels {
				d := map[string]string{f.Name: l}
				for k, v := range c {
					d[k] = v
				}
				next = append(next, d)
			}
		}
		all = next
	}
	return all
}

// setupOf returns the setup with the given levels, named by them.
func setupOf(c map[string]string) config.Setup {
	var key []string
	for _, f := range config.Factors {
		if v := c[f]; v != "" {
			key = append(key, v)
		}
	}
	s := config.Setup{Name: strings.Join(key, " | "), Bag: c["bag"], Cup: c["cup"], Cups: 1, Placement: c["placement"], Tilt: c["tilt"],
		Engine: c["engine"], EngineSetting: c["engine_setting"]}
	if n := c["cups"]; n != "" {
		fmt.Sscan(n, &s.Cups)
	}
	return s
}
