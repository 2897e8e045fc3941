package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"griptrial/analyze/layout"
	"griptrial/config"
	"griptrial/report"
)

type layoutOptions struct {
	bags                []string
	lip, margin, fill   string
	cups                int
	centre              string
	keepClear           []string
	sheet, paper, title string
	json                bool
}

func layoutCommand() *cobra.Command {
	o := &layoutOptions{}
	c := &cobra.Command{
		Use:   "layout",
		Short: "Place the cups on a bag, and draw a sheet to print at true scale",
		Long: `layout places 1, 2, 3, 4 or 6 cups on a bag. Places are in mm from the bag's centre, x along
its length.

Four cups start at the crossings of the folds in thirds both ways. Neighbouring lips keep a
gap of a third of the lip; where they would come closer, the cups move outward along the
bag's own diagonals by the least that restores it. Lips stay on the flat part by the margin.
All of that is common practice, without a source: begin there, and try what differs.

With several --bag it looks for one pattern that serves all, and says over which range each
cup must be adjustable to have every bag's own pattern.

The exit code is 3 where the lip does not fit, or no one pattern serves all bags.`,
		Example: `  griptrial layout --bag "280 mm x 180 mm" --lip "45 mm" --cups 4 --margin "6 mm"
  griptrial layout --bag "280 mm x 180 mm" --lip "45 mm" --cups 4 --margin "6 mm" --sheet sheet.pdf
  griptrial layout --bag "280 mm x 180 mm" --lip "30 mm" --cups 2 --keep-clear "-140 mm, -8 mm .. 140 mm, 8 mm" --centre-of-mass "10 mm, 0 mm" --json
  griptrial layout --bag "280 mm x 180 mm" --bag "320 mm x 200 mm" --lip "40 mm" --cups 4`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return layoutCups(c.OutOrStdout(), o) },
	}
	f := c.Flags()
	f.StringArrayVar(&o.bags, "bag", nil, `length and width of the bag, "280 mm x 180 mm"; several for a mix (required)`)
	f.StringVar(&o.lip, "lip", "", `diameter of the lip, "45 mm" (required)`)
	f.IntVar(&o.cups, "cups", 0, "number of cups: 1, 2, 3, 4 or 6 (required)")
	f.StringVar(&o.margin, "margin", "0 mm", "distance that lips keep from the end of the flat part")
	f.StringVar(&o.fill, "fill", "", `thickness of the filled bag, "40 mm": its rounded edges are no place for a lip`)
	f.StringVar(&o.centre, "centre-of-mass", "", `where the fill's weight is, "10 mm, -5 mm" from the bag's centre; the pattern goes there`)
	f.StringArrayVar(&o.keepClear, "keep-clear", nil, `area of a seam, zip or valve, "-140 mm, -8 mm .. 140 mm, 8 mm"; may be given several times`)
	f.StringVar(&o.sheet, "sheet", "", "write a sheet to print at true scale, FILE.pdf or FILE.svg (tiles as SVG: FILE-1.svg, FILE-2.svg …)")
	f.StringVar(&o.paper, "paper", "", `"A4", "A3", "Letter", "tiles" of A4 or "Letter tiles" (default the smallest on which the bag goes, else tiles)`)
	f.StringVar(&o.title, "title", "", "words at the top of the sheet")
	f.BoolVar(&o.json, "json", false, "write JSON")
	return c
}

// two parses two lengths with sep between.
func two(q *quantities, flag, text, sep, like string) (a, b float64) {
	x, y, ok := strings.Cut(text, sep)
	if !ok {
		q.fail(wrongf("--%s: found %q; want two lengths such as %q", flag, text, like))
		return math.NaN(), math.NaN()
	}
	return q.get(flag, config.Length, strings.TrimSpace(x), math.NaN()), q.get(flag, config.Length, strings.TrimSpace(y), math.NaN())
}

func layoutCups(w io.Writer, o *layoutOptions) error {
	for _, need := range []struct {
		flag    string
		missing bool
	}{{"bag", len(o.bags) == 0}, {"lip", o.lip == ""}, {"cups", o.cups == 0}} {
		if need.missing {
			return wrongf("layout: --%s is missing; see griptrial layout --help", need.flag)
		}
	}
	var q quantities
	base := layout.Order{Cups: o.cups, LipMM: q.get("lip", config.Length, o.lip, math.NaN()), MarginMM: q.get("margin", config.Length, o.margin, 0)}
	base.Bag.FillHeightMM = q.get("fill", config.Length, o.fill, 0)
	if o.centre != "" {
		base.Bag.CentreOfMass.XMM, base.Bag.CentreOfMass.YMM = two(&q, "centre-of-mass", o.centre, ",", "10 mm, -5 mm")
	}
	for _, text := range o.keepClear {
		const like = "-140 mm, -8 mm .. 140 mm, 8 mm"
		from, to, ok := strings.Cut(text, "..")
		if !ok {
			q.fail(wrongf("--keep-clear: found %q; want two corners such as %q", text, like))
			continue
		}
		var a layout.Rect
		a.X0MM, a.Y0MM = two(&q, "keep-clear", from, ",", like)
		a.X1MM, a.Y1MM = two(&q, "keep-clear", to, ",", like)
		base.Bag.KeepClear = append(base.Bag.KeepClear, a)
	}
	var orders []layout.Order
	for _, text := range o.bags {
		x := base
		x.Bag.LengthMM, x.Bag.WidthMM = two(&q, "bag", text, "x", "280 mm x 180 mm")
		orders = append(orders, x)
	}
	if q.err != nil {
		return q.err
	}
	if len(orders) > 1 && o.sheet != "" {
		return wrongf("--sheet: draws one bag; leave the other --bag out")
	}
	out, own, err := report.PlaceCups(orders)
	if err != nil {
		return wrongf("layout: %w", err)
	}
	if o.sheet != "" {
		if err := o.draw(orders[0], own[0]); err != nil {
			return err
		}
	}
	if o.json {
		err = report.WriteJSON(w, out)
	} else {
		err = report.WriteLayout(w, out)
	}
	switch {
	case err != nil:
		return err
	case out.ServesAll != nil && !*out.ServesAll:
		return notMet(errors.New("no one pattern serves all bags"))
	case len(orders) == 1 && !out.Fits:
		return notMet(fmt.Errorf("does not fit: %s", own[0].Why))
	}
	return nil
}

// draw writes the sheet.
func (o *layoutOptions) draw(order layout.Order, p layout.Pattern) error {
	ext := strings.ToLower(filepath.Ext(o.sheet))
	if ext != ".pdf" && ext != ".svg" {
		return wrongf("--sheet: found %q; want a file that ends in .pdf or .svg", o.sheet)
	}
	title := o.title
	if title == "" {
		title = fmt.Sprintf("bag %s, %d x lip %s", o.bags[0], o.cups, o.lip)
	}
	if !p.Fits {
		title += ": DOES NOT FIT"
	}
	s, err := report.NewSheet(order, p, report.Paper(o.paper), title)
	if err != nil {
		return wrongf("--sheet: %w", err)
	}
	if ext == ".pdf" {
		return writeFile(o.sheet, s.PDF)
	}
	for i := range s.Pages {
		name := o.sheet
		if len(s.Pages) > 1 {
			name = fmt.Sprintf("%s-%d%s", o.sheet[:len(o.sheet)-len(ext)], i+1, ext)
		}
		if err := writeFile(name, func(w io.Writer) error { return s.SVG(w, i) }); err != nil {
			return err
		}
	}
	return nil
}

// writeFile makes or replaces a file with what write gives it.
func writeFile(path string, write func(io.Writer) error) (err error) {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return write(f)
}
