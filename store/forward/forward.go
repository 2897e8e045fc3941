// Package forward sends a trial's picks, events, run changes, summaries, health and thinned
// traces to a time-series server that speaks the InfluxDB v2 write API. It comes after store:
// the trial file is the truth and holds an outbox; the server is a copy.
package forward

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"

	"griptrial/analyze/pick"
	"griptrial/store"
)

// TokenVariable is the environment variable that holds the server's token.
const TokenVariable = "GRIPTRIAL_TOKEN"

// Errors by which a caller decides.
var (
	// ErrStopped says that the server refuses what is right: only a person can help. All that
	// was not sent stays in the outbox.
	ErrStopped = errors.New("the server refuses to take anything; forwarding stopped")
	// ErrOutboxFull says that more waits than was allowed. Nothing is lost: the trial file has
	// it, and the outbox is filled on as it empties.
	ErrOutboxFull = errors.New("outbox full")
)

// Options say where to send, and how. The zero value of a number means its default.
type Options struct {
	URL         string // http or https; http to loopback only, unless Plain
	Org, Bucket string
	Token       string // never printed
	CAFile      string // PEM: whom to trust besides the system's
	Plain       bool   // allow http to other machines

	Labels     Labels
	TraceEvery time.Duration // one point of every channel for so long a time; 0: no traces
	Health     func() map[string]float64

	Every         time.Duration // how often to look for new picks; default 1 s
	Timeout       time.Duration // of one request; default 20 s
	BackoffFirst  time.Duration // default 1 s, doubling
	BackoffMax    time.Duration // default 60 s
	SegmentLines  int           // default 2000
	OutboxLimitMB float64       // what may wait, as stored; default 1024

	wait func(context.Context, time.Duration) error // in tests
}

func (o *Options) defaults() {
	set := func(d *time.Duration, to time.Duration) {
		if *d <= 0 {
			*d = to
		}
	}
	set(&o.Every, time.Second)
	set(&o.Timeout, 20*time.Second)
	set(&o.BackoffFirst, time.Second)
	set(&o.BackoffMax, time.Minute)
	if o.SegmentLines <= 0 {
		o.SegmentLines = 2000
	}
	if o.OutboxLimitMB <= 0 {
		o.OutboxLimitMB = 1024
	}
	if o.wait == nil {
		o.wait = func(ctx context.Context, d time.Duration) error {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(d):
				return nil
			}
		}
	}
}

// A Forwarder sends one trial to one server. Run and Reconcile are for one goroutine at a
// time; Status may be asked from any.
type Forwarder struct {
	file   *store.Trial
	o      Options
	base   *url.URL
	target string
	client influxdb2.Client
	write  api.WriteAPIBlocking
	http   *http.Client

	setups  map[int]map[string]string // of runs seen
	latest  map[string]int64
	sent    int64 // last segment acknowledged
	healthy time.Time

	mu     sync.Mutex
	status Status
}

// A Status says how a Forwarder is doing.
type Status struct {
	Requests, Failures uint64
	LinesSent          uint64
	Parked             uint64
	Resent             uint64 // by Reconcile
	WaitingLines       int64  // in the outbox
	WaitingBytes       int64
	NotYetInOutbox     int64   // picks and events
	LagS               float64 // age of the oldest line that waits, by its own time; 0 where none waits
	LastError          string  // "" after a success
	Stopped            bool
	OutboxFull         bool
}

// New returns a forwarder of a trial file that is open for writing; nil where only Probe is
// called.
func New(file *store.Trial, o Options) (*Forwarder, error) {
	o.defaults()
	u, err := parseURL(o.URL, o.Plain)
	if err != nil {
		return nil, err
	}
	if o.Bucket == "" {
		return nil, errors.New("no bucket to write to")
	}
	config := &tls.Config{MinVersion: tls.VersionTLS12}
	if o.CAFile != "" {
		pem, err := os.ReadFile(o.CAFile)
		if err != nil {
			return nil, err
		}
		if config.RootCAs, err = x509.SystemCertPool(); err != nil {
			config.RootCAs = x509.NewCertPool()
		}
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s: no certificate in it", o.CAFile)
		}
	}
	f := &Forwarder{file: file, o: o, base: u, target: Target(o), setups: map[int]map[string]string{}, latest: map[string]int64{}}
	// No proxy and no redirect: what is sent goes to the server that was named, or nowhere.
	f.http = &http.Client{
		Timeout: o.Timeout,
		Transport: &http.Transport{
			DialContext:           (&net.Dialer{Timeout: min(5*time.Second, o.Timeout)}).DialContext,
			TLSClientConfig:       config,
			TLSHandshakeTimeout:   min(10*time.Second, o.Timeout),
			ResponseHeaderTimeout: o.Timeout,
			MaxIdleConns:          2, IdleConnTimeout: 30 * time.Second,
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	f.client = influxdb2.NewClientWithOptions(strings.TrimSuffix(u.String(), "/"), o.Token, influxdb2.DefaultOptions().
		SetUseGZip(true).SetPrecision(time.Millisecond).SetHTTPClient(f.http).SetLogLevel(0).SetApplicationName("griptrial"))
	// The plain blocking write is the only one that never drops a point in silence.
	f.write = f.client.WriteAPIBlocking(o.Org, o.Bucket)
	return f, nil
}

// Close gives connections back.
func (f *Forwarder) Close() {
	f.client.Close()
	f.http.CloseIdleConnections()
}

// Target names a server in the trial file: without token.
func Target(o Options) string {
	return fmt.Sprintf("%s org=%s bucket=%s", strings.TrimSuffix(o.URL, "/"), o.Org, o.Bucket)
}

// CheckURL returns what is wrong with a server's URL.
func CheckURL(text string, plain bool) error {
	_, err := parseURL(text, plain)
	return err
}

func parseURL(text string, plain bool) (*url.URL, error) {
	u, err := url.Parse(text)
	switch {
	case err != nil:
		return nil, errors.New("the server's URL cannot be read; want such as https://tsdb.hall:8428")
	case u.User != nil:
		return nil, fmt.Errorf("the server's URL holds a password, which would be printed; put it into %s or a token file", TokenVariable)
	case u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return nil, fmt.Errorf("%s: want a URL such as https://tsdb.hall:8428", text)
	case u.RawQuery != "" || u.Fragment != "":
		return nil, fmt.Errorf("%s: a URL without ? and #", text)
	case u.Scheme == "http" && !plain && !loopback(u.Hostname()):
		return nil, fmt.Errorf("%s: http would send the token in the clear; use https", text)
	}
	return u, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// ReadToken returns the token of a file, or of the environment where file is "".
func ReadToken(file string) (string, error) {
	if file == "" {
		return os.Getenv(TokenVariable), nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return "", err
	}
	token := strings.TrimSpace(string(b))
	if token == "" || strings.ContainsAny(token, "\r\n") {
		return "", fmt.Errorf("%s: want one line with a token", file)
	}
	return token, nil
}

// Run fills the outbox and sends it, until ctx ends or the server refuses (ErrStopped). It
// goes on where the last forwarder of this trial to this server ended.
func (f *Forwarder) Run(ctx context.Context) error {
	for {
		err := f.step(ctx)
		if err != nil {
			return err
		}
		if err := f.o.wait(ctx, f.o.Every); err != nil {
			return err
		}
	}
}

// Drain fills the outbox and sends all of it once; nil where nothing is left.
func (f *Forwarder) Drain(ctx context.Context) error { return f.step(ctx) }

// step fills and sends until nothing waits.
func (f *Forwarder) step(ctx context.Context) error {
	for {
		full, err := f.fill(ctx)
		if err != nil {
			return err
		}
		n, err := f.sendAll(ctx)
		if err != nil {
			return err
		}
		if !full && n == 0 {
			return f.look()
		}
	}
}

// look brings the status up to date.
func (f *Forwarder) look() error {
	box, err := f.file.Outbox(f.target)
	if err != nil {
		return err
	}
	lag, err := lagS(f.file, box)
	f.note(func(s *Status) { s.outbox(box, lag) })
	return err
}

func (s *Status) outbox(box store.Outbox, lagS float64) {
	s.WaitingLines, s.WaitingBytes = box.WaitingLines, box.WaitingBytes
	s.NotYetInOutbox = max(0, box.Picks-box.Upto.Picks) + max(0, box.Events-box.Upto.Events)
	s.LagS = lagS
}

// lagS returns the age of the oldest line that waits, 0 where none does. Lines count from
// the trial's first anchor, so that they never go back; the wall clock may have been set
// since.
func lagS(file *store.Trial, box store.Outbox) (float64, error) {
	if box.OldestMS == 0 {
		return 0, nil
	}
	anchors, err := file.Clock()
	if err != nil {
		return 0, err
	}
	oldest := store.WorldTime(anchors, box.OldestMS*1e6-anchors[0].UnixNS)
	return max(0, time.Since(oldest).Seconds()), nil
}

// Lag returns how far a target is behind by the trial file alone.
func Lag(file *store.Trial, target string) (Status, error) {
	var s Status
	box, err := file.Outbox(target)
	if err != nil {
		return s, err
	}
	lag, err := lagS(file, box)
	s.outbox(box, lag)
	s.Parked = uint64(box.Parked)
	return s, err
}

func (f *Forwarder) note(change func(*Status)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(&f.status)
}

// Status returns how it goes.
func (f *Forwarder) Status() Status {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.status
}

// fill puts what is new in the trial into one segment. full says that there may be more.
func (f *Forwarder) fill(ctx context.Context) (full bool, err error) {
	box, err := f.file.Outbox(f.target)
	if err != nil {
		return false, err
	}
	f.sent = max(f.sent, box.Sent)
	lag, err := lagS(f.file, box)
	if err != nil {
		return false, err
	}
	over := float64(box.WaitingBytes) > f.o.OutboxLimitMB*1e6
	f.note(func(s *Status) {
		s.outbox(box, lag)
		if s.OutboxFull = over; over {
			s.LastError = fmt.Sprintf("%v: %.0f MB wait; picks go on into the trial file and are sent when the server takes them", ErrOutboxFull, float64(box.WaitingBytes)/1e6)
		}
	})
	if over {
		return false, nil
	}
	n := f.o.SegmentLines
	picks, events, runs, upto, err := f.file.LiveRows(box.Upto, n)
	if err != nil {
		return false, err
	}
	b := &builder{labels: f.o.Labels, anchor: f.file.Header().AnchorUTC, latest: f.latest, perMS: 1}
	for _, r := range runs {
		f.setups[r.N] = r.Setups
		b.run(r)
	}
	if err := f.loadSetups(picks); err != nil {
		return false, err
	}
	for i := range picks {
		p := &picks[i]
		b.pick(p, f.setups[p.Run][p.Station])
		if p.N%soakPicks == 0 {
			of, err := f.file.StationPicks(p.Station, p.N-soakPicks+1, p.N)
			if err != nil {
				return false, err
			}
			b.soak(of)
		}
	}
	for _, e := range events {
		b.event(e)
	}
	more, err := f.traces(ctx, b, &upto)
	if err != nil {
		return false, err
	}
	if f.o.Health != nil && time.Since(f.healthy) > 10*time.Second {
		anchors, err := f.file.Clock()
		if err != nil {
			return false, err
		}
		f.healthy = time.Now()
		// On the time line of the picks, wherever the wall clock was set to.
		b.health(f.o.Health(), b.anchor.Add(time.Duration(store.TrialNS(anchors, f.healthy))))
	}
	if b.lines == 0 && upto == box.Upto {
		return false, nil
	}
	_, err = f.file.AddSegment(store.Segment{Lines: b.lines, FirstMS: b.first, LastMS: b.last, Upto: upto, Text: b.text})
	return more || len(picks) == n || len(events) == n, err
}

// loadSetups finds the setups of runs that began before this forwarder did.
func (f *Forwarder) loadSetups(picks []pick.Pick) error {
	for i := range picks {
		if _, ok := f.setups[picks[i].Run]; !ok && picks[i].Run > 0 {
			runs, err := f.file.Runs()
			if err != nil {
				return err
			}
			for _, r := range runs {
				f.setups[r.N] = r.Setups
			}
			if _, ok := f.setups[picks[i].Run]; !ok {
				f.setups[picks[i].Run] = nil // a run without setups is asked for once
			}
		}
	}
	return nil
}

// traces thins what was recorded since; more says that the segment is full.
func (f *Forwarder) traces(ctx context.Context, b *builder, upto *store.Cursor) (more bool, err error) {
	if f.o.TraceEvery <= 0 {
		return false, nil
	}
	groups := f.file.Header().Groups
	fresh := func() *chunk { return &chunk{groups: groups, of: map[[2]int]*extentAt{}} }
	c, n := fresh(), upto.Batches
	for x, err := range f.file.BatchesAfter(upto.Batches) {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return false, err
		}
		n++
		if c.push(x, int64(f.o.TraceEvery)) {
			b.trace(c)
			c, upto.Batches = fresh(), n
			if b.lines >= f.o.SegmentLines {
				return true, nil
			}
		}
	}
	return false, nil
}

// sendAll sends what waits, one segment after the other, and returns how many.
func (f *Forwarder) sendAll(ctx context.Context) (n int, err error) {
	for s, err := range f.file.Segments(f.sent) {
		if err != nil {
			return n, err
		}
		parked, err := f.deliver(ctx, s)
		if err != nil {
			return n, err
		}
		if err := f.file.Delivered(f.target, s.N, parked); err != nil {
			return n, err
		}
		f.sent = s.N
		n++
		f.note(func(st *Status) {
			st.LinesSent += uint64(s.Lines - len(parked))
			st.Parked += uint64(len(parked))
			st.WaitingLines -= int64(s.Lines)
		})
	}
	return n, nil
}

// deliver sends one segment, again and again until the server has taken all of it but the
// lines that it refuses for good.
func (f *Forwarder) deliver(ctx context.Context, s store.Segment) ([]store.Parked, error) {
	lines := strings.Split(strings.TrimSuffix(string(s.Text), "\n"), "\n")
	if len(s.Text) == 0 {
		return nil, nil
	}
	return f.take(ctx, lines)
}

// take sends lines in their order; where the server refuses them it halves them until the
// bad line stands alone.
func (f *Forwarder) take(ctx context.Context, lines []string) ([]store.Parked, error) {
	status, reason, err := f.post(ctx, strings.Join(lines, "\n"))
	if err != nil || reason == "" {
		return nil, err
	}
	if len(lines) == 1 {
		return []store.Parked{{Target: f.target, Status: status, Reason: reason, Line: lines[0]}}, nil
	}
	a, err := f.take(ctx, lines[:len(lines)/2])
	if err != nil {
		return nil, err
	}
	b, err := f.take(ctx, lines[len(lines)/2:])
	return append(a, b...), err
}

// post sends text until the server takes it (reason ""), refuses the text (its status and
// reason), or refuses everything (ErrStopped). There is no limit of attempts: the outbox
// holds it all.
func (f *Forwarder) post(ctx context.Context, text string) (status int, reason string, err error) {
	backoff := f.o.BackoffFirst
	for {
		f.note(func(s *Status) { s.Requests++ })
		err := f.write.WriteRecord(ctx, text)
		if err == nil {
			f.note(func(s *Status) { s.LastError = "" })
			return 0, "", nil
		}
		if ctx.Err() != nil {
			return 0, "", ctx.Err()
		}
		said := f.hide(err.Error())
		f.note(func(s *Status) { s.Failures++; s.LastError = said })
		var refused *influxhttp.Error
		after := time.Duration(0)
		if errors.As(err, &refused) {
			// What counts is the status. The text may say "partial write" with a 503, too.
			switch code := refused.StatusCode; {
			case code == 400 || code == 413 || code == 422:
				return code, fmt.Sprintf("%d: %s", code, said), nil
			case code == 0 || code == 408 || code == 425 || code == 429 || code >= 500:
				after = time.Duration(refused.RetryAfter) * time.Second
			default:
				f.note(func(s *Status) { s.Stopped = true })
				return code, "", fmt.Errorf("%w: %s: %s", ErrStopped, advice(code), said)
			}
		}
		jittered := time.Duration(float64(backoff) * (0.5 + rand.Float64())) // rigs that lost one server do not come back at once
		if err := f.o.wait(ctx, max(jittered, min(after, time.Hour))); err != nil {
			return 0, "", err
		}
		backoff = min(2*backoff, f.o.BackoffMax)
	}
}

func advice(code int) string {
	switch code {
	case 401, 403:
		return fmt.Sprintf("status %d: the token in %s or the token file is missing, wrong, or may not write", code, TokenVariable)
	case 404:
		return "status 404: no such bucket, organisation or path; make the bucket, or correct --bucket, --org or the URL"
	}
	return fmt.Sprintf("status %d", code)
}

// hide takes the token out of what a server said, and line breaks, and what is too long.
func (f *Forwarder) hide(s string) string {
	for _, secret := range []string{f.o.Token, url.QueryEscape(f.o.Token)} {
		if secret != "" {
			s = strings.ReplaceAll(s, secret, "…")
		}
	}
	s = strings.Join(strings.Fields(strings.ToValidUTF8(s, "?")), " ")
	if len(s) > 300 {
		s = strings.ToValidUTF8(s[:300], "") + "…"
	}
	return s
}
