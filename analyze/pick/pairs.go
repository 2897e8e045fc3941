package pick

import (
	"cmp"
	"math"
	"slices"
)

// Pairs are the picks of two stations that belong together: indices into the two lists.
type Pairs struct {
	CycleS       float64  // of the runs together: median time between starts; NaN where it cannot be told
	Both         [][2]int // in the order of time
	OnlyA, OnlyB []int    // without a partner
}

// PairUp pairs picks a and b of two stations that ran side by side, each sorted by start.
// Two picks make a pair if they belong to one run and their starts lie less than half a
// cycle apart; the nearest pair first, one to one. A cycle is the median time between a
// station's neighbouring starts in the run, so that up to half of its picks may be missing.
// A pick whose start cannot be had has no partner.
func PairUp(a, b []Pick) Pairs {
	p := Pairs{CycleS: math.NaN()}
	type candidate struct {
		i, j  int
		apart float64
	}
	var near []candidate
	var cycles []float64
	for _, run := range runsOf(a, b) {
		c := cycleOf(run, a, b)
		if math.IsNaN(c) {
			continue
		}
		cycles = append(cycles, c)
		first := 0
		for i := range a {
			if a[i].Run != run || math.IsNaN(a[i].StartS) {
				continue
			}
			for first < len(b) && !(b[first].StartS > a[i].StartS-c/2) {
				first++
			}
			for j := first; j < len(b) && !(b[j].StartS >= a[i].StartS+c/2); j++ {
				if b[j].Run == run && !math.IsNaN(b[j].StartS) {
					near = append(near, candidate{i, j, math.Abs(a[i].StartS - b[j].StartS)})
				}
			}
		}
	}
	p.CycleS = medianOf(cycles)
	slices.SortFunc(near, func(x, y candidate) int {
		return cmp.Or(cmp.Compare(x.apart, y.apart), cmp.Compare(x.i, y.i), cmp.Compare(x.j, y.j))
	})
	tookA, tookB := make([]bool, len(a)), make([]bool, len(b))
	for _, c := range near {
		if !tookA[c.i] && !tookB[c.j] {
			tookA[c.i], tookB[c.j] = true, true
			p.Both = append(p.Both, [2]int{c.i, c.j})
		}
	}
	slices.SortFunc(p.Both, func(x, y [2]int) int { return cmp.Compare(x[0], y[0]) })
	p.OnlyA, p.OnlyB = without(tookA), without(tookB)
	return p
}

func without(took []bool) []int {
	var only []int
	for i, t := range took {
		if !t {
			only = append(only, i)
		}
	}
	return only
}

// runsOf returns the runs that both stations have, each once.
func runsOf(a, b []Pick) []int {
	in := map[int]int{}
	for bit, list := range [][]Pick{a, b} {
		for i := range list {
			in[list[i].Run] |= 1 << bit
		}
	}
	var runs []int
	for r, both := range in {
		if both == 3 {
			runs = append(runs, r)
		}
	}
	slices.Sort(runs)
	return runs
}

// cycleOf returns the median time between neighbouring starts of a run, of both stations;
// where each has one pick only, infinity: they are a pair.
func cycleOf(run int, lists ...[]Pick) float64 {
	var d []float64
	most := 0
	for _, list := range lists {
		last, n := math.NaN(), 0
		for i := range list {
			if list[i].Run != run || math.IsNaN(list[i].StartS) {
				continue
			}
			n++
			if x := list[i].StartS - last; x > 0 {
				d = append(d, x)
			}
			last = list[i].StartS
		}
		most = max(most, n)
	}
	if most == 1 {
		return math.Inf(1)
	}
	return medianOf(d)
}
