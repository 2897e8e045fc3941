package store

import (
	"fmt"
	"math"
	"slices"
	"time"

	"griptrial/analyze/pick"
)

// A Mark is a person's word that a pick is spoiled: a knocked hose, a hand in the way. It
// names the pick by its time, because a re-analysis numbers picks anew.
type Mark struct {
	Station   string
	TNS       int64  // PickNS of the pick, or near it
	Reason    string // "" takes earlier marks of the pick back
	MarkedUTC time.Time
}

// MarkSpoiled notes, durably, that the pick at tNS of a station is spoiled, and why. The
// last mark of a pick counts; an empty reason takes it back. It changes no pick.
func (t *Trial) MarkSpoiled(station string, tNS int64, reason string) error {
	if !slices.Contains(t.header.Stations, station) {
		return fmt.Errorf("%s: mark a pick: station %q does not exist; there are %q", t.path, station, t.header.Stations)
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	err := t.write(func(w *writing) error {
		return w.insert(spoiledTable, w.counts[spoiledTable.name].rows+1, station, tNS, reason, time.Now().UnixNano())
	})
	return clear(t.path, "mark a pick", err)
}

// Spoiled returns all marks in the order in which they were made, also those that later
// ones take back. SpoiledPicks says which count.
func (t *Trial) Spoiled() ([]Mark, error) {
	if t.format < 3 {
		return nil, nil
	}
	return collect(t, spoiledTable, func(r *row) Mark {
		r.int()
		return Mark{Station: r.text(), TNS: r.int(), Reason: r.text(), MarkedUTC: time.Unix(0, r.int()).UTC()}
	}, "ORDER BY id")
}

// PickNS returns the time in ns since the trial's zero by which a mark names a pick: its
// start, or the first of its times that is known. It is false where none is.
func PickNS(p *pick.Pick) (int64, bool) {
	for _, s := range []float64{p.StartS, p.ContactS, p.SealedAtS, p.DropS, p.ReleaseS, p.EndS} {
		if !math.IsNaN(s) {
			return int64(math.Round(s * 1e9)), true
		}
	}
	return 0, false
}

// markReachNS is how far a pick may lie from a mark that means it: another calibration
// moves a start that is found from the vacuum by milliseconds, and no pick is as short.
const markReachNS = 250e6

// SpoiledPicks returns for each pick of one set why it is spoiled, "" where it is not. A
// mark means the pick of its station whose PickNS is nearest, at most 0.25 s away, the
// earlier of two as near; a mark that means none is left out.
func SpoiledPicks(marks []Mark, picks []pick.Pick) []string {
	reasons := make([]string, len(picks))
	for _, m := range marks {
		at, nearest := -1, int64(markReachNS)+1
		for i := range picks {
			if ns, ok := PickNS(&picks[i]); ok && picks[i].Station == m.Station {
				if d := max(ns-m.TNS, m.TNS-ns); d < nearest {
					at, nearest = i, d
				}
			}
		}
		if at >= 0 {
			reasons[at] = m.Reason
		}
	}
	return reasons
}
