package main

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"griptrial/config"
)

// Another requirement is no other setup; another bag in a run is told, and so is a setup that is gone.
func TestOtherSetups(t *testing.T) {
	trial := func(bag string, requiredKPa float64) *config.Trial {
		return &config.Trial{Setups: []config.Setup{{Name: "a", Bag: bag, Cup: "bellows cup", Cups: 1, VacuumKPa: requiredKPa}, {Name: "b", Bag: "bark", Cup: "flat cup", Cups: 2}},
			Runs: []config.Run{{Setups: map[string]string{"left": "a", "right": "b"}, Picks: 3}, {Setups: map[string]string{"left": "b"}, Picks: 3}}}
	}
	recorded := trial("grass seed", 20)
	assert.Empty(t, otherSetups(recorded, trial("grass seed", 30)))
	assert.Equal(t, []string{`run 1 at left: bag "bark mulch", recorded with "grass seed"`}, otherSetups(recorded, trial("bark mulch", 20)))
	fewer := trial("grass seed", 20)
	fewer.Runs = fewer.Runs[:1]
	assert.Equal(t, []string{`run 2 has no setup at left, where "b" was recorded`}, otherSetups(recorded, fewer))
	none := &config.Trial{}
	for range 3 {
		recorded.Runs = append(recorded.Runs, recorded.Runs[0])
	}
	assert.Len(t, otherSetups(recorded, none), 5)
}
