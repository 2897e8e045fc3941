package store

import (
	"context"
	"fmt"
)

// migrate brings a file of an older format up to this one, a format at a time and each in
// one transaction: a kill leaves the old format or the new one. Nothing that is in the file
// is changed, so an older file that is only read need not be.
func (t *Trial) migrate() error {
	for t.format < formatVersion {
		next := t.format + 1
		err := t.write(func(w *writing) error {
			added := addedBy[next-1]
			for _, tb := range added {
				if err := t.exec(tb.statement()); err != nil {
					return err
				}
			}
			if err := w.startTally(added); err != nil {
				return err
			}
			return t.exec(fmt.Sprintf("PRAGMA user_version = %d", next))
		})
		if err != nil {
			return err
		}
		t.format = next
	}
	return nil
}

// startTally begins the tally of tables that are empty.
func (w *writing) startTally(tables []*table) error {
	for _, tb := range tables {
		sum, err := tallyTable.checksum([]any{tb.name, int64(0), int64(0)})
		if err != nil {
			return err
		}
		if _, err := w.t.writer.ExecContext(context.Background(), tallyTable.insertStatement(), tb.name, 0, 0, sum); err != nil {
			return err
		}
		w.counts[tb.name] = count{}
	}
	return nil
}
