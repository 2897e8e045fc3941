package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
)

// A problem is an answer that is none: a status and a line for people.
type problem struct {
	status int
	field  string // of the query or the body, where one is at fault
	err    error
}

func (p *problem) Error() string { return p.err.Error() }
func (p *problem) Unwrap() error { return p.err }

func problemf(status int, format string, args ...any) error {
	return &problem{status: status, err: fmt.Errorf(format, args...)}
}

// fieldf is a problem with one field of the request.
func fieldf(field, format string, args ...any) error {
	return &problem{http.StatusBadRequest, field, fmt.Errorf(format, args...)}
}

// fail answers with what went wrong (RFC 9457). An error that is no problem is the server's.
func fail(w http.ResponseWriter, err error) {
	j := ProblemJSON{Type: "about:blank", Status: http.StatusInternalServerError, Detail: err.Error()}
	var p *problem
	if errors.As(err, &p) {
		j.Status, j.Field = p.status, p.field
	}
	j.Title = http.StatusText(j.Status)
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(j.Status)
	json.NewEncoder(w).Encode(j)
}

// answer writes v as JSON, or what went wrong.
func answer(w http.ResponseWriter, v any, err error) {
	if err != nil {
		fail(w, err)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	json.NewEncoder(w).Encode(v)
}

// mostBody is how long a request's body may be, in bytes.
const mostBody = 64 << 10

// body reads a request's JSON into v. Fields that v does not have are refused, and so is
// anything behind it.
func body(w http.ResponseWriter, r *http.Request, v any) error {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return problemf(http.StatusUnsupportedMediaType, "found a body of type %q; want application/json", r.Header.Get("Content-Type"))
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostBody))
	d.DisallowUnknownFields()
	err := d.Decode(v)
	if err == nil {
		if _, err = d.Token(); err == io.EOF {
			return nil
		}
		err = errors.New("more than one value")
	}
	var long *http.MaxBytesError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &long):
		return problemf(http.StatusRequestEntityTooLarge, "the body is longer than %d bytes", mostBody)
	case errors.As(err, &kind):
		return fieldf(kind.Field, "%s: found a JSON %s; want %v", kind.Field, kind.Value, kind.Type)
	case errors.Is(err, io.EOF):
		return problemf(http.StatusBadRequest, "the body is empty")
	}
	return problemf(http.StatusBadRequest, "the body: %v", err)
}
