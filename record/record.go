package record

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"griptrial/acquire"
	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
	"griptrial/store"
)

// A Source gives the batches of one bus.
type Source interface {
	// Groups returns the groups that the batches count, from 0.
	Groups() []sample.Group
	// Run hands batches on until ctx ends; that end, told as an error or not, is none. A bus
	// that fails is none either.
	Run(ctx context.Context, emit func(sample.Batch)) error
}

// A punctual source tells how its devices kept their deadlines since it was last asked.
type punctual interface{ Polling() []acquire.Polling }

// A Recorder makes batches durable, then judges them, then makes the picks durable.
type Recorder struct {
	File     *store.Trial
	Sources  []Source
	Stations *Stations
	Plan     *Plan

	// CommitEvery is the longest that a batch waits to be made durable; 250 ms unless set.
	CommitEvery time.Duration
	// Committed is called from Run's goroutine after every commit; it may be nil.
	Committed func(Progress)
	// Heard is called from Run's goroutine with every batch as it comes, before it is durable
	// or judged; it may be nil. What it and Committed are given is not theirs to change, and
	// the recording waits for them: they must not wait for anything.
	Heard func(sample.Batch)
	// Control has an operator begin and end the runs; nil: they follow each other.
	Control *Control
	// Now reads the trial's clock and the wall clock of one instant. It lets the recorder keep
	// jumps of the wall clock and how devices kept their deadlines; nil: neither.
	Now func() (ns int64, wall time.Time)
	// PollingEvery is how often it keeps how deadlines were kept; a minute unless set.
	PollingEvery time.Duration
	// EndAfterPlan has Run return once every station has made its planned picks.
	EndAfterPlan bool
}

// A Progress says how far a recording has come. What is in it has been made durable.
type Progress struct {
	Judged  Judged         // what became final with this commit
	Soon    []pick.Pick    // picks that have sealed or ended and are not final yet; only where somebody has set Heard
	Batches []sample.Batch // what was committed
	Scans   int            // since the start
	Begun   []int          // picks begun at each station
	Done    []int          // picks final at each station
	Run     int            // the run in progress, from 1; 0 for none
	AtNS    int64          // latest stamp

	Took   time.Duration // by making the batches durable
	Queued int           // batches that came meanwhile and wait
}

// Groups returns the groups of all sources in one list, as batches in a trial file count
// them.
func Groups(sources []Source) []sample.Group {
	var g []sample.Group
	for _, s := range sources {
		g = append(g, s.Groups()...)
	}
	return g
}

// Run records until ctx ends, every source has ended, or the plan is done. What was read is
// in the file when it returns. A full disk or a damaged file ends it with an error.
func (r *Recorder) Run(ctx context.Context) error {
	every := r.CommitEvery
	if every == 0 {
		every = 250 * time.Millisecond
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()

	in := make(chan sample.Batch, 256)
	gone := make(chan struct{}) // nobody takes batches any more
	errs := make([]error, len(r.Sources))
	var running sync.WaitGroup
	first := 0
	for i, s := range r.Sources {
		offset := first
		first += len(s.Groups())
		running.Go(func() {
			errs[i] = s.Run(ctx, func(b sample.Batch) {
				b.Group += offset
				select {
				case in <- b:
				case <-gone:
				}
			})
			if ctx.Err() != nil && errors.Is(errs[i], ctx.Err()) {
				errs[i] = nil
			}
		})
	}
	go func() {
		running.Wait()
		close(in)
	}()

	tick := time.NewTicker(every)
	defer tick.Stop()
	l := loop{Recorder: r, done: make([]int, len(r.Stations.names)), queued: func() int { return len(in) }}
	l.anchor.UnixNS = r.File.Header().AnchorUTC.UnixNano()
	var err error
	var asked chan func(*loop) error // nil where nobody may ask
	if r.Control != nil {
		asked = r.Control.asked
		defer close(r.Control.over)
	} else {
		err = l.startRun(0)
	}
	var pending []sample.Batch
	take := func(b sample.Batch) {
		pending = append(pending, b)
		if r.Heard != nil {
			r.Heard(b)
		}
	}
	for open := true; open && err == nil; {
		select {
		case b, ok := <-in:
			if open = ok; ok {
				take(b)
			}
			if ok && len(pending) < cap(in) {
				continue
			}
		case <-tick.C:
		case f := <-asked:
			for range len(in) { // what came before the operator's word belongs to before
				if b, ok := <-in; ok {
					take(b)
				}
			}
			if err = l.commit(pending); err == nil {
				pending = pending[:0:0]
				err = f(&l)
			}
			continue
		}
		if err = l.watch(!open); err != nil {
			break
		}
		if err = l.commit(pending); err == nil {
			pending = pending[:0:0]
			if r.EndAfterPlan && l.planDone() {
				stop()
			}
		}
	}
	stop()
	close(gone)
	running.Wait()
	if err == nil {
		r.Stations.Finish()
		if err = l.judged(nil); err == nil {
			err = r.File.Finish(1)
		}
	}
	for i, e := range errs {
		if e != nil && err == nil {
			err = fmt.Errorf("source %d: %w", i+1, e)
		}
	}
	return err
}

// loop is the state of one recording.
type loop struct {
	*Recorder
	done  []int
	scans int
	at    int64
	run   int

	took   time.Duration
	queued func() int

	anchor  store.Anchor // the last one
	askedNS int64        // when sources were last asked how they kept their deadlines
}

// jumpNS is by how much the wall clock must be off the last anchor to be anchored again. The
// system slews smaller errors, and the trial's clock with it.
const jumpNS = 100e6

// watch keeps a jump of the wall clock, and every so often, or where last is set, how the
// devices kept their deadlines.
func (l *loop) watch(last bool) error {
	if l.Now == nil {
		return nil
	}
	var e store.Entry
	ns, wall := l.Now()
	off := (wall.UnixNano() - l.anchor.UnixNS) - (ns - l.anchor.TNS)
	if off > jumpNS || off < -jumpNS {
		why := "the wall clock went ahead"
		if off < 0 {
			why = "the wall clock went back"
		}
		l.anchor = store.Anchor{TNS: ns, UnixNS: wall.UnixNano(), Why: why}
		e.Clock = []store.Anchor{l.anchor}
	}
	every := l.PollingEvery
	if every == 0 {
		every = time.Minute
	}
	if last || ns-l.askedNS >= int64(every) {
		for _, s := range l.Sources {
			if s, ok := s.(punctual); ok {
				for _, p := range s.Polling() {
					e.Lateness = append(e.Lateness, lateness(p, l.askedNS, ns))
				}
			}
		}
		l.askedNS = ns
	}
	if e.Clock == nil && e.Lateness == nil {
		return nil
	}
	return l.File.Commit(e)
}

func lateness(p acquire.Polling, fromNS, toNS int64) store.Lateness {
	x := store.Lateness{FromNS: fromNS, ToNS: toNS, Bus: p.Bus, Device: p.Device,
		Polls: int64(p.Polls), Merged: int64(p.Merged), Errors: int64(p.Errors),
		P50S: p.Median.Seconds(), P99S: p.P99.Seconds(), MaxS: p.Worst.Seconds()}
	if p.Polls == 0 {
		x.P50S, x.P99S, x.MaxS = math.NaN(), math.NaN(), math.NaN()
	}
	return x
}

func (l *loop) commit(b []sample.Batch) error {
	if len(b) == 0 {
		return nil
	}
	began := time.Now()
	if err := l.File.Append(b); err != nil {
		return err
	}
	l.took = time.Since(began)
	for _, x := range b {
		l.scans += len(x.T)
		if n := len(x.T); n > 0 {
			l.at = max(l.at, x.T[n-1])
		}
		l.Stations.Push(x)
	}
	return l.judged(b)
}

// judged stores what became final, and only then tells it.
func (l *loop) judged(b []sample.Batch) error {
	j := l.Stations.Take()
	if len(j.Picks)+len(j.Events) > 0 {
		if err := l.File.AppendPicks(1, j.Picks, j.Events); err != nil {
			return err
		}
	}
	// A run begins where the last pick of the one before ended, however much was committed since.
	ended := slices.SortedStableFunc(slices.Values(j.Picks), func(a, b pick.Pick) int { return cmp.Compare(a.EndS, b.EndS) })
	for _, p := range ended {
		l.done[slices.Index(l.Stations.names, p.Station)]++
		for l.Control == nil && l.Plan != nil && l.run < l.Plan.Runs() && l.reached(l.run) {
			if err := l.startRun(endNS(p, l.at)); err != nil {
				return err
			}
		}
	}
	l.tell(j, b)
	return nil
}

// endNS returns the end of a pick on the clock of stamps, atNS where it is not known.
func endNS(p pick.Pick, atNS int64) int64 {
	if math.IsNaN(p.EndS) {
		return atNS
	}
	return min(atNS, int64(math.Round(p.EndS*1e9)))
}

// tell lets others know how far the recording has come.
func (l *loop) tell(j Judged, b []sample.Batch) {
	if l.Committed == nil {
		return
	}
	run := l.run
	if l.Control != nil {
		run = l.Plan.run
	}
	var soon []pick.Pick
	if l.Heard != nil {
		soon = l.Stations.Provisional()
	}
	l.Committed(Progress{Judged: j, Soon: soon, Batches: b, Scans: l.scans, Begun: l.Stations.Begun(),
		Done: slices.Clone(l.done), Run: run, AtNS: l.at, Took: l.took, Queued: l.queued()})
}

// reached reports whether every station has made its picks up to the end of run r.
func (l *loop) reached(r int) bool {
	for i, name := range l.Stations.names {
		if l.done[i] < l.Plan.Picks(name, r) {
			return false
		}
	}
	return true
}

func (l *loop) planDone() bool {
	return l.Control == nil && l.Plan != nil && l.Plan.Runs() > 0 && l.reached(l.Plan.Runs())
}

// startRun notes that the next run has begun at ns.
func (l *loop) startRun(ns int64) error {
	if l.Plan == nil || l.Plan.Runs() == 0 {
		return nil
	}
	return l.beginRun(ns, "")
}
