package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"griptrial/acquire"
	"griptrial/acquire/calibrate"
	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/config"
	"griptrial/report"
)

type calibrateOptions struct {
	at        []string
	forText   string
	addresses []string
	dry       bool
	json      bool
}

func calibrateCommand() *cobra.Command {
	o := &calibrateOptions{}
	c := &cobra.Command{
		Use:   "calibrate RIG.yaml CHANNEL --at VALUE --at VALUE …",
		Short: "Calibrate a channel against a reference gauge",
		Long: `calibrate asks for two or more values to be set on a reference gauge, reads the channel at
each, and writes the line through them, with its standard errors, into the rig file. At each
value press Enter, or type what the gauge shows in its place ("29.4 kPa").

A vacuum is positive below ambient. Trials recorded before can be judged anew with the new
line: raw counts are in the file.`,
		Example: `  griptrial calibrate rig.yaml "left vacuum" --at "0 kPa" --at "30 kPa" --at "60 kPa"`,
		Args:    cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			words := c.OutOrStdout()
			if o.json { // the questions go beside it
				words = c.ErrOrStderr()
			}
			return calibrateChannel(c.Context(), c.InOrStdin(), c.OutOrStdout(), words, args[0], args[1], o)
		},
	}
	f := c.Flags()
	f.StringArrayVar(&o.at, "at", nil, "a value to set on the reference gauge; two or more")
	f.StringVar(&o.forText, "for", "2 s", "how long to read at each value")
	f.StringArrayVar(&o.addresses, "address", nil, `address to use for a bus in place of the rig file's, "BUS=HOST:PORT" or "BUS=PORT"`)
	f.BoolVar(&o.dry, "dry-run", false, "show the calibration, and leave the rig file as it is")
	f.BoolVar(&o.json, "json", false, "write the line as JSON; the questions then go to standard error")
	return c
}

// A calibrationJSON is a line through points and its standard errors, in the channel's unit.
type calibrationJSON struct {
	Schema      int                    `json:"schema"`
	Channel     string                 `json:"channel"`
	Unit        string                 `json:"unit"`
	Offset      float64                `json:"offset"`
	Scale       float64                `json:"scale"`
	OffsetU     analyze.Number         `json:"offset_u"` // null with two points
	ScaleU      analyze.Number         `json:"scale_u"`
	CenterCount float64                `json:"center_count"`
	ResidualSD  analyze.Number         `json:"residual_sd"`
	Points      []calibrationPointJSON `json:"points"`
	Written     bool                   `json:"written"` // into the rig file
}

type calibrationPointJSON struct {
	Reference float64        `json:"reference"`
	Count     float64        `json:"count"`
	CountSD   analyze.Number `json:"count_sd"`
	Line      float64        `json:"line"`
	Before    float64        `json:"before"` // by the rig file as it was
}

func calibrateChannel(ctx context.Context, in io.Reader, stdout, w io.Writer, path, channel string, o *calibrateOptions) error {
	rig, err := loadRig(path, o.addresses)
	if err != nil {
		return err
	}
	length, err := quantity("for", config.Time, o.forText, 2)
	if err != nil {
		return err
	}
	if !(length > 0 && length <= 3600) {
		return wrongf("--for: found %s; want up to 1 h", o.forText)
	}
	if len(o.at) < 2 {
		return wrongf(`--at: found %d values; want two or more such as --at "0 kPa" --at "60 kPa"`, len(o.at))
	}
	place, err := measuredChannel(rig, channel)
	if err != nil {
		return err
	}
	dim := place.Channel.Dimension(rig)
	ask := bufio.NewScanner(in)
	var points []calibrate.Point
	for i, text := range o.at {
		reference, err := quantity("at", dim, text, 0)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "%d of %d: set %s on the reference gauge, then press Enter, or type what it shows: ", i+1, len(o.at), dim.Format(reference))
		line, err := answer(ctx, ask)
		fmt.Fprintln(w)
		if err != nil {
			return err
		}
		if line != "" {
			if reference, err = config.Parse(dim, line); err != nil {
				return wrong(err)
			}
		}
		m, err := readMean(ctx, rig, place, time.Duration(length*float64(time.Second)))
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "  read %s: mean count %.2f, standard deviation %.2f, of %d samples\n", channel, m.Mean, m.SD, m.N)
		points = append(points, calibrate.Point{Reference: reference, Count: m.Mean, CountSD: m.SD})
	}
	l, err := calibrate.Fit(points)
	if err != nil {
		return wrong(err)
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "reference\tcount\tline\tdifference\tbefore")
	for _, p := range points {
		fmt.Fprintf(t, "%s\t%.2f\t%s\t%s\t%s\n", dim.Format(p.Reference), p.Count, dim.Format(l.At(p.Count)), dim.Format(l.At(p.Count)-p.Reference),
			dim.Format(place.Channel.Offset+place.Channel.Scale*p.Count))
	}
	t.Flush()
	if l.Points == 2 {
		fmt.Fprintln(w, "Two points leave nothing to judge the line by: standard errors need a third.")
	}
	if l.Scale*place.Channel.Scale < 0 {
		fmt.Fprintln(w, "The line falls where that of the rig file rises: a vacuum is positive below ambient here.")
	}
	block := l.Block(place.Channel.Kind.Unit(), time.Now())
	fmt.Fprintf(w, "calibration: %s\n", block)
	if !o.dry {
		if err := writeCalibration(path, channel, block); err != nil {
			return err
		}
	}
	if !o.json {
		return nil
	}
	out := calibrationJSON{Schema: report.Schema, Channel: channel, Unit: place.Channel.Kind.Unit(), Offset: l.Offset, Scale: l.Scale,
		OffsetU: analyze.Number(l.OffsetU), ScaleU: analyze.Number(l.ScaleU), CenterCount: l.CenterCount, ResidualSD: analyze.Number(l.ResidualSD), Written: !o.dry}
	for _, p := range points {
		out.Points = append(out.Points, calibrationPointJSON{p.Reference, p.Count, analyze.Number(p.CountSD), l.At(p.Count), place.Channel.Offset + place.Channel.Scale*p.Count})
	}
	return report.WriteJSON(stdout, out)
}

// writeCalibration puts a calibration into a rig file.
func writeCalibration(path, channel, block string) error {
	// From what the file holds now, not from what was read minutes ago.
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	out, err := calibrate.Write(path, text, channel, block)
	if err != nil {
		return err
	}
	return replaceFile(path, out)
}

// measuredChannel returns the channel of that name, which must be one that is measured.
func measuredChannel(rig *config.Rig, name string) (config.Place, error) {
	var names []string
	for p := range rig.Channels() {
		if p.Channel.Kind.Switched() {
			continue
		}
		if p.Channel.Name == name {
			return p, nil
		}
		names = append(names, fmt.Sprintf("%q", p.Channel.Name))
	}
	return config.Place{}, wrongf("%s: %q is no measured channel; want one of %s", rig.Path, name, strings.Join(names, ", "))
}

// answer returns the next line typed, without blanks at its ends. The end of the input is an
// error: nobody pressed Enter.
func answer(ctx context.Context, in *bufio.Scanner) (string, error) {
	scanned := make(chan bool, 1)
	go func() { scanned <- in.Scan() }() // a terminal is waited for for ever
	select {
	case <-ctx.Done():
		return "", ctx.Err()
	case ok := <-scanned:
		if ok {
			return strings.TrimSpace(in.Text()), ctx.Err()
		}
		if err := in.Err(); err != nil {
			return "", err
		}
		return "", wrongf("the input ended before all values were set")
	}
}

// readMean reads one channel for a while and returns the statistics of its counts. Flagged
// ones are an error: a line through them would be none.
func readMean(ctx context.Context, rig *config.Rig, place config.Place, length time.Duration) (calibrate.Counts, error) {
	var m calibrate.Counts
	err := readChannel(ctx, rig, place, length, func(_, n int64) { m.Add(n, &place.Channel.Limits) })
	switch {
	case err != nil:
		return m, err
	case m.Flag != "":
		return m, fmt.Errorf("channel %s: %s", place.Channel.Name, m.Flag)
	case m.N == 0:
		return m, fmt.Errorf("channel %s: %w", place.Channel.Name, errNoValue)
	}
	m.End()
	return m, nil
}

// errNoValue says that a channel gave nothing while it was read.
var errNoValue = errors.New("no value")

// readChannel reads one channel for a while, from its first value on, and calls take with
// the stamp and the raw count of each sample.
func readChannel(ctx context.Context, rig *config.Rig, place config.Place, length time.Duration, take func(t, n int64)) error {
	bus, device := *place.Bus, *place.Device
	device.Channels = []config.Channel{*place.Channel}
	bus.Devices = []config.Device{device}
	one := *rig
	one.Buses = []config.Bus{bus}
	sources, err := openBuses(&one, acquire.NewClock())
	if err != nil {
		return err
	}
	if err := hearBuses(ctx, &one, sources); err != nil {
		return err
	}
	reading, stop := context.WithCancel(ctx)
	defer stop()
	fault := ""
	giveUp := time.AfterFunc(length+15*time.Second, stop) // a port is listened to, a device may be slow
	defer giveUp.Stop()
	begun := false
	err = sources[0].Run(reading, func(b sample.Batch) {
		if b.Fault != "" {
			fault = b.Fault
		}
		for i, t := range b.T {
			if !begun {
				begun = true
				time.AfterFunc(length, stop)
			}
			take(t, b.Counts[0][i])
		}
	})
	switch {
	case err != nil:
		return err
	case ctx.Err() != nil:
		return ctx.Err()
	case !begun && fault != "":
		return fmt.Errorf("channel %s: %w: %s", place.Channel.Name, errNoValue, fault)
	case !begun:
		return fmt.Errorf("channel %s: %w", place.Channel.Name, errNoValue)
	}
	return nil
}

// replaceFile puts text in the place of a file: whole, or not at all.
func replaceFile(path string, text []byte) error {
	mode := os.FileMode(0o644)
	if info, err := os.Stat(path); err == nil {
		mode = info.Mode().Perm()
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".rig-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	if _, err = f.Write(text); err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Chmod(f.Name(), mode)
	}
	if err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
