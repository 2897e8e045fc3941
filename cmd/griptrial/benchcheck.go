package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"griptrial/acquire/bench"
	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/config"
	"griptrial/report"
	"griptrial/store"
)

// A benchOptions says where the results of a bench check come from and go to.
type benchOptions struct {
	out, before string // JSON files
	into        string // trial file
}

// benchCheck leads through the bench check, shows its results, with how they have drifted
// since one before the trial, and keeps them.
func benchCheck(ctx context.Context, in io.Reader, w io.Writer, rig *config.Rig, steps []bench.Step, o benchOptions) error {
	var before []bench.Result
	if o.before != "" {
		text, err := os.ReadFile(o.before)
		if err != nil {
			return wrong(err)
		}
		if err := json.Unmarshal(text, &before); err != nil {
			return wrongf("%s: no results of a bench check: %w", o.before, err)
		}
	}
	var file *store.Trial
	moment := ""
	if o.into != "" {
		var err error
		if file, err = ownTrial(o.into); err != nil {
			return err
		}
		defer file.Close()
		checks, err := file.BenchChecks()
		if err != nil {
			return err
		}
		for _, c := range checks {
			if c.Moment == store.Before {
				before = append([]bench.Result{c.Result}, before...) // the last one counts
			}
		}
		moment = store.After
		if n, _ := file.Outbox(""); n.Last == 0 {
			moment = store.Before // nothing is recorded yet
		}
	}
	results, err := takeBenchCheck(ctx, bufio.NewScanner(in), w, rig, steps)
	if err != nil {
		return err
	}
	if file != nil {
		anchors, err := file.Clock()
		if err != nil {
			return err
		}
		if err := keepBenchCheck(file, moment, store.TrialNS(anchors, time.Now()), results); err != nil {
			return err
		}
	}
	if o.out != "" {
		text, err := json.MarshalIndent(results, "", "  ")
		if err != nil {
			return err
		}
		if err := os.WriteFile(o.out, append(text, '\n'), 0o666); err != nil {
			return err
		}
	}
	return showBenchCheck(w, results, before)
}

// takeBenchCheck leads through the steps and returns their results. A step that cannot be
// measured is tried again when Enter is pressed: those before it are not lost.
func takeBenchCheck(ctx context.Context, ask *bufio.Scanner, w io.Writer, rig *config.Rig, steps []bench.Step) ([]bench.Result, error) {
	var results []bench.Result
	for i := range steps {
		s := &steps[i]
		for do := s.Do; ; {
			if do != "" {
				fmt.Fprintf(w, "station %s, %s: %s, then press Enter: ", s.Station, s.Name, do)
				_, err := answer(ctx, ask)
				fmt.Fprintln(w)
				if err != nil {
					return nil, err
				}
			}
			values, err := readValues(ctx, rig, s.Place, time.Duration(s.LengthS*float64(time.Second)))
			if err == nil {
				results = append(results, s.Judge(values))
				break
			}
			if ctx.Err() != nil {
				return nil, err
			}
			fmt.Fprintf(w, "not measured: %v\n", err)
			do = "see to that"
		}
	}
	return results, nil
}

// keepBenchCheck writes results into a trial file.
func keepBenchCheck(file *store.Trial, moment string, ns int64, results []bench.Result) error {
	var e store.Entry
	for _, r := range results {
		e.Bench = append(e.Bench, store.BenchCheck{TNS: ns, Moment: moment, Result: r})
	}
	return file.Commit(e)
}

// showBenchCheck writes results with their drift. The error says that some have failed.
func showBenchCheck(w io.Writer, results, before []bench.Result) error {
	var all []report.BenchJSON
	failed := 0
	for _, r := range results {
		d, u := bench.Drift(before, r)
		all = append(all, report.BenchJSON{Result: r, Drift: analyze.Number(d), DriftU: analyze.Number(u)})
		if r.Pass != nil && !*r.Pass {
			failed++
		}
	}
	report.BenchChecks(w, all)
	if failed > 0 {
		return notMet(fmt.Errorf("bench check: %d of %d steps failed", failed, len(results)))
	}
	return nil
}

// readValues reads one channel for a while and returns its values in the order of time, NaN
// for samples that are missing or flagged.
func readValues(ctx context.Context, rig *config.Rig, place config.Place, length time.Duration) ([]float64, error) {
	var values []float64
	flagger := sample.Flagger{Limits: place.Channel.Limits}
	err := readChannel(ctx, rig, place, length, func(t, n int64) {
		if flagger.Flag(t, n) != "" {
			n = sample.Missing
		}
		values = append(values, place.Channel.Value(n))
	})
	if errors.Is(err, errNoValue) {
		return nil, nil // the step says so
	}
	return values, err
}
