package forward

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze/pick"
	"griptrial/store"
	"griptrial/store/forward/testserver"
)

// used returns the processor time of a process in s and its resident memory in MB, NaN-free
// zero where the system does not tell (no /proc).
func used(pid int) (cpuS, rssMB float64) {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0, 0
	}
	f := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
	user, _ := strconv.ParseFloat(f[11], 64)
	system, _ := strconv.ParseFloat(f[12], 64)
	pages, _ := strconv.ParseFloat(f[21], 64)
	return (user + system) / 100, pages * float64(os.Getpagesize()) / 1e6 // USER_HZ is 100 on Linux
}

// Many rigs forward to one server at once: first what an outage left, then picks as they are
// made. Every point arrives, and the lag stays near the interval at which a forwarder looks.
func TestManyRigs(t *testing.T) {
	if testing.Short() {
		t.Skip("a real server")
	}
	rigs, backlog, steady := 5, 100, 3*time.Second
	if nightly {
		rigs, backlog, steady = 200, 1000, time.Minute
	}
	if n, err := strconv.Atoi(os.Getenv("GRIPTRIAL_RIGS")); err == nil {
		rigs = n
	}
	server := testserver.VictoriaMetrics(t)
	type rig struct {
		file *store.Trial
		f    *Forwarder
		n    int // picks at each of its two stations
	}
	all := make([]*rig, rigs)
	dir := t.TempDir()
	for i := range all {
		path := filepath.Join(dir, fmt.Sprintf("rig%03d.gtrial", i))
		file, err := store.Create(path, store.Header{Program: "test", AnchorUTC: time.Now().Add(-time.Duration(backlog+1) * time.Second).Truncate(time.Millisecond), Stations: []string{"left", "right"}})
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, file.Close()) })
		fillTrial(t, file, backlog)
		f, err := New(file, Options{URL: server.URL, Bucket: "griptrial", Labels: Labels{Rig: fmt.Sprintf("rig %03d", i), Trial: "many"}})
		require.NoError(t, err)
		defer f.Close()
		all[i] = &rig{file, f, backlog}
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ownBefore, _ := used(os.Getpid())
	serverBefore, _ := used(server.PID())
	began := time.Now()
	var running sync.WaitGroup
	errs := make([]error, rigs)
	for i, r := range all {
		running.Go(func() { errs[i] = r.f.Run(ctx) })
	}
	lines := func() (sent uint64) {
		for _, r := range all {
			sent += r.f.Status().LinesSent
		}
		return sent
	}
	wanted := uint64(rigs * (2*backlog + 1 + (backlog+999)/1000 + 2*(backlog/soakPicks))) // picks, the run, events, summaries
	require.Eventually(t, func() bool { return lines() >= wanted }, 5*time.Minute, 10*time.Millisecond)
	took := time.Since(began).Seconds()
	own, ownMB := used(os.Getpid())
	served, serverMB := used(server.PID())
	const fields = 16 // of a pick's line in this test
	t.Logf("%d rigs, backlog: %d lines (%d values) in %.2f s: %.0f lines/s, %.0f values/s; forwarders %.2f cores, %.0f MB; server %.2f cores, %.0f MB",
		rigs, wanted, wanted*fields, took, float64(wanted)/took, float64(wanted*fields)/took, (own-ownBefore)/took, ownMB, (served-serverBefore)/took, serverMB)

	// Now a pick a second at each station. The lag is from a pick's commit to the server's word.
	var mu sync.Mutex
	var lags []float64
	ownBefore, serverBefore, began = own, served, time.Now()
	var picking sync.WaitGroup
	for i, r := range all {
		picking.Go(func() {
			time.Sleep(time.Duration(i) * time.Second / time.Duration(rigs)) // not all at one instant
			for begun := time.Now(); begun.Sub(began) < steady; begun = begun.Add(time.Second) {
				time.Sleep(time.Until(begun))
				r.n++
				now := time.Since(r.file.Header().AnchorUTC).Seconds()
				var picks []pick.Pick
				for _, station := range []string{"left", "right"} {
					p := somePicks(station, r.n, r.n)[0]
					p.EndS = now
					picks = append(picks, p)
				}
				want := r.f.Status().LinesSent + 2
				committed := time.Now()
				if !assert.NoError(t, r.file.AppendPicks(1, picks, nil)) {
					return
				}
				for r.f.Status().LinesSent < want && time.Since(committed) < time.Minute {
					time.Sleep(5 * time.Millisecond)
				}
				mu.Lock()
				lags = append(lags, time.Since(committed).Seconds())
				mu.Unlock()
			}
		})
	}
	picking.Wait()
	took = time.Since(began).Seconds()
	own, ownMB = used(os.Getpid())
	served, serverMB = used(server.PID())
	slices.Sort(lags)
	at := func(share float64) float64 { return lags[int(share*float64(len(lags)-1))] }
	t.Logf("%d rigs, 2 picks a second each: %.0f lines/s; lag from commit to acknowledgement p50 %.2f s, p99 %.2f s, worst %.2f s; forwarders with their commits %.2f cores, %.0f MB; server %.2f cores, %.0f MB; %d goroutines",
		rigs, float64(2*rigs), at(0.5), at(0.99), at(1), (own-ownBefore)/took, ownMB, (served-serverBefore)/took, serverMB, runtime.NumGoroutine())

	want := wanted
	for _, r := range all {
		want += uint64(2*(r.n-backlog)) + uint64(2*(r.n/soakPicks-backlog/soakPicks))
	}
	require.Eventually(t, func() bool { return lines() >= want }, time.Minute, 10*time.Millisecond)
	stop()
	running.Wait()
	for i, r := range all {
		assert.True(t, errors.Is(errs[i], context.Canceled), "%v", errs[i])
		assert.Zero(t, r.f.Status().Parked)
	}
	// Each rig's picks are on the server, once.
	time.Sleep(1100 * time.Millisecond)
	got := readVictoriaMetrics(t, server)
	picks := 0
	for key, times := range got {
		if strings.HasSuffix(key, "\x00\x00seal_time_s") {
			for _, n := range times {
				require.Equal(t, 1, n)
				picks++
			}
		}
	}
	sum := 0
	for _, r := range all {
		sum += 2 * r.n
	}
	assert.Equal(t, sum, picks)
	size := int64(0)
	require.NoError(t, filepath.WalkDir(server.DataPath(), func(_ string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			if info, err := e.Info(); err == nil {
				size += info.Size()
			}
		}
		return nil
	}))
	t.Logf("%d series, %.0f a rig; %.1f MB on the server's disk for %d picks", len(got), float64(len(got))/float64(rigs), float64(size)/1e6, picks)
}
