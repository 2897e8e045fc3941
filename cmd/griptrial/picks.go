package main

import (
	"errors"
	"io"
	"math"
	"os"

	"github.com/spf13/cobra"

	"griptrial/analyze"
	"griptrial/config"
	"griptrial/report"
	"griptrial/store"
)

type picksOptions struct {
	set     int
	station string
	json    bool
}

func picksCommand() *cobra.Command {
	o := &picksOptions{}
	c := &cobra.Command{
		Use:   "picks TRIAL" + store.Ext,
		Short: "Show the picks of a recorded trial",
		Example: `  griptrial picks demo.gtrial
  griptrial picks demo.gtrial --station left --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return showPicks(c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.station, "station", "", "only this station")
	f.IntVar(&o.set, "set", 1, "analysis to show; 1 is the one made while recording")
	f.BoolVar(&o.json, "json", false, "write JSON")
	return c
}

// openTrial opens a trial file for reading.
func openTrial(path string) (*store.Trial, error) {
	t, err := store.OpenRead(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil, wrongf("%s: no such file: %w", path, os.ErrNotExist)
	}
	if errors.Is(err, store.ErrNotTrial) || errors.Is(err, store.ErrNewer) {
		return nil, wrong(err)
	}
	return t, err
}

// readRows returns the picks of a trial with the names of their setups.
func readRows(t *store.Trial, set int, station string) ([]report.Row, error) {
	picks, err := t.Picks(set, station)
	if err != nil {
		return nil, err
	}
	runs, err := t.Runs()
	if err != nil {
		return nil, err
	}
	setups := map[int]map[string]string{}
	for _, r := range runs {
		setups[r.N] = r.Setups
	}
	rows := make([]report.Row, len(picks))
	for i, p := range picks {
		rows[i] = report.Row{Pick: p, Setup: setups[p.Run][p.Station]}
	}
	return rows, nil
}

func showPicks(w io.Writer, path string, o *picksOptions) error {
	t, err := openTrial(path)
	if err != nil {
		return err
	}
	defer t.Close()
	rows, err := readRows(t, o.set, o.station)
	if err != nil {
		return err
	}
	events, err := t.Events(o.set)
	if err != nil {
		return err
	}
	out := report.PicksJSON{Schema: report.Schema, Station: o.station, IdleLevelKPa: analyze.Number(math.NaN()),
		AmbientKPa: analyze.Number(math.NaN()), Picks: []report.PickJSON{}, Events: []report.EventJSON{}, Gaps: []report.GapJSON{}}
	if rig, err := config.ParseRig("rig of "+path, t.Header().RigText); err == nil {
		out.AmbientKPa = analyze.Number(rig.AmbientKPa)
	}
	var idle []float64
	for _, r := range rows {
		if !math.IsNaN(r.IdleLevelKPa) {
			idle = append(idle, r.IdleLevelKPa)
		}
		out.Picks = append(out.Picks, report.Pick(r.Pick, r.Setup))
	}
	out.IdleLevelKPa = analyze.Number(report.Median(idle))
	kept := events[:0]
	for _, e := range events {
		if o.station == "" || e.Station == o.station {
			kept = append(kept, e)
			out.Events = append(out.Events, report.Event(e))
		}
	}
	if o.json {
		return report.WriteJSON(w, out)
	}
	return report.Measured(w, path, out, rows, kept)
}
