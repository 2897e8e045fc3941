package compare

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/config"
)

// A summary counts pieces: means of theirs with the t interval, of times the geometric mean of
// their medians.
func TestSummaries(t *testing.T) {
	nan := math.NaN()
	trial := &Trial{Trial: &config.Trial{Requirement: config.Requirement{Confidence: 0.95}, Setups: []config.Setup{{Name: "a", Bag: "bark"}, {Name: "b", Bag: "bark"}, {Name: "none", Bag: "bark"}}}}
	add := func(setup, piece string, run int, sealS, holdKPa float64) {
		p := pick.Pick{Station: "left", Run: run, N: len(trial.Picks) + 1, Outcome: pick.Released, StartS: float64(len(trial.Picks))}
		for _, f := range []*analyze.Figure{&p.SealTimeS, &p.HoldVacuumKPa, &p.LowestVacuumKPa, &p.LeakFlowLminANR, &p.EnergyJ, &p.ResponseDelayS, &p.LeakDownKPaS, &p.ReleaseTimeS} {
			*f = analyze.None()
		}
		p.SealTimeS.Value, p.HoldVacuumKPa.Value = sealS, holdKPa
		trial.Picks = append(trial.Picks, Pick{Pick: p, Setup: setup, Piece: piece})
	}
	// Pieces with middles 60, 62, 64 kPa; medians of seal times 0.1, 0.2 and 0.4 s.
	for i, piece := range []string{"1", "2", "3"} {
		for _, d := range []float64{-1, 0, 1} {
			add("a", piece, i+1, 0.1*math.Pow(2, float64(i))*(1+d/10), 60+2*float64(i)+d)
		}
	}
	trial.Picks[0].Outcome = pick.Unsealed // counts with no seal time
	trial.Picks[0].SealTimeS.Value = nan
	add("b", "9", 4, 0.1, 50)
	add("b", "9", 4, 0.1, 52)
	all := Summaries(trial, Measures)
	of := func(setup, measure string) Summary {
		for _, s := range all {
			if s.Setup == setup && s.Measure.Name == measure {
				return s
			}
		}
		require.Fail(t, "no summary", "%s %s", setup, measure)
		return Summary{}
	}
	hold := of("a", "hold_vacuum_kPa")
	assert.Equal(t, []any{9, 3, "piece"}, []any{hold.Picks, hold.Blocks, hold.Block})
	assert.InDelta(t, 62, hold.Middle.Value, 1e-12)
	// Mean 62, s = 2, n = 3: half-width 4.302653 × 2/√3 (t of 2 degrees of freedom at 97.5 %: NIST/SEMATECH
	// e-Handbook of Statistical Methods, 1.3.6.7.2, gives 4.303).
	assert.InDelta(t, 4.302653*2/math.Sqrt(3), hold.Middle.Hi-62, 1e-5)
	assert.InDelta(t, 62-hold.Middle.Lo, hold.Middle.Hi-62, 1e-9)
	// No drop of the 8 that sealed: exact bounds (Clopper and Pearson 1934) are 0 and 1 − 0.025^(1/8) = 0.3694.
	trial.Finished = true
	none := Summaries(trial, []Measure{*MeasureOf("drop_rate")})[0].Middle
	assert.Equal(t, []float64{0, 0}, []float64{none.Value, none.Lo})
	assert.InDelta(t, 1-math.Pow(0.025, 1.0/8), none.Hi, 1e-9)
	trial.Finished = false
	seal := of("a", "seal_time_s")
	assert.Equal(t, 8, seal.Picks)
	// Medians 0.105 (of 0.1 and 0.11), 0.2, 0.4 s.
	assert.InDelta(t, math.Cbrt(0.105*0.2*0.4), seal.Middle.Value, 1e-12)
	assert.Greater(t, seal.Middle.Hi/seal.Middle.Value, 1.0)
	assert.InDelta(t, seal.Middle.Hi/seal.Middle.Value, seal.Middle.Value/seal.Middle.Lo, 1e-9, "the interval is even on a scale of logarithms")
	one := of("b", "hold_vacuum_kPa")
	assert.Equal(t, "pick", one.Block)
	assert.True(t, one.Middle.Has(ThisPieceOnly))
	assert.InDelta(t, 51, one.Middle.Value, 1e-12)
	// 12.7062 × (√2)/√2: t of one degree of freedom.
	assert.InDelta(t, 12.7062, one.Middle.Hi-51, 1e-3)
	for _, s := range all {
		assert.NotEqual(t, "none", s.Setup)
		assert.NotEqual(t, "energy_J", s.Measure.Name, "a measure that nobody has")
	}
	year := YearKWh(analyze.Figure{Value: 360, U: 1, Lo: 350, Hi: 370}, 40, 4000)
	assert.InDelta(t, 960, year.Value, 1e-9) // 40 × 60 × 4000 picks of 100 Wh a thousand
	assert.InDelta(t, 960*37.0/36, year.Hi, 1e-9)
}
