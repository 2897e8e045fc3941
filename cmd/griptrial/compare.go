package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"griptrial/analyze/compare"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

type compareOptions struct {
	set        int
	by, within []string
	figures    []string
	at         string
	see        string
	allowOpen  bool
	all        bool
	json, csv  bool
	verdicts   bool
}

func compareCommand() *cobra.Command {
	o := &compareOptions{}
	c := &cobra.Command{
		Use:   "compare TRIAL" + store.Ext,
		Short: "Compare the setups of a trial with each other and with the requirement",
		Long: `compare says which setup is better, by how much, and how sure that is. What counts is the
number of pieces (or of set-ups of an engine), not of picks: a piece picked a hundred times
is still one piece. Each setup is measured at its own required vacuum, or with --at all at
one. p-values are adjusted for the number of comparisons (Holm), intervals are not.

Then it says whether each setup holds the requirement, at the trial's confidence: holds,
does not, or not shown yet with the picks that would show it. Exit code 3 unless all hold;
--allow-open lets "not shown yet" pass.

Until the planned runs are made, intervals are wide enough to be looked at as often as you
like, and nothing is decided.`,
		Example: `  griptrial compare demo.gtrial
  griptrial compare demo.gtrial --by cup --within bag --figure seal_time_s --all
  griptrial compare demo.gtrial --at "20 kPa" --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return compareTrial(c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.IntVar(&o.set, "set", 1, "analysis to show; 1 is the one made while recording")
	f.StringSliceVar(&o.by, "by", nil, "factors to compare by: "+strings.Join(config.Factors, ", ")+" (default all but those of --within)")
	f.StringSliceVar(&o.within, "within", []string{"bag"}, "factors to compare within, each level on its own")
	f.StringSliceVar(&o.figures, "figure", nil, "only these figures, such as seal_time_s: fewer comparisons show more")
	f.StringVar(&o.at, "at", "", `measure every setup again at this required vacuum, "30 kPa"`)
	f.StringVar(&o.see, "see", "10 %", "difference that the remarks on how many more pieces are for")
	f.BoolVar(&o.allowOpen, "allow-open", false, `exit 0 where a setup is "not shown yet"`)
	f.BoolVar(&o.all, "all", false, "a line for every comparison, not only for differences found")
	f.BoolVar(&o.json, "json", false, "write JSON")
	f.BoolVar(&o.csv, "csv", false, "write the comparisons as CSV")
	f.BoolVar(&o.verdicts, "verdicts", false, "with --csv: write the verdicts in place of the comparisons")
	return c
}

func compareTrial(w io.Writer, path string, o *compareOptions) error {
	t, err := readComparable(path, o.set, o.at)
	if err != nil {
		return err
	}
	if o.verdicts && !o.csv {
		return wrongf("--verdicts belongs to --csv, which is missing")
	}
	see, err := quantity("see", config.Share, o.see, 0.1)
	if err != nil {
		return err
	}
	if !(see > 0) {
		return wrongf("--see: found %s; want more than 0 %%", o.see)
	}
	for _, x := range []struct {
		flag  string
		names []string
	}{{"by", o.by}, {"within", o.within}} {
		for _, name := range x.names {
			if !slices.Contains(config.Factors, name) {
				return wrongf("--%s: found %q; want %s", x.flag, name, strings.Join(config.Factors, ", "))
			}
		}
	}
	if both := slices.IndexFunc(o.by, func(f string) bool { return slices.Contains(o.within, f) }); both >= 0 {
		return wrongf("--by and --within both name %s; want each factor in one of them", o.by[both])
	}
	for _, name := range o.figures {
		if compare.MeasureOf(name) == nil {
			var all []string
			for _, m := range compare.Measures {
				all = append(all, m.Name)
			}
			return wrongf("--figure: found %q; want %s", name, strings.Join(all, ", "))
		}
	}
	c := compare.Compare(t, compare.Options{By: o.by, Within: o.within, Measures: o.figures, See: 100 * see})
	verdicts := compare.Judge(t)
	models := compare.Models(t, o.figures)
	switch {
	case o.json:
		err = report.WriteJSON(w, report.Comparison(t, c, verdicts, models))
	case o.csv && o.verdicts:
		err = report.VerdictsCSV(w, verdicts)
	case o.csv:
		err = report.EffectsCSV(w, c)
	default:
		err = report.Compared(w, t, c, verdicts, models, o.all)
	}
	if err != nil {
		return err
	}
	return met(verdicts, o.allowOpen)
}

// met returns nil where every setup holds, or nothing is required.
func met(verdicts []compare.Verdict, allowOpen bool) error {
	var not, open []string
	for _, v := range verdicts {
		switch {
		case len(v.Criteria) == 0:
		case v.Answer == compare.DoesNot:
			not = append(not, v.Setup)
		case v.Answer == compare.NotShown && !allowOpen:
			open = append(open, v.Setup)
		}
	}
	if not != nil {
		return notMet(fmt.Errorf("does not hold: %s", strings.Join(not, "; ")))
	}
	if open != nil {
		return notMet(fmt.Errorf("not shown yet: %s", strings.Join(open, "; ")))
	}
	return nil
}

// readComparable reads the plan and the picks of a trial file. With at, a vacuum as text, the
// stored counts are judged again with that as every setup's required vacuum.
func readComparable(path string, set int, at string) (*compare.Trial, error) {
	file, err := openTrial(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	if _, err := setOf(file, set); err != nil {
		return nil, err
	}
	t, err := comparableOf(file, path, set, at)
	if errors.Is(err, record.ErrNoSetups) {
		return nil, wrongf("%s: %w to compare", path, err)
	}
	return t, err
}

func comparableOf(file *store.Trial, path string, set int, at string) (*compare.Trial, error) {
	if at == "" {
		return record.Comparable(file, path, set)
	}
	rig, _, err := record.TextsOf(file, path, set)
	if err != nil {
		return nil, err
	}
	required, err := quantity("at", config.PressureAt(rig.AmbientKPa), at, math.NaN())
	if err != nil {
		return nil, err
	}
	if !(required > 0 && required < 110) {
		return nil, wrongf("--at: found %s; want a vacuum of more than 0 and less than the pressure around", at)
	}
	return record.ComparableAt(file, path, set, required)
}
