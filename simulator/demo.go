package simulator

import "fmt"

// DemoStations are the names of the demo's two stations.
var DemoStations = [2]string{"left", "right"}

// DemoRequiredKPa is the vacuum that counts as sealed in the demo.
const DemoRequiredKPa = 15

// DemoScenario returns a trial in a garden-supplies packing hall: four bags, each picked
// with two cups side by side, on a small ejector and on a side-channel blower. Each
// station makes picks picks in all, spread over eight runs as evenly as it goes; the cups
// change sides between the two engines' runs. A pick takes 0.8 to 1.2 s.
func DemoScenario(picks int) Scenario {
	type bag struct {
		name, piece string
		volumeL     float64
		leakK       [2]float64 // under the bellows cup, under the flat cup
		leakN       float64
		seal        [2]float64
		drop        [2]float64
		dip         float64
		cycle       Cycle
	}
	quick := Cycle{ContactS: 0.06, ContactSDS: 0.004, LiftS: 0.28, PlaceS: 0.50, SupplyOffS: 0.52, ReleaseS: 0.52, PulseS: 0.06, CycleS: 0.80, JitterS: 0.015}
	steady := Cycle{ContactS: 0.08, ContactSDS: 0.006, LiftS: 0.38, PlaceS: 0.80, SupplyOffS: 0.83, ReleaseS: 0.83, PulseS: 0.08, CycleS: 1.20, JitterS: 0.02}
	bags := []bag{
		{name: "seed sachet", piece: "S", volumeL: 0.10, leakK: [2]float64{0.15, 0.25}, leakN: 0.8, seal: [2]float64{1, 0.99}, drop: [2]float64{0, 0.005}, cycle: quick},
		{name: "granule pillow bag", piece: "G", volumeL: 0.20, leakK: [2]float64{0.4, 1.0}, leakN: 0.65, seal: [2]float64{0.99, 0.93}, drop: [2]float64{0.01, 0.03}, cycle: quick},
		{name: "gusseted bird-feed bag", piece: "B", volumeL: 0.30, leakK: [2]float64{0.8, 1.8}, leakN: 0.6, seal: [2]float64{0.97, 0.80}, drop: [2]float64{0.02, 0.06}, dip: 0.02, cycle: steady},
		{name: "thin-film wrapped coir block", piece: "C", volumeL: 0.15, leakK: [2]float64{0.3, 0.5}, leakN: 0.7, seal: [2]float64{0.98, 0.95}, drop: [2]float64{0.01, 0.02}, dip: 0.01, cycle: steady},
	}
	cups := []struct {
		name  string
		openC float64
		close float64
	}{{"bellows cup, 40 mm lip", 3.56, 0.045}, {"flat cup, 30 mm lip", 3.06, 0.025}}
	engines := []Engine{
		{Name: "small ejector", Q0LminANR: 90, VMaxKPa: 80, AirLminANR: 100, NominalKPa: 550, SpecificEnergyKWhM3: 0.12},
		{Name: "side-channel blower", Kind: Blower, Q0LminANR: 120, VMaxKPa: 24, PowerW: 180, PowerWPerKPa: 4, SpecificEnergyKWhM3: 0.12},
	}

	sc := Scenario{Name: "garden-supplies packing hall", Seed: 1, LeadS: 2.5, AirPressureKPa: 550,
		LevelsKPa: []float64{5, 10, 20},
		Noise:     Noise{VacuumKPa: 0.05, FlowLminANR: 0.3, PowerW: 1, AirLminANR: 0.5, AirPressureKPa: 2}}
	for i, name := range DemoStations {
		sc.Stations = append(sc.Stations, Station{Name: name, PhaseS: 0.35 * float64(i)})
	}
	name := func(b bag, cup string, e Engine) string { return b.name + " | " + cup + " | " + e.Name }
	for _, b := range bags {
		for k, cup := range cups {
			for _, e := range engines {
				open := Setup{Engine: e, Cup: Cup{OpenC: cup.openC}}
				sc.Setups = append(sc.Setups, Setup{
					Name: name(b, cup.name, e), Bag: b.name, CupName: cup.name, Engine: e,
					Leak: Leak{K: b.leakK[k], N: b.leakN}, Cycle: b.cycle, RequiredKPa: DemoRequiredKPa,
					Circuit: Circuit{VolumeL: b.volumeL, WallTauS: 0.15, VentC: 2, BlowC: 4, BlowKPa: 2, OnDelayS: 0.012, OffDelayS: 0.012},
					Cup:     Cup{OpenC: cup.openC, CloseS: cup.close, LossOpenS: 0.01},
					// A bad seal shows: above the open suction, well below what is required.
					SealProbability: b.seal[k], BadSealKPa: [2]float64{open.OpenSuctionKPa() + 1, 10.5},
					DropProbability: b.drop[k], DipProbability: b.dip, DipKPa: 10.5, DipS: 0.09,
					LeakScatter:  Scatter{Piece: 0.1, Run: 0.05, Pick: 0.1},
					CloseScatter: Scatter{Piece: 0.1, Run: 0.05, Pick: 0.15},
				})
			}
		}
	}
	picks = max(0, picks)
	runs := len(bags) * len(engines)
	for i := range runs {
		b, e := bags[i/len(engines)], i%len(engines)
		n := picks / runs
		if i < picks%runs {
			n++
		}
		if n == 0 {
			continue
		}
		first := e // which cup is on the left
		sc.Runs = append(sc.Runs, Run{Piece: fmt.Sprintf("%s-%02d", b.piece, e+1), Picks: n, PauseS: 1, Setups: map[string]string{
			DemoStations[0]: name(b, cups[first].name, engines[e]),
			DemoStations[1]: name(b, cups[1-first].name, engines[e]),
		}})
	}
	return sc
}
