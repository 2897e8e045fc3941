package main

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

type picksOptions struct {
	set     int
	station string
	json    bool
	explain string

	pairs       string
	lineSpeed   bool
	rate, limit string
	page        pageFlags

	spoil, unspoil, why string
}

func picksCommand() *cobra.Command {
	o := &picksOptions{}
	c := &cobra.Command{
		Use:   "picks TRIAL" + store.Ext,
		Short: "Show the picks of a recorded trial",
		Example: `  griptrial picks demo.gtrial
  griptrial picks demo.gtrial --station left --json
  griptrial picks demo.gtrial --explain left/3
  griptrial picks demo.gtrial --pairs
  griptrial picks demo.gtrial --page
  griptrial picks demo.gtrial --line-speed --rate "45 /min"
  griptrial picks demo.gtrial --spoil left/7 --why "hose knocked off"
  griptrial picks demo.gtrial --unspoil left/7`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if o.page.on() {
				return servePicks(c.Context(), c.ErrOrStderr(), args[0], &o.page)
			}
			return showPicks(c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.station, "station", "", "only this station")
	f.IntVar(&o.set, "set", 1, "analysis to show; 1 is the one made while recording")
	f.StringVar(&o.explain, "explain", "", "show the uncertainty budgets of this pick, STATION/N, or N of --station, line by line")
	f.StringVar(&o.pairs, "pairs", "", "show which picks of two stations belong together; --pairs=left,right where there are more")
	f.Lookup("pairs").NoOptDefVal = allPairs
	f.BoolVar(&o.lineSpeed, "line-speed", false, "hold seal times against the line's cycle, with switch points")
	f.StringVar(&o.rate, "rate", "", `with --line-speed: picks per minute, "45 /min" (default the trial's requirement)`)
	f.StringVar(&o.limit, "limit", "", `with --line-speed: longest seal time, "200 ms" (default the trial's requirement, else what the cycle leaves)`)
	f.StringVar(&o.spoil, "spoil", "", "mark this pick, STATION/N, as spoiled: it stays in the file and in the table, and out of comparisons")
	f.StringVar(&o.why, "why", "", "with --spoil: what spoiled it")
	f.StringVar(&o.unspoil, "unspoil", "", "take the mark of this pick, STATION/N, back")
	f.BoolVar(&o.json, "json", false, "write JSON")
	o.page.add(f, "let marks and notes be written into the trial file")
	return c
}

// openTrial opens a trial file for reading.
func openTrial(path string) (*store.Trial, error) { return openedBy(store.OpenRead, path) }

// ownTrial opens a trial file for writing.
func ownTrial(path string) (*store.Trial, error) { return openedBy(store.Open, path) }

func openedBy(open func(string) (*store.Trial, error), path string) (*store.Trial, error) {
	t, err := open(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil, wrongf("%s: no such file: %w", path, os.ErrNotExist)
	}
	if errors.Is(err, store.ErrNotTrial) || errors.Is(err, store.ErrNewer) {
		return nil, wrong(err)
	}
	return t, err
}

// setOf returns the pick set of a number that --set states.
func setOf(t *store.Trial, n int) (store.Set, error) {
	sets, err := t.Sets()
	if err == nil && (n < 1 || n > len(sets)) {
		err = wrongf("--set: found %d; the trial has %d", n, len(sets))
	}
	if err != nil {
		return store.Set{}, err
	}
	return sets[n-1], nil
}

// readRows returns the picks of a trial with the names of their setups.
func readRows(t *store.Trial, set int, station string) ([]report.Row, error) {
	picks, err := t.Picks(set, station)
	if err != nil {
		return nil, err
	}
	runs, err := t.Runs()
	if err != nil {
		return nil, err
	}
	marks, err := t.Spoiled()
	if err != nil {
		return nil, err
	}
	spoiled := store.SpoiledPicks(marks, picks)
	setups := map[int]map[string]string{}
	for _, r := range runs {
		setups[r.N] = r.Setups
	}
	rows := make([]report.Row, len(picks))
	for i, p := range picks {
		rows[i] = report.Row{Pick: p, Setup: setups[p.Run][p.Station], Spoiled: spoiled[i]}
	}
	return rows, nil
}

func showPicks(w io.Writer, path string, o *picksOptions) error {
	switch {
	case o.spoil != "" && o.unspoil != "":
		return wrongf("--spoil and --unspoil: want one of them")
	case o.spoil != "" && o.why == "":
		return wrongf(`--spoil: --why is missing; say what spoiled the pick, "hose knocked off"`)
	case o.spoil == "" && o.why != "":
		return wrongf("--why belongs to --spoil, which is missing")
	case o.spoil != "":
		return markPick(w, path, "spoil", o.spoil, o.why, o.set)
	case o.unspoil != "":
		return markPick(w, path, "unspoil", o.unspoil, "", o.set)
	}
	t, err := openTrial(path)
	if err != nil {
		return err
	}
	defer t.Close()
	if _, err := setOf(t, o.set); err != nil {
		return err
	}
	if all := t.Header().Stations; o.station != "" && !slices.Contains(all, o.station) {
		return wrongf("--station: found %q; the trial has %s", o.station, strings.Join(all, ", "))
	}
	switch {
	case o.explain != "":
		return explainPick(w, t, o)
	case o.pairs != "":
		return showPairs(w, t, o)
	case o.lineSpeed:
		return showLineSpeed(w, t, o)
	case o.rate != "" || o.limit != "":
		return wrongf("--rate and --limit belong to --line-speed, which is missing")
	}
	rows, err := readRows(t, o.set, o.station)
	if err != nil {
		return err
	}
	events, err := t.Events(o.set)
	if err != nil {
		return err
	}
	out := report.PicksJSON{Schema: report.Schema, Station: o.station, IdleLevelKPa: analyze.Number(math.NaN()),
		AmbientKPa: analyze.Number(math.NaN()), Picks: []report.PickJSON{}, Events: []report.EventJSON{}, Gaps: []report.GapJSON{}}
	if rig, _, _ := record.TextsOf(t, path, o.set); rig != nil {
		out.AmbientKPa = analyze.Number(rig.AmbientKPa)
		out.AirEnergy = airEnergyOf(rig, o.station)
	}
	var idle []float64
	for _, r := range rows {
		if !math.IsNaN(r.IdleLevelKPa) {
			idle = append(idle, r.IdleLevelKPa)
		}
		j := report.Pick(r.Pick, r.Setup)
		if r.Spoiled != "" {
			j.Spoiled = &r.Spoiled
		}
		out.Picks = append(out.Picks, j)
	}
	out.IdleLevelKPa = analyze.Number(stats.Median(idle))
	kept := events[:0]
	for _, e := range events {
		if o.station == "" || e.Station == o.station {
			kept = append(kept, e)
			out.Events = append(out.Events, report.Event(e))
		}
	}
	if out.Circumstances, err = report.Circumstances(t); err != nil {
		return err
	}
	if o.json {
		return report.WriteJSON(w, out)
	}
	if err := drawTraces(t.Pass(func(c *sample.Channel) bool { return c.Kind == sample.Vacuum }), t.Header().Groups, rows); err != nil {
		return err
	}
	return report.Measured(w, path, out, rows, kept)
}

// markPick marks the pick that name, "left/7", stands for as spoiled, or takes its mark back
// where there is no reason.
func markPick(w io.Writer, path, flag, name, why string, set int) error {
	station, number, _ := strings.Cut(name, "/")
	n, err := strconv.Atoi(number)
	if err != nil {
		return wrongf("--%s: found %q; want STATION/N such as left/7", flag, name)
	}
	t, err := ownTrial(path)
	if err != nil {
		return err
	}
	defer t.Close()
	if _, err := setOf(t, set); err != nil {
		return err
	}
	rows, err := readRows(t, set, station)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(rows, func(r report.Row) bool { return r.N == n })
	if i < 0 {
		return wrongf("--%s: there is no pick %d at station %q; want STATION/N as in the table of picks", flag, n, station)
	}
	ns, ok := store.PickNS(&rows[i].Pick)
	switch {
	case !ok:
		return wrongf("--%s: no time is known of pick %s", flag, name)
	case why == "" && rows[i].Spoiled == "":
		return wrongf("--%s: pick %s is not marked as spoiled", flag, name)
	}
	if err := t.MarkSpoiled(station, ns, why); err != nil {
		return err
	}
	if why == "" {
		fmt.Fprintf(w, "%s counts again; it was marked %q\n", name, rows[i].Spoiled)
	} else {
		fmt.Fprintf(w, "%s is marked as spoiled (%s): it is kept and shown, and no comparison counts it\n", name, why)
	}
	return t.Close()
}

// airEnergyOf returns the specific energy of the compressed air of a station, of the first
// where none is named; nil where no channel measures compressed air.
func airEnergyOf(rig *config.Rig, station string) *report.AirEnergyJSON {
	for p := range rig.Channels() {
		if c := p.Channel; c.Kind != sample.Air || station != "" && c.Station != "" && c.Station != station {
			continue
		}
		for _, s := range rig.Stations {
			if station == "" || s.Name == station {
				d := config.NewStation("")
				return &report.AirEnergyJSON{KWhM3: analyze.Number(s.SpecificEnergyKWhM3), U: analyze.Number(s.SpecificEnergyU),
					Default: s.SpecificEnergyKWhM3 == d.SpecificEnergyKWhM3 && s.SpecificEnergyU == d.SpecificEnergyU}
			}
		}
	}
	return nil
}

// traceParts is how many characters the vacuum of a pick takes in a table.
const traceParts = 16

// drawTraces fills in the traces of rows.
func drawTraces(batches iter.Seq2[sample.Batch, error], groups []sample.Group, rows []report.Row) error {
	picks := make([]pick.Pick, len(rows))
	for i := range rows {
		picks[i] = rows[i].Pick
	}
	traces, err := record.Traces(batches, groups, picks, traceParts)
	for i := range traces {
		rows[i].Trace = traces[i]
	}
	return err
}

// explainPick writes the uncertainty budgets of one pick.
func explainPick(w io.Writer, t *store.Trial, o *picksOptions) error {
	h := t.Header()
	station, number, both := strings.Cut(o.explain, "/")
	switch {
	case both:
	case o.station != "":
		station, number = o.station, o.explain
	case len(h.Stations) == 1:
		station, number = h.Stations[0], o.explain
	default:
		return wrongf("--explain: the station is missing; want STATION/N such as %s/3; the trial has %s", h.Stations[0], strings.Join(h.Stations, ", "))
	}
	n, err := strconv.Atoi(number)
	if err != nil {
		return wrongf("--explain: found %q; want STATION/N such as %s/3", o.explain, h.Stations[0])
	}
	p, budgets, err := record.Explain(t, t.Path(), o.set, station, n)
	if errors.Is(err, record.ErrNoPick) {
		return wrong(err)
	}
	if err != nil {
		return err
	}
	return report.Budgets(w, p, budgets, o.json)
}
