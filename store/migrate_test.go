package store

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
)

// oldTrial makes a file of an older format as the program that knew no later one did.
func oldTrial(t *testing.T, format int) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "old.gtrial")
	require.NoError(t, os.WriteFile(path, nil, 0o644))
	h := header()
	row, err := h.row()
	require.NoError(t, err)
	require.NoError(t, makeTables(path, format, row))
	return path
}

// A file of an older format is read as it is, its bytes unchanged; opened for writing it
// becomes the latest, and all that was in it is in it still.
func TestOldFormat(t *testing.T) {
	for format := 1; format < formatVersion; format++ {
		t.Run(fmt.Sprint("format ", format), func(t *testing.T) { oldFormat(t, format) })
	}
}

func oldFormat(t *testing.T, format int) {
	path := oldTrial(t, format)
	before := contents(t, path)
	report := requireWhole(t, path)
	assert.EqualValues(t, 1, report.Sets)
	old, err := OpenRead(path)
	require.NoError(t, err)
	assert.Equal(t, format, old.format)
	want := old.Header()
	a, ok, err := old.Analysis(1)
	require.NoError(t, err)
	assert.True(t, ok)
	assert.Equal(t, want.RigText, a.RigText)
	o, err := old.Outbox("somewhere")
	require.NoError(t, err)
	assert.Zero(t, o.Segments)
	done, err := old.Finished(1)
	require.NoError(t, err)
	assert.False(t, done)
	marks, err := old.Spoiled()
	require.NoError(t, err)
	assert.Empty(t, marks)
	anchors, err := old.Clock()
	require.NoError(t, err)
	assert.Equal(t, []Anchor{{UnixNS: want.AnchorUTC.UnixNano(), Why: Begin}}, anchors)
	late, err := old.Lateness()
	require.NoError(t, err)
	assert.Empty(t, late)
	checks, err := old.BenchChecks()
	require.NoError(t, err)
	assert.Empty(t, checks)
	notes, err := old.Notes()
	require.NoError(t, err)
	assert.Empty(t, notes)
	require.NoError(t, old.Close())
	assert.Equal(t, before, contents(t, path), "reading must not bring it up")

	trial, err := Open(path)
	require.NoError(t, err)
	assert.Equal(t, formatVersion, trial.format)
	assert.Equal(t, fmt.Sprintf("%#v", want), fmt.Sprintf("%#v", trial.Header()))
	require.NoError(t, trial.Append([]sample.Batch{{Group: 1, T: []int64{0}, Half: []int64{1}, Counts: [][]int64{{7}}}}))
	require.NoError(t, trial.AppendPicks(1, []pick.Pick{somePick(1, "left")}, nil))
	n, err := trial.AddSegment(Segment{Lines: 1, Text: []byte("a b=1 0\n")})
	require.NoError(t, err)
	require.NoError(t, trial.Delivered("somewhere", n, []Parked{{Status: 400, Reason: "no", Line: "a b=1 0"}}))
	require.NoError(t, trial.Finish(1))
	require.NoError(t, trial.MarkSpoiled("left", 1e9, "hose knocked"))
	require.NoError(t, trial.Close())
	report = requireWhole(t, path)
	assert.EqualValues(t, 1, report.Picks)
	assert.EqualValues(t, 1, report.Spoiled)
	again, err := OpenRead(path)
	require.NoError(t, err)
	defer again.Close()
	assert.Equal(t, formatVersion, again.format)
	parked, err := again.ParkedLines("somewhere")
	require.NoError(t, err)
	assert.Equal(t, []Parked{{Target: "somewhere", Segment: 1, Status: 400, Reason: "no", Line: "a b=1 0"}}, parked)
	o, err = again.Outbox("somewhere")
	require.NoError(t, err)
	assert.EqualValues(t, 1, o.Sent)
	assert.Zero(t, o.WaitingLines)
	done, err = again.Finished(1)
	require.NoError(t, err)
	assert.True(t, done)
}

// What was made from comes back to the bit, NaN and infinities of scalings too.
func TestAnalysisComesBack(t *testing.T) {
	trial := newTrial(t, header())
	a := Analysis{RigText: []byte("rig"), TrialText: []byte{0, 255}, Groups: header().Groups}
	a.Groups[0].Channels[0].Scale = 0.1
	n, err := trial.NewAnalysis("0.2.0", "calibrated", a)
	require.NoError(t, err)
	got, ok, err := trial.Analysis(n)
	require.NoError(t, err)
	require.True(t, ok)
	assert.True(t, got.Same(a))
	a.Groups[0].Channels[0].Scale = 0.2
	assert.False(t, got.Same(a))
	n, err = trial.NewSet("0.2.0", "by hand")
	require.NoError(t, err)
	_, ok, err = trial.Analysis(n)
	require.NoError(t, err)
	assert.False(t, ok)
	sets, err := trial.Sets()
	require.NoError(t, err)
	assert.WithinDuration(t, time.Now(), sets[1].CreatedUTC, time.Hour)
}

// A full disk or a kill while the WAL is being moved into the file leaves a first page that
// counts pages which are not there yet. With its WAL the file is whole, and read as such.
func TestHalfMovedWAL(t *testing.T) {
	trial := newTrial(t, header())
	for _, c := range commits(rand.New(rand.NewPCG(3, 3)), 30) {
		require.NoError(t, trial.Append(c))
	}
	want := readAll(t, trial)
	for _, shm := range []bool{true, false} {
		path := filepath.Join(t.TempDir(), "half.gtrial")
		for _, ext := range []string{"", "-wal", "-shm"} {
			if ext == "-shm" && !shm {
				continue
			}
			b, err := exec.Command("cat", trial.Path()+ext).Output() // a process of its own: our locks stay
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(path+ext, b, 0o644))
		}
		p, err := openPages(path)
		require.NoError(t, err)
		require.Contains(t, p.inWAL, int64(1))
		first := p.read(1)
		require.Greater(t, int64(binary.BigEndian.Uint32(first[28:])), p.count-int64(len(p.inWAL)), "its pages are not there yet")
		p.close()
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		require.NoError(t, err)
		_, err = f.WriteAt(first, 0)
		require.NoError(t, err)
		require.NoError(t, f.Close())

		reader, err := OpenRead(path)
		if shm {
			require.NoError(t, err)
			requireSame(t, want, readAll(t, reader))
			require.NoError(t, reader.Close())
			requireWhole(t, path)
		} else {
			require.ErrorContains(t, err, "half.gtrial-shm is missing")
		}
		again, err := Open(path)
		require.NoError(t, err)
		requireSame(t, want, readAll(t, again))
		require.NoError(t, again.Close())
		requireWhole(t, path)
	}
}

// A recorder that was killed between the header of its WAL and the first frame leaves a file
// that is read and opened as any other.
func TestWALOfAHeaderOnly(t *testing.T) {
	trial := newTrial(t, header())
	for _, c := range commits(rand.New(rand.NewPCG(3, 3)), 30) {
		require.NoError(t, trial.Append(c))
	}
	want := readAll(t, trial)
	require.NoError(t, trial.Close())
	again, err := Open(trial.Path())
	require.NoError(t, err)
	defer again.Close()
	require.NoError(t, again.Commit(Entry{Notes: []Note{{TNS: 1, Text: "in the WAL only"}}}))
	for _, c := range []struct {
		size int
		shm  bool
	}{{0, true}, {31, true}, {32, true}, {33, true}, {0, false}, {32, false}} {
		size := c.size
		path := filepath.Join(t.TempDir(), "killed.gtrial")
		for _, ext := range []string{"", "-wal", "-shm"} {
			b, err := exec.Command("cat", trial.Path()+ext).Output() // a process of its own: our locks stay
			require.NoError(t, err)
			if ext == "-wal" {
				require.Greater(t, len(b), size)
				b = b[:size]
			}
			if ext != "-shm" || c.shm {
				require.NoError(t, os.WriteFile(path+ext, b, 0o644))
			}
		}
		reader, err := OpenRead(path)
		require.NoError(t, err, "%d bytes of WAL", size)
		requireSame(t, want, readAll(t, reader))
		require.NoError(t, reader.Close())
		requireWhole(t, path)
		writer, err := Open(path)
		require.NoError(t, err)
		requireSame(t, want, readAll(t, writer))
		require.NoError(t, writer.Close())
		requireWhole(t, path)
	}
}
