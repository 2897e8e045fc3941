package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/config"
	"griptrial/simulator"
	"griptrial/store"
)

// asProgram has the test binary be griptrial, so that it can be killed.
const asProgram = "GRIPTRIAL_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	os.Exit(m.Run())
}

// program returns griptrial as a process of its own.
func program(t *testing.T, args ...string) (c *exec.Cmd, stderr *bytes.Buffer) {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	c = exec.Command(self, args...)
	c.Env = append(os.Environ(), asProgram+"=1")
	stderr = &bytes.Buffer{}
	c.Stderr = stderr
	return c, stderr
}

// simulated serves the demo's rig and returns rig and trial file for recording it.
func simulated(t *testing.T, picks int) (rigPath, trialPath string) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	text := strings.Replace(demoRig, "127.0.0.1:15502", ln.Addr().String(), 1)
	rig, err := config.ParseRig("demo rig", []byte(text))
	require.NoError(t, err)
	sc := simulator.DemoScenario(picks)
	sc.LeadS = 0.3
	sim, err := simulator.NewRig(sc, *rig)
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- simulator.Serve(ctx, ln, sim.Bus("block")) }()
	t.Cleanup(func() { stop(); assert.NoError(t, <-served) })
	dir := t.TempDir()
	rigPath, trialPath = filepath.Join(dir, "rig.yaml"), filepath.Join(dir, "trial.yaml")
	require.NoError(t, os.WriteFile(rigPath, []byte(text), 0o644))
	require.NoError(t, os.WriteFile(trialPath, []byte(trialText(sc, rig)), 0o644))
	return rigPath, trialPath
}

// A collector takes what is forwarded.
type collector struct {
	*httptest.Server
	mu    sync.Mutex
	picks map[string]bool // "station n", as they came
}

var forwardedPick = regexp.MustCompile(`^griptrial_pick,.*station=(\w+).* n=(\d+),`)

func newCollector(t *testing.T) *collector {
	c := &collector{picks: map[string]bool{}}
	c.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		z, err := gzip.NewReader(r.Body)
		if err != nil {
			w.WriteHeader(http.StatusNotFound)
			return
		}
		b, err := io.ReadAll(z)
		if err != nil {
			return
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		for line := range strings.Lines(string(b)) {
			if m := forwardedPick.FindStringSubmatch(line); m != nil {
				c.picks[m[1]+" "+m[2]] = true
			}
		}
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(c.Close)
	return c
}

func (c *collector) all() (picks []string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for p := range c.picks {
		picks = append(picks, p)
	}
	return picks
}

// A recorder that is killed (SIGKILL) at a random instant under load leaves a file that
// opens and verifies, with at most a second of samples missing and every pick that was
// forwarded; and it can be opened for writing.
func TestRecorderKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("starts many recorders")
	}
	kills := 20
	if os.Getenv("GRIPTRIAL_NIGHTLY") != "" {
		kills = 500
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	after := make([]time.Duration, kills)
	for i := range after {
		after[i] = time.Duration(200+random.IntN(5000)) * time.Millisecond
	}
	var mu sync.Mutex
	var lost []float64
	forwarded, stored, unstored := 0, 0, 0
	var running sync.WaitGroup
	room := make(chan struct{}, 4) // at once: this is the load
	for i := range kills {
		room <- struct{}{}
		running.Go(func() {
			defer func() { <-room }()
			t.Run(fmt.Sprint(i), func(t *testing.T) {
				rig, trial := simulated(t, 64)
				server := newCollector(t)
				path := filepath.Join(t.TempDir(), "killed.gtrial")
				recorder, stderr := program(t, "record", rig, trial, "--out", path, "--forward", server.URL)
				require.NoError(t, recorder.Start())
				for range 400 { // until there is a file with samples
					if _, err := os.Stat(path + "-wal"); err == nil {
						break
					}
					time.Sleep(25 * time.Millisecond)
				}
				time.Sleep(after[i])
				require.NoError(t, recorder.Process.Kill())
				killed := time.Now()
				recorder.Wait()
				had := server.all()

				code, out, errs := command(t, "verify", path)
				require.Equal(t, exitDone, code, "%s%s%s", out, errs, stderr)
				file, err := store.Open(path)
				require.NoError(t, err)
				picks, err := file.Picks(1, "")
				require.NoError(t, err)
				in := map[string]bool{}
				for _, p := range picks {
					in[fmt.Sprint(p.Station, " ", p.N)] = true
				}
				for _, p := range had {
					require.True(t, in[p], "pick %s was forwarded and is not in the file", p)
				}
				last := int64(0)
				for b, err := range file.Batches() {
					require.NoError(t, err)
					if n := len(b.T); n > 0 {
						last = max(last, b.T[n-1])
					}
				}
				missing := killed.Sub(file.Header().AnchorUTC.Add(time.Duration(last))).Seconds()
				require.NoError(t, file.Close())
				code, out, errs = command(t, "verify", path)
				require.Equal(t, exitDone, code, out+errs)
				mu.Lock()
				defer mu.Unlock()
				lost = append(lost, missing)
				forwarded += len(had)
				stored += len(picks)
				if strings.Contains(out, "are not stored yet") {
					unstored++
				}
			})
		})
	}
	running.Wait()
	if t.Failed() {
		return
	}
	worst := 0.0
	for _, s := range lost {
		worst = max(worst, s)
	}
	t.Logf("%d kills: %d picks stored, %d of them forwarded, %d files with samples of a pick that was not final; at most %.2f s before the kill not in the file", kills, stored, forwarded, unstored, worst)
	assert.Positive(t, forwarded)
	assert.LessOrEqual(t, worst, 1.0, "samples durable within a second")
}

// A second program may not record to, or write into, a file that is being recorded; it may
// read it.
func TestTwoRecorders(t *testing.T) {
	rig, trial := simulated(t, 16)
	path := filepath.Join(t.TempDir(), "two.gtrial")
	recorder, stderr := program(t, "record", rig, trial, "--out", path)
	require.NoError(t, recorder.Start())
	ended := make(chan error, 1)
	go func() { ended <- recorder.Wait() }()
	require.Eventually(t, func() bool {
		code, out, _ := command(t, "verify", path, "--json")
		return code == exitDone && !strings.Contains(out, `"scans": 0,`)
	}, 30*time.Second, 100*time.Millisecond)
	for _, args := range [][]string{
		{"record", rig, trial, "--out", path},
		{"reanalyse", path},
		{"forward", path, "--to", "http://127.0.0.1:1"},
	} {
		code, _, errs := command(t, args...)
		assert.NotEqual(t, exitDone, code, args[0])
		assert.Equal(t, 1, strings.Count(errs, "\n"), errs)
		assert.Regexp(t, "exists|in use", errs)
	}
	require.NoError(t, <-ended, stderr.String())
	code, out, errs := command(t, "verify", path)
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "32 picks, 32 found again to the bit")
}

// smallDisk mounts a file system of its own size, in memory.
func smallDisk(t *testing.T, size string) string {
	t.Helper()
	if runtime.GOOS != "linux" || os.Geteuid() != 0 {
		t.Skip("a small disk can be mounted by root on Linux only")
	}
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size="+size, "tmpfs", dir).CombinedOutput(); err != nil {
		t.Skipf("no small disk: %v: %s", err, out)
	}
	t.Cleanup(func() { exec.Command("umount", dir).Run() })
	return dir
}

// A full disk ends the recording with one clear line; all that was told stays in the file,
// which is whole. The same file, on a disk that cannot be written to, can still be read.
func TestFullDiskAndReadOnly(t *testing.T) {
	disk := smallDisk(t, "400k")
	rig, trial := simulated(t, 400)
	path := filepath.Join(disk, "full.gtrial")
	code, _, errs := command(t, "record", rig, trial, "--out", path, "--for", "60 s")
	require.Equal(t, exitFailed, code, errs)
	lines := strings.Split(strings.TrimSpace(errs), "\n")
	told := lines[len(lines)-1]
	assert.Contains(t, told, "no space left")
	assert.NotContains(t, errs, "panic")
	code, out, errs := command(t, "verify", path)
	require.Equal(t, exitDone, code, "%s%s", out, errs)
	assert.NotContains(t, out, " 0 scans")
	t.Log(told)
	t.Log(out)

	require.NoError(t, exec.Command("mount", "-o", "remount,ro", disk).Run())
	for _, args := range [][]string{{"reanalyse", path}, {"forward", path, "--to", "http://127.0.0.1:1"}, {"record", rig, trial, "--out", filepath.Join(disk, "x.gtrial"), "--for", "1 s"}} {
		code, _, errs = command(t, args...)
		assert.Equal(t, exitFailed, code, args[0])
		errs = regexp.MustCompile(`(?m)^forward: .*\n`).ReplaceAllString(errs, "") // a remark on the server
		assert.Equal(t, 1, strings.Count(errs, "\n"), errs)
		assert.Regexp(t, "cannot be written|read-only|cannot be opened", errs)
	}
	for _, args := range [][]string{{"verify", path}, {"picks", path}} {
		code, _, errs = command(t, args...)
		assert.Equal(t, exitDone, code, errs)
	}
}

// record forwards and serves its own metrics; lag and polls show there, and the token does
// not show anywhere.
func TestRecordForwardsAndShowsMetrics(t *testing.T) {
	t.Setenv("GRIPTRIAL_TOKEN", "s3cret-t0ken")
	rig, trial := simulated(t, 8)
	server := newCollector(t)
	path := filepath.Join(t.TempDir(), "shown.gtrial")
	address := "127.0.0.1:" + freePort(t)
	type ended struct {
		code int
		errs string
	}
	done := make(chan ended, 1)
	go func() {
		code, _, errs := command(t, "record", rig, trial, "--out", path, "--forward", server.URL, "--metrics", address)
		done <- ended{code, errs}
	}()
	page := ""
	require.Eventually(t, func() bool {
		answer, err := http.Get("http://" + address + "/metrics")
		if err != nil {
			return false
		}
		defer answer.Body.Close()
		b, _ := io.ReadAll(answer.Body)
		page = string(b)
		return regexp.MustCompile(`(?m)^griptrial_forward_lines_sent_total [1-9]`).MatchString(page) && regexp.MustCompile(`(?m)^griptrial_picks_total [1-9]`).MatchString(page)
	}, 60*time.Second, 50*time.Millisecond)
	for _, want := range []string{`griptrial_polls_total{bus="block",device="`, `result="ok"`, "griptrial_poll_lateness_seconds{", "griptrial_commit_seconds_count", "griptrial_queued_batches",
		"griptrial_forward_lag_seconds", "griptrial_forward_stopped 0"} {
		assert.Contains(t, page, want)
	}
	e := <-done
	require.Equal(t, exitDone, e.code, e.errs)
	assert.Contains(t, e.errs, "forward: ")
	assert.Contains(t, e.errs, "lines sent, 0 refused")
	assert.NotContains(t, page+e.errs, "s3cret")
	assert.Len(t, server.all(), 16)

	code, out, errs := command(t, "forward", path, "--to", server.URL, "--status", "--json")
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, `"waiting_lines": 0`)
	assert.NotContains(t, out, "s3cret")
	// check tells how far a server is behind.
	for url, want := range map[string]string{server.URL: "0 lines wait in the outbox, 0 picks", "http://127.0.0.1:1": "the oldest is"} {
		code, out, errs = command(t, "check", rig, "--offline", "--forward", url, "--trial", path)
		require.Equal(t, exitDone, code, errs)
		assert.Contains(t, out, path+": ")
		assert.Contains(t, out, want)
	}
	code, out, errs = command(t, "check", rig, "--forward", server.URL, "--for", "100 ms")
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "server "+server.URL+": unknown\n  the server does not ")
	assert.NotContains(t, out+errs, "s3cret")
	for name, args := range map[string][]string{
		"goes with --forward": {"check", rig, "--offline", "--trial", path},
		"open to other":       {"record", rig, trial, "--out", path + "2.gtrial", "--metrics", "0.0.0.0:0"},
		"want an address":     {"record", rig, trial, "--out", path + "3.gtrial", "--metrics", "9464"},
		"use https":           {"record", rig, trial, "--out", path + "4.gtrial", "--forward", "http://192.0.2.1:8428"},
		"is needed":           {"forward", path},
		"at least":            {"forward", path, "--to", server.URL, "--traces", "1 ms"},
		"no such file":        {"forward", "nothing.gtrial", "--to", server.URL},
	} {
		code, _, errs := command(t, args...)
		assert.Equal(t, exitUsage, code, name)
		assert.Contains(t, errs, name)
	}
}
