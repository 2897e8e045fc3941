// Package compare turns the picks of a trial into answers: which setup is better and by how
// much, which one meets the requirement, which to choose for a mix of bags, how a long run
// drifts, and how many picks it takes. It comes after analyze/pick and analyze/stats and
// before report.
package compare

import (
	"maps"
	"math"
	"slices"
	"strings"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
	"griptrial/config"
)

// The warnings of a comparison. A and B are what the comment says.
const (
	ThisPieceOnly   analyze.Code = "this piece only"              // one piece a level: nothing is said of others
	NotTestable     analyze.Code = "not testable"                 // A, B: independent units of each level
	TooFewPicks     analyze.Code = "too few independent picks"    // A: had, B: needed
	MorePieces      analyze.Code = "more pieces needed"           // A: of each level, to see a difference of B percent at 80 %; B NaN: to learn their spread at all
	MorePicks       analyze.Code = "more picks needed"            // A: about how many, if things stay as they are
	Autocorrelated  analyze.Code = "picks depend on each other"   // A: lag-1 autocorrelation, B: what one is worth
	Drifts          analyze.Code = "drifts over the trial"        // A: p of no drift
	OrderConfounded analyze.Code = "tried one after the other"    // a drift would look like a difference
	SidesNotSwapped analyze.Code = "sides not swapped"            // the stations' difference is in the effect
	SidesDiffer     analyze.Code = "sides differ"                 // A: left less right in percent, taken out of the effect
	Provisional     analyze.Code = "provisional"                  // the plan is not finished: an anytime-valid interval
	Unadjusted      analyze.Code = "interval not adjusted"        // for the number of comparisons; the verdict is
	NotIndependent  analyze.Code = "stations share an engine"     //
	DropsCluster    analyze.Code = "drops cluster"                // A: design effect, that counts divide by
	NormalRefused   analyze.Code = "normal limit refused"         // picks are unsealed, too few, or fail in another way
	Sequential      analyze.Code = "stopped sequentially"         // no bounds of fixed size are given
	SpoiledMatters  analyze.Code = "spoiled picks matter"         // A: picks marked as spoiled; with them the answer differs
	GapsMatter      analyze.Code = "picks touched by gaps matter" // A: such picks; without them the answer differs
	DifferentStarts analyze.Code = "seal times start differently" // of different seal_from: not compared
	OtherStarts     analyze.Code = "picks with another start"     // A: left out, because few seal times start so
	EnergyMissing   analyze.Code = "picks without energy"         // A: of these what the engine draws was not measured
	EnergyUnlike    analyze.Code = "energy measured differently"  // by stations whose engines are not known
	NotStated       analyze.Code = "no requirement stated"        //
)

// A Pick is a pick with what was tried in it.
type Pick struct {
	pick.Pick
	Setup   string
	Piece   string
	Spoiled string // why a person marked it as spoiled, "" where nobody did
}

// A Trial is what is compared: the plan and the picks, each station's in order of time.
// Spoiled picks are left out of every figure; Compare and Judge say what changes with them.
type Trial struct {
	*config.Trial
	Picks    []Pick
	Finished bool      // the plan has been carried out; else answers are provisional
	Current  int       // the run that is being made, 0 for none
	Shared   bool      // stations hang on one engine: what one does, the other feels
	Unlike   bool      // stations measure energy by different channels, and what their engines draw is not known
	Line     *Line     // what the channels say of the rate, for Soaks; nil where they were not read
	StartsS  []float64 // of the runs made so far
	// Changes say, by station and in the order of time, in which runs an operator had it; nil
	// where runs followed each other from StartsS on.
	Changes map[string][]RunFrom

	withSpoiled bool
}

// all returns the trial with its spoiled picks counted as the others are, and how many they
// are.
func (t *Trial) all() (*Trial, int) {
	n := 0
	for i := range t.Picks {
		if t.Picks[i].Spoiled != "" {
			n++
		}
	}
	with := *t
	with.withSpoiled = true
	return &with, n
}

// A Measure is a figure of a pick that setups are compared by.
type Measure struct {
	Name      string  // as in JSON
	Words     string  // for people
	Short     string  // as the head of a column, before the unit
	Unit      string  // as shown
	Scale     float64 // from the unit inside to the one shown
	Better    float64 // +1 where more is better, −1 where less is
	Skewed    bool    // times: compared by ranks where there are enough units
	of        func(p *pick.Pick) float64
	cases     bool // a count of cases: 1 or 0 a pick, compared by exact tests
	fromStart bool // counts from what each pick's SealFrom says: others are not mixed
	// margin is taken off before values are compared in absolute terms: what the setup needs.
	margin func(p *pick.Pick) float64
}

// Of returns the measure's value of a pick, in the unit inside; NaN where it has none, infinite
// where it never sealed.
func (m *Measure) Of(p *pick.Pick) float64 { return m.of(p) }

func value(get func(*pick.Pick) *analyze.Figure) func(*pick.Pick) float64 {
	return func(p *pick.Pick) float64 { return get(p).Value }
}

// Measures are the figures that setups are compared by.
var Measures = []Measure{
	{Name: "seal_time_s", Words: "seal time", Short: "seal", Unit: "ms", Scale: 1e3, Better: -1, Skewed: true, fromStart: true, of: func(p *pick.Pick) float64 {
		if p.Outcome == pick.Unsealed {
			return math.Inf(1)
		}
		return p.SealTimeS.Value
	}},
	{Name: "hold_vacuum_kPa", Words: "hold vacuum", Short: "hold", Unit: "kPa", Scale: 1, Better: 1,
		of: value(func(p *pick.Pick) *analyze.Figure { return &p.HoldVacuumKPa }), margin: func(p *pick.Pick) float64 { return p.RequiredKPa }},
	{Name: "lowest_vacuum_kPa", Words: "lowest vacuum", Short: "lowest", Unit: "kPa", Scale: 1, Better: 1,
		of: value(func(p *pick.Pick) *analyze.Figure { return &p.LowestVacuumKPa }), margin: func(p *pick.Pick) float64 { return p.RequiredKPa }},
	{Name: "leak_flow_Lmin", Words: "leak flow", Short: "leak", Unit: "L/min ANR", Scale: 1, Better: -1,
		of: value(func(p *pick.Pick) *analyze.Figure { return &p.LeakFlowLminANR })},
	{Name: "energy_J", Words: "energy per pick", Short: "energy", Unit: "J", Scale: 1, Better: -1,
		of: value(func(p *pick.Pick) *analyze.Figure { return &p.EnergyJ })},
	{Name: "response_delay_s", Words: "response delay", Short: "response", Unit: "ms", Scale: 1e3, Better: -1, Skewed: true,
		of: value(func(p *pick.Pick) *analyze.Figure { return &p.ResponseDelayS })},
	{Name: "leak_down_kPa_s", Words: "leak-down", Short: "leak-down", Unit: "kPa/s", Scale: 1, Better: 1,
		of: value(func(p *pick.Pick) *analyze.Figure { return &p.LeakDownKPaS })},
	{Name: "release_time_s", Words: "release time", Short: "release", Unit: "ms", Scale: 1e3, Better: -1, Skewed: true,
		of: value(func(p *pick.Pick) *analyze.Figure { return &p.ReleaseTimeS })},
	{Name: "drop_rate", Words: "drops", Short: "drops", Unit: "per 1,000", Scale: 1e3, Better: -1, cases: true, of: dropped},
}

// MeasureOf returns the measure with the given name, nil where there is none.
func MeasureOf(name string) *Measure {
	for i := range Measures {
		if Measures[i].Name == name {
			return &Measures[i]
		}
	}
	return nil
}

// A unit is the picks of one run on one station: one setup, one piece.
type unit struct {
	setup   *config.Setup
	station string
	piece   string
	run     int
	plot    int // whole plot: a stretch of runs without re-tooling
	picks   []*Pick
}

// units groups picks by run and station, in order of runs. Picks outside planned runs, of
// unknown setups and spoiled ones are left out.
func (t *Trial) units() []unit {
	type key struct {
		run     int
		station string
	}
	at := map[key]int{}
	var all []unit
	for i := range t.Picks {
		p := &t.Picks[i]
		s := t.Setup(p.Setup)
		if s == nil || p.Outcome == pick.Open || p.Spoiled != "" && !t.withSpoiled {
			continue
		}
		k := key{p.Run, p.Station}
		j, ok := at[k]
		if !ok {
			j = len(all)
			at[k] = j
			all = append(all, unit{setup: s, station: p.Station, piece: p.Piece, run: p.Run})
		}
		all[j].picks = append(all[j].picks, p)
	}
	slices.SortStableFunc(all, func(a, b unit) int { return a.run - b.run })
	// A stretch ends where any station's dear levels change; within one, equal levels are one
	// whole plot, on however many stations they stand.
	hard := t.dear()
	type plot struct {
		stretch int
		level   string
	}
	now := map[string]string{}
	plots := map[plot]int{}
	stretch := 0
	for i := range all {
		u := &all[i]
		level := levels(u.setup, hard)
		if was, ok := now[u.station]; ok && was != level {
			stretch++
			clear(now)
		}
		now[u.station] = level
		k := plot{stretch, level}
		if plots[k] == 0 {
			plots[k] = len(plots) + 1
		}
		u.plot = plots[k]
	}
	return all
}

// dear are the factors that change seldom: those that the plan says, else the engine, which
// nobody changes for a single bag.
func (t *Trial) dear() []string {
	if t.Design.WholePlots != nil {
		return t.Design.WholePlots
	}
	return []string{"engine", "engine_setting"}
}

// levels joins a setup's levels of factors.
func levels(s *config.Setup, factors []string) string {
	parts := make([]string, len(factors))
	for i, f := range factors {
		parts[i] = s.Level(f)
	}
	return strings.Join(parts, " | ")
}

// stated returns levels without those that a setup does not state.
func stated(levels string) string {
	parts := slices.DeleteFunc(strings.Split(levels, " | "), func(p string) bool { return strings.TrimSpace(p) == "" })
	return strings.Join(parts, " | ")
}

// A view is a unit as one measure sees it. NaN values are left out.
type view struct {
	*unit
	place    int       // among all units, in order of runs
	raw      []float64 // in order of time
	above    []float64 // raw above what each pick needs, sorted
	logs     []float64 // of raw, sorted; nothing where a value is not above 0
	positive bool      // all values are above 0
	mid      blockMean
}

// look returns the views of units that have the measure.
func look(units []unit, m *Measure) []view {
	var all []view
	for i := range units {
		n := len(units[i].picks)
		v := view{unit: &units[i], place: i, positive: true, raw: make([]float64, 0, n)}
		if m.margin != nil {
			v.above = make([]float64, 0, n)
		}
		for _, p := range v.picks {
			x := m.of(&p.Pick)
			if math.IsNaN(x) {
				continue
			}
			v.raw = append(v.raw, x)
			v.positive = v.positive && x > 0
			if m.margin != nil {
				v.above = append(v.above, x-m.margin(&p.Pick))
			}
		}
		if len(v.raw) > 0 {
			sorted := slices.Sorted(slices.Values(v.raw))
			if v.positive {
				v.logs = make([]float64, len(sorted))
				for k, x := range sorted {
					v.logs[k] = math.Log(x)
				}
			}
			if m.margin == nil {
				v.above = sorted
			} else {
				slices.Sort(v.above)
			}
			v.mid = blockMean{middle(m, v.above), middle(m, v.logs), middle(m, v.raw)}
			all = append(all, v)
		}
	}
	return all
}

// strays is the share of picks whose seal time may start otherwise than the others' and be
// left out for it: a touch that one scan missed must not stop a comparison.
const strays = 0.1

// mainStart returns how the seal times of most picks of units start; one is true where all do.
func mainStart(units []*unit) (most string, one bool) {
	count := map[string]int{}
	for _, u := range units {
		for _, p := range u.picks {
			if p.SealFrom != "" {
				count[p.SealFrom]++
			}
		}
	}
	for _, from := range slices.Sorted(maps.Keys(count)) {
		if count[from] > count[most] {
			most = from
		}
	}
	return most, len(count) < 2
}

// starting returns a unit with its picks whose seal times start from the event given, or that have
// none, and how many others it has.
func (u *unit) starting(from string) (ones unit, others int) {
	ones = *u
	ones.picks = slices.DeleteFunc(slices.Clone(u.picks), func(p *Pick) bool { return p.SealFrom != "" && p.SealFrom != from })
	return ones, len(u.picks) - len(ones.picks)
}

// oneStart returns the views of each level with the picks whose seal times start as most do,
// and how many were left out; ok is false where too many of a level start otherwise: times of
// different seal_from must not be mixed. Other measures know no start.
func oneStart(m *Measure, levels ...[]view) (ones [][]view, out int, ok bool) {
	if !m.fromStart {
		return levels, 0, true
	}
	var units []*unit
	for _, v := range slices.Concat(levels...) {
		units = append(units, v.unit)
	}
	most, one := mainStart(units)
	if one {
		return levels, 0, true
	}
	ok = true
	for _, views := range levels {
		var kept []view
		had, gone := 0, 0
		for _, v := range views {
			u, others := v.starting(most)
			had, gone = had+len(v.picks), gone+others
			for _, w := range look([]unit{u}, m) {
				w.place = v.place
				kept = append(kept, w)
			}
		}
		ones = append(ones, kept)
		out += gone
		ok = ok && float64(gone) <= strays*float64(had)
	}
	return ones, out, ok
}

// SpreadOf returns how much a measure differs between pieces, runs and picks of one setup,
// as standard deviations in percent, by restricted maximum likelihood on logarithms. ok is
// false where the trial cannot tell. Unsealed picks are left out.
func SpreadOf(t *Trial, m *Measure) (spread stats.Spread, ok bool) {
	blocks, setups := map[string]int{}, map[string]int{}
	number := func(of map[string]int, key string) int {
		n, known := of[key]
		if !known {
			n = len(of)
			of[key] = n
		}
		return n
	}
	var all []stats.Unit
	for _, u := range look(t.units(), m) {
		var logs []float64
		for _, v := range u.logs {
			if !math.IsInf(v, 1) {
				logs = append(logs, 100*v)
			}
		}
		if len(logs) > 0 && u.piece != "" {
			all = append(all, stats.NewUnit(number(blocks, u.setup.Bag+"\x00"+u.piece), number(setups, u.setup.Name), logs))
		}
	}
	fit, ok := stats.FitREML(all)
	return fit.Spread, ok
}
