package web

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/config"
	"griptrial/record"
	"griptrial/simulator"
	"griptrial/store"
)

// rigText is a rig of two stations as the simulator serves them.
const rigText = `name: twin test gripper
ambient: 1013 hPa
stations:
  - {name: left, volume: 0.2 L, seal_limit: 600 ms, bench: {zero: 0.5 kPa, blanked: 60 kPa}}
  - {name: right, volume: 0.2 L, seal_limit: 600 ms}
engines:
  - {name: small ejector, kind: ejector}
  - {name: side-channel blower, kind: blower}
buses:
  - name: block
    kind: modbus-tcp
    address: 127.0.0.1:15502
    devices:
`

// hostile is a text that must be shown as text.
const hostile = "<script>alert(1)</script> \"&' שלום 🧪"

// A fixture is a simulated trial, as batches.
type fixture struct {
	rig     *config.Rig
	trial   *config.Trial
	groups  []sample.Group
	batches []sample.Batch
}

// simulated returns a trial of so many picks on each of two stations. Its name is hostile.
func simulated(t testing.TB, picks int) *fixture {
	t.Helper()
	var b strings.Builder
	b.WriteString(rigText)
	for i, s := range []string{"left", "right"} {
		fmt.Fprintf(&b, "      - name: block %s\n        unit: %d\n        interval: 10 ms\n        channels:\n", s, i+1)
		ch := func(format string, args ...any) {
			fmt.Fprintf(&b, "          - {name: %s "+format+"}\n", append([]any{s}, args...)...)
		}
		ch("vacuum, kind: vacuum, station: %s, at: cup, reads: vacuum, register: {table: input, address: 0, type: u16}, scale: {raw: [0, 4000], value: [0 kPa, 100 kPa]}, accuracy: 0.1 kPa", s)
		ch("flow, kind: flow, station: %s, register: {table: input, address: 1, type: u16}, scale: 0.05 L/min ANR", s)
		ch("power, kind: power, station: %s, register: {table: input, address: 2, type: u16}, scale: 0.1 W", s)
		for bit, kind := range []string{"supply", "release", "touch", "carried"} {
			ch("%s, kind: %s, station: %s, register: {table: input, address: 3, type: bit, bit: %d}", kind, kind, s, bit)
		}
	}
	f := &fixture{}
	var err error
	f.rig, err = config.ParseRig("rig.yaml", []byte(b.String()))
	require.NoError(t, err)
	sc := simulator.DemoScenario(picks)
	b.Reset()
	fmt.Fprintf(&b, "name: %q\nrequirement: {vacuum: 15 kPa, seal_time: {limit: 200 ms, share: 90 %%}, drops: {max_rate: 10 %%}, confidence: 95 %%, picks: 40 /min}\nsetups:\n", hostile)
	for _, s := range sc.Setups {
		fmt.Fprintf(&b, "  - {name: %q, bag: %q, cup: %q, cups: 1, engine: %q, vacuum: %g kPa}\n", s.Name, s.Bag, s.CupName, s.Engine.Name, s.RequiredKPa)
	}
	b.WriteString("runs:\n")
	for _, r := range sc.Runs {
		fmt.Fprintf(&b, "  - {piece: %q, picks: %d, setups: {left: %q, right: %q}}\n", r.Piece, r.Picks, r.Setups["left"], r.Setups["right"])
	}
	f.trial, err = config.ParseTrial("trial.yaml", []byte(b.String()), f.rig)
	require.NoError(t, err)
	sim, err := simulator.NewRig(sc, *f.rig)
	require.NoError(t, err)
	f.groups = sim.Groups()
	_, err = simulator.Fast(sc, *f.rig, 0, func(b sample.Batch) error {
		f.batches = append(f.batches, b)
		return nil
	})
	require.NoError(t, err)
	return f
}

// create makes the empty trial file.
func (f *fixture) create(t testing.TB) *store.Trial {
	t.Helper()
	file, err := store.Create(filepath.Join(t.TempDir(), "hall.gtrial"), store.Header{Program: "test", AnchorUTC: time.Unix(1_790_000_000, 0), RigText: f.rig.Text,
		TrialText: f.trial.Text, Groups: f.groups, Stations: []string{"left", "right"}})
	require.NoError(t, err)
	return file
}

// recorder returns a recorder of batches from a source.
func (f *fixture) recorder(t testing.TB, file *store.Trial, src record.Source, plan *record.Plan) *record.Recorder {
	t.Helper()
	settings, err := record.Settings(f.rig, plan)
	require.NoError(t, err)
	stations, err := record.NewStations(f.groups, settings, plan)
	require.NoError(t, err)
	return &record.Recorder{File: file, Sources: []record.Source{src}, Stations: stations, Plan: plan, CommitEvery: time.Millisecond}
}

// A source hands on batches when it is told to.
type source struct {
	groups  []sample.Group
	batches []sample.Batch
	step    chan int // how many to hand on; all are when it is closed
	gave    chan struct{}
	scans   int // handed on; the test's, between two steps
}

func (f *fixture) source() *source {
	return &source{groups: f.groups, batches: f.batches, step: make(chan int), gave: make(chan struct{})}
}

func (s *source) Groups() []sample.Group { return s.groups }

func (s *source) Run(ctx context.Context, emit func(sample.Batch)) error {
	give := func(n int) {
		for _, b := range s.batches[:n] {
			emit(b)
			s.scans += len(b.T)
		}
		s.batches = s.batches[n:]
	}
	for {
		select {
		case n, ok := <-s.step:
			if !ok {
				give(len(s.batches))
				return nil
			}
			give(min(n, len(s.batches)))
			s.gave <- struct{}{}
		case <-ctx.Done():
			return nil
		}
	}
}

// give hands on n batches.
func (s *source) give(n int) {
	s.step <- n
	<-s.gave
}

// finished is the file of a simulated trial; the first test that needs it makes it.
var finished []byte

// openFinished opens a copy of the finished trial, for writing where write is set.
func openFinished(t testing.TB, write bool) *store.Trial {
	t.Helper()
	if finished == nil {
		f := simulated(t, 32)
		file := f.create(t)
		src := f.source()
		close(src.step)
		require.NoError(t, f.recorder(t, file, src, record.NewPlan(f.trial)).Run(t.Context()))
		require.NoError(t, file.Close())
		var err error
		finished, err = os.ReadFile(file.Path())
		require.NoError(t, err)
	}
	path := filepath.Join(t.TempDir(), "hall.gtrial")
	require.NoError(t, os.WriteFile(path, finished, 0o666))
	open := store.OpenRead
	if write {
		open = store.Open
	}
	file, err := open(path)
	require.NoError(t, err)
	t.Cleanup(func() { file.Close() })
	return file
}

// A client asks a server as a browser's page would.
type client struct {
	t      testing.TB
	server *Server
	h      http.Handler
}

const host = "127.0.0.1:8437"

func newClient(t testing.TB, c Config) *client {
	t.Helper()
	s, err := New(c, &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8437})
	require.NoError(t, err)
	return &client{t, s, s.Handler()}
}

// do sends a request; body is JSON text, "" for none.
func (c *client) do(method, path, body string, header ...string) *http.Response {
	c.t.Helper()
	r := c.request(method, path, body, header...)
	w := httptest.NewRecorder()
	c.h.ServeHTTP(w, r)
	return w.Result()
}

func (c *client) request(method, path, body string, header ...string) *http.Request {
	var in io.Reader
	if body != "" {
		in = strings.NewReader(body)
	}
	r := httptest.NewRequest(method, "http://"+host+path, in)
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
		} else {
			r.Header.Set(header[i], header[i+1])
		}
	}
	return r
}

// get asks for path below the API and decodes the answer, which must be good.
func get[T any](c *client, path string) (v T) {
	c.t.Helper()
	res := c.do("GET", prefix+path, "")
	text, err := io.ReadAll(res.Body)
	require.NoError(c.t, err)
	require.Equal(c.t, http.StatusOK, res.StatusCode, "%s: %s", path, text)
	require.NoError(c.t, json.Unmarshal(text, &v), "%s: %s", path, text)
	return v
}

// problemOf decodes what went wrong.
func problemOf(t testing.TB, res *http.Response) (p ProblemJSON) {
	t.Helper()
	require.Equal(t, "application/problem+json", res.Header.Get("Content-Type"))
	require.NoError(t, json.NewDecoder(res.Body).Decode(&p))
	require.Equal(t, res.StatusCode, p.Status)
	require.NotEmpty(t, p.Detail)
	return p
}
