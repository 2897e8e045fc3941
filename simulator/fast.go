package simulator

import (
	"fmt"
	"math"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// batchS is the plant time that a batch of Fast spans: short enough that a slow channel
// is never far behind a quick one, as on a wire.
const batchS = 0.25

// Fast runs the scenario on the rig without wire or clock and emits what polling would
// have read: batches in the order of time, one group for each device of the rig (see
// Rig.Groups), stamps at exact multiples of intervalS, or of each device's own interval
// where intervalS is 0, half-widths 0. Where the wire would have lost an answer there is a
// recorded fault in its place. It returns the truth. The same arguments give the same batches.
//
// Every batch is the receiver's to keep. An error of emit ends the run and comes back.
func Fast(sc Scenario, cfg config.Rig, intervalS float64, emit func(sample.Batch) error) ([]Truth, error) {
	r, err := NewRig(sc, cfg)
	if err != nil {
		return nil, err
	}
	stepNS := make([]int64, len(r.devices))
	for i := range r.devices {
		s := intervalS
		if s == 0 {
			s = r.every[i]
		}
		ticks := math.Round(s * 1e9 / sample.TickNS)
		if !(ticks >= 1) || ticks > 1e12 {
			return nil, fmt.Errorf("%s: an interval of %v s; 10 µs or more is allowed", r.groups[i].Name, s)
		}
		stepNS[i] = int64(ticks) * sample.TickNS
	}
	batches := make([]sample.Batch, len(r.devices))
	flush := func() error {
		for i := range batches {
			b := batches[i]
			batches[i] = sample.Batch{Group: i}
			if len(b.T) == 0 {
				continue
			}
			if err := emit(b); err != nil {
				return err
			}
		}
		return nil
	}
	nextNS := make([]int64, len(r.devices))
	polls, deaf := make([]int, len(r.devices)), make([]bool, len(r.devices))
	endNS := int64(r.DurationS() * 1e9)
	for flushNS := int64(0); len(r.devices) > 0; {
		i := 0
		for k, t := range nextNS {
			if t < nextNS[i] {
				i = k
			}
		}
		t := nextNS[i]
		if t >= flushNS || t > endNS {
			if err := flush(); err != nil {
				return nil, err
			}
			flushNS = t + int64(batchS*1e9)
		}
		if t > endNS {
			break
		}
		nextNS[i] += stepNS[i]
		d := r.devices[i]
		polls[i]++
		if cause := d.bus.unheard(d, polls[i], float64(t)/1e9); cause != "" {
			if !deaf[i] {
				if err := flush(); err != nil {
					return nil, err
				}
				if err := emit(sample.Batch{Group: i, Fault: cause, FaultNS: t}); err != nil {
					return nil, err
				}
			}
			deaf[i] = true
			continue
		}
		deaf[i] = false
		r.advance(float64(t)/1e9, d)
		b := &batches[i]
		if b.Counts == nil {
			room := int(int64(batchS*1e9)/stepNS[i]) + 1
			b.Group, b.Counts = i, make([][]int64, len(d.placed))
			b.T, b.Half = make([]int64, 0, room), make([]int64, 0, room)
			for k := range b.Counts {
				b.Counts[k] = make([]int64, 0, room)
			}
		}
		b.T, b.Half = append(b.T, t), append(b.Half, 0)
		for k, s := range d.placed {
			b.Counts[k] = append(b.Counts[k], r.sensors[s].held.count)
		}
	}
	r.advance(r.DurationS())
	return r.plant.Truth(), nil
}
