package web

import (
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"griptrial/config"
)

// A query reads the parameters of a request. The first that is wrong is kept in err.
type query struct {
	values url.Values
	err    error
}

// queryOf returns the query of a request that may have the named parameters and no others.
func queryOf(r *http.Request, allowed ...string) *query {
	values, err := url.ParseQuery(r.URL.RawQuery)
	q := &query{values: values}
	if err != nil {
		q.err = problemf(http.StatusBadRequest, "the query: %v", err)
	}
	for name := range values {
		if !slices.Contains(allowed, name) {
			q.fail(name, "%.80q is no parameter here; %s are", name, strings.Join(allowed, ", "))
		}
	}
	return q
}

func (q *query) fail(field, format string, args ...any) {
	if q.err == nil {
		q.err = fieldf(field, format, args...)
	}
}

func (q *query) text(name string) string { return q.values.Get(name) }

func (q *query) has(name string) bool { return q.values.Has(name) }

func (q *query) list(name string) []string { return q.values[name] }

// oneOf returns a parameter that is one of some words; the first where it is missing.
func (q *query) oneOf(name string, words ...string) string {
	x := q.text(name)
	if !q.has(name) {
		return words[0]
	}
	if !slices.Contains(words, x) {
		q.fail(name, "%s: found %.80q; want %s", name, x, strings.Join(words, ", "))
	}
	return x
}

func (q *query) integer(name string, otherwise, lo, hi int) int {
	if !q.has(name) {
		return otherwise
	}
	n, err := strconv.Atoi(q.text(name))
	if err != nil || n < lo || n > hi {
		q.fail(name, "%s: found %.80q; want a whole number from %d to %d", name, q.text(name), lo, hi)
	}
	return n
}

func (q *query) number(name string, otherwise, lo, hi float64) float64 {
	if !q.has(name) {
		return otherwise
	}
	x, err := strconv.ParseFloat(q.text(name), 64)
	if err != nil || !(x >= lo && x <= hi) {
		q.fail(name, "%s: found %.80q; want a number from %g to %g", name, q.text(name), lo, hi)
	}
	return x
}

func (q *query) boolean(name string) bool {
	return q.oneOf(name, "false", "true") == "true"
}

// quantity returns a parameter with a unit, more than 0.
func (q *query) quantity(name string, d config.Dimension, otherwise float64) float64 {
	if !q.has(name) {
		return otherwise
	}
	x, err := config.Parse(d, q.text(name))
	if err != nil {
		q.fail(name, "%s: %v", name, err)
	} else if !(x > 0) || math.IsInf(x, 0) {
		q.fail(name, "%s: found %.80q; want more than 0", name, q.text(name))
	}
	return x
}
