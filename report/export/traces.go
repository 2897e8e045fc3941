package export

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"griptrial/acquire/sample"
	"griptrial/store"
	"griptrial/store/forward"
)

// lateNS is how far the groups of a trial may be apart before one that lags is waited for
// no longer.
const lateNS = 5e9

// Traces writes the samples of a trial, one scan of one group a row, in order of time, and
// returns how many rows. A row has the cells of its group; those of other groups are empty,
// as is a count that is no measurement. With EveryNS a row sums up all scans of so long a
// time, counted from time zero; a time without scans has no row.
func Traces(ctx context.Context, w io.Writer, file *store.Trial, o Options) (n int64, err error) {
	t, err := newTraces(w, file, &o)
	if err != nil {
		return 0, err
	}
	seen := int64(0)
	for b, err := range file.Batches() {
		if err == nil {
			err = ctx.Err()
		}
		if err == nil {
			err = t.push(b)
		}
		if err != nil {
			return t.n, err
		}
		seen++
		o.told(seen)
		if t.past() {
			break
		}
	}
	if err := t.drain(math.MaxInt64); err != nil {
		return t.n, err
	}
	if err := t.endBin(); err != nil {
		return t.n, err
	}
	if t.rows == nil {
		return t.n, t.w.Flush()
	}
	return t.n, t.rows.close()
}

// A traced channel is one that was asked for.
type traced struct {
	channel *sample.Channel
	k       int // in its group
	at      int // first cell in a row
	flagger sample.Flagger
	bin     forward.Extent
}

type traces struct {
	w      *bufio.Writer // of lines
	o      *Options
	anchor int64 // ns since 1970
	groups []sample.Group
	of     [][]*traced // channels asked for, of each group
	rows   table       // nil for lines
	lines  *forward.Lines
	cells  []cell
	n      int64

	queue   [][]sample.Batch // of each group, not written yet
	first   []int            // scan of queue[g][0] that is next
	heardNS []int64          // latest stamp of each group
	heard   []bool
	bin     int64 // number of the bin that is filled
	scans   int64 // in it; 0: none is begun
}

func newTraces(w io.Writer, file *store.Trial, o *Options) (*traces, error) {
	h := file.Header()
	t := &traces{w: bufio.NewWriterSize(w, 1<<16), o: o, anchor: h.AnchorUTC.UnixNano(), groups: h.Groups, of: make([][]*traced, len(h.Groups)),
		queue: make([][]sample.Batch, len(h.Groups)), first: make([]int, len(h.Groups)), heardNS: make([]int64, len(h.Groups)), heard: make([]bool, len(h.Groups))}
	columns := []column{{"time_utc", "", instant}, {"t_s", "s", number}}
	if o.EveryNS > 0 {
		columns = append(columns, column{"scans", "", integer})
	} else {
		columns = append(columns, column{"half_width_s", "s", number}, column{"group", "", text})
	}
	var names []string
	var all []*traced
	for g := range h.Groups {
		for k := range h.Groups[g].Channels {
			c := &h.Groups[g].Channels[k]
			names = append(names, c.Name)
			if o.Channels != nil && !slices.Contains(o.Channels, c.Name) || o.Station != "" && c.Station != "" && c.Station != o.Station {
				continue
			}
			x := &traced{channel: c, k: k, at: len(columns), flagger: sample.Flagger{Limits: c.Limits}}
			t.of[g] = append(t.of[g], x)
			all = append(all, x)
			base, unit := c.Name+suffix(c), c.Kind.Unit()
			switch {
			case o.Counts:
				columns = append(columns, column{c.Name + "_count", "", integer})
			case o.EveryNS > 0:
				columns = append(columns, column{base + "_min", unit, number}, column{base + "_max", unit, number}, column{base + "_mean", unit, number})
			default:
				columns = append(columns, column{base, unit, number})
			}
		}
	}
	for _, c := range o.Channels {
		if !slices.Contains(names, c) {
			return nil, &InputError{fmt.Sprintf("the trial has no channel %q; it has %s", c, strings.Join(names, ", "))}
		}
	}
	if len(all) == 0 {
		return nil, &InputError{fmt.Sprintf("station %q has none of the channels asked for", o.Station)}
	}
	t.cells = make([]cell, len(columns))
	if o.Format == Lines {
		t.lines = forward.NewLines(forward.Labels{Rig: o.Rig, Trial: o.Trial}, h.AnchorUTC)
		return t, nil
	}
	var err error
	t.rows, err = newTable(w, o, columns, about(file, nil))
	return t, err
}

// push queues a batch and writes what no later one can come before.
func (t *traces) push(b sample.Batch) error {
	g := b.Group
	t.heard[g] = true
	if len(b.T) == 0 {
		t.heardNS[g] = max(t.heardNS[g], b.FaultNS)
	} else {
		t.heardNS[g] = max(t.heardNS[g], b.T[len(b.T)-1])
		if len(t.of[g]) > 0 {
			t.queue[g] = append(t.queue[g], b)
		}
	}
	latest, upto := int64(math.MinInt64), int64(math.MaxInt64)
	for g, heard := range t.heard {
		if heard {
			latest = max(latest, t.heardNS[g])
		}
	}
	for g, heard := range t.heard {
		if len(t.of[g]) == 0 {
			continue // it has no rows
		}
		if !heard {
			upto = min(upto, latest-lateNS)
		} else {
			upto = min(upto, max(t.heardNS[g], latest-lateNS))
		}
	}
	return t.drain(upto)
}

// past reports whether nothing that is asked for can come any more.
func (t *traces) past() bool {
	if !(t.o.ToS < math.Inf(1)) {
		return false
	}
	for g, heard := range t.heard {
		if !heard || float64(t.heardNS[g])/1e9 < t.o.ToS+lateNS/1e9 {
			return false
		}
	}
	return true
}

// drain writes the queued scans up to an instant, in order of time.
func (t *traces) drain(upto int64) error {
	for {
		g, at := -1, upto
		for i, q := range t.queue {
			if len(q) > 0 && q[0].T[t.first[i]] <= at && (g < 0 || q[0].T[t.first[i]] < at) {
				g, at = i, q[0].T[t.first[i]]
			}
		}
		if g < 0 {
			return nil
		}
		b, i := &t.queue[g][0], t.first[g]
		if err := t.scan(g, b, i); err != nil {
			return err
		}
		if t.first[g]++; t.first[g] == len(b.T) {
			t.queue[g][0] = sample.Batch{} // let go of it
			t.queue[g], t.first[g] = t.queue[g][1:], 0
		}
	}
}

func (t *traces) scan(g int, b *sample.Batch, i int) error {
	ns := b.T[i]
	wanted := t.o.within(float64(ns) / 1e9)
	if wanted && t.o.EveryNS > 0 {
		bin := ns / t.o.EveryNS
		if ns%t.o.EveryNS < 0 {
			bin--
		}
		if t.scans > 0 && bin != t.bin {
			if err := t.endBin(); err != nil {
				return err
			}
		}
		t.bin = bin
		t.scans++
	}
	if wanted && t.o.EveryNS == 0 {
		clear(t.cells)
		for i := range t.cells {
			t.cells[i].none = true
		}
		t.cells[0], t.cells[1], t.cells[2], t.cells[3] = utc(t.anchor+ns), num(float64(ns)/1e9), num(float64(b.Half[i])/1e9), word(t.groups[g].Name)
	}
	for _, x := range t.of[g] {
		count := b.Counts[x.k][i]
		v := math.NaN()
		switch {
		case x.flagger.Flag(ns, count) != "" || count == sample.Missing:
		case x.channel.Kind.Switched():
			v = map[bool]float64{true: 1}[x.channel.On(count)]
		default:
			v = x.channel.Value(count)
		}
		switch {
		case !wanted:
		case t.o.EveryNS > 0:
			x.bin.Add(v)
		case t.rows == nil:
			t.lines.Sample(x.channel, ns, v)
		case t.o.Counts:
			t.cells[x.at] = cell{i: count, none: count == sample.Missing}
		default:
			t.cells[x.at] = num(v)
		}
	}
	if !wanted || t.o.EveryNS > 0 {
		return nil
	}
	t.n++
	if t.rows == nil {
		return t.lines.Flush(t.w)
	}
	return t.rows.row(t.cells)
}

// endBin writes the bin that is filled.
func (t *traces) endBin() error {
	if t.scans == 0 {
		return nil
	}
	ns := t.bin * t.o.EveryNS
	t.cells[0], t.cells[1], t.cells[2] = utc(t.anchor+ns), num(float64(ns)/1e9), whole(t.scans)
	for g := range t.of {
		for _, x := range t.of[g] {
			least, most, mean := x.bin.Values()
			if t.rows == nil {
				t.lines.Extent(x.channel, ns, &x.bin)
			} else {
				t.cells[x.at], t.cells[x.at+1], t.cells[x.at+2] = num(least), num(most), num(mean)
			}
			x.bin = forward.Extent{}
		}
	}
	t.scans = 0
	t.n++
	if t.rows == nil {
		return t.lines.Flush(t.w)
	}
	return t.rows.row(t.cells)
}
