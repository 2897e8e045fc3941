package forward

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/store"
)

var anchor = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// newTrial makes a trial file, closed and checked as the test ends.
func newTrial(t *testing.T) *store.Trial { return newTrialAt(t, anchor) }

func newTrialAt(t *testing.T, anchor time.Time) *store.Trial {
	t.Helper()
	nan := math.NaN()
	path := filepath.Join(t.TempDir(), "hall.gtrial")
	file, err := store.Create(path, store.Header{Program: "test", AnchorUTC: anchor, Stations: []string{"left", "right"},
		Groups: []sample.Group{{Name: "block", Channels: []sample.Channel{{Name: "left vacuum", Kind: sample.Vacuum, Station: "left",
			Scale: 0.025, OnAbove: nan, Resolution: 0.025, Accuracy: nan, IntervalS: 0.01, UpdateS: nan, LagS: nan}}}}})
	require.NoError(t, err)
	t.Cleanup(func() {
		require.NoError(t, file.Close())
		r, err := store.Check(path)
		require.NoError(t, err)
		require.Empty(t, r.Damage)
	})
	return file
}

// somePicks returns picks from to to of a station, one a second.
func somePicks(station string, from, to int) (picks []pick.Pick) {
	for n := from; n <= to; n++ {
		p := pick.Pick{N: n, Station: station, Run: 1, Outcome: pick.Released, StartS: float64(n), ContactS: math.NaN(),
			SealedAtS: float64(n) + 0.03, DropS: math.NaN(), ReleaseS: float64(n) + 0.5, EndS: float64(n) + 0.6, SealFrom: "supply",
			IdleLevelKPa: math.NaN(), RequiredKPa: 15}
		for v, i := reflect.ValueOf(&p).Elem(), 0; i < v.NumField(); i++ {
			if f, ok := v.Field(i).Addr().Interface().(*analyze.Figure); ok {
				*f = analyze.None()
			}
		}
		p.SealTimeS = analyze.Figure{Value: 0.03 + float64(n%7)/1000, U: 0.001, Lo: 0.02, Hi: 0.05}
		p.HoldVacuumKPa = analyze.Figure{Value: 70.5, U: 0.1, Lo: 70, Hi: 71}
		p.EnergyJ = analyze.Figure{Value: 380, U: 20, Lo: 340, Hi: 420}
		picks = append(picks, p)
	}
	return picks
}

// fill stores n picks at each of two stations, and a run.
func fillTrial(t *testing.T, file *store.Trial, n int) {
	t.Helper()
	require.NoError(t, file.Commit(store.Entry{Runs: []store.Run{{N: 1, Piece: "S-01", PlannedPicks: n,
		Setups: map[string]string{"left": "seed sachet | bellows cup, 40 mm lip", "right": "a=b"}}}}))
	for from := 1; from <= n; from += 1000 {
		to := min(n, from+999)
		require.NoError(t, file.AppendPicks(1, append(somePicks("left", from, to), somePicks("right", from, to)...),
			[]pick.Event{{TS: float64(from) + 0.2, Kind: pick.Dip, Station: "left", Pick: from}}))
	}
}

// A faultServer takes writes as an InfluxDB does, and fails as it is told: the faults are
// used up one a request.
type faultServer struct {
	*httptest.Server
	mu     sync.Mutex
	faults []func(w http.ResponseWriter, text string) bool // true: it has answered
	always func(w http.ResponseWriter, text string) bool
	got    []string // texts taken, in order
	tried  []string // every text that came
	header http.Header
}

func newFaultServer(t *testing.T, faults ...func(http.ResponseWriter, string) bool) *faultServer {
	s := &faultServer{faults: faults}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/api/v2/write" {
			http.NotFound(w, r)
			return
		}
		body := io.Reader(r.Body)
		if r.Header.Get("Content-Encoding") == "gzip" {
			z, err := gzip.NewReader(r.Body)
			if err != nil {
				http.Error(w, err.Error(), 400)
				return
			}
			body = z
		}
		b, err := io.ReadAll(body)
		if err != nil {
			return
		}
		s.mu.Lock()
		s.header = r.Header.Clone()
		s.header.Set("X-Query", r.URL.RawQuery)
		s.tried = append(s.tried, string(b))
		fault := s.always
		if len(s.faults) > 0 {
			fault, s.faults = s.faults[0], s.faults[1:]
		}
		s.mu.Unlock()
		if fault != nil && fault(w, string(b)) {
			return
		}
		s.mu.Lock()
		s.got = append(s.got, string(b))
		s.mu.Unlock()
		w.WriteHeader(204)
	}))
	t.Cleanup(s.Close)
	return s
}

func (s *faultServer) lines() (lines []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, text := range s.got {
		lines = append(lines, strings.Split(strings.TrimSpace(text), "\n")...)
	}
	return lines
}

func status(code int, text string, header ...string) func(http.ResponseWriter, string) bool {
	return func(w http.ResponseWriter, _ string) bool {
		for i := 0; i+1 < len(header); i += 2 {
			w.Header().Set(header[i], header[i+1])
		}
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(code)
		fmt.Fprintf(w, `{"code":"x","message":%q}`, text)
		return true
	}
}

// waits collects how long the sender meant to wait, without waiting.
type waits struct{ all []time.Duration }

func (w *waits) wait(ctx context.Context, d time.Duration) error {
	w.all = append(w.all, d)
	return ctx.Err()
}

func newForwarder(t *testing.T, file *store.Trial, url string, change func(*Options)) (*Forwarder, *waits) {
	t.Helper()
	w := &waits{}
	o := Options{URL: url, Org: "hall", Bucket: "griptrial", Token: "s3cret-t0ken", Labels: Labels{Rig: "demo, rig", Trial: "hall"},
		Timeout: 2 * time.Second, SegmentLines: 50, wait: w.wait}
	if change != nil {
		change(&o)
	}
	f, err := New(file, o)
	require.NoError(t, err)
	t.Cleanup(f.Close)
	return f, w
}

// outboxLines returns every line of the outbox.
func outboxLines(t *testing.T, file *store.Trial) (lines []string) {
	t.Helper()
	for s, err := range file.Segments(0) {
		require.NoError(t, err)
		got := strings.Split(strings.TrimSpace(string(s.Text)), "\n")
		if len(s.Text) > 0 {
			require.Len(t, got, s.Lines)
			lines = append(lines, got...)
		}
	}
	return lines
}

// What a server gets: floats only, low names, tags in order, ms, gzip; the token in the header
// and nowhere else.
func TestLines(t *testing.T) {
	file := newTrial(t)
	fillTrial(t, file, 3)
	s := newFaultServer(t)
	f, _ := newForwarder(t, file, s.URL, nil)
	require.NoError(t, f.Drain(t.Context()))
	lines := s.lines()
	require.Equal(t, outboxLines(t, file), lines)
	require.Len(t, lines, 8)
	assert.Equal(t, `griptrial_run,rig=demo\,\ rig,trial=hall run=1,planned_picks=3 1772431200000`, lines[0])
	assert.Equal(t, `griptrial_pick,rig=demo\,\ rig,setup=seed\ sachet\ |\ bellows\ cup\,\ 40\ mm\ lip,station=left,trial=hall `+
		`n=1,run=1,released=1,dropped=0,unsealed=0,ended=0,open=0,re_seals=0,below_required_s=0,touched_by_gap=0,required_kpa=15,`+
		`seal_time_s=0.031,seal_time_s_u=0.001,hold_vacuum_kpa=70.5,hold_vacuum_kpa_u=0.1,energy_j=380,energy_j_u=20 1772431201600`, lines[1])
	assert.Equal(t, `griptrial_event,kind=dip,rig=demo\,\ rig,station=left,trial=hall pick=1 1772431201200`, lines[7])
	assert.Equal(t, "gzip", s.header.Get("Content-Encoding"))
	assert.Equal(t, "Token s3cret-t0ken", s.header.Get("Authorization"))
	assert.Equal(t, "bucket=griptrial&org=hall&precision=ms", s.header.Get("X-Query"))
	for _, line := range lines {
		_, err := parse(line)
		require.NoError(t, err)
		assert.NotContains(t, line, "NaN")
	}
	assert.Zero(t, f.Status().WaitingLines)
}

// Faults that pass: everything arrives in the end, in order, and what is sent again is the
// same to the byte.
func TestFaultsThatPass(t *testing.T) {
	dead := func(w http.ResponseWriter, _ string) bool { // closed in the middle of an answer
		c, buf, err := w.(http.Hijacker).Hijack()
		if err == nil {
			buf.WriteString("HTTP/1.1 204 No Con")
			buf.Flush()
			c.Close()
		}
		return true
	}
	halfClosed := func(w http.ResponseWriter, _ string) bool { // closed without a word
		if c, _, err := w.(http.Hijacker).Hijack(); err == nil {
			c.Close()
		}
		return true
	}
	slow := func(d time.Duration) func(http.ResponseWriter, string) bool {
		return func(http.ResponseWriter, string) bool { time.Sleep(d); return false }
	}
	tests := []struct {
		name   string
		fault  func(http.ResponseWriter, string) bool
		atMost time.Duration // what the sender may wait before the next attempt
		least  time.Duration
		twice  bool // the server took it and the answer was lost
	}{
		{name: "429 with Retry-After", fault: status(429, "too many", "Retry-After", "17"), least: 17 * time.Second, atMost: 17 * time.Second},
		{name: "429 without", fault: status(429, "too many"), least: time.Second / 2, atMost: 2 * time.Second},
		{name: "503", fault: status(503, "down"), least: time.Second / 2, atMost: 2 * time.Second},
		{name: "503 with Retry-After", fault: status(503, "down", "Retry-After", "3"), least: 3 * time.Second, atMost: 3 * time.Second},
		{name: "503 that says partial write", fault: status(503, "partial write: points beyond retention policy dropped=1"), least: time.Second / 2, atMost: 2 * time.Second},
		{name: "503 hinted handoff", fault: status(503, "hinted handoff queue not empty"), least: time.Second / 2, atMost: 2 * time.Second},
		{name: "500 unable to parse", fault: status(500, "unable to parse"), least: time.Second / 2, atMost: 2 * time.Second},
		{name: "closed without an answer", fault: halfClosed, least: time.Second / 2, atMost: 2 * time.Second},
		{name: "closed within the answer", fault: dead, least: time.Second / 2, atMost: 2 * time.Second},
		{name: "time-out after it was taken", fault: slow(900 * time.Millisecond), least: time.Second / 2, atMost: 2 * time.Second, twice: true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			file := newTrial(t)
			fillTrial(t, file, 120)
			s := newFaultServer(t, nil, tt.fault) // the second request meets it
			f, w := newForwarder(t, file, s.URL, func(o *Options) { o.Timeout = 400 * time.Millisecond })
			require.NoError(t, f.Drain(t.Context()))
			require.Eventually(t, func() bool { s.mu.Lock(); defer s.mu.Unlock(); return !tt.twice || len(s.got) > 1 }, 5*time.Second, 10*time.Millisecond)
			require.Len(t, w.all, 1, "one wait")
			assert.GreaterOrEqual(t, w.all[0], tt.least)
			assert.LessOrEqual(t, w.all[0], tt.atMost)
			require.Equal(t, s.tried[1], s.tried[2], "sent again: the same bytes")
			assert.Equal(t, outboxLines(t, file), dedupe(s.lines()))
			assert.Empty(t, f.Status().LastError)
			assert.EqualValues(t, 1, f.Status().Failures)
			parked, err := file.ParkedLines(f.target)
			require.NoError(t, err)
			assert.Empty(t, parked)
		})
	}
}

func dedupe(lines []string) (once []string) {
	seen := map[string]bool{}
	for _, l := range lines {
		if !seen[l] {
			seen[l] = true
			once = append(once, l)
		}
	}
	return once
}

// Back-off doubles up to its limit, with jitter, and there is no limit of attempts.
func TestBackoff(t *testing.T) {
	file := newTrial(t)
	fillTrial(t, file, 1)
	s := newFaultServer(t)
	for range 40 {
		s.faults = append(s.faults, status(503, "down"))
	}
	f, w := newForwarder(t, file, s.URL, nil)
	require.NoError(t, f.Drain(t.Context()))
	require.Len(t, w.all, 40)
	want := time.Second
	distinct := map[time.Duration]bool{}
	for _, d := range w.all {
		assert.GreaterOrEqual(t, d, want/2)
		assert.LessOrEqual(t, d, want*3/2)
		distinct[d] = true
		want = min(2*want, time.Minute)
	}
	assert.Greater(t, len(distinct), 20, "jitter")
	assert.Len(t, s.lines(), len(outboxLines(t, file)))
}

// A line that is refused for good is found by halving, parked with its reason; all others
// arrive, in order.
func TestRefusedLinesArePark(t *testing.T) {
	for _, code := range []int{400, 413, 422} {
		t.Run(fmt.Sprint(code), func(t *testing.T) {
			file := newTrial(t)
			fillTrial(t, file, 60)
			bad := func(line string) bool {
				return strings.Contains(line, " n=7,") || strings.Contains(line, " n=31,") && strings.Contains(line, "station=right")
			}
			s := newFaultServer(t)
			s.always = func(w http.ResponseWriter, text string) bool {
				for line := range strings.Lines(text) {
					if bad(line) {
						return status(code, "partial write: unable to parse s3cret-t0ken")(w, text)
					}
				}
				return false
			}
			f, _ := newForwarder(t, file, s.URL, nil)
			require.NoError(t, f.Drain(t.Context()))
			want := slices.DeleteFunc(outboxLines(t, file), bad)
			assert.Equal(t, want, s.lines())
			parked, err := file.ParkedLines(f.target)
			require.NoError(t, err)
			require.Len(t, parked, 3)
			for _, p := range parked {
				assert.True(t, bad(p.Line))
				assert.Equal(t, code, p.Status)
				assert.Contains(t, p.Reason, "partial write")
				assert.NotContains(t, p.Reason, "s3cret")
			}
			assert.EqualValues(t, 3, f.Status().Parked)
			lag, err := Lag(file, f.target)
			require.NoError(t, err)
			assert.EqualValues(t, 3, lag.Parked)
			assert.Zero(t, lag.WaitingLines)
		})
	}
}

// 413 for the size alone: halves arrive, nothing is parked.
func TestTooLarge(t *testing.T) {
	file := newTrial(t)
	fillTrial(t, file, 60)
	s := newFaultServer(t)
	s.always = func(w http.ResponseWriter, text string) bool {
		return strings.Count(text, "\n") >= 9 && status(413, "too large")(w, text)
	}
	f, _ := newForwarder(t, file, s.URL, nil)
	require.NoError(t, f.Drain(t.Context()))
	assert.Equal(t, outboxLines(t, file), s.lines())
	assert.Zero(t, f.Status().Parked)
}

// 401, 403, 404 and what is not understood: stop and tell, once, without the token; all is
// kept, and a later start sends it.
func TestStopAndTell(t *testing.T) {
	for code, want := range map[int]string{401: "token", 403: "token", 404: "bucket", 301: "301", 405: "405"} {
		t.Run(fmt.Sprint(code), func(t *testing.T) {
			file := newTrial(t)
			fillTrial(t, file, 60)
			s := newFaultServer(t, nil, status(code, "no: s3cret-t0ken", "Location", "http://127.0.0.1:1/"))
			f, w := newForwarder(t, file, s.URL, nil)
			err := f.Run(t.Context())
			require.ErrorIs(t, err, ErrStopped)
			assert.Contains(t, err.Error(), want)
			assert.NotContains(t, err.Error(), "s3cret")
			assert.NotContains(t, f.Status().LastError, "s3cret")
			assert.True(t, f.Status().Stopped)
			assert.Empty(t, w.all, "no retry")
			assert.Len(t, s.tried, 2)
			lag, err := Lag(file, f.target)
			require.NoError(t, err)
			assert.Positive(t, lag.WaitingLines)
			assert.Positive(t, lag.LagS)

			again, _ := newForwarder(t, file, s.URL, nil)
			require.NoError(t, again.Drain(t.Context()))
			assert.Equal(t, outboxLines(t, file), s.lines())
		})
	}
}

// Days of outage: the outbox grows in the file, not in memory; when the server is back all
// arrives in order. Nothing is put in twice by starting again.
func TestOutageAndRestart(t *testing.T) {
	file := newTrial(t)
	fillTrial(t, file, 30)
	s := newFaultServer(t)
	s.always = status(503, "down")
	ctx, stop := context.WithCancel(t.Context())
	f, _ := newForwarder(t, file, s.URL, func(o *Options) {
		n := 0
		o.wait = func(ctx context.Context, d time.Duration) error {
			if n++; n > 20 {
				stop()
			}
			return ctx.Err()
		}
	})
	require.ErrorIs(t, f.Run(ctx), context.Canceled)
	assert.Empty(t, s.lines())
	require.NoError(t, file.AppendPicks(1, somePicks("left", 31, 230), nil)) // meanwhile
	s.mu.Lock()
	s.always = nil
	s.mu.Unlock()
	f, _ = newForwarder(t, file, s.URL, nil)
	require.NoError(t, f.Drain(t.Context()))
	f, _ = newForwarder(t, file, s.URL, nil)
	require.NoError(t, f.Drain(t.Context()))
	lines := s.lines()
	assert.Equal(t, outboxLines(t, file), lines)
	picks := 0
	last := map[string]int64{}
	for _, l := range lines {
		p, err := parse(l)
		require.NoError(t, err)
		assert.Greater(t, p.ms, last[p.series], "order within a series, no two in a millisecond")
		last[p.series] = p.ms
		if strings.HasPrefix(l, pickMeasurement) {
			picks++
		}
	}
	assert.Equal(t, 30+30+200, picks)
	assert.Equal(t, len(lines), len(dedupe(lines)))
	assert.Contains(t, strings.Join(lines, "\n"), soakMeasurement)
}

// The limit refuses aloud and drops nothing.
func TestOutboxLimit(t *testing.T) {
	file := newTrial(t)
	fillTrial(t, file, 500)
	s := newFaultServer(t)
	s.always = status(503, "down")
	ctx, stop := context.WithCancel(t.Context())
	small := func(o *Options) { o.OutboxLimitMB = 0.0001 }
	f, _ := newForwarder(t, file, s.URL, func(o *Options) {
		small(o)
		o.wait = func(ctx context.Context, d time.Duration) error { stop(); return ctx.Err() }
	})
	require.ErrorIs(t, f.Run(ctx), context.Canceled)
	f, _ = newForwarder(t, file, s.URL, small)
	_, err := f.fill(t.Context())
	require.NoError(t, err)
	assert.True(t, f.Status().OutboxFull)
	assert.Contains(t, f.Status().LastError, "outbox full")
	assert.Positive(t, f.Status().NotYetInOutbox)
	s.mu.Lock()
	s.always = nil
	s.mu.Unlock()
	for range 100 {
		require.NoError(t, f.Drain(t.Context()))
		if f.Status().NotYetInOutbox == 0 {
			break
		}
	}
	assert.Zero(t, f.Status().NotYetInOutbox)
	assert.False(t, f.Status().OutboxFull)
	assert.Equal(t, 1000, strings.Count(strings.Join(s.lines(), "\n"), pickMeasurement))
}

// Where the wall clock jumps, lines go on from the first anchor, so that none of a trial goes
// back or lies over another, and the recorder's health lies beside the picks; the lag is by
// the wall clock as it was set.
func TestWallClockJumps(t *testing.T) {
	begun := time.Now().Add(-100 * time.Second).UTC()
	lines := func(jump time.Duration) (all []string, health time.Time, lagS float64) {
		file := newTrialAt(t, begun)
		fillTrial(t, file, 20)
		if jump != 0 { // the wall clock was behind by it until 99 s ago
			require.NoError(t, file.Commit(store.Entry{Clock: []store.Anchor{{TNS: 1e9 - int64(jump), UnixNS: begun.Add(time.Second).UnixNano(), Why: "x"}}}))
		}
		s := newFaultServer(t)
		s.always = status(503, "down")
		ctx, stop := context.WithCancel(t.Context())
		f, _ := newForwarder(t, file, s.URL, func(o *Options) {
			o.Health = func() map[string]float64 { return map[string]float64{"x": 1} }
			o.wait = func(ctx context.Context, d time.Duration) error { stop(); return ctx.Err() }
		})
		require.ErrorIs(t, f.Run(ctx), context.Canceled)
		_, err := f.fill(t.Context())
		require.NoError(t, err)
		for _, l := range outboxLines(t, file) {
			if strings.HasPrefix(l, healthMeasurement) {
				ms, err := strconv.ParseInt(l[strings.LastIndexByte(l, ' ')+1:], 10, 64)
				require.NoError(t, err)
				health = time.UnixMilli(ms)
				continue
			}
			all = append(all, l)
		}
		return all, health, f.Status().LagS
	}
	want, health, lag := lines(0)
	assert.WithinDuration(t, time.Now(), health, 20*time.Second)
	for _, jump := range []time.Duration{time.Hour, -30 * time.Minute} {
		got, at, jumpedLag := lines(jump)
		assert.Equal(t, want, got, "by %v", jump)
		// Trial time is wall time less the jump: so is the place of health on the picks' line.
		assert.WithinDuration(t, health.Add(-jump), at, 20*time.Second, "by %v", jump)
		if jump < 0 {
			assert.InDelta(t, lag, jumpedLag, 20, "picks before the jump are as old as the wall clock then said")
		}
	}
}

// Thinned traces: one point of every channel for each span, its extremes and mean those of
// the samples; every sample is in one point.
func TestTraces(t *testing.T) {
	file := newTrial(t)
	const scans = 1000
	for i := int64(0); i < scans; i += 25 {
		b := sample.Batch{Counts: make([][]int64, 1)}
		for k := i; k < i+25; k++ {
			b.T, b.Half, b.Counts[0] = append(b.T, k*10e6), append(b.Half, 0), append(b.Counts[0], k%100)
		}
		require.NoError(t, file.Append([]sample.Batch{b}))
	}
	s := newFaultServer(t)
	f, _ := newForwarder(t, file, s.URL, func(o *Options) { o.TraceEvery = time.Second; o.SegmentLines = 3 })
	require.NoError(t, f.Drain(t.Context()))
	lines := s.lines()
	require.NotEmpty(t, lines)
	// Counts 0 to 99 and 0 to 24: their sum is 5250, the mean 42 counts of 0.025 kPa.
	assert.Equal(t, `griptrial_trace,channel=left\ vacuum,rig=demo\,\ rig,station=left,trial=hall min=0,max=2.475,mean=1.05,scans=125 1772431200000`, lines[0])
	total := 0
	for _, l := range lines {
		var n int
		_, err := fmt.Sscanf(l[strings.Index(l, "scans="):], "scans=%d", &n)
		require.NoError(t, err)
		total += n
	}
	assert.Equal(t, scans, total)
}

// Health is stored once, as it was when it was taken.
func TestHealth(t *testing.T) {
	file := newTrial(t)
	s := newFaultServer(t)
	f, _ := newForwarder(t, file, s.URL, func(o *Options) {
		o.Health = func() map[string]float64 {
			return map[string]float64{"polls": 7, "late_p99_s": 0.001, "never": math.NaN()}
		}
	})
	require.NoError(t, f.Drain(t.Context()))
	require.NoError(t, f.Drain(t.Context()))
	require.Len(t, s.lines(), 1)
	assert.Regexp(t, `^griptrial_health,rig=demo\\,\\ rig,trial=hall late_p99_s=0.001,polls=7 \d{13}$`, s.lines()[0])
}

// Where data may go: TLS to other machines, no password in the URL, no token printed.
func TestWhereTo(t *testing.T) {
	file := newTrial(t)
	for url, want := range map[string]string{
		"http://tsdb.hall:8428": "use https", "http://user:pw@127.0.0.1:1": "password", "tsdb.hall": "want a URL",
		"ftp://x": "want a URL", "https://tsdb.hall/?db=x": "without ?", "http://10.1.2.3:8086": "use https", "": "want a URL", "http://%zz": "cannot be read",
	} {
		_, err := New(file, Options{URL: url, Bucket: "b", Token: "s3cret"})
		require.ErrorContains(t, err, want, url)
		assert.NotContains(t, err.Error(), "s3cret")
		assert.NotContains(t, err.Error(), "pw@")
	}
	for _, url := range []string{"https://tsdb.hall", "http://127.0.0.1:8428", "http://localhost:1", "http://[::1]:8086"} {
		assert.NoError(t, CheckURL(url, false))
	}
	assert.NoError(t, CheckURL("http://tsdb.hall:8428", true))
	_, err := New(file, Options{URL: "http://127.0.0.1:1"})
	require.ErrorContains(t, err, "bucket")

	// A certificate that nobody vouches for: kept, not sent; with its authority named it goes.
	s := newFaultServer(t)
	secure := httptest.NewTLSServer(s.Config.Handler)
	defer secure.Close()
	fillTrial(t, file, 2)
	ctx, stop := context.WithCancel(t.Context())
	f, _ := newForwarder(t, file, secure.URL, func(o *Options) {
		o.wait = func(ctx context.Context, _ time.Duration) error { stop(); return ctx.Err() }
	})
	require.ErrorIs(t, f.Run(ctx), context.Canceled)
	assert.Contains(t, f.Status().LastError, "certificate")
	assert.Empty(t, s.tried)
	ca := filepath.Join(t.TempDir(), "ca.pem")
	require.NoError(t, os.WriteFile(ca, pemOf(secure.Certificate().Raw), 0o600))
	f, _ = newForwarder(t, file, secure.URL, func(o *Options) { o.CAFile = ca })
	require.NoError(t, f.Drain(t.Context()))
	assert.NotEmpty(t, s.lines())
}

func TestReadToken(t *testing.T) {
	t.Setenv(TokenVariable, "from the environment")
	got, err := ReadToken("")
	require.NoError(t, err)
	assert.Equal(t, "from the environment", got)
	path := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(path, []byte("abc\n"), 0o600))
	got, err = ReadToken(path)
	require.NoError(t, err)
	assert.Equal(t, "abc", got)
	for _, text := range []string{"", "\n", "a\nb"} {
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		_, err = ReadToken(path)
		assert.ErrorContains(t, err, "one line")
	}
}

// A slow server holds up neither the recorder nor anything but its own sender.
func TestSlowServerDoesNotHoldUpRecording(t *testing.T) {
	file := newTrial(t)
	fillTrial(t, file, 5)
	release := make(chan struct{})
	s := newFaultServer(t)
	s.always = func(http.ResponseWriter, string) bool { <-release; return false }
	f, _ := newForwarder(t, file, s.URL, func(o *Options) { o.Timeout = time.Minute })
	done := make(chan error, 1)
	go func() { done <- f.Drain(t.Context()) }()
	require.Eventually(t, func() bool { s.mu.Lock(); defer s.mu.Unlock(); return len(s.tried) == 1 }, 5*time.Second, time.Millisecond)
	for n := 6; n < 50; n++ { // commits while the request hangs
		require.NoError(t, file.AppendPicks(1, somePicks("left", n, n), nil))
	}
	select {
	case err := <-done:
		t.Fatal("the request should hang still", err)
	default:
	}
	close(release)
	require.NoError(t, <-done)
	assert.Equal(t, outboxLines(t, file), s.lines())
}

// A disk that is full, or a file that is closed, ends the forwarder with an error.
func TestClosedFile(t *testing.T) {
	file := newTrial(t)
	fillTrial(t, file, 5)
	s := newFaultServer(t)
	f, _ := newForwarder(t, file, s.URL, nil)
	require.NoError(t, file.Close())
	err := f.Run(t.Context())
	require.Error(t, err)
	assert.False(t, errors.Is(err, ErrStopped))
}

func FuzzLines(f *testing.F) {
	f.Add("a, b=c\\", "x\ny", 1.5)
	f.Fuzz(func(t *testing.T, rig, station string, v float64) {
		b := &builder{labels: Labels{rig, "t"}, anchor: anchor, latest: map[string]int64{}, perMS: 1}
		b.event(pick.Event{TS: 1, Kind: pick.Dip, Station: station, Pick: 3})
		b.add(soakMeasurement, []string{"station", station}, []field{{"v", v}}, 7)
		text := strings.TrimSuffix(string(b.text), "\n")
		require.Equal(t, b.lines, strings.Count(string(b.text), "\n"))
		for line := range strings.SplitSeq(text, "\n") {
			p, err := parse(line)
			require.NoError(t, err)
			want := map[string]string{"rig": tag(rig), "trial": "t", "station": tag(station)}
			name := soakMeasurement
			if strings.HasPrefix(line, eventMeasurement) {
				name, want["kind"] = eventMeasurement, "dip"
			}
			require.Equal(t, seriesKey(name, want), p.series, line)
		}
		require.False(t, bytes.Contains(b.text, []byte("NaN")))
	})
}
