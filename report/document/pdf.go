package document

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/go-pdf/fpdf"

	"griptrial/report/drawing"
)

// A Paper is a size of page.
type Paper struct {
	Name              string
	WidthMM, HeightMM float64
}

// The papers.
var (
	A4     = Paper{"A4", 210, 297}
	Letter = Paper{"Letter", 215.9, 279.4}
)

// Sizes in mm: margins, and letters of paragraphs, tables and remarks.
const (
	sideMM, topMM, bottomMM = 18, 12, 15
	textMM, cellMM, smallMM = 3.2, 2.8, 2.65
	leading                 = 1.32 // lines' distance in letters' size
)

// PDF writes the document as a PDF on paper. Its bytes follow from the document alone.
func (d *Document) PDF(out io.Writer, paper Paper) error {
	p := d.pages(paper)
	doc := drawing.NewPDF(paper.WidthMM, paper.HeightMM, d.DatedUTC)
	doc.SetTitle(drawing.Bare(drawing.Clean(d.Title)), true)
	doc.SetLang("en")
	marks := p.marks
	for i, page := range p.pages {
		doc.AddPageFormat("P", fpdf.SizeType{Wd: page.WidthMM, Ht: page.HeightMM})
		for ; len(marks) > 0 && marks[0].page == i; marks = marks[1:] {
			title, _ := drawing.Printable(marks[0].title)
			doc.SetFont(drawing.Family, "", 8)
			doc.Bookmark(drawing.Bare(title), 0, marks[0].yMM)
		}
		page.PDF(doc, 0, 0)
	}
	return doc.Output(out)
}

// A bookmark is where a section begins.
type bookmark struct {
	page  int
	title string
	yMM   float64
}

// A pager sets blocks on pages.
type pager struct {
	paper   Paper
	pages   []*drawing.Drawing
	page    *drawing.Drawing // the last of pages
	y       float64          // where the next line begins
	marks   []bookmark
	number  numbering
	scale   map[*drawing.Drawing]bool // pages at true scale
	lacking map[rune]bool
}

func (p *pager) width() float64  { return p.paper.WidthMM - 2*sideMM }
func (p *pager) bottom() float64 { return p.paper.HeightMM - bottomMM }

func (p *pager) turn() {
	p.page = drawing.New(p.paper.WidthMM, p.paper.HeightMM)
	p.pages = append(p.pages, p.page)
	p.y = topMM
}

// room turns the page where less than h is left.
func (p *pager) room(h float64) {
	if p.y+h > p.bottom() && p.y > topMM {
		p.turn()
	}
}

// pages sets the whole document.
func (d *Document) pages(paper Paper) *pager {
	p := &pager{paper: paper, scale: map[*drawing.Drawing]bool{}, lacking: map[rune]bool{}}
	p.turn()
	p.text(d.Title, drawing.Font{SizeMM: 6.2, Bold: true}, 0)
	p.y += 1
	p.text(d.Under, drawing.Font{SizeMM: textMM, Ink: drawing.Dark}, 0)
	p.y += 1.5
	p.page.Line(drawing.Pen{WidthMM: 0.7}, drawing.Point{X: sideMM, Y: p.y}, drawing.Point{X: sideMM + p.width(), Y: p.y})
	p.y += 2.5
	for _, s := range d.Sections {
		p.section(s)
	}
	p.tellLacking()
	for i, page := range p.pages {
		foot := drawing.Font{SizeMM: 2.5, Ink: drawing.Dark}
		y := page.HeightMM - 8
		if p.scale[page] {
			y = page.HeightMM - 5 // below the frame
		}
		last := fmt.Sprintf("page %d of %d", i+1, len(p.pages))
		room := page.WidthMM - 2*sideMM - drawing.Width(last, 2.5, false) - 6
		if lines := wrap(d.Foot, 2.5, false, room); len(lines) > 0 {
			for k, line := range lines[:min(2, len(lines))] {
				page.Words(drawing.Point{X: sideMM, Y: y - 3.2*float64(min(2, len(lines))-1-k)}, line, foot)
			}
		}
		foot.Anchor = drawing.End
		page.Words(drawing.Point{X: page.WidthMM - sideMM, Y: y}, last, foot)
	}
	return p
}

// tellLacking says at the end what stands for characters that the print does not show.
func (p *pager) tellLacking() {
	var hidden []string
	coded := false
	for _, r := range slices.Sorted(maps.Keys(p.lacking)) {
		if drawing.Hides(r) {
			hidden = append(hidden, fmt.Sprintf("U+%04X", r))
		} else {
			coded = true
		}
	}
	p.y += 3
	if coded {
		p.paragraph(Paragraph{Words: "Numbers in ⟨ ⟩ are Unicode’s for characters that the font of this print lacks; the HTML of this document shows the characters.", Style: Small})
	}
	if hidden != nil {
		more := ""
		if n := len(hidden) - 20; n > 0 {
			hidden, more = hidden[:20], fmt.Sprintf(" and %d more", n)
		}
		p.paragraph(Paragraph{Words: "\uFFFD stands for characters that would hide or turn other text: " + strings.Join(hidden, ", ") + more + ".", Style: Small})
	}
}

func (p *pager) section(s Section) {
	if s.NewPage && p.y > topMM {
		p.turn()
	}
	if s.Title != "" {
		if p.y > topMM+25 {
			p.y += 4
		}
		p.room(12 + p.head(s.Blocks))
		p.marks = append(p.marks, bookmark{len(p.pages) - 1, s.Title, p.y})
		p.text(s.Title, drawing.Font{SizeMM: 4.8, Bold: true}, 0)
		p.y += 0.8
		p.page.Line(drawing.Pen{Ink: drawing.Grey, WidthMM: 0.25}, drawing.Point{X: sideMM, Y: p.y}, drawing.Point{X: sideMM + p.width(), Y: p.y})
		p.y += 2.2
	}
	for i, b := range s.Blocks {
		switch b := b.(type) {
		case Paragraph:
			if b.Style == Heading {
				p.room(10 + p.head(s.Blocks[i+1:]))
			}
			p.paragraph(b)
		case List:
			for _, s := range b.Items {
				p.room(textMM * leading)
				p.page.Words(drawing.Point{X: sideMM + 1, Y: p.y + textMM}, "•", drawing.Font{SizeMM: textMM})
				p.text(s, drawing.Font{SizeMM: textMM}, 5)
				p.y += 0.6
			}
			p.y += 1
		case Table:
			p.table(b)
		case Figure:
			p.figure(b)
		case Signatures:
			p.signatures(b)
		}
	}
}

// head returns how much room the beginning of blocks takes, to keep a heading with it; a short
// paragraph stays with what follows it.
func (p *pager) head(blocks []Block) float64 {
	if len(blocks) == 0 {
		return 0
	}
	switch b := blocks[0].(type) {
	case Figure:
		if !b.Scale {
			return b.Drawing.HeightMM + 8
		}
	case Table:
		if h := p.tableHeight(b); h < wholeTableMM {
			return h
		}
		return 32
	case Paragraph:
		if lines := p.lines(b.Words, textMM, false, p.width()); len(lines) <= 4 {
			return float64(len(lines))*textMM*leading + 4 + p.head(blocks[1:])
		}
	}
	return 22
}

func (p *pager) paragraph(b Paragraph) {
	switch b.Style {
	case Lead:
		const size, in = 4.4, 3.0
		lines := p.lines(b.Words, size, true, p.width()-2*in)
		h := float64(len(lines))*size*leading + 4
		p.room(min(h, 60))
		if p.y+h <= p.bottom() {
			p.page.Rect(nil, &drawing.Pale, drawing.Box{X: sideMM, Y: p.y, W: p.width(), H: h})
			p.page.Rect(nil, &drawing.Black, drawing.Box{X: sideMM, Y: p.y, W: 1.2, H: h})
		}
		p.y += 1.6
		p.set(lines, drawing.Font{SizeMM: size, Bold: true}, in)
		p.y += 4.4
	case Heading:
		p.y += 2
		p.text(b.Words, drawing.Font{SizeMM: 3.7, Bold: true}, 0)
		p.y += 1.2
	case Small:
		p.text(b.Words, drawing.Font{SizeMM: smallMM, Ink: drawing.Dark}, 0)
		p.y += 1.6
	default:
		p.text(b.Words, drawing.Font{SizeMM: textMM}, 0)
		p.y += 1.8
	}
}

// lines breaks words, and notes the characters that the font lacks.
func (p *pager) lines(words string, size float64, bold bool, width float64) []string {
	printable, lacking := drawing.Printable(words)
	for _, r := range lacking {
		p.lacking[r] = true
	}
	return wrap(printable, size, bold, width)
}

// text sets words in lines from the left margin and in on.
func (p *pager) text(words string, f drawing.Font, in float64) {
	p.set(p.lines(words, f.SizeMM, f.Bold, p.width()-in), f, in)
}

func (p *pager) set(lines []string, f drawing.Font, in float64) {
	for _, line := range lines {
		p.room(f.SizeMM * leading)
		p.page.Words(drawing.Point{X: sideMM + in, Y: p.y + f.SizeMM}, line, f)
		p.y += f.SizeMM * leading
	}
}

// blankRune reports whether a line may be broken at r.
func blankRune(r rune) bool { return r == ' ' }

// wrap breaks words into lines no wider than width; a word that is wider alone is cut.
func wrap(words string, size float64, bold bool, width float64) []string {
	var lines []string
	line, lineW := "", 0.0
	blank := drawing.Width(" ", size, bold)
	for word := range strings.FieldsFuncSeq(words, blankRune) {
		w := drawing.Width(word, size, bold)
		if line != "" && lineW+blank+w <= width {
			line, lineW = line+" "+word, lineW+blank+w
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for w > width {
			cut, sum := 0, 0.0
			for i, r := range word {
				x := drawing.Width(string(r), size, bold)
				if sum+x > width && i > 0 {
					break
				}
				sum += x
				cut = i + utf8.RuneLen(r)
			}
			lines = append(lines, word[:cut])
			word = word[cut:]
			w = drawing.Width(word, size, bold)
		}
		line, lineW = word, w
	}
	if line != "" {
		lines = append(lines, line)
	}
	return drawing.Reopen(lines)
}

const (
	cellGapMM   = 2.4 // between columns
	cellPadMM   = 0.9 // above and below
	mostInACell = 24  // lines
)

// wholeTableMM is how high a table may be that is not broken over pages.
const wholeTableMM = 75

// A row is the lines of a table's cells.
type row struct {
	cells  [][]string
	strong []bool
	height float64
}

// row breaks the cells of a row into lines; first says that it is the first on its page.
func (p *pager) row(cells []Cell, widths []float64, bold, first bool) row {
	var r row
	n := 1
	for i, c := range cells {
		if c.Ditto && !first {
			c.Words = ""
		}
		lines := p.lines(c.Words, cellMM, bold || c.Strong, widths[i])
		if len(lines) > mostInACell {
			lines = append(lines[:mostInACell-1:mostInACell-1], "…")
		}
		n = max(n, len(lines))
		r.cells, r.strong = append(r.cells, lines), append(r.strong, bold || c.Strong)
	}
	r.height = float64(n)*cellMM*leading + 2*cellPadMM
	return r
}

// rows returns a table's caption, head and rows as they are set in columns of the widths given.
func (p *pager) rows(t Table, caption string, widths []float64) (lines []string, head row, rows []row) {
	var heads []Cell
	for _, c := range t.Columns {
		heads = append(heads, Cell{Words: c.Head})
	}
	for _, cells := range t.Rows {
		rows = append(rows, p.row(cells, widths, false, false))
	}
	return p.lines(caption, cellMM, true, p.width()), p.row(heads, widths, true, true), rows
}

// tableHeight returns how high a table is in one piece, with its note.
func (p *pager) tableHeight(t Table) float64 {
	caption, head, rows := p.rows(t, "Table 00. "+t.Caption, p.columns(t))
	return p.heightOf(t, caption, head, rows)
}

// heightOf is tableHeight of a table whose lines are known.
func (p *pager) heightOf(t Table, caption []string, head row, rows []row) float64 {
	h := float64(len(caption))*cellMM*leading + head.height + 4
	for _, r := range rows {
		h += r.height
	}
	return h + float64(len(p.lines(t.Note, smallMM, false, p.width())))*smallMM*leading
}

func (p *pager) table(t Table) {
	widths := p.columns(t)
	caption, head, rows := p.rows(t, fmt.Sprintf("Table %d. %s", p.number.table(), t.Caption), widths)
	put := func(r row) {
		x := float64(sideMM)
		for i, lines := range r.cells {
			for k, line := range lines {
				f, at := drawing.Font{SizeMM: cellMM, Bold: r.strong[i]}, x
				if t.Columns[i].Right {
					f.Anchor, at = drawing.End, x+widths[i]
				}
				p.page.Words(drawing.Point{X: at, Y: p.y + cellPadMM + cellMM + float64(k)*cellMM*leading}, line, f)
			}
			x += widths[i] + cellGapMM
		}
		p.y += r.height
	}
	rule := func(pen drawing.Pen) {
		p.page.Line(pen, drawing.Point{X: sideMM, Y: p.y}, drawing.Point{X: sideMM + p.width(), Y: p.y})
	}
	p.y += 1
	need := p.heightOf(t, caption, head, rows)
	if need > wholeTableMM {
		need = float64(len(caption))*cellMM*leading + head.height + 2
		for _, r := range rows[:min(2, len(rows))] {
			need += r.height
		}
	}
	p.room(need)
	p.set(caption, drawing.Font{SizeMM: cellMM, Bold: true}, 0)
	put(head)
	rule(drawing.Pen{WidthMM: 0.4})
	for i, r := range rows {
		need := r.height
		if i == len(rows)-2 { // the last row does not stand alone on a page
			need += rows[i+1].height
		}
		if p.y+need > p.bottom() && p.y > topMM+head.height+1 {
			p.turn()
			put(head)
			rule(drawing.Pen{WidthMM: 0.4})
			r = p.row(t.Rows[i], widths, false, true)
		}
		put(r)
		rule(drawing.Pen{Ink: drawing.Grey, WidthMM: 0.12})
	}
	p.y += 1.4
	if t.Note != "" {
		p.text(t.Note, drawing.Font{SizeMM: smallMM, Ink: drawing.Dark}, 0)
	}
	p.y += 2
}

// columns returns the widths of a table's columns: as wide as their words where all go, else
// between the longest word and the whole, each by what it would gain.
func (p *pager) columns(t Table) []float64 {
	n := len(t.Columns)
	least, most, cells := make([]float64, n), make([]float64, n), make([]float64, n)
	see := func(i int, words string, bold bool) {
		words, _ = drawing.Printable(words)
		most[i] = max(most[i], drawing.Width(words, cellMM, bold))
		for word := range strings.FieldsFuncSeq(words, blankRune) {
			least[i] = max(least[i], drawing.Width(word, cellMM, bold))
		}
	}
	for i, c := range t.Columns {
		see(i, c.Head, true)
		most[i] = max(least[i], most[i]/1.8) // a head may take several lines
	}
	for _, row := range t.Rows {
		for i, c := range row {
			see(i, c.Words, c.Strong)
			cells[i] = max(cells[i], drawing.Width(c.Words, cellMM, c.Strong))
		}
	}
	room := p.width() - cellGapMM*float64(n-1)
	keep := make([]float64, n) // least, but for columns whose cells are not to be broken
	for i := range n {
		least[i] = min(least[i]+0.1, room/3)
		most[i] = min(room, max(least[i], most[i]+0.1))
		keep[i] = least[i]
		if t.Columns[i].Keep {
			keep[i] = min(max(least[i], cells[i]+0.1), room/4)
		}
	}
	sum := func(x []float64) (s float64) {
		for _, v := range x {
			s += v
		}
		return s
	}
	// between gives from what it takes, and shares what is left by how far to is, long sentences
	// less than in proportion.
	between := func(from, to []float64) []float64 {
		share := make([]float64, n)
		for i := range share {
			share[i] = math.Sqrt(to[i] - from[i])
		}
		left, all := room-sum(from), sum(share)
		for i := range share {
			share[i] = from[i] + left*share[i]/all
		}
		return share
	}
	widths := make([]float64, n)
	switch {
	case sum(most) <= room:
		for i := range widths {
			widths[i] = most[i] * room / sum(most)
		}
	case sum(keep) < room:
		return between(keep, most)
	case sum(least) < room:
		return between(least, keep)
	default:
		for i := range widths {
			widths[i] = least[i] * room / sum(least)
		}
	}
	return widths
}

func (p *pager) figure(f Figure) {
	words := fmt.Sprintf("Figure %d. %s", p.number.figure(), f.Caption)
	if f.Scale {
		// A page of its own size, that says by itself what it is.
		page := drawing.New(f.Drawing.WidthMM, f.Drawing.HeightMM)
		page.Add(f.Drawing, 0, 0)
		p.pages, p.scale[page] = append(p.pages, page), true
		p.lines(strings.Join(f.Drawing.Text(), " "), smallMM, false, 1e6)
		p.y = p.bottom() // what follows begins a new page
		return
	}
	caption := p.lines(words, smallMM, false, p.width())
	p.room(f.Drawing.HeightMM + 2 + float64(len(caption))*smallMM*leading)
	p.page.Add(f.Drawing, sideMM, p.y)
	p.lines(strings.Join(f.Drawing.Text(), " "), smallMM, false, 1e6)
	p.y += f.Drawing.HeightMM + 1
	p.set(caption, drawing.Font{SizeMM: smallMM, Ink: drawing.Dark}, 0)
	p.y += 3.5
}

func (p *pager) signatures(s Signatures) {
	p.y += 1
	p.room(17)
	gap := 8.0
	w := (p.width() - gap*float64(len(s.Lines)-1)) / float64(len(s.Lines))
	y := p.y + 11
	for i, line := range s.Lines {
		x := sideMM + float64(i)*(w+gap)
		p.page.Line(drawing.Pen{WidthMM: 0.25}, drawing.Point{X: x, Y: y}, drawing.Point{X: x + w, Y: y})
		p.page.Words(drawing.Point{X: x, Y: y + 3.6}, line, drawing.Font{SizeMM: smallMM, Ink: drawing.Dark})
	}
	p.y = y + 8
}
