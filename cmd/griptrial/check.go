package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"sync"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"griptrial/acquire"
	"griptrial/acquire/modbus"
	"griptrial/acquire/sample"
	"griptrial/config"
)

type checkOptions struct {
	addresses []string
	offline   bool
	forText   string
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
  griptrial check rig.yaml --address "block=127.0.0.1:15502"`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return check(c.Context(), c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.StringArrayVar(&o.addresses, "address", nil, `address to use for a bus in place of the rig file's, "BUS=HOST:PORT"`)
	f.BoolVar(&o.offline, "offline", false, "check the file only")
	f.StringVar(&o.forText, "for", "3 s", "how long to poll")
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
	fmt.Fprintf(w, "%s: %s; %d stations, SHA-256 %.12s…\n\n", path, rig.Name, len(rig.Stations), rig.SHA256())
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

// checkLive reads every channel once and then polls all buses for a while.
func checkLive(ctx context.Context, w io.Writer, rig *config.Rig, length time.Duration) error {
	clock := acquire.NewClock()
	var failed []error
	var pollers []*modbus.Poller
	for _, b := range rig.Buses {
		if b.Kind != config.ModbusTCP {
			fmt.Fprintf(w, "bus %s (%s): not read; this version reads %s only\n", b.Name, b.Kind, config.ModbusTCP)
			continue
		}
		p, err := modbus.NewPoller(b, clock)
		if err != nil {
			return wrong(err)
		}
		fmt.Fprintf(w, "bus %s, %s\n", b.Name, b.Address)
		readings, err := p.ReadOnce(ctx)
		if err != nil {
			failed = append(failed, fmt.Errorf("bus %s: %w", b.Name, err))
			fmt.Fprintf(w, "  no connection: %v\n", err)
			continue
		}
		pollers = append(pollers, p)
		if err := showReadings(w, rig, readings); err != nil {
			failed = append(failed, fmt.Errorf("bus %s: %w", b.Name, err))
		}
	}
	fmt.Fprintln(w)
	if len(pollers) > 0 && length > 0 {
		pollFor(ctx, w, pollers, length)
		fmt.Fprintln(w)
	}
	return errors.Join(failed...)
}

// showReadings writes a line a channel and returns the first error among them.
func showReadings(w io.Writer, rig *config.Rig, readings []acquire.Reading) error {
	channels := map[string]*config.Channel{}
	for p := range rig.Channels() {
		channels[p.Channel.Name] = p.Channel
	}
	var failed error
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "  channel\tstation\tkind\traw\tvalue\tread in")
	for _, r := range readings {
		if r.Err != nil {
			if failed == nil {
				failed = fmt.Errorf("%s, %s: %w", r.Device, r.Channel, r.Err)
			}
			fmt.Fprintf(t, "  %s\t\t\t\t%v\t\n", r.Channel, r.Err)
			continue
		}
		c := channels[r.Channel]
		value := fmt.Sprintf("%.4g %s", r.Value, c.Kind.Unit())
		if c.Kind.Switched() {
			value = map[bool]string{true: "on", false: "off"}[c.On(r.Raw)]
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%d\t%s\t%v\n", r.Channel, c.Station, c.Kind, r.Raw, value, r.Transaction.Round(10*time.Microsecond))
	}
	t.Flush()
	return failed
}

// pollFor polls all buses for a while and writes the rates reached.
func pollFor(ctx context.Context, w io.Writer, pollers []*modbus.Poller, length time.Duration) {
	ctx, stop := context.WithTimeout(ctx, length)
	defer stop()
	type count struct {
		scans, faults int
		first, last   int64
		half          int64
	}
	counts := make([][]count, len(pollers))
	var polling sync.WaitGroup
	for i, p := range pollers {
		counts[i] = make([]count, len(p.Groups()))
		polling.Go(func() {
			p.Run(ctx, func(b sample.Batch) {
				c := &counts[i][b.Group]
				if b.Fault != "" {
					c.faults++
				}
				for j, t := range b.T {
					if c.scans == 0 {
						c.first = t
					}
					c.scans++
					c.last = t
					c.half = max(c.half, b.Half[j])
				}
			})
		})
	}
	polling.Wait()
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "group\tasked /s\treached /s\tlargest half-width\tfaults")
	for i, p := range pollers {
		for g, group := range p.Groups() {
			c := counts[i][g]
			rate := math.NaN()
			if c.scans > 1 {
				rate = float64(c.scans-1) / (float64(c.last-c.first) / 1e9)
			}
			fmt.Fprintf(t, "%s\t%.1f\t%.1f\t%v\t%d\n", group.Name, 1/p.Requests()[g].Interval.Seconds(), rate,
				time.Duration(c.half).Round(10*time.Microsecond), c.faults)
		}
	}
	t.Flush()
	for _, p := range pollers {
		for _, d := range p.Stats().Devices {
			fmt.Fprintf(w, "%s: %s\n", d.Device, deviceLine(d))
		}
	}
}
