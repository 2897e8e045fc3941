package drawing

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/report/popplertest"
)

// Both backends show the same words, and the same bytes each time.
func TestBackendsAgree(t *testing.T) {
	draw := func() *Drawing {
		d := New(120, 80)
		a := NewAxes(d, Box{20, 10, 90, 50}, 0, 10, -5, 5, "time, s", "vacuum, kPa")
		a.Curve(PenOf(1, 0.3), []float64{0, 5, 6, 10}, []float64{0, 4, math.NaN(), -4})
		d.Point(2, InkOf(2), Point{60, 30}, 2)
		d.Stripes(Pen{WidthMM: 0.2}, Box{30, 20, 10, 10}, 45, 2)
		d.Words(Point{20, 76}, "Грунт, Χώμα, 5 µm & <b>", Label(Start))
		return d
	}
	var svg bytes.Buffer
	require.NoError(t, draw().SVG(&svg, "x", `a "plot"`))
	var pdfs [2][]byte
	for i := range pdfs {
		doc := NewPDF(120, 80, time.Date(2026, 11, 26, 0, 0, 0, 0, time.UTC))
		doc.AddPage()
		draw().PDF(doc, 0, 0)
		var b bytes.Buffer
		require.NoError(t, doc.Output(&b))
		pdfs[i] = b.Bytes()
	}
	assert.True(t, bytes.Equal(pdfs[0], pdfs[1]), "the PDF differs from one time to the next")
	path := filepath.Join(t.TempDir(), "x.pdf")
	require.NoError(t, os.WriteFile(path, pdfs[0], 0o666))
	text := popplertest.Text(t, path)[0]
	for _, w := range draw().Text() {
		assert.Contains(t, svg.String(), ">"+strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;").Replace(w)+"</text>")
		assert.Contains(t, text, w)
	}
	assert.Contains(t, svg.String(), `aria-label="a &#34;plot&#34;"`)
	assert.NotContains(t, svg.String(), "NaN")
}

// Stripes stay inside their box, and are as far apart as they say.
func TestStripes(t *testing.T) {
	for _, degrees := range []float64{0, 30, 45, 90, 135, 170} {
		d := New(100, 100)
		b := Box{10, 20, 30, 15}
		d.Stripes(Pen{WidthMM: 0.1}, b, degrees, 2)
		require.Greater(t, len(d.marks), 5, "%g°", degrees)
		for _, m := range d.marks {
			for _, p := range m.points {
				assert.True(t, p.X >= b.X-1e-9 && p.X <= b.X+b.W+1e-9 && p.Y >= b.Y-1e-9 && p.Y <= b.Y+b.H+1e-9, "%g°: %v", degrees, p)
			}
		}
		// The lengths times the distance make up the area, but for the edges.
		length := 0.0
		for _, m := range d.marks {
			length += math.Hypot(m.points[1].X-m.points[0].X, m.points[1].Y-m.points[0].Y)
		}
		assert.InDelta(t, b.W*b.H, 2*length, 0.2*b.W*b.H, "%g°", degrees)
	}
}

// Thin keeps the lowest and highest value of every stretch, the ends and every pause.
func TestThin(t *testing.T) {
	const n = 100_000
	x, y := make([]float64, n), make([]float64, n)
	for i := range x {
		x[i], y[i] = float64(i), math.Sin(float64(i)/3000)
	}
	y[12_345], y[67_890], y[50_000] = 9, -9, math.NaN()
	tx, ty := Thin(x, y, 500)
	assert.LessOrEqual(t, len(tx), 5*501)
	at := map[float64]float64{}
	for i := range tx {
		at[tx[i]] = ty[i]
		if i > 0 {
			require.Greater(t, tx[i], tx[i-1])
		}
	}
	assert.Equal(t, 9.0, at[12_345])
	assert.Equal(t, -9.0, at[67_890])
	assert.Contains(t, at, 50_000.0)
	assert.True(t, math.IsNaN(at[50_000]))
	assert.Contains(t, at, 0.0)
	assert.Contains(t, at, float64(n-1))
	few, _ := Thin(x[:100], y[:100], 500)
	assert.Len(t, few, 100)
}

func TestTicks(t *testing.T) {
	for _, c := range []struct {
		lo, hi float64
		about  int
		want   string
	}{
		{0, 10, 5, "[0 2 4 6 8 10]"}, {0, 0.57, 4, "[0 0.2 0.4]"}, {-5, 5, 4, "[-5 0 5]"}, {0, 83, 5, "[0 20 40 60 80]"}, {3, 3, 4, "[]"}, {0, math.Inf(1), 4, "[]"},
	} {
		var s []string
		for _, v := range Ticks(c.lo, c.hi, c.about) {
			s = append(s, fmt.Sprintf("%.3g", v))
		}
		assert.Equal(t, c.want, "["+strings.Join(s, " ")+"]", "%g to %g", c.lo, c.hi)
	}
}

// What would hide or turn other text is shown as U+FFFD, what a font lacks by its number, so that
// names that differ are shown as different ones; both are told.
func TestPrintable(t *testing.T) {
	for _, c := range []struct{ name, in, want, lacking string }{
		{"plain", "bark, 40 mm", "bark, 40 mm", ""},
		{"Cyrillic and Greek", "Мешок με χώμα", "Мешок με χώμα", ""},
		{"emoji", "bag 🌱", "bag ⟨1F331⟩", "🌱"},
		{"Chinese", "草种, 5 kg", "⟨8349 79CD⟩, 5 kg", "草种"},
		{"Thai", "ถุง 4", "⟨0E16 0E38 0E07⟩ 4", "ถุง"},
		{"emoji behind letters that run leftwards", "שק 🌱", "שק \u2068⟨1F331⟩\u2069", "🌱"},
		{"letter and accent", "Gra\u0308ser", "Gräser", ""},
		{"direction", "a\u202Ebc", "a\uFFFDbc", "\u202E"},
		{"control", "a\x1b[31m\tb\n", "a\uFFFD[31m b ", "\x1b"},
		{"a replacement of the user's", "\uFFFD", "\uFFFD", ""},
		{"a name set off", Isolated("שקית"), "\u2068שקית\u2069", ""},
	} {
		got, lacking := Printable(c.in)
		assert.Equal(t, c.want, got, c.name)
		assert.Equal(t, c.lacking, string(lacking), c.name)
		again, _ := Printable(got)
		assert.Equal(t, got, again, c.name)
	}
	assert.Equal(t, "\uFFFD", Clean("\xff"))
	assert.InDelta(t, 2*Width("xy", 3, false), Width("xyxy", 3, false), 1e-9)
	assert.Greater(t, Width("bark", 3, true), Width("bark", 3, false))
	assert.InDelta(t, Width("⟨8349⟩", 3, false), Width("草", 3, false), 1e-9)
	assert.InDelta(t, Width("שקית", 3, false), Width(Isolated("שקית"), 3, false), 1e-9, "its marks take no room")
}

// What is cut to a width is as long as goes, and a name set off stays one.
func TestFit(t *testing.T) {
	assert.Equal(t, "seed sachet", Fit("seed sachet", 3, false, 40))
	for _, name := range []string{strings.Repeat("thin-film ", 20), Isolated(strings.Repeat("כיס גדול ", 20)), strings.Repeat("草", 40)} {
		got := Fit(name, 3, true, 40)
		w := Width(got, 3, true)
		assert.LessOrEqual(t, w, 40.0, name)
		assert.Greater(t, w, 30.0, name)
		assert.Contains(t, got, "…", name)
		assert.Equal(t, strings.Count(got, "\u2068"), strings.Count(got, "\u2069"), name)
	}
}

// upper writes capital letters as Hebrew ones, as the examples of Annex 9 have them.
func upper(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'A' && r <= 'Z' {
			return 'א' + r - 'A'
		}
		return r
	}, s)
}

// The order of writing. The first two are examples of Unicode's Annex 9 (UAX #9, rule L2) in a
// line that runs from left to right, the others follow from its rules.
func TestVisual(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"one word", "car means CAR.", "car means RAC."},
		{"numbers", "he said “IT IS 123, 456, OK”.", "he said “KO ,456 ,123 SI TI”."},
		{"words between", "DID YOU SAY ’he said “car MEANS CAR”‘?", "YAS UOY DID ’he said “car RAC SNAEM”‘?"},
		{"stays", "plain (a), 40 mm – Мешок", "plain (a), 40 mm – Мешок"},
		{"brackets", "a AB (12) CD b", "a DC (12) BA b"},
		{"less than", "AB < CD", "DC > BA"},
		{"number behind", "AB 5, c", "5 BA, c"},
		{"per cent", "AB 5%", "5% BA"},
		{"number behind a name set off", "\u2068AB\u2069 5, c", "BA 5, c"},
		{"name with a number, set off", "for \u2068AB 5 kg\u2069, 3 mm", "for kg 5 BA, 3 mm"},
		{"two names", "\u2068AB\u2069, \u2068CD\u2069 with A", "BA, DC with A"},
		{"a name that begins rightwards", "\u2068a AB 5\u2069 b", "a 5 BA b"},
		{"not closed", "a \u2068AB 5", "a 5 BA"},
		{"nothing to close", "AB\u2069 c", "BA c"},
		{"within", "\u2068AB \u2068c d\u2069 E\u2069 5", "E c d BA 5"},
		{"Arabic digits", "سم ١٢, a", "١٢ مس, a"},
	} {
		if c.name != "two names" {
			c.in, c.want = upper(c.in), upper(c.want)
		} else {
			c.in, c.want = "\u2068אב\u2069, \u2068גד\u2069 with A", "בא, דג with A"
		}
		assert.Equal(t, c.want, Visual(c.in), c.name)
	}
	assert.Equal(t, "\u2068אב\u2069 | cup", Isolated("אב | cup"))
	assert.Equal(t, "bag | cup", Isolated("bag | cup"))
	assert.Equal(t, "\u2068אבג\u2069", Isolated("אב\u2069ג"), "a name cannot end its own setting off")
}

// No character is lost or doubled, whatever the words.
func TestVisualKeepsAll(t *testing.T) {
	const seed = 7
	r := rand.New(rand.NewPCG(seed, 0))
	alphabet := []rune("ab אבגסمي 12٣4 ,.%-()<| \u2068\u2069\u05B0\u0301")
	for range 4_000 {
		in := make([]rune, r.IntN(24))
		for i := range in {
			in[i] = alphabet[r.IntN(len(alphabet))]
		}
		got := []rune(Visual(string(in)))
		want := []rune(Bare(string(in)))
		for _, x := range [][]rune{got, want} {
			for i := range x {
				x[i] = min(x[i], mirrored(x[i]))
			}
			slices.Sort(x)
		}
		require.Equal(t, string(want), string(got), "seed %d: %q", seed, string(in))
	}
}

// Letters of the Arabic script in the forms that join them, as the Unicode Standard, chapter 9.2,
// has it (table 9-5 and the figures there).
func TestJoined(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"all four forms", "ببب ب", "\uFE91\uFE92\uFE90 \uFE8F"},
		{"joins only the letter before", "دار", "\uFEA9\uFE8D\uFEAD"},
		{"bag", "كيس", "\uFEDB\uFEF4\uFEB2"},
		{"lam with alef", "لا سلام", "\uFEFB \uFEB3\uFEFC\uFEE1"},
		{"lam with alef and a mark between", "لَا", "\uFEFB\u064E"},
		{"marks do not part letters", "بَب", "\uFE91\u064E\uFE90"},
		{"tatweel", "بـب", "\uFE91ـ\uFE90"},
		{"kept apart", "ب\u200Cب", "\uFE8F\u200C\uFE8F"},
		{"alef maksura joins both sides", "بىب", "\uFE91\uFBE9\uFE90"},
		{"hamza joins nothing", "بءب", "\uFE8F\uFE80\uFE8F"},
		{"Persian", "گچپ", "\uFB94\uFB7D\uFB57"},
		{"a letter whose joined forms the font has not", "بۅب", "\uFE8F\u06C5\uFE8F"},
		{"Hebrew stays", "שלום a 5", "שלום a 5"},
	} {
		assert.Equal(t, fmt.Sprintf("%+q", c.want), fmt.Sprintf("%+q", string(joined([]rune(c.in)))), c.name)
	}
}

// In a grey print the inks of lines that follow each other differ, and so do all dashes.
func TestPensInGrey(t *testing.T) {
	grey := func(i Ink) float64 { return 0.299*float64(i.R) + 0.587*float64(i.G) + 0.114*float64(i.B) } // ITU-R BT.601
	seen := map[string]bool{}
	for k := range Shapes {
		p := PenOf(k, 0.5)
		seen[fmt.Sprint(p.Dash)] = true
		assert.Less(t, grey(p.Ink), 170.0, "pen %d is too pale to print", k)
	}
	assert.Len(t, seen, Shapes)
}
