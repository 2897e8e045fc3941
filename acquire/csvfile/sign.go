package csvfile

import (
	"fmt"
	"math"

	"griptrial/acquire/sample"
)

// Readings says in kPa what a vacuum column holds, its sign aside.
type readings struct {
	mean, min, max float64
	lo, hi         float64 // between them lie all but the lowest and the highest hundredth
}

// reading describes sorted counts, at least one, of which each is scale kPa.
func reading(sorted []int64, scale float64) readings {
	sum := 0.0
	for _, n := range sorted {
		sum += float64(n)
	}
	at := func(n int64) float64 { return float64(n) * scale }
	return readings{
		mean: sum / float64(len(sorted)) * scale,
		min:  at(sorted[0]), max: at(sorted[len(sorted)-1]),
		lo: at(quantile(sorted, 0.01)), hi: at(quantile(sorted, 0.99)),
	}
}

// Pressures in kPa that tell one sign from another. The air around has 50 to 110 kPa from
// 5,500 m up to a mine; a gripper at rest shows it in absolute pressures and about 0 in others.
const (
	leastAmbientKPa = 50
	mostAmbientKPa  = 110
	restKPa         = 5  // at rest no more than this from 0
	nearAmbientKPa  = 90 // no cup on a bag gets so deep while it never comes to rest
)

// check refuses readings that make no sense under sign s, with a hint at the one they fit.
// It errs on the side of reading: a spike, a blow-off or an offset is no reason.
func (s Sign) check(name string, r readings, ambientKPa float64) error {
	refuse := func(found string, better Sign) error {
		what := map[Sign]string{Positive: "vacuums", Negative: "gauge pressures", Absolute: "absolute pressures"}[better]
		return fmt.Errorf("%s; --vacuum-sign %s reads %s", found, better, what)
	}
	span := fmt.Sprintf("%s goes from %.4g to %.4g kPa", name, r.min, r.max)
	// Like the air's own pressure, and never at rest near 0.
	likeAbsolute := r.lo > restKPa && r.hi > nearAmbientKPa && r.hi < mostAmbientKPa
	switch s {
	case Positive:
		switch {
		case r.max < 0:
			return refuse(fmt.Sprintf("all values of %s are negative", name), Negative)
		case r.mean < 0 && r.hi < -r.mean/20:
			return refuse(span+", hardly any of it positive", Negative)
		case likeAbsolute:
			return refuse(span+" and never comes near 0", Absolute)
		case r.hi > mostAmbientKPa:
			return fmt.Errorf("%s, more vacuum than there is air; is its unit right?", span)
		}
	case Negative:
		switch {
		case likeAbsolute:
			return refuse(span+" and never comes near 0", Absolute)
		case r.min > 0:
			return refuse(fmt.Sprintf("all values of %s are positive", name), Positive)
		case r.mean > 0 && r.lo > -r.mean/20:
			return refuse(span+", hardly any of it negative", Positive)
		case r.lo < -mostAmbientKPa:
			return fmt.Errorf("%s, more vacuum than there is air; is its unit right?", span)
		}
	case Absolute:
		switch {
		case r.hi <= 0 || r.mean < 0:
			return refuse(span+", and no absolute pressure is negative", Negative)
		case r.lo < restKPa && r.hi < nearAmbientKPa && !(r.hi > ambientKPa-restKPa):
			return refuse(span+" and never comes near the pressure of the air", Positive)
		case r.mean > 2*mostAmbientKPa:
			return fmt.Errorf("%s, far more than the air around has; is its unit right?", span)
		case r.lo > ambientKPa+restKPa:
			return fmt.Errorf("%s, all of it above the ambient of %.4g kPa; is that right?", span, ambientKPa)
		}
	}
	return nil
}

// plateauKPa is how much a sensor at ambient may wander: weather, drift and noise.
const plateauKPa = 0.5

// ambient estimates the absolute pressure of the air in kPa as the highest plateau of
// column i: from above, the first 0.5 kPa that hold a hundredth of all samples (three at
// least), moved to where they hold most, and the median there. Leaving idle is at
// ambient, and nothing else is as high but blow-off: samples with a release channel on, of
// those in channels, are left out. A table that never shows ambient gives its highest plateau all the same.
func (t *table) ambient(i int, scale float64, channels []sample.Channel) (float64, error) {
	shut := func(p *piece, scan int) bool {
		for j := range channels {
			if channels[j].Kind == sample.Release && channels[j].On(p.counts[j][scan]) {
				return false
			}
		}
		return true
	}
	sorted := t.sorted(i, shut)
	width := int64(math.Min(math.Round(plateauKPa/scale), float64(2*limit))) // further apart no counts are
	kPa := highestPlateau(sorted, width) * scale
	if kPa >= leastAmbientKPa && kPa <= mostAmbientKPa {
		return kPa, nil
	}
	if math.IsNaN(kPa) {
		return kPa, fmt.Errorf("%s has no plateau at the pressure of the air; --ambient states it", t.columns[i].Name)
	}
	return kPa, fmt.Errorf("the highest plateau of %s is at %.4g kPa, which is no pressure of the air; --ambient states it", t.columns[i].Name, kPa)
}

// highestPlateau returns the median of the values in the highest window of the given width
// where at least a hundredth of sorted lie, and three; NaN without one.
func highestPlateau(sorted []int64, width int64) float64 {
	need := max(3, len(sorted)/100)
	best, from := 0, 0
	top := int64(math.MaxInt64) // of the first window that is full enough
	lo := len(sorted) - 1       // sorted[lo:hi+1] is the window below sorted[hi]
	for hi := len(sorted) - 1; hi >= 0; hi-- {
		if best > 0 && sorted[hi] < top-width {
			break
		}
		lo = min(lo, hi)
		for lo > 0 && sorted[hi]-sorted[lo-1] <= width {
			lo--
		}
		n := hi - lo + 1
		if best == 0 && n >= need {
			top = sorted[hi]
		}
		if n >= need && n > best {
			best, from = n, lo
		}
	}
	return median(sorted[from : from+best])
}
