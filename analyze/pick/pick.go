// Package pick turns batches of a station into picks: when each began, sealed, dropped
// and was released, and its figures with their uncertainty. It comes after acquire and
// record, before compare and report.
package pick

import (
	"griptrial/analyze"
)

// An Outcome says how a pick went.
type Outcome string

// The outcomes.
const (
	Released Outcome = "released" // release commanded
	Dropped  Outcome = "dropped"  // lost with no release commanded
	Unsealed Outcome = "unsealed" // no seal before the seal limit, the supply's end or the return to idle
	Ended    Outcome = "ended"    // lost or let go: no channel can tell which
	Open     Outcome = "open"     // the recording ended first, or a gap hid whether it sealed
)

// A Pick is one cycle at one station. Instants are seconds of the trial's time, NaN where
// they cannot be had.
type Pick struct {
	N       int // from 1, at its station
	Station string
	Group   string // of a table of recordings, else ""
	Run     int    // from 1; 0 where no run was planned

	Outcome Outcome
	EndedAt string // "ambient" or "open_suction" for Ended, else ""

	StartS, ContactS, SealedAtS, DropS, ReleaseS, EndS float64

	SealFrom       string // "supply", "touch", "contact" or "rise": where seal time counts from; "" without a seal
	ReSeals        int
	BelowRequiredS float64 // time below the required vacuum between seal and the hold's end, s
	TouchedByGap   bool
	IdleLevelKPa   float64
	RequiredKPa    float64

	ResponseDelayS, SealTimeS      analyze.Figure
	HoldVacuumKPa, LowestVacuumKPa analyze.Figure
	LeakFlowLminANR, LeakDownKPaS  analyze.Figure
	ReleaseTimeS, EnergyJ          analyze.Figure

	// The energy of the phases: to contact, to sealed, to the release or the loss, to the end.
	ApproachJ, EvacuateJ, HoldJ, ReleaseJ analyze.Figure

	LeakDownVacuumKPa          analyze.Figure // median in the window of the leak-down
	LeakDownFromS, LeakDownToS analyze.Figure // that window
	LeakLawKLminANR, LeakLawN  analyze.Figure // Q = k·vⁿ, v in kPa
	LeakAtRequiredLminANR      analyze.Figure
	ShutLastsS, ShutSavesJ     analyze.Figure // were the supply shut at the end of the hold

	ReEvacuationsPerMin, DutyShare analyze.Figure // of an engine that saves air
	PartPresentDelayS              analyze.Figure // of the controller's own signal, after sealed
	OpenSuctionKPa                 analyze.Figure // what was drawn through the open cups before they met the bag

	// SettlingTimeS is from sealed to where the vacuum has come within max(0.5 kPa, 4σ) of the hold
	// vacuum. There is none while it still rises, nor where an engine that saves air swings.
	SettlingTimeS analyze.Figure
}

// An EventKind names what happened in a pick besides its instants.
type EventKind string

// The events.
const (
	Dip     EventKind = "dip"     // below the required vacuum, recovered
	ReSeal  EventKind = "re-seal" // back above it after a dip
	Sag     EventKind = "sag"     // below it, not recovered before the release
	Drop    EventKind = "drop"
	GapSeen EventKind = "gap" // samples missing from here on
)

// An Event is something that happened at TS, in seconds of the trial's time.
type Event struct {
	TS      float64
	Kind    EventKind
	Station string
	Group   string
	Pick    int // number of the pick it belongs to, 0 for none
}
