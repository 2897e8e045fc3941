package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"griptrial/acquire"
	"griptrial/acquire/bench"
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
	bench     bool
	json      bool
	page      pageFlags
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
			return recordTrial(c.Context(), c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr(), args[0], args[1], o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.out, "out", "", "trial file to write (default the trial's file name with "+store.Ext+")")
	f.StringArrayVar(&o.addresses, "address", nil, `address to use for a bus in place of the rig file's, "BUS=HOST:PORT" or "BUS=PORT"`)
	f.StringVar(&o.forText, "for", "", `end after this time, "10 min"`)
	f.StringVar(&o.forward.url, "forward", "", "time-series server to forward picks to while recording; see griptrial forward --help")
	o.forward.add(f)
	f.StringVar(&o.metrics, "metrics", "", `serve the recorder's own metrics at http://ADDRESS/metrics, "127.0.0.1:9464"`)
	o.page.add(f, "start and stop the runs there, instead of by the number of picks; the recording ends there, after --for, or with Ctrl-C")
	f.BoolVar(&o.bench, "bench", false, "lead through the bench check before and after the trial, and keep the results and their drift in the trial file")
	f.BoolVar(&o.json, "json", false, "write the picks as JSON at the end, as griptrial picks does")
	return c
}

func recordTrial(ctx context.Context, stdin io.Reader, stdout, stderr io.Writer, rigPath, trialPath string, o *recordOptions) error {
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
	out := o.out
	if out == "" {
		out = strings.TrimSuffix(trialPath, ".yaml") + store.Ext
	}
	r := recording{rig: rig, trial: trial, out: out, stdout: stdout, stderr: stderr, endAfterPlan: true, forward: &o.forward, metrics: o.metrics,
		length: time.Duration(length * float64(time.Second)), page: o.page}
	if o.json {
		r.stdout = stderr // what leads through a bench check
		r.finished = func() error { return showPicks(stdout, out, &picksOptions{set: 1, json: true}) }
	}
	if o.bench {
		r.steps, r.answers = bench.Steps(rig), bufio.NewScanner(stdin)
	}
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
	length         time.Duration // 0: until the plan is done
	steps          []bench.Step  // of the bench check before and after; nil: none
	answers        *bufio.Scanner
	page           pageFlags
	finished       func() error // called with the finished trial, before the page is served on; may be nil
}

func (r *recording) run(ctx context.Context) (err error) {
	if err := showBudget(io.Discard, r.rig); err != nil {
		return err
	}
	page, err := r.page.open()
	if err != nil {
		return err
	}
	if page != nil {
		defer page.ln.Close()
	}
	var before []bench.Result
	var beforeAt time.Time
	if r.steps != nil {
		if _, err := os.Lstat(r.out); err == nil {
			return exists(r.out)
		}
		if before, err = takeBenchCheck(ctx, r.answers, r.stdout, r.rig, r.steps); err != nil {
			return err
		}
		beforeAt = time.Now()
		if err := showBenchCheck(r.stdout, before, nil); err != nil {
			return fmt.Errorf("%w; nothing was recorded", err)
		}
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
	var control *record.Control
	if r.page.operator {
		plan, control = record.NewOperatorPlan(r.trial), record.NewControl()
	}
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
		return exists(r.out)
	}
	if err != nil {
		return err
	}
	defer func() { err = closed(err, file) }()
	if before != nil {
		if err := keepBenchCheck(file, store.Before, clock.At(beforeAt), before); err != nil {
			return err
		}
	}

	show := newProgress(r.stderr, r.rig, plan, record.Groups(sources))
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
	recording, end := context.WithCancel(ctx)
	defer end()
	if r.length > 0 {
		var stop context.CancelFunc
		recording, stop = context.WithTimeout(recording, r.length)
		defer stop()
	}
	rec := record.Recorder{File: file, Sources: sources, Stations: stations, Plan: plan, Now: clock.Both, Control: control,
		EndAfterPlan: r.endAfterPlan, Committed: func(p record.Progress) { own.committed(p); show.committed(p) }}
	ended := func(error) {}
	if page != nil {
		live, liveErr := page.watch(&rec, buses, r.rig, end)
		if liveErr != nil {
			return liveErr
		}
		stop, pageErr := page.serve(ctx, r.stderr)
		if pageErr != nil {
			return pageErr
		}
		defer func() { err = errors.Join(err, stop()) }()
		go live.Run()
		ended = live.End
	}
	err = rec.Run(recording)
	show.end()
	ended(err)
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
	anchors, err := file.Clock()
	if err != nil {
		return err
	}
	for _, a := range anchors[1:] {
		fmt.Fprintf(r.stderr, "at %.3f s %s by %.3f s; times of the trial go on from the first anchor\n", float64(a.TNS)/1e9, a.Why, math.Abs(a.JumpedS))
	}
	fmt.Fprintf(r.stderr, "%s: %s\n", r.out, report.Counts(show.picks))
	if err := r.checkAfter(ctx, file, clock, before); err != nil {
		return err
	}
	if r.finished != nil {
		if err := r.finished(); err != nil && page == nil {
			return err
		}
	}
	if page != nil {
		page.until(ctx, r.stderr)
	}
	return nil
}

// checkAfter leads through the bench check after the trial, where there is one.
func (r *recording) checkAfter(ctx context.Context, file *store.Trial, clock acquire.Clock, before []bench.Result) error {
	if r.steps == nil {
		return nil
	}
	if ctx.Err() != nil {
		fmt.Fprintf(r.stderr, "no bench check at the end, because it was interrupted: griptrial check RIG.yaml --bench --into %s\n", r.out)
		return nil
	}
	after, err := takeBenchCheck(ctx, r.answers, r.stdout, r.rig, r.steps)
	if err != nil {
		return err
	}
	if err := keepBenchCheck(file, store.After, clock.Now(), after); err != nil {
		return err
	}
	return showBenchCheck(r.stdout, after, before)
}

// exists says that the trial file to be written is there already.
func exists(path string) error { return wrongf("%s exists; name another with --out", path) }

// deviceLine tells in one line what became of a device's polls.
func deviceLine(d modbus.DeviceStats) string {
	s := fmt.Sprintf("%d polls answered", d.OK) + tally(tallied{d.Timeouts, "timed out"}, tallied{d.Framing, "spoiled"},
		tallied{d.Lost, "lost with the connection"}, tallied{d.NoConnection, "without connection"}, tallied{d.Skipped, "skipped"},
		tallied{d.BackedOff, "backed off"}, tallied{d.Stale, "late answers or noise discarded"})
	for code, n := range d.Exceptions {
		s += fmt.Sprintf(", %d refused (%v)", n, code)
	}
	return s + lateLine(d.LateMedian, d.LateP99)
}

// lateLine tells how late polls began, "" where there were none.
func lateLine(median, p99 time.Duration) string {
	if p99 == 0 {
		return ""
	}
	return fmt.Sprintf("; late by %v, 99 %% within %v", median.Round(10*time.Microsecond), p99.Round(10*time.Microsecond))
}

// isTerminal reports whether w is a terminal.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}
