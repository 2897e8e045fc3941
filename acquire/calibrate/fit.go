// Package calibrate finds the line from a channel's counts to the values of a reference
// gauge, and writes it into the rig file. It comes after the readings of acquire's buses
// and before config, which reads the file again.
package calibrate

import (
	"errors"
	"fmt"
	"math"
)

// A Point is one comparison with the reference.
type Point struct {
	Reference float64 // what the gauge showed, in the channel's unit
	Count     float64 // mean raw count meanwhile
	CountSD   float64 // standard deviation of the counts meanwhile; NaN where not known
}

// A Line is value = Offset + Scale × count, in the unit of the points.
type Line struct {
	Offset, Scale   float64
	OffsetU, ScaleU float64 // standard errors; NaN with two points, which leave nothing to judge by
	ResidualSD      float64 // standard deviation of the points about the line; NaN with two
	CenterCount     float64 // mean count of the points, about which the line turns
	Points          int
}

// Fit returns the least-squares line of two or more points at two different counts at
// least. The reference is fitted on the count: with
//
//	b = Sxy/Sxx, a = ȳ − b·x̄, s² = Σ(y − a − b·x)²/(n−2)
//
// the standard errors are s/√Sxx and s·√(1/n + x̄²/Sxx) (NIST/SEMATECH e-Handbook of
// Statistical Methods, 4.1.4.1 and 2.3.6.5, from memory).
func Fit(points []Point) (Line, error) {
	n := float64(len(points))
	if len(points) < 2 {
		return Line{}, fmt.Errorf("%d points make no line; want two or more", len(points))
	}
	var mx, my float64
	for _, p := range points {
		if math.IsNaN(p.Count) || math.IsNaN(p.Reference) || math.IsInf(p.Count, 0) || math.IsInf(p.Reference, 0) {
			return Line{}, errors.New("a point has no value")
		}
		mx += p.Count / n
		my += p.Reference / n
	}
	lo, hi, noise := math.Inf(1), math.Inf(-1), 0.0
	for _, p := range points {
		lo, hi = min(lo, p.Count), max(hi, p.Count)
		if p.CountSD > noise {
			noise = p.CountSD
		}
	}
	if hi-lo <= 6*noise {
		return Line{}, fmt.Errorf("the counts of all points lie within %.4g to %.4g, and scatter by %.3g (standard deviation) at one: the channel does not follow the gauge", lo, hi, noise)
	}
	var sxx, sxy float64
	for _, p := range points {
		sxx += (p.Count - mx) * (p.Count - mx)
		sxy += (p.Count - mx) * (p.Reference - my)
	}
	if sxx == 0 {
		return Line{}, errors.New("the count is the same at all points: the channel does not follow the gauge")
	}
	l := Line{Scale: sxy / sxx, OffsetU: math.NaN(), ScaleU: math.NaN(), ResidualSD: math.NaN(), CenterCount: mx, Points: len(points)}
	if l.Scale == 0 {
		return Line{}, errors.New("the reference is the same at all points")
	}
	l.Offset = my - l.Scale*mx
	if len(points) > 2 {
		var rss float64
		for _, p := range points {
			r := p.Reference - l.Offset - l.Scale*p.Count
			rss += r * r
		}
		l.ResidualSD = math.Sqrt(rss / (n - 2))
		l.ScaleU = l.ResidualSD / math.Sqrt(sxx)
		l.OffsetU = l.ResidualSD * math.Sqrt(1/n+mx*mx/sxx)
		if math.Abs(l.Scale) <= 3*l.ScaleU {
			return Line{}, fmt.Errorf("the slope, %.3g for each count, is not known from 0 with a standard error of %.3g: the points make no line", l.Scale, l.ScaleU)
		}
	}
	return l, nil
}
