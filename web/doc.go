// Package web serves a trial, live or finished: a JSON API, a live stream, and the page that
// shows them. It comes after record and report and before cmd; what it says is computed by
// analyze.
package web
