package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"iter"
	"math"
	"slices"
	"strings"
	"sync"
)

// A table of the trial file. Every row ends in crc, its checksum; the table tally holds
// number and sum of the rows of each other table, so that a row cannot vanish unseen.
type table struct {
	name    string
	columns []string // as in SQL: name, type, constraint
	key     string   // columns whose values together come once; "" where the first column is all
}

// Numbers that may be NaN stand in columns of type ANY: NULL is NaN, and a REAL column
// would turn -0 into 0.
var (
	headerTable = &table{name: "header", columns: []string{
		"id INTEGER PRIMARY KEY", "program TEXT NOT NULL", "anchor_unix_ns INTEGER NOT NULL",
		"rig_text BLOB", "rig_sha256 TEXT NOT NULL", "trial_text BLOB", "trial_sha256 TEXT NOT NULL",
		"groups TEXT NOT NULL", "stations TEXT NOT NULL"}}
	blockTable = &table{name: "blocks", columns: []string{
		"seq INTEGER PRIMARY KEY", "last_seq INTEGER NOT NULL", "grp INTEGER NOT NULL", "merged INTEGER NOT NULL",
		"batches INTEGER NOT NULL", "scans INTEGER NOT NULL", "first_ns INTEGER", "last_ns INTEGER", "data BLOB NOT NULL"}}
	runTable = &table{name: "runs", columns: []string{
		"n INTEGER PRIMARY KEY", "start_ns INTEGER NOT NULL", "piece TEXT NOT NULL", "planned_picks INTEGER NOT NULL"}}
	setupTable = &table{name: "run_setups", key: "run, station", columns: []string{
		"run INTEGER NOT NULL", "station TEXT NOT NULL", "setup TEXT NOT NULL"}}
	pieceTable = &table{name: "pieces", key: "id", columns: []string{
		"id TEXT NOT NULL", "bag TEXT NOT NULL", "fill TEXT NOT NULL", "mass_g ANY", "damage TEXT NOT NULL"}}
	noteTable = &table{name: "notes", columns: []string{
		"id INTEGER PRIMARY KEY", "t_ns INTEGER NOT NULL", "text TEXT NOT NULL"}}
	setTable = &table{name: "pick_sets", columns: []string{
		"n INTEGER PRIMARY KEY", "created_unix_ns INTEGER NOT NULL", "program TEXT NOT NULL", "why TEXT NOT NULL"}}
	pickTable = &table{name: "picks", columns: append(
		[]string{"id INTEGER PRIMARY KEY", "pick_set INTEGER NOT NULL"}, columnsOfPicks()...),
		key: "pick_set, station, n"}
	figureTable = &table{name: "figures", key: "pick, name", columns: []string{
		"pick INTEGER NOT NULL", "name TEXT NOT NULL", "value ANY", "u ANY", "lo ANY", "hi ANY", "warnings TEXT"}}
	eventTable = &table{name: "events", columns: []string{
		"id INTEGER PRIMARY KEY", "pick_set INTEGER NOT NULL", "t_s ANY", "kind TEXT NOT NULL",
		"station TEXT NOT NULL", "pick INTEGER NOT NULL"}}
	// Format 2.
	analysisTable = &table{name: "analyses", columns: []string{
		"n INTEGER PRIMARY KEY", "anchor_unix_ns INTEGER NOT NULL", "rig_text BLOB", "trial_text BLOB",
		"groups TEXT NOT NULL", "stations TEXT NOT NULL"}}
	finishedTable = &table{name: "finished", columns: []string{
		"n INTEGER PRIMARY KEY", "finished_unix_ns INTEGER NOT NULL", "picks INTEGER NOT NULL", "events INTEGER NOT NULL"}}
	outboxTable = &table{name: "outbox", columns: []string{
		"n INTEGER PRIMARY KEY", "lines INTEGER NOT NULL", "first_ms INTEGER NOT NULL", "last_ms INTEGER NOT NULL",
		"picks INTEGER NOT NULL", "events INTEGER NOT NULL", "runs INTEGER NOT NULL", "batches INTEGER NOT NULL",
		"data BLOB NOT NULL"}}
	deliveryTable = &table{name: "deliveries", key: "target, segment", columns: []string{
		"target TEXT NOT NULL", "segment INTEGER NOT NULL", "sent_unix_ns INTEGER NOT NULL", "parked INTEGER NOT NULL"}}
	parkedTable = &table{name: "parked", columns: []string{
		"id INTEGER PRIMARY KEY", "target TEXT NOT NULL", "segment INTEGER NOT NULL", "status INTEGER NOT NULL",
		"reason TEXT NOT NULL", "line TEXT NOT NULL"}}
	// Format 3.
	spoiledTable = &table{name: "spoiled", columns: []string{
		"id INTEGER PRIMARY KEY", "station TEXT NOT NULL", "t_ns INTEGER NOT NULL", "reason TEXT NOT NULL",
		"marked_unix_ns INTEGER NOT NULL"}}
	noteRunTable = &table{name: "note_runs", columns: []string{"note INTEGER PRIMARY KEY", "run INTEGER NOT NULL"}}
	benchTable   = &table{name: "bench_checks", columns: []string{
		"id INTEGER PRIMARY KEY", "t_ns INTEGER NOT NULL", "moment TEXT NOT NULL", "station TEXT NOT NULL", "step TEXT NOT NULL",
		"value_kPa ANY", "u_kPa ANY", "scatter_kPa ANY", "lo_kPa ANY", "hi_kPa ANY", "passed INTEGER", "why TEXT NOT NULL"}}
	clockTable = &table{name: "clock", columns: []string{
		"id INTEGER PRIMARY KEY", "t_ns INTEGER NOT NULL", "unix_ns INTEGER NOT NULL", "why TEXT NOT NULL"}}
	latenessTable = &table{name: "lateness", columns: []string{
		"id INTEGER PRIMARY KEY", "from_ns INTEGER NOT NULL", "to_ns INTEGER NOT NULL", "bus TEXT NOT NULL", "device TEXT NOT NULL",
		"polls INTEGER NOT NULL", "merged INTEGER NOT NULL", "errors INTEGER NOT NULL", "p50_s ANY", "p99_s ANY", "max_s ANY"}}
	// Format 4.
	pickFigureTable = &table{name: "pick_figures", columns: []string{"pick INTEGER PRIMARY KEY", "data BLOB NOT NULL"}}

	tallyTable = &table{name: "tally", key: "name", columns: []string{
		"name TEXT NOT NULL", "row_count INTEGER NOT NULL", "crc_sum INTEGER NOT NULL"}}
)

// addedBy lists the tables that each format added, in the order in which they are made;
// tally, which is not counted itself, ends those of format 1.
var addedBy = [][]*table{
	{headerTable, blockTable, runTable, setupTable, pieceTable, noteTable, setTable, pickTable, figureTable, eventTable},
	{analysisTable, finishedTable, outboxTable, deliveryTable, parkedTable},
	{spoiledTable, noteRunTable, benchTable, clockTable, latenessTable},
	{pickFigureTable},
}

// tallied returns the tables of a format that tally counts, in the order of FORMAT.md.
func tallied(format int) []*table { return slices.Concat(addedBy[:format]...) }

// statement returns the SQL that creates the table, exactly as it stands in the file.
func (tb *table) statement() string {
	columns := append(append([]string{}, tb.columns...), "crc INTEGER NOT NULL")
	options := "STRICT"
	switch {
	case tb.key == "":
	case strings.Contains(columns[0], "PRIMARY KEY"):
		columns = append(columns, "UNIQUE ("+tb.key+")")
	default:
		columns = append(columns, "PRIMARY KEY ("+tb.key+")")
		options = "STRICT, WITHOUT ROWID"
	}
	return "CREATE TABLE " + tb.name + " (\n  " + strings.Join(columns, ",\n  ") + "\n) " + options
}

// schema returns every statement that makes an empty trial file of a format.
func schema(format int) []string {
	var statements []string
	for f, tables := range addedBy[:format] {
		for _, tb := range tables {
			statements = append(statements, tb.statement())
		}
		if f == 0 {
			statements = append(statements, tallyTable.statement())
		}
	}
	return statements
}

func (tb *table) insertStatement() string {
	return "INSERT INTO " + tb.name + " VALUES (?" + strings.Repeat(", ?", len(tb.columns)) + ")"
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

var checksumBuffers = sync.Pool{New: func() any { return new([]byte) }}

// checksum returns the CRC-32C of a row: the table's name, then each value with a letter
// for its type. Values are nil, int64, float64, string or []byte.
func (tb *table) checksum(values []any) (int64, error) {
	buffer := checksumBuffers.Get().(*[]byte)
	b, sum := append((*buffer)[:0], tb.name...), uint32(0)
	defer func() { *buffer = b; checksumBuffers.Put(buffer) }()
	for _, v := range values {
		switch v := v.(type) {
		case nil:
			b = append(b, 'n')
		case int64:
			b = binary.LittleEndian.AppendUint64(append(b, 'i'), uint64(v))
		case float64:
			b = binary.LittleEndian.AppendUint64(append(b, 'f'), math.Float64bits(v))
		case string:
			b = binary.LittleEndian.AppendUint64(append(b, 't'), uint64(len(v)))
			b = append(b, v...)
		case []byte:
			b = binary.LittleEndian.AppendUint64(append(b, 'b'), uint64(len(v)))
			sum = crc32.Update(crc32.Update(sum, castagnoli, b), castagnoli, v)
			b = b[:0]
		default:
			return 0, fmt.Errorf("%w: table %s: value of type %T", ErrDamaged, tb.name, v)
		}
	}
	return int64(crc32.Update(sum, castagnoli, b)), nil
}

// stored returns v as the file holds it: NaN as NULL, integers as int64.
func stored(v any) any {
	switch v := v.(type) {
	case int:
		return int64(v)
	case bool:
		if v {
			return int64(1)
		}
		return int64(0)
	case float64:
		if math.IsNaN(v) {
			return nil
		}
	case []byte:
		if v == nil {
			return nil
		}
	}
	return v
}

// A row is one row whose checksum is right, read from left to right. After the first
// value of a wrong type err is set and all that follows is zero.
type row struct {
	table  *table
	values []any
	crc    int64
	at     int
	err    error
}

func next[T any](r *row) (v T) {
	if r.err != nil {
		return v
	}
	if r.at >= len(r.values) {
		r.err = fmt.Errorf("%w: table %s: too few columns", ErrDamaged, r.table.name)
		return v
	}
	got := r.values[r.at]
	v, ok := got.(T)
	if !ok {
		r.err = fmt.Errorf("%w: table %s: %T in column %s", ErrDamaged, r.table.name, got, r.table.columns[r.at])
	}
	r.at++
	return v
}

func (r *row) int() int64   { return next[int64](r) }
func (r *row) text() string { return next[string](r) }

// float returns a number, NaN where it is NULL.
func (r *row) float() float64 {
	if r.null() {
		return math.NaN()
	}
	return next[float64](r)
}

// bytes returns a blob, which is valid as long as the row, nil where it is NULL.
func (r *row) bytes() []byte {
	if r.null() {
		return nil
	}
	return next[[]byte](r)
}

// null reports whether the next value is NULL, and if so passes it.
func (r *row) null() bool {
	if r.err == nil && r.at < len(r.values) && r.values[r.at] == nil {
		r.at++
		return true
	}
	return false
}

// A querier is a connection, a pool of them or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// A borrower takes a value that is valid until the next Scan: blobs are not copied.
type borrower struct{ into *any }

func (b borrower) Scan(v any) error {
	*b.into = v
	return nil
}

// rows yields the rows that clause selects (such as "WHERE n = ? ORDER BY n"), each with
// its checksum verified, and valid until the next one. The first error ends it.
func (tb *table) rows(q querier, clause string, args ...any) iter.Seq2[*row, error] {
	return func(yield func(*row, error) bool) {
		found, err := q.QueryContext(context.Background(), "SELECT * FROM "+tb.name+" "+clause, args...)
		if err != nil {
			yield(nil, fmt.Errorf("table %s: %w", tb.name, err))
			return
		}
		defer found.Close()
		width := len(tb.columns) + 1
		values, targets := make([]any, width), make([]any, width)
		for i := range values {
			targets[i] = borrower{&values[i]}
		}
		r := &row{table: tb, values: values[:width-1]}
		for found.Next() {
			if err := found.Scan(targets...); err != nil {
				yield(nil, fmt.Errorf("%w: table %s: %w", ErrDamaged, tb.name, err))
				return
			}
			sum, err := tb.checksum(values[:width-1])
			if err == nil && values[width-1] != any(sum) {
				err = fmt.Errorf("%w: table %s: checksum of row %v is wrong", ErrDamaged, tb.name, values[0])
			}
			if err != nil {
				yield(nil, err)
				return
			}
			r.crc, r.at, r.err = sum, 0, nil
			if !yield(r, nil) {
				return
			}
			if r.err != nil {
				yield(nil, r.err)
				return
			}
		}
		if err := found.Err(); err != nil {
			yield(nil, fmt.Errorf("table %s: %w", tb.name, err))
		}
	}
}

// A count is number and sum of the rows of a table.
type count struct{ rows, sum int64 }

func (c count) add(crc int64) count    { return count{c.rows + 1, (c.sum + crc) & math.MaxUint32} }
func (c count) remove(crc int64) count { return count{c.rows - 1, (c.sum - crc) & math.MaxUint32} }

// readTally returns the count of each table of a format.
func readTally(q querier, format int) (map[string]count, error) {
	counts := map[string]count{}
	for r, err := range tallyTable.rows(q, "") {
		if err != nil {
			return nil, err
		}
		name := r.text()
		counts[name] = count{r.int(), r.int()}
	}
	for _, tb := range tallied(format) {
		if _, ok := counts[tb.name]; !ok {
			return nil, fmt.Errorf("%w: table tally: no row for %s", ErrDamaged, tb.name)
		}
	}
	return counts, nil
}
