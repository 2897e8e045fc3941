package store

import (
	"bufio"
	"bytes"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
)

// everything is all that a reader can get from a file, as text.
func everything(path string) (s string, err error) {
	t, err := OpenRead(path)
	if err != nil {
		return "", err
	}
	defer t.Close()
	var b strings.Builder
	fmt.Fprintf(&b, "%#v\n", t.Header())
	for batch, err := range t.Batches() {
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&b, "%v\n", batch)
	}
	sets, errSets := t.Sets()
	picks, errPicks := t.Picks(1, "")
	events, errEvents := t.Events(1)
	runs, errRuns := t.Runs()
	pieces, errPieces := t.Pieces()
	notes, errNotes := t.Notes()
	marks, errMarks := t.Spoiled()
	anchors, errClock := t.Clock()
	late, errLate := t.Lateness()
	checks, errChecks := t.BenchChecks()
	checkText, errText := json.Marshal(checks)
	fmt.Fprintf(&b, "%v %v %v %v %v %v %v %v %v %s\n", sets, picks, events, runs, pieces, notes, marks, anchors, late, checkText)
	return b.String(), errors.Join(errSets, errPicks, errEvents, errRuns, errPieces, errNotes, errMarks, errClock, errLate, errChecks, errText)
}

// smallTrial makes a closed file with some of everything: merged blocks, a table of more
// than one page, and pages that merging has left free.
func smallTrial(t *testing.T) string {
	t.Helper()
	trial, err := Create(filepath.Join(t.TempDir(), "small.gtrial"), header())
	require.NoError(t, err)
	for i, c := range commits(rand.New(rand.NewPCG(1, 1)), 65) {
		e := Entry{Batches: c}
		if i%4 == 0 {
			e.Set, e.Picks = 1, []pick.Pick{somePick(i, "left"), somePick(i, "right")}
			e.Events = []pick.Event{{TS: float64(i), Kind: pick.Dip, Station: "left", Pick: i}}
		}
		if i == 5 {
			e.Runs = []Run{{N: 1, StartNS: 5, Piece: "sachet 7", PlannedPicks: 30, Setups: map[string]string{"left": "a", "right": "b"}}}
			e.Pieces = []Piece{{ID: "sachet 7", Bag: "seed sachet", MassG: 12.5}}
			e.Notes = []Note{{TNS: 4, Text: "hall door open", Run: 1}}
			e.Clock, e.Lateness, e.Bench = someCircumstances()
		}
		require.NoError(t, trial.Commit(e))
	}
	require.NoError(t, trial.MarkSpoiled("left", 4_000_000_000, "hose knocked"))
	require.NoError(t, trial.Close())
	requireWhole(t, trial.Path())
	return trial.Path()
}

// A flipped byte is found, or does no harm: it lies where nothing is stored.
func TestFlippedByte(t *testing.T) {
	path := smallTrial(t)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	want, err := everything(path)
	require.NoError(t, err)
	every := 149 // a prime, so that all places in a page are met
	switch {
	case os.Getenv("GRIPTRIAL_NIGHTLY") != "":
		every = 1
	case testing.Short():
		every = 1499
	}
	found, harmless := 0, 0
	flip := func(mask byte, places ...int) {
		damaged := append([]byte{}, whole...)
		for _, at := range places {
			damaged[at] ^= mask
		}
		require.NoError(t, os.WriteFile(path, damaged, 0o600))
		report, err := Check(path)
		if err != nil || !report.OK() {
			found++
			return
		}
		harmless++
		got, err := everything(path)
		require.NoError(t, err, "bytes %d ^ %#x of %d", places, mask, len(whole))
		require.Equal(t, want, got, "bytes %d ^ %#x of %d", places, mask, len(whole))
	}
	for at := range 108 { // the headers of database and first page
		flip(0xff, at)
		flip(0x01, at)
	}
	masks := []byte{0xff, 0x01, 0x80, 0x10}
	for i, at := 0, 108; at < len(whole); i, at = i+1, at+every {
		flip(masks[i%len(masks)], at)
	}
	t.Logf("%d bytes: %d flips found, %d harmless (space that merging left free, for the most part)", len(whole), found, harmless)

	// Bytes that are known to matter.
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	var data []byte
	require.NoError(t, os.WriteFile(path, whole, 0o600))
	require.NoError(t, db.QueryRow("SELECT data FROM blocks ORDER BY seq LIMIT 1").Scan(&data))
	require.NoError(t, db.Close())
	for _, part := range [][]byte{[]byte("packing hall"), []byte("seed sachets"), []byte("vacuum left"), []byte("hall door open"), data[:30]} {
		var copies []int // free space may hold an old one
		for at := 0; bytes.Contains(whole[at:], part); at++ {
			at += bytes.Index(whole[at:], part)
			copies = append(copies, at)
		}
		require.NotEmpty(t, copies, "%q", part)
		for i := range part {
			before := found
			places := slices.Clone(copies)
			for k := range places {
				places[k] += i
			}
			flip(0x20, places...)
			require.Equal(t, before+1, found, "byte %d of %q", i, part)
		}
	}
}

// What a program other than this one could do to rows is found too.
func TestCheckFinds(t *testing.T) {
	cases := []struct{ name, sql, want string }{
		{"last block gone", "DELETE FROM blocks WHERE seq = (SELECT max(seq) FROM blocks)", "table blocks: "},
		{"last pick gone", "DELETE FROM picks WHERE id = (SELECT max(id) FROM picks)", "table picks: 33 rows"},
		{"figure changed", "UPDATE pick_figures SET data = (SELECT substr(data, 1, 10) FROM pick_figures WHERE pick = 2) WHERE pick = 1", "table pick_figures: checksum of row 1 is wrong"},
		{"figures gone", "DELETE FROM pick_figures WHERE pick = 3", "table pick_figures: 33 rows"},
		{"rig text changed", "UPDATE header SET rig_text = x'00'", "table header: checksum"},
		{"event moved to another set", "UPDATE events SET pick_set = 2 WHERE id = 3", "table events: checksum of row 3"},
		{"tally changed", "UPDATE tally SET row_count = 0 WHERE name = 'notes'", "table tally: checksum"},
		{"tally gone", "DELETE FROM tally WHERE name = 'notes'", "no row for notes"},
		{"table added", "CREATE TABLE other (a)", "its tables are not those of format 4"},
		{"trigger added", "CREATE TRIGGER x AFTER INSERT ON notes BEGIN DELETE FROM picks; END", "its tables are not those of format 4"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			path := smallTrial(t)
			db, err := sql.Open("sqlite", path)
			require.NoError(t, err)
			_, err = db.Exec(c.sql)
			require.NoError(t, err)
			require.NoError(t, db.Close())
			report, err := Check(path)
			if err == nil {
				require.NotEmpty(t, report.Damage)
				err = errors.New(strings.Join(report.Damage, "; "))
			}
			require.ErrorContains(t, err, c.want)
		})
	}
}

// A wrong writer's blocks have right checksums; their order is looked at all the same.
func TestCheckFindsWrongOrder(t *testing.T) {
	fault := func(group int) []sample.Batch { return []sample.Batch{{Group: group, Fault: "x"}} }
	cases := []struct {
		name string
		seqs [][]int64
		want string
	}{
		{"first missing", [][]int64{{2}}, "batch 1 is missing"},
		{"one missing between blocks", [][]int64{{1}, {3}}, "batch 2 is missing"},
		{"one missing inside", [][]int64{{1, 3}}, "batch 2 is missing"},
		{"one twice", [][]int64{{1, 2}, {2}}, "batch 3 is missing"},
		{"crossed, whole", [][]int64{{1, 4}, {2, 3}}, ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			trial, err := Create(filepath.Join(t.TempDir(), "order.gtrial"), header())
			require.NoError(t, err)
			require.NoError(t, trial.write(func(w *writing) error {
				for g, seqs := range c.seqs {
					batches := fault(g)
					for range len(seqs) - 1 {
						batches = append(batches, fault(g)...)
					}
					if _, err := w.block(g, seqs, batches, true); err != nil {
						return err
					}
				}
				return nil
			}))
			require.NoError(t, trial.Close())
			report, err := Check(trial.Path())
			require.NoError(t, err)
			if c.want == "" {
				require.Empty(t, report.Damage)
				return
			}
			require.Len(t, report.Damage, 1)
			require.Contains(t, report.Damage[0], c.want)
		})
	}
}

// In a process that is to be killed, appends to the file named until then, and says each
// commit that is durable.
func recordUntilKilled(path string) error {
	trial, err := Open(path)
	if err != nil {
		return err
	}
	done := 0
	for _, err := range trial.Batches() {
		if err != nil {
			return err
		}
		done++
	}
	fmt.Println("open", done)
	for n := done; ; n++ {
		if err := trial.Commit(numbered(n)); err != nil {
			return err
		}
		fmt.Println(n + 1)
	}
}

// numbered is the n-th commit: a batch of 30 s, so that every second one is merged, and a
// pick.
func numbered(n int) Entry {
	r := rand.New(rand.NewPCG(11, uint64(n)))
	return Entry{
		Batches: recorded(r, n%2, 2-n%2, 10, int64(n)*30e9, 1, 300),
		Set:     1, Picks: []pick.Pick{somePick(n+1, "left")},
	}
}

// Variables that make the test program do something else: record to the file named until
// it is killed; try to open it for recording, and to take its WAL away.
const (
	killedVariable = "GRIPTRIAL_RECORD_UNTIL_KILLED"
	openVariable   = "GRIPTRIAL_OPEN_ONCE"
)

func TestMain(m *testing.M) {
	if path := os.Getenv(openVariable); path != "" {
		_, err := Open(path)
		fmt.Println(err)
		db, err := sql.Open("sqlite", path)
		if err == nil {
			_, err = db.Exec("PRAGMA journal_mode = DELETE")
		}
		fmt.Println("leave WAL:", err)
		os.Exit(0)
	}
	if path := os.Getenv(killedVariable); path != "" {
		fmt.Fprintln(os.Stderr, recordUntilKilled(path))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// While a process records, and looks at its own file besides, another process is refused
// and cannot take the WAL away. (This does not tell whether the process still holds its
// lock on the file itself; with that one gone it passed too, on Linux.)
func TestOtherProcessIsRefused(t *testing.T) {
	trial := newTrial(t, header())
	want := numbered(0).Batches
	require.NoError(t, trial.Append(want))
	requireWhole(t, trial.Path())
	reader, err := OpenRead(trial.Path())
	require.NoError(t, err)
	require.NoError(t, reader.Close())
	_, err = Open(trial.Path())
	require.ErrorIs(t, err, ErrInUse)

	self, err := os.Executable()
	require.NoError(t, err)
	other := exec.Command(self)
	other.Env = append(os.Environ(), openVariable+"="+trial.Path())
	out, err := other.CombinedOutput()
	require.NoError(t, err)
	require.Contains(t, string(out), "another recorder has it open")
	require.Contains(t, string(out), "leave WAL: database is locked")
	require.Contains(t, folder(t, trial.Path()), filepath.Base(trial.Path())+"-wal", "it is still ours")
	more := numbered(1).Batches
	require.NoError(t, trial.Append(more))
	requireSame(t, append(want, more...), readAll(t, trial))
}

func TestKilled(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	path := filepath.Join(t.TempDir(), "killed.gtrial")
	trial, err := Create(path, header())
	require.NoError(t, err)
	require.NoError(t, trial.Close())
	kills := 6
	if os.Getenv("GRIPTRIAL_NIGHTLY") != "" {
		kills = 100
	}
	self, err := os.Executable()
	require.NoError(t, err)
	acknowledged := 0
	for range kills {
		child := exec.Command(self)
		child.Env = append(os.Environ(), killedVariable+"="+path)
		child.Stderr = os.Stderr
		out, err := child.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, child.Start())
		lines := bufio.NewScanner(out)
		require.True(t, lines.Scan(), "the child opens the file")
		for k := r.IntN(60); k > 0 && lines.Scan(); k-- {
			require.NoError(t, json.Unmarshal(lines.Bytes(), &acknowledged))
		}
		time.Sleep(time.Duration(r.IntN(3000)) * time.Microsecond) // anywhere in a commit
		require.NoError(t, child.Process.Kill())
		for lines.Scan() { // what it said before it died counts
			require.NoError(t, json.Unmarshal(lines.Bytes(), &acknowledged))
		}
		require.Error(t, child.Wait())

		before := contents(t, path)
		report := requireWhole(t, path) // as it was left
		require.Equal(t, before, contents(t, path))
		require.GreaterOrEqual(t, report.Batches, int64(acknowledged))
		reader, err := OpenRead(path)
		require.NoError(t, err)
		stored := 0
		for b, err := range reader.Batches() {
			require.NoError(t, err)
			requireSame(t, numbered(stored).Batches, []sample.Batch{b})
			stored++
		}
		picks, err := reader.Picks(1, "left")
		require.NoError(t, err)
		require.Len(t, picks, stored, "picks and batches of a commit come together")
		require.NoError(t, reader.Close())
		require.GreaterOrEqual(t, stored, acknowledged)
		require.LessOrEqual(t, stored, acknowledged+1, "at most the commit that was not acknowledged")
	}
	assert.NotZero(t, acknowledged)
	trial, err = Open(path)
	require.NoError(t, err)
	require.NoError(t, trial.Close())
	requireWhole(t, path)
	require.Equal(t, []string{"killed.gtrial"}, folder(t, path))
	t.Logf("%d commits", acknowledged)
}
