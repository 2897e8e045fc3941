package record

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
	"griptrial/simulator"
	"griptrial/store"
)

// A steppedSource hands on batches when it is told to, and says when the recorder has them.
type steppedSource struct {
	groups  []sample.Group
	batches []sample.Batch
	step    chan int // how many to hand on
	gave    chan struct{}
}

func (s *steppedSource) Groups() []sample.Group { return s.groups }

func (s *steppedSource) Run(ctx context.Context, emit func(sample.Batch)) error {
	for n := range s.step {
		for _, b := range s.batches[:n] {
			emit(b)
		}
		s.batches = s.batches[n:]
		s.gave <- struct{}{}
	}
	return nil
}

// An operator begins and ends runs: picks belong to the run in which they began, to none
// between two, and all of it comes back to the bit from the file.
func TestOperatorRuns(t *testing.T) {
	names := []string{"s1", "s2"}
	sc := simulator.DemoScenario(48).OnStations(names)
	rig := wireRig(t, names, "127.0.0.1:1", 10)
	sim, err := simulator.NewRig(sc, *rig)
	require.NoError(t, err)
	src := &steppedSource{groups: sim.Groups(), step: make(chan int), gave: make(chan struct{})}
	_, err = simulator.Fast(sc, *rig, 0, func(b sample.Batch) error {
		src.batches = append(src.batches, b)
		return nil
	})
	require.NoError(t, err)

	trial := wireTrial(sc)
	for i := range trial.Setups { // so that a run shows in what its picks require
		trial.Setups[i].VacuumKPa = 10 + 0.25*float64(i)
	}
	plan := NewOperatorPlan(trial)
	settings, err := Settings(rig, plan)
	require.NoError(t, err)
	s, err := NewStations(src.groups, settings, plan)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "runs.gtrial")
	file, err := store.Create(path, store.Header{Program: "test", AnchorUTC: time.Unix(0, 0), RigText: rig.Text, Groups: src.groups, Stations: names})
	require.NoError(t, err)
	defer file.Close()
	heard, committed, soon := 0, 0, 0
	var last Progress
	control := NewControl()
	r := Recorder{File: file, Sources: []Source{src}, Stations: s, Plan: plan, Control: control, CommitEvery: time.Hour,
		Heard: func(b sample.Batch) {
			heard++
			require.GreaterOrEqual(t, heard, committed, "heard before it is committed")
		},
		Committed: func(p Progress) {
			committed += len(p.Batches)
			soon += len(p.Soon)
			last = p
		}}
	done := make(chan error, 1)
	go func() { done <- r.Run(t.Context()) }()
	ctx := t.Context()
	part := len(src.batches) / 6
	give := func(n int) {
		src.step <- n
		<-src.gave
	}

	assert.ErrorIs(t, control.StopRun(ctx, 0), ErrNotNow)
	give(part) // no run yet
	assert.ErrorContains(t, control.StartRun(ctx, 3, ""), "run 1 comes next")
	require.NoError(t, control.StartRun(ctx, 0, "P7"))
	assert.ErrorContains(t, control.StartRun(ctx, 0, ""), "run 1 is in progress")
	give(part)
	assert.ErrorContains(t, control.StopRun(ctx, 2), "run 1 is in progress")
	require.NoError(t, control.StopRun(ctx, 1))
	give(part) // between two runs
	require.NoError(t, control.StartRun(ctx, 2, ""))
	give(part)
	require.NoError(t, control.StopRun(ctx, 0))
	require.NoError(t, control.StartRun(ctx, 1, "")) // once more
	assert.Equal(t, 1, last.Run)
	give(part)
	close(src.step)
	require.NoError(t, <-done)
	assert.ErrorIs(t, control.StartRun(ctx, 0, ""), ErrOver)
	assert.Equal(t, heard, committed)
	assert.NotZero(t, soon)

	found, err := file.Picks(1, "")
	require.NoError(t, err)
	runs := map[string][]int{}
	for _, p := range found {
		all := runs[p.Station]
		if len(all) == 0 || all[len(all)-1] != p.Run {
			runs[p.Station] = append(all, p.Run)
		}
		want := 10 + 0.25*float64(len(trial.Setups)-1) // between runs: the most of all setups
		if p.Run > 0 {
			want = trial.RequiredVacuumKPa(trial.Runs[p.Run-1].Setups[p.Station])
		}
		assert.Equal(t, want, p.RequiredKPa, "%s pick %d", p.Station, p.N)
	}
	for _, name := range names {
		assert.Equal(t, []int{0, 1, 0, 2, 1}, runs[name], name)
	}
	stored, err := file.Runs()
	require.NoError(t, err)
	require.Len(t, stored, 2)
	assert.Equal(t, "P7", stored[0].Piece)
	assert.Equal(t, trial.Runs[1].Piece, stored[1].Piece)
	assert.Greater(t, stored[1].StartNS, stored[0].StartNS)

	again, err := PlanAsRun(trial, file)
	require.NoError(t, err)
	require.True(t, again.ByOperator())
	settings, err = Settings(rig, again)
	require.NoError(t, err)
	requireSamePicks(t, found, replay(t, file, settings, again).Picks)
}

// What is shown of a pick before it is final changes nothing of what becomes final, and what
// it says of instants is what the final pick says.
func TestProvisionalPicks(t *testing.T) {
	names := []string{"s1"}
	sc := simulator.DemoScenario(12).OnStations(names)
	rig := wireRig(t, names, "127.0.0.1:1", 10)
	sim, err := simulator.NewRig(sc, *rig)
	require.NoError(t, err)
	settings, err := Settings(rig, NewPlan(wireTrial(sc)))
	require.NoError(t, err)
	judge := func(ask bool) (final, early []pick.Pick) {
		plan := NewPlan(wireTrial(sc))
		s, err := NewStations(sim.Groups(), settings, plan)
		require.NoError(t, err)
		_, err = simulator.Fast(sc, *rig, 0, func(b sample.Batch) error {
			s.Push(b)
			if ask {
				early = append(early, s.Provisional()...)
			}
			final = append(final, s.Take().Picks...)
			return nil
		})
		require.NoError(t, err)
		s.Finish()
		return append(final, s.Take().Picks...), early
	}
	plain, _ := judge(false)
	final, early := judge(true)
	requireSamePicks(t, plain, final)
	require.NotEmpty(t, early)
	sealed := 0
	for _, e := range early {
		f := final[e.N-1]
		require.Equal(t, e.N, f.N)
		if e.SealedAtS == e.SealedAtS {
			sealed++
			assert.Equal(t, f.SealedAtS, e.SealedAtS, "pick %d", e.N)
			assert.Equal(t, f.SealTimeS, e.SealTimeS, "pick %d", e.N)
		}
	}
	assert.GreaterOrEqual(t, sealed, len(final)/2)
}
