package drawing

import (
	"fmt"
	"sort"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"github.com/go-fonts/dejavu/dejavusanscondensed"
	"github.com/go-fonts/dejavu/dejavusanscondensedbold"
	"github.com/go-pdf/fpdf"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"golang.org/x/text/unicode/norm"
)

// Family is the name of the font in a PDF: DejaVu Sans Condensed, free to embed.
const Family = "dejavu"

// UseFonts makes the font known to a PDF.
func UseFonts(doc *fpdf.Fpdf) {
	doc.AddUTF8FontFromBytes(Family, "", dejavusanscondensed.TTF)
	doc.AddUTF8FontFromBytes(Family, "B", dejavusanscondensedbold.TTF)
}

// letters is how many characters the widths are known of: a PDF takes those of the first plane.
const letters = 0x10000

// A face is the widths of a font's characters, in parts of its size; negative where it has none.
type face [letters]float32

var regular, heavy = newFace(dejavusanscondensed.TTF), newFace(dejavusanscondensedbold.TTF)

func newFace(ttf []byte) func() *face {
	return sync.OnceValue(func() *face {
		parsed, err := sfnt.Parse(ttf)
		if err != nil {
			panic(err) // the font is part of the program
		}
		var f face
		var b sfnt.Buffer
		units := fixed.Int26_6(parsed.UnitsPerEm())
		for r := range f {
			f[r] = -1
			if i, err := parsed.GlyphIndex(&b, rune(r)); err == nil && i != 0 {
				if w, err := parsed.GlyphAdvance(&b, i, units, font.HintingNone); err == nil {
					f[r] = float32(w) / float32(units)
				}
			}
		}
		return &f
	})
}

// Width returns how wide s is in the font of a PDF, in mm. In SVG it is about as wide, for
// that takes a font of the reader's system.
func Width(s string, sizeMM float64, bold bool) float64 {
	f := regular()
	if bold {
		f = heavy()
	}
	sum := 0.0
	for _, r := range glyphs(s) {
		switch {
		case r == isolate || r == endIsolate:
		case r < letters && f[r] >= 0:
			sum += float64(f[r])
		default:
			sum += float64(f[replacement])
		}
	}
	return sum * sizeMM
}

// noBreak is a blank at which no line is broken.
const noBreak = '\u00a0'

// Fit returns words cut so that they are no wider than widthMM, with an ellipsis for what is left
// out.
func Fit(words string, sizeMM float64, bold bool, widthMM float64) string {
	if Width(words, sizeMM, bold) <= widthMM {
		return words
	}
	all := []rune(words)
	cut := func(n int) string { return Reopen([]string{string(all[:n]) + "…"})[0] }
	n := sort.Search(len(all), func(n int) bool { return Width(cut(n), sizeMM, bold) > widthMM })
	return cut(max(0, n-1))
}

// replacement is what stands for a character that cannot be shown.
const replacement = '\uFFFD'

// shown returns what stands for r: itself, a blank for white space, U+FFFD for controls, those
// that turn the direction of writing too, and for bytes that are no UTF-8. The marks of a name set
// off by Isolated turn nothing outside it, and stay.
func shown(r rune) rune {
	switch {
	case r == isolate, r == endIsolate, r == noBreak:
		return r
	case r == utf8.RuneError, r == 0xFFFE, r == 0xFFFF:
		return replacement
	case unicode.IsSpace(r):
		return ' '
	case unicode.IsControl(r), r == 0x200E, r == 0x200F, r == 0x061C, r >= 0x202A && r <= 0x202E, r >= 0x2066 && r <= 0x2067:
		return replacement
	}
	return r
}

// Clean returns s fit to be shown: white space as blanks, and U+FFFD for what would hide or
// turn other text.
func Clean(s string) string { return strings.Map(shown, s) }

// Printable returns Clean(s) fit for the PDF's font: letters and their accents as one character
// where there is one, and characters that the font lacks as their numbers in Unicode, such as
// ⟨571F 8349⟩. It also returns the characters that U+FFFD and numbers stand for.
func Printable(s string) (printable string, lacking []rune) {
	if plainASCII(s) {
		return s, nil
	}
	f := regular()
	var b strings.Builder
	coded := false
	before, behind := "⟨", "⟩"
	if strings.IndexFunc(s, leftward) >= 0 { // which are not to turn numbers
		before, behind = string(isolate)+before, behind+string(endIsolate)
	}
	end := func() {
		if coded {
			b.WriteString(behind)
		}
		coded = false
	}
	for _, r := range norm.NFC.String(strings.ToValidUTF8(s, string(replacement))) {
		c := shown(r)
		switch {
		case c == isolate, c == endIsolate, c < letters && f[c] >= 0:
			end()
			b.WriteRune(c)
			if c == replacement && r != replacement {
				lacking = append(lacking, r)
			}
			continue
		case coded:
			b.WriteByte(' ')
		default:
			b.WriteString(before)
		}
		coded = true
		fmt.Fprintf(&b, "%04X", r)
		lacking = append(lacking, r)
	}
	end()
	return b.String(), lacking
}

// plainASCII reports whether s has only characters that every font has and nothing turns.
func plainASCII(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return false
		}
	}
	return true
}

// Hides reports whether U+FFFD stands for r in every form, for it would hide or turn other text.
func Hides(r rune) bool { return shown(r) == replacement }

// glyphs returns the characters whose shapes stand for s, in the order in which it is read.
func glyphs(s string) []rune {
	printable, _ := Printable(s)
	return joined([]rune(printable))
}
