package report

import (
	"encoding/json"
	"io"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// Schema is the number of the JSON described here; it grows when a field changes meaning.
const Schema = 1

// A PicksJSON is picks as JSON. Instants are seconds of the trial's time; a number that
// cannot be had is null.
type PicksJSON struct {
	Schema       int            `json:"schema"`
	Station      string         `json:"station"`
	IdleLevelKPa analyze.Number `json:"idle_level_kPa"`
	AmbientKPa   analyze.Number `json:"ambient_kPa"`
	AmbientFrom  *string        `json:"ambient_from"` // "given", "recording" or null
	Sampling     *SamplingJSON  `json:"sampling"`
	AirEnergy    *AirEnergyJSON `json:"air_energy,omitempty"` // where a channel of compressed air is there
	Picks        []PickJSON     `json:"picks"`
	Events       []EventJSON    `json:"events"`
	Gaps         []GapJSON      `json:"gaps"`
	LeakDowns    []LeakDownJSON `json:"leak_downs,omitempty"`

	Circumstances *CircumstancesJSON `json:"circumstances,omitempty"` // of a trial file
}

// A SamplingJSON tells how even the samples came.
type SamplingJSON struct {
	IntervalS analyze.Number `json:"interval_s"`
	LongestS  analyze.Number `json:"longest_s"`
	Bursts    int            `json:"bursts"`
}

// A PickJSON is one pick.
type PickJSON struct {
	N       int     `json:"n"`
	Station string  `json:"station,omitempty"`
	Group   *string `json:"group"`
	Run     int     `json:"run,omitempty"`
	Setup   string  `json:"setup,omitempty"`
	Spoiled *string `json:"spoiled"` // why a person marked it as spoiled; null where it counts

	Outcome   pick.Outcome   `json:"outcome"`
	EndedAt   *string        `json:"ended_at"`
	StartS    analyze.Number `json:"start_s"`
	ContactS  analyze.Number `json:"contact_s"`
	SealedAtS analyze.Number `json:"sealed_at_s"`
	DropS     analyze.Number `json:"drop_s"`
	ReleaseS  analyze.Number `json:"release_s"`
	EndS      analyze.Number `json:"end_s"`

	SealFrom       *string        `json:"seal_from"`
	ReSeals        int            `json:"re_seals"`
	BelowRequiredS analyze.Number `json:"below_required_s"`
	TouchedByGap   bool           `json:"touched_by_gap"`
	IdleLevelKPa   analyze.Number `json:"idle_level_kPa"`
	RequiredKPa    analyze.Number `json:"required_kPa"`

	ResponseDelayS  analyze.Figure `json:"response_delay_s"`
	SealTimeS       analyze.Figure `json:"seal_time_s"`
	HoldVacuumKPa   analyze.Figure `json:"hold_vacuum_kPa"`
	LowestVacuumKPa analyze.Figure `json:"lowest_vacuum_kPa"`
	LeakFlowLmin    analyze.Figure `json:"leak_flow_Lmin"`
	LeakDownKPaS    analyze.Figure `json:"leak_down_kPa_s"`
	ReleaseTimeS    analyze.Figure `json:"release_time_s"`
	EnergyJ         analyze.Figure `json:"energy_J"`

	ApproachJ             analyze.Figure `json:"energy_approach_J"`
	EvacuateJ             analyze.Figure `json:"energy_evacuate_J"`
	HoldJ                 analyze.Figure `json:"energy_hold_J"`
	ReleaseJ              analyze.Figure `json:"energy_release_J"`
	LeakDownVacuumKPa     analyze.Figure `json:"leak_down_vacuum_kPa"`
	LeakDownFromS         analyze.Figure `json:"leak_down_from_s"`
	LeakDownToS           analyze.Figure `json:"leak_down_to_s"`
	LeakLawKLminANR       analyze.Figure `json:"leak_law_k_Lmin"`
	LeakLawN              analyze.Figure `json:"leak_law_n"`
	LeakAtRequiredLminANR analyze.Figure `json:"leak_at_required_Lmin"`
	ShutLastsS            analyze.Figure `json:"shut_lasts_s"`
	ShutSavesJ            analyze.Figure `json:"shut_saves_J"`
	ReEvacuationsPerMin   analyze.Figure `json:"re_evacuations_per_min"`
	DutyShare             analyze.Figure `json:"duty"`
	PartPresentDelayS     analyze.Figure `json:"part_present_delay_s"`
	OpenSuctionKPa        analyze.Figure `json:"open_suction_kPa"`
	SettlingTimeS         analyze.Figure `json:"settling_time_s"`

	// Missing says of figures that are null why they cannot be had.
	Missing map[string][]string `json:"missing,omitempty"`
}

// An EventJSON is one event.
type EventJSON struct {
	TS      analyze.Number `json:"t_s"`
	Kind    pick.EventKind `json:"kind"`
	Pick    *int           `json:"pick"`
	Station string         `json:"station,omitempty"`
	Group   *string        `json:"group,omitempty"`
}

// A GapJSON is a stretch without vacuum samples.
type GapJSON struct {
	FromS   analyze.Number `json:"from_s"`
	ToS     analyze.Number `json:"to_s"`
	Station string         `json:"station,omitempty"`
	Group   *string        `json:"group,omitempty"`
	Cause   string         `json:"cause,omitempty"`
}

// A LeakDownJSON is the fall of a closed volume.
type LeakDownJSON struct {
	Group       *string        `json:"group"`
	FromS       analyze.Number `json:"from_s"`
	ToS         analyze.Number `json:"to_s"`
	SlopeKPaS   analyze.Figure `json:"slope_kPa_s"`
	LostKPa     analyze.Number `json:"lost_kPa"`
	FallStartsS analyze.Number `json:"fall_starts_s"`
	LeakLmin    analyze.Figure `json:"leak_flow_Lmin"`
	LawN        analyze.Figure `json:"leak_law_n"`
	AtRequired  analyze.Figure `json:"leak_at_required_Lmin"`
}

// text returns nil for "", so that it becomes null.
func text(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// Pick returns the JSON of a pick of the named setup.
func Pick(p pick.Pick, setup string) PickJSON {
	j := PickJSON{
		N: p.N, Station: p.Station, Group: text(p.Group), Run: p.Run, Setup: setup,
		Outcome: p.Outcome, EndedAt: text(p.EndedAt),
		StartS: analyze.Number(p.StartS), ContactS: analyze.Number(p.ContactS), SealedAtS: analyze.Number(p.SealedAtS),
		DropS: analyze.Number(p.DropS), ReleaseS: analyze.Number(p.ReleaseS), EndS: analyze.Number(p.EndS),
		SealFrom: text(p.SealFrom), ReSeals: p.ReSeals, BelowRequiredS: analyze.Number(p.BelowRequiredS),
		TouchedByGap: p.TouchedByGap, IdleLevelKPa: analyze.Number(p.IdleLevelKPa), RequiredKPa: analyze.Number(p.RequiredKPa),
		ResponseDelayS: p.ResponseDelayS, SealTimeS: p.SealTimeS, HoldVacuumKPa: p.HoldVacuumKPa,
		LowestVacuumKPa: p.LowestVacuumKPa, LeakFlowLmin: p.LeakFlowLminANR, LeakDownKPaS: p.LeakDownKPaS,
		ReleaseTimeS: p.ReleaseTimeS, EnergyJ: p.EnergyJ,
		ApproachJ:             p.ApproachJ,
		EvacuateJ:             p.EvacuateJ,
		HoldJ:                 p.HoldJ,
		ReleaseJ:              p.ReleaseJ,
		LeakDownVacuumKPa:     p.LeakDownVacuumKPa,
		LeakDownFromS:         p.LeakDownFromS,
		LeakDownToS:           p.LeakDownToS,
		LeakLawKLminANR:       p.LeakLawKLminANR,
		LeakLawN:              p.LeakLawN,
		LeakAtRequiredLminANR: p.LeakAtRequiredLminANR,
		ShutLastsS:            p.ShutLastsS,
		ShutSavesJ:            p.ShutSavesJ,
		ReEvacuationsPerMin:   p.ReEvacuationsPerMin,
		DutyShare:             p.DutyShare,
		PartPresentDelayS:     p.PartPresentDelayS,
		OpenSuctionKPa:        p.OpenSuctionKPa,
		SettlingTimeS:         p.SettlingTimeS,
	}
	for name, f := range map[string]analyze.Figure{
		"response_delay_s": j.ResponseDelayS, "seal_time_s": j.SealTimeS, "hold_vacuum_kPa": j.HoldVacuumKPa,
		"lowest_vacuum_kPa": j.LowestVacuumKPa, "leak_flow_Lmin": j.LeakFlowLmin, "leak_down_kPa_s": j.LeakDownKPaS,
		"release_time_s": j.ReleaseTimeS, "energy_J": j.EnergyJ,
		"energy_approach_J":      j.ApproachJ,
		"energy_evacuate_J":      j.EvacuateJ,
		"energy_hold_J":          j.HoldJ,
		"energy_release_J":       j.ReleaseJ,
		"leak_down_vacuum_kPa":   j.LeakDownVacuumKPa,
		"leak_down_from_s":       j.LeakDownFromS,
		"leak_down_to_s":         j.LeakDownToS,
		"leak_law_k_Lmin":        j.LeakLawKLminANR,
		"leak_law_n":             j.LeakLawN,
		"leak_at_required_Lmin":  j.LeakAtRequiredLminANR,
		"shut_lasts_s":           j.ShutLastsS,
		"shut_saves_J":           j.ShutSavesJ,
		"re_evacuations_per_min": j.ReEvacuationsPerMin,
		"duty":                   j.DutyShare,
		"settling_time_s":        j.SettlingTimeS,
	} {
		if !f.OK() {
			for _, w := range f.Warnings {
				if j.Missing == nil {
					j.Missing = map[string][]string{}
				}
				j.Missing[name] = append(j.Missing[name], string(w.Code))
			}
		}
	}
	return j
}

// Event returns the JSON of an event.
func Event(e pick.Event) EventJSON {
	j := EventJSON{TS: analyze.Number(e.TS), Kind: e.Kind, Station: e.Station, Group: text(e.Group)}
	if e.Pick > 0 {
		j.Pick = &e.Pick
	}
	return j
}

// Gap returns the JSON of a gap.
func Gap(g pick.Gap, station, group string) GapJSON {
	return GapJSON{FromS: analyze.Number(g.FromS), ToS: analyze.Number(g.ToS), Station: station, Group: text(group), Cause: g.Cause}
}

// LeakDown returns the JSON of a leak-down, with the leak at the required vacuum.
func LeakDown(l pick.LeakDown, group string, atRequired analyze.Figure) LeakDownJSON {
	return LeakDownJSON{Group: text(group), FromS: analyze.Number(l.FromS), ToS: analyze.Number(l.ToS),
		SlopeKPaS: l.SlopeKPaS, LostKPa: analyze.Number(l.LostKPa), FallStartsS: analyze.Number(l.FallStartsS),
		LeakLmin: l.LeakLminANR, LawN: l.Exponent(), AtRequired: atRequired}
}

// WriteJSON writes v on lines of two spaces' indent.
func WriteJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// A BudgetJSON is the uncertainty budget of one figure.
type BudgetJSON struct {
	Figure string         `json:"figure"`
	Unit   string         `json:"unit"`
	Value  analyze.Figure `json:"value"`
	Parts  []PartJSON     `json:"parts"`
}

// A PartJSON is one line of a budget.
type PartJSON struct {
	Name  string         `json:"name"`
	Shape analyze.Shape  `json:"shape"`
	Size  analyze.Number `json:"size"`
	U     analyze.Number `json:"u"`
}
