package record

import (
	"context"
	"math"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire"
	"griptrial/acquire/sample"
	"griptrial/store"
)

// A steady source hands on a scan whenever it is told to.
type steady struct {
	scans   chan int64
	polling func() []acquire.Polling
}

func (s *steady) Groups() []sample.Group {
	return []sample.Group{{Name: "block io", Channels: []sample.Channel{{Name: "p", Scale: 1}}}}
}

func (s *steady) Run(ctx context.Context, emit func(sample.Batch)) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case ns := <-s.scans:
			emit(sample.Batch{T: []int64{ns}, Half: []int64{0}, Counts: [][]int64{{ns}}})
		}
	}
}

func (s *steady) Polling() []acquire.Polling { return s.polling() }

// A wall clock that is set an hour back and later two ahead is anchored anew each time, once,
// and with by how much; the trial's time goes on as if nothing were, and so do the stamps.
// Slewing by less is no jump.
func TestWallClockJumps(t *testing.T) {
	begin := time.Date(2026, 3, 29, 0, 30, 0, 0, time.UTC)
	var mu sync.Mutex
	ns, off := int64(0), time.Duration(0)
	set := func(toNS int64, toOff time.Duration) {
		mu.Lock()
		defer mu.Unlock()
		ns, off = toNS, toOff
	}
	now := func() (int64, time.Time) {
		mu.Lock()
		defer mu.Unlock()
		return ns, begin.Add(time.Duration(ns) + off)
	}
	source := &steady{scans: make(chan int64), polling: func() []acquire.Polling { return nil }}
	stations, err := NewStations(source.Groups(), nil, nil)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "wall.gtrial")
	file, err := store.Create(path, store.Header{Program: "test", AnchorUTC: begin, Groups: source.Groups()})
	require.NoError(t, err)
	committed := make(chan int64, 64)
	r := Recorder{File: file, Sources: []Source{source}, Stations: stations, Now: now, CommitEvery: time.Millisecond,
		Committed: func(p Progress) { committed <- p.AtNS }}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- r.Run(ctx) }()
	const s = int64(time.Second)
	var stamps []int64
	for i, x := range []struct {
		ns  int64
		off time.Duration
	}{{1 * s, 0}, {2 * s, 90 * time.Millisecond}, {3 * s, -time.Hour}, {4 * s, -time.Hour - 50*time.Millisecond}, {5 * s, time.Hour}, {6 * s, time.Hour}} {
		set(x.ns, x.off)
		source.scans <- x.ns // a commit follows, and a look at the clock before it
		for at := range committed {
			if at == x.ns {
				break
			}
		}
		stamps = append(stamps, x.ns)
		anchors, err := file.Clock()
		require.NoError(t, err)
		assert.Len(t, anchors, []int{1, 1, 2, 2, 3, 3}[i])
	}
	stop()
	require.NoError(t, <-ended)
	require.NoError(t, file.Close())

	read, err := store.OpenRead(path)
	require.NoError(t, err)
	defer read.Close()
	anchors, err := read.Clock()
	require.NoError(t, err)
	assert.Equal(t, []store.Anchor{
		{TNS: 0, UnixNS: begin.UnixNano(), Why: store.Begin},
		{TNS: 3 * s, UnixNS: begin.Add(3*time.Second - time.Hour).UnixNano(), Why: "the wall clock went back", JumpedS: -3600},
		{TNS: 5 * s, UnixNS: begin.Add(5*time.Second + time.Hour).UnixNano(), Why: "the wall clock went ahead", JumpedS: 7200},
	}, anchors)
	assert.Equal(t, begin.Add(2*time.Second), store.WorldTime(anchors, 2*s))
	assert.Equal(t, begin.Add(4*time.Second-time.Hour), store.WorldTime(anchors, 4*s))
	var got []int64
	for b, err := range read.Batches() {
		require.NoError(t, err)
		got = append(got, b.T...)
	}
	assert.Equal(t, stamps, got, "the trial's time does not jump")
	report, err := store.Check(path)
	require.NoError(t, err)
	assert.Empty(t, report.Damage)
}

// How deadlines were kept is in the file: every span once, the last one that ends with the
// recording too, and a device without polls has no lateness.
func TestLatenessIsKept(t *testing.T) {
	var mu sync.Mutex
	ns := int64(0)
	now := func() (int64, time.Time) {
		mu.Lock()
		defer mu.Unlock()
		ns += int64(time.Second)
		return ns, time.Unix(0, ns)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	asked := uint64(0)
	source := &steady{polling: func() []acquire.Polling {
		if asked++; asked == 3 {
			stop()
		}
		return []acquire.Polling{{Bus: "block", Device: "io", Polls: asked, Merged: 2, Errors: 3, Median: time.Millisecond, P99: 2 * time.Millisecond, Worst: 3 * time.Millisecond},
			{Bus: "line", Device: "scale"}}
	}}
	stations, err := NewStations(source.Groups(), nil, nil)
	require.NoError(t, err)
	file, err := store.Create(filepath.Join(t.TempDir(), "late.gtrial"), store.Header{Program: "test", AnchorUTC: time.Unix(0, 1), Groups: source.Groups()})
	require.NoError(t, err)
	r := Recorder{File: file, Sources: []Source{source}, Stations: stations, Now: now, CommitEvery: time.Millisecond, PollingEvery: 10 * time.Second}
	require.NoError(t, r.Run(ctx))
	got, err := file.Lateness()
	require.NoError(t, err)
	require.NoError(t, file.Close())
	require.Len(t, got, 2*int(asked), "what a source told is kept")
	require.GreaterOrEqual(t, asked, uint64(4), "the last time as it ends")
	from := int64(0)
	for i := 0; i < len(got); i += 2 {
		io, scale := got[i], got[i+1]
		assert.Equal(t, store.Lateness{FromNS: from, ToNS: io.ToNS, Bus: "block", Device: "io", Polls: int64(i/2 + 1), Merged: 2, Errors: 3, P50S: 0.001, P99S: 0.002, MaxS: 0.003}, io)
		if i+2 < len(got) {
			assert.Equal(t, int64(10*time.Second), io.ToNS-io.FromNS)
		}
		assert.Equal(t, from, scale.FromNS)
		assert.True(t, math.IsNaN(scale.P50S) && math.IsNaN(scale.P99S) && math.IsNaN(scale.MaxS))
		from = io.ToNS
	}
}
