package main

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"

	"github.com/spf13/cobra"

	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

type verifyOptions struct{ json bool }

func verifyCommand() *cobra.Command {
	o := &verifyOptions{}
	c := &cobra.Command{
		Use:   "verify TRIAL" + store.Ext,
		Short: "Check a trial file: checksums, order, gaps, and its picks against its samples",
		Long: `verify reads the whole trial file and says what is wrong with it: a changed byte, a row or
a batch that is missing, and picks that its stored samples do not give again to the bit.

It changes nothing, and a trial that is being recorded can be verified. Gaps in the
recording are shown; they are no damage. A damaged file: see "griptrial salvage".`,
		Example: `  griptrial verify hall.gtrial
  griptrial verify hall.gtrial --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return verify(c.OutOrStdout(), c.ErrOrStderr(), args[0], o)
		},
	}
	c.Flags().BoolVar(&o.json, "json", false, "write JSON")
	return c
}

type verifyJSON struct {
	Schema  int             `json:"schema"`
	OK      bool            `json:"ok"`
	Damage  []string        `json:"damage"`
	Blocks  int64           `json:"blocks"`
	Batches int64           `json:"batches"`
	Faults  int64           `json:"faults"`
	Scans   int64           `json:"scans"`
	Samples int64           `json:"samples"`
	FromS   float64         `json:"from_s"`
	ToS     float64         `json:"to_s"`
	Sets    []verifySetJSON `json:"sets"`
	Gaps    []verifyGapJSON `json:"gaps"`

	Circumstances *report.CircumstancesJSON `json:"circumstances"`
}

type verifySetJSON struct {
	Set         int      `json:"set"`
	Why         string   `json:"why"`
	Program     string   `json:"program"`
	Picks       int      `json:"picks"`
	Same        int      `json:"same"`
	NotStored   int      `json:"not_stored"`
	Finished    bool     `json:"finished"`
	Compared    bool     `json:"compared"`
	Remark      string   `json:"remark,omitempty"`
	Differences []string `json:"differences"`
}

type verifyGapJSON struct {
	Station  string  `json:"station"`
	Count    int     `json:"count"`
	TotalS   float64 `json:"total_s"`
	LongestS float64 `json:"longest_s"`
	AtS      float64 `json:"at_s"`
}

func verify(w, stderr io.Writer, path string, o *verifyOptions) error {
	batches := int64(0)
	if t, err := store.OpenRead(path); err == nil { // else Check says what is wrong
		if box, err := t.Outbox(""); err == nil {
			batches = box.Last
		}
		t.Close()
	}
	told, end := bar(stderr, 2*batches, "checksums")
	checked, err := store.CheckTold(path, told)
	end()
	switch {
	case errors.Is(err, os.ErrNotExist):
		return wrongf("%s: no such file: %w", path, os.ErrNotExist)
	case errors.Is(err, store.ErrNotTrial), errors.Is(err, store.ErrNewer):
		return wrong(err)
	case err != nil:
		return err
	}
	out := verifyJSON{Schema: report.Schema, OK: checked.OK(), Damage: append([]string{}, checked.Damage...), Blocks: checked.Blocks, Batches: checked.Batches, Faults: checked.Faults,
		Scans: checked.Scans, Samples: checked.Samples, FromS: float64(checked.FirstNS) / 1e9, ToS: float64(checked.LastNS) / 1e9,
		Sets: []verifySetJSON{}, Gaps: []verifyGapJSON{}}
	if out.OK {
		if err := verifySets(stderr, path, batches, &out); err != nil {
			return err
		}
	}
	if o.json {
		err = report.WriteJSON(w, out)
	} else {
		err = writeVerified(w, path, checked, &out)
	}
	if err == nil && !out.OK {
		err = fmt.Errorf("%s is damaged: %d faults", path, len(out.Damage))
	}
	return err
}

// verifySets judges the samples again, once for each set.
func verifySets(stderr io.Writer, path string, batches int64, out *verifyJSON) error {
	t, err := openTrial(path)
	if err != nil {
		return err
	}
	defer t.Close()
	if out.Circumstances, err = report.Circumstances(t); err != nil {
		return err
	}
	sets, err := t.Sets()
	if err != nil {
		return err
	}
	for _, set := range sets {
		x := verifySetJSON{Set: set.N, Why: set.Why, Program: set.Program, Differences: []string{}}
		a, ok, err := t.Analysis(set.N)
		if err != nil {
			return err
		}
		var stations *record.Stations
		switch {
		case len(set.Why) >= len(store.Salvaged) && set.Why[:len(store.Salvaged)] == store.Salvaged:
			x.Remark = "kept from a damaged file; samples may be missing, so it is not compared"
		case !ok:
			x.Remark = "the file does not say what it was made from"
		default:
			if stations, err = record.AnalysisOf(t, path, a); err != nil {
				x.Remark = err.Error()
			}
		}
		if stations == nil {
			picks, err := t.Picks(set.N, "")
			if err != nil {
				return err
			}
			x.Picks = len(picks)
			out.Sets = append(out.Sets, x)
			continue
		}
		told, end := bar(stderr, batches, fmt.Sprintf("set %d", set.N))
		c, err := record.Compare(t, set.N, stations, told)
		end()
		if err != nil {
			return err
		}
		x.Compared, x.Picks, x.Same, x.NotStored, x.Finished = true, c.Picks, c.Same, c.NotStored, c.Finished
		if set.Program != version() && !c.OK() {
			x.Remark = fmt.Sprintf("made by version %s, compared by %s: definitions may differ", set.Program, version())
		}
		for _, d := range c.Differences {
			x.Differences = append(x.Differences, d)
			out.Damage = append(out.Damage, fmt.Sprintf("set %d: %s", set.N, d))
		}
		out.OK = out.OK && c.OK()
		if out.Sets = append(out.Sets, x); len(out.Gaps) > 0 {
			continue
		}
		for _, station := range slices.Sorted(maps.Keys(c.Gaps)) {
			g := verifyGapJSON{Station: station}
			for _, gap := range c.Gaps[station] {
				g.Count++
				s := gap.ToS - gap.FromS
				g.TotalS += s
				if s > g.LongestS {
					g.LongestS, g.AtS = s, gap.FromS
				}
			}
			out.Gaps = append(out.Gaps, g)
		}
	}
	return nil
}

func writeVerified(w io.Writer, path string, r store.Report, out *verifyJSON) error {
	fmt.Fprintf(w, "%s: %d blocks, %d batches in order, %d scans, %d samples, %.3f s to %.3f s; %d faults recorded\n",
		path, r.Blocks, r.Batches, r.Scans, r.Samples, out.FromS, out.ToS, r.Faults)
	for _, g := range out.Gaps {
		fmt.Fprintf(w, "station %s: %d gaps, %.3f s in all, the longest %.3f s at %.3f s\n", g.Station, g.Count, g.TotalS, g.LongestS, g.AtS)
	}
	for _, s := range out.Sets {
		fmt.Fprintf(w, "set %d (%s): %d picks", s.Set, s.Why, s.Picks)
		if s.Compared {
			fmt.Fprintf(w, ", %d found again to the bit", s.Same)
		}
		switch {
		case s.Compared && !s.Finished && s.NotStored > 0:
			fmt.Fprintf(w, "; it was cut off or goes on, %d that the samples show are not stored yet", s.NotStored)
		case s.Compared && !s.Finished:
			fmt.Fprint(w, "; it was cut off or goes on")
		}
		if s.Remark != "" {
			fmt.Fprintf(w, "; %s", s.Remark)
		}
		fmt.Fprintln(w)
	}
	if out.Circumstances != nil {
		out.Circumstances.Write(w)
	}
	for _, d := range out.Damage {
		fmt.Fprintf(w, "damage: %s\n", d)
	}
	if out.OK {
		fmt.Fprintln(w, "whole")
	}
	return nil
}
