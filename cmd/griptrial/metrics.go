package main

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"maps"
	"math"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"griptrial/acquire/modbus"
	"griptrial/acquire/textline"
	"griptrial/config"
	"griptrial/record"
	"griptrial/store/forward"
)

// metricsTokenVariable is the environment variable with the token that a wider listener
// than loopback asks for.
const metricsTokenVariable = "GRIPTRIAL_METRICS_TOKEN"

// metrics are the recorder's own: how polling, committing and forwarding go.
type metrics struct {
	buses    []busSource
	rig      *config.Rig
	registry *prometheus.Registry

	commits            prometheus.Histogram
	scans, picks       prometheus.Counter
	faults             prometheus.Counter
	queued, recordedTo prometheus.Gauge

	mu        sync.Mutex
	last      map[string]float64
	forwarder *forward.Forwarder
}

func newMetrics(buses []busSource, rig *config.Rig) *metrics {
	m := &metrics{buses: buses, rig: rig, registry: prometheus.NewRegistry(), last: map[string]float64{}}
	name := func(n, help string) prometheus.Opts { return prometheus.Opts{Name: "griptrial_" + n, Help: help} }
	m.commits = prometheus.NewHistogram(prometheus.HistogramOpts{Name: "griptrial_commit_seconds", Help: "Time to make batches durable.",
		Buckets: prometheus.ExponentialBuckets(0.0001, 4, 9)})
	m.scans = prometheus.NewCounter(prometheus.CounterOpts(name("scans_total", "Scans committed.")))
	m.picks = prometheus.NewCounter(prometheus.CounterOpts(name("picks_total", "Picks that became final.")))
	m.faults = prometheus.NewCounter(prometheus.CounterOpts(name("faults_total", "Faults of buses recorded.")))
	m.queued = prometheus.NewGauge(prometheus.GaugeOpts(name("queued_batches", "Batches that wait for the next commit.")))
	m.recordedTo = prometheus.NewGauge(prometheus.GaugeOpts(name("recorded_to_seconds", "Trial time of the latest durable scan.")))
	m.registry.MustRegister(m.commits, m.scans, m.picks, m.faults, m.queued, m.recordedTo, m)
	return m
}

func (m *metrics) committed(p record.Progress) {
	faults := 0
	for _, b := range p.Batches {
		if b.Fault != "" {
			faults++
		}
	}
	scans := 0
	for _, b := range p.Batches {
		scans += len(b.T)
	}
	m.commits.Observe(p.Took.Seconds())
	m.scans.Add(float64(scans))
	m.picks.Add(float64(len(p.Judged.Picks)))
	m.faults.Add(float64(faults))
	m.queued.Set(float64(p.Queued))
	m.recordedTo.Set(float64(p.AtNS) / 1e9)
	m.mu.Lock()
	defer m.mu.Unlock()
	m.last["scans"] += float64(scans)
	m.last["picks"] += float64(len(p.Judged.Picks))
	m.last["faults"] += float64(faults)
	m.last["commit_s"] = p.Took.Seconds()
	m.last["queued_batches"] = float64(p.Queued)
}

// health returns what is forwarded about the recorder.
func (m *metrics) health() map[string]float64 {
	m.mu.Lock()
	h := maps.Clone(m.last)
	m.mu.Unlock()
	worst := math.NaN()
	for _, b := range m.buses {
		if p, ok := b.(*modbus.Poller); ok {
			for _, d := range p.Stats().Devices {
				h["polls_ok"] += float64(d.OK)
				h["polls_failed"] += float64(d.Timeouts + d.Framing + d.Lost + d.NoConnection + d.Skipped + d.BackedOff)
				if s := d.LateP99.Seconds(); math.IsNaN(worst) || s > worst {
					worst = s
				}
			}
		}
	}
	h["late_p99_s"] = worst
	return h
}

var (
	pollsDesc    = prometheus.NewDesc("griptrial_polls_total", "Polls of a device by what became of them.", []string{"bus", "device", "result"}, nil)
	latenessDesc = prometheus.NewDesc("griptrial_poll_lateness_seconds", "How late polls begin after their deadlines.", []string{"bus", "device", "quantile"}, nil)
	forwardDesc  = map[string]*prometheus.Desc{}
)

func init() {
	for name, help := range map[string]string{
		"lag_seconds":        "Age of the oldest line that waits for the server.",
		"waiting_lines":      "Lines in the outbox that the server has not acknowledged.",
		"waiting_bytes":      "Bytes in the outbox that the server has not acknowledged, as stored.",
		"not_yet_in_outbox":  "Picks and events that are not in the outbox yet.",
		"requests_total":     "Requests to the server.",
		"failures_total":     "Requests that failed.",
		"lines_sent_total":   "Lines that the server acknowledged.",
		"lines_parked_total": "Lines that the server refused for good.",
		"stopped":            "1 where the server refused everything and forwarding stopped.",
		"outbox_full":        "1 where more waits than was allowed.",
	} {
		forwardDesc[name] = prometheus.NewDesc("griptrial_forward_"+name, help, nil, nil)
	}
}

// Describe and Collect make metrics a collector of what others count.
func (m *metrics) Describe(c chan<- *prometheus.Desc) {
	c <- pollsDesc
	c <- latenessDesc
	for _, d := range forwardDesc {
		c <- d
	}
}

func (m *metrics) Collect(c chan<- prometheus.Metric) {
	for i, b := range m.buses {
		bus := m.rig.Buses[i].Name
		count := func(device, result string, n uint64) {
			c <- prometheus.MustNewConstMetric(pollsDesc, prometheus.CounterValue, float64(n), bus, device, result)
		}
		switch b := b.(type) {
		case *modbus.Poller:
			for _, d := range b.Stats().Devices {
				exceptions := uint64(0)
				for _, n := range d.Exceptions {
					exceptions += n
				}
				for result, n := range map[string]uint64{"ok": d.OK, "timeout": d.Timeouts, "exception": exceptions, "spoiled": d.Framing,
					"lost": d.Lost, "no_connection": d.NoConnection, "skipped": d.Skipped, "backed_off": d.BackedOff} {
					count(d.Device, result, n)
				}
				for q, v := range map[string]time.Duration{"0.5": d.LateMedian, "0.99": d.LateP99, "1": d.LateWorst} {
					c <- prometheus.MustNewConstMetric(latenessDesc, prometheus.GaugeValue, v.Seconds(), bus, d.Device, q)
				}
			}
		case *textline.Source:
			for _, d := range b.Stats() {
				for result, n := range map[string]uint64{"ok": d.OK, "timeout": d.Timeouts, "spoiled": d.Garbage + d.Checksum,
					"lost": d.Lost, "no_connection": d.NoConnection, "skipped": d.Skipped, "backed_off": d.BackedOff} {
					count(d.Device, result, n)
				}
				for q, v := range map[string]time.Duration{"0.5": d.LateMedian, "0.99": d.LateP99, "1": d.LateWorst} {
					c <- prometheus.MustNewConstMetric(latenessDesc, prometheus.GaugeValue, v.Seconds(), bus, d.Device, q)
				}
			}
		case *modbus.Listener:
			x := b.Stats()
			count(bus, "heard", x.OK)
			count(bus, "timeout", x.NotAnswered)
		}
	}
	m.mu.Lock()
	f := m.forwarder
	m.mu.Unlock()
	if f == nil {
		return
	}
	s := f.Status()
	yes := map[bool]float64{true: 1}
	for name, v := range map[string]float64{"lag_seconds": s.LagS, "waiting_lines": float64(s.WaitingLines), "waiting_bytes": float64(s.WaitingBytes),
		"not_yet_in_outbox": float64(s.NotYetInOutbox), "requests_total": float64(s.Requests), "failures_total": float64(s.Failures),
		"lines_sent_total": float64(s.LinesSent), "lines_parked_total": float64(s.Parked), "stopped": yes[s.Stopped], "outbox_full": yes[s.OutboxFull]} {
		kind := prometheus.GaugeValue
		if len(name) > 6 && name[len(name)-6:] == "_total" {
			kind = prometheus.CounterValue
		}
		c <- prometheus.MustNewConstMetric(forwardDesc[name], kind, v)
	}
}

// serve serves /metrics until stop is called: on loopback, or elsewhere with a token.
func (m *metrics) serve(address string) (stop func(), err error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, wrongf(`--metrics: found %q; want an address such as "127.0.0.1:9464"`, address)
	}
	token, err := readTokenVariable(metricsTokenVariable)
	if err != nil {
		return nil, err
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) && token == "" {
		return nil, wrongf("--metrics: %s is open to other machines; put a token into %s, or use 127.0.0.1", address, metricsTokenVariable)
	}
	ln, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("--metrics: %w", err)
	}
	mux := http.NewServeMux()
	page := promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{})
	mux.HandleFunc("GET /metrics", func(w http.ResponseWriter, r *http.Request) {
		if token != "" && subtle.ConstantTimeCompare([]byte(r.Header.Get("Authorization")), []byte("Bearer "+token)) != 1 {
			http.Error(w, "token wanted", http.StatusUnauthorized)
			return
		}
		page.ServeHTTP(w, r)
	})
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second, WriteTimeout: 10 * time.Second}
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := server.Serve(ln); !errors.Is(err, http.ErrServerClosed) {
			return
		}
	}()
	return func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		server.Shutdown(ctx)
		<-done
	}, nil
}
