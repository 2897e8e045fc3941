package store

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"
	"sort"
	"strings"
	"time"

	"griptrial/acquire/sample"
)

// Salvaged begins the text of a note, and of the reason of every pick set, that Salvage
// carried over from a damaged file: such a set is not what its raw samples now give.
const Salvaged = "salvaged: "

// LostFault is the fault that stands in a salvaged file where batches are missing.
const LostFault = "lost in a damaged file"

// A Salvage says what was had from a damaged file, and what was lost. A count of −1 is one
// that cannot be told, because the row that held it is lost too.
type Salvage struct {
	HeaderFrom string // "header", or "analyses": its copy
	Kept, Lost map[string]int64
	Batches    int64 // kept
	Missing    int64 // batches whose numbers are missing among those kept
	Scans      int64 // kept
	BadPages   int64 // that look like none of a trial file
}

// A page reader gives the pages of a database as last written, whole or not: those of the
// file, and over them those in a WAL beside it.
type pages struct {
	file, wal *os.File
	size      int64
	count     int64
	inWAL     map[int64]int64 // page → offset in the WAL
}

func openPages(path string) (p *pages, err error) {
	p = &pages{size: 4096, inWAL: map[int64]int64{}}
	if p.file, err = os.Open(path); err != nil {
		return nil, err
	}
	info, err := p.file.Stat()
	if err != nil {
		return nil, err
	}
	// The page size is what griptrial makes, 4096, unless a whole header says otherwise.
	head := make([]byte, 100)
	if _, err := p.file.ReadAt(head, 0); err == nil && string(head[:16]) == "SQLite format 3\x00" {
		if n := int64(binary.BigEndian.Uint16(head[16:])); n >= 512 && n&(n-1) == 0 {
			p.size = n
		}
	}
	p.count = (info.Size() + p.size - 1) / p.size
	if p.wal, err = os.Open(path + "-wal"); err != nil {
		p.wal = nil
		return p, nil
	}
	// The WAL: sqlite.org/fileformat2.html, 4.1: a header of 32 bytes, then frames: 24 bytes
	// and a page. Frames of an earlier round have other salts.
	wal := make([]byte, 32)
	if _, err := p.wal.ReadAt(wal, 0); err != nil {
		return p, nil
	}
	frame := make([]byte, 24)
	for at := int64(32); ; at += 24 + p.size {
		if _, err := p.wal.ReadAt(frame, at); err != nil {
			return p, nil
		}
		if n := int64(binary.BigEndian.Uint32(frame)); n > 0 && n < 1<<31 && slices.Equal(frame[8:16], wal[16:24]) {
			p.inWAL[n] = at + 24
			p.count = max(p.count, n)
		}
	}
}

func (p *pages) close() {
	p.file.Close()
	if p.wal != nil {
		p.wal.Close()
	}
}

// read returns page n, from 1, zero where the file ends.
func (p *pages) read(n int64) []byte {
	b := make([]byte, p.size)
	if at, ok := p.inWAL[n]; ok {
		if _, err := p.wal.ReadAt(b, at); err == nil {
			return b
		}
	}
	if n > 0 {
		_, _ = p.file.ReadAt(b, (n-1)*p.size)
	}
	return b
}

// rows hands on every record of n values that lies on any page, whoever points to it: tables
// and indexes WITHOUT ROWID, pages set free too. keyed records have a row number.
// Layout of pages and cells: sqlite.org/fileformat2.html, 1.6.
func (p *pages) rows(yield func(values []any)) (bad int64) {
	for n := int64(1); n <= p.count; n++ {
		b := p.read(n)
		head := 0
		if n == 1 {
			head = 100
		}
		kind := b[head]
		size := 8
		switch kind {
		case 0x0d, 0x0a: // leaves
		case 0x02: // inside an index: has rows of its own
			size = 12
		case 0x05: // inside a table: has none
			continue
		default: // free, an overflow page, or spoiled
			if kind != 0 {
				bad++
			}
			continue
		}
		cells := int(binary.BigEndian.Uint16(b[head+3:]))
		for i := range cells {
			at := head + size + 2*i
			if at+2 > len(b) {
				break
			}
			if cell := int(binary.BigEndian.Uint16(b[at:])); cell >= head+size && cell < len(b) {
				if values := p.cell(b[cell:], kind); values != nil {
					yield(values)
				}
			}
		}
	}
	return bad
}

// varint reads SQLite's: big-endian, 7 bits a byte, 8 in the ninth.
func varint(b []byte) (v int64, n int) {
	for n < len(b) && n < 9 {
		c := b[n]
		n++
		if n == 9 {
			return v<<8 | int64(c), n
		}
		v = v<<7 | int64(c&0x7f)
		if c < 0x80 {
			return v, n
		}
	}
	return 0, 0
}

const maxSalvagedRow = 64 << 20

// cell returns the values of a cell, nil where it makes no sense.
func (p *pages) cell(b []byte, kind byte) []any {
	if kind == 0x02 {
		if len(b) < 4 {
			return nil
		}
		b = b[4:]
	}
	length, n := varint(b)
	if n == 0 || length < 1 || length > maxSalvagedRow {
		return nil
	}
	b = b[n:]
	key := int64(0)
	if kind == 0x0d {
		if key, n = varint(b); n == 0 {
			return nil
		}
		b = b[n:]
	}
	usable := p.size
	most := usable - 35
	if kind != 0x0d {
		most = (usable-12)*64/255 - 23
	}
	local := length
	if length > most {
		least := (usable-12)*32/255 - 23
		local = least + (length-least)%(usable-4)
		if local > most {
			local = least
		}
	}
	if int64(len(b)) < local {
		return nil
	}
	payload := append(make([]byte, 0, length), b[:local]...)
	if local < length {
		if int64(len(b)) < local+4 {
			return nil
		}
		next := int64(binary.BigEndian.Uint32(b[local:]))
		for int64(len(payload)) < length {
			if next < 1 || next > p.count {
				return nil
			}
			page := p.read(next)
			next = int64(binary.BigEndian.Uint32(page))
			payload = append(payload, page[4:4+min(usable-4, length-int64(len(payload)))]...)
		}
	}
	values := record(payload)
	if kind == 0x0d && len(values) > 0 && values[0] == nil {
		values[0] = key // an INTEGER PRIMARY KEY is stored as NULL
	}
	return values
}

// record returns the values of a record: sqlite.org/fileformat2.html, 2.1.
func record(b []byte) []any {
	size, n := varint(b)
	if n == 0 || size < int64(n) || size > int64(len(b)) {
		return nil
	}
	types, body := b[n:size], b[size:]
	var values []any
	for len(types) > 0 {
		kind, n := varint(types)
		if n == 0 || kind < 0 || kind == 10 || kind == 11 {
			return nil
		}
		types = types[n:]
		length := int64(0)
		switch {
		case kind >= 12:
			length = (kind - 12) / 2
		case kind == 5:
			length = 6
		case kind == 6 || kind == 7:
			length = 8
		case kind <= 4:
			length = kind
		}
		if length > int64(len(body)) {
			return nil
		}
		part := body[:length]
		body = body[length:]
		switch {
		case kind == 0:
			values = append(values, nil)
		case kind == 7:
			values = append(values, math.Float64frombits(binary.BigEndian.Uint64(part)))
		case kind == 8 || kind == 9:
			values = append(values, kind-8)
		case kind < 7:
			v := int64(0)
			if part[0] >= 0x80 {
				v = -1
			}
			for _, c := range part {
				v = v<<8 | int64(c)
			}
			values = append(values, v)
		case kind%2 == 0:
			values = append(values, part)
		default:
			values = append(values, string(part))
		}
	}
	if len(body) > 0 {
		return nil
	}
	return values
}

// Recover makes a new trial file of what can be had from a damaged one, whatever SQLite
// says to it: every row whose checksum is right, wherever it lies. It changes nothing in the
// damaged file. Batches are numbered anew, in their order; where some are lost the group
// gets a fault, so that analysis sees a gap. Picks are those found when it was recorded.
// The error is ErrNotTrial where there is no header to be had. All rows are in memory: about
// as many bytes as the file has.
func Recover(damaged, into string) (s Salvage, err error) {
	if info, err := os.Stat(damaged); err != nil {
		return s, err
	} else if !info.Mode().IsRegular() {
		return s, fmt.Errorf("%s: %w: no file", damaged, ErrNotTrial)
	}
	p, err := openPages(damaged)
	if err != nil {
		return s, err
	}
	defer p.close()

	found := map[*table][]*row{}
	seen := map[string]bool{}
	tallies := map[string]count{}
	all := tallied(formatVersion)
	s.BadPages = p.rows(func(values []any) {
		for _, tb := range append(all, tallyTable) {
			width := len(tb.columns)
			if len(values) != width+1 {
				continue
			}
			sum, err := tb.checksum(values[:width])
			if err != nil || values[width] != any(sum) {
				continue
			}
			if tb == tallyTable {
				name, _ := values[0].(string)
				n, _ := values[1].(int64)
				total, _ := values[2].(int64)
				if tallies[name].rows <= n { // an old one may lie about; rows only grow, but for blocks
					tallies[name] = count{n, total}
				}
				continue
			}
			id := fmt.Sprint(tb.name, values[0], sum)
			if !seen[id] {
				seen[id] = true
				found[tb] = append(found[tb], &row{table: tb, values: slices.Clone(values[:width]), crc: sum})
			}
			return
		}
	})

	h, from, err := headerOf(found)
	if err != nil {
		return s, fmt.Errorf("%s: %w", damaged, err)
	}
	s.HeaderFrom = from
	out, err := Create(into, h)
	if err != nil {
		return s, err
	}
	err = s.fill(out, found, damaged)
	if e := out.Close(); err == nil {
		err = e
	}
	if err != nil {
		return s, err
	}
	s.Lost = map[string]int64{}
	for _, tb := range all {
		switch tb {
		case blockTable: // merging takes rows away; batches tell what is missing
			continue
		case headerTable, outboxTable, deliveryTable, parkedTable, analysisTable, finishedTable:
			continue // made anew
		}
		if c, ok := tallies[tb.name]; ok {
			s.Lost[tb.name] = max(0, c.rows-s.Kept[tb.name])
		} else {
			s.Lost[tb.name] = -1
		}
	}
	return s, nil
}

// headerOf returns the header, or puts it together from its copy.
func headerOf(found map[*table][]*row) (h Header, from string, err error) {
	for _, r := range found[headerTable] {
		r.at = 1
		h = Header{Program: r.text(), AnchorUTC: time.Unix(0, r.int()).UTC()}
		h.RigText = r.bytes()
		r.text()
		h.TrialText = r.bytes()
		r.text()
		groups, stations := r.text(), r.text()
		if h.Groups, err = parseGroups(groups); err == nil && r.err == nil && json.Unmarshal([]byte(stations), &h.Stations) == nil {
			return h, "header", nil
		}
	}
	for _, r := range found[analysisTable] {
		if n := r.int(); n != 1 {
			continue
		}
		h = Header{Program: "unknown", AnchorUTC: time.Unix(0, r.int()).UTC(), RigText: r.bytes(), TrialText: r.bytes()}
		groups, stations := r.text(), r.text()
		if h.Groups, err = parseGroups(groups); err == nil && r.err == nil && json.Unmarshal([]byte(stations), &h.Stations) == nil {
			return h, "analyses", nil
		}
	}
	return h, "", fmt.Errorf("%w: neither its header nor the copy of it can be had", ErrNotTrial)
}

func (s *Salvage) fill(out *Trial, found map[*table][]*row, damaged string) error {
	s.Kept = map[string]int64{}
	if err := s.batches(out, found[blockTable]); err != nil {
		return err
	}
	byKey := func(tb *table) []*row {
		rows := found[tb]
		if strings.Contains(tb.columns[0], "INTEGER PRIMARY KEY") {
			sort.SliceStable(rows, func(i, j int) bool {
				a, _ := rows[i].values[0].(int64)
				b, _ := rows[j].values[0].(int64)
				return a < b
			})
		}
		return rows
	}
	out.mu.Lock()
	defer out.mu.Unlock()
	err := out.write(func(w *writing) error {
		keep := func(tb *table, values []any) error {
			s.Kept[tb.name]++
			return w.insert(tb, values...)
		}
		// Set 1 is there already; its reason would say "live".
		if _, err := out.writer.ExecContext(context.Background(), "DELETE FROM pick_sets"); err != nil {
			return err
		}
		w.counts[setTable.name] = count{}
		sets := map[int64][]any{}
		for _, r := range byKey(setTable) {
			n, _ := r.values[0].(int64)
			sets[n] = r.values
		}
		last := int64(1)
		for n := range sets {
			last = max(last, n)
		}
		for _, tb := range []*table{pickTable, eventTable} {
			for _, r := range found[tb] {
				n, _ := r.values[1].(int64)
				last = max(last, n)
			}
		}
		for n := int64(1); n <= last && n < 1<<20; n++ {
			v := sets[n]
			if v == nil {
				v = []any{n, time.Now().UnixNano(), "unknown", "its own row is lost"}
			} else {
				s.Kept[setTable.name]++
			}
			why, _ := v[3].(string)
			if !strings.HasPrefix(why, Salvaged) {
				why = Salvaged + why
			}
			if err := w.insert(setTable, v[0], v[1], v[2], why); err != nil {
				return err
			}
		}
		// Ids count on without gaps in a whole file; they are given anew.
		ids := map[int64]int64{}
		for _, r := range byKey(pickTable) {
			old, _ := r.values[0].(int64)
			ids[old] = int64(len(ids)) + 1
			if err := keep(pickTable, append([]any{ids[old]}, r.values[1:]...)); err != nil {
				return err
			}
		}
		for _, tb := range []*table{figureTable, pickFigureTable} {
			for _, r := range byKey(tb) {
				old, _ := r.values[0].(int64)
				if id, ok := ids[old]; ok {
					if err := keep(tb, append([]any{id}, r.values[1:]...)); err != nil {
						return err
					}
				}
			}
		}
		for i, r := range byKey(eventTable) {
			if err := keep(eventTable, append([]any{int64(i) + 1}, r.values[1:]...)); err != nil {
				return err
			}
		}
		// A run that is lost leaves a hole that later numbers would fall into.
		n := int64(0)
		for _, r := range byKey(runTable) {
			run, _ := r.values[0].(int64)
			for n++; n < run; n++ {
				if err := w.insert(runTable, n, int64(0), "", int64(0)); err != nil {
					return err
				}
			}
			if err := keep(runTable, r.values); err != nil {
				return err
			}
		}
		for _, r := range found[setupTable] {
			if run, _ := r.values[0].(int64); run >= 1 && run <= n {
				if err := keep(setupTable, r.values); err != nil {
					return err
				}
			}
		}
		for _, r := range found[pieceTable] {
			if err := keep(pieceTable, r.values); err != nil {
				return err
			}
		}
		notes := map[int64]int64{}
		for i, r := range byKey(noteTable) {
			old, _ := r.values[0].(int64)
			notes[old] = int64(i) + 1
			if err := keep(noteTable, append([]any{notes[old]}, r.values[1:]...)); err != nil {
				return err
			}
		}
		for _, r := range found[noteRunTable] {
			old, _ := r.values[0].(int64)
			id, ok := notes[old]
			if run, _ := r.values[1].(int64); ok && run >= 1 && run <= n {
				if err := keep(noteRunTable, []any{id, run}); err != nil {
					return err
				}
			}
		}
		for _, tb := range []*table{spoiledTable, benchTable, clockTable, latenessTable} {
			for i, r := range byKey(tb) {
				if err := keep(tb, append([]any{int64(i) + 1}, r.values[1:]...)); err != nil {
					return err
				}
			}
		}
		return w.insert(noteTable, w.counts[noteTable.name].rows+1, int64(0),
			fmt.Sprintf("%sfrom %s: %d batches kept, at least %d lost", Salvaged, damaged, s.Batches, s.Missing))
	})
	return clear(out.path, "salvage", err)
}

// batches stores what batches the rows hold, each number once. Rows of merged blocks come
// before the short ones that they took the place of, which may lie about still.
func (s *Salvage) batches(out *Trial, rows []*row) error {
	groups := out.header.Groups
	blocks := newDecoder(groups)
	type place struct {
		seq   int64
		row   int
		batch int
	}
	var places []place
	have := map[int64]bool{}
	sort.SliceStable(rows, func(i, j int) bool {
		a, _ := rows[i].values[3].(int64)
		b, _ := rows[j].values[3].(int64)
		return a > b
	})
	for i, r := range rows {
		b, err := blocks.block(r)
		if err != nil {
			continue // of another trial that lay on these pages
		}
		s.Kept[blockTable.name]++
		for k, seq := range b.seqs {
			if !have[seq] {
				have[seq] = true
				places = append(places, place{seq, i, k})
			}
		}
	}
	slices.SortFunc(places, func(a, b place) int { return int(min(1, max(-1, a.seq-b.seq))) })
	// Blocks are decoded again as they are needed: a few at a time are in memory.
	open := map[int]*openBlock{}
	left := map[int]int{}
	for _, x := range places {
		left[x.row]++
	}
	lastNS := make([]int64, len(groups))
	lastSeq := make([]int64, len(groups)) // of the group's last batch
	for g := range groups {
		lastNS[g] = math.MinInt64
	}
	var pending []sample.Batch
	before := int64(0)
	lostUpto := int64(0) // latest missing number so far
	flush := func(force bool) error {
		if len(pending) == 0 || !force && len(pending) < 512 {
			return nil
		}
		err := out.Append(pending)
		pending = nil
		return err
	}
	for _, x := range places {
		b := open[x.row]
		if b == nil {
			rows[x.row].at, rows[x.row].err = 0, nil
			var err error
			if b, err = blocks.block(rows[x.row]); err != nil {
				return err
			}
			open[x.row] = b
		}
		batch := b.batches[x.batch]
		if left[x.row]--; left[x.row] == 0 {
			delete(open, x.row)
		}
		if x.seq > before+1 {
			s.Missing += x.seq - before - 1
			lostUpto = x.seq - 1
		}
		before = x.seq
		g := batch.Group
		if len(batch.T) > 0 {
			if batch.T[0] <= lastNS[g] {
				continue // cannot be: two trials on one disk page; never twice the same time
			}
			if lostUpto > lastSeq[g] && lastNS[g] != math.MinInt64 && skipped(groups[g], batch.T[0]-lastNS[g]) {
				pending = append(pending, sample.Batch{Group: g, Fault: LostFault, FaultNS: lastNS[g] + 1})
			}
			lastNS[g] = batch.T[len(batch.T)-1]
		}
		lastSeq[g] = x.seq
		s.Batches++
		s.Scans += int64(len(batch.T))
		pending = append(pending, batch)
		if err := flush(false); err != nil {
			return err
		}
	}
	return flush(true)
}

// skipped reports whether a scan is missing in ns nanoseconds of a group.
func skipped(g sample.Group, ns int64) bool {
	for _, c := range g.Channels {
		if c.IntervalS > 0 {
			return float64(ns) > 1.5e9*c.IntervalS
		}
	}
	return true
}
