package store

import (
	"encoding/json"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// Heads hands on the picks of a set without their figures, in the order in which they were
// stored, with their row numbers: of a long trial a tenth of what Picks reads. The pick is
// f's until it returns.
func (t *Trial) Heads(set int, f func(row int64, p *pick.Pick)) error {
	// The + keeps SQLite from going by an index, after which it would sort all rows.
	return clear(t.path, "read", eachHead(t.readers, f, "WHERE +pick_set = ? ORDER BY id", set))
}

// eachHead hands on the rows of picks that the clause selects.
func eachHead(q querier, f func(int64, *pick.Pick), clause string, args ...any) error {
	var p pick.Pick
	for _, n := range figureNames {
		*n.figure(&p) = analyze.None()
	}
	fields := make([]any, len(pickColumns))
	for i, c := range pickColumns {
		fields[i] = c.field(&p)
	}
	words := map[string]string{} // that picks have in common: they share them
	for r, err := range pickTable.rows(q, clause, args...) {
		if err != nil {
			return err
		}
		id := r.int()
		r.int()
		for _, x := range fields {
			setFrom(r, x, words)
		}
		f(id, &p)
	}
	return nil
}

// PicksAt returns the picks in the rows with the given numbers, in the order of the rows.
func (t *Trial) PicksAt(rows []int64) ([]pick.Pick, error) {
	list, err := json.Marshal(rows)
	if err != nil {
		return nil, err
	}
	picks, _, err := t.picksWhere(nil, "WHERE id IN (SELECT value FROM json_each(?1)) ORDER BY id", string(list))
	return picks, err
}

// FigureValues returns the value of one figure of every pick of a set that has it, by the
// row number of the pick.
func (t *Trial) FigureValues(set int, name string) (map[int64]float64, error) {
	values := map[int64]float64{}
	tx, err := t.readers.Begin()
	if err != nil {
		return nil, clear(t.path, "read", err)
	}
	defer tx.Rollback()
	err = t.eachFigure(tx, name, func(id int64, _ int, f analyze.Figure) {
		if f.OK() {
			values[id] = f.Value
		}
	}, "pick IN (SELECT id FROM picks WHERE pick_set = ?)", set)
	return values, clear(t.path, "read", err)
}
