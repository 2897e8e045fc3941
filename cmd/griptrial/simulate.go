package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"sync"

	"github.com/spf13/cobra"

	"griptrial/config"
	"griptrial/simulator"
)

type simulateOptions struct {
	port, picks int
	seed        uint64
	truth       string
	trial       string
}

func simulateCommand() *cobra.Command {
	o := &simulateOptions{}
	c := &cobra.Command{
		Use:   "simulate RIG.yaml",
		Short: "Serve a simulated rig in place of the hardware",
		Long: `simulate serves the Modbus TCP buses of a rig file on loopback, from a port on: the
second bus on the next port, and so on. Its stations pick bags of a garden-supplies
packing hall until Ctrl-C; the same seed gives the same picks.

With --trial it writes the trial file that goes with what it does.`,
		Example: `  griptrial simulate testdata/rigs/io-block-tcp.yaml --port 15502
  griptrial check testdata/rigs/io-block-tcp.yaml --address "block=127.0.0.1:15502"`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return simulate(c.Context(), c.OutOrStdout(), args[0], o)
		},
	}
	f := c.Flags()
	f.IntVar(&o.port, "port", 15502, "first port to serve on")
	f.IntVar(&o.picks, "picks", 200, "picks to make on each station; after them the rig rests")
	f.Uint64Var(&o.seed, "seed", 1, "what all scatter follows from")
	f.StringVar(&o.truth, "truth", "", "file for what really happened, written at the end")
	f.StringVar(&o.trial, "trial", "", "trial file (YAML) to write, for griptrial record")
	return c
}

func simulate(ctx context.Context, w io.Writer, path string, o *simulateOptions) error {
	rig, err := config.LoadRig(path)
	if err != nil {
		return wrong(err)
	}
	if o.picks < 1 {
		return wrongf("--picks: found %d; at least 1 is needed", o.picks)
	}
	var names []string
	for _, s := range rig.Stations {
		names = append(names, s.Name)
	}
	sc := simulator.DemoScenario(o.picks).OnStations(names)
	sc.Seed = o.seed
	if o.trial != "" {
		if err := writeNew(o.trial, trialText(sc, rig)); err != nil {
			return err
		}
	}
	sim, err := simulator.NewRig(sc, *rig)
	if err != nil {
		return wrongf("%s: %w", path, err)
	}
	buses := sim.Buses()
	if len(buses) == 0 {
		return wrongf("%s has no bus that can be simulated; %s can", path, config.ModbusTCP)
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var serving sync.WaitGroup
	errs := make([]error, len(buses))
	port := o.port
	for i, b := range buses {
		if b.Kind != config.ModbusTCP {
			fmt.Fprintf(w, "bus %s (%s) is not served: only %s can be simulated\n", b.Name, b.Kind, config.ModbusTCP)
			continue
		}
		ln, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port)))
		if err != nil {
			stop()
			serving.Wait()
			return wrongf("--port: %w", err)
		}
		port++
		fmt.Fprintf(w, "bus %s on %s\n", b.Name, ln.Addr())
		serving.Go(func() {
			if errs[i] = simulator.Serve(ctx, ln, b); errs[i] != nil {
				stop()
			}
		})
	}
	if port == o.port {
		return wrongf("%s has no %s bus; only those can be simulated", path, config.ModbusTCP)
	}
	fmt.Fprintf(w, "%d picks on each of %d stations, %.0f s; Ctrl-C ends it\n", o.picks, len(names), sim.DurationS())
	serving.Wait()
	if o.truth != "" {
		errs = append(errs, writeTruth(o.truth, sim))
	}
	return errors.Join(errs...)
}
