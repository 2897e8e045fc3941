package linespeed

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

func fig(v float64) analyze.Figure {
	return analyze.Figure{Value: v, U: 0.002, Lo: v - 0.004, Hi: v + 0.004}
}

// one is a pick that seals sealS after contact, 0.1 s after the start, and is let go 0.4 s
// later, back at idle 0.05 s after that.
func one(sealS, holdKPa float64) pick.Pick {
	sealed := 0.1 + sealS
	return pick.Pick{Outcome: pick.Released, SealFrom: "touch", StartS: 0, ContactS: 0.1, SealedAtS: sealed, ReleaseS: sealed + 0.4, EndS: sealed + 0.45,
		DropS: math.NaN(), RequiredKPa: 30, IdleLevelKPa: 0.2, SealTimeS: fig(sealS), ResponseDelayS: fig(0.03), PartPresentDelayS: fig(0.02),
		HoldVacuumKPa: fig(holdKPa), LowestVacuumKPa: fig(holdKPa - 1), ReleaseTimeS: fig(0.05), SettlingTimeS: fig(0.11)}
}

func TestView(t *testing.T) {
	var picks []pick.Pick
	for i := range 59 { // 100 to 158 ms
		picks = append(picks, one(0.1+0.001*float64(i), 60+0.1*float64(i%7)))
	}
	nan := math.NaN()
	// 60 a minute: 1 s, of which 0.1 s approach and 0.45 s from sealed to the end leave 0.45 s.
	v, err := New(picks, Options{PicksPerMinute: 60, LimitS: nan, Share: nan})
	require.NoError(t, err)
	assert.Equal(t, "cycle", v.LimitFrom)
	assert.InDelta(t, 0.45, v.LimitS, 1e-12)
	assert.Zero(t, v.Over)
	// 0 of 59: 1 − 0.025^(1/59) (closed form of Clopper and Pearson's limit).
	assert.InDelta(t, 1-math.Pow(0.025, 1./59), v.OverIn.Hi, 1e-12)
	by := map[string]Phase{}
	for _, p := range v.Phases {
		by[p.Name] = p
	}
	assert.InDelta(t, 0.129, by["evacuation"].MedianS, 1e-12)
	assert.NotContains(t, by, "response delay") // with a touch channel it is not part of the seal time
	assert.InDelta(t, 0.4, by["sealed to release"].ShareOfCycle, 1e-12)
	assert.InDelta(t, 0.02, by["part present, after sealed"].P95S, 1e-12)
	assert.InDelta(t, 0.11, by["settling, after sealed"].ShareOfCycle, 1e-12)
	assert.InDelta(t, 0.002, by["settling, after sealed"].ReadS, 1e-12)
	assert.True(t, math.IsNaN(by["sealed to release"].ReadS), "instants have no figure")
	assert.Equal(t, 30.0, v.Switch.PartPresentOnKPa)
	assert.InDelta(t, 30-6*0.002, v.Switch.PartPresentOffKPa, 1e-9, "held well above: noise rules")
	assert.InDelta(t, 0.2+6*0.002, v.Switch.ReleasedKPa, 1e-9)

	// 0 over in 59 shows 95 % at 95 % confidence (0.95^59 = 0.0485), 0 in 58 does not.
	for n, want := range map[int]string{59: "shown", 58: "not shown"} {
		v, err = New(picks[:n], Options{PicksPerMinute: 60, LimitS: 0.16, Share: 0.95, Confidence: 0.95})
		require.NoError(t, err)
		assert.Equal(t, want, v.Verdict, "%d picks", n)
	}
	assert.True(t, math.IsNaN(v.Tail) || v.Tail <= 0.158)
	v, _ = New(picks, Options{PicksPerMinute: 60, LimitS: 0.13, Share: 0.95})
	assert.Equal(t, "not met", v.Verdict)
	assert.Equal(t, 28, v.Over)  // 131 to 158 ms
	assert.Equal(t, 9, v.Unsure) // 126 to 134 ms hold 130 within ± 4
	assert.Equal(t, "given", v.LimitFrom)

	// An unsealed pick is over any limit; open ones and others' seal times are left out.
	unsealed, open, other := one(0, 0), one(0.1, 60), one(0.1, 60)
	unsealed.Outcome, unsealed.SealTimeS, unsealed.SealFrom = pick.Unsealed, analyze.None(), ""
	open.Outcome, other.SealFrom = pick.Open, "contact"
	v, err = New(append(picks[:10:10], unsealed, open, other), Options{PicksPerMinute: 60, LimitS: 1})
	require.NoError(t, err)
	assert.Equal(t, []int{11, 1, 2}, []int{v.Picks, v.Over, v.Left})

	for _, rate := range []float64{0, nan, math.Inf(1), -1} {
		_, err = New(picks, Options{PicksPerMinute: rate})
		assert.Error(t, err, "%g", rate)
	}
	v, err = New(nil, Options{PicksPerMinute: 60, LimitS: nan})
	require.NoError(t, err)
	assert.True(t, math.IsNaN(v.LimitS))
	// Faster than carry and release: nothing is left.
	v, _ = New(picks, Options{PicksPerMinute: 120, LimitS: nan})
	assert.Less(t, v.LimitS, 0.0)
	assert.Equal(t, 59, v.Over)
}

// Holds that spread widely pull the level for part present off down, to half the required
// vacuum and no further.
func TestSwitchPointsFollowTheSpread(t *testing.T) {
	var near, wide []pick.Pick
	for i := range 40 {
		p := one(0.1, 32+0.05*float64(i%5))
		p.LowestVacuumKPa.Value = 29 + 0.2*float64(i%5)
		near = append(near, p)
		p.LowestVacuumKPa.Value = 12 + 9*float64(i%5)
		wide = append(wide, p)
	}
	v, _ := New(near, Options{PicksPerMinute: 60})
	assert.Less(t, v.Switch.PartPresentOffKPa, 29.0)
	assert.Greater(t, v.Switch.PartPresentOffKPa, 27.0)
	assert.Empty(t, v.Switch.Remarks)
	v, _ = New(wide, Options{PicksPerMinute: 60})
	assert.Equal(t, 15.0, v.Switch.PartPresentOffKPa)
	assert.NotEmpty(t, v.Switch.Remarks)
}

// Where levels overlap, a switch could not tell the states apart: no level of them is given.
func TestLevelsThatOverlapAreNotGiven(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name              string
		idle, lowest, u   float64
		on, off, released float64
	}{
		// Every pick is the same, so that the limits are the values: off is 30 − 6u at most, released idle + 6u.
		{"apart", 0.2, 40, 0.5, 30, 27, 3.2},
		{"released above off", 20, 16, 0.1, 30, nan, nan},
		{"some held at what is released", 8, 7, 0.1, 30, nan, nan},
		{"released above part present", 0.2, 40, 6, nan, nan, nan},
		{"released above part present, holds unknown", 31, nan, 0, nan, nan, nan},
	} {
		t.Run(c.name, func(t *testing.T) {
			var picks []pick.Pick
			for range 40 {
				p := one(0.1, 60)
				p.IdleLevelKPa, p.LowestVacuumKPa = c.idle, analyze.Figure{Value: c.lowest, U: c.u}
				picks = append(picks, p)
			}
			v, err := New(picks, Options{PicksPerMinute: 60})
			require.NoError(t, err)
			for i, got := range []float64{v.Switch.PartPresentOnKPa, v.Switch.PartPresentOffKPa, v.Switch.ReleasedKPa} {
				want := []float64{c.on, c.off, c.released}[i]
				if math.IsNaN(want) {
					assert.True(t, math.IsNaN(got), "level %d: %g", i, got)
				} else {
					assert.InDelta(t, want, got, 1e-9, "level %d", i)
				}
			}
			if math.IsNaN(c.released) {
				require.NotEmpty(t, v.Switch.Remarks)
				assert.Contains(t, v.Switch.Remarks[0], "none is given")
				assert.Len(t, v.Switch.Remarks, 1)
			} else {
				assert.Empty(t, v.Switch.Remarks)
			}
		})
	}
}

// One pick whose reading is worth nothing takes no level away.
func TestSwitchPointsStandOneBadPick(t *testing.T) {
	var picks []pick.Pick
	for range 40 {
		p := one(0.1, 60)
		p.LowestVacuumKPa = analyze.Figure{Value: 40, U: 0.5}
		picks = append(picks, p)
	}
	picks[7].LowestVacuumKPa.U = 20
	v, err := New(picks, Options{PicksPerMinute: 60})
	require.NoError(t, err)
	assert.InDelta(t, 30-6*0.5, v.Switch.PartPresentOffKPa, 1e-9)
	assert.InDelta(t, 0.2+6*0.5, v.Switch.ReleasedKPa, 1e-9)
}
