package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/report"
)

// Real recordings of one cup on a hard ball (testdata/recordings/README.md): each of three
// grips comes to about 44 kPa in one step; 0 and 1 hold 6.5 s, 2 half fails after 7.6 s.
// Plateau medians below were computed from the raw samples between 9 s and 14 s, 26 s and
// 30 s, 38 s and 43 s by another program: 43.46, 44.45, 44.31 kPa.
func TestGripOnRealRecordings(t *testing.T) {
	dir := filepath.Join("..", "..", "testdata", "recordings", "suction_cup")
	common := []string{"--time", "time_s", "--vacuum", "pressure_abs_hPa[hPa]", "--vacuum-sign", "absolute", "--group", "recording", "--grip", "--json"}
	read := func(name, ambient string) report.GripsJSON {
		var out, errs strings.Builder
		code := run(t.Context(), append([]string{"measure", filepath.Join(dir, name), "--ambient", ambient}, common...), &out, &errs)
		require.Equal(t, exitDone, code, errs.String())
		var j struct {
			Grips []struct {
				FromS    float64                    `json:"from_s"`
				ToS      float64                    `json:"to_s"`
				Plateau  struct{ Value, U float64 } `json:"plateau_kPa"`
				Settling struct{ Value, U float64 } `json:"settling_time_s"`
			} `json:"grips"`
		}
		require.NoError(t, json.Unmarshal([]byte(out.String()), &j))
		var g report.GripsJSON
		for _, x := range j.Grips {
			var y report.GripJSON
			y.FromS, y.ToS = analyze.Number(x.FromS), analyze.Number(x.ToS)
			y.PlateauKPa.Value, y.PlateauKPa.U = x.Plateau.Value, x.Plateau.U
			y.SettlingTimeS.Value, y.SettlingTimeS.U = x.Settling.Value, x.Settling.U
			g.Grips = append(g.Grips, y)
		}
		return g
	}
	g := read("s2_20230119_pressure.csv", "1022.72 hPa").Grips
	require.Len(t, g, 3)
	for i, want := range []float64{43.46, 44.45, 44.31} {
		assert.InDelta(t, want, g[i].PlateauKPa.Value, 0.05, "recording %d", i)
		assert.Less(t, g[i].PlateauKPa.U, 0.2)
		// One step: a few samples of 26 ms.
		assert.Less(t, g[i].SettlingTimeS.Value, 0.2)
		assert.Greater(t, g[i].SettlingTimeS.U, 0.005, "no millisecond can be told at 38 Hz")
	}
	for i, want := range []float64{6.5, 6.5, 7.6} {
		assert.InDelta(t, want, float64(g[i].ToS-g[i].FromS), 0.5, "recording %d", i)
	}
	assert.Empty(t, read("s6_20230201_pressure.csv", "1015.66 hPa").Grips, "open suction is no grip")
}

// A circuit of 0.4 L that fills through 0.004 dm³/(s·bar), b 0.3, from 60 kPa of vacuum: rows
// 12 to 15 of testdata/physics/leakdown.csv, whose closed form gives the samples.
func TestVolumeRun(t *testing.T) {
	const pa, c, b, volume = 101.325, 0.004, 0.3, 0.4
	var csv strings.Builder
	csv.WriteString("t,v\n")
	theta := (1 - b) * math.Asin((1-60/pa-b)/(1-b))
	for i := range 1200 {
		x := float64(i) * 0.05
		fmt.Fprintf(&csv, "%.2f,%.4f\n", x, pa*(1-b-(1-b)*math.Sin((theta+c/volume*x)/(1-b))))
	}
	path := filepath.Join(t.TempDir(), "run.csv")
	require.NoError(t, os.WriteFile(path, []byte(csv.String()), 0o600))
	args := []string{"measure", path, "--time", "t", "--vacuum", "v[kPa]", "--closed", "1s..59s", "--orifice", "0.004 dm3/(s bar)", "--critical-ratio", "0.3"}
	var out, errs strings.Builder
	require.Equal(t, exitUsage, run(t.Context(), args, &out, &errs))
	assert.Contains(t, errs.String(), "--ambient is missing")
	out.Reset()
	require.Equal(t, exitDone, run(t.Context(), append(args, "--ambient", "1013.25 hPa", "--orifice-u", "0.00004 dm3/(s bar)"), &out, &errs), errs.String())
	assert.Contains(t, out.String(), "volume 0.400 ± 0.004 L")
}
