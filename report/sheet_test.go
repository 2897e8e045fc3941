package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze/layout"
	"griptrial/report/popplertest"
)

const dpi = 300

// render returns the pages of a PDF in grey.
func render(t *testing.T, s *Sheet) []image.Image {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), "sheet.pdf"))
	require.NoError(t, err)
	require.NoError(t, s.PDF(f))
	require.NoError(t, f.Close())
	var pages []image.Image
	for _, name := range popplertest.Render(t, f.Name(), dpi) {
		f, err := os.Open(name)
		require.NoError(t, err)
		img, err := png.Decode(f)
		require.NoError(t, err)
		require.NoError(t, f.Close())
		pages = append(pages, img)
	}
	require.Len(t, pages, len(s.Pages))
	return pages
}

// dark returns how much ink a pixel has, 0 to 1.
func dark(img image.Image, x, y int) float64 {
	r, _, _, _ := img.At(x, y).RGBA()
	return 1 - float64(r)/0xffff
}

// longest returns where the longest run of ink in the rows or columns from lo to hi begins and
// how long it is, in mm; grey ends of antialiasing count by their ink.
func longest(img image.Image, lo, hi int, columns bool) (start, length float64) {
	n := img.Bounds().Dx()
	if columns {
		n = img.Bounds().Dy()
	}
	for k := lo; k < hi; k++ {
		run, from := 0.0, 0
		for i := range n + 1 {
			ink := 0.0
			if i < n && columns {
				ink = dark(img, k, i)
			} else if i < n {
				ink = dark(img, i, k)
			}
			if ink > 0.02 {
				if run == 0 {
					from = i
				}
				run += ink
				continue
			}
			if run > length {
				start, length = float64(from), run
			}
			run = 0
		}
	}
	return start * 25.4 / dpi, length * 25.4 / dpi
}

func px(mm float64) int { return int(mm * dpi / 25.4) }

func sheetOf(t *testing.T, length, width, lip float64, cups int, paper Paper) (*Sheet, layout.Pattern) {
	t.Helper()
	o := layout.Order{Bag: layout.Bag{LengthMM: length, WidthMM: width}, LipMM: lip, Cups: cups, MarginMM: 6}
	p, err := layout.Place(o)
	require.NoError(t, err)
	s, err := NewSheet(o, p, paper, "granule pillow bag & 4 cups")
	require.NoError(t, err)
	return s, p
}

// The check line of 100 mm and the bag's outline, measured in the rendered PDF.
func TestSheetTrueScale(t *testing.T) {
	const tolerance = 0.2 // mm, half of which is a pixel
	for _, c := range []struct {
		name          string
		length, width float64
		lip           float64
		paper         Paper
		pages         int
	}{
		{"A4", 250, 160, 45, "", 1},
		{"A3", 390, 250, 45, A3, 1},
		{"a small bag on A3", 100, 60, 20, A3, 1},
		{"tiles", 600, 300, 45, "", 6},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, p := sheetOf(t, c.length, c.width, c.lip, 4, c.paper)
			pages := render(t, s)
			require.Len(t, pages, c.pages)
			for i, img := range pages {
				assert.InDelta(t, s.WidthMM, float64(img.Bounds().Dx())*25.4/dpi, 0.1)
				assert.InDelta(t, s.HeightMM, float64(img.Bounds().Dy())*25.4/dpi, 0.1)
				_, line := longest(img, px(paperEdgeMM+15), px(paperEdgeMM+17), false)
				assert.InDelta(t, 100, line, tolerance, "page %d", i+1)
			}
			if c.pages > 1 {
				return
			}
			top := px(paperEdgeMM + headMM)
			img := pages[0]
			// Outer edges of a stroke of 0.5 mm.
			_, w := longest(img, top, img.Bounds().Dy(), false)
			assert.InDelta(t, c.length, w, 0.5+tolerance, "the bag's length")
			_, h := longest(img, px(paperEdgeMM), img.Bounds().Dx()-px(paperEdgeMM), true)
			assert.InDelta(t, c.width, h, 0.5+tolerance, "the bag's width")
			// A lip's diameter along the row through cup 1's centre: from ink to ink outside the cross.
			cx := s.WidthMM/2 + p.Cups[0].XMM
			cy := paperEdgeMM + headMM + (s.HeightMM-2*paperEdgeMM-headMM)/2 - p.Cups[0].YMM
			edge := func(direction float64) float64 {
				best, at := 0.0, 0.0
				for mm := c.lip/2 - 2; mm < c.lip/2+2; mm += 0.02 {
					if d := dark(img, px(cx+direction*mm), px(cy+0.8)); d > best {
						best, at = d, mm
					}
				}
				require.Greater(t, best, 0.5)
				return at
			}
			assert.InDelta(t, c.lip, edge(1)+edge(-1), 2*(0.2+0.1), "the lip: strokes of 0.4 mm, pixels of 0.085 mm")
		})
	}
}

func TestSheetSVG(t *testing.T) {
	s, _ := sheetOf(t, 250, 160, 45, 4, "")
	var b bytes.Buffer
	require.NoError(t, s.SVG(&b, 0))
	assert.Contains(t, b.String(), `width="297mm" height="210mm" viewBox="0 0 297 210"`)
	assert.Contains(t, b.String(), "&amp; 4 cups")
	d := xml.NewDecoder(bytes.NewReader(b.Bytes()))
	circles, checks := 0, 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		e, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		at := map[string]float64{}
		for _, a := range e.Attr {
			var x float64
			fmt.Sscan(a.Value, &x)
			at[a.Name.Local] = x
		}
		if e.Name.Local == "circle" && at["r"] == 22.5 {
			circles++
		}
		if e.Name.Local == "line" && at["y1"] == at["y2"] && at["x2"]-at["x1"] == 100 {
			checks++
		}
	}
	assert.Equal(t, 4, circles)
	assert.Equal(t, 1, checks)
}

func TestSheetRefuses(t *testing.T) {
	o := layout.Order{Bag: layout.Bag{LengthMM: 300, WidthMM: 100}, LipMM: 20, Cups: 2}
	p, err := layout.Place(o)
	require.NoError(t, err)
	_, err = NewSheet(o, p, A4, "")
	assert.ErrorContains(t, err, "does not go on A4")
	_, err = NewSheet(o, p, "A5", "")
	assert.ErrorContains(t, err, `"A5" is unknown`)
	o.Bag.LengthMM, o.Bag.WidthMM = 1e4, 1e4
	_, err = NewSheet(o, p, Tiles, "")
	assert.ErrorContains(t, err, "at most 100")
}
