package record

import (
	"context"
	"errors"
	"fmt"

	"griptrial/store"
)

// A Control lets an operator begin and end the runs of a recording. Its methods may be
// called from any goroutine; they wait until the recorder has done it, durably.
type Control struct {
	asked chan func(*loop) error
	over  chan struct{} // closed with the recording
}

// NewControl returns the control of one recording, whose plan is an operator's.
func NewControl() *Control {
	return &Control{asked: make(chan func(*loop) error), over: make(chan struct{})}
}

// Errors of a Control.
var (
	ErrOver   = errors.New("the recording has ended")
	ErrNotNow = errors.New("not now") // wrapped with the reason
)

// StartRun begins run n of the plan, 0 for the next one. A run that was begun and stopped
// goes on. piece is the physical bag, "" as planned; it is set as the run begins first.
func (c *Control) StartRun(ctx context.Context, n int, piece string) error {
	return c.ask(ctx, func(l *loop) (refused, failed error) {
		if n == 0 {
			n = l.run + 1
		}
		switch {
		case l.Plan.run != 0:
			return fmt.Errorf("%w: run %d is in progress", ErrNotNow, l.Plan.run), nil
		case n > l.Plan.Runs():
			return fmt.Errorf("%w: the plan has %d runs", ErrNotNow, l.Plan.Runs()), nil
		case n < 1 || n > l.run+1:
			return fmt.Errorf("%w: run %d comes next", ErrNotNow, l.run+1), nil
		}
		if n == l.run+1 {
			if failed = l.beginRun(l.at, piece); failed != nil {
				return nil, failed
			}
		}
		l.Plan.run = n
		return nil, nil
	})
}

// StopRun ends run n if it is in progress, 0 for whichever is: picks that begin from now on
// belong to none.
func (c *Control) StopRun(ctx context.Context, n int) error {
	return c.ask(ctx, func(l *loop) (refused, failed error) {
		switch {
		case l.Plan.run == 0:
			return fmt.Errorf("%w: no run is in progress", ErrNotNow), nil
		case n != 0 && n != l.Plan.run:
			return fmt.Errorf("%w: run %d is in progress", ErrNotNow, l.Plan.run), nil
		}
		l.Plan.run = 0
		return nil, nil
	})
}

// ask has the recorder do f between two commits and tell how things stand then.
func (c *Control) ask(ctx context.Context, f func(*loop) (refused, failed error)) error {
	answer := make(chan error, 1)
	do := func(l *loop) error {
		refused, failed := f(l)
		if refused == nil && failed == nil {
			l.tell(Judged{}, nil)
		}
		answer <- errors.Join(refused, failed)
		return failed
	}
	select {
	case c.asked <- do:
		select {
		case err := <-answer:
			return err
		case <-c.over: // it failed before
			return ErrOver
		}
	case <-c.over:
		return ErrOver
	case <-ctx.Done():
		return ctx.Err()
	}
}

// beginRun notes that the next run has begun at ns, with a piece of its own or as planned.
func (l *loop) beginRun(ns int64, piece string) error {
	r := l.Plan.trial.Runs[l.run]
	if piece == "" {
		piece = r.Piece
	}
	l.run++
	return l.File.Commit(store.Entry{Runs: []store.Run{{N: l.run, StartNS: ns, Piece: piece,
		PlannedPicks: r.Picks, Setups: r.Setups}}})
}
