package store

import (
	"fmt"
	"iter"
	"maps"
	"reflect"
	"slices"
	"time"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// A Run is picks made in one go, one setup a station. What the setups are stands in the
// trial text.
type Run struct {
	N            int               // from 1
	StartNS      int64             // since time zero
	Piece        string            // id of the physical bag, "" where not known
	PlannedPicks int               // on each station
	Setups       map[string]string // station → setup
}

// A Piece is one physical bag. What is not known is "" or NaN.
type Piece struct {
	ID, Bag, Fill, Damage string
	MassG                 float64
}

// A Note is what somebody wrote down during the trial.
type Note struct {
	TNS  int64 // since time zero
	Text string
	Run  int // that it is about; 0 where none
}

// A Set is one analysis of the whole trial. Set 1 is the live one.
type Set struct {
	N          int
	CreatedUTC time.Time
	Program    string // version of the program that analysed
	Why        string
}

// pickColumns are the columns of picks behind id and pick_set, each with the field of a
// pick that it holds.
var pickColumns = []struct {
	sql   string
	field func(*pick.Pick) any
}{
	{"station TEXT NOT NULL", func(p *pick.Pick) any { return &p.Station }},
	{"n INTEGER NOT NULL", func(p *pick.Pick) any { return &p.N }},
	{"grp TEXT NOT NULL", func(p *pick.Pick) any { return &p.Group }},
	{"run INTEGER NOT NULL", func(p *pick.Pick) any { return &p.Run }},
	{"outcome TEXT NOT NULL", func(p *pick.Pick) any { return &p.Outcome }},
	{"ended_at TEXT NOT NULL", func(p *pick.Pick) any { return &p.EndedAt }},
	{"start_s ANY", func(p *pick.Pick) any { return &p.StartS }},
	{"contact_s ANY", func(p *pick.Pick) any { return &p.ContactS }},
	{"sealed_at_s ANY", func(p *pick.Pick) any { return &p.SealedAtS }},
	{"drop_s ANY", func(p *pick.Pick) any { return &p.DropS }},
	{"release_s ANY", func(p *pick.Pick) any { return &p.ReleaseS }},
	{"end_s ANY", func(p *pick.Pick) any { return &p.EndS }},
	{"seal_from TEXT NOT NULL", func(p *pick.Pick) any { return &p.SealFrom }},
	{"re_seals INTEGER NOT NULL", func(p *pick.Pick) any { return &p.ReSeals }},
	{"below_required_s ANY", func(p *pick.Pick) any { return &p.BelowRequiredS }},
	{"touched_by_gap INTEGER NOT NULL", func(p *pick.Pick) any { return &p.TouchedByGap }},
	{"idle_level_kPa ANY", func(p *pick.Pick) any { return &p.IdleLevelKPa }},
	{"required_kPa ANY", func(p *pick.Pick) any { return &p.RequiredKPa }},
}

func columnsOfPicks() []string {
	columns := make([]string, len(pickColumns))
	for i, c := range pickColumns {
		columns[i] = c.sql
	}
	return columns
}

// valueOf returns what a field of a pick holds as the file does.
func valueOf(field any) any {
	switch v := reflect.ValueOf(field).Elem(); v.Kind() {
	case reflect.String:
		return v.String()
	case reflect.Int:
		return v.Int()
	case reflect.Bool:
		return stored(v.Bool())
	default:
		return stored(v.Float())
	}
}

// setFrom fills a field of a pick from the next value of r. words are those that came before.
func setFrom(r *row, field any, words map[string]string) {
	switch v := reflect.ValueOf(field).Elem(); v.Kind() {
	case reflect.String:
		word := r.text()
		if known, ok := words[word]; ok {
			word = known
		} else if len(words) < mostShared {
			words[word] = word
		}
		v.SetString(word)
	case reflect.Int:
		v.SetInt(r.int())
	case reflect.Bool:
		v.SetBool(r.int() != 0)
	default:
		v.SetFloat(r.float())
	}
}

// entries inserts all of e but its batches.
func (w *writing) entries(e Entry) error {
	if sets := w.counts[setTable.name].rows; len(e.Picks)+len(e.Events) > 0 && (e.Set < 1 || int64(e.Set) > sets) {
		return fmt.Errorf("pick set %d does not exist; there are %d", e.Set, sets)
	}
	for i := range e.Picks {
		p := &e.Picks[i]
		id := w.counts[pickTable.name].rows + 1
		values := []any{id, e.Set}
		for _, c := range pickColumns {
			values = append(values, valueOf(c.field(p)))
		}
		if err := w.insert(pickTable, values...); err != nil {
			return fmt.Errorf("pick %d of %s: %w", p.N, p.Station, err)
		}
		figures, err := appendFigures(nil, p)
		if err != nil {
			return fmt.Errorf("pick %d of %s: %w", p.N, p.Station, err)
		}
		if len(figures) == 0 {
			continue // a pick without a row has none
		}
		if err := w.insert(pickFigureTable, id, figures); err != nil {
			return err
		}
	}
	for _, v := range e.Events {
		id := w.counts[eventTable.name].rows + 1
		if err := w.insert(eventTable, id, e.Set, v.TS, string(v.Kind), v.Station, v.Pick); err != nil {
			return err
		}
	}
	for _, r := range e.Runs {
		if want := w.counts[runTable.name].rows + 1; int64(r.N) != want {
			return fmt.Errorf("run %d where %d comes next", r.N, want)
		}
		if err := w.insert(runTable, r.N, r.StartNS, r.Piece, r.PlannedPicks); err != nil {
			return err
		}
		for _, station := range slices.Sorted(maps.Keys(r.Setups)) {
			if err := w.insert(setupTable, r.N, station, r.Setups[station]); err != nil {
				return err
			}
		}
	}
	for _, p := range e.Pieces {
		if err := w.insert(pieceTable, p.ID, p.Bag, p.Fill, p.MassG, p.Damage); err != nil {
			return fmt.Errorf("piece %s: %w", p.ID, err)
		}
	}
	for _, n := range e.Notes {
		id := w.counts[noteTable.name].rows + 1
		if err := w.insert(noteTable, id, n.TNS, n.Text); err != nil {
			return err
		}
		if n.Run == 0 {
			continue
		}
		if have := w.counts[runTable.name].rows; n.Run < 0 || int64(n.Run) > have {
			return fmt.Errorf("note of run %d; there are %d runs", n.Run, have)
		}
		if err := w.insert(noteRunTable, id, n.Run); err != nil {
			return err
		}
	}
	return w.circumstances(e)
}

// NewSet makes the next pick set, for one more analysis by a version of the program, and
// returns its number.
func (t *Trial) NewSet(program, why string) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := int(t.counts[setTable.name].rows) + 1
	err := t.write(func(w *writing) error {
		return w.insert(setTable, n, time.Now().UnixNano(), program, why)
	})
	if err != nil {
		return 0, clear(t.path, "make a pick set", err)
	}
	return n, nil
}

// Sets returns the pick sets in order.
func (t *Trial) Sets() ([]Set, error) {
	return collect(t, setTable, func(r *row) Set {
		return Set{N: int(r.int()), CreatedUTC: time.Unix(0, r.int()).UTC(), Program: r.text(), Why: r.text()}
	}, "ORDER BY n")
}

// Picks returns the picks of a set in the order in which they were stored, to the bit
// (every NaN is one and the same). station "" means every station.
func (t *Trial) Picks(set int, station string) ([]pick.Pick, error) {
	var picks []pick.Pick
	if station == "" {
		n, err := t.PickCount(set)
		if err != nil {
			return nil, err
		}
		picks = make([]pick.Pick, 0, n) // growing to a day's picks would take twice their memory
	}
	picks, _, err := t.picksWhere(picks, "WHERE +pick_set = ?1 AND (?2 = '' OR station = ?2) ORDER BY id", set, station)
	return picks, err
}

// EachPick yields what Picks returns, two thousand picks (3 MB) in memory at a time.
func (t *Trial) EachPick(set int, station string) iter.Seq2[pick.Pick, error] {
	const page = 2048
	// The + keeps SQLite from going by pick_set, which would sort all picks for every page.
	return func(yield func(pick.Pick, error) bool) {
		var picks []pick.Pick
		for after := int64(0); ; {
			var ids []int64
			var err error
			picks, ids, err = t.picksWhere(picks[:0], "WHERE +pick_set = ?1 AND (?2 = '' OR station = ?2) AND id > ?3 ORDER BY id LIMIT ?4",
				set, station, after, page)
			if err != nil {
				yield(pick.Pick{}, err)
				return
			}
			for _, p := range picks {
				if !yield(p, nil) {
					return
				}
			}
			if len(ids) < page {
				return
			}
			after = ids[len(ids)-1]
		}
	}
}

// PickCount returns how many picks a set has.
func (t *Trial) PickCount(set int) (n int, err error) {
	err = t.readers.QueryRow("SELECT count(*) FROM picks WHERE pick_set = ?", set).Scan(&n)
	return n, clear(t.path, "count the picks", err)
}

// picksWhere appends the picks whose rows the clause selects, by id, to picks, which is empty, and
// returns them with their row numbers.
func (t *Trial) picksWhere(picks []pick.Pick, clause string, args ...any) ([]pick.Pick, []int64, error) {
	// One transaction: a pick is in the file with its figures, or not at all.
	tx, err := t.readers.Begin()
	if err != nil {
		return nil, nil, clear(t.path, "read", err)
	}
	defer tx.Rollback()
	var ids []int64
	err = eachHead(tx, func(id int64, p *pick.Pick) {
		picks, ids = append(picks, *p), append(ids, id)
	}, clause, args...)
	if err != nil {
		return nil, nil, clear(t.path, "read", err)
	}
	if len(ids) == 0 {
		return nil, nil, nil
	}
	which := "pick IN (SELECT id FROM picks " + clause + ")"
	if first, last := ids[0], ids[len(ids)-1]; last-first+1 == int64(len(ids)) {
		which, args = "pick BETWEEN ? AND ?", []any{first, last}
	}
	err = t.eachFigure(tx, "", func(id int64, place int, f analyze.Figure) {
		if i, known := slices.BinarySearch(ids, id); known {
			*figureNames[place].figure(&picks[i]) = f
		}
	}, which, args...)
	if err != nil {
		return nil, nil, clear(t.path, "read", err)
	}
	return picks, ids, nil
}

// Events returns the events of a set in the order in which they were stored.
func (t *Trial) Events(set int) ([]pick.Event, error) {
	return collect(t, eventTable, func(r *row) pick.Event {
		r.int()
		r.int()
		return pick.Event{TS: r.float(), Kind: pick.EventKind(r.text()), Station: r.text(), Pick: int(r.int())}
	}, "WHERE pick_set = ? ORDER BY id", set)
}

// Runs returns the runs in order.
func (t *Trial) Runs() ([]Run, error) {
	tx, err := t.readers.Begin()
	if err != nil {
		return nil, clear(t.path, "read", err)
	}
	defer tx.Rollback()
	var runs []Run
	for r, err := range runTable.rows(tx, "ORDER BY n") {
		if err != nil {
			return nil, clear(t.path, "read", err)
		}
		run := Run{N: int(r.int()), StartNS: r.int(), Piece: r.text(), PlannedPicks: int(r.int()), Setups: map[string]string{}}
		if r.err == nil && run.N != len(runs)+1 {
			return nil, clear(t.path, "read", fmt.Errorf("%w: run %d where %d comes next", ErrDamaged, run.N, len(runs)+1))
		}
		runs = append(runs, run)
	}
	for r, err := range setupTable.rows(tx, "") {
		if err != nil {
			return nil, clear(t.path, "read", err)
		}
		n, station, setup := r.int(), r.text(), r.text()
		if n < 1 || n > int64(len(runs)) {
			return nil, clear(t.path, "read", fmt.Errorf("%w: setup of run %d, which does not exist", ErrDamaged, n))
		}
		runs[n-1].Setups[station] = setup
	}
	return runs, nil
}

// Pieces returns the pieces, sorted by id.
func (t *Trial) Pieces() ([]Piece, error) {
	return collect(t, pieceTable, func(r *row) Piece {
		return Piece{ID: r.text(), Bag: r.text(), Fill: r.text(), MassG: r.float(), Damage: r.text()}
	}, "ORDER BY id")
}

// Notes returns the notes in the order in which they were stored.
func (t *Trial) Notes() ([]Note, error) {
	notes, err := collect(t, noteTable, func(r *row) Note {
		r.int()
		return Note{TNS: r.int(), Text: r.text()}
	}, "ORDER BY id")
	if err != nil || t.format < 3 {
		return notes, err
	}
	// Read last: a note that was seen is seen with its run.
	_, err = collect(t, noteRunTable, func(r *row) (none struct{}) {
		if n, run := r.int(), r.int(); n >= 1 && n <= int64(len(notes)) {
			notes[n-1].Run = int(run)
		}
		return none
	}, "")
	return notes, err
}
