package main

import (
	"errors"
	"io"
	"os"

	"github.com/spf13/cobra"

	"griptrial/analyze/compare"
	"griptrial/config"
	"griptrial/report"
	"griptrial/store"
)

type chooseOptions struct {
	set       int
	mix       []string
	rate      string
	resamples int
	seed      uint64
	svg       string
	allowOpen bool
	json, csv bool
}

func chooseCommand() *cobra.Command {
	o := &chooseOptions{}
	c := &cobra.Command{
		Use:   "choose TRIAL" + store.Ext,
		Short: "Choose what to build for a mix of bags",
		Long: `choose finds the setup of gripper and engine that was shown to hold every bag of the mix, and
among those the one with the lowest energy; where none holds for all, the plan with the
fewest changes. Energies are compared by resampling pieces, so that "either is as good" can
be the answer. Exit code 3 where nothing can be chosen.`,
		Example: `  griptrial choose demo.gtrial
  griptrial choose demo.gtrial --mix "seed sachet=70 %" --mix "granule pillow bag=30 %" --rate "40 /min" --svg choice.svg`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return chooseSetup(c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.IntVar(&o.set, "set", 1, "analysis to use; 1 is the one made while recording")
	f.StringArrayVar(&o.mix, "mix", nil, `a bag with its share of the picks, "BAG=70 %"; shares add up to 100 % (default every bag alike)`)
	f.StringVar(&o.rate, "rate", "", `line rate, "40 /min" (default the requirement's)`)
	f.IntVar(&o.resamples, "resamples", 2000, "resamples of the pieces")
	f.Uint64Var(&o.seed, "seed", 1, "seed of the resamples")
	f.StringVar(&o.svg, "svg", "", "file to draw energy against the drop bound into")
	f.BoolVar(&o.allowOpen, "allow-open", false, "exit 0 where nothing can be chosen yet")
	f.BoolVar(&o.json, "json", false, "write JSON")
	f.BoolVar(&o.csv, "csv", false, "write the machines as CSV")
	return c
}

func chooseSetup(w io.Writer, path string, o *chooseOptions) error {
	t, err := readComparable(path, o.set, "")
	if err != nil {
		return err
	}
	if o.resamples < 100 || o.resamples > 1_000_000 {
		return wrongf("--resamples: found %d; want 100 to 1,000,000", o.resamples)
	}
	rate, err := quantity("rate", config.Frequency, o.rate, t.Requirement.PicksPerMinute)
	if err != nil {
		return err
	}
	mix, err := bagMix(t, o.mix)
	if err != nil {
		return err
	}
	c := compare.Choose(t, mix, rate, o.resamples, o.seed)
	switch {
	case o.json:
		err = report.WriteJSON(w, report.Choice(c))
	case o.csv:
		err = report.ChoiceCSV(w, c)
	default:
		err = report.Chosen(w, c)
	}
	if err != nil {
		return err
	}
	if o.svg != "" {
		f, err := os.Create(o.svg)
		if err != nil {
			return err
		}
		if err := errors.Join(report.ChoiceSVG(f, c), f.Close()); err != nil {
			return err
		}
	}
	if c.Chosen == nil && c.Plan == nil && !o.allowOpen {
		return notMet(errors.New("nothing tried was shown to hold the mix"))
	}
	return nil
}

// bagMix reads shares of bags, which must add up to 100 %.
func bagMix(t *compare.Trial, texts []string) ([]compare.BagShare, error) {
	mix, err := compare.ParseMix(t, texts)
	if err != nil {
		return nil, wrongf("--mix: %w", err)
	}
	return mix, nil
}
