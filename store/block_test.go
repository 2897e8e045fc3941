package store

import (
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
)

// signal makes raw counts of a vacuum transducer with 12 bits over 100 kPa, noise of
// 0.7 counts (standard deviation), at rateHz, with a pick every 1.5 s: it rises to some 60
// kPa with a time constant of 80 ms, holds for 0.8 s, and falls with one of 40 ms.
func signal(r *rand.Rand, rateHz float64, n int, phaseS float64) []int64 {
	counts := make([]int64, n)
	level := 0.0
	for i := range counts {
		at := math.Mod(float64(i)/rateHz+phaseS, 1.5)
		target, constantS := 0.0, 0.04
		if at < 0.9 {
			target, constantS = 60+3*math.Sin(float64(i)/rateHz/40), 0.08
		}
		level += (target - level) * (1 - math.Exp(-1/rateHz/constantS))
		counts[i] = int64(math.Round(level/100*4096 + 0.7*r.NormFloat64()))
	}
	return counts
}

// recorded makes batches of scansEach of one group as a poller gives them at rateHz:
// stamps late by some 100 µs, half-widths of some 60 µs, both in ticks.
func recorded(r *rand.Rand, group, channels int, rateHz float64, fromNS int64, batches, scansEach int) []sample.Batch {
	n := batches * scansEach
	columns := make([][]int64, channels)
	for c := range columns {
		columns[c] = signal(r, rateHz, n, float64(c)*0.19)
	}
	stamps, half := make([]int64, n), make([]int64, n)
	for i := range n {
		late := 80e3 + 40e3*r.ExpFloat64()
		stamps[i] = (fromNS + int64(float64(i)*1e9/rateHz) + int64(late)) / sample.TickNS * sample.TickNS
		half[i] = int64(50e3+10e3*r.ExpFloat64()) / sample.TickNS * sample.TickNS
		if i > 0 && stamps[i] <= stamps[i-1] {
			stamps[i] = stamps[i-1] + sample.TickNS
		}
	}
	all := make([]sample.Batch, batches)
	for k := range all {
		from, to := k*scansEach, (k+1)*scansEach
		b := sample.Batch{Group: group, T: stamps[from:to], Half: half[from:to], Counts: make([][]int64, channels)}
		for c := range columns {
			b.Counts[c] = columns[c][from:to]
		}
		all[k] = b
	}
	return all
}

func numbers(n int) []int64 {
	seqs := make([]int64, n)
	for i := range seqs {
		seqs[i] = int64(i + 1)
	}
	return seqs
}

// deltaEntropy returns the order-0 entropy of the differences of counts in bytes each.
func deltaEntropy(counts []int64) float64 {
	seen := map[int64]int{}
	for i := 1; i < len(counts); i++ {
		seen[counts[i]-counts[i-1]]++
	}
	bits, n := 0.0, float64(len(counts)-1)
	for _, k := range seen {
		bits -= float64(k) * math.Log2(float64(k)/n)
	}
	return bits / 8 / n
}

// A block of 60 s takes no more than the order-0 entropy of the differences of its counts
// (zstd finds some runs, too); its stamps, half-widths and batches are counted apart. A day of
// 8 channels at 100 Hz, all included, stays within 50 MB.
func TestBlockNearsEntropy(t *testing.T) {
	const seed = 1
	for _, rateHz := range []float64{100, 1000} {
		t.Run(fmt.Sprintf("%g Hz", rateHz), func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, 2))
			batches := recorded(r, 0, 8, rateHz, 0, 60, int(rateHz))
			samples, bytes := 8*60*rateHz, 0.0
			entropy := 0.0
			for c := range 8 {
				var column []int64
				for _, b := range batches {
					column = append(column, b.Counts[c]...)
				}
				entropy += deltaEntropy(column) / 8
			}
			whole := len(encodeBlock(numbers(60), batches))
			bare := slices.Clone(batches)
			for i := range bare {
				bare[i].Counts = nil
			}
			times := len(encodeBlock(numbers(60), bare))
			bytes = float64(whole-times) / samples
			t.Logf("seed %d: %.4f bytes a sample, entropy %.4f (%.1f %% above); stamps and half-widths %.3f bytes a scan; all %.4f bytes a sample",
				seed, bytes, entropy, 100*(bytes/entropy-1), float64(times)/60/rateHz, float64(whole)/samples)
			assert.LessOrEqual(t, bytes, entropy)
			if rateHz == 100 {
				assert.Less(t, float64(whole)/samples*8*100*86400/1e6, 50.0, "MB a day")
			}
		})
	}
}

// A block of layout 1, as written before layout 2, is read as before.
func TestBlockLayout1(t *testing.T) {
	data, err := hex.DecodeString("01020014030304010080e892260874696d652d6f75740501904e0280808727000800ef03e507db0b00904e0a00000500020000000218000af6ffffffffffffffff01" +
		"a8fbffffffffffffff01e604020f020000feffffffff3fffffffffff3f")
	require.NoError(t, err)
	want := []sample.Batch{
		{T: []int64{10_000, 10_020_000, 20_010_000, 30_000_000}, Half: []int64{50_000, 60_000, 50_000, 50_000}, Counts: [][]int64{{0, 5, sample.Missing, -300}, {1, 1, 1, 1 << 40}}},
		{Fault: "time-out", FaultNS: 40_000_000},
		{T: []int64{50_000_000}, Half: []int64{50_000}, Counts: [][]int64{{7}, {0}}}}
	block, err := decodeBlock(data, 0, 2, &blockMemory{})
	seqs, got := block.seqs, block.batches
	require.NoError(t, err)
	assert.Equal(t, []int64{3, 4, 9}, seqs)
	requireSame(t, want, got)
	now := encodeBlock(seqs, got)
	assert.Equal(t, byte(layoutOne), now[0])
	block, err = decodeBlock(now, 0, 2, &blockMemory{})
	require.NoError(t, err)
	requireSame(t, want, block.batches)
	for cut := range data {
		_, err := decodeBlock(data[:cut], 0, 2, &blockMemory{})
		require.ErrorIs(t, err, errBlock, "cut to %d of %d bytes", cut, len(data))
	}
}

func TestBlockRoundTrip(t *testing.T) {
	const seed = 3
	r := rand.New(rand.NewPCG(seed, 4))
	extremes := []int64{0, math.MaxInt64, sample.Missing, math.MaxInt64, -1, sample.Missing, sample.Missing, 0, 1}
	cases := []struct {
		name    string
		batches []sample.Batch
	}{
		{"one scan", recorded(r, 0, 1, 100, 0, 1, 1)},
		{"two scans", recorded(r, 0, 1, 100, 0, 1, 2)},
		{"no channel", recorded(r, 0, 0, 100, 0, 2, 5)},
		{"125 channels", recorded(r, 0, 125, 100, 0, 2, 3)},
		{"one scan a batch", recorded(r, 0, 2, 100, 0, 300, 1)},
		{"fault alone", []sample.Batch{{Fault: "time-out", FaultNS: -5}}},
		{"fault alone, with empty columns", []sample.Batch{{Fault: "time-out", FaultNS: -5, Counts: make([][]int64, 3)}}},
		{"faults between", append(append(append([]sample.Batch{{Fault: "x", FaultNS: 1}}, recorded(r, 0, 2, 50, 7e9, 2, 9)...),
			sample.Batch{Fault: "connection refused", FaultNS: math.MaxInt64}), recorded(r, 0, 2, 50, 99e9, 1, 1)...)},
		{"extreme counts", []sample.Batch{{T: numbers(9), Half: make([]int64, 9), Counts: [][]int64{extremes, numbers(9)}}}},
		{"extreme stamps", []sample.Batch{{T: []int64{math.MinInt64, -1, 0, math.MaxInt64}, Half: []int64{math.MaxInt64, 0, math.MinInt64, 3}, Counts: [][]int64{{1, 2, 3, 4}}}}},
		{"nanoseconds", []sample.Batch{{T: []int64{1, 10_000_001, 20_000_003}, Half: []int64{10_000, 20_000, 0}, Counts: [][]int64{{1, 2, 3}}}}},
		{"stamps go back between batches", append(recorded(r, 0, 1, 100, 5e9, 1, 20), recorded(r, 0, 1, 100, 1e9, 1, 20)...)},
		{"300 Hz", recorded(r, 0, 1, 300, 1e15, 2, 1000)},
	}
	for _, n := range []int{127, 128, 129, 255, 256, 257, 16383, 16384, 16385} {
		cases = append(cases, struct {
			name    string
			batches []sample.Batch
		}{fmt.Sprintf("%d scans", n), recorded(r, 0, 1, 100, 0, 1, n)})
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			channels := 0
			for _, b := range c.batches {
				channels = max(channels, len(b.Counts))
			}
			seqs := numbers(len(c.batches))
			for i := range seqs {
				seqs[i] += int64(i * i * 1000)
			}
			data := encodeBlock(seqs, c.batches)
			block, err := decodeBlock(data, 0, channels, &blockMemory{})
			gotSeqs, got := block.seqs, block.batches
			require.NoError(t, err, "seed %d", seed)
			assert.Equal(t, seqs, gotSeqs)
			requireSame(t, c.batches, got)
			for cut := range min(len(data), 200) {
				_, err := decodeBlock(data[:cut], 0, channels, &blockMemory{})
				require.ErrorIs(t, err, errBlock, "cut to %d of %d bytes", cut, len(data))
			}
			_, err = decodeBlock(append(slices.Clone(data), 0), 0, channels, &blockMemory{})
			require.ErrorIs(t, err, errBlock, "one byte more")
		})
	}
}

// requireSame compares batches by what they hold: a nil and an empty slice are the same.
func requireSame(t *testing.T, want, got []sample.Batch) {
	t.Helper()
	require.Len(t, got, len(want))
	for i := range want {
		w, g := want[i], got[i]
		if w.Fault != "" {
			w.Counts = nil // empty columns are none
		}
		if !(w.Group == g.Group && w.Fault == g.Fault && w.FaultNS == g.FaultNS && len(w.Counts) == len(g.Counts) &&
			slices.Equal(w.T, g.T) && slices.Equal(w.Half, g.Half) &&
			slices.EqualFunc(w.Counts, g.Counts, slices.Equal[[]int64])) {
			require.Equal(t, w, g, "batch %d of %d", i, len(want))
		}
	}
}

// A flood of scans in few bytes is refused before memory is taken for it.
func TestBlockLimits(t *testing.T) {
	list := []byte{1, 1, 0x80, 0x80, 0x80, 0x80, 0x08} // one batch, seq 1, 2³¹ scans
	data := append([]byte{layoutOne, 1, 0, byte(len(list))}, list...)
	_, err := decodeBlock(data, 0, 1, &blockMemory{})
	require.ErrorContains(t, err, "too many scans")
}

func FuzzDecodeBlock(f *testing.F) {
	r := rand.New(rand.NewPCG(5, 6))
	f.Add([]byte{}, 0)
	f.Add(encodeBlock([]int64{1, 2}, recorded(r, 0, 2, 100, 0, 2, 30)), 2)
	f.Add(encodeBlock([]int64{1}, recorded(r, 0, 1, 100, 0, 1, 3)), 1)
	f.Add([]byte("\x01\x01\x00\x03\x01\x01\x01\x90N\x00\x00\x00\x01\x00\x90N\n\x00\x00\x01\x00\x02\x01\x0a"), 1) // layout 1
	f.Add(encodeBlock([]int64{9}, []sample.Batch{{Fault: "time-out", FaultNS: 4}}), 3)
	f.Fuzz(func(t *testing.T, data []byte, channels int) {
		if channels < 0 || channels > 200 {
			return
		}
		block, err := decodeBlock(data, 0, channels, &blockMemory{})
		seqs, batches := block.seqs, block.batches
		if err != nil {
			require.Nil(t, seqs)
			require.Nil(t, batches)
			return
		}
		// Odd channels alone, from the same bytes, into memory that holds something else.
		m := &blockMemory{free: []openBlock{{columns: slices.Repeat([]int64{-77}, len(block.columns)), counts: slices.Repeat([][]int64{{-77}}, len(block.counts))}}}
		for c := range channels {
			m.unwanted = append(m.unwanted, c%2 == 0)
		}
		part, err := decodeBlock(data, 0, channels, m)
		require.NoError(t, err)
		for i := range batches {
			for c := range batches[i].Counts {
				if c%2 == 0 {
					require.Nil(t, part.batches[i].Counts[c])
					part.batches[i].Counts[c] = batches[i].Counts[c]
				}
			}
		}
		requireSame(t, batches, part.batches)
		block, err = decodeBlock(encodeBlock(seqs, batches), 0, channels, &blockMemory{})
		require.NoError(t, err)
		require.Equal(t, seqs, block.seqs)
		requireSame(t, batches, block.batches)
	})
}

func BenchmarkBlockEncode(b *testing.B) {
	for _, rateHz := range []float64{100, 1000} {
		b.Run(fmt.Sprintf("%g Hz", rateHz), func(b *testing.B) {
			batches := recorded(rand.New(rand.NewPCG(1, 2)), 0, 8, rateHz, 0, 60, int(rateHz))
			seqs := numbers(60)
			size := 0
			for b.Loop() {
				size = len(encodeBlock(seqs, batches))
			}
			samples := 8 * 60 * rateHz
			b.ReportMetric(samples*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
			b.ReportMetric(float64(size)/samples, "bytes/sample")
		})
	}
}

func BenchmarkBlockDecode(b *testing.B) {
	for _, rateHz := range []float64{100, 1000} {
		b.Run(fmt.Sprintf("%g Hz", rateHz), func(b *testing.B) {
			data := encodeBlock(numbers(60), recorded(rand.New(rand.NewPCG(1, 2)), 0, 8, rateHz, 0, 60, int(rateHz)))
			m := &blockMemory{}
			for b.Loop() {
				block, err := decodeBlock(data, 0, 8, m)
				if err != nil {
					b.Fatal(err)
				}
				m.free = append(m.free, block)
			}
			b.ReportMetric(8*60*rateHz*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
		})
	}
}

// The limit of decoding: the zstd frames of a block alone.
func BenchmarkUnpackAlone(b *testing.B) {
	data := encodeBlock(numbers(60), recorded(rand.New(rand.NewPCG(1, 2)), 0, 8, 100, 0, 60, 100))
	scratch := make([]byte, 0, 1<<20)
	for b.Loop() {
		r := &blockReader{rest: data, scratch: scratch}
		r.byte("")
		r.uvarint("")
		r.section(1<<20, "")
		for range 2 {
			r.uvarint("")
			r.varint("")
			r.uvarint("")
			r.section(1<<20, "")
		}
		r.section(1<<20, "")
		if r.err != nil {
			b.Fatal(r.err)
		}
	}
	b.ReportMetric(8*60*100*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}
