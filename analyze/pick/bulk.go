package pick

import (
	"math"

	"griptrial/acquire/sample"
)

// quiet returns the index behind the last sample from the next one on, before end, about
// which nothing has to be decided: no sample of its window lies on the other side of a
// level that matters now.
func (k *Tracker) quiet(end int) int {
	r := &k.trace
	i := k.next
	if r.gapBefore(i) || math.IsNaN(k.lastMT) || k.careful {
		return i
	}
	for _, x := range k.later { // the sample behind the first that is due finds it
		end = min(end, r.upTo(x.due))
	}
	if end <= i {
		return i
	}
	lo, hi := math.Inf(-1), math.Inf(1) // lo ≤ vacuum < hi
	switch p := k.now; {
	case p == nil && k.has(sample.Supply):
	case p == nil:
		hi = math.Nextafter(k.reference()+k.set.IdleBandKPa, math.Inf(1))
	default:
		if p.asideOpen || p.lostOpen {
			return i
		}
		for _, w := range [...]*watch{&p.required, &p.dropping, &p.idling} {
			if !w.known {
				return i
			}
			if !w.held {
				end = min(end, r.after(w.since+k.set.PersistS-2e-9))
			}
			if w.above {
				lo = max(lo, w.level)
			} else {
				hi = min(hi, w.level)
			}
		}
		if end <= i {
			return i
		}
	}
	first, _ := r.window(i, k.half)
	_, last := r.window(end-1, k.half)
	v := r.v[first-r.base : last+1-r.base]
	g := r.gap[first-r.base : last+1-r.base]
	n := end
	for j := range v {
		if v[j] < lo || v[j] >= hi || g[j] && first+j >= i {
			at := first + j
			if g[j] && first+j > i { // the gap ends the windows before it
				n = min(n, at)
				if v[j] >= lo && v[j] < hi {
					break
				}
			}
			n = min(n, r.after(r.time(at)-k.half), at-1)
			break
		}
	}
	return max(n, i)
}

// bulk takes the quiet samples up to index end.
func (k *Tracker) bulk(end int) {
	r := &k.trace
	i := k.next
	switch p := k.now; {
	case p != nil && p.phase == holding:
		i = k.bulkHold(p, end)
		end = i
	case p != nil && (p.phase == approach || p.phase == lost):
		for ; i < end; i++ {
			p.flats.add(r, i, k.tol())
			if p.phase == lost && (p.lostOpen && !p.dropped || p.flats.length() >= openSuctionS) {
				break // for step to decide
			}
			k.hear(i)
		}
		end = i
	case p == nil && !k.has(sample.Supply):
		for ref := k.reference(); i < end; i++ {
			k.nearIdle(r.time(i), r.vacuum(i), ref, k.tol())
			k.hear(i)
		}
	}
	if end == k.next {
		k.judgeOne()
		return
	}
	for ; i < end; i++ {
		k.hear(i)
	}
	k.next = end
	k.lastMT = r.time(end - 1)
	k.lastM = r.median(end-1, k.half, &k.scratch)
}

// bulkHold adds samples to the hold. The running median is worked out only where it can
// lie under the lowest so far: where half of its window does. It returns the index that it has
// come to: end, unless something is to be found later, for which quiet has to look again.
func (k *Tracker) bulkHold(p *cycle, end int) int {
	r := &k.trace
	i := k.next
	later := len(k.later)
	for ; i < end && (p.shut || !p.begun); i++ {
		k.accumulate(p, i, r.time(i), r.median(i, k.half, &k.scratch))
		k.hear(i)
		if len(k.later) > later {
			return i + 1
		}
	}
	if i >= end {
		return end
	}
	s := &k.spans[0]
	first, _ := r.window(i, k.half)
	under := first - 1 // last sample seen under the lowest
	ahead := first - 1 // last sample looked at
	n := r.len()
	for ; i < end; i++ {
		t := r.time(i)
		for ahead+1 < n && (ahead < i+1 || r.time(ahead+1)-t <= k.half) && (ahead+1 <= i || !r.gapBefore(ahead+1)) {
			ahead++
			if r.vacuum(ahead) < s.lowest.v {
				under = ahead
			}
		}
		if under >= first && (under >= i-1 || t-r.time(under) <= k.half) {
			a, b := r.window(i, k.half)
			below := 0
			for j := a; j <= b; j++ {
				if r.vacuum(j) < s.lowest.v {
					below++
				}
			}
			if 2*below >= b-a+1 {
				k.low(s, i, lowest{v: r.median(i, k.half, &k.scratch), step: r.step(i, k.half, k.noise.sigma())})
			}
		}
		if s.add(t, r.vacuum(i)) {
			k.turn(p, i, s.blocks.lastT, s.blocks.lastV)
		}
		k.hear(i)
		if len(k.later) > later {
			return i + 1
		}
	}
	return end
}
