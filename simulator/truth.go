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
// are plant seconds.
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
	LeakLminANR    Maybe   `json:"leak_Lmin"`        // the leak's flow at the hold vacuum
	LeakK          float64 `json:"leak_k"`           // of Q = k·vⁿ, with this pick's scatter
	LeakN          float64 `json:"leak_n"`           //
	Dips           int     `json:"dips"`             // falls below the required vacuum that recovered before the release
	BelowRequiredS float64 `json:"below_required_s"` // after the seal, before the release
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
	if !u.Cup.Holds {
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

// observe takes in the station's last step.
func (w *watch) observe(s *station) {
	t := &w.t
	if s.v1 > s.v0 {
		for n := len(t.Crossings); n < len(w.levels) && s.v1 >= w.levels[n]; n++ {
			c := Crossing{w.levels[n], s.fromS}
			if s.v0 < c.LevelKPa {
				c.TS = s.crossing(c.LevelKPa)
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
	t := &w.t
	down := func(level float64) (float64, bool) {
		if s.v0 >= level && s.v1 < level {
			at := s.crossing(level)
			return at, at < w.letGoS
		}
		return 0, false
	}
	if at, ok := down(t.RequiredKPa); ok {
		w.below = at
	}
	if s.v0 < t.RequiredKPa && s.v1 >= t.RequiredKPa && !math.IsNaN(w.below) {
		at := s.crossing(t.RequiredKPa)
		t.BelowRequiredS += min(at, w.letGoS) - w.below
		if at < w.letGoS {
			t.Dips++
		}
		w.below = math.NaN()
	}
	if at, ok := down(w.dropKPa); ok && math.IsNaN(float64(t.DropS)) {
		t.DropS = Maybe(at)
	}
	if from, to := max(s.fromS, sealedS+holdAfterS), min(s.toS, w.holdEndS); from < to {
		w.hold = append(w.hold, weighted{s.vacuum((from + to) / 2), to - from})
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
	if w.ended || s.toS <= w.plan.onS {
		return
	}
	toS := s.toS
	// The pick is over when the vacuum is back in the idle band after a seal, or with the supply shut.
	shut := s.fromS >= w.plan.offS+w.plan.setup.Cup.DelayS
	if (shut || !math.IsNaN(float64(w.t.SealedAtS))) && s.v1 < w.idleKPa && (shut || s.v0 >= w.idleKPa) {
		toS = s.fromS
		if s.v0 >= w.idleKPa {
			toS = s.crossing(w.idleKPa)
		}
		w.ended, w.t.EndS = true, Maybe(toS)
	}
	e := &s.setup.Engine
	h := toS - s.fromS
	if s.seg.supply {
		w.t.ElectricJ += e.PowerW*h + e.PowerWPerKPa*s.area(toS)
	}
	w.t.AirLANR += s.signal(air, 0) / 60 * h
}

// end returns the pick's truth.
func (w *watch) end(nowS float64) Truth {
	t := &w.t
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
		t.LeakLminANR = Maybe(t.LeakK*law(float64(t.HoldKPa), t.LeakN) +
			w.plan.gap*w.plan.setup.Cup.OpenK*law(float64(t.HoldKPa), 0.5))
	}
	t.AirJ = t.AirLANR / 1000 * w.plan.setup.Engine.SpecificEnergyKWhM3 * 3.6e6
	out := *t
	t.Crossings = nil
	return out
}
