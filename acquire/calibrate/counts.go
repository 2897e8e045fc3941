package calibrate

import (
	"math"

	"griptrial/acquire/sample"
)

// Counts are the statistics of raw counts read at one value. The zero Counts is ready.
type Counts struct {
	N        int
	Mean, SD float64     // SD is NaN with one count
	Flag     sample.Flag // the last flag met, "" for none

	m2 float64
}

// Add takes a count. One that is missing counts for nothing; a flagged one leaves its flag.
func (c *Counts) Add(n int64, limits *sample.Limits) {
	if n == sample.Missing {
		return
	}
	if flag := limits.Of(n); flag != "" {
		c.Flag = flag
		return
	}
	c.N++
	d := float64(n) - c.Mean
	c.Mean += d / float64(c.N)
	c.m2 += d * (float64(n) - c.Mean)
}

// End works out SD once all counts were added.
func (c *Counts) End() {
	c.SD = math.NaN()
	if c.N > 1 {
		c.SD = math.Sqrt(c.m2 / float64(c.N-1))
	}
}

// At returns the line's value at a count.
func (l Line) At(count float64) float64 { return l.Offset + l.Scale*count }
