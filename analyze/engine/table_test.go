package engine

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
)

// A row is a row of a table of testdata/physics, whose head names the source.
type row struct {
	t *testing.T
	m map[string]string
}

func table(t *testing.T, name string) []row {
	t.Helper()
	f, err := os.Open("../../testdata/physics/" + name)
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	require.NoError(t, err)
	var out []row
	for _, line := range all[1:] {
		m := map[string]string{}
		for i, head := range all[0] {
			m[head] = line[i]
		}
		out = append(out, row{t, m})
	}
	require.NotEmpty(t, out)
	return out
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return x
}

func (r row) num(key string) float64 {
	r.t.Helper()
	return number(r.t, r.m[key])
}

// parameters reads "V=1;S=60".
func (r row) parameters() map[string]float64 {
	p := map[string]float64{}
	for _, x := range strings.Split(r.m["parameters"], ";") {
		k, v, _ := strings.Cut(x, "=")
		p[k] = number(r.t, v)
	}
	return p
}

// pairs reads "0:38;20:30".
func (r row) pairs(key string) (x, y []float64) {
	for _, p := range strings.Split(r.m[key], ";") {
		a, b, _ := strings.Cut(p, ":")
		x, y = append(x, number(r.t, a)), append(y, number(r.t, b))
	}
	return x, y
}

// Nine digits.
func TestISO6358AgainstTable(t *testing.T) {
	for _, r := range table(t, "iso6358.csv") {
		got := ISO6358(r.num("p1_kPa_abs"), r.num("T1_K"), r.num("p2_kPa_abs"), r.num("C_dm3_s_bar"), r.num("b"), r.num("m"))
		assert.InDelta(t, r.num("q_Lmin_ANR"), got, 1e-8*max(1, got), r.m["case"])
		assert.InDelta(t, r.num("mdot_kg_s"), got/6e4*anrKgM3, 1e-8*got, r.m["case"])
	}
	assert.Zero(t, ISO6358(100, anrK, 101, 1, 0.3, 0.5))
}

// C to nine digits; b comes from a fit on a grid in both programs, and has a flat minimum.
func TestSeriesAgainstTable(t *testing.T) {
	for _, r := range table(t, "series.csv") {
		var parts []Restriction
		c, b := r.pairs("parts_C_b")
		for i := range c {
			parts = append(parts, Restriction{c[i], b[i]})
		}
		got := Series(parts)
		assert.InEpsilon(t, r.num("C_whole"), got.C, 1e-7, r.m["case"])
		assert.InDelta(t, r.num("b_fit"), got.B, 1e-4, r.m["case"])
	}
}

func TestHoseAgainstTable(t *testing.T) {
	for _, r := range table(t, "hose.csv") {
		h := Hose{r.num("d_mm"), r.num("L_m")}
		q, mean := r.num("q_Lmin_ANR"), r.num("p_mean_kPa_abs")
		drop := h.DropKPa(q, mean)
		assert.InEpsilon(t, r.num("dp_kPa"), drop, 1e-8, r.m["case"])
		// From the inlet that has this mean pressure, the outlet lies the drop lower.
		assert.InDelta(t, mean-drop/2, h.outlet(q, mean+drop/2), 1e-6, r.m["case"])
	}
	assert.True(t, math.IsNaN(Hose{4, 10}.outlet(1000, 100)))
}

// The integration against closed forms. Vessels that blow off above ambient (the discharge
// models) are no vacuum circuits and not this package's.
func TestEvacuationAgainstTable(t *testing.T) {
	done := map[string]int{}
	for _, r := range table(t, "evacuation.csv") {
		p := r.parameters()
		ambient, n, v0 := 101.325, 1.0, 0.0
		if x, ok := p["n"]; ok {
			n = x
		}
		var flow func(v float64) float64
		switch r.m["model"] {
		case "const_speed":
			ambient = p["p0"]
			flow = func(v float64) float64 { return p["S"] * (ambient - v) / anrKPa }
		case "const_speed_const_leak":
			flow = func(v float64) float64 { return p["S"]*(ambient-v)/anrKPa - p["q"] }
		case "linear_curve_linear_leak":
			flow = func(v float64) float64 { return p["q0"]*(1-v/p["vmax"]) - p["g"]*v }
		case "choked_fill":
			v0 = ambient - p["p0"]
			flow = func(v float64) float64 { return -ISO6358(p["p1"], anrK, ambient-v, p["C"], p["b"], 0.5) }
		default:
			continue
		}
		done[r.m["model"]]++
		got := Vacuum(flow, p["V"], n, v0, r.num("t_s"), 20000)
		assert.InDelta(t, r.num("vacuum_kPa"), got, 2e-3, "case %s", r.m["case"]) // the fill has a kink where it fills up
	}
	assert.Len(t, done, 4)
	for _, r := range table(t, "evacuation_time.csv") {
		p0, s := r.num("p0_kPa_abs"), r.num("S_Lmin")
		got := r.num("V_L") / r.num("polytropic_n") * timePerLitre(func(v float64) float64 { return s * (p0 - v) / anrKPa }, 0, p0-r.num("p1_kPa_abs"))
		assert.InEpsilon(t, r.num("t_s"), got, 1e-7, r.m["case"])
	}
}

func TestEnergyAgainstTable(t *testing.T) {
	done := 0
	for _, r := range table(t, "energy.csv") {
		if r.m["kind"] == "compression_work" { // the source of the range of specific energy, not of a figure here
			continue
		}
		p := r.parameters()
		var got float64
		switch r.m["kind"] {
		case "air":
			got = AirJ(p["q"], p["t"], p["e"])
		case "electric":
			share := 1.0
			if x, ok := p["share"]; ok {
				share = x
			}
			got = ElectricJ(p["P_on"], p["t_on"], p["P_idle"], p["T"], share)
		case "evacuate_ideal":
			got = IdealJ(p["V"], p["v"], p["pa"])
		}
		assert.InEpsilon(t, r.num("energy_J"), got, 1e-8, r.m["case"])
		done++
	}
	assert.Equal(t, 8, done)
}

// Fit, crossing and uncertainty against scipy. The tolerance of the vacuum is 0.1 kPa; that of
// the fit is what holding n within 0.5 to 1 costs in cases 8 and 9, else digits.
func TestOperatingPointAgainstTable(t *testing.T) {
	for _, r := range table(t, "operating_point.csv") {
		t.Run(r.m["case"]+" "+r.m["name"], func(t *testing.T) {
			cv, cq := r.pairs("curve_kPa_Lmin")
			curve, err := NewCurve(cv, cq)
			require.NoError(t, err)
			lv, lq := r.pairs("leak_points_kPa_Lmin")
			var points []Point
			for i := range lv {
				points = append(points, Point{VacuumKPa: lv[i], FlowLminANR: lq[i], VacuumU: math.NaN(), FlowU: math.NaN()})
			}
			fit, err := FitLeak(points, 101.325)
			require.NoError(t, err)
			n := min(max(r.num("fit_n"), leastN), mostN)
			assert.InDelta(t, n, fit.N, 1e-5)
			if n == r.num("fit_n") {
				assert.InEpsilon(t, r.num("fit_k"), fit.K, 1e-4)
				if len(lv) > 2 {
					assert.InEpsilon(t, r.num("se_k"), fit.SeK(), 1e-3)
					assert.InEpsilon(t, r.num("se_n"), fit.SeN(), 1e-3)
				}
			}
			s := Supply{Curve: curve, CurveKPa: math.NaN(), AmbientKPa: 101.325}
			o := Operate(s, fit, 1)
			assert.InDelta(t, r.num("v_pchip_kPa"), o.VacuumKPa.Value, 0.1)
			assert.InDelta(t, r.num("v_linear_kPa"), o.LinearKPa, 0.1)
			assert.InEpsilon(t, r.num("q_pchip_Lmin"), o.FlowLminANR, 0.01)
			holds, _ := o.Holds(r.num("required_kPa"))
			assert.Equal(t, r.m["holds"], strconv.FormatBool(holds))
			if len(lv) > 2 {
				assert.InDelta(t, r.num("u_v_kPa"), o.VacuumKPa.U, 0.02*r.num("u_v_kPa")+0.002)
			} else {
				assert.True(t, o.VacuumKPa.Has(ThreeLaws))
				assert.Greater(t, o.VacuumKPa.Hi-o.VacuumKPa.Lo, 1.0, "the span of three laws")
				assert.Len(t, fit.Others, 2)
				assert.True(t, math.IsNaN(fit.SeK()))
			}
			assert.LessOrEqual(t, o.VacuumKPa.Lo, o.VacuumKPa.Value)
			assert.GreaterOrEqual(t, o.VacuumKPa.Hi, o.VacuumKPa.Value)
			assert.Equal(t, o.VacuumKPa.Value > 1.3*lv[len(lv)-1], o.VacuumKPa.Has(Extrapolated))
		})
	}
}

func TestCurve(t *testing.T) {
	for _, c := range []struct {
		name string
		x, y []float64
		want string
	}{
		{"one", []float64{0}, []float64{1}, "two points"},
		{"uneven", []float64{0, 1}, []float64{1}, "two points"},
		{"not rising", []float64{0, 1, 1}, []float64{1, 2, 3}, "point 3 at 1"},
		{"no number", []float64{0, math.NaN()}, []float64{1, 2}, "point 2 is no number"},
	} {
		_, err := NewCurve(c.x, c.y)
		assert.ErrorContains(t, err, c.want, c.name)
	}
	two, err := NewCurve([]float64{0, 10}, []float64{5, 0})
	require.NoError(t, err)
	assert.InDelta(t, 2.5, two.At(5), 1e-12)
	assert.InDelta(t, 5, two.At(-1), 0)
	assert.InDelta(t, 0, two.At(11), 0)
	// Where the slope turns, an end's is kept to thrice its piece's: by the three-point formula it
	// would be ((2 + 1)·1 + 21)/2 = 12 here.
	turned, err := NewCurve([]float64{0, 1, 2}, []float64{0, 1, -20})
	require.NoError(t, err)
	assert.InDelta(t, 3, turned.At(1e-6)/1e-6, 1e-3)
	// It stays between its points, and meets them.
	x, y := []float64{0, 1, 2, 5, 6, 9}, []float64{10, 10, 7, 6.9, 1, 0}
	c, err := NewCurve(x, y)
	require.NoError(t, err)
	for i := range x {
		assert.InDelta(t, y[i], c.At(x[i]), 1e-12)
	}
	for v := 0.0; v < 9; v += 0.01 {
		assert.GreaterOrEqual(t, c.At(v), c.At(v+0.01)-1e-12, "%g", v)
	}
}

// At 79.5 kPa around, an engine without leak that reaches 85 of 101.325 kPa reaches the same share.
func TestAltitudeAndLine(t *testing.T) {
	curve, err := NewCurve([]float64{0, 40, 85}, []float64{60, 30, 0})
	require.NoError(t, err)
	fit, err := FitLeak([]Point{{VacuumKPa: 10, FlowLminANR: 1}, {VacuumKPa: 20, FlowLminANR: 2}, {VacuumKPa: 40, FlowLminANR: 4.01}}, 101.325)
	require.NoError(t, err)
	sea := Supply{Curve: curve, CurveKPa: 101.325, AmbientKPa: 101.325}
	high := Supply{Curve: curve, CurveKPa: 101.325, AmbientKPa: 79.5}
	assert.InDelta(t, 85*79.5/101.325, high.deepest(), 1e-9)
	assert.Less(t, Operate(high, fit, 1).VacuumKPa.Value, Operate(sea, fit, 1).VacuumKPa.Value)

	// The line's loss: what flows is the same in leak, hose and engine.
	line := sea
	line.Hose = Hose{4, 2}
	o := Operate(line, fit, 1)
	assert.Less(t, o.VacuumKPa.Value, Operate(sea, fit, 1).VacuumKPa.Value)
	assert.InDelta(t, o.FlowLminANR, curve.At(o.EngineVacuumKPa), 1e-6)
	assert.InDelta(t, o.EngineVacuumKPa-o.VacuumKPa.Value, line.Hose.DropKPa(o.FlowLminANR, 101.325-(o.EngineVacuumKPa+o.VacuumKPa.Value)/2), 1e-6)
	line = sea
	line.Line = []Restriction{{0.2, 0.3}, {0.3, 0.4}}
	o = Operate(line, fit, 1)
	assert.InDelta(t, o.FlowLminANR, curve.At(o.EngineVacuumKPa), 1e-6)
	assert.Greater(t, o.EngineVacuumKPa, o.VacuumKPa.Value)

	// More circuits on one engine: never more vacuum.
	last := math.Inf(1)
	for n := 1.0; n < 8; n++ {
		v := Operate(sea, fit, n).VacuumKPa.Value
		assert.Less(t, v, last)
		last = v
	}
}

func TestLaws(t *testing.T) {
	const p = 101.325
	hole := Leak{Orifice, 1, 0.5}
	for _, v := range []float64{0.5, 10, 30, 47, 48, 60, 90} { // the same as ISO 6358 with b of a hole
		assert.InEpsilon(t, ISO6358(p, anrK, p-v, hole.Hole(p), OrificeB, 0.5), hole.Flow(v, p), 1e-9)
	}
	assert.InDelta(t, hole.Flow(60, p), hole.Flow(90, p), 1e-12, "choked")
	assert.InDelta(t, 0.1, hole.Flow(0.01, p), 1e-4, "K·√v at small vacuums")
	for _, l := range []Leak{hole, {Laminar, 2, 1}, {Power, 2, 0.7}} {
		assert.Zero(t, l.Flow(0, p))
		assert.Zero(t, l.Flow(-1, p))
	}
}

func TestFitLeakRefuses(t *testing.T) {
	good := Point{VacuumKPa: 20, FlowLminANR: 3}
	for _, c := range []struct {
		name   string
		points []Point
		p      float64
		want   string
	}{
		{"none", nil, 101, "no leak point"},
		{"ambient", []Point{good}, math.NaN(), "ambient pressure is NaN"},
		{"vacuum", []Point{good, {VacuumKPa: 0, FlowLminANR: 1}}, 101, "leak point 2: the vacuum is 0"},
		{"too deep", []Point{{VacuumKPa: 101, FlowLminANR: 1}}, 101, "the vacuum is 101"},
		{"flow", []Point{{VacuumKPa: 20, FlowLminANR: -1}}, 101, "the flow is -1"},
	} {
		_, err := FitLeak(c.points, c.p)
		assert.ErrorContains(t, err, c.want, c.name)
	}
	for n, others := range []int{0, 2, 2} { // one and two settings: all laws
		if n == 0 {
			continue
		}
		points := []Point{good, {VacuumKPa: 40, FlowLminANR: 5}}[:n]
		f, err := FitLeak(points, 101.325)
		require.NoError(t, err)
		assert.Len(t, f.Others, others)
		assert.True(t, math.IsNaN(f.SeN()))
	}
}

func TestSealTimeAndHold(t *testing.T) {
	curve, err := NewCurve([]float64{0, 85}, []float64{60, 0})
	require.NoError(t, err)
	s := Supply{Curve: curve, CurveKPa: math.NaN(), AmbientKPa: 101.325}
	var points []Point
	for _, v := range []float64{20, 40, 60} {
		points = append(points, Point{VacuumKPa: v, FlowLminANR: 0.1 * v})
	}
	fit, err := FitLeak(points, 101.325)
	require.NoError(t, err)
	// v = v∞(1 − e^(−t/τ)), v∞ = 74.453, τ = 0.29781 s for 0.4 L (closed form; physics of a linear
	// engine and a laminar leak).
	want := -0.29781 * math.Log(1-30/74.453)
	got := SealTime(s, fit, 1, 30, Circuit{VolumeL: 0.4, VolumeU: 0.04})
	assert.InEpsilon(t, want, got.Value, 1e-4)
	assert.InEpsilon(t, want*math.Hypot(0.1, (1-1/1.4)/math.Sqrt(12)), got.U, 1e-3)
	assert.True(t, got.Has(GasUnsettled))
	assert.LessOrEqual(t, got.Lo, got.Value/1.4)
	delayed := SealTime(s, fit, 1, 30, Circuit{VolumeL: 0.4, Measured: true, DelayS: 0.02})
	assert.InDelta(t, got.Value+0.02, delayed.Value, 1e-12)
	assert.True(t, delayed.Has(VolumeByEffect))
	assert.False(t, SealTime(s, fit, 1, 80, Circuit{VolumeL: 0.4}).OK(), "never gets there")
	assert.Equal(t, []analyze.Warning(nil), SealTime(s, fit, 1, 80, Circuit{VolumeL: 0.4}).Warnings)

	// Laminar leak-down: t = τ·ln(v0/v1), τ = 60V/(100g) = 2.4 s.
	assert.InEpsilon(t, 2.4*math.Log(2), HoldsShutS(fit, 0.4, 60, 30), 1e-6)
	assert.True(t, math.IsNaN(HoldsShutS(fit, 0.4, 20, 30)))
	assert.True(t, math.IsNaN(HoldsShutS(fit, math.NaN(), 60, 30)))
	c := Cycle{PicksPerMinute: 40, SupplyOnS: 0.9, HoursPerYear: 4000, SpecificEnergyKWhM3: 0.12}
	assert.InDelta(t, 60./60*0.9/1000*0.12*3.6e6, c.PickJ(60, math.NaN()), 1e-9)
	assert.InDelta(t, 800*1.5, c.PickJ(math.NaN(), 800), 1e-9)
	assert.InDelta(t, 1200./3.6e6*40*60*4000, c.YearKWh(1200), 1e-9)
	assert.True(t, math.IsNaN(c.PickJ(math.NaN(), math.NaN())))
}

// A line taken into a curve: 0.1 % of the free flow off at most.
func TestAtCup(t *testing.T) {
	curve, err := NewCurve([]float64{0, 20, 40, 60, 75, 85}, []float64{125, 98, 68, 38, 10, 0})
	require.NoError(t, err)
	for _, s := range []Supply{
		{Curve: curve, CurveKPa: math.NaN(), AmbientKPa: 101.325, Hose: Hose{9, 2}},
		{Curve: curve, CurveKPa: 101.325, AmbientKPa: 84, Hose: Hose{6, 5}},
		{Curve: curve, CurveKPa: math.NaN(), AmbientKPa: 101.325, Line: []Restriction{{2, 0.3}}},
	} {
		cup := s.atCup()
		assert.InDelta(t, s.deepest(), cup.deepest(), 1e-9)
		for v := 0.0; v < s.deepest(); v += 0.37 {
			assert.InDelta(t, s.Flow(v), cup.Flow(v), 0.001*s.Flow(0), "%+v at %g kPa", s, v)
		}
	}
}
