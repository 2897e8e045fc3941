package pick

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

// Trial time is all that counts: a trial whose zero lies elsewhere, because its clock was
// anchored anew or the recording began a week earlier, gives the same figures, and instants
// moved by that much. 1 ns is the stamps' own step; seconds a week from zero hold 0.1 ns.
func TestTimeZeroDoesNotMatter(t *testing.T) {
	b, length := manyPicks(9, 40)
	set := Settings{Station: "A", RequiredKPa: require30, VolumeL: 0.3}
	judge := func(shift int64) ([]Pick, []Event) {
		k, err := New(set, b.groups())
		require.NoError(t, err)
		b.run(0, length, func(x sample.Batch) {
			for i := range x.T {
				x.T[i] += shift
			}
			k.Push(x)
		})
		k.Finish()
		p, e, _ := k.Take()
		return p, e
	}
	want, events := judge(0)
	for _, shift := range []int64{-3_600_000_000_000, 1, 12_345_678, 604_800_000_000_000} {
		s := float64(shift) / 1e9
		p, e := judge(shift)
		require.Len(t, p, len(want))
		require.Len(t, e, len(events))
		for i := range want {
			a, b := want[i], p[i]
			name := fmt.Sprintf("shift of %g s, pick %d", s, a.N)
			assert.Equal(t, a.Outcome, b.Outcome, name)
			assert.Equal(t, a.SealFrom, b.SealFrom, name)
			assert.Equal(t, a.SealTimeS.OK(), b.SealTimeS.OK(), name)
			for _, x := range [][2]float64{{a.StartS + s, b.StartS}, {a.SealedAtS + s, b.SealedAtS}, {a.DropS + s, b.DropS}, {a.EndS + s, b.EndS},
				{a.SealTimeS.Value, b.SealTimeS.Value}, {a.SealTimeS.U, b.SealTimeS.U}, {a.HoldVacuumKPa.Value, b.HoldVacuumKPa.Value},
				{a.LowestVacuumKPa.Value, b.LowestVacuumKPa.Value}, {a.LowestVacuumKPa.Hi, b.LowestVacuumKPa.Hi}, {a.EnergyJ.Value, b.EnergyJ.Value},
				{a.LeakFlowLminANR.Value, b.LeakFlowLminANR.Value}} {
				if math.IsNaN(x[0]) || math.IsNaN(x[1]) {
					assert.Equal(t, math.IsNaN(x[0]), math.IsNaN(x[1]), name)
					continue
				}
				assert.InDelta(t, x[0], x[1], 1e-5*max(1, math.Abs(x[0]-s)), name)
			}
		}
		for i := range events {
			assert.Equal(t, events[i].Kind, e[i].Kind)
			assert.InDelta(t, events[i].TS+s, e[i].TS, 1e-6)
		}
	}
}
