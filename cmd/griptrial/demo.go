package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"griptrial/config"
	"griptrial/record"
	"griptrial/simulator"
)

//go:embed demo/rig.yaml
var demoRig string

// demoRequirement is what the hall asks of every setup: a hundred milliseconds of the cycle for
// sealing, few drops, and picks at the pace of the packing line.
var demoRequirement = fmt.Sprintf(`vacuum: {required: %d kPa, min: 12 kPa, share: 90 %%}
  seal_time: {limit: 100 ms, share: 90 %%}
  drops: {max_rate: 5 %%}
  confidence: 90 %%
  picks: 45 /min
`, simulator.DemoRequiredKPa)

type demoOptions struct {
	picks int
	out   string
	truth string
	json  bool
	page  pageFlags
}

func demoCommand() *cobra.Command {
	o := &demoOptions{}
	c := &cobra.Command{
		Use:   "demo",
		Short: "Run a simulated trial from start to end",
		Long: `demo starts a simulated rig behind a real Modbus TCP server on loopback, records a trial
from it into a trial file, and prints the picks and a comparison of the setups.

The trial: a garden-supplies packing hall tries two cups and two engines on four packs.`,
		Example: `  griptrial demo
  griptrial demo --picks 80 --out hall.gtrial
  griptrial demo --page`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			return demo(c.Context(), c.OutOrStdout(), c.ErrOrStderr(), o)
		},
	}
	f := c.Flags()
	f.IntVar(&o.picks, "picks", 24, "picks to make on each of the two stations")
	f.StringVar(&o.out, "out", "demo.gtrial", "trial file to write; one from an earlier demo is replaced")
	f.StringVar(&o.truth, "truth", "", "file for what really happened, to compare with")
	f.BoolVar(&o.json, "json", false, "write the picks as JSON, as griptrial picks does")
	o.page.add(f, "")
	return c
}

func demo(ctx context.Context, stdout, stderr io.Writer, o *demoOptions) error {
	if o.picks < 1 {
		return wrongf("--picks: found %d; at least 1 is needed", o.picks)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	text := strings.Replace(demoRig, "127.0.0.1:15502", ln.Addr().String(), 1)
	rig, err := config.ParseRig("demo rig", []byte(text))
	if err != nil {
		return err
	}
	sc := simulator.DemoScenario(o.picks)
	text = strings.Replace(trialText(sc, rig), fmt.Sprintf("vacuum: %d kPa\n", simulator.DemoRequiredKPa), demoRequirement, 1)
	trial, err := record.ParseTrial("demo trial", []byte(text), rig)
	if err != nil {
		return err
	}
	if err := replaceDemo(o.out); err != nil {
		return err
	}
	sim, err := simulator.NewRig(sc, *rig)
	if err != nil {
		return err
	}
	serving, stop := context.WithCancel(ctx)
	served := make(chan error, 1)
	go func() { served <- simulator.Serve(serving, ln, sim.Bus("block")) }()
	fmt.Fprintf(stderr, "simulated rig on %s, about %.0f s; Ctrl-C ends it early\n", ln.Addr(), sim.DurationS())

	r := recording{rig: rig, trial: trial, out: o.out, stdout: stdout, stderr: stderr, endAfterPlan: true, page: o.page}
	var shown error
	r.finished = func() error {
		if o.truth != "" {
			if err := writeTruth(o.truth, sim); err != nil {
				return err
			}
		}
		if o.json {
			shown = showPicks(stdout, o.out, &picksOptions{set: 1, json: true})
		} else {
			shown = showDemo(stdout, o.out)
		}
		return nil
	}
	err = r.run(ctx)
	stop()
	if err := errors.Join(err, <-served); err != nil {
		return err
	}
	if o.page.address == "" && isTerminal(stderr) {
		fmt.Fprintf(stderr, "\nthe same as a page, at http://%s/:  griptrial picks %s --page\n", defaultPage, o.out)
	}
	return shown
}

// showDemo prints the picks and the setups side by side.
func showDemo(stdout io.Writer, path string) error {
	fmt.Fprintln(stdout)
	if err := showPicks(stdout, path, &picksOptions{set: 1}); err != nil {
		return err
	}
	fmt.Fprintln(stdout)
	// That a setup of the demo does not hold is what it has to show, and no failure of it.
	err := compareTrial(stdout, path, &compareOptions{set: 1, allowOpen: true})
	if n := (notMetError{}); errors.As(err, &n) {
		_, err = fmt.Fprintln(stdout, "\n"+n.Error())
	}
	return err
}

// replaceDemo removes the trial file of an earlier demo, and nothing else of that name.
func replaceDemo(path string) error {
	old, err := openTrial(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	simulated := strings.HasPrefix(string(old.Header().RigText), "# The rig of \"griptrial demo\"")
	old.Close()
	if !simulated {
		return wrongf("%s holds a trial that is no demo; name another file with --out", path)
	}
	for _, ext := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(path + ext); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return nil
}

func writeTruth(path string, sim *simulator.Rig) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	return errors.Join(simulator.WriteTruth(f, sim.Truth()), f.Close())
}

// trialText writes the trial file that goes with a scenario on a rig.
func trialText(sc simulator.Scenario, rig *config.Rig) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# The trial that goes with the simulated rig.\n\nname: %s\n\nrequirement:\n  vacuum: %g kPa\n\nsetups:\n", sc.Name, sc.Setups[0].RequiredKPa)
	tilted := slices.ContainsFunc(sc.Setups, func(u simulator.Setup) bool { return u.Cup.TiltDeg != 0 })
	for i := range sc.Setups {
		u := &sc.Setups[i]
		if engine, used := engineOn(sc, u); used {
			fmt.Fprintf(&b, "  - {name: %q, bag: %q, cup: %q, cups: %d", u.Name, u.Bag, u.CupName, max(1, u.Cups))
			if u.Cups > 1 && u.Cup.SpacingMM > 0 {
				fmt.Fprintf(&b, ", placement: \"%g mm apart\"", u.Cup.SpacingMM)
			}
			if tilted {
				fmt.Fprintf(&b, ", tilt: \"%g °\"", u.Cup.TiltDeg)
			}
			switch {
			case engine == "":
			case rig.Engine(engine) != nil && engineRefused(sc, rig, u) == "":
				fmt.Fprintf(&b, ", engine: %q", engine)
			default: // setups on different engines stay apart all the same
				fmt.Fprintf(&b, ", engine_setting: %q", "simulated "+engine)
			}
			fmt.Fprintf(&b, ", vacuum: %g kPa}\n", u.RequiredKPa)
		}
	}
	fmt.Fprintf(&b, "\nruns:\n")
	for _, r := range sc.Runs {
		fmt.Fprintf(&b, "  - {piece: %q, picks: %d, setups: {", r.Piece, r.Picks)
		sep := ""
		for _, s := range sc.Stations {
			if name := r.Setups[s.Name]; name != "" {
				fmt.Fprintf(&b, "%s%q: %q", sep, s.Name, name)
				sep = ", "
			}
		}
		fmt.Fprintf(&b, "}}\n")
	}
	return b.String()
}

// engineOn returns the engine that a setup of a scenario has, and whether a run uses the setup.
func engineOn(sc simulator.Scenario, u *simulator.Setup) (engine string, used bool) {
	engine = u.Engine.Name
	for _, r := range sc.Runs {
		for _, st := range sc.Stations {
			if r.Setups[st.Name] == u.Name {
				used = true
				if c := slices.IndexFunc(sc.Centrals, func(c simulator.Central) bool { return c.Name == st.Central }); c >= 0 {
					engine = sc.Centrals[c].Engine.Name
				}
			}
		}
	}
	return engine, used
}

// engineRefused returns the first station that a run uses a setup on although the rig states
// another engine there, "" where there is none.
func engineRefused(sc simulator.Scenario, rig *config.Rig, u *simulator.Setup) string {
	engine, _ := engineOn(sc, u)
	if rig.Engine(engine) == nil {
		return "" // one that only the simulation knows
	}
	for _, r := range sc.Runs {
		for _, st := range rig.Stations {
			if r.Setups[st.Name] == u.Name && st.Engine != "" && st.Engine != engine {
				return st.Name
			}
		}
	}
	return ""
}

// writeNew writes a file that does not exist yet.
func writeNew(path, text string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if errors.Is(err, os.ErrExist) {
		return wrongf("%s exists; name another file", path)
	}
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	return errors.Join(err, f.Close())
}
