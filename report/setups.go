package report

import (
	"griptrial/analyze"
	"griptrial/config"
)

// A RequirementJSON is what a setup has to meet; null is not stated.
type RequirementJSON struct {
	VacuumKPa      analyze.Number `json:"vacuum_kPa"`
	SealTimeLimitS analyze.Number `json:"seal_time_limit_s"`
	SealTimeShare  analyze.Number `json:"seal_time_share"`
	VacuumMinKPa   analyze.Number `json:"vacuum_min_kPa"`
	VacuumShare    analyze.Number `json:"vacuum_share"`
	DropsMaxRate   analyze.Number `json:"drops_max_rate"`
	Confidence     analyze.Number `json:"confidence"`
	PicksPerMinute analyze.Number `json:"picks_per_minute"`
}

// Requirement returns q as JSON has it.
func Requirement(q *config.Requirement) RequirementJSON {
	return RequirementJSON{number(q.VacuumKPa), number(q.SealTimeLimitS), number(q.SealTimeShare), number(q.VacuumMinKPa), number(q.VacuumShare),
		number(q.DropsMaxRate), number(q.Confidence), number(q.PicksPerMinute)}
}

// A SetupJSON is one combination of factor levels.
type SetupJSON struct {
	Name          string         `json:"name"`
	Bag           string         `json:"bag"`
	Cup           string         `json:"cup"`
	Cups          int            `json:"cups"`
	Placement     string         `json:"placement"`
	Tilt          string         `json:"tilt"`
	Engine        string         `json:"engine"`
	EngineSetting string         `json:"engine_setting"`
	RequiredKPa   analyze.Number `json:"required_kPa"`
}

// Setups returns the setups of a trial in its order, an empty list of none.
func Setups(t *config.Trial) []SetupJSON {
	all := []SetupJSON{}
	for _, s := range t.Setups {
		all = append(all, SetupJSON{s.Name, s.Bag, s.Cup, s.Cups, s.Placement, s.Tilt, s.Engine, s.EngineSetting, number(t.RequiredVacuumKPa(s.Name))})
	}
	return all
}
