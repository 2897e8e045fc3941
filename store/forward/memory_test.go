package forward

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An outage of eight times the length takes no more memory: what waits lies in the file.
func TestOutageTakesNoMemory(t *testing.T) {
	peak := func(picks int) (most uint64) {
		file := newTrial(t)
		fillTrial(t, file, picks)
		requests := 0
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			_, _ = io.Copy(io.Discard, r.Body)
			if requests++; requests <= 5 {
				w.WriteHeader(http.StatusServiceUnavailable)
				return
			}
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapAlloc)
			w.WriteHeader(http.StatusNoContent)
		}))
		defer server.Close()
		runtime.GC()
		var before runtime.MemStats
		runtime.ReadMemStats(&before)
		f, _ := newForwarder(t, file, server.URL, func(o *Options) {
			o.SegmentLines = 1000
			o.wait = func(ctx context.Context, d time.Duration) error { return ctx.Err() }
		})
		require.NoError(t, f.Drain(t.Context()))
		assert.Greater(t, f.Status().LinesSent, uint64(2*picks))
		assert.EqualValues(t, 5, f.Status().Failures)
		return most - min(most, before.HeapAlloc)
	}
	peak(500) // what is made once
	short, long := peak(2000), peak(16_000)
	t.Logf("in use at most %.2f MB after an outage of 4,000 picks, %.2f MB after one of 32,000", float64(short)/1e6, float64(long)/1e6)
	assert.Less(t, float64(long), 1.25*float64(short)+1e6)
}
