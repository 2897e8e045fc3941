package document

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/report/drawing"
	"griptrial/report/popplertest"
)

// names that users, or those who wish them ill, might give to a bag.
var hostile = map[string]string{
	"script":     `<script>alert("x")</script>`,
	"attribute":  `" onload="alert(1)`,
	"cdata":      "]]></style></svg><!-- ",
	"entity":     "&lt;b&gt; &nbsp; &#0;",
	"markdown":   "| a | *b* [c](http://d) `e` # f\n- g",
	"formula":    "=cmd|'/C calc'!A0",
	"PDF string": `(a) Tj \) ET /JS`,
	"right":      "שקית עם אדמה 40 مم كيس",
	"Arabic":     "كيس بذور العشب",
	"set off":    drawing.Isolated("كيس بذور العشب") + " 5 kg",
	"Chinese":    "草种袋",
	"override":   "safe\u202Etxe.exe",
	"emoji":      "bark 🪵🌱",
	"Cyrillic":   "Мешок с грунтом, 40 мм",
	"Greek":      "Σακί με χώμα",
	"10 kB":      strings.Repeat("thin-film ", 500) + strings.Repeat("W", 5000),
	"bad UTF-8":  "a\xff\xfeb",
	"control":    "a\x00\x07\x1b[2Jb",
}

func hostileDocument() *Document {
	d := &Document{Title: hostile["script"], Under: hostile["10 kB"], Foot: hostile["override"], DatedUTC: time.Date(2026, 11, 26, 9, 0, 0, 0, time.UTC)}
	s := Section{Title: hostile["entity"]}
	t := Table{Caption: hostile["cdata"], Columns: []Column{{Head: hostile["attribute"]}, {Head: "leak L/min ANR", Right: true}}, Note: hostile["markdown"]}
	for name, h := range hostile {
		t.Rows = append(t.Rows, []Cell{Words(h), Exact("1.5", 1.5, "L/min ANR")})
		p := drawing.New(100, 20)
		p.Words(drawing.Point{X: 5, Y: 10}, h, drawing.Font{SizeMM: 3})
		s.Blocks = append(s.Blocks, Paragraph{Words: h}, List{Items: []string{h}}, Figure{Caption: h, Label: name + h, Drawing: p})
	}
	s.Blocks = append(s.Blocks, t, Signatures{Lines: []string{hostile["script"], hostile["emoji"]}})
	d.Sections = []Section{s}
	return d
}

// parse reads HTML as XML and returns its elements with their attributes; it fails where the
// page is not well-formed, refers to anything outside itself or could run anything.
func parse(t *testing.T, page []byte) (elements []xml.StartElement, text string) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(page))
	var b strings.Builder
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return elements, b.String()
		}
		require.NoError(t, err)
		switch x := token.(type) {
		case xml.StartElement:
			elements = append(elements, x.Copy())
			assert.NotContains(t, []string{"script", "link", "iframe", "object", "embed", "base", "img", "image", "use", "form"}, x.Name.Local)
			for _, a := range x.Attr {
				assert.False(t, strings.HasPrefix(strings.ToLower(a.Name.Local), "on"), "%s has %s", x.Name.Local, a.Name.Local)
				if a.Name.Local == "href" || a.Name.Local == "src" {
					assert.True(t, strings.HasPrefix(a.Value, "#"), "%s refers to %q", x.Name.Local, a.Value)
				}
				if i := strings.Index(a.Value, "url("); i >= 0 && a.Name.Local != "aria-label" {
					assert.True(t, strings.HasPrefix(a.Value[i:], "url(#"), a.Value)
				}
			}
		case xml.CharData:
			b.Write(x)
		}
	}
}

func TestHostileHTML(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, hostileDocument().HTML(&b))
	elements, text := parse(t, b.Bytes())
	assert.Contains(t, text, hostile["script"])
	assert.Contains(t, text, hostile["PDF string"])
	assert.NotContains(t, b.String(), "\u202E")
	assert.NotContains(t, b.String(), "\x1b")
	figures := 0
	for i, e := range elements {
		if e.Name.Local == "figure" {
			figures++
			svg := elements[i+1]
			require.Equal(t, "svg", svg.Name.Local)
			label := ""
			for _, a := range svg.Attr {
				if a.Name.Local == "aria-label" {
					label = a.Value
				}
			}
			assert.NotEmpty(t, label)
		}
	}
	assert.Equal(t, len(hostile), figures)
	css := style
	assert.NotContains(t, css, "url(")
	assert.NotContains(t, css, "@import")
}

func TestHostilePDF(t *testing.T) {
	for _, paper := range []Paper{A4, Letter} {
		var b bytes.Buffer
		require.NoError(t, hostileDocument().PDF(&b, paper))
		path := filepath.Join(t.TempDir(), "x.pdf")
		require.NoError(t, os.WriteFile(path, b.Bytes(), 0o666))
		text := strings.Join(popplertest.Text(t, path), "\n")
		for _, name := range []string{"script", "PDF string", "Cyrillic", "Greek"} {
			assert.Contains(t, text, hostile[name], "%s: %s", paper.Name, name)
		}
		// Who searches or copies finds words as they are read, not as they stand joined.
		assert.GreaterOrEqual(t, strings.Count(text, hostile["Arabic"]), 10)
		assert.NotRegexp(t, "[\uFB50-\uFDFF\uFE70-\uFEFC\u2068\u2069]", text)
		assert.Contains(t, text, "bark ⟨1FAB5 1F331⟩", "what the font lacks")
		assert.Contains(t, text, "⟨8349 79CD 888B⟩")
		assert.Contains(t, strings.Join(strings.Fields(text), " "), "Numbers in ⟨ ⟩ are Unicode’s")
		assert.Contains(t, text, "U+202E")
		assert.NotContains(t, text, "\u202E")
		assert.NotEmpty(t, popplertest.Render(t, path, 20))
	}
}

func TestHostileMarkdownAndCSV(t *testing.T) {
	d := hostileDocument()
	var b bytes.Buffer
	require.NoError(t, d.Markdown(&b))
	for _, line := range strings.Split(b.String(), "\n") {
		if strings.HasPrefix(line, "| ") && !strings.HasPrefix(line, "| ---") {
			assert.Equal(t, 3, strings.Count(line, "|")-strings.Count(line, `\|`), line)
		}
	}
	assert.NotContains(t, b.String(), "<script")
	assert.NotRegexp(t, `[^\\]\]\(http`, b.String())
	b.Reset()
	require.NoError(t, d.CSV(&b))
	rows, err := csv.NewReader(&b).ReadAll()
	require.NoError(t, err)
	numbers := 0
	for _, row := range rows[1:] {
		for _, c := range row {
			assert.False(t, c != "" && strings.ContainsRune("=+-@", rune(c[0])), c)
			assert.NotContains(t, c, "\u2068")
		}
		if row[4] != "" {
			numbers++
			assert.Equal(t, "1.5", row[4])
			assert.Equal(t, "L/min ANR", row[7])
		}
	}
	assert.Equal(t, len(hostile), numbers)
}

// sample is a document with every kind of block, of which some go over the page.
func sample() *Document {
	plot := drawing.New(170, 60)
	drawing.NewAxes(plot, drawing.Box{X: 15, Y: 5, W: 150, H: 40}, 0, 1, 0, 1, "s", "kPa")
	sheet := drawing.New(297, 210)
	sheet.Words(drawing.Point{X: 20, Y: 20}, "at true scale", drawing.Font{SizeMM: 4})
	t := Table{Caption: "numbers", Columns: []Column{{Head: "Bag", Keep: true}, {Head: "Hold vacuum kPa"}, {Head: "Remark"}}}
	for range 90 {
		t.Rows = append(t.Rows, []Cell{{Words: "seed sachet", Ditto: len(t.Rows) > 0}, {Words: "23.5 (23.1 to 23.9)", Number: &Number{23.5, 23.1, 23.9, "kPa"}}, Words(strings.Repeat("as measured ", len(t.Rows)%7))})
	}
	t.Rows = append(t.Rows, []Cell{Words("nothing"), {Words: "–", Number: &Number{math.NaN(), math.NaN(), math.NaN(), "kPa"}}, {Words: "2.5", Number: &Number{math.NaN(), math.NaN(), 2.5, "%"}}})
	return &Document{Title: "A report", Under: "of nothing", Foot: "foot", DatedUTC: time.Date(2026, 11, 26, 9, 0, 0, 0, time.UTC), Sections: []Section{
		{Blocks: []Block{Paragraph{"The choice.", Lead}, Paragraph{Words: strings.Repeat("A sentence of the report. ", 40)}, Signatures{[]string{"a", "b"}}}},
		{Title: "Second", NewPage: true, Blocks: []Block{Paragraph{"Head", Heading}, t, Figure{Caption: "plot", Label: "a plot", Drawing: plot, Series: []Series{{"v", "s", "kPa", []float64{0, 1}, []float64{2, math.NaN()}}}}}},
		{Title: "Third", Blocks: []Block{Figure{Caption: "sheet", Label: "a sheet", Drawing: sheet, Scale: true}, Paragraph{"small", Small}, List{[]string{"one", "two"}}}},
	}}
}

// Nothing is set outside the page's margins, and no line of a table on another.
func TestPagesKeepMargins(t *testing.T) {
	for _, paper := range []Paper{A4, Letter} {
		p := sample().pages(paper)
		require.GreaterOrEqual(t, len(p.pages), 5)
		for i, page := range p.pages {
			if p.scale[page] {
				assert.Equal(t, 297.0, page.WidthMM)
				continue
			}
			page.EachWords(func(at drawing.Point, text string, f drawing.Font) {
				w := drawing.Width(text, f.SizeMM, f.Bold)
				left := at.X
				if f.Anchor == drawing.End {
					left -= w
				}
				if f.Turned || f.Anchor == drawing.Middle {
					return
				}
				assert.GreaterOrEqual(t, left, float64(sideMM)-0.01, "%s, page %d: %q", paper.Name, i+1, text)
				assert.LessOrEqual(t, left+w, paper.WidthMM-sideMM+0.3, "%s, page %d: %q", paper.Name, i+1, text)
				assert.LessOrEqual(t, at.Y, paper.HeightMM-7, "%s, page %d: %q", paper.Name, i+1, text)
			})
		}
	}
}

// A heading stays with what it is of, a short table in one piece, and the last row of a long one
// with the row before it, wherever on the page they come.
func TestPagesKeepTogether(t *testing.T) {
	for rows := range 70 {
		long := Table{Caption: "long", Columns: []Column{{Head: "Row"}}}
		for i := range rows + 3 {
			long.Rows = append(long.Rows, []Cell{Words(fmt.Sprintf("row %d", i))})
		}
		short := Table{Caption: "short", Columns: []Column{{Head: "Row"}}}
		for i := range 9 {
			short.Rows = append(short.Rows, []Cell{Words(fmt.Sprintf("s %d", i))})
		}
		plot := drawing.New(170, 60)
		plot.Words(drawing.Point{X: 5, Y: 30}, "plotted", drawing.Font{SizeMM: 3})
		d := &Document{Title: "A report", Sections: []Section{{Title: "First", Blocks: []Block{long}}, {Title: "Order", Blocks: []Block{Paragraph{Words: "All were made."}, Figure{Caption: "plot", Label: "plot", Drawing: plot}, Paragraph{"Head", Heading}, short}}}}
		on := map[string]int{}
		for i, page := range d.pages(A4).pages {
			for _, text := range page.Text() {
				on[text] = i
			}
		}
		about := fmt.Sprintf("%d rows", rows+3)
		assert.Equal(t, on["Order"], on["plotted"], about)
		assert.Equal(t, on["Head"], on["s 0"], about)
		assert.Equal(t, on["s 0"], on["s 8"], about)
		assert.Equal(t, on[fmt.Sprintf("row %d", rows+1)], on[fmt.Sprintf("row %d", rows+2)], about)
	}
}

// A table of one row that is very high is no trouble.
func TestHighRow(t *testing.T) {
	d := &Document{Title: "A report", Sections: []Section{{Blocks: []Block{Table{Caption: "c", Columns: []Column{{Head: "Row"}}, Rows: [][]Cell{{Words(strings.Repeat("words ", 2000))}}}}}}}
	assert.NotPanics(t, func() { assert.Len(t, d.pages(A4).pages, 1) })
}

// The same document gives the same bytes; the table's head stands on each of its pages.
func TestPDFAgain(t *testing.T) {
	var a, b bytes.Buffer
	require.NoError(t, sample().PDF(&a, A4))
	for range 3 {
		b.Reset()
		require.NoError(t, sample().PDF(&b, A4))
		require.True(t, bytes.Equal(a.Bytes(), b.Bytes()))
	}
	path := filepath.Join(t.TempDir(), "x.pdf")
	require.NoError(t, os.WriteFile(path, a.Bytes(), 0o666))
	pages := popplertest.Text(t, path)
	heads, rows := 0, 0
	for i, page := range pages {
		assert.Contains(t, page, "page "+string(rune('1'+i))+" of ")
		heads += strings.Count(page, "Hold vacuum kPa")
		if n := strings.Count(page, "23.5 (23.1 to 23.9)"); n > 0 {
			rows += n
			assert.Equal(t, 1, strings.Count(page, "seed sachet"), "page %d says once what is the same in the rows below", i+1)
		}
	}
	assert.Equal(t, 90, rows)
	assert.GreaterOrEqual(t, heads, 2)
	b.Reset()
	require.NoError(t, sample().CSV(&b))
	lines, err := csv.NewReader(&b).ReadAll()
	require.NoError(t, err)
	assert.Len(t, lines, 1+90+2, "numbers that cannot be had are left out, bounds are not")
	assert.Equal(t, []string{"Second", "Table 1. numbers", "seed sachet", "Hold vacuum kPa", "23.5", "23.1", "23.9", "kPa", "23.5 (23.1 to 23.9)"}, lines[1])
	assert.Equal(t, []string{"Second", "Table 1. numbers", "nothing", "Remark", "", "", "2.5", "%", "2.5"}, lines[91])
	assert.Equal(t, []string{"Second", "Figure 1. plot", "0 s", "v", "2", "", "", "kPa", ""}, lines[92])
}
