package compare

import (
	"fmt"
	"math/rand/v2"
	"slices"

	"griptrial/config"
)

// PlanSetups lays out runs of the given setups as Plan does: those that are alike in the dear
// factors are a whole plot, and within it every piece of a bag meets all setups of that bag.
func PlanSetups(setups []config.Setup, l Layout) Sheet {
	var s Sheet
	var bags, keys []string
	plots := map[string][]config.Setup{}
	for _, x := range setups {
		if !slices.Contains(bags, x.Bag) {
			bags = append(bags, x.Bag)
		}
		key := ""
		for _, f := range l.Dear {
			key += x.Level(f) + "|"
		}
		if plots[key] == nil {
			keys = append(keys, key)
		}
		plots[key] = append(plots[key], x)
	}
	var all [][]config.Setup
	for _, key := range keys {
		all = append(all, plots[key])
	}
	s.lay(l, bags, all)
	return s
}

// lay adds the runs of whole plots, and the setups in the order in which runs need them.
func (s *Sheet) lay(l Layout, bags []string, plots [][]config.Setup) {
	random := rand.New(rand.NewPCG(l.Seed, 0))
	stations := max(1, len(l.Stations))
	order := make([]int, len(plots))
	for i := range order {
		order[i] = i
	}
	last := -1 // the plot that stands
	for range max(1, l.Repeats) {
		shuffle := func() { random.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] }) }
		// What stands already would not be set up anew, and two set-ups would count as one.
		for shuffle(); len(order) > 1 && order[0] == last; shuffle() {
		}
		last = order[len(order)-1]
		for _, n := range order {
			plot := plots[n]
			type visit struct {
				bag   string
				piece int
			}
			var visits []visit
			for _, b := range bags {
				for p := range max(1, l.Pieces) {
					visits = append(visits, visit{b, p})
				}
			}
			random.Shuffle(len(visits), func(i, j int) { visits[i], visits[j] = visits[j], visits[i] })
			for n, v := range visits {
				var todo []config.Setup
				for _, x := range plot {
					if x.Bag == v.bag {
						todo = append(todo, x)
					}
				}
				random.Shuffle(len(todo), func(i, j int) { todo[i], todo[j] = todo[j], todo[i] })
				for len(todo) > 0 {
					now := todo[:min(stations, len(todo))]
					todo = todo[len(now):]
					names := make([]string, len(now))
					for i, x := range now {
						names[i] = x.Name
						if !slices.ContainsFunc(s.Setups, func(y config.Setup) bool { return y.Name == x.Name }) {
							s.Setups = append(s.Setups, x)
						}
					}
					// Sides are fixed by name, then swapped half-way, so that they balance.
					slices.Sort(names)
					if 2*n >= len(visits) {
						slices.Reverse(names)
					}
					r := config.Run{Setups: map[string]string{}, Piece: fmt.Sprintf("%s %d", v.bag, v.piece+1), Picks: l.Picks}
					for i, name := range names {
						r.Setups[l.Stations[i]] = name
					}
					s.Runs = append(s.Runs, r)
				}
			}
		}
	}
}
