package record

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
)

// One pass finds the traces with their peaks, however the samples were cut into batches, the ends
// of gaps, and how often what went wrong.
func TestSurvey(t *testing.T) {
	groups := []sample.Group{{Name: "block", Channels: []sample.Channel{{Name: "left vacuum", Kind: sample.Vacuum, Station: "left", Scale: 0.1,
		Limits: sample.Limits{SaturatedLo: -32768, SaturatedHi: 9000}}}}}
	random := rand.New(rand.NewPCG(1, 2))
	var ns, counts []int64
	for i := range 20_000 {
		if i > 9_000 && i < 9_500 {
			continue // a gap of 0.5 s
		}
		n := random.Int64N(500)
		switch i {
		case 3_333:
			n = 800 // the peaks of the first pick
		case 4_444:
			n = -50
		case 15_000:
			n = 9_500 // saturated, outside picks
		}
		ns, counts = append(ns, int64(i)*1e6), append(counts, n)
	}
	picks := []*pick.Pick{{Station: "left", N: 1, StartS: 2, EndS: 6}, {Station: "left", N: 2, StartS: math.NaN(), ContactS: math.NaN(), SealedAtS: math.NaN(), EndS: 7}, {Station: "left", N: 3, StartS: 8.9, EndS: 9.6}}
	events := []pick.Event{{TS: 9, Kind: pick.GapSeen, Station: "left"}, {TS: 19.999, Kind: pick.GapSeen, Station: "left"}}
	const parts = 40
	var first *Survey
	for _, size := range []int{1, 7, 1000, len(ns)} {
		s, err := NewSurvey(func(yield func(sample.Batch, error) bool) {
			for i := 0; i < len(ns); i += size {
				j := min(i+size, len(ns))
				if !yield(sample.Batch{T: ns[i:j], Counts: [][]int64{counts[i:j]}}, nil) {
					return
				}
			}
			yield(sample.Batch{Fault: "timeout", FaultNS: 9.1e9}, nil)
			yield(sample.Batch{Fault: "timeout", FaultNS: 9.3e9}, nil)
		}, groups, picks, events, parts)
		require.NoError(t, err)
		require.Len(t, s.Traces, 2, "a pick whose beginning is not known has no trace")
		x := s.Traces[0]
		assert.LessOrEqual(t, len(x.TS), 2*parts+2)
		lo, hi := math.Inf(1), math.Inf(-1)
		for i, v := range x.VacuumKPa {
			lo, hi = min(lo, v), max(hi, v)
			if i > 0 {
				require.GreaterOrEqual(t, x.TS[i], x.TS[i-1])
			}
		}
		assert.InDelta(t, 80, hi, 1e-9, "the highest is kept")
		assert.InDelta(t, -5, lo, 1e-9, "the lowest is kept")
		assert.InDelta(t, -0.2, x.TS[0], 4.2/parts, "a twentieth of the pick before its start is shown")
		require.Len(t, s.Gaps, 2)
		assert.InDelta(t, 9.5, s.Gaps[0].ToS, 1e-9)
		assert.True(t, math.IsNaN(s.Gaps[1].ToS), "the recording ended in it")
		assert.Equal(t, []FaultCount{{"block", "timeout", 2, 9.1, 9.3}}, s.Faults)
		assert.Equal(t, []FlagCount{{Flagged{"left vacuum", sample.Saturated}, 1}}, s.Flagged)
		assert.Equal(t, int64(len(ns)), s.Scans)
		if first == nil {
			first = s
		} else {
			assert.Equal(t, first.Traces[0].VacuumKPa, x.VacuumKPa, "batches of %d", size)
		}
	}
}
