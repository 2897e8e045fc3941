package store

import (
	"time"

	"griptrial/acquire/bench"
)

// An Anchor says what the wall clock read at an instant of the trial.
type Anchor struct {
	TNS     int64 // since time zero
	UnixNS  int64
	Why     string  // "begin", or what was seen
	JumpedS float64 // by how much the wall clock was ahead of the anchor before; 0 for the first
}

// Begin is why the first anchor stands.
const Begin = "begin"

// Lateness says how polling of a device kept its deadlines for a while, one minute as a
// rule.
type Lateness struct {
	FromNS, ToNS int64 // since time zero
	Bus, Device  string
	Polls        int64 // begun
	Merged       int64 // slots that were not polled because the next was due already
	Errors       int64 // slots that gave no value for another reason

	// How late polls began after their deadlines; NaN without polls.
	P50S, P99S, MaxS float64
}

// A BenchCheck is the result of one step of a bench check.
type BenchCheck struct {
	TNS    int64  // since time zero
	Moment string // Before or After
	bench.Result
}

// Moments of a bench check.
const (
	Before = "before"
	After  = "after"
)

// circumstances inserts what e says of clock, lateness and bench checks.
func (w *writing) circumstances(e Entry) error {
	for _, a := range e.Clock {
		if err := w.insert(clockTable, w.counts[clockTable.name].rows+1, a.TNS, a.UnixNS, a.Why); err != nil {
			return err
		}
	}
	for _, l := range e.Lateness {
		if err := w.insert(latenessTable, w.counts[latenessTable.name].rows+1, l.FromNS, l.ToNS, l.Bus, l.Device,
			l.Polls, l.Merged, l.Errors, l.P50S, l.P99S, l.MaxS); err != nil {
			return err
		}
	}
	for _, c := range e.Bench {
		if err := w.insert(benchTable, w.counts[benchTable.name].rows+1, c.TNS, c.Moment, c.Station, c.Step,
			known(c.Value), known(c.U), known(c.Scatter), known(c.Lo), known(c.Hi), known(c.Pass), c.Why); err != nil {
			return err
		}
	}
	return nil
}

// known returns what p points to, nil where it is nil.
func known[T any](p *T) any {
	if p == nil {
		return nil
	}
	return *p
}

// Clock returns the anchors of the trial in the world's time, in order. The first is the
// header's; each that follows was written where the wall clock had jumped. Between two of
// them the world's time is that of the earlier plus the trial's.
func (t *Trial) Clock() ([]Anchor, error) {
	all := []Anchor{{UnixNS: t.header.AnchorUTC.UnixNano(), Why: Begin}}
	if t.format < 3 {
		return all, nil
	}
	more, err := collect(t, clockTable, func(r *row) Anchor {
		r.int()
		return Anchor{TNS: r.int(), UnixNS: r.int(), Why: r.text()}
	}, "ORDER BY id")
	for _, a := range more {
		last := all[len(all)-1]
		a.JumpedS = float64((a.UnixNS-last.UnixNS)-(a.TNS-last.TNS)) / 1e9
		all = append(all, a)
	}
	return all, err
}

// Lateness returns how devices kept their deadlines, in the order in which it was stored.
func (t *Trial) Lateness() ([]Lateness, error) {
	if t.format < 3 {
		return nil, nil
	}
	return collect(t, latenessTable, func(r *row) Lateness {
		r.int()
		return Lateness{FromNS: r.int(), ToNS: r.int(), Bus: r.text(), Device: r.text(),
			Polls: r.int(), Merged: r.int(), Errors: r.int(), P50S: r.float(), P99S: r.float(), MaxS: r.float()}
	}, "ORDER BY id")
}

// BenchChecks returns the results of bench checks in the order in which they were stored.
func (t *Trial) BenchChecks() ([]BenchCheck, error) {
	if t.format < 3 {
		return nil, nil
	}
	return collect(t, benchTable, func(r *row) BenchCheck {
		r.int()
		c := BenchCheck{TNS: r.int(), Moment: r.text()}
		c.Station, c.Step = r.text(), r.text()
		for _, p := range []**float64{&c.Value, &c.U, &c.Scatter, &c.Lo, &c.Hi} {
			if !r.null() {
				x := r.float()
				*p = &x
			}
		}
		if !r.null() {
			pass := r.int() != 0
			c.Pass = &pass
		}
		c.Why = r.text()
		return c
	}, "ORDER BY id")
}

// WorldTime returns what the wall clock read, or would have read, at tNS by the anchors
// of Clock.
func WorldTime(anchors []Anchor, tNS int64) time.Time {
	a := anchors[0]
	for _, b := range anchors[1:] {
		if b.TNS <= tNS {
			a = b
		}
	}
	return time.Unix(0, a.UnixNS+tNS-a.TNS).UTC()
}

// TrialNS returns the trial's time when the wall clock reads wall, by the last of the
// anchors of Clock.
func TrialNS(anchors []Anchor, wall time.Time) int64 {
	a := anchors[len(anchors)-1]
	return a.TNS + wall.UnixNano() - a.UnixNS
}
