package main

import (
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/store"
	"griptrial/store/forward"
	"griptrial/store/forward/testserver"
)

// A dashboard is what of a Grafana dashboard the test looks at.
type dashboard struct {
	Templating struct {
		List []struct{ Name, Type, Query string }
	}
	Panels []struct {
		Type, Title, Description string
		Targets                  []struct{ Expr, Query, RefID string }
		GridPos                  struct{ X, Y, W, H int }
	}
}

// A shown is one series of a query's answer: its labels, and the values.
type shown struct {
	labels map[string]string
	values []float64
}

const dashboardRig = "twin test gripper, bench 1"

// dashboardTrial records, without a wire, a garden-supplies hall, and returns the file
// and how long it is.
func dashboardTrial(t *testing.T) (file *store.Trial, end time.Time) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "soak.gtrial")
	code, _, errs := command(t, "simulate", "../../testdata/rigs/io-block-tcp.yaml", "--fast", "--picks", "60", "--out", path)
	require.Equal(t, exitDone, code, errs)
	file, err := store.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, file.Close()) })
	picks, err := file.Picks(1, "")
	require.NoError(t, err)
	last := 0.0
	for _, p := range picks {
		last = max(last, p.EndS)
	}
	return file, file.Header().AnchorUTC.Add(time.Duration(last*float64(time.Second)) + 2*time.Second).Truncate(time.Second)
}

// dashboardInterval is what the panels' interval is in the test.
const dashboardInterval = 30 * time.Second

// Every query of every panel gives, on the real server, the rows that the trial's own picks
// say.
func TestDashboards(t *testing.T) {
	if testing.Short() {
		t.Skip("real servers")
	}
	for _, kind := range []string{"victoriametrics", "influxdb"} {
		t.Run(kind, func(t *testing.T) {
			text, err := os.ReadFile(filepath.Join("../../report/dashboards", "fleet-"+kind+".json"))
			require.NoError(t, err)
			var d dashboard
			require.NoError(t, json.Unmarshal(text, &d))
			var server *testserver.Server
			if kind == "influxdb" {
				server = testserver.InfluxDB(t, "griptrial")
			} else {
				server = testserver.VictoriaMetrics(t, "-dedup.minScrapeInterval=1ms", "-retentionPeriod=10y", "-search.latencyOffset=0s")
			}
			file, end := dashboardTrial(t)
			start := file.Header().AnchorUTC.Add(-time.Second).Truncate(time.Second)
			f, err := forward.New(file, forward.Options{URL: server.URL, Bucket: "griptrial", Labels: forward.Labels{Rig: dashboardRig, Trial: "soak"}})
			require.NoError(t, err)
			defer f.Close()
			require.NoError(t, f.Drain(t.Context()))
			addHealth(t, file, start)
			require.NoError(t, f.Drain(t.Context()))
			if kind == "victoriametrics" {
				server.Get("/internal/force_flush", nil)
			}
			for _, v := range d.Templating.List {
				if v.Type == "query" {
					assert.Equal(t, map[string][]string{"rig": {dashboardRig}, "trial": {"soak"}}[v.Name], variableValues(t, server, kind, v.Query), v.Name)
				}
			}
			seen := map[string]bool{}
			for i, p := range d.Panels {
				if p.Type == "row" {
					continue
				}
				for _, q := range d.Panels[:i] { // no two panels overlap
					assert.False(t, p.GridPos.X < q.GridPos.X+q.GridPos.W && q.GridPos.X < p.GridPos.X+p.GridPos.W && p.GridPos.Y < q.GridPos.Y+q.GridPos.H && q.GridPos.Y < p.GridPos.Y+p.GridPos.H, "%s over %s", p.Title, q.Title)
				}
				assert.NotEmpty(t, p.Description, p.Title)
				check := dashboardWants[p.Title]
				require.NotNil(t, check, "panel %q is not tested", p.Title)
				seen[p.Title] = true
				require.NotEmpty(t, p.Targets, p.Title)
				for k, target := range p.Targets {
					got := ask(t, server, target.Expr, target.Query, start, end)
					t.Run(p.Title, func(t *testing.T) { check(t, kind, k, picksOf(t, file), start, end, got) })
				}
			}
			assert.Len(t, seen, len(dashboardWants))
		})
	}
}

// failedPolls is how many polls failed while a recorder told of its health.
const failedPolls = 40

// addHealth puts into the outbox what a recorder says of itself every 3 s.
func addHealth(t *testing.T, file *store.Trial, start time.Time) {
	t.Helper()
	box, err := file.Outbox("")
	require.NoError(t, err)
	s := store.Segment{FirstMS: start.UnixMilli(), Upto: box.Upto}
	for i := range 30 {
		s.LastMS = start.Add(time.Duration(i) * 3 * time.Second).UnixMilli()
		s.Text = fmt.Appendf(s.Text, "griptrial_health,rig=%s,trial=soak polls_failed=%d,late_p99_s=0.00125,commit_s=0.003 %d\n",
			strings.NewReplacer(",", `\,`, " ", `\ `).Replace(dashboardRig), min(failedPolls, max(0, i-12)*10), s.LastMS)
		s.Lines++
	}
	_, err = file.AddSegment(s)
	require.NoError(t, err)
}

func picksOf(t *testing.T, file *store.Trial) []dashboardPick {
	rows, err := readRows(file, 1, "")
	require.NoError(t, err)
	var picks []dashboardPick
	for _, r := range rows {
		picks = append(picks, dashboardPick{r.Pick, r.Setup})
	}
	return picks
}

type dashboardPick struct {
	pick.Pick
	setup string
}

// of returns the values of a figure, of picks in groups.
func of(picks []dashboardPick, figure func(*pick.Pick) analyze.Figure, group func(*dashboardPick) string) map[string][]float64 {
	m := map[string][]float64{}
	for i := range picks {
		if f := figure(&picks[i].Pick); f.OK() {
			m[group(&picks[i])] = append(m[group(&picks[i])], f.Value)
		}
	}
	return m
}

func mean(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s / float64(len(v))
}

func countOf(picks []dashboardPick, o pick.Outcome) (n float64) {
	for i := range picks {
		if picks[i].Outcome == o {
			n++
		}
	}
	return n
}

func energyJ(p *pick.Pick) analyze.Figure { return p.EnergyJ }
func sealS(p *pick.Pick) analyze.Figure   { return p.SealTimeS }
func holdKPa(p *pick.Pick) analyze.Figure { return p.HoldVacuumKPa }
func bySetup(p *dashboardPick) string     { return p.setup }
func byStation(p *dashboardPick) string   { return p.Station + "|" + p.setup }

type dashboardWant func(t *testing.T, kind string, target int, picks []dashboardPick, from, to time.Time, got []shown)

// one wants a single number.
func one(want func([]dashboardPick) float64) dashboardWant {
	return func(t *testing.T, _ string, _ int, picks []dashboardPick, _, _ time.Time, got []shown) {
		require.Len(t, got, 1)
		require.Len(t, got[0].values, 1)
		assert.InEpsilon(t, 1+want(picks), 1+got[0].values[0], 1e-9)
	}
}

func label(a shown, names ...string) string {
	var v []string
	for _, n := range names {
		v = append(v, a.labels[n])
	}
	return strings.Join(v, "|")
}

// within wants series of station and setup whose values lie among those of the picks.
func within(figure func(*pick.Pick) analyze.Figure, names []string, group func(*dashboardPick) string) dashboardWant {
	return func(t *testing.T, _ string, _ int, picks []dashboardPick, from, to time.Time, got []shown) {
		want := of(picks, figure, group)
		require.Len(t, got, len(want))
		for _, a := range got {
			v := want[label(a, names...)]
			require.NotEmpty(t, v, "%v", a.labels)
			assert.GreaterOrEqual(t, len(a.values), min(3, len(v)/10), "%v", a.labels)
			for _, x := range a.values {
				assert.GreaterOrEqual(t, x, slices.Min(v)*(1-1e-9), "%v", a.labels)
				assert.LessOrEqual(t, x, slices.Max(v)*(1+1e-9), "%v", a.labels)
			}
		}
	}
}

func constant(v float64) dashboardWant {
	return func(t *testing.T, _ string, _ int, _ []dashboardPick, _, _ time.Time, got []shown) {
		require.Len(t, got, 1)
		assert.Equal(t, dashboardRig, got[0].labels["rig"])
		require.NotEmpty(t, got[0].values)
		for _, x := range got[0].values {
			assert.InDelta(t, v, x, 1e-9)
		}
	}
}

// drift wants a number a station and setup: of a fitted line, or of first and last means.
func drift(figure func(*pick.Pick) analyze.Figure) dashboardWant {
	return func(t *testing.T, kind string, _ int, picks []dashboardPick, from, to time.Time, got []shown) {
		want := of(picks, figure, byStation)
		at := of(picks, func(p *pick.Pick) analyze.Figure {
			f := figure(p)
			if f.OK() {
				at := p.EndS
				for _, s := range []float64{p.ReleaseS, p.DropS, p.SealedAtS, p.StartS} { // a pick that was open as the recording ended
					if math.IsNaN(at) {
						at = s
					}
				}
				f.Value = math.Round(at * 1000)
			}
			return f
		}, byStation)
		require.Len(t, got, len(want))
		for _, a := range got {
			key := label(a, "station", "setup")
			require.Len(t, a.values, 1)
			if kind == "influxdb" {
				assert.LessOrEqual(t, math.Abs(a.values[0]), slices.Max(want[key])-slices.Min(want[key]))
				continue
			}
			x, y, sxy, sxx := at[key], want[key], 0.0, 0.0
			mx, my := mean(x), mean(y)
			for i := range x {
				sxy += (x[i] - mx) * (y[i] - my)
				sxx += (x[i] - mx) * (x[i] - mx)
			}
			if sxx == 0 {
				sxx = 1 // a single pick has no drift
			}
			assert.InDelta(t, sxy/sxx*1000*to.Sub(from).Seconds(), a.values[0], 1e-6*(slices.Max(y)-slices.Min(y))+1e-9, key)
		}
	}
}

// dashboardWants says what each panel is to give.
var dashboardWants = map[string]dashboardWant{
	"Picks":        one(func(p []dashboardPick) float64 { return float64(len(p)) }),
	"Drops":        one(func(p []dashboardPick) float64 { return countOf(p, pick.Dropped) }),
	"Never sealed": one(func(p []dashboardPick) float64 { return countOf(p, pick.Unsealed) }),
	"Energy per 1,000 picks": one(func(p []dashboardPick) float64 {
		return 1000 * mean(of(p, energyJ, func(*dashboardPick) string { return "" })[""])
	}),
	"Rigs that picked": one(func([]dashboardPick) float64 { return 1 }),
	"Drops per 1,000 picks, by setup": func(t *testing.T, _ string, _ int, picks []dashboardPick, _, _ time.Time, got []shown) {
		n, dropped := map[string]float64{}, map[string]float64{}
		for _, p := range picks {
			n[p.setup]++
			if p.Outcome == pick.Dropped {
				dropped[p.setup]++
			}
		}
		require.Len(t, got, len(n))
		for _, a := range got {
			assert.InDelta(t, 1000*dropped[a.labels["setup"]]/n[a.labels["setup"]], a.values[0], 1e-9)
		}
	},
	"Drops, by rig": func(t *testing.T, _ string, _ int, picks []dashboardPick, _, _ time.Time, got []shown) {
		require.Len(t, got, 1)
		assert.Equal(t, dashboardRig, got[0].labels["rig"])
		sum := 0.0
		for _, x := range got[0].values {
			sum += x
		}
		assert.InDelta(t, countOf(picks, pick.Dropped), sum, 1e-9, "each drop is in one interval")
	},
	"Seal time: median, 95 %, 99 %": within(sealS, []string{"station", "setup"}, byStation),
	"Energy per pick, by setup":     within(energyJ, []string{"setup"}, bySetup),
	"Hold vacuum, mean":             within(holdKPa, []string{"station", "setup"}, byStation),
	"Drift of seal time":            drift(sealS),
	"Drift of energy per pick":      drift(energyJ),
	"Failed polls": func(t *testing.T, _ string, _ int, _ []dashboardPick, _, _ time.Time, got []shown) {
		require.Len(t, got, 1)
		sum := 0.0
		for _, x := range got[0].values {
			sum += x
		}
		assert.InDelta(t, failedPolls, sum, 1e-9, "each failed poll is in one interval")
	},
	"Lateness of polls, 99 %":       constant(0.00125),
	"Time to make a second durable": constant(0.003),
}

// ask puts a panel's query to the server, as Grafana would with every rig and trial chosen.
func ask(t *testing.T, server *testserver.Server, expr, influxQL string, from, to time.Time) (got []shown) {
	t.Helper()
	every := fmt.Sprintf("%ds", int(dashboardInterval.Seconds()))
	filled := strings.NewReplacer("$rig", ".*", "$trial", ".*", "$__interval", every, "$__range_s", fmt.Sprint(int(to.Sub(from).Seconds())),
		"$__range", fmt.Sprintf("%ds", int(to.Sub(from).Seconds())), "$timeFilter", fmt.Sprintf("time >= %dms AND time <= %dms", from.UnixMilli(), to.UnixMilli())).Replace(expr + influxQL)
	require.NotRegexp(t, `\$[a-zA-Z_{]`, filled, "a variable that the test does not know")
	if expr == "" {
		var x struct {
			Results []struct {
				Error  string
				Series []struct {
					Tags    map[string]string
					Columns []string
					Values  [][]*float64
				}
			}
		}
		require.NoError(t, json.Unmarshal(server.Get("/query", url.Values{"db": {"griptrial"}, "epoch": {"ms"}, "q": {filled}}), &x))
		for _, r := range x.Results {
			require.Empty(t, r.Error, filled)
			for _, s := range r.Series {
				a := shown{labels: s.Tags}
				for _, v := range s.Values {
					if v[len(v)-1] != nil {
						a.values = append(a.values, *v[len(v)-1])
					}
				}
				got = append(got, a)
			}
		}
		return got
	}
	path, q := "/api/v1/query", url.Values{"query": {filled}, "time": {fmt.Sprint(to.Unix())}}
	if strings.Contains(expr, "$__interval") {
		// Grafana lays the steps on multiples of the interval.
		s := int64(dashboardInterval.Seconds())
		path, q = "/api/v1/query_range", url.Values{"query": {filled}, "start": {fmt.Sprint(from.Unix() / s * s)}, "end": {fmt.Sprint((to.Unix()/s + 1) * s)}, "step": {every}}
	}
	var x struct {
		Status string
		Data   struct {
			Result []struct {
				Metric map[string]string
				Value  []any
				Values [][]any
			}
		}
	}
	require.NoError(t, json.Unmarshal(server.Get(path, q), &x))
	require.Equal(t, "success", x.Status, filled)
	for _, r := range x.Data.Result {
		a := shown{labels: r.Metric}
		if r.Value != nil {
			r.Values = append(r.Values, r.Value)
		}
		for _, v := range r.Values {
			text, _ := v[1].(string)
			f, err := strconv.ParseFloat(text, 64)
			require.NoError(t, err)
			a.values = append(a.values, f)
		}
		got = append(got, a)
	}
	return got
}

// variableValues asks for the values of a dashboard's variable.
func variableValues(t *testing.T, server *testserver.Server, kind, query string) (values []string) {
	t.Helper()
	if kind == "victoriametrics" {
		inner, ok := strings.CutPrefix(query, "label_values(")
		metric, name, two := strings.Cut(strings.TrimSuffix(inner, ")"), ", ")
		require.True(t, ok && two, query)
		var x struct{ Data []string }
		require.NoError(t, json.Unmarshal(server.Get("/api/v1/label/"+name+"/values", url.Values{"match[]": {metric}, "start": {"0"}}), &x))
		return x.Data
	}
	var x struct {
		Results []struct {
			Series []struct{ Values [][]string }
		}
	}
	require.NoError(t, json.Unmarshal(server.Get("/query", url.Values{"db": {"griptrial"}, "q": {query}}), &x))
	for _, s := range x.Results[0].Series {
		for _, v := range s.Values {
			values = append(values, v[1])
		}
	}
	return values
}
