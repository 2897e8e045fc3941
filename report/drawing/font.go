package drawing

import (
	"slices"
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
	"golang.org/x/text/unicode/bidi"
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
	for _, r := range s {
		if r < letters && f[r] >= 0 {
			sum += float64(f[r])
		} else {
			sum += float64(f[replacement])
		}
	}
	return sum * sizeMM
}

// replacement is what stands for a character that cannot be shown.
const replacement = '\uFFFD'

// shown returns what stands for r: itself, a blank for white space, U+FFFD for controls, those
// that turn the direction of writing too, and for bytes that are no UTF-8.
func shown(r rune) rune {
	switch {
	case r == utf8.RuneError, r == 0xFFFE, r == 0xFFFF:
		return replacement
	case unicode.IsSpace(r):
		return ' '
	case unicode.IsControl(r), r == 0x200E, r == 0x200F, r == 0x061C, r >= 0x202A && r <= 0x202E, r >= 0x2066 && r <= 0x2069:
		return replacement
	}
	return r
}

// Clean returns s fit to be shown: white space as blanks, and U+FFFD for what would hide or
// turn other text.
func Clean(s string) string { return strings.Map(shown, s) }

// Printable returns Clean(s) with U+FFFD for every character that the PDF's font lacks, too,
// and the characters that U+FFFD stands for.
func Printable(s string) (printable string, lacking []rune) {
	f := regular()
	printable = strings.Map(func(r rune) rune {
		c := shown(r)
		if c < letters && f[c] >= 0 && (c != replacement || r == replacement) {
			return c
		}
		lacking = append(lacking, r)
		return replacement
	}, s)
	return printable, lacking
}

// leftward reports whether r is a letter of a script that runs from right to left.
func leftward(r rune) bool {
	p, _ := bidi.LookupRune(r)
	return p.Class() == bidi.R || p.Class() == bidi.AL
}

// Visual returns s in the order in which its characters stand on the page, from left to right:
// each stretch from the first to the last of words of a script that runs the other way is
// turned, and numbers in it are not. (Simpler than Unicode's Annex 9: numbers after the words
// stay behind them.)
func Visual(s string) string {
	runes := []rune(s)
	for i := 0; i < len(runes); i++ {
		if !leftward(runes[i]) {
			continue
		}
		end := i
		for j := i; j < len(runes); j++ {
			if leftward(runes[j]) {
				end = j
			} else if p, _ := bidi.LookupRune(runes[j]); p.Class() == bidi.L {
				break
			}
		}
		turned := []rune(bidi.ReverseString(string(runes[i : end+1])))
		for a := 0; a < len(turned); a++ {
			b := a
			for b < len(turned) && unicode.IsDigit(turned[b]) {
				b++
			}
			slices.Reverse(turned[a:b])
			a = max(a, b-1)
		}
		copy(runes[i:], turned)
		i = end
	}
	return string(runes)
}
