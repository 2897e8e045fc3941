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

// Explain returns pick n of a station in a pick set with its uncertainty budgets. The samples up
// to it are judged again as they were for that set; name is what messages call the file.
func Explain(file *store.Trial, name string, set int, station string, n int) (p pick.Pick, budgets []pick.Budget, err error) {
	a, ok, err := file.Analysis(set)
	if err != nil {
		return p, nil, err
	}
	if !ok {
		return p, nil, fmt.Errorf("%s: pick set %d: the file does not say what it was made from", name, set)
	}
	plan, settings, err := judgedBy(file, name, a)
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
	s, err := NewStations(a.Groups, settings, plan)
	if err != nil {
		return p, nil, err
	}
	for b, err := range file.Pass(nil) {
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
