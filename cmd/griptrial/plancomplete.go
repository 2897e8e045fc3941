package main

import (
	"strings"

	"github.com/spf13/cobra"

	"griptrial/analyze/compare"
	"griptrial/record"
	"griptrial/report"
)

func planCompleteCommand() *cobra.Command {
	var out string
	var asJSON bool
	l := compare.Layout{}
	c := &cobra.Command{
		Use:   "complete TRIAL.yaml",
		Short: "Lay out the runs of a trial file that has setups only",
		Long: `complete adds runs to a trial file without any, such as "engine --plan" writes. Its text stays as
it is; --out gets it with the runs behind. As in "plan runs", factors that are dear to change
(--dear) change seldom, and every piece of a bag meets all setups of that bag.`,
		Example: `  griptrial plan complete confirm.yaml --pieces 5 --picks 4 --stations left --out confirm-runs.yaml`,
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			t, err := record.LoadTrial(args[0], nil)
			if err != nil {
				return wrong(err)
			}
			switch d := t.Design; {
			case len(t.Runs) > 0:
				return wrongf("%s: has runs already", args[0])
			case d.Seed != 0 || len(d.WholePlots) > 0 || d.Sequential:
				return wrongf("%s: has a design already; the runs come with one: leave it out", args[0])
			case l.Pieces < 1 || l.Picks < 1 || l.Repeats < 1 || l.Pieces*l.Repeats*len(t.Setups) > 100_000:
				return wrongf("--pieces, --picks, --repeats: want 1 or more, and at most 100,000 runs in all")
			case len(l.Stations) < 1 || len(l.Stations) > 2:
				return wrongf("--stations: found %d; want one or two", len(l.Stations))
			}
			s := compare.PlanSetups(t.Setups, l)
			if out != "" {
				var b strings.Builder
				b.WriteString(strings.TrimRight(string(t.Text), "\n") + "\n")
				if err := report.PlannedRuns(&b, s, l.Seed, l.Dear); err != nil {
					return err
				}
				if _, err := record.ParseTrial(out, []byte(b.String()), nil); err != nil {
					return err
				}
				if err := writeNew(out, b.String()); err != nil {
					return err
				}
			}
			if asJSON {
				return report.WriteJSON(c.OutOrStdout(), report.RunsJSON(s, l.Seed, l.Dear))
			}
			return report.RunsTable(c.OutOrStdout(), s)
		},
	}
	f := c.Flags()
	f.StringSliceVar(&l.Dear, "dear", []string{"engine", "engine_setting"}, "factors that are dear to change, the dearest first")
	f.StringSliceVar(&l.Stations, "stations", []string{"left"}, "one station or two")
	f.IntVar(&l.Pieces, "pieces", 6, "pieces of each bag")
	f.IntVar(&l.Picks, "picks", 10, "picks in a run")
	f.IntVar(&l.Repeats, "repeats", 1, "how often the dear factors are set up anew")
	f.Uint64Var(&l.Seed, "seed", 1, "seed of the order")
	f.StringVar(&out, "out", "", "trial file to write")
	f.BoolVar(&asJSON, "json", false, "write JSON")
	return c
}
