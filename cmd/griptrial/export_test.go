package main

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/store"
)

// export writes what was asked for, by its file's name, and leaves an older file as it was
// where it fails; wrong usage gets one line.
func TestExport(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "hall.gtrial")
	code, _, errs := command(t, "demo", "--picks", "4", "--out", path)
	require.Equal(t, exitDone, code, errs)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	table := func(args ...string) [][]string {
		code, out, errs := command(t, append([]string{"export", path}, args...)...)
		require.Equal(t, exitDone, code, errs)
		rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
		require.NoError(t, err)
		return rows
	}
	picks := table()
	require.Len(t, picks, 9)
	assert.Equal(t, []string{"station", "n", "run", "setup"}, picks[0][:4])
	assert.Len(t, table("--station", "left"), 5)
	start := picks[4][8] // start_s of the fourth pick
	later := table("--from", start+" s")
	assert.Equal(t, picks[4], later[1])
	file, err := store.OpenRead(path)
	require.NoError(t, err)
	utc := file.Header().AnchorUTC.Add(3 * time.Second).Format(time.RFC3339Nano)
	require.NoError(t, file.Close())

	rows := table("--traces", "--channels", "left vacuum,right supply", "--from", "2 s", "--to", utc)
	assert.Equal(t, []string{"time_utc", "t_s", "half_width_s", "group", "left vacuum_kPa", "right supply"}, rows[0])
	within := 0
	for _, row := range table("--traces")[1:] {
		if s, err := strconv.ParseFloat(row[1], 64); err == nil && s >= 2 && s < 3 {
			within++
		}
	}
	assert.Positive(t, within)
	assert.Len(t, rows, within+1)
	assert.Len(t, table("--traces", "--every", "500 ms", "--from", "1 s", "--to", "3 s"), 5)

	out := filepath.Join(dir, "picks.csv")
	require.NoError(t, os.WriteFile(out, []byte("older"), 0o600))
	code, text, errs := command(t, "export", path, "--out", out)
	require.Equal(t, exitDone, code, errs)
	assert.Empty(t, text)
	assert.Contains(t, errs, "picks.csv: 8 picks")
	for _, name := range []string{"t.parquet", "t.lp"} {
		code, _, errs = command(t, "export", path, "--traces", "--out", filepath.Join(dir, name))
		require.Equal(t, exitDone, code, errs)
		assert.FileExists(t, filepath.Join(dir, name))
	}
	for want, args := range map[string][]string{
		"ends in .csv":               {"--out", filepath.Join(dir, "x.xls")},
		"csv, parquet and lines":     {"--format", "xls"},
		"name of a trial file":       {"--format", "csv", "--out", path},
		"belong to --traces":         {"--every", "1 s"},
		"no channel":                 {"--traces", "--channels", "middle vacuum"},
		"has left, right":            {"--station", "middle"},
		"not after":                  {"--from", "5 s", "--to", "5 s"},
		"at least":                   {"--traces", "--every", "1 us"},
		"has no unit":                {"--from", "5"},
		"the trial has 1":            {"--set", "2"},
		"raw counts are not thinned": {"--traces", "--counts", "--every", "1 s"},
	} {
		code, text, errs := command(t, append([]string{"export", path}, args...)...)
		assert.Equal(t, exitUsage, code, want)
		assert.Contains(t, errs, want)
		assert.Equal(t, 1, strings.Count(errs, "\n"), errs)
		assert.Empty(t, text)
	}
	// A damaged trial: an error, no half file, the older one as it was.
	bad := filepath.Join(dir, "bad.gtrial")
	damaged := append([]byte{}, before...)
	for i := len(damaged) / 4; i < len(damaged); i += 512 {
		damaged[i] ^= 0x10
	}
	require.NoError(t, os.WriteFile(bad, damaged, 0o600))
	kept, err := os.ReadFile(out)
	require.NoError(t, err)
	code, _, errs = command(t, "export", bad, "--traces", "--out", out)
	assert.Equal(t, exitFailed, code, errs)
	after, err := os.ReadFile(out)
	require.NoError(t, err)
	assert.Equal(t, string(kept), string(after))
	left, err := filepath.Glob(filepath.Join(dir, ".export-*"))
	require.NoError(t, err)
	assert.Empty(t, left)
	after, err = os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(before), string(after), "reading must not change the file")
}
