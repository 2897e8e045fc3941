package textline

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"griptrial/acquire/sample"
	"griptrial/config"
)

// Why a line gave no values.
var (
	errChecksum = errors.New("checksum wrong or missing")
	errForm     = errors.New("line not in the form that the rig states")
)

// A decoder turns the lines of one device into counts.
type decoder struct {
	separator []byte
	pattern   *regexp.Regexp
	checksum  string
	fields    []field
}

// A field is where a channel's number stands: a column from 0 or a group of the pattern.
type field struct {
	at   int
	step float64
}

func newDecoder(d config.Device) (*decoder, error) {
	dec := &decoder{separator: []byte(d.Line.Separator), checksum: d.Line.Checksum}
	if d.Line.Pattern != "" {
		pattern, err := regexp.Compile(d.Line.Pattern)
		if err != nil {
			return nil, fmt.Errorf("device %s: line.pattern: %w", d.Name, err)
		}
		dec.pattern = pattern
	} else if d.Line.Separator == "" {
		return nil, fmt.Errorf("device %s: neither separator nor pattern", d.Name)
	}
	switch d.Line.Checksum {
	case "", "none", "xor", "sum", "crc16":
	default:
		return nil, fmt.Errorf("device %s: checksum %q is not known; want none, xor, sum or crc16", d.Name, d.Line.Checksum)
	}
	for _, c := range d.Channels {
		f := field{step: c.StepSize()}
		if !(f.step > 0 && f.step < math.Inf(1)) {
			return nil, fmt.Errorf("device %s: channel %s: needs a resolution or a scale that is not 0, as its counts are whole steps", d.Name, c.Name)
		}
		if dec.pattern != nil {
			f.at = dec.pattern.SubexpIndex(c.Field)
		} else if n, err := strconv.Atoi(c.Field); err == nil {
			f.at = n - 1
		} else {
			f.at = -1
		}
		if f.at < 0 {
			return nil, fmt.Errorf("device %s: channel %s: field %q is not in a line", d.Name, c.Name, c.Field)
		}
		dec.fields = append(dec.fields, f)
	}
	return dec, nil
}

// decode appends the raw counts of a line, without its terminator, to row: the number in
// steps of the channel, rounded, halves away from zero; sample.Missing where the field is
// empty or the count beyond ±2^53. A line in which any number cannot be read, or none is
// there, gives none: it is damaged. The errors are errChecksum and errForm.
func (d *decoder) decode(line []byte, row []int64) ([]int64, error) {
	line, ok := d.check(line)
	if !ok {
		return nil, errChecksum
	}
	var columns [][]byte
	if d.pattern != nil {
		columns = d.pattern.FindSubmatch(line)
		if columns == nil {
			return nil, errForm
		}
	} else {
		columns = bytes.Split(line, d.separator)
	}
	start := len(row)
	for _, f := range d.fields {
		if f.at >= len(columns) {
			return nil, errForm
		}
		n, ok := count(string(bytes.TrimSpace(columns[f.at])), f.step)
		if !ok {
			return nil, errForm
		}
		row = append(row, n)
	}
	if !slices.ContainsFunc(row[start:], func(n int64) bool { return n != sample.Missing }) {
		return nil, errForm
	}
	return row, nil
}

// number is how devices write numbers. strconv alone would take "inf", "0x1p-2" and "1_0" too.
var number = regexp.MustCompile(`^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?$`)

// count returns the number in text in steps, and false where it holds none.
func count(text string, step float64) (int64, bool) {
	if text == "" {
		return sample.Missing, true
	}
	if !number.MatchString(text) {
		// Some devices leave blanks between the sign and the digits.
		sign, digits := text[:1], strings.TrimLeft(text[1:], " ")
		if sign != "+" && sign != "-" || !number.MatchString(sign+digits) {
			return 0, false
		}
		text = sign + digits
	}
	x, err := strconv.ParseFloat(text, 64)
	if n := math.Round(x / step); err == nil && math.Abs(n) <= 1<<53 {
		return int64(n), true
	}
	return sample.Missing, true
}

// check returns line without its checksum, and whether that is right.
//
// The checksum is in hexadecimal at the line's end, the high digit first, with a "*" before
// it or not: two digits for xor and for the sum of all bytes modulo 256, four for crc16
// (that of Modbus). It is over all bytes before it, less a "$" or "!" that begins the line
// and the "*", as in sentences of NMEA 0183.
func (d *decoder) check(line []byte) ([]byte, bool) {
	digits := 2
	switch d.checksum {
	case "", "none":
		return line, true
	case "crc16":
		digits = 4
	}
	line = bytes.TrimRight(line, " \t\r\n\x00")
	if len(line) < digits {
		return nil, false
	}
	at := len(line) - digits
	stated, err := strconv.ParseUint(string(line[at:]), 16, 16)
	if err != nil {
		return nil, false
	}
	data := bytes.TrimSuffix(line[:at], []byte("*"))
	sum := data
	if len(sum) > 0 && (sum[0] == '$' || sum[0] == '!') {
		sum = sum[1:]
	}
	var is uint16
	switch d.checksum {
	case "crc16":
		is = config.CRC16(sum)
	case "xor":
		for _, b := range sum {
			is ^= uint16(b)
		}
	case "sum":
		for _, b := range sum {
			is += uint16(b)
		}
		is &= 0xFF
	}
	return data, uint64(is) == stated
}
