package pick

import (
	"math"

	"griptrial/acquire/sample"
	"griptrial/analyze"
)

// The phases of a pick's energy: approach from the start to contact, evacuate from there to
// sealed, hold to the release or the loss, release to the pick's end. A cut lies where one
// begins.
const (
	cutStart = iota
	cutContact
	cutSealed
	cutLetGo
	cutEnd
	cuts
)

// An energy is what a power or air channel drew during a pick, read at the cuts.
type energy struct {
	kind  sample.Kind
	cut   [cuts]cut
	sigma float64 // noise of the channel
}

// A cut is how far a channel had come at time t: what it had drawn, samples and gaps, and what it
// draws; missed is the variance of what it had drawn, for being read from samples.
type cut struct {
	t, total     float64
	draw, missed float64
	n, gaps      int
	done         bool
}

// cutAt has power and air channels read at time t, the start of a phase of p; not later
// than the time being judged, and as far back as the channel remembers.
func (k *Tracker) cutAt(p *cycle, which int, t float64) {
	if math.IsNaN(t) {
		return
	}
	n := 0
	for _, f := range k.follow {
		if f.ch.Kind == sample.Flow {
			continue
		}
		i := n
		n++
		k.mark(f, t, func(f *follower) {
			c := f.until(t, which == cutStart || which == cutLetGo)
			p.energy[i].sigma = f.noise.sigma()
			if which == cutContact && math.IsNaN(c.total) && p.energy[i].cut[which].done {
				return // a touch channel told it when it was fresh
			}
			p.energy[i].cut[which] = c
		})
	}
}

// fewestPower is how many samples of a power or air channel an energy needs.
const fewestPower = 5

// energies works out the energy of a pick and of its phases: electric, and that of the
// compressed air at the stated specific energy.
func (k *Tracker) energies(p *cycle) {
	p.EnergyJ = k.energyOf(p, "energy", cutStart, cutEnd)
	p.ApproachJ, p.EvacuateJ, p.HoldJ, p.ReleaseJ = analyze.None(), analyze.None(), analyze.None(), analyze.None()
	if p.late || math.IsNaN(p.sealT) || p.unseen || !p.sealed.ok() {
		return
	}
	from := cutStart
	if p.contact.ok() && p.contact.t > p.start.t {
		p.ApproachJ = k.energyOf(p, "energy, approach", cutStart, cutContact)
		from = cutContact
	}
	p.EvacuateJ = k.energyOf(p, "energy, evacuate", from, cutSealed)
	p.HoldJ = k.energyOf(p, "energy, hold", cutSealed, cutLetGo)
	p.ReleaseJ = k.energyOf(p, "energy, release", cutLetGo, cutEnd)
}

// energyOf returns the energy between two cuts.
func (k *Tracker) energyOf(p *cycle, name string, from, to int) analyze.Figure {
	if len(p.energy) == 0 || !p.start.ok() {
		return analyze.None()
	}
	s := k.spread()
	sum, counted := 0.0, false
	if missing := p.draws; missing != "" {
		for _, f := range k.follow {
			if f.ch.Kind == missing && (missing != sample.Air || !math.IsNaN(k.set.SpecificEnergyKWhM3)) {
				missing = ""
			}
		}
		switch missing {
		case sample.Air:
			return analyze.None(analyze.Warn(analyze.AirUnmeasured))
		case sample.Power:
			return analyze.None(analyze.Warn(analyze.PowerUnmeasured))
		}
	}
	n := 0
	for _, f := range k.follow {
		if f.ch.Kind == sample.Flow {
			continue
		}
		e := &p.energy[n]
		n++
		factor, rel := 1.0, 0.0
		if e.kind == sample.Air {
			// q L/min ANR over a second is q/60 L, of 1e-3 m³ each, at e kWh/m³ of 3.6e6 J.
			c := k.set.SpecificEnergyKWhM3
			if math.IsNaN(c) {
				continue
			}
			factor = c * 3.6e6 / 60 * 1e-3
			if u := k.set.SpecificEnergyU; u > 0 {
				rel = u / c
			}
		}
		a, b := e.cut[from], e.cut[to]
		if !a.done && b.done {
			return analyze.None() // there was no such phase
		}
		counted = true
		x := b.total - a.total
		switch got := b.n - a.n; {
		case !b.done || math.IsNaN(x) && b.gaps == a.gaps && got >= fewestPower:
			return analyze.None(analyze.Warn(analyze.ChannelTooLate))
		case b.gaps != a.gaps:
			return analyze.None(analyze.Warn(analyze.TouchedByGap))
		case got < fewestPower || math.IsNaN(x):
			return analyze.None(analyze.Warning{Code: analyze.PowerTooSparse, A: float64(got), B: fewestPower})
		}
		kind := string(e.kind)
		length, got := b.t-a.t, float64(b.n-a.n)
		sum += x * factor
		s.Normal(k.of("noise of ", kind), e.sigma*length/math.Sqrt(got)*factor)
		s.Normal(k.of("calibration of ", kind), f.ch.CalibrationU(x/length)*length*factor)
		if a := f.ch.Accuracy; a > 0 {
			s.Rect(k.of("limits of error of ", kind), a*length*factor)
		}
		// The trapezoid misses when between two samples the draw changed.
		s.Normal(k.of("sampling of ", kind), math.Sqrt(max(0, b.missed-a.missed))*factor)
		s.Normal("specific energy of the air", x*factor*rel)
		// The draw at a cut for the time by which the cut may be off. It changes with the supply:
		// there it is what the phase draws, if that is more.
		letGo := &p.released
		if p.dropped {
			letGo = &p.lostAt
		}
		for i, at := range [...]*instant{cutStart: &p.start, cutContact: &p.contact, cutSealed: &p.sealed, cutLetGo: letGo, cutEnd: &p.backIdle} {
			if i != from && i != to {
				continue
			}
			draw := math.Abs(e.cut[i].draw)
			if i == cutStart || i == cutLetGo {
				draw = max(draw, math.Abs(x)/length)
			}
			s.Normal(k.of("instant at an end of the phase, ", kind), draw*factor*at.err.U())
		}
	}
	if !counted {
		return analyze.None()
	}
	return k.figure(name, "J", sum, s)
}
