package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"text/tabwriter"
	"time"

	"griptrial/acquire/bench"
	"griptrial/acquire/sample"
	"griptrial/config"
)

// benchCheck leads through the bench check and writes its results; with before, also how
// they have drifted.
func benchCheck(ctx context.Context, in io.Reader, w io.Writer, rig *config.Rig, steps []bench.Step, outPath, beforePath string) error {
	var before []bench.Result
	if beforePath != "" {
		text, err := os.ReadFile(beforePath)
		if err != nil {
			return wrong(err)
		}
		if err := json.Unmarshal(text, &before); err != nil {
			return wrongf("%s: no results of a bench check: %w", beforePath, err)
		}
	}
	ask := bufio.NewScanner(in)
	var results []bench.Result
	for i := range steps {
		s := &steps[i]
		if s.Do != "" {
			fmt.Fprintf(w, "station %s, %s: %s, then press Enter: ", s.Station, s.Name, s.Do)
			_, err := answer(ctx, ask)
			fmt.Fprintln(w)
			if err != nil {
				return err
			}
		}
		values, err := readValues(ctx, rig, s.Place, time.Duration(s.LengthS*float64(time.Second)))
		if err != nil {
			return err
		}
		results = append(results, s.Judge(values))
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "station\tstep\tvalue\tallowed\tresult\tdrift")
	failed := 0
	for _, r := range results {
		verdict := "no limit stated"
		if r.Pass != nil && *r.Pass {
			verdict = "pass"
		} else if r.Pass != nil {
			verdict = "FAIL"
			failed++
		}
		value := r.Why
		if r.Value != nil {
			value = fmt.Sprintf("%.2f ± %.2f kPa", *r.Value, 1.96**r.U)
		}
		drift := "–"
		if d, u := bench.Drift(before, r); !math.IsNaN(d) {
			drift = fmt.Sprintf("%+.2f ± %.2f kPa", d, 1.96*u)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", r.Station, r.Step, value, allowed(r), verdict, drift)
	}
	t.Flush()
	if outPath != "" {
		text, err := json.MarshalIndent(results, "", "  ")
		if err != nil {
			return err
		}
		if err := os.WriteFile(outPath, append(text, '\n'), 0o666); err != nil {
			return err
		}
	}
	if failed > 0 {
		return notMet(fmt.Errorf("bench check: %d of %d steps failed", failed, len(results)))
	}
	return nil
}

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
