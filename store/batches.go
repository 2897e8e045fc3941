package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"slices"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
)

// mergeNS is the span of a merged block. Of 8 channels at 100 Hz, blocks of 10 s cost 6 %
// more and blocks of 1 s 25 % more.
const mergeNS = 60e9

// An Entry is what one transaction adds to a trial file.
type Entry struct {
	Batches []sample.Batch
	Set     int // of Picks and Events
	Picks   []pick.Pick
	Events  []pick.Event
	Runs    []Run
	Pieces  []Piece
	Notes   []Note

	Clock    []Anchor
	Lateness []Lateness
	Bench    []BenchCheck
}

// A shortBlock is a row of blocks that is not merged yet.
type shortBlock struct {
	seq, lastSeq    int64
	batches, scans  int64
	firstNS, lastNS int64 // of its scans; without meaning where there are none

}

// Append stores batches in their order. When it returns nil they are durable.
func (t *Trial) Append(batches []sample.Batch) error { return t.Commit(Entry{Batches: batches}) }

// AppendPicks stores picks and events in their order as part of a set that exists: 1 is
// that of the live trial, NewSet makes more. When it returns nil they are durable.
func (t *Trial) AppendPicks(set int, picks []pick.Pick, events []pick.Event) error {
	return t.Commit(Entry{Set: set, Picks: picks, Events: events})
}

// Commit stores all of e in one transaction, or nothing. When it returns nil it is
// durable. Each batch gets the next commit number. An error is ErrFull where space ran
// out; the commit can then be tried again.
func (t *Trial) Commit(e Entry) error {
	for i := range e.Batches {
		if err := t.validate(&e.Batches[i]); err != nil {
			return fmt.Errorf("%s: batch %d of %d: %w", t.path, i+1, len(e.Batches), err)
		}
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	err := t.write(func(w *writing) error {
		if err := w.batches(e.Batches); err != nil {
			return err
		}
		return w.entries(e)
	})
	if err != nil {
		return clear(t.path, "commit", err)
	}
	// The commit is durable whatever becomes of merging, which the next one tries again;
	// Close and Merge tell why it failed.
	for group, blocks := range t.pending {
		if ripe(blocks) {
			_ = t.merge(group)
		}
	}
	return nil
}

func (t *Trial) validate(b *sample.Batch) error {
	if b.Group < 0 || b.Group >= len(t.header.Groups) {
		return fmt.Errorf("group %d; the trial has %d", b.Group, len(t.header.Groups))
	}
	channels := len(t.header.Groups[b.Group].Channels)
	if b.Fault != "" {
		scans := len(b.T) + len(b.Half)
		for _, c := range b.Counts { // columns without counts are none, and come back as none
			scans += len(c)
		}
		if scans > 0 {
			return errors.New("a fault has no scans")
		}
		if len(b.Fault) > maxFaultBytes {
			return fmt.Errorf("fault of %d bytes; at most %d", len(b.Fault), maxFaultBytes)
		}
		return nil
	}
	switch {
	case len(b.T) == 0:
		return errors.New("neither scans nor a fault")
	case b.FaultNS != 0:
		return errors.New("time of a fault without a fault")
	case len(b.Half) != len(b.T):
		return fmt.Errorf("%d half-widths for %d stamps", len(b.Half), len(b.T))
	case len(b.Counts) != channels:
		return fmt.Errorf("%d channels; group %d has %d", len(b.Counts), b.Group, channels)
	case len(b.T) > maxBlockSamples/(channels+2):
		return fmt.Errorf("%d scans; at most %d of this group fit one batch", len(b.T), maxBlockSamples/(channels+2))
	}
	for c := range b.Counts {
		if len(b.Counts[c]) != len(b.T) {
			return fmt.Errorf("channel %d has %d counts for %d stamps", c, len(b.Counts[c]), len(b.T))
		}
	}
	for i := 1; i < len(b.T); i++ {
		if b.T[i] <= b.T[i-1] {
			return fmt.Errorf("stamp %d ns does not come after %d ns", b.T[i], b.T[i-1])
		}
	}
	return nil
}

// batches inserts a block for each group among batches, or several where they pass the
// limits of one.
func (w *writing) batches(batches []sample.Batch) error {
	seqs := map[int][]int64{}
	parts := map[int][]sample.Batch{}
	scans := map[int]int{}
	var order []int // of the groups, so that the same batches give the same file
	flush := func(group int) error {
		if len(parts[group]) == 0 {
			return nil
		}
		if _, err := w.block(group, seqs[group], parts[group], false); err != nil {
			return err
		}
		seqs[group], parts[group], scans[group] = nil, nil, 0
		return nil
	}
	seq := w.t.nextSeq
	for _, b := range batches {
		g := b.Group
		if !slices.Contains(order, g) {
			order = append(order, g)
		}
		channels := len(w.t.header.Groups[g].Channels)
		if len(parts[g]) == maxBlockBatches || (scans[g]+len(b.T))*(channels+2) > maxBlockSamples {
			if err := flush(g); err != nil {
				return err
			}
		}
		seqs[g] = append(seqs[g], seq)
		parts[g] = append(parts[g], b)
		scans[g] += len(b.T)
		seq++
	}
	for _, g := range order {
		if err := flush(g); err != nil {
			return err
		}
	}
	w.after = append(w.after, func() { w.t.nextSeq = seq })
	return nil
}

// block inserts one row of blocks. One that is as long as a merged one counts as merged,
// unless shorter ones wait before it.
func (w *writing) block(group int, seqs []int64, batches []sample.Batch, merged bool) (shortBlock, error) {
	s := shortBlock{seq: seqs[0], lastSeq: seqs[len(seqs)-1], batches: int64(len(batches))}
	for _, b := range batches {
		if len(b.T) == 0 {
			continue
		}
		if s.scans == 0 {
			s.firstNS = b.T[0]
		}
		s.scans += int64(len(b.T))
		s.lastNS = b.T[len(b.T)-1]
	}
	var first, last any
	if s.scans > 0 {
		first, last = s.firstNS, s.lastNS
	}
	data := encodeBlock(seqs, batches)
	if err := w.insert(blockTable, s.seq, s.lastSeq, group, merged, s.batches, s.scans, first, last, data); err != nil {
		return s, err
	}
	if !merged {
		w.after = append(w.after, func() { w.t.pending[group] = append(w.t.pending[group], s) })
	}
	return s, nil
}

// ripe reports whether the short blocks of a group make a full one.
func ripe(blocks []shortBlock) bool {
	span, samples, batches := int64(0), int64(0), int64(0)
	first := int64(0)
	seen := false
	for _, b := range blocks {
		batches += b.batches
		samples += b.scans
		if b.scans > 0 {
			if !seen {
				first, seen = b.firstNS, true
			}
			span = b.lastNS - first
		}
	}
	return span >= mergeNS || batches >= maxBlockBatches || samples >= maxBlockSamples/16
}

// Merge puts the short blocks of every group together. Batches gives the same before and
// after. Append and Close call it when there is need.
func (t *Trial) Merge() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.writable(); err != nil {
		return clear(t.path, "merge blocks", err)
	}
	for group := range t.pending {
		if err := t.merge(group); err != nil {
			return clear(t.path, "merge blocks", err)
		}
	}
	return nil
}

// merge replaces the pending blocks of a group by merged ones, in one transaction.
func (t *Trial) merge(group int) error {
	pending := t.pending[group]
	if len(pending) == 0 {
		return nil
	}
	first, last := pending[0].seq, pending[len(pending)-1].seq
	channels := len(t.header.Groups[group].Channels)
	return t.write(func(w *writing) error {
		var seqs []int64
		var batches []sample.Batch
		type part struct{ from, to int }
		parts := []part{{}}
		scans, found := 0, 0
		d := newDecoder(t.header.Groups)
		for r, err := range blockTable.rows(t.writer, "WHERE grp = ? AND seq BETWEEN ? AND ? ORDER BY seq", group, first, last) {
			if err != nil {
				return err
			}
			b, err := d.block(r)
			if err != nil {
				return err
			}
			w.counts[blockTable.name] = w.counts[blockTable.name].remove(r.crc)
			found++
			for i := range b.batches {
				p := &parts[len(parts)-1]
				n := len(b.batches[i].T)
				if p.to-p.from == maxBlockBatches || p.to > p.from && (scans+n)*(channels+2) > maxBlockSamples {
					parts = append(parts, part{p.to, p.to})
					p = &parts[len(parts)-1]
					scans = 0
				}
				p.to++
				scans += n
			}
			seqs = append(seqs, b.seqs...)
			batches = append(batches, b.batches...)
		}
		if found != len(pending) {
			return fmt.Errorf("%w: %d of %d short blocks of group %d found", ErrDamaged, found, len(pending), group)
		}
		if _, err := t.writer.ExecContext(context.Background(),
			"DELETE FROM blocks WHERE grp = ? AND seq BETWEEN ? AND ?", group, first, last); err != nil {
			return err
		}
		for _, p := range parts {
			if _, err := w.block(group, seqs[p.from:p.to], batches[p.from:p.to], true); err != nil {
				return err
			}
		}
		w.after = append(w.after, func() { delete(t.pending, group) })
		return nil
	})
}

// loadBlocks finds the next commit number and the blocks that wait for merging.
func (t *Trial) loadBlocks() error {
	found, err := t.writer.QueryContext(context.Background(),
		"SELECT seq, last_seq, grp, merged, batches, scans, coalesce(first_ns, 0), coalesce(last_ns, 0) FROM blocks ORDER BY seq")
	if err != nil {
		return err
	}
	defer found.Close()
	t.nextSeq = 1
	rows := int64(0)
	for found.Next() {
		var s shortBlock
		var group int
		var merged bool
		if err := found.Scan(&s.seq, &s.lastSeq, &group, &merged, &s.batches, &s.scans, &s.firstNS, &s.lastNS); err != nil {
			return fmt.Errorf("%w: %w", ErrDamaged, err)
		}
		rows++
		t.nextSeq = max(t.nextSeq, s.lastSeq+1)
		if merged {
			delete(t.pending, group)
		} else {
			t.pending[group] = append(t.pending[group], s)
		}
	}
	if err := found.Err(); err != nil {
		return err
	}
	if want := t.counts[blockTable.name].rows; rows != want {
		return fmt.Errorf("%w: %d of %d blocks are there", ErrDamaged, rows, want)
	}
	return nil
}

// An openBlock is a decoded block, of which the batches before at are handed on.
type openBlock struct {
	seqs    []int64
	batches []sample.Batch
	columns []int64   // that the batches are parts of
	counts  [][]int64 // their Counts, one behind the other
	at      int
}

// A decoder decodes blocks, one after the other.
type decoder struct {
	groups []sample.Group
	memory []blockMemory // by group
	again  bool          // nobody looks at a batch once the next is asked for
}

func newDecoder(groups []sample.Group) *decoder {
	return &decoder{groups: groups, memory: make([]blockMemory, len(groups))}
}

// done takes back a block of which all batches are handed on.
func (d *decoder) done(b *openBlock) {
	if d.again {
		m := &d.memory[b.batches[0].Group]
		m.free = append(m.free, *b)
	}
}

// block decodes a row of blocks and compares it with its columns.
func (d *decoder) block(r *row) (*openBlock, error) {
	seq, last, group := r.int(), r.int(), r.int()
	r.int()
	batches, scans := r.int(), r.int()
	for range 2 {
		if !r.null() {
			r.int()
		}
	}
	data := r.bytes()
	if r.err != nil {
		return nil, r.err
	}
	if group < 0 || group >= int64(len(d.groups)) {
		return nil, fmt.Errorf("%w: block %d: group %d; the trial has %d", ErrDamaged, seq, group, len(d.groups))
	}
	b, err := decodeBlock(data, int(group), len(d.groups[group].Channels), &d.memory[group])
	if err != nil {
		return nil, fmt.Errorf("%w: block %d: %w", ErrDamaged, seq, err)
	}
	n := int64(0)
	for i := range b.batches {
		n += int64(len(b.batches[i].T))
	}
	if int64(len(b.seqs)) != batches || n != scans || batches < 1 || b.seqs[0] != seq || b.seqs[len(b.seqs)-1] != last {
		return nil, fmt.Errorf("%w: block %d: its batches are not those of its row", ErrDamaged, seq)
	}
	return &b, nil
}

// Batches yields every batch in the order in which they were committed, as they were
// given to Append. The first error ends it: ErrDamaged where a batch is missing or
// cannot be read. What is committed after it began is not seen. At most one block of each
// group is in memory at a time.
func (t *Trial) Batches() iter.Seq2[sample.Batch, error] { return t.BatchesAfter(0) }

// BatchesAfter is Batches without the first n batches.
func (t *Trial) BatchesAfter(n int64) iter.Seq2[sample.Batch, error] {
	return t.batches(n, func() *decoder { return newDecoder(t.header.Groups) })
}

// Pass is Batches for who looks at each batch once, which takes less time and memory: a batch
// is valid until the next one is asked for, and has nil in place of the counts of channels
// that are not wanted. want nil means every channel.
func (t *Trial) Pass(want func(*sample.Channel) bool) iter.Seq2[sample.Batch, error] {
	return t.batches(0, func() *decoder {
		d := newDecoder(t.header.Groups)
		d.again = true
		for g, group := range d.groups {
			for c := range group.Channels {
				d.memory[g].unwanted = append(d.memory[g].unwanted, want != nil && !want(&group.Channels[c]))
			}
		}
		return d
	})
}

// batches yields all batches but the first n.
func (t *Trial) batches(n int64, decoder func() *decoder) iter.Seq2[sample.Batch, error] {
	return func(yield func(sample.Batch, error) bool) {
		t.mu.Lock()
		closed := t.closed
		t.mu.Unlock()
		if closed {
			yield(sample.Batch{}, clear(t.path, "read", fs.ErrClosed))
			return
		}
		if err := t.eachBatch(t.readers, n, decoder(), func(b sample.Batch) bool { return yield(b, nil) }); err != nil {
			yield(sample.Batch{}, clear(t.path, "read", err))
		}
	}
}

// eachBatch hands batches on, those after the first passed ones, until f returns false.
// Commit numbers have no gaps, so the next batch is in a block begun, or is the first of
// the next block.
func (t *Trial) eachBatch(q querier, passed int64, d *decoder, f func(sample.Batch) bool) error {
	begun := map[int64]*openBlock{} // by the number of its next batch
	next := passed + 1
	drain := func() bool {
		for {
			b := begun[next]
			if b == nil {
				return true
			}
			delete(begun, next)
			if !f(b.batches[b.at]) {
				return false
			}
			next++
			if b.at++; b.at < len(b.seqs) {
				begun[b.seqs[b.at]] = b
			} else {
				d.done(b)
			}
		}
	}
	for r, err := range blockTable.rows(q, "WHERE last_seq > ? ORDER BY seq", passed) {
		if err != nil {
			return err
		}
		b, err := d.block(r)
		if err != nil {
			return err
		}
		// A block that began before holds later batches, too.
		for b.seqs[b.at] <= passed {
			b.at++
		}
		if b.at == 0 && b.seqs[0] > next {
			// All blocks that hold earlier batches are begun.
			if !drain() {
				return nil
			}
			if b.seqs[0] != next {
				return fmt.Errorf("%w: batch %d is missing", ErrDamaged, next)
			}
		}
		if b.at == 0 && b.seqs[0] < next {
			return fmt.Errorf("%w: batch %d is there twice", ErrDamaged, b.seqs[0])
		}
		begun[b.seqs[b.at]] = b
	}
	if !drain() {
		return nil
	}
	if len(begun) > 0 {
		return fmt.Errorf("%w: batch %d is missing", ErrDamaged, next)
	}
	return nil
}
