package store

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// Heads are the picks without their figures; their rows give the whole picks again, and the
// values of a figure.
func TestHeads(t *testing.T) {
	file := newTrial(t, header())
	blank := func(p pick.Pick) pick.Pick {
		for _, n := range figureNames {
			*n.figure(&p) = analyze.None()
		}
		return p
	}
	var all []pick.Pick
	for n := range 5 {
		p := blank(pick.Pick{N: n + 1, Station: "left", Run: 1, Outcome: pick.Released, StartS: float64(n)})
		if n != 2 {
			p.SealTimeS = analyze.Figure{Value: 0.25 * float64(n), U: 0.01, Lo: 0, Hi: 1}
		}
		all = append(all, p)
	}
	require.NoError(t, file.AppendPicks(1, all[:3], nil))
	set, err := file.NewSet("test", "another analysis between")
	require.NoError(t, err)
	require.NoError(t, file.AppendPicks(set, all[:2], nil))
	require.NoError(t, file.AppendPicks(1, all[3:], nil))

	var heads []pick.Pick
	var rows []int64
	require.NoError(t, file.Heads(1, func(row int64, p *pick.Pick) {
		heads, rows = append(heads, *p), append(rows, row)
	}))
	require.Equal(t, []int64{1, 2, 3, 6, 7}, rows)
	var blanks []pick.Pick
	for _, p := range all {
		blanks = append(blanks, blank(p))
	}
	requireSameBits(t, blanks, heads)
	some, err := file.PicksAt([]int64{7, 2})
	require.NoError(t, err)
	requireSameBits(t, []pick.Pick{all[1], all[4]}, some) // in the order of the rows
	none, err := file.PicksAt(nil)
	require.NoError(t, err)
	assert.Empty(t, none)

	values, err := file.FigureValues(1, "seal_time_s")
	require.NoError(t, err)
	assert.Equal(t, map[int64]float64{1: 0, 2: 0.25, 6: 0.75, 7: 1}, values)
	assert.Contains(t, FigureNames(), "seal_time_s")
}
