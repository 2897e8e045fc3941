package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

type placed struct {
	Cups []struct {
		X *float64 `json:"x_mm"`
		Y *float64 `json:"y_mm"`
	}
	Gap     *float64 `json:"gap_mm"`
	MinGap  *float64 `json:"min_gap_mm"`
	Moved   bool
	Fits    bool
	Largest *float64 `json:"largest_lip_mm"`
	Serves  *bool    `json:"serves_all"`
	Ranges  []struct{ Cup int }
}

// By hand: s = max(1, 4·45/180) = 1; centres 280/6, 180/6; gap 180/3 − 45 = 15 = 45/3; the
// largest lip: s·30 + d/2 = 90 − 6 with s = 4d/180: d = 84/(7/6) = 72.
func TestLayout(t *testing.T) {
	args := split(`layout --bag "280 mm x 180 mm" --lip "45 mm" --cups 4 --margin "6 mm"`)
	code, out, errs := command(t, append(args, "--json")...)
	require.Equal(t, exitDone, code, errs)
	var got placed
	require.NoError(t, json.Unmarshal([]byte(out), &got))
	require.Len(t, got.Cups, 4)
	assert.InDelta(t, 280./6, *got.Cups[0].X, 1e-9)
	assert.InDelta(t, 30, *got.Cups[0].Y, 1e-9)
	assert.InDelta(t, 15, *got.Gap, 1e-9)
	assert.InDelta(t, 15, *got.MinGap, 1e-9)
	assert.False(t, got.Moved)
	assert.True(t, got.Fits)
	assert.InDelta(t, 72, *got.Largest, 1e-6)
	code, out, _ = command(t, args...)
	assert.Equal(t, exitDone, code)
	assert.Contains(t, out, "largest lip that fits 72.0 mm")
	assert.Contains(t, out, "first tilt: 5° inward")

	dir := t.TempDir()
	for _, name := range []string{"sheet.pdf", "sheet.svg"} {
		path := filepath.Join(dir, name)
		code, _, errs = command(t, append(args, "--sheet", path, "--paper", "A3")...)
		require.Equal(t, exitDone, code, errs)
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		assert.True(t, strings.HasPrefix(string(text), map[string]string{".pdf": "%PDF", ".svg": "<svg"}[filepath.Ext(name)]))
	}
	code, _, errs = command(t, append(args, "--sheet", filepath.Join(dir, "t.svg"), "--paper", "tiles")...)
	require.Equal(t, exitDone, code, errs)
	files, err := filepath.Glob(filepath.Join(dir, "t-*.svg"))
	require.NoError(t, err)
	assert.Len(t, files, 4, "280 mm x 180 mm on pages with room for 277 mm x 166 mm")

	code, out, _ = command(t, split(`layout --bag "90 mm x 60 mm" --lip "25 mm" --cups 4 --margin "5 mm" --json`)...)
	assert.Equal(t, exitNotMet, code)
	require.NoError(t, json.Unmarshal([]byte(out), &got))
	assert.False(t, got.Fits)

	code, out, errs = command(t, split(`layout --bag "150 mm x 110 mm" --bag "600 mm x 400 mm" --lip "40 mm" --cups 4 --json`)...)
	assert.Equal(t, exitNotMet, code, errs)
	require.NoError(t, json.Unmarshal([]byte(out), &got))
	assert.False(t, *got.Serves)
	assert.Len(t, got.Ranges, 4)
	assert.Empty(t, got.Cups)
	code, out, errs = command(t, split(`layout --bag "280 mm x 180 mm" --bag "300 mm x 200 mm" --lip "40 mm" --cups 1`)...)
	assert.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "one pattern that serves all")
}

func TestLayoutRefuses(t *testing.T) {
	const base = `layout --bag "280 mm x 180 mm" --lip "45 mm" --cups 4`
	for _, c := range []struct{ name, old, new, want string }{
		{"no bag", `--bag "280 mm x 180 mm"`, "", "--bag is missing"},
		{"no lip", `--lip "45 mm"`, "", "--lip is missing"},
		{"no cups", "--cups 4", "", "--cups is missing"},
		{"five cups", "--cups 4", "--cups 5", "5 cups have no pattern"},
		{"bag of one side", "280 mm x 180 mm", "280 mm", "want two lengths"},
		{"bag without unit", "280 mm x 180 mm", "280 x 180", "--bag: 280 has no unit"},
		{"bag of nothing", "280 mm x 180 mm", "0 mm x 180 mm", "length is 0"},
		{"centre", "--cups 4", `--cups 4 --centre-of-mass "200 mm, 0 mm"`, "off the bag"},
		{"area", "--cups 4", `--cups 4 --keep-clear "1 mm, 2 mm"`, "want two corners"},
		{"sheet", "--cups 4", `--cups 4 --sheet x.doc`, ".pdf or .svg"},
		{"paper", "--cups 4", `--cups 4 --sheet x.pdf --paper A4`, "does not go on A4"},
		{"sheet of a mix", "--cups 4", `--cups 4 --sheet x.pdf --bag "100 mm x 100 mm"`, "draws one bag"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Contains(t, base, c.old)
			code, out, errs := command(t, split(strings.Replace(base, c.old, c.new, 1))...)
			assert.Equal(t, exitUsage, code)
			assert.Empty(t, out)
			assert.Contains(t, errs, c.want)
			assert.Equal(t, 1, strings.Count(errs, "\n"), errs)
		})
	}
}
