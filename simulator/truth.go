package simulator

import (
	"cmp"
	"encoding/json"
	"io"
	"math"
	"slices"
)

// A Maybe is a number that may not be there: NaN, in JSON null.
type Maybe float64

// MarshalJSON writes the number, or null.
func (m Maybe) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(m)) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(m))
}

// UnmarshalJSON reads a number, or null as NaN.
func (m *Maybe) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*m = Maybe(math.NaN())
		return nil
	}
	return json.Unmarshal(b, (*float64)(m))
}

// Truth is what really happened in one pick, from the physics without a sensor. Instants
// are plant seconds. Its vacuum is that at the cup, or of several cups at their manifold: with the
// valve just open that may pass the required vacuum before there is a bag.
type Truth struct {
	Station string `json:"station"`
	N       int    `json:"n"`   // from 1, at its station
	Run     int    `json:"run"` // from 1
	Setup   string `json:"setup"`
	Piece   string `json:"piece"`
	Outcome string `json:"outcome"` // "released", "dropped" or "unsealed"

	SupplyOnS  float64    `json:"supply_on_s"` // command
	ContactS   float64    `json:"contact_s"`
	SealedAtS  Maybe      `json:"sealed_at_s"` // first crossing of the required vacuum
	Crossings  []Crossing `json:"crossings"`   // first upward crossing of each level that was reached, rising
	LossS      Maybe      `json:"loss_s"`      // the bag begins to leave the cup by itself
	DropS      Maybe      `json:"drop_s"`      // the vacuum falls through the drop level after a seal, before the release
	SupplyOffS float64    `json:"supply_off_s"`
	ReleaseS   float64    `json:"release_s"` // command
	EndS       Maybe      `json:"end_s"`     // in the idle band again, sealed before or with the supply shut; null: the next pick came first

	RequiredKPa    float64 `json:"required_kPa"`
	HoldKPa        Maybe   `json:"hold_kPa"`         // median over time from 50 ms after the seal to release, supply off or loss
	LowestKPa      Maybe   `json:"lowest_kPa"`       // in the same span
	LeakLminANR    Maybe   `json:"leak_Lmin"`        // the leaks' flow at the hold vacuum, of all cups
	LeakK          float64 `json:"leak_k"`           // of Q = k·vⁿ of each cup, with this pick's scatter
	LeakN          float64 `json:"leak_n"`           //
	Dips           int     `json:"dips"`             // falls below the required vacuum that recovered before the release
	BelowRequiredS float64 `json:"below_required_s"` // after the seal, before the release
	CupsLost       int     `json:"cups_lost"`        // of several, that lost the bag one by one
	SlipMM         float64 `json:"slip_mm"`          // by which the bag slid on the cups
	WrinklesLeft   int     `json:"wrinkles_left"`    // that had not slipped in the end
	ElectricJ      float64 `json:"electric_J"`       // from supply on to the pick's end
	AirLANR        float64 `json:"air_L"`            // compressed air, the same span
	AirJ           float64 `json:"air_J"`            // that air at the scenario's specific energy
}

// A Crossing is when the vacuum first rose through a level.
type Crossing struct {
	LevelKPa float64 `json:"level_kPa"`
	TS       float64 `json:"t_s"`
}

// WriteTruth writes one line of JSON a pick.
func WriteTruth(w io.Writer, truths []Truth) error {
	enc := json.NewEncoder(w)
	for i := range truths {
		if err := enc.Encode(&truths[i]); err != nil {
			return err
		}
	}
	return nil
}

// holdAfterS is how long after the seal the hold begins.
const holdAfterS = 0.05

// A watch writes down the truth of the pick in hand, step by step.
type watch struct {
	t        Truth
	levels   []float64
	plan     *plan
	idleKPa  float64
	dropKPa  float64
	letGoS   float64 // release begins, or the supply shuts and does not hold
	holdEndS float64
	below    float64 // since when the vacuum is below the required one, after a seal; NaN: it is not
	hold     []weighted
	ended    bool
}

type weighted struct{ v, w float64 }

func (w *watch) begin(sc *Scenario, p *plan, station string) {
	nan := Maybe(math.NaN())
	u := p.setup
	w.levels = append(append(w.levels[:0], sc.LevelsKPa...), u.RequiredKPa)
	slices.Sort(w.levels)
	w.levels = slices.Compact(w.levels)
	w.plan, w.idleKPa, w.dropKPa = p, sc.IdleBandKPa, u.dropLevelKPa()
	w.letGoS = p.releaseS
	if !u.Circuit.Holds {
		w.letGoS = min(p.releaseS, p.offS)
	}
	w.holdEndS = min(p.releaseS, p.offS)
	if p.lossS < w.holdEndS {
		w.holdEndS = p.lossS
	}
	w.below, w.hold, w.ended = math.NaN(), w.hold[:0], false
	w.t = Truth{Station: station, N: p.n, Run: p.run, Setup: u.Name, Piece: p.piece,
		SupplyOnS: p.onS, ContactS: p.contactS, SealedAtS: nan, LossS: Maybe(p.lossS), DropS: nan, SupplyOffS: p.offS,
		ReleaseS: p.releaseS, EndS: nan, RequiredKPa: u.RequiredKPa, HoldKPa: nan, LowestKPa: nan, LeakLminANR: nan,
		LeakK: p.leakK, LeakN: u.Leak.N}
}

// lost notes that the bag has begun to leave by itself.
func (w *watch) lost(tS float64) {
	if math.IsNaN(float64(w.t.LossS)) {
		w.t.LossS = Maybe(tS)
	}
	w.holdEndS = min(w.holdEndS, tS)
}

// ends returns the station's vacuum at the ends of the last step.
func (s *station) ends() (v0, v1 float64) {
	i := s.ref()
	return s.net.ambientKPa - s.net.p0[i], s.net.ambientKPa - s.net.p1[i]
}

// observe takes in the station's last step.
func (w *watch) observe(s *station) {
	t := &w.t
	if v0, v1 := s.ends(); v1 > v0 {
		for n := len(t.Crossings); n < len(w.levels) && v1 >= w.levels[n]; n++ {
			c := Crossing{w.levels[n], s.net.fromS}
			if v0 < c.LevelKPa {
				c.TS = s.net.crossing(s.ref(), c.LevelKPa)
			}
			t.Crossings = append(t.Crossings, c)
			if c.LevelKPa == t.RequiredKPa && c.TS < w.letGoS {
				t.SealedAtS = Maybe(c.TS)
			}
		}
	}
	if at := float64(t.SealedAtS); !math.IsNaN(at) {
		w.afterSeal(s, at)
	}
	w.energy(s)
}

func (w *watch) afterSeal(s *station, sealedS float64) {
	t, n := &w.t, s.net
	v0, v1 := s.ends()
	down := func(level float64) (float64, bool) {
		if v0 >= level && v1 < level {
			at := n.crossing(s.ref(), level)
			return at, at < w.letGoS
		}
		return 0, false
	}
	if at, ok := down(t.RequiredKPa); ok {
		w.below = at
	}
	if v0 < t.RequiredKPa && v1 >= t.RequiredKPa && !math.IsNaN(w.below) {
		at := n.crossing(s.ref(), t.RequiredKPa)
		t.BelowRequiredS += min(at, w.letGoS) - w.below
		if at < w.letGoS {
			t.Dips++
		}
		w.below = math.NaN()
	}
	if at, ok := down(w.dropKPa); ok && math.IsNaN(float64(t.DropS)) {
		t.DropS = Maybe(at)
	}
	if from, to := max(n.fromS, sealedS+holdAfterS), min(n.toS, w.holdEndS); from < to {
		// Steps are long where little happens: in pieces of 1 ms the median is one over time.
		pieces := min(20, 1+int((to-from)/1e-3))
		for i := range pieces {
			w.hold = append(w.hold, weighted{n.vacuum(s.ref(), from+(to-from)*(float64(i)+0.5)/float64(pieces)), (to - from) / float64(pieces)})
		}
	}
}

// median returns the vacuum below which half the weight lies, straight between the
// middles of neighbours, and the lowest. It sorts its argument, which must not be empty.
func median(of []weighted) (mid, lowest float64) {
	slices.SortFunc(of, func(a, b weighted) int { return cmp.Compare(a.v, b.v) })
	total := 0.0
	for _, x := range of {
		total += x.w
	}
	at, v := 0.0, of[0].v // weight below the middle of the one before, and its vacuum
	for i, x := range of {
		here := at + x.w/2
		if i > 0 {
			here = at + of[i-1].w/2 + x.w/2
		}
		if here >= total/2 {
			if i == 0 {
				return x.v, x.v
			}
			return v + (x.v-v)*(total/2-at)/(here-at), of[0].v
		}
		at, v = here, x.v
	}
	return v, of[0].v
}

// energy adds the last step's, up to where the pick ends.
func (w *watch) energy(s *station) {
	n := s.net
	if w.ended || n.toS <= w.plan.onS {
		return
	}
	toS := n.toS
	// The pick is over when the vacuum is back in the idle band after a seal, or with the supply shut.
	shut := n.fromS >= w.plan.offS+w.plan.setup.Circuit.OffDelayS
	v0, v1 := s.ends()
	if (shut || !math.IsNaN(float64(w.t.SealedAtS))) && v1 < w.idleKPa && (shut || v0 >= w.idleKPa) {
		toS = n.fromS
		if v0 >= w.idleKPa {
			toS = n.crossing(s.ref(), w.idleKPa)
		}
		w.ended, w.t.EndS = true, Maybe(toS)
	}
	w.t.ElectricJ += s.integral(power, n.fromS, toS)
	w.t.AirLANR += s.integral(air, n.fromS, toS) / 60
}

// end returns the pick's truth.
func (w *watch) end(s *station) Truth {
	t, nowS := &w.t, s.net.toS
	t.CupsLost, t.SlipMM, t.WrinklesLeft = len(w.plan.cupLossS)-w.plan.cupsOn(w.plan.releaseS), s.grip.slipMM, len(w.plan.wrinkles)-s.slipped
	if !math.IsNaN(w.below) {
		t.BelowRequiredS += max(0, min(nowS, w.letGoS)-w.below)
	}
	switch {
	case math.IsNaN(float64(t.SealedAtS)):
		t.Outcome = "unsealed"
	case math.IsNaN(float64(t.DropS)):
		t.Outcome = "released"
	default:
		t.Outcome = "dropped"
	}
	if len(w.hold) > 0 {
		mid, lowest := median(w.hold)
		t.HoldKPa, t.LowestKPa = Maybe(mid), Maybe(lowest)
		ambient, u := s.net.ambientKPa, w.plan.setup
		in := t.LeakK * law(mid, t.LeakN) * s.wrinkled()
		in += 60 * Restriction{C: w.plan.holeC, B: Hole(1).B}.iso(ambient, anrK, ambient-mid)
		in += 60 * w.plan.gap * u.Cup.open().iso(ambient, anrK, ambient-mid)
		t.LeakLminANR = Maybe(in * float64(u.cups()))
	}
	t.AirJ = t.AirLANR / 1000 * s.engineOf().SpecificEnergyKWhM3 * 3.6e6
	out := *t
	t.Crossings = nil
	return out
}
