package csvfile

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"griptrial/acquire/sample"
)

// Read reads a table: a header line of column names, then one scan a row.
//
// Columns lie between commas, semicolons or tabs; numbers have a decimal point, or a
// decimal comma where columns lie between semicolons or tabs. Empty cells, nan, NA and
// null are missing samples. Switched columns may also say true or false, on or off. A
// byte order mark, lines that begin with # before the header, blank lines and rows
// without any cell filled are passed over.
//
// A count is the cell as an integer: value × 10^places, exact, with one number of decimal
// places for each column: the most that a cell has, but at most 9 for numbers not in
// exponent form, and no more than keep the largest count within 15 digits, what a float64
// always carries; beyond that it is rounded. Channel.Resolution is the smallest step
// between values of the column, Channel.Scale holds unit and sign, Channel.Offset the
// ambient of absolute pressures.
//
// A switched column without a threshold is on above half its range over the whole file; one
// that never changes is off if it is 0 and else on.
//
// The whole table is kept in memory: 8 bytes a row for time and for each column, and as
// much again for one column while its steps are found. An error is one line that begins
// with name, and comes with no File.
func Read(r io.Reader, name string, o Options) (*File, error) {
	t, err := newTable(r, name, o)
	if err != nil {
		return nil, err
	}
	for {
		row, err := t.csv.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, t.broken(err)
		}
		if err := t.add(row); err != nil {
			return nil, err
		}
	}
	return t.file()
}

// A table is a file while it is read.
type table struct {
	name string
	o    Options
	csv  *csv.Reader

	linesBefore int // lines before the first that csv sees
	cells       int // of the header
	columns     []*column
	timeIndex   int
	timeTimes   int64 // 1 of the time column is timeTimes × 10^-timePlaces ns
	timePlaces  int
	timeSpec    string // as written: a header may hold the unit itself
	groupIndex  int    // -1 without groups

	started    bool // a row was read
	clock      bool // times are RFC 3339
	mark       byte // decimal mark seen, 0 for none yet
	markLine   int
	comma      bool // columns lie between commas
	recordings []*recording
	byGroup    map[string]*recording
}

// A recording is a Recording while it is read.
type recording struct {
	group   string
	last    int64 // time of the last row
	ordered bool
	equal   int
	pieces  []piece
}

// fault returns an error at a line; column may be "".
func (t *table) fault(line int, column, format string, args ...any) error {
	text := fmt.Sprintf(format, args...)
	if column != "" {
		text = column + ": " + text
	}
	return fmt.Errorf("%s:%d: %s", t.name, line, text)
}

// broken words an error of the csv package or of what it reads from.
func (t *table) broken(err error) error {
	var p *csv.ParseError
	if errors.As(err, &p) {
		return t.fault(p.Line+t.linesBefore, "", "%v (column of text %d)", p.Err, p.Column)
	}
	return fmt.Errorf("%s: %w", t.name, err)
}

// maxHeader bounds the length of a header line.
const maxHeader = 1 << 20

func newTable(r io.Reader, name string, o Options) (*table, error) {
	t := &table{name: name, o: o, groupIndex: -1, byGroup: map[string]*recording{}}
	if err := t.checkOptions(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	in := bufio.NewReaderSize(r, maxHeader)
	header, err := t.headerText(in)
	if err != nil {
		return nil, err
	}
	names, delimiter, err := t.split(header)
	if err != nil {
		return nil, err
	}
	if err := t.find(names); err != nil {
		return nil, err
	}
	t.linesBefore += strings.Count(header, "\n")
	t.cells = len(names)
	t.comma = delimiter == ','
	t.csv = csv.NewReader(in)
	t.csv.Comma = delimiter
	t.csv.FieldsPerRecord = -1 // checked here, to word it
	t.csv.ReuseRecord = true
	return t, nil
}

func (t *table) checkOptions() error {
	switch t.o.Sign {
	case Positive, Negative, Absolute:
	case "":
		t.o.Sign = Positive
	default:
		return fmt.Errorf("vacuum sign %q; want positive, negative or absolute", t.o.Sign)
	}
	if t.o.AmbientKPa <= 0 || math.IsInf(t.o.AmbientKPa, 0) {
		return fmt.Errorf("an ambient of %v kPa is no pressure of air", t.o.AmbientKPa)
	}
	if len(t.o.Columns) == 0 {
		return errors.New("no columns are asked for")
	}
	name, unit, err := parseTimeColumn(t.o.Time)
	if err != nil {
		return err
	}
	// Times is whole for every unit of time, and Over a power of ten.
	t.timeSpec = strings.TrimSpace(t.o.Time)
	t.o.Time, t.timeTimes, t.timePlaces = name, int64(unit.Times), int(math.Round(math.Log10(unit.Over)))-9
	for _, c := range t.o.Columns {
		if !c.Kind.Switched() {
			if _, err := c.unit(t.o.AmbientKPa); err != nil {
				return fmt.Errorf("%s: %s: %w", c.Kind, c.Name, err)
			}
		}
		t.columns = append(t.columns, &column{Column: c})
	}
	return nil
}

// headerText returns the header with its line ends: one line, or more where quotes hold
// some. What comes before it is passed over.
func (t *table) headerText(in *bufio.Reader) (string, error) {
	header := ""
	for first := true; ; first = false {
		b, err := in.ReadSlice('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			if errors.Is(err, bufio.ErrBufferFull) {
				return "", t.fault(t.linesBefore+1, "", "no end of line within %d bytes; is this a table of text?", maxHeader)
			}
			return "", fmt.Errorf("%s: %w", t.name, err)
		}
		if first {
			if bytes.HasPrefix(b, []byte("\xff\xfe")) || bytes.HasPrefix(b, []byte("\xfe\xff")) {
				return "", t.fault(1, "", "the text is UTF-16; save it as UTF-8")
			}
			b = bytes.TrimPrefix(b, []byte("\xef\xbb\xbf"))
		}
		line := string(b)
		atEnd := errors.Is(err, io.EOF)
		text := strings.TrimSpace(line)
		// A spreadsheet may write sep=; first. The delimiter is found without.
		if header == "" && (text == "" || text[0] == '#' || strings.HasPrefix(text, "sep=")) {
			if atEnd {
				return "", fmt.Errorf("%s: no header line of column names", t.name)
			}
			t.linesBefore++
			continue
		}
		header += line
		if atEnd || strings.Count(header, `"`)%2 == 0 {
			return header, nil
		}
		if len(header) > maxHeader {
			return "", t.fault(t.linesBefore+1, "", "a quote in the header does not end within %d bytes", maxHeader)
		}
	}
}

// split returns the names in the header and the delimiter: the one of tab, semicolon and
// comma that yields all columns asked for, else the one that yields the most columns.
func (t *table) split(header string) (names []string, delimiter rune, err error) {
	for _, d := range []rune{'\t', ';', ','} {
		r := csv.NewReader(strings.NewReader(header))
		r.Comma = d
		found, e := r.Read()
		if e != nil {
			var p *csv.ParseError
			if errors.As(e, &p) {
				e = p.Err
			}
			err = t.fault(t.linesBefore+1, "", "header: %v", e)
			continue
		}
		for i := range found {
			found[i] = strings.TrimSpace(found[i])
		}
		if len(t.missing(found)) == 0 {
			return found, d, nil
		}
		if len(found) > len(names) {
			names, delimiter = found, d
		}
	}
	if names != nil {
		err = nil
	}
	return names, delimiter, err
}

// wanted yields each column asked for: its name and, if that is another, its name as written.
func (t *table) wanted() [][2]string {
	w := [][2]string{{t.o.Time, t.timeSpec}}
	if t.o.Group != "" {
		w = append(w, [2]string{t.o.Group, t.o.Group})
	}
	for _, c := range t.columns {
		spec := c.spec
		if spec == "" {
			spec = c.Name
		}
		w = append(w, [2]string{c.Name, spec})
	}
	return w
}

// lookup returns the index of the column called name, else of that called spec, else -1.
func lookup(names []string, name, spec string) (index, times int) {
	for _, want := range []string{name, spec} {
		index, times = -1, 0
		for i, n := range names {
			if n == want {
				if times == 0 {
					index = i
				}
				times++
			}
		}
		if times > 0 {
			return index, times
		}
	}
	return -1, 0
}

func (t *table) missing(names []string) []string {
	var m []string
	for _, w := range t.wanted() {
		if i, _ := lookup(names, w[0], w[1]); i < 0 {
			m = append(m, w[0])
		}
	}
	return m
}

// find sets the index of each column asked for.
func (t *table) find(names []string) error {
	line := t.linesBefore + 1
	if m := t.missing(names); len(m) > 0 {
		numbers := 0
		for _, n := range names {
			if _, ok := parseDecimal(n); ok {
				numbers++
			}
		}
		if numbers > 0 && 2*numbers >= len(names) {
			return t.fault(line, "", "found %s, want a header line of column names", shorten(strings.Join(names, " ")))
		}
		return t.fault(line, "", "no column %s; there are %s", strings.Join(m, ", "), shorten(strings.Join(names, ", ")))
	}
	indices := make([]int, 0, len(t.columns)+2)
	for _, w := range t.wanted() {
		i, times := lookup(names, w[0], w[1])
		if times > 1 {
			return t.fault(line, "", "%d columns are called %s", times, names[i])
		}
		indices = append(indices, i)
	}
	t.timeIndex, indices = indices[0], indices[1:]
	if t.o.Group != "" {
		t.groupIndex, indices = indices[0], indices[1:]
	}
	for i, c := range t.columns {
		c.index = indices[i]
		c.Name = names[c.index]
	}
	return nil
}

// shorten keeps a message on one line of bearable length.
func shorten(s string) string {
	const longest = 200
	if len(s) > longest {
		s = strings.ToValidUTF8(s[:longest], "") + " …"
	}
	return strings.Map(func(r rune) rune {
		if r < ' ' {
			return ' '
		}
		return r
	}, s)
}

// add adds a row.
func (t *table) add(row []string) error {
	line, _ := t.csv.FieldPos(0)
	line += t.linesBefore
	blank := true
	for i, cell := range row {
		row[i] = strings.TrimSpace(cell)
		blank = blank && row[i] == ""
	}
	if blank {
		return nil
	}
	for len(row) > t.cells && row[len(row)-1] == "" { // a delimiter at the end of each row
		row = row[:len(row)-1]
	}
	if len(row) != t.cells {
		hint := ""
		if t.comma && len(row) > t.cells {
			hint = "; a decimal comma needs semicolons or tabs between columns"
		}
		return t.fault(line, "", "found %d cells, the header has %d%s", len(row), t.cells, hint)
	}
	ns, err := t.time(line, row[t.timeIndex])
	if err != nil {
		return err
	}
	group := ""
	if t.groupIndex >= 0 {
		if group = row[t.groupIndex]; group == "" {
			return t.fault(line, t.o.Group, "found an empty cell, want the group of the row")
		}
	}
	var cells [16]decimal // most tables stay off the heap
	var gaps [16]bool
	values, missing := cells[:0], gaps[:0]
	for _, c := range t.columns {
		d, gap, err := t.number(line, c, row[c.index])
		if err != nil {
			return err
		}
		values, missing = append(values, d), append(missing, gap)
	}

	r := t.byGroup[group]
	switch {
	case r == nil:
		group = strings.Clone(group) // else it keeps the whole row
		r = &recording{group: group, ordered: true}
		t.byGroup[group] = r
		t.recordings = append(t.recordings, r)
	case ns <= r.last:
		if !t.o.Sort {
			in := ""
			if group != "" {
				in = fmt.Sprintf(" in group %s", shorten(group))
			}
			return t.fault(line, "", "time %s is not after %s%s; --sort orders them", t.instant(ns), t.instant(r.last), in)
		}
		r.ordered = false
	}
	r.last = ns
	if n := len(r.pieces); n == 0 || len(r.pieces[n-1].t) == scansPerBatch {
		r.pieces = append(r.pieces, newPiece(min(n, 1)*scansPerBatch, len(t.columns)))
	}
	p := &r.pieces[len(r.pieces)-1]
	p.t = append(p.t, ns)
	for i, c := range t.columns {
		n := int64(sample.Missing)
		if !missing[i] {
			n = c.count(values[i], func(by int) { t.rescale(i, by) })
		}
		p.counts[i] = append(p.counts[i], n)
	}
	return nil
}

// rescale multiplies the counts of column i so far by 10^by.
func (t *table) rescale(i, by int) {
	for _, r := range t.recordings {
		for _, p := range r.pieces {
			for j, n := range p.counts[i] {
				if n != sample.Missing {
					p.counts[i][j], _ = shift(n, by) // fits: the largest does
				}
			}
		}
	}
}

// Text that stands for no sample, in lower case.
func isMissing(s string) bool {
	switch len(s) {
	case 0:
		return true
	case 2, 3, 4:
		return strings.EqualFold(strings.TrimLeft(s, "+-"), "nan") || strings.EqualFold(s, "na") || strings.EqualFold(s, "null")
	}
	return false
}

func (t *table) number(line int, c *column, s string) (d decimal, missing bool, err error) {
	d, ok := parseDecimal(s)
	switch {
	case ok:
		return d, false, t.checkMark(line, c.Name, s, d.mark)
	case isMissing(s):
		return d, true, nil
	case c.Kind.Switched() && (strings.EqualFold(s, "true") || strings.EqualFold(s, "on")):
		return decimal{mantissa: 1}, false, nil
	case c.Kind.Switched() && (strings.EqualFold(s, "false") || strings.EqualFold(s, "off")):
		return decimal{}, false, nil
	}
	return d, false, t.fault(line, c.Name, "found %q, want a number, or an empty cell where there is none", shorten(s))
}

// checkMark refuses a table that uses both decimal marks: one of them would then be
// between thousands, and which one is a guess.
func (t *table) checkMark(line int, name, s string, mark byte) error {
	if mark == 0 || mark == t.mark {
		return nil
	}
	if mark == ',' && t.comma {
		return t.fault(line, name, "found %q; a decimal comma needs semicolons or tabs between columns", shorten(s))
	}
	if t.mark != 0 {
		return t.fault(line, name, "found %q, but the decimal mark in line %d is %q", shorten(s), t.markLine, t.mark)
	}
	t.mark, t.markLine = mark, line
	return nil
}

// time returns the time in a cell in ns: the file's own, or since 1970 for RFC 3339.
func (t *table) time(line int, s string) (int64, error) {
	d, ok := parseDecimal(s)
	if !t.started {
		t.started = true
		t.clock = !ok && strings.ContainsRune(s, ':')
	}
	if t.clock {
		at, err := time.Parse(time.RFC3339Nano, s)
		if err != nil && len(s) > 10 && s[10] == ' ' { // RFC 3339, 5.6: applications may use a space
			at, err = time.Parse(time.RFC3339Nano, s[:10]+"T"+s[11:])
		}
		switch {
		case err != nil:
			return 0, t.fault(line, t.o.Time, "found %q, want an RFC 3339 instant such as 2026-03-02T06:30:00.125Z", shorten(s))
		case at.Year() < 1700 || at.Year() > 2200: // what int64 ns hold, rounded
			return 0, t.fault(line, t.o.Time, "found %s, want a year from 1700 to 2200", s)
		}
		return at.UnixNano(), nil
	}
	if !ok {
		return 0, t.fault(line, t.o.Time, "found %q, want seconds or an RFC 3339 instant", shorten(s))
	}
	if err := t.checkMark(line, t.o.Time, s, d.mark); err != nil {
		return 0, err
	}
	ns, ok := d.inNS(t.timeTimes, t.timePlaces)
	if !ok {
		return 0, t.fault(line, t.o.Time, "found %s, which is too long a time", shorten(s))
	}
	return ns, nil
}

// longestNS keeps differences of times within int64.
const longestNS = math.MaxInt64 / 4

// inNS returns d in ns where 1 of it is times × 10^-places ns, rounded once.
func (d decimal) inNS(times int64, places int) (int64, bool) {
	if d.mantissa > math.MaxInt64/times || d.mantissa < -math.MaxInt64/times {
		d.mantissa, _ = shift(d.mantissa, -4) // leaves 14 digits at least
		d.places -= 4
	}
	d.mantissa *= times
	ns, ok := d.at(-places)
	return ns, ok && ns > -longestNS && ns < longestNS
}

// instant words a time for people.
func (t *table) instant(ns int64) string {
	if t.clock {
		return time.Unix(0, ns).UTC().Format(time.RFC3339Nano)
	}
	return strconv.FormatFloat(float64(ns)/1e9, 'f', -1, 64) + " s"
}
