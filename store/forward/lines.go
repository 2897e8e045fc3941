package forward

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"griptrial/acquire/sample"
	"griptrial/analyze/pick"
	"griptrial/store"
)

// Measurements that are sent, each with the tags rig and trial. Every field is a float; a
// number that cannot be had is left out, and a line without fields is not sent.
const (
	pickMeasurement   = "griptrial_pick"   // + station, setup; at the pick's end
	eventMeasurement  = "griptrial_event"  // + station, kind
	runMeasurement    = "griptrial_run"    // at the run's start
	soakMeasurement   = "griptrial_soak"   // + station; every soakPicks picks
	healthMeasurement = "griptrial_health" // of the recorder
	traceMeasurement  = "griptrial_trace"  // + station, channel
)

const soakPicks = 100

// Labels tell the points of one trial from those of others.
type Labels struct{ Rig, Trial string }

// A builder collects the lines of one segment.
type builder struct {
	labels Labels
	anchor time.Time
	text   []byte
	lines  int
	first  int64
	last   int64
	latest map[string]int64 // latest time of each series: a server may keep one point a millisecond only
	perMS  int64            // stamps a millisecond: 1, or 1e6 where they are ns
}

type field struct {
	name  string
	value float64
}

// at returns the Unix time of s seconds of the trial's time: whole milliseconds, as a stamp.
func (b *builder) at(s float64) int64 {
	return b.anchor.Add(time.Duration(math.Round(s*1000))*time.Millisecond).UnixMilli() * b.perMS
}

// add appends a line. tags are names and values in turn, names sorted behind rig and trial
// by the caller's choice of them.
func (b *builder) add(measurement string, tags []string, fields []field, at int64) {
	fields = slices.DeleteFunc(fields, func(f field) bool { return math.IsNaN(f.value) || math.IsInf(f.value, 0) })
	if len(fields) == 0 {
		return
	}
	b.addTo(b.series(measurement, tags), fields, at)
}

// series returns the head of a line.
func (b *builder) series(measurement string, tags []string) string {
	all := [][2]string{{"rig", b.labels.Rig}, {"trial", b.labels.Trial}}
	for i := 0; i+1 < len(tags); i += 2 {
		all = append(all, [2]string{tags[i], tags[i+1]})
	}
	slices.SortFunc(all, func(x, y [2]string) int { return strings.Compare(x[0], y[0]) })
	head := []byte(measurement)
	for _, t := range all {
		if v := escape(t[1]); v != "" { // an empty tag is no tag
			head = append(append(append(append(head, ','), t[0]...), '='), v...)
		}
	}
	return string(head)
}

// addTo appends a line to a series; fields are finite numbers.
func (b *builder) addTo(series string, fields []field, at int64) {
	b.text = append(b.text, series...)
	if before, ok := b.latest[series]; ok && at <= before {
		at = before + b.perMS
	}
	b.latest[series] = at
	for i, f := range fields {
		b.text = append(b.text, " ,"[min(i, 1)])
		b.text = append(append(b.text, f.name...), '=')
		b.text = strconv.AppendFloat(b.text, f.value, 'g', -1, 64)
	}
	b.text = strconv.AppendInt(append(b.text, ' '), at, 10)
	b.text = append(b.text, '\n')
	if b.lines++; b.lines == 1 {
		b.first, b.last = at, at
	}
	b.first, b.last = min(b.first, at), max(b.last, at)
}

// escape writes a tag's value. A backslash has no escape of its own, and a line ends at a
// line break, so these are replaced; a value is cut at 120 bytes.
func escape(v string) string {
	v = strings.ToValidUTF8(v, "?")
	v = strings.Map(func(r rune) rune {
		switch {
		case r == '\\':
			return '/'
		case r < ' ' || r == 0x7f:
			return ' '
		}
		return r
	}, v)
	v = strings.TrimSpace(v)
	for len(v) > 120 {
		v = strings.TrimSpace(strings.ToValidUTF8(v[:120], ""))
	}
	return tagEscapes.Replace(v)
}

var tagEscapes = strings.NewReplacer(",", `\,`, " ", `\ `, "=", `\=`)

func flag(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

func (b *builder) pick(p *pick.Pick, setup string) {
	at := p.EndS
	for _, s := range []float64{p.ReleaseS, p.DropS, p.SealedAtS, p.StartS} {
		if math.IsNaN(at) {
			at = s
		}
	}
	if math.IsNaN(at) {
		return // nothing of it has a time
	}
	fields := []field{{"n", float64(p.N)}, {"run", float64(p.Run)}}
	for _, o := range []pick.Outcome{pick.Released, pick.Dropped, pick.Unsealed, pick.Ended, pick.Open} {
		fields = append(fields, field{string(o), flag(p.Outcome == o)})
	}
	fields = append(fields, field{"re_seals", float64(p.ReSeals)}, field{"below_required_s", p.BelowRequiredS},
		field{"touched_by_gap", flag(p.TouchedByGap)}, field{"idle_level_kpa", p.IdleLevelKPa}, field{"required_kpa", p.RequiredKPa})
	for name, f := range store.Figures(p) {
		name = strings.ToLower(name)
		fields = append(fields, field{name, f.Value}, field{name + "_u", f.U})
	}
	b.add(pickMeasurement, []string{"setup", setup, "station", p.Station}, fields, b.at(at))
}

func (b *builder) event(e pick.Event) {
	if !math.IsNaN(e.TS) {
		b.add(eventMeasurement, []string{"kind", string(e.Kind), "station", e.Station}, []field{{"pick", float64(e.Pick)}}, b.at(e.TS))
	}
}

func (b *builder) run(r store.Run) {
	b.add(runMeasurement, nil, []field{{"run", float64(r.N)}, {"planned_picks", float64(r.PlannedPicks)}}, b.at(float64(r.StartNS)/1e9))
}

// soak sums up picks of one station.
func (b *builder) soak(picks []pick.Pick) {
	if len(picks) == 0 {
		return
	}
	n := map[pick.Outcome]float64{}
	var energy, seal []float64
	for i := range picks {
		n[picks[i].Outcome]++
		if picks[i].EnergyJ.OK() {
			energy = append(energy, picks[i].EnergyJ.Value)
		}
		if picks[i].SealTimeS.OK() {
			seal = append(seal, picks[i].SealTimeS.Value)
		}
	}
	mean := math.NaN()
	if len(energy) > 0 {
		mean = 0
		for _, e := range energy {
			mean += e / float64(len(energy))
		}
	}
	slices.Sort(seal)
	at := func(share float64) float64 { // the share's quantile, no interpolation
		if len(seal) == 0 {
			return math.NaN()
		}
		return seal[min(len(seal)-1, int(math.Ceil(share*float64(len(seal))))-1)]
	}
	last := &picks[len(picks)-1]
	if math.IsNaN(last.EndS) {
		return
	}
	b.add(soakMeasurement, []string{"station", last.Station}, []field{{"picks", float64(len(picks))}, {"upto_pick", float64(last.N)},
		{"dropped", n[pick.Dropped]}, {"unsealed", n[pick.Unsealed]}, {"released", n[pick.Released]},
		{"energy_mean_j", mean}, {"seal_time_p50_s", at(0.5)}, {"seal_time_p95_s", at(0.95)}}, b.at(last.EndS))
}

func (b *builder) health(fields map[string]float64, at time.Time) {
	var all []field
	for name, v := range fields {
		all = append(all, field{name, v})
	}
	slices.SortFunc(all, func(x, y field) int { return strings.Compare(x.name, y.name) })
	b.add(healthMeasurement, nil, all, at.UnixMilli()*b.perMS)
}

// A chunk is the samples of a trace that become one point a channel.
type chunk struct {
	groups  []sample.Group
	firstNS int64
	lastNS  int64
	scans   int
	of      map[[2]int]*extentAt
}

// An Extent is what samples of one channel come to. The zero Extent has none.
type Extent struct {
	least, most, sum float64
	n                int
}

// Add takes a value; a NaN is passed over.
func (e *Extent) Add(v float64) {
	if math.IsNaN(v) {
		return
	}
	if e.n++; e.n == 1 {
		e.least, e.most = v, v
	}
	e.least, e.most = min(e.least, v), max(e.most, v)
	e.sum += v
}

// Values returns least, greatest and mean, NaN without a sample.
func (e *Extent) Values() (least, most, mean float64) {
	if e.n == 0 {
		return math.NaN(), math.NaN(), math.NaN()
	}
	return e.least, e.most, e.sum / float64(e.n)
}

type extentAt struct {
	Extent
	ns int64 // of its first sample
}

// push adds a batch and reports whether the chunk spans the time given.
func (c *chunk) push(x sample.Batch, spanNS int64) bool {
	for i, t := range x.T {
		if c.scans++; c.scans == 1 {
			c.firstNS, c.lastNS = t, t
		}
		c.lastNS = max(c.lastNS, t)
		for k := range x.Counts {
			v := c.groups[x.Group].Channels[k].Value(x.Counts[k][i])
			if math.IsNaN(v) {
				continue
			}
			e := c.of[[2]int{x.Group, k}]
			if e == nil {
				e = &extentAt{ns: t}
				c.of[[2]int{x.Group, k}] = e
			}
			e.Add(v)
		}
	}
	return c.scans > 0 && c.lastNS-c.firstNS >= spanNS
}

func (b *builder) trace(c *chunk) {
	for g := range c.groups {
		for k := range c.groups[g].Channels {
			if e := c.of[[2]int{g, k}]; e != nil {
				b.extent(&c.groups[g].Channels[k], b.at(float64(e.ns)/1e9), &e.Extent)
			}
		}
	}
}

func (b *builder) extent(c *sample.Channel, at int64, e *Extent) {
	least, most, mean := e.Values()
	if e.n == 0 {
		return
	}
	b.add(traceMeasurement, []string{"channel", c.Name, "station", c.Station},
		[]field{{"min", least}, {"max", most}, {"mean", mean}, {"scans", float64(e.n)}}, at)
}

// Lines writes the lines that a Forwarder sends, with stamps in ns, the default of line
// protocol.
type Lines struct {
	b      builder
	series map[*sample.Channel]string // of traces
}

// NewLines returns Lines of a trial whose time zero is anchor.
func NewLines(l Labels, anchor time.Time) *Lines {
	return &Lines{builder{labels: l, anchor: anchor, latest: map[string]int64{}, perMS: 1e6}, map[*sample.Channel]string{}}
}

// Pick adds a pick of a setup.
func (l *Lines) Pick(p *pick.Pick, setup string) { l.b.pick(p, setup) }

// Sample adds one value of a channel, at ns of the trial's time; no line for a NaN.
func (l *Lines) Sample(c *sample.Channel, ns int64, v float64) {
	if math.IsNaN(v) {
		return
	}
	series := l.series[c]
	if series == "" {
		series = l.b.series(traceMeasurement, []string{"channel", c.Name, "station", c.Station})
		l.series[c] = series
	}
	l.b.addTo(series, []field{{"value", v}}, l.b.anchor.UnixNano()+ns)
}

// Extent adds what samples of a channel from ns on come to; no line without a sample.
func (l *Lines) Extent(c *sample.Channel, ns int64, e *Extent) {
	l.b.extent(c, l.b.anchor.UnixNano()+ns, e)
}

// Flush writes the lines added since the last one.
func (l *Lines) Flush(w io.Writer) error {
	_, err := w.Write(l.b.text)
	l.b.text = l.b.text[:0]
	return err
}

// A point is a line taken apart.
type point struct {
	series string // measurement and sorted tags, as seriesKey gives them
	fields []string
	ms     int64
}

// seriesKey names a series in one way, whatever server it comes back from.
func seriesKey(measurement string, tags map[string]string) string {
	var b strings.Builder
	b.WriteString(measurement)
	var names []string
	for name := range tags {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		if tags[name] != "" {
			fmt.Fprintf(&b, "\x00%s\x00%s", name, tags[name])
		}
	}
	return b.String()
}

// parse takes a line that add wrote apart.
func parse(line string) (p point, err error) {
	parts := cut(line, ' ')
	if len(parts) != 3 {
		return p, fmt.Errorf("line %q has %d parts", line, len(parts))
	}
	if p.ms, err = strconv.ParseInt(parts[2], 10, 64); err != nil {
		return p, err
	}
	heads := cut(parts[0], ',')
	tags := map[string]string{}
	for _, t := range heads[1:] {
		kv := cut(t, '=')
		if len(kv) != 2 {
			return p, fmt.Errorf("tag %q", t)
		}
		tags[kv[0]] = strings.NewReplacer(`\,`, ",", `\ `, " ", `\=`, "=").Replace(kv[1])
	}
	p.series = seriesKey(heads[0], tags)
	for _, f := range strings.Split(parts[1], ",") {
		name, _, _ := strings.Cut(f, "=")
		p.fields = append(p.fields, name)
	}
	return p, nil
}

// cut splits at every sep that no backslash precedes.
func cut(s string, sep byte) (parts []string) {
	from := 0
	for i := 0; i < len(s); i++ {
		if s[i] == sep && (i == 0 || s[i-1] != '\\') {
			parts = append(parts, s[from:i])
			from = i + 1
		}
	}
	return append(parts, s[from:])
}
