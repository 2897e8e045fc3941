package forward

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"griptrial/store"
)

// A Server is what answers at the URL, as far as it tells.
type Server struct {
	Kind     string   // "victoriametrics", "influxdb" or "unknown"
	Warnings []string // why points may get lost or doubled there
}

// Probe asks the server what it is, and warns where its settings lose or double points.
func (f *Forwarder) Probe(ctx context.Context) Server {
	s := Server{Kind: "unknown"}
	// Its own metrics name the flags that it runs with.
	flags := map[string]string{}
	if body, _, err := f.get(ctx, "/metrics", nil); err == nil {
		lines := bufio.NewScanner(body)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			l := lines.Text()
			if strings.HasPrefix(l, "vm_app_version") {
				s.Kind = "victoriametrics"
			}
			if rest, ok := strings.CutPrefix(l, `flag{name="`); ok {
				name, rest, _ := strings.Cut(rest, `"`)
				_, rest, _ = strings.Cut(rest, `value="`)
				flags[name], _, _ = strings.Cut(rest, `"`)
			}
		}
		body.Close()
	}
	switch s.Kind {
	case "victoriametrics":
		if d, err := time.ParseDuration(flags["dedup.minScrapeInterval"]); err != nil || d <= 0 {
			s.Warnings = append(s.Warnings, "the server keeps points that are sent twice; start it with -dedup.minScrapeInterval=1ms")
		} else if d > time.Millisecond {
			s.Warnings = append(s.Warnings, fmt.Sprintf("the server keeps one point in %v of a series (-dedup.minScrapeInterval); use 1ms", d))
		}
		if days := retentionDays(flags["retentionPeriod"]); days < 365 {
			s.Warnings = append(s.Warnings, fmt.Sprintf("the server drops points older than %s without a word; start it with -retentionPeriod=10y", retentionText(flags["retentionPeriod"])))
		}
	default:
		body, header, err := f.get(ctx, "/ping", nil)
		if err != nil {
			s.Warnings = append(s.Warnings, "the server does not answer yet: "+f.hide(err.Error()))
			return s
		}
		body.Close()
		if header.Get("X-Influxdb-Version") != "" {
			s.Kind = "influxdb"
			s.Warnings = append(s.Warnings, f.retention(ctx)...)
			return s
		}
		s.Warnings = append(s.Warnings, "the server does not tell what it is: points may be doubled or dropped for their age without a word")
	}
	return s
}

// retention warns where an InfluxDB bucket keeps points for a short time.
func (f *Forwarder) retention(ctx context.Context) (warnings []string) {
	db, policy, _ := strings.Cut(f.o.Bucket, "/")
	err := f.query(ctx, url.Values{"q": {"SHOW RETENTION POLICIES ON " + quote(db)}}, func(r series) {
		name, duration, is := slices.Index(r.Columns, "name"), slices.Index(r.Columns, "duration"), slices.Index(r.Columns, "default")
		for _, v := range r.Values {
			if name < 0 || duration < 0 || is < 0 || len(v) != len(r.Columns) {
				continue
			}
			if n, _ := v[name].(string); n != policy && (policy != "" || v[is] != true) {
				continue
			}
			text, _ := v[duration].(string)
			if d, err := time.ParseDuration(text); err == nil && d > 0 && d < 365*24*time.Hour {
				warnings = append(warnings, fmt.Sprintf("the server drops points of this bucket after %v", d))
			}
		}
	})
	if err != nil {
		warnings = append(warnings, "the bucket's retention cannot be had: "+f.hide(err.Error()))
	}
	return warnings
}

// retentionDays reads a -retentionPeriod: months where it has no suffix, else h, d, w, y.
func retentionDays(s string) float64 {
	unit := 31.0
	for suffix, days := range map[string]float64{"h": 1.0 / 24, "d": 1, "w": 7, "y": 365} {
		if rest, ok := strings.CutSuffix(s, suffix); ok {
			s, unit = rest, days
		}
	}
	n, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0
	}
	return n * unit
}

func retentionText(s string) string {
	if s == "" {
		return "it tells"
	}
	if _, err := strconv.ParseFloat(s, 64); err == nil {
		return s + " months"
	}
	return s
}

// A Reconciled says what reconciling found.
type Reconciled struct {
	Segments, Lines int64 // that the server had acknowledged
	Missing         int64 // lines of which it did not have every field
	Resent          int64
	StillMissing    int64 // after resending, asked once more
	Doubled         int64 // points that it has more than once
	Parked          int64 // lines that it refused before; they are not counted as missing
}

// Reconcile counts the points of every acknowledged segment back and sends the lines that
// are missing again, byte by byte as before. A 2xx proves nothing on a server that loses
// what it had not written to disk.
func (f *Forwarder) Reconcile(ctx context.Context) (r Reconciled, err error) {
	kind := f.Probe(ctx).Kind
	if kind == "unknown" {
		return r, fmt.Errorf("%s: cannot be asked for its points: neither an InfluxQL nor an export interface answers", f.o.URL)
	}
	parked, err := f.file.ParkedLines(f.target)
	if err != nil {
		return r, err
	}
	refused := map[string]bool{}
	for _, p := range parked {
		refused[p.Line] = true
	}
	r.Parked = int64(len(refused))
	box, err := f.file.Outbox(f.target)
	if err != nil {
		return r, err
	}
	var again []store.Segment
	for s, err := range f.file.Segments(0) {
		if err != nil {
			return r, err
		}
		if s.N > box.Sent {
			break // not acknowledged: Run sends it
		}
		if s.Lines == 0 {
			continue
		}
		r.Segments++
		r.Lines += int64(s.Lines)
		missing, doubled, err := f.missing(ctx, kind, s, refused)
		if err != nil {
			return r, err
		}
		r.Doubled += doubled
		if len(missing) == 0 {
			continue
		}
		r.Missing += int64(len(missing))
		bad, err := f.take(ctx, missing)
		if err != nil {
			return r, err
		}
		for _, p := range bad {
			refused[p.Line] = true
		}
		r.Resent += int64(len(missing) - len(bad))
		f.note(func(st *Status) { st.Resent += uint64(len(missing) - len(bad)) })
		again = append(again, store.Segment{N: s.N})
	}
	if len(again) == 0 {
		return r, nil
	}
	// What was sent is to be seen only a second later.
	if err := f.o.wait(ctx, 2*time.Second); err != nil {
		return r, err
	}
	for _, s := range again {
		if s, err = f.file.Segment(s.N); err != nil {
			return r, err
		}
		missing, _, err := f.missing(ctx, kind, s, refused)
		if err != nil {
			return r, err
		}
		r.StillMissing += int64(len(missing))
	}
	return r, nil
}

// missing returns the lines of a segment that the server does not have whole.
func (f *Forwarder) missing(ctx context.Context, kind string, s store.Segment, refused map[string]bool) (lines []string, doubled int64, err error) {
	have := map[string]int{}
	seen := func(key, field string, ms int64) { have[fmt.Sprint(key, "\x00", field, "\x00", ms)]++ }
	if kind == "victoriametrics" {
		err = f.export(ctx, s.FirstMS, s.LastMS, seen)
	} else {
		err = f.selectAll(ctx, s.FirstMS, s.LastMS, seen)
	}
	if err != nil {
		return nil, 0, fmt.Errorf("count points back: %w", err)
	}
	for _, n := range have {
		doubled += int64(n - 1)
	}
	for line := range strings.Lines(string(s.Text)) {
		line = strings.TrimSuffix(line, "\n")
		p, err := parse(line)
		if err != nil {
			return nil, 0, fmt.Errorf("outbox segment %d: %w", s.N, err)
		}
		whole := true
		for _, name := range p.fields {
			whole = whole && have[fmt.Sprint(p.series, "\x00", name, "\x00", p.ms)] > 0
		}
		if !whole && !refused[line] {
			lines = append(lines, line)
		}
	}
	return lines, doubled, nil
}

// export reads a time span back through /api/v1/export: a JSON object a line and series.
func (f *Forwarder) export(ctx context.Context, firstMS, lastMS int64, seen func(key, field string, ms int64)) error {
	// Makes what came last visible; nothing depends on it.
	if body, _, err := f.get(ctx, "/internal/force_flush", nil); err == nil {
		body.Close()
	}
	match := fmt.Sprintf(`{__name__=~"griptrial_.+",rig=%s,trial=%s}`, strconv.Quote(tag(f.o.Labels.Rig)), strconv.Quote(tag(f.o.Labels.Trial)))
	body, _, err := f.get(ctx, "/api/v1/export", url.Values{"match[]": {match},
		"start": {fmt.Sprintf("%.3f", float64(firstMS)/1000)}, "end": {fmt.Sprintf("%.3f", float64(lastMS)/1000)}})
	if err != nil {
		return err
	}
	defer body.Close()
	for d := json.NewDecoder(body); ; {
		var s struct {
			Metric     map[string]string `json:"metric"`
			Timestamps []int64           `json:"timestamps"`
		}
		if err := d.Decode(&s); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
		name := s.Metric["__name__"]
		delete(s.Metric, "__name__")
		measurement, field := name, ""
		for _, m := range measurements {
			if rest, ok := strings.CutPrefix(name, m+"_"); ok {
				measurement, field = m, rest
			}
		}
		key := seriesKey(measurement, s.Metric)
		for _, ms := range s.Timestamps {
			seen(key, field, ms)
		}
	}
}

var measurements = []string{pickMeasurement, eventMeasurement, runMeasurement, soakMeasurement, healthMeasurement, traceMeasurement}

// tag returns a tag's value as the server holds it.
func tag(v string) string {
	return strings.NewReplacer(`\,`, ",", `\ `, " ", `\=`, "=").Replace(escape(v))
}

type series struct {
	Name    string            `json:"name"`
	Tags    map[string]string `json:"tags"`
	Columns []string          `json:"columns"`
	Values  [][]any           `json:"values"`
}

// selectAll reads a time span back by InfluxQL.
func (f *Forwarder) selectAll(ctx context.Context, firstMS, lastMS int64, seen func(key, field string, ms int64)) error {
	where := fmt.Sprintf("time >= %dms AND time <= %dms", firstMS, lastMS)
	for name, v := range map[string]string{"rig": f.o.Labels.Rig, "trial": f.o.Labels.Trial} {
		if v = tag(v); v != "" {
			where += " AND " + quote(name) + " = '" + strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(v) + "'"
		}
	}
	from := "/^griptrial_.*/"
	if _, policy, ok := strings.Cut(f.o.Bucket, "/"); ok {
		from = quote(policy) + "." + from
	}
	return f.query(ctx, url.Values{"q": {"SELECT * FROM " + from + " WHERE " + where + " GROUP BY *"}, "epoch": {"ms"}, "chunked": {"true"}},
		func(s series) {
			key := seriesKey(s.Name, s.Tags)
			for _, v := range s.Values {
				if len(v) != len(s.Columns) {
					continue
				}
				ms, _ := v[0].(json.Number)
				at, err := ms.Int64()
				for i := 1; i < len(v) && err == nil; i++ {
					if v[i] != nil {
						seen(key, s.Columns[i], at)
					}
				}
			}
		})
}

func quote(name string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(name) + `"`
}

// query asks by InfluxQL and hands every series on, in parts.
func (f *Forwarder) query(ctx context.Context, q url.Values, each func(series)) error {
	db, _, _ := strings.Cut(f.o.Bucket, "/")
	q.Set("db", db)
	body, _, err := f.get(ctx, "/query", q)
	if err != nil {
		return err
	}
	defer body.Close()
	d := json.NewDecoder(body)
	d.UseNumber()
	for {
		var answer struct {
			Error   string `json:"error"`
			Results []struct {
				Error  string   `json:"error"`
				Series []series `json:"series"`
			} `json:"results"`
		}
		if err := d.Decode(&answer); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
		for _, r := range answer.Results {
			if r.Error != "" {
				answer.Error = r.Error
			}
			for _, s := range r.Series {
				each(s)
			}
		}
		if answer.Error != "" {
			return fmt.Errorf("the server says: %s", f.hide(answer.Error))
		}
	}
}

// get asks the server for a page; the caller closes the body. A long answer may take as long as
// it takes; one that stands still for the time-out of a request ends with an error.
func (f *Forwarder) get(ctx context.Context, path string, q url.Values) (io.ReadCloser, http.Header, error) {
	u := f.base.JoinPath(path)
	u.RawQuery = q.Encode()
	ctx, give := context.WithCancelCause(ctx)
	cancel := func() { give(fmt.Errorf("the server said nothing for %v", f.o.Timeout)) }
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, u.String(), nil)
	if err != nil {
		cancel()
		return nil, nil, err
	}
	if f.o.Token != "" {
		request.Header.Set("Authorization", "Token "+f.o.Token)
	}
	patient := *f.http
	patient.Timeout = 0
	answer, err := patient.Do(request)
	if err != nil {
		cancel()
		return nil, nil, fmt.Errorf("%s", f.hide(err.Error()))
	}
	answer.Body = &watched{ReadCloser: answer.Body, within: f.o.Timeout, cancel: cancel, stall: time.AfterFunc(f.o.Timeout, cancel)}
	if answer.StatusCode/100 != 2 {
		said, _ := io.ReadAll(io.LimitReader(answer.Body, 300))
		answer.Body.Close()
		return nil, nil, fmt.Errorf("%s: %s: %s", path, answer.Status, f.hide(string(said)))
	}
	return answer.Body, answer.Header, nil
}

// watched is a body that is given up when nothing comes for a while.
type watched struct {
	io.ReadCloser
	within time.Duration
	stall  *time.Timer
	cancel func()
}

func (w *watched) Read(p []byte) (int, error) {
	n, err := w.ReadCloser.Read(p)
	w.stall.Reset(w.within)
	return n, err
}

func (w *watched) Close() error {
	w.stall.Stop()
	defer w.cancel()
	return w.ReadCloser.Close()
}
