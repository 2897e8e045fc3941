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

func straightEjector(airPressureKPa float64) config.Candidate {
	nan := math.NaN()
	return config.Candidate{Name: "ejector", Kind: "ejector", AirLminANR: 60, PowerW: nan, CurveKPa: nan, AirPressureKPa: airPressureKPa,
		Curve: []config.CurvePoint{{VacuumKPa: 0, FlowLminANR: 40, PowerW: nan}, {VacuumKPa: 80, FlowLminANR: 0, PowerW: nan}}}
}

func laminarLeak(g float64) MeasuredLeak {
	l := MeasuredLeak{Name: "bag", RequiredKPa: 30}
	for _, v := range []float64{20, 40, 60} {
		l.Points = append(l.Points, Point{VacuumKPa: v, FlowLminANR: g * v, FlowU: 0.01 * g * v, Dof: math.Inf(1)})
	}
	return l
}

// By hand: 40·(1 − v/80) = g·v at v = 40/(0.5 + g).
func TestQuestion(t *testing.T) {
	q := NewQuestion([]config.Candidate{straightEjector(500)}, 101.325)
	q.Law = Laminar
	answer := func() Match {
		t.Helper()
		a, err := q.Answer(laminarLeak(0.5))
		require.NoError(t, err)
		return a.Matches[0]
	}
	as := answer()
	assert.InDelta(t, 40, as.VacuumKPa.Value, 1e-6)
	assert.InDelta(t, 10, as.MarginKPa, 1e-6)

	q.LeakFactor = 2
	twice := answer()
	assert.InDelta(t, 80./3, twice.VacuumKPa.Value, 1e-6)
	double, err := q.Answer(laminarLeak(0.5))
	require.NoError(t, err)
	q.LeakFactor = 1
	measured, err := q.Answer(laminarLeak(1))
	require.NoError(t, err)
	assert.InEpsilon(t, measured.Fit.SeK(), double.Fit.SeK(), 1e-9, "a factor carries the uncertainty along")

	q.RequiredKPa = 45
	assert.False(t, answer().Holds, "the question's requirement goes before the leak's")
	q.RequiredKPa = math.NaN()

	// At 4 of 5 bar: 32·(1 − v/64) = 0.5·v at 32 kPa; air by (400 + 101.325)/(500 + 101.325).
	q.AirPressureKPa = 400
	less := answer()
	assert.InDelta(t, 32, less.VacuumKPa.Value, 1e-6)
	assert.InDelta(t, 60*501.325/601.325, less.AirLminANR, 1e-9)
	q.AirPressureKPa = 600
	more := answer()
	assert.InDelta(t, 40, more.VacuumKPa.Value, 1e-6, "more pressure than the curve's draws no more")
	assert.InDelta(t, 60*701.325/601.325, more.AirLminANR, 1e-9, "and costs more")
	q.Candidates = []config.Candidate{straightEjector(math.NaN())}
	assert.InDelta(t, 60, answer().AirLminANR, 0, "a curve without a pressure stays")
}

func TestQuestionCheck(t *testing.T) {
	good := NewQuestion([]config.Candidate{straightEjector(500)}, 101.325)
	require.NoError(t, good.Check())
	for _, c := range []struct {
		want string
		edit func(*Question)
	}{
		{"no engine", func(q *Question) { q.Candidates = nil }},
		{`leak law "square"`, func(q *Question) { q.Law = "square" }},
		{"ambient pressure is NaN", func(q *Question) { q.AmbientKPa = math.NaN() }},
		{"leak factor is 0", func(q *Question) { q.LeakFactor = 0 }},
		{"leak factor is 1e+06", func(q *Question) { q.LeakFactor = 1e6 }},
		{"required vacuum is -1", func(q *Question) { q.RequiredKPa = -1 }},
		{"less than the pressure around", func(q *Question) { q.RequiredKPa = 102 }},
		{"air pressure is +Inf", func(q *Question) { q.AirPressureKPa = math.Inf(1) }},
		{"0 circuits", func(q *Question) { q.Circuits = 0 }},
		{"longer than the cycle", func(q *Question) { q.Cycle.PicksPerMinute, q.Cycle.SupplyOnS = 60, 1.1 }},
		{"specific energy", func(q *Question) { q.Cycle.SpecificEnergyKWhM3 = 0 }},
	} {
		q := good
		c.edit(&q)
		_, err := q.Answer(laminarLeak(0.5))
		assert.ErrorContains(t, err, c.want)
	}
	_, err := good.Answer(MeasuredLeak{RequiredKPa: math.NaN(), Points: laminarLeak(0.5).Points})
	assert.ErrorContains(t, err, "required vacuum is NaN")
	_, err = good.Leaks(nil)
	assert.ErrorContains(t, err, "no setup has a leak")
}

// A tested engine's curve counts only for the setting that it is of.
func TestTestedSupply(t *testing.T) {
	q := NewQuestion([]config.Candidate{straightEjector(500)}, 101.325)
	of := func(setting string) Tested {
		return Tested{Setup: config.Setup{Engine: "ejector", EngineSetting: setting}}
	}
	alone := q.supplyOf(of("valve open"), []Tested{of("valve open")})
	require.NotNil(t, alone)
	assert.InDelta(t, 40, alone.Flow(0), 1e-9)
	assert.Nil(t, q.supplyOf(of("valve half open"), []Tested{of("valve open"), of("valve half open")}))
	less := q.supplyOf(of("4 bar"), []Tested{of("4 bar"), of("5 bar")})
	require.NotNil(t, less)
	assert.InDelta(t, 32, less.Flow(0), 1e-9)
	assert.Nil(t, q.supplyOf(Tested{Setup: config.Setup{Engine: "other"}}, nil))
}

// A leak-down whose law is known: Q = k·vⁿ at the window's median vacuum, and its exponent.
func TestPointOfLeakDown(t *testing.T) {
	nan := math.NaN()
	p := made(1, 60, nan, -3, nan)
	p.Station = "left"
	p.LeakDownKPaS.U = 0.05
	p.LeakDownVacuumKPa = analyze.Figure{Value: 40, U: 0.1}
	p.LeakLawKLminANR, p.LeakLawN = analyze.Figure{Value: 0.1, U: 0.02}, analyze.Figure{Value: 0.5, U: 0.03}
	down := Tested{Picks: []pick.Pick{p}, Stations: map[string]Station{"left": {VolumeL: 0.4, VolumeU: 0.008, BlankLminANR: 0.05, BlankU: nan}}}
	got, ok := down.Point(nan, nan, nil)
	require.True(t, ok)
	assert.Equal(t, FromLeakLaw, got.Source)
	assert.InDelta(t, 40, got.VacuumKPa, 1e-12)
	assert.InDelta(t, 0.1*math.Sqrt(40)-0.05, got.FlowLminANR, 1e-12)
	assert.InDelta(t, 0.4*0.6*0.05, got.FlowU, 1e-12, "the slope's; the volume's is shared")
	assert.InDelta(t, 0.02, got.CommonU, 1e-12)
	assert.InDelta(t, 0.5, got.Exponent, 1e-12)
	assert.InDelta(t, 0.03, got.ExponentU, 1e-12)

	// Another volume, stated: twice the air for the same fall.
	got, _ = down.Point(0.8, 0.004, nil)
	assert.InDelta(t, 0.2*math.Sqrt(40)-0.05, got.FlowLminANR, 1e-12)
	assert.InDelta(t, 0.005, got.CommonU, 1e-12)

	p.LeakLawKLminANR, p.LeakLawN = analyze.None(), analyze.None()
	down.Picks[0] = p
	got, _ = down.Point(nan, nan, nil)
	assert.Equal(t, FromLeakDown, got.Source)
	assert.InDelta(t, 0.4*0.6*3-0.05, got.FlowLminANR, 1e-12)
	assert.Zero(t, got.ExponentU)
}

// One leak-down with its exponent is worth two settings: the law passes through it, and what
// the exponent rules out is gone from the interval. By hand: n = 0.6 ± 0.02 at 40 kPa, 5 L/min:
// 40·(1 − v/80) = 5·(v/40)^0.6.
func TestFitWithExponent(t *testing.T) {
	at := Point{VacuumKPa: 40, FlowLminANR: 5, FlowU: 0.05, Dof: math.Inf(1), CommonU: 0.03, Exponent: 0.6, ExponentU: 0.02}
	f, err := FitLeak([]Point{at}, 101.325)
	require.NoError(t, err)
	assert.InDelta(t, 0.6, f.N, 1e-6)
	assert.InDelta(t, 5, f.Flow(40, 101.325), 1e-9)
	assert.InDelta(t, 0.02, f.SeN(), 1e-9)
	assert.Equal(t, 2, f.Settings)
	assert.Len(t, f.Others, 2, "fewer than three: the interval spans the laws")
	u := f.delta(func(f Fit) float64 { return f.Flow(40, 101.325) })
	assert.InEpsilon(t, math.Hypot(0.05, 0.03*5), u, 1e-6, "its own and the volume's")

	two, err := FitLeak([]Point{at, {VacuumKPa: 20, FlowLminANR: 5 * math.Pow(0.5, 0.6), FlowU: 0.05, Dof: math.Inf(1), CommonU: 0.03, Exponent: 0.6, ExponentU: 0.02}}, 101.325)
	require.NoError(t, err)
	assert.Equal(t, 4, two.Settings)
	assert.Empty(t, two.Others, "laminar and orifice lie 20 standard uncertainties off, 5 for the hole")
	assert.Less(t, two.SeN(), 0.02)
	u = two.delta(func(f Fit) float64 { return f.Flow(30, 101.325) })
	assert.Greater(t, u, 0.03*two.Flow(30, 101.325), "what all flows share does not average out")
}

// What the same pieces owe to each other: leaks of 1 % more and less at every setting, and nothing
// else, are all shared, u = 1.1547 %/√4 of four pieces; the points' own is the sensor's alone.
// Other pieces at every setting share nothing.
func TestSharePieces(t *testing.T) {
	made := func(same bool) MeasuredLeak {
		var tested []Tested
		for s, v := range []float64{20, 30, 40} {
			x := Tested{Setup: config.Setup{Bag: "b", Cup: "c", Engine: string(rune('a' + s))}, RequiredKPa: 15, Pieces: map[int]string{}}
			for p, more := range []float64{0.01, -0.01, 0.01, -0.01} {
				q := math.Exp(more) * math.Pow(v, 0.75)
				if !same {
					x.Pieces[p+1] = string(rune('A' + p + 4*s))
				} else {
					x.Pieces[p+1] = string(rune('A' + p))
				}
				x.Picks = append(x.Picks, pick.Pick{Run: p + 1, Outcome: pick.Released, HoldVacuumKPa: analyze.Figure{Value: v, U: 0.001}, LeakFlowLminANR: analyze.Figure{Value: q, U: 0.001 * q},
					LeakDownKPaS: analyze.None(), SealTimeS: analyze.None(), OpenSuctionKPa: analyze.None()})
			}
			tested = append(tested, x)
		}
		leaks, err := NewQuestion([]config.Candidate{straightEjector(500)}, 101.325).Leaks(tested)
		require.NoError(t, err)
		require.Len(t, leaks, 1)
		return leaks[0]
	}
	p := made(true).Points[1]
	assert.InEpsilon(t, 0.011547/2, p.CommonU, 1e-3)
	assert.InDelta(t, 3, p.CommonDof, 0)
	assert.InEpsilon(t, 0.001*p.FlowLminANR, p.FlowU, 1e-3)
	fit, err := FitLeak(made(true).Points, 101.325)
	require.NoError(t, err)
	assert.InDelta(t, 3, fit.Dof, 0.1, "four pieces, however many settings")
	p = made(false).Points[1]
	assert.Zero(t, p.CommonU)
	assert.InEpsilon(t, math.Hypot(0.011547/2, 0.001)*p.FlowLminANR, p.FlowU, 1e-3)
}

// A setting at which few picks held tells of the tightest pieces only: it is left out and named.
func TestSettingsThatFewHeld(t *testing.T) {
	at := func(engine string, v, q float64, held, not int) Tested {
		x := Tested{Setup: config.Setup{Bag: "b", Cup: "c", Engine: engine}, RequiredKPa: 15}
		for i := range held + not {
			p := made(i+1, v, q, math.NaN(), 0.2)
			p.Outcome, p.OpenSuctionKPa = pick.Released, analyze.None()
			if i >= held {
				p.HoldVacuumKPa, p.Outcome = analyze.None(), pick.Unsealed
			}
			x.Picks = append(x.Picks, p)
		}
		return x
	}
	q := NewQuestion([]config.Candidate{straightEjector(500)}, 101.325)
	leaks, err := q.Leaks([]Tested{at("weak", 16, 9, 8, 2), at("strong", 30, 15, 9, 1)})
	require.NoError(t, err)
	assert.Equal(t, []string{"strong"}, leaks[0].Settings)
	assert.Equal(t, []string{"weak"}, leaks[0].Left)
	leaks, err = q.Leaks([]Tested{at("weak", 16, 9, 8, 2)})
	require.NoError(t, err)
	assert.Equal(t, []string{"weak"}, leaks[0].Settings, "better than nothing")
	assert.Equal(t, []string{"weak"}, leaks[0].Left, "but named")
}

// A gas that takes up the wall's warmth at once is isothermal, one that never does adiabatic:
// an engine of constant speed, S·p/100, evacuates by p₀·e^(−n·S·t/V) (testdata/physics/evacuation_time.csv:
// 1 L, 60 L/min, 101.325 → 41.325 kPa in 0.89687 and 0.64062 s).
func TestEvacuationWithWarmth(t *testing.T) {
	out := func(v float64) float64 { return 60 * (101.325 - v) / 100 }
	cold := func(v float64) float64 { // the speed is that of the cold gas, too: m = p·V/T
		return 60 * (101.325 - v) / 100 / math.Pow((101.325-v)/101.325, 0.4/1.4)
	}
	none := func(float64) float64 { return 0 }
	assert.InEpsilon(t, 0.89687, evacuationS(out, none, 1, 1e-3, 101.325, 0, 60), 5e-3)
	assert.InEpsilon(t, 0.64062, evacuationS(cold, none, 1, 1e6, 101.325, 0, 60), 2e-4)
	assert.True(t, math.IsInf(evacuationS(out, func(float64) float64 { return 40 }, 1, 0.15, 101.325, 0, 60), 1), "the leak is in the way: 36 L/min at 41 kPa")
}

// Three engines with times by the package's own integration: volume, delay and open cups come back.
func TestMeasuredCircuit(t *testing.T) {
	fit, err := FitLaw(laminarLeak(0.1).Points, 101.325, Laminar)
	require.NoError(t, err)
	want := Circuit{VolumeL: 0.4, Measured: true, DelayS: 0.02, WarmS: thermalS, OpenC: 3}
	var all []Calibration
	for _, q0 := range []float64{30, 45, 60} {
		c, err := NewCurve([]float64{0, 80}, []float64{q0, 0})
		require.NoError(t, err)
		s := Supply{Curve: c, CurveKPa: math.NaN(), AmbientKPa: 101.325}
		all = append(all, Calibration{s, []Crossing{{30, SealTime(s, fit, 1, 30, want).Value}}, want.startKPa(s)})
	}
	got := MeasuredCircuit(fit, all)
	assert.InEpsilon(t, 0.4, got.VolumeL, 1e-3)
	assert.InDelta(t, 0.02, got.DelayS, 1e-4)
	assert.InEpsilon(t, 3, got.OpenC, 1e-6)
	assert.Less(t, got.VolumeU, 0.002)
	one := MeasuredCircuit(fit, all[:1])
	assert.Zero(t, one.DelayS, "one engine cannot tell a delay from the volume")
	assert.True(t, math.IsNaN(one.VolumeU))
	assert.InEpsilon(t, all[0].Crossings[0].TimeS, SealTime(all[0].Supply, fit, 1, 30, one).Value, 1e-4, "its own time comes out")
	assert.True(t, math.IsNaN(MeasuredCircuit(fit, nil).VolumeL))
}
