package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"griptrial/analyze/linespeed"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

// showPairs writes which picks of two stations belong together.
func showPairs(w io.Writer, t *store.Trial, o *picksOptions) error {
	stations := t.Header().Stations
	if o.pairs != allPairs {
		stations = strings.Split(o.pairs, ",")
	}
	if len(stations) != 2 || stations[0] == stations[1] {
		return wrongf("--pairs: want two stations such as --pairs=left,right; the trial has %s", strings.Join(t.Header().Stations, ", "))
	}
	var rows [2][]report.Row
	var picks [2][]pick.Pick
	for i, s := range stations {
		if !slices.Contains(t.Header().Stations, s) {
			return wrongf("--pairs: the trial has no station %q; it has %s", s, strings.Join(t.Header().Stations, ", "))
		}
		all, err := readRows(t, o.set, s)
		if err != nil {
			return err
		}
		rows[i] = all
		slices.SortStableFunc(rows[i], func(a, b report.Row) int { return cmp.Compare(a.N, b.N) })
		for _, r := range rows[i] {
			picks[i] = append(picks[i], r.Pick)
		}
	}
	return report.Pairs(w, rows[0], rows[1], pick.PairUp(picks[0], picks[1]), o.json)
}

// allPairs is what --pairs holds without names.
const allPairs = "both"

// showLineSpeed holds the picks of each station and setup against the line's cycle.
func showLineSpeed(w io.Writer, t *store.Trial, o *picksOptions) error {
	nan := math.NaN()
	required := config.Requirement{PicksPerMinute: nan, SealTimeLimitS: nan, SealTimeShare: nan, Confidence: nan}
	switch _, trial, err := record.TextsOf(t, t.Path(), o.set); {
	case err == nil:
		required = trial.Requirement
	case !errors.Is(err, record.ErrNoSetups):
		return err
	}
	var q quantities
	opt := linespeed.Options{PicksPerMinute: q.positive("rate", config.Frequency, o.rate, required.PicksPerMinute),
		LimitS: q.positive("limit", config.Time, o.limit, required.SealTimeLimitS), Share: required.SealTimeShare, Confidence: required.Confidence}
	if q.err != nil {
		return q.err
	}
	if math.IsNaN(opt.PicksPerMinute) {
		return wrongf(`--line-speed: --rate is missing: the picks per minute of the line, such as "45 /min"; the trial states none`)
	}
	rows, err := readRows(t, o.set, o.station)
	if err != nil {
		return err
	}
	all, err := report.LineSpeedsOf(rows, opt)
	if err != nil {
		return err
	}
	bad := 0
	for _, v := range all {
		if v.Verdict == "not met" || v.Verdict == "not shown" {
			bad++
		}
	}
	if err := report.LineSpeeds(w, all, o.json); err != nil {
		return err
	}
	if bad > 0 {
		return notMet(fmt.Errorf("%d of %d: the required share of seal times within the limit is not met or not shown", bad, len(all)))
	}
	return nil
}
