package report

import (
	"bytes"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/compare"
)

// An answer stands beside its own reason: that of the normal limit beside the limit, not beside
// a bound of the rate that contradicts it. No number is told in powers of ten.
func TestVerdictsSayTheirReason(t *testing.T) {
	nan := math.NaN()
	rate := analyze.Figure{Value: 0, Lo: 0, Hi: 0.6316}
	criterion := func(name string, limit, normal float64, answer compare.Answer) compare.Criterion {
		return compare.Criterion{Name: name, Limit: limit, Answer: answer, Picks: 3, Rate: rate, Free: nan, Normal: normal, ByShape: !math.IsNaN(normal)}
	}
	var w bytes.Buffer
	drops := criterion("drops", nan, nan, compare.NotShown)
	drops.Warnings = []analyze.Warning{analyze.Warn1(compare.DropsCluster, 182.3)}
	require.NoError(t, verdictLines(&w, []compare.Verdict{{Setup: "C", Answer: compare.NotShown, Picks: 3, Criteria: []compare.Criterion{
		criterion("seal time", 0.4, 0.0498, compare.Holds), criterion("lowest vacuum", 15, 13.25, compare.NotShown), drops}}}, lettering{}, 0.95))
	for _, want := range []string{"holds, 0 of 3 (n 49.8 ms)", "not shown yet, 0 of 3 (≤ 63 %)", "; n: by the normal limit", "picks count 1/182"} {
		assert.Contains(t, w.String(), want)
	}
}
