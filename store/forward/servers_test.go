package forward

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/store"
	"griptrial/store/forward/testserver"
)

// nightly says that tests run in their long form.
var nightly = os.Getenv("GRIPTRIAL_NIGHTLY") != ""

// wanted is what a server must hold of a trial: for each field of each series its times.
func wanted(t *testing.T, file *store.Trial) map[string]map[int64]int {
	t.Helper()
	want := map[string]map[int64]int{}
	for s, err := range file.Segments(0) {
		require.NoError(t, err)
		for line := range strings.Lines(string(s.Text)) {
			p, err := parse(strings.TrimSuffix(line, "\n"))
			require.NoError(t, err)
			for _, f := range p.fields {
				key := p.series + "\x00\x00" + f
				if want[key] == nil {
					want[key] = map[int64]int{}
				}
				want[key][p.ms]++
			}
		}
	}
	return want
}

// requireOnce requires the server to hold every point of the trial, once, and no other.
func requireOnce(t *testing.T, want, got map[string]map[int64]int) {
	t.Helper()
	require.Len(t, got, len(want), "series")
	for key, times := range want {
		name := strings.ReplaceAll(key, "\x00", " ")
		require.Len(t, got[key], len(times), "points of %s", name)
		for ms := range times {
			require.Equal(t, 1, got[key][ms], "%s at %d", name, ms)
		}
	}
}

// readVictoriaMetrics reads everything back by the export interface.
func readVictoriaMetrics(t *testing.T, s *testserver.Server) map[string]map[int64]int {
	t.Helper()
	s.Get("/internal/force_flush", nil)
	got := map[string]map[int64]int{}
	for d := json.NewDecoder(bytes.NewReader(s.Get("/api/v1/export", url.Values{"match[]": {`{__name__!=""}`}, "start": {"0"}}))); ; {
		var x struct {
			Metric     map[string]string
			Values     []float64
			Timestamps []int64
		}
		if err := d.Decode(&x); err == io.EOF {
			return got
		} else {
			require.NoError(t, err)
		}
		name := x.Metric["__name__"]
		delete(x.Metric, "__name__")
		require.True(t, strings.HasPrefix(name, "griptrial_"), name)
		parts := strings.SplitN(name, "_", 3) // griptrial, pick, the field
		key := seriesKey(parts[0]+"_"+parts[1], x.Metric) + "\x00\x00" + parts[2]
		if got[key] == nil {
			got[key] = map[int64]int{}
		}
		for _, ms := range x.Timestamps {
			got[key][ms]++
		}
	}
}

// readInfluxDB reads everything back by InfluxQL.
func readInfluxDB(t *testing.T, s *testserver.Server, database string) map[string]map[int64]int {
	t.Helper()
	got := map[string]map[int64]int{}
	q := url.Values{"db": {database}, "q": {"SELECT * FROM /.*/ GROUP BY *"}, "epoch": {"ms"}, "chunked": {"true"}}
	for d := json.NewDecoder(bytes.NewReader(s.Get("/query", q))); ; {
		var x struct {
			Results []struct {
				Error  string
				Series []struct {
					Name    string
					Tags    map[string]string
					Columns []string
					Values  [][]*float64
				}
			}
		}
		if err := d.Decode(&x); err == io.EOF {
			return got
		} else {
			require.NoError(t, err)
		}
		for _, r := range x.Results {
			require.Empty(t, r.Error)
			for _, series := range r.Series {
				for i, column := range series.Columns[1:] {
					key := seriesKey(series.Name, series.Tags) + "\x00\x00" + column
					for _, v := range series.Values {
						if v[i+1] == nil {
							continue
						}
						if got[key] == nil {
							got[key] = map[int64]int{}
						}
						got[key][int64(*v[0])]++
					}
				}
			}
		}
	}
}

// A server that is killed (SIGKILL) half-way and started again has, after reconciling, every
// point of the trial, once.
func TestServerKilledHalfWay(t *testing.T) {
	if testing.Short() {
		t.Skip("real servers")
	}
	points := 100_000
	if nightly {
		points = 1_000_000
	}
	tests := []struct {
		name  string
		start func(*testing.T) *testserver.Server
		read  func(*testing.T, *testserver.Server) map[string]map[int64]int
		kind  string
	}{
		{"VictoriaMetrics", func(t *testing.T) *testserver.Server { return testserver.VictoriaMetrics(t) }, readVictoriaMetrics, "victoriametrics"},
		{"InfluxDB 1.8.10", func(t *testing.T) *testserver.Server { return testserver.InfluxDB(t, "griptrial") },
			func(t *testing.T, s *testserver.Server) map[string]map[int64]int {
				return readInfluxDB(t, s, "griptrial")
			}, "influxdb"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			server := tt.start(t)
			// Points in the future, or older than a server keeps, would be another test.
			file := newTrialAt(t, time.Now().Add(-time.Duration(points/2+86400)*time.Second).Truncate(time.Second))
			fillTrial(t, file, points/2)
			// The server dies at the request that follows half of the lines, and is back a little later.
			var killed atomic.Bool
			var back sync.WaitGroup
			var f *Forwarder
			behind, err := url.Parse(server.URL)
			require.NoError(t, err)
			pass := httputil.NewSingleHostReverseProxy(behind)
			pass.ErrorHandler = func(http.ResponseWriter, *http.Request, error) { panic(http.ErrAbortHandler) }
			front := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if f.Status().LinesSent >= uint64(points/2) && killed.CompareAndSwap(false, true) {
					server.Kill()
					back.Go(func() { time.Sleep(300 * time.Millisecond); server.Start() })
				}
				pass.ServeHTTP(w, r)
			}))
			front.Config.ErrorLog = log.New(io.Discard, "", 0)
			defer front.Close()
			f, err = New(file, Options{URL: front.URL, Bucket: "griptrial", Org: "hall", Labels: Labels{Rig: "hall, rig 1", Trial: "killed"},
				Timeout: 20 * time.Second, BackoffFirst: 50 * time.Millisecond, BackoffMax: 500 * time.Millisecond})
			require.NoError(t, err)
			defer f.Close()
			probed := f.Probe(t.Context())
			assert.Equal(t, tt.kind, probed.Kind)
			assert.Empty(t, probed.Warnings)

			began := time.Now()
			require.NoError(t, f.Drain(t.Context()))
			back.Wait()
			require.True(t, killed.Load())
			took := time.Since(began)
			s := f.Status()
			assert.Positive(t, s.Failures, "the server was away")
			assert.Zero(t, s.Parked)

			if tt.kind == "victoriametrics" {
				time.Sleep(1100 * time.Millisecond) // until what came last can be seen
			}
			r, err := f.Reconcile(t.Context())
			require.NoError(t, err)
			assert.Zero(t, r.StillMissing)
			assert.Zero(t, r.Doubled)
			assert.Equal(t, r.Missing, r.Resent)
			t.Logf("%d lines in %.1f s with the kill (%.0f lines/s), %d failures; after the restart %d lines were missing and sent again",
				s.LinesSent, took.Seconds(), float64(s.LinesSent)/took.Seconds(), s.Failures, r.Missing)
			want := wanted(t, file)
			n := 0
			for key, times := range want {
				if strings.HasSuffix(key, "\x00\x00seal_time_s") {
					n += len(times)
				}
			}
			require.Equal(t, points, n)
			requireOnce(t, want, tt.read(t, server))

			again, err := f.Reconcile(t.Context())
			require.NoError(t, err)
			assert.Zero(t, again.Missing, "nothing is missing any more")
		})
	}
}

// What a server refuses in earnest: InfluxDB answers 400 to a line whose field has another
// type than before, and takes the rest; that line is parked, all others are there.
func TestInfluxDBRefusesALine(t *testing.T) {
	if testing.Short() {
		t.Skip("real servers")
	}
	server := testserver.InfluxDB(t, "griptrial")
	file := newTrialAt(t, time.Now().Add(-24*time.Hour).Truncate(time.Second))
	fillTrial(t, file, 20)
	f, err := New(file, Options{URL: server.URL, Bucket: "griptrial", Labels: Labels{Rig: "r", Trial: "t"}})
	require.NoError(t, err)
	defer f.Close()
	_, err = f.fill(t.Context())
	require.NoError(t, err)
	// Behind a tag the first type of a field holds: here text, made by somebody else.
	ms := time.Now().Add(-time.Hour).UnixMilli()
	n, err := file.AddSegment(store.Segment{Lines: 3, FirstMS: ms, LastMS: ms + 2, Upto: store.Cursor{Picks: 40, Events: 1, Runs: 1},
		Text: fmt.Appendf(nil, "griptrial_soak,rig=r,trial=t picks=1 %d\ngriptrial_soak,rig=r,trial=t picks=\"two\" %d\ngriptrial_soak,rig=r,trial=t picks=3 %d\n", ms, ms+1, ms+2)})
	require.NoError(t, err)
	require.NoError(t, f.Drain(t.Context()))
	parked, err := file.ParkedLines(f.target)
	require.NoError(t, err)
	require.Len(t, parked, 1)
	assert.Equal(t, n, parked[0].Segment)
	assert.Contains(t, parked[0].Line, `"two"`)
	assert.Contains(t, parked[0].Reason, "field type conflict")
	r, err := f.Reconcile(t.Context())
	require.NoError(t, err)
	assert.Zero(t, r.Missing)
	assert.EqualValues(t, 1, r.Parked)

	// No such database: stop and tell.
	f, err = New(file, Options{URL: server.URL, Bucket: "nowhere", Labels: Labels{Rig: "r", Trial: "t"}})
	require.NoError(t, err)
	defer f.Close()
	require.ErrorIs(t, f.Drain(t.Context()), ErrStopped)
}

// Start-up warns of a server that keeps doubles or forgets soon.
func TestProbeWarns(t *testing.T) {
	if testing.Short() {
		t.Skip("real servers")
	}
	file := newTrialAt(t, time.Now())
	warnings := func(s *testserver.Server, bucket string) string {
		f, err := New(file, Options{URL: s.URL, Bucket: bucket})
		require.NoError(t, err)
		defer f.Close()
		return strings.Join(f.Probe(t.Context()).Warnings, "\n")
	}
	w := warnings(testserver.VictoriaMetrics(t, "-retentionPeriod=2"), "b")
	assert.Contains(t, w, "-dedup.minScrapeInterval=1ms")
	assert.Contains(t, w, "older than 2 months")
	influx := testserver.InfluxDB(t, "short")
	assert.Empty(t, warnings(influx, "short"))
	influx.Get("/query", url.Values{"q": {`ALTER RETENTION POLICY "autogen" ON "short" DURATION 7d`}}, "POST")
	assert.Contains(t, warnings(influx, "short"), "after 168h")
	f, err := New(file, Options{URL: "http://127.0.0.1:1", Bucket: "b"})
	require.NoError(t, err)
	defer f.Close()
	assert.Contains(t, strings.Join(f.Probe(t.Context()).Warnings, "\n"), "does not answer")
	_, err = f.Reconcile(t.Context())
	require.ErrorContains(t, err, "cannot be asked")
}
