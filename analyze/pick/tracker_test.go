package pick

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

func TestOutcomes(t *testing.T) {
	seal := 0.2 * math.Log(60.0/(60-30)) // rise to 60 kPa with τ 0.2 s meets 30 kPa here
	normal := shape(piece{1, 60, 0.2}, piece{4, 0, 0.05})
	dropAt3 := shape(piece{1, 60, 0.2}, piece{3, 6, 0.02}, piece{4, 0, 0.05})
	supply := map[sample.Kind]func(float64) bool{sample.Supply: between(1, 4)}
	// A monotone rise has its median at the middle of the hold.
	for _, c := range []struct {
		name  string
		b     bench
		set   Settings
		to    float64
		check func(t *testing.T, p []Pick, e []Event)
	}{
		{name: "released by the supply", b: bench{vacuum: normal, switches: supply}, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.Equal(t, Released, p[0].Outcome)
			assert.Equal(t, "supply", p[0].SealFrom)
			assert.InDelta(t, 1, p[0].StartS, 0.0051)
			assert.InDelta(t, 1+seal, p[0].SealedAtS, 1e-3)
			assert.InDelta(t, 4, p[0].ReleaseS, 0.0051)
			assert.InDelta(t, 60*(1-math.Exp(-(3+seal+0.05)/2/0.2)), p[0].HoldVacuumKPa.Value, 0.1)
			assert.InDelta(t, 0.05*math.Log(60/3.), p[0].ReleaseTimeS.Value, 0.01)
			assert.Empty(t, e)
		}},
		{name: "without any command", b: bench{vacuum: normal}, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.Equal(t, Ended, p[0].Outcome)
			assert.Equal(t, "ambient", p[0].EndedAt)
			assert.Equal(t, "rise", p[0].SealFrom)
			assert.InDelta(t, 1.01, p[0].StartS, 0.0051) // 3 kPa is met at 1.0103
			assert.InDelta(t, 1+seal, p[0].SealedAtS, 1e-3)
			assert.True(t, math.IsNaN(p[0].ReleaseS))
		}},
		{name: "dropped while the supply is on", b: bench{vacuum: dropAt3, switches: supply}, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.Equal(t, Dropped, p[0].Outcome)
			assert.InDelta(t, 3+0.02*math.Log(54./9), p[0].DropS, 2e-3)
			require.Len(t, e, 1)
			assert.Equal(t, Drop, e[0].Kind)
			assert.InDelta(t, p[0].DropS, e[0].TS, 2e-3)
		}},
		{name: "a hand-held loss is no drop", b: bench{vacuum: dropAt3, switches: supply}, set: Settings{HandHeld: true},
			check: func(t *testing.T, p []Pick, e []Event) {
				require.Len(t, p, 1)
				assert.Equal(t, Ended, p[0].Outcome)
			}},
		{name: "unsealed", b: bench{vacuum: shape(piece{1, 20, 0.2}, piece{4, 0, 0.05}), switches: supply}, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.Equal(t, Unsealed, p[0].Outcome)
			assert.False(t, p[0].SealTimeS.OK())
			assert.True(t, math.IsNaN(p[0].SealedAtS))
		}},
		{name: "sealed after the limit", b: bench{vacuum: normal, switches: supply}, set: Settings{SealLimitS: 0.1}, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.Equal(t, Unsealed, p[0].Outcome)
			assert.True(t, math.IsNaN(p[0].SealedAtS))
		}},
		{name: "dip and re-seal", b: bench{vacuum: shape(piece{1, 60, 0.2}, piece{2.5, 20, 0.05}, piece{2.8, 60, 0.05}, piece{4, 0, 0.05}), switches: supply},
			check: func(t *testing.T, p []Pick, e []Event) {
				require.Len(t, p, 1)
				assert.Equal(t, Released, p[0].Outcome)
				assert.False(t, p[0].OpenSuctionKPa.OK(), "the cup was on the bag")
				assert.Equal(t, 1, p[0].ReSeals)
				require.Len(t, e, 2)
				assert.Equal(t, []EventKind{Dip, ReSeal}, []EventKind{e[0].Kind, e[1].Kind})
				down, up := 2.5+0.05*math.Log(40./10), 2.8+0.05*math.Log(40./30)
				assert.InDelta(t, down, e[0].TS, 3e-3)
				assert.InDelta(t, up, e[1].TS, 3e-3)
				assert.InDelta(t, up-down, p[0].BelowRequiredS, 5e-3)
			}},
		{name: "sag", b: bench{vacuum: shape(piece{1, 60, 0.2}, piece{3, 22, 0.1}, piece{4, 0, 0.05}), switches: supply}, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.Equal(t, Released, p[0].Outcome)
			require.Len(t, e, 1)
			assert.Equal(t, Sag, e[0].Kind)
			assert.InDelta(t, 4-(3+0.1*math.Log(38./8)), p[0].BelowRequiredS, 8e-3)
			assert.InDelta(t, 22, p[0].LowestVacuumKPa.Value, 0.2)
		}},
		{name: "open suction, contact, seal", b: bench{vacuum: shape(piece{1, 6, 0.02}, piece{2, 60, 0.05}, piece{4, 0, 0.05}), switches: supply},
			check: func(t *testing.T, p []Pick, e []Event) {
				require.Len(t, p, 1)
				assert.Equal(t, "contact", p[0].SealFrom)
				assert.InDelta(t, 2, p[0].ContactS, 0.011)
				assert.InDelta(t, 6, p[0].OpenSuctionKPa.Value, 0.2)
				assert.True(t, p[0].SealTimeS.Has("contact inferred"))
				want := 0.05 * math.Log(54./30)
				assert.InDelta(t, want, p[0].SealTimeS.Value, 0.011)
				assert.LessOrEqual(t, p[0].SealTimeS.Lo, want)
				assert.GreaterOrEqual(t, p[0].SealTimeS.Hi, want)
			}},
		{name: "touch channel", b: bench{vacuum: shape(piece{1, 6, 0.02}, piece{2, 60, 0.05}, piece{4, 0, 0.05}),
			switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 4), sample.Touch: between(1.99, 4.2)}},
			check: func(t *testing.T, p []Pick, e []Event) {
				require.Len(t, p, 1)
				assert.Equal(t, "touch", p[0].SealFrom)
				assert.InDelta(t, 1.99, p[0].ContactS, 0.0051)
				assert.InDelta(t, 6, p[0].OpenSuctionKPa.Value, 0.2)
			}},
		{name: "check valve and release", b: bench{vacuum: shape(piece{1, 60, 0.1}, piece{2.5, 0, 20}, piece{4, 0, 0.05}),
			switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 2.5), sample.Release: between(4, 4.3)}},
			set: Settings{SupplyOffHolds: true},
			check: func(t *testing.T, p []Pick, e []Event) {
				require.Len(t, p, 1)
				assert.Equal(t, Released, p[0].Outcome)
				assert.InDelta(t, 4, p[0].ReleaseS, 0.0051)
				assert.InDelta(t, -60./20*math.Exp(-0.8/20), p[0].LeakDownKPaS.Value, 0.05)
			}},
		{name: "drop in the hold with a check valve", b: bench{vacuum: shape(piece{1, 60, 0.1}, piece{3, 0, 0.03}),
			switches: map[sample.Kind]func(float64) bool{sample.Supply: between(1, 2.5), sample.Release: between(4, 4.3)}},
			set: Settings{SupplyOffHolds: true},
			check: func(t *testing.T, p []Pick, e []Event) {
				require.Len(t, p, 1)
				assert.Equal(t, Dropped, p[0].Outcome)
			}},
		{name: "open at the end of the recording", b: bench{vacuum: normal, switches: supply}, to: 3, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.Equal(t, Open, p[0].Outcome)
			assert.InDelta(t, 60*(1-math.Exp(-(2+seal+0.05)/2/0.2)), p[0].HoldVacuumKPa.Value, 0.1)
		}},
		{name: "lost to open suction without commands", b: bench{vacuum: shape(piece{1, 60, 0.1}, piece{3, 6, 0.05})}, to: 8,
			check: func(t *testing.T, p []Pick, e []Event) {
				require.Len(t, p, 1)
				assert.Equal(t, Ended, p[0].Outcome)
				assert.Equal(t, "open_suction", p[0].EndedAt)
			}},
		{name: "a spike is no seal", b: bench{vacuum: func(t float64) float64 {
			if math.Abs(t-2) < 0.004 {
				return 50
			}
			return shape(piece{1, 6, 0.02}, piece{4, 0, 0.05})(t)
		}, switches: supply}, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.Equal(t, Unsealed, p[0].Outcome)
		}},
		{name: "a supply that chatters", b: bench{vacuum: normal, switches: map[sample.Kind]func(float64) bool{
			sample.Supply: func(t float64) bool {
				chatter := math.Abs(t-1.0075) < 0.003 || math.Abs(t-2.5) < 0.006 || math.Abs(t-3.9975) < 0.003
				return t >= 1 && t < 4.002 && !chatter || math.Abs(t-0.7) < 0.006
			}}}, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.Equal(t, Released, p[0].Outcome)
			assert.InDelta(t, 1, p[0].StartS, 0.0051)
			assert.InDelta(t, 4, p[0].ReleaseS, 0.011)
		}},
		{name: "a gap over the seal", b: bench{vacuum: normal, switches: supply, skip: between(1.05, 1.6)}, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.Equal(t, Released, p[0].Outcome)
			assert.True(t, p[0].TouchedByGap)
			assert.True(t, math.IsNaN(p[0].SealedAtS))
			assert.False(t, p[0].SealTimeS.OK())
			assert.False(t, p[0].HoldVacuumKPa.OK())
			require.Len(t, e, 1)
			assert.Equal(t, GapSeen, e[0].Kind)
		}},
		{name: "supply on before the recording", b: bench{vacuum: func(t float64) float64 { return normal(t + 1.5) },
			switches: map[sample.Kind]func(float64) bool{sample.Supply: func(t float64) bool { return t < 2.5 }}}, check: func(t *testing.T, p []Pick, e []Event) {
			require.Len(t, p, 1)
			assert.True(t, math.IsNaN(p[0].StartS))
			assert.True(t, math.IsNaN(p[0].SealedAtS))
			assert.Equal(t, Released, p[0].Outcome)
		}},
	} {
		for _, noiseKPa := range []float64{0, 0.1} {
			t.Run(fmt.Sprintf("%s/noise %g", c.name, noiseKPa), func(t *testing.T) {
				c.b.intervalS, c.b.stepKPa, c.b.noiseKPa, c.b.seed = 0.01, 0.005, noiseKPa, 7
				c.set.RequiredKPa, c.set.Station = require30, "A"
				to := c.to
				if to == 0 {
					to = 6
				}
				p, e, _ := c.b.picks(c.set, 0, to)
				c.check(t, p, e)
				if t.Failed() {
					t.Logf("picks: %+v\nevents: %+v", p, e)
				}
			})
		}
	}
}
