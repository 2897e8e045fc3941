package pick

import (
	"math"
	"math/rand/v2"

	"griptrial/acquire/sample"
)

// A bench makes batches of one group for tests: signals as functions of time.
type bench struct {
	intervalS float64
	noiseKPa  float64
	stepKPa   float64 // resolution
	seed      uint64
	vacuum    func(t float64) float64
	switches  map[sample.Kind]func(t float64) bool
	follow    map[sample.Kind]func(t float64) float64
	skip      func(t float64) bool // samples that are not had
	batch     int                  // scans a batch, 0: 50
}

var nan = math.NaN()

func (b bench) groups() []sample.Group {
	chs := []sample.Channel{{Name: "vacuum", Kind: sample.Vacuum, Scale: b.stepKPa, Resolution: b.stepKPa,
		Accuracy: nan, IntervalS: b.intervalS, UpdateS: nan, LagS: nan}}
	for _, k := range sample.Kinds {
		if b.switches[k] != nil {
			chs = append(chs, sample.Channel{Name: string(k), Kind: k, Scale: 1, OnAbove: 0.5, IntervalS: b.intervalS,
				UpdateS: nan, LagS: nan})
		}
		if b.follow[k] != nil {
			chs = append(chs, sample.Channel{Name: string(k), Kind: k, Scale: 1e-4, Resolution: 1e-4, Accuracy: nan,
				IntervalS: b.intervalS, UpdateS: nan, LagS: nan})
		}
	}
	return []sample.Group{{Name: "bench", Channels: chs}}
}

// run calls emit with batches from time from to time to.
func (b bench) run(from, to float64, emit func(sample.Batch)) {
	rng := rand.New(rand.NewPCG(b.seed, 1))
	g := b.groups()[0]
	size := b.batch
	if size == 0 {
		size = 50
	}
	var out sample.Batch
	flush := func() {
		if len(out.T) > 0 {
			emit(out)
		}
		out = sample.Batch{Counts: make([][]int64, len(g.Channels))}
	}
	flush()
	for i := 0; ; i++ {
		ns := int64(math.Round((from + float64(i)*b.intervalS) * 1e9))
		t := float64(ns) / 1e9
		if t > to {
			break
		}
		if b.skip != nil && b.skip(t) {
			continue
		}
		out.T = append(out.T, ns)
		out.Half = append(out.Half, 0)
		for c, ch := range g.Channels {
			var n int64
			switch {
			case ch.Kind == sample.Vacuum:
				n = int64(math.Round((b.vacuum(t) + b.noiseKPa*rng.NormFloat64()) / ch.Scale))
			case ch.Kind.Switched():
				if b.switches[ch.Kind](t) {
					n = 1
				}
			default:
				n = int64(math.Round(b.follow[ch.Kind](t) / ch.Scale))
			}
			out.Counts[c] = append(out.Counts[c], n)
		}
		if len(out.T) == size {
			flush()
		}
	}
	flush()
}

// picks judges the bench from time from to time to.
func (b bench) picks(set Settings, from, to float64) ([]Pick, []Event, []Gap) {
	k, err := New(set, b.groups())
	if err != nil {
		panic(err)
	}
	b.run(from, to, k.Push)
	k.Finish()
	return k.Take()
}

func require30(int) float64 { return 30 }

// between is a switch that is on from a to b.
func between(a, b float64) func(float64) bool {
	return func(t float64) bool { return t >= a && t < b }
}

// A shape is a piecewise vacuum: each piece heads for a level with a time constant, from
// where the piece before has come to.
type piece struct{ from, to, tau float64 }

func shape(p ...piece) func(float64) float64 {
	return func(t float64) float64 {
		v, last := 0.0, p[0].from
		level, tau := 0.0, 1.0
		for _, x := range p {
			if t < x.from {
				break
			}
			v = level + (v-level)*math.Exp(-(x.from-last)/tau)
			level, tau, last = x.to, x.tau, x.from
		}
		if t < p[0].from {
			return 0
		}
		return level + (v-level)*math.Exp(-(t-last)/tau)
	}
}
