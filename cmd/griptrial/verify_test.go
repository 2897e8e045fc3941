package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/record"
	"griptrial/store"
)

// A recorded trial verifies, is judged anew beside the old picks, and once damaged is found
// out and salvaged.
func TestVerifyReanalyseSalvage(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "ab.gtrial")
	code, _, errs := command(t, "simulate", "../../testdata/rigs/io-block-tcp.yaml", "../../testdata/scenarios/ab-bench.yaml", "--fast", "--out", path)
	require.Equal(t, exitDone, code, errs)
	code, out, errs := command(t, "verify", path)
	require.Equal(t, exitDone, code, errs+out)
	assert.Contains(t, out, "found again to the bit")

	code, _, errs = command(t, "reanalyse", path, "--why", "once more")
	require.Equal(t, exitDone, code, errs)
	_, first, _ := command(t, "picks", path, "--station", "left", "--json")
	code, second, errs := command(t, "picks", path, "--station", "left", "--set", "2", "--json")
	require.Equal(t, exitDone, code, errs)
	assert.Equal(t, first, second, "the same definitions give the same picks")

	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	broken := filepath.Join(dir, "broken.gtrial")
	damaged := append([]byte(nil), whole...)
	for i := len(damaged) / 2; i < len(damaged)/2+200; i++ {
		damaged[i] ^= 0xff
	}
	require.NoError(t, os.WriteFile(broken, damaged, 0o666))
	code, out, errs = command(t, "verify", broken)
	assert.Equal(t, exitFailed, code, out)
	assert.NotEmpty(t, errs)
	cut := filepath.Join(dir, "cut.gtrial")
	require.NoError(t, os.WriteFile(cut, whole[:20000], 0o666))
	for _, args := range [][]string{{"picks", cut}, {"compare", cut}, {"verify", cut}} {
		code, out, errs = command(t, args...)
		assert.Equal(t, exitFailed, code, out)
		assert.Contains(t, errs, "griptrial salvage", "%v", args)
		assert.Equal(t, 1, strings.Count(errs, "\n"), "one line: %s", errs)
	}
	saved := filepath.Join(dir, "saved.gtrial")
	_, out, errs = command(t, "salvage", broken, "--out", saved)
	t.Log(out, errs)
	assert.FileExists(t, saved)
	code, _, errs = command(t, "picks", saved)
	assert.Equal(t, exitDone, code, errs)
	after, err := os.ReadFile(broken)
	require.NoError(t, err)
	assert.Equal(t, damaged, after, "the damaged file stays as it is")
	assert.False(t, strings.Contains(errs, "panic"))
}

// A re-analysis that is interrupted goes on with the same set and ends as if it had not been;
// what it had stored by then stays.
func TestReanalyseGoesOn(t *testing.T) {
	path := filepath.Join(t.TempDir(), "long.gtrial")
	code, _, errs := command(t, "simulate", "../../testdata/rigs/io-block-tcp.yaml", "--fast", "--picks", "330", "--out", path)
	require.Equal(t, exitDone, code, errs)
	file, err := store.Open(path)
	require.NoError(t, err)
	h := file.Header()
	a := store.Analysis{RigText: h.RigText, TrialText: h.TrialText, Groups: h.Groups}
	stations, err := record.AnalysisOf(file, path, a)
	require.NoError(t, err)
	set, err := file.NewAnalysis(version(), "re-analysed", a)
	require.NoError(t, err)
	box, err := file.Outbox("")
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	_, _, err = record.Reanalyse(ctx, file, set, stations, func(n int64) {
		if n == box.Last*95/100 {
			stop()
		}
	})
	require.ErrorIs(t, err, context.Canceled)
	half, err := file.Picks(set, "")
	require.NoError(t, err)
	live, err := file.Picks(1, "")
	require.NoError(t, err)
	require.NotEmpty(t, half, "some picks were stored")
	require.Less(t, len(half), len(live))
	finished, err := file.Finished(set)
	require.NoError(t, err)
	require.False(t, finished)
	require.NoError(t, file.Close())

	code, out, errs := command(t, "reanalyse", path)
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "went on with set 2: 660 picks")
	code, out, errs = command(t, "verify", path)
	require.Equal(t, exitDone, code, errs+out)
	assert.Contains(t, out, "set 2 (re-analysed): 660 picks, 660 found again to the bit")
	code, out, _ = command(t, "reanalyse", path)
	require.Equal(t, exitDone, code)
	assert.Contains(t, out, ": set 3: 660 picks", "a finished set is not gone on with")
}
