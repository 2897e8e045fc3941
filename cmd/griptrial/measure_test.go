package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// command runs a command line and returns its exit code and what it wrote.
func command(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	code = run(t.Context(), args, &out, &err)
	return code, out.String(), err.String()
}

const recordings = "../../testdata/recordings"

// The fields of the JSON that the tests look at.
type measured struct {
	Schema   int
	Station  string
	Idle     *float64 `json:"idle_level_kPa"`
	Sampling struct {
		IntervalS float64 `json:"interval_s"`
		LongestS  float64 `json:"longest_s"`
		Bursts    int
	}
	Picks []struct {
		N           int
		Group       *string
		Outcome     string
		EndedAt     *string  `json:"ended_at"`
		StartS      *float64 `json:"start_s"`
		ContactS    *float64 `json:"contact_s"`
		SealedAtS   *float64 `json:"sealed_at_s"`
		DropS       *float64 `json:"drop_s"`
		ReleaseS    *float64 `json:"release_s"`
		SealFrom    *string  `json:"seal_from"`
		ReSeals     int      `json:"re_seals"`
		Below       float64  `json:"below_required_s"`
		SealTime    *figure  `json:"seal_time_s"`
		Hold        *figure  `json:"hold_vacuum_kPa"`
		Lowest      *figure  `json:"lowest_vacuum_kPa"`
		Response    *figure  `json:"response_delay_s"`
		Leak        *figure  `json:"leak_flow_Lmin"`
		LeakDown    *figure  `json:"leak_down_kPa_s"`
		ReleaseTime *figure  `json:"release_time_s"`
		Energy      *figure  `json:"energy_J"`
	}
	Events []struct {
		TS   float64 `json:"t_s"`
		Kind string
		Pick *int
	}
	Gaps []struct {
		FromS float64 `json:"from_s"`
		ToS   float64 `json:"to_s"`
	}
	LeakDowns []struct {
		Group *string
		FromS float64  `json:"from_s"`
		ToS   float64  `json:"to_s"`
		Slope figure   `json:"slope_kPa_s"`
		Lost  float64  `json:"lost_kPa"`
		Falls *float64 `json:"fall_starts_s"`
	} `json:"leak_downs"`
}

type figure struct {
	Value, U, Lo, Hi float64
	Warnings         []string
}

func measureJSON(t *testing.T, args ...string) measured {
	t.Helper()
	code, out, errs := command(t, append(append([]string{"measure"}, args...), "--json")...)
	require.Equal(t, exitDone, code, errs)
	var m measured
	require.NoError(t, json.Unmarshal([]byte(out), &m), out)
	require.Equal(t, 1, m.Schema)
	return m
}

// bracket is a crossing between two samples.
type bracket struct{ After, Before, Interpolated float64 }

// Real vacuum in one suction cup: A. Velasquez, "Suction Experiment" (MIT; see the README in
// testdata/recordings). What a correct analysis finds stands in expected.json, made by an
// independent script.
func TestMeasureSuctionCup(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(recordings, "suction_cup/expected.json"))
	require.NoError(t, err)
	var days map[string]struct {
		Ambient    float64 `json:"ambient_hPa"`
		Recordings map[string]map[string]json.RawMessage
	}
	require.NoError(t, json.Unmarshal(text, &days))
	files := map[string]string{"s2_20230119": "s2_20230119_pressure.csv", "s6_20230201": "s6_20230201_pressure.csv"}
	require.Len(t, days, len(files))
	for day, want := range days {
		for _, required := range []int{15, 20, 30} {
			t.Run(fmt.Sprintf("%s at %d kPa", day, required), func(t *testing.T) {
				m := measureJSON(t, filepath.Join(recordings, "suction_cup", files[day]), "--time", "time_s",
					"--vacuum", "pressure_abs_hPa[hPa]", "--vacuum-sign", "absolute", "--ambient", fmt.Sprintf("%g hPa", want.Ambient),
					"--group", "recording", "--require", fmt.Sprintf("%d kPa", required))
				by := map[string]int{}
				for i, p := range m.Picks {
					require.NotNil(t, p.Group)
					_, twice := by[*p.Group]
					require.False(t, twice, "recording %s has two picks", *p.Group)
					by[*p.Group] = i
				}
				sealed := 0
				for name, rec := range want.Recordings {
					var expect struct {
						Seal      *bracket
						Fall      *bracket `json:"first_fall_below_required"`
						FallHalf  *bracket `json:"first_fall_below_half_required"`
						Median    float64  `json:"median_vacuum_kPa"`
						HoldS     float64  `json:"hold_length_s"`
						LowestKPa float64  `json:"lowest_vacuum_kPa"`
					}
					require.NoError(t, json.Unmarshal(rec[fmt.Sprintf("required_%d_kPa", required)], &expect))
					i, found := by[name]
					if expect.Seal == nil {
						assert.False(t, found && m.Picks[i].SealedAtS != nil, "recording %s never seals", name)
						continue
					}
					sealed++
					require.True(t, found, "recording %s seals", name)
					p := m.Picks[i]
					require.NotNil(t, p.SealedAtS)
					assert.GreaterOrEqual(t, *p.SealedAtS, expect.Seal.After, "recording %s", name)
					assert.LessOrEqual(t, *p.SealedAtS, expect.Seal.Before, "recording %s", name)
					// Nothing tells a venting from a loss, and the supply was on before.
					assert.Equal(t, "ended", p.Outcome)
					assert.Equal(t, "ambient", *p.EndedAt)
					assert.Nil(t, p.StartS)
					assert.Nil(t, p.DropS)
					assert.Nil(t, p.ReleaseS)
					require.NotNil(t, p.Hold)
					assert.InDelta(t, expect.Median, p.Hold.Value, 0.02, "recording %s", name)
					// The sag of recording 2 is below 30 kPa, and above 20.
					assert.Equal(t, name == "2" && required == 30, p.Below > 0, "recording %s: below required for %g s", name, p.Below)
				}
				if day == "s2_20230119" {
					assert.Equal(t, 3, sealed)
					sags := 0
					for _, e := range m.Events {
						if e.Kind == "sag" {
							sags++
							assert.InDelta(t, 44.6496, e.TS, 0.0285, "the fall of recording 2")
						}
						assert.NotEqual(t, "drop", e.Kind)
					}
					assert.Equal(t, required == 30, sags == 1)
				} else {
					assert.Empty(t, m.Picks)
				}
			})
		}
	}
}

// Closed chambers losing pressure: E. Zillen, thesis data, Delft University of Technology,
// 2021 (CC0; see the README in testdata/recordings). Slopes within 0.004 kPa/s: the README's
// tolerance, for noise that is correlated.
func TestMeasureClosedChambers(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(recordings, "pressure_decay/expected.json"))
	require.NoError(t, err)
	var all map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(text, &all))
	slopes := map[string]figure{}
	for _, name := range []string{"aluminium", "formlabs", "prusa", "ultimaker_010"} {
		var want struct {
			Slope struct {
				TheilSen float64 `json:"theil_sen_kPa_per_s"`
			} `json:"slope_10_to_140s"`
			Lost map[string]float64 `json:"drop_since_10s_kPa"`
		}
		require.NoError(t, json.Unmarshal(all[name], &want))
		m := measureJSON(t, filepath.Join(recordings, "pressure_decay", name+".csv"), "--time", "time_s",
			"--vacuum", "pressure_bar[bar]", "--closed", "10s..140s")
		require.Len(t, m.LeakDowns, 1)
		l := m.LeakDowns[0]
		slopes[name] = l.Slope
		assert.InDelta(t, want.Slope.TheilSen, l.Slope.Value, 0.004, name)
		assert.Less(t, l.Slope.Lo, want.Slope.TheilSen, name)
		assert.Greater(t, l.Slope.Hi, want.Slope.TheilSen, name)
		assert.InDelta(t, want.Lost["140"], l.Lost, 0.6, "%s: plateaus of the sensor are 0.1 to 0.6 kPa", name)
		m = measureJSON(t, filepath.Join(recordings, "pressure_decay", name+".csv"), "--time", "time_s",
			"--vacuum", "pressure_bar[bar]", "--closed", "10 s..120 s")
		assert.InDelta(t, want.Lost["120"], m.LeakDowns[0].Lost, 0.6, name)
	}
	// formlabs cannot be told from the aluminium reference; prusa can, but not from ultimaker_010.
	overlap := func(a, b string) bool { return slopes[a].Lo < slopes[b].Hi && slopes[b].Lo < slopes[a].Hi }
	assert.True(t, overlap("aluminium", "formlabs"))
	assert.False(t, overlap("aluminium", "prusa"))
	assert.False(t, overlap("formlabs", "ultimaker_010"))
	assert.True(t, overlap("prusa", "ultimaker_010"))

	// ultimaker_015 holds until 6.8 s at least and has fallen by 2 % at 7.55 s.
	m := measureJSON(t, filepath.Join(recordings, "pressure_decay/ultimaker_015.csv"), "--time", "time_s",
		"--vacuum", "pressure_bar[bar]", "--closed", "0s..140s")
	require.NotNil(t, m.LeakDowns[0].Falls)
	assert.Greater(t, *m.LeakDowns[0].Falls, 6.776)
	assert.Less(t, *m.LeakDowns[0].Falls, 7.548)
}

// table writes a CSV file and returns its path.
func table(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "t.csv")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o666))
	return path
}

func TestMeasureWrongInput(t *testing.T) {
	good := table(t, "t_s,v\n0,0\n0.01,0\n0.02,0\n0.03,1\n")
	for _, c := range []struct {
		name string
		args []string
		want string // in the one line that comes
	}{
		{"no time", []string{good, "--vacuum", "v[kPa]", "--require", "30 kPa"}, "--time is missing"},
		{"no requirement", []string{good, "--time", "t_s", "--vacuum", "v[kPa]"}, "--require is missing"},
		{"no unit", []string{good, "--time", "t_s", "--vacuum", "v", "--require", "30 kPa"}, "unit"},
		{"bare requirement", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30"}, "30 has no unit"},
		{"unknown column", []string{good, "--time", "t_s", "--vacuum", "w[kPa]", "--require", "30 kPa"}, "no column w"},
		{"unknown flag", []string{good, "--tme", "t_s"}, "--help"},
		{"no file", []string{filepath.Join(t.TempDir(), "none.csv"), "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30 kPa"}, "none.csv"},
		{"backward time", []string{table(t, "t_s,v\n0,0\n0.02,0\n0.01,0\n"), "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30 kPa"}, "t.csv:4: "},
		{"all negative", []string{table(t, "t_s,v\n0,-1\n0.02,-30\n0.03,-30\n"), "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30 kPa"}, "--vacuum-sign"},
		{"drop level above the required", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30 kPa", "--drop-level", "31 kPa"}, "--drop-level"},
		{"supply-off", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30 kPa", "--supply-off", "stays"}, `"holds"`},
		{"percent without ambient", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30 % of ambient"}, "ambient"},
		{"persist 0", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30 kPa", "--persist", "0 ms"}, "--persist"},
		{"negative lag", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30 kPa", "--lag", "-1 ms"}, "--lag"},
		{"empty", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30 kPa", "--persist", ""}, "found nothing"},
		{"deeper than any vacuum", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--require", "300 kPa"}, "--require"},
		{"idle band above the required", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--require", "30 kPa", "--idle-band", "40 kPa"}, "--idle-band"},
		{"closed backwards", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--closed", "20s..10s"}, "--closed"},
		{"too few samples in the stretch", []string{good, "--time", "t_s", "--vacuum", "v[kPa]", "--closed", "0s..10s"}, "needs 39"},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, out, errs := command(t, append([]string{"measure"}, c.args...)...)
			assert.Equal(t, exitUsage, code)
			assert.Empty(t, out)
			assert.Contains(t, errs, c.want)
			assert.Equal(t, 1, strings.Count(errs, "\n"), "one line: %q", errs)
		})
	}
}
