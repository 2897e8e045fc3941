package csvfile

import (
	"fmt"
	"math"
	"slices"
	"time"

	"griptrial/acquire/sample"
)

// file turns what was read into a File.
func (t *table) file() (*File, error) {
	if len(t.recordings) == 0 {
		return nil, fmt.Errorf("%s: no rows after the header", t.name)
	}
	f := &File{Name: t.name, AmbientKPa: t.o.AmbientKPa}
	if !math.IsNaN(f.AmbientKPa) {
		f.AmbientFrom = "given"
	}
	for _, r := range t.recordings {
		r.sort()
	}
	if t.clock {
		f.UTC = t.countFromEarliest()
	}
	channels := make([]sample.Channel, len(t.columns))
	for _, switched := range []bool{true, false} { // the ambient needs the release
		for i, c := range t.columns {
			if c.Kind.Switched() != switched {
				continue
			}
			ch, err := t.channel(i, f, channels)
			if err != nil {
				return nil, err
			}
			channels[i] = ch
		}
	}
	var all []int64 // intervals of all recordings
	bursts := 0
	for _, r := range t.recordings {
		intervals := r.intervals(-1)
		if len(t.recordings) > 1 {
			all = append(all, intervals...)
		}
		out := Recording{Group: r.group, EqualTimes: r.equal, Sampling: sampling(intervals), pieces: r.pieces}
		bursts += out.Sampling.Bursts
		own := slices.Clone(channels)
		for i := range own {
			own[i].IntervalS = out.Sampling.IntervalS
			if has := r.intervals(i); len(has) < len(intervals) {
				own[i].IntervalS = sortedMedian(has) / 1e9
			}
		}
		out.Groups = []sample.Group{{Name: t.name, Channels: own}}
		f.Recordings = append(f.Recordings, out)
	}
	f.Sampling = f.Recordings[0].Sampling
	if len(f.Recordings) > 1 {
		f.Sampling = sampling(all)
		f.Sampling.Bursts = bursts // each against the median of its recording
	}
	return f, nil
}

// channel returns what column i means, its interval aside; channels holds the switched
// ones by then. It sets the ambient of f where that comes from the recording.
func (t *table) channel(i int, f *File, channels []sample.Channel) (sample.Channel, error) {
	c := t.columns[i]
	nan := math.NaN()
	ch := sample.Channel{
		Name: c.Name, Kind: c.Kind, Station: t.o.Station,
		Scale: 1 / math.Pow10(c.places), OnAbove: nan, Accuracy: nan, IntervalS: nan, UpdateS: nan, LagS: nan,
	}
	sorted := t.sorted(i, nil)
	if c.Kind.Switched() {
		ch.Resolution = ch.Scale
		ch.OnAbove = c.OnAbove
		if math.IsNaN(ch.OnAbove) && len(sorted) > 0 {
			lo, hi := ch.Value(sorted[0]), ch.Value(sorted[len(sorted)-1])
			if lo == hi { // never changes: off at 0, else on
				hi, lo = lo, lo-2*math.Abs(lo)
			}
			ch.OnAbove = (lo + hi) / 2
		}
		return ch, nil
	}
	unit, err := c.unit(t.o.AmbientKPa)
	if err != nil {
		return ch, fmt.Errorf("%s: %s: %w", t.name, c.Name, err)
	}
	ch.Scale = unit.Times / (unit.Over * math.Pow10(c.places))
	ch.Resolution = ch.Scale * float64(smallestStep(sorted))
	if c.Kind != sample.Vacuum {
		return ch, nil
	}
	ch.At = c.At
	if ch.At == "" {
		ch.At = "cup"
	}
	if len(sorted) == 0 {
		return ch, fmt.Errorf("%s: %s: every cell is empty", t.name, c.Name)
	}
	if !t.o.EitherSide {
		if err := t.o.Sign.check(c.Name, reading(sorted, ch.Scale), t.o.AmbientKPa); err != nil {
			return ch, fmt.Errorf("%s: %w", t.name, err)
		}
	}
	switch t.o.Sign {
	case Negative:
		ch.Scale = -ch.Scale
	case Absolute:
		if math.IsNaN(f.AmbientKPa) {
			if f.AmbientKPa, err = t.ambient(i, ch.Scale, channels); err != nil {
				return ch, fmt.Errorf("%s: %w", t.name, err)
			}
			f.AmbientFrom = "recording"
		}
		ch.Offset, ch.Scale = f.AmbientKPa, -ch.Scale
	}
	return ch, nil
}

// sorted returns the counts of column i that are not missing, in order, of all scans that
// keep says yes to; nil keeps all.
func (t *table) sorted(i int, keep func(p *piece, scan int) bool) []int64 {
	n := 0
	for _, r := range t.recordings {
		for j := range r.pieces {
			n += len(r.pieces[j].t)
		}
	}
	v := make([]int64, 0, n)
	for _, r := range t.recordings {
		for j := range r.pieces {
			p := &r.pieces[j]
			for scan, n := range p.counts[i] {
				if n != sample.Missing && (keep == nil || keep(p, scan)) {
					v = append(v, n)
				}
			}
		}
	}
	slices.Sort(v)
	return v
}

// countFromEarliest makes the times of all recordings count from the earliest of them,
// which it returns.
func (t *table) countFromEarliest() time.Time {
	zero := t.recordings[0].pieces[0].t[0]
	for _, r := range t.recordings {
		zero = min(zero, r.pieces[0].t[0])
	}
	for _, r := range t.recordings {
		for _, p := range r.pieces {
			for i := range p.t {
				p.t[i] -= zero
			}
		}
	}
	return time.Unix(0, zero).UTC()
}

// sort orders the scans by time and leaves out those with the time of an earlier one.
func (r *recording) sort() {
	if r.ordered {
		return
	}
	var order []int
	for i := range r.pieces {
		for j := range r.pieces[i].t {
			order = append(order, i*scansPerBatch+j)
		}
	}
	at := func(i int) int64 { return r.pieces[i/scansPerBatch].t[i%scansPerBatch] }
	slices.SortStableFunc(order, func(a, b int) int {
		switch ta, tb := at(a), at(b); {
		case ta < tb:
			return -1
		case ta > tb:
			return 1
		}
		return 0
	})
	n := len(order)
	order = slices.CompactFunc(order, func(a, b int) bool { return at(a) == at(b) })
	r.equal = n - len(order)
	var pieces []piece
	for part := range slices.Chunk(order, scansPerBatch) {
		p := piece{t: make([]int64, len(part)), counts: make([][]int64, len(r.pieces[0].counts))}
		for i, from := range part {
			p.t[i] = at(from)
		}
		for c := range p.counts {
			p.counts[c] = make([]int64, len(part))
			for i, from := range part {
				p.counts[c][i] = r.pieces[from/scansPerBatch].counts[c][from%scansPerBatch]
			}
		}
		pieces = append(pieces, p)
	}
	r.pieces, r.ordered = pieces, true
}

// intervals returns the times in ns between scans that column i has samples of, or
// between all scans if i is -1.
func (r *recording) intervals(i int) []int64 {
	room := 0
	for _, p := range r.pieces {
		room += len(p.t)
	}
	v := make([]int64, 0, room)
	var last int64
	first := true
	for _, p := range r.pieces {
		for j, ns := range p.t {
			if i >= 0 && p.counts[i][j] == sample.Missing {
				continue
			}
			if !first {
				v = append(v, ns-last)
			}
			last, first = ns, false
		}
	}
	return v
}

// sampling describes intervals in ns, in their order in time. It sorts them.
func sampling(intervals []int64) Sampling {
	if len(intervals) == 0 {
		return Sampling{IntervalS: math.NaN(), LongestS: math.NaN()}
	}
	inTime := slices.Clone(intervals)
	middle := sortedMedian(intervals)
	s := Sampling{IntervalS: middle / 1e9, LongestS: float64(intervals[len(intervals)-1]) / 1e9}
	for i := 1; i < len(inTime); i++ {
		if float64(inTime[i]) < middle/5 && float64(inTime[i-1]) > 1.5*middle {
			s.Bursts++
		}
	}
	return s
}
