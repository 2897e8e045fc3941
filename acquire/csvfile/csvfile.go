// Package csvfile reads a table of any origin as recordings: batches of raw counts and the
// channels that give them meaning. It stands where a bus would: after config, before
// record and analyze.
package csvfile

import (
	"iter"
	"os"
	"time"

	"griptrial/acquire/sample"
)

// A Sign says how the cells of a vacuum column are to be read.
type Sign string

// The signs.
const (
	Positive Sign = "positive" // vacuum, positive below ambient
	Negative Sign = "negative" // gauge pressure, negative below ambient
	Absolute Sign = "absolute" // absolute pressure
)

// Options say what the columns of a table mean.
type Options struct {
	// Time names the column of time: seconds, or another unit in brackets, "t[ms]".
	// Cells in RFC 3339 need no unit.
	Time    string
	Columns []Column // at least one
	Group   string   // column that tells recordings apart; "" if the table is one recording

	// Sort orders the rows of a recording by time. Of rows with equal times the first in
	// the file is kept. Without Sort such rows are an error.
	Sort bool

	Sign       Sign    // of vacuum columns; "" is Positive
	AmbientKPa float64 // absolute; NaN: from the recording where Sign is Absolute

	// EitherSide is set for closed volumes, which may hold more pressure than the air
	// around: signs that make no sense for a gripper are not refused.
	EitherSide bool

	Station string // of all channels
}

// A File is a table that was read.
type File struct {
	Name       string
	Recordings []Recording // in order of first appearance
	Sampling   Sampling    // of all recordings together
	UTC        time.Time   // instant of time zero; the zero Time where the table has seconds

	AmbientKPa  float64 // NaN where none was given or needed
	AmbientFrom string  // "given", "recording" or ""
}

// A Recording is a run of rows whose times increase: the whole table, or the rows of one
// value of Options.Group.
type Recording struct {
	Group    string // "" without Options.Group
	Groups   []sample.Group
	Sampling Sampling

	EqualTimes int // rows left out because an earlier row has the same time

	pieces []piece
}

// A piece is as many scans as a batch has.
type piece struct {
	t      []int64
	counts [][]int64
}

// newPiece has room for a number of scans: none for the first piece of a recording, since
// a table may have very many short ones.
func newPiece(room, columns int) piece {
	p := piece{t: make([]int64, 0, room), counts: make([][]int64, columns)}
	for i := range p.counts {
		p.counts[i] = make([]int64, 0, room)
	}
	return p
}

// scansPerBatch keeps what a consumer of batches holds small.
const scansPerBatch = 4096

var noHalfWidth [scansPerBatch]int64

// Batches yields the recording in order of time, 4096 scans a batch, all of group 0, with
// half-widths 0: a table says nothing of them. Times are the file's own where it has
// seconds, else they count from the earliest row of the file, File.UTC. The batches share
// memory with r and may not be changed.
func (r *Recording) Batches() iter.Seq[sample.Batch] {
	return func(yield func(sample.Batch) bool) {
		for _, p := range r.pieces {
			if !yield(sample.Batch{T: p.t, Half: noHalfWidth[:len(p.t):len(p.t)], Counts: p.counts}) {
				return
			}
		}
	}
}

// Scans returns the number of scans.
func (r *Recording) Scans() int {
	n := 0
	for _, p := range r.pieces {
		n += len(p.t)
	}
	return n
}

// Sampling tells how even the times of a recording are. Its times are NaN where there
// are fewer than two scans.
type Sampling struct {
	IntervalS float64 // median
	LongestS  float64

	// Bursts is how often scans caught up after a pause: runs of intervals under a fifth
	// of the median that follow an interval above 1.5 × the median. The samples of a burst
	// were taken during the pause, so an event among them may be earlier than it seems.
	Bursts int
}

// Open reads the table in a file; see Read.
func Open(path string, o Options) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return Read(f, path, o)
}
