package simulator

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/config"
)

const examples = "../testdata/scenarios"

// rigFor has every kind of channel for the stations of a scenario, and the channels that it
// names.
func rigFor(sc *Scenario) config.Rig {
	block := config.Device{Name: "io block", Unit: 1, IntervalS: 0.02}
	for i, st := range sc.Stations {
		for k, c := range []struct {
			kind  sample.Kind
			scale float64
		}{{sample.Vacuum, 0.005}, {sample.Flow, 0.1}, {sample.Power, 0.1}, {sample.Air, 0.01}, {sample.AirPressure, 0.1}} {
			block.Channels = append(block.Channels, channel(st.Name+" "+string(c.kind), c.kind, st.Name, 0, c.scale, reg(config.Input, 10*i+k, "i16", "AB")))
		}
		for k, kind := range []sample.Kind{sample.Supply, sample.Release, sample.Touch, sample.Carried, sample.PartPresent} {
			block.Channels = append(block.Channels, channel(st.Name+" "+string(kind), kind, st.Name, 0, 1, reg(config.Discrete, 10*i+k, "bit", "")))
		}
	}
	return config.Rig{Buses: []config.Bus{{Name: "block", Kind: config.ModbusTCP, Devices: []config.Device{block}}}}
}

// Every worked example does what its head says, shortened to a few picks a run.
func TestExamples(t *testing.T) {
	checks := map[string]func(t *testing.T, x []Truth, count map[string]int){
		"ab-bench.yaml": func(t *testing.T, x []Truth, count map[string]int) {
			require.Greater(t, count["released"], 3*len(x)/4)
			pieces := map[string]bool{}
			for _, p := range x {
				pieces[p.Piece] = true
				require.Less(t, p.SlipMM, 15.)
			}
			require.Len(t, pieces, 1)
		},
		"screening.yaml": func(t *testing.T, x []Truth, count map[string]int) {
			setups := map[string]bool{}
			for _, p := range x {
				setups[p.Setup] = true
			}
			require.Len(t, setups, 24)
			require.Greater(t, count["released"], len(x)/2)
		},
		"line-speed.yaml": func(t *testing.T, x []Truth, count map[string]int) {
			require.Equal(t, len(x), count["released"])
			byStation := map[string]Truth{}
			for _, p := range x {
				if last, ok := byStation[p.Station]; ok {
					require.InDelta(t, 60./45, p.SupplyOnS-last.SupplyOnS, 1e-6)
				}
				byStation[p.Station] = p
				require.Less(t, float64(p.SealedAtS)-p.SupplyOnS, 0.35)
			}
		},
		"soak.yaml": func(t *testing.T, x []Truth, count map[string]int) {
			require.Greater(t, count["released"], 9*len(x)/10)
			require.GreaterOrEqual(t, count["dropped"], 1)
			first, last := x[0], x[len(x)-2]
			require.Equal(t, first.Station, last.Station)
			require.Greater(t, last.LeakK, 1.2*first.LeakK, "the other bag leaks more")
		},
		"net-bag.yaml": func(t *testing.T, x []Truth, count map[string]int) {
			require.Equal(t, len(x), count["unsealed"])
		},
		"swing.yaml": func(t *testing.T, x []Truth, count map[string]int) {
			for _, p := range x {
				if p.Station == "left" {
					assert.Equal(t, "released", p.Outcome)
					assert.Zero(t, p.CupsLost)
				} else {
					assert.Positive(t, p.CupsLost)
				}
			}
		},
		"hand-held.yaml": func(t *testing.T, x []Truth, count map[string]int) {
			require.Positive(t, count["released"])
			require.Zero(t, count["unsealed"])
		},
		"two-cups-by-hand.yaml": func(t *testing.T, x []Truth, count map[string]int) {
			require.Equal(t, len(x), count["released"])
			leak := map[string]float64{}
			for _, p := range x {
				leak[p.Station] += p.LeakK
			}
			require.Less(t, leak["left"], 0.9*leak["right"], "the bellows cup leaks less")
		},
	}
	files, err := filepath.Glob(examples + "/*.yaml")
	require.NoError(t, err)
	require.Len(t, files, len(checks))
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			sc, err := LoadScenario(file)
			require.NoError(t, err)
			if strings.HasPrefix(filepath.Base(file), "soak") {
				require.InDelta(t, 72*3600, sc.DurationS(), 60)
				require.GreaterOrEqual(t, len(sc.Troubles), 12)
			}
			picks := size(20, 8)
			if nightly {
				picks = math.MaxInt
			}
			short := sc.Shortened(picks)
			scans, truths := 0, []Truth(nil)
			truths, err = Fast(short, rigFor(sc), 0, func(b sample.Batch) error { scans += len(b.T); return nil })
			require.NoError(t, err)
			want, count := 0, map[string]int{}
			for _, r := range short.Runs {
				want += r.Picks * len(r.Setups)
			}
			require.Len(t, truths, want)
			require.Greater(t, scans, want)
			for _, x := range truths {
				count[x.Outcome]++
			}
			t.Log(count)
			checks[filepath.Base(file)](t, truths, count)
		})
	}
}

// The mark ‸ stands before what is at fault.
func TestScenarioFileFaults(t *testing.T) {
	whole, err := os.ReadFile(examples + "/hand-held.yaml")
	require.NoError(t, err)
	for _, tc := range []struct{ name, old, new, want string }{
		{"unknown key", "lead: 3 s", "‸leed: 3 s", `unknown field "leed"`},
		{"doubled key", "lead: 3 s", "lead: 3 s\n‸lead: 4 s", "already defined"},
		{"no unit", "ambient: 1013 hPa", "ambient: ‸1013", "no unit"},
		{"wrong unit", "volume: 350 mL", "volume: ‸350 mm", "is no unit of volume"},
		{"no conductance", "vent: 2 dm3/(s bar)", "vent: ‸2 L/min ANR", "no number with the unit dm3/(s bar)"},
		{"unknown cup", `  - {name: coir, bag: coir block, cup: "flat cup, 50 mm lip"`, `  - {‸name: coir, bag: coir block, cup: "flat"`, `cup "flat" is unknown`},
		{"impossible setup", "required: 30 kPa", "required: 101 kPa", "want a required vacuum"},
		{"list for a number", "lead: 3 s", "lead: ‸[3 s]", "want a single value"},
		{"text for a number", "seed: 17", "seed: ‸many", "cannot unmarshal"},
		{"no name", "name: hand-held, coir block in thin film", "", "name is not stated"},
		{"both", "lead: 3 s", "lead: 3 s\naltitude: 500 m", "both stated"},
		{"unknown fault", "runs:", "faults:\n  - {‸fault: fire}\nruns:", `"fire" is unknown`},
		{"fault without its value", "runs:", "faults:\n  - {‸fault: late}\nruns:", "by is not stated"},
		{"not YAML", "lead: 3 s", "lead: 3 s: 4", ""},
		{"empty", string(whole), "", "name is not stated"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			text := strings.Replace(string(whole), tc.old, tc.new, 1)
			require.NotEqual(t, string(whole), text)
			line, column := 0, 0
			if before, after, ok := strings.Cut(text, "‸"); ok {
				text = before + after
				line = 1 + strings.Count(before, "\n")
				column = 1 + len([]rune(before[strings.LastIndex(before, "\n")+1:]))
			}
			sc, err := ParseScenario("x.yaml", []byte(text))
			require.Nil(t, sc)
			require.ErrorContains(t, err, tc.want)
			require.NotContains(t, err.Error(), "\n")
			require.Regexp(t, `^x\.yaml:\d+:\d+: `, err.Error())
			var f *FileError
			require.True(t, errors.As(err, &f))
			if line > 0 {
				require.Equal(t, [2]int{line, column}, [2]int{f.Line, f.Column}, "%v", err)
			}
		})
	}
}

func FuzzScenario(f *testing.F) {
	files, err := filepath.Glob(examples + "/*.yaml")
	require.NoError(f, err)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 20_000 {
			return
		}
		sc, err := ParseScenario("x", text)
		require.True(t, (sc == nil) == (err != nil))
		if err != nil {
			require.NotContains(t, err.Error(), "\n")
		} else {
			require.NoError(t, sc.Check())
		}
	})
}
