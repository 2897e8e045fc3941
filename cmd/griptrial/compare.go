package main

import (
	"io"

	"github.com/spf13/cobra"

	"griptrial/report"
	"griptrial/store"
)

type compareOptions struct {
	set  int
	json bool
}

func compareCommand() *cobra.Command {
	o := &compareOptions{}
	c := &cobra.Command{
		Use:     "compare TRIAL" + store.Ext,
		Short:   "Show the setups of a trial side by side",
		Long:    "compare shows the setups of a recorded trial side by side, by medians. It describes what\nwas recorded and tests nothing for significance.",
		Example: `  griptrial compare demo.gtrial`,
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return compareTrial(c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.IntVar(&o.set, "set", 1, "analysis to show; 1 is the one made while recording")
	f.BoolVar(&o.json, "json", false, "write JSON")
	return c
}

func compareTrial(w io.Writer, path string, o *compareOptions) error {
	t, err := openTrial(path)
	if err != nil {
		return err
	}
	defer t.Close()
	rows, err := readRows(t, o.set, "")
	if err != nil {
		return err
	}
	all := report.Summarise(rows)
	if o.json {
		return report.WriteJSON(w, report.SetupsJSON(all))
	}
	return report.Setups(w, all)
}
