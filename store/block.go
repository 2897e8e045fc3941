package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
	"slices"
	"sync"

	"github.com/klauspost/compress/zstd"

	"griptrial/acquire/sample"
)

// Limits of one block, so that a reader knows how much memory it can ever need.
const (
	maxBlockSamples = 1 << 23 // scans × (channels + 2)
	maxBlockBatches = 1 << 13
	maxFaultBytes   = 512
	maxBatchesBytes = maxBlockBatches * (maxFaultBytes + 4*binary.MaxVarintLen64)
)

// First byte of a block. One frame for all channels takes a seventh less than one for each,
// of 60 s of 8 channels at 100 Hz: a frame of a few thousand bytes costs its tables.
const (
	layoutColumns = 1 // counts: a section for each channel
	layoutOne     = 2 // counts: one section for all; what is written
)

// Flags of a section.
const (
	packed     = 1 << 0 // zstd frame
	difference = 1 << 1 // each value is coded as the difference from the one before
)

var (
	packer = sync.OnceValue(func() *zstd.Encoder {
		// The row has a checksum of its own, and names the content size.
		w, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderCRC(false),
			zstd.WithSingleSegment(true), zstd.WithEncoderLevel(zstd.SpeedDefault))
		if err != nil {
			panic(err) // only a wrong option can be the cause
		}
		return w
	})
	unpacker = sync.OnceValue(func() *zstd.Decoder {
		r, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(0), zstd.WithDecodeAllCapLimit(true),
			zstd.WithDecoderMaxMemory(10*maxBlockSamples))
		if err != nil {
			panic(err)
		}
		return r
	})
)

// encodeBlock returns batches of one group, whose commit numbers are seqs (equal length,
// rising), as one block. The batches are valid and within the limits of a block.
func encodeBlock(seqs []int64, batches []sample.Batch) []byte {
	channels := 0
	scans := 0
	for i := range batches {
		scans += len(batches[i].T)
		if len(batches[i].T) > 0 { // a fault may come with columns, all empty
			channels = len(batches[i].Counts)
		}
	}
	// The longest varint has 10 bytes; nearly all have one.
	raw := make([]byte, 0, scans+scans/8+64)
	out := make([]byte, 0, scans*(channels+2)/2+256)
	out = append(out, layoutOne)
	out = binary.AppendUvarint(out, uint64(channels))

	raw = binary.AppendUvarint(raw, uint64(len(batches)))
	seq := int64(0)
	for i := range batches {
		b := &batches[i]
		raw = binary.AppendUvarint(raw, uint64(seqs[i]-seq))
		seq = seqs[i]
		raw = binary.AppendUvarint(raw, uint64(len(b.T)))
		if b.Fault != "" {
			raw = binary.AppendVarint(raw, b.FaultNS)
			raw = binary.AppendUvarint(raw, uint64(len(b.Fault)))
			raw = append(raw, b.Fault...)
		}
	}
	out = appendSection(out, 0, raw)
	if scans == 0 {
		return out
	}

	column := make([]int64, 0, scans)
	for i := range batches {
		column = append(column, batches[i].T...)
	}
	out, raw = appendTimes(out, raw[:0], column, true)
	column = column[:0]
	for i := range batches {
		column = append(column, batches[i].Half...)
	}
	out, raw = appendTimes(out, raw[:0], column, false)
	raw = raw[:0]
	for c := range channels {
		before := int64(0)
		for i := range batches {
			if len(batches[i].T) > 0 {
				raw, before = appendDifferences(raw, batches[i].Counts[c], before)
			}
		}
	}
	return appendSection(out, difference, raw)
}

// appendDifferences appends the difference of each value from the one before it as a
// zigzag varint. Differences wrap around, so that every int64, Missing too, comes back.
func appendDifferences(raw []byte, values []int64, before int64) ([]byte, int64) {
	for _, v := range values {
		d := v - before
		before = v
		if z := uint64(d<<1) ^ uint64(d>>63); z < 0x80 {
			raw = append(raw, byte(z))
		} else {
			raw = binary.AppendUvarint(raw, z)
		}
	}
	return raw, before
}

// appendTimes appends a section of times: their unit, the grid that they lie about, and
// their deviations from it, or the differences of these where they cost less (after a gap
// all deviations are large, their differences are not).
func appendTimes(out, raw []byte, ns []int64, onGrid bool) (newOut, newRaw []byte) {
	tick := int64(sample.TickNS)
	for _, v := range ns {
		if v%sample.TickNS != 0 {
			tick = 1
			break
		}
	}
	step := uint64(0) // 1/65536 ticks
	if onGrid {
		step = gridStep(ns, tick)
	}
	if tick != 1 {
		for i := range ns {
			ns[i] /= sample.TickNS // a constant: no division
		}
	}
	base := ns[0]
	cost, costDifference, before := 0, 0, int64(0)
	for i, v := range ns {
		v -= gridAt(base, step, i)
		ns[i] = v
		cost += bits.Len64(zigzag(v))
		costDifference += bits.Len64(zigzag(v - before))
		before = v
	}
	flags := byte(0)
	if costDifference < cost {
		flags = difference
		raw, _ = appendDifferences(raw, ns, 0)
	} else {
		for _, v := range ns {
			raw = binary.AppendVarint(raw, v)
		}
	}
	out = binary.AppendUvarint(out, uint64(tick))
	out = binary.AppendVarint(out, base)
	out = binary.AppendUvarint(out, step)
	return appendSection(out, flags, raw), raw
}

func zigzag(v int64) uint64 { return uint64(v<<1) ^ uint64(v>>63) }

// gridAt returns the i-th point of a grid in ticks; it wraps around alike in writer and
// reader, so any step gives the stamps back.
func gridAt(base int64, step uint64, i int) int64 { return base + int64(uint64(i)*step>>16) }

// gridStep estimates the interval of stamps in 1/65536 ticks: the mean of those intervals
// that are near the median, so that a gap does not bend the grid.
func gridStep(ns []int64, tick int64) uint64 {
	n := len(ns) - 1
	if n < 1 {
		return 0
	}
	probe := make([]int64, 0, 64) // a median of some is near enough
	for k := range min(n, 63) {
		i := k * n / min(n, 63)
		probe = append(probe, ns[i+1]-ns[i])
	}
	slices.Sort(probe)
	median := probe[len(probe)/2]
	sum, count := int64(0), int64(0)
	for i := range n {
		if d := ns[i+1] - ns[i]; d >= median/2 && d/2 <= median {
			sum += d
			count++
		}
	}
	if count == 0 || sum <= 0 {
		return 0
	}
	return uint64(float64(sum) / float64(count) / float64(tick) * 65536)
}

// appendSection appends flags, the length of raw, and raw, as a zstd frame where that is
// shorter.
func appendSection(out []byte, flags byte, raw []byte) []byte {
	const tooShort = 24 // a frame costs about 12 bytes
	start := len(out)
	if len(raw) > tooShort {
		out = append(out, flags|packed)
		out = binary.AppendUvarint(out, uint64(len(raw)))
		const room = 4 // the frame's length is known only behind it
		out = append(out, 0, 0, 0, 0)
		frame := len(out)
		out = packer().EncodeAll(raw, out)
		size := len(out) - frame
		if size < len(raw) {
			binary.LittleEndian.PutUint32(out[frame-room:], uint32(size))
			return out
		}
	}
	out = append(out[:start], flags)
	out = binary.AppendUvarint(out, uint64(len(raw)))
	return append(out, raw...)
}

var errBlock = errors.New("block cannot be decoded")

// A blockReader takes a block apart; after the first fault all it gives is zero.
type blockReader struct {
	rest    []byte
	err     error
	scratch []byte // that sections are unpacked into
}

// A blockMemory is what blocks are decoded into, one after the other. It is for one goroutine.
type blockMemory struct {
	unwanted []bool      // channels whose counts are not decoded; nil where all are
	free     []openBlock // that nobody looks at any more
	scratch  []byte
}

// take returns a block to decode into.
func (m *blockMemory) take() (b openBlock) {
	if last := len(m.free) - 1; last >= 0 {
		b = m.free[last]
		m.free = m.free[:last]
	}
	b.at = 0
	return b
}

// room returns n elements in the memory of s where that is enough; they hold anything.
func room[T any](s []T, n int) []T {
	if cap(s) >= n {
		return s[:n]
	}
	return make([]T, n)
}

func (r *blockReader) fail(what string) {
	if r.err == nil {
		r.err = fmt.Errorf("%w: %s", errBlock, what)
	}
	r.rest = nil
}

func (r *blockReader) byte(what string) byte {
	if len(r.rest) == 0 {
		r.fail(what)
		return 0
	}
	b := r.rest[0]
	r.rest = r.rest[1:]
	return b
}

func (r *blockReader) uvarint(what string) uint64 {
	v, n := binary.Uvarint(r.rest)
	if n <= 0 {
		r.fail(what)
		return 0
	}
	r.rest = r.rest[n:]
	return v
}

func (r *blockReader) varint(what string) int64 {
	v, n := binary.Varint(r.rest)
	if n <= 0 {
		r.fail(what)
		return 0
	}
	r.rest = r.rest[n:]
	return v
}

func (r *blockReader) bytes(n uint64, what string) []byte {
	if n > uint64(len(r.rest)) {
		r.fail(what)
		return nil
	}
	b := r.rest[:n]
	r.rest = r.rest[n:]
	return b
}

// section returns the flags and the raw bytes of the next section, at most limit. They are
// valid until the one after it.
func (r *blockReader) section(limit int, what string) (byte, []byte) {
	flags := r.byte(what)
	if flags&^(packed|difference) != 0 {
		r.fail(what + ": unknown flags")
		return 0, nil
	}
	size := r.uvarint(what)
	if size > uint64(limit) {
		r.fail(what + ": too long")
		return 0, nil
	}
	if flags&packed == 0 {
		return flags, r.bytes(size, what)
	}
	head := r.bytes(4, what)
	if r.err != nil {
		return 0, nil
	}
	frame := r.bytes(uint64(binary.LittleEndian.Uint32(head)), what)
	if r.err != nil {
		return 0, nil
	}
	if uint64(cap(r.scratch)) < size {
		r.scratch = make([]byte, 0, size)
	}
	raw, err := unpacker().DecodeAll(frame, r.scratch[:0:size])
	if err != nil || uint64(len(raw)) != size {
		r.fail(what + ": wrong zstd frame")
		return 0, nil
	}
	return flags, raw
}

// values fills dst from the varints at the beginning of raw and returns what follows.
func (r *blockReader) values(dst []int64, flags byte, raw []byte, what string) (rest []byte) {
	if r.err != nil {
		return nil
	}
	before := int64(0)
	short, keep := plain, int64(0) // all ones where values add up
	if flags&difference != 0 {
		short, keep = addUp, -1
	}
	at := 0
	for i := 0; i < len(dst); i++ {
		if n := short(dst[i:], before, raw[at:]); n > 0 {
			i += n
			at += n
			before = dst[i-1]
		}
		if i == len(dst) {
			break
		}
		if at >= len(raw) {
			r.fail(what + ": too short")
			return nil
		}
		z := uint64(raw[at])
		at++
		if z >= 0x80 && at < len(raw) && raw[at]-1 < 0x7f {
			z = z&0x7f | uint64(raw[at])<<7
			at++
		} else if z >= 0x80 {
			var n int
			z, n = binary.Uvarint(raw[at-1:])
			if n <= 0 {
				r.fail(what + ": wrong number")
				return nil
			}
			at += n - 1
		}
		before = before&keep + (int64(z>>1) ^ -int64(z&1))
		dst[i] = before
	}
	return raw[at:]
}

// Nearly all numbers have one byte. addUp fills dst with the sums of before and the zigzag
// numbers of one byte that raw begins with, eight at a time, and returns how many there are;
// it may overlook up to seven.
func addUp(dst []int64, before int64, raw []byte) (n int) {
	for n+8 <= len(dst) && n+8 <= len(raw) {
		word := binary.LittleEndian.Uint64(raw[n:])
		// Each number plus 128, so that no sum is negative; pairs of them in lanes of 16 bits, whose
		// sums the product has; and these less the second of each pair.
		half, sign := word>>1&0x3f3f3f3f3f3f3f3f, word&0x0101010101010101*0xff
		x := half ^ sign ^ 0x8080808080808080
		second := x >> 8 & 0x00ff00ff00ff00ff
		odd := (x&0x00ff00ff00ff00ff + second) * 0x0001000100010001
		even := odd - second
		d := (*[8]int64)(dst[n : n+8])
		d[0] = before + int64(even&0xffff) - 1*128
		d[1] = before + int64(odd&0xffff) - 2*128
		d[2] = before + int64(even>>16&0xffff) - 3*128
		d[3] = before + int64(odd>>16&0xffff) - 4*128
		d[4] = before + int64(even>>32&0xffff) - 5*128
		d[5] = before + int64(odd>>32&0xffff) - 6*128
		d[6] = before + int64(even>>48) - 7*128
		d[7] = before + int64(odd>>48) - 8*128
		if long := word & 0x8080808080808080; long != 0 {
			return n + bits.TrailingZeros64(long)/8 // what stands behind them is written anew
		}
		before = d[7]
		n += 8
	}
	return n
}

// plain is addUp without adding up.
func plain(dst []int64, _ int64, raw []byte) (n int) {
	for n < len(dst) && n < len(raw) && raw[n] < 0x80 {
		dst[n] = int64(raw[n]>>1) ^ -int64(raw[n]&1)
		n++
	}
	return n
}

// pass returns what follows n varints at the beginning of raw.
func (r *blockReader) pass(n int, raw []byte, what string) (rest []byte) {
	at := 0
	for n >= 8 && at+8 <= len(raw) { // the last byte of a varint has no high bit
		n -= 8 - bits.OnesCount64(binary.LittleEndian.Uint64(raw[at:])&0x8080808080808080)
		at += 8
	}
	for ; n > 0 && at < len(raw); at++ {
		if raw[at] < 0x80 {
			n--
		}
	}
	if n > 0 {
		r.fail(what + ": too short")
	}
	return raw[at:]
}

// column fills dst from the varints of raw, the whole of it.
func (r *blockReader) column(dst []int64, flags byte, raw []byte, what string) {
	if rest := r.values(dst, flags, raw, what); len(rest) > 0 {
		r.fail(what + ": too long")
	}
}

func (r *blockReader) times(dst []int64, what string) {
	tick := r.uvarint(what)
	base := r.varint(what)
	step := r.uvarint(what)
	if r.err == nil && tick != 1 && tick != sample.TickNS {
		r.fail(what + ": unknown unit of time")
	}
	flags, raw := r.section(binary.MaxVarintLen64*len(dst), what)
	r.column(dst, flags, raw, what)
	if r.err != nil {
		return
	}
	for i := range dst {
		dst[i] = (dst[i] + gridAt(base, step, i)) * int64(tick)
	}
}

// decodeBlock returns the batches of group in a block and their commit numbers, in the
// order in which they were committed. channels is the number of channels of the group. The
// batches share columns, which come from m; those of unwanted channels are nil. An error comes
// with no half result. Any bytes may be given.
func decodeBlock(data []byte, group, channels int, m *blockMemory) (b openBlock, err error) {
	r := &blockReader{rest: data, scratch: m.scratch}
	b = m.take()
	defer func() {
		m.scratch = r.scratch
		if err != nil {
			b = openBlock{}
		}
	}()
	layout := r.byte("layout")
	if layout != layoutColumns && layout != layoutOne {
		r.fail("unknown layout")
	}
	stored := r.uvarint("channels")
	_, raw := r.section(maxBatchesBytes, "list of batches")
	if r.err != nil {
		return b, r.err
	}

	list := &blockReader{rest: raw}
	count := list.uvarint("number of batches")
	if count == 0 || count > maxBlockBatches || count*2 > uint64(len(raw)) {
		list.fail("no batch, or too many")
		count = 0
	}
	b.seqs, b.batches = room(b.seqs, int(count)), room(b.batches, int(count))
	seqs, batches := b.seqs, b.batches
	sizes := make([]int, count)
	seq, scans := int64(0), 0
	limit := maxBlockSamples / (channels + 2)
	for i := range batches {
		step := list.uvarint("commit number")
		if step == 0 || step > 1<<62 || seq+int64(step) < 0 {
			list.fail("commit numbers do not rise")
		}
		seq += int64(step)
		seqs[i] = seq
		batches[i] = sample.Batch{Group: group}
		size := list.uvarint("scans")
		if size > uint64(limit-scans) {
			list.fail("too many scans")
		}
		if list.err != nil {
			break
		}
		if size == 0 {
			batches[i].FaultNS = list.varint("fault")
			batches[i].Fault = string(list.bytes(list.uvarint("fault"), "fault"))
			if list.err == nil && batches[i].Fault == "" {
				list.fail("batch without scans or fault")
			}
		}
		sizes[i] = int(size)
		scans += int(size)
	}
	if list.err == nil && len(list.rest) > 0 {
		list.fail("list of batches too long")
	}
	if list.err != nil {
		return b, list.err
	}
	want := uint64(channels)
	if scans == 0 {
		want = 0
	}
	switch {
	case stored != want:
		r.fail(fmt.Sprintf("%d channels where the group has %d", stored, want))
	case layout == layoutColumns && scans*(channels+2) > binary.MaxVarintLen64*1024 && len(r.rest) < channels+2:
		r.fail("too short")
	}
	if scans == 0 || r.err != nil {
		if r.err == nil && len(r.rest) > 0 {
			r.fail("bytes left over")
		}
		return b, r.err
	}

	wanted := func(channel int) bool { return m.unwanted == nil || !m.unwanted[channel] }
	stretch := 2
	for c := range channels {
		if wanted(c) {
			stretch++
		}
	}
	b.columns = room(b.columns, stretch*scans)
	columns := make([][]int64, channels+2)
	for c, at := 0, 0; c < len(columns); c++ {
		if c < 2 || wanted(c-2) {
			columns[c] = b.columns[at : at+scans]
			at += scans
		}
	}
	r.times(columns[0], "stamps")
	r.times(columns[1], "half-widths")
	if layout == layoutColumns {
		for c := range channels {
			flags, raw := r.section(binary.MaxVarintLen64*scans, "counts")
			if wanted(c) {
				r.column(columns[c+2], flags, raw, "counts")
			}
		}
	} else {
		flags, raw := r.section(binary.MaxVarintLen64*scans*channels, "counts")
		for c := range channels {
			if wanted(c) {
				raw = r.values(columns[c+2], flags, raw, "counts")
			} else {
				raw = r.pass(scans, raw, "counts")
			}
		}
		if len(raw) > 0 {
			r.fail("counts: too long")
		}
	}
	if r.err == nil && len(r.rest) > 0 {
		r.fail("bytes left over")
	}
	if r.err != nil {
		return b, r.err
	}
	b.counts = room(b.counts, channels*len(batches))
	from := 0
	for i := range batches {
		if sizes[i] == 0 {
			continue
		}
		to := from + sizes[i]
		x := &batches[i]
		x.T = columns[0][from:to:to]
		x.Half = columns[1][from:to:to]
		x.Counts = b.counts[i*channels : (i+1)*channels : (i+1)*channels]
		for c := range x.Counts {
			x.Counts[c] = nil
			if column := columns[c+2]; column != nil {
				x.Counts[c] = column[from:to:to]
			}
		}
		from = to
	}
	return b, nil
}
