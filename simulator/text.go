package simulator

import (
	"bytes"
	"fmt"
	"math"
	"regexp"
	"regexp/syntax"
	"slices"
	"strconv"
	"strings"
	"time"

	"griptrial/config"
)

// A textLine writes the lines of a text device.
type textLine struct {
	line    config.Line
	pattern *regexp.Regexp // nil: columns
	tree    *syntax.Regexp
	fields  []textField
}

// A textField is one number in a line.
type textField struct {
	sensor int // index into the rig's sensors
	name   string
	column int // from 1, where lines have columns
	digits int // after the point
}

func newTextLine(l config.Line) (*textLine, error) {
	x := &textLine{line: l}
	if l.Pattern == "" {
		return x, nil
	}
	var err error
	if x.pattern, err = regexp.Compile(l.Pattern); err != nil {
		return nil, err
	}
	x.tree, err = syntax.Parse(l.Pattern, syntax.Perl)
	return x, err
}

// add places a channel's number.
func (x *textLine) add(c *config.Channel, sensor int) error {
	f := textField{sensor: sensor, name: c.Field}
	step := c.Register.Step
	if step == 0 {
		step = math.Abs(c.Scale)
	}
	f.digits = max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
	if x.pattern == nil {
		var err error
		if f.column, err = strconv.Atoi(c.Field); err != nil || f.column < 1 || f.column > 1000 {
			return fmt.Errorf("field %q; want the number of a column from 1", c.Field)
		}
	} else if x.pattern.SubexpIndex(c.Field) < 0 {
		return fmt.Errorf("field %q is no group of the line's pattern", c.Field)
	}
	x.fields = append(x.fields, f)
	return nil
}

// write returns the line that shows the numbers, one for each field, with its check sum and
// terminator.
func (x *textLine) write(numbers []float64) (string, error) {
	var s string
	if x.pattern == nil {
		most := 1
		for _, f := range x.fields {
			most = max(most, f.column)
		}
		columns := slices.Repeat([]string{"0"}, most)
		for i, f := range x.fields {
			columns[f.column-1] = strconv.FormatFloat(numbers[i], 'f', f.digits, 64)
		}
		s = strings.Join(columns, x.line.Separator)
	} else {
		var b strings.Builder
		if err := x.generate(&b, x.tree, numbers); err != nil {
			return "", err
		}
		if s = b.String(); !x.pattern.MatchString(s) {
			return "", fmt.Errorf("no line for the pattern %q; the nearest is %q", x.line.Pattern, s)
		}
	}
	end := x.line.Terminator
	if end == "" {
		end = "\n"
	}
	return s + checksum(x.line.Checksum, s) + end, nil
}

// checksum returns what ends a line before its terminator: two hexadecimal digits of the
// bytes' exclusive or or sum, or four of their CRC-16 (that of Modbus).
func checksum(kind, s string) string {
	xor, sum := byte(0), byte(0)
	for _, c := range []byte(s) {
		xor ^= c
		sum += c
	}
	switch kind {
	case "xor":
		return fmt.Sprintf("%02X", xor)
	case "sum":
		return fmt.Sprintf("%02X", sum)
	case "crc16":
		return fmt.Sprintf("%04X", crc16([]byte(s)))
	}
	return ""
}

// generate writes the plainest text that the pattern takes, with the numbers in its groups:
// nothing where nothing will do, once what may be repeated, the first of alternatives.
func (x *textLine) generate(b *strings.Builder, re *syntax.Regexp, numbers []float64) error {
	switch re.Op {
	case syntax.OpLiteral:
		b.WriteString(string(re.Rune))
	case syntax.OpCharClass:
		if len(re.Rune) == 0 {
			break
		}
		r := re.Rune[0]
		for i := 0; i+1 < len(re.Rune); i += 2 { // printable where there is a choice
			if re.Rune[i] <= ' ' && ' ' <= re.Rune[i+1] {
				r = ' '
			}
		}
		b.WriteRune(r)
	case syntax.OpAnyChar, syntax.OpAnyCharNotNL:
		b.WriteByte('0')
	case syntax.OpPlus:
		return x.generate(b, re.Sub[0], numbers)
	case syntax.OpRepeat:
		for range re.Min {
			if err := x.generate(b, re.Sub[0], numbers); err != nil {
				return err
			}
		}
	case syntax.OpAlternate:
		return x.generate(b, re.Sub[0], numbers)
	case syntax.OpConcat:
		for _, sub := range re.Sub {
			if err := x.generate(b, sub, numbers); err != nil {
				return err
			}
		}
	case syntax.OpCapture:
		i := slices.IndexFunc(x.fields, func(f textField) bool { return f.name == re.Name && re.Name != "" })
		if i < 0 {
			return x.generate(b, re.Sub[0], numbers)
		}
		s, err := x.number(re.Sub[0], numbers[i], x.fields[i].digits)
		b.WriteString(s)
		return err
	}
	return nil
}

// number writes a number so that the group takes it: with a sign if it must, with leading
// zeros, with fewer or more digits.
func (x *textLine) number(re *syntax.Regexp, v float64, digits int) (string, error) {
	group, err := regexp.Compile("^(?:" + re.String() + ")$")
	if err != nil {
		return "", err
	}
	for _, d := range []int{digits, digits + 1, 1, 2, 3, 0} {
		for _, form := range []string{"%.*f", "%+.*f", "%0*.*f", "%+0*.*f"} {
			for width := range 12 {
				var s string
				if strings.Contains(form, "0*") {
					s = fmt.Sprintf(form, width, d, v)
				} else {
					s = fmt.Sprintf(form, d, v)
				}
				if group.MatchString(s) {
					return s, nil
				}
				if !strings.Contains(form, "0*") {
					break
				}
			}
		}
	}
	return "", fmt.Errorf("no number such as %.*f for the pattern %q", digits, v, re)
}

// text writes lines: on being polled, or by itself.
func (w *wire) text(chunks <-chan []byte, failed <-chan error) error {
	d := w.b.devices[0]
	every := time.Duration(max(1e-3, d.streamS()) * float64(time.Second))
	tick := time.NewTicker(every)
	defer tick.Stop()
	poll := []byte(d.text.line.Poll)
	var asked []byte
	for {
		due := 0
		select {
		case <-w.ctx.Done():
			return nil
		case err := <-failed:
			return err
		case c := <-chunks:
			if len(poll) == 0 {
				continue // a device that streams does not listen
			}
			asked = append(asked, c...)
			for i := bytes.Index(asked, poll); i >= 0; i = bytes.Index(asked, poll) {
				asked = asked[i+len(poll):]
				due++
			}
			if len(asked) > 4096 {
				asked = nil
			}
		case <-tick.C:
			if len(poll) == 0 {
				due = 1
			}
		}
		for range due {
			f := w.b.decide(Request{Conn: w.conn, Unit: byte(d.unit)})
			s, err := w.b.rig.textOf(d)
			if err != nil {
				return err
			}
			out := []byte(s)
			if f.BadCRC {
				out[0] ^= 0x10
			}
			if f.Fewer > 0 {
				out = out[min(f.Fewer, len(out)):]
			}
			if w.paced {
				w.pause(w.b.charS() * float64(len(out)))
			}
			w.pause(f.Delay.Seconds())
			if err := f.send(w.line, out); err != nil {
				return err
			}
		}
	}
}

// streamS returns how often a device that streams sends a line, s: as often as it is
// refreshed, ten times a second where that is not stated.
func (d *device) streamS() float64 {
	switch {
	case d.intervalS > 0:
		return d.intervalS
	case d.updateS > 0:
		return d.updateS
	}
	return 0.1
}

// textOf returns the line that a device shows at present.
func (r *Rig) textOf(d *device) (string, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance(r.sinceStart(), d)
	numbers := make([]float64, len(d.text.fields))
	for i, f := range d.text.fields {
		x := r.sensors[f.sensor].held
		step := x.step
		if step == 0 {
			step = 1
		}
		numbers[i] = float64(x.count) * step
	}
	return d.text.write(numbers)
}
