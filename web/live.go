package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

// How often viewers hear, and how much is kept for them.
const (
	samplesEvery = 40 * time.Millisecond
	stateEvery   = time.Second
	mostHeard    = 4096 // batches between two messages; more are left out of the stream
	mostPoints   = 24   // of a channel in one message
	viewerQueue  = 64   // messages that wait for a slow viewer
	recentKept   = 512  // picks and events from memory; older ones come from the file
	mostViewers  = 100
	faultsKept   = 50
)

// A Live is a recording as its viewers see it. The recorder calls Heard and Committed, which
// only put things down and never wait; a goroutine of its own, Run, tells the viewers.
type Live struct {
	file    *store.Trial
	groups  []sample.Group
	pyramid *pyramid
	catalog *catalog
	buses   func() []BusJSON // may be nil
	control *record.Control  // nil where no operator begins and ends the runs; set before Run

	mu        sync.Mutex
	heard     []sample.Batch
	committed []sample.Batch
	left      int // batches left out of the stream
	picks     []pick.Pick
	events    bool // some became final
	progress  record.Progress
	mounted   int // the last run that was begun or gone on with
	revision  int
	ended     bool
	err       error
	wake      chan struct{}

	viewers map[*viewer]bool
	skipped int // messages left out for slow viewers, of all

	recent []durable // the last of them, in order
	cursor store.Cursor
	taps   map[*tap]bool

	done  chan struct{} // closed when everything has been told
	rates []rate        // of the groups, for health
	falls []FaultJSON
}

// A durable is a pick or an event in the file, and how far a viewer has come who has it.
type durable struct {
	upto store.Cursor
	message
}

// A message is one event of the stream.
type message struct {
	event   string
	id      string
	data    []byte
	station string // of a pick, with its number there
	n       int
}

// A viewer is one who listens.
type viewer struct {
	queue  chan message
	notify chan struct{} // picks or events have been stored
	missed int           // messages left out since it last took one; guarded by Live.mu
}

// A tap collects the values of one channel for a while.
type tap struct {
	at       channelAt
	channel  *sample.Channel
	lengthNS int64
	flags    sample.Flagger
	first    int64 // stamp of its first sample; -1 before
	values   []float64
	full     chan struct{}
}

// A rate counts the scans of a group in the last seconds.
type rate struct {
	first, last int64 // stamps of the window
	n           int
}

// NewLive returns the live side of a recording into file, which holds nothing yet. buses, which
// may be nil, tells how reading goes; it is called from another goroutine.
func NewLive(file *store.Trial, buses func() []BusJSON) (*Live, error) {
	c, err := newCatalog(file)
	if err != nil {
		return nil, err
	}
	h := file.Header()
	return &Live{file: file, groups: h.Groups, pyramid: newPyramid(h.Groups), catalog: c, buses: buses, wake: make(chan struct{}, 1),
		viewers: map[*viewer]bool{}, taps: map[*tap]bool{}, done: make(chan struct{}), rates: make([]rate, len(h.Groups))}, nil
}

// Heard takes a batch as it comes.
func (l *Live) Heard(b sample.Batch) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.heard) >= mostHeard {
		l.left++
		return
	}
	l.heard = append(l.heard, b)
}

// Committed takes how far the recording has come.
func (l *Live) Committed(p record.Progress) {
	l.mu.Lock()
	l.committed = append(l.committed, p.Batches...)
	l.picks = append(l.picks, p.Judged.Picks...)
	l.events = l.events || len(p.Judged.Events) > 0
	if p.Run != l.progress.Run {
		l.revision++
	}
	if p.Run != 0 {
		l.mounted = p.Run
	}
	p.Batches, p.Judged = nil, record.Judged{}
	l.progress = p
	l.mu.Unlock()
	l.poke()
}

func (l *Live) poke() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// changed says that the run sheet, a note, a mark or the bench check is not what it was.
func (l *Live) changed() {
	l.mu.Lock()
	l.revision++
	l.mu.Unlock()
	l.poke()
}

// End says that the recording has ended, and waits until the viewers have been told.
func (l *Live) End(err error) {
	l.mu.Lock()
	l.ended = true
	if err != nil {
		l.err = err
	}
	l.revision++
	l.mu.Unlock()
	l.poke()
	<-l.done
}

// over reports whether the recording has ended and everything of it has been told.
func (l *Live) over() bool {
	select {
	case <-l.done:
		return true
	default:
		return false
	}
}

// Run tells the viewers until the recording has ended.
func (l *Live) Run() {
	defer close(l.done)
	samples, slow := time.NewTicker(samplesEvery), time.NewTicker(stateEvery)
	defer samples.Stop()
	defer slow.Stop()
	state, soon, known := "", map[string]string{}, 0
	short := 0 // the run in progress that still lacked picks when it was last looked at
	for {
		tick := false
		select {
		case <-samples.C:
		case <-slow.C:
			tick = true
		case <-l.wake:
		}
		l.mu.Lock()
		heard, committed, picks, events := l.heard, l.committed, l.picks, l.events
		l.heard, l.committed, l.picks, l.events = nil, nil, nil, false
		progress, ended, revision := l.progress, l.ended, l.revision
		l.mu.Unlock()

		if revision != known {
			known = revision
			if err := l.catalog.reload(); err != nil {
				l.failed(err)
			}
		}
		l.measure(heard)
		if len(heard) > 0 {
			l.send(message{event: "samples", data: encode(l.samples(heard))})
		}
		l.pyramid.add(committed...)
		stored := len(picks) > 0 || events
		if stored {
			l.catalog.add(picks)
			if err := l.remember(); err != nil {
				l.failed(err)
			}
		}
		soon = l.sendSoon(progress.Soon, soon)
		now := l.state()
		same := now
		same.TS, same.Viewers = 0, 0
		if text := string(encode(same)); tick || text != state {
			state = text
			l.send(message{event: "state", data: encode(now)})
		}
		left := 0
		for _, s := range now.Stations {
			left += s.Left
		}
		switch {
		case left > 0 || now.Run == 0:
			short = now.Run
		case short == now.Run: // one that was complete when it went on is not ended again
			short = 0
			go l.endRun(now.Run)
		}
		if tick {
			l.send(message{event: "health", data: encode(l.health())})
		}
		if stored {
			l.mu.Lock()
			for v := range l.viewers {
				v.told()
			}
			l.mu.Unlock()
		}
		if ended {
			l.mu.Lock()
			more := len(l.heard)+len(l.committed)+len(l.picks) > 0 || l.events
			if !more {
				for t := range l.taps {
					close(t.full)
				}
				l.taps = nil
			}
			l.mu.Unlock()
			if !more {
				return
			}
			l.poke()
		}
	}
}

// endRun ends a run whose planned picks have been made, unless somebody was quicker.
func (l *Live) endRun(n int) {
	if l.control == nil {
		return
	}
	if err := l.control.StopRun(context.Background(), n); err != nil && !errors.Is(err, record.ErrNotNow) && !errors.Is(err, record.ErrOver) {
		l.failed(err)
	}
}

// failed keeps the first error of reading back what was recorded; the recording goes on.
func (l *Live) failed(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err == nil {
		l.err = err
	}
}

func (v *viewer) told() {
	select {
	case v.notify <- struct{}{}:
	default:
	}
}

// send puts a message into every viewer's queue; where one is full it is left out for that one.
func (l *Live) send(m message) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for v := range l.viewers {
		select {
		case v.queue <- m:
		default:
			v.missed++
			l.skipped++
		}
	}
}

// sendSoon tells the picks that are not final, as far as they are not what was told before.
func (l *Live) sendSoon(soon []pick.Pick, before map[string]string) map[string]string {
	now := map[string]string{}
	for _, p := range soon {
		v := l.catalog.view(p)
		v.Provisional = true
		key, data := fmt.Sprint(p.Station, "\x00", p.N), encode(v)
		now[key] = string(data)
		if before[key] != now[key] {
			l.send(message{event: "provisional", data: data, station: p.Station, n: p.N})
		}
	}
	return now
}

// remember reads what has been stored since and keeps the last of it.
func (l *Live) remember() error {
	for {
		l.mu.Lock()
		cursor := l.cursor
		l.mu.Unlock()
		news, upto, err := l.read(cursor)
		if err != nil || len(news) == 0 {
			return err
		}
		l.mu.Lock()
		l.cursor = upto
		l.recent = append(l.recent, news...)
		if n := len(l.recent) - recentKept; n > 0 {
			l.recent = slices.Delete(l.recent, 0, n)
		}
		l.mu.Unlock()
	}
}

// read returns picks and events in the file behind a cursor, some hundred at most.
func (l *Live) read(after store.Cursor) (news []durable, upto store.Cursor, err error) {
	picks, events, _, upto, err := l.file.LiveRows(after, recentKept/2)
	if err != nil {
		return nil, after, err
	}
	at := after
	for _, p := range picks {
		at.Picks++ // while it is recorded a file has one analysis
		news = append(news, durable{at, message{event: "pick", data: encode(l.catalog.view(p)), station: p.Station, n: p.N}})
	}
	for _, e := range events {
		at.Events++
		news = append(news, durable{at, message{event: "event", data: encode(report.Event(e))}})
	}
	return news, upto, nil
}

// since returns what a viewer at a cursor has not heard of.
func (l *Live) since(after store.Cursor) ([]durable, error) {
	l.mu.Lock()
	if after.Picks >= l.cursor.Picks && after.Events >= l.cursor.Events {
		l.mu.Unlock()
		return nil, nil
	}
	if len(l.recent) > 0 {
		first := l.recent[0].upto
		if after.Picks >= first.Picks && after.Events >= first.Events {
			var news []durable
			for _, d := range l.recent {
				if d.event == "pick" && d.upto.Picks > after.Picks || d.event == "event" && d.upto.Events > after.Events {
					news = append(news, d)
				}
			}
			l.mu.Unlock()
			return news, nil
		}
	}
	l.mu.Unlock()
	news, _, err := l.read(after)
	return news, err
}

// join adds a viewer.
func (l *Live) join() (*viewer, store.Cursor, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.viewers) >= mostViewers {
		return nil, store.Cursor{}, problemf(503, "%d viewers are listening; close one", mostViewers)
	}
	v := &viewer{queue: make(chan message, viewerQueue), notify: make(chan struct{}, 1)}
	l.viewers[v] = true
	return v, l.cursor, nil
}

func (l *Live) leave(v *viewer) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.viewers, v)
}

// missedBy returns how many messages were left out for a viewer since it was last asked.
func (l *Live) missedBy(v *viewer) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	n := v.missed
	v.missed = 0
	return n
}

// state returns how the trial stands.
func (l *Live) state() StateJSON {
	l.mu.Lock()
	p, mounted, j := l.progress, l.mounted, StateJSON{Live: !l.ended, Finished: l.ended, Revision: l.revision, Viewers: len(l.viewers)}
	if l.err != nil {
		j.Failed = l.err.Error()
	}
	l.mu.Unlock()
	j.TS, j.Run, j.Runs = seconds(p.AtNS), p.Run, len(l.catalog.plan())
	if !j.Live {
		j.Run = 0
	}
	for _, n := range p.Done {
		j.Picks += n
	}
	j.Stations = l.catalog.stations(j.Run, mounted, p.Begun, p.Done)
	if l.catalog.byOperator && j.Live {
		j.CanStop = j.Run > 0
		j.CanStart = j.Run == 0 && j.Runs > 0
	}
	return j
}

// health returns how reading and storing go.
func (l *Live) health() HealthJSON {
	l.mu.Lock()
	p := l.progress
	j := HealthJSON{TS: seconds(p.AtNS), Scans: p.Scans, CommitS: analyze.Number(p.Took.Seconds()), QueuedBatches: p.Queued, Buses: []BusJSON{},
		Channels: []ChannelRateJSON{}, Faults: append([]FaultJSON{}, l.falls...), SkippedMessages: l.skipped, SkippedBatches: l.left}
	rates := slices.Clone(l.rates)
	l.mu.Unlock()
	latest := int64(0)
	for _, r := range rates {
		latest = max(latest, r.last)
	}
	for g := range l.groups {
		r := rates[g]
		measured, silent := math.NaN(), math.NaN()
		if r.n > 1 && r.last > r.first {
			measured = float64(r.n-1) / (float64(r.last-r.first) / 1e9)
		}
		if r.n > 0 {
			silent = float64(latest-r.last) / 1e9
		}
		for i := range l.groups[g].Channels {
			c := &l.groups[g].Channels[i]
			j.Channels = append(j.Channels, ChannelRateJSON{c.Name, analyze.Number(1 / c.IntervalS), analyze.Number(measured), analyze.Number(silent)})
		}
	}
	if l.buses != nil {
		j.Buses = l.buses()
	}
	return j
}

// listen collects the values of a channel for so long, at most for patience longer.
func (l *Live) listen(ctx context.Context, at channelAt, length, patience time.Duration) ([]float64, error) {
	c := &l.groups[at.group].Channels[at.channel]
	t := &tap{at: at, channel: c, lengthNS: int64(length), flags: sample.Flagger{Limits: c.Limits}, first: -1, full: make(chan struct{})}
	l.mu.Lock()
	if l.taps == nil {
		l.mu.Unlock()
		return nil, record.ErrOver
	}
	l.taps[t] = true
	l.mu.Unlock()
	timer := time.NewTimer(length + patience)
	defer timer.Stop()
	select {
	case <-t.full:
		return t.values, nil
	case <-timer.C:
	case <-ctx.Done():
	}
	l.mu.Lock()
	delete(l.taps, t)
	l.mu.Unlock() // nobody writes to it any more
	return t.values, ctx.Err()
}

func encode(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // the types are ours
	}
	return b
}

// samples returns the values of batches, thinned where there are many.
func (l *Live) samples(batches []sample.Batch) SamplesJSON {
	j := SamplesJSON{Channels: []SampleColumnsJSON{}}
	at := map[channelAt]int{}
	to := int64(0)
	for _, b := range batches {
		if n := len(b.T); n == 0 {
			continue
		} else {
			to = max(to, b.T[n-1])
		}
		for c, counts := range b.Counts {
			ch := &l.groups[b.Group].Channels[c]
			k, ok := at[channelAt{b.Group, c}]
			if !ok {
				k = len(j.Channels)
				at[channelAt{b.Group, c}] = k
				j.Channels = append(j.Channels, SampleColumnsJSON{Channel: ch.Name, TS: []analyze.Number{}, V: []analyze.Number{}})
			}
			x := &j.Channels[k]
			round := rounding(ch)
			for i, n := range counts {
				x.TS, x.V = append(x.TS, seconds(b.T[i])), append(x.V, round(n))
			}
		}
	}
	for k := range j.Channels {
		x := &j.Channels[k]
		x.TS, x.V = thin(x.TS, x.V, mostPoints)
	}
	j.ToS = seconds(to)
	return j
}

// thin keeps the first, the least, the greatest and the last of equal parts of a series, so
// that no more than n points stay.
func thin(ts, vs []analyze.Number, n int) ([]analyze.Number, []analyze.Number) {
	if len(ts) <= n {
		return ts, vs
	}
	t, v := make([]analyze.Number, 0, n), make([]analyze.Number, 0, n)
	for p := range n / 4 {
		i, j := p*len(ts)/(n/4), (p+1)*len(ts)/(n/4)
		lo, hi := i, i
		for k := i; k < j; k++ {
			if vs[k] < vs[lo] || math.IsNaN(float64(vs[lo])) {
				lo = k
			}
			if vs[k] > vs[hi] || math.IsNaN(float64(vs[hi])) {
				hi = k
			}
		}
		keep := []int{i, min(lo, hi), max(lo, hi), j - 1}
		for _, k := range slices.Compact(keep) {
			t, v = append(t, ts[k]), append(v, vs[k])
		}
	}
	return t, v
}

// measure lets rates, faults and taps hear batches.
func (l *Live) measure(batches []sample.Batch) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, b := range batches {
		if b.Fault != "" {
			l.falls = append([]FaultJSON{{seconds(b.FaultNS), l.groups[b.Group].Name, b.Fault}}, l.falls[:min(len(l.falls), faultsKept-1)]...)
		}
		if len(b.T) == 0 {
			continue
		}
		r := &l.rates[b.Group]
		last := b.T[len(b.T)-1]
		if r.n == 0 {
			r.first = b.T[0]
		}
		if last-r.first > 5e9 { // half of it counts on, so that the figure does not jump
			r.n /= 2
			r.first += (r.last - r.first) / 2
		}
		r.n += len(b.T)
		r.last = last
		for t := range l.taps {
			if t.at.group == b.Group && t.take(b) {
				close(t.full)
				delete(l.taps, t)
			}
		}
	}
}

// take collects the values of a batch and reports whether it has enough.
func (t *tap) take(b sample.Batch) bool {
	for i, n := range b.Counts[t.at.channel] {
		if t.first < 0 {
			t.first = b.T[i]
		}
		if b.T[i] > t.first+t.lengthNS {
			return true
		}
		if t.flags.Flag(b.T[i], n) != "" {
			n = sample.Missing
		}
		t.values = append(t.values, t.channel.Value(n))
	}
	return false
}

// Causes are how often polls failed, by why.
type Causes map[string]uint64

// Device returns the health of a device whose polls were answered so often; latenesses are 0
// where polls are not ours.
func Device(name string, answered uint64, median, p99, worst time.Duration, causes Causes) DeviceJSON {
	late := func(d time.Duration) analyze.Number {
		if worst == 0 {
			return analyze.Number(math.NaN())
		}
		return analyze.Number(d.Seconds())
	}
	j := DeviceJSON{Name: name, Answered: int(answered), Causes: map[string]int{}, LateP50S: late(median), LateP99S: late(p99), LateWorstS: late(worst)}
	for why, n := range causes {
		if n > 0 {
			j.Causes[why] = int(n)
			j.Failed += int(n)
		}
	}
	return j
}
