package main

import (
	"fmt"
	"math"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/record"
	"griptrial/store"
)

// The budgets of a stored pick are those of the very figures that the file holds, and their
// parts add up to them: u² is the sum of the parts' u².
func TestBudgetsOfAStoredTrial(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ab.gtrial")
	code, _, errs := command(t, "simulate", "../../testdata/rigs/io-block-tcp.yaml", "../../testdata/scenarios/ab-bench.yaml", "--fast", "--out", path)
	require.Equal(t, exitDone, code, errs)
	file, err := store.OpenRead(path)
	require.NoError(t, err)
	defer file.Close()
	stored, err := file.Picks(1, "")
	require.NoError(t, err)
	for _, i := range []int{0, len(stored) / 2, len(stored) - 1} {
		want := stored[i]
		p, all, err := record.Explain(file, path, 1, want.Station, want.N)
		require.NoError(t, err)
		assert.Equal(t, fmt.Sprintf("%+v", want), fmt.Sprintf("%+v", p))
		figures := map[string]analyze.Figure{"seal time": want.SealTimeS, "hold vacuum": want.HoldVacuumKPa, "lowest vacuum": want.LowestVacuumKPa,
			"release time": want.ReleaseTimeS, "response delay": want.ResponseDelayS, "settling time": want.SettlingTimeS}
		budgets := map[string]pick.Budget{}
		for _, b := range all {
			assert.NotContains(t, budgets, b.Name, "each figure has one budget")
			budgets[b.Name] = b
			sum := 0.0
			for _, x := range b.Parts {
				sum += x.U * x.U
			}
			assert.InDelta(t, b.Figure.U, math.Sqrt(sum), 1e-9*b.Figure.U, b.Name)
		}
		for name, f := range figures {
			if b, ok := budgets[name]; ok || f.OK() {
				assert.Equal(t, f, b.Figure, name)
			}
		}
	}
	_, _, err = record.Explain(file, path, 1, "left", 4000)
	assert.ErrorIs(t, err, record.ErrNoPick)
	_, _, err = record.Explain(file, path, 7, "left", 1)
	assert.Error(t, err)
}
