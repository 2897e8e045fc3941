package pick

import (
	"errors"
	"fmt"
	"math"

	"griptrial/acquire/sample"
)

// Settings say how the picks of one station are judged. The zero value of a number means
// its default; NaN means none.
type Settings struct {
	Station     string
	Group       string              // of a table of recordings, copied into its picks
	RequiredKPa func(n int) float64 // required vacuum of pick n, from 1

	DropLevelKPa float64 // NaN or 0: half the required vacuum
	SealLimitS   float64 // NaN or 0: none
	IdleBandKPa  float64 // default 3
	PersistS     float64 // default 0.02, at most 1
	SettleS      float64 // wait after the supply shut before leak-down is read; default 0.15

	SupplyOffHolds      bool
	SupplyBeforeContact bool
	HandHeld            bool
	RemoveIdleLevel     bool

	// Explain is called with the uncertainty budgets of every pick that becomes final; nil:
	// nobody asks.
	Explain func(Pick, []Budget)

	VolumeL             float64 // NaN or 0: not known
	VolumeUL            float64 // its standard uncertainty
	BlankLeakLminANR    float64 // the rig's own leak, taken from leak flows; NaN or 0: not known
	BlankLeakU          float64
	SpecificEnergyKWhM3 float64 // of compressed air; NaN or 0: air is not counted
	SpecificEnergyU     float64

	// Draws says what the engine of pick n draws, Air or Power, so that an energy is one that
	// was measured; "" where that is not known. Nil: it never is.
	Draws func(n int) sample.Kind
}

// A Gap is a stretch without vacuum samples, in seconds of the trial's time.
type Gap struct {
	FromS, ToS float64
	Cause      string // "" where samples were merely late
}

// A Tracker turns the batches of one station into picks. It may be fed in pieces of any
// size; memory is bounded whatever the length of the trial. It is not for concurrent use.
type Tracker struct {
	set   Settings
	vac   sample.Channel
	roles [][]role // by group and channel

	trace     trace
	near      trace // samples about a crossing, without spikes
	view      trace // the same, where there are none
	noise     noise
	vacPassed float64 // stamp of the last vacuum sample or fault
	fault     string  // cause of the fault since the last vacuum sample
	early     string  // of the one before the first
	gapLimit  float64
	lastGap   int     // index of the first sample after the last gap
	next      int     // index of the first sample not yet judged
	half      float64 // of the running median's window, s
	judging   float64 // time of the sample or edge being judged
	scratch   []float64
	times     []float64 // stamps of the batch in hand, s

	switches []*switched
	follow   []*follower
	passed   float64 // latest stamp of any channel

	// How the station stands at the time judged.
	supplyOn, releaseOn, touchOn, carriedOn bool
	supplyOff                               instant // last falling edge of supply
	touched                                 instant // last rising edge of touch
	idle                                    float64 // idle level last found, NaN before
	idleFrom                                float64 // samples before this are no idle ones
	lastM, lastMT                           float64 // running median of the sample before
	in                                      idleWatch

	now     *cycle // the pick in progress, nil between picks
	count   int
	spans   [3]span // of the hold: main, set aside, below the drop level
	pending []pending
	shut    blocks // of the leak-down
	cycling cycling
	later   []refinement

	closing []*cycle // ended, not yet final

	budgets []Budget // of the pick being finished

	careful bool         // judge every sample one by one: for the test that both ways agree
	inspect func(*cycle) // sees every pick that becomes final, in tests

	picks  []Pick
	events []Event
	gaps   []Gap
	idles  tally
}

// A role is what a channel is to a station; the zero role is none.
type role struct {
	sw  *switched
	fol *follower
	vac bool
}

// DefaultIdleBandKPa is the idle band where settings state none.
const DefaultIdleBandKPa = 3.0

// deadAfterS is how far a channel may stay behind the others, in seconds of trial time,
// before the rest go on without it.
const deadAfterS = 2

// holdStartS is the time after sealing from which the hold is read, in seconds.
const holdStartS = 0.05

// New returns a tracker for the station named in the settings, whose channels it finds in
// groups. There must be one vacuum channel; supply, release, touch and carried are used
// where they are, flow, power and air likewise. A channel without a station serves all.
func New(set Settings, groups []sample.Group) (*Tracker, error) {
	if set.RequiredKPa == nil {
		return nil, errors.New("no required vacuum")
	}
	def := func(v *float64, d float64) {
		if !(*v > 0) {
			*v = d
		}
	}
	def(&set.IdleBandKPa, DefaultIdleBandKPa)
	def(&set.PersistS, 0.02)
	def(&set.SettleS, 0.15)
	def(&set.SealLimitS, math.Inf(1))
	def(&set.VolumeL, math.NaN())
	def(&set.VolumeUL, 0)
	def(&set.BlankLeakLminANR, 0)
	def(&set.BlankLeakU, 0)
	def(&set.SpecificEnergyKWhM3, math.NaN())
	if set.PersistS > 1 {
		return nil, fmt.Errorf("persist %g s: at most 1 s is allowed", set.PersistS)
	}
	nan := math.NaN()
	k := &Tracker{set: set, roles: make([][]role, len(groups)), vacPassed: math.Inf(-1), passed: math.Inf(-1),
		supplyOff: noInstant(), touched: noInstant(), idle: nan, lastM: nan, lastMT: nan}
	n := 0
	for g := range groups {
		k.roles[g] = make([]role, len(groups[g].Channels))
		for c, ch := range groups[g].Channels {
			if ch.Station != "" && ch.Station != set.Station {
				continue
			}
			switch ch.Kind {
			case sample.Vacuum:
				n++
				k.vac = ch
				k.roles[g][c] = role{vac: true}
			case sample.Supply, sample.Release, sample.Touch, sample.Carried, sample.PartPresent:
				s := newSwitched(ch, &set)
				k.switches = append(k.switches, s)
				k.roles[g][c] = role{sw: s}
			case sample.Flow, sample.Power, sample.Air:
				f := newFollower(ch)
				k.follow = append(k.follow, f)
				k.roles[g][c] = role{fol: f}
			}
		}
	}
	if n != 1 {
		return nil, fmt.Errorf("station %q has %d vacuum channels; it needs one", set.Station, n)
	}
	if q := k.vac.Resolution; q > 0 {
		k.noise.floor = q / math.Sqrt(12)
	}
	k.gapLimit = gapLimit(k.vac)
	k.half = set.PersistS/2 + 1e-6 // stamps that are even on paper differ in their last bits
	k.supplyOn = !k.has(sample.Supply)
	k.idles.reset(k.binWidth())
	return k, nil
}

// gapLimit returns the interval above which samples of a channel are missing, in seconds.
func gapLimit(c sample.Channel) float64 {
	if s := c.SamplingS(); s > 0 {
		return max(5*s, 0.25)
	}
	return 0.25
}

// finestBin bounds the memory of histograms of channels with steps finer than that, kPa.
const finestBin = 0.002

func (k *Tracker) binWidth() float64 {
	if q := k.vac.Resolution; q > finestBin {
		return q
	}
	return finestBin
}

// interval returns the sampling interval of the vacuum channel in seconds.
func (k *Tracker) interval() float64 {
	if s := k.vac.SamplingS(); s > 0 {
		return s
	}
	return 0
}

func (k *Tracker) has(kind sample.Kind) bool {
	for _, s := range k.switches {
		if s.kind == kind {
			return true
		}
	}
	return false
}

// Push takes a batch. Batches of other groups are ignored.
func (k *Tracker) Push(b sample.Batch) {
	mine := false
	for c := range len(b.Counts) {
		r := k.roles[b.Group][c]
		if r == (role{}) {
			continue
		}
		if !mine {
			mine = true
			k.times = k.times[:0]
			for _, t := range b.T {
				k.times = append(k.times, seconds(t))
			}
		}
		switch {
		case r.vac:
			k.takeVacuum(b, b.Counts[c])
		case r.sw != nil:
			r.sw.take(b, k.times, b.Counts[c])
		default:
			r.fol.take(k.times, b.Counts[c])
		}
	}
	if b.Fault != "" {
		mine = k.takeFault(b)
	}
	if !mine {
		return
	}
	if n := len(b.T); n > 0 {
		k.passed = max(k.passed, seconds(b.T[n-1]))
	}
	k.advance(false)
}

// seconds converts a stamp.
func seconds(ns int64) float64 { return float64(ns) / 1e9 }

func (k *Tracker) takeVacuum(b sample.Batch, counts []int64) {
	offset, scale := k.vac.Offset, k.vac.Scale
	k.trace.grow(len(counts))
	for i, n := range counts {
		if n == sample.Missing {
			continue
		}
		t := k.times[i]
		gap := false
		if d := t - k.vacPassed; d > k.gapLimit || k.fault != "" {
			if k.trace.len() > 0 {
				gap = true
				k.lastGap = k.trace.len()
				k.gaps = append(k.gaps, Gap{FromS: k.trace.time(k.trace.len() - 1), ToS: t, Cause: k.fault})
			} else {
				k.early = k.fault
			}
			k.fault = ""
		}
		k.trace.append(t, offset+scale*float64(n), seconds(b.Half[i]), gap)
		k.vacPassed = t
	}
}

func (k *Tracker) takeFault(b sample.Batch) bool {
	mine := false
	for _, r := range k.roles[b.Group] {
		switch {
		case r.vac:
			k.fault = b.Fault
		case r.sw != nil:
			r.sw.fault = true
		case r.fol != nil:
		default:
			continue
		}
		mine = true
	}
	if mine {
		k.passed = max(k.passed, seconds(b.FaultNS))
	}
	return mine
}

// Finish ends the recording: what is in progress becomes final.
func (k *Tracker) Finish() {
	k.advance(true)
	k.finishCycle()
	k.settle(true)
}

// Take returns the picks, events and gaps that became final since the last call, picks and
// events in the order of time at the station.
func (k *Tracker) Take() ([]Pick, []Event, []Gap) {
	p, e, g := k.picks, k.events, k.gaps
	k.picks, k.events, k.gaps = nil, nil, nil
	return p, e, g
}

// IdleLevelKPa returns the median of the idle levels found so far, NaN before the first.
func (k *Tracker) IdleLevelKPa() float64 { return k.idles.median() }

// Picks returns how many picks have begun.
func (k *Tracker) Picks() int { return k.count }

// JudgedS returns the time up to which samples have been judged.
func (k *Tracker) JudgedS() float64 { return k.lastMT }

// frontier returns the time up to which every channel that decides has been heard. One
// that stays more than deadAfterS behind the latest stamp is not waited for.
func (k *Tracker) frontier() float64 {
	f := max(k.vacPassed, k.passed-deadAfterS)
	for _, s := range k.switches {
		if s.passed < k.passed-deadAfterS {
			f = min(f, k.passed-deadAfterS)
		} else {
			f = min(f, s.heard())
		}
	}
	return f
}

// advance judges what can be judged: edges and samples in the order of time.
func (k *Tracker) advance(final bool) {
	limit := k.frontier()
	if final {
		limit = math.Inf(1)
		for _, s := range k.switches {
			s.resolve(limit)
		}
	}
	for {
		s, e := k.nextEdge()
		edgeT := math.Inf(1)
		if s != nil && e.t <= limit {
			edgeT = e.t
		}
		if n := k.ready(edgeT, limit, final); n > k.next {
			k.judge(n)
			continue
		}
		if math.IsInf(edgeT, 1) || k.next < k.trace.len() && k.trace.time(k.next) < edgeT {
			break // an earlier sample waits for its median
		}
		s.edges = s.edges[1:]
		k.edge(s.kind, e)
	}
	judged := limit
	if k.next < k.trace.len() {
		judged = min(limit, k.trace.time(k.next))
	}
	for _, f := range k.follow {
		f.advance(judged)
	}
	k.settle(final)
	if k.next > k.trace.base {
		k.trace.forget(k.trace.time(k.next-1)-historyS, k.next)
	}
}

// historyS is how much of the past is kept: what the idle level, a window of the least
// squares and the longest persist need.
const historyS = 2 + 2*maxReach + 1

// ready returns the index behind the last sample before time edgeT that can be judged: its
// running median can no longer change and every earlier edge is known.
func (k *Tracker) ready(edgeT, limit float64, final bool) int {
	r := &k.trace
	n := r.len()
	if n == k.next {
		return n
	}
	if !final {
		m := min(r.upTo(min(limit, r.time(n-1)-k.half)), n-1)
		if k.lastGap > m { // a gap ends the windows before it
			m = min(k.lastGap, r.upTo(limit))
		}
		n = m
	}
	return min(n, r.after(edgeT))
}

func (k *Tracker) nextEdge() (*switched, edge) {
	var best *switched
	for _, s := range k.switches {
		if len(s.edges) > 0 && (best == nil || s.edges[0].t < best.edges[0].t) {
			best = s
		}
	}
	if best == nil {
		return nil, edge{}
	}
	return best, best.edges[0]
}

// judge takes samples up to index end, in bulk where nothing can happen.
func (k *Tracker) judge(end int) {
	for k.next < end {
		n := k.quiet(end)
		if n > k.next {
			k.bulk(n)
			continue
		}
		k.judgeOne()
	}
}

func (k *Tracker) judgeOne() {
	k.step(k.next)
	k.hear(k.next)
	k.next++
}

// hear lets the noise estimate take the triple that ends with sample i.
func (k *Tracker) hear(i int) {
	if !k.noise.next() {
		return
	}
	r := &k.trace
	j := i - r.base
	if j < 2 || r.gap[j] || r.gap[j-1] {
		return
	}
	k.noise.add(r.t[j-2], r.t[j-1], r.t[j], r.v[j-2], r.v[j-1], r.v[j])
}
