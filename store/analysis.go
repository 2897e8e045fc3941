package store

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"time"

	"griptrial/acquire/sample"
)

// An Analysis says what a pick set was made from: the rig and trial text, and the groups,
// whose scaling may be another than that of the recording.
type Analysis struct {
	RigText, TrialText []byte
	Groups             []sample.Group
}

// NewAnalysis makes the next pick set, for one more analysis by a version of the program,
// together with what it is made from, and returns its number.
func (t *Trial) NewAnalysis(program, why string, a Analysis) (int, error) {
	groups, err := groupText(a.Groups)
	if err != nil {
		return 0, clear(t.path, "make a pick set", err)
	}
	stations, err := json.Marshal(append([]string{}, t.header.Stations...))
	if err != nil {
		return 0, clear(t.path, "make a pick set", err)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	n := int(t.counts[setTable.name].rows) + 1
	err = t.write(func(w *writing) error {
		if err := w.insert(setTable, n, time.Now().UnixNano(), program, why); err != nil {
			return err
		}
		return w.insert(analysisTable, n, t.header.AnchorUTC.UnixNano(), a.RigText, a.TrialText, groups, string(stations))
	})
	if err != nil {
		return 0, clear(t.path, "make a pick set", err)
	}
	return n, nil
}

// Analysis returns what a pick set was made from; ok is false where the file does not say.
// Set 1 of a file of format 1 was made from the header.
func (t *Trial) Analysis(set int) (a Analysis, ok bool, err error) {
	if t.format < 2 || set == 1 {
		h := t.header
		return Analysis{RigText: h.RigText, TrialText: h.TrialText, Groups: h.Groups}, set == 1, nil
	}
	found, err := collect(t, analysisTable, func(r *row) (a Analysis) {
		r.int()
		r.int()
		a.RigText, a.TrialText = bytes.Clone(r.bytes()), bytes.Clone(r.bytes())
		a.Groups, err = parseGroups(r.text())
		r.text()
		return a
	}, "WHERE n = ?", set)
	if err != nil || len(found) == 0 {
		return Analysis{}, false, err
	}
	return found[0], true, nil
}

// Same reports whether two analyses are made from the same.
func (a Analysis) Same(b Analysis) bool {
	x, errX := groupText(a.Groups)
	y, errY := groupText(b.Groups)
	return errX == nil && errY == nil && x == y && bytes.Equal(a.RigText, b.RigText) && bytes.Equal(a.TrialText, b.TrialText)
}

// Finish notes, durably, that a pick set holds all picks and events of the trial.
func (t *Trial) Finish(set int) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.writable(); err != nil {
		return clear(t.path, "finish a pick set", err)
	}
	var n [2]int64
	for i, name := range []string{pickTable.name, eventTable.name} {
		if err := t.writer.QueryRowContext(context.Background(), "SELECT count(*) FROM "+name+" WHERE pick_set = ?", set).Scan(&n[i]); err != nil {
			return clear(t.path, "finish a pick set", err)
		}
	}
	err := t.write(func(w *writing) error {
		return w.insert(finishedTable, set, time.Now().UnixNano(), n[0], n[1])
	})
	return clear(t.path, "finish a pick set", err)
}

// Finished reports whether a pick set is known to hold all picks of the trial. A set whose
// recording or re-analysis was cut off is not.
func (t *Trial) Finished(set int) (bool, error) {
	if t.format < 2 {
		return false, nil
	}
	found, err := collect(t, finishedTable, func(r *row) int64 { return r.int() }, "WHERE n = ?", set)
	return len(found) > 0, err
}

func groupText(all []sample.Group) (string, error) {
	groups := make([]groupJSON, len(all))
	for i, g := range all {
		groups[i] = groupJSON{Name: g.Name, Channels: make([]channelJSON, len(g.Channels))}
		for j, c := range g.Channels {
			groups[i].Channels[j] = newChannelJSON(c)
		}
	}
	text, err := json.Marshal(groups)
	return string(text), err
}

func parseGroups(text string) ([]sample.Group, error) {
	var groups []groupJSON
	if err := json.Unmarshal([]byte(text), &groups); err != nil {
		return nil, fmt.Errorf("%w: groups: %w", ErrDamaged, err)
	}
	var all []sample.Group
	for _, g := range groups {
		group := sample.Group{Name: g.Name}
		for _, c := range g.Channels {
			group.Channels = append(group.Channels, c.channel())
		}
		all = append(all, group)
	}
	return all, nil
}
