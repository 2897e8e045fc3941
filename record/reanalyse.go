package record

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"math"
	"reflect"
	"slices"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/store"
)

// AnalysisOf returns the rig, plan and trackers that an analysis of a trial file was made
// with, or is to be made with.
func AnalysisOf(file *store.Trial, name string, a store.Analysis) (*Stations, error) {
	plan, settings, err := judgedBy(file, name, a)
	if err != nil {
		return nil, err
	}
	return NewStations(a.Groups, settings, plan)
}

// judgedBy returns how the picks of an analysis are judged.
func judgedBy(file *store.Trial, name string, a store.Analysis) (*Plan, []pick.Settings, error) {
	if a.RigText == nil || a.TrialText == nil {
		return nil, nil, fmt.Errorf("%s: the file holds no rig text or no trial text to analyse by", name)
	}
	rig, err := config.ParseRig("rig of "+name, a.RigText)
	if err != nil {
		return nil, nil, err
	}
	trial, err := ParseTrial("trial of "+name, a.TrialText, rig)
	if err != nil {
		return nil, nil, err
	}
	plan, err := PlanAsRun(trial, file)
	if err != nil {
		return nil, nil, err
	}
	settings, err := Settings(rig, plan)
	return plan, settings, err
}

// Rescale returns groups with the scaling and the sensors that another rig file states for
// channels of the same name. Raw counts keep their meaning only if they are read alike, so
// a channel that is missing, or is read in another way, is an error.
func Rescale(groups []sample.Group, was, now *config.Rig) ([]sample.Group, error) {
	channels := func(rig *config.Rig) map[string]*config.Channel {
		m := map[string]*config.Channel{}
		for p := range rig.Channels() {
			m[p.Channel.Name] = p.Channel
		}
		return m
	}
	before, after := channels(was), channels(now)
	var all []sample.Group
	for _, g := range groups {
		g.Channels = slices.Clone(g.Channels)
		for i := range g.Channels {
			c := &g.Channels[i]
			old, have := before[c.Name], after[c.Name]
			switch {
			case have == nil:
				return nil, fmt.Errorf("%s: channel %q of the recording is missing", now.Path, c.Name)
			case old == nil:
				return nil, fmt.Errorf("the recording's own rig text does not have its channel %q", c.Name)
			case have.Kind != old.Kind || have.Station != old.Station:
				return nil, fmt.Errorf("%s: channel %q is %s of %q; it was recorded as %s of %q",
					now.Path, c.Name, have.Kind, have.Station, old.Kind, old.Station)
			case have.Register.Type != old.Register.Type || step(have) != step(old):
				return nil, fmt.Errorf("%s: channel %q is read in another way than recorded; its raw counts would mean something else", now.Path, c.Name)
			}
			interval := c.IntervalS // as it was polled
			*c = have.Channel
			c.IntervalS = interval
		}
		all = append(all, g)
	}
	return all, nil
}

// step returns the value of one raw count before scaling where the count depends on it.
func step(c *config.Channel) float64 {
	if c.Register.Type != "f32" && c.Field == "" {
		return 0
	}
	if c.Register.Step != 0 {
		return c.Register.Step
	}
	return math.Abs(c.Scale)
}

// commitPicks is how many picks a re-analysis holds at most before they are stored.
const commitPicks = 512

// Reanalyse judges a trial's stored batches anew and stores the picks in a set that is not
// finished, after those that it holds: what an interrupted re-analysis stored is not stored
// again. A tracker's state is not in the file, so batches already judged are judged again.
// told, which may be nil, hears the commit number of the last batch judged.
func Reanalyse(ctx context.Context, file *store.Trial, set int, s *Stations, told func(batches int64)) (picks, events int, err error) {
	have, err := file.Picks(set, "")
	if err != nil {
		return 0, 0, err
	}
	haveEvents, err := file.Events(set)
	if err != nil {
		return 0, 0, err
	}
	skip, skipEvents := len(have), len(haveEvents)
	var j Judged
	flush := func() error {
		if len(j.Picks)+len(j.Events) == 0 {
			return nil
		}
		err := file.AppendPicks(set, j.Picks, j.Events)
		j.Picks, j.Events = j.Picks[:0], j.Events[:0]
		return err
	}
	take := func() error {
		more := s.Take()
		for _, p := range more.Picks {
			if picks < skip {
				if !same(&have[picks], &p) {
					return fmt.Errorf("set %d: %s pick %d is not what this program finds; make a new set", set, p.Station, p.N)
				}
			} else {
				j.Picks = append(j.Picks, p)
			}
			picks++
		}
		for _, e := range more.Events {
			if events >= skipEvents {
				j.Events = append(j.Events, e)
			}
			events++
		}
		// What one Take gave is stored in one commit: a set that was cut off ends between two.
		if len(j.Picks)+len(j.Events) >= commitPicks {
			return flush()
		}
		return nil
	}
	n := int64(0)
	for b, err := range file.Pass(nil) {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return picks, events, err
		}
		n++
		s.Push(b)
		if err := take(); err != nil {
			return picks, events, err
		}
		if told != nil {
			told(n)
		}
	}
	s.Finish()
	if err := take(); err != nil {
		return picks, events, err
	}
	if err := flush(); err != nil {
		return picks, events, err
	}
	return picks, events, file.Finish(set)
}

// same reports whether two picks are the same to the bit, every NaN alike.
func same(a, b *pick.Pick) bool {
	return sameBits(reflect.ValueOf(a).Elem(), reflect.ValueOf(b).Elem())
}

// sameBits compares two values of one type, of those that picks are made of.
func sameBits(a, b reflect.Value) bool {
	switch a.Kind() {
	case reflect.Float64:
		x, y := a.Float(), b.Float()
		return math.Float64bits(x) == math.Float64bits(y) || math.IsNaN(x) && math.IsNaN(y)
	case reflect.Slice:
		if a.Len() != b.Len() {
			return false
		}
		for i := range a.Len() {
			if !sameBits(a.Index(i), b.Index(i)) {
				return false
			}
		}
		return true
	case reflect.Struct:
		for i := range a.NumField() {
			if !sameBits(a.Field(i), b.Field(i)) {
				return false
			}
		}
		return true
	}
	return a.Equal(b)
}

// A Comparison says how the picks stored in a set compare with what the stored batches give.
type Comparison struct {
	Set         int
	Picks       int      // stored
	Same        int      // of them, to the bit
	NotStored   int      // found now, after the last one stored; in a set that was cut off they were never shown
	Differences []string // a line each, at most ten
	Finished    bool     // the set is known to be complete
	Gaps        map[string][]pick.Gap
}

// OK reports whether every stored pick and event is found again, and, where the set is
// known to be complete, no other.
func (c Comparison) OK() bool { return len(c.Differences) == 0 && (c.NotStored == 0 || !c.Finished) }

// Compare judges a trial's batches again and compares the picks and events with those that
// a set holds. Picks are compared station by station, in their order. told, which may be nil,
// hears how many batches were judged.
func Compare(file *store.Trial, set int, s *Stations, told func(batches int64)) (Comparison, error) {
	c := Comparison{Set: set, Gaps: map[string][]pick.Gap{}}
	var err error
	if c.Finished, err = file.Finished(set); err != nil {
		return c, err
	}
	stored, err := file.Picks(set, "")
	if err != nil {
		return c, err
	}
	events, err := file.Events(set)
	if err != nil {
		return c, err
	}
	j, err := Replay(counted(file.Pass(nil), told), s)
	if err != nil {
		return c, err
	}
	c.Gaps = j.Gaps
	c.Picks = len(stored)
	differ := func(format string, args ...any) {
		if len(c.Differences) < 10 {
			c.Differences = append(c.Differences, fmt.Sprintf(format, args...))
		}
	}
	found := map[string][]pick.Pick{}
	for _, p := range j.Picks {
		found[p.Station] = append(found[p.Station], p)
	}
	for _, p := range stored {
		next := found[p.Station]
		switch {
		case len(next) == 0:
			differ("%s pick %d is stored, but the samples do not show it", p.Station, p.N)
			continue
		case same(&next[0], &p):
			c.Same++
		default:
			differ("%s pick %d: %s", p.Station, p.N, firstDifference(p, next[0]))
		}
		found[p.Station] = next[1:]
	}
	for _, left := range found {
		c.NotStored += len(left)
	}
	if c.Finished && c.NotStored > 0 {
		differ("%d picks that the samples show are not stored", c.NotStored)
	}
	// Events of one station come in the order of time however often they were taken.
	order := func(all []pick.Event) map[string][]string {
		m := map[string][]string{}
		for _, e := range all {
			m[e.Station] = append(m[e.Station], fmt.Sprintf("%v %s pick %d", e.TS, e.Kind, e.Pick))
		}
		for _, l := range m {
			slices.SortStableFunc(l, func(a, b string) int { return cmp.Compare(a, b) })
		}
		return m
	}
	now := order(j.Events)
	for station, list := range order(events) {
		for _, e := range list {
			if i, ok := slices.BinarySearch(now[station], e); ok {
				now[station] = slices.Delete(now[station], i, i+1)
			} else {
				differ("%s: event %s is stored, but the samples do not show it", station, e)
			}
		}
	}
	for station, list := range now {
		if c.Finished && len(list) > 0 {
			differ("%s: %d events that the samples show are not stored, the first: %s", station, len(list), list[0])
		}
	}
	return c, nil
}

// counted yields what batches yields and tells how many that were.
func counted(batches iter.Seq2[sample.Batch, error], told func(int64)) iter.Seq2[sample.Batch, error] {
	if told == nil {
		return batches
	}
	return func(yield func(sample.Batch, error) bool) {
		n := int64(0)
		for b, err := range batches {
			if !yield(b, err) {
				return
			}
			n++
			told(n)
		}
	}
}

// firstDifference names the first field in which two picks differ.
func firstDifference(stored, found pick.Pick) string {
	a, b := fields(stored), fields(found)
	for i := range a {
		if a[i][1] != b[i][1] {
			return fmt.Sprintf("%s is stored as %s, the samples give %s", a[i][0], a[i][1], b[i][1])
		}
	}
	return "differs"
}

func fields(p pick.Pick) (all [][2]string) {
	v := reflect.ValueOf(p)
	for i := range v.NumField() {
		all = append(all, [2]string{v.Type().Field(i).Name, fmt.Sprintf("%+v", v.Field(i))})
	}
	return all
}
