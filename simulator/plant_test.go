package simulator

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// sealedSetup is a cup that is closed before the supply opens, with a cycle of 12 s.
func sealedSetup() Setup {
	return Setup{Name: "u", Engine: Engine{Q0LminANR: 60, VMaxKPa: 85}, Leak: Leak{K: 0, N: 1}, RequiredKPa: 30, SealProbability: 1,
		Circuit: Circuit{VolumeL: 0.4, VentC: 4, BlowC: 4, BlowKPa: 1},
		Cup:     Cup{OpenC: 6.6, CloseS: 0.01, LossOpenS: 0.01},
		Cycle:   Cycle{ContactS: -0.1, LiftS: 1, PlaceS: 9, SupplyOffS: 10, ReleaseS: 10, PulseS: 0.1, CycleS: 12}}
}

func oneStation(u Setup, picks int) Scenario {
	return Scenario{Name: "one", Seed: 7, LeadS: 1, AirPressureKPa: 500, Stations: []Station{{Name: "a"}}, Setups: []Setup{u},
		Runs: []Run{{Setups: map[string]string{"a": u.Name}, Piece: "p1", Picks: picks}}}
}

// The truth's own figures against closed forms: crossing, hold, leak, energy.
func TestTruthMeetsClosedForms(t *testing.T) {
	u := sealedSetup()
	u.Leak = Leak{K: 0.1, N: 1}
	u.Engine.AirLminANR, u.Engine.SpecificEnergyKWhM3 = 60, 0.11
	u.Engine.PowerW, u.Engine.PowerWPerKPa = 350, 2
	u.Circuit.BlowC = 0
	sc := oneStation(u, 1)
	sc.LevelsKPa = []float64{10, 60, 84}
	p, err := NewPlant(sc)
	require.NoError(t, err)
	p.Sample(0, sc.DurationS()+2)
	require.Len(t, p.Truth(), 1)
	got := p.Truth()[0]
	g := 60/85. + 0.1
	vInf, tau := 60/g, 60*0.4/(100*g)
	cross := func(v float64) float64 { return 1 - tau*math.Log(1-v/vInf) }
	require.Len(t, got.Crossings, 3, "84 kPa is out of reach")
	for i, level := range []float64{10, 30, 60} {
		assert.Equal(t, level, got.Crossings[i].LevelKPa)
		assert.InEpsilon(t, cross(level)-1, got.Crossings[i].TS-1, 5e-4)
	}
	assert.Equal(t, "released", got.Outcome)
	assert.InEpsilon(t, cross(30)-1, float64(got.SealedAtS)-1, 5e-4)
	assert.InDelta(t, vInf, float64(got.HoldKPa), 1e-3)
	assert.InDelta(t, 0.1*vInf, float64(got.LeakLminANR), 1e-3)
	assert.InDelta(t, vInf*(1-math.Exp(-(cross(30)-1+holdAfterS)/tau)), float64(got.LowestKPa), 0.3, "within a step of the hold's begin")
	// 60 L/min for 10 s; line 8 of physics/energy.csv has 60 L/min, 1.2 s, 0.11 kWh/m³ = 475.2 J.
	assert.InDelta(t, 10, got.AirLANR, 1e-9)
	assert.InDelta(t, 475.2/1.2*10, got.AirJ, 1e-6)
	area := vInf * (10 - tau*(1-math.Exp(-10/tau)))
	assert.InEpsilon(t, 350*10+2*area, got.ElectricJ, 1e-4)
}

// size returns the number of picks for a test, fewer with -short.
func size(full, short int) int {
	if testing.Short() {
		return short
	}
	return full
}

// All that the cups can do, in short cycles.
func mixed(seed uint64) Scenario {
	sc := DemoScenario(size(160, 40))
	sc.Seed = seed
	return sc
}

func truthOf(t *testing.T, sc Scenario) []Truth {
	t.Helper()
	p, err := NewPlant(sc)
	require.NoError(t, err)
	for i := range sc.Stations {
		p.Sample(i, sc.DurationS()+1)
	}
	return p.Truth()
}

func TestSameSeedSameBytes(t *testing.T) {
	text := func(seed uint64, everyS float64) string {
		sc := mixed(seed)
		p, err := NewPlant(sc)
		require.NoError(t, err)
		for i := range sc.Stations {
			for k := 0; float64(k)*everyS < sc.DurationS()+1; k++ {
				p.Sample(i, float64(k)*everyS)
			}
			p.Sample(i, sc.DurationS()+1)
		}
		var b bytes.Buffer
		require.NoError(t, WriteTruth(&b, p.Truth()))
		return b.String()
	}
	first := text(3, 0.01)
	require.Equal(t, size(320, 80), strings.Count(first, "\n"))
	require.Equal(t, first, text(3, 0.01))
	require.Equal(t, first, text(3, 0.0371), "whoever looks, and when, changes nothing")
	require.NotEqual(t, first, text(4, 0.01))

	var back Truth
	line, _, _ := strings.Cut(first, "\n")
	require.NoError(t, json.Unmarshal([]byte(line), &back))
	again, err := json.Marshal(back)
	require.NoError(t, err)
	require.JSONEq(t, line, string(again))
}

func TestHalvingTheStepChangesNothing(t *testing.T) {
	t.Run("demo", func(t *testing.T) { halve(t, mixed(5)) })
	t.Run("four cups", func(t *testing.T) { halve(t, oneStation(fourCups(), 20)) })
}

func halve(t *testing.T, sc Scenario) {
	whole := truthOf(t, sc)
	sc.StepS, sc.Tolerance = 0.01, 2e-6/8
	half := truthOf(t, sc)
	require.Len(t, half, len(whole))
	for i, a := range whole {
		b := half[i]
		at := fmt.Sprintf("%s pick %d", a.Station, a.N)
		require.Equal(t, a.Outcome, b.Outcome, at)
		require.Equal(t, len(a.Crossings), len(b.Crossings), at)
		for k := range a.Crossings { // 0.1 % of a seal time of about 50 ms
			require.InDelta(t, a.Crossings[k].TS, b.Crossings[k].TS, 5e-5, "%s at %v kPa", at, a.Crossings[k].LevelKPa)
		}
		require.Equal(t, math.IsNaN(float64(a.DropS)), math.IsNaN(float64(b.DropS)), at)
		if !math.IsNaN(float64(a.DropS)) {
			require.InDelta(t, float64(a.DropS), float64(b.DropS), 1e-5, at)
		}
		if !math.IsNaN(float64(a.HoldKPa)) {
			require.InEpsilon(t, float64(a.HoldKPa), float64(b.HoldKPa), 1e-3, at)
		}
		require.InDelta(t, a.ElectricJ, b.ElectricJ, 1e-3*a.ElectricJ, at)
		require.InDelta(t, a.AirJ, b.AirJ, 1e-3*a.AirJ, at)
	}
}

func TestVacuumStaysWithinWhatTheEngineCanDo(t *testing.T) {
	sc := mixed(11)
	for i := range sc.Setups {
		sc.Setups[i].Circuit.BlowC = 0
	}
	p, err := NewPlant(sc)
	require.NoError(t, err)
	deepest := 0.0
	for i := range sc.Stations {
		for k := 0; float64(k)*1e-3 < sc.DurationS(); k++ {
			x := p.Sample(i, float64(k)*1e-3)
			if !(x.VacuumKPa >= -1e-9 && x.VacuumKPa <= p.stations[i].setup.Engine.VMaxKPa && x.FlowLminANR >= 0) {
				require.Failf(t, "out of bounds", "seed %d station %d: %+v", sc.Seed, i, x)
			}
			deepest = max(deepest, x.VacuumKPa)
		}
	}
	require.Greater(t, deepest, 60.0)
}

func TestBlowOffGoesAboveAmbientAndNoFurther(t *testing.T) {
	sc := oneStation(sealedSetup(), 1)
	p, err := NewPlant(sc)
	require.NoError(t, err)
	lowest := 0.0
	for k := range 12000 {
		lowest = min(lowest, p.Sample(0, float64(k)*1e-3).VacuumKPa)
	}
	require.Less(t, lowest, -0.01)
	require.GreaterOrEqual(t, lowest, -sc.Setups[0].Circuit.BlowKPa)
}

func TestMoreLeakNeverMoreVacuumAndMoreEngineNeverLess(t *testing.T) {
	trace := func(change func(*Setup)) []float64 {
		u := sealedSetup()
		u.Leak = Leak{K: 0.5, N: 0.7}
		u.Cycle.ContactS, u.Cup.CloseS = 0.05, 0.04
		change(&u)
		p, err := NewPlant(oneStation(u, 1))
		require.NoError(t, err)
		var vs []float64
		for k := range 10_900 { // to the release: who holds more vacuum is let go later
			vs = append(vs, p.Sample(0, float64(k)*1e-3).VacuumKPa)
		}
		return vs
	}
	base := trace(func(*Setup) {})
	for _, tc := range []struct {
		name   string
		change func(*Setup)
		less   bool
	}{
		{"more leak", func(u *Setup) { u.Leak.K *= 1.1 }, true},
		{"much more leak", func(u *Setup) { u.Leak.K *= 20 }, true},
		{"wider open cup", func(u *Setup) { u.Cup.OpenC *= 2 }, true},
		{"bigger engine", func(u *Setup) { u.Engine.Q0LminANR *= 1.2 }, false},
		{"deeper engine", func(u *Setup) { u.Engine.VMaxKPa += 5 }, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			differs := false
			for k, v := range trace(tc.change) {
				d := v - base[k]
				if !tc.less {
					d = -d
				}
				if !(d <= 1e-9) {
					require.Failf(t, "wrong way", "by %v kPa at %d ms", d, k)
				}
				differs = differs || d < -0.1
			}
			require.True(t, differs)
		})
	}
}

func TestOutcomes(t *testing.T) {
	base := func() Setup {
		u := sealedSetup()
		u.Leak = Leak{K: 0.3, N: 0.7}
		u.Cycle = Cycle{ContactS: 0.06, LiftS: 0.3, PlaceS: 0.7, SupplyOffS: 0.72, ReleaseS: 0.72, PulseS: 0.06, CycleS: 1}
		return u
	}
	for _, tc := range []struct {
		name    string
		change  func(*Setup)
		outcome string
		check   func(*testing.T, Truth)
	}{
		{"released", func(*Setup) {}, "released", func(t *testing.T, x Truth) {
			assert.True(t, math.IsNaN(float64(x.DropS)) && math.IsNaN(float64(x.LossS)))
			assert.Greater(t, float64(x.SealedAtS), x.ContactS)
			assert.Less(t, float64(x.EndS), x.ReleaseS+0.1)
		}},
		{"dropped", func(u *Setup) { u.DropProbability = 1 }, "dropped", func(t *testing.T, x Truth) {
			assert.Greater(t, float64(x.DropS), float64(x.LossS))
			assert.Less(t, float64(x.DropS), float64(x.LossS)+0.05)
			assert.Less(t, float64(x.DropS), x.ReleaseS)
			assert.GreaterOrEqual(t, float64(x.LossS), x.SupplyOnS+0.3)
			assert.Greater(t, float64(x.HoldKPa), 30.)
		}},
		{"unsealed", func(u *Setup) { u.SealProbability, u.BadSealKPa = 0, [2]float64{10, 20} }, "unsealed", func(t *testing.T, x Truth) {
			assert.True(t, math.IsNaN(float64(x.SealedAtS)) && math.IsNaN(float64(x.HoldKPa)))
			assert.Empty(t, x.Crossings)
		}},
		{"dip", func(u *Setup) { u.DipProbability, u.DipKPa, u.DipS = 1, 20, 0.2 }, "released", func(t *testing.T, x Truth) {
			assert.Equal(t, 1, x.Dips)
			assert.Greater(t, x.BelowRequiredS, 0.01)
			assert.Less(t, x.BelowRequiredS, 0.25)
			assert.Less(t, float64(x.LowestKPa), 30.)
		}},
		{"held by a check valve with the supply shut", func(u *Setup) { u.Circuit.Holds, u.Cycle.SupplyOffS = true, 0.45 }, "released", func(t *testing.T, x Truth) {
			assert.Equal(t, x.SupplyOnS+0.45, x.SupplyOffS)
			assert.Zero(t, x.BelowRequiredS)
		}},
		{"lost while a check valve holds", func(u *Setup) { u.Circuit.Holds, u.Cycle.SupplyOffS, u.DropProbability = true, 0.45, 1 }, "dropped", func(t *testing.T, x Truth) {
			assert.Greater(t, float64(x.DropS), float64(x.LossS))
		}},
		{"touched before the supply", func(u *Setup) { u.Cycle.ContactS = -0.1 }, "released", func(t *testing.T, x Truth) {
			assert.Less(t, x.ContactS, x.SupplyOnS)
		}},
		{"no blow-off", func(u *Setup) { u.Circuit.BlowC = 0 }, "released", func(t *testing.T, x Truth) {
			assert.False(t, math.IsNaN(float64(x.EndS)))
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			u := base()
			tc.change(&u)
			truths := truthOf(t, oneStation(u, 3))
			require.Len(t, truths, 3)
			for i, x := range truths {
				require.Equal(t, i+1, x.N)
				require.Equal(t, tc.outcome, x.Outcome, "seed 7, pick %d", x.N)
				tc.check(t, x)
			}
		})
	}
}

func TestSwitchedSignals(t *testing.T) {
	u := sealedSetup()
	u.Cycle = Cycle{ContactS: 0.06, LiftS: 0.3, PlaceS: 0.7, SupplyOffS: 0.72, ReleaseS: 0.72, PulseS: 0.06, CycleS: 1}
	p, err := NewPlant(oneStation(u, 2))
	require.NoError(t, err)
	for _, tc := range []struct {
		t                               float64
		supply, touch, carried, release bool
	}{
		{0.5, false, false, false, false}, {1.001, true, false, false, false}, {1.059, true, false, false, false},
		{1.061, true, true, false, false}, {1.31, true, true, true, false}, {1.71, true, true, false, false},
		{1.7201, false, true, false, true}, {1.775, false, false, false, true}, {1.79, false, false, false, false},
		{2.001, true, false, false, false},
	} {
		x := p.Sample(0, tc.t)
		require.Equal(t, []bool{tc.supply, tc.touch, tc.carried, tc.release}, []bool{x.Supply, x.Touch, x.Carried, x.Release}, "at %v s", tc.t)
	}
}

func TestDemoScenario(t *testing.T) {
	for _, n := range []int{-1, 0, 1, 7, 8, 9, 400} {
		sc := DemoScenario(n)
		require.NoError(t, sc.Check())
		total := 0
		for _, r := range sc.Runs {
			total += r.Picks
		}
		require.Equal(t, max(0, n), total)
	}
	for _, u := range DemoScenario(1).Setups {
		open := u.OpenSuctionKPa()
		require.Less(t, open, u.dropLevelKPa()-0.5, "%s: a lost bag must show", u.Name)
		require.Greater(t, open, 1.0, u.Name)
	}
	count := map[string]int{}
	for _, x := range truthOf(t, DemoScenario(160)) {
		count[x.Outcome]++
		if x.Outcome != "unsealed" {
			sealTime := float64(x.SealedAtS) - max(x.ContactS, x.SupplyOnS)
			require.Greater(t, sealTime, 0.005, "%s pick %d", x.Station, x.N)
			require.Less(t, sealTime, 0.2, "%s pick %d", x.Station, x.N)
		}
		require.False(t, math.IsNaN(float64(x.EndS)), "%s pick %d", x.Station, x.N)
	}
	t.Log(count)
	require.Greater(t, count["released"], 270)
	require.Positive(t, count["dropped"])
	require.Positive(t, count["unsealed"])
}

func TestScenarioFaultsAreNamed(t *testing.T) {
	for _, tc := range []struct {
		name, want string
		change     func(*Scenario)
	}{
		{"no stations", "no stations", func(s *Scenario) { s.Stations = nil }},
		{"twins", `two stations are named "a"`, func(s *Scenario) { s.Stations = append(s.Stations, s.Stations[0]) }},
		{"unknown setup", `setup "x"`, func(s *Scenario) { s.Runs[0].Setups["a"] = "x" }},
		{"negative picks", "-1 picks", func(s *Scenario) { s.Runs[0].Picks = -1 }},
		{"NaN volume", "a volume above 0 L", func(s *Scenario) { s.Setups[0].Circuit.VolumeL = math.NaN() }},
		{"tiny volume", "a volume that fills slower", func(s *Scenario) { s.Setups[0].Circuit.VolumeL = 1e-4 }},
		{"short pulse", "at least 20 ms", func(s *Scenario) { s.Setups[0].Cycle.PulseS = 0.019 }},
		{"short cycle", "outlasts", func(s *Scenario) { s.Setups[0].Cycle.CycleS = 10.1 }},
		{"out of reach", "required vacuum", func(s *Scenario) { s.Setups[0].RequiredKPa = 101 }},
		{"NaN probability", "probabilities", func(s *Scenario) { s.Setups[0].DropProbability = math.NaN() }},
		{"negative noise", "vacuum noise", func(s *Scenario) { s.Noise.VacuumKPa = -1 }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			sc := oneStation(sealedSetup(), 1)
			tc.change(&sc)
			_, err := NewPlant(sc)
			require.ErrorContains(t, err, tc.want)
			require.NotContains(t, err.Error(), "\n")
		})
	}
}

func BenchmarkPlant(b *testing.B) {
	sc := DemoScenario(1 << 20)
	p, err := NewPlant(sc)
	require.NoError(b, err)
	s := 0.0
	for b.Loop() {
		s++
		p.Sample(0, s)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "×real")
}
