package compare

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
	"griptrial/config"
)

// An Answer is what a setup was shown to do about a requirement.
type Answer string

// The answers.
const (
	Holds    Answer = "holds"
	DoesNot  Answer = "does not"
	NotShown Answer = "not shown yet"
)

// A Criterion is one requirement with what the picks say about it.
type Criterion struct {
	Name    string  // "seal time", "lowest vacuum" or "drops"
	Share   float64 // of picks that may fail at most
	Limit   float64 // seal time in s, vacuum in kPa; NaN for drops
	Answer  Answer
	Picks   int
	Failed  int
	Rate    analyze.Figure // share that failed; Lo and Hi are one-sided bounds, each at the confidence
	Worth   float64        // independent picks that the picks are worth
	Free    float64        // distribution-free tolerance limit at the share and confidence; NaN where too few
	Normal  float64        // normal tolerance limit (of logarithms for times); NaN where refused
	ByShape bool           // the normal limit decided, the picks being too few for the other
	// Needed picks in all for "holds", if the failures stay as they are; 0 where it holds or no
	// number would do.
	Needed   int
	Rule     string // of a sequential test: its numbers, and where it stopped
	Warnings []analyze.Warning
}

// ByLimit reports whether the normal limit has given the answer: then the bound of the rate, which
// the few picks leave wide, is no reason for it.
func (c *Criterion) ByLimit() bool { return c.ByShape && c.Answer != NotShown }

// A Verdict is whether one setup meets the requirement.
type Verdict struct {
	Setup       string
	RequiredKPa float64
	Answer      Answer
	Criteria    []Criterion
	Picks       int
	Spoiled     int    // marked as spoiled, and left out
	WithSpoiled Answer // the answer if they were not, "" where there are none
	Touched     int    // touched by gaps, and counted
	Untouched   Answer // the answer without those, "" where there are none
	Pieces      int
	Warnings    []analyze.Warning
}

// Judge returns a verdict on every setup with picks, in the order of the trial's setups.
func Judge(t *Trial) []Verdict {
	bySetup, _ := split(t.units(), func(u unit) string { return u.setup.Name })
	with, spoiled := t.all()
	withSpoiled, _ := split(with.units(), func(u unit) string { return u.setup.Name })
	var all []Verdict
	for i := range t.Setups {
		name := t.Setups[i].Name
		if withSpoiled[name] == nil {
			continue
		}
		v := t.verdict(bySetup[name], func(p *Pick) bool { return true })
		v.Setup, v.RequiredKPa = name, t.RequiredVacuumKPa(name)
		if v.Touched > 0 {
			if v.Untouched = t.verdict(bySetup[name], func(p *Pick) bool { return !p.TouchedByGap }).Answer; v.Untouched != v.Answer {
				v.Warnings = append(v.Warnings, analyze.Warn1(GapsMatter, float64(v.Touched)))
			}
		}
		if spoiled > 0 {
			w := t.verdict(withSpoiled[name], func(p *Pick) bool { return true })
			if v.Spoiled = w.Picks - v.Picks; v.Spoiled > 0 {
				if v.WithSpoiled = w.Answer; w.Answer != v.Answer {
					v.Warnings = append(v.Warnings, analyze.Warn1(SpoiledMatters, float64(v.Spoiled)))
				}
			}
		}
		all = append(all, v)
	}
	return all
}

// verdict judges the picks of one setup that keep lets through. Before the planned picks are
// in, bounds hold however often one looks, and decide only where the plan is a sequential one.
func (t *Trial) verdict(units []unit, keep func(*Pick) bool) Verdict {
	q := &t.Requirement
	v := Verdict{Answer: Holds}
	pieces := map[string]bool{}
	var kept []unit
	for _, u := range units {
		pieces[u.piece] = true
		part := u
		part.picks = nil
		for _, p := range u.picks {
			if p.TouchedByGap {
				v.Touched++
			}
			if keep(p) {
				part.picks = append(part.picks, p)
				v.Picks++
			}
		}
		kept = append(kept, part)
	}
	v.Pieces = len(pieces)
	cluster := func(of func(p *Pick) float64) [][]float64 { return clusters(kept, of) }
	if !math.IsNaN(q.SealTimeLimitS) {
		v.Criteria = append(v.Criteria, t.limit("seal time", cluster(func(p *Pick) float64 { return Measures[0].of(&p.Pick) }),
			q.SealTimeLimitS, 1-q.SealTimeShare, 1))
	}
	if !math.IsNaN(q.VacuumMinKPa) {
		v.Criteria = append(v.Criteria, t.limit("lowest vacuum", cluster(func(p *Pick) float64 {
			switch p.Outcome {
			case pick.Unsealed, pick.Dropped: // it was carried at no vacuum at all, or lost it
				return math.Inf(-1)
			}
			return p.LowestVacuumKPa.Value
		}), q.VacuumMinKPa, 1-q.VacuumShare, -1))
	}
	if !math.IsNaN(q.DropsMaxRate) {
		if t.Design.Sequential {
			v.Criteria = append(v.Criteria, t.sequential(kept))
		} else {
			v.Criteria = append(v.Criteria, t.rate("drops", cluster(func(p *Pick) float64 { return dropped(&p.Pick) }), q.DropsMaxRate))
		}
	}
	for _, c := range v.Criteria {
		switch {
		case c.Answer == DoesNot:
			v.Answer = DoesNot
		case c.Answer == NotShown && v.Answer == Holds:
			v.Answer = NotShown
		}
	}
	if len(v.Criteria) == 0 {
		v.Answer = NotShown
		v.Warnings = append(v.Warnings, analyze.Warn(NotStated))
	} else if !t.Finished && !t.Design.Sequential {
		v.Warnings = append(v.Warnings, analyze.Warn(Provisional))
	}
	if v.Pieces == 1 {
		v.Warnings = append(v.Warnings, analyze.Warn(ThisPieceOnly))
	}
	return v
}

// clusters returns values by piece, or by run where pieces have no name; NaN ones are left
// out.
func clusters(units []unit, of func(p *Pick) float64) [][]float64 {
	groups, order := split(units, func(u unit) string {
		if u.piece == "" {
			return "\x00" + strconv.Itoa(u.run)
		}
		return u.piece
	})
	var out [][]float64
	for _, k := range order {
		var c []float64
		for _, u := range groups[k] {
			for _, p := range u.picks {
				if x := of(p); !math.IsNaN(x) {
					c = append(c, x)
				}
			}
		}
		if len(c) > 0 {
			out = append(out, c)
		}
	}
	return out
}

// dropped is 1 for a pick that dropped, 0 for one that did not, NaN where nothing was carried.
func dropped(p *pick.Pick) float64 {
	switch p.Outcome {
	case pick.Dropped:
		return 1
	case pick.Unsealed:
		return math.NaN()
	}
	return 0
}

// rate judges the rate of 1 among clusters of 0 and 1.
func (t *Trial) rate(name string, clusters [][]float64, most float64) Criterion {
	confidence := t.Requirement.Confidence
	c := Criterion{Name: name, Share: most, Limit: math.NaN(), Free: math.NaN(), Normal: math.NaN()}
	effect := designEffect(clusters, true)
	for _, x := range clusters {
		c.Picks += len(x)
		for _, v := range x {
			c.Failed += int(v)
		}
	}
	n, x := float64(c.Picks), float64(c.Failed)
	c.Worth = n / effect
	if effect > 1 {
		c.Warnings = append(c.Warnings, analyze.Warn1(DropsCluster, effect))
	}
	if n == 0 {
		c.Rate, c.Answer = analyze.None(), NotShown
		return c
	}
	c.Rate = analyze.Figure{Value: x / n, U: math.Sqrt(x / n * (1 - x/n) / c.Worth),
		Lo: stats.LowerBound(x/effect, c.Worth, confidence), Hi: stats.UpperBound(x/effect, c.Worth, confidence)}
	if !t.Finished {
		i := stats.AnytimeRate(x/effect, c.Worth, confidence)
		c.Rate.Lo, c.Rate.Hi = i.Lo, i.Hi
		c.Rate.Warnings = []analyze.Warning{analyze.Warn(Provisional)}
	}
	switch {
	case !t.decides():
		c.Answer = NotShown
	case c.Rate.Hi <= most:
		c.Answer = Holds
	case c.Rate.Lo > most:
		c.Answer = DoesNot
	default:
		c.Answer = NotShown
		c.Needed = int(math.Ceil(effect * float64(stats.PicksForRate(int(math.Ceil(x/effect)), most, confidence))))
		// The same failures among more picks: only where fewer than that have been made.
		if c.Needed <= c.Picks {
			c.Needed = 0
		} else {
			c.Warnings = append(c.Warnings, analyze.Warn1(MorePicks, float64(c.Needed-c.Picks)))
		}
	}
	return c
}

// decides reports whether verdicts may be given: the planned picks are in, or the plan is one
// that may stop at any time.
func (t *Trial) decides() bool { return t.Finished || t.Design.Sequential }

// limit judges the share of values on the wrong side of limit: above it for side 1,
// below for −1. The distribution-free limit decides where there are enough independent picks
// for it, else the normal one; the choice depends on their number only.
func (t *Trial) limit(name string, clusters [][]float64, limit, share, side float64) Criterion {
	confidence := t.Requirement.Confidence
	var flat []float64
	bad := make([][]float64, len(clusters))
	for i, x := range clusters {
		for _, v := range x {
			flat = append(flat, v)
			f := 0.0
			if side*v > side*limit {
				f = 1
			}
			bad[i] = append(bad[i], f)
		}
	}
	c := t.rate(name, bad, share)
	c.Limit = limit
	// Values of one piece are alike even where none fails.
	effect := designEffect(clusters, false)
	c.Worth = min(c.Worth, float64(len(flat))/effect)
	if !t.Finished {
		return c // tolerance limits are of a size fixed beforehand
	}
	sorted := slices.Clone(flat)
	for i := range sorted {
		sorted[i] *= side
	}
	slices.Sort(sorted)
	if r := stats.FreeRank(int(c.Worth), 1-share, confidence); r > 0 {
		// The same share of the picks lies beyond as beyond the rank among as many as count.
		k := max(1, int(float64(r)*float64(len(sorted))/math.Floor(c.Worth)))
		c.Free = side * sorted[len(sorted)-k]
	}
	finite := len(sorted) > 0 && !math.IsInf(sorted[len(sorted)-1], 0) && (side < 0 || sorted[0] > 0)
	if finite && c.Worth >= 3 {
		x := flat
		back := func(v float64) float64 { return v }
		if side > 0 {
			x = make([]float64, len(flat))
			for i, v := range flat {
				x[i] = math.Log(v)
			}
			back = math.Exp
		}
		k := stats.ToleranceFactor(c.Worth, 1-share, confidence)
		mean, sd, edge := stats.Mean(x), stats.SD(x), limit
		if side > 0 {
			edge = math.Log(limit)
		}
		c.Normal = back(mean + side*k*sd)
		// The few picks that fail, a cup off, may be of another kind than the others. A normal limit
		// says nothing of them where more failed than may, or more (at 99 %) than it has beyond the limit.
		beyond := 0.5 * math.Erfc(side*(edge-mean)/sd/math.Sqrt2)
		if failed, n := float64(c.Failed), float64(c.Picks); failed > 0 && side*c.Normal <= side*limit && (failed > share*n || stats.LowerBound(failed, n, 0.99) > beyond) {
			c.Normal = math.NaN()
		}
	}
	if math.IsNaN(c.Normal) {
		c.Warnings = append(c.Warnings, analyze.Warn(NormalRefused))
	}
	need := stats.FreeSize(1, 1-share, confidence)
	if math.IsNaN(c.Free) && c.Answer == NotShown && !math.IsNaN(c.Normal) {
		c.ByShape = true
		if side*c.Normal <= side*limit {
			c.Answer, c.Needed = Holds, 0
			c.Warnings = slices.DeleteFunc(c.Warnings, func(w analyze.Warning) bool { return w.Code == MorePicks })
		}
	}
	if c.Answer == Holds && !c.ByShape && int(c.Worth) < need && need > 0 {
		// Failures do not cluster because there are none, but the values do.
		c.Answer = NotShown
		c.Warnings = append(c.Warnings, analyze.Warn2(TooFewPicks, math.Floor(c.Worth), float64(need)))
		if !math.IsNaN(c.Normal) && side*c.Normal <= side*limit {
			c.Answer, c.ByShape = Holds, true
		}
	}
	return c
}

// designEffect returns by how much values of one cluster being alike lowers what they are
// worth: 1 + (m−1)·ρ with the intraclass correlation from the analysis of variance and the
// mean size m weighted by size (Kish 1965, Survey Sampling, 5.4). It is 1 where there is one
// cluster only and, with shown set, where an F test shows no difference of clusters: at 25 %, as
// befits a test that decides on pooling (Bancroft 1964, Biometrics 20, 427–442); there few
// clusters count for less by the square of t over the normal deviate (Korn and Graubard 1998).
func designEffect(clusters [][]float64, shown bool) float64 {
	var n, squares float64
	finite := true
	for _, c := range clusters {
		n += float64(len(c))
		squares += float64(len(c) * len(c))
		for _, v := range c {
			finite = finite && !math.IsInf(v, 0)
		}
	}
	if len(clusters) < 2 || n <= float64(len(clusters)) {
		return 1
	}
	if !finite { // ranks keep the order of values that are longer than any
		clusters = ranked(clusters)
	}
	a := stats.AnalyseGroups(clusters)
	if a.Within.SS == 0 && a.Between.SS > 0 {
		return squares / n // each cluster is of one mind
	}
	if shown && !(a.Between.P < 0.25) || !(a.WithinVar+a.BetweenVar > 0) {
		return 1
	}
	rho := min(1, max(0, a.BetweenVar/(a.BetweenVar+a.WithinVar)))
	effect := 1 + (squares/n-1)*rho
	if shown && effect > 1 {
		few := stats.TQuantile(0.975, a.Between.DF) / stats.NormalQuantile(0.975)
		effect *= few * few
	}
	return effect
}

func ranked(clusters [][]float64) [][]float64 {
	flat := slices.Concat(clusters...)
	ranks := stats.Ranks(flat)
	out := make([][]float64, len(clusters))
	i := 0
	for k, c := range clusters {
		out[k] = ranks[i : i+len(c)]
		i += len(c)
	}
	return out
}

// sequential judges drops by Wald's test, pick by pick: it stops at the first boundary, and
// picks made after that change nothing. Bounds of fixed size are not given.
func (t *Trial) sequential(units []unit) Criterion {
	d := &t.Design
	test := stats.NewSPRT(d.GoodRate, d.BadRate, d.Alpha, d.Beta)
	c := Criterion{Name: "drops", Share: t.Requirement.DropsMaxRate, Limit: math.NaN(), Free: math.NaN(), Normal: math.NaN(),
		Answer: NotShown, Rate: analyze.None(), Warnings: []analyze.Warning{analyze.Warn(Sequential)},
		Rule: fmt.Sprintf("sequential test: good %s, bad %s, alpha %s, beta %s", config.Share.Format(d.GoodRate), config.Share.Format(d.BadRate), config.Share.Format(d.Alpha), config.Share.Format(d.Beta))}
	for _, u := range units {
		for _, p := range u.picks {
			v := dropped(&p.Pick)
			if math.IsNaN(v) {
				continue
			}
			c.Picks++
			c.Failed += int(v)
			switch test.Decide(c.Failed, c.Picks) {
			case 1: // shows that the rate is below the bad one, whatever the requirement says
				c.Rule += fmt.Sprintf("; stopped as good at pick %d", c.Picks)
				if d.BadRate <= c.Share {
					c.Answer = Holds
				}
			case -1:
				c.Rule += fmt.Sprintf("; stopped as bad at pick %d", c.Picks)
				c.Answer = DoesNot
			default:
				continue
			}
			c.Worth = float64(c.Picks)
			return c
		}
	}
	c.Worth = float64(c.Picks)
	for n := c.Picks; ; n++ {
		if test.Accept(n) >= c.Failed || math.IsNaN(test.S) {
			c.Needed = n
			break
		}
	}
	c.Warnings = append(c.Warnings, analyze.Warn1(MorePicks, float64(c.Needed-c.Picks)))
	return c
}
