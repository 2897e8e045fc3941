package web

import (
	"cmp"
	"context"
	"errors"
	"iter"
	"math"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

func (s *Server) name() string { return filepath.Base(s.file.Path()) }

// running returns the run in progress, 0 for none.
func (s *Server) running() int { return s.state().Run }

func (s *Server) getTrial(r *http.Request) (any, error) {
	if err := queryOf(r).err; err != nil {
		return nil, err
	}
	if err := s.ready(r.Context()); err != nil {
		return nil, err
	}
	j := s.catalog.describe(s.running(), s.live != nil && !s.live.over())
	for _, c := range s.config.Engines {
		j.Engines = append(j.Engines, c.Name)
	}
	j.Bench = len(s.steps) > 0
	return j, nil
}

// state returns how the trial stands.
func (s *Server) state() StateJSON {
	if s.live != nil {
		return s.live.state()
	}
	s.writing.Lock()
	j := StateJSON{Finished: true, Runs: len(s.catalog.plan()), Revision: s.revision}
	s.writing.Unlock()
	s.catalog.mu.RLock()
	j.TS = seconds(max(s.pyramid.endNS(), s.catalog.lastNS)) // while it is still being read
	j.Picks = len(s.catalog.heads)
	count := make([]int, len(s.file.Header().Stations))
	for i := range s.catalog.heads {
		if k := slices.Index(s.file.Header().Stations, s.catalog.heads[i].station); k >= 0 {
			count[k]++
		}
	}
	mounted := len(s.catalog.runs)
	s.catalog.mu.RUnlock()
	j.Stations = s.catalog.stations(0, mounted, count, count)
	return j
}

func (s *Server) getState(r *http.Request) (any, error) {
	if err := queryOf(r).err; err != nil {
		return nil, err
	}
	if err := s.ready(r.Context()); err != nil {
		return nil, err
	}
	return s.state(), nil
}

func (s *Server) getHealth(r *http.Request) (any, error) {
	if err := queryOf(r).err; err != nil {
		return nil, err
	}
	if s.live != nil {
		return s.live.health(), nil
	}
	return nil, problemf(http.StatusConflict, "the trial is not being recorded")
}

// sortKeys are what picks are sorted by, besides figures.
var sortKeys = map[string]func(a, b *head, setup func(*head) string) int{
	"order":   func(a, b *head, _ func(*head) string) int { return cmp.Compare(a.row, b.row) },
	"n":       func(a, b *head, _ func(*head) string) int { return cmp.Compare(a.n, b.n) },
	"station": func(a, b *head, _ func(*head) string) int { return cmp.Compare(a.station, b.station) },
	"run":     func(a, b *head, _ func(*head) string) int { return cmp.Compare(a.run, b.run) },
	"setup":   func(a, b *head, setup func(*head) string) int { return cmp.Compare(setup(a), setup(b)) },
	"outcome": func(a, b *head, _ func(*head) string) int { return cmp.Compare(a.outcome, b.outcome) },
}

func (s *Server) getPicks(r *http.Request) (any, error) {
	q := queryOf(r, "station", "setup", "run", "piece", "outcome", "spoiled", "sort", "descending", "offset", "limit")
	run := q.integer("run", -1, 0, math.MaxInt32)
	outcome := pick.Outcome("")
	if q.has("outcome") {
		outcome = pick.Outcome(q.oneOf("outcome", string(pick.Released), string(pick.Dropped), string(pick.Unsealed), string(pick.Ended), string(pick.Open)))
	}
	spoiled := q.boolean("spoiled")
	sort := q.oneOf("sort", append([]string{"order", "n", "station", "run", "setup", "outcome", "start_s"}, store.FigureNames()...)...)
	descending := q.boolean("descending")
	offset, limit := q.integer("offset", 0, 0, math.MaxInt32), q.integer("limit", 100, 1, 1000)
	if q.err != nil {
		return nil, q.err
	}
	if err := s.ready(r.Context()); err != nil {
		return nil, err
	}
	c := s.catalog
	c.mu.RLock()
	setup := func(h *head) string { return c.run(h.run).Setups[h.station] }
	var found []head
	for i := range c.heads {
		h := &c.heads[i]
		if q.has("station") && h.station != q.text("station") || q.has("setup") && setup(h) != q.text("setup") || run >= 0 && h.run != run ||
			q.has("piece") && c.run(h.run).Piece != q.text("piece") || outcome != "" && h.outcome != outcome || q.has("spoiled") && (h.spoiledBy != "") != spoiled {
			continue
		}
		found = append(found, *h)
	}
	c.mu.RUnlock()
	sign := 1
	if descending {
		sign = -1
	}
	if by := sortKeys[sort]; by != nil {
		c.mu.RLock()
		slices.SortStableFunc(found, func(a, b head) int { return sign * by(&a, &b, setup) })
		c.mu.RUnlock()
	} else {
		value := func(h *head) float64 { return h.startS }
		if sort != "start_s" {
			values, err := s.figure(sort)
			if err != nil {
				return nil, err
			}
			value = func(h *head) float64 {
				if v, ok := values[h.row]; ok {
					return v
				}
				return math.NaN()
			}
		}
		slices.SortStableFunc(found, func(a, b head) int {
			x, y := value(&a), value(&b)
			if math.IsNaN(x) || math.IsNaN(y) { // what is not known comes last, either way
				return cmp.Compare(btoi(math.IsNaN(x)), btoi(math.IsNaN(y)))
			}
			return sign * cmp.Compare(x, y)
		})
	}
	v := PicksView{Total: len(found), Offset: offset, Picks: []PickView{}}
	found = found[min(offset, len(found)):]
	found = found[:min(limit, len(found))]
	picks, err := s.picksOf(found)
	if err != nil {
		return nil, err
	}
	for _, p := range picks {
		v.Picks = append(v.Picks, c.view(p))
	}
	return v, nil
}

// figure returns one figure of every pick, by the row of the pick; read again when there are
// more picks.
func (s *Server) figure(name string) (map[int64]float64, error) {
	s.catalog.mu.RLock()
	n := len(s.catalog.heads)
	s.catalog.mu.RUnlock()
	s.figures.Lock()
	defer s.figures.Unlock()
	if s.figures.of == name && s.figures.picks == n {
		return s.figures.values, nil
	}
	values, err := s.file.FigureValues(1, name)
	if err == nil {
		s.figures.of, s.figures.picks, s.figures.values = name, n, values
	}
	return values, err
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// picksOf returns whole picks, in the order of their heads.
func (s *Server) picksOf(heads []head) ([]pick.Pick, error) {
	rows := make([]int64, len(heads))
	at := map[pickKey]int{}
	for i, h := range heads {
		rows[i], at[h.pickKey] = h.row, i
	}
	picks, err := s.file.PicksAt(rows)
	if err != nil {
		return nil, err
	}
	sorted := make([]pick.Pick, len(heads))
	for _, p := range picks {
		sorted[at[pickKey{p.Station, p.N}]] = p
	}
	return sorted, nil
}

// asked returns the pick that a path names.
func (s *Server) asked(r *http.Request) (head, error) {
	n, err := strconv.Atoi(r.PathValue("n"))
	if err != nil || n < 1 {
		return head{}, fieldf("n", "found %.80q; want the number of a pick", r.PathValue("n"))
	}
	if err := s.ready(r.Context()); err != nil {
		return head{}, err
	}
	h, ok := s.catalog.find(r.PathValue("station"), n)
	if !ok {
		return head{}, problemf(http.StatusNotFound, "station %.80q has no pick %d", r.PathValue("station"), n)
	}
	return h, nil
}

func (s *Server) viewOf(h head) (PickView, error) {
	picks, err := s.picksOf([]head{h})
	if err != nil {
		return PickView{}, err
	}
	return s.catalog.view(picks[0]), nil
}

func (s *Server) getPick(r *http.Request) (any, error) {
	q := queryOf(r, "points", "before_s", "after_s")
	points, before, after := q.integer("points", 2000, 10, 20000), q.number("before_s", 0.3, 0, 60), q.number("after_s", 0.3, 0, 60)
	if q.err != nil {
		return nil, q.err
	}
	h, err := s.asked(r)
	if err == nil {
		err = s.drawable(r.Context())
	}
	if err != nil {
		return nil, err
	}
	j := PickDetailJSON{Events: []report.EventJSON{}}
	if j.Pick, err = s.viewOf(h); err != nil {
		return nil, err
	}
	events, err := s.file.Events(1)
	if err != nil {
		return nil, err
	}
	for _, e := range events {
		if e.Station == h.station && e.Pick == h.n {
			j.Events = append(j.Events, report.Event(e))
		}
	}
	from, to := span(&h)
	var channels []channelAt
	for g, group := range s.file.Header().Groups {
		for i := range group.Channels {
			if x := group.Channels[i].Station; x == h.station || x == "" {
				channels = append(channels, channelAt{g, i})
			}
		}
	}
	j.Traces, err = s.traces(channels, from-before, to+after, points)
	return j, err
}

// span returns the time of a pick as far as it is known.
func span(h *head) (from, to float64) {
	from, to = h.startS, h.endS
	if math.IsNaN(from) {
		from = float64(h.ns) / 1e9
	}
	if math.IsNaN(to) {
		to = from + 10 // it is open: what there is
	}
	return from, to
}

func (s *Server) getBudget(r *http.Request) (any, error) {
	if err := queryOf(r).err; err != nil {
		return nil, err
	}
	h, err := s.asked(r)
	if err != nil {
		return nil, err
	}
	p, budgets, err := record.Explain(s.file, s.name(), 1, h.station, h.n)
	if errors.Is(err, record.ErrNoPick) || errors.Is(err, record.ErrNoSetups) {
		err = problemf(http.StatusUnprocessableEntity, "%v", err)
	}
	return report.PickBudgets(p, budgets), err
}

func (s *Server) getTraces(r *http.Request) (any, error) {
	q := queryOf(r, "channel", "from_s", "to_s", "points")
	points := q.integer("points", 2000, 10, 20000)
	from := q.number("from_s", math.Inf(-1), -1e9, 1e9)
	to := q.number("to_s", math.Inf(1), -1e9, 1e9)
	var channels []channelAt
	for _, name := range q.list("channel") {
		at, ok := s.catalog.channel(name)
		if !ok {
			q.fail("channel", "channel: the trial has no %.80q", name)
		}
		channels = append(channels, at)
	}
	if len(channels) > 64 {
		q.fail("channel", "channel: found %d; want 64 at most", len(channels))
	}
	if from > to {
		q.fail("to_s", "to_s: %g comes before from_s, %g", to, from)
	}
	if q.err != nil {
		return nil, q.err
	}
	if channels == nil {
		for g, group := range s.file.Header().Groups {
			for i := range group.Channels {
				if group.Channels[i].Kind == sample.Vacuum {
					channels = append(channels, channelAt{g, i})
				}
			}
		}
	}
	if err := s.drawable(r.Context()); err != nil {
		return nil, err
	}
	return s.traces(channels, from, to, points)
}

// traces draws channels between two times, as far as the trial has them.
func (s *Server) traces(channels []channelAt, from, to float64, points int) (TracesJSON, error) {
	fromNS, toNS := int64(0), s.pyramid.endNS()
	if !math.IsInf(from, 0) {
		fromNS = int64(from * 1e9)
	}
	if !math.IsInf(to, 0) {
		toNS = max(fromNS, min(toNS, int64(math.Ceil(to*1e9))))
	}
	j := TracesJSON{FromS: seconds(fromNS), ToS: seconds(toNS), Gaps: []report.GapJSON{}}
	var err error
	if j.Traces, err = s.pyramid.draw(channels, fromNS, toNS, points, s.file.BatchesAfter); err != nil {
		return j, err
	}
	j.Gaps, err = s.gaps(float64(fromNS)/1e9, float64(toNS)/1e9)
	return j, err
}

// gaps returns the gaps that begin in a stretch of time. Where they end is what traces show.
func (s *Server) gaps(from, to float64) ([]report.GapJSON, error) {
	gaps := []report.GapJSON{}
	events, err := s.file.Events(1)
	for _, e := range events {
		if e.Kind == pick.GapSeen && e.TS >= from && e.TS <= to {
			gaps = append(gaps, report.Gap(pick.Gap{FromS: e.TS, ToS: math.NaN()}, e.Station, ""))
		}
	}
	return gaps, err
}

func (s *Server) getOverlay(r *http.Request) (any, error) {
	q := queryOf(r, "setup", "station", "last", "align", "from_s", "to_s", "points")
	last, align := q.integer("last", 20, 1, 200), q.oneOf("align", "supply", "contact")
	from, to := q.number("from_s", -0.2, -10, 0), q.number("to_s", math.NaN(), 0, 600)
	points := q.integer("points", 400, 10, 2000)
	if q.err != nil {
		return nil, q.err
	}
	if err := s.drawable(r.Context()); err != nil {
		return nil, err
	}
	zero := func(h *head) float64 {
		if align == "contact" {
			return h.contactS
		}
		return h.startS
	}
	type group struct {
		setup    string
		required float64
		heads    []head
		left     int
	}
	var groups []*group
	at := map[string]*group{}
	c := s.catalog
	c.mu.RLock()
	longest := 0.0
	for i := len(c.heads) - 1; i >= 0; i-- { // the last ones
		h := &c.heads[i]
		setup := c.run(h.run).Setups[h.station]
		if setup == "" || h.spoiledBy != "" || q.has("station") && h.station != q.text("station") || q.has("setup") && !slices.Contains(q.list("setup"), setup) {
			continue
		}
		g := at[setup]
		if g == nil {
			g = &group{setup: setup, required: h.required}
			at[setup] = g
			groups = append(groups, g)
		}
		switch {
		case len(g.heads) == last:
		case math.IsNaN(zero(h)) || math.IsNaN(h.endS):
			g.left++
		default:
			g.heads = append(g.heads, *h)
			longest = max(longest, h.endS-zero(h))
		}
	}
	c.mu.RUnlock()
	slices.Reverse(groups)
	if math.IsNaN(to) {
		to = longest
	}
	grid := make([]float64, points)
	for i := range grid {
		grid[i] = from + (to-from)*float64(i)/float64(points-1)
	}
	var cut []cutting
	for _, g := range groups {
		slices.Reverse(g.heads)
		for i := range g.heads {
			cut = append(cut, cutting{head: &g.heads[i], zero: zero(&g.heads[i]), from: zero(&g.heads[i]) + from, to: zero(&g.heads[i]) + to})
		}
	}
	if err := s.cut(r.Context(), cut); err != nil {
		return nil, err
	}
	j := OverlayJSON{Align: align, TS: places(grid, 1e-6), Setups: []OverlaySetupJSON{}}
	n := 0
	for _, g := range groups {
		x := OverlaySetupJSON{Setup: g.setup, RequiredKPa: analyze.Number(g.required), Picks: []OverlayPickJSON{}, LeftOut: g.left}
		var all [][]float64
		for i := range g.heads {
			k := &cut[n]
			n++
			v := pick.OnGrid(k.ts, k.values, grid, k.gapS)
			all = append(all, v)
			x.Picks = append(x.Picks, OverlayPickJSON{Station: g.heads[i].station, N: g.heads[i].n, Outcome: g.heads[i].outcome, VacuumKPa: places(v, 1e-3)})
		}
		median, lo, hi := pick.Envelope(all, points)
		x.MedianKPa, x.LoKPa, x.HiKPa = places(median, 1e-3), places(lo, 1e-3), places(hi, 1e-3)
		j.Setups = append(j.Setups, x)
	}
	return j, nil
}

// places returns values rounded to a step.
func places(x []float64, step float64) []analyze.Number {
	out := make([]analyze.Number, len(x))
	for i, v := range x {
		out[i] = analyze.Number(math.Round(v/step) / math.Round(1/step))
	}
	return out
}

// A cutting is a pick's vacuum, its times counted from zero.
type cutting struct {
	head           *head
	zero, from, to float64
	gapS           float64
	ts, values     []float64
}

// cut reads the vacuum of picks. Those near each other are read in one go.
func (s *Server) cut(ctx context.Context, all []cutting) error {
	h := s.file.Header()
	vacuum := map[string]channelAt{}
	for g, group := range h.Groups {
		for i := range group.Channels {
			if x := &group.Channels[i]; x.Kind == sample.Vacuum {
				vacuum[x.Station] = channelAt{g, i}
			}
		}
	}
	order := make([]*cutting, 0, len(all))
	for i := range all {
		if _, ok := vacuum[all[i].head.station]; ok {
			order = append(order, &all[i])
		}
	}
	slices.SortStableFunc(order, func(a, b *cutting) int { return cmp.Compare(a.from, b.from) })
	const together = 20 // s: what lies between is read rather than sought
	for len(order) > 0 {
		n, end := 1, order[0].to
		for n < len(order) && order[n].from < end+together {
			end = max(end, order[n].to)
			n++
		}
		if err := s.cutGo(ctx, order[:n], end, vacuum); err != nil {
			return err
		}
		order = order[n:]
	}
	return nil
}

func (s *Server) cutGo(ctx context.Context, some []*cutting, end float64, vacuum map[string]channelAt) error {
	groups := s.file.Header().Groups
	waits := map[int]bool{}
	for _, k := range some {
		at := vacuum[k.head.station]
		waits[at.group] = true
		k.gapS = 0.25
		if i := groups[at.group].Channels[at.channel].SamplingS(); i > 0 {
			k.gapS = max(k.gapS, 5*i)
		}
	}
	for b, err := range s.batches(ctx, s.pyramid.seqAt(int64(some[0].from*1e9))) {
		if err != nil {
			return err
		}
		n := len(b.T)
		if n == 0 || !waits[b.Group] {
			continue
		}
		first, last := float64(b.T[0])/1e9, float64(b.T[n-1])/1e9
		if first > end {
			if delete(waits, b.Group); len(waits) == 0 {
				return nil
			}
			continue
		}
		for _, k := range some {
			at := vacuum[k.head.station]
			if at.group != b.Group || last < k.from-k.gapS || first > k.to+k.gapS {
				continue
			}
			ch := &groups[at.group].Channels[at.channel]
			for j, count := range b.Counts[at.channel] {
				if t := float64(b.T[j]) / 1e9; count != sample.Missing && t >= k.from-k.gapS && t <= k.to+k.gapS {
					k.ts, k.values = append(k.ts, t-k.zero), append(k.values, ch.Value(count))
				}
			}
		}
	}
	return nil
}

// batches reads the file from behind a commit number on, as long as somebody waits.
func (s *Server) batches(ctx context.Context, after int64) iter.Seq2[sample.Batch, error] {
	return func(yield func(sample.Batch, error) bool) {
		for b, err := range s.file.BatchesAfter(after) {
			if err == nil {
				err = ctx.Err()
			}
			if !yield(b, err) || err != nil {
				return
			}
		}
	}
}
