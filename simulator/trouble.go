package simulator

import (
	"fmt"
	"math"
	"slices"
)

// A TroubleKind is what goes wrong.
type TroubleKind string

// The kinds of trouble. Those of the plant act on whole picks.
const (
	DropBag    TroubleKind = "drop"             // the bag is lost while carried
	BagChange  TroubleKind = "bag change"       // another bag: Value is by how much more it leaks
	WornCup    TroubleKind = "worn cup"         // Value is by how much more the lips leak
	KinkedHose TroubleKind = "kinked hose"      // Value is the share of the hoses' conductance that is left
	LowAir     TroubleKind = "low air pressure" // Value is the compressed air, kPa gauge

	StuckValue TroubleKind = "stuck value" // a channel's count stays
	BrokenWire TroubleKind = "broken wire" // a channel's count is as far below its span's begin as a loop without current
	NoiseBurst TroubleKind = "noise burst" // Value is the standard deviation, in the channel's unit
	ClockJump  TroubleKind = "clock jump"  // the wall clock, by Value seconds: see Rig.Wall

	BadCRC        TroubleKind = "bad crc"
	Late          TroubleKind = "late" // Value is by how many seconds
	Lost          TroubleKind = "lost"
	Split         TroubleKind = "split"
	Doubled       TroubleKind = "doubled"
	Short         TroubleKind = "short reply"
	ExceptionCode TroubleKind = "exception" // Value is the code
	Reset         TroubleKind = "reset"
	DeadDevice    TroubleKind = "dead device"
	ForeignMaster TroubleKind = "foreign master" // another master polls on the line
)

// plantTroubles, channelTroubles and wireTroubles say where each kind acts.
var (
	plantTroubles   = []TroubleKind{DropBag, BagChange, WornCup, KinkedHose, LowAir}
	channelTroubles = []TroubleKind{StuckValue, BrokenWire, NoiseBurst}
	wireTroubles    = []TroubleKind{BadCRC, Late, Lost, Split, Doubled, Short, ExceptionCode, Reset, DeadDevice, ForeignMaster}
)

// TroubleKinds returns every kind in the order in which help shows them.
func TroubleKinds() []TroubleKind {
	return slices.Concat(plantTroubles, channelTroubles, []TroubleKind{ClockJump}, wireTroubles)
}

// A Trouble is something that goes wrong for a while.
type Trouble struct {
	Kind  TroubleKind
	Value float64

	// When: of the plant's troubles the picks from FromPick to ToPick (from 1, at each
	// station) or those that begin from FromS on and before ToS; of the others from FromS to
	// ToS. A To of 0 is: to the end.
	FromPick, ToPick int
	FromS, ToS       float64

	Station     string // of the plant's troubles; "": every one
	Channel     string // of the channels' troubles
	Bus, Device string // of the wire's troubles; "": every one
	Every       int    // the wire's: each so-many-th answer; 0: each
}

// on reports whether the trouble holds at t.
func (x *Trouble) on(tS float64) bool { return tS >= x.FromS && (x.ToS == 0 || tS < x.ToS) }

// onPick reports whether the trouble holds for a pick.
func (x *Trouble) onPick(station string, n int, tS float64) bool {
	if x.Station != "" && x.Station != station {
		return false
	}
	if x.FromPick > 0 {
		return n >= x.FromPick && (x.ToPick == 0 || n <= x.ToPick)
	}
	return x.on(tS)
}

func (x *Trouble) check(s *Scenario) error {
	if !slices.Contains(TroubleKinds(), x.Kind) {
		return fmt.Errorf("%q is unknown; want one of %q", x.Kind, TroubleKinds())
	}
	plant := slices.Contains(plantTroubles, x.Kind)
	known := x.Station == ""
	for _, st := range s.Stations {
		known = known || st.Name == x.Station
	}
	switch {
	case !known:
		return fmt.Errorf("%s: there is no station %q", x.Kind, x.Station)
	case !plant && (x.FromPick != 0 || x.ToPick != 0 || x.Station != ""):
		return fmt.Errorf("%s: want a time, not picks or a station", x.Kind)
	case x.FromPick < 0 || x.ToPick < 0 || x.ToPick > 0 && x.ToPick < x.FromPick || !(x.FromS >= 0) || !(x.ToS == 0 || x.ToS > x.FromS):
		return fmt.Errorf("%s: want an end after its begin", x.Kind)
	case slices.Contains(channelTroubles, x.Kind) == (x.Channel == ""):
		return fmt.Errorf("%s: want a channel's name where a channel is at fault, and only there", x.Kind)
	case !slices.Contains(wireTroubles, x.Kind) && (x.Bus != "" || x.Device != "" || x.Every != 0):
		return fmt.Errorf("%s: it is no trouble of a bus", x.Kind)
	case x.Every < 0:
		return fmt.Errorf("%s: every %d; 1 or more is allowed", x.Kind, x.Every)
	}
	lo, hi := 0., 0.
	switch x.Kind {
	case BagChange, WornCup:
		lo, hi = 1e-3, 1e3
	case KinkedHose:
		lo, hi = 1e-3, 1
	case LowAir:
		lo, hi = 0, 2000
	case NoiseBurst:
		lo, hi = 0, 1e6
	case ClockJump:
		lo, hi = -1e9, 1e9
	case Late:
		lo, hi = 1e-3, 3600
	case ExceptionCode:
		lo, hi = 1, 255
	}
	if !(x.Value >= lo && x.Value <= hi) {
		return fmt.Errorf("%s: value %v; %v to %v is allowed", x.Kind, x.Value, lo, hi)
	}
	return nil
}

// trouble lets the plant's troubles act on a pick.
func (s *Scenario) trouble(p *plan, station string) {
	for i := range s.Troubles {
		x := &s.Troubles[i]
		if !slices.Contains(plantTroubles, x.Kind) || !x.onPick(station, p.n, p.onS) {
			continue
		}
		switch x.Kind {
		case DropBag:
			if p.sits && math.IsNaN(p.lossS) {
				p.lossS = p.liftS + 0.4*p.carryS()
			}
		case BagChange, WornCup:
			p.leakK *= x.Value
			p.holeC *= x.Value
		case KinkedHose:
			p.hoseFactor = x.Value
		case LowAir:
			p.airKPa = x.Value
		}
	}
}
