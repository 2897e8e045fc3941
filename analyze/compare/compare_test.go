package compare

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
	"griptrial/config"
)

func hasCode(ws []analyze.Warning, c analyze.Code) bool { return analyze.Figure{Warnings: ws}.Has(c) }

func effectOf(t *testing.T, c Comparison, measure string) Effect {
	for _, e := range c.Effects {
		if e.Measure.Name == measure {
			return e
		}
	}
	require.Fail(t, "no effect of "+measure)
	return Effect{}
}

// With pieces as pairs and no other spread, the numbers are those of the paired t test on
// logarithms of the pieces' means, done by hand.
func TestPairedByHand(t *testing.T) {
	m := made{bags: 1, cups: 2, pieces: 4, picks: 3, pieceSD: 0.3, runSD: 0.05, pickSD: 0.02, effect: []float64{0.8, 1}, requirement: noRequirement()}
	trial := m.trial(seeded(1, 0))
	e := effectOf(t, Compare(trial, Options{Measures: []string{"energy_J"}}), "energy_J")
	sum, n := map[[2]string]float64{}, map[[2]string]float64{}
	for _, p := range trial.Picks {
		k := [2]string{p.Setup, p.Piece}
		sum[k] += math.Log(p.EnergyJ.Value)
		n[k]++
	}
	var d []float64
	for i := range 4 {
		a, b := [2]string{"bag 1 | " + e.A, fmt.Sprintf("P%d", i)}, [2]string{"bag 1 | " + e.B, fmt.Sprintf("P%d", i)}
		d = append(d, sum[a]/n[a]-sum[b]/n[b])
	}
	want := stats.OneSample(d, 0.95)
	assert.Equal(t, "paired t", e.Method)
	assert.Equal(t, "piece", e.Block)
	assert.True(t, e.Paired)
	assert.Equal(t, 4, e.NA)
	assert.InDelta(t, 100*math.Expm1(want.Diff), e.Percent.Value, 1e-9)
	assert.InDelta(t, 100*math.Expm1(want.Lo), e.Percent.Lo, 1e-9)
	assert.InDelta(t, want.P, e.P, 1e-12)
	assert.Equal(t, e.P, e.Adjusted, "one test is a family of one")
}

func TestFindings(t *testing.T) {
	strong := made{bags: 1, cups: 3, pieces: 10, picks: 5, pieceSD: 0.1, runSD: 0.02, pickSD: 0.05, effect: []float64{0.7, 1, 1}, requirement: noRequirement()}
	for _, c := range []struct {
		name  string
		m     made
		edit  func(*Trial)
		want  []Finding // of energy, all pairs
		warns []analyze.Code
	}{
		{name: "one piece", m: made{bags: 1, cups: 2, pieces: 1, picks: 30, pickSD: 0.05, effect: []float64{0.5, 1}, requirement: noRequirement()},
			want: []Finding{OnePiece}, warns: []analyze.Code{ThisPieceOnly, MorePieces}},
		{name: "one piece, two picks", m: made{bags: 1, cups: 2, pieces: 1, picks: 2, pickSD: 0.05, requirement: noRequirement()},
			want: []Finding{OnePiece}, warns: []analyze.Code{TooFewPicks}},
		{name: "not finished", m: strong, edit: func(t *Trial) { t.Finished = false },
			want: []Finding{NotYet, NotYet, NotYet}, warns: []analyze.Code{Provisional}},
		{name: "dear factor set up once", m: made{bags: 1, cups: 2, pieces: 6, picks: 3, pickSD: 0.05, effect: []float64{0.5, 1}, requirement: noRequirement()},
			edit: func(t *Trial) { // all of cup 1 first: one whole plot each
				t.Design.WholePlots = []string{"cup"}
				for i := range t.Picks {
					if strings.HasSuffix(t.Picks[i].Setup, "cup 2") {
						t.Picks[i].Run += 1000
					}
				}
			}, want: []Finding{Untestable}, warns: []analyze.Code{NotTestable}},
		{name: "one after the other", m: made{bags: 1, cups: 2, pieces: 6, picks: 3, pieceSD: 0.05, pickSD: 0.05, nested: true, effect: []float64{0.5, 1}, requirement: noRequirement()},
			edit: func(t *Trial) {
				for i := range t.Picks {
					if strings.HasSuffix(t.Picks[i].Setup, "cup 2") {
						t.Picks[i].Run += 1000
					}
				}
			}, warns: []analyze.Code{OrderConfounded}},
	} {
		t.Run(c.name, func(t *testing.T) {
			trial := c.m.trial(seeded(2, 0))
			if c.edit != nil {
				c.edit(trial)
			}
			r := Compare(trial, Options{Measures: []string{"energy_J"}})
			require.NotEmpty(t, r.Effects)
			for i, f := range c.want {
				assert.Equal(t, f, r.Effects[i].Finding)
			}
			for _, w := range c.warns {
				assert.True(t, hasCode(r.Effects[0].Warnings, w), "%s in %v", w, r.Effects[0].Warnings)
			}
		})
	}
}

func TestLetters(t *testing.T) {
	m := made{bags: 1, cups: 3, pieces: 10, picks: 5, pieceSD: 0.1, runSD: 0.02, pickSD: 0.05, effect: []float64{0.7, 1, 1}, requirement: noRequirement()}
	r := Compare(m.trial(seeded(3, 0)), Options{Measures: []string{"energy_J"}})
	require.Len(t, r.Letters, 1)
	l := r.Letters[0].Levels
	assert.Equal(t, []string{"cup 1", "a"}, []string{l[0].Level, l[0].Letters})
	assert.Equal(t, "b", l[1].Letters)
	assert.Equal(t, "b", l[2].Letters)
	assert.Equal(t, 3, r.Tests)
	// A chain: 1 and 3 apart, 2 with both.
	x := Comparison{Effects: []Effect{{Measure: &Measures[0], A: "1", B: "3", Finding: Better}}}
	got := x.letter(Letters{Measure: &Measures[0], Levels: []Lettered{{Level: "1"}, {Level: "2"}, {Level: "3"}}})
	assert.Equal(t, []string{"a", "ab", "b"}, []string{got.Levels[0].Letters, got.Levels[1].Letters, got.Levels[2].Letters})
	assert.Equal(t, "aa", letter(26))
	// Of one piece, before the plan is finished, or untestable: a letter in common would be a finding.
	for _, f := range []Finding{OnePiece, NotYet, Untestable} {
		x.Effects = append(x.Effects[:1:1], Effect{Measure: &Measures[0], A: "1", B: "2", Finding: f})
		for _, v := range x.letter(Letters{Measure: &Measures[0], Levels: []Lettered{{Level: "1"}, {Level: "2"}, {Level: "3"}}}).Levels {
			assert.Empty(t, v.Letters, "%s", f)
		}
	}
}

// Two stations side by side, sides swapped half-way: what the side does goes into the side
// effect, not into the cups'.
func TestSides(t *testing.T) {
	trial := func(swap bool) *Trial {
		r := seeded(4, 0)
		t := &Trial{Trial: &config.Trial{Requirement: noRequirement()}, Finished: true}
		for _, c := range []string{"cup 1", "cup 2"} {
			t.Setups = append(t.Setups, config.Setup{Name: c, Bag: "sachet", Cup: c, Cups: 1})
		}
		for run := 1; run <= 12; run++ {
			for i, station := range []string{"left", "right"} {
				cup := []string{"cup 1", "cup 2"}[i]
				if swap && run > 6 {
					cup = []string{"cup 2", "cup 1"}[i]
				}
				side := []float64{1.5, 1}[i]
				for range 3 {
					p := pick.Pick{Run: run, Station: station, Outcome: pick.Released}
					p.SealTimeS, p.HoldVacuumKPa, p.LowestVacuumKPa = analyze.None(), analyze.None(), analyze.None()
					p.ResponseDelayS, p.LeakFlowLminANR, p.LeakDownKPaS, p.ReleaseTimeS = analyze.None(), analyze.None(), analyze.None(), analyze.None()
					p.EnergyJ = analyze.Figure{Value: 100 * side * math.Exp(0.02*r.NormFloat64())}
					t.Picks = append(t.Picks, Pick{Pick: p, Setup: cup, Piece: fmt.Sprint("P", run)})
				}
			}
		}
		return t
	}
	shared := trial(true)
	shared.Shared = true
	assert.True(t, hasCode(effectOf(t, Compare(shared, Options{}), "energy_J").Warnings, NotIndependent))
	e := effectOf(t, Compare(trial(true), Options{}), "energy_J")
	assert.False(t, hasCode(e.Warnings, NotIndependent))
	assert.Equal(t, "crossover, t", e.Method)
	assert.Equal(t, NotApart, e.Finding)
	assert.InDelta(t, 50, e.Sides.Value, 3)
	assert.True(t, hasCode(e.Warnings, SidesDiffer))
	assert.InDelta(t, 0, e.Percent.Value, 2)
	e = effectOf(t, Compare(trial(false), Options{}), "energy_J")
	assert.True(t, hasCode(e.Warnings, SidesNotSwapped))
	assert.InDelta(t, math.Log(1.5), math.Abs(math.Log1p(e.Percent.Value/100)), 0.02, "side and cup cannot be told apart")
}

// A cup that comes off in some picks is no scatter of the others: what is normal of those does not
// overrule the failures that were seen, however far the others lie from the limit.
func TestNormalLimitYieldsToFailures(t *testing.T) {
	for failed, want := range map[int]Answer{0: Holds, 1: NotShown, 3: NotShown, 60: DoesNot} {
		m := made{bags: 1, cups: 1, pieces: 12, picks: 15, pickSD: 0.05, requirement: noRequirement()}
		trial := m.trial(seeded(5, 0))
		trial.Requirement.VacuumMinKPa, trial.Requirement.VacuumShare = 10, 0.99
		rng := seeded(6, 0)
		for i := range trial.Picks {
			trial.Picks[i].LowestVacuumKPa.Value = 17.9 + 0.4*rng.NormFloat64()
		}
		for i := range failed {
			trial.Picks[(i*13+5)%len(trial.Picks)].LowestVacuumKPa.Value = 8 + 0.01*float64(i)
		}
		c := Judge(trial)[0].Criteria[0]
		assert.Equal(t, want, c.Answer, "%d failed: %+v", failed, c)
		assert.Equal(t, failed, c.Failed)
		assert.Equal(t, failed > 0 && failed < 60, hasCode(c.Warnings, NormalRefused), "%d failed: %+v", failed, c)
	}
}

func TestJudge(t *testing.T) {
	m := made{bags: 1, cups: 1, pieces: 12, picks: 25, pieceSD: 0, runSD: 0, pickSD: 0.1, requirement: noRequirement()}
	for _, c := range []struct {
		name     string
		unsealed float64
		dropped  float64
		edit     func(*Trial)
		want     Answer
		warns    analyze.Code
	}{
		{name: "seal time holds", edit: func(t *Trial) { t.Requirement.SealTimeLimitS, t.Requirement.SealTimeShare = 0.4, 0.95 }, want: Holds},
		{name: "seal time does not", edit: func(t *Trial) { t.Requirement.SealTimeLimitS, t.Requirement.SealTimeShare = 0.2, 0.95 }, want: DoesNot},
		{name: "unsealed picks are longer than any", unsealed: 0.2, edit: func(t *Trial) { t.Requirement.SealTimeLimitS, t.Requirement.SealTimeShare = 0.4, 0.95 }, want: DoesNot, warns: NormalRefused},
		{name: "drops not shown", edit: func(t *Trial) { t.Requirement.DropsMaxRate = 1e-4 }, want: NotShown, warns: MorePicks},
		{name: "drops hold", edit: func(t *Trial) { t.Requirement.DropsMaxRate = 0.02 }, want: Holds},
		{name: "drops do not", dropped: 0.1, edit: func(t *Trial) { t.Requirement.DropsMaxRate = 0.02 }, want: DoesNot},
		{name: "sequential", edit: func(t *Trial) {
			t.Requirement.DropsMaxRate = 0.05
			t.Design = config.Design{Sequential: true, GoodRate: 0.005, BadRate: 0.05, Alpha: 0.05, Beta: 0.05}
		}, want: Holds, warns: Sequential},
		{name: "not finished", edit: func(t *Trial) { t.Requirement.DropsMaxRate, t.Finished = 0.02, false }, want: NotShown},
		{name: "nothing required", edit: func(t *Trial) {}, want: NotShown},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := m
			m.unsealed, m.dropped = c.unsealed, c.dropped
			trial := m.trial(seeded(5, 0))
			c.edit(trial)
			v := Judge(trial)
			require.Len(t, v, 1)
			assert.Equal(t, c.want, v[0].Answer, "%+v", v[0])
			if c.warns != "" {
				assert.True(t, hasCode(v[0].Criteria[0].Warnings, c.warns), "%v", v[0].Criteria[0].Warnings)
			}
			if c.name == "sequential" {
				assert.False(t, v[0].Criteria[0].Rate.OK(), "no bounds of fixed size")
				// 300 picks without a drop: the test stopped at the first n with 0 ≤ −h1 + s·n.
				s := stats.NewSPRT(0.005, 0.05, 0.05, 0.05)
				assert.Equal(t, int(math.Ceil(s.H1/s.S)), v[0].Criteria[0].Picks)
			}
			if c.name == "drops not shown" {
				assert.Equal(t, 29956, v[0].Criteria[0].Needed)
			}
		})
	}
}

// Spoiled picks decide: with them the setup does not hold, and that is said.
func TestSpoiled(t *testing.T) {
	m := made{bags: 1, cups: 1, pieces: 12, picks: 25, pickSD: 0.1, requirement: noRequirement()}
	trial := m.trial(seeded(6, 0))
	trial.Requirement.DropsMaxRate = 0.02
	for i := range 30 {
		trial.Picks[10*i].Outcome, trial.Picks[10*i].TouchedByGap = pick.Dropped, true
	}
	v := Judge(trial)[0]
	assert.Equal(t, []Answer{DoesNot, Holds, ""}, []Answer{v.Answer, v.Untouched, v.WithSpoiled})
	assert.Equal(t, []int{30, 0}, []int{v.Touched, v.Spoiled})
	assert.True(t, hasCode(v.Warnings, GapsMatter))
	// The same picks, marked by a person: left out, and the answer with them is said.
	for i := range 30 {
		trial.Picks[10*i].TouchedByGap, trial.Picks[10*i].Spoiled = false, "knocked hose"
	}
	v = Judge(trial)[0]
	assert.Equal(t, []Answer{Holds, DoesNot, ""}, []Answer{v.Answer, v.WithSpoiled, v.Untouched})
	assert.Equal(t, []int{270, 30}, []int{v.Picks, v.Spoiled})
	assert.True(t, hasCode(v.Warnings, SpoiledMatters))
	// A setup all of whose picks are spoiled is not silently gone.
	for i := range trial.Picks {
		trial.Picks[i].Spoiled = "wrong bag"
	}
	v = Judge(trial)[0]
	assert.Equal(t, []int{0, 300}, []int{v.Picks, v.Spoiled})
	assert.Equal(t, NotShown, v.Answer)
}

// Drops that all fall on one piece are worth one case, not thirty.
func TestDropsCluster(t *testing.T) {
	var even, one [][]float64
	for i := range 10 {
		a, b := make([]float64, 100), make([]float64, 100)
		for k := range 3 {
			a[k*30] = 1
		}
		if i == 0 {
			for k := range 30 {
				b[k] = 1
			}
		}
		even, one = append(even, a), append(one, b)
	}
	trial := &Trial{Trial: &config.Trial{Requirement: noRequirement()}, Finished: true}
	x, y := trial.rate("drops", even, 0.05), trial.rate("drops", one, 0.05)
	assert.Equal(t, Holds, x.Answer)
	assert.Equal(t, stats.UpperBound(30, 1000, 0.95), x.Rate.Hi)
	assert.Equal(t, NotShown, y.Answer)
	assert.True(t, hasCode(y.Warnings, DropsCluster))
	assert.Greater(t, y.Rate.Hi, 2*x.Rate.Hi)
	assert.Equal(t, NotShown, trial.rate("drops", nil, 0.05).Answer)
	// Before the plan is finished bounds are wider, and nothing is decided.
	trial.Finished = false
	z := trial.rate("drops", even, 0.05)
	assert.Equal(t, NotShown, z.Answer)
	assert.Greater(t, z.Rate.Hi, x.Rate.Hi)
	trial.Design.Sequential = true
	assert.Equal(t, Holds, trial.rate("drops", even, 0.06).Answer, "a plan that may stop at any time")
}

func TestFactorsSayInteractions(t *testing.T) {
	m := made{bags: 2, cups: 2, pieces: 8, picks: 4, pieceSD: 0.05, runSD: 0.01, pickSD: 0.03, requirement: noRequirement()}
	trial := m.trial(seeded(7, 0))
	for i := range trial.Picks { // cup 1 helps on bag 1 only
		if trial.Picks[i].Setup == "bag 1 | cup 1" {
			trial.Picks[i].EnergyJ.Value *= 0.7
		}
	}
	model, ok := Factors(trial, MeasureOf("energy_J"))
	require.True(t, ok)
	require.Len(t, model.Terms, 3)
	share := 0.0
	for _, x := range model.Terms {
		share += x.Share
	}
	assert.LessOrEqual(t, share, 1.0)
	assert.Equal(t, []string{"bag", "cup"}, model.Terms[2].Factors)
	assert.Less(t, model.Terms[2].P, 1e-6)
	assert.Equal(t, "pieces", model.Terms[0].Stratum)
	require.Len(t, model.Words, 1)
	assert.Regexp(t, `^energy per pick: cup [12] against cup [12]: [+-](2[5-9]|3\d|4\d) % on bag 1, [+-][0-4] % on bag 2$|bag 2, .* on bag 1$`, model.Words[0])
	sum := 0.0
	for _, e := range model.Terms[1].Effects {
		sum += math.Log1p(e.Effect.Value / 100)
	}
	assert.InDelta(t, 0, sum, 1e-9, "levels sum to zero")
}

// Machines of Pinheiro and Bates (2000), chapter 1: six workers (here pieces), three machines
// (here cups), three values each. A machine is tested against machine within worker, as R's
// aov has it; a two-way table of fixed factors, where no block has a name, against the rest.
// The values are those of testdata/statistics.
func TestFactorsAgainstReference(t *testing.T) {
	type rows struct {
		ID   string
		A, B []int
		Y    []float64
	}
	var in struct {
		Mixed []rows `json:"varcomp_mixed"`
		Two   []rows `json:"anova2"`
	}
	var out struct {
		Mixed []struct {
			F float64 `json:"F_A"`
			P float64 `json:"p_A"`
		} `json:"varcomp_mixed"`
		Two []struct {
			SS, F, P []float64
		} `json:"anova2"`
	}
	for name, v := range map[string]any{"inputs.json": &in, "expected.json": &out} {
		text, err := os.ReadFile("../../testdata/statistics/" + name)
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(text, v))
	}
	trial := func(c rows, blocks, alone bool) *Trial {
		t := &Trial{Trial: &config.Trial{Requirement: noRequirement()}, Finished: true}
		t.Design.WholePlots = []string{}
		seen := map[string]bool{}
		size := 0.0
		for _, y := range c.Y {
			size = max(size, math.Abs(y))
		}
		for i, y := range c.Y {
			a, b := fmt.Sprint("cup ", c.A[i]), fmt.Sprint(c.B[i])
			s := config.Setup{Name: a, Bag: "bag", Cup: a, Cups: 1}
			run := 100*c.A[i] + c.B[i]
			piece := "piece " + b
			if !blocks {
				s = config.Setup{Name: a + b, Bag: "bag", Cup: a, Placement: b}
				piece = ""
			}
			if alone {
				run = i + 1
			}
			if !seen[s.Name] {
				seen[s.Name] = true
				t.Setups = append(t.Setups, s)
			}
			// The model is of 100 times the logarithm.
			p := pick.Pick{Run: run, Station: "left", Outcome: pick.Released, EnergyJ: analyze.Figure{Value: math.Exp(y / size)}}
			t.Picks = append(t.Picks, Pick{Pick: p, Setup: s.Name, Piece: piece})
		}
		return t
	}
	for k, c := range in.Mixed {
		m, ok := Factors(trial(c, true, false), MeasureOf("energy_J"))
		require.True(t, ok)
		require.Len(t, m.Terms, 1)
		assert.Equal(t, "rest", m.Terms[0].Stratum)
		assert.InEpsilon(t, out.Mixed[k].F, m.Terms[0].F, 1e-9, c.ID)
		assert.InEpsilon(t, out.Mixed[k].P, m.Terms[0].P, 1e-9, c.ID)
	}
	require.NotEmpty(t, in.Two)
	for k, c := range in.Two {
		m, ok := Factors(trial(c, false, true), MeasureOf("energy_J"))
		require.True(t, ok)
		require.Len(t, m.Terms, 3)
		total := 0.0
		for _, s := range out.Two[k].SS {
			total += s
		}
		for i := range m.Terms {
			assert.InEpsilon(t, out.Two[k].F[i], m.Terms[i].F, 1e-9, "%s %d", c.ID, i)
			assert.InEpsilon(t, out.Two[k].P[i], m.Terms[i].P, 1e-9, "%s %d", c.ID, i)
			assert.InEpsilon(t, out.Two[k].SS[i]/total, m.Terms[i].Share, 1e-9, "%s %d", c.ID, i)
		}
	}
}

func TestChoose(t *testing.T) {
	base := made{bags: 2, cups: 3, pieces: 10, picks: 20, pieceSD: 0.1, runSD: 0.02, pickSD: 0.05, effect: []float64{0.8, 1, 1}, requirement: noRequirement()}
	base.requirement.DropsMaxRate = 0.03
	trial := base.trial(seeded(8, 0))
	c := Choose(trial, DefaultMix(trial), 40, 2000, 1)
	assert.Equal(t, []string{"cup 1"}, c.Chosen)
	assert.Contains(t, c.Sentence, "Take cup 1")
	assert.Contains(t, c.Sentence, "kW at 40 picks a minute")
	assert.Equal(t, c, Choose(trial, DefaultMix(trial), 40, 2000, 1), "same seed, same answer")

	base.effect = []float64{1, 1, 1.3}
	trial = base.trial(seeded(9, 0))
	c = Choose(trial, DefaultMix(trial), math.NaN(), 2000, 1)
	assert.ElementsMatch(t, []string{"cup 1", "cup 2"}, c.Chosen, "%s", c.Sentence)
	assert.Contains(t, c.Sentence, "Either is as good")

	// Cup 1 drops bag 2, cups 2 and 3 drop bag 1: one change.
	for i := range trial.Picks {
		s := trial.Picks[i].Setup
		if (s == "bag 2 | cup 1" || s == "bag 1 | cup 2" || s == "bag 1 | cup 3") && i%4 == 0 {
			trial.Picks[i].Outcome = pick.Dropped
		}
	}
	c = Choose(trial, DefaultMix(trial), math.NaN(), 500, 1)
	assert.Empty(t, c.Chosen)
	assert.Equal(t, 1, c.Changes)
	require.Len(t, c.Plan, 2)
	assert.Equal(t, []string{"cup 1", "cup 2"}, []string{c.Plan[0].Setup, c.Plan[1].Setup})

	for i := range trial.Picks {
		trial.Picks[i].Outcome = pick.Dropped
	}
	c = Choose(trial, DefaultMix(trial), math.NaN(), 500, 1)
	assert.Contains(t, c.Sentence, "No choice yet")
}

func TestSoaks(t *testing.T) {
	m := made{bags: 1, cups: 1, pieces: 1, picks: 6000, pickSD: 0.05, requirement: noRequirement()}
	trial := m.trial(seeded(10, 0))
	trial.Requirement.SealTimeLimitS, trial.Requirement.PicksPerMinute = 0.4, 30
	for i := range trial.Picks {
		p := &trial.Picks[i]
		p.SealTimeS.Value *= 1 + 0.1*p.StartS/3600 // 20 ms an hour
		if i >= 3000 {
			p.EnergyJ.Value *= 1.2
			p.StartS += 60
		}
	}
	all := Soaks(trial)
	require.Len(t, all, 1)
	s := all[0]
	assert.Equal(t, 6000, s.Picks)
	assert.Equal(t, 1, s.Stops)
	assert.InDelta(t, 61.5, s.LongestStopS, 1e-6)
	assert.Equal(t, Holds, s.RateHeld)
	assert.InDelta(t, 1000*stats.UpperBound(0, 6000, 0.975), s.DropsPer1000.Hi, 1e-9)
	assert.False(t, s.Commanded)
	assert.InDelta(t, (5999*1.5+60)/3600, s.Hours, 1e-9)
	assert.InDelta(t, stats.PoissonUpper(1, 0.975)/s.Hours, s.StopsPerHour.Hi, 1e-9)
	seal, energy := s.Trends[0], s.Trends[1]
	require.Equal(t, "seal_time_s", seal.Measure.Name)
	assert.True(t, seal.Slope.Lo < 0.02 && 0.02 < seal.Slope.Hi, "%+v", seal.Slope)
	assert.Less(t, seal.P, 1e-6)
	assert.Equal(t, 400, seal.Blocks)
	// Level now about 0.25 s at 2.5 h, 20 ms an hour: 0.4 s in 7.5 h.
	assert.InDelta(t, 7.5, seal.Reached.Value, 0.7)
	assert.Less(t, seal.Reached.Lo, seal.Reached.Hi)
	require.Equal(t, "energy_J", energy.Measure.Name)
	require.NotNil(t, energy.Change)
	assert.InDelta(t, 3000*1.5/3600, energy.Change.AtHours, 0.05)
	assert.InDelta(t, 1.2, energy.Change.After/energy.Change.Before, 0.01)
	assert.Nil(t, energy.Settles)
}

// A value that levels off is not said to reach its limit, and one that does not, is.
func TestSoakSettles(t *testing.T) {
	m := made{bags: 1, cups: 1, pieces: 1, picks: 3000, pickSD: 0.02, requirement: noRequirement()}
	trial := m.trial(seeded(15, 0))
	trial.Requirement.SealTimeLimitS = 0.4
	first := trial.Picks[0].StartS
	for i := range trial.Picks {
		p := &trial.Picks[i]
		p.SealTimeS.Value += 0.1 * (1 - math.Exp(-(p.StartS-first)/600))
	}
	s := Soaks(trial)[0].Trends[0]
	require.Equal(t, "seal_time_s", s.Measure.Name)
	require.NotNil(t, s.Settles)
	assert.InDelta(t, 600./3600, s.Settles.TauH, 0.02)
	assert.True(t, s.Settles.Level.Lo < 0.3 && 0.3 < s.Settles.Level.Hi && s.Settles.Level.Hi-s.Settles.Level.Lo < 0.01, "%+v", s.Settles.Level)
	assert.False(t, s.Reached.OK())
	assert.Nil(t, Soaks(m.trial(seeded(16, 0)))[0].Trends[0].Settles, "noise does not level off")
}

// The controller's side: commands and parts from the channels, a stop that is going on, and
// pauses between runs that are none.
func TestSoakLine(t *testing.T) {
	m := made{bags: 1, cups: 1, pieces: 2, picks: 50, pickSD: 0.02, requirement: noRequirement()}
	trial := m.trial(seeded(17, 0))
	trial.Requirement.PicksPerMinute = 38
	trial.Finished, trial.Current = false, 2
	on := func(kind sample.Kind) sample.Channel {
		return sample.Channel{Kind: kind, Station: "left", Scale: 1, OnAbove: 0.5}
	}
	line := NewLine([]sample.Group{{Channels: []sample.Channel{{Kind: sample.Vacuum, Station: "left"}, on(sample.Supply), on(sample.PartPresent)}}})
	add := func(tS float64, supply, part int64) {
		line.Take(&sample.Batch{T: []int64{int64(tS * 1e9)}, Counts: [][]int64{{0}, {supply}, {part}}})
	}
	trial.StartsS = []float64{0, 1000}
	shift := 1000 - trial.Picks[50].StartS + 1
	for i := range trial.Picks {
		p := &trial.Picks[i]
		if p.Run == 2 {
			p.StartS += shift
		}
		p.PartPresentDelayS = analyze.Figure{Value: 0.05}
		add(p.StartS-0.01, 0, 0)
		add(p.StartS+0.01, 1, 0)
		add(p.StartS+0.5, 1, int64(1-i%2)) // the controller misses every other part
		add(p.StartS+0.7, 0, 0)
		if i == 20 { // commanded, and no pick found
			add(p.StartS+0.8, 1, 0)
			add(p.StartS+0.9, 0, 0)
		}
	}
	trial.Line = line
	s := Soaks(trial)[0]
	assert.True(t, s.Commanded)
	assert.Equal(t, []int{100, 101, 50}, []int{s.Picks, s.Commands, s.PartsPresent})
	assert.Zero(t, s.Stops, "the pause between runs is no stop")
	assert.InDelta(t, 99*60/(98*1.5), s.RatePerMinute, 1e-6)
	assert.Equal(t, Holds, s.RateHeld)
	assert.InDelta(t, 0.05, s.PartDelayS.Value, 1e-12)
	last := trial.Picks[99].StartS
	add(last+600, 0, 0) // ten minutes later: nothing has moved
	s = Soaks(trial)[0]
	assert.Equal(t, 1, s.Stops)
	assert.InDelta(t, 600, s.StandingS, 1e-6)
	assert.Equal(t, DoesNot, s.RateHeld)
	trial.Current = 0 // the run is complete: what comes after it is none of its time
	assert.Zero(t, Soaks(trial)[0].StandingS)
}

// What a spoiled run did to a comparison is said; without spoiled picks nothing is.
func TestSpoiledChanges(t *testing.T) {
	m := made{bags: 1, cups: 2, pieces: 8, picks: 5, pieceSD: 0.1, runSD: 0.02, pickSD: 0.05, effect: []float64{0.8, 1}, requirement: noRequirement()}
	trial := m.trial(seeded(12, 0))
	o := Options{Measures: []string{"energy_J"}}
	assert.Empty(t, Compare(trial, o).Changes)
	n := 0
	for i := range trial.Picks {
		if p := &trial.Picks[i]; (p.Piece == "P1" || p.Piece == "P2") && strings.HasSuffix(p.Setup, "cup 1") {
			p.EnergyJ.Value *= 3
			p.Spoiled = "hose off"
			n++
		}
	}
	c := Compare(trial, o)
	assert.Equal(t, n, c.Spoiled)
	require.Len(t, c.Changes, 1)
	assert.NotEqual(t, NotApart, c.Effects[0].Finding)
	assert.Equal(t, c.Effects[0].Finding, c.Changes[0].Was)
	assert.Equal(t, NotApart, c.Changes[0].Effect.Finding)
}

// The run that is being made does not move the others' interval.
func TestRunInProgress(t *testing.T) {
	m := made{bags: 1, cups: 2, pieces: 6, picks: 5, pieceSD: 0.1, pickSD: 0.05, effect: []float64{0.5, 1}, requirement: noRequirement()}
	trial := m.trial(seeded(13, 0))
	trial.Finished, trial.Current = false, 12
	o := Options{Measures: []string{"energy_J"}}
	before := Compare(trial, o)
	for i := range trial.Picks {
		if trial.Picks[i].Run == 12 {
			trial.Picks[i].EnergyJ.Value *= 10
		}
	}
	seen := func(c Comparison) any {
		e := c.Effects[0]
		return []any{e.Percent.Value, e.Percent.Lo, e.Percent.Hi, e.Absolute.Value, e.NA, c.Letters}
	}
	assert.Equal(t, seen(before), seen(Compare(trial, o)))
	assert.Equal(t, 5, before.Effects[0].NA, "the sixth pair is not complete")
	assert.True(t, before.Effects[0].Percent.Hi-before.Effects[0].Percent.Lo < 100)
	trial.Current = 0
	assert.NotEqual(t, seen(before), seen(Compare(trial, o)))
}

// One pick whose start was seen otherwise is left out; with many such nothing is compared.
func TestSealFrom(t *testing.T) {
	m := made{bags: 1, cups: 2, pieces: 4, picks: 10, pieceSD: 0.1, pickSD: 0.05, effect: []float64{0.8, 1}, requirement: noRequirement()}
	for _, c := range []struct {
		strays int
		warn   analyze.Code
	}{{0, ""}, {2, OtherStarts}, {12, DifferentStarts}} {
		trial := m.trial(seeded(18, 0))
		for i := range c.strays {
			trial.Picks[i].SealFrom, trial.Picks[i].SealTimeS.Value = "touch", 7
		}
		result := Compare(trial, Options{Measures: []string{"seal_time_s"}})
		e := effectOf(t, result, "seal_time_s")
		assert.Equal(t, c.warn == DifferentStarts, e.Finding == Untestable)
		// Nor are they mixed where each level, or each setup, is told by itself.
		unknown := 0
		for i, l := range result.Letters[0].Levels {
			if math.IsNaN(l.Middle) {
				unknown++
				assert.Equal(t, 1, i, "comes last")
			} else {
				assert.Less(t, l.Middle, 1.0)
			}
		}
		for _, s := range Summaries(trial, []Measure{*MeasureOf("seal_time_s"), *MeasureOf("energy_J")}) {
			if s.Measure.Name == "energy_J" {
				assert.True(t, s.Middle.OK())
			} else if !s.Middle.OK() {
				unknown++
			} else {
				assert.Less(t, s.Middle.Hi, 1.0)
			}
		}
		assert.Equal(t, map[bool]int{true: 2, false: 0}[c.warn == DifferentStarts], unknown)
		if c.warn != "" {
			assert.True(t, hasCode(e.Warnings, c.warn), "%v", e.Warnings)
		}
		if c.warn == OtherStarts {
			assert.InDelta(t, math.Log(0.8), -math.Abs(math.Log1p(e.Percent.Value/100)), 0.05, "not moved by the strays")
		}
	}
}

// One drop in ten against none, as often as picks are worth: in the family of all tests.
func TestDropsBetweenSetups(t *testing.T) {
	m := made{bags: 1, cups: 2, pieces: 10, picks: 12, pieceSD: 0.1, pickSD: 0.05, requirement: noRequirement()}
	trial := m.trial(seeded(14, 0))
	for i := range trial.Picks {
		if strings.HasSuffix(trial.Picks[i].Setup, "cup 2") && i%8 == 0 {
			trial.Picks[i].Outcome = pick.Dropped
		}
	}
	x := 0
	for _, p := range trial.Picks {
		x += int(dropped(&p.Pick))
	}
	c := Compare(trial, Options{})
	e := effectOf(t, c, "drop_rate")
	a, b := float64(x), 0.0
	if e.A == "cup 1" {
		a, b = b, a
	}
	counts := []stats.Counts{{X1: a, N1: 120, X2: b, N2: 120}}
	d, i := stats.RateDifference(counts, 0.95)
	assert.Equal(t, stats.Fisher(counts), e.P)
	assert.Equal(t, []float64{d, i.Lo, i.Hi}, []float64{e.Absolute.Value, e.Absolute.Lo, e.Absolute.Hi})
	assert.Equal(t, []int{120, 120}, []int{e.NA, e.NB})
	assert.Greater(t, e.Adjusted, e.P, "one of a family")
	want := Better
	if e.A == "cup 2" {
		want = Worse
	}
	assert.Equal(t, want, e.Finding)
	trial.Finished = false
	live := effectOf(t, Compare(trial, Options{}), "drop_rate")
	assert.Equal(t, NotYet, live.Finding)
	assert.Less(t, live.Absolute.Lo, e.Absolute.Lo)
	assert.Greater(t, live.Absolute.Hi, e.Absolute.Hi)
	trial.Finished, trial.Design.Sequential = true, true
	assert.Equal(t, Untestable, effectOf(t, Compare(trial, Options{}), "drop_rate").Finding, "no bounds of fixed size after a sequential test")
	// Without any drop there is nothing to compare, and the family is the smaller.
	for i := range trial.Picks {
		trial.Picks[i].Outcome = pick.Released
	}
	for _, e := range Compare(trial, Options{}).Effects {
		assert.NotEqual(t, "drop_rate", e.Measure.Name)
	}
}

func TestPlan(t *testing.T) {
	l := Layout{Factors: []Factor{{"bag", []string{"sachet", "film"}}, {"cup", []string{"a", "b"}}, {"engine", []string{"e1", "e2"}}},
		Pieces: 4, Picks: 5, Repeats: 2, Dear: []string{"engine"}, Stations: []string{"left", "right"}, Seed: 3}
	s, err := Plan(l)
	require.NoError(t, err)
	assert.Len(t, s.Setups, 8)
	require.Len(t, s.Runs, 2*2*8)
	changes, sides := 0, map[string]int{}
	engine := ""
	for _, r := range s.Runs {
		require.Len(t, r.Setups, 2)
		var now string
		for _, x := range s.Setups {
			if x.Name == r.Setups["left"] {
				now = x.Engine
				sides[x.Cup]++
				assert.True(t, strings.HasPrefix(r.Piece, x.Bag))
			}
		}
		if now != engine {
			changes++
			engine = now
		}
	}
	assert.Equal(t, 4, changes, "an engine is set up once a repeat, and anew each time")
	assert.Equal(t, sides["a"], sides["b"], "sides swap half-way")
	again, err := Plan(l)
	require.NoError(t, err)
	assert.Equal(t, s, again)
	l.Seed = 4
	other, err := Plan(l)
	require.NoError(t, err)
	assert.NotEqual(t, s.Runs, other.Runs)
	l.Fraction = 2
	_, err = Plan(l)
	assert.ErrorIs(t, err, ErrFraction)
	l.Factors = append(l.Factors, Factor{"placement", []string{"middle", "thirds"}})
	half, err := Plan(l)
	require.NoError(t, err)
	assert.Len(t, half.Setups, 8, "4 of 8 combinations on two bags")
	assert.Equal(t, [][]Term{{{Factors: []string{"engine"}}, {Factors: []string{"cup", "placement"}}}, {{Factors: []string{"cup"}}, {Factors: []string{"engine", "placement"}}},
		{{Factors: []string{"placement"}}, {Factors: []string{"engine", "cup"}}}}, half.Fraction.Aliases)
	// A factor with three levels is laid out in full beside the fraction.
	l.Factors = append(l.Factors, Factor{"tilt", []string{"0 °", "5 °", "10 °"}})
	mixed, err := Plan(l)
	require.NoError(t, err)
	assert.Len(t, mixed.Setups, 24)
}

// Resolutions of the fractions of 3 to 7 factors as in NIST/SEMATECH e-Handbook 5.3.3.4.7 and
// Montgomery, Design and Analysis of Experiments, table 8.14; and the lengths of the constant
// products of some as printed there: 2^(5−2) I = ABD = ACE = BCDE, 2^(6−2) I = ABCE = BCDF =
// ADEF, 2^(7−3) seven of four, 2^(7−4) seven of three and of four and one of seven (from memory).
func TestFractions(t *testing.T) {
	var factors []Factor
	for _, name := range strings.Split("ABCDEFG", "") {
		factors = append(factors, Factor{name, []string{"-", "+"}})
	}
	for _, c := range []struct {
		k, n, resolution int
		lengths          []int // of 3, 4 … factors; nil: not checked
	}{
		{3, 2, 3, []int{1}}, {4, 2, 4, []int{0, 1}}, {5, 2, 5, []int{0, 0, 1}}, {5, 4, 3, []int{2, 1, 0}}, {6, 2, 6, nil}, {6, 4, 4, []int{0, 3, 0, 0}},
		{6, 8, 3, []int{4, 3, 0, 0}}, {7, 2, 7, nil}, {7, 4, 4, []int{0, 1, 2, 0, 0}}, {7, 8, 4, []int{0, 7, 0, 0, 0}}, {7, 16, 3, []int{7, 7, 0, 0, 1}},
	} {
		t.Run(fmt.Sprintf("%d factors, 1 in %d", c.k, c.n), func(t *testing.T) {
			f, err := NewFraction(factors[:c.k], c.n)
			require.NoError(t, err)
			assert.Equal(t, c.resolution, f.Resolution)
			if c.lengths != nil {
				assert.Equal(t, append([]int{0, 0}, c.lengths...), wordLengths(f.words, c.k))
			}
			// The right number of combinations, the highest among them, every level in half.
			made, plus := 0, make([]int, c.k)
			for _, x := range combinations(factors[:c.k]) {
				if f.holds(x) {
					made++
					for i := range c.k {
						if x[factors[i].Name] == "+" {
							plus[i]++
						}
					}
				}
			}
			assert.Equal(t, 1<<c.k/c.n, made)
			for _, n := range plus {
				assert.Equal(t, made/2, n)
			}
		})
	}
	half, err := NewFraction(factors[:4], 2)
	require.NoError(t, err)
	assert.Equal(t, []Alias{{"D", []string{"A", "B", "C"}}}, half.Generators)
	assert.Len(t, half.Aliases, 3, "AB = CD, AC = BD, AD = BC")
	assert.Contains(t, half.Words(), "IV")
	for _, bad := range [][2]int{{2, 2}, {3, 4}, {4, 4}, {6, 16}} {
		_, err := NewFraction(factors[:bad[0]], bad[1])
		assert.ErrorIs(t, err, ErrFraction, bad)
	}
	_, err = NewFraction(factors, 3)
	assert.Error(t, err)
}

func TestSpreadOf(t *testing.T) {
	m := made{bags: 1, cups: 2, pieces: 30, picks: 20, pieceSD: 0.1, runSD: 0.05, pickSD: 0.08, requirement: noRequirement()}
	s, ok := SpreadOf(m.trial(seeded(11, 0)), MeasureOf("energy_J"))
	require.True(t, ok)
	// Three standard errors: 10/√60 · 3 ≈ 4, 5/√60 · 3 ≈ 2, 8/√2400 · 3 ≈ 0.5 percent.
	assert.InDelta(t, 10, s.Block, 4)
	assert.InDelta(t, 5, s.Unit, 2)
	assert.InDelta(t, 8, s.Within, 0.5)
}
