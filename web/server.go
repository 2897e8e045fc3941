package web

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"

	"griptrial/acquire/bench"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

//go:embed openapi.yaml
var openAPI []byte

// dist is the page as `go run ./web/build` made it, or empty.
//
//go:embed all:dist
var dist embed.FS

// A Config says what is served.
type Config struct {
	File     *store.Trial
	ReadOnly bool               // File is open for reading only
	Live     *Live              // the recording into File; nil where there is none
	Control  *record.Control    // has runs begun and ended; nil where they follow the plan
	End      func()             // ends the recording; nil where nobody may
	Engines  []config.Candidate // for the engine view; may be nil
	Tokens   *Tokens            // nil lets everybody on this machine in as an operator
	Version  string
}

// A Server serves one trial. It is made for one listener.
type Server struct {
	config   Config
	file     *store.Trial
	live     *Live
	catalog  *catalog
	pyramid  *pyramid
	tokens   *Tokens
	sessions sessions
	cautions []string
	steps    []bench.Step

	port, hostname, cookie string
	loopback               bool

	read     chan struct{} // closed when the picks of a finished trial are known
	readErr  error
	drawn    chan struct{} // closed when its samples can be drawn
	drawnErr error

	writing  sync.Mutex // one person's change at a time
	revision int        // of a finished trial, guarded by writing
	reading  int        // step of the bench check being read, from 1; guarded by writing
	benching sync.Mutex
	answers  answers
	figures  struct { // the last that picks were sorted by
		sync.Mutex
		of     string
		picks  int
		values map[int64]float64
	}
}

// New returns a server for a listener. On an address beyond loopback it takes tokens.
func New(c Config, at net.Addr) (*Server, error) {
	s := &Server{config: c, file: c.File, live: c.Live, tokens: c.Tokens, cautions: report.Cautions, read: make(chan struct{}), drawn: make(chan struct{}),
		sessions: sessions{all: map[string]session{}}, answers: answers{kept: map[string]kept{}}}
	var host string
	var err error
	if host, s.port, err = net.SplitHostPort(at.String()); err != nil {
		return nil, err
	}
	s.loopback = net.ParseIP(host).IsLoopback()
	if !s.loopback && c.Tokens == nil {
		return nil, fmt.Errorf("%s is not loopback: whoever can reach it needs a token", at)
	}
	s.hostname, _ = os.Hostname()
	s.cookie = "griptrial-" + s.port // a browser sends a host's cookies to all of its ports
	if s.live != nil {
		s.catalog, s.pyramid = s.live.catalog, s.live.pyramid
		s.live.control, s.catalog.byOperator = c.Control, c.Control != nil
		close(s.read)
		close(s.drawn)
	} else {
		if s.catalog, err = newCatalog(c.File); err != nil {
			return nil, err
		}
		s.pyramid = newPyramid(c.File.Header().Groups)
		go s.readAll()
	}
	if s.catalog.rig != nil {
		s.steps = bench.Steps(s.catalog.rig)
	}
	return s, nil
}

// readAll reads a finished trial: its picks, and beside them its samples, which are more.
func (s *Server) readAll() {
	go func() {
		defer close(s.read)
		s.readErr = s.catalog.read()
	}()
	defer close(s.drawn)
	s.drawnErr = s.pyramid.read(s.file.Pass(nil))
}

// ready waits until the picks are known.
func (s *Server) ready(ctx context.Context) error { return wait(ctx, s.read, &s.readErr) }

// drawable waits until samples can be drawn, too.
func (s *Server) drawable(ctx context.Context) error {
	return errors.Join(s.ready(ctx), wait(ctx, s.drawn, &s.drawnErr))
}

// wait waits for a channel to be closed and returns the error that is known then.
func wait(ctx context.Context, done <-chan struct{}, err *error) error {
	select {
	case <-done:
		return *err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Limits of connections.
const (
	headerTimeout = 5 * time.Second
	readTimeout   = 20 * time.Second
	writeTimeout  = 2 * time.Minute // an answer may take a while to compute
	idleTimeout   = time.Minute
	mostHeader    = 16 << 10
	endsWithin    = time.Second
)

// Serve answers on ln until ctx is done.
func (s *Server) Serve(ctx context.Context, ln net.Listener) error {
	h := &http.Server{Handler: s.Handler(), ReadHeaderTimeout: headerTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout,
		IdleTimeout: idleTimeout, MaxHeaderBytes: mostHeader, BaseContext: func(net.Listener) context.Context { return ctx }}
	stopped := make(chan error, 1)
	go func() {
		<-ctx.Done()
		late, cancel := context.WithTimeout(context.WithoutCancel(ctx), endsWithin)
		defer cancel()
		err := h.Shutdown(late)
		if errors.Is(err, context.DeadlineExceeded) { // somebody is slow
			err = h.Close()
		}
		stopped <- err
	}()
	if err := h.Serve(ln); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return <-stopped
}

// routes are the paths of the API with who may ask; openapi.yaml says what they mean.
func (s *Server) routes() map[string]http.HandlerFunc {
	get := func(need Role, f func(r *http.Request) (any, error)) http.HandlerFunc {
		return may(need, func(w http.ResponseWriter, r *http.Request) {
			v, err := f(r)
			answer(w, v, err)
		})
	}
	return map[string]http.HandlerFunc{
		"GET /openapi.yaml": may(Viewer, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "application/yaml")
			w.Write(openAPI)
		}),
		"GET /session":                        get(Viewer, func(r *http.Request) (any, error) { return s.session(roleOf(r)), nil }),
		"POST /session":                       s.login,
		"DELETE /session":                     s.logout,
		"GET /trial":                          get(Viewer, s.getTrial),
		"GET /state":                          get(Viewer, s.getState),
		"GET /health":                         get(Viewer, s.getHealth),
		"GET /live":                           may(Viewer, s.stream),
		"GET /picks":                          get(Viewer, s.getPicks),
		"GET /picks/{station}/{n}":            get(Viewer, s.getPick),
		"GET /picks/{station}/{n}/budget":     get(Viewer, s.getBudget),
		"PUT /picks/{station}/{n}/spoiled":    may(Operator, s.spoil),
		"DELETE /picks/{station}/{n}/spoiled": may(Operator, s.spoil),
		"GET /traces":                         get(Viewer, s.getTraces),
		"GET /overlay":                        get(Viewer, s.getOverlay),
		"GET /compare":                        get(Viewer, s.getCompare),
		"GET /choose":                         get(Viewer, s.getChoose),
		"GET /soak":                           get(Viewer, s.getSoak),
		"GET /line-speed":                     get(Viewer, s.getLineSpeed),
		"GET /grip":                           get(Viewer, s.getGrip),
		"POST /engine":                        may(Viewer, s.engine),
		"POST /layout":                        may(Viewer, s.layout),
		"POST /layout/sheet":                  may(Viewer, s.sheet),
		"GET /bench":                          get(Viewer, s.getBench),
		"POST /bench":                         may(Operator, s.readBench),
		"POST /run/start":                     may(Operator, s.startRun),
		"POST /run/stop":                      may(Operator, s.stopRun),
		"POST /recording/end":                 may(Operator, s.endRecording),
		"POST /notes":                         may(Operator, s.note),
	}
}

// prefix is where the API stands.
const prefix = "/api/v1"

// Handler returns the API and the page.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	for pattern, h := range s.routes() {
		method, path, _ := strings.Cut(pattern, " ")
		mux.HandleFunc(method+" "+prefix+path, h)
	}
	mux.HandleFunc("/api/", func(w http.ResponseWriter, r *http.Request) {
		var allowed []string
		for _, m := range []string{"GET", "POST", "PUT", "DELETE"} {
			asked := r.Clone(r.Context())
			asked.Method = m
			if _, p := mux.Handler(asked); p != "/api/" {
				allowed = append(allowed, m)
			}
		}
		if allowed != nil {
			w.Header().Set("Allow", strings.Join(allowed, ", "))
			fail(w, problemf(http.StatusMethodNotAllowed, "%s is not allowed here; %s is", r.Method, strings.Join(allowed, ", ")))
			return
		}
		fail(w, problemf(http.StatusNotFound, "nothing is at %.200q", r.URL.Path))
	})
	mux.Handle("/", page())
	return s.guard(mux)
}

// page serves the built page, or says how to build it.
func page() http.Handler {
	files, err := fs.Sub(dist, "dist")
	if err != nil {
		panic(err)
	}
	built := http.FileServerFS(files)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			fail(w, problemf(http.StatusMethodNotAllowed, "%s is not allowed here", r.Method))
			return
		}
		name := strings.TrimPrefix(r.URL.Path, "/")
		if name == "" {
			name = "index.html"
			if _, err := fs.Stat(files, name); err != nil {
				w.Header().Set("Content-Type", "text/html; charset=utf-8")
				w.Write([]byte(notBuilt))
				return
			}
		}
		if info, err := fs.Stat(files, name); err != nil || info.IsDir() || strings.HasPrefix(name, ".") {
			fail(w, problemf(http.StatusNotFound, "nothing is at %.200q", r.URL.Path))
			return
		}
		built.ServeHTTP(w, r)
	})
}

// notBuilt is shown in place of the page.
const notBuilt = `<!doctype html>
<html lang="en"><meta charset="utf-8"><title>griptrial</title>
<h1>griptrial</h1>
<p>This program was built without its page. <code>make page</code> and <code>make build</code> put it in.
The API is at <code>/api/v1/</code>; <a href="/api/v1/openapi.yaml">openapi.yaml</a> describes it.</p>
`
