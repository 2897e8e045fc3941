package record

import (
	"errors"
	"math"
	"slices"

	"griptrial/analyze/engine"
	"griptrial/config"
	"griptrial/store"
)

// ErrNoSetups says that a recording was made without a trial file.
var ErrNoSetups = errors.New("recorded without a trial file: there are no setups")

// A Tested is what a recorded trial tells about engines and leaks.
type Tested struct {
	Trial      *config.Trial
	AmbientKPa float64         // as the rig states; NaN where it does not
	Setups     []engine.Tested // those with picks, in the trial's order
}

// TestedSetups returns the setups of a trial with the picks of an analysis, by the rig and the
// requirement of that analysis; name is what messages call the file.
func TestedSetups(file *store.Trial, name string, set int) (Tested, error) {
	rig, trial, err := TextsOf(file, name, set)
	if err != nil {
		return Tested{}, err
	}
	out := Tested{Trial: trial, AmbientKPa: math.NaN()}
	stations := map[string]engine.Station{}
	if rig != nil {
		out.AmbientKPa = rig.AmbientKPa
		for _, s := range rig.Stations {
			stations[s.Name] = engine.Station{VolumeL: s.VolumeL, VolumeU: s.VolumeUL, BlankLminANR: s.BlankLeakLminANR, BlankU: s.BlankLeakU, IdleBandKPa: s.IdleBandKPa}
		}
	}
	runs, err := file.Runs()
	if err != nil {
		return Tested{}, err
	}
	setupOf, pieces := map[int]map[string]string{}, map[int]string{}
	for _, r := range runs {
		setupOf[r.N], pieces[r.N] = r.Setups, r.Piece
	}
	at := map[string]int{}
	for i, s := range out.Trial.Setups {
		at[s.Name] = i
		out.Setups = append(out.Setups, engine.Tested{Setup: s, RequiredKPa: out.Trial.RequiredVacuumKPa(s.Name), Pieces: pieces, Stations: stations})
	}
	for p, err := range file.EachPick(set, "") {
		if err != nil {
			return Tested{}, err
		}
		if i, ok := at[setupOf[p.Run][p.Station]]; ok {
			out.Setups[i].Picks = append(out.Setups[i].Picks, p)
		}
	}
	out.Setups = slices.DeleteFunc(out.Setups, func(t engine.Tested) bool { return len(t.Picks) == 0 })
	return out, nil
}
