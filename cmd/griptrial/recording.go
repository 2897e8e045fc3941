package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"griptrial/acquire"
	"griptrial/acquire/modbus"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

type recordOptions struct {
	out       string
	addresses []string
	forText   string
	forward   forwardFlags
	metrics   string
}

func recordCommand() *cobra.Command {
	o := &recordOptions{}
	c := &cobra.Command{
		Use:   "record RIG.yaml TRIAL.yaml",
		Short: "Record a trial and find its picks",
		Long: `record polls the rig and writes everything that it reads into one trial file, with the
picks that it finds. What is shown has been made durable first.

It ends when the planned picks are made, after --for, or with Ctrl-C; what was read until
then is in the file.`,
		Example: `  griptrial record rig.yaml trial.yaml
  griptrial record rig.yaml trial.yaml --out monday.gtrial --for 8h
  griptrial record rig.yaml trial.yaml --address "block=127.0.0.1:15502"    the simulator in place of the bus`,
		Args: cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			return recordTrial(c.Context(), c.OutOrStdout(), c.ErrOrStderr(), args[0], args[1], o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.out, "out", "", "trial file to write (default the trial's file name with "+store.Ext+")")
	f.StringArrayVar(&o.addresses, "address", nil, `address to use for a bus in place of the rig file's, "BUS=HOST:PORT" or "BUS=PORT"`)
	f.StringVar(&o.forText, "for", "", `end after this time, "10 min"`)
	f.StringVar(&o.forward.url, "forward", "", "time-series server to forward picks to while recording; see griptrial forward --help")
	o.forward.add(f)
	f.StringVar(&o.metrics, "metrics", "", `serve the recorder's own metrics at http://ADDRESS/metrics, "127.0.0.1:9464"`)
	return c
}

func recordTrial(ctx context.Context, stdout, stderr io.Writer, rigPath, trialPath string, o *recordOptions) error {
	rig, err := loadRig(rigPath, o.addresses)
	if err != nil {
		return err
	}
	trial, err := record.LoadTrial(trialPath, rig)
	if err != nil {
		return wrong(err)
	}
	length, err := quantity("for", config.Time, o.forText, 0)
	if err != nil {
		return err
	}
	if o.forward.url != "" {
		if err := o.forward.check(); err != nil {
			return err
		}
	}
	if length > 0 {
		var stop context.CancelFunc
		ctx, stop = context.WithTimeout(ctx, time.Duration(length*float64(time.Second)))
		defer stop()
	}
	out := o.out
	if out == "" {
		out = strings.TrimSuffix(trialPath, ".yaml") + store.Ext
	}
	r := recording{rig: rig, trial: trial, out: out, stdout: stdout, stderr: stderr, endAfterPlan: true, forward: &o.forward, metrics: o.metrics}
	return r.run(ctx)
}

// loadRig reads a rig file and puts other addresses in place of its own.
func loadRig(path string, addresses []string) (*config.Rig, error) {
	rig, err := config.LoadRig(path)
	if err != nil {
		return nil, wrong(err)
	}
	for _, a := range addresses {
		name, to, ok := strings.Cut(a, "=")
		bus := -1
		for i := range rig.Buses {
			if rig.Buses[i].Name == name {
				bus = i
			}
		}
		if !ok || bus < 0 {
			return nil, wrongf(`--address: found %q; want "BUS=HOST:PORT", or "BUS=PORT" for a serial port, with a bus of %s`, a, path)
		}
		rig.Buses[bus].Address = to // goes before the marks of a USB adapter
	}
	return rig, nil
}

// A recording is one run of the recorder with its words for people.
type recording struct {
	rig            *config.Rig
	trial          *config.Trial
	out            string
	stdout, stderr io.Writer
	endAfterPlan   bool
	forward        *forwardFlags // nil, or no url: none
	metrics        string        // address; "": none
}

func (r *recording) run(ctx context.Context) (err error) {
	if err := showBudget(io.Discard, r.rig); err != nil {
		return err
	}
	clock := acquire.NewClock()
	buses, err := openBuses(r.rig, clock)
	if err != nil {
		return err
	}
	var sources []record.Source
	for _, b := range buses {
		sources = append(sources, b)
	}
	if err := hearBuses(ctx, r.rig, buses); err != nil {
		return err
	}
	plan := record.NewPlan(r.trial)
	settings, err := record.Settings(r.rig, plan)
	if err != nil {
		return wrong(err)
	}
	groups := record.Groups(sources)
	stations, err := record.NewStations(groups, settings, plan)
	if err != nil {
		return wrong(err)
	}
	h := store.Header{Program: version(), AnchorUTC: clock.UTC(), RigText: r.rig.Text, TrialText: r.trial.Text, Groups: groups}
	for _, s := range r.rig.Stations {
		h.Stations = append(h.Stations, s.Name)
	}
	file, err := store.Create(r.out, h)
	if errors.Is(err, fs.ErrExist) {
		return wrongf("%s exists; name another with --out", r.out)
	}
	if err != nil {
		return err
	}
	defer func() { err = closed(err, file) }()

	show := newProgress(r.stderr, r.rig, plan)
	own := newMetrics(buses, r.rig)
	if r.metrics != "" {
		stop, err := own.serve(r.metrics)
		if err != nil {
			return err
		}
		defer stop()
	}
	var sender *sending
	if r.forward != nil && r.forward.url != "" {
		if sender, err = r.forward.start(ctx, file, r.out, r.rig.Name, own, r.stderr); err != nil {
			return err
		}
	}
	rec := record.Recorder{File: file, Sources: sources, Stations: stations, Plan: plan,
		EndAfterPlan: r.endAfterPlan, Committed: func(p record.Progress) { own.committed(p); show.committed(p) }}
	err = rec.Run(ctx)
	show.end()
	if sender != nil {
		sender.finish()
	}
	if err != nil {
		return err
	}
	for f, n := range stations.Flagged() {
		fmt.Fprintf(r.stderr, "%s: %d samples stored but not used, %s\n", f.Channel, n, f.Flag)
	}
	for i, b := range buses {
		for _, l := range deviceLines(b) {
			fmt.Fprintf(r.stderr, "%s, %s\n", r.rig.Buses[i].Name, l)
		}
	}
	fmt.Fprintf(r.stderr, "%s: %s\n", r.out, report.Counts(show.picks))
	return nil
}

// deviceLine tells in one line what became of a device's polls.
func deviceLine(d modbus.DeviceStats) string {
	s := fmt.Sprintf("%d polls answered", d.OK) + tally(tallied{d.Timeouts, "timed out"}, tallied{d.Framing, "spoiled"},
		tallied{d.Lost, "lost with the connection"}, tallied{d.NoConnection, "without connection"}, tallied{d.Skipped, "skipped"},
		tallied{d.BackedOff, "backed off"}, tallied{d.Stale, "late answers or noise discarded"})
	for code, n := range d.Exceptions {
		s += fmt.Sprintf(", %d refused (%v)", n, code)
	}
	return s + fmt.Sprintf("; late by %v, 99 %% within %v", d.LateMedian.Round(10*time.Microsecond), d.LateP99.Round(10*time.Microsecond))
}

// isTerminal reports whether w is a terminal.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
