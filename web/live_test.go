package web

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze/pick"
	"griptrial/record"
)

// A recording is a simulated trial that is recorded as the test hands on its batches.
type recording struct {
	*client
	t       testing.TB
	f       *fixture
	source  *source
	rec     *record.Recorder
	live    *Live
	control *record.Control
	done    chan error
}

// newRecording begins to record, with an operator.
func newRecording(t testing.TB, f *fixture) *recording {
	t.Helper()
	file := f.create(t)
	r := &recording{t: t, f: f, source: f.source(), control: record.NewControl(), done: make(chan error, 1)}
	r.rec = f.recorder(t, file, r.source, record.NewOperatorPlan(f.trial))
	r.rec.Control = r.control
	live, err := NewLive(file, func() []BusJSON {
		return []BusJSON{{Name: "block", Kind: "modbus-tcp", Devices: []DeviceJSON{Device("left", 7, 0, 0, time.Millisecond, Causes{"timed out": 2})}}}
	})
	require.NoError(t, err)
	r.live = live
	r.rec.Heard, r.rec.Committed = live.Heard, live.Committed
	ctx, end := context.WithCancel(context.Background())
	r.client = newClient(t, Config{File: file, Live: live, Control: r.control, End: end})
	go live.Run()
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		err := r.rec.Run(ctx)
		live.End(err)
		r.done <- err
	}()
	t.Cleanup(func() {
		end()
		<-ended
		file.Close()
	})
	return r
}

// finish hands on all batches and waits until the recording has ended.
func (r *recording) finish() {
	close(r.source.step)
	require.NoError(r.t, <-r.done)
}

// give hands on n batches and waits until they have been committed and told.
func (r *recording) give(n int) {
	r.source.give(n)
	for {
		r.live.catalog.mu.RLock()
		known := len(r.live.catalog.heads)
		r.live.catalog.mu.RUnlock()
		if r.live.health().Scans == r.source.scans && r.live.state().Picks == known {
			return
		}
		time.Sleep(time.Millisecond)
	}
}

// awaitTap waits until somebody listens to a channel, or the recording has ended.
func (r *recording) awaitTap() {
	for {
		r.live.mu.Lock()
		n := len(r.live.taps)
		r.live.mu.Unlock()
		if n > 0 || r.live.over() {
			return
		}
		time.Sleep(time.Millisecond)
	}
}

// serve opens the recording's server on loopback.
func (r *recording) serve() (url string) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(r.t, err)
	_, r.server.port, _ = net.SplitHostPort(ln.Addr().String())
	ctx, stop := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- r.server.Serve(ctx, ln) }()
	r.t.Cleanup(func() {
		stop()
		assert.NoError(r.t, <-served)
	})
	return "http://" + ln.Addr().String() + prefix
}

// A heard is an event of the stream.
type heard struct {
	id, event, data string
}

// listen opens the stream and hands on its events until it ends or ctx does.
func (r *recording) listen(ctx context.Context, url, last string) <-chan heard {
	q, err := http.NewRequestWithContext(ctx, "GET", url+"/live", nil)
	require.NoError(r.t, err)
	if last != "" {
		q.Header.Set("Last-Event-ID", last)
	}
	res, err := http.DefaultClient.Do(q)
	require.NoError(r.t, err)
	require.Equal(r.t, 200, res.StatusCode)
	require.Equal(r.t, "text/event-stream", res.Header.Get("Content-Type"))
	out := make(chan heard, 100_000)
	go func() {
		defer close(out)
		defer res.Body.Close()
		h := heard{}
		for lines := bufio.NewReader(res.Body); ; {
			line, err := lines.ReadString('\n')
			if err != nil {
				return
			}
			switch field, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": "); field {
			case "id":
				h.id = value
			case "event":
				h.event = value
			case "data":
				h.data = value
			case "":
				if h.event != "" {
					out <- h
				}
				h = heard{}
			}
		}
	}()
	return out
}

// until collects events up to one of a kind.
func until(t testing.TB, in <-chan heard, stop func(heard) bool) (all []heard) {
	t.Helper()
	for {
		select {
		case h, ok := <-in:
			if !ok {
				return all
			}
			all = append(all, h)
			if stop(h) {
				return all
			}
		case <-time.After(30 * time.Second): // nothing is timed: this is for a test that hangs
			t.Fatal("the stream says nothing any more")
		}
	}
}

func is(event string) func(heard) bool { return func(h heard) bool { return h.event == event } }

// A pickSeen is what tests look at of a pick.
type pickSeen struct {
	Station     string
	N           int
	Provisional bool
	Spoiled     *string
	SealedAtS   *float64 `json:"sealed_at_s"`
}

// picksIn returns "station n" of the final picks among events.
func picksIn(all []heard) (names []string) {
	for _, h := range all {
		if h.event == "pick" {
			var p pickSeen
			json.Unmarshal([]byte(h.data), &p)
			names = append(names, fmt.Sprint(p.Station, " ", p.N))
		}
	}
	return names
}

func namesOf(picks []pick.Pick) (names []string) {
	for _, p := range picks {
		names = append(names, fmt.Sprint(p.Station, " ", p.N))
	}
	return names
}

// A viewer who is cut off again and again hears of every pick once, in the order in which
// they were stored; one who comes back long after, too, from the file; and one who begins
// anew from the beginning.
func TestViewerMissesNoPick(t *testing.T) {
	r := newRecording(t, simulated(t, 32))
	url := r.serve()
	require.NoError(t, r.control.StartRun(t.Context(), 0, ""))
	last, got := "", []string{}
	for len(r.f.batches) > 0 && len(got) < 12 {
		ctx, cut := context.WithCancel(t.Context())
		in := r.listen(ctx, url, last)
		first := until(t, in, is("state"))
		require.Len(t, first, 1, "the state comes first")
		r.source.give(60)
		part := until(t, in, is("pick"))
		cut()
		for _, h := range part {
			if h.id != "" {
				last = h.id
			}
		}
		got = append(got, picksIn(part)...)
		r.source.give(20) // while nobody listens
	}
	kept := last
	ctx, cut := context.WithCancel(t.Context())
	defer cut()
	in := r.listen(ctx, url, last)
	r.finish()
	all := until(t, in, is("end"))
	got = append(got, picksIn(all)...)
	stored, err := r.rec.File.Picks(1, "")
	require.NoError(t, err)
	assert.Equal(t, namesOf(stored), got)

	r.live.mu.Lock()
	r.live.recent = r.live.recent[len(r.live.recent)-2:] // the rest is in the file only
	r.live.mu.Unlock()
	late := until(t, r.listen(ctx, url, kept), is("end"))
	assert.Equal(t, picksIn(all), picksIn(late))
	again := until(t, r.listen(ctx, url, "0-0-0"), is("end"))
	assert.Equal(t, namesOf(stored), picksIn(again))
	events, err := r.rec.File.Events(1)
	require.NoError(t, err)
	n := 0
	for _, h := range again {
		if h.event == "event" {
			n++
		}
	}
	assert.Equal(t, len(events), n)
	assert.Empty(t, picksIn(until(t, r.listen(ctx, url, "9999-0-0"), is("end"))), "an id of another trial begins now")
}

// A pick is told provisionally before it is final, never after, and the final one says the
// same instants.
func TestProvisionalComesFirst(t *testing.T) {
	r := newRecording(t, simulated(t, 16))
	url := r.serve()
	in := r.listen(t.Context(), url, "")
	until(t, in, is("state"))
	for range 150 { // a batch at a time, as a bus does
		r.give(2)
	}
	r.finish()
	type key struct {
		station string
		n       int
	}
	final, soon := map[key]pickSeen{}, map[key]int{}
	for _, h := range until(t, in, is("end")) {
		var p pickSeen
		switch h.event {
		case "provisional":
			require.NoError(t, json.Unmarshal([]byte(h.data), &p))
			k := key{p.Station, p.N}
			assert.True(t, p.Provisional)
			assert.NotContains(t, final, k, "provisional after it was final")
			soon[k]++
		case "pick":
			require.NoError(t, json.Unmarshal([]byte(h.data), &p))
			assert.False(t, p.Provisional)
			final[key{p.Station, p.N}] = p
		}
	}
	assert.NotEmpty(t, soon)
	assert.NotEmpty(t, final)
}

// A viewer that reads nothing takes samples from itself alone: the recorder commits all and
// waits for nobody, twenty others hear every pick, and memory for the slow one is bounded.
func TestSlowViewerSlowsNobody(t *testing.T) {
	r := newRecording(t, simulated(t, 32))
	url := r.serve()
	slow, err := net.Dial("tcp", strings.TrimSuffix(strings.TrimPrefix(url, "http://"), prefix))
	require.NoError(t, err)
	defer slow.Close()
	slow.(*net.TCPConn).SetReadBuffer(1)
	fmt.Fprintf(slow, "GET %s/live HTTP/1.1\r\nHost: %s\r\n\r\n", prefix, slow.RemoteAddr())
	stalled, _, err := r.live.join() // one whose queue nobody empties at all
	require.NoError(t, err)

	var listening sync.WaitGroup
	heardOf := make([][]string, 20)
	for i := range heardOf {
		in := r.listen(t.Context(), url, "")
		until(t, in, is("state"))
		listening.Go(func() { heardOf[i] = picksIn(until(t, in, is("end"))) })
	}
	for range 4 * viewerQueue {
		r.live.send(message{event: "samples", data: []byte(strings.Repeat("x", 4096))})
	}
	r.finish()
	listening.Wait()
	stored, err := r.rec.File.Picks(1, "")
	require.NoError(t, err)
	for i, got := range heardOf {
		assert.Equal(t, namesOf(stored), got, "viewer %d", i)
	}
	assert.Len(t, stalled.queue, viewerQueue, "its queue is full and no longer")
	assert.GreaterOrEqual(t, r.live.missedBy(stalled), 3*viewerQueue)
	scans := 0
	for _, b := range r.f.batches {
		scans += len(b.T)
	}
	assert.Equal(t, scans, r.live.health().Scans, "the recorder has all")
}

// The recorder's calls return although nobody runs the live side, and what it keeps is bounded.
func TestHeardWaitsForNobody(t *testing.T) {
	f := simulated(t, 8)
	file := f.create(t)
	defer file.Close()
	l, err := NewLive(file, nil)
	require.NoError(t, err)
	for range mostHeard + 10 {
		l.Heard(f.batches[0])
		l.Committed(record.Progress{})
	}
	assert.Len(t, l.heard, mostHeard)
	assert.Equal(t, 10, l.left)
	go l.Run()
	l.End(nil)
	assert.True(t, l.over())
	assert.Equal(t, 10, l.health().SkippedBatches)
}

// A slow viewer is told that samples are missing, before the next.
func TestSkippedIsTold(t *testing.T) {
	r := newRecording(t, simulated(t, 8))
	v, _, err := r.live.join()
	require.NoError(t, err)
	r.live.mu.Lock()
	v.missed = 3
	r.live.mu.Unlock()
	w := &recorderWriter{}
	out := &sse{w: w, c: http.NewResponseController(w)}
	r.server.passOn(out, v, message{event: "samples", data: []byte("{}")})
	r.server.passOn(out, v, message{event: "samples", data: []byte("{}")})
	require.NoError(t, out.err)
	assert.Equal(t, "event: skipped\ndata: {\"messages\":3}\n\nevent: samples\ndata: {}\n\nevent: samples\ndata: {}\n\n", w.text.String())
}

// A recorderWriter is a connection that takes everything.
type recorderWriter struct{ text strings.Builder }

func (w *recorderWriter) Header() http.Header               { return http.Header{} }
func (w *recorderWriter) WriteHeader(int)                   {}
func (w *recorderWriter) Write(p []byte) (int, error)       { return w.text.Write(p) }
func (w *recorderWriter) Flush()                            {}
func (w *recorderWriter) SetWriteDeadline(time.Time) error  { return nil }
func (w *recorderWriter) SetReadDeadline(t time.Time) error { return nil }

// A run ends by itself when its planned picks have been made, also after one more for a spoiled
// one; a complete run that goes on does not.
func TestRunEndsByItself(t *testing.T) {
	r := newRecording(t, simulated(t, 32))
	c := r.client
	post := func(path, body string) {
		t.Helper()
		require.Equal(t, 200, c.do("POST", prefix+path, body).StatusCode, "%s %s", path, body)
	}
	first := func() RunJSON { return get[TrialJSON](c, "/trial").Runs[0] }
	// goOn hands on batches while run 1 is short of picks, and waits until it has ended.
	goOn := func() {
		t.Helper()
		for slices.Max(slices.Collect(maps.Values(first().Left))) > 0 {
			require.Equal(t, Running, first().Status)
			r.give(4)
		}
		require.Eventually(t, func() bool { return get[StateJSON](c, "/state").Run == 0 }, 10*time.Second, time.Millisecond)
	}
	var state StateJSON
	require.NoError(t, json.NewDecoder(c.do("POST", prefix+"/run/start", `{}`).Body).Decode(&state))
	assert.Equal(t, first().Picks, state.Stations[0].Left, "the answer knows the run")
	goOn()
	run := first()
	assert.Equal(t, Done, run.Status)
	for station, n := range run.Done {
		assert.GreaterOrEqual(t, n, run.Picks, station)
	}
	assert.Equal(t, 2, get[TrialJSON](c, "/trial").Next.Run)
	n := get[StateJSON](c, "/state").Stations[0].Final
	for get[StateJSON](c, "/state").Stations[0].Final < n+2 {
		r.give(4)
	}
	last := get[struct {
		Picks []struct{ N, Run int }
	}](c, "/picks?station=left&sort=order&descending=true&limit=1").Picks[0]
	assert.Greater(t, last.N, n)
	assert.Zero(t, last.Run, "made between two runs")

	// Spoil as many as it takes to be short of one.
	for i, spare := 1, run.Done["left"]-run.Picks; i <= spare+1; i++ {
		require.Equal(t, 200, c.do("PUT", fmt.Sprintf("%s/picks/left/%d/spoiled", prefix, i), `{"reason": "knocked"}`).StatusCode)
	}
	assert.Equal(t, Stopped, first().Status)
	assert.Equal(t, 1, first().Left["left"])
	post("/run/start", `{"run": 1}`)
	goOn()
	assert.Equal(t, Done, first().Status)

	made := first().Done["left"]
	post("/run/start", `{"run": 1}`) // more than planned
	for first().Done["left"] < made+2 {
		r.give(4)
	}
	assert.Equal(t, 1, get[StateJSON](c, "/state").Run, "somebody wants more of it")
	post("/run/stop", "")
}

// A whole trial by its operator: what is mounted next, runs begun and stopped, a count-down
// that a spoiled pick lengthens, notes.
func TestOperatorsTrial(t *testing.T) {
	r := newRecording(t, simulated(t, 32))
	c := r.client
	post := func(want int, path, body string) {
		t.Helper()
		res := c.do("POST", prefix+path, body)
		require.Equal(t, want, res.StatusCode, "%s %s", path, body)
	}
	trial := get[TrialJSON](c, "/trial")
	assert.True(t, trial.ByOperator)
	require.NotNil(t, trial.Next)
	assert.Equal(t, 1, trial.Next.Run)
	assert.NotEmpty(t, trial.Next.Mount)
	assert.Equal(t, Planned, trial.Runs[0].Status)
	state := get[StateJSON](c, "/state")
	assert.True(t, state.CanStart)
	assert.False(t, state.CanStop)

	post(200, "/run/start", `{"piece": "S-77"}`)
	trial = get[TrialJSON](c, "/trial")
	assert.Equal(t, Running, trial.Runs[0].Status)
	assert.Equal(t, "S-77", trial.Runs[0].Piece)
	assert.Equal(t, 2, trial.Next.Run)
	planned := trial.Runs[0].Picks
	assert.Equal(t, planned, trial.Runs[0].Left["left"])

	for get[StateJSON](c, "/state").Stations[0].Final < 2 {
		r.give(2)
	}
	left := func() int { return get[TrialJSON](c, "/trial").Runs[0].Left["left"] }
	before := left()
	require.Less(t, before, planned)
	res := c.do("PUT", prefix+"/picks/left/1/spoiled", `{"reason": "held by hand"}`)
	require.Equal(t, 200, res.StatusCode)
	assert.Equal(t, before+1, left(), "a spoiled pick is made again")
	assert.Equal(t, before+1, get[StateJSON](c, "/state").Stations[0].Left)

	post(201, "/notes", `{"text": "lip torn"}`)
	assert.Equal(t, 1, get[TrialJSON](c, "/trial").Notes[0].Run, "of the run in progress")
	post(200, "/run/stop", "")
	assert.Equal(t, Stopped, get[TrialJSON](c, "/trial").Runs[0].Status)
	post(409, "/run/stop", "")
	post(200, "/run/start", `{}`)
	second := get[StateJSON](c, "/state").Stations[0].Setup
	assert.Equal(t, trial.Runs[1].Setups["left"], second)
	post(200, "/run/stop", "")
	assert.Equal(t, second, get[StateJSON](c, "/state").Stations[0].Setup, "it is still mounted")
	post(200, "/run/start", `{"run": 1}`)
	r.finish()
	assert.Equal(t, trial.Runs[0].Setups["left"], get[StateJSON](c, "/state").Stations[0].Setup)
	trial = get[TrialJSON](c, "/trial")
	assert.Equal(t, Done, trial.Runs[0].Status)
	post(409, "/run/start", `{}`)

	// The mark is in every answer, and gone when it is taken back.
	marks := func() []string {
		s, err := r.server.comparable()
		require.NoError(t, err)
		var all []string
		for _, p := range s.Picks {
			if p.Spoiled != "" {
				all = append(all, fmt.Sprint(p.Station, " ", p.N, " ", p.Spoiled))
			}
		}
		return all
	}
	assert.Equal(t, []string{"left 1 held by hand"}, marks())
	require.Equal(t, 200, c.do("DELETE", prefix+"/picks/left/1/spoiled", "").StatusCode)
	assert.Empty(t, marks())
}
