package pick

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func starts(run int, at ...float64) []Pick {
	p := make([]Pick, len(at))
	for i := range at {
		p[i] = Pick{N: i + 1, Run: run, StartS: at[i]}
	}
	return p
}

func TestPairUp(t *testing.T) {
	for _, c := range []struct {
		name         string
		a, b         []Pick
		both         [][2]int
		onlyA, onlyB []int
	}{
		{"side by side", starts(1, 1, 3, 5), starts(1, 1.1, 3.1, 5.1), [][2]int{{0, 0}, {1, 1}, {2, 2}}, nil, nil},
		{"one missing", starts(1, 1, 3, 5, 7), starts(1, 1.9, 5.9, 7.9), [][2]int{{0, 0}, {2, 1}, {3, 2}}, []int{1}, nil},
		{"half a cycle apart is nobody's", starts(1, 1, 3, 5), starts(1, 2, 4, 6), nil, []int{0, 1, 2}, []int{0, 1, 2}},
		{"just under half a cycle", starts(1, 1, 3, 5), starts(1, 1.99, 3.99, 5.99), [][2]int{{0, 0}, {1, 1}, {2, 2}}, nil, nil},
		{"a start that is not known", starts(1, nan, 3, 5), starts(1, 1, 3, 5), [][2]int{{1, 1}, {2, 2}}, []int{0}, []int{0}},
		{"one each", starts(1, 1), starts(1, 4), [][2]int{{0, 0}}, nil, nil},
		{"another run", starts(1, 1, 3), starts(2, 1, 3), nil, []int{0, 1}, []int{0, 1}},
		{"none", nil, starts(1, 1), nil, nil, []int{0}},
		{"nobody", nil, nil, nil, nil, nil},
		{"two for one: the nearer", starts(1, 1, 3, 5), starts(1, 1.2, 1.4, 3.2, 5.2), [][2]int{{0, 0}, {1, 2}, {2, 3}}, nil, []int{1}},
		{"a pause between", starts(1, 1, 3, 5, 105, 107), starts(1, 1, 3, 5.5, 105, 107), [][2]int{{0, 0}, {1, 1}, {2, 2}, {3, 3}, {4, 4}}, nil, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := PairUp(c.a, c.b)
			assert.Equal(t, c.both, p.Both)
			assert.Equal(t, c.onlyA, p.OnlyA)
			assert.Equal(t, c.onlyB, p.OnlyB)
		})
	}
}

// However many picks are missing on either side, none slips to a wrong partner: with an
// offset and jitter that stay under half a cycle every pick that has its partner finds it.
func TestNoPickSlipsToAWrongPartner(t *testing.T) {
	for seed := range uint64(2000) {
		rng := rand.New(rand.NewPCG(seed, 3))
		cycle := 0.5 + 3*rng.Float64()
		n := 1 + rng.IntN(120)
		offset := (rng.Float64() - 0.5) * 0.7 * cycle // |offset| < 0.35
		jitter := 0.06 * cycle                        // of each start: together under 0.12
		missing := 0.35 * rng.Float64()
		var a, b []Pick
		had := map[int]int{}
		for i := range n {
			at := 10 + float64(i)*cycle
			for s, list := range []*[]Pick{&a, &b} {
				if rng.Float64() < missing {
					continue
				}
				x := at + jitter*(2*rng.Float64()-1) + float64(s)*offset
				*list = append(*list, Pick{N: i, StartS: x})
				had[i]++
			}
		}
		want := 0
		for _, k := range had {
			if k == 2 {
				want++
			}
		}
		if len(a) < 8 || len(b) < 8 {
			continue // so few that over half of the neighbours may be missing
		}
		p := PairUp(a, b)
		for _, x := range p.Both {
			require.Equal(t, a[x[0]].N, b[x[1]].N, "seed %d", seed)
		}
		require.Len(t, p.Both, want, "seed %d: offset %g, cycle %g", seed, offset, cycle)
		require.Len(t, p.OnlyA, len(a)-want, "seed %d", seed)
		require.Len(t, p.OnlyB, len(b)-want, "seed %d", seed)
	}
}
