package sample

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// A loop on a block whose 0 to 27648 counts are 4 to 20 mA: 1728 counts a mA.
func TestLoopFlags(t *testing.T) {
	up := Limits{LoopOffsetMA: 4, LoopScaleMA: 1.0 / 1728}
	down := Limits{LoopOffsetMA: 20, LoopScaleMA: -1.0 / 1728} // wired the other way round
	for mA, want := range map[float64]Flag{0: BrokenWire, 3.59: BrokenWire, 3.6: BrokenWire, 3.7: UnderRange, 3.79: UnderRange, 3.8: "", 4: "",
		12: "", 20: "", 20.5: "", 20.51: OverRange, 21: OverRange, 24: OverRange} {
		n := int64((mA-4)*1728+27648*10) - 27648*10 // rounded downwards
		if mA == 3.8 {
			n++ // 3.8 mA is 345.6 counts below zero: the count above it is within
		}
		assert.Equal(t, want, up.Of(n), "%g mA, count %d", mA, n)
		assert.Equal(t, want, down.Of(27648-n), "%g mA, count %d", mA, 27648-n)
	}
	assert.Equal(t, Flag(""), up.Of(Missing))
}

func TestSaturationAndNone(t *testing.T) {
	l := Limits{SaturatedLo: 0, SaturatedHi: 4095}
	for n, want := range map[int64]Flag{-1: Saturated, 0: Saturated, 1: "", 4094: "", 4095: Saturated, 4096: Saturated, Missing: ""} {
		assert.Equal(t, want, l.Of(n), "%d", n)
	}
	var none Limits
	for _, n := range []int64{-32768, 0, 32767, 1 << 40} {
		assert.Equal(t, Flag(""), none.Of(n))
	}
}

func TestStuck(t *testing.T) {
	f := Flagger{Limits: Limits{StuckS: 1}}
	const ms = 1_000_000
	for _, c := range []struct {
		t, n int64
		want Flag
	}{{0, 5, ""}, {1000 * ms, 5, ""}, {1001 * ms, 5, Stuck}, {1002 * ms, Missing, ""}, {1003 * ms, 5, Stuck}, {1004 * ms, 6, ""}, {2004 * ms, 6, ""}, {2005 * ms, 6, Stuck}, {2006 * ms, 5, ""}} {
		assert.Equal(t, c.want, f.Flag(c.t, c.n), "at %d", c.t)
	}
}
