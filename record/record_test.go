package record

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/store"
)

// An endingSource hands nothing on and ends as its function does.
type endingSource func(context.Context) error

func (endingSource) Groups() []sample.Group { return nil }

func (end endingSource) Run(ctx context.Context, _ func(sample.Batch)) error { return end(ctx) }

// Whatever ended the recording, a source that says no more than that is no fault of it; one that
// cannot go on for a reason of its own is.
func TestEndOfASource(t *testing.T) {
	run := func(ctx context.Context, ends ...endingSource) error {
		file, err := store.Create(filepath.Join(t.TempDir(), "end.gtrial"), store.Header{Program: "test", AnchorUTC: time.Unix(0, 0)})
		require.NoError(t, err)
		defer file.Close()
		s, err := NewStations(nil, nil, nil)
		require.NoError(t, err)
		r := Recorder{File: file, Stations: s}
		for _, end := range ends {
			r.Sources = append(r.Sources, end)
		}
		return r.Run(ctx)
	}
	wait := func(ctx context.Context) error {
		<-ctx.Done()
		return ctx.Err()
	}
	late, stop := context.WithTimeout(t.Context(), time.Millisecond)
	defer stop()
	assert.NoError(t, run(late, wait))
	stopped, stop := context.WithCancel(t.Context())
	stop()
	assert.NoError(t, run(stopped, wait))
	own := errors.New("no such port")
	assert.ErrorIs(t, run(t.Context(), func(context.Context) error { return own }), own)
	// One that fails by itself says so, although the recording ends in the same way later.
	failed := make(chan struct{})
	assert.ErrorContains(t, run(t.Context(), func(context.Context) error {
		close(failed)
		return fmt.Errorf("no answer: %w", context.Canceled)
	}, func(context.Context) error {
		<-failed
		return nil
	}), "no answer")
	inner, stop := context.WithTimeout(t.Context(), time.Millisecond)
	defer stop()
	assert.ErrorIs(t, run(t.Context(), func(context.Context) error { return wait(inner) }), context.DeadlineExceeded)
}
