package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
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
