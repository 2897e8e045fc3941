package web

import (
	"bufio"
	"bytes"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"fmt"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"
)

// Tokens let people in who are not on this machine.
type Tokens struct{ viewer, operator string }

// shortestToken is in characters.
const shortestToken = 16

// ReadTokens reads a file of two lines, "viewer TOKEN" and "operator TOKEN"; either may be
// missing. Lines that begin with # and empty ones do not count.
func ReadTokens(path string) (*Tokens, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	t := &Tokens{}
	n := 0
	for lines := bufio.NewScanner(bytes.NewReader(text)); lines.Scan(); {
		n++
		words := strings.Fields(lines.Text())
		if len(words) == 0 || strings.HasPrefix(words[0], "#") {
			continue
		}
		if len(words) != 2 || words[0] != string(Viewer) && words[0] != string(Operator) {
			return nil, fmt.Errorf("%s:%d: want \"viewer TOKEN\" or \"operator TOKEN\"", path, n) // what stands there may be a secret
		}
		if len(words[1]) < shortestToken {
			return nil, fmt.Errorf("%s:%d: a token of %d characters; want %d or more", path, n, len(words[1]), shortestToken)
		}
		to := &t.viewer
		if words[0] == string(Operator) {
			to = &t.operator
		}
		if *to != "" {
			return nil, fmt.Errorf("%s:%d: a second %s token", path, n, words[0])
		}
		*to = words[1]
	}
	if t.viewer == t.operator {
		if t.viewer == "" {
			return nil, fmt.Errorf("%s: no token; want \"viewer TOKEN\" and \"operator TOKEN\", a line each", path)
		}
		return nil, fmt.Errorf("%s: both roles have the same token", path)
	}
	return t, nil
}

// role returns what a token allows, "" for nothing.
func (t *Tokens) role(token string) Role {
	sum := sha256.Sum256([]byte(token))
	is := func(want string) bool {
		w := sha256.Sum256([]byte(want))
		return want != "" && subtle.ConstantTimeCompare(sum[:], w[:]) == 1
	}
	switch {
	case is(t.operator):
		return Operator
	case is(t.viewer):
		return Viewer
	}
	return ""
}

// Limits of sessions.
const (
	sessionLasts = 12 * time.Hour
	mostSessions = 1000
)

// sessions are who has shown a token.
type sessions struct {
	mu  sync.Mutex
	all map[string]session
}

type session struct {
	role Role
	ends time.Time
}

func (s *sessions) begin(role Role) (id string, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	for id, x := range s.all {
		if now.After(x.ends) {
			delete(s.all, id)
		}
	}
	if len(s.all) >= mostSessions {
		return "", problemf(http.StatusTooManyRequests, "%d sessions are open; end one", mostSessions)
	}
	id = rand.Text()
	s.all[id] = session{role, now.Add(sessionLasts)}
	return id, nil
}

func (s *sessions) end(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.all, id)
}

func (s *sessions) role(id string) Role {
	s.mu.Lock()
	defer s.mu.Unlock()
	x := s.all[id]
	if time.Now().After(x.ends) {
		return ""
	}
	return x.role
}

type roleKey struct{}

// roleOf returns what whoever asks may do.
func roleOf(r *http.Request) Role {
	role, _ := r.Context().Value(roleKey{}).(Role)
	return role
}

// guard lets through what is asked of this server, from its own page or from no page, by
// somebody who may ask.
func (s *Server) guard(next http.Handler) http.Handler {
	var origin http.CrossOriginProtection
	origin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fail(w, problemf(http.StatusForbidden, "asked from a page of another origin"))
	}))
	next = origin.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !s.ownHost(r.Host) {
			fail(w, problemf(http.StatusMisdirectedRequest, "host %.80q is not this server", r.Host))
			return
		}
		// A page elsewhere must not read either, where a cookie goes with its request.
		if site := r.Header.Get("Sec-Fetch-Site"); site == "cross-site" || site == "same-site" {
			if r.Header.Get("Sec-Fetch-Mode") != "navigate" || strings.HasPrefix(r.URL.Path, "/api/") {
				fail(w, problemf(http.StatusForbidden, "asked from a page of another origin"))
				return
			}
		}
		role := Operator
		if s.tokens != nil {
			role = ""
			if token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); ok {
				role = s.tokens.role(token)
			} else if c, err := r.Cookie(s.cookie); err == nil {
				role = s.sessions.role(c.Value)
			}
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), roleKey{}, role)))
	})
}

// ownHost reports whether a Host header can be meant for this server: an address, or a name
// that no foreign name server can point here.
func (s *Server) ownHost(host string) bool {
	name, port, err := net.SplitHostPort(host)
	if err != nil || port != s.port {
		if s.port != "80" || err == nil {
			return false
		}
		name = strings.Trim(host, "[]")
	}
	if ip := net.ParseIP(name); ip != nil {
		return ip.IsLoopback() || !s.loopback
	}
	return name == "localhost" || !s.loopback && s.hostname != "" && strings.EqualFold(name, s.hostname)
}

// may wraps a handler for those who have at least a role.
func may(need Role, h func(w http.ResponseWriter, r *http.Request)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		switch role := roleOf(r); {
		case role == "":
			w.Header().Set("WWW-Authenticate", "Bearer")
			fail(w, problemf(http.StatusUnauthorized, "no session; begin one with a token"))
		case need == Operator && role != Operator:
			fail(w, problemf(http.StatusForbidden, "only an operator may do that"))
		default:
			h(w, r)
		}
	}
}

func (s *Server) session(role Role) SessionJSON {
	return SessionJSON{Role: role, Version: s.config.Version, Live: s.live != nil && !s.live.over(), Tokens: s.tokens != nil, ReadOnly: s.config.ReadOnly, Cautions: s.cautions}
}

func (s *Server) login(w http.ResponseWriter, r *http.Request) {
	var ask LoginJSON
	if err := body(w, r, &ask); err != nil {
		fail(w, err)
		return
	}
	role := Operator
	if s.tokens != nil {
		if role = s.tokens.role(ask.Token); role == "" {
			fail(w, problemf(http.StatusUnauthorized, "the token is not known"))
			return
		}
	}
	id, err := s.sessions.begin(role)
	if err == nil {
		http.SetCookie(w, &http.Cookie{Name: s.cookie, Value: id, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: int(sessionLasts / time.Second)})
	}
	answer(w, s.session(role), err)
}

func (s *Server) logout(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(s.cookie); err == nil {
		s.sessions.end(c.Value)
	}
	http.SetCookie(w, &http.Cookie{Name: s.cookie, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: -1})
	w.WriteHeader(http.StatusNoContent)
}
