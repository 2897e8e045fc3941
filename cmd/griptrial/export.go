package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"griptrial/config"
	"griptrial/report/export"
	"griptrial/store"
)

type exportOptions struct {
	traces          bool
	format, out     string
	set             int
	station         string
	channels        []string
	from, to, every string
	counts          bool
}

func exportCommand() *cobra.Command {
	o := &exportOptions{}
	c := &cobra.Command{
		Use:   "export TRIAL" + store.Ext,
		Short: "Write picks or traces as CSV, Parquet or line protocol",
		Long: `export writes the picks of a trial, or with --traces its samples, for other programs.

Picks: one a row. Every figure has its value, its standard uncertainty (_u), its limits at
95 % (_lo, _hi) and its warnings; a cell is empty where there is no answer.
Traces: one scan a row, in order of time, values in the unit that the column's name ends in,
empty where a count is no measurement; --every thins them to min, max and mean of equal
times; --counts gives raw counts as read.

The format follows from the name's ending (.csv, .parquet, .lp) or from --format. Parquet
files hold each column's unit in their metadata under griptrial.units. Line protocol has
stamps in ns.`,
		Example: `  griptrial export hall.gtrial --out picks.csv
  griptrial export hall.gtrial --traces --out traces.parquet
  griptrial export hall.gtrial --traces --channels "left vacuum,left flow" --from "10 s" --to "25 s" --out -
  griptrial export hall.gtrial --traces --every "1 s" --out thinned.csv
  griptrial export hall.gtrial --set 2 --station left --format lines`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := noEmptyFlags(c); err != nil {
				return err
			}
			return exportTrial(c.Context(), c.OutOrStdout(), c.ErrOrStderr(), args[0], o)
		},
	}
	f := c.Flags()
	f.BoolVar(&o.traces, "traces", false, "samples in place of picks")
	f.StringVar(&o.out, "out", "-", `file to write; "-" is the standard output`)
	f.StringVar(&o.format, "format", "", "csv, parquet or lines (default by the name's ending, else csv)")
	f.IntVar(&o.set, "set", 1, "analysis whose picks are written; 1 is the one made while recording")
	f.StringVar(&o.station, "station", "", "only this station; with --traces also channels that the whole rig has")
	f.StringSliceVar(&o.channels, "channels", nil, "with --traces: only these channels, separated by commas")
	f.StringVar(&o.from, "from", "", `from this time of the trial on, "10 s", or UTC "2026-03-02T06:00:10Z"; picks by their start`)
	f.StringVar(&o.to, "to", "", "until before this time")
	f.StringVar(&o.every, "every", "", `with --traces: min, max and mean of so long a time, "100 ms"`)
	f.BoolVar(&o.counts, "counts", false, "with --traces: raw counts in place of values")
	return c
}

// exportFormat returns the format by its name, else by the ending of the file's.
func (o *exportOptions) exportFormat() (export.Format, error) {
	name := o.format
	if name == "" {
		name = map[string]string{".csv": "csv", ".parquet": "parquet", ".lp": "lines", "": "csv"}[strings.ToLower(filepath.Ext(o.out))]
	}
	f := export.Format(name)
	switch {
	case name == "" && o.out != "-":
		return "", wrongf("--out: found %q; want a name that ends in .csv, .parquet or .lp, or --format", o.out)
	case !slices.Contains([]export.Format{export.CSV, export.Parquet, export.Lines}, f):
		return "", wrongf("--format: found %q; csv, parquet and lines are allowed", name)
	}
	return f, nil
}

// trialTime returns a time of the trial in s, of a quantity or an instant; NaN for "".
func trialTime(flag, text string, anchor time.Time) (float64, error) {
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at.Sub(anchor).Seconds(), nil
	}
	return quantity(flag, config.Time, text, math.NaN())
}

func exportTrial(ctx context.Context, stdout, stderr io.Writer, path string, o *exportOptions) (err error) {
	format, err := o.exportFormat()
	if err != nil {
		return err
	}
	t, err := openTrial(path)
	if err != nil {
		return err
	}
	defer t.Close()
	h := t.Header()
	e := export.Options{Format: format, Set: o.set, Station: o.station, Channels: o.channels, Counts: o.counts,
		Trial: strings.TrimSuffix(filepath.Base(path), store.Ext)}
	if rig, err := config.ParseRig("rig of "+path, h.RigText); err == nil {
		e.Rig = rig.Name
	}
	if e.FromS, err = trialTime("from", o.from, h.AnchorUTC); err != nil {
		return err
	}
	if e.ToS, err = trialTime("to", o.to, h.AnchorUTC); err != nil {
		return err
	}
	everyS, err := quantity("every", config.Time, o.every, 0)
	if err != nil {
		return err
	}
	e.EveryNS = int64(math.Round(everyS * 1e9))
	if _, err := setOf(t, o.set); err != nil {
		return err
	}
	switch {
	case e.ToS <= e.FromS:
		return wrongf("--to: found %q, which is not after --from %q", o.to, o.from)
	case o.every != "" && e.EveryNS < int64(time.Millisecond):
		return wrongf(`--every: found %q; at least "1 ms"`, o.every)
	case !o.traces && (o.every != "" || o.counts || o.channels != nil):
		return wrongf("--every, --counts and --channels belong to --traces, which is missing")
	case o.counts && o.every != "":
		return wrongf("--counts: raw counts are not thinned; leave out --every")
	case o.counts && format == export.Lines:
		return wrongf("--counts: line protocol has values only; use csv or parquet")
	case o.station != "" && !slices.Contains(h.Stations, o.station):
		return wrongf("--station: found %q; the trial has %s", o.station, strings.Join(h.Stations, ", "))
	}
	box, err := t.Outbox("") // for the number of rows
	if err != nil {
		return err
	}
	w, end := stdout, func(bool) error { return nil }
	if o.out == "-" && format == export.Parquet && isTerminal(stdout) {
		return wrongf("--out: Parquet is no text for a terminal; name a file")
	}
	if o.out != "-" {
		if filepath.Ext(o.out) == store.Ext {
			return wrongf("--out: found %q, the name of a trial file", o.out)
		}
		if w, end, err = replaced(o.out); err != nil {
			return err
		}
	}
	var n int64
	what := "picks"
	if o.traces {
		what = "rows"
		var stop func()
		e.Told, stop = bar(stderr, box.Last, "batches")
		n, err = export.Traces(ctx, w, t, e)
		stop()
	} else {
		var stop func()
		e.Told, stop = bar(stderr, box.Picks, "picks")
		n, err = export.Picks(ctx, w, t, e)
		stop()
	}
	if e := end(err == nil); err == nil {
		err = e
	}
	var input *export.InputError
	switch {
	case errors.As(err, &input):
		return wrong(err)
	case errors.Is(err, context.Canceled):
		return fmt.Errorf("%s: interrupted; %s is as it was", path, o.out)
	case err != nil:
		return err
	}
	if o.out != "-" {
		fmt.Fprintf(stderr, "%s: %d %s\n", o.out, n, what)
	}
	return nil
}

// replaced opens a file that takes the place of path when it ends well; else path stays as
// it was.
func replaced(path string) (io.Writer, func(well bool) error, error) {
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		f, err := os.OpenFile(path, os.O_WRONLY, 0) // a pipe or a device
		if err != nil {
			return nil, nil, wrong(err)
		}
		return f, func(bool) error { return f.Close() }, nil
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".export-*")
	if err != nil {
		return nil, nil, wrong(err)
	}
	return f, func(well bool) error {
		err := f.Close()
		if well && err == nil {
			if err = os.Chmod(f.Name(), 0o644); err == nil {
				err = os.Rename(f.Name(), path)
			}
		}
		if !well || err != nil {
			os.Remove(f.Name())
		}
		return err
	}, nil
}
