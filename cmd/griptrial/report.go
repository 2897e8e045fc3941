package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"griptrial/analyze/engine"
	"griptrial/analyze/layout"
	"griptrial/analyze/lift"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
	"griptrial/report/document"
	"griptrial/store"
)

type reportOptions struct {
	set            int
	out, format    string
	paper          string
	onePage        bool
	mix            []string
	rate, hours    string
	engines        string
	volume, on     string
	bagSizes, lips []string
	margin         string
	resamples      int
	seed           uint64
	json           bool
	stated         []string // flags as given, for the command that makes the report again
}

// formats are what a report can be written as.
var formats = []string{"html", "pdf", "md", "csv"}

func reportCommand() *cobra.Command {
	o := &reportOptions{}
	c := &cobra.Command{
		Use:   "report TRIAL" + store.Ext,
		Short: "Write the report of a trial that the customer signs",
		Long: `report writes what was tried, what was measured, what to build and why it can be believed:
one HTML file that needs no other, and the same as PDF, as Markdown, or every number as CSV.
The first page has the choice in one sentence, the verdicts, required against measured, and a
place for signatures; then come the evidence, the method and the cautions.

The same file gives the same bytes. Where the trial file does not have something, the report
says so. The exit code is 0 whatever the verdicts are: see compare and choose.`,
		Example: `  griptrial report demo.gtrial
  griptrial report hall.gtrial --paper Letter --rate "40 /min" --hours "4000 h" --engines engines.yaml
  griptrial report hall.gtrial --one-page --rate "40 /min"
  griptrial report hall.gtrial --bag-size "granule pillow bag=280 mm x 180 mm" --lip "bellows cup, 40 mm lip=40 mm" --format pdf
  griptrial report hall.gtrial --format md,csv --out hall-numbers`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := noEmptyFlags(c); err != nil {
				return err
			}
			o.stated = statedFlags(c)
			return reportTrial(c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.IntVar(&o.set, "set", 1, "analysis to report; 1 is the one made while recording")
	f.StringVar(&o.out, "out", "", "file to write, without extension (default the trial's name, in this folder)")
	f.StringVar(&o.format, "format", "html,pdf", "what to write: "+strings.Join(formats, ", "))
	f.StringVar(&o.paper, "paper", "A4", `of the PDF: "A4" or "Letter"`)
	f.BoolVar(&o.onePage, "one-page", false, "only the hand-out for the shop floor")
	f.StringArrayVar(&o.mix, "mix", nil, `a bag with its share of the picks, "BAG=70 %"; shares add up to 100 % (default every bag alike)`)
	f.StringVar(&o.rate, "rate", "", `line rate, "40 /min" (default the requirement's)`)
	f.StringVar(&o.hours, "hours", "", `running hours a year, "4000 h", for the energy per year`)
	f.StringVar(&o.engines, "engines", "", "file of engines: which holds the measured leaks")
	f.StringVar(&o.volume, "volume", "", `with --engines: volume of the circuit with the bag on it, "0.4 L"`)
	f.StringVar(&o.on, "on", "", `with --engines: time that the supply is on in a pick, "0.9 s"`)
	f.StringArrayVar(&o.bagSizes, "bag-size", nil, `a bag with its length and width, "BAG=280 mm x 180 mm", for the placement sheet`)
	f.StringArrayVar(&o.lips, "lip", nil, `a cup with the diameter of its lip, "CUP=45 mm", for the placement sheet; "45 mm" for all cups`)
	f.StringVar(&o.margin, "margin", "0 mm", "distance that lips keep from the end of the bag's flat part")
	f.IntVar(&o.resamples, "resamples", 2000, "resamples of the pieces for the choice")
	f.Uint64Var(&o.seed, "seed", 1, "seed of the resamples")
	f.BoolVar(&o.json, "json", false, "write all that the report says as JSON to the standard output, and no file")
	return c
}

// reportTrial writes the report's files, or its JSON.
func reportTrial(w io.Writer, path string, o *reportOptions) error {
	papers := map[string]document.Paper{"A4": document.A4, "Letter": document.Letter}
	paper, ok := papers[o.paper]
	if !ok {
		return wrongf(`--paper: found %q; want "A4" or "Letter"`, o.paper)
	}
	wanted := strings.Split(o.format, ",")
	for i, f := range wanted {
		if wanted[i] = strings.TrimSpace(f); !slices.Contains(formats, wanted[i]) {
			return wrongf("--format: found %q; want %s", f, strings.Join(formats, ", "))
		}
	}
	r, err := gatherReport(path, o)
	if err != nil {
		return err
	}
	if o.json {
		return report.WriteJSON(w, r)
	}
	d := r.Document()
	base := o.out
	if base == "" {
		base = strings.TrimSuffix(filepath.Base(path), store.Ext)
		if o.onePage {
			base += "-one-page"
		}
	}
	if o.onePage {
		d = r.OnePage()
	}
	fmt.Fprintln(w, r.Choice.Sentence)
	for _, f := range wanted {
		name := base + "." + f
		write := map[string]func(io.Writer) error{
			"html": d.HTML, "md": d.Markdown, "csv": d.CSV,
			"pdf": func(w io.Writer) error { return d.PDF(w, paper) },
		}[f]
		if err := writeFile(name, write); err != nil {
			return err
		}
		fmt.Fprintln(w, name)
	}
	return nil
}

// gatherReport reads all that a report is made from.
func gatherReport(path string, o *reportOptions) (*report.TrialReport, error) {
	picks, err := countPicks(path, o.set)
	if err != nil {
		return nil, err
	}
	// A pick takes 1.6 kB, a day's picks most of the memory: garbage is not to double them.
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(int64(max(250<<20, 2200*picks))))
	t, err := readComparable(path, o.set, "")
	if err != nil {
		return nil, err
	}
	if o.resamples < 100 || o.resamples > 1_000_000 {
		return nil, wrongf("--resamples: found %d; want 100 to 1,000,000", o.resamples)
	}
	var q quantities
	in := report.TrialInput{Name: filepath.Base(path), Program: version(), Trial: t, Resamples: o.resamples, Seed: o.seed, Paper: report.Paper(o.paper)}
	in.Rate = q.positive("rate", config.Frequency, o.rate, t.Requirement.PicksPerMinute)
	in.HoursPerYear = q.positive("hours", config.Time, o.hours, math.NaN()) / 3600
	if q.err != nil {
		return nil, q.err
	}
	if in.Mix, err = bagMix(t, o.mix); err != nil {
		return nil, err
	}
	in.Command = strings.Join(slices.Concat([]string{"griptrial report", quoted(in.Name)}, o.stated), " ")
	if o.engines != "" {
		e, err := reportEngines(path, o, in.Rate, in.HoursPerYear)
		switch {
		case errors.Is(err, engine.ErrNoLeak): // where nothing sealed
			in.NoEngines = engine.ErrNoLeak.Error()
		case err != nil:
			return nil, err
		default:
			in.Engines = &e
		}
		if in.EnginesSHA256, err = hashOf(o.engines); err != nil {
			return nil, err
		}
	}
	file, err := openTrial(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	if err := readReport(file, &in, o.set); err != nil {
		return nil, err
	}
	if err := placeReport(&in, o); err != nil {
		return nil, err
	}
	if in.SHA256, err = hashOf(path); err != nil {
		return nil, err
	}
	return report.NewTrialReport(in)
}

func countPicks(path string, set int) (int, error) {
	file, err := openTrial(path)
	if err != nil {
		return 0, err
	}
	defer file.Close()
	if _, err := setOf(file, set); err != nil {
		return 0, err
	}
	return file.PickCount(set)
}

// readReport reads what the trial file has beside its picks.
func readReport(file *store.Trial, in *report.TrialInput, set int) (err error) {
	in.Header = file.Header()
	if in.Rig, _, err = record.TextsOf(file, file.Path(), set); err != nil {
		return err
	}
	if in.Trial.Requirement.Load != nil {
		ambient, from := in.Rig.AmbientKPa, "as the rig file states"
		if math.IsNaN(ambient) {
			ambient, from = lift.SeaLevelKPa, report.SeaLevel
		}
		j, err := report.LiftTrial(in.Trial.Trial, ambient, from)
		if err != nil {
			return err
		}
		in.Lift = &j
	}
	if in.Set, err = setOf(file, set); err != nil {
		return err
	}
	if in.Runs, err = file.Runs(); err != nil {
		return err
	}
	if in.Notes, err = file.Notes(); err != nil {
		return err
	}
	if in.Events, err = file.Events(set); err != nil {
		return err
	}
	if in.Around, err = report.Circumstances(file); err != nil {
		return err
	}
	in.Survey, err = record.NewSurvey(file.Pass(record.Surveyed), in.Header.Groups, report.ChooseTraces(in.Trial), in.Events, report.TraceParts)
	if err != nil {
		return err
	}
	in.Explain = func(p *pick.Pick) ([]pick.Budget, error) {
		_, budgets, err := record.Explain(file, file.Path(), set, p.Station, p.N)
		return budgets, err
	}
	return err
}

// reportEngines matches the engines of a file to the trial's leaks.
func reportEngines(path string, o *reportOptions, rate, hours float64) (report.EngineJSON, error) {
	candidates, err := config.LoadEngines(o.engines)
	if err != nil {
		return report.EngineJSON{}, wrong(err)
	}
	var v quantities
	q := engine.NewQuestion(candidates, math.NaN())
	q.VolumeL = v.positive("volume", config.Volume, o.volume, math.NaN())
	q.Cycle.SupplyOnS = v.positive("on", config.Time, o.on, math.NaN())
	q.Cycle.PicksPerMinute, q.Cycle.HoursPerYear = rate, hours
	if v.err != nil {
		return report.EngineJSON{}, v.err
	}
	return matchTrial(path, o.set, q)
}

// placeReport reads the sizes of bags and lips, which the placement sheets need.
func placeReport(in *report.TrialInput, o *reportOptions) error {
	if len(o.bagSizes) == 0 || len(o.lips) == 0 {
		return nil
	}
	var q quantities
	margin := q.get("margin", config.Length, o.margin, 0)
	lips := map[string]float64{} // "" for all cups
	for _, text := range o.lips {
		cup, size := "", text
		if i := strings.LastIndex(text, "="); i >= 0 {
			cup, size = strings.TrimSpace(text[:i]), text[i+1:]
			if !slices.ContainsFunc(in.Trial.Setups, func(s config.Setup) bool { return s.Cup == cup }) {
				return wrongf("--lip: %q is no cup of the trial", cup)
			}
		}
		lips[cup] = q.positive("lip", config.Length, strings.TrimSpace(size), math.NaN())
	}
	for _, text := range o.bagSizes {
		i := strings.LastIndex(text, "=")
		if i < 0 {
			return wrongf(`--bag-size: found %q; want "BAG=280 mm x 180 mm"`, text)
		}
		bag := strings.TrimSpace(text[:i])
		if !slices.ContainsFunc(in.Trial.Setups, func(s config.Setup) bool { return s.Bag == bag }) {
			return wrongf("--bag-size: %q is no bag of the trial", bag)
		}
		order := layout.Order{MarginMM: margin}
		order.Bag.LengthMM, order.Bag.WidthMM = two(&q, "bag-size", text[i+1:], "x", "280 mm x 180 mm")
		if q.err != nil {
			return q.err
		}
		in.BagSizes = append(in.BagSizes, report.BagSize{Bag: bag, Order: order})
	}
	in.LipsMM = lips
	return q.err
}

// hashOf returns the SHA-256 of a trial file's bytes, "" while it is being recorded, when part
// of it stands beside it.
func hashOf(path string) (string, error) {
	if _, err := os.Stat(path + "-wal"); err == nil {
		return "", nil
	}
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// statedFlags returns the flags that were given, as on a command line, but those that do not
// change what the report says.
func statedFlags(c *cobra.Command) []string {
	var all []string
	c.Flags().Visit(func(f *pflag.Flag) {
		switch f.Name {
		case "out", "format", "json":
			return
		}
		values := []string{f.Value.String()}
		if s, ok := f.Value.(pflag.SliceValue); ok {
			values = s.GetSlice()
		}
		for _, v := range values {
			if f.Value.Type() == "bool" {
				all = append(all, "--"+f.Name)
			} else {
				all = append(all, "--"+f.Name, quoted(v))
			}
		}
	})
	return all
}

// quoted returns a word for a command line, in quotes where it needs them.
func quoted(s string) string {
	if s != "" && strings.IndexFunc(s, func(r rune) bool { return !strings.ContainsRune("-_./:", r) && (r > 127 || !isWord(byte(r))) }) < 0 {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

func isWord(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
}
