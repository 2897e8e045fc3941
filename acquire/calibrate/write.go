package calibrate

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"griptrial/config"
)

// Block returns the calibration as a rig file states it, on one line.
func (l Line) Block(unit string, at time.Time) string {
	s := fmt.Sprintf("{offset: %s %s, scale: %s %s", exact(l.Offset), unit, exact(l.Scale), unit)
	if !math.IsNaN(l.OffsetU) {
		// Their difference in squares counts where the points lie: five digits keep it.
		s += fmt.Sprintf(", offset_u: %.5g %s, scale_u: %.5g %s, center: %s", l.OffsetU, unit, l.ScaleU, unit, exact(l.CenterCount))
	}
	return s + fmt.Sprintf(", points: %d, date: %s}", l.Points, at.Format(time.DateOnly))
}

// exact returns a number that reads back as the same.
func exact(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

var oldBlock = regexp.MustCompile(`,?\s*calibration: \{[^}]*\}`)

// Write returns the text of a rig file with the calibration of one channel put in or
// replaced, and everything else, comments too, as it was. The result was read again: the
// channel has the line, and the other channels are unchanged.
func Write(path string, text []byte, channel, block string) ([]byte, error) {
	before, err := config.ParseRig(path, text)
	if err != nil {
		return nil, err
	}
	lines := strings.SplitAfter(string(text), "\n")
	name := regexp.MustCompile(`^(\s*)- (\{)?\s*name: *["']?` + regexp.QuoteMeta(channel) + `["']?\s*(,|#|\r?\n|$)`)
	for i, l := range lines {
		m := name.FindStringSubmatch(l)
		if m == nil {
			continue
		}
		changed := append([]string(nil), lines...)
		if m[2] == "{" { // the whole channel on one line
			end := strings.LastIndex(l, "}")
			if end < 0 {
				continue
			}
			body := oldBlock.ReplaceAllString(l[:end+1], "")
			end = strings.LastIndex(body, "}")
			tail := l[strings.LastIndex(l, "}")+1:]
			changed[i] = body[:end] + ", calibration: " + block + "}" + tail
		} else {
			indent := m[1] + "  "
			if !strings.HasSuffix(l, "\n") {
				changed[i] += "\n"
			}
			for j := i + 1; j < len(lines) && (strings.HasPrefix(lines[j], indent) || strings.TrimSpace(lines[j]) == ""); j++ {
				if strings.HasPrefix(lines[j], indent+"calibration: {") {
					changed[j] = ""
				}
			}
			changed[i] += indent + "calibration: " + block + "\n"
		}
		out := []byte(strings.Join(changed, ""))
		if after, err := config.ParseRig(path, out); err == nil && onlyChanged(before, after, channel) {
			return out, nil
		}
	}
	return nil, fmt.Errorf("%s: no place found for the calibration of channel %q; put in by hand: calibration: %s", path, channel, block)
}

// onlyChanged reports whether after has a calibration for the channel, and everything else
// as before.
func onlyChanged(before, after *config.Rig, channel string) bool {
	type seen struct {
		offset, scale float64
		calibrated    bool
	}
	all := func(r *config.Rig) map[string]seen {
		m := map[string]seen{}
		for p := range r.Channels() {
			m[p.Channel.Name] = seen{p.Channel.Offset, p.Channel.Scale, p.Channel.Calibrated != nil}
		}
		return m
	}
	b, a := all(before), all(after)
	if len(a) != len(b) || !a[channel].calibrated {
		return false
	}
	for name, x := range b {
		if name != channel && a[name] != x {
			return false
		}
	}
	return true
}
