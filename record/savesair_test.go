package record

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/simulator"
)

// An ejector that saves air, from the simulated plant through the tracker, against closed forms:
// the vacuum falls from 60 to 50 kPa with the leak's time constant and rises with the engine's.
func TestSavingEjector(t *testing.T) {
	for _, interval := range []float64{5, 20} {
		rig := wireRig(t, []string{"s1"}, "127.0.0.1:1", interval)
		sc := simulator.Scenario{Name: "saves air", Seed: 7, LeadS: 2, AirPressureKPa: 500, Stations: []simulator.Station{{Name: "s1"}}, Noise: simulator.Noise{VacuumKPa: 0.05},
			Setups: []simulator.Setup{{Name: "u", Engine: simulator.Engine{Q0LminANR: 60, VMaxKPa: 85, AirLminANR: 60, SaveOffKPa: 60, SaveOnKPa: 50, SpecificEnergyKWhM3: 0.12},
				Leak: simulator.Leak{K: 0.05, N: 1}, RequiredKPa: 30, SealProbability: 1,
				Circuit: simulator.Circuit{VolumeL: 0.4, VentC: 4, BlowC: 4, BlowKPa: 1}, Cup: simulator.Cup{OpenC: 6.6, CloseS: 0.01, LossOpenS: 0.01},
				Cycle: simulator.Cycle{ContactS: 0.05, LiftS: 1, PlaceS: 29, SupplyOffS: 30, ReleaseS: 30, PulseS: 0.1, CycleS: 33}}},
			Runs: []simulator.Run{{Setups: map[string]string{"s1": "u"}, Piece: "p", Picks: 4}}}
		settings, err := Settings(rig, NewPlan(wireTrial(sc)))
		require.NoError(t, err)
		sim, err := simulator.NewRig(sc, *rig)
		require.NoError(t, err)
		s, err := NewStations(sim.Groups(), settings, NewPlan(wireTrial(sc)))
		require.NoError(t, err)
		_, err = simulator.Fast(sc, *rig, 0, func(b sample.Batch) error {
			s.Push(b)
			return nil
		})
		require.NoError(t, err)
		s.Finish()
		picks := s.Take().Picks
		require.Len(t, picks, 4)
		// 60 L/min ANR into 0.4 L is 2.5·10² kPa/s; kPa times L/min by the conductance.
		g := 60/85. + 0.05
		up := 60 * 0.4 / (100 * g) * math.Log((60/g-50)/(60/g-60))
		period := 60*0.4/(100*0.05)*math.Log(60./50) + up
		for _, p := range picks {
			for _, x := range []struct {
				name     string
				value, u float64
				want     float64
				off      float64 // what the closed form leaves out: the gas, cooled by the evacuation, warms up
			}{
				{"duty", p.DutyShare.Value, p.DutyShare.U, up / period, 0},
				{"re-evacuations", p.ReEvacuationsPerMin.Value, p.ReEvacuationsPerMin.U, 60 / period, 0},
				{"turning level", p.HoldVacuumKPa.Value, p.HoldVacuumKPa.U, 50, 0},
				{"leak-down", p.LeakDownKPaS.Value, p.LeakDownKPaS.U, -10 / (period - up), 0.05},
			} {
				assert.InDelta(t, x.want, x.value, 3*x.u+x.off, "%s, pick %d, every %g ms", x.name, p.N, interval)
				assert.Less(t, x.u, 0.05*math.Abs(x.want), "%s, pick %d, every %g ms", x.name, p.N, interval)
				t.Logf("%-15s %8.4f ± %.4f, closed form %.4f", x.name, x.value, x.u, x.want)
			}
		}
	}
}
