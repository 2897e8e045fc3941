package stats

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// The values in testdata/statistics were computed by R 4.2.2 and scipy, statsmodels and
// mpmath independently; its README lists the sources, the definitions and the tolerances
// used here. Of its values these belong to nothing that griptrial computes, and are not
// checked: Bonferroni, Hochberg and Benjamini–Hochberg (Holm is used), two-sided tolerance
// factors' and Natrella's approximations (exact ones are), the rule of three (exact bounds are),
// Wald's mean number of trials (the exact one is), BCa and the jackknife (percentiles are), two
// crossed random factors (pieces belong to one bag), the isotonic fit, the straight line through
// logarithms of a decay (listed there as another fit), the unscaled median deviation, and the
// GUM's budgets (analyze/pick has its own).
const reference = "../../testdata/statistics/"

func readJSON(t *testing.T, name string, v any) {
	text, err := os.ReadFile(reference + name)
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, v))
}

// cases reads inputs and expected values of a topic, which stand in the same order.
func cases[In, Out any](t *testing.T, topic string) ([]In, []Out) {
	var in, out map[string]json.RawMessage
	readJSON(t, "inputs.json", &in)
	readJSON(t, "expected.json", &out)
	var i []In
	var o []Out
	require.NoError(t, json.Unmarshal(in[topic], &i))
	require.NoError(t, json.Unmarshal(out[topic], &o))
	require.NotEmpty(t, i)
	require.Len(t, o, len(i))
	return i, o
}

// near checks got against want at a relative tolerance, absolute 1e-12 near 0. A nil want
// stands for NaN.
func near(t *testing.T, want *float64, got, tolerance float64, what string, args ...any) {
	t.Helper()
	what = fmt.Sprintf(what, args...)
	if want == nil {
		assert.True(t, math.IsNaN(got), "%s: got %v, want NaN", what, got)
		return
	}
	if d := math.Abs(got - *want); !(d <= tolerance*math.Abs(*want) || d <= 1e-12) {
		t.Errorf("%s: got %.17g, want %.17g, off by %.2g, allowed %g", what, got, *want, d/math.Abs(*want), tolerance)
	}
}

func nearAll(t *testing.T, want, got []float64, tolerance float64, what string, args ...any) {
	t.Helper()
	require.Len(t, got, len(want), what)
	for i := range want {
		near(t, &want[i], got[i], tolerance, "%s [%d]", fmt.Sprintf(what, args...), i)
	}
}

func ends(i Interval) []float64 { return []float64{i.Lo, i.Hi} }

func TestSummary(t *testing.T) { // R mean, sd, quantile(type=), t interval
	type in struct {
		ID   string
		Y, P []float64
	}
	type out struct {
		Mean, SD, Median, Min, Max float64
		CI                         []float64 `json:"mean_ci95"`
		Type5                      []float64 `json:"type5_hazen"`
		Type6, Type7, Type8        []float64
	}
	ins, outs := cases[in, out](t, "summary")
	for k, c := range ins {
		want := outs[k]
		sd := 1e-12
		if c.ID == "offset_1e9" {
			sd = 1e-7
		}
		near(t, &want.Mean, Mean(c.Y), 1e-12, "%s mean", c.ID)
		near(t, &want.SD, SD(c.Y), sd, "%s sd", c.ID)
		near(t, &want.Median, Median(c.Y), 1e-12, "%s median", c.ID)
		nearAll(t, want.CI, ends(MeanInterval(c.Y, 0.95)), 1e-9, "%s interval", c.ID)
		sorted := slices.Sorted(slices.Values(c.Y))
		for typ, q := range map[QuantileType][]float64{Hazen: want.Type5, Weibull: want.Type6, Spreadsheet: want.Type7, MedianUnbiased: want.Type8} {
			for i, p := range c.P {
				near(t, &q[i], Quantile(sorted, p, typ), 1e-12, "%s type %d p %g", c.ID, typ, p)
			}
		}
	}
	// NIST/SEMATECH e-Handbook 7.2.5.2: 95.1981 for p = 0.9, type 6.
	assert.InDelta(t, 95.1981, Quantile(slices.Sorted(slices.Values(ins[0].Y)), 0.9, Weibull), 0.00005)
}

type testOut struct {
	T, DF, P float64
	CI       []float64
}

func (w testOut) check(t *testing.T, got TTest, what string) {
	t.Helper()
	near(t, &w.T, got.T, 1e-9, "%s t", what)
	near(t, &w.DF, got.DF, 1e-9, "%s df", what)
	near(t, &w.P, got.P, 1e-9, "%s p", what)
	nearAll(t, w.CI, ends(got.Interval), 1e-9, "%s interval", what)
}

type twoSamples struct {
	ID    string
	X, Y  []float64
	Level float64
}

func TestTwoSample(t *testing.T) { // R t.test
	ins, outs := cases[twoSamples, struct {
		Welch, Pooled testOut
	}](t, "two_sample")
	for k, c := range ins {
		outs[k].Welch.check(t, Welch(c.X, c.Y, c.Level), c.ID+" welch")
		outs[k].Pooled.check(t, Pooled(c.X, c.Y, c.Level), c.ID+" pooled")
	}
	// NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B: printed with five decimals.
	w := Welch(ins[0].X, ins[0].Y, 0.95)
	assert.InDelta(t, -12.94627, w.T, 0.000005)
	assert.InDelta(t, 136.87499, w.DF, 0.00002) // printed digits end in …499, the exact value in …498
	assert.InDelta(t, -12.62059, Pooled(ins[0].X, ins[0].Y, 0.95).T, 0.000005)
}

func TestPaired(t *testing.T) { // R t.test(paired=TRUE)
	ins, outs := cases[twoSamples, testOut](t, "paired")
	for k, c := range ins {
		d := make([]float64, len(c.X))
		for i := range d {
			d[i] = c.X[i] - c.Y[i]
		}
		outs[k].check(t, OneSample(d, c.Level), c.ID)
	}
}

func TestRankSum(t *testing.T) { // R wilcox.test; see definition 4 of the README
	type out struct {
		U        float64   `json:"U_x"`
		PCont    float64   `json:"p_normal_continuity"`
		PPlain   float64   `json:"p_normal_plain"`
		HL       float64   `json:"hodges_lehmann_x_minus_y"`
		Rank     int64     `json:"ci_rank_k"`
		CI       []float64 `json:"ci"`
		Attained float64   `json:"ci_attained_conf"`
		PExact   *float64  `json:"p_exact"`
	}
	ins, outs := cases[twoSamples, out](t, "rank_sum")
	for k, c := range ins {
		w, got := outs[k], RankSum(c.X, c.Y, c.Level)
		assert.Equal(t, w.U, got.U, c.ID)
		near(t, &w.PCont, got.PNormal, 1e-9, "%s p", c.ID)
		near(t, &w.PPlain, got.PPlain, 1e-9, "%s plain p", c.ID)
		near(t, &w.HL, got.Shift, 1e-12, "%s shift", c.ID)
		assert.Equal(t, w.Rank, got.Rank, c.ID)
		nearAll(t, w.CI, ends(got.Interval), 1e-12, "%s interval", c.ID)
		near(t, &w.Attained, got.Attained, 1e-9, "%s attained", c.ID)
		assert.Equal(t, w.PExact != nil, got.Exact, c.ID)
		if w.PExact != nil {
			near(t, w.PExact, got.P, 1e-9, "%s exact p", c.ID)
		}
	}
}

func TestHolm(t *testing.T) { // R p.adjust(method = "holm")
	ins, outs := cases[struct{ P []float64 }, struct{ Holm json.RawMessage }](t, "holm")
	for k, c := range ins {
		var want []float64
		if json.Unmarshal(outs[k].Holm, &want) != nil {
			var one float64
			require.NoError(t, json.Unmarshal(outs[k].Holm, &one))
			want = []float64{one}
		}
		nearAll(t, want, Holm(c.P), 1e-12, "%v", c.P)
	}
	got := Holm([]float64{0.01, math.NaN(), 0.04})
	assert.Equal(t, []float64{0.02, 0.04}, []float64{got[0], got[2]})
	assert.True(t, math.IsNaN(got[1]))
}

func TestProportions(t *testing.T) { // R binom.test, prop.test(correct = FALSE)
	type out struct {
		CP     []float64 `json:"clopper_pearson"`
		Wilson []float64
		Upper  float64 `json:"cp_one_sided_upper"`
		Lower  float64 `json:"cp_one_sided_lower"`
	}
	ins, outs := cases[struct{ X, N, Level float64 }, out](t, "proportions")
	for k, c := range ins {
		w := outs[k]
		nearAll(t, w.CP, ends(ClopperPearson(c.X, c.N, c.Level)), 1e-9, "%v exact", c)
		nearAll(t, w.Wilson, ends(Wilson(c.X, c.N, c.Level)), 1e-9, "%v Wilson", c)
		near(t, &w.Upper, UpperBound(c.X, c.N, c.Level), 1e-9, "%v upper", c)
		near(t, &w.Lower, LowerBound(c.X, c.N, c.Level), 1e-9, "%v lower", c)
	}
	// NIST/SEMATECH e-Handbook 7.2.4.1; its upper limit is good to 1e-6.
	cp := ClopperPearson(4, 20, 0.90)
	assert.InDelta(t, 0.071354, cp.Lo, 5e-7)
	assert.InDelta(t, 0.401029, cp.Hi, 2e-6)
	// Newcombe (1998), Statistics in Medicine 17, 857–872, table I (quoted, not seen in print).
	for _, r := range []struct{ x, n, wl, wu, cl, cu float64 }{
		{81, 263, 0.2553, 0.3662, 0.2527, 0.3676}, {15, 148, 0.0624, 0.1605, 0.0578, 0.1617},
		{0, 20, 0, 0.1611, 0, 0.1684}, {1, 29, 0.0061, 0.1718, 0.0009, 0.1776}} {
		w, c := Wilson(r.x, r.n, 0.95), ClopperPearson(r.x, r.n, 0.95)
		for _, v := range [][2]float64{{r.wl, w.Lo}, {r.wu, w.Hi}, {r.cl, c.Lo}, {r.cu, c.Hi}} {
			assert.InDelta(t, v[0], v[1], 0.00005+1e-12, "%v of %v", r.x, r.n)
		}
	}
}

func TestPoissonBounds(t *testing.T) {
	// Closed form for a count of 0; for 3 and 10 the two-sided 95 % limits of Garwood (1936),
	// from memory: 0.619 to 8.77 and 4.80 to 18.4.
	assert.InEpsilon(t, -math.Log(0.05), PoissonUpper(0, 0.95), 1e-9)
	assert.Zero(t, PoissonLower(0, 0.95))
	assert.InDelta(t, 0.619, PoissonLower(3, 0.975), 0.0005)
	assert.InDelta(t, 8.767, PoissonUpper(3, 0.975), 0.0005)
	assert.InDelta(t, 4.795, PoissonLower(10, 0.975), 0.0005)
	assert.InDelta(t, 18.39, PoissonUpper(10, 0.975), 0.005)
}

func TestTwoProportions(t *testing.T) { // R fisher.test; Newcombe's hybrid from Wilson's limits
	type in struct{ X1, N1, X2, N2, Level float64 }
	type out struct {
		CI     []float64 `json:"newcombe_hybrid"`
		Fisher float64   `json:"fisher_two_sided_p"`
	}
	ins, outs := cases[in, out](t, "two_proportions")
	for k, c := range ins {
		one := []Counts{{c.X1, c.N1, c.X2, c.N2}}
		_, i := RateDifference(one, c.Level)
		nearAll(t, outs[k].CI, ends(i), 1e-9, "%v", c)
		near(t, &outs[k].Fisher, Fisher(one), 1e-9, "%v", c)
		// A stratum in which nothing happened tells nothing.
		near(t, &outs[k].Fisher, Fisher(append(one, Counts{0, 10, 0, 20})), 1e-9, "%v and an empty one", c)
	}
	// Two strata of one case each among 1 and 1: both cases fall to the first sample with
	// probability 1/4, to either sample alone with 1/2.
	half := Counts{1, 1, 0, 1}
	assert.InDelta(t, 0.5, Fisher([]Counts{half, half}), 1e-12)
}

func TestPicksForRate(t *testing.T) { // R pbinom; CMH-17-1G and Wilks' sizes are among them
	type out struct {
		C0 int `json:"n_c0"`
		C1 int `json:"n_c1"`
		C2 int `json:"n_c2"`
		C3 int `json:"n_c3"`
	}
	ins, outs := cases[struct{ P, Conf float64 }, out](t, "zero_failure")
	for k, c := range ins {
		w := outs[k]
		for x, n := range []int{w.C0, w.C1, w.C2, w.C3} {
			assert.Equal(t, n, PicksForRate(x, c.P, c.Conf), "%v, %d cases", c, x)
		}
	}
	// ⌈log(0.05)/log(1−1e-4)⌉
	assert.Equal(t, 29956, PicksForRate(0, 1e-4, 0.95))
	assert.Zero(t, PicksForRate(0, 0, 0.95))
	assert.Zero(t, PicksForRate(0, 0.1, 1))
}

func TestSPRT(t *testing.T) { // NIST/SEMATECH e-Handbook 6.2.6; exact paths in R and Python
	type in struct {
		P0, P1, Alpha, Beta float64
		N                   []int     `json:"n_table"`
		P                   []float64 `json:"p_eval"`
	}
	type out struct {
		H1, H2, S float64
		Accept    []*int    `json:"accept_number"`
		Reject    []*int    `json:"reject_number"`
		MinN      int       `json:"min_n_accept_zero_failures"`
		PAccept   []float64 `json:"exact_p_accept"`
		ASN       []float64 `json:"exact_asn"`
	}
	ins, outs := cases[in, out](t, "sprt")
	for k, c := range ins {
		w, s := outs[k], NewSPRT(c.P0, c.P1, c.Alpha, c.Beta)
		nearAll(t, []float64{w.H1, w.H2, w.S}, []float64{s.H1, s.H2, s.S}, 1e-9, "%v lines", c.P0)
		for i, n := range c.N {
			if w.Accept[i] == nil {
				assert.Negative(t, s.Accept(n), "n %d", n)
			} else {
				assert.Equal(t, *w.Accept[i], s.Accept(n), "n %d", n)
			}
			if w.Reject[i] == nil {
				assert.Greater(t, s.Reject(n), n)
			} else {
				assert.Equal(t, *w.Reject[i], s.Reject(n), "n %d", n)
			}
		}
		assert.Zero(t, s.Decide(0, w.MinN-1))
		assert.Equal(t, 1, s.Decide(0, w.MinN))
		for i, p := range c.P {
			accept, asn := s.Characteristics(p)
			near(t, &w.PAccept[i], accept, 1e-9, "accept at %g", p)
			near(t, &w.ASN[i], asn, 1e-9, "trials at %g", p)
		}
	}
}

func TestToleranceFactor(t *testing.T) { // 30-digit mpmath
	type in struct {
		N           float64
		Cover, Conf float64
	}
	ins, outs := cases[in, struct{ K1 float64 }](t, "tol_normal")
	for k, c := range ins {
		near(t, &outs[k].K1, ToleranceFactor(c.N, c.Cover, c.Conf), 1e-10, "%v", c)
	}
	// NIST/SEMATECH e-Handbook 7.2.6.3 (exact factor, from memory) and US EPA Unified Guidance
	// 2009, example 17-3.
	assert.InDelta(t, 1.874, ToleranceFactor(43, 0.90, 0.99), 0.0005)
	var logs []float64
	for _, v := range []float64{19.7, 39.2, 7.8, 12.8, 10.2, 7.2, 16.1, 5.7} {
		logs = append(logs, math.Log(v))
	}
	limit := Mean(logs) + ToleranceFactor(8, 0.95, 0.95)*SD(logs)
	assert.InDelta(t, 4.510032, limit, 5e-7)
	assert.InDelta(t, 90.9247, math.Exp(limit), 5e-5)
	// CMH-17-1G, tables 8.5.10 and 8.5.11: up to 0.002 above the exact factors.
	for n, k := range map[float64]float64{2: 20.581, 3: 6.157, 10: 2.355, 15: 2.069, 20: 1.927, 30: 1.778} {
		assert.InDelta(t, k, ToleranceFactor(n, 0.90, 0.95), 0.002, "n %g", n)
	}
}

func TestToleranceFree(t *testing.T) { // R pbinom; CMH-17-1G tables 8.5.12 and 8.5.13, Wilks
	type out struct {
		One []int `json:"one_sided_n_rank1to5"`
		Two int   `json:"two_sided_min_max_n"`
	}
	ins, outs := cases[struct{ Cover, Conf float64 }, out](t, "tol_free")
	for k, c := range ins {
		for i, n := range outs[k].One {
			assert.Equal(t, n, FreeSize(i+1, c.Cover, c.Conf), "%v rank %d", c, i+1)
			assert.Equal(t, i+1, FreeRank(n, c.Cover, c.Conf), "%v n %d", c, n)
			assert.Equal(t, i, FreeRank(n-1, c.Cover, c.Conf), "%v n %d", c, n-1)
		}
		assert.Equal(t, outs[k].Two, FreeSize(2, c.Cover, c.Conf))
	}
	type conf struct {
		Max    float64 `json:"one_sided_max_conf"`
		MinMax float64 `json:"two_sided_min_max_conf"`
	}
	more, want := cases[struct {
		N     int
		Cover float64
	}, conf](t, "tol_free_conf")
	for k, c := range more {
		near(t, &want[k].Max, FreeConfidence(c.N, 1, c.Cover), 1e-9, "%v", c)
		near(t, &want[k].MinMax, FreeConfidence(c.N, 2, c.Cover), 1e-9, "%v", c)
	}
}

func TestTrend(t *testing.T) { // R, scipy; US EPA Unified Guidance 2009, example 17-6; Gilbert (1987)
	type in struct {
		ID    string
		T, Y  []float64
		Level float64
	}
	type out struct {
		S, VarS  float64
		Var      float64    `json:"var_S"`
		Z        *float64   `json:"z"`
		P        *float64   `json:"p_two_sided"`
		TauA     float64    `json:"tau_a"`
		TauB     *float64   `json:"tau_b"`
		Slope    float64    `json:"sen_slope"`
		Residual float64    `json:"intercept_median_resid"`
		Conover  float64    `json:"intercept_conover"`
		CI       []*float64 `json:"ci_interpolated"`
		PExact   *float64   `json:"p_exact"`
	}
	ins, outs := cases[in, out](t, "trend")
	for k, c := range ins {
		w, got := outs[k], TheilSen(c.T, c.Y, c.Level)
		nearAll(t, []float64{w.S, w.Var, w.TauA, w.Slope, w.Residual, w.Conover},
			[]float64{got.S, got.VarS, got.TauA, got.Slope, got.Residual, got.Conover}, 1e-12, "%s", c.ID)
		near(t, w.Z, got.Z, 1e-9, "%s z", c.ID)
		near(t, w.P, got.PNormal, 1e-9, "%s p", c.ID)
		if w.TauB != nil {
			near(t, w.TauB, got.TauB, 1e-12, "%s tau b", c.ID)
		}
		if w.PExact != nil {
			assert.True(t, got.Exact, c.ID)
			near(t, w.PExact, got.P, 1e-9, "%s exact p", c.ID)
		} else {
			near(t, w.P, got.P, 1e-9, "%s p in use", c.ID)
		}
		lo, hi := (*float64)(nil), (*float64)(nil)
		if len(w.CI) == 2 {
			lo, hi = w.CI[0], w.CI[1]
		}
		if got.VarS > 0 {
			near(t, lo, got.Lo, 1e-9, "%s lo", c.ID)
			near(t, hi, got.Hi, 1e-9, "%s hi", c.ID)
		}
	}
}

func TestAutocorrelation(t *testing.T) { // R acf
	ins, outs := cases[struct {
		ID string
		Y  []float64
	}, struct{ R1, R2, R3 float64 }](t, "autocorr")
	for k, c := range ins {
		nearAll(t, []float64{outs[k].R1, outs[k].R2, outs[k].R3},
			[]float64{Autocorrelation(c.Y, 1), Autocorrelation(c.Y, 2), Autocorrelation(c.Y, 3)}, 1e-12, "%s", c.ID)
	}
}

type crossed struct {
	ID      string
	A, B, G []int
	Y       []float64
}

// Machines and Rail of Pinheiro and Bates (2000), chapter 1: R aov and nlme's REML.
func TestREML(t *testing.T) {
	ins, outs := cases[crossed, struct {
		SD   []float64 `json:"anova_sd"`
		REML []float64 `json:"reml_sd_6_digits"`
	}](t, "varcomp_mixed")
	for k, c := range ins {
		w := outs[k]
		cells := map[[2]int][]float64{}
		for i, y := range c.Y {
			key := [2]int{c.B[i] - 1, c.A[i] - 1}
			cells[key] = append(cells[key], y)
		}
		var units []Unit
		for b := range 6 {
			for a := range 3 {
				units = append(units, NewUnit(b, a, cells[[2]int{b, a}]))
			}
		}
		fit, ok := FitREML(units)
		require.True(t, ok)
		// For balanced data REML is the analysis of variance. The other program's search stops at
		// about six digits.
		nearAll(t, w.SD, []float64{fit.Block, fit.Unit, fit.Within}, 1e-9, "%s", c.ID)
		nearAll(t, w.REML, []float64{fit.Block, fit.Unit, fit.Within}, 3e-6, "%s", c.ID)
	}
	rails, wants := cases[crossed, struct {
		MSB     float64 `json:"ms_between"`
		MSW     float64 `json:"ms_within"`
		F, P    float64
		Between float64 `json:"sd_between"`
		Within  float64 `json:"sd_within"`
	}](t, "varcomp_oneway")
	for k, c := range rails {
		w := wants[k]
		groups := make([][]float64, 6)
		for i, y := range c.Y {
			groups[c.G[i]-1] = append(groups[c.G[i]-1], y)
		}
		one := AnalyseGroups(groups)
		nearAll(t, []float64{w.MSB, w.MSW, w.F, w.P, w.Between, w.Within},
			[]float64{one.Between.MS, one.Within.MS, one.Between.F, one.Between.P, math.Sqrt(one.BetweenVar), math.Sqrt(one.WithinVar)}, 1e-9, "%s", c.ID)
		var units []Unit
		for g, y := range groups {
			units = append(units, NewUnit(g, 0, y))
		}
		fit, ok := FitREML(units)
		require.True(t, ok)
		nearAll(t, []float64{w.Between, w.Within}, []float64{fit.Block, fit.Within}, 1e-9, "%s REML", c.ID)
	}
}

func TestDecay(t *testing.T) { // 30-digit mpmath; Venables and Ripley, section 8.1, for wtloss
	models := map[string]func(t float64, p []float64) float64{
		"b0+b1*2^(-t/th)":            func(t float64, p []float64) float64 { return p[0] + p[1]*math.Exp2(-t/p[2]) },
		"pinf+(p0-pinf)*exp(-t/tau)": func(t float64, p []float64) float64 { return p[1] + (p[0]-p[1])*math.Exp(-t/p[2]) },
		"p0*exp(-t/tau)":             func(t float64, p []float64) float64 { return p[0] * math.Exp(-t/p[1]) },
	}
	type in struct {
		ID, Model   string
		Start, T, Y []float64
	}
	ins, outs := cases[in, struct {
		Estimate, SE []float64
		RSS          float64
		Lo           []float64 `json:"wald_ci95_lo"`
		Hi           []float64 `json:"wald_ci95_hi"`
	}](t, "decay")
	for k, c := range ins {
		w := outs[k]
		require.NotNil(t, models[c.Model], c.Model)
		got, err := FitCurve(models[c.Model], c.T, c.Y, c.Start)
		require.NoError(t, err)
		near(t, &w.RSS, got.RSS, 1e-9, "%s rss", c.ID)
		nearAll(t, w.Estimate, got.Param, 1e-6, "%s", c.ID)
		nearAll(t, w.SE, got.SE, 1e-5, "%s se", c.ID)
		for i, v := range got.Intervals(0.95) {
			nearAll(t, []float64{w.Lo[i], w.Hi[i]}, ends(v), 1e-6, "%s interval", c.ID) // an estimate ± t · se
		}
	}
}

func TestCalibration(t *testing.T) { // R lm, predict; JCGM 100:2008, H.3
	type in struct {
		ID        string
		X, Y      []float64
		X0, Level float64
	}
	type out struct {
		Intercept, Slope, Cov, Corr float64
		SE0                         float64   `json:"se_intercept"`
		SE1                         float64   `json:"se_slope"`
		SD                          float64   `json:"residual_sd"`
		R2                          float64   `json:"r_squared"`
		Y0                          float64   `json:"y_at_x0"`
		SEMean                      float64   `json:"se_mean_at_x0"`
		CI                          []float64 `json:"ci_mean_at_x0"`
		PI                          []float64 `json:"pi_at_x0"`
	}
	ins, outs := cases[in, out](t, "calibration")
	for k, c := range ins {
		w := outs[k]
		l := line(t, c.X, c.Y)
		y, se := l.Coef[0]+c.X0*l.Coef[1], math.Sqrt(l.Cov.At(0, 0)+2*c.X0*l.Cov.At(0, 1)+c.X0*c.X0*l.Cov.At(1, 1))
		q := TQuantile((1+c.Level)/2, l.DF)
		h, g := q*se, q*math.Hypot(se, l.ResidualSD)
		nearAll(t, []float64{w.Intercept, w.Slope, w.SE0, w.SE1, w.Cov, w.Corr, w.SD, w.R2, w.Y0, w.SEMean},
			[]float64{l.Coef[0], l.Coef[1], l.SE[0], l.SE[1], l.Cov.At(0, 1), l.Cov.At(0, 1) / l.SE[0] / l.SE[1], l.ResidualSD, 1 - l.RSS/SumSquares(c.Y), y, se}, 1e-9, "%s", c.ID)
		nearAll(t, w.CI, []float64{y - h, y + h}, 1e-9, "%s mean", c.ID)
		nearAll(t, w.PI, []float64{y - g, y + g}, 1e-9, "%s next", c.ID)
	}
}

func line(t *testing.T, x, y []float64) Linear {
	rows := make([][]float64, len(x))
	for i, v := range x {
		rows[i] = []float64{1, v}
	}
	l, err := FitLinear(rows, y)
	require.NoError(t, err)
	return l
}

func TestBootstrap(t *testing.T) { // exact distribution over all n^n resamples
	type stat struct {
		SE   float64 `json:"boot_se"`
		Q025 float64
		Q5   float64
		Q975 float64
	}
	ins, outs := cases[struct {
		ID string
		Y  []float64
	}, struct{ Mean, Median stat }](t, "bootstrap")
	const b = 20000
	for k, c := range ins {
		pick := func(draw []int) []float64 {
			v := make([]float64, len(draw))
			for i, d := range draw {
				v[i] = c.Y[d]
			}
			return v
		}
		for name, f := range map[string]func([]float64) float64{"mean": Mean, "median": Median} {
			w := outs[k].Mean
			if name == "median" {
				w = outs[k].Median
			}
			got := Bootstrap(len(c.Y), b, 1, func(d []int) float64 { return f(pick(d)) })
			assert.InEpsilon(t, w.SE, SD(got), 4/math.Sqrt(2*b), "%s %s", c.ID, name)
			// Percentiles within one step of the exact distribution: the exact one lies between the
			// simulated ones 4 binomial standard deviations to either side.
			for p, want := range map[float64]float64{0.025: w.Q025, 0.5: w.Q5, 0.975: w.Q975} {
				h := 4 * math.Sqrt(p*(1-p)/b)
				lo, hi := Quantile(got, p-h, Hazen), Quantile(got, p+h, Hazen)
				assert.True(t, want >= lo-1e-12 && want <= hi+1e-12, "%s %s p %g: %g not in %g … %g", c.ID, name, p, want, lo, hi)
			}
		}
		assert.Equal(t, Bootstrap(5, 50, 7, func(d []int) float64 { return float64(d[0]) }),
			Bootstrap(5, 50, 7, func(d []int) float64 { return float64(d[0]) }))
	}
}

func TestDistributions(t *testing.T) { // R qt, qnorm, pf; 30-digit mpmath for the noncentral t
	var in struct {
		Distributions struct {
			T    [][2]float64 `json:"t_q"`
			Norm []float64    `json:"norm_q"`
			F    [][3]float64 `json:"f_sf"`
			Beta [][3]float64 `json:"beta_q"`
			NCT  [][3]float64 `json:"nct_p"`
			Chi2 [][2]float64 `json:"chisq_q"`
		}
	}
	var out struct {
		Distributions struct {
			T    []float64 `json:"t_q"`
			Norm []float64 `json:"norm_q"`
			F    []float64 `json:"f_sf"`
			Beta []float64 `json:"beta_q"`
			NCT  []float64 `json:"nct_p"`
			Chi2 []float64 `json:"chisq_q"`
		}
	}
	readJSON(t, "inputs.json", &in)
	readJSON(t, "expected.json", &out)
	i, o := in.Distributions, out.Distributions
	for k, v := range i.T {
		near(t, &o.T[k], TQuantile(v[0], v[1]), 1e-9, "t %v", v)
	}
	for k, v := range i.Norm {
		near(t, &o.Norm[k], NormalQuantile(v), 1e-9, "normal %v", v)
	}
	for k, v := range i.F {
		near(t, &o.F[k], FTail(v[0], v[1], v[2]), 1e-9, "F %v", v)
	}
	for k, v := range i.Beta {
		near(t, &o.Beta[k], betaQuantile(v[0], v[1], v[2]), 1e-9, "beta %v", v)
	}
	for k, v := range i.Chi2 { // what the bounds of counts rest on
		near(t, &o.Chi2[k], distuv.ChiSquared{K: v[1]}.Quantile(v[0]), 1e-9, "chi-squared %v", v)
	}
	for k, v := range i.NCT {
		near(t, &o.NCT[k], NoncentralTCDF(v[0], v[1], v[2]), 1e-10, "noncentral t %v", v)
	}
	// Central t, and the far sides.
	near(t, ptr(1-TTail(1.3, 7)), NoncentralTCDF(1.3, 7, 0), 1e-12, "central")
	near(t, ptr(TTail(1.3, 7)), NoncentralTCDF(-1.3, 7, 0), 1e-12, "central, negative")
	assert.Less(t, NoncentralTCDF(-3, 5, 4), 1e-4)
}

func ptr(v float64) *float64 { return &v }

// The certified values of NIST's Statistical Reference Datasets (itl.nist.gov/div898/strd).
func TestStRDUnivariateAndLinear(t *testing.T) {
	type set struct {
		Dataset   string
		Y, X      []float64
		Group     []int
		Certified struct {
			Mean, SD  *float64
			Lag1      *float64 `json:"lag1_autocorrelation"`
			Estimate  []float64
			SE        []float64
			SDRest    float64 `json:"residual_sd"`
			R2        float64 `json:"r_squared"`
			F         float64
			SSBetween *float64 `json:"ss_between"`
			SSWithin  float64  `json:"ss_within"`
		}
	}
	sets := 0
	files, err := filepath.Glob(reference + "strd/*.json")
	require.NoError(t, err)
	for _, f := range files {
		var s set
		readJSON(t, "strd/"+filepath.Base(f), &s)
		c := s.Certified
		switch {
		case c.Mean != nil:
			sd := 1e-12
			if s.Dataset == "NumAcc3" {
				sd = 1e-8
			}
			near(t, c.Mean, Mean(s.Y), 1e-13, "%s mean", s.Dataset)
			near(t, c.SD, SD(s.Y), sd, "%s sd", s.Dataset)
			near(t, c.Lag1, Autocorrelation(s.Y, 1), 1e-10, "%s r1", s.Dataset)
		case c.SSBetween != nil:
			groups := make([][]float64, 5)
			for i, y := range s.Y {
				groups[s.Group[i]-1] = append(groups[s.Group[i]-1], y)
			}
			one := AnalyseGroups(groups)
			nearAll(t, []float64{*c.SSBetween, c.SSWithin, c.F}, []float64{one.Between.SS, one.Within.SS, one.Between.F}, 1e-9, "%s", s.Dataset)
		case s.Dataset == "Norris":
			l := line(t, s.X, s.Y)
			nearAll(t, c.Estimate, l.Coef, 1e-9, "Norris")
			nearAll(t, c.SE, l.SE, 1e-9, "Norris se")
			nearAll(t, []float64{c.SDRest, c.R2}, []float64{l.ResidualSD, 1 - l.RSS/SumSquares(s.Y)}, 1e-9, "Norris rest")
		default:
			continue
		}
		sets++
	}
	assert.Equal(t, 8, sets)
}

func TestStRDNonlinear(t *testing.T) {
	models := map[string]func(x float64, b []float64) float64{
		"Misra1a":  func(x float64, b []float64) float64 { return b[0] * -math.Expm1(-b[1]*x) },
		"DanWood":  func(x float64, b []float64) float64 { return b[0] * math.Pow(x, b[1]) },
		"Chwirut2": func(x float64, b []float64) float64 { return math.Exp(-b[0]*x) / (b[1] + b[2]*x) },
		"MGH09":    func(x float64, b []float64) float64 { return b[0] * (x*x + x*b[1]) / (x*x + x*b[2] + b[3]) },
		"Rat42":    func(x float64, b []float64) float64 { return b[0] / (1 + math.Exp(b[1]-b[2]*x)) },
		"Lanczos3": func(x float64, b []float64) float64 {
			return b[0]*math.Exp(-b[1]*x) + b[2]*math.Exp(-b[3]*x) + b[4]*math.Exp(-b[5]*x)
		},
	}
	for name, model := range models {
		t.Run(name, func(t *testing.T) {
			var s struct {
				X, Y, Start1, Start2 []float64
				Certified            struct {
					Estimate, SE []float64
					RSS          float64
				}
			}
			readJSON(t, "strd/"+name+".json", &s)
			tolerance := 1e-6
			if name == "Lanczos3" {
				tolerance = 1e-4
			}
			for i, start := range [][]float64{s.Start1, s.Start2} {
				got, err := FitCurve(model, s.X, s.Y, start)
				require.NoError(t, err)
				near(t, &s.Certified.RSS, got.RSS, 1e-9, "start%d rss", i+1)
				nearAll(t, s.Certified.Estimate, got.Param, tolerance, "start%d", i+1)
				nearAll(t, s.Certified.SE, got.SE, 1e-4, "start%d se", i+1)
			}
		})
	}
}

// Counting finds the same difference as listing does, ties and infinite values included.
func TestDifferencesAgainstListing(t *testing.T) {
	const seed = 5
	random := rand.New(rand.NewPCG(seed, 0))
	for _, size := range [][2]int{{1, 1}, {1, 7}, {2, 3}, {30, 40}, {200, 150}} {
		for _, grid := range []float64{0, 0.5} {
			for _, infinite := range []float64{0, 0.2, 1} {
				draw := func(n int) []float64 {
					v := make([]float64, n)
					for i := range v {
						v[i] = random.NormFloat64()
						if grid > 0 {
							v[i] = math.Round(v[i]/grid) * grid
						}
						if random.Float64() < infinite {
							v[i] = math.Inf(1)
						}
					}
					return v
				}
				x, y := draw(size[0]), draw(size[1])
				var all []float64
				for _, a := range x {
					for _, b := range y {
						if d := a - b; math.IsNaN(d) {
							all = append(all, 0)
						} else {
							all = append(all, d)
						}
					}
				}
				slices.Sort(all)
				d := newDifferences(x, y)
				for k := 1; k <= len(all); k += 1 + len(all)/97 {
					require.Equal(t, all[k-1], d.kth(int64(k)), "sizes %v grid %g infinite %g k %d seed %d", size, grid, infinite, k, seed)
				}
				require.Equal(t, all[len(all)-1], d.kth(int64(len(all))))
			}
		}
	}
}

// Exact distributions add up: P(U ≤ mn) = 1 and symmetry; Wilcoxon's V of three values has
// P(V ≤ 0) = 1/8, and n = 10 the printed 5 % rank of 8, P(V ≤ 8) = 0.0244 (from memory).
func TestExactDistributions(t *testing.T) {
	c := rankSumCDF(4, 3)
	assert.InDelta(t, 1./35, c[0], 1e-15)
	assert.InDelta(t, 1, c[12]+0, 1e-15)
	assert.InDelta(t, c[0], 1-c[11], 1e-12)
	assert.InDelta(t, 1./8, signedRankCDF(3)[0], 1e-15)
	assert.InDelta(t, 0.0244, signedRankCDF(10)[8], 0.00005)
	r := SignedRank([]float64{1.5, 2, -0.5, 3, 0.8, 1.1}, 0.9)
	assert.Equal(t, 20.0, r.U)
	assert.InDelta(t, 2*2./64, r.P, 1e-12) // V ≥ 20: {20, 21}
}
