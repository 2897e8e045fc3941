package document

import (
	"bufio"
	_ "embed"
	"fmt"
	"html"
	"io"
	"strings"
	"unicode/utf8"

	"griptrial/report/drawing"
)

//go:embed style.css
var style string

// esc returns words fit for HTML.
func esc(s string) string { return html.EscapeString(drawing.Clean(s)) }

// HTML writes the document as one page that needs no other file: well-formed XML, too.
func (d *Document) HTML(out io.Writer) error {
	w := bufio.NewWriter(out)
	fmt.Fprintf(w, `<!DOCTYPE html>
<html xmlns="http://www.w3.org/1999/xhtml" lang="en">
<head>
<meta charset="utf-8"/>
<meta name="viewport" content="width=device-width, initial-scale=1"/>
<title>%s</title>
<style>
%s</style>
</head>
<body>
<main>
<header>
<h1>%s</h1>
<p class="under">%s</p>
</header>
`, esc(drawing.Bare(d.Title)), style, esc(d.Title), esc(d.Under))
	var n numbering
	if len(d.Sections) > 3 {
		fmt.Fprintf(w, "<nav aria-label=\"contents\"><ul>\n")
		for i, s := range d.Sections {
			if s.Title != "" {
				fmt.Fprintf(w, "<li><a href=\"#s%d\">%s</a></li>\n", i+1, esc(s.Title))
			}
		}
		fmt.Fprintf(w, "</ul></nav>\n")
	}
	for i, s := range d.Sections {
		class := ""
		if s.NewPage {
			class = ` class="page"`
		}
		fmt.Fprintf(w, "<section id=\"s%d\"%s>\n", i+1, class)
		if s.Title != "" {
			fmt.Fprintf(w, "<h2>%s</h2>\n", esc(s.Title))
		}
		for _, b := range s.Blocks {
			if err := htmlBlock(w, b, &n, s.Title != ""); err != nil {
				return err
			}
		}
		fmt.Fprintf(w, "</section>\n")
	}
	fmt.Fprintf(w, "<footer><p>%s</p></footer>\n</main>\n</body>\n</html>\n", esc(d.Foot))
	return w.Flush()
}

// mostKept is how many characters of a cell are kept on one line where its column is to be kept.
const mostKept = 30

// htmlBlock writes a block; titled says that its section has a heading of its own, to which those
// of the section are below.
func htmlBlock(w *bufio.Writer, b Block, n *numbering, titled bool) error {
	switch b := b.(type) {
	case Paragraph:
		switch b.Style {
		case Heading:
			if titled {
				fmt.Fprintf(w, "<h3>%s</h3>\n", esc(b.Words))
			} else {
				fmt.Fprintf(w, "<h2 class=\"minor\">%s</h2>\n", esc(b.Words))
			}
		case Normal:
			fmt.Fprintf(w, "<p>%s</p>\n", esc(b.Words))
		default:
			fmt.Fprintf(w, "<p class=\"%s\">%s</p>\n", b.Style, esc(b.Words))
		}
	case List:
		fmt.Fprintf(w, "<ul>\n")
		for _, s := range b.Items {
			fmt.Fprintf(w, "<li>%s</li>\n", esc(s))
		}
		fmt.Fprintf(w, "</ul>\n")
	case Table:
		caption := fmt.Sprintf("Table %d. %s", n.table(), esc(b.Caption))
		fmt.Fprintf(w, "<div class=\"table\" role=\"region\" tabindex=\"0\" aria-label=\"%s\"><table>\n<caption>%s</caption>\n<thead><tr>", caption, caption)
		for _, c := range b.Columns {
			fmt.Fprintf(w, "<th scope=\"col\"%s>%s</th>", class(c, false), esc(c.Head))
		}
		fmt.Fprintf(w, "</tr></thead>\n<tbody>\n")
		for _, row := range b.Rows {
			fmt.Fprintf(w, "<tr>")
			for i, c := range row {
				s := esc(c.Words)
				switch {
				case c.Strong:
					s = "<strong>" + s + "</strong>"
				case c.Ditto:
					s = `<span class="ditto">` + s + "</span>"
				}
				fmt.Fprintf(w, "<td%s>%s</td>", class(b.Columns[i], b.Columns[i].Keep && utf8.RuneCountInString(c.Words) <= mostKept), s)
			}
			fmt.Fprintf(w, "</tr>\n")
		}
		fmt.Fprintf(w, "</tbody>\n</table></div>\n")
		if b.Note != "" {
			fmt.Fprintf(w, "<p class=\"small\">%s</p>\n", esc(b.Note))
		}
	case Figure:
		class := ""
		if b.Scale {
			class = ` class="scale" tabindex="0"`
		}
		i := n.figure()
		fmt.Fprintf(w, "<figure%s>\n", class)
		if err := b.Drawing.SVG(w, fmt.Sprintf("f%d", i), b.Label); err != nil {
			return err
		}
		fmt.Fprintf(w, "<figcaption>Figure %d. %s</figcaption>\n</figure>\n", i, esc(b.Caption))
	case Signatures:
		fmt.Fprintf(w, "<div class=\"signatures\">\n")
		for _, s := range b.Lines {
			fmt.Fprintf(w, "<p>%s</p>\n", esc(s))
		}
		fmt.Fprintf(w, "</div>\n")
	default:
		return fmt.Errorf("no HTML for %T", b)
	}
	return nil
}

// class returns the attribute of a cell of a column, kept on one line or not.
func class(c Column, kept bool) string {
	switch {
	case c.Right && kept:
		return ` class="right keep"`
	case c.Right:
		return ` class="right"`
	case kept:
		return ` class="keep"`
	}
	return ""
}

// Markdown writes the document as Markdown. Figures are told by their words.
func (d *Document) Markdown(out io.Writer) error {
	w := bufio.NewWriter(out)
	fmt.Fprintf(w, "# %s\n\n%s\n", md(d.Title), md(d.Under))
	var n numbering
	for _, s := range d.Sections {
		if s.Title != "" {
			fmt.Fprintf(w, "\n## %s\n", md(s.Title))
		}
		for _, b := range s.Blocks {
			fmt.Fprintln(w)
			switch b := b.(type) {
			case Paragraph:
				switch b.Style {
				case Lead:
					fmt.Fprintf(w, "**%s**\n", md(b.Words))
				case Heading:
					fmt.Fprintf(w, "### %s\n", md(b.Words))
				default:
					fmt.Fprintf(w, "%s\n", md(b.Words))
				}
			case List:
				for _, s := range b.Items {
					fmt.Fprintf(w, "- %s\n", md(s))
				}
			case Table:
				fmt.Fprintf(w, "Table %d. %s\n\n|", n.table(), md(b.Caption))
				for _, c := range b.Columns {
					fmt.Fprintf(w, " %s |", md(c.Head))
				}
				fmt.Fprint(w, "\n|")
				for _, c := range b.Columns {
					if c.Right {
						fmt.Fprint(w, " ---: |")
					} else {
						fmt.Fprint(w, " --- |")
					}
				}
				fmt.Fprintln(w)
				for _, row := range b.Rows {
					fmt.Fprint(w, "|")
					for _, c := range row {
						if c.Strong && c.Words != "" {
							fmt.Fprintf(w, " **%s** |", md(c.Words))
						} else {
							fmt.Fprintf(w, " %s |", md(c.Words))
						}
					}
					fmt.Fprintln(w)
				}
				if b.Note != "" {
					fmt.Fprintf(w, "\n%s\n", md(b.Note))
				}
			case Figure:
				fmt.Fprintf(w, "*Figure %d. %s* %s.\n", n.figure(), md(b.Caption), md(b.Label))
			case Signatures:
				for _, s := range b.Lines {
					fmt.Fprintf(w, "\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_\\_ %s\n\n", md(s))
				}
			default:
				return fmt.Errorf("no Markdown for %T", b)
			}
		}
	}
	fmt.Fprintf(w, "\n---\n\n%s\n", md(d.Foot))
	return w.Flush()
}

var mdEscapes = strings.NewReplacer(`\`, `\\`, "`", "\\`", "*", `\*`, "_", `\_`, "[", `\[`, "]", `\]`, "<", "&lt;", ">", "&gt;", "&", "&amp;", "|", `\|`, "#", `\#`, "~", `\~`)

// md returns words fit for Markdown, with nothing in them that it would take as its own.
func md(s string) string {
	s = mdEscapes.Replace(strings.TrimSpace(drawing.Clean(s)))
	// A line must not begin as a list does.
	if i := strings.IndexAny(s, "-+"); i == 0 {
		s = `\` + s
	}
	if i := strings.IndexByte(s, '.'); i > 0 && strings.Trim(s[:i], "0123456789") == "" {
		s = s[:i] + `\` + s[i:]
	}
	return s
}
