package report

import (
	"errors"
	"fmt"
	"io"
	"math"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/layout"
)

// A LayoutJSON is where cups go on a bag: origin at the bag's centre, x along its length.
// For several bags the origin is their centre of mass, Cups are the pattern that serves all
// (empty where there is none), and Bags and Ranges are there too.
type LayoutJSON struct {
	Cups         []PointJSON    `json:"cups"`
	GapMM        analyze.Number `json:"gap_mm"` // null with one cup
	MinGapMM     analyze.Number `json:"min_gap_mm"`
	Moved        bool           `json:"moved"`
	Fits         bool           `json:"fits"`
	LargestLipMM analyze.Number `json:"largest_lip_mm"` // null where none fits

	Scale       analyze.Number  `json:"scale"`
	MoveMM      analyze.Number  `json:"move_mm"`
	ShiftMM     *PointJSON      `json:"shift_mm"` // off the centre of mass; null where there is none
	Why         *string         `json:"why_not"`
	Tilt        TiltJSON        `json:"tilt"`
	SwingAxis   *SwingAxisJSON  `json:"swing_axis"`
	FlatMM      *SizeJSON       `json:"flat_mm"`
	Bags        []BagLayoutJSON `json:"bags,omitempty"`
	Ranges      []RangeJSON     `json:"ranges,omitempty"`
	ServesAll   *bool           `json:"serves_all,omitempty"`
	Explanation []string        `json:"rules"`
}

// A PointJSON is a place on a bag.
type PointJSON struct {
	XMM analyze.Number `json:"x_mm"`
	YMM analyze.Number `json:"y_mm"`
}

// A SizeJSON is a length and a width.
type SizeJSON struct {
	LengthMM analyze.Number `json:"length_mm"`
	WidthMM  analyze.Number `json:"width_mm"`
}

// A TiltJSON is a first tilt to try.
type TiltJSON struct {
	Deg       float64   `json:"deg"`
	Direction string    `json:"direction"`
	TryDeg    []float64 `json:"try_deg"`
	Reason    string    `json:"reason"`
}

// A SwingAxisJSON is the line through two cups.
type SwingAxisJSON struct {
	From   PointJSON      `json:"from"`
	To     PointJSON      `json:"to"`
	Along  string         `json:"along"`
	OffMM  analyze.Number `json:"centre_of_mass_off_mm"`
	Remark string         `json:"remark"`
}

// A BagLayoutJSON is the pattern of one bag of several.
type BagLayoutJSON struct {
	Bag SizeJSON `json:"bag_mm"`
	LayoutJSON
}

// A RangeJSON is over which a cup must be adjustable.
type RangeJSON struct {
	Cup int               `json:"cup"`
	XMM [2]analyze.Number `json:"x_mm"`
	YMM [2]analyze.Number `json:"y_mm"`
}

func pointJSON(p layout.Point) PointJSON {
	return PointJSON{analyze.Number(p.XMM), analyze.Number(p.YMM)}
}

// PlaceCups places the same cups on one bag or several, as JSON: the one way of the command,
// the page and reports. own are the bags' own patterns, to draw sheets from. Every error is about
// the orders.
func PlaceCups(orders []layout.Order) (j LayoutJSON, own []layout.Pattern, err error) {
	if len(orders) == 0 {
		return j, nil, errors.New("no bag")
	}
	m, err := layout.ForAll(orders)
	if err != nil {
		return j, nil, err
	}
	if len(orders) == 1 {
		return layoutJSON(orders[0], m.Own[0]), m.Own, nil
	}
	return layoutMix(orders, m), m.Own, nil
}

// JudgeCups returns cups at places of the user's own as JSON: their gap, and whether they fit.
func JudgeCups(o layout.Order, cups []layout.Point) (LayoutJSON, error) {
	p, err := layout.Judge(o, cups)
	if err != nil {
		return LayoutJSON{}, err
	}
	o.Cups = len(cups)
	return layoutJSON(o, p), nil
}

// layoutJSON returns a pattern as JSON.
func layoutJSON(o layout.Order, p layout.Pattern) LayoutJSON {
	j := LayoutJSON{Cups: []PointJSON{}, GapMM: analyze.Number(p.GapMM), MinGapMM: analyze.Number(p.MinGapMM), Moved: p.Moved, Fits: p.Fits,
		LargestLipMM: analyze.Number(p.LargestLipMM), Scale: analyze.Number(p.Scale), MoveMM: analyze.Number(p.MoveMM), Why: text(p.Why)}
	for _, c := range p.Cups {
		j.Cups = append(j.Cups, pointJSON(c))
	}
	if p.LargestLipMM == 0 {
		j.LargestLipMM = analyze.Number(math.NaN())
	}
	if p.Shift != (layout.Point{}) {
		s := pointJSON(p.Shift)
		j.ShiftMM = &s
	}
	t := layout.FirstTilt(o.Cups)
	j.Tilt = TiltJSON(t)
	if a := layout.Swing(o.Bag, p); a != nil {
		j.SwingAxis = &SwingAxisJSON{pointJSON(a.From), pointJSON(a.To), a.Along, analyze.Number(a.OffMM), a.Remark}
	}
	length, width := o.Bag.FlatMM()
	j.FlatMM = &SizeJSON{analyze.Number(length), analyze.Number(width)}
	j.Explanation = []string{
		"folds in thirds, a gap of a third of the lip, moves outward along the bag's own diagonals: common practice, no source",
	}
	return j
}

// layoutMix returns the patterns of several bags as JSON.
func layoutMix(orders []layout.Order, m layout.Mix) LayoutJSON {
	var j LayoutJSON
	if m.Common != nil {
		j = layoutJSON(orders[0], *m.Common)
	} else {
		j = layoutJSON(orders[0], layout.Pattern{GapMM: math.NaN(), MinGapMM: math.NaN(), Scale: math.NaN(), MoveMM: math.NaN(),
			Why: "no one pattern serves all bags; make the cups adjustable over the ranges"})
	}
	serves := m.Common != nil
	j.ServesAll, j.FlatMM, j.SwingAxis = &serves, nil, nil
	for i, o := range orders {
		size := SizeJSON{analyze.Number(o.Bag.LengthMM), analyze.Number(o.Bag.WidthMM)}
		j.Bags = append(j.Bags, BagLayoutJSON{size, layoutJSON(o, m.Own[i])})
	}
	for i, r := range m.Ranges {
		j.Ranges = append(j.Ranges, RangeJSON{i + 1, [2]analyze.Number{analyze.Number(r.X0MM), analyze.Number(r.X1MM)}, [2]analyze.Number{analyze.Number(r.Y0MM), analyze.Number(r.Y1MM)}})
	}
	return j
}

// WriteLayout writes where cups go.
func WriteLayout(w io.Writer, j LayoutJSON) error {
	for _, b := range j.Bags {
		fmt.Fprintf(w, "bag %.4g mm x %.4g mm\n", b.Bag.LengthMM, b.Bag.WidthMM)
		if err := b.LayoutJSON.pattern(w); err != nil {
			return err
		}
		fmt.Fprintln(w)
	}
	if j.ServesAll != nil && *j.ServesAll {
		fmt.Fprintln(w, "one pattern that serves all (origin at the centre of mass)")
	}
	if err := j.pattern(w); err != nil {
		return err
	}
	if len(j.Ranges) > 0 {
		fmt.Fprintln(w, "\nto have each bag's own pattern, cups must be adjustable over")
		tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintln(tw, "cup\tx from\tto mm\ty from\tto mm\t")
		for _, r := range j.Ranges {
			fmt.Fprintf(tw, "%d\t%.1f\t%.1f\t%.1f\t%.1f\t\n", r.Cup, r.XMM[0], r.XMM[1], r.YMM[0], r.YMM[1])
		}
		if err := tw.Flush(); err != nil {
			return err
		}
	}
	fmt.Fprintf(w, "\nfirst tilt: %g° %s; %s. Try %v° in the trial\n", j.Tilt.Deg, j.Tilt.Direction, j.Tilt.Reason, j.Tilt.TryDeg)
	for _, s := range j.Explanation {
		fmt.Fprintf(w, "- %s\n", s)
	}
	return cautions(w)
}

func (j LayoutJSON) pattern(w io.Writer) error {
	if len(j.Cups) > 0 {
		tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintln(tw, "cup\tx mm\ty mm\t")
		for i, c := range j.Cups {
			fmt.Fprintf(tw, "%d\t%.1f\t%.1f\t\n", i+1, c.XMM, c.YMM)
		}
		if err := tw.Flush(); err != nil {
			return err
		}
	}
	if !math.IsNaN(float64(j.GapMM)) {
		fmt.Fprintf(w, "gap between lips %.1f mm, at least %.1f mm", j.GapMM, j.MinGapMM)
		if j.Moved {
			fmt.Fprintf(w, "; moved outward by %.1f mm at most", j.MoveMM)
		}
		fmt.Fprintln(w)
	}
	if j.ShiftMM != nil {
		fmt.Fprintf(w, "SHIFTED off the centre of mass by %.1f, %.1f mm to keep areas clear: the bag will hang askew\n", j.ShiftMM.XMM, j.ShiftMM.YMM)
	}
	if j.Why != nil {
		fmt.Fprintf(w, "DOES NOT FIT: %s\n", *j.Why)
	}
	if math.IsNaN(float64(j.LargestLipMM)) {
		if len(j.Cups) > 0 {
			fmt.Fprintln(w, "no lip fits")
		}
	} else {
		fmt.Fprintf(w, "largest lip that fits %.1f mm\n", j.LargestLipMM)
	}
	if j.SwingAxis != nil {
		fmt.Fprintln(w, j.SwingAxis.Remark)
	}
	return nil
}
