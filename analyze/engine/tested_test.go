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
		SealTimeS: figure(seal), ResponseDelayS: figure(0.02),
		LeakDownVacuumKPa: analyze.None(), LeakLawKLminANR: analyze.None(), LeakLawN: analyze.None()}
	return p
}

func TestPointOfTested(t *testing.T) {
	nan := math.NaN()
	runs := Tested{Picks: []pick.Pick{made(1, 30, 10, nan, 0.2), made(1, 32, 12, nan, 0.3), made(2, 29, 13, nan, 0.4)}}
	p, ok := runs.Point(nan, nan, nil)
	require.True(t, ok)
	assert.Equal(t, FromFlow, p.Source)
	assert.InDelta(t, 30, p.VacuumKPa, 1e-12, "mean of the runs' means 31 and 29")
	assert.InDelta(t, math.Hypot(1, 0.5), p.VacuumU, 1e-12, "|31 − 29|/2, and the figures' own")
	assert.InDelta(t, 12, p.FlowLminANR, 1e-12)
	assert.InDelta(t, math.Hypot(1, 0.5), p.FlowU, 1e-12)
	assert.InDelta(t, -1, p.Covariance, 1e-12)
	assert.InDelta(t, 1, p.Dof, 0)
	assert.InDelta(t, 0.3, runs.SealTime(), 1e-12)
	assert.InDelta(t, 30, runs.HoldVacuum().Value, 1e-12)

	one := Tested{Picks: []pick.Pick{made(1, 30, 10, nan, nan)}}
	p, ok = one.Point(nan, nan, nil)
	require.True(t, ok)
	assert.InDelta(t, 0.5, p.FlowU, 0, "the figure's own")
	assert.Zero(t, p.Covariance)
	assert.True(t, math.IsNaN(one.SealTime()))

	// 40 CFR 1065.644's arithmetic, isothermal: 0.4 L at −3 kPa/s is 0.72 L/min ANR.
	down := Tested{Picks: []pick.Pick{made(1, 30, nan, -3, nan), made(1, 30, nan, -3, nan)}}
	p, ok = down.Point(0.4, nan, nil)
	require.True(t, ok)
	assert.Equal(t, FromLeakDown, p.Source)
	assert.InDelta(t, 0.72, p.FlowLminANR, 1e-12)
	_, ok = down.Point(nan, nan, nil)
	assert.False(t, ok)

	curve, err := NewCurve([]float64{0, 80}, []float64{40, 0})
	require.NoError(t, err)
	s := &Supply{Curve: curve, CurveKPa: nan, AmbientKPa: 101.325}
	p, ok = Tested{Picks: []pick.Pick{made(1, 20, nan, nan, nan)}}.Point(nan, nan, s)
	require.True(t, ok)
	assert.Equal(t, FromCurve, p.Source)
	assert.InDelta(t, 30, p.FlowLminANR, 1e-9)
	assert.InDelta(t, 0.25, p.FlowU, 1e-9, "0.5 kPa along 0.5 L/min per kPa")
	_, ok = Tested{Picks: []pick.Pick{made(1, nan, 10, nan, nan)}}.Point(nan, nan, s)
	assert.False(t, ok, "no hold vacuum")
	_, ok = Tested{}.Point(nan, nan, s)
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
		got, central, shown := Cheapest(c.all)
		assert.Equal(t, c.want, got, c.name)
		assert.False(t, central, c.name)
		assert.Equal(t, c.shown, shown, c.name)
	}
}

// One engine for all circuits is an arrangement, too.
func TestCheapestCentral(t *testing.T) {
	nan := math.NaN()
	m := Match{Work: Work{Holds: true, Shown: true, PickJ: 8, AirLminANR: nan, PowerW: nan}, Central: Work{Holds: true, Shown: true, PickJ: 4, AirLminANR: nan, PowerW: nan}}
	best, central, shown := Cheapest([]Match{{Work: Work{Holds: true, Shown: true, PickJ: 6, AirLminANR: nan, PowerW: nan}}, m})
	assert.Equal(t, 1, best)
	assert.True(t, central)
	assert.True(t, shown)
	m.Central.Shown = false
	best, central, _ = Cheapest([]Match{m})
	assert.Equal(t, 0, best)
	assert.False(t, central, "the dearer one is shown")
}

// Two circuits: two engines draw twice the air of one; one for both holds less vacuum.
func TestArrangements(t *testing.T) {
	nan := math.NaN()
	c := config.Candidate{Name: "ejector", Kind: "ejector", AirLminANR: 60, PowerW: nan, CurveKPa: nan,
		Curve: []config.CurvePoint{{VacuumKPa: 0, FlowLminANR: 40, PowerW: nan}, {VacuumKPa: 80, FlowLminANR: 0, PowerW: nan}}}
	fit, err := FitLaw([]Point{{VacuumKPa: 20, FlowLminANR: 10}, {VacuumKPa: 40, FlowLminANR: 20}, {VacuumKPa: 60, FlowLminANR: 30}}, 101.325, Laminar)
	require.NoError(t, err)
	need := Need{RequiredKPa: 30, AmbientKPa: 101.325, Circuits: 2, Circuit: Circuit{VolumeL: 0.4, VolumeU: nan},
		Cycle: Cycle{PicksPerMinute: 60, SupplyOnS: 0.5, HoursPerYear: 1000, SpecificEnergyKWhM3: 0.1}}
	m, err := NewMatch(c, fit, need)
	require.NoError(t, err)
	// 40(1 − v/80) = 0.5 v at 40 kPa, = 1.0 v at 26.667 kPa.
	assert.InDelta(t, 40, m.VacuumKPa.Value, 1e-6)
	assert.InDelta(t, 80./3, m.Central.VacuumKPa.Value, 1e-6)
	assert.InDelta(t, 10, m.MarginKPa, 1e-6)
	assert.True(t, m.Shown)
	assert.False(t, m.Central.Holds)
	assert.InDelta(t, 120, m.AirLminANR, 0)
	assert.InDelta(t, 60, m.Central.AirLminANR, 0)
	assert.InDelta(t, 120./60*0.5/1000*0.1*3.6e6, m.PickJ, 1e-9)
	assert.InDelta(t, m.PickJ/2, m.Central.PickJ, 1e-9)
	assert.True(t, math.IsNaN(m.PowerW))
	assert.False(t, m.Central.SealTimeS.OK())
	assert.InDelta(t, 0.4*60/100/0.5*math.Log(40./30), m.HoldsShutS, 1e-6, "V·60/(100·g)·ln(v0/v1)")
	// τ = 60 V/(100·(q0/v_max + g)) = 0.24 s; to 20 kPa with one engine for both: v∞ = 80/3, V and g twice.
	need.RequiredKPa = 20
	m, err = NewMatch(c, fit, need)
	require.NoError(t, err)
	assert.InEpsilon(t, -0.24*math.Log(1-20./40), m.SealTimeS.Value, 1e-6)
	assert.InEpsilon(t, -60*0.8/(100*1.5)*math.Log(1-20/(80./3)), m.Central.SealTimeS.Value, 1e-6)
	c.Curve = c.Curve[:1]
	_, err = NewMatch(c, fit, need)
	assert.ErrorContains(t, err, `engine "ejector"`)
}

// Two settings known very well: the interval is the span of the three laws, no more.
func TestSpanOfLaws(t *testing.T) {
	curve, err := NewCurve([]float64{0, 80}, []float64{40, 0})
	require.NoError(t, err)
	s := Supply{Curve: curve, CurveKPa: math.NaN(), AmbientKPa: 101.325}
	points := []Point{{VacuumKPa: 20, FlowLminANR: 6, FlowU: 1e-3, Dof: math.Inf(1)}, {VacuumKPa: 40, FlowLminANR: 9.5, FlowU: 1e-3, Dof: math.Inf(1)}}
	fit, err := FitLeak(points, 101.325)
	require.NoError(t, err)
	o := Operate(s, fit, 1)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, law := range []Law{Power, Orifice, Laminar} {
		f, err := FitLaw(points, 101.325, law)
		require.NoError(t, err)
		v := Operate(s, f, 1).VacuumKPa.Value
		lo, hi = min(lo, v), max(hi, v)
	}
	assert.InDelta(t, lo, o.VacuumKPa.Lo, 0.02)
	assert.InDelta(t, hi, o.VacuumKPa.Hi, 0.02)
	assert.Greater(t, hi-lo, 1.0)
	assert.True(t, o.VacuumKPa.Has(ThreeLaws))
}
