package compare

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"griptrial/analyze"
	"griptrial/analyze/stats"
	"griptrial/config"
)

// A BagShare is how much of a line's picks one kind of bag is.
type BagShare struct {
	Bag   string
	Share float64 // the shares of a mix add up to 1
}

// A BagResult is what one machine does with one bag.
type BagResult struct {
	Bag       string
	Setup     string // "" where it was not tried
	Answer    Answer
	EnergyJ   analyze.Figure // mean per pick over pieces
	DropBound float64        // exact upper bound of drops per pick
	byPiece   map[string]float64
}

// A Machine is what stays on the gripper: all factors but the bag.
type Machine struct {
	Levels  string
	Engine  string // the levels that are dear to change
	Answer  Answer // holds only where every bag of the mix holds
	Bags    []BagResult
	Energy  analyze.Figure // kJ per 1,000 picks of the mix, its interval by the bootstrap over pieces
	Drops   float64        // upper bound per 1,000 picks of the mix
	Lowest  float64        // share of resamples in which its energy is the lowest of those that hold
	Missing string         // what is known too little of, "" for nothing
}

// A Choice is which machine to take for a mix of bags.
type Choice struct {
	Sentence     string
	NothingAsked bool // the trial states nothing that a setup must hold
	Mix          []BagShare
	Rate         float64 // picks per minute, NaN where not stated
	Machines     []Machine
	Chosen       []string    // one machine, or several of which either is as good
	Plan         []BagResult // where no machine holds for all bags: the machine of each, as Setup
	Changes      int         // machine changes in that plan
	Warnings     []analyze.Warning
}

// DefaultMix is every bag of the trial, in equal shares.
func DefaultMix(t *Trial) []BagShare {
	var mix []BagShare
	for i := range t.Setups {
		if b := t.Setups[i].Bag; !slices.ContainsFunc(mix, func(m BagShare) bool { return m.Bag == b }) {
			mix = append(mix, BagShare{Bag: b})
		}
	}
	for i := range mix {
		mix[i].Share = 1 / float64(len(mix))
	}
	return mix
}

// Choose finds the machine that meets the requirement for every bag of the mix at the lowest
// energy, or the cheapest plan of changes where none does. Energies are compared by resampling
// pieces b times, the same pieces for every machine that met them.
func Choose(t *Trial, mix []BagShare, rate float64, b int, seed uint64) Choice {
	c := Choice{Mix: mix, Rate: rate}
	verdicts := map[string]Verdict{}
	for _, v := range Judge(t) {
		verdicts[v.Setup] = v
	}
	bySetup, _ := split(t.units(), func(u unit) string { return u.setup.Name })
	machine := slices.DeleteFunc(slices.Clone(config.Factors), func(f string) bool { return f == "bag" })
	var tried []unit
	for i := range t.Setups {
		tried = append(tried, unit{setup: &t.Setups[i]})
	}
	machine = varying(tried, machine)
	dear := slices.DeleteFunc(slices.Clone(machine), func(f string) bool { return !slices.Contains(t.dear(), f) })
	groups, order := split(tried, func(u unit) string { return levels(u.setup, machine) })
	for _, name := range order {
		m := Machine{Levels: stated(name), Engine: stated(levels(groups[name][0].setup, dear)), Answer: Holds}
		if slices.ContainsFunc(c.Machines, func(o Machine) bool { return o.Levels == m.Levels }) {
			m.Levels = name // what one states as one factor the other states as another
		}
		for _, share := range mix {
			r := BagResult{Bag: share.Bag, Answer: NotShown, EnergyJ: analyze.None(), DropBound: math.NaN()}
			for _, u := range groups[name] {
				if u.setup.Bag == share.Bag && bySetup[u.setup.Name] != nil && r.Setup == "" {
					r = bagResult(t, u.setup, bySetup[u.setup.Name], verdicts[u.setup.Name])
				}
			}
			switch {
			case r.Setup == "":
				m.missing("not tried on " + r.Bag)
			case !r.EnergyJ.OK():
				m.missing("no energy on " + r.Bag)
			}
			switch {
			case r.Answer == DoesNot:
				m.Answer = DoesNot
			case r.Answer == NotShown && m.Answer == Holds:
				m.Answer = NotShown
			}
			m.Bags = append(m.Bags, r)
			m.Drops += 1e3 * share.Share * r.DropBound
		}
		c.Machines = append(c.Machines, m)
	}
	c.bootstrap(b, seed)
	if c.decide(); c.Chosen == nil && c.Plan == nil {
		for _, v := range verdicts {
			if len(v.Criteria) == 0 {
				c.NothingAsked = true
				c.Sentence = "No choice yet: the trial states no seal_time, vacuum min or drops that a setup must hold."
			}
		}
	}
	return c
}

func (m *Machine) missing(what string) {
	if m.Missing != "" {
		m.Missing += ", "
	}
	m.Missing += what
}

func bagResult(t *Trial, s *config.Setup, units []unit, v Verdict) BagResult {
	r := BagResult{Bag: s.Bag, Setup: s.Name, Answer: v.Answer, EnergyJ: analyze.None(), DropBound: math.NaN(), byPiece: map[string]float64{}}
	groups, order := split(look(units, MeasureOf("energy_J")), func(u view) string { return u.piece })
	var means []float64
	for _, k := range order {
		e := blockValue(groups[k])
		means = append(means, e.raw)
		r.byPiece[k] = e.raw
	}
	if len(means) > 0 {
		i := stats.MeanInterval(means, t.Requirement.Confidence)
		r.EnergyJ = figure(stats.Mean(means), stats.SD(means)/math.Sqrt(float64(len(means))), i)
		if len(means) == 1 {
			r.EnergyJ.Warnings = append(r.EnergyJ.Warnings, analyze.Warn(ThisPieceOnly))
		}
	}
	most := t.Requirement.DropsMaxRate
	if math.IsNaN(most) {
		most = 1
	}
	for _, x := range v.Criteria {
		if x.Name == "drops" && x.Rate.OK() {
			r.DropBound = x.Rate.Hi
			return r
		}
	}
	// The requirement says nothing of drops, or they are judged sequentially.
	drops := clusters(units, func(p *Pick) float64 { return dropped(&p.Pick) })
	if !t.Design.Sequential {
		r.DropBound = t.rate("drops", drops, most).Rate.Hi
	}
	return r
}

// bootstrap draws the energy of every machine for each resample of pieces: kJ per 1,000.
func (c *Choice) bootstrap(b int, seed uint64) {
	pieces := make([][]string, len(c.Mix))
	for i := range c.Mix {
		seen := map[string]bool{}
		for _, m := range c.Machines {
			for p := range m.Bags[i].byPiece {
				seen[p] = true
			}
		}
		for p := range seen {
			pieces[i] = append(pieces[i], p)
		}
		slices.Sort(pieces[i])
	}
	total := 0
	for _, p := range pieces {
		total += len(p)
	}
	// Values by machine, bag and piece; NaN where a machine did not meet a piece.
	values := make([][][]float64, len(c.Machines))
	for k, m := range c.Machines {
		values[k] = make([][]float64, len(c.Mix))
		for i := range c.Mix {
			for _, p := range pieces[i] {
				v, ok := m.Bags[i].byPiece[p]
				if !ok {
					v = math.NaN()
				}
				values[k][i] = append(values[k][i], v)
			}
		}
	}
	mix := func(k int, count [][]float64) float64 {
		var sum float64
		for i, share := range c.Mix {
			var s, n float64
			for j, v := range values[k][i] {
				if w := count[i][j]; w > 0 && !math.IsNaN(v) {
					s += w * v
					n += w
				}
			}
			sum += share.Share * s / n // NaN where a resample misses the machine's pieces
		}
		return sum
	}
	once := make([][]float64, len(c.Mix))
	for i := range once {
		once[i] = slices.Repeat([]float64{1}, len(pieces[i]))
	}
	draws := make([][]float64, len(c.Machines))
	wins := make([]float64, len(c.Machines))
	if total > 0 {
		count := make([][]float64, len(c.Mix))
		for i := range count {
			count[i] = make([]float64, len(pieces[i]))
		}
		stats.Bootstrap(total, b, seed, func(draw []int) float64 {
			// Each bag takes as many pieces as it has, from its own stretch of the draw.
			at := 0
			for i := range count {
				clear(count[i])
				for range count[i] {
					count[i][draw[at]%len(count[i])]++
					at++
				}
			}
			best := -1
			for k := range c.Machines {
				v := mix(k, count)
				draws[k] = append(draws[k], v)
				if c.Machines[k].Answer == Holds && !math.IsNaN(v) && (best < 0 || v < draws[best][len(draws[best])-1]) {
					best = k
				}
			}
			if best >= 0 {
				wins[best]++
			}
			return 0
		})
	}
	for k := range c.Machines {
		m := &c.Machines[k]
		m.Energy, m.Lowest = analyze.None(), wins[k]/float64(max(1, b))
		if v := mix(k, once); !math.IsNaN(v) {
			if slices.ContainsFunc(m.Bags, func(r BagResult) bool { return len(r.byPiece) < 2 }) {
				m.Energy = figure(v, math.NaN(), stats.Interval{Lo: math.NaN(), Hi: math.NaN()})
				m.Energy.Warnings = append(m.Energy.Warnings, analyze.Warn(ThisPieceOnly))
				continue
			}
			d := slices.DeleteFunc(draws[k], math.IsNaN)
			slices.Sort(d)
			m.Energy = figure(v, stats.SD(d), stats.Interval{Lo: stats.Quantile(d, 0.025, stats.MedianUnbiased), Hi: stats.Quantile(d, 0.975, stats.MedianUnbiased)})
		}
	}
}

// decide picks, and writes the sentence on top.
func (c *Choice) decide() {
	var holding []*Machine
	for k := range c.Machines {
		if m := &c.Machines[k]; m.Answer == Holds && m.Energy.OK() {
			holding = append(holding, m)
		}
	}
	slices.SortStableFunc(holding, func(a, b *Machine) int { return cmp.Compare(a.Energy.Value, b.Energy.Value) })
	if len(holding) > 0 {
		best := holding[0]
		c.Chosen = []string{best.Levels}
		for _, m := range holding[1:] {
			if m.Lowest >= 0.05 { // the resamples cannot rule it out
				c.Chosen = append(c.Chosen, m.Levels)
			}
		}
		tail := fmt.Sprintf("at %.3g kJ per 1,000 picks", best.Energy.Value)
		if c.Rate > 0 {
			tail += fmt.Sprintf(" (%.3g kW at %g picks a minute)", best.Energy.Value/1e3*c.Rate/60, c.Rate)
		}
		if len(c.Chosen) == 1 {
			c.Sentence = fmt.Sprintf("Take %s: it holds every bag of the mix, %s, the lowest of %d that hold.", best.Levels, tail, len(holding))
			if len(holding) == 1 {
				c.Sentence = fmt.Sprintf("Take %s: it is the only one shown to hold every bag of the mix, %s.", best.Levels, tail)
			}
		} else {
			c.Sentence = fmt.Sprintf("Either is as good: %s hold every bag of the mix, and the pieces tried cannot tell their energy apart (%s).",
				strings.Join(c.Chosen, " and "), tail)
		}
		if best.Energy.Has(ThisPieceOnly) {
			c.Sentence += " Of some bag only one piece was tried: the energies may be other on the next."
		}
		return
	}
	c.plan()
}

// plan finds a machine for each bag: the fewest changes of dear levels, then of others, then
// the lowest energy.
func (c *Choice) plan() {
	options := make([][]int, len(c.Mix))
	var none []string
	for i, share := range c.Mix {
		for k, m := range c.Machines {
			if m.Bags[i].Answer == Holds && m.Bags[i].EnergyJ.OK() {
				options[i] = append(options[i], k)
			}
		}
		if options[i] == nil {
			none = append(none, share.Bag)
		}
	}
	if none != nil {
		c.Sentence = fmt.Sprintf("No choice yet: nothing tried was shown to hold %s.", strings.Join(none, ", "))
		return
	}
	// Sets of machines that cover all bags, smallest first: with few machines every set is
	// looked at, else one is taken after another for as many bags as it still serves.
	best, bestCost := []int(nil), math.Inf(1)
	try := func(use []int) {
		var cost float64
		take := make([]int, len(c.Mix))
		for i, share := range c.Mix {
			take[i] = -1
			for _, k := range options[i] {
				if slices.Contains(use, k) && (take[i] < 0 || c.Machines[k].Bags[i].EnergyJ.Value < c.Machines[take[i]].Bags[i].EnergyJ.Value) {
					take[i] = k
				}
			}
			if take[i] < 0 {
				return
			}
			cost += share.Share * c.Machines[take[i]].Bags[i].EnergyJ.Value
		}
		engines, machines := map[string]bool{}, map[int]bool{}
		for _, k := range take {
			engines[c.Machines[k].Engine], machines[k] = true, true
		}
		// Energies are far below 1e6 J, so that changes come first.
		cost += 1e12*float64(len(engines)) + 1e9*float64(len(machines))
		if cost < bestCost {
			best, bestCost = take, cost
		}
	}
	if n := len(c.Machines); n <= 16 {
		for set := 1; set < 1<<n; set++ {
			var use []int
			for k := range n {
				if set>>k&1 == 1 {
					use = append(use, k)
				}
			}
			try(use)
		}
	} else {
		var use []int
		left := slices.Clone(options)
		for slices.ContainsFunc(left, func(o []int) bool { return o != nil }) {
			serves := map[int]int{}
			for _, o := range left {
				for _, k := range o {
					serves[k]++
				}
			}
			most := -1
			for k := range c.Machines {
				if most < 0 || serves[k] > serves[most] {
					most = k
				}
			}
			use = append(use, most)
			for i, o := range left {
				if slices.Contains(o, most) {
					left[i] = nil
				}
			}
		}
		try(use)
	}
	used := map[int]bool{}
	var parts []string
	for i, k := range best {
		r := c.Machines[k].Bags[i]
		r.Setup = c.Machines[k].Levels
		c.Plan = append(c.Plan, r)
		used[k] = true
		parts = append(parts, fmt.Sprintf("%s for %s", r.Setup, r.Bag))
	}
	c.Changes = len(used) - 1
	c.Sentence = fmt.Sprintf("No one machine holds every bag; the cheapest plan of changes is %s.", strings.Join(parts, ", "))
}
