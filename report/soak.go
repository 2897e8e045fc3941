package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"

	"griptrial/analyze"
	"griptrial/analyze/compare"
)

// A SoakJSON is what one setup showed on one station in a long run.
type SoakJSON struct {
	Setup         string          `json:"setup"`
	Station       string          `json:"station"`
	Picks         int             `json:"picks"`
	Dropped       int             `json:"dropped"`
	Spoiled       int             `json:"spoiled"` // left out of drops and trends
	Hours         analyze.Number  `json:"hours"`
	DropsPer1000  analyze.Figure  `json:"drops_per_1000"`
	RateFrom      string          `json:"rate_from"` // "commands" of the supply, or "picks"
	Commands      int             `json:"commands"`
	PartsPresent  *int            `json:"parts_present"` // null: no channel says
	PartDelayMS   analyze.Figure  `json:"part_present_delay_ms"`
	RatePerMinute analyze.Number  `json:"picks_per_minute"`
	SlowestHour   analyze.Number  `json:"picks_per_minute_slowest_hour"`
	RateHeld      *compare.Answer `json:"rate"` // null: no rate is required
	CycleS        analyze.Number  `json:"cycle_s"`
	Stops         int             `json:"stops"`
	StopsPerHour  analyze.Figure  `json:"stops_per_hour"`
	StoppedS      analyze.Number  `json:"stopped_s"`
	LongestStopS  analyze.Number  `json:"longest_stop_s"`
	StandingS     analyze.Number  `json:"standing_s"` // the line stands still for so long; 0 where it runs
	Trends        []SoakTrendJSON `json:"trends"`
	Warnings      []string        `json:"warnings"`
}

// A SoakTrendJSON is how one measure moves: slope in unit an hour.
type SoakTrendJSON struct {
	Measure  string          `json:"measure"`
	Unit     string          `json:"unit"`
	Slope    analyze.Figure  `json:"slope_per_hour"`
	P        analyze.Number  `json:"p"`
	Rho      analyze.Number  `json:"lag1"`
	Medians  int             `json:"medians"`
	Mean     analyze.Figure  `json:"mean"`
	Level    analyze.Number  `json:"level_now"`
	Limit    analyze.Number  `json:"limit"`
	ReachedH analyze.Figure  `json:"reached_in_h"` // hi null: perhaps never
	Change   *SoakChangeJSON `json:"change_point"`
	LevelsAt analyze.Figure  `json:"levels_off_at"` // null: it does not
	TauH     analyze.Number  `json:"levels_off_tau_h"`
}

// A SoakChangeJSON is a step.
type SoakChangeJSON struct {
	AtH    analyze.Number `json:"at_h"`
	Before analyze.Number `json:"before"`
	After  analyze.Number `json:"after"`
	P      analyze.Number `json:"p"`
}

// A SoaksJSON is long runs.
type SoaksJSON struct {
	Schema int        `json:"schema"`
	Runs   []SoakJSON `json:"runs"`
}

// Soaks returns the JSON of long runs.
func Soaks(all []compare.Soak) SoaksJSON {
	out := SoaksJSON{ComparisonSchema, []SoakJSON{}}
	for _, s := range all {
		out.Runs = append(out.Runs, Soak(s))
	}
	return out
}

// Soak returns the JSON of one long run.
func Soak(s compare.Soak) SoakJSON {
	from, parts := "picks", &s.PartsPresent
	if s.Commanded {
		from = "commands"
	}
	if s.PartsPresent < 0 {
		parts = nil
	}
	j := SoakJSON{s.Setup, s.Station, s.Picks, s.Dropped, s.Spoiled, number(s.Hours), s.DropsPer1000, from, s.Commands, parts, scaled(s.PartDelayS, 1e3),
		number(s.RatePerMinute), number(s.SlowestHour), answer(s.RateHeld), number(s.CycleS), s.Stops, s.StopsPerHour, number(s.StoppedS), number(s.LongestStopS),
		number(s.StandingS), []SoakTrendJSON{}, warnings(s.Warnings)}
	for _, t := range s.Trends {
		k := t.Measure.Scale
		x := SoakTrendJSON{t.Measure.Name, t.Measure.Unit, scaled(t.Slope, k), number(t.P), number(t.Rho), t.Blocks, scaled(t.Mean, k), number(t.Level * k), number(t.Limit * k), t.Reached, nil,
			analyze.None(), number(math.NaN())}
		if c := t.Settles; c != nil {
			x.LevelsAt, x.TauH = scaled(c.Level, k), number(c.TauH)
		}
		if c := t.Change; c != nil {
			x.Change = &SoakChangeJSON{number(c.AtHours), number(c.Before * k), number(c.After * k), number(c.P)}
		}
		j.Trends = append(j.Trends, x)
	}
	return j
}

// Soaked writes long runs for people.
func Soaked(w io.Writer, all []compare.Soak, confidence float64) error {
	for i, s := range all {
		if i > 0 {
			fmt.Fprintln(w)
		}
		fmt.Fprintf(w, "%s, %s: %d picks in %.3g h\n", s.Setup, s.Station, s.Picks, s.Hours)
		if s.DropsPer1000.OK() {
			said := fmt.Sprintf("%g %% interval", 100*confidence)
			if s.DropsPer1000.Has(compare.Provisional) {
				said += ", whenever you look,"
			}
			fmt.Fprintf(w, "  drops: %d, %s per 1,000 (%s %s to %s)\n", s.Dropped, sig(s.DropsPer1000.Value), said, sig(s.DropsPer1000.Lo), sig(s.DropsPer1000.Hi))
		}
		if s.Spoiled > 0 {
			fmt.Fprintf(w, "  %s marked as spoiled left out of drops and trends\n", picksAre(s.Spoiled))
		}
		if !math.IsNaN(s.RatePerMinute) {
			fmt.Fprintf(w, "  rate: %s a minute", sig(s.RatePerMinute))
			if !math.IsNaN(s.SlowestHour) {
				fmt.Fprintf(w, ", slowest hour %s", sig(s.SlowestHour))
			}
			if s.RateHeld != "" {
				fmt.Fprintf(w, ", required: %s", s.RateHeld)
			}
			fmt.Fprintf(w, "; cycle %s s\n", sig(s.CycleS))
			if s.Commanded {
				fmt.Fprintf(w, "  controller: %d supply commands", s.Commands)
				if s.PartsPresent >= 0 {
					fmt.Fprintf(w, ", part seen %d times", s.PartsPresent)
				}
				if s.PartDelayS.OK() {
					fmt.Fprintf(w, ", %s ms after sealing", sig(1e3*s.PartDelayS.Value))
				}
				fmt.Fprintln(w)
			}
			fmt.Fprintf(w, "  stops: %d", s.Stops)
			if s.Stops > 0 {
				fmt.Fprintf(w, ", %s s in all, longest %s s", sig(s.StoppedS), sig(s.LongestStopS))
			}
			fmt.Fprintf(w, "; %s an hour (%s to %s)\n", sig(s.StopsPerHour.Value), sig(s.StopsPerHour.Lo), sig(s.StopsPerHour.Hi))
			if s.StandingS > 0 {
				fmt.Fprintf(w, "  stands still for %s s\n", sig(s.StandingS))
			}
		}
		for _, t := range s.Trends {
			k := t.Measure.Scale
			fmt.Fprintf(w, "  %s: now %s %s, %s %s an hour", t.Measure.Words, sig(t.Level*k), t.Measure.Unit, signed(t.Slope.Value*k), t.Measure.Unit)
			if !math.IsNaN(t.Slope.Lo) {
				fmt.Fprintf(w, " (%s to %s)", signed(t.Slope.Lo*k), signed(t.Slope.Hi*k))
			}
			switch {
			case !(t.P < 1-confidence):
				fmt.Fprint(w, ": no drift shown")
			case t.Slope.Value*t.Measure.Better > 0:
				fmt.Fprint(w, ": getting better")
			default:
				fmt.Fprint(w, ": getting worse")
			}
			if t.P < 1-confidence && t.Reached.OK() {
				if t.Reached.Value == 0 {
					fmt.Fprintf(w, ", past the limit of %s %s", sig(t.Limit*k), t.Measure.Unit)
				} else {
					hi := "never"
					if !math.IsInf(t.Reached.Hi, 1) {
						hi = sig(t.Reached.Hi) + " h"
					}
					fmt.Fprintf(w, ", at the limit of %s %s in %s h (%s h to %s)", sig(t.Limit*k), t.Measure.Unit, sig(t.Reached.Value), sig(t.Reached.Lo), hi)
				}
			}
			if c := t.Settles; c != nil {
				fmt.Fprintf(w, "; levels off at %s %s (%s to %s)", sig(c.Level.Value*k), t.Measure.Unit, sig(c.Level.Lo*k), sig(c.Level.Hi*k))
			}
			if c := t.Change; c != nil {
				fmt.Fprintf(w, "; a step after %s h, from %s to %s", sig(c.AtHours), sig(c.Before*k), sig(c.After*k))
			}
			fmt.Fprintln(w)
		}
		for _, x := range warnings(s.Warnings) {
			fmt.Fprintln(w, "  "+x)
		}
	}
	return nil
}

// signed writes a slope with two digits and its sign.
func signed(x float64) string {
	if x >= 0 {
		return "+" + plain(x, 2)
	}
	return plain(x, 2)
}

// SoakCSV writes one line a trend.
func SoakCSV(w io.Writer, all []compare.Soak) error {
	out := csv.NewWriter(w)
	out.Write([]string{"setup", "station", "picks", "dropped", "spoiled", "hours", "drops_per_1000", "drops_lo", "drops_hi", "commands", "picks_per_minute", "stops", "stopped_s",
		"measure", "unit", "level_now", "slope_per_hour", "slope_lo", "slope_hi", "p", "reached_in_h", "change_at_h"})
	for _, s := range all {
		head := []string{s.Setup, s.Station, strconv.Itoa(s.Picks), strconv.Itoa(s.Dropped), strconv.Itoa(s.Spoiled), cell(s.Hours), cell(s.DropsPer1000.Value), cell(s.DropsPer1000.Lo), cell(s.DropsPer1000.Hi),
			strconv.Itoa(s.Commands), cell(s.RatePerMinute), strconv.Itoa(s.Stops), cell(s.StoppedS)}
		if len(s.Trends) == 0 {
			out.Write(append(head, make([]string, 9)...))
		}
		for _, t := range s.Trends {
			k, at := t.Measure.Scale, math.NaN()
			if t.Change != nil {
				at = t.Change.AtHours
			}
			out.Write(append(head[:len(head):len(head)], t.Measure.Name, t.Measure.Unit, cell(t.Level*k), cell(t.Slope.Value*k), cell(t.Slope.Lo*k), cell(t.Slope.Hi*k), cell(t.P), cell(t.Reached.Value), cell(at)))
		}
	}
	out.Flush()
	return out.Error()
}
