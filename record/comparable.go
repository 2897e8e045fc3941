package record

import (
	"fmt"
	"iter"
	"math"
	"slices"

	"griptrial/acquire/sample"
	"griptrial/analyze/compare"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/store"
)

// rigAndTrial is TextsOf where both are needed.
func rigAndTrial(file *store.Trial, name string, set int) (*config.Rig, *config.Trial, error) {
	rig, trial, err := TextsOf(file, name, set)
	if err == nil && rig == nil {
		err = fmt.Errorf("%s: the file holds no rig text", name)
	}
	return rig, trial, err
}

// TextsOf returns the rig and the trial that the picks of an analysis were judged by, those of the
// recording where the file does not say; name is what messages call the file. Without a rig text
// the rig is nil; without a trial text the error is ErrNoSetups, and the rig comes with it.
func TextsOf(file *store.Trial, name string, set int) (rig *config.Rig, trial *config.Trial, err error) {
	a, err := analysis(file, set)
	if err != nil {
		return nil, nil, err
	}
	if len(a.RigText) > 0 {
		if rig, err = config.ParseRig("rig of "+name, a.RigText); err != nil {
			return nil, nil, err
		}
	}
	if len(a.TrialText) == 0 {
		return rig, nil, ErrNoSetups
	}
	trial, err = ParseTrial("trial of "+name, a.TrialText, rig)
	return rig, trial, err
}

// analysis returns what an analysis was made from; an older file that does not say was recorded
// with it.
func analysis(file *store.Trial, set int) (store.Analysis, error) {
	a, ok, err := file.Analysis(set)
	if h := file.Header(); !ok {
		a = store.Analysis{RigText: h.RigText, TrialText: h.TrialText, Groups: h.Groups}
	}
	return a, err
}

// Comparable returns the plan and the picks of an analysis, as compare takes them, with the
// marks of those that somebody called spoiled; rig and requirement are those of the analysis.
// It may be called while the trial is recorded.
func Comparable(file *store.Trial, name string, set int) (*compare.Trial, error) {
	rig, trial, err := rigAndTrial(file, name, set)
	if err != nil {
		return nil, err
	}
	n, err := file.PickCount(set)
	if err != nil {
		return nil, err
	}
	return comparable(file, rig, trial, file.EachPick(set, ""), n)
}

// ComparableAt is Comparable with all stored samples judged again as that analysis judged them,
// but requiredKPa being what every setup requires.
func ComparableAt(file *store.Trial, name string, set int, requiredKPa float64) (*compare.Trial, error) {
	rig, trial, err := rigAndTrial(file, name, set)
	if err != nil {
		return nil, err
	}
	a, err := analysis(file, set)
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
	stations, err := NewStations(a.Groups, settings, plan)
	if err != nil {
		return nil, err
	}
	judged, err := Replay(file.Pass(nil), stations)
	if err != nil {
		return nil, err
	}
	return comparable(file, rig, trial, func(yield func(pick.Pick, error) bool) {
		for _, p := range judged.Picks {
			if !yield(p, nil) {
				return
			}
		}
	}, len(judged.Picks))
}

// comparable takes about n picks, of which it keeps one copy: a day has a hundred thousand.
func comparable(file *store.Trial, rig *config.Rig, trial *config.Trial, picks iter.Seq2[pick.Pick, error], n int) (*compare.Trial, error) {
	t := &compare.Trial{Trial: trial}
	for i, a := range rig.Stations {
		t.Shared = t.Shared || slices.ContainsFunc(rig.Stations[:i], func(b config.Station) bool { return a.Engine != "" && a.Engine == b.Engine })
	}
	t.Unlike = unlikeEnergies(rig, trial)
	runs, err := file.Runs()
	if err != nil {
		return nil, err
	}
	marks, err := file.Spoiled()
	if err != nil {
		return nil, err
	}
	marked := func(p *pick.Pick) bool { // whether a mark may mean it
		ns, ok := store.PickNS(p)
		return ok && slices.ContainsFunc(marks, func(m store.Mark) bool { return m.Station == p.Station && max(ns-m.TNS, m.TNS-ns) < 1e9 })
	}
	var near []pick.Pick // those, and where they stand; −1 for those outside runs
	var nearAt []int
	t.Picks = make([]compare.Pick, 0, n)
	change := changes{at: map[string][]compare.RunFrom{}}
	for _, r := range runs {
		t.StartsS = append(t.StartsS, float64(r.StartNS)/1e9)
	}
	done := map[int]map[string]int{}
	for p, err := range picks {
		if err != nil {
			return nil, err
		}
		change.see(&p)
		if marked(&p) {
			near, nearAt = append(near, p), append(nearAt, len(t.Picks))
			if p.Run < 1 || p.Run > len(runs) {
				nearAt[len(nearAt)-1] = -1
			}
		}
		if p.Run < 1 || p.Run > len(runs) {
			continue
		}
		r := runs[p.Run-1]
		if done[r.N] == nil {
			done[r.N] = map[string]int{}
		}
		done[r.N][p.Station]++ // a spoiled one, too: a mark made later does not open a finished trial again
		setup := r.Setups[p.Station]
		if p.Run <= len(trial.Runs) { // as the pick was judged
			setup = trial.Runs[p.Run-1].Setups[p.Station]
		}
		if trial.Setup(setup) == nil {
			return nil, fmt.Errorf("the trial file that these picks were judged by has no setup for station %s in run %d", p.Station, p.Run)
		}
		t.Picks = append(t.Picks, compare.Pick{Pick: p, Setup: setup, Piece: r.Piece})
	}
	for i, reason := range store.SpoiledPicks(marks, near) {
		if nearAt[i] >= 0 {
			t.Picks[nearAt[i]].Spoiled = reason
		}
	}
	t.Changes = change.result()
	// A run is done when the next has begun, or all its picks are in on every station. One that
	// an operator has stopped is not being made, but the plan has not been carried out.
	if len(runs) > 0 {
		last := runs[len(runs)-1]
		short := false
		for station := range last.Setups {
			short = short || done[last.N][station] < last.PlannedPicks
		}
		if short && (t.Changes == nil || change.now == last.N) {
			t.Current = last.N
		}
		t.Finished = len(runs) == len(trial.Runs) && !short
	}
	return t, nil
}

// unlikeEnergies reports whether stations in use measure different things of their energy
// although it is not known of all what their engines draw.
func unlikeEnergies(rig *config.Rig, trial *config.Trial) bool {
	known := true
	var first *[2]bool
	unlike := false
	for i := range rig.Stations {
		s := &rig.Stations[i]
		used := false
		for r := range trial.Runs {
			if setup := trial.Runs[r].Setups[s.Name]; setup != "" {
				used = true
				known = known && draws(rig, trial, s, setup) != ""
			}
		}
		if !used {
			continue
		}
		var has [2]bool
		for p := range rig.Channels() {
			if p.Channel.Station == "" || p.Channel.Station == s.Name {
				has[0] = has[0] || p.Channel.Kind == sample.Air
				has[1] = has[1] || p.Channel.Kind == sample.Power
			}
		}
		if first == nil {
			first = &has
		}
		unlike = unlike || has != *first
	}
	return unlike && !known
}

// changes finds in which runs the picks of each station were made.
type changes struct {
	at     map[string][]compare.RunFrom
	byHand bool
	now    int // the run of the last pick
}

// see takes picks in the order in which they were stored.
func (c *changes) see(p *pick.Pick) {
	all := c.at[p.Station]
	before := 1
	if n := len(all); n > 0 {
		before = all[n-1].Run
	}
	c.byHand = c.byHand || p.Run < before
	if !math.IsNaN(p.StartS) {
		if len(all) == 0 || p.Run != before {
			const edge = 1e-3 // s: the pick starts with the command that it is compared with
			c.at[p.Station] = append(all, compare.RunFrom{FromS: p.StartS - edge, Run: p.Run})
		}
		c.now = p.Run
	}
}

// result is nil where runs followed each other without anything between.
func (c *changes) result() map[string][]compare.RunFrom {
	if !c.byHand {
		return nil
	}
	return c.at
}
