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

// CSV writes every number of the document, one a line: those of tables and figures as values in
// their unit, with the words that say them in print, and those that stand in sentences alone with
// the sentence.
func (d *Document) CSV(out io.Writer) error {
	w := csv.NewWriter(out)
	w.Write([]string{"section", "item", "row", "quantity", "value", "lo", "hi", "unit", "words"})
	var n numbering
	told := func(section, item, row, quantity, words string) {
		if strings.ContainsAny(words, "0123456789") {
			w.Write([]string{plain(section), plain(item), plain(row), plain(quantity), "", "", "", "", plain(words)})
		}
	}
	told("", "", "", "", d.Title)
	told("", "", "", "", d.Under)
	for _, s := range d.Sections {
		for _, b := range s.Blocks {
			switch b := b.(type) {
			case Paragraph:
				told(s.Title, "", "", "", b.Words)
			case List:
				for _, words := range b.Items {
					told(s.Title, "", "", "", words)
				}
			case Table:
				item := fmt.Sprintf("Table %d. %s", n.table(), b.Caption)
				for _, row := range b.Rows {
					label := labelOf(row)
					for i, c := range row {
						if x := c.Number; x != nil && !(math.IsNaN(x.Value) && math.IsNaN(x.Lo) && math.IsNaN(x.Hi)) {
							w.Write([]string{plain(s.Title), plain(item), plain(label), plain(b.Columns[i].Head), value(x.Value), value(x.Lo), value(x.Hi), x.Unit, plain(c.Words)})
						} else if x == nil {
							told(s.Title, item, label, b.Columns[i].Head, c.Words)
						}
					}
				}
				told(s.Title, item, "", "", b.Note)
			case Figure:
				item := fmt.Sprintf("Figure %d. %s", n.figure(), b.Caption)
				for _, x := range b.Series {
					for i := range x.X {
						if !math.IsNaN(x.Y[i]) {
							w.Write([]string{plain(s.Title), plain(item), value(x.X[i]) + " " + x.XUnit, plain(x.Name), value(x.Y[i]), "", "", x.YUnit, ""})
						}
					}
				}
			}
		}
	}
	w.Flush()
	return w.Error()
}

// labelOf returns what a row is of: its words before its first number.
func labelOf(row []Cell) string {
	var label []string
	for _, c := range row {
		if c.Number != nil {
			break
		}
		if c.Words != "" {
			label = append(label, c.Words)
		}
	}
	return strings.Join(label, ", ")
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
