package record

import (
	"math"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze/compare"
	"griptrial/analyze/pick"
	"griptrial/store"
)

// A file with a trial text and no rig text says so.
func TestNoRigText(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.gtrial")
	file, err := store.Create(path, store.Header{Program: "test", AnchorUTC: time.Unix(0, 0), Stations: []string{"s1"}, TrialText: []byte(`name: by vacuum
requirement: {vacuum: 30 kPa}
setups:
  - {name: a, bag: any, cup: flat cup, cups: 2}
runs:
  - {setups: {s1: a}, picks: 3}
`)})
	require.NoError(t, err)
	defer file.Close()
	_, err = Comparable(file, path, 1)
	assert.ErrorContains(t, err, "no rig text")
	_, err = ComparableAt(file, path, 1, 30)
	assert.ErrorContains(t, err, "no rig text")
	_, err = TestedSetups(file, path, 1)
	assert.NoError(t, err)
}

// In which runs an operator had each station, from the picks; nothing where runs followed each
// other.
func TestChangesOf(t *testing.T) {
	made := func(station string, startS float64, run int) pick.Pick {
		return pick.Pick{Station: station, StartS: startS, Run: run}
	}
	changesOf := func(picks []pick.Pick) (map[string][]compare.RunFrom, int) {
		c := changes{at: map[string][]compare.RunFrom{}}
		for i := range picks {
			c.see(&picks[i])
		}
		return c.result(), c.now
	}
	changes, now := changesOf([]pick.Pick{made("a", 1, 1), made("b", 1.1, 1), made("a", 2, 1), made("a", 3, 2), made("b", 3.1, 2)})
	assert.Nil(t, changes)
	assert.Equal(t, 2, now)
	changes, _ = changesOf(nil)
	assert.Nil(t, changes)

	changes, now = changesOf([]pick.Pick{made("a", 1, 0), made("a", 2, 1), made("b", 2.1, 1), made("a", 3, 0), made("a", math.NaN(), 0), made("a", 4, 1), made("b", 4.1, 2), made("a", 5, 0)})
	edge := func(x float64) float64 { return x - 1e-3 }
	assert.Equal(t, map[string][]compare.RunFrom{
		"a": {{FromS: edge(1), Run: 0}, {FromS: edge(2), Run: 1}, {FromS: edge(3), Run: 0}, {FromS: edge(4), Run: 1}, {FromS: edge(5), Run: 0}},
		"b": {{FromS: edge(2.1), Run: 1}, {FromS: edge(4.1), Run: 2}},
	}, changes)
	assert.Zero(t, now)
}
