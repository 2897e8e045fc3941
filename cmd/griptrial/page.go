package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strconv"
	"time"

	"github.com/spf13/pflag"

	"griptrial/acquire/modbus"
	"griptrial/acquire/textline"
	"griptrial/config"
	"griptrial/record"
	"griptrial/web"
)

// defaultPage is where the page is where nobody says so.
const defaultPage = "127.0.0.1:8437"

// pageFlags say whether and where the page is served.
type pageFlags struct {
	address, tokens, engines string
	operator                 bool
}

// add adds the flags; operator is what --operator does for the command.
func (p *pageFlags) add(f *pflag.FlagSet, operator string) {
	f.StringVar(&p.address, "page", "", `serve the page that shows the trial at http://ADDRESS, until Ctrl-C; --page alone takes `+defaultPage)
	f.Lookup("page").NoOptDefVal = defaultPage
	if operator != "" {
		f.BoolVar(&p.operator, "operator", false, "with --page: "+operator)
	}
	f.StringVar(&p.tokens, "page-tokens", "", `with --page: file with a line "viewer TOKEN", a line "operator TOKEN", or both; needed on an address beyond loopback`)
	f.StringVar(&p.engines, "page-engines", "", "with --page: file of engines with their curves, for the engine view")
}

// joinPage makes one argument of "--page" and an address that follows it: a flag that may
// stand alone takes its value after "=" only.
func joinPage(args []string) []string {
	var out []string
	for _, a := range args {
		if n := len(out); n > 0 && out[n-1] == "--page" {
			if _, port, err := net.SplitHostPort(a); err == nil {
				if _, err := strconv.ParseUint(port, 10, 16); err == nil {
					out[n-1] += "=" + a
					continue
				}
			}
		}
		out = append(out, a)
	}
	return out
}

// on reports whether anything is said of a page.
func (p *pageFlags) on() bool { return *p != pageFlags{} }

// A page is a listener that has been opened for it.
type page struct {
	ln     net.Listener
	config web.Config
}

// open opens the listener, nil where no page is asked for.
func (p *pageFlags) open() (*page, error) {
	if p.address == "" {
		for _, x := range []struct {
			flag string
			set  bool
		}{{"operator", p.operator}, {"page-tokens", p.tokens != ""}, {"page-engines", p.engines != ""}} {
			if x.set {
				return nil, wrongf("--%s belongs to --page, which is missing", x.flag)
			}
		}
		return nil, nil
	}
	host, _, err := net.SplitHostPort(p.address)
	if err != nil {
		return nil, wrongf(`--page: found %q; want an address and a port such as %q`, p.address, defaultPage)
	}
	out := &page{config: web.Config{Version: version()}}
	if p.tokens != "" {
		if out.config.Tokens, err = web.ReadTokens(p.tokens); err != nil {
			return nil, wrongf("--page-tokens: %w", err)
		}
	}
	if ip := net.ParseIP(host); out.config.Tokens == nil && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, wrongf("--page: %s is not loopback: whoever can reach it needs a token; --page-tokens gives them", p.address)
	}
	if p.engines != "" {
		if out.config.Engines, err = config.LoadEngines(p.engines); err != nil {
			return nil, wrong(err)
		}
	}
	if out.ln, err = net.Listen("tcp", p.address); err != nil {
		return nil, wrongf("--page: %w", err)
	}
	return out, nil
}

// url returns where the page is: of every address of the machine, by the machine's name.
func (p *page) url() string {
	at := p.ln.Addr().String()
	if a, ok := p.ln.Addr().(*net.TCPAddr); ok && a.IP.IsUnspecified() {
		if name, err := os.Hostname(); err == nil {
			at = net.JoinHostPort(name, strconv.Itoa(a.Port))
		}
	}
	return "http://" + at + "/"
}

// serve serves the page from now on; stop ends that and waits for it.
func (p *page) serve(ctx context.Context, stderr io.Writer) (stop func() error, err error) {
	s, err := web.New(p.config, p.ln.Addr())
	if err != nil {
		return nil, errors.Join(err, p.ln.Close())
	}
	ctx, cancel := context.WithCancel(ctx)
	served := make(chan error, 1)
	go func() { served <- s.Serve(ctx, p.ln) }()
	fmt.Fprintf(stderr, "page: %s\n", p.url())
	return func() error {
		cancel()
		return <-served
	}, nil
}

// until says where the page is and waits until somebody ends it.
func (p *page) until(ctx context.Context, stderr io.Writer) {
	if ctx.Err() != nil {
		return
	}
	fmt.Fprintf(stderr, "page: %s   Ctrl-C ends it\n", p.url())
	<-ctx.Done()
}

// pageFlush is how long sources gather scans while a page is shown: half of what a viewer
// notices.
const pageFlush = 40 * time.Millisecond

// watch lets the page's viewers see a recording. Its end has to be told by live.End.
func (p *page) watch(rec *record.Recorder, buses []busSource, rig *config.Rig, end func()) (*web.Live, error) {
	for _, b := range buses {
		switch s := b.(type) {
		case *modbus.Poller:
			s.FlushEvery = pageFlush
		case *textline.Source:
			s.FlushEvery = pageFlush
		}
	}
	live, err := web.NewLive(rec.File, func() []web.BusJSON { return busHealth(buses, rig) })
	if err != nil {
		return nil, err
	}
	committed := rec.Committed
	rec.Heard = live.Heard
	rec.Committed = func(x record.Progress) { committed(x); live.Committed(x) }
	p.config.File, p.config.Live, p.config.Control, p.config.End = rec.File, live, rec.Control, end
	return live, nil
}

// busHealth returns what became of the polls of every device so far.
func busHealth(buses []busSource, rig *config.Rig) []web.BusJSON {
	all := []web.BusJSON{}
	for i, b := range buses {
		j := web.BusJSON{Name: rig.Buses[i].Name, Kind: string(rig.Buses[i].Kind), Devices: []web.DeviceJSON{}}
		switch s := b.(type) {
		case *modbus.Poller:
			for _, d := range s.Stats().Devices {
				refused := uint64(0)
				for _, n := range d.Exceptions {
					refused += n
				}
				j.Devices = append(j.Devices, web.Device(d.Device, d.OK, d.LateMedian, d.LateP99, d.LateWorst, web.Causes{"timed out": d.Timeouts, "refused": refused,
					"spoiled": d.Framing, "lost with the connection": d.Lost, "without connection": d.NoConnection, "skipped": d.Skipped, "backed off": d.BackedOff}))
			}
		case *modbus.Listener:
			x := s.Stats()
			j.Devices = append(j.Devices, web.Device("other master's polls", x.OK, 0, 0, 0, web.Causes{"requests not answered": x.NotAnswered, "times the port lost": x.Lost}))
		case *textline.Source:
			for _, d := range s.Stats() {
				j.Devices = append(j.Devices, web.Device(d.Device, d.OK, 0, 0, 0, web.Causes{"timed out": d.Timeouts, "not in the form stated": d.Garbage, "with a wrong checksum": d.Checksum,
					"connection lost": d.Lost, "no connection": d.NoConnection, "skipped": d.Skipped, "backed off": d.BackedOff}))
			}
		}
		all = append(all, j)
	}
	return all
}

// servePicks serves a trial file that is not being recorded, until ctx is done.
func servePicks(ctx context.Context, stderr io.Writer, path string, p *pageFlags) error {
	at, err := p.open()
	if err != nil {
		return err
	}
	open := openTrial
	if p.operator {
		open = ownTrial // to write marks and notes
	}
	file, err := open(path)
	if err != nil {
		return errors.Join(err, at.ln.Close())
	}
	at.config.File, at.config.ReadOnly = file, !p.operator
	stop, err := at.serve(ctx, stderr)
	if err != nil {
		return errors.Join(err, file.Close())
	}
	at.until(ctx, stderr)
	return errors.Join(stop(), file.Close())
}
