package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// A Report says what is in a trial file and what is wrong with it.
type Report struct {
	Damage []string // one line a fault; empty where the file is whole

	Blocks, MergedBlocks         int64
	Batches, Faults              int64
	Scans, Samples               int64 // a sample is one count of one channel
	Bytes                        int64 // of blocks as stored
	Sets, Picks, Figures, Events int64
	Runs, Pieces, Notes          int64
	Spoiled                      int64 // marks, also those taken back
	BenchChecks, Jumps, Lateness int64 // rows: results, jumps of the wall clock, minutes of devices
	FirstNS, LastNS              int64 // stamps of the first and the last scan in commit order; 0 without scans
}

// OK reports whether the file is whole.
func (r Report) OK() bool { return len(r.Damage) == 0 }

// maxDamage is the number of faults after which Check looks no further.
const maxDamage = 100

func (r *Report) fault(err error) bool {
	if len(r.Damage) < maxDamage {
		r.Damage = append(r.Damage, err.Error())
	}
	return len(r.Damage) < maxDamage
}

// Check reads a whole trial file and reports every fault it finds: a changed byte in what
// the file holds, rows that are missing, gaps in the commit order, and what SQLite finds.
// It changes nothing. The error says that the file could not be opened at all, because it
// is no trial file, is newer, or is damaged (ErrDamaged) where that is told from.
// A file that is being recorded can be checked: what was committed when Check began.
func Check(path string) (Report, error) { return CheckTold(path, nil) }

// CheckTold is Check; told, which may be nil, hears how many batches were read. Each is read
// twice: in its block alone, and in the order of commits.
func CheckTold(path string, told func(batches int64)) (Report, error) {
	if told == nil {
		told = func(int64) {}
	}
	var report Report
	t, err := OpenRead(path)
	if err != nil {
		return report, err
	}
	defer t.Close()
	tx, err := t.readers.Begin()
	if err != nil {
		return report, clear(path, "check", err)
	}
	defer tx.Rollback()

	found, err := tx.QueryContext(context.Background(), "PRAGMA integrity_check")
	if err != nil {
		return report, clear(path, "check", err)
	}
	for found.Next() {
		var line string
		if err := found.Scan(&line); err != nil {
			report.fault(err)
			break
		}
		if line != "ok" {
			report.fault(errors.New(line))
		}
	}
	if err := found.Err(); err != nil {
		report.fault(err)
	}
	found.Close()

	tally, err := readTally(tx, t.format)
	if err != nil {
		report.fault(err)
	}
	figures, blocks := newFigureReader(), newDecoder(t.header.Groups)
	blocks.again = true
	for _, tb := range tallied(t.format) {
		var got count
		clean := true
		for r, err := range tb.rows(tx, "") {
			if err != nil {
				clean = report.fault(err) && false
				break
			}
			got = got.add(r.crc)
			switch tb {
			case blockTable:
				report.block(r, blocks)
				told(report.Batches)
			case figureTable:
				report.warnings(r, figures)
			case pickFigureTable:
				report.figures(r, figures)
			}
		}
		if want := tally[tb.name]; clean && tally != nil && got != want {
			report.fault(fmt.Errorf("table %s: %d rows of checksum %08x where %d of %08x belong",
				tb.name, got.rows, got.sum, want.rows, want.sum))
		}
		if n := report.rowsOf(tb); n != nil {
			*n += got.rows
		}
	}
	if !report.OK() {
		return report, nil
	}

	// What follows depends on rows that are right; it finds what a wrong writer did.
	again := report.Batches
	err = t.eachBatch(tx, 0, blocks, func(b sample.Batch) bool {
		again++
		told(again)
		if len(b.T) > 0 {
			if report.Scans == 0 {
				report.FirstNS = b.T[0]
			}
			report.LastNS = b.T[len(b.T)-1]
			report.Scans += int64(len(b.T))
			report.Samples += int64(len(b.T)) * int64(len(b.Counts))
		}
		return true
	})
	if err != nil {
		report.fault(err)
	}
	for _, q := range []struct{ what, sql string }{
		{"figures of picks that are not there", "SELECT count(*) FROM figures WHERE pick NOT IN (SELECT id FROM picks)"},
		{"figures of picks that are not there", "SELECT count(*) FROM pick_figures WHERE pick NOT IN (SELECT id FROM picks)"},
		{"picks that have figures in two tables", "SELECT count(*) FROM pick_figures WHERE pick IN (SELECT pick FROM figures)"},
		{"picks of sets that are not there", "SELECT count(*) FROM picks WHERE pick_set NOT IN (SELECT n FROM pick_sets)"},
		{"events of sets that are not there", "SELECT count(*) FROM events WHERE pick_set NOT IN (SELECT n FROM pick_sets)"},
		{"outbox segments sent before they were made", "SELECT count(*) FROM deliveries WHERE segment NOT IN (SELECT n FROM outbox)"},
		{"analyses of sets that are not there", "SELECT count(*) FROM analyses WHERE n NOT IN (SELECT n FROM pick_sets)"},
		{"finished sets that do not hold what they held then", "SELECT count(*) FROM finished f WHERE f.picks <> (SELECT count(*) FROM picks WHERE pick_set = f.n) OR f.events <> (SELECT count(*) FROM events WHERE pick_set = f.n)"},
		{"notes of runs that are not there", "SELECT count(*) FROM note_runs WHERE run NOT IN (SELECT n FROM runs) OR note NOT IN (SELECT id FROM notes)"},
		{"setups of runs that are not there", "SELECT count(*) FROM run_setups WHERE run NOT IN (SELECT n FROM runs)"},
	} {
		if slices.ContainsFunc(slices.Concat(addedBy[t.format:]...), func(tb *table) bool { return strings.Contains(q.sql, " FROM "+tb.name+" ") }) {
			continue
		}
		n, err := text(tx, q.sql)
		if err != nil {
			report.fault(err)
		} else if n != "0" {
			report.fault(fmt.Errorf("%s %s", n, q.what))
		}
	}
	return report, nil
}

func (r *Report) block(row *row, blocks *decoder) {
	if merged, _ := row.values[3].(int64); merged != 0 {
		r.MergedBlocks++
	}
	data, _ := row.values[8].([]byte)
	r.Bytes += int64(len(data))
	b, err := blocks.block(row)
	if err != nil {
		r.fault(err)
		row.err = nil // told
		return
	}
	r.Batches += int64(len(b.batches))
	for i := range b.batches {
		if b.batches[i].Fault != "" {
			r.Faults++
		}
	}
	blocks.done(b)
}

// warnings looks at the warnings in a row of figures.
func (r *Report) warnings(row *row, reader *figureReader) {
	if list, _ := row.values[len(row.values)-1].(string); list != "" {
		if _, err := reader.warningsText(list); err != nil {
			r.fault(fmt.Errorf("pick row %v: %w", row.values[0], err))
		}
	}
}

// figures looks at the figures of a pick.
func (r *Report) figures(row *row, reader *figureReader) {
	id := row.int()
	if err := reader.each(row.bytes(), func(int, analyze.Figure) { r.Figures++ }); err != nil {
		r.fault(fmt.Errorf("pick row %d: %w", id, err))
	}
}

func (r *Report) rowsOf(tb *table) *int64 {
	return map[*table]*int64{
		blockTable: &r.Blocks, setTable: &r.Sets, pickTable: &r.Picks, figureTable: &r.Figures,
		eventTable: &r.Events, runTable: &r.Runs, pieceTable: &r.Pieces, noteTable: &r.Notes,
		spoiledTable: &r.Spoiled, benchTable: &r.BenchChecks, clockTable: &r.Jumps, latenessTable: &r.Lateness,
	}[tb]
}
