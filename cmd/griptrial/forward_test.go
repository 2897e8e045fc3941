package main

import (
	"bytes"
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A stopper keeps what is written, and stops what writes it once it holds words.
type stopper struct {
	bytes.Buffer
	words string
	stop  func()
}

func (s *stopper) Write(p []byte) (int, error) {
	n, err := s.Buffer.Write(p)
	if bytes.Contains(s.Bytes(), []byte(s.words)) {
		s.stop()
	}
	return n, err
}

// What waits is told whole, also before the first of it is in the outbox.
func TestForwardToADeadServer(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.gtrial")
	code, _, errs := command(t, "simulate", "../../testdata/rigs/io-block-tcp.yaml", "--picks", "2", "--fast", "--out", path)
	require.Equal(t, exitDone, code, errs)
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	said := &stopper{words: "trying on", stop: stop}
	run(ctx, []string{"forward", path, "--to", "http://127.0.0.1:1"}, &bytes.Buffer{}, said)
	assert.Regexp(t, `forward: \d+ lines wait in the outbox, \d+ picks and events are not in it yet.*trying on`, said.String())
	assert.NotContains(t, said.String(), "0 lines wait in the outbox, 0 picks")
}
