package acquire_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"

	"griptrial/acquire"
)

// A device that renews a noisy count every updateMS, read every pollMS.
func TestRefresh(t *testing.T) {
	cases := []struct {
		name             string
		updateMS, pollMS float64
		noise            float64 // standard deviation in counts
		seconds          float64
		want             bool
	}{
		{"8 polls a renewal", 40, 5, 3, 3, true},
		{"renewals not in step with polls", 43, 5, 3, 3, true},
		{"quiet signal, often the same count", 40, 5, 0.5, 10, true},
		{"two polls a renewal", 10, 5, 3, 3, true},
		{"read more slowly than renewed", 4, 5, 3, 3, false},
		{"as fast as read", 5, 5, 3, 3, false},
		{"constant", 40, 5, 0, 3, false},
		{"too short", 40, 5, 3, 0.5, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			const seed = 4
			rng := rand.New(rand.NewPCG(seed, 0))
			var r acquire.Refresh
			shown, renewed := int64(0), -1.0
			for i := range int(c.seconds * 1000 / c.pollMS) {
				at := float64(i)*c.pollMS + 0.2*rng.Float64()
				for k := math.Floor(at / c.updateMS); renewed < k; renewed++ {
					shown = int64(math.Round(1000 + c.noise*rng.NormFloat64()))
				}
				r.Add(int64(at*1e6)+1, shown)
			}
			got, ok := r.UpdateS()
			assert.Equal(t, c.want, ok, "seed %d: %g s", seed, got)
			if ok {
				// Each change is seen at the next poll: single ones are off by a poll, their mean by less.
				assert.InDelta(t, c.updateMS/1e3, got, 0.1*c.updateMS/1e3, "seed %d", seed)
			}
		})
	}
}
