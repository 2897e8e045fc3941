// Package store holds the trial file: one SQLite file with the rig and trial text, the raw
// counts in commit order, and the picks. It comes after acquire and analyze and before
// record and report. FORMAT.md beside it describes the file for other readers.
package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"database/sql/driver"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"griptrial/acquire/sample"
)

// Ext is the extension of trial files.
const Ext = ".gtrial"

const (
	applicationID = 0x67747269 // "gtri"
	formatVersion = 4          // SQLite's user_version
)

// Errors by which a caller decides what to do. Their text names the file.
var (
	ErrNotTrial = errors.New("not a trial file")
	ErrNewer    = errors.New("made by a newer griptrial")
	ErrInUse    = errors.New("in use")
	ErrDamaged  = errors.New("damaged")
	ErrFull     = errors.New("no space left")
	ErrReadOnly = errors.New("opened for reading only")
)

// A Header says what a trial file holds. It is written once, by Create.
type Header struct {
	Program   string    // version of the program that made the file
	AnchorUTC time.Time // of the trial's time zero, to the nanosecond; between the years 1678 and 2262
	RigText   []byte    // the rig file as used; nil where there was none
	TrialText []byte    // the trial file as used; nil where there was none
	Groups    []sample.Group
	Stations  []string
}

// A Trial is an open trial file. Its methods may be called from several goroutines; those
// that write wait for each other.
type Trial struct {
	path    string
	header  Header
	format  int // of the tables as they are
	readers *sql.DB

	mu         sync.Mutex // guards what follows
	closed     bool
	pool       *sql.DB   // of the one writing connection; nil where opened for reading
	writer     *sql.Conn // holds the file's write lock from Open to Close
	held       bool      // a write transaction is open
	statements map[*table]*sql.Stmt
	counts     map[string]count
	nextSeq    int64
	pending    map[int][]shortBlock // of each group, not merged yet
}

// Path returns the path given to Create or Open.
func (t *Trial) Path() string { return t.path }

// Header returns what Create was given. The caller must not change what it points to.
func (t *Trial) Header() Header { return t.header }

// Create makes a trial file, durably, and opens it for recording. It refuses a path where
// there is a file, or the remains of one, with an error that is fs.ErrExist.
func Create(path string, h Header) (*Trial, error) {
	if filepath.Ext(path) != Ext {
		return nil, fmt.Errorf("%s: the name of a trial file ends in %s", path, Ext)
	}
	row, err := h.row()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	for _, remains := range besides(path) {
		if _, err := os.Lstat(remains); err == nil {
			return nil, fmt.Errorf("%s: %w: %s is left of another trial", path, fs.ErrExist, filepath.Base(remains))
		}
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o644)
	if err != nil {
		return nil, err
	}
	if err := f.Close(); err != nil {
		return nil, err
	}
	t, err := create(path, row)
	if err != nil {
		for _, made := range append(besides(path), path) {
			os.Remove(made)
		}
		return nil, err
	}
	return t, nil
}

func create(path string, header []any) (*Trial, error) {
	if err := makeTables(path, formatVersion, header); err != nil {
		return nil, err
	}
	return Open(path)
}

// makeTables makes an empty trial of a format; one below formatVersion is for the tests of
// what Open makes of it.
func makeTables(path string, format int, header []any) error {
	t, err := connect(path)
	if err != nil {
		return err
	}
	t.counts, t.format = map[string]count{}, format
	// One transaction with a rollback journal: a kill leaves an empty file, or all of it.
	err = t.exec("PRAGMA synchronous = FULL", "BEGIN IMMEDIATE",
		fmt.Sprintf("PRAGMA application_id = %d", applicationID), fmt.Sprintf("PRAGMA user_version = %d", format))
	if err == nil {
		err = t.exec(schema(format)...)
	}
	t.held = err == nil
	if err == nil {
		err = t.write(func(w *writing) error {
			if err := w.startTally(tallied(format)); err != nil {
				return err
			}
			if err := w.insert(headerTable, header...); err != nil {
				return err
			}
			if format > 1 {
				// The same once more: one flipped byte must not cost the whole trial.
				if err := w.insert(analysisTable, 1, header[2], header[3], header[5], header[7], header[8]); err != nil {
					return err
				}
			}
			return w.insert(setTable, 1, time.Now().UnixNano(), header[1], "live")
		})
	}
	t.disconnect()
	return clear(path, "create", err)
}

// Open opens a trial file for recording and analysis. A file that a kill left unfinished
// is put right first. While it is open no other process can open it so: the second gets an
// error that is ErrInUse.
func Open(path string) (*Trial, error) {
	if _, err := inspect(path, "mode=rw"); err != nil {
		return nil, err
	}
	t, err := connect(path)
	if err != nil {
		return nil, err
	}
	if err := t.own(); err != nil {
		t.disconnect()
		return nil, clear(path, "open", err)
	}
	if err := t.load(); err != nil {
		t.disconnect()
		return nil, clear(path, "open", err)
	}
	return t, nil
}

// OpenRead opens a trial file for reading; it may be recorded at the same time. The bytes
// of the file and of those beside it stay as they are.
func OpenRead(path string) (*Trial, error) {
	if _, err := inspect(path, readOnly); err != nil {
		return nil, err
	}
	t := &Trial{path: path, readers: openReaders(path)}
	var err error
	if t.format, err = checkSchema(t.readers); err != nil {
		t.readers.Close()
		return nil, clear(path, "open", err)
	}
	if err := t.loadHeader(t.readers); err != nil {
		t.readers.Close()
		return nil, clear(path, "open", err)
	}
	return t, nil
}

// Close merges what is left of short blocks and puts everything into the one file, unless
// other programs are reading it: then the files beside it stay until it is next recorded
// to. A second Close does nothing.
func (t *Trial) Close() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.closed {
		return nil
	}
	var err error
	if t.writer != nil {
		for group := range t.pending {
			if err = t.merge(group); err != nil {
				err = clear(t.path, "merge blocks", err)
				break
			}
		}
	}
	t.closed = true
	t.readers.Close()
	if t.writer == nil {
		return nil
	}
	if t.held {
		err = errors.Join(err, clear(t.path, "close", t.exec("ROLLBACK")))
		t.held = false
	}
	// Leaving WAL moves all into the file and lets readers in without files beside it.
	if e := t.exec("PRAGMA wal_checkpoint(TRUNCATE)", "PRAGMA journal_mode = DELETE"); e != nil && !busy(e) {
		err = errors.Join(err, clear(t.path, "close", e))
	}
	return errors.Join(err, t.disconnect())
}

// besides lists the files that SQLite may keep beside path.
func besides(path string) []string {
	return []string{path + "-wal", path + "-shm", path + "-journal"}
}

// inspect reads the first bytes of path, so that nothing else is opened as a trial file.
// It reports whether the file was left in WAL mode. SQLite does the reading, without
// locks: any other way to open and close a file gives up all POSIX locks that this process
// holds on it (seen in /proc/locks), those of a trial being recorded too. While the WAL is
// being moved into the file, or that was cut off (a full disk, a kill), the file alone is no
// database; then fallback says how to open it with its WAL.
func inspect(path, fallback string) (wal bool, err error) {
	info, err := os.Stat(path)
	if err != nil {
		return false, err
	}
	if !info.Mode().IsRegular() || info.Size() < 100 {
		return false, fmt.Errorf("%s: %w: no file, or too short for one", path, ErrNotTrial)
	}
	const immutable = "mode=ro&immutable=1"
	head, err := firstBytes(path, immutable)
	if code(err) == sqlite3.SQLITE_CORRUPT {
		if _, e := os.Stat(path + "-wal"); e == nil {
			if head, e = firstBytes(path, fallback); e == nil {
				err = nil
			} else if _, e := os.Stat(path + "-shm"); errors.Is(e, fs.ErrNotExist) {
				return false, noIndex(path)
			}
		}
	}
	if code(err) == sqlite3.SQLITE_NOTADB {
		return false, fmt.Errorf("%s: %w (%w)", path, ErrNotTrial, err)
	}
	if err != nil {
		return false, clear(path, "open", err)
	}
	if len(head) < 100 {
		return false, fmt.Errorf("%s: %w: its header cannot be read", path, ErrDamaged)
	}
	if binary.BigEndian.Uint32([]byte(head[68:])) != applicationID {
		return false, fmt.Errorf("%s: %w", path, ErrNotTrial)
	}
	if v := binary.BigEndian.Uint32([]byte(head[60:])); v > formatVersion {
		return false, fmt.Errorf("%s: %w: format %d, this one reads up to %d", path, ErrNewer, v, formatVersion)
	} else if v < 1 {
		return false, fmt.Errorf("%s: %w: format %d does not exist", path, ErrNotTrial, v)
	}
	return head[18] == 2 || head[19] == 2, nil
}

// firstBytes returns the database header (sqlite.org/fileformat2.html, 1.3) of a file that
// SQLite opens with options.
func firstBytes(path, options string) (string, error) {
	a, err := address(path, options)
	if err != nil {
		return "", err
	}
	db, err := sql.Open("sqlite", a)
	if err != nil {
		return "", err
	}
	defer db.Close()
	return text(db, "SELECT substr(data, 1, 100) FROM sqlite_dbpage WHERE pgno = 1")
}

// readOnly has SQLite neither make nor change the index of the WAL.
const readOnly = "mode=ro&readonly_shm=1"

// address returns path as SQLite's URI with options.
func address(path, options string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	abs = filepath.ToSlash(abs)
	if !strings.HasPrefix(abs, "/") {
		abs = "/" + abs // a drive letter
	}
	return (&url.URL{Scheme: "file", Path: abs}).String() + "?" + options, nil
}

// A connector opens read-only connections, each in the way that the file's state at that
// moment asks for.
type connector struct{ path string }

func (c connector) Driver() driver.Driver { return &sqlite.Driver{} }

func (c connector) Connect(context.Context) (driver.Conn, error) {
	wal, err := inspect(c.path, readOnly)
	if err != nil {
		return nil, err
	}
	options := readOnly + "&_pragma=busy_timeout(5000)&_pragma=cell_size_check(1)"
	if wal {
		info, errWAL := os.Stat(c.path + "-wal")
		_, errSHM := os.Stat(c.path + "-shm")
		noSHM := errors.Is(errSHM, fs.ErrNotExist)
		switch {
		case errors.Is(errWAL, fs.ErrNotExist), noSHM && errWAL == nil && info.Size() <= walHeader, headerOnly(c.path + "-wal"):
			options = "mode=ro&immutable=1" // there is nothing in a WAL, and SQLite would make one to read
		case noSHM:
			return nil, noIndex(c.path)
		}
	}
	a, err := address(c.path, options)
	if err != nil {
		return nil, err
	}
	return (&sqlite.Driver{}).Open(a)
}

const walHeader = 32 // bytes before the first frame (sqlite.org/fileformat2.html, 4.1)

// headerOnly reports whether a WAL ends behind its header and stays like this: a recorder was
// killed before its first frame. SQLite tries such a file for ten seconds and gives up with
// "locking protocol" where it must not write. A recorder that lives goes on.
func headerOnly(wal string) bool {
	for range 10 {
		info, err := os.Stat(wal)
		if err != nil || info.Size() != walHeader {
			return false
		}
		time.Sleep(20 * time.Millisecond)
	}
	return true
}

// noIndex says that the index of the WAL, which only a writer may make, is missing.
func noIndex(path string) error {
	return fmt.Errorf("%s: not closed, and %s-shm is missing: griptrial reanalyse or forward puts it right", path, filepath.Base(path))
}

// openReaders returns a pool that keeps no connection when idle: an open one would keep
// the recorder from putting all into one file.
func openReaders(path string) *sql.DB {
	db := sql.OpenDB(connector{path})
	db.SetMaxIdleConns(-1)
	return db
}

func connect(path string) (*Trial, error) {
	a, err := address(path, "mode=rw")
	if err != nil {
		return nil, err
	}
	t := &Trial{path: path, statements: map[*table]*sql.Stmt{}, pending: map[int][]shortBlock{}}
	if t.pool, err = sql.Open("sqlite", a); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if t.writer, err = t.pool.Conn(context.Background()); err != nil {
		t.pool.Close()
		return nil, clear(path, "open", err)
	}
	t.readers = openReaders(path)
	return t, nil
}

// disconnect gives the file free as it is.
func (t *Trial) disconnect() error {
	t.readers.Close()
	for _, s := range t.statements {
		s.Close()
	}
	t.writer.Close()
	return t.pool.Close()
}

func (t *Trial) exec(statements ...string) error {
	for _, s := range statements {
		if _, err := t.writer.ExecContext(context.Background(), s); err != nil {
			return err
		}
	}
	return nil
}

// text returns the single value that query selects, "" without a row.
func text(q querier, query string) (s string, err error) {
	found, err := q.QueryContext(context.Background(), query)
	if err != nil {
		return "", err
	}
	defer found.Close()
	if found.Next() {
		if err := found.Scan(&s); err != nil {
			return "", err
		}
	}
	return s, found.Err()
}

// own takes the file's write lock for as long as it is open. SQLite's lock ends with the
// process, works on every system and lets readers in. An owner lets go of it for a moment
// at each commit; so it is taken twice, and nothing may have been written between.
func (t *Trial) own() error {
	if err := t.exec("PRAGMA busy_timeout = 2000"); err != nil {
		return err
	}
	mode, err := text(t.writer, "PRAGMA journal_mode = WAL")
	if err != nil {
		if busy(err) {
			return fmt.Errorf("%w: another program is reading or recording it (%w)", ErrInUse, err)
		}
		return err
	}
	if mode != "wal" {
		return fmt.Errorf("journal mode is %s where wal was asked for", mode)
	}
	taken := fmt.Errorf("%w: another recorder has it open", ErrInUse)
	// NORMAL would lose the last commits when the power fails.
	if err := t.exec("PRAGMA synchronous = FULL", "PRAGMA busy_timeout = 0"); err != nil {
		return err
	}
	var versions [2]string
	for i := range versions {
		if i > 0 {
			if err := t.exec("ROLLBACK"); err != nil {
				return err
			}
			time.Sleep(50 * time.Millisecond) // an owner takes it back in microseconds
		}
		if err := t.exec("BEGIN IMMEDIATE"); err != nil {
			if busy(err) {
				return taken
			}
			return err
		}
		if versions[i], err = text(t.writer, "PRAGMA data_version"); err != nil {
			return err
		}
	}
	if versions[0] != versions[1] {
		return taken
	}
	t.held = true
	return t.exec("PRAGMA busy_timeout = 5000")
}

func (t *Trial) load() error {
	var err error
	if t.format, err = checkSchema(t.writer); err != nil {
		return err
	}
	if err := t.loadHeader(t.writer); err != nil {
		return err
	}
	if t.counts, err = readTally(t.writer, t.format); err != nil {
		return err
	}
	if err := t.migrate(); err != nil {
		return fmt.Errorf("bring format %d up to %d: %w", t.format, formatVersion, err)
	}
	return t.loadBlocks()
}

// checkSchema returns the format of a file. It refuses one whose tables are not those of
// its format: only then are the columns what FORMAT.md says, and no trigger or view can act
// behind our back.
func checkSchema(q querier) (format int, err error) {
	// Not the header that inspect saw: a newer one may lie in the WAL.
	version, err := text(q, "PRAGMA user_version")
	if err != nil {
		return 0, err
	}
	if format, err = strconv.Atoi(version); err != nil || format < 1 || format > formatVersion {
		return 0, fmt.Errorf("%w: format %s", ErrNewer, version)
	}
	found, err := q.QueryContext(context.Background(), "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY rowid")
	if err != nil {
		return 0, err
	}
	defer found.Close()
	want := schema(format)
	n := 0
	for ; found.Next(); n++ {
		var s string
		if err := found.Scan(&s); err != nil {
			return 0, err
		}
		if n >= len(want) || s != want[n] {
			return 0, fmt.Errorf("%w: its tables are not those of format %d", ErrDamaged, format)
		}
	}
	if err := found.Err(); err != nil {
		return 0, err
	}
	if n != len(want) {
		return 0, fmt.Errorf("%w: %d of its %d tables are there", ErrDamaged, n, len(want))
	}
	return format, nil
}

func hash(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

func (h *Header) row() ([]any, error) {
	if h.AnchorUTC.IsZero() {
		return nil, errors.New("the trial has no UTC anchor")
	}
	if y := h.AnchorUTC.UTC().Year(); y <= 1678 || y >= 2262 {
		return nil, fmt.Errorf("UTC anchor %s is outside the years 1679 to 2261", h.AnchorUTC.Format(time.RFC3339))
	}
	groupText, err := groupText(h.Groups)
	if err != nil {
		return nil, err
	}
	stationText, err := json.Marshal(append([]string{}, h.Stations...))
	if err != nil {
		return nil, err
	}
	return []any{1, h.Program, h.AnchorUTC.UnixNano(), h.RigText, hash(h.RigText), h.TrialText, hash(h.TrialText),
		groupText, string(stationText)}, nil
}

func (t *Trial) loadHeader(q querier) error {
	n := 0
	for r, err := range headerTable.rows(q, "") {
		if err != nil {
			return err
		}
		n++
		r.int()
		h := Header{Program: r.text(), AnchorUTC: time.Unix(0, r.int()).UTC()}
		h.RigText = bytes.Clone(r.bytes())
		rigSum := r.text()
		h.TrialText = bytes.Clone(r.bytes())
		trialSum := r.text()
		groupText, stationText := r.text(), r.text()
		if r.err != nil {
			return r.err
		}
		if hash(h.RigText) != rigSum || hash(h.TrialText) != trialSum {
			return fmt.Errorf("%w: rig or trial text has another SHA-256 than stored", ErrDamaged)
		}
		var err error
		if h.Groups, err = parseGroups(groupText); err != nil {
			return err
		}
		if err := json.Unmarshal([]byte(stationText), &h.Stations); err != nil {
			return fmt.Errorf("%w: header: %w", ErrDamaged, err)
		}
		t.header = h
	}
	if n != 1 {
		return fmt.Errorf("%w: %d headers where one belongs", ErrDamaged, n)
	}
	return nil
}

// A number is a float64 that JSON carries to the bit: null is NaN, infinities are text.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	switch v := float64(n); {
	case math.IsNaN(v):
		return []byte("null"), nil
	case math.IsInf(v, 0):
		return fmt.Appendf(nil, `"%+g"`, v), nil
	default:
		return json.Marshal(v)
	}
}

func (n *number) UnmarshalJSON(b []byte) error {
	switch string(b) {
	case "null":
		*n = number(math.NaN())
	case `"+Inf"`:
		*n = number(math.Inf(1))
	case `"-Inf"`:
		*n = number(math.Inf(-1))
	default:
		return json.Unmarshal(b, (*float64)(n))
	}
	return nil
}

type groupJSON struct {
	Name     string        `json:"name"`
	Channels []channelJSON `json:"channels"`
}

type channelJSON struct {
	Name       string `json:"name"`
	Kind       string `json:"kind"`
	Unit       string `json:"unit"` // for readers of the file; follows from Kind
	Station    string `json:"station"`
	At         string `json:"at"`
	Offset     number `json:"offset"`
	Scale      number `json:"scale"`
	OnAbove    number `json:"on_above"`
	Resolution number `json:"resolution"`
	Accuracy   number `json:"accuracy"`
	IntervalS  number `json:"interval_s"`
	UpdateS    number `json:"update_s"`
	LagS       number `json:"lag_s"`

	Limits      *limitsJSON      `json:"limits,omitempty"`
	Calibration *calibrationJSON `json:"calibration,omitempty"`
}

type calibrationJSON struct {
	OffsetU     number `json:"offset_u"`
	ScaleU      number `json:"scale_u"`
	CenterCount number `json:"center_count"`
}

func newCalibrationJSON(c sample.Calibration) *calibrationJSON {
	if c == (sample.Calibration{}) {
		return nil
	}
	return &calibrationJSON{number(c.OffsetU), number(c.ScaleU), number(c.CenterCount)}
}

func (c *calibrationJSON) calibration() sample.Calibration {
	if c == nil {
		return sample.Calibration{}
	}
	return sample.Calibration{OffsetU: float64(c.OffsetU), ScaleU: float64(c.ScaleU), CenterCount: float64(c.CenterCount)}
}

type limitsJSON struct {
	LoopOffsetMA number `json:"loop_offset_ma"`
	LoopScaleMA  number `json:"loop_scale_ma"`
	SaturatedLo  int64  `json:"saturated_lo"`
	SaturatedHi  int64  `json:"saturated_hi"`
	StuckS       number `json:"stuck_s"`
}

func newLimitsJSON(l sample.Limits) *limitsJSON {
	if l == (sample.Limits{}) {
		return nil
	}
	return &limitsJSON{number(l.LoopOffsetMA), number(l.LoopScaleMA), l.SaturatedLo, l.SaturatedHi, number(l.StuckS)}
}

func (l *limitsJSON) limits() sample.Limits {
	if l == nil {
		return sample.Limits{}
	}
	return sample.Limits{LoopOffsetMA: float64(l.LoopOffsetMA), LoopScaleMA: float64(l.LoopScaleMA),
		SaturatedLo: l.SaturatedLo, SaturatedHi: l.SaturatedHi, StuckS: float64(l.StuckS)}
}

func newChannelJSON(c sample.Channel) channelJSON {
	return channelJSON{
		Name: c.Name, Kind: string(c.Kind), Unit: c.Kind.Unit(), Station: c.Station, At: c.At,
		Offset: number(c.Offset), Scale: number(c.Scale), OnAbove: number(c.OnAbove),
		Resolution: number(c.Resolution), Accuracy: number(c.Accuracy),
		IntervalS: number(c.IntervalS), UpdateS: number(c.UpdateS), LagS: number(c.LagS), Limits: newLimitsJSON(c.Limits),
		Calibration: newCalibrationJSON(c.Calibration),
	}
}

func (c channelJSON) channel() sample.Channel {
	return sample.Channel{
		Name: c.Name, Kind: sample.Kind(c.Kind), Station: c.Station, At: c.At,
		Offset: float64(c.Offset), Scale: float64(c.Scale), OnAbove: float64(c.OnAbove),
		Resolution: float64(c.Resolution), Accuracy: float64(c.Accuracy),
		IntervalS: float64(c.IntervalS), UpdateS: float64(c.UpdateS), LagS: float64(c.LagS), Limits: c.Limits.limits(),
		Calibration: c.Calibration.calibration(),
	}
}

// A writing is one transaction: what it adds to the counts, and what is done once it is
// durable.
type writing struct {
	t      *Trial
	counts map[string]count
	after  []func()
}

// insert adds a row.
func (w *writing) insert(tb *table, values ...any) error {
	for i, v := range values {
		values[i] = stored(v)
	}
	sum, err := tb.checksum(values)
	if err != nil {
		return err
	}
	s := w.t.statements[tb]
	if s == nil {
		if s, err = w.t.writer.PrepareContext(context.Background(), tb.insertStatement()); err != nil {
			return err
		}
		w.t.statements[tb] = s
	}
	if _, err := s.ExecContext(context.Background(), append(values, sum)...); err != nil {
		return fmt.Errorf("table %s: %w", tb.name, err)
	}
	w.counts[tb.name] = w.counts[tb.name].add(sum)
	return nil
}

func (t *Trial) writable() error {
	switch {
	case t.closed:
		return fs.ErrClosed
	case t.writer == nil:
		return ErrReadOnly
	}
	return nil
}

// write runs f in one durable transaction. After an error nothing of it is in the file,
// and the next write may be tried. The caller holds t.mu.
func (t *Trial) write(f func(*writing) error) error {
	if err := t.writable(); err != nil {
		return err
	}
	if !t.held {
		if err := t.exec("BEGIN IMMEDIATE"); err != nil {
			return err
		}
	}
	t.held = true
	w := &writing{t: t, counts: maps.Clone(t.counts)}
	err := f(w)
	for _, tb := range tallied(t.format) {
		if c := w.counts[tb.name]; err == nil && c != t.counts[tb.name] {
			var sum int64
			if sum, err = tallyTable.checksum([]any{tb.name, c.rows, c.sum}); err == nil {
				_, err = t.writer.ExecContext(context.Background(),
					"UPDATE tally SET row_count = ?, crc_sum = ?, crc = ? WHERE name = ?", c.rows, c.sum, sum, tb.name)
			}
		}
	}
	if err == nil {
		err = t.exec("COMMIT")
	}
	if err != nil {
		t.exec("ROLLBACK") // where SQLite has not done so itself
		t.held = t.exec("BEGIN IMMEDIATE") == nil
		return err
	}
	t.counts = w.counts
	for _, f := range w.after {
		f()
	}
	t.held = t.exec("BEGIN IMMEDIATE") == nil // what is committed is durable all the same
	return nil
}

// code returns SQLite's primary result code in err, 0 where there is none.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

func busy(err error) bool {
	return code(err) == sqlite3.SQLITE_BUSY || code(err) == sqlite3.SQLITE_LOCKED
}

// clear returns err as one line that says which file, what was being done and what to do.
func clear(path, doing string, err error) error {
	if err == nil {
		return nil
	}
	switch code(err) {
	case sqlite3.SQLITE_FULL:
		return fmt.Errorf("%s: %s: %w: nothing of this was stored; make room and try again (%w)", path, doing, ErrFull, err)
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM:
		return fmt.Errorf("%s: %s: the file or its folder cannot be written to (%w)", path, doing, err)
	case sqlite3.SQLITE_CANTOPEN:
		return fmt.Errorf("%s: %s: the file, or one beside it, cannot be opened (%w)", path, doing, err)
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return fmt.Errorf("%s: %s: %w: %w", path, doing, ErrDamaged, err)
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		if !errors.Is(err, ErrInUse) {
			return fmt.Errorf("%s: %s: %w by another program (%w)", path, doing, ErrInUse, err)
		}
	}
	return fmt.Errorf("%s: %s: %w", path, doing, err)
}

// collect returns what the rows of a table that clause selects are turned into.
func collect[T any](t *Trial, tb *table, turn func(*row) T, clause string, args ...any) ([]T, error) {
	var all []T
	for r, err := range tb.rows(t.readers, clause, args...) {
		if err != nil {
			return nil, clear(t.path, "read", err)
		}
		all = append(all, turn(r))
	}
	return all, nil
}
