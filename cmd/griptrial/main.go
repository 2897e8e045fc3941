// Command griptrial records, measures and compares gripping trials on flexible packs.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"griptrial/store"
)

// Exit codes.
const (
	exitDone = iota
	exitFailed
	exitUsage
	exitNotMet
)

// usageError is wrong usage or wrong input: exit code 2.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// wrong marks an error as wrong input.
func wrong(err error) error {
	if err == nil {
		return nil
	}
	return usageError{err}
}

// notMetError is a requirement that is not met or not shown: exit code 3.
type notMetError struct{ error }

func (e notMetError) Unwrap() error { return e.error }

// notMet marks an error as a requirement not met.
func notMet(err error) error { return notMetError{err} }

func wrongf(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

func main() {
	// The first Ctrl-C ends cleanly; after it the default is back, so that a second one ends
	// at once.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	go func() { <-ctx.Done(); stop() }()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

// run runs the command line and returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	c := root()
	started := false
	c.PersistentPreRun = func(*cobra.Command, []string) { started = true }
	c.SetArgs(joinPage(args))
	c.SetOut(stdout)
	c.SetErr(stderr)
	called, err := c.ExecuteContextC(ctx)
	if err == nil {
		return exitDone
	}
	said := strings.TrimSpace(err.Error())
	if errors.Is(err, store.ErrDamaged) && called.Name() != "salvage" {
		said += "; griptrial salvage brings out what can be had"
	}
	fmt.Fprintln(stderr, said)
	var u usageError
	if !started || errors.As(err, &u) { // before it started only the command line can be wrong
		return exitUsage
	}
	var n notMetError
	if errors.As(err, &n) {
		return exitNotMet
	}
	return exitFailed
}

// version returns the version of the program as it was built.
func version() string {
	if b, ok := debug.ReadBuildInfo(); ok && b.Main.Version != "" {
		return b.Main.Version
	}
	return "(devel)"
}

func root() *cobra.Command {
	c := &cobra.Command{
		Use:   "griptrial",
		Short: "Record, measure and compare gripping trials on bags and pouches",
		Long: `griptrial watches suction cups pick bags: it polls vacuum transducers, flow sensors
and power meters, finds every pick in the signals, and measures seal time, hold
vacuum, drops and energy, each with its uncertainty.

It only reads. It is no safety function: keep out of the robot's reach, follow the
machine's safeguarding and the local codes, and never wire a signal of this program
into a safety circuit.`,
		Example: `  griptrial demo                                 a simulated trial, start to end
  griptrial measure log.csv --time t_s --vacuum "vacuum_kPa[kPa]" --require "30 kPa"
  griptrial check rig.yaml                       what is connected, and does it answer
  griptrial record rig.yaml trial.yaml           record a trial
  griptrial picks trial.gtrial                   its picks`,
		Version:       version(),
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	c.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return wrongf("%s: %w; see %s --help", c.CommandPath(), err, c.CommandPath())
	})
	c.AddCommand(demoCommand(), recordCommand(), simulateCommand(), checkCommand(), findCommand(), calibrateCommand(), measureCommand(), picksCommand(), planCommand(),
		compareCommand(), chooseCommand(), soakCommand(), liftCommand(), layoutCommand(), engineCommand(),
		verifyCommand(), salvageCommand(), reanalyseCommand())
	c.AddCommand(reportCommand(), exportCommand(), forwardCommand())
	for _, sub := range c.Commands() {
		if args := sub.Args; args != nil {
			sub.Args = func(c *cobra.Command, a []string) error {
				if err := args(c, a); err != nil {
					return wrongf("%s: %w; see %s --help", c.CommandPath(), err, c.CommandPath())
				}
				return nil
			}
		}
	}
	return c
}
