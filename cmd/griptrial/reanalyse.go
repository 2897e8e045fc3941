package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"

	"github.com/spf13/cobra"

	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

type reanalyseOptions struct {
	rig, trial, why string
	json            bool
}

func reanalyseCommand() *cobra.Command {
	o := &reanalyseOptions{}
	c := &cobra.Command{
		Use:   "reanalyse TRIAL" + store.Ext,
		Short: "Find the picks anew, by another requirement, calibration or definition",
		Long: `reanalyse judges the stored samples again and stores the picks as a new set beside the old
ones, which stay. --rig states other scalings, accuracies or station settings for the same
channels, --trial another requirement; without them those of the recording hold, and only
the program's definitions are new.

Ctrl-C interrupts it; the same command goes on with the same set.`,
		Example: `  griptrial reanalyse hall.gtrial --trial stricter.yaml --why "35 kPa asked for"
  griptrial reanalyse hall.gtrial --rig calibrated.yaml
  griptrial picks hall.gtrial --set 2`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return reanalyse(c.Context(), c.OutOrStdout(), c.ErrOrStderr(), args[0], o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.rig, "rig", "", "rig file to analyse by (default the recording's)")
	f.StringVar(&o.trial, "trial", "", "trial file to analyse by (default the recording's)")
	f.StringVar(&o.why, "why", "re-analysed", "reason, shown with the set")
	f.BoolVar(&o.json, "json", false, "write JSON")
	return c
}

// closed closes a trial file and returns err, or what closing says where err is nil: after a
// full disk it would only say the same once more.
func closed(err error, t *store.Trial) error {
	if e := t.Close(); err == nil {
		return e
	}
	return err
}

func reanalyse(ctx context.Context, stdout, stderr io.Writer, path string, o *reanalyseOptions) (err error) {
	t, err := ownTrial(path)
	if err != nil {
		return err
	}
	defer func() { err = closed(err, t) }()
	h := t.Header()
	a := store.Analysis{RigText: h.RigText, TrialText: h.TrialText, Groups: h.Groups}
	rig, err := config.ParseRig("rig of "+path, h.RigText)
	if err != nil {
		return wrong(err)
	}
	if o.rig != "" {
		now, err := loadRig(o.rig, nil)
		if err != nil {
			return err
		}
		if a.Groups, err = record.Rescale(h.Groups, rig, now); err != nil {
			return wrong(err)
		}
		rig, a.RigText = now, now.Text
	}
	if o.trial != "" {
		trial, err := record.LoadTrial(o.trial, rig)
		if err != nil {
			return wrong(err)
		}
		a.TrialText = trial.Text
		if _, recorded, err := record.TextsOf(t, path, 1); err == nil {
			for _, line := range otherSetups(recorded, trial) {
				fmt.Fprintf(stderr, "%s: %s\n", o.trial, line)
			}
		}
	}
	stations, err := record.AnalysisOf(t, path, a)
	if err != nil {
		return wrong(err)
	}
	set, resumed, err := unfinished(t, a)
	if err != nil {
		return err
	}
	if !resumed {
		if set, err = t.NewAnalysis(version(), o.why, a); err != nil {
			return err
		}
	}
	box, err := t.Outbox("") // for the number of batches
	if err != nil {
		return err
	}
	told, end := bar(stderr, box.Last, "batches")
	defer end()
	picks, events, err := record.Reanalyse(ctx, t, set, stations, told)
	if errors.Is(err, context.Canceled) {
		return fmt.Errorf("%s: interrupted; the same command goes on with set %d", path, set)
	}
	if err != nil {
		return err
	}
	if o.json {
		return report.WriteJSON(stdout, struct {
			Schema  int  `json:"schema"`
			Set     int  `json:"set"`
			Resumed bool `json:"resumed"`
			Picks   int  `json:"picks"`
			Events  int  `json:"events"`
		}{report.Schema, set, resumed, picks, events})
	}
	went := ""
	if resumed {
		went = "went on with "
	}
	fmt.Fprintf(stdout, "%s: %sset %d: %d picks, %d events; see griptrial picks %s --set %d\n", path, went, set, picks, events, path, set)
	return nil
}

// otherSetups says, a line each and few of them, where a trial names other setups than were recorded:
// a requirement may be another one afterwards, what was picked may not.
func otherSetups(recorded, now *config.Trial) (lines []string) {
	const most = 4
	for i, r := range recorded.Runs {
		for _, station := range slices.Sorted(maps.Keys(r.Setups)) {
			if len(lines) == most {
				return append(lines, "… and more; the picks are told by the setups of this file from now on")
			}
			was := recorded.Setup(r.Setups[station])
			var is *config.Setup
			if i < len(now.Runs) {
				is = now.Setup(now.Runs[i].Setups[station])
			}
			if was == nil {
				continue
			}
			if is == nil {
				lines = append(lines, fmt.Sprintf("run %d has no setup at %s, where %q was recorded", i+1, station, was.Name))
				continue
			}
			for _, f := range config.Factors {
				if a, b := was.Level(f), is.Level(f); a != b {
					lines = append(lines, fmt.Sprintf("run %d at %s: %s %q, recorded with %q", i+1, station, f, b, a))
					break
				}
			}
		}
	}
	return lines
}

// unfinished returns the set of an interrupted re-analysis by this version from the same.
func unfinished(t *store.Trial, a store.Analysis) (set int, ok bool, err error) {
	sets, err := t.Sets()
	if err != nil {
		return 0, false, err
	}
	for _, s := range sets {
		if s.N == 1 || s.Program != version() {
			continue
		}
		done, err := t.Finished(s.N)
		if err != nil {
			return 0, false, err
		}
		made, known, err := t.Analysis(s.N)
		if err != nil {
			return 0, false, err
		}
		if known && !done && made.Same(a) {
			return s.N, true, nil
		}
	}
	return 0, false, nil
}
