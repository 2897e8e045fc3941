package forward

import (
	"io"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An answer may take longer than a request's time-out as long as it goes on; one that stands
// still is given up.
func TestLongAnswers(t *testing.T) {
	const timeout = 400 * time.Millisecond
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.WriteHeader(200)
		for range 12 {
			_, _ = w.Write([]byte("x"))
			w.(http.Flusher).Flush()
			if r.URL.Path == "/stall" {
				<-r.Context().Done()
				return
			}
			time.Sleep(timeout / 8)
		}
	}))
	defer server.Close()
	f, err := New(newTrialAt(t, time.Now()), Options{URL: server.URL, Bucket: "b", Timeout: timeout})
	require.NoError(t, err)
	defer f.Close()
	for path, want := range map[string]int{"slow": 12, "stall": 1} {
		body, _, err := f.get(t.Context(), path, nil)
		require.NoError(t, err)
		got, err := io.ReadAll(body)
		require.NoError(t, body.Close())
		assert.Len(t, got, want, path)
		if path == "stall" {
			assert.ErrorContains(t, err, "said nothing for 400ms")
		} else {
			assert.NoError(t, err)
		}
	}
}
