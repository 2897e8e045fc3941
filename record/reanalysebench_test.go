package record

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"griptrial/config"
	"griptrial/simulator"
	"griptrial/store"
)

// BenchmarkReanalyse judges an hour of one station again, eight channels at 100 Hz with 40 picks a
// minute, and stores the picks in a new set. It reports what a day of it would take, what of that
// is reading, and how many picks the day has. Wanted: 3 s.
func BenchmarkReanalyse(b *testing.B) {
	const picks = 2400
	names := []string{"s1"}
	rig, err := config.ParseRig("wire.yaml", append(wireRig(b, names, "127.0.0.1:1", 10).Text,
		"          - {name: s1 air, kind: air, station: s1, register: {table: input, address: 4, type: u16}, scale: 0.1 L/min ANR}\n"...))
	require.NoError(b, err)
	sc := simulator.DemoScenario(picks).OnStations(names)
	for i := range sc.Setups {
		sc.Setups[i].Cycle.CycleS = 1.5
	}
	plan := NewPlan(wireTrial(sc))
	sim, err := simulator.NewRig(sc, *rig)
	require.NoError(b, err)
	source := &fastSource{rig: sim, sc: sc, cfg: *rig, whole: true}
	settings, err := Settings(rig, plan)
	require.NoError(b, err)
	s, err := NewStations(source.Groups(), settings, plan)
	require.NoError(b, err)
	file, err := store.Create(filepath.Join(b.TempDir(), "hour.gtrial"), store.Header{Program: "bench", AnchorUTC: time.Unix(0, 0), RigText: rig.Text, Groups: source.Groups(), Stations: names})
	require.NoError(b, err)
	defer file.Close()
	require.NoError(b, (&Recorder{File: file, Sources: []Source{source}, Stations: s, Plan: plan, CommitEvery: time.Millisecond}).Run(b.Context()))
	read := func() (toS float64, samples int) {
		for x, err := range file.Pass(nil) {
			require.NoError(b, err)
			samples += len(x.Counts) * len(x.T)
			toS = float64(x.T[len(x.T)-1]) / 1e9
		}
		return toS, samples
	}
	toS, samples := read()
	days := toS / 86400
	require.InEpsilon(b, 8*100*toS, samples, 0.01)
	found := 0
	var reading time.Duration
	for b.Loop() {
		s, err := NewStations(source.Groups(), settings, plan)
		require.NoError(b, err)
		set, err := file.NewAnalysis("bench", "again", store.Analysis{Groups: source.Groups()})
		require.NoError(b, err)
		found, _, err = Reanalyse(b.Context(), file, set, s, nil)
		require.NoError(b, err)
		b.StopTimer()
		from := time.Now()
		read()
		reading += time.Since(from)
		b.StartTimer()
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/days, "s/day")
	b.ReportMetric(reading.Seconds()/float64(b.N)/days, "reading-s/day")
	b.ReportMetric(float64(found)/days, "picks/day")
}
