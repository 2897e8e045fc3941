package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"
	"time"

	"griptrial/acquire/bench"
	"griptrial/analyze"
	"griptrial/analyze/stats"
	"griptrial/store"
)

// A CircumstancesJSON is what a trial file tells beside samples and picks.
type CircumstancesJSON struct {
	Clock   []AnchorJSON  `json:"clock"`
	Polling []PollingJSON `json:"polling"`
	Bench   []BenchJSON   `json:"bench_checks"`
}

// An AnchorJSON is what the wall clock read at an instant of the trial.
type AnchorJSON struct {
	TS      float64   `json:"t_s"`
	UTC     time.Time `json:"utc"`
	Why     string    `json:"why"`
	JumpedS float64   `json:"jumped_s"`
}

// A PollingJSON says how a device's deadlines were kept in the whole trial.
type PollingJSON struct {
	Bus    string         `json:"bus"`
	Device string         `json:"device"`
	Polls  int64          `json:"polls"`
	Merged int64          `json:"merged"`
	Errors int64          `json:"errors"`
	P50S   analyze.Number `json:"late_p50_s"` // the median minute's
	P99S   analyze.Number `json:"late_p99_s"` // the worst minute's
	P99AtS analyze.Number `json:"late_p99_at_s"`
	MaxS   analyze.Number `json:"late_max_s"`
}

// A BenchJSON is one step of a bench check; of one after the trial, with the drift since.
type BenchJSON struct {
	Moment string  `json:"moment"`
	TS     float64 `json:"t_s"`
	bench.Result
	Drift  analyze.Number `json:"drift"`
	DriftU analyze.Number `json:"drift_u"`
}

// Circumstances reads what a trial file tells beside samples and picks.
func Circumstances(t *store.Trial) (*CircumstancesJSON, error) {
	out := &CircumstancesJSON{Clock: []AnchorJSON{}, Polling: []PollingJSON{}, Bench: []BenchJSON{}}
	anchors, err := t.Clock()
	if err != nil {
		return nil, err
	}
	for _, a := range anchors {
		out.Clock = append(out.Clock, AnchorJSON{float64(a.TNS) / 1e9, time.Unix(0, a.UnixNS).UTC(), a.Why, a.JumpedS})
	}
	minutes, err := t.Lateness()
	if err != nil {
		return nil, err
	}
	out.Polling = append(out.Polling, polling(minutes)...)
	checks, err := t.BenchChecks()
	if err != nil {
		return nil, err
	}
	var before []bench.Result
	for _, c := range checks {
		x := BenchJSON{c.Moment, float64(c.TNS) / 1e9, c.Result, analyze.Number(math.NaN()), analyze.Number(math.NaN())}
		if c.Moment == store.Before {
			before = append([]bench.Result{c.Result}, before...) // the last before the trial counts
		} else {
			d, u := bench.Drift(before, c.Result)
			x.Drift, x.DriftU = analyze.Number(d), analyze.Number(u)
		}
		out.Bench = append(out.Bench, x)
	}
	return out, nil
}

// polling puts the minutes of each device together.
func polling(minutes []store.Lateness) []PollingJSON {
	type key struct{ bus, device string }
	var order []key
	by := map[key][]store.Lateness{}
	for _, m := range minutes {
		k := key{m.Bus, m.Device}
		if by[k] == nil {
			order = append(order, k)
		}
		by[k] = append(by[k], m)
	}
	var all []PollingJSON
	for _, k := range order {
		nan := analyze.Number(math.NaN())
		x := PollingJSON{Bus: k.bus, Device: k.device, P99S: nan, P99AtS: nan, MaxS: nan}
		var medians []float64
		for _, m := range by[k] {
			x.Polls, x.Merged, x.Errors = x.Polls+m.Polls, x.Merged+m.Merged, x.Errors+m.Errors
			if m.Polls == 0 {
				continue
			}
			medians = append(medians, m.P50S)
			if p := analyze.Number(m.P99S); !(p <= x.P99S) {
				x.P99S, x.P99AtS = p, analyze.Number(float64(m.FromNS)/1e9)
			}
			if worst := analyze.Number(m.MaxS); !(worst <= x.MaxS) {
				x.MaxS = worst
			}
		}
		x.P50S = analyze.Number(stats.Median(medians))
		all = append(all, x)
	}
	return all
}

// Write writes c for people: nothing of what there is nothing to say about.
func (c *CircumstancesJSON) Write(w io.Writer) {
	for _, a := range c.Clock {
		if a.JumpedS != 0 {
			fmt.Fprintf(w, "at %.3f s %s by %.3f s, to %s; times of the trial go on from the first anchor, %s\n",
				a.TS, a.Why, math.Abs(a.JumpedS), a.UTC.Format("2006-01-02 15:04:05.000 UTC"), c.Clock[0].UTC.Format("2006-01-02 15:04:05.000 UTC"))
		}
	}
	if len(c.Polling) > 0 {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "device\tpolls\tmerged\tfailed\tlate by\t99 % within, worst minute\tworst")
		for _, p := range c.Polling {
			fmt.Fprintf(t, "%s %s\t%d\t%d\t%d\t%s\t%s\t%s\n", p.Bus, p.Device, p.Polls, p.Merged, p.Errors, millis(p.P50S), millis(p.P99S), millis(p.MaxS))
		}
		t.Flush()
	}
	if len(c.Bench) > 0 {
		BenchChecks(w, c.Bench)
	}
}

func millis(s analyze.Number) string {
	if math.IsNaN(float64(s)) {
		return "–"
	}
	return fmt.Sprintf("%.2f ms", 1e3*float64(s))
}

// BenchChecks writes a table of results of bench checks.
func BenchChecks(w io.Writer, all []BenchJSON) {
	moments := slices.ContainsFunc(all, func(r BenchJSON) bool { return r.Moment != "" })
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	if moments {
		fmt.Fprint(t, "bench check\t")
	}
	fmt.Fprintln(t, "station\tstep\tvalue\tallowed\tresult\tdrift")
	for _, r := range all {
		verdict := "no limit stated"
		if r.Pass != nil && *r.Pass {
			verdict = "pass"
		} else if r.Pass != nil {
			verdict = "FAIL"
		}
		value := r.Why
		if r.Value != nil {
			u := 0.0
			if r.U != nil {
				u = *r.U
			}
			value = withU(*r.Value, u) + " kPa"
			if r.Why != "" {
				value += " (" + r.Why + ")"
			}
		}
		drift := "–"
		if d := float64(r.Drift); !math.IsNaN(d) {
			drift = withU(d, float64(r.DriftU)) + " kPa"
			if d >= 0 {
				drift = "+" + drift
			}
		}
		if moments {
			fmt.Fprintf(t, "%s\t", r.Moment)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", r.Station, r.Step, value, allowed(r.Result), verdict, drift)
	}
	t.Flush()
	fmt.Fprintln(w, plusMinus)
}

// withU writes a number of a bench check, to 0.01 where its uncertainty is not known.
func withU(v, u float64) string {
	if u > 0 {
		return Digits(analyze.Figure{Value: v, U: u}, 1)
	}
	return fmt.Sprintf("%.2f", v)
}

// allowed returns the limits of a step in words.
func allowed(r bench.Result) string {
	switch {
	case r.Lo != nil && r.Hi != nil:
		return fmt.Sprintf("%g to %g kPa", *r.Lo, *r.Hi)
	case r.Lo != nil:
		return fmt.Sprintf("%g kPa or more", *r.Lo)
	case r.Hi != nil:
		return fmt.Sprintf("%g kPa or less", *r.Hi)
	}
	return "–"
}
