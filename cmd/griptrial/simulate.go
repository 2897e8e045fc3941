package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"strconv"
	"strings"
	"sync"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"griptrial/acquire"
	"griptrial/acquire/sample"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
	"griptrial/simulator"
	"griptrial/store"
)

type simulateOptions struct {
	port, picks int
	seed        uint64
	truth       string
	trial       string
	pty, serial string
	fast, json  bool
	out         string

	seeded, counted bool // stated by the user
}

func simulateCommand() *cobra.Command {
	o := &simulateOptions{}
	c := &cobra.Command{
		Use:   "simulate RIG.yaml [SCENARIO.yaml]",
		Short: "Serve a simulated rig in place of the hardware",
		Long: `simulate serves the buses of a rig file: those over TCP on loopback, from a port on, the
second bus on the next port, and so on; serial ones on pseudo-terminals (Linux), whose
paths it prints, or on a serial port. Its stations do what a scenario file says, or pick
bags of a garden-supplies packing hall, until Ctrl-C; the same seed gives the same picks.

While it serves, a key and Enter lets something go wrong:
` + keyHelp() + `
With --trial it writes the trial file that goes with what it does. With --fast it records
at once what polling would have read, without a wire or a clock, into the trial file --out.`,
		Example: `  griptrial simulate testdata/rigs/io-block-tcp.yaml --port 15502
  griptrial check testdata/rigs/io-block-tcp.yaml --address "block=127.0.0.1:15502"
  griptrial simulate testdata/rigs/rtu-transducers.yaml --pty /tmp/rs485
  griptrial simulate testdata/rigs/io-block-tcp.yaml testdata/scenarios/ab-bench.yaml --fast --out ab.gtrial`,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(c *cobra.Command, args []string) error {
			o.seeded, o.counted = c.Flags().Changed("seed"), c.Flags().Changed("picks")
			return simulate(c.Context(), c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr(), args, o)
		},
	}
	f := c.Flags()
	f.IntVar(&o.port, "port", 15502, "first port to serve on")
	f.IntVar(&o.picks, "picks", 200, "picks to make on each station; after them the rig rests (with a scenario: at most, in each run)")
	f.Uint64Var(&o.seed, "seed", 1, "what all scatter follows from (default with a scenario: its own)")
	f.StringVar(&o.truth, "truth", "", "file for what really happened, written at the end")
	f.StringVar(&o.trial, "trial", "", "trial file (YAML) to write, for griptrial record")
	f.StringVar(&o.pty, "pty", "", "name to give to the first serial bus's pseudo-terminal")
	f.StringVar(&o.serial, "serial", "", "serial port to serve the first serial bus on, in place of a pseudo-terminal")
	f.BoolVar(&o.fast, "fast", false, "record at once, without a wire, into --out")
	f.StringVar(&o.out, "out", "", "trial file to write with --fast")
	f.BoolVar(&o.json, "json", false, "with --fast: write the picks as JSON, as griptrial picks does")
	return c
}

func simulate(ctx context.Context, in io.Reader, stdout, stderr io.Writer, args []string, o *simulateOptions) error {
	rig, err := config.LoadRig(args[0])
	if err != nil {
		return wrong(err)
	}
	if o.picks < 1 {
		return wrongf("--picks: found %d; at least 1 is needed", o.picks)
	}
	if o.fast != (o.out != "") {
		return wrongf("--fast and --out go together")
	}
	if o.json && !o.fast {
		return wrongf("--json belongs to --fast, which is missing")
	}
	sc, err := o.scenario(rig, args)
	if err != nil {
		return err
	}
	if o.trial != "" {
		if err := writeNew(o.trial, trialText(sc, rig)); err != nil {
			return err
		}
	}
	sim, err := simulator.NewRig(sc, *rig)
	if err != nil {
		return wrongf("%s: %w", args[0], err)
	}
	if o.fast {
		if err := o.record(ctx, stderr, rig, sc, sim, trialText(sc, rig)); err != nil || !o.json {
			return err
		}
		return showPicks(stdout, o.out, &picksOptions{set: 1, json: true})
	}
	return o.serve(ctx, in, stdout, sc, sim)
}

// scenario returns what the rig is to do.
func (o *simulateOptions) scenario(rig *config.Rig, args []string) (simulator.Scenario, error) {
	var names []string
	for _, s := range rig.Stations {
		names = append(names, s.Name)
	}
	if len(args) == 1 {
		sc := simulator.DemoScenario(o.picks).OnStations(names)
		sc.Seed = o.seed
		return sc, nil
	}
	file, err := simulator.LoadScenario(args[1])
	if err != nil {
		return simulator.Scenario{}, wrong(err)
	}
	sc := *file
	for _, s := range sc.Stations {
		if rig.Station(s.Name) == nil {
			return sc, wrongf("%s: station %q is not in %s, which has %q", args[1], s.Name, args[0], names)
		}
	}
	for i := range sc.Setups {
		u := &sc.Setups[i]
		if at := engineRefused(sc, rig, u); at != "" {
			engine, _ := engineOn(sc, u)
			return sc, wrongf("%s: setup %q has the engine %q, and %s states %q for station %q; want the same, or no engine for that station where runs change it",
				args[1], u.Name, engine, args[0], rig.Station(at).Engine, at)
		}
	}
	if o.seeded {
		sc.Seed = o.seed
	}
	if o.counted {
		sc = sc.Shortened(o.picks)
	}
	return sc, nil
}

// serve answers on every bus until ctx is done.
func (o *simulateOptions) serve(ctx context.Context, in io.Reader, w io.Writer, sc simulator.Scenario, sim *simulator.Rig) (err error) {
	ctx, stop := context.WithCancel(ctx)
	var serving sync.WaitGroup
	errs := make([]error, len(sim.Buses()))
	defer func() {
		stop()
		serving.Wait()
	}()
	port, serials := o.port, 0
	for i, b := range sim.Buses() {
		serve := func() error { return nil }
		switch b.Kind {
		case config.ModbusRTU, config.TextSerial:
			serials++
			line, name, err := o.line(b, serials)
			if err != nil {
				return wrongf("bus %s: %w", b.Name, err)
			}
			if link := o.pty; link != "" && (o.serial == "" || serials > 1) {
				if serials > 1 {
					link += "-" + strconv.Itoa(serials)
				}
				if err := linkLine(name, link); err != nil {
					return wrongf("--pty: %w", errors.Join(err, line.Close()))
				}
				defer os.Remove(link)
				name = link
			}
			fmt.Fprintf(w, "bus %s on %s\n", b.Name, name)
			serve = func() error { return simulator.ServeLine(ctx, line, b, o.serial == "" || serials > 1) }
		default:
			ln, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port)))
			if err != nil {
				return wrongf("--port: %w", err)
			}
			if port != 0 {
				port++
			}
			fmt.Fprintf(w, "bus %s on %s\n", b.Name, ln.Addr())
			serve = func() error { return simulator.Serve(ctx, ln, b) }
		}
		serving.Go(func() {
			if errs[i] = serve(); errs[i] != nil {
				stop()
			}
		})
	}
	picks := 0
	for _, r := range sc.Runs {
		picks += r.Picks
	}
	fmt.Fprintf(w, "%d picks on each of %d stations, %.0f s; Ctrl-C ends it\n", picks, len(sc.Stations), sim.DurationS())
	if f, ok := in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		go keys(f, w, sc, sim)
	}
	serving.Wait()
	if o.truth != "" {
		errs = append(errs, writeTruth(o.truth, sim))
	}
	return errors.Join(errs...)
}

// linkLine gives a pseudo-terminal another name. The link of a simulator that was killed is
// replaced: its pseudo-terminal is gone, or has come back as this one.
func linkLine(name, link string) error {
	err := os.Symlink(name, link)
	if !errors.Is(err, fs.ErrExist) {
		return err
	}
	was, e := os.Readlink(link)
	if e != nil {
		return fmt.Errorf("%s exists and is no link to a pseudo-terminal; name another file", link)
	}
	if _, e := os.Stat(was); was != name && !errors.Is(e, fs.ErrNotExist) {
		return fmt.Errorf("%s exists and leads to %s; remove it if no simulator serves it, or name another file", link, was)
	}
	if err := os.Remove(link); err != nil {
		return err
	}
	return os.Symlink(name, link)
}

// line opens what the n-th serial bus is served on.
func (o *simulateOptions) line(b *simulator.Bus, n int) (io.ReadWriteCloser, string, error) {
	if o.serial != "" && n == 1 {
		line, err := simulator.OpenPort(o.serial, b.Serial)
		return line, o.serial, err
	}
	return simulator.OpenPTY()
}

// A key lets something go wrong.
type key struct {
	key  string
	what string
	make func(cycleS float64, vacuum string) simulator.Trouble
}

var keyTable = []key{
	// A pick is planned while the one before it runs: the next but one is the first to drop.
	{"d", "drop a bag", func(c float64, _ string) simulator.Trouble {
		return simulator.Trouble{Kind: simulator.DropBag, FromS: c, ToS: 2 * c}
	}},
	{"b", "another bag, half as leaky again", plant(simulator.BagChange, 1.5)},
	{"w", "a worn cup", plant(simulator.WornCup, 2.5)},
	{"k", "a kinked hose", plant(simulator.KinkedHose, 0.3)},
	{"a", "low air pressure", plant(simulator.LowAir, 250)},
	{"u", "the first vacuum is stuck for 5 s", channelFault(simulator.StuckValue, 0)},
	{"o", "its wire is broken for 5 s", channelFault(simulator.BrokenWire, 0)},
	{"n", "noise on it for 5 s", channelFault(simulator.NoiseBurst, 3)},
	{"c", "bad CRCs for 2 s", wire(simulator.BadCRC, 0, 2)},
	{"l", "late answers for 2 s", wire(simulator.Late, 0.3, 2)},
	{"x", "lost answers for 2 s", wire(simulator.Lost, 0, 2)},
	{"s", "split answers for 2 s", wire(simulator.Split, 0, 2)},
	{"t", "answers twice for 2 s", wire(simulator.Doubled, 0, 2)},
	{"r", "short replies for 2 s", wire(simulator.Short, 0, 2)},
	{"e", "exceptions for 2 s", wire(simulator.ExceptionCode, 6, 2)},
	{"z", "connections reset for 2 s", wire(simulator.Reset, 0, 2)},
	{"q", "dead devices for 10 s", wire(simulator.DeadDevice, 0, 10)},
	{"f", "a foreign master for 5 s", wire(simulator.ForeignMaster, 0, 5)},
}

func plant(k simulator.TroubleKind, value float64) func(float64, string) simulator.Trouble {
	return func(float64, string) simulator.Trouble { return simulator.Trouble{Kind: k, Value: value} }
}

func channelFault(k simulator.TroubleKind, value float64) func(float64, string) simulator.Trouble {
	return func(_ float64, vacuum string) simulator.Trouble {
		return simulator.Trouble{Kind: k, Value: value, Channel: vacuum, ToS: 5}
	}
}

func wire(k simulator.TroubleKind, value, forS float64) func(float64, string) simulator.Trouble {
	return func(float64, string) simulator.Trouble { return simulator.Trouble{Kind: k, Value: value, ToS: forS} }
}

func keyHelp() string {
	var b strings.Builder
	for _, k := range keyTable {
		fmt.Fprintf(&b, "  %s  %s\n", k.key, k.what)
	}
	return b.String() + "  0  all is well again\n"
}

// keys lets things go wrong as the lines of in ask for.
func keys(in io.Reader, w io.Writer, sc simulator.Scenario, sim *simulator.Rig) {
	vacuum := ""
	for _, g := range sim.Groups() {
		for _, c := range g.Channels {
			if vacuum == "" && c.Kind == sample.Vacuum {
				vacuum = c.Name
			}
		}
	}
	for lines := bufio.NewScanner(in); lines.Scan(); {
		asked := strings.TrimSpace(lines.Text())
		if asked == "0" {
			sim.ClearTroubles()
			fmt.Fprintln(w, "all is well again")
			continue
		}
		found := false
		for _, k := range keyTable {
			if k.key != asked {
				continue
			}
			found = true
			if err := sim.Add(k.make(sc.Setups[0].Cycle.CycleS, vacuum)); err != nil {
				fmt.Fprintln(w, err)
			} else {
				fmt.Fprintln(w, k.what)
			}
		}
		if !found {
			fmt.Fprint(w, keyHelp())
		}
	}
}

// A fastSource hands on what polling would have read, without a wire or a clock.
type fastSource struct {
	sc     simulator.Scenario
	rig    *config.Rig
	groups []sample.Group
	truth  []simulator.Truth
}

func (f *fastSource) Groups() []sample.Group { return f.groups }

func (f *fastSource) Run(ctx context.Context, emit func(sample.Batch)) error {
	var err error
	f.truth, err = simulator.Fast(f.sc, *f.rig, 0, func(b sample.Batch) error {
		emit(b)
		return ctx.Err()
	})
	if ctx.Err() != nil {
		return nil // the plan is done, or Ctrl-C
	}
	return err
}

// record records the scenario at once, as the trial with the given text.
func (o *simulateOptions) record(ctx context.Context, stderr io.Writer, rig *config.Rig, sc simulator.Scenario, sim *simulator.Rig, text string) (err error) {
	trial, err := record.ParseTrial("trial of "+sc.Name, []byte(text), rig)
	if err != nil {
		return wrong(err)
	}
	source := &fastSource{sc: sc, rig: rig, groups: sim.Groups()}
	plan := record.NewPlan(trial)
	settings, err := record.Settings(rig, plan)
	if err != nil {
		return wrong(err)
	}
	stations, err := record.NewStations(source.groups, settings, plan)
	if err != nil {
		return wrong(err)
	}
	h := store.Header{Program: version(), AnchorUTC: acquire.NewClock().UTC(), RigText: rig.Text, TrialText: trial.Text, Groups: source.groups}
	for _, s := range rig.Stations {
		h.Stations = append(h.Stations, s.Name)
	}
	file, err := store.Create(o.out, h)
	if errors.Is(err, fs.ErrExist) {
		return wrongf("%s exists; name another with --out", o.out)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	show := newProgress(stderr, rig, plan, source.Groups())
	rec := record.Recorder{File: file, Sources: []record.Source{source}, Stations: stations, Plan: plan, Committed: show.committed}
	err = rec.Run(ctx)
	show.end()
	if err != nil {
		return err
	}
	fmt.Fprintf(stderr, "%s: %s\n", o.out, report.Counts(show.picks))
	if o.truth == "" {
		return nil
	}
	f, err := os.Create(o.truth)
	if err != nil {
		return err
	}
	return errors.Join(simulator.WriteTruth(f, source.truth), f.Close())
}
