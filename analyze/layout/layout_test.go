package layout

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The rows of testdata/physics/placement.csv; its head names the source. It carries nine
// digits, six for the centres.
func TestFourCupsAgainstTable(t *testing.T) {
	f, err := os.Open("../../testdata/physics/placement.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, all, 19)
	for _, row := range all[1:] {
		t.Run(row[0], func(t *testing.T) {
			num := func(head string) float64 {
				for i := range all[0] {
					if all[0][i] == head {
						x, err := strconv.ParseFloat(row[i], 64)
						require.NoError(t, err)
						return x
					}
				}
				require.Fail(t, "no column "+head)
				return 0
			}
			p, err := Place(Order{Bag: Bag{LengthMM: num("bag_L_mm"), WidthMM: num("bag_W_mm")}, LipMM: num("lip_mm"), Cups: 4, MarginMM: num("edge_margin_mm")})
			require.NoError(t, err)
			assert.Equal(t, row[5], strconv.FormatBool(p.Moved))
			assert.InEpsilon(t, num("scale"), p.Scale, 1e-8)
			for i, c := range strings.Split(row[7], ";") {
				x, y, _ := strings.Cut(c, ":")
				wantX, err := strconv.ParseFloat(x, 64)
				require.NoError(t, err)
				wantY, err := strconv.ParseFloat(y, 64)
				require.NoError(t, err)
				assert.InEpsilon(t, wantX, p.Cups[i].XMM, 6e-6)
				assert.InEpsilon(t, wantY, p.Cups[i].YMM, 6e-6)
			}
			assert.InEpsilon(t, num("gap_mm"), p.GapMM, 1e-8)
			assert.InEpsilon(t, num("min_gap_mm"), p.MinGapMM, 1e-8)
			assert.InDelta(t, num("move_each_mm"), p.MoveMM, 1e-7)
			assert.Equal(t, row[13], strconv.FormatBool(p.Fits), p.Why)
			assert.Equal(t, p.Fits, p.Why == "")
			assert.InEpsilon(t, num("largest_lip_mm"), p.LargestLipMM, 1e-8)
		})
	}
}

func randomOrder(r *rand.Rand) Order {
	o := Order{Bag: Bag{LengthMM: 50 + 600*r.Float64(), WidthMM: 50 + 400*r.Float64()}, Cups: CupCounts[r.IntN(len(CupCounts))], MarginMM: 10 * r.Float64()}
	o.LipMM = min(o.Bag.LengthMM, o.Bag.WidthMM) * (0.02 + 0.6*r.Float64())
	if r.IntN(2) == 0 {
		o.Bag.CentreOfMass = Point{o.Bag.LengthMM * (r.Float64() - 0.5) / 5, o.Bag.WidthMM * (r.Float64() - 0.5) / 5}
	}
	if r.IntN(3) == 0 {
		x, y := o.Bag.LengthMM*(r.Float64()-0.5), o.Bag.WidthMM*(r.Float64()-0.5)
		o.Bag.KeepClear = []Rect{{x, y, x + o.Bag.LengthMM*0.3*r.Float64() + 1, y + o.Bag.WidthMM*0.1*r.Float64() + 1}}
	}
	return o
}

// A larger lip never has a smaller gap to keep, nor a smaller spread of centres; no smaller
// move restores the gap; the centroid stays over the centre of mass; what fits, fits; the
// largest lip fits and a little more does not.
func TestProperties(t *testing.T) {
	const seed = 6
	t.Log("seed", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	n, shifted, scaled := 300, 0, 0
	if testing.Short() {
		n = 150
	}
	for range n {
		o := randomOrder(r)
		p, err := Place(o)
		require.NoError(t, err, "%+v", o)
		require.Len(t, p.Cups, o.Cups)

		larger := o
		larger.LipMM *= 1 + r.Float64()
		q, err := Place(larger)
		require.NoError(t, err)
		assert.GreaterOrEqual(t, q.MinGapMM, p.MinGapMM)
		if p.Fits && q.Fits && q.Shift == (Point{}) || len(o.Bag.KeepClear) == 0 {
			assert.GreaterOrEqual(t, q.Scale, p.Scale-1e-9, "%+v lip %g", o, larger.LipMM)
		}

		if o.Cups > 1 {
			assert.GreaterOrEqual(t, p.GapMM, p.MinGapMM-1e-9)
			if p.Moved && len(o.Bag.KeepClear) == 0 {
				smaller := at(start(o.Bag, o.Cups), p.Scale*(1-1e-6), Point{})
				assert.Less(t, nearest(smaller)-o.LipMM, p.MinGapMM, "%+v", o)
			}
		} else {
			assert.True(t, math.IsNaN(p.GapMM))
		}
		var sx, sy float64
		for _, c := range p.Cups {
			sx += c.XMM / float64(o.Cups)
			sy += c.YMM / float64(o.Cups)
		}
		assert.InDelta(t, o.Bag.CentreOfMass.XMM+p.Shift.XMM, sx, 1e-9)
		assert.InDelta(t, o.Bag.CentreOfMass.YMM+p.Shift.YMM, sy, 1e-9)
		if p.Shift != (Point{}) {
			shifted++
		} else if p.Fits && len(o.Bag.KeepClear) > 0 && p.Moved {
			scaled++
		}
		if p.Fits { // checked here by other means than the code's
			for _, c := range p.Cups {
				for deg := 0; deg < 360; deg += 5 {
					sin, cos := math.Sincos(float64(deg) * math.Pi / 180)
					x, y := c.XMM+o.LipMM/2*cos*(1-1e-9), c.YMM+o.LipMM/2*sin*(1-1e-9)
					require.LessOrEqual(t, math.Abs(x), o.Bag.LengthMM/2-o.MarginMM+1e-6)
					require.LessOrEqual(t, math.Abs(y), o.Bag.WidthMM/2-o.MarginMM+1e-6)
					for _, a := range o.Bag.KeepClear {
						require.False(t, x > a.X0MM+1e-6 && x < a.X1MM-1e-6 && y > a.Y0MM+1e-6 && y < a.Y1MM-1e-6, "%+v %+v", o, p)
					}
				}
			}
		}
		if d := p.LargestLipMM; d > 0 {
			o.LipMM = d
			assert.True(t, o.place().Fits, "%+v", o)
			o.LipMM = d * 1.0001
			assert.False(t, o.place().Fits, "%+v", o)
		}
	}
	assert.Greater(t, shifted, n/100, "of so many orders some must shift")
	assert.Greater(t, scaled, n/100, "and some must move outward")
}

func TestPatterns(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name    string
		bag     Bag
		cups    int
		lip     float64
		want    []Point
		gap     float64
		moved   bool
		largest float64 // by hand from the rules
	}{
		{"one", Bag{LengthMM: 120, WidthMM: 80}, 1, 30, []Point{{0, 0}}, nan, false, 80},
		{"two", Bag{LengthMM: 300, WidthMM: 200}, 2, 40, []Point{{50, 0}, {-50, 0}}, 60, false, 900. / 7}, // s L/6 + d/2 = L/2 with s = 4d/L: d = 3L/7
		{"two, moved", Bag{LengthMM: 120, WidthMM: 100}, 2, 40, []Point{{80. / 3, 0}, {-80. / 3, 0}}, 40. / 3, true, 360. / 7},
		{"two, the longer side across", Bag{LengthMM: 200, WidthMM: 300}, 2, 40, []Point{{0, 50}, {0, -50}}, 60, false, 900. / 7},
		{"three", Bag{LengthMM: 300, WidthMM: 180}, 3, 30, []Point{{50, 0}, {-25, 30}, {-25, -30}}, 30, false, 540. / 7},
		{"six", Bag{LengthMM: 480, WidthMM: 300}, 6, 60, []Point{{120, 50}, {0, 50}, {-120, 50}, {-120, -50}, {0, -50}, {120, -50}}, 40, false, 240 / 2.1}, // s = 4d/300: 120 s + d/2 = 240,
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := Place(Order{Bag: c.bag, LipMM: c.lip, Cups: c.cups})
			require.NoError(t, err)
			for i := range c.want {
				assert.InDelta(t, c.want[i].XMM, p.Cups[i].XMM, 1e-9)
				assert.InDelta(t, c.want[i].YMM, p.Cups[i].YMM, 1e-9)
			}
			if !math.IsNaN(c.gap) {
				assert.InDelta(t, c.gap, p.GapMM, 1e-9)
			}
			assert.Equal(t, c.moved, p.Moved)
			assert.True(t, p.Fits)
			assert.InDelta(t, c.largest, p.LargestLipMM, 1e-6)
			assert.Equal(t, c.cups == 2, Swing(c.bag, p) != nil)
		})
	}
}

func TestKeepClear(t *testing.T) {
	fin := Rect{-150, -8, 150, 8} // a seam along the middle of a bag of 300 mm x 200 mm
	t.Run("outward past a seam", func(t *testing.T) {
		p, err := Place(Order{Bag: Bag{LengthMM: 300, WidthMM: 200, KeepClear: []Rect{fin}}, LipMM: 60, Cups: 4})
		require.NoError(t, err)
		assert.True(t, p.Fits)
		assert.InDelta(t, 40, p.Cups[0].YMM, 1e-6, "the gap of a third asks for more than the seam's 38 mm")
		p, err = Place(Order{Bag: Bag{LengthMM: 300, WidthMM: 200, KeepClear: []Rect{{-150, -20, 150, 20}}}, LipMM: 60, Cups: 4})
		require.NoError(t, err)
		assert.InDelta(t, 50, p.Cups[0].YMM, 1e-6, "30 mm of lip beyond 20 mm of seam")
		assert.InDelta(t, 75, p.Cups[0].XMM, 1e-6, "along the bag's diagonal")
		assert.True(t, p.Moved)
	})
	t.Run("one cup shifts", func(t *testing.T) {
		p, err := Place(Order{Bag: Bag{LengthMM: 300, WidthMM: 200, KeepClear: []Rect{fin}}, LipMM: 60, Cups: 1})
		require.NoError(t, err)
		assert.True(t, p.Fits)
		assert.InDelta(t, 38, math.Hypot(p.Shift.XMM, p.Shift.YMM), 1e-6)
		assert.Less(t, p.LargestLipMM, 93.0)
		assert.InDelta(t, 92, p.LargestLipMM, 1e-3, "from the seam to the edge")
	})
	t.Run("no place", func(t *testing.T) {
		p, err := Place(Order{Bag: Bag{LengthMM: 300, WidthMM: 200, KeepClear: []Rect{{-150, -100, 150, 100}}}, LipMM: 60, Cups: 4})
		require.NoError(t, err)
		assert.False(t, p.Fits)
		assert.Contains(t, p.Why, "keep clear")
		assert.Zero(t, p.LargestLipMM)
	})
}

func TestFillTakesTheEdges(t *testing.T) {
	b := Bag{LengthMM: 300, WidthMM: 200, FillHeightMM: 40}
	length, width := b.FlatMM()
	assert.InDelta(t, 300-20*math.Pi, length, 1e-9)
	assert.InDelta(t, 200-20*math.Pi, width, 1e-9)
	p, err := Place(Order{Bag: b, LipMM: 80, Cups: 4})
	require.NoError(t, err)
	assert.False(t, p.Fits)
	assert.Contains(t, p.Why, "flat part")
	// s·W/6 + d/2 = flat/2 with s = 4d/W: d(2/3 + 1/2) = flat/2.
	assert.InDelta(t, (200-20*math.Pi)/2/(7./6), p.LargestLipMM, 1e-6)
}

// With the lip small enough, every cup but the three-cup pattern's lies on folds.
func TestFolds(t *testing.T) {
	for _, b := range []Bag{{LengthMM: 480, WidthMM: 300}, {LengthMM: 300, WidthMM: 480}} {
		for _, cups := range []int{4, 6} {
			p, err := Place(Order{Bag: b, LipMM: 10, Cups: cups})
			require.NoError(t, err)
			x, y := FoldsMM(b, cups)
			for _, c := range p.Cups {
				assert.Contains(t, x, c.XMM)
				assert.Contains(t, y, c.YMM)
			}
		}
	}
}

func TestSwing(t *testing.T) {
	o := Order{Bag: Bag{LengthMM: 300, WidthMM: 200, CentreOfMass: Point{10, -20}}, LipMM: 40, Cups: 2}
	p, err := Place(o)
	require.NoError(t, err)
	a := Swing(o.Bag, p)
	require.NotNil(t, a)
	assert.Equal(t, "length", a.Along)
	assert.InDelta(t, 0, a.OffMM, 1e-9)
	assert.Equal(t, Point{60, -20}, a.To)
	a = Swing(Bag{CentreOfMass: Point{10, 0}}, p)
	assert.InDelta(t, 20, a.OffMM, 1e-9)
	o.Bag.LengthMM = 150
	o.Bag.CentreOfMass = Point{}
	p, err = Place(o)
	require.NoError(t, err)
	assert.Equal(t, "width", Swing(o.Bag, p).Along)
	assert.Zero(t, FirstTilt(1).Deg)
	assert.NotEmpty(t, FirstTilt(4).Reason)
}

func TestForAll(t *testing.T) {
	order := func(length, width float64) Order {
		return Order{Bag: Bag{LengthMM: length, WidthMM: width}, LipMM: 40, Cups: 4, MarginMM: 5}
	}
	t.Run("one serves all", func(t *testing.T) {
		m, err := ForAll([]Order{order(300, 200), order(280, 220)})
		require.NoError(t, err)
		require.NotNil(t, m.Common)
		assert.GreaterOrEqual(t, m.Common.GapMM, 40./3-1e-9)
		require.Len(t, m.Ranges, 4)
		assert.InDelta(t, 280./6, m.Ranges[0].X0MM, 1e-9)
		assert.InDelta(t, 50, m.Ranges[0].X1MM, 1e-9)
		assert.InDelta(t, 200./6, m.Ranges[0].Y0MM, 1e-9)
		assert.InDelta(t, 220./6, m.Ranges[0].Y1MM, 1e-9)
	})
	t.Run("too unlike", func(t *testing.T) {
		m, err := ForAll([]Order{order(600, 400), order(150, 110)})
		require.NoError(t, err)
		assert.Nil(t, m.Common)
		assert.InDelta(t, 100, m.Ranges[0].X1MM, 1e-9)
	})
	t.Run("none", func(t *testing.T) {
		m, err := ForAll(nil)
		require.NoError(t, err)
		assert.Empty(t, m.Own)
	})
	_, err := ForAll([]Order{order(300, 200), order(0, 1)})
	assert.ErrorContains(t, err, "length is 0")
}

// Cups at places of the user's own. By hand: lips of 30 mm at ± 30 mm leave a gap of 30 mm.
func TestJudge(t *testing.T) {
	o := Order{Bag: Bag{LengthMM: 200, WidthMM: 100, KeepClear: []Rect{{-5, -50, 5, 50}}}, LipMM: 30, MarginMM: 5}
	p, err := Judge(o, []Point{{-30, 0}, {30, 0}})
	require.NoError(t, err)
	assert.True(t, p.Fits, p.Why)
	assert.InDelta(t, 30, p.GapMM, 1e-12)
	assert.InDelta(t, 10, p.MinGapMM, 1e-12)
	assert.InDelta(t, 45, p.LargestLipMM, 1e-6, "a gap of a third: 60 = 4/3 of 45; the area would let 50, the margin 90")
	for _, c := range []struct {
		name, why string
		cups      []Point
	}{
		{"too near", "the gap of 8 mm is less than a third", []Point{{-60, 0}, {-22, 0}}},
		{"over", "the lip of cup 2 reaches over the flat part", []Point{{-30, 0}, {81, 0}}},
		{"on the seam", "the lip of cup 1 lies on an area", []Point{{-19, 0}, {30, 0}}},
	} {
		p, err = Judge(o, c.cups)
		require.NoError(t, err)
		assert.False(t, p.Fits, c.name)
		assert.Contains(t, p.Why, c.why, c.name)
	}
	own, err := Place(Order{Bag: o.Bag, LipMM: 30, MarginMM: 5, Cups: 4})
	require.NoError(t, err)
	p, err = Judge(o, own.Cups)
	require.NoError(t, err)
	assert.True(t, p.Fits, "a placed pattern fits where it is")
	assert.InDelta(t, own.GapMM, p.GapMM, 1e-9)
	_, err = Judge(o, nil)
	assert.ErrorContains(t, err, "0 cups")
	_, err = Judge(o, []Point{{math.NaN(), 0}})
	assert.ErrorContains(t, err, "cup 1 is nowhere")
	o.LipMM = 0
	_, err = Judge(o, []Point{{0, 0}})
	assert.ErrorContains(t, err, "lip's diameter is 0")
}

func TestPlaceRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*Order)
		want string
	}{
		{"length", func(o *Order) { o.Bag.LengthMM = 0 }, "length is 0"},
		{"width", func(o *Order) { o.Bag.WidthMM = math.NaN() }, "width is NaN"},
		{"lip", func(o *Order) { o.LipMM = -1 }, "lip's diameter is -1"},
		{"too long", func(o *Order) { o.Bag.LengthMM = 100_001 }, "at most 100 m"},
		{"five", func(o *Order) { o.Cups = 5 }, "5 cups have no pattern"},
		{"margin", func(o *Order) { o.MarginMM = -1 }, "margin is -1"},
		{"fill", func(o *Order) { o.Bag.FillHeightMM = math.Inf(1) }, "fill height"},
		{"centre", func(o *Order) { o.Bag.CentreOfMass.XMM = 151 }, "off the bag"},
		{"area", func(o *Order) { o.Bag.KeepClear = []Rect{{1, 0, 1, 5}} }, "lower corner first"},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := Order{Bag: Bag{LengthMM: 300, WidthMM: 200}, LipMM: 40, Cups: 4}
			c.edit(&o)
			_, err := Place(o)
			require.ErrorContains(t, err, c.want)
		})
	}
}
