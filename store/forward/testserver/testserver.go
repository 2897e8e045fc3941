// Package testserver runs real time-series servers on loopback for tests: VictoriaMetrics as
// Debian packages it, and InfluxDB 1.8.10 as the Go module proxy gives it.
package testserver

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A Server is a server process. Its data stay when it is killed and started again.
type Server struct {
	t       testing.TB
	URL     string
	args    []string
	ready   string // path that answers 2xx when it takes data
	data    string // folder
	process *exec.Cmd
	log     bytes.Buffer
}

// missing fails the test where it must not pass without the server, under CI=true, and
// skips it elsewhere; either way it says what to install.
func missing(t testing.TB, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// VictoriaMetrics starts Debian's victoria-metrics, which keeps points for ten years and one
// of those that come twice.
func VictoriaMetrics(t testing.TB, flags ...string) *Server {
	t.Helper()
	path, err := exec.LookPath("victoria-metrics")
	if err != nil && os.Geteuid() == 0 {
		for _, args := range [][]string{{"update"}, {"install", "-y", "--no-install-recommends", "victoria-metrics"}} {
			install := exec.Command("apt-get", args...)
			install.Env = append(os.Environ(), "DEBIAN_FRONTEND=noninteractive")
			if out, err := install.CombinedOutput(); err != nil {
				missing(t, "apt-get %s: %v: %s; install the Debian package victoria-metrics", strings.Join(args, " "), err, tail(out))
			}
		}
		path, err = exec.LookPath("victoria-metrics")
	}
	if err != nil {
		missing(t, "victoria-metrics is not there: install the Debian package victoria-metrics (apt-get install victoria-metrics)")
	}
	address := freeAddress(t)
	if len(flags) == 0 {
		flags = []string{"-dedup.minScrapeInterval=1ms", "-retentionPeriod=10y"}
	}
	data := filepath.Join(t.TempDir(), "data")
	s := &Server{t: t, URL: "http://" + address, ready: "/health", data: data, args: append([]string{path, "-httpListenAddr=" + address,
		"-storageDataPath=" + data, "-memory.allowedBytes=512MB", "-loggerLevel=WARN"}, flags...)}
	s.Start()
	t.Cleanup(s.Kill)
	return s
}

// influxdModule is the last InfluxDB that builds from its module alone.
const influxdModule = "github.com/influxdata/influxdb/cmd/influxd@v1.8.10"

// InfluxDB starts InfluxDB 1.8.10 with a database. It is built once, into the user's cache
// folder, which takes some minutes.
func InfluxDB(t testing.TB, database string) *Server {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		missing(t, "no cache folder for influxd: %v", err)
	}
	bin := filepath.Join(cache, "griptrial-servers", "influxd-1.8.10")
	path := filepath.Join(bin, "influxd")
	if _, err := os.Stat(path); err != nil {
		build := exec.Command("go", "install", influxdModule)
		build.Dir = t.TempDir() // outside this module
		build.Env = append(os.Environ(), "GOBIN="+bin, "GOFLAGS=")
		if out, err := build.CombinedOutput(); err != nil {
			missing(t, "go install %s: %v: %s; build it into %s", influxdModule, err, tail(out), bin)
		}
	}
	dir := t.TempDir()
	address := freeAddress(t)
	config := filepath.Join(dir, "influxdb.conf")
	text := fmt.Sprintf("reporting-disabled = true\nbind-address = %q\n[meta]\ndir = %q\n[data]\ndir = %q\nwal-dir = %q\nquery-log-enabled = false\n[monitor]\nstore-enabled = false\n[http]\nbind-address = %q\nlog-enabled = false\n[logging]\nlevel = \"warn\"\n",
		freeAddress(t), filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), address)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s := &Server{t: t, URL: "http://" + address, ready: "/ping", data: dir, args: []string{path, "-config", config}}
	s.Start()
	t.Cleanup(s.Kill)
	s.Get("/query", url.Values{"q": {`CREATE DATABASE "` + database + `"`}}, http.MethodPost)
	return s
}

func tail(out []byte) string {
	s := strings.TrimSpace(string(out))
	return s[max(0, len(s)-300):]
}

// freeAddress returns an address of loopback that nobody listens on.
func freeAddress(t testing.TB) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

// Start starts the server, again after Kill, and returns when it answers.
func (s *Server) Start() {
	s.t.Helper()
	s.process = exec.Command(s.args[0], s.args[1:]...)
	s.process.Stdout, s.process.Stderr = &s.log, &s.log
	s.process.Env = append(os.Environ(), "GOMAXPROCS=2")
	if err := s.process.Start(); err != nil {
		s.t.Fatal(err)
	}
	for range 600 {
		ctx, stop := context.WithTimeout(context.Background(), time.Second)
		request, _ := http.NewRequestWithContext(ctx, http.MethodGet, s.URL+s.ready, nil)
		answer, err := http.DefaultClient.Do(request)
		stop()
		if err == nil {
			answer.Body.Close()
			if answer.StatusCode/100 == 2 {
				return
			}
		}
		time.Sleep(50 * time.Millisecond)
	}
	s.Kill()
	s.t.Fatalf("%s does not answer: %s", filepath.Base(s.args[0]), tail(s.log.Bytes()))
}

// Kill ends the server at once (SIGKILL), by its process id.
func (s *Server) Kill() {
	if s.process != nil {
		s.process.Process.Kill()
		s.process.Wait()
		s.process = nil
	}
}

// DataPath returns the folder that the server keeps its data in.
func (s *Server) DataPath() string { return s.data }

// PID returns the server's process id.
func (s *Server) PID() int { return s.process.Process.Pid }

// Get asks the server for a page and returns it; the test fails where that is no 2xx.
func (s *Server) Get(path string, q url.Values, method ...string) []byte {
	s.t.Helper()
	request, err := http.NewRequest(append(method, http.MethodGet)[0], s.URL+path+"?"+q.Encode(), nil)
	if err != nil {
		s.t.Fatal(err)
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		s.t.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode/100 != 2 {
		s.t.Fatalf("%s: %s: %.300s (%v)", path, answer.Status, b, err)
	}
	return b
}
