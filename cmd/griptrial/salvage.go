package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"griptrial/report"
	"griptrial/store"
)

type salvageOptions struct {
	out  string
	json bool
}

func salvageCommand() *cobra.Command {
	o := &salvageOptions{}
	c := &cobra.Command{
		Use:   "salvage DAMAGED" + store.Ext,
		Short: "Put what can be had from a damaged trial file into a new one",
		Long: `salvage reads a damaged trial file page by page and puts every row whose checksum is right
into a new file, and says what was lost. The damaged file stays as it is.

Where samples are lost the new file has a gap. Its picks are those of the damaged file;
"griptrial reanalyse" finds them anew from the samples that are left.`,
		Example: `  griptrial salvage hall.gtrial
  griptrial salvage hall.gtrial --out hall-salvaged.gtrial --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return salvage(c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.out, "out", "", "trial file to write (default the damaged one's name with -salvaged"+store.Ext+")")
	f.BoolVar(&o.json, "json", false, "write JSON")
	return c
}

func salvage(w io.Writer, path string, o *salvageOptions) error {
	out := o.out
	if out == "" {
		out = strings.TrimSuffix(path, store.Ext) + "-salvaged" + store.Ext
	}
	s, err := store.Recover(path, out)
	switch {
	case errors.Is(err, fs.ErrExist):
		return wrongf("%s exists; name another with --out", out)
	case errors.Is(err, os.ErrNotExist), errors.Is(err, store.ErrNotTrial):
		return wrong(err)
	case err != nil:
		return err
	}
	if o.json {
		lost := map[string]*int64{}
		for name, n := range s.Lost {
			if lost[name] = nil; n >= 0 {
				lost[name] = &n
			}
		}
		return report.WriteJSON(w, struct {
			Schema     int               `json:"schema"`
			Out        string            `json:"out"`
			HeaderFrom string            `json:"header_from"`
			Batches    int64             `json:"batches"`
			Missing    int64             `json:"batches_missing"`
			Scans      int64             `json:"scans"`
			Kept       map[string]int64  `json:"rows_kept"`
			Lost       map[string]*int64 `json:"rows_lost"`
		}{report.Schema, out, s.HeaderFrom, s.Batches, s.Missing, s.Scans, s.Kept, lost})
	}
	fmt.Fprintf(w, "%s: %d batches with %d scans had, at least %d batches lost\n", out, s.Batches, s.Scans, s.Missing)
	for _, name := range slices.Sorted(maps.Keys(s.Lost)) {
		lost := "an unknown number lost"
		if n := s.Lost[name]; n >= 0 {
			lost = fmt.Sprintf("%d lost", n)
		}
		fmt.Fprintf(w, "  %s: %d had, %s\n", name, s.Kept[name], lost)
	}
	fmt.Fprintf(w, "Samples lost at the very end cannot be counted. To find the picks anew: griptrial reanalyse %s\n", out)
	return nil
}
