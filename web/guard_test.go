package web

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const (
	viewerToken   = "looks-and-looks-and-looks"
	operatorToken = "runs-the-trial-all-day-long"
)

// Who may ask, from where, and how.
func TestGuard(t *testing.T) {
	open := newClient(t, Config{File: openFinished(t, true)})
	closed := newClient(t, Config{File: openFinished(t, true), Tokens: &Tokens{viewer: viewerToken, operator: operatorToken}})
	bearer := func(token string) []string { return []string{"Authorization", "Bearer " + token} }
	note := `{"text": "x"}`
	for _, c := range []struct {
		name         string
		on           *client
		method, path string
		body         string
		header       []string
		want         int
	}{
		{"no token needed", open, "GET", "/api/v1/state", "", nil, 200},
		{"localhost by name", open, "GET", "/api/v1/state", "", []string{"Host", "localhost:8437"}, 200},
		{"IPv6 loopback", open, "GET", "/api/v1/state", "", []string{"Host", "[::1]:8437"}, 200},
		{"a name pointed here", open, "GET", "/api/v1/state", "", []string{"Host", "rebound.example:8437"}, 421},
		{"a name that looks like it", open, "GET", "/api/v1/state", "", []string{"Host", "127.0.0.1.example:8437"}, 421},
		{"another port", open, "GET", "/api/v1/state", "", []string{"Host", "127.0.0.1:80"}, 421},
		{"another address", open, "GET", "/api/v1/state", "", []string{"Host", "192.0.2.7:8437"}, 421},
		{"the page, of a name pointed here", open, "GET", "/", "", []string{"Host", "rebound.example:8437"}, 421},
		{"write from another origin", open, "POST", "/api/v1/notes", note, []string{"Origin", "http://evil.example", "Sec-Fetch-Site", "cross-site"}, 403},
		{"write from another port", open, "POST", "/api/v1/notes", note, []string{"Origin", "http://127.0.0.1:9999"}, 403},
		{"write from another site's frame", open, "POST", "/api/v1/notes", note, []string{"Sec-Fetch-Site", "same-site"}, 403},
		{"read from another origin", open, "GET", "/api/v1/picks", "", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "cors"}, 403},
		{"a link to the API from elsewhere", open, "GET", "/api/v1/picks", "", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"}, 403},
		{"a link to the page from elsewhere", open, "GET", "/", "", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"}, 200},
		{"write from its own page", open, "POST", "/api/v1/notes", note, []string{"Origin", "http://" + host, "Sec-Fetch-Site", "same-origin"}, 201},
		{"write from no page", open, "POST", "/api/v1/notes", note, nil, 201},
		{"a form's body", open, "POST", "/api/v1/notes", note, []string{"Content-Type", "text/plain"}, 415},
		{"a body too long", open, "POST", "/api/v1/notes", `{"text": "` + strings.Repeat("x", mostBody) + `"}`, nil, 413},
		{"no body", open, "POST", "/api/v1/notes", "", []string{"Content-Type", "application/json"}, 400},
		{"an unknown field", open, "POST", "/api/v1/notes", `{"text": "x", "admin": true}`, nil, 400},
		{"two values", open, "POST", "/api/v1/notes", note + note, nil, 400},
		{"no JSON", open, "POST", "/api/v1/notes", `{text: x}`, nil, 400},
		{"a method that is not there", open, "DELETE", "/api/v1/state", "", nil, 405},
		{"a path that is not there", open, "GET", "/api/v1/secrets", "", nil, 404},
		{"a file that is not the page's", open, "GET", "/server.go", "", nil, 404},
		{"a way out of its folder", open, "GET", "/../server.go", "", nil, 307}, // to the line above
		{"what is hidden", open, "GET", "/.gitkeep", "", nil, 404},
		{"writing to the page", open, "POST", "/", note, nil, 405},

		{"no token", closed, "GET", "/api/v1/state", "", nil, 401},
		{"no token, live", closed, "GET", "/api/v1/live", "", nil, 401},
		{"no token, description", closed, "GET", "/api/v1/openapi.yaml", "", nil, 401},
		{"a wrong token", closed, "GET", "/api/v1/state", "", bearer("guess-guess-guess-guess"), 401},
		{"an empty token", closed, "GET", "/api/v1/state", "", bearer(""), 401},
		{"a viewer looks", closed, "GET", "/api/v1/state", "", bearer(viewerToken), 200},
		{"a viewer asks what if", closed, "POST", "/api/v1/layout", `{"bags": [{"length_mm": 280, "width_mm": 180}], "lip_mm": 45, "cups": 4}`, bearer(viewerToken), 200},
		{"a viewer does not note", closed, "POST", "/api/v1/notes", note, bearer(viewerToken), 403},
		{"a viewer does not mark", closed, "PUT", "/api/v1/picks/left/1/spoiled", `{"reason": "x"}`, bearer(viewerToken), 403},
		{"a viewer starts nothing", closed, "POST", "/api/v1/run/start", `{}`, bearer(viewerToken), 403},
		{"a viewer ends nothing", closed, "POST", "/api/v1/recording/end", "", bearer(viewerToken), 403},
		{"a viewer reads no bench", closed, "POST", "/api/v1/bench", `{"step": 0, "moment": "before"}`, bearer(viewerToken), 403},
		{"an operator notes", closed, "POST", "/api/v1/notes", note, bearer(operatorToken), 201},
		{"the page itself needs none", closed, "GET", "/", "", nil, 200},
		{"login with a wrong token", closed, "POST", "/api/v1/session", `{"token": "guess-guess-guess-guess"}`, nil, 401},
	} {
		t.Run(c.name, func(t *testing.T) {
			on := *c.on
			on.t = t
			res := on.do(c.method, c.path, c.body, c.header...)
			require.Equal(t, c.want, res.StatusCode)
			if c.want >= 400 {
				problemOf(t, res)
			}
			csp := res.Header.Get("Content-Security-Policy")
			assert.Contains(t, csp, "default-src 'none'")
			assert.Contains(t, csp, "script-src 'self';")
			assert.Contains(t, csp, "frame-ancestors 'none'")
			assert.NotContains(t, csp, "unsafe")
			assert.Equal(t, "nosniff", res.Header.Get("X-Content-Type-Options"))
			assert.Equal(t, "no-store", res.Header.Get("Cache-Control"))
			assert.Empty(t, res.Header.Get("Access-Control-Allow-Origin"))
		})
	}
}

// Everything that changes something is for operators, by the list of paths itself.
func TestOnlyOperatorsChange(t *testing.T) {
	c := newClient(t, Config{File: openFinished(t, true), Tokens: &Tokens{viewer: viewerToken, operator: operatorToken}})
	forAll := map[string]bool{"POST /session": true, "DELETE /session": true, "POST /engine": true, "POST /layout": true, "POST /layout/sheet": true}
	for pattern := range c.server.routes() {
		method, path, _ := strings.Cut(pattern, " ")
		if method == "GET" || forAll[pattern] {
			continue
		}
		path = strings.NewReplacer("{station}", "left", "{n}", "1").Replace(path)
		for token, want := range map[string]int{viewerToken: 403, "": 401} {
			header := []string{"Authorization", "Bearer " + token}
			if token == "" {
				header = nil
			}
			assert.Equal(t, want, c.do(method, prefix+path, `{}`, header...).StatusCode, "%s %q", pattern, token)
		}
	}
}

// A session lives in an HttpOnly cookie of its own port, as long as it lasts or until it is ended.
func TestSession(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &Server{port: "8437", cookie: "griptrial-8437", loopback: true, tokens: &Tokens{viewer: viewerToken, operator: operatorToken}, sessions: sessions{all: map[string]session{}}}
		h := s.guard(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			switch r.Method {
			case "POST":
				s.login(w, r)
			case "DELETE":
				s.logout(w, r)
			default:
				may(Viewer, func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, string(roleOf(r))) })(w, r)
			}
		}))
		c := &client{t: t, server: s, h: h}
		login := func(token string) *http.Cookie {
			res := c.do("POST", "/api/v1/session", `{"token": "`+token+`"}`)
			require.Equal(t, 200, res.StatusCode)
			require.Len(t, res.Cookies(), 1)
			k := res.Cookies()[0]
			assert.True(t, k.HttpOnly)
			assert.Equal(t, http.SameSiteStrictMode, k.SameSite)
			assert.NotContains(t, k.Value, token)
			return k
		}
		role := func(k *http.Cookie) string {
			res := c.do("GET", "/", "", "Cookie", k.Name+"="+k.Value)
			if res.StatusCode != 200 {
				return fmt.Sprint(res.StatusCode)
			}
			text, _ := io.ReadAll(res.Body)
			return string(text)
		}
		a, b := login(viewerToken), login(operatorToken)
		assert.Equal(t, "viewer", role(a))
		assert.Equal(t, "operator", role(b))
		assert.Equal(t, 204, c.do("DELETE", "/api/v1/session", "", "Cookie", a.Name+"="+a.Value).StatusCode)
		assert.Equal(t, "401", role(a))
		time.Sleep(sessionLasts - time.Second)
		assert.Equal(t, "operator", role(b))
		time.Sleep(2 * time.Second)
		assert.Equal(t, "401", role(b))
		for range mostSessions {
			login(viewerToken)
		}
		assert.Equal(t, 429, c.do("POST", "/api/v1/session", `{"token": "`+viewerToken+`"}`).StatusCode)
		time.Sleep(sessionLasts + time.Second)
		login(viewerToken) // those that are over make room
	})
}

// An address beyond loopback is not served without tokens; with them any address of the
// machine is its own, but no name that others can point to it.
func TestBeyondLoopback(t *testing.T) {
	file := openFinished(t, false)
	_, err := New(Config{File: file}, &net.TCPAddr{IP: net.IPv4(0, 0, 0, 0), Port: 8437})
	require.ErrorContains(t, err, "is not loopback")
	s, err := New(Config{File: file, Tokens: &Tokens{viewer: viewerToken}}, &net.TCPAddr{IP: net.IPv4(0, 0, 0, 0), Port: 8437})
	require.NoError(t, err)
	s.hostname = "hall-box"
	for host, want := range map[string]bool{"192.0.2.7:8437": true, "hall-box:8437": true, "127.0.0.1:8437": true, "localhost:8437": true,
		"192.0.2.7:80": false, "192.0.2.7": false, "other-box:8437": false, "hall-box.example:8437": false, "": false} {
		assert.Equal(t, want, s.ownHost(host), host)
	}
}

func TestReadTokens(t *testing.T) {
	for _, c := range []struct{ name, text, err string }{
		{"both", "# for the hall\n\nviewer " + viewerToken + "\noperator " + operatorToken + "\n", ""},
		{"viewers only", "viewer " + viewerToken, ""},
		{"none", "# nothing\n", "no token"},
		{"short", "viewer 1234567", ":1: a token of 7 characters; want 16 or more"},
		{"a role that is none", "\nadmin " + viewerToken, `:2: want "viewer TOKEN" or "operator TOKEN"`},
		{"no role", viewerToken, ":1: want"},
		{"twice", "viewer " + viewerToken + "\nviewer " + operatorToken, ":2: a second viewer token"},
		{"the same", "viewer " + viewerToken + "\noperator " + viewerToken, "both roles have the same token"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "tokens")
			require.NoError(t, os.WriteFile(path, []byte(c.text), 0o600))
			tokens, err := ReadTokens(path)
			if c.err != "" {
				require.ErrorContains(t, err, c.err)
				assert.NotContains(t, err.Error(), viewerToken, "a secret in a message")
				return
			}
			require.NoError(t, err)
			assert.Equal(t, Viewer, tokens.role(viewerToken))
			assert.Equal(t, Role(""), tokens.role(""))
		})
	}
}

// A connection that says nothing, or its request drop by drop, is closed; a viewer that takes
// nothing is closed, too. In a bubble, over pipes.
func TestConnectionsEnd(t *testing.T) {
	file := openFinished(t, false)
	synctest.Test(t, func(t *testing.T) {
		s := &Server{file: file, port: "8437", loopback: true}
		ln := &pipes{conns: make(chan net.Conn), closed: make(chan struct{})}
		served := make(chan error, 1)
		ctx, stop := context.WithCancel(t.Context())
		go func() { served <- s.Serve(ctx, ln) }()
		closesAfter := func(send string, every time.Duration) time.Duration {
			ours, theirs := net.Pipe()
			ln.conns <- theirs
			start := time.Now()
			var writing sync.WaitGroup
			writing.Go(func() {
				for i := range send {
					if _, err := ours.Write([]byte(send[i : i+1])); err != nil {
						return
					}
					time.Sleep(every)
				}
			})
			io.Copy(&bytes.Buffer{}, ours)
			took := time.Since(start)
			ours.Close()
			writing.Wait()
			return took
		}
		assert.LessOrEqual(t, closesAfter("", 0), headerTimeout+time.Second, "nothing said")
		assert.LessOrEqual(t, closesAfter(strings.Repeat("GET / HTTP/1.1\r\nX: y", 50), time.Second), headerTimeout+time.Second, "drop by drop")
		slowBody := "POST /api/v1/session HTTP/1.1\r\nHost: " + host + "\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n" + strings.Repeat("{", 900)
		assert.LessOrEqual(t, closesAfter(slowBody, 30*time.Millisecond), readTimeout+5*time.Second, "a body drop by drop")
		stop()
		assert.NoError(t, <-served)
	})
	synctest.Test(t, func(t *testing.T) {
		ours, theirs := net.Pipe()
		defer ours.Close()
		w := &pipeWriter{theirs}
		out := &sse{w: w, c: http.NewResponseController(w)}
		start := time.Now()
		out.send(message{event: "samples", data: []byte("{}")}) // nobody reads
		assert.Error(t, out.err)
		assert.Equal(t, streamWrite, time.Since(start))
	})
}

// pipes is a listener whose connections a test makes.
type pipes struct {
	conns  chan net.Conn
	closed chan struct{}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}
func (p *pipes) Close() error {
	select {
	case <-p.closed:
	default:
		close(p.closed)
	}
	return nil
}
func (p *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8437} }

// A pipeWriter answers into one end of a pipe.
type pipeWriter struct{ net.Conn }

func (w *pipeWriter) Header() http.Header                { return http.Header{} }
func (w *pipeWriter) WriteHeader(int)                    {}
func (w *pipeWriter) FlushError() error                  { return nil }
func (w *pipeWriter) SetWriteDeadline(t time.Time) error { return w.Conn.SetWriteDeadline(t) }
