package store

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/bench"
	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
)

// someCircumstances returns some of everything that a trial file tells beside the samples.
func someCircumstances() ([]Anchor, []Lateness, []BenchCheck) {
	value, u, scatter, lo, yes, no := 61.5, 0.3, 0.02, 60.0, true, false
	return []Anchor{{TNS: 5e9, UnixNS: 1_741_060_000_000_000_089, Why: "jumped"}},
		[]Lateness{
			{ToNS: 60e9, Bus: "block", Device: "io", Polls: 6000, Merged: 2, Errors: 1, P50S: 1e-5, P99S: 2e-4, MaxS: 3e-3},
			{FromNS: 60e9, ToNS: 61e9, Bus: "block", Device: "io", Merged: 100, P50S: math.NaN(), P99S: math.NaN(), MaxS: math.NaN()},
		},
		[]BenchCheck{
			{TNS: -3e9, Moment: Before, Result: bench.Result{Station: "left", Step: "blanked", Value: &value, U: &u, Scatter: &scatter, Lo: &lo, Pass: &yes}},
			{TNS: -2e9, Moment: Before, Result: bench.Result{Station: "left", Step: "zero", Value: &value}},
			{TNS: 70e9, Moment: After, Result: bench.Result{Station: "left", Step: "blanked", Lo: &lo, Pass: &no, Why: "0 samples"}},
		}
}

// What is told beside the samples comes back to the bit, from the open file, the closed one
// and one that is opened again and added to.
func TestCircumstancesComeBack(t *testing.T) {
	trial := newTrial(t, header())
	clock, late, checks := someCircumstances()
	require.NoError(t, trial.Commit(Entry{Clock: clock, Lateness: late[:1], Bench: checks[:2]}))
	require.NoError(t, trial.Commit(Entry{Lateness: late[1:], Bench: checks[2:]}))
	check := func(trial *Trial) {
		anchors, err := trial.Clock()
		require.NoError(t, err)
		begin := header().AnchorUTC
		clock[0].JumpedS = float64(clock[0].UnixNS-begin.UnixNano()-5e9) / 1e9
		assert.Equal(t, []Anchor{{UnixNS: begin.UnixNano(), Why: Begin}, clock[0]}, anchors)
		assert.Equal(t, begin.Add(4999999999), WorldTime(anchors, 4999999999))
		assert.Equal(t, time.Unix(0, clock[0].UnixNS+1).UTC(), WorldTime(anchors, 5e9+1))
		got, err := trial.Lateness()
		require.NoError(t, err)
		requireSameBits(t, late, got)
		results, err := trial.BenchChecks()
		require.NoError(t, err)
		assert.Equal(t, checks, results)
	}
	check(trial)
	require.NoError(t, trial.Close())
	reader, err := OpenRead(trial.Path())
	require.NoError(t, err)
	check(reader)
	require.NoError(t, reader.Close())
	report := requireWhole(t, trial.Path())
	assert.Equal(t, []int64{3, 1, 2}, []int64{report.BenchChecks, report.Jumps, report.Lateness})
}

// A note of a run comes back with it; one of a run that is not there is refused.
func TestNotesOfRuns(t *testing.T) {
	trial := newTrial(t, header())
	require.ErrorContains(t, trial.Commit(Entry{Notes: []Note{{Text: "x", Run: 1}}}), "there are 0 runs")
	run := Run{N: 1, Setups: map[string]string{}}
	notes := []Note{{TNS: 1, Text: "trial"}, {TNS: 2, Text: "run", Run: 1}}
	require.NoError(t, trial.Commit(Entry{Runs: []Run{run}, Notes: notes}))
	require.NoError(t, trial.Commit(Entry{Notes: notes}))
	got, err := trial.Notes()
	require.NoError(t, err)
	assert.Equal(t, append(notes[:2:2], notes...), got)
}

// A calibration's standard errors are kept with the channel.
func TestCalibrationComesBack(t *testing.T) {
	h := header()
	h.Groups[0].Channels[0].Calibration = sample.Calibration{OffsetU: 0.1, ScaleU: 1e-4, CenterCount: 513.5}
	trial := newTrial(t, h)
	require.NoError(t, trial.Close())
	reader, err := OpenRead(trial.Path())
	require.NoError(t, err)
	defer reader.Close()
	assert.Equal(t, h.Groups[0].Channels[0].Calibration, reader.Header().Groups[0].Channels[0].Calibration)
	assert.Zero(t, reader.Header().Groups[0].Channels[1].Calibration)
}

// Marks are made while it is recorded and on the finished file, by time, so that they find
// their pick in another analysis; the last one counts.
func TestSpoiled(t *testing.T) {
	at := func(n int, station string, startS float64) pick.Pick {
		p := somePick(n, station)
		p.StartS = startS
		return p
	}
	trial := newTrial(t, header())
	picks := []pick.Pick{at(1, "left", 1), at(1, "right", 1.1), at(2, "left", 2), at(3, "left", 3)}
	require.NoError(t, trial.AppendPicks(1, picks, nil))
	ns, ok := PickNS(&picks[2])
	require.True(t, ok)
	require.NoError(t, trial.MarkSpoiled("left", ns, "hose knocked"))
	require.NoError(t, trial.MarkSpoiled("left", 3e9, "wrong bag"))
	require.ErrorContains(t, trial.MarkSpoiled("middle", ns, "x"), `station "middle" does not exist`)
	reasons := func(trial *Trial, picks []pick.Pick) []string {
		t.Helper()
		marks, err := trial.Spoiled()
		require.NoError(t, err)
		return SpoiledPicks(marks, picks)
	}
	assert.Equal(t, []string{"", "", "hose knocked", "wrong bag"}, reasons(trial, picks))
	require.NoError(t, trial.Close())
	before, err := Check(trial.Path())
	require.NoError(t, err)

	again, err := Open(trial.Path())
	require.NoError(t, err)
	// Another analysis: the first pick is not found, the others begin later and have other numbers.
	other := []pick.Pick{at(1, "left", 2.02), at(2, "left", 3.02), at(1, "right", 1.12)}
	assert.Equal(t, []string{"hose knocked", "wrong bag", ""}, reasons(again, other))
	require.NoError(t, again.MarkSpoiled("left", 2.02e9, "")) // taken back as the other set has it
	require.NoError(t, again.MarkSpoiled("right", 1.12e9, "hand in the way"))
	assert.Equal(t, []string{"", "wrong bag", "hand in the way"}, reasons(again, other))
	assert.Equal(t, []string{"", "hand in the way", "", "wrong bag"}, reasons(again, picks))
	require.NoError(t, again.Close())
	after := requireWhole(t, trial.Path())
	assert.EqualValues(t, 4, after.Spoiled)
	assert.Equal(t, before.Picks, after.Picks, "no pick was touched")

	reader, err := OpenRead(trial.Path())
	require.NoError(t, err)
	defer reader.Close()
	require.ErrorIs(t, reader.MarkSpoiled("left", 1, "x"), ErrReadOnly)
	marks, err := reader.Spoiled()
	require.NoError(t, err)
	require.Len(t, marks, 4)
	assert.Equal(t, Mark{Station: "left", TNS: 2e9, Reason: "hose knocked", MarkedUTC: marks[0].MarkedUTC}, marks[0])
	assert.WithinDuration(t, time.Now(), marks[0].MarkedUTC, time.Hour)
}

// A mark means the nearest pick and no farther one, at picks as short as they come.
func TestMarkMeansNearest(t *testing.T) {
	none := math.NaN()
	picks := []pick.Pick{
		{Station: "left", StartS: 1}, {Station: "left", StartS: 1.2}, {Station: "left", StartS: none, ContactS: none, SealedAtS: 5},
		{Station: "left", StartS: none, ContactS: none, SealedAtS: none, DropS: none, ReleaseS: none, EndS: none},
	}
	for _, c := range []struct {
		ns   int64
		want int // index of the pick; −1: none
	}{{1e9, 0}, {1.099e9, 0}, {1.1e9, 0}, {1.101e9, 1}, {1.45e9, 1}, {1.45e9 + 1, -1}, {0.75e9, 0}, {0.75e9 - 1, -1}, {5e9, 2}, {0, -1}} {
		want := make([]string, len(picks))
		if c.want >= 0 {
			want[c.want] = "x"
		}
		assert.Equal(t, want, SpoiledPicks([]Mark{{Station: "left", TNS: c.ns, Reason: "x"}}, picks), "%d ns", c.ns)
	}
	assert.Equal(t, make([]string, 4), SpoiledPicks([]Mark{{Station: "right", TNS: 1e9, Reason: "x"}}, picks))
	assert.Empty(t, SpoiledPicks(nil, nil))
}
