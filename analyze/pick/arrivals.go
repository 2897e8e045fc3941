package pick

// arrivals follows by how much the samples of a channel may be late: those that a stalled
// bus or computer hands on in a burst carry the stamps of their arrival. Samples are taken
// an interval apart at least, so that a wait makes the next one late by what it is longer
// than an interval, and each that follows sooner is less late by what it is sooner. Waits add
// up where one begins before the burst of another is over. Missing samples make the same
// wait, but no burst follows: two regular intervals in a row say that nothing was late.
type arrivals struct {
	interval float64 // s; 0 where it is not known
	late     float64 // of the last sample, at most, s
	burst    bool    // samples came sooner than they were taken since the wait
	regular  int
}

// matters reports whether d, the time since the sample before, can make anything late, or less
// late: nearly all samples come after an interval, when nothing is late.
func (a *arrivals) matters(d float64) bool { return a.late > 0 || d >= 1.5*a.interval }

// next takes the time since the sample before, in seconds.
func (a *arrivals) next(d float64) {
	if a.interval <= 0 || !a.matters(d) {
		return
	}
	a.late = max(0, a.late+d-a.interval)
	switch {
	case d < a.interval/2:
		a.burst, a.regular = true, 0
	case d < 1.5*a.interval:
		a.regular++
	default:
		a.regular = 0
	}
	if a.late == 0 || a.regular > 1 {
		*a = arrivals{interval: a.interval}
	}
}

// before returns by how much the last sample may be late, in seconds, where the next comes d
// later: 0 unless that, or another since the wait, came in a burst.
func (a *arrivals) before(d float64) float64 {
	if a.burst || d < a.interval/2 {
		return a.late
	}
	return 0
}
