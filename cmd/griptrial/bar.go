package main

import (
	"io"
	"time"

	"github.com/schollz/progressbar/v3"
)

// bar returns what shows on a terminal how many of a number are done, and what ends it. It
// shows nothing elsewhere: told is nil then.
func bar(stderr io.Writer, of int64, what string) (told func(done int64), end func()) {
	if !isTerminal(stderr) {
		return nil, func() {}
	}
	b := progressbar.NewOptions64(of, progressbar.OptionSetWriter(stderr), progressbar.OptionSetDescription(what),
		progressbar.OptionShowCount(), progressbar.OptionSetWidth(30), progressbar.OptionSetPredictTime(true),
		progressbar.OptionThrottle(100*time.Millisecond), progressbar.OptionClearOnFinish())
	return func(n int64) { b.Set64(n) }, func() { b.Finish() }
}
