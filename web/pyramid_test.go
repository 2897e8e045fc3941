package web

import (
	"iter"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
	"griptrial/store"
)

// made returns batches of two groups, 100 Hz and 20 Hz, with a gap in the first and missing
// counts in the second.
func made(seconds int) (groups []sample.Group, batches []sample.Batch) {
	nan := math.NaN()
	channel := func(name string, intervalS float64) sample.Channel {
		return sample.Channel{Name: name, Kind: sample.Vacuum, Station: name, Offset: 1, Scale: -0.01, IntervalS: intervalS, UpdateS: nan, Resolution: nan, Accuracy: nan, LagS: nan, OnAbove: nan}
	}
	groups = []sample.Group{{Name: "a", Channels: []sample.Channel{channel("a0", 0.01), channel("a1", 0.01)}}, {Name: "b", Channels: []sample.Channel{channel("b0", 0.05)}}}
	r := rand.New(rand.NewPCG(7, 7))
	var next [2]int64
	step := [2]int64{10e6, 50e6}
	for s := range seconds * 4 {
		for g := range groups {
			b := sample.Batch{Group: g, Counts: make([][]int64, len(groups[g].Channels))}
			for ; next[g] < int64(s+1)*250e6; next[g] += step[g] {
				if g == 0 && next[g] > 10e9 && next[g] < 12e9 {
					continue
				}
				b.T, b.Half = append(b.T, next[g]), append(b.Half, 0)
				for c := range b.Counts {
					n := int64(1000*math.Sin(float64(next[g])/3e9)) + r.Int64N(50)
					if g == 1 && r.IntN(3) == 0 {
						n = sample.Missing
					}
					b.Counts[c] = append(b.Counts[c], n)
				}
			}
			if len(b.T) > 0 {
				batches = append(batches, b)
			}
		}
	}
	return groups, batches
}

func after(batches []sample.Batch) func(int64) iter.Seq2[sample.Batch, error] {
	return func(n int64) iter.Seq2[sample.Batch, error] {
		return func(yield func(sample.Batch, error) bool) {
			for _, b := range batches[n:] {
				if !yield(b, nil) {
					return
				}
			}
		}
	}
}

// However long a trial, however it is cut, drawn from stretches or from the file: between the
// first and the last instant drawn, the least and the greatest value of any stretch of time
// are those of the samples.
func TestPyramidKeepsExtremes(t *testing.T) {
	groups, batches := made(60)
	for _, most := range []int{4, 64, 256, mostStretches} {
		p := newPyramid(groups)
		p.most = most
		p.add(batches...)
		for _, s := range p.groups {
			require.LessOrEqual(t, len(s.from), most)
		}
		for _, x := range []struct {
			from, to float64
			points   int
		}{{0, 60, 10}, {0, 60, 400}, {0, 60, 20000}, {9, 13, 50}, {9, 13, 1000}, {20.003, 20.5, 10}, {59, 60, 100}, {70, 80, 10}} {
			fromNS, toNS := int64(x.from*1e9), int64(x.to*1e9)
			for _, at := range []channelAt{{0, 0}, {0, 1}, {1, 0}} {
				traces, err := p.draw([]channelAt{at}, fromNS, toNS, x.points, after(batches))
				require.NoError(t, err)
				trace := traces[0]
				require.LessOrEqual(t, len(trace.TS), 2*x.points)
				lo, hi, samples := math.Inf(1), math.Inf(-1), 0
				ch := &groups[at.group].Channels[at.channel]
				for _, b := range batches {
					if b.Group != at.group {
						continue
					}
					for j, n := range b.Counts[at.channel] {
						if b.T[j] >= fromNS && b.T[j] <= toNS && n != sample.Missing {
							lo, hi = min(lo, ch.Value(n)), max(hi, ch.Value(n))
							samples++
						}
					}
				}
				gotLo, gotHi, last := math.Inf(1), math.Inf(-1), math.Inf(-1)
				for i, v := range trace.TS {
					if ts := float64(v); !math.IsNaN(ts) {
						require.Greater(t, ts, last, "instants rise")
						last = ts
						gotLo, gotHi = min(gotLo, float64(trace.Lo[i])), max(gotHi, float64(trace.Hi[i]))
					}
				}
				if samples == 0 {
					assert.Empty(t, trace.TS)
					continue
				}
				// Stretches may reach beyond the ends by their own length; the whole trial has none.
				assert.LessOrEqual(t, gotLo, lo+1e-9)
				assert.GreaterOrEqual(t, gotHi, hi-1e-9)
				if x.to-x.from >= 60 {
					assert.InDelta(t, lo, gotLo, 1e-9, "%v most %d", x, most)
					assert.InDelta(t, hi, gotHi, 1e-9, "%v most %d", x, most)
				}
				if samples <= x.points && most > 1000 {
					assert.True(t, trace.Exact, "%v", x)
				}
				if trace.Exact {
					n := 0
					for i := range trace.TS {
						if !math.IsNaN(float64(trace.TS[i])) {
							n++
							assert.Equal(t, trace.Lo[i], trace.Hi[i])
						}
					}
					assert.Equal(t, samples, n, "every point is a sample")
				}
			}
		}
	}
}

// A gap breaks the line; missing counts of a single channel do not make points.
func TestPyramidBreaksAtGaps(t *testing.T) {
	groups, batches := made(30)
	one := sample.Batch{Counts: make([][]int64, 2)} // all of the first group in one batch
	for _, b := range batches {
		if b.Group == 0 {
			one.T, one.Half = append(one.T, b.T...), append(one.Half, b.Half...)
			for c := range one.Counts {
				one.Counts[c] = append(one.Counts[c], b.Counts[c]...)
			}
		}
	}
	for _, per := range []int{1, 8} { // 1,001 scans before the gap
		for _, all := range [][]sample.Batch{batches, {one}} {
			p := newPyramid(groups)
			p.groups[0].per = per
			p.add(all...)
			breaksAtGap(t, p, all)
		}
	}
}

func breaksAtGap(t *testing.T, p *pyramid, batches []sample.Batch) {
	t.Helper()
	for _, points := range []int{100, 1000, 20000} {
		traces, err := p.draw([]channelAt{{0, 0}}, 0, 30e9, points, after(batches))
		require.NoError(t, err)
		breaks := 0
		for i, v := range traces[0].TS {
			if math.IsNaN(float64(v)) {
				breaks++
				assert.LessOrEqual(t, float64(traces[0].TS[i-1]), 10.0)
				assert.GreaterOrEqual(t, float64(traces[0].TS[i+1]), 12.0)
			}
		}
		assert.Equal(t, 1, breaks, "%d points", points)
	}
}

// What is read from seqAt on holds every sample from a time on.
func TestSeqAtMissesNothing(t *testing.T) {
	groups, batches := made(30)
	for _, most := range []int{8, mostStretches} {
		p := newPyramid(groups)
		p.most = most
		p.add(batches...)
		for _, s := range []float64{0, 0.01, 5.2, 11, 12.001, 29.99, 40} {
			ns := int64(s * 1e9)
			want, got := 0, 0
			for _, b := range batches {
				for _, x := range b.T {
					if x >= ns {
						want++
					}
				}
			}
			for b := range after(batches)(p.seqAt(ns)) {
				for _, x := range b.T {
					if x >= ns {
						got++
					}
				}
			}
			assert.Equal(t, want, got, "from %g s", s)
		}
	}
}

// BenchmarkOpenDay is what a finished trial of 24 h, 8 channels at 100 Hz and a pick a second
// on each of two stations, takes until it can be drawn, listed and counted; a tenth of it is
// opened. It reports the whole day's time.
func BenchmarkOpenDay(b *testing.B) {
	nan := math.NaN()
	var group sample.Group
	for i := range 8 {
		group.Channels = append(group.Channels, sample.Channel{Name: string(rune('a' + i)), Kind: sample.Vacuum, Station: string(rune('a' + i)), Scale: 0.01, IntervalS: 0.01, UpdateS: nan, Resolution: nan, Accuracy: nan, LagS: nan, OnAbove: nan})
	}
	path := filepath.Join(b.TempDir(), "day.gtrial")
	file, err := store.Create(path, store.Header{Program: "test", AnchorUTC: time.Unix(0, 0), Groups: []sample.Group{group}, Stations: []string{"left", "right"}})
	require.NoError(b, err)
	r := rand.New(rand.NewPCG(1, 1))
	const tenth = 8640 // s
	n := 0
	for s := range tenth {
		x := sample.Batch{Counts: make([][]int64, 8)}
		for i := range 100 {
			x.T, x.Half = append(x.T, int64(s)*1e9+int64(i)*10e6), append(x.Half, 40_000)
			for c := range x.Counts {
				level := int64(0)
				if i > 20 && i < 80 {
					level = 6000
				}
				x.Counts[c] = append(x.Counts[c], level+r.Int64N(12))
			}
		}
		e := store.Entry{Set: 1, Batches: []sample.Batch{x}}
		n++
		for _, station := range []string{"left", "right"} {
			e.Picks = append(e.Picks, pick.Pick{N: n, Station: station, Outcome: pick.Released, StartS: float64(s) + 0.2, EndS: float64(s) + 0.9})
		}
		require.NoError(b, file.Commit(e))
	}
	require.NoError(b, file.Close())
	for b.Loop() {
		file, err := store.OpenRead(path)
		require.NoError(b, err)
		c := newClient(b, Config{File: file})
		get[TrialJSON](c, "/trial")
		get[StateJSON](c, "/state")
		require.Equal(b, 200, c.do("GET", prefix+"/traces?points=2000&channel=a&channel=b", "").StatusCode)
		require.Equal(b, 200, c.do("GET", prefix+"/picks?limit=100", "").StatusCode)
		file.Close()
	}
	b.ReportMetric(10*b.Elapsed().Seconds()/float64(b.N), "s/day")
}

// BenchmarkZoom is one look at ten minutes of such a day.
func BenchmarkZoom(b *testing.B) {
	groups, batches := made(6000)
	p := newPyramid(groups)
	p.add(batches...)
	for b.Loop() {
		_, err := p.draw([]channelAt{{0, 0}, {1, 0}}, 600e9, 1200e9, 2000, after(batches))
		require.NoError(b, err)
	}
}
