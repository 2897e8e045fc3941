package export

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// csvTable writes RFC 4180 with "\n": a head of names, numbers in full precision, empty
// cells where there is no answer.
type csvTable struct {
	w       *bufio.Writer
	columns []column
	line    []byte
}

func newCSV(w io.Writer, columns []column) (*csvTable, error) {
	t := &csvTable{w: bufio.NewWriterSize(w, 1<<16), columns: columns}
	for i, c := range columns {
		if i > 0 {
			t.line = append(t.line, ',')
		}
		t.line = appendText(t.line, c.name)
	}
	t.line = append(t.line, '\n')
	_, err := t.w.Write(t.line)
	return t, err
}

func appendText(line []byte, s string) []byte {
	if strings.ContainsAny(s, ",\"\r\n") {
		return append(append(append(line, '"'), strings.ReplaceAll(s, `"`, `""`)...), '"')
	}
	return append(line, s...)
}

func (t *csvTable) row(cells []cell) error {
	if len(cells) != len(t.columns) {
		return fmt.Errorf("%d cells for %d columns", len(cells), len(t.columns))
	}
	t.line = t.line[:0]
	for i, c := range cells {
		if i > 0 {
			t.line = append(t.line, ',')
		}
		if c.none {
			continue
		}
		switch t.columns[i].kind {
		case number:
			t.line = strconv.AppendFloat(t.line, c.f, 'g', -1, 64)
		case integer:
			t.line = strconv.AppendInt(t.line, c.i, 10)
		case flag:
			t.line = strconv.AppendBool(t.line, c.i != 0)
		case instant:
			t.line = time.Unix(0, c.i).UTC().AppendFormat(t.line, "2006-01-02T15:04:05.000000000Z")
		default:
			t.line = appendText(t.line, c.s)
		}
	}
	t.line = append(t.line, '\n')
	_, err := t.w.Write(t.line)
	return err
}

func (t *csvTable) close() error { return t.w.Flush() }
