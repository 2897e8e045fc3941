package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"griptrial/config"
	"griptrial/report"
	"griptrial/store"
	"griptrial/store/forward"
)

// forwardFlags say where to forward to; record has them, too.
type forwardFlags struct {
	url, org, bucket  string
	tokenFile, ca     string
	plain             bool
	traces            string
	limitMB           float64
	reconcile, status bool
	json              bool
	traceEvery        time.Duration
	token             string
}

func (o *forwardFlags) add(f *pflag.FlagSet) {
	o.addServer(f)
	f.StringVar(&o.traces, "traces", "", `also send least, greatest and mean of every channel, one point in this time, "1 s"`)
	f.Float64Var(&o.limitMB, "outbox-limit", 1024, "MB that may wait in the outbox; beyond it the outbox is filled no more until it empties")
}

// addServer adds what says which server it is.
func (o *forwardFlags) addServer(f *pflag.FlagSet) {
	o.limitMB = 1024
	f.StringVar(&o.org, "org", "", "organisation on the server")
	f.StringVar(&o.bucket, "bucket", "griptrial", `bucket on the server; on InfluxDB 1.8 "DATABASE" or "DATABASE/POLICY"`)
	f.StringVar(&o.tokenFile, "token-file", "", "file with the server's token (default: the environment variable "+forward.TokenVariable+")")
	f.StringVar(&o.ca, "ca-file", "", "PEM file of the authority that vouches for the server")
	f.BoolVar(&o.plain, "plain-http", false, "allow http to another machine: token and data go in the clear")
}

// check reads what the flags name.
func (o *forwardFlags) check() (err error) {
	if err := forward.CheckURL(o.url, o.plain); err != nil {
		return wrong(err)
	}
	if o.token, err = forward.ReadToken(o.tokenFile); err != nil {
		return wrong(err)
	}
	s, err := quantity("traces", config.Time, o.traces, 0)
	if err != nil {
		return err
	}
	if o.traceEvery = time.Duration(s * float64(time.Second)); o.traces != "" && o.traceEvery < 100*time.Millisecond {
		return wrongf(`--traces: found %q; at least "100 ms"`, o.traces)
	}
	if !(o.limitMB > 0) {
		return wrongf("--outbox-limit: found %g; want more than 0", o.limitMB)
	}
	return nil
}

func (o *forwardFlags) options(path, rig string) forward.Options {
	return forward.Options{URL: o.url, Org: o.org, Bucket: o.bucket, Token: o.token, CAFile: o.ca, Plain: o.plain,
		TraceEvery: o.traceEvery, OutboxLimitMB: o.limitMB,
		Labels: forward.Labels{Rig: rig, Trial: strings.TrimSuffix(filepath.Base(path), store.Ext)}}
}

func readTokenVariable(name string) (string, error) { return os.Getenv(name), nil }

// A sending is the forwarder of a trial that is being recorded.
type sending struct {
	forwarder *forward.Forwarder
	path      string
	stop      context.CancelFunc
	done      chan error
	stderr    io.Writer
}

// lastSend is how long the end of a recording waits for the server.
const lastSend = 10 * time.Second

func (o *forwardFlags) start(ctx context.Context, file *store.Trial, path, rig string, own *metrics, stderr io.Writer) (*sending, error) {
	options := o.options(path, rig)
	options.Health = own.health
	f, err := forward.New(file, options)
	if err != nil {
		return nil, wrong(err)
	}
	own.mu.Lock()
	own.forwarder = f
	own.mu.Unlock()
	// The recording ends first; what is left is sent then.
	ctx, stop := context.WithCancel(context.WithoutCancel(ctx))
	s := &sending{forwarder: f, path: path, stop: stop, done: make(chan error, 1), stderr: stderr}
	go func() {
		for _, w := range f.Probe(ctx).Warnings {
			fmt.Fprintf(stderr, "forward: %s\n", w)
		}
		err := f.Run(ctx)
		if errors.Is(err, forward.ErrStopped) {
			fmt.Fprintf(stderr, "forward: %v; recording goes on\n", err)
		}
		s.done <- err
	}()
	return s, nil
}

// finish sends what is left, for a short while, and tells what waits.
func (s *sending) finish() {
	defer s.forwarder.Close()
	s.stop()
	err := <-s.done
	if errors.Is(err, context.Canceled) {
		ctx, stop := context.WithTimeout(context.Background(), lastSend)
		defer stop()
		err = s.forwarder.Drain(ctx)
	}
	st := s.forwarder.Status()
	switch waiting := st.WaitingLines + st.NotYetInOutbox; {
	case err != nil && waiting > 0:
		fmt.Fprintf(s.stderr, "forward: %d lines wait in %s (%s); send them with griptrial forward\n", waiting, s.path, forwardTrouble(st, err))
	case err != nil:
		fmt.Fprintf(s.stderr, "forward: %v\n", err)
	default:
		fmt.Fprintf(s.stderr, "forward: %d lines sent, %d refused\n", st.LinesSent, st.Parked)
	}
}

func forwardTrouble(s forward.Status, err error) string {
	if s.LastError != "" {
		return s.LastError
	}
	return err.Error()
}

func forwardCommand() *cobra.Command {
	o := &forwardFlags{}
	c := &cobra.Command{
		Use:   "forward TRIAL" + store.Ext,
		Short: "Send a trial's picks to a time-series server, or what is missing there",
		Long: `forward sends picks, events, run changes and summaries of a trial to a server that speaks
the InfluxDB v2 write API, each point at least once and always byte for byte the same. It goes
on where it ended before; what the server has not taken stays in the trial file.

A server may lose what it acknowledged. --reconcile asks it for its points, counts them
against the trial file, and sends what is missing.

The token comes from the environment variable ` + forward.TokenVariable + ` or from --token-file.`,
		Example: `  griptrial forward hall.gtrial --to https://tsdb.hall:8428
  griptrial forward hall.gtrial --to https://tsdb.hall:8428 --reconcile
  griptrial forward hall.gtrial --to https://tsdb.hall:8428 --status`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return forwardTrial(c.Context(), c.OutOrStdout(), c.ErrOrStderr(), args[0], o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.url, "to", "", "URL of the server (required)")
	o.add(f)
	f.BoolVar(&o.reconcile, "reconcile", false, "count points back and send what is missing")
	f.BoolVar(&o.status, "status", false, "only show how far the server is behind; sends nothing, asks nothing")
	f.BoolVar(&o.json, "json", false, "write JSON")
	return c
}

type forwardJSON struct {
	Schema         int                 `json:"schema"`
	Target         string              `json:"target"`
	LinesSent      uint64              `json:"lines_sent"`
	Parked         uint64              `json:"parked"`
	WaitingLines   int64               `json:"waiting_lines"`
	WaitingBytes   int64               `json:"waiting_bytes"`
	NotYetInOutbox int64               `json:"not_yet_in_outbox"`
	LagS           float64             `json:"lag_s"`
	Refused        []parkedJSON        `json:"refused"`
	Reconciled     *forward.Reconciled `json:"reconciled"`
	Warnings       []string            `json:"warnings"`
}

type parkedJSON struct {
	Status int    `json:"status"`
	Reason string `json:"reason"`
	Line   string `json:"line"`
}

func forwardTrial(ctx context.Context, stdout, stderr io.Writer, path string, o *forwardFlags) (err error) {
	if o.url == "" {
		return wrongf("--to: the server's URL is needed")
	}
	if err := o.check(); err != nil {
		return err
	}
	open := ownTrial
	if o.status {
		open = openTrial
	}
	file, err := open(path)
	if err != nil {
		return err
	}
	defer func() { err = closed(err, file) }()
	rig := ""
	if r, err := config.ParseRig("rig of "+path, file.Header().RigText); err == nil {
		rig = r.Name
	}
	options := o.options(path, rig)
	out := forwardJSON{Schema: report.Schema, Target: forward.Target(options), Refused: []parkedJSON{}, Warnings: []string{}}
	if !o.status {
		if err := sendTrial(ctx, stderr, file, options, o, &out); err != nil {
			return err
		}
	}
	lag, err := forward.Lag(file, out.Target)
	if err != nil {
		return err
	}
	out.Parked, out.WaitingLines, out.WaitingBytes, out.NotYetInOutbox, out.LagS = lag.Parked, lag.WaitingLines, lag.WaitingBytes, lag.NotYetInOutbox, lag.LagS
	parked, err := file.ParkedLines(out.Target)
	if err != nil {
		return err
	}
	for _, p := range parked {
		out.Refused = append(out.Refused, parkedJSON{p.Status, p.Reason, p.Line})
	}
	if o.json {
		err = report.WriteJSON(stdout, out)
	} else {
		err = writeForwarded(stdout, path, &out, o)
	}
	if err == nil && out.Reconciled != nil && out.Reconciled.StillMissing > 0 {
		err = fmt.Errorf("%d lines are missing still; a server that takes them and does not have them is too old, full, or drops them for their age", out.Reconciled.StillMissing)
	}
	return err
}

func sendTrial(ctx context.Context, stderr io.Writer, file *store.Trial, options forward.Options, o *forwardFlags, out *forwardJSON) error {
	f, err := forward.New(file, options)
	if err != nil {
		return wrong(err)
	}
	defer f.Close()
	out.Warnings = append(out.Warnings, f.Probe(ctx).Warnings...)
	for _, w := range out.Warnings {
		fmt.Fprintf(stderr, "forward: %s\n", w)
	}
	shown := make(chan struct{})
	go showSending(ctx, stderr, f, shown)
	err = f.Drain(ctx)
	close(shown)
	out.LinesSent = f.Status().LinesSent
	if errors.Is(err, context.Canceled) {
		return fmt.Errorf("interrupted; %d lines sent, the rest waits", out.LinesSent)
	}
	if err != nil {
		return err
	}
	if o.reconcile {
		r, err := f.Reconcile(ctx)
		if err != nil {
			return err
		}
		out.Reconciled = &r
	}
	return nil
}

// showSending tells, when it changes, why the server does not take anything.
func showSending(ctx context.Context, w io.Writer, f *forward.Forwarder, done <-chan struct{}) {
	last := ""
	for {
		select {
		case <-done:
			return
		case <-ctx.Done():
			return
		case <-time.After(500 * time.Millisecond):
		}
		if s := f.Status(); s.LastError != last {
			if last = s.LastError; last != "" {
				fmt.Fprintf(w, "forward: %s: %s; trying on, Ctrl-C ends it\n", lagLine(s), last)
			}
		}
	}
}

// lagLine says how far a server is behind a trial.
func lagLine(s forward.Status) string {
	lag := ""
	if s.WaitingLines > 0 {
		lag = fmt.Sprintf("; the oldest is %.0f s old", s.LagS)
	}
	return fmt.Sprintf("%d lines wait in the outbox, %d picks and events are not in it yet%s", s.WaitingLines, s.NotYetInOutbox, lag)
}

// checkServer tells what the server is, what is wrong with its settings, and how far it is
// behind trials.
func checkServer(ctx context.Context, w io.Writer, o *forwardFlags, trials []string, offline bool) error {
	if err := o.check(); err != nil {
		return err
	}
	options := o.options("", "")
	if !offline {
		f, err := forward.New(nil, options)
		if err != nil {
			return wrong(err)
		}
		defer f.Close()
		s := f.Probe(ctx)
		fmt.Fprintf(w, "server %s: %s\n", o.url, s.Kind)
		for _, warning := range s.Warnings {
			fmt.Fprintf(w, "  %s\n", warning)
		}
	}
	for _, path := range trials {
		t, err := openTrial(path)
		if err != nil {
			return err
		}
		lag, err := forward.Lag(t, forward.Target(options))
		t.Close()
		if err != nil {
			return err
		}
		refused := ""
		if lag.Parked > 0 {
			refused = fmt.Sprintf("; %d refused for good", lag.Parked)
		}
		fmt.Fprintf(w, "%s: %s%s\n", path, lagLine(lag), refused)
	}
	fmt.Fprintln(w)
	return nil
}

func writeForwarded(w io.Writer, path string, out *forwardJSON, o *forwardFlags) error {
	if !o.status {
		fmt.Fprintf(w, "%s: %d lines sent to %s\n", path, out.LinesSent, out.Target)
	}
	fmt.Fprintln(w, lagLine(forward.Status{WaitingLines: out.WaitingLines, NotYetInOutbox: out.NotYetInOutbox, LagS: out.LagS}))
	if r := out.Reconciled; r != nil {
		fmt.Fprintf(w, "reconciled %d lines: %d were missing, %d sent again, %d missing still, %d points there more than once\n",
			r.Lines, r.Missing, r.Resent, r.StillMissing, r.Doubled)
	}
	for _, p := range out.Refused {
		fmt.Fprintf(w, "refused: %s: %s\n", p.Reason, p.Line)
	}
	return nil
}
