package testserver

import (
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// Both servers can be had here and take data. Where they are not, they are installed and
// built first, which this test's time then shows: make test runs it before all others.
func TestServers(t *testing.T) {
	began := time.Now()
	v := VictoriaMetrics(t)
	t.Logf("VictoriaMetrics after %.1f s", time.Since(began).Seconds())
	assert.Equal(t, "OK", string(v.Get("/health", nil)))
	began = time.Now()
	i := InfluxDB(t, "hall")
	t.Logf("InfluxDB after %.1f s", time.Since(began).Seconds())
	assert.Contains(t, string(i.Get("/query", url.Values{"q": {"SHOW DATABASES"}})), `["hall"]`)
}
