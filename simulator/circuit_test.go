package simulator

import (
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// nightly says that tests run in their long form.
var nightly = os.Getenv("GRIPTRIAL_NIGHTLY") != ""

// fourCups is a circuit with everything in it: four cups with bellows on branches, a hose
// and a filter, an ejector behind them, blow-off, a thermal wall, wrinkles and a hole.
func fourCups() Setup {
	return Setup{Name: "four", Engine: Engine{Q0LminANR: 160, VMaxKPa: 85, AirLminANR: 150, NominalKPa: 500, SpecificEnergyKWhM3: 0.12},
		Circuit: Circuit{VolumeL: 0.15, Branch: Restriction{C: 1, B: 0.3}, Line: Restriction{C: 2, B: 0.3}, EngineL: 0.05, WallTauS: 0.1,
			VentC: 3, BlowC: 0.6, BlowKPa: 300, OnDelayS: 0.012, OffDelayS: 0.018},
		Cups: 4, Cup: Cup{VolumeL: 0.03, OpenC: 1.5, CloseS: 0.03, LossOpenS: 0.01, LipMM: 40, AreaMM2: 900,
			StrokeL: 0.008, StrokeKPa: 8, FilmL: 0.005, FilmKPa: 30, MoveS: 0.01},
		Leak: Leak{K: 0.2, N: 0.6, HoleMM2: 0.05, Wrinkles: 3, WrinkleFactor: 3, WrinkleKPa: [2]float64{10, 40}}, RequiredKPa: 20, SealProbability: 1,
		Cycle: Cycle{ContactS: 0.03, LiftS: 0.25, PlaceS: 0.5, SupplyOffS: 0.52, ReleaseS: 0.52, PulseS: 0.06, CycleS: 0.7}}
}

// Air in is air out and air stored, over 10,000 picks, to 1e-9 of what has passed.
func TestAirIsConserved(t *testing.T) {
	u := sealedSetup()
	u.Leak = Leak{K: 0.8, N: 0.6}
	u.Circuit.WallTauS = 0.1
	u.Cycle = Cycle{ContactS: 0.02, LiftS: 0.12, PlaceS: 0.2, SupplyOffS: 0.21, ReleaseS: 0.21, PulseS: 0.03, CycleS: 0.3}
	for _, tc := range []struct {
		name  string
		setup Setup
		picks int
	}{
		{"one volume", u, size(10_000, 500)},
		{"four cups", fourCups(), size(500, 50)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if nightly {
				tc.picks = 10_000
			}
			sc := oneStation(tc.setup, tc.picks)
			sc.Setups[0].DropProbability = 0.05
			p, err := NewPlant(sc)
			require.NoError(t, err)
			p.Sample(0, sc.DurationS()+1)
			require.Len(t, p.Truth(), tc.picks)
			a := p.Air(0)
			t.Logf("%d picks: %+v, %d steps", tc.picks, a, p.groups[0].net.steps)
			require.Greater(t, a.Drawn, 0.1*float64(tc.picks))
			assert.InDelta(t, a.StoredAtFirst+a.In+a.Blown-a.Out-a.Drawn, a.Stored, 1e-9*(a.In+a.Blown))
		})
	}
}

// The same with stations on one engine, setups that change, bags that are lost.
func TestCentralEngine(t *testing.T) {
	u := fourCups()
	u.Circuit.Line, u.Circuit.Branch = Restriction{DiameterMM: 9, LengthM: 3}, Restriction{C: 4, B: 0.3}
	other := u
	other.Name, other.Cups, other.DropProbability = "two", 2, 0.3
	sc := Scenario{Name: "central", Seed: 3, LeadS: 1, AirPressureKPa: 500, LevelsKPa: []float64{5},
		Centrals: []Central{{"blower", Engine{Kind: Blower, Curve: [][2]float64{{0, 400}, {10, 260}, {20, 90}, {25, 0}}, PowerW: 800, PowerWPerKPa: 30, SpecificEnergyKWhM3: 0.12}, 2}},
		Stations: []Station{{Name: "a", Central: "blower"}, {Name: "b", PhaseS: 0.1, Central: "blower"}, {Name: "c", PhaseS: 0.3, Central: "blower"}},
		Setups:   []Setup{u, other},
		Runs: []Run{{Setups: map[string]string{"a": "four", "b": "two"}, Piece: "p", Picks: 10, PauseS: 1},
			{Setups: map[string]string{"a": "two", "b": "four", "c": "two"}, Piece: "q", Picks: 10}}}
	for i := range sc.Setups {
		sc.Setups[i].RequiredKPa, sc.Setups[i].DropLevelKPa, sc.Setups[i].Cup.OpenC = 15, 12, 3
	}
	p, err := NewPlant(sc)
	require.NoError(t, err)
	require.Len(t, p.groups, 1)
	const h = 0.002
	electric, picks := 0.0, 0.0
	for k := 0; float64(k)*h < sc.DurationS()+1; k++ {
		x := [3]State{p.Sample(0, float64(k)*h), p.Sample(1, float64(k)*h), p.Sample(2, float64(k)*h)}
		total := x[0].PowerW + x[1].PowerW + x[2].PowerW
		require.InDelta(t, 800+30*x[0].EngineKPa, total, 1e-6, "shares make the whole")
		require.Equal(t, x[0].EngineKPa, x[1].EngineKPa)
		electric += total * h
	}
	a := p.Air(1)
	require.InDelta(t, a.StoredAtFirst+a.In+a.Blown-a.Out-a.Drawn, a.Stored, 1e-9*(a.In+a.Blown))
	truths := p.Truth()
	require.Len(t, truths, 50)
	count := map[string]int{}
	for _, x := range truths {
		count[x.Outcome]++
		picks += x.ElectricJ
		require.Zero(t, x.AirJ-x.AirLANR/1000*0.12*3.6e6)
	}
	t.Log(count)
	require.Positive(t, count["dropped"])
	require.Positive(t, count["released"])
	require.Less(t, picks, electric)
	// energy.csv case 11: six stations share 1500 W evenly over 1.25 s: 312.5 J each.
	sc.Stations = nil
	for _, name := range []string{"a", "b", "c", "d", "e", "f"} {
		sc.Stations = append(sc.Stations, Station{Name: name, Central: "blower"})
	}
	sc.Centrals[0].Engine.PowerW, sc.Centrals[0].Engine.PowerWPerKPa = 1500, 0
	sc.Runs = nil
	p, err = NewPlant(sc)
	require.NoError(t, err)
	require.InDelta(t, 312.5, p.Sample(2, 0.5).PowerW*1.25, 1e-9)
}

func TestAirSavingEjectorCycles(t *testing.T) {
	u := sealedSetup()
	u.Engine.AirLminANR, u.Engine.SaveOffKPa, u.Engine.SaveOnKPa, u.Engine.SpecificEnergyKWhM3 = 60, 60, 50, 0.12
	u.Leak = Leak{K: 0.05, N: 1}
	p, err := NewPlant(oneStation(u, 1))
	require.NoError(t, err)
	starts, on, lowest, highest := 0, false, 100.0, 0.0
	for k := range 9_500 {
		x := p.Sample(0, 1.5+float64(k)*1e-3)
		if now := x.AirLminANR > 0; now != on {
			on = now
			if on {
				starts++
			}
		}
		lowest, highest = min(lowest, x.VacuumKPa), max(highest, x.VacuumKPa)
	}
	require.InDelta(t, 60, highest, 0.01)
	require.InDelta(t, 50, lowest, 0.01)
	// Closed forms: down from 60 to 50 kPa by v₀e^(−t/τ), up by the engine's exponential.
	g := 60/85. + 0.05
	tauOn, vInf := 60*0.4/(100*g), 60/g
	period := 60*0.4/(100*0.05)*math.Log(60./50) + tauOn*math.Log((vInf-50)/(vInf-60))
	require.InDelta(t, 9.5/period, starts, 1)
	p.Sample(0, 14)
	x := p.Truth()[0]
	require.Less(t, x.AirLANR, 4.0, "of 10 L without saving")
	require.Equal(t, "released", x.Outcome)
}

func TestOneCupOfFourLosesTheBag(t *testing.T) {
	u := fourCups()
	u.CupLossProbability, u.Leak.Wrinkles = 1, 0
	sc := oneStation(u, 3)
	p, err := NewPlant(sc)
	require.NoError(t, err)
	v := u
	v.CupLossProbability = 0
	whole, err := NewPlant(oneStation(v, 3))
	require.NoError(t, err)
	for i := range 3 {
		s := 1 + 0.7*float64(i) + 0.5 // placed, not yet released
		require.Less(t, p.Sample(0, s).VacuumKPa, whole.Sample(0, s).VacuumKPa-10, "the circuit sags")
	}
	p.Sample(0, sc.DurationS()+1)
	whole.Sample(0, sc.DurationS()+1)
	for i, x := range p.Truth() {
		require.Equal(t, 1, x.CupsLost)
		require.True(t, math.IsNaN(float64(x.LossS)), "three cups hold on")
		require.Zero(t, whole.Truth()[i].CupsLost)
	}
}

// Every wrinkle that slips takes its part of the leak away.
func TestWrinklesSlip(t *testing.T) {
	u := sealedSetup()
	u.Leak = Leak{K: 0.5, N: 0.6, Wrinkles: 4, WrinkleFactor: 5, WrinkleKPa: [2]float64{15, 45}}
	u.Cycle.ContactS = 0.05
	truths := truthOf(t, oneStation(u, 2))
	for _, x := range truths {
		require.Zero(t, x.WrinklesLeft)
	}
	u.Leak.WrinkleKPa = [2]float64{82, 84} // the leak lets nothing get so deep
	for _, x := range truthOf(t, oneStation(u, 2)) {
		require.Equal(t, 4, x.WrinklesLeft)
		require.Less(t, float64(x.HoldKPa), float64(truths[0].HoldKPa)-5)
	}
}

func TestTiltAndSpacing(t *testing.T) {
	at := func(tilt, spacing float64) float64 {
		u := fourCups()
		u.Cup.TiltDeg, u.Cup.SpacingMM = tilt, spacing
		return u.LeakFactor()
	}
	require.Equal(t, 1.0, at(0, 0))
	require.Less(t, at(4, 0), at(0, 0), "a little tilt is better than none")
	require.Greater(t, at(12, 0), at(0, 0), "too much is worse")
	require.Equal(t, at(0, 0), at(0, 40+40./3), "a third of the lip between them is far enough")
	require.Greater(t, at(0, 50), at(0, 53))
	require.Greater(t, at(0, 40), at(0, 50))
}

// A load needs what statics says: at just more vacuum it holds, at just less it drops.
func TestLoad(t *testing.T) {
	setup := func(vacuum float64) Setup {
		u := sealedSetup()
		u.Engine = Engine{Q0LminANR: 60, VMaxKPa: vacuum}
		u.RequiredKPa = 10
		u.Cup.AreaMM2 = 1000
		return u
	}
	for _, tc := range []struct {
		name     string
		load     Load
		phases   []Phase
		needsKPa float64 // m(g+a)/A and so on, by hand
	}{
		{"hangs", Load{MassKg: 1, Mu: 0.5, SlipMM: 5}, nil, 9.80665 / 1},
		{"up", Load{MassKg: 1, Mu: 0.5, SlipMM: 5}, []Phase{{"up", 0.5, 5, 0}}, 14.80665},
		{"sideways", Load{MassKg: 1, Mu: 0.5, SlipMM: 5}, []Phase{{"up", 0.5, 2, 0}, {"side", 0.5, 0, 4}}, 9.80665 + 8},
		{"upright", Load{MassKg: 0.5, Mu: 0.5, SlipMM: 5, Upright: true}, []Phase{{"up", 0.5, 1, 0}}, 10.80665},
	} {
		t.Run(tc.name, func(t *testing.T) {
			for _, holds := range []bool{true, false} {
				f := 0.98
				if holds {
					f = 1.02
				}
				u := setup(tc.needsKPa * f)
				u.RequiredKPa = 5
				u.Load, u.Load.Phases = tc.load, tc.phases
				x := truthOf(t, oneStation(u, 1))[0]
				if holds {
					require.Equal(t, "released", x.Outcome)
					require.True(t, math.IsNaN(float64(x.LossS)))
					require.Zero(t, x.SlipMM)
				} else {
					require.Equal(t, "dropped", x.Outcome)
					require.GreaterOrEqual(t, float64(x.LossS), x.SupplyOnS+1)
				}
			}
		})
	}
	// Friction that lacks d lets the bag slide with μ·d/m: 2 mm in √(2·0.002/a).
	u := setup(16)
	u.Load = Load{MassKg: 1, Mu: 0.5, SlipMM: 2, Phases: []Phase{{"side", 5, 0, 4}}}
	x := truthOf(t, oneStation(u, 1))[0]
	a := 0.5 * (9.80665 + 4/0.5 - 16)
	require.InDelta(t, math.Sqrt(2*0.002/a), float64(x.LossS)-(x.SupplyOnS+1), 0.005)
	require.InDelta(t, 2, x.SlipMM, 0.2)
	// A short push makes it slip without losing it.
	u.Load.Phases, u.Load.SlipMM = []Phase{{"side", 0.02, 0, 4}}, 20
	x = truthOf(t, oneStation(u, 1))[0]
	require.Equal(t, "released", x.Outcome)
	require.Greater(t, x.SlipMM, 0.01)
}

func TestSwing(t *testing.T) {
	l := Load{MassKg: 2, Mu: 0.5, SlipMM: 50, SwingMM: 200, SwingSpacingMM: 100, SwingDamping: 0.1, SwingLeak: 3,
		Phases: []Phase{{"rest", 0.1, 0, 0}, {"side", 0.3, 0, 3}, {"brake", 0.3, 0, -3}}}
	require.Zero(t, l.swing(0.05))
	// A steady push settles at −a/g.
	long := l
	long.Phases = []Phase{{"side", 100, 0, 3}}
	require.InDelta(t, -3/standardGravity, long.swing(90), 1e-9)
	require.InDelta(t, -3/standardGravity*(1+math.Exp(-math.Pi*0.1/math.Sqrt(0.99))), long.swing(math.Pi/math.Sqrt(standardGravity/0.2*0.99)), 1e-9, "overshoot of a damped pendulum")

	u := fourCups()
	u.Cups, u.Leak = 2, Leak{K: 0.5, N: 0.7}
	u.Cycle = Cycle{ContactS: 0.03, LiftS: 0.3, PlaceS: 1.5, SupplyOffS: 1.52, ReleaseS: 1.52, PulseS: 0.06, CycleS: 2}
	u.Load = l
	still := u
	still.Load.SwingMM = 0
	a, b := truthOf(t, oneStation(u, 1))[0], truthOf(t, oneStation(still, 1))[0]
	require.Equal(t, []string{"released", "released"}, []string{a.Outcome, b.Outcome})
	require.Less(t, float64(a.HoldKPa), float64(b.HoldKPa), "the lips leak more while it swings")
	u.Load.SwingMM, u.Load.Phases = 1200, []Phase{{"side", 0.9, 0, 5}} // 2 kg on a long lever: one cup has it all and more
	x := truthOf(t, oneStation(u, 1))[0]
	require.GreaterOrEqual(t, x.CupsLost, 1)
}

// Between isothermal and adiabatic: the air of a quick evacuation is cold, and warms.
func TestGasTemperature(t *testing.T) {
	pump := link{kind: drawing, from: 0, to: outside, engine: &Engine{Kind: Pump, SpeedLmin: 60}, supply: 1}
	p := map[string]float64{}
	for name, tau := range map[string]float64{"isothermal": 0, "wall": 0.2, "adiabatic": math.Inf(1)} {
		v := vessel(0.4, standardKPa, standardKPa, false, pump)
		v.nodes[0].wallTauS = tau
		v.renew()
		run(v, 0.3)
		p[name] = v.p1[0]
		if name == "wall" {
			require.Less(t, v.temp[0], anrK-5)
			v.links[0].fixed(0)
			v.renew()
			run(v, 5)
			require.InDelta(t, anrK, v.temp[0], 0.01)
			require.Greater(t, v.p1[0], p[name], "it warms, and the pressure rises without a leak")
		}
	}
	require.Less(t, p["adiabatic"], p["wall"])
	require.Less(t, p["wall"], p["isothermal"])
	// Small heat: dT/dt = −(T − Tw)·(p_amb·V/(p·V))/τ near ambient: one time constant to 1/e.
	v := vessel(1, 100, 100, false)
	v.nodes[0].wallTauS = 0.2
	v.charge(0, 100, anrK+1)
	v.renew()
	run(v, 0.2)
	require.InDelta(t, math.Exp(-1), v.temp[0]-anrK, 0.005)
}

func TestBellowsTakeTheirStroke(t *testing.T) {
	u := sealedSetup()
	u.Cycle.ContactS = 0.05
	plain := truthOf(t, oneStation(u, 1))[0]
	u.Cup.StrokeL, u.Cup.StrokeKPa, u.Cup.MoveS = 0.1, 5, 0.005
	soft := truthOf(t, oneStation(u, 1))[0]
	// A volume that closes in pushes its air out: the engine has that much more to draw.
	require.Greater(t, float64(soft.SealedAtS), float64(plain.SealedAtS))
	sc := oneStation(u, 1)
	p, err := NewPlant(sc)
	require.NoError(t, err)
	x := p.Sample(0, 5)
	require.InDelta(t, 0.4-0.1*(1-math.Exp(-x.VacuumKPa/5)), p.stations[0].net.nodes[0].volumeL-p.stations[0].net.solver.y0[2], 1e-4)
	p.Sample(0, 14)
	require.InDelta(t, 0, p.stations[0].net.solver.y0[2], 1e-6, "and spring back")
	a := p.Air(0)
	require.InDelta(t, a.StoredAtFirst+a.In+a.Blown-a.Out-a.Drawn, a.Stored, 1e-9*a.In)
}

// A hole chokes: below half the ambient it lets in no more, which a power law would.
func TestHoleChokes(t *testing.T) {
	flow := func(kPa float64) float64 { return Hole(1).iso(standardKPa, anrK, standardKPa-kPa) }
	require.Equal(t, flow(60), flow(80))
	require.Greater(t, flow(48), flow(40))
	require.InDelta(t, 0.1992, Hole(1).C, 0.001, "dm³/(s·bar) a mm²")
}

func TestSupplyPressure(t *testing.T) {
	u := sealedSetup()
	u.Engine.NominalKPa, u.Engine.AirLminANR = 500, 60
	u.Leak = Leak{K: 0.3, N: 0.7}
	hold := func(kPa float64) Truth {
		sc := oneStation(u, 1)
		sc.AirPressureKPa = kPa
		return truthOf(t, sc)[0]
	}
	full, low := hold(500), hold(300)
	require.Less(t, float64(low.HoldKPa), float64(full.HoldKPa)-10)
	require.Greater(t, float64(low.SealedAtS), float64(full.SealedAtS))
	require.InEpsilon(t, (300+standardKPa)/(500+standardKPa), low.AirLANR/full.AirLANR, 0.02)
}

func TestDriftAndSpells(t *testing.T) {
	u := sealedSetup()
	u.Cycle = Cycle{ContactS: 0.02, LiftS: 0.12, PlaceS: 0.3, SupplyOffS: 0.31, ReleaseS: 0.31, PulseS: 0.03, CycleS: 0.4}
	u.Leak = Leak{K: 0.3, N: 0.7}
	u.Circuit.VolumeL = 0.1
	u.Circuit.Line, u.Circuit.EngineL = Restriction{C: 1, B: 0.3}, 0.02
	n := size(400, 200)
	ends := func(d Drift) (first, last Truth) {
		v := u
		v.Drift = d
		x := truthOf(t, oneStation(v, n))
		return x[0], x[len(x)-1]
	}
	sealTime := func(x Truth) float64 { return float64(x.SealedAtS) - x.ContactS }
	a, b := ends(Drift{})
	require.InDelta(t, sealTime(a), sealTime(b), 1e-5)
	a, b = ends(Drift{WearPer1000: 5})
	require.InEpsilon(t, a.LeakK*(1+5*float64(n-1)/1000), b.LeakK, 1e-9)
	require.Less(t, float64(b.HoldKPa), float64(a.HoldKPa))
	a, b = ends(Drift{ClogPer1000: 5})
	require.Greater(t, sealTime(b), 1.1*sealTime(a))
	a, b = ends(Drift{HeatLoss: 0.3, HeatTauS: 30})
	require.Greater(t, sealTime(b), 1.1*sealTime(a))

	// Drops that cluster: far more pairs of neighbours than chance would give.
	u.DropProbability, u.Spells = 0.02, Spells{Enter: 0.02, Leave: 0.2, Factor: 25}
	x := truthOf(t, oneStation(u, 800))
	drops, pairs := 0, 0
	for i := range x {
		if x[i].Outcome == "dropped" {
			drops++
			if i > 0 && x[i-1].Outcome == "dropped" {
				pairs++
			}
		}
	}
	t.Logf("%d drops, %d of them after another", drops, pairs)
	require.Greater(t, drops, 15)
	require.Greater(t, float64(pairs), 3*float64(drops*drops)/800)
}

// Properties of whole circuits, over seeds: no pressure below 0, none above ambient without
// blow-off, more leak never more vacuum, a bigger engine never less.
func TestProperties(t *testing.T) {
	for seed := range uint64(size(12, 3)) {
		trace := func(change func(*Setup)) ([]float64, float64) {
			u := fourCups()
			u.Circuit.BlowC, u.Leak.Wrinkles, u.Circuit.WallTauS = 0, 0, 0
			r := (&Scenario{Seed: seed}).stream("property", nil)
			u.Leak.K *= 3 * r.Float64()
			u.Circuit.VolumeL *= 0.5 + r.Float64()
			u.Engine.Q0LminANR *= 0.5 + r.Float64()
			u.Cup.OpenC *= 0.5 + r.Float64()
			u.Cups = 1 + r.IntN(4)
			change(&u)
			u.DropProbability = 0
			p, err := NewPlant(oneStation(u, 2))
			require.NoError(t, err)
			var v []float64
			lowest := math.Inf(1)
			for k := range 2500 {
				x := p.Sample(0, float64(k)*1e-3)
				for _, y := range []float64{x.CupKPa, x.ManifoldKPa, x.EngineKPa} {
					require.Less(t, y, standardKPa, "seed %d: pressure below 0", seed)
					lowest = min(lowest, y)
				}
				s := math.Mod(float64(k)*1e-3-1+0.7, 0.7)
				if s < 0.5 { // to the release: who holds more is let go later
					v = append(v, x.VacuumKPa)
				}
			}
			return v, lowest
		}
		base, lowest := trace(func(*Setup) {})
		require.GreaterOrEqual(t, lowest, -2e-3, "seed %d: above ambient", seed) // steps' errors of 2e-6 of ambient
		leaky, _ := trace(func(u *Setup) { u.Leak.K *= 1.5 })
		strong, _ := trace(func(u *Setup) { u.Engine.Q0LminANR *= 1.3 })
		for i := range base {
			require.LessOrEqual(t, leaky[i], base[i]+2e-3, "seed %d, sample %d", seed, i)
			require.GreaterOrEqual(t, strong[i], base[i]-2e-3, "seed %d, sample %d", seed, i)
		}
	}
}

func BenchmarkFourCups(b *testing.B) {
	p, err := NewPlant(oneStation(fourCups(), 1<<20))
	require.NoError(b, err)
	s := 0.0
	for b.Loop() {
		s++
		p.Sample(0, s)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "×real")
	b.ReportMetric(float64(p.groups[0].net.steps)/s, "steps/s")
	b.ReportMetric(float64(p.groups[0].net.solver.evaluations)/s, "evaluations/s")
}
