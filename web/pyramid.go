package web

import (
	"iter"
	"math"
	"slices"
	"sync"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/compare"
)

// A pyramid is a whole trial, coarse enough to draw at once: of every channel the least and
// the greatest count of stretches of scans, and where in the file each stretch begins, to
// read it again when somebody looks closer. Its memory is bounded whatever the length of the
// trial: stretches double when there are too many. It may be used from several goroutines.
type pyramid struct {
	mu     sync.RWMutex
	groups []*stretches
	line   *compare.Line // what the switched channels show of the line
	next   int64         // commit number of the next batch
	lastNS int64
	most   int // stretches of a group
}

// mostStretches is how many stretches of a group are kept, at most.
const mostStretches = 1 << 15

// stretches are those of one group.
type stretches struct {
	channels []sample.Channel
	gapNS    int64 // an interval above it breaks a line
	per      int   // scans in a full stretch
	from, to []int64
	seq      []int64 // commit number of the batch with its first scan
	scans    []int
	lo, hi   [][]int64 // by channel; sample.Missing where a stretch has no sample
}

func newPyramid(groups []sample.Group) *pyramid {
	p := &pyramid{next: 1, most: mostStretches, line: compare.NewLine(groups)}
	for _, g := range groups {
		s := &stretches{channels: g.Channels, per: 1, gapNS: 250e6, lo: make([][]int64, len(g.Channels)), hi: make([][]int64, len(g.Channels))}
		for i := range g.Channels {
			if x := g.Channels[i].SamplingS(); x > 0 {
				s.gapNS = max(s.gapNS, int64(5e9*x))
			}
		}
		p.groups = append(p.groups, s)
	}
	return p
}

// add takes the next batches, in the order of commits.
func (p *pyramid) add(batches ...sample.Batch) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, b := range batches {
		if n := len(b.T); n > 0 {
			p.groups[b.Group].add(b, p.next, p.most)
			p.lastNS = max(p.lastNS, b.T[n-1])
			p.line.Take(&b)
		}
		p.next++
	}
}

// read takes a whole file.
func (p *pyramid) read(batches iter.Seq2[sample.Batch, error]) error {
	for b, err := range batches {
		if err != nil {
			return err
		}
		p.add(b)
	}
	return nil
}

func (s *stretches) add(b sample.Batch, seq int64, most int) {
	for j := 0; j < len(b.T); {
		last := len(s.from) - 1
		if last < 0 || s.scans[last] >= s.per || b.T[j]-s.to[last] > s.gapNS {
			if last+1 == most {
				s.double()
				continue
			}
			s.from, s.to, s.seq, s.scans = append(s.from, b.T[j]), append(s.to, b.T[j]), append(s.seq, seq), append(s.scans, 0)
			for c := range s.lo {
				s.lo[c], s.hi[c] = append(s.lo[c], sample.Missing), append(s.hi[c], sample.Missing)
			}
			last++
		}
		end := j + 1
		for end < len(b.T) && end-j < s.per-s.scans[last] && b.T[end]-b.T[end-1] <= s.gapNS {
			end++
		}
		for c := range s.lo {
			lo, hi := rank(s.lo[c][last]), s.hi[c][last]
			for _, n := range b.Counts[c][j:end] {
				lo, hi = min(lo, rank(n)), max(hi, n) // Missing is below all counts
			}
			s.lo[c][last], s.hi[c][last] = count(lo), hi
		}
		s.to[last] = b.T[end-1]
		s.scans[last] += end - j
		j = end
	}
}

// rank orders counts as they are, but Missing, the least, behind all: a loop over it has no
// branches.
func rank(n int64) uint64 { return (uint64(n) ^ 1<<63) - 1 }

// count is the count of a rank.
func count(rank uint64) int64 { return int64((rank + 1) ^ 1<<63) }

// double makes one stretch of two.
func (s *stretches) double() {
	n := 0
	for i := 0; i < len(s.from); i += 2 {
		k := min(i+1, len(s.from)-1)
		s.from[n], s.to[n], s.seq[n] = s.from[i], s.to[k], s.seq[i]
		if k > i {
			s.scans[i] += s.scans[k]
		}
		s.scans[n] = s.scans[i]
		for c := range s.lo {
			s.lo[c][n], s.hi[c][n] = count(min(rank(s.lo[c][i]), rank(s.lo[c][k]))), max(s.hi[c][i], s.hi[c][k])
		}
		n++
	}
	s.from, s.to, s.seq, s.scans = s.from[:n], s.to[:n], s.seq[:n], s.scans[:n]
	for c := range s.lo {
		s.lo[c], s.hi[c] = s.lo[c][:n], s.hi[c][:n]
	}
	s.per *= 2
}

// between returns the stretches that touch a time.
func (s *stretches) between(fromNS, toNS int64) (i, j int) {
	i, _ = slices.BinarySearch(s.to, fromNS)
	j, _ = slices.BinarySearch(s.from, toNS+1)
	return i, max(i, j)
}

// A line is a channel to be drawn, in at most so many parts of equal time.
type line struct {
	channel  *sample.Channel
	group, c int

	parts    []part
	from, to int64
	gap      int64

	each []part // single samples, while there are no more than parts
	many bool
}

// A part is the samples of one part of a line.
type part struct {
	ns, last int64 // of its first and its last sample
	lo, hi   int64
}

func (l *line) take(ns, last, lo, hi int64) {
	if ns > l.to || last < l.from || lo == sample.Missing {
		return
	}
	if ns != last || len(l.each) == cap(l.each) {
		l.many = true
	}
	if !l.many {
		l.each = append(l.each, part{ns, last, lo, hi})
	}
	n := min(int(float64(max(ns, l.from)-l.from)/float64(l.to-l.from+1)*float64(len(l.parts))), len(l.parts)-1)
	if p := &l.parts[n]; p.last < p.ns { // nothing yet
		*p = part{ns, last, lo, hi}
	} else {
		p.last, p.lo, p.hi = last, min(p.lo, lo), max(p.hi, hi)
	}
}

// json returns the line, broken where samples are missing.
func (l *line) json() TraceJSON {
	t := TraceJSON{Channel: l.channel.Name, Unit: l.channel.Kind.Unit(), Exact: !l.many, TS: []analyze.Number{}, Lo: []analyze.Number{}, Hi: []analyze.Number{}}
	all := l.parts
	if !l.many {
		all = l.each
	}
	round := rounding(l.channel)
	before := int64(math.MaxInt64)
	for _, p := range all {
		if p.last < p.ns {
			continue
		}
		if before != math.MaxInt64 && p.ns-before > l.gap {
			nan := analyze.Number(math.NaN())
			t.TS, t.Lo, t.Hi = append(t.TS, nan), append(t.Lo, nan), append(t.Hi, nan)
		}
		before = p.last
		a, b := round(p.lo), round(p.hi)
		t.TS, t.Lo, t.Hi = append(t.TS, seconds(p.ns)), append(t.Lo, min(a, b)), append(t.Hi, max(a, b))
	}
	return t
}

func seconds(ns int64) analyze.Number { return analyze.Number(float64(ns) / 1e9) }

// rounding returns what turns counts of a channel into values to show, without the digits
// that floating point adds: to a hundredth of a count.
func rounding(c *sample.Channel) func(int64) analyze.Number {
	if c.Kind.Switched() {
		return func(n int64) analyze.Number {
			switch {
			case n == sample.Missing:
				return analyze.Number(math.NaN())
			case c.On(n):
				return 1
			}
			return 0
		}
	}
	scale := 1.0
	if s := math.Abs(c.Scale); s > 0 && !math.IsInf(s, 0) {
		scale = math.Pow(10, math.Ceil(-math.Log10(s))+2)
	}
	return func(n int64) analyze.Number { return analyze.Number(math.Round(c.Value(n)*scale) / scale) }
}

// draw returns channels between two times in at most so many points each. batches reads the
// file from behind a commit number on.
func (p *pyramid) draw(channels []channelAt, fromNS, toNS int64, points int, batches func(after int64) iter.Seq2[sample.Batch, error]) ([]TraceJSON, error) {
	p.mu.RLock()
	lines := make([]*line, len(channels))
	seq := int64(math.MaxInt64) // of the first batch to read
	var fine []*line
	for i, at := range channels {
		s := p.groups[at.group]
		l := &line{channel: &s.channels[at.channel], group: at.group, c: at.channel, parts: make([]part, points), from: fromNS, to: toNS, gap: s.gapNS, each: make([]part, 0, points)}
		for k := range l.parts {
			l.parts[k].last = -1
		}
		lines[i] = l
		lo, hi := s.between(fromNS, toNS)
		if hi == lo {
			continue
		}
		if hi-lo < min(points, p.most/4) && s.per > 1 {
			fine = append(fine, l)
			seq = min(seq, s.seq[lo])
			continue
		}
		for k := lo; k < hi; k++ {
			l.take(s.from[k], s.to[k], s.lo[at.channel][k], s.hi[at.channel][k])
		}
	}
	p.mu.RUnlock()
	if len(fine) > 0 {
		waits := map[int]bool{} // groups that have not passed the end
		for _, l := range fine {
			waits[l.group] = true
		}
		for b, err := range batches(seq - 1) {
			if err != nil {
				return nil, err
			}
			if len(b.T) == 0 {
				continue
			}
			if b.T[0] > toNS {
				if delete(waits, b.Group); len(waits) == 0 {
					break
				}
				continue
			}
			for _, l := range fine {
				if l.group != b.Group || b.T[len(b.T)-1] < fromNS {
					continue
				}
				for j, n := range b.Counts[l.c] {
					l.take(b.T[j], b.T[j], n, n)
				}
			}
		}
	}
	traces := make([]TraceJSON, len(lines))
	for i, l := range lines {
		traces[i] = l.json()
	}
	return traces, nil
}

// A channelAt is where a channel stands.
type channelAt struct{ group, channel int }

// seqAt returns the commit number of the last batch that every group has begun before a time:
// what is read from there on misses nothing of it.
func (p *pyramid) seqAt(ns int64) int64 {
	p.mu.RLock()
	defer p.mu.RUnlock()
	seq := p.next
	for _, s := range p.groups {
		if i, _ := slices.BinarySearch(s.to, ns); i < len(s.seq) {
			seq = min(seq, s.seq[i])
		}
	}
	return seq - 1
}

// lineNow returns what the switched channels have shown of the line so far.
func (p *pyramid) lineNow() *compare.Line {
	p.mu.RLock()
	defer p.mu.RUnlock()
	return p.line.Snapshot()
}

// endNS returns the latest stamp.
func (p *pyramid) endNS() int64 {
	p.mu.RLock()
	defer p.mu.RUnlock()
	return p.lastNS
}
