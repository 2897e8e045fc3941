package web

import (
	"context"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/config"
)

func document(t *testing.T) (*openapi3.T, routers.Router) {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromData(openAPI)
	require.NoError(t, err)
	require.NoError(t, doc.Validate(t.Context()))
	router, err := gorillamux.NewRouter(doc)
	require.NoError(t, err)
	return doc, router
}

// What openapi.yaml says is served is served, and nothing else is.
func TestEveryPathIsDescribed(t *testing.T) {
	doc, _ := document(t)
	var described []string
	for path, item := range doc.Paths.Map() {
		for method := range item.Operations() {
			described = append(described, method+" "+path)
		}
	}
	slices.Sort(described)
	c := newClient(t, Config{File: openFinished(t, false)})
	assert.Equal(t, described, slices.Sorted(maps.Keys(c.server.routes())))
}

// checked answers requests and holds the answers against openapi.yaml.
type checked struct {
	*client
	router routers.Router
	good   map[string]bool // operations that were answered well
}

// ask sends a request, valid by openapi.yaml where it is to be answered well, and holds the
// answer against it.
func (c *checked) ask(want int, method, path, body string) string {
	c.t.Helper()
	r := c.request(method, prefix+path, body)
	route, params, err := c.router.FindRoute(c.request(method, prefix+path, body))
	require.NoError(c.t, err, "%s %s", method, path)
	in := &openapi3filter.RequestValidationInput{Request: c.request(method, prefix+path, body), PathParams: params, Route: route,
		Options: &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc}}
	if want < 400 {
		require.NoError(c.t, openapi3filter.ValidateRequest(c.t.Context(), in), "%s %s", method, path)
		c.good[route.Operation.OperationID] = true
	}
	w := httptest.NewRecorder()
	c.h.ServeHTTP(w, r)
	res := w.Result()
	text, err := io.ReadAll(res.Body)
	require.NoError(c.t, err)
	require.Equal(c.t, want, res.StatusCode, "%s %s: %s", method, path, text)
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: res.StatusCode, Header: res.Header,
		Options: &openapi3filter.Options{IncludeResponseStatus: true, MultiError: true}}
	out.SetBodyBytes(text)
	require.NoError(c.t, openapi3filter.ValidateResponse(context.Background(), out), "%s %s: %.2000s", method, path, text)
	return string(text)
}

func init() {
	plain := func(body io.Reader, _ http.Header, _ *openapi3.SchemaRef, _ openapi3filter.EncodingFn) (any, error) {
		text, err := io.ReadAll(body)
		return string(text), err
	}
	openapi3filter.RegisterBodyDecoder("application/yaml", plain)
	openapi3filter.RegisterBodyDecoder("application/pdf", plain)
	openapi3filter.RegisterBodyDecoder("text/event-stream", plain)
	openapi3filter.RegisterBodyDecoder("application/problem+json", openapi3filter.RegisteredBodyDecoder("application/json"))
}

// Every operation is answered as openapi.yaml says, on a finished trial and, where that takes
// one, on a recording; and what cannot be had is a problem.
func TestAnswersAreAsDescribed(t *testing.T) {
	doc, router := document(t)
	engines, err := config.LoadEngines("../testdata/engines/hall.yaml")
	require.NoError(t, err)
	good := map[string]bool{}
	c := &checked{newClient(t, Config{File: openFinished(t, true), Engines: engines, Version: "v1"}), router, good}

	c.ask(200, "GET", "/openapi.yaml", "")
	c.ask(200, "GET", "/session", "")
	c.ask(200, "POST", "/session", `{"token": ""}`)
	c.ask(204, "DELETE", "/session", "")
	c.ask(200, "GET", "/trial", "")
	c.ask(200, "GET", "/state", "")
	c.ask(409, "GET", "/health", "")
	c.ask(200, "GET", "/live", "")
	c.ask(200, "GET", "/picks?station=left&outcome=released&sort=seal_time_s&descending=true&offset=1&limit=5", "")
	c.ask(400, "GET", "/picks?sort=beauty", "")
	c.ask(400, "GET", "/picks?colour=red", "")
	c.ask(400, "GET", "/picks?limit=5000", "")
	c.ask(200, "GET", "/picks/left/3", "")
	c.ask(404, "GET", "/picks/left/999", "")
	c.ask(400, "GET", "/picks/left/none", "")
	c.ask(404, "GET", "/picks/middle/1", "")
	c.ask(200, "GET", "/picks/right/3/budget", "")
	c.ask(200, "PUT", "/picks/left/3/spoiled", `{"reason": "held by hand"}`)
	c.ask(400, "PUT", "/picks/left/3/spoiled", `{"reason": " "}`)
	c.ask(400, "PUT", "/picks/left/3/spoiled", `{"reason": "x", "by": "me"}`)
	c.ask(200, "DELETE", "/picks/left/3/spoiled", "")
	c.ask(200, "GET", "/traces?channel=left+vacuum&channel=left+supply&points=100&from_s=5&to_s=9", "")
	c.ask(200, "GET", "/traces", "")
	c.ask(400, "GET", "/traces?channel=nothing", "")
	c.ask(400, "GET", "/traces?from_s=5&to_s=4", "")
	c.ask(200, "GET", "/overlay?last=3&points=50&align=contact", "")
	c.ask(200, "GET", "/compare?by=cup&within=bag&measure=seal_time_s", "")
	c.ask(200, "GET", "/compare", "")
	c.ask(400, "GET", "/compare?by=colour", "")
	c.ask(400, "GET", "/compare?by=bag&within=bag", "")
	c.ask(200, "GET", "/choose", "")
	c.ask(200, "GET", "/choose?mix=seed+sachet%3D70+%25&mix=granule+pillow+bag%3D30+%25&rate=40+%2Fmin", "")
	c.ask(400, "GET", "/choose?mix=seed+sachet%3D70+%25", "")
	c.ask(200, "GET", "/soak", "")
	c.ask(200, "GET", "/line-speed?limit=200+ms", "")
	c.ask(400, "GET", "/line-speed?rate=45", "")
	c.ask(200, "GET", "/grip?run=1", "")
	c.ask(400, "GET", "/grip?a=left&b=left", "")
	c.ask(200, "POST", "/engine", `{"required_kPa": 15, "leak_factor": 1.5, "picks_per_minute": 40, "supply_on_s": 0.9}`)
	c.ask(422, "POST", "/engine", `{"required_kPa": 500}`)
	c.ask(400, "POST", "/engine", `{"required_kPa": "15 kPa"}`)
	c.ask(200, "POST", "/layout", `{"bags": [{"length_mm": 280, "width_mm": 180}], "lip_mm": 45, "cups": 4, "places": [{"x_mm": 0, "y_mm": 0}, {"x_mm": 60, "y_mm": 0}]}`)
	c.ask(200, "POST", "/layout", `{"bags": [{"length_mm": 280, "width_mm": 180}, {"length_mm": 320, "width_mm": 200}], "lip_mm": 40, "cups": 4}`)
	c.ask(422, "POST", "/layout", `{"bags": [{"length_mm": 280, "width_mm": 180}], "lip_mm": 45, "cups": 5}`)
	c.ask(200, "POST", "/layout/sheet", `{"bags": [{"length_mm": 280, "width_mm": 180}], "lip_mm": 45, "cups": 4, "title": "first try"}`)
	c.ask(422, "POST", "/layout/sheet", `{"bags": [{"length_mm": 900, "width_mm": 800}], "lip_mm": 45, "cups": 4, "paper": "A4"}`)
	c.ask(200, "GET", "/bench", "")
	c.ask(409, "POST", "/bench", `{"step": 0, "moment": "before"}`)
	c.ask(409, "POST", "/run/start", `{}`)
	c.ask(409, "POST", "/run/stop", "")
	c.ask(409, "POST", "/recording/end", "")
	c.ask(201, "POST", "/notes", `{"text": "lip torn", "run": 3}`)
	c.ask(400, "POST", "/notes", `{"text": "lip torn", "run": 30}`)

	live := newRecording(t, simulated(t, 16))
	c = &checked{live.client, router, good}
	c.ask(200, "GET", "/health", "")
	c.ask(200, "POST", "/run/start", `{"piece": "P7", "note": "first"}`)
	c.ask(409, "POST", "/run/start", `{}`)
	c.ask(409, "POST", "/bench", `{"step": 0, "moment": "before"}`)
	live.source.give(300)
	c.ask(200, "GET", "/trial", "")
	c.ask(200, "GET", "/health", "")
	c.ask(200, "POST", "/run/stop", "")
	done := make(chan struct{})
	go func() { // a step takes samples as they come
		defer close(done)
		for range 60 {
			live.awaitTap()
			live.source.give(4)
		}
	}()
	c.ask(200, "POST", "/bench", `{"step": 0, "moment": "before"}`)
	c.ask(200, "POST", "/recording/end", "")
	<-done
	c.ask(200, "GET", "/state", "")

	for path, item := range doc.Paths.Map() {
		for method, o := range item.Operations() {
			assert.True(t, good[o.OperationID], "%s %s was never answered well", method, path)
		}
	}
}

// Hostile names come back as the text that they are.
func TestHostileNames(t *testing.T) {
	c := newClient(t, Config{File: openFinished(t, true)})
	assert.Equal(t, hostile, get[TrialJSON](c, "/trial").Name)
	text, err := io.ReadAll(c.do("GET", prefix+"/trial", "").Body)
	require.NoError(t, err)
	assert.NotContains(t, string(text), "<script", "JSON escapes it, wherever it is put")
	long := strings.Repeat("ä", mostNote/2)
	for _, note := range []string{hostile + "\u202e", long} {
		require.Equal(t, 201, c.do("POST", prefix+"/notes", `{"text": `+quoted(note)+`}`).StatusCode)
	}
	notes := get[TrialJSON](c, "/trial").Notes
	require.Len(t, notes, 2)
	assert.Equal(t, hostile+"\u202e", notes[0].Text)
	assert.Equal(t, long, notes[1].Text)
	assert.Equal(t, 400, c.do("POST", prefix+"/notes", `{"text": `+quoted(long+"x")+`}`).StatusCode)
	res := c.do("PUT", prefix+"/picks/left/1/spoiled", `{"reason": `+quoted(hostile)+`}`)
	require.Equal(t, 200, res.StatusCode)
	picks := get[struct {
		Total int
		Picks []pickSeen
	}](c, "/picks?spoiled=true")
	require.Equal(t, 1, picks.Total)
	assert.Equal(t, hostile, *picks.Picks[0].Spoiled)
}

func quoted(text string) string { return string(encode(text)) }

// Picks come sorted either way, what is not known last, a part at a time, and filtered.
func TestPicksAreSortedAndFiltered(t *testing.T) {
	c := newClient(t, Config{File: openFinished(t, false)})
	type part struct {
		Total, Offset int
		Picks         []struct {
			Station, Outcome, Setup, Piece string
			N, Run                         int
			SealTime                       *struct{ Value float64 } `json:"seal_time_s"`
		}
	}
	all := get[part](c, "/picks?limit=1000")
	require.Equal(t, 64, all.Total)
	require.Len(t, all.Picks, 64)
	for _, descending := range []string{"false", "true"} {
		sorted := get[part](c, "/picks?limit=1000&sort=seal_time_s&descending="+descending)
		unknown := false
		for i, p := range sorted.Picks {
			if p.SealTime == nil {
				unknown = true
				continue
			}
			assert.False(t, unknown, "what is not known comes last")
			if i > 0 {
				a, b := sorted.Picks[i-1].SealTime.Value, p.SealTime.Value
				assert.Equal(t, descending == "true", a > b || a == b && descending == "true", "%g, %g", a, b)
			}
		}
		assert.True(t, unknown, "a pick that did not seal")
		var paged []int
		for offset := 0; offset < 64; offset += 10 {
			x := get[part](c, fmt.Sprintf("/picks?limit=10&offset=%d&sort=seal_time_s&descending=%s", offset, descending))
			assert.Equal(t, offset, x.Offset)
			for _, p := range x.Picks {
				paged = append(paged, p.N)
			}
		}
		require.Len(t, paged, 64)
		for i, p := range sorted.Picks {
			assert.Equal(t, p.N, paged[i])
		}
	}
	for query, want := range map[string]func(i int) bool{
		"station=left":     func(i int) bool { return all.Picks[i].Station == "left" },
		"run=3":            func(i int) bool { return all.Picks[i].Run == 3 },
		"outcome=unsealed": func(i int) bool { return all.Picks[i].Outcome == "unsealed" },
		"piece=G-01":       func(i int) bool { return all.Picks[i].Piece == "G-01" },
		"spoiled=true":     func(int) bool { return false },
		"spoiled=false":    func(int) bool { return true },
		"setup=" + url.QueryEscape(all.Picks[0].Setup): func(i int) bool { return all.Picks[i].Setup == all.Picks[0].Setup },
	} {
		n := 0
		for i := range all.Picks {
			if want(i) {
				n++
			}
		}
		assert.Equal(t, n, get[part](c, "/picks?"+query).Total, query)
	}
	assert.Empty(t, get[part](c, "/picks?offset=1000").Picks)
}
