package record

import (
	"errors"
	"fmt"
	"slices"

	"griptrial/analyze/pick"
	"griptrial/store"
)

// ErrNoPick says that a station has no pick of a number. Its text names both.
var ErrNoPick = errors.New("no such pick")

// Explain returns pick n of a station with its uncertainty budgets. The samples up to it are
// judged again; name is what messages call the file.
func Explain(file *store.Trial, name, station string, n int) (p pick.Pick, budgets []pick.Budget, err error) {
	rig, trial, err := TextsOf(file, name)
	if err != nil {
		return p, nil, err
	}
	plan, err := PlanAsRun(trial, file)
	if err != nil {
		return p, nil, err
	}
	settings, err := Settings(rig, plan)
	if err != nil {
		return p, nil, err
	}
	found := false
	settings = slices.DeleteFunc(settings, func(s pick.Settings) bool { return s.Station != station })
	for i := range settings {
		settings[i].Explain = func(x pick.Pick, b []pick.Budget) {
			if x.N == n {
				found = true
				p, budgets = x, b
				p.Run = plan.Run(station, n)
			}
		}
	}
	s, err := NewStations(file.Header().Groups, settings, plan)
	if err != nil {
		return p, nil, err
	}
	for b, err := range file.Batches() {
		if err != nil {
			return p, nil, err
		}
		if s.Push(b); found {
			return p, budgets, nil
		}
		s.Take() // nobody needs them
	}
	if s.Finish(); !found {
		return p, nil, fmt.Errorf("%w: station %q has no pick %d", ErrNoPick, station, n)
	}
	return p, budgets, nil
}
