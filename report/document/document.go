// Package document holds a report as sections of sentences, tables and figures, and writes
// the same content as HTML, PDF, Markdown and CSV. Report fills it; it draws with
// report/drawing. All words are plain text: nothing in them is taken as markup.
package document

import (
	"math"
	"time"

	"griptrial/report/drawing"
)

// A Document is a report.
type Document struct {
	Title    string
	Under    string // below the title
	Foot     string // at the foot of every page
	DatedUTC time.Time
	Sections []Section
}

// A Section is a chapter.
type Section struct {
	Title   string
	NewPage bool // begins on a new page
	Blocks  []Block
}

// A Block is one of the types below.
type Block interface{ block() }

// A Style is how a paragraph is set.
type Style string

// The styles.
const (
	Normal  Style = ""
	Lead    Style = "lead"  // what a reader must not miss
	Small   Style = "small" // a remark
	Heading Style = "heading"
)

// A Paragraph is sentences.
type Paragraph struct {
	Words string
	Style Style
}

// A List is short sentences, one below the other.
type List struct{ Items []string }

// A Column is a column of a table.
type Column struct {
	Head  string // with the unit where cells have none of their own
	Right bool   // set to the right
	Keep  bool   // not broken into lines where it goes at all
}

// A Table is rows of cells; every row is as long as Columns.
type Table struct {
	Caption string
	Columns []Column
	Rows    [][]Cell
	Note    string
}

// A Cell is words, and the number that they say where it is one.
type Cell struct {
	Words  string
	Number *Number
	Strong bool
	Ditto  bool // the same as in the row above
}

// A Number is a value in the unit shown with its interval; Lo and Hi are NaN where it is exact
// or has none.
type Number struct {
	Value, Lo, Hi float64
	Unit          string
}

// A Figure is a drawing.
type Figure struct {
	Caption string
	Label   string // what is to be seen, for those who cannot see it
	Drawing *drawing.Drawing
	Series  []Series // the numbers that are drawn
	// Scale says that the figure is drawn at true scale, each on a page of its own size.
	Scale bool
}

// A Series is numbers drawn in a figure.
type Series struct {
	Name         string
	XUnit, YUnit string
	X, Y         []float64
}

// Signatures is a place for names to be signed at.
type Signatures struct{ Lines []string }

func (Paragraph) block()  {}
func (List) block()       {}
func (Table) block()      {}
func (Figure) block()     {}
func (Signatures) block() {}

// Words returns a cell of words.
func Words(s string) Cell { return Cell{Words: s} }

// Strong returns a cell of words that stand out.
func Strong(s string) Cell { return Cell{Words: s, Strong: true} }

// Exact returns a cell of an exact number such as a count.
func Exact(words string, value float64, unit string) Cell {
	return Cell{Words: words, Number: &Number{value, math.NaN(), math.NaN(), unit}}
}

// figures numbers the figures and tables of a document in order.
type numbering struct{ figures, tables int }

func (n *numbering) figure() int { n.figures++; return n.figures }
func (n *numbering) table() int  { n.tables++; return n.tables }
