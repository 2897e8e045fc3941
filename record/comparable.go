package record

import (
	"math"
	"slices"

	"griptrial/analyze/compare"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/store"
)

// TextsOf returns the rig and the trial that a file was recorded with; name is what messages
// call the file. The error is ErrNoSetups where it has no trial text.
func TextsOf(file *store.Trial, name string) (*config.Rig, *config.Trial, error) {
	h := file.Header()
	if len(h.TrialText) == 0 {
		return nil, nil, ErrNoSetups
	}
	rig, err := config.ParseRig("rig of "+name, h.RigText)
	if err != nil {
		return nil, nil, err
	}
	trial, err := ParseTrial("trial of "+name, h.TrialText, rig)
	return rig, trial, err
}

// Comparable returns the plan and the picks of an analysis, as compare takes them, with the
// marks of those that somebody called spoiled. It may be called while the trial is recorded.
func Comparable(file *store.Trial, name string, set int) (*compare.Trial, error) {
	rig, trial, err := TextsOf(file, name)
	if err != nil {
		return nil, err
	}
	picks, err := file.Picks(set, "")
	if err != nil {
		return nil, err
	}
	return comparable(file, rig, trial, picks)
}

// ComparableAt is Comparable with all stored samples judged again, requiredKPa being what
// every setup requires.
func ComparableAt(file *store.Trial, name string, requiredKPa float64) (*compare.Trial, error) {
	rig, trial, err := TextsOf(file, name)
	if err != nil {
		return nil, err
	}
	trial.Requirement.VacuumKPa = requiredKPa
	for i := range trial.Setups {
		trial.Setups[i].VacuumKPa = requiredKPa
	}
	plan, err := PlanAsRun(trial, file)
	if err != nil {
		return nil, err
	}
	settings, err := Settings(rig, plan)
	if err != nil {
		return nil, err
	}
	stations, err := NewStations(file.Header().Groups, settings, plan)
	if err != nil {
		return nil, err
	}
	judged, err := Replay(file.Batches(), stations)
	if err != nil {
		return nil, err
	}
	return comparable(file, rig, trial, judged.Picks)
}

func comparable(file *store.Trial, rig *config.Rig, trial *config.Trial, picks []pick.Pick) (*compare.Trial, error) {
	t := &compare.Trial{Trial: trial}
	for i, a := range rig.Stations {
		t.Shared = t.Shared || slices.ContainsFunc(rig.Stations[:i], func(b config.Station) bool { return a.Engine != "" && a.Engine == b.Engine })
	}
	runs, err := file.Runs()
	if err != nil {
		return nil, err
	}
	marks, err := file.Spoiled()
	if err != nil {
		return nil, err
	}
	spoiled := store.SpoiledPicks(marks, picks)
	for _, r := range runs {
		t.StartsS = append(t.StartsS, float64(r.StartNS)/1e9)
	}
	done := map[int]map[string]int{}
	for i, p := range picks {
		if p.Run < 1 || p.Run > len(runs) {
			continue
		}
		r := runs[p.Run-1]
		if done[r.N] == nil {
			done[r.N] = map[string]int{}
		}
		done[r.N][p.Station]++ // a spoiled one, too: a mark made later does not open a finished trial again
		t.Picks = append(t.Picks, compare.Pick{Pick: p, Setup: r.Setups[p.Station], Piece: r.Piece, Spoiled: spoiled[i]})
	}
	changes, now := changesOf(picks)
	t.Changes = changes
	// A run is done when the next has begun, or all its picks are in on every station. One that
	// an operator has stopped is not being made, but the plan has not been carried out.
	if len(runs) > 0 {
		last := runs[len(runs)-1]
		short := false
		for station := range last.Setups {
			short = short || done[last.N][station] < last.PlannedPicks
		}
		if short && (changes == nil || now == last.N) {
			t.Current = last.N
		}
		t.Finished = len(runs) == len(trial.Runs) && !short
	}
	return t, nil
}

// changesOf returns in which runs the picks of each station were made, nil where runs followed
// each other without anything between, and the run of the last pick.
func changesOf(picks []pick.Pick) (changes map[string][]compare.RunFrom, now int) {
	changes = map[string][]compare.RunFrom{}
	byHand := false
	for _, p := range picks {
		all := changes[p.Station]
		before := 1
		if n := len(all); n > 0 {
			before = all[n-1].Run
		}
		byHand = byHand || p.Run < before
		if !math.IsNaN(p.StartS) {
			if len(all) == 0 || p.Run != before {
				const edge = 1e-3 // s: the pick starts with the command that it is compared with
				changes[p.Station] = append(all, compare.RunFrom{FromS: p.StartS - edge, Run: p.Run})
			}
			now = p.Run
		}
	}
	if !byHand {
		return nil, now
	}
	return changes, now
}
