package document

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"griptrial/report/drawing"
)

// CSV writes every number of the document's tables and figures, one a line.
func (d *Document) CSV(out io.Writer) error {
	w := csv.NewWriter(out)
	w.Write([]string{"section", "item", "row", "quantity", "value", "lo", "hi", "unit"})
	var n numbering
	for _, s := range d.Sections {
		for _, b := range s.Blocks {
			switch b := b.(type) {
			case Table:
				item := fmt.Sprintf("Table %d. %s", n.table(), b.Caption)
				for _, row := range b.Rows {
					var label []string
					for _, c := range row {
						if c.Number != nil {
							break
						}
						if c.Words != "" {
							label = append(label, c.Words)
						}
					}
					for i, c := range row {
						if x := c.Number; x != nil && !math.IsNaN(x.Value) {
							w.Write([]string{plain(s.Title), plain(item), plain(strings.Join(label, ", ")), plain(b.Columns[i].Head), value(x.Value), value(x.Lo), value(x.Hi), x.Unit})
						}
					}
				}
			case Figure:
				item := fmt.Sprintf("Figure %d. %s", n.figure(), b.Caption)
				for _, x := range b.Series {
					for i := range x.X {
						if !math.IsNaN(x.Y[i]) {
							w.Write([]string{plain(s.Title), plain(item), value(x.X[i]) + " " + x.XUnit, plain(x.Name), value(x.Y[i]), "", "", x.YUnit})
						}
					}
				}
			}
		}
	}
	w.Flush()
	return w.Error()
}

// value writes a number, nothing where there is none.
func value(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

// plain returns words that no spreadsheet takes as a formula.
func plain(s string) string {
	s = drawing.Bare(drawing.Clean(s))
	if s != "" && strings.ContainsRune("=+-@", rune(s[0])) {
		return "'" + s
	}
	return s
}
