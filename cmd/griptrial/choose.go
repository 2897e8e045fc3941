package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"

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
	known := compare.DefaultMix(t)
	if len(texts) == 0 {
		return known, nil
	}
	var mix []compare.BagShare
	sum := 0.0
	for _, text := range texts {
		i := strings.LastIndex(text, "=")
		if i < 0 {
			return nil, wrongf(`--mix: found %q; want "BAG=SHARE" such as "%s=70 %%"`, text, known[0].Bag)
		}
		bag := strings.TrimSpace(text[:i])
		if !slices.ContainsFunc(known, func(b compare.BagShare) bool { return b.Bag == bag }) {
			var names []string
			for _, b := range known {
				names = append(names, b.Bag)
			}
			return nil, wrongf("--mix: %q is no bag of the trial; want %s", bag, strings.Join(names, ", "))
		}
		if slices.ContainsFunc(mix, func(b compare.BagShare) bool { return b.Bag == bag }) {
			return nil, wrongf("--mix: %q is stated twice", bag)
		}
		share, err := quantity("mix", config.Share, text[i+1:], math.NaN())
		if err != nil {
			return nil, err
		}
		if !(share > 0 && share <= 1) {
			return nil, wrongf("--mix: found %q; want a share of more than 0 %% and at most 100 %%", text)
		}
		mix = append(mix, compare.BagShare{Bag: bag, Share: share})
		sum += share
	}
	if math.Abs(sum-1) > 1e-6 {
		return nil, wrongf("--mix: shares add up to %s; want 100 %%", fmt.Sprintf("%.6g %%", 100*sum))
	}
	return mix, nil
}
