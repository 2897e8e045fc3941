package store

import (
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"time"

	"github.com/klauspost/compress/zstd"

	"griptrial/analyze/pick"
)

// maxSegmentBytes bounds the text of one outbox segment, so that a reader knows how much
// memory one needs.
const maxSegmentBytes = 8 << 20

// A Cursor says how much of a trial lies in its outbox: numbers of the last rows of set 1.
type Cursor struct{ Picks, Events, Runs, Batches int64 }

// A Segment is a piece of the outbox: lines for a time-series server, made once and never
// changed, so that sending them again sends the same bytes.
type Segment struct {
	N       int64
	Lines   int
	FirstMS int64 // earliest and latest time of its lines, Unix ms
	LastMS  int64
	Upto    Cursor // what of the trial is in this segment and those before it
	Text    []byte // lines, each with its "\n"
}

// AddSegment stores the next segment, durably, and returns its number.
func (t *Trial) AddSegment(s Segment) (int64, error) {
	if len(s.Text) > maxSegmentBytes {
		return 0, fmt.Errorf("%s: outbox segment of %d bytes; at most %d", t.path, len(s.Text), maxSegmentBytes)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	n := t.counts[outboxTable.name].rows + 1
	err := t.write(func(w *writing) error {
		return w.insert(outboxTable, n, s.Lines, s.FirstMS, s.LastMS, s.Upto.Picks, s.Upto.Events, s.Upto.Runs, s.Upto.Batches,
			packer().EncodeAll(s.Text, nil))
	})
	if err != nil {
		return 0, clear(t.path, "fill the outbox", err)
	}
	return n, nil
}

// Segment returns segment n; fs.ErrNotExist where there is none.
func (t *Trial) Segment(n int64) (Segment, error) {
	if t.format >= 2 {
		for r, err := range outboxTable.rows(t.readers, "WHERE n = ?", n) {
			if err != nil {
				return Segment{}, clear(t.path, "read the outbox", err)
			}
			s := Segment{N: r.int(), Lines: int(r.int()), FirstMS: r.int(), LastMS: r.int(),
				Upto: Cursor{Picks: r.int(), Events: r.int(), Runs: r.int(), Batches: r.int()}}
			data := r.bytes()
			if r.err != nil {
				return Segment{}, clear(t.path, "read the outbox", r.err)
			}
			var frame zstd.Header
			if len(data) > 0 {
				if err = frame.Decode(data); err == nil && frame.FrameContentSize > maxSegmentBytes {
					err = errors.New("too long")
				}
				if err == nil {
					s.Text, err = unpacker().DecodeAll(data, make([]byte, 0, frame.FrameContentSize))
				}
			}
			if err != nil {
				return Segment{}, clear(t.path, "read the outbox", fmt.Errorf("%w: segment %d cannot be unpacked", ErrDamaged, n))
			}
			return s, nil
		}
	}
	return Segment{}, fmt.Errorf("%s: outbox segment %d: %w", t.path, n, fs.ErrNotExist)
}

// A Parked line is one that a server refused for good, with its reason.
type Parked struct {
	Target  string
	Segment int64
	Status  int
	Reason  string
	Line    string
}

// Delivered notes, durably, that a server has acknowledged all lines of a segment but the
// parked ones. The segment stays.
func (t *Trial) Delivered(target string, segment int64, parked []Parked) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	err := t.write(func(w *writing) error {
		for _, p := range parked {
			if err := w.insert(parkedTable, w.counts[parkedTable.name].rows+1, target, segment, p.Status, p.Reason, p.Line); err != nil {
				return err
			}
		}
		return w.insert(deliveryTable, target, segment, time.Now().UnixNano(), len(parked))
	})
	return clear(t.path, "note what was sent", err)
}

// ParkedLines returns the lines that a target refused, in order.
func (t *Trial) ParkedLines(target string) ([]Parked, error) {
	if t.format < 2 {
		return nil, nil
	}
	return collect(t, parkedTable, func(r *row) Parked {
		r.int()
		return Parked{Target: r.text(), Segment: r.int(), Status: int(r.int()), Reason: r.text(), Line: r.text()}
	}, "WHERE target = ? ORDER BY id", target)
}

// An Outbox says how far a target is behind.
type Outbox struct {
	Upto                      Cursor // what of the trial has been put into the outbox
	Segments, Lines, Bytes    int64  // in all; bytes as stored
	Sent                      int64  // number of the last segment that the target acknowledged
	WaitingLines              int64
	WaitingBytes              int64
	OldestMS                  int64 // time of the oldest waiting line, Unix ms; 0 where none waits
	Picks, Events, Runs, Last int64 // rows that the trial has: picks, events, runs, batches
	Parked                    int64
}

// Outbox returns how far a target is behind. Its cost does not grow with the trial but with
// the number of segments.
func (t *Trial) Outbox(target string) (o Outbox, err error) {
	ask := func(query string, args []any, to ...any) {
		if err == nil {
			err = t.readers.QueryRow(query, args...).Scan(to...)
		}
	}
	ask("SELECT coalesce(max(id), 0) FROM picks", nil, &o.Picks)
	ask("SELECT coalesce(max(id), 0) FROM events", nil, &o.Events)
	ask("SELECT coalesce(max(n), 0) FROM runs", nil, &o.Runs)
	ask("SELECT coalesce(max(last_seq), 0) FROM blocks", nil, &o.Last)
	if t.format >= 2 {
		ask("SELECT coalesce(max(segment), 0) FROM deliveries WHERE target = ?", []any{target}, &o.Sent)
		ask("SELECT count(*) FROM parked WHERE target = ?", []any{target}, &o.Parked)
		ask("SELECT count(*), coalesce(sum(lines), 0), coalesce(sum(length(data)), 0), coalesce(max(picks), 0), coalesce(max(events), 0), coalesce(max(runs), 0), coalesce(max(batches), 0) FROM outbox",
			nil, &o.Segments, &o.Lines, &o.Bytes, &o.Upto.Picks, &o.Upto.Events, &o.Upto.Runs, &o.Upto.Batches)
		ask("SELECT coalesce(sum(lines), 0), coalesce(sum(length(data)), 0), coalesce(min(first_ms), 0) FROM outbox WHERE n > ?",
			[]any{o.Sent}, &o.WaitingLines, &o.WaitingBytes, &o.OldestMS)
	}
	return o, clear(t.path, "read the outbox", err)
}

// LiveRows returns up to n picks and the events and runs of set 1 that came after a cursor,
// in the order of their rows, and the cursor behind them. At most n of each are in memory.
func (t *Trial) LiveRows(after Cursor, n int) (picks []pick.Pick, events []pick.Event, runs []Run, upto Cursor, err error) {
	upto = after
	picks, ids, err := t.picksWhere(nil, "WHERE +pick_set = 1 AND id > ?1 ORDER BY id LIMIT ?2", after.Picks, n)
	if err != nil {
		return nil, nil, nil, after, err
	}
	if len(ids) > 0 {
		upto.Picks = ids[len(ids)-1]
	}
	type numbered struct {
		id int64
		e  pick.Event
	}
	rows, err := collect(t, eventTable, func(r *row) (x numbered) {
		x.id = r.int()
		r.int()
		x.e = pick.Event{TS: r.float(), Kind: pick.EventKind(r.text()), Station: r.text(), Pick: int(r.int())}
		return x
	}, "WHERE pick_set = 1 AND id > ? ORDER BY id LIMIT ?", after.Events, n)
	if err != nil {
		return nil, nil, nil, after, err
	}
	for _, x := range rows {
		events = append(events, x.e)
		upto.Events = x.id
	}
	all, err := t.Runs()
	if err != nil {
		return nil, nil, nil, after, err
	}
	for _, r := range all {
		if int64(r.N) > after.Runs {
			runs = append(runs, r)
			upto.Runs = int64(r.N)
		}
	}
	return picks, events, runs, upto, nil
}

// StationPicks returns the picks from to to, by number, of a station in set 1.
func (t *Trial) StationPicks(station string, from, to int) ([]pick.Pick, error) {
	picks, _, err := t.picksWhere(nil, "WHERE pick_set = 1 AND station = ?1 AND n BETWEEN ?2 AND ?3 ORDER BY id", station, from, to)
	return picks, err
}

// Segments yields the segments after number n in order, one in memory at a time.
func (t *Trial) Segments(n int64) iter.Seq2[Segment, error] {
	return func(yield func(Segment, error) bool) {
		for {
			n++
			s, err := t.Segment(n)
			if errors.Is(err, fs.ErrNotExist) || !yield(s, err) || err != nil {
				return
			}
		}
	}
}
