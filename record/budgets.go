package record

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"griptrial/analyze/pick"
	"griptrial/store"
)

// ErrNoPick says that a pick set holds no such pick.
var ErrNoPick = errors.New("no such pick")

// Budgets returns the uncertainty budgets of pick n, from 1, of a station in a pick set of a
// trial, with that pick. They are not stored: the batches are judged again, up to the
// pick, as that set was. The error is or wraps ErrNoPick where there is none.
func Budgets(ctx context.Context, file *store.Trial, set int, station string, n int) (found pick.Pick, all []pick.Budget, err error) {
	a, ok, err := file.Analysis(set)
	if err != nil {
		return found, nil, err
	}
	if !ok {
		return found, nil, fmt.Errorf("%s: set %d: the file does not say what it was made from", file.Path(), set)
	}
	plan, settings, err := judgedBy(file.Path(), a)
	if err != nil {
		return found, nil, err
	}
	settings = slices.DeleteFunc(settings, func(s pick.Settings) bool { return s.Station != station })
	for i := range settings {
		settings[i].Explain = func(p pick.Pick, b []pick.Budget) {
			if p.N == n {
				found, all = p, b
			}
		}
	}
	s, err := NewStations(a.Groups, settings, plan)
	if err != nil {
		return found, nil, err
	}
	for b, err := range file.Batches() {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return found, nil, err
		}
		s.Push(b)
		if s.Take(); found.N == n {
			break
		}
	}
	if found.N != n {
		s.Finish()
	}
	if n < 1 || found.N != n {
		return found, nil, fmt.Errorf("%s: set %d, station %q, pick %d: %w", file.Path(), set, station, n, ErrNoPick)
	}
	if plan != nil {
		found.Run = plan.Run(n)
	}
	return found, all, nil
}
