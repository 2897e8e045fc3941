package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"griptrial/acquire/sample"
	"griptrial/analyze/compare"
	"griptrial/config"
	"griptrial/report"
	"griptrial/store"
)

type soakOptions struct {
	set       int
	every     string
	json, csv bool
}

func soakCommand() *cobra.Command {
	o := &soakOptions{}
	c := &cobra.Command{
		Use:   "soak TRIAL" + store.Ext,
		Short: "Show how a long run drifts, drops and keeps its rate",
		Long: `soak shows drops with their bounds, the drift of hold vacuum, seal time, leak flow and energy
with intervals that take into account that picks depend on each other, steps, when the
requirement would be reached if it goes on so, and the rate with its stops. The trial may
still be recorded: --every shows it again and again until Ctrl-C.`,
		Example: `  griptrial soak demo.gtrial
  griptrial soak weekend.gtrial --every "10 s"`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return soakTrial(c.Context(), c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.IntVar(&o.set, "set", 1, "analysis to use; 1 is the one made while recording")
	f.StringVar(&o.every, "every", "", `show again after this time, "10 s", until Ctrl-C`)
	f.BoolVar(&o.json, "json", false, "write JSON")
	f.BoolVar(&o.csv, "csv", false, "write the trends as CSV")
	return c
}

func soakTrial(ctx context.Context, w io.Writer, path string, o *soakOptions) error {
	every, err := quantity("every", config.Time, o.every, 0)
	if err != nil {
		return err
	}
	if o.every != "" && !(every >= 0.1) {
		return wrongf("--every: found %s; want 0.1 s or more", o.every)
	}
	for {
		t, err := readComparable(path, o.set, "")
		if err != nil {
			return err
		}
		if t.Line, err = readLine(path); err != nil {
			return err
		}
		all := compare.Soaks(t)
		switch {
		case o.json:
			err = report.WriteJSON(w, report.Soaks(all))
		case o.csv:
			err = report.SoakCSV(w, all)
		default:
			if len(all) == 0 {
				fmt.Fprintln(w, "no picks yet")
			}
			err = report.Soaked(w, all, t.Requirement.Confidence)
		}
		if err != nil || every == 0 {
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Duration(every * float64(time.Second))):
			fmt.Fprintln(w)
		}
	}
}

// readLine reads what the switched channels of a trial show of the line.
func readLine(path string) (*compare.Line, error) {
	file, err := openTrial(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	line := compare.NewLine(file.Header().Groups)
	for b, err := range file.Pass(func(c *sample.Channel) bool { return c.Kind.Switched() }) {
		if err != nil {
			return nil, err
		}
		line.Take(&b)
	}
	return line, nil
}
