package export

import (
	"fmt"
	"io"
	"reflect"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
)

// rowGroup bounds what a Parquet file holds in memory: a row group is written at once.
const rowGroup = 1 << 14

// parquetTable writes a Parquet file with Zstandard. The file's metadata say the unit of
// each column, as JSON under griptrial.units.
type parquetTable struct {
	w       *parquet.GenericWriter[any]
	columns []column
	rows    []parquet.Row
}

// A schema keeps its columns in their order; parquet.Group would sort them.
type schema struct {
	parquet.Group
	fields []parquet.Field
}

func (s schema) Fields() []parquet.Field { return s.fields }

type field struct {
	parquet.Node
	name string
}

func (f field) Name() string                           { return f.name }
func (f field) Value(base reflect.Value) reflect.Value { return base.MapIndex(reflect.ValueOf(f.name)) }

func newParquet(w io.Writer, columns []column, about map[string]string) *parquetTable {
	s := schema{Group: parquet.Group{}}
	for _, c := range columns {
		var n parquet.Node
		switch c.kind {
		case number:
			n = parquet.Optional(parquet.Leaf(parquet.DoubleType))
		case integer:
			n = parquet.Optional(parquet.Int(64))
		case flag:
			n = parquet.Optional(parquet.Leaf(parquet.BooleanType))
		case instant:
			n = parquet.Optional(parquet.Timestamp(parquet.Nanosecond))
		default:
			n = parquet.Optional(parquet.Encoded(parquet.String(), &parquet.RLEDictionary))
		}
		s.Group[c.name] = n
		s.fields = append(s.fields, field{n, c.name})
	}
	options := []parquet.WriterOption{parquet.NewSchema("griptrial", s), parquet.Compression(&zstd.Codec{}), parquet.MaxRowsPerRowGroup(rowGroup),
		parquet.KeyValueMetadata("griptrial.units", unitsJSON(columns))}
	for k, v := range about {
		options = append(options, parquet.KeyValueMetadata(k, v))
	}
	return &parquetTable{w: parquet.NewGenericWriter[any](w, options...), columns: columns}
}

func (t *parquetTable) row(cells []cell) error {
	if len(cells) != len(t.columns) {
		return fmt.Errorf("%d cells for %d columns", len(cells), len(t.columns))
	}
	var row parquet.Row
	if n := len(t.rows); n < cap(t.rows) {
		row = t.rows[:n+1][n][:0]
	}
	for i, c := range cells {
		v, defined := parquet.Value{}, 1
		switch {
		case c.none:
			defined = 0
		case t.columns[i].kind == number:
			v = parquet.DoubleValue(c.f)
		case t.columns[i].kind == flag:
			v = parquet.BooleanValue(c.i != 0)
		case t.columns[i].kind == text:
			v = parquet.ByteArrayValue([]byte(c.s))
		default:
			v = parquet.Int64Value(c.i)
		}
		row = append(row, v.Level(0, defined, i))
	}
	if t.rows = append(t.rows, row); len(t.rows) == 256 {
		return t.flush()
	}
	return nil
}

func (t *parquetTable) flush() error {
	_, err := t.w.WriteRows(t.rows)
	t.rows = t.rows[:0]
	return err
}

func (t *parquetTable) close() error {
	if err := t.flush(); err != nil {
		return err
	}
	return t.w.Close()
}
