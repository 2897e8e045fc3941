package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A requirement stated after the recording is judged by, in the set that was made by it and
// nowhere else.
func TestRequirementAfterTheRecording(t *testing.T) {
	dir := t.TempDir()
	path, stricter := filepath.Join(dir, "ab.gtrial"), filepath.Join(dir, "stricter.yaml")
	code, _, errs := command(t, "simulate", "../../testdata/rigs/io-block-tcp.yaml", "../../testdata/scenarios/ab-bench.yaml", "--picks", "3",
		"--fast", "--out", path, "--trial", stricter)
	require.Equal(t, exitDone, code, errs)
	_, out, _ := command(t, "compare", path)
	assert.Contains(t, out, "no verdict. State them in a copy of the trial file;\ngriptrial reanalyse --trial")

	text, err := os.ReadFile(stricter)
	require.NoError(t, err)
	with := strings.Replace(string(text), "  vacuum: 25 kPa\n", "  vacuum: 25 kPa\n  seal_time: {limit: 1 ms, share: 90 %}\n", 1)
	require.NotEqual(t, string(text), with)
	with = strings.ReplaceAll(with, `"flat"`, `"flat cup"`) // a setup may have a better name by now
	require.NoError(t, os.WriteFile(stricter, []byte(with), 0o600))
	code, _, errs = command(t, "reanalyse", path, "--trial", stricter)
	require.Equal(t, exitDone, code, errs)
	code, out, errs = command(t, "compare", path, "--set", "2")
	assert.Equal(t, exitNotMet, code, errs)
	assert.Contains(t, out, "at most 10 % seal later than 1 ms")
	assert.Regexp(t, `(?m)^flat cup +6 .*does not`, out)
	_, out, _ = command(t, "compare", path)
	assert.Contains(t, out, "no verdict")
}
