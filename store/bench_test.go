package store

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

func benchmarkTrial(b *testing.B, channels int) *Trial {
	b.Helper()
	h := header()
	h.Groups = []sample.Group{{Name: "io block", Channels: make([]sample.Channel, channels)}}
	trial, err := Create(filepath.Join(b.TempDir(), "bench.gtrial"), h)
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, trial.Close()) })
	return trial
}

// Commits of one second of 8 channels at 100 Hz, each durable; with what merging takes.
func BenchmarkDurableCommits(b *testing.B) {
	trial := benchmarkTrial(b, 8)
	minute := recorded(rand.New(rand.NewPCG(1, 2)), 0, 8, 100, 0, 60, 100)
	n := 0
	for b.Loop() {
		batch := minute[n%60]
		batch.T = make([]int64, len(batch.T))
		for i, at := range minute[n%60].T {
			batch.T[i] = at + int64(n/60)*60e9
		}
		if err := trial.Append([]sample.Batch{batch}); err != nil {
			b.Fatal(err)
		}
		n++
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "commits/s")
}

// A day of 8 channels at 100 Hz, extrapolated from a tenth of it: opening, reading and
// decoding it, and its size.
func BenchmarkReadBackDay(b *testing.B) {
	trial := benchmarkTrial(b, 8)
	const minutes = 144
	for k := range int64(minutes) {
		require.NoError(b, trial.Append(recorded(rand.New(rand.NewPCG(1, uint64(k))), 0, 8, 100, k*60e9, 60, 100)))
	}
	require.NoError(b, trial.Close())
	info, err := os.Stat(trial.Path())
	require.NoError(b, err)
	for b.Loop() {
		reader, err := OpenRead(trial.Path())
		require.NoError(b, err)
		scans := 0
		for batch, err := range reader.Pass(nil) {
			if err != nil {
				b.Fatal(err)
			}
			scans += len(batch.T)
		}
		if scans != minutes*6000 {
			b.Fatal(fmt.Errorf("%d scans", scans))
		}
		require.NoError(b, reader.Close())
	}
	b.ReportMetric(10*b.Elapsed().Seconds()/float64(b.N), "s/day")
	b.ReportMetric(10*float64(info.Size())/1e6, "MB/day")
}
