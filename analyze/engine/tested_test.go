package engine

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/config"
)

func figure(x float64) analyze.Figure { return analyze.Figure{Value: x, U: 0.5, Lo: x - 1, Hi: x + 1} }

func made(run int, holdKPa, flow, slope, seal float64) pick.Pick {
	p := pick.Pick{Run: run, SealFrom: "supply", HoldVacuumKPa: figure(holdKPa), LeakFlowLminANR: figure(flow), LeakDownKPaS: figure(slope),
		SealTimeS: figure(seal), ResponseDelayS: figure(0.02)}
	return p
}

func TestPointOfTested(t *testing.T) {
	nan := math.NaN()
	runs := Tested{Picks: []pick.Pick{made(1, 30, 10, nan, 0.2), made(1, 32, 12, nan, 0.3), made(2, 29, 13, nan, 0.4)}}
	p, ok := runs.Point(nan, nil)
	require.True(t, ok)
	assert.Equal(t, FromFlow, p.Source)
	assert.InDelta(t, 30, p.VacuumKPa, 1e-12, "mean of the runs' means 31 and 29")
	assert.InDelta(t, 1, p.VacuumU, 1e-12, "|31 − 29|/2")
	assert.InDelta(t, 12, p.FlowLminANR, 1e-12)
	assert.InDelta(t, 1, p.FlowU, 1e-12)
	assert.InDelta(t, -1, p.Covariance, 1e-12)
	assert.InDelta(t, 1, p.Dof, 0)
	seal, delay := runs.SealTime()
	assert.InDelta(t, 0.3, seal, 1e-12)
	assert.InDelta(t, 0.02, delay, 1e-12)
	assert.InDelta(t, 30, runs.HoldVacuum().Value, 1e-12)

	one := Tested{Picks: []pick.Pick{made(1, 30, 10, nan, nan)}}
	p, ok = one.Point(nan, nil)
	require.True(t, ok)
	assert.InDelta(t, 0.5, p.FlowU, 0, "the figure's own")
	assert.Zero(t, p.Covariance)
	seal, _ = one.SealTime()
	assert.True(t, math.IsNaN(seal))

	// 40 CFR 1065.644's arithmetic, isothermal: 0.4 L at −3 kPa/s is 0.72 L/min ANR.
	down := Tested{Picks: []pick.Pick{made(1, 30, nan, -3, nan), made(1, 30, nan, -3, nan)}}
	p, ok = down.Point(0.4, nil)
	require.True(t, ok)
	assert.Equal(t, FromLeakDown, p.Source)
	assert.InDelta(t, 0.72, p.FlowLminANR, 1e-12)
	_, ok = down.Point(nan, nil)
	assert.False(t, ok)

	curve, err := NewCurve([]float64{0, 80}, []float64{40, 0})
	require.NoError(t, err)
	s := &Supply{Curve: curve, CurveKPa: nan, AmbientKPa: 101.325}
	p, ok = Tested{Picks: []pick.Pick{made(1, 20, nan, nan, nan)}}.Point(nan, s)
	require.True(t, ok)
	assert.Equal(t, FromCurve, p.Source)
	assert.InDelta(t, 30, p.FlowLminANR, 1e-9)
	assert.InDelta(t, 0.25, p.FlowU, 1e-9, "0.5 kPa along 0.5 L/min per kPa")
	_, ok = Tested{Picks: []pick.Pick{made(1, nan, 10, nan, nan)}}.Point(nan, s)
	assert.False(t, ok, "no hold vacuum")
	_, ok = Tested{}.Point(nan, s)
	assert.False(t, ok)
	assert.False(t, Tested{}.HoldVacuum().OK())
	assert.True(t, math.IsNaN(MeasuredCircuit(Fit{}, nil).VolumeL))
}

func TestPointsOf(t *testing.T) {
	nan := math.NaN()
	row := func(setting string, v, q float64) config.LeakRow {
		return config.LeakRow{Setting: setting, VacuumKPa: v, FlowLminANR: q, VacuumU: nan, FlowU: nan}
	}
	points, settings := PointsOf([]config.LeakRow{row("a", 10, 9), row("b", 20, 20), row("a", 10, 11), row("b", 20, 20)})
	require.Equal(t, []string{"a", "b"}, settings)
	assert.InDelta(t, 10, points[0].FlowLminANR, 1e-12)
	// Pooled: (2 + 0)/(1 + 1) of squared differences as shares, 0.01·2/2 = 0.01; √(0.01/2) of the flow.
	assert.InDelta(t, 10*math.Sqrt(0.01/2), points[0].FlowU, 1e-12)
	assert.InDelta(t, 20*math.Sqrt(0.01/2), points[1].FlowU, 1e-12)
	assert.InDelta(t, 2, points[0].Dof+points[1].Dof, 1e-12)
	points, settings = PointsOf([]config.LeakRow{row("", 10, 9), row("", 20, 20)})
	assert.Equal(t, []string{"", ""}, settings)
	assert.True(t, math.IsNaN(points[1].FlowU))
	points, _ = PointsOf([]config.LeakRow{row("a", 10, 9), row("b", 20, 20)})
	assert.True(t, math.IsNaN(points[1].FlowU), "one run a setting tells no variance")
	points, _ = PointsOf(nil)
	assert.Empty(t, points)
}

// The cheapest: shown before not shown, then by energy.
func TestCheapest(t *testing.T) {
	work := func(holds, shown bool, pickJ, air, power float64) Match {
		return Match{Work: Work{Holds: holds, Shown: shown, PickJ: pickJ, AirLminANR: air, PowerW: power}}
	}
	nan := math.NaN()
	for _, c := range []struct {
		name  string
		all   []Match
		want  int
		shown bool
	}{
		{"none", nil, -1, false},
		{"none holds", []Match{work(false, false, 1, nan, nan)}, -1, false},
		{"cheaper", []Match{work(true, true, 5, nan, nan), work(true, true, 4, nan, nan)}, 1, true},
		{"shown first", []Match{work(true, false, 1, nan, nan), work(true, true, 9, nan, nan), work(true, false, 1, nan, nan)}, 1, true},
		{"by value", []Match{work(true, false, 2, nan, nan), work(true, false, 1, nan, nan)}, 1, false},
		{"without a cycle: 60 L/min at 0.12 kWh/m3 is 432 W", []Match{work(true, true, nan, 60, nan), work(true, true, nan, nan, 500), work(true, true, nan, nan, 400)}, 2, true},
	} {
		got, shown := Cheapest(c.all)
		assert.Equal(t, c.want, got, c.name)
		assert.Equal(t, c.shown, shown, c.name)
	}
}
