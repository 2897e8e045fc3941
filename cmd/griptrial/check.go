package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"griptrial/acquire"
	"griptrial/acquire/bench"
	"griptrial/acquire/budget"
	"griptrial/acquire/sample"
	"griptrial/config"
)

type checkOptions struct {
	addresses []string
	offline   bool
	forText   string

	json      bool
	bench     bool
	benchArgs benchOptions

	forward forwardFlags
	trials  []string
}

func checkCommand() *cobra.Command {
	o := &checkOptions{}
	c := &cobra.Command{
		Use:   "check RIG.yaml",
		Short: "Check a rig file and what is connected",
		Long: `check reads a rig file, then every channel once, then polls for a few seconds and shows
the rates that it reaches. It ends with the defaults that hold where the file is silent.

It only reads; no byte that it sends can switch anything.`,
		Example: `  griptrial check rig.yaml
  griptrial check rig.yaml --offline             the file only
  griptrial check rig.yaml --address "block=127.0.0.1:15502"
  griptrial check rig.yaml --forward https://tsdb.hall:8428 --trial hall.gtrial    is the server behind
  griptrial check rig.yaml --bench --out before.json          before a trial
  griptrial check rig.yaml --bench --before before.json       and after it
  griptrial check rig.yaml --bench --into monday.gtrial       the results into the trial file`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if o.bench && o.json {
				return wrongf("--json: the bench check writes JSON with --out")
			}
			if o.bench {
				rig, err := loadRig(args[0], o.addresses)
				if err != nil {
					return err
				}
				return benchCheck(c.Context(), c.InOrStdin(), c.OutOrStdout(), rig, bench.Steps(rig), o.benchArgs)
			}
			if o.benchArgs != (benchOptions{}) {
				return wrongf("--out, --before and --into go with --bench")
			}
			return check(c.Context(), c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.StringArrayVar(&o.addresses, "address", nil, `address to use for a bus in place of the rig file's, "BUS=HOST:PORT"`)
	f.BoolVar(&o.offline, "offline", false, "check the file only")
	f.StringVar(&o.forText, "for", "3 s", "how long to poll")
	f.BoolVar(&o.json, "json", false, "write JSON")
	f.BoolVar(&o.bench, "bench", false, "lead through the bench check: zero, blanked cup, open suction, air pressure")
	f.StringVar(&o.benchArgs.out, "out", "", "file for the results of the bench check")
	f.StringVar(&o.benchArgs.before, "before", "", "results of the bench check before the trial, to show the drift since")
	f.StringVar(&o.benchArgs.into, "into", "", "trial file to write the results into, and to show the drift since its own check before the trial")
	f.StringVar(&o.forward.url, "forward", "", "time-series server that picks are forwarded to: what it is, and what its settings lose")
	o.forward.addServer(f)
	f.StringArrayVar(&o.trials, "trial", nil, "with --forward: trial file of which to show how far the server is behind")
	return c
}

func check(ctx context.Context, w io.Writer, path string, o *checkOptions) error {
	rig, err := loadRig(path, o.addresses)
	if err != nil {
		return err
	}
	length, err := quantity("for", config.Time, o.forText, 0)
	if err != nil {
		return err
	}
	if o.json {
		return checkJSON(ctx, w, rig, time.Duration(length*float64(time.Second)), o.offline)
	}
	fmt.Fprintf(w, "%s: %s; %d stations, SHA-256 %.12s…\n\n", path, rig.Name, len(rig.Stations), rig.SHA256())
	if err := showBudget(w, rig); err != nil {
		return err
	}
	if o.forward.url != "" {
		if err := checkServer(ctx, w, &o.forward, o.trials, o.offline); err != nil {
			return err
		}
	} else if len(o.trials) > 0 {
		return wrongf("--trial goes with --forward")
	}
	if !o.offline {
		if err := checkLive(ctx, w, rig, time.Duration(length*float64(time.Second))); err != nil {
			return err
		}
	}
	fmt.Fprintln(w, "Where the file is silent, this holds:")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, d := range config.Defaults() {
		when := ""
		if d.When != "" {
			when = " (" + d.When + ")"
		}
		fmt.Fprintf(t, "  %s%s\t%s\t%s\n", d.Field, when, d.Value, d.Why)
	}
	return t.Flush()
}

// showBudget writes what the serial lines allow and how well seal times can be known. It
// returns an error where a line cannot carry what is asked of it.
func showBudget(w io.Writer, rig *config.Rig) error {
	lines, stations, err := budget.Of(rig)
	if err != nil {
		return wrong(err)
	}
	var impossible []error
	for i := range lines {
		l := &lines[i]
		fmt.Fprintf(w, "bus %s at %d baud: polls take %.0f %% of its time; every request once takes %s\n", l.Bus, l.Baud, 100*l.Load, ms(l.FastestS))
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "  request\tcharacters\ton the wire\tsilences\tturnaround\ttotal\tasked /s\tpossible /s")
		for j := range l.Requests {
			r := &l.Requests[j]
			turnaround := "not stated"
			if r.TurnaroundS >= 0 {
				turnaround = ms(r.TurnaroundS)
			}
			fmt.Fprintf(t, "  %s\t%d\t%s\t%s\t%s\t%s\t%.1f\t%.1f\n", r.Group, r.Characters, ms(r.WireS), ms(r.SilenceS), turnaround,
				ms(r.TotalS()), 1/r.AskedS, 1/(r.AskedS*max(1, l.Load)))
		}
		t.Flush()
		for _, b := range l.Better {
			fmt.Fprintf(w, "  with %s: %.0f %%\n", b.What, 100*b.Load)
		}
		if err := l.Err(); err != nil {
			impossible = append(impossible, wrong(err))
		}
	}
	for _, s := range stations {
		if math.IsNaN(s.U) {
			fmt.Fprintf(w, "station %s: how well seal times can be known cannot be said before a channel's update is stated\n", s.Name)
			continue
		}
		fmt.Fprintf(w, "station %s: seal time from %s, standard uncertainty %s of sampling alone", s.Name, s.From, ms(s.U))
		for i, p := range s.Parts {
			fmt.Fprintf(w, "%s%s ±%s", map[bool]string{true: ": ", false: ", "}[i == 0], p.What, ms(p.HalfS))
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintln(w)
	return errors.Join(impossible...)
}

// ms returns a time in milliseconds.
func ms(s float64) string { return fmt.Sprintf("%.2f ms", 1e3*s) }

// checkLive reads every channel once and then polls all buses for a while.
func checkLive(ctx context.Context, w io.Writer, rig *config.Rig, length time.Duration) error {
	buses, err := openBuses(rig, acquire.NewClock())
	if err != nil {
		return err
	}
	var failed []error
	var answering []busSource
	for i, b := range rig.Buses {
		fmt.Fprintf(w, "bus %s, %s, %s\n", b.Name, b.Kind, b.Port())
		showPollStrings(w, &b)
		readings, err := buses[i].ReadOnce(ctx)
		if err != nil {
			failed = append(failed, err)
			fmt.Fprintf(w, "  not read: %v\n", err)
			continue
		}
		answering = append(answering, buses[i])
		if err := showReadings(w, rig, readings); err != nil {
			failed = append(failed, fmt.Errorf("bus %s: %w", b.Name, err))
		}
	}
	fmt.Fprintln(w)
	if len(answering) > 0 && length > 0 {
		pollFor(ctx, w, answering, length)
		fmt.Fprintln(w)
	}
	return errors.Join(failed...)
}

// showPollStrings tells what would be sent to text devices.
func showPollStrings(w io.Writer, b *config.Bus) {
	for _, d := range b.Devices {
		if b.Text() && d.Line.Poll != "" {
			fmt.Fprintf(w, "  %s is sent %q for each line\n", d.Name, d.Line.Poll)
		}
	}
	if b.Listen {
		fmt.Fprintln(w, "  listening to another master; nothing is sent")
	}
}

// showReadings writes a line a channel and returns the first error among them.
func showReadings(w io.Writer, rig *config.Rig, readings []acquire.Reading) error {
	channels := map[string]*config.Channel{}
	for p := range rig.Channels() {
		channels[p.Channel.Name] = p.Channel
	}
	var failed error
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "  channel\tstation\tkind\traw\tvalue\tread in\tinstant within")
	for _, r := range readings {
		if r.Err != nil {
			if failed == nil {
				failed = fmt.Errorf("%s, %s: %w", r.Device, r.Channel, r.Err)
			}
			fmt.Fprintf(t, "  %s\t\t\t\t%v\t\t\n", r.Channel, r.Err)
			continue
		}
		c := channels[r.Channel]
		value := fmt.Sprintf("%.4g %s", r.Value, c.Kind.Unit())
		if flag := c.Limits.Of(r.Raw); flag != "" {
			value += ", " + string(flag)
		}
		if c.Kind.Switched() {
			value = map[bool]string{true: "on", false: "off"}[c.On(r.Raw)]
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%d\t%s\t%v\t%v\n", r.Channel, c.Station, c.Kind, r.Raw, value,
			r.Transaction.Round(10*time.Microsecond), r.Between.Round(10*time.Microsecond))
	}
	t.Flush()
	return failed
}

// pollFor reads all buses for a while and writes the rates reached.
func pollFor(ctx context.Context, w io.Writer, buses []busSource, length time.Duration) {
	seen := watchFor(ctx, buses, length)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "group\tasked /s\treached /s\tlargest half-width\tfaults\tnew counts every")
	for i, b := range buses {
		for g, group := range b.Groups() {
			x := &seen[i][g]
			asked := "–"
			if s := group.Channels[0].IntervalS; s > 0 {
				asked = fmt.Sprintf("%.1f", 1/s)
			}
			reached := "too short" // see --for
			if r := x.rate(); !math.IsNaN(r) {
				reached = fmt.Sprintf("%.1f", r)
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%v\t%d\t%s\n", group.Name, asked, reached,
				time.Duration(x.half).Round(10*time.Microsecond), x.faults, x.refreshes(group))
		}
	}
	t.Flush()
	for _, b := range buses {
		for _, l := range deviceLines(b) {
			fmt.Fprintln(w, l)
		}
	}
}

// watchFor reads all buses for a while and returns what it saw, by bus and group.
func watchFor(ctx context.Context, buses []busSource, length time.Duration) [][]groupWatch {
	ctx, stop := context.WithTimeout(ctx, length)
	defer stop()
	seen := make([][]groupWatch, len(buses))
	var polling sync.WaitGroup
	for i, b := range buses {
		seen[i] = make([]groupWatch, len(b.Groups()))
		polling.Go(func() {
			b.Run(ctx, func(x sample.Batch) { seen[i][x.Group].add(x) })
		})
	}
	polling.Wait()
	return seen
}

// A groupWatch is what check saw of one group.
type groupWatch struct {
	scans, faults int
	first, last   int64
	half          int64
	refresh       []acquire.Refresh
}

func (g *groupWatch) add(b sample.Batch) {
	if b.Fault != "" {
		g.faults++
	}
	if g.refresh == nil {
		g.refresh = make([]acquire.Refresh, len(b.Counts))
	}
	for i, t := range b.T {
		if g.scans == 0 {
			g.first = t
		}
		g.scans++
		g.last = t
		g.half = max(g.half, b.Half[i])
		for c := range b.Counts {
			g.refresh[c].Add(t, b.Counts[c][i])
		}
	}
}

func (g *groupWatch) rate() float64 {
	if g.scans < 2 {
		return math.NaN()
	}
	return float64(g.scans-1) / (float64(g.last-g.first) / 1e9)
}

// refreshes tells for each measured channel how often its count is new, where that is
// slower than it is read.
func (g *groupWatch) refreshes(group sample.Group) string {
	var all []string
	for c, channel := range group.Channels {
		if channel.Kind.Switched() || g.refresh == nil {
			continue
		}
		r := &g.refresh[c]
		s, ok := r.UpdateS()
		if !ok {
			continue
		}
		text := fmt.Sprintf("%s %s", channel.Name, config.Time.Format(s))
		if u := channel.UpdateS; u > 0 && (s > 1.5*u || s < u/1.5) {
			text += fmt.Sprintf(" (the rig file states update: %s)", config.Time.Format(u))
		} else if math.IsNaN(u) {
			text += " (state it as update)"
		}
		all = append(all, text)
	}
	if all == nil {
		return "–"
	}
	return strings.Join(all, ", ")
}
