package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"

	"griptrial/analyze"
	"griptrial/analyze/compare"
	"griptrial/analyze/engine"
	"griptrial/analyze/layout"
	"griptrial/analyze/linespeed"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
)

// answers keeps what has been computed until the trial changes, and lets one be computed at
// a time: the recorder needs the machine, too.
type answers struct {
	computing sync.Mutex
	trial     *compare.Trial
	of        string // state of the trial that all of it is of
	kept      map[string]kept
}

type kept struct {
	v   any
	err error
}

// mostKept is how many answers are kept.
const mostKept = 32

// computed returns what f makes of the trial as compare takes it, and keeps it under the
// request's own text.
func (s *Server) computed(r *http.Request, f func(*compare.Trial) (any, error)) (any, error) {
	if err := s.ready(r.Context()); err != nil {
		return nil, err
	}
	a := &s.answers
	a.computing.Lock()
	defer a.computing.Unlock()
	if err := r.Context().Err(); err != nil {
		return nil, err // nobody waits any more
	}
	t, err := s.comparable()
	if err != nil {
		return nil, err
	}
	key := r.URL.Path + "?" + r.URL.RawQuery
	if x, ok := a.kept[key]; ok {
		return x.v, x.err
	}
	v, err := f(t)
	if len(a.kept) >= mostKept {
		clear(a.kept)
	}
	a.kept[key] = kept{v, err}
	return v, err
}

// comparable reads the trial as compare takes it, if it has changed. The caller holds computing.
func (s *Server) comparable() (*compare.Trial, error) {
	a := &s.answers
	state := s.state()
	of := fmt.Sprint(state.Picks, " ", state.Revision)
	if a.trial != nil && a.of == of {
		return a.trial, nil
	}
	t, err := record.Comparable(s.file, s.name(), 1)
	if errors.Is(err, record.ErrNoSetups) {
		return nil, problemf(http.StatusUnprocessableEntity, "%v", err)
	}
	if err != nil {
		return nil, err
	}
	clear(a.kept)
	a.trial, a.of = t, of
	return t, nil
}

func (s *Server) getCompare(r *http.Request) (any, error) {
	q := queryOf(r, "by", "within", "measure")
	for _, name := range []string{"by", "within"} {
		for _, f := range q.list(name) {
			if !slices.Contains(config.Factors, f) {
				q.fail(name, "%s: found %.80q; want %s", name, f, strings.Join(config.Factors, ", "))
			}
		}
	}
	by, within, measures := q.list("by"), q.list("within"), q.list("measure")
	for _, f := range by {
		if slices.Contains(within, f) {
			q.fail("by", "by and within both name %s", f)
		}
	}
	for _, m := range measures {
		if compare.MeasureOf(m) == nil {
			q.fail("measure", "measure: %.80q is unknown", m)
		}
	}
	if q.err != nil {
		return nil, q.err
	}
	return s.computed(r, func(t *compare.Trial) (any, error) {
		c := compare.Compare(t, compare.Options{By: by, Within: within, Measures: measures})
		return report.Comparison(t, c, compare.Judge(t), compare.Models(t, measures)), nil
	})
}

// resamples is how often pieces are drawn anew for a choice; the seed makes it the same twice.
const resamples, choiceSeed = 2000, 1

func (s *Server) getChoose(r *http.Request) (any, error) {
	q := queryOf(r, "mix", "rate")
	rate := q.quantity("rate", config.Frequency, math.NaN())
	if q.err != nil {
		return nil, q.err
	}
	return s.computed(r, func(t *compare.Trial) (any, error) {
		mix, err := compare.ParseMix(t, q.list("mix"))
		if err != nil {
			return nil, fieldf("mix", "mix: %v", err)
		}
		if math.IsNaN(rate) {
			rate = t.Requirement.PicksPerMinute
		}
		return report.Choice(compare.Choose(t, mix, rate, resamples, choiceSeed)), nil
	})
}

func (s *Server) getSoak(r *http.Request) (any, error) {
	if err := queryOf(r).err; err != nil {
		return nil, err
	}
	return s.computed(r, func(t *compare.Trial) (any, error) {
		if err := s.drawable(r.Context()); err != nil {
			return nil, err
		}
		j := SoaksJSON{Runs: []SoakJSON{}}
		withLine := *t
		withLine.Line = s.pyramid.lineNow()
		for _, x := range compare.Soaks(&withLine) {
			k := SoakJSON{SoakJSON: report.Soak(x), FirstS: analyze.Number(x.FirstS), Series: []SoakSeriesJSON{},
				Drops: SoakDropsJSON{AtH: []analyze.Number{}, Dropped: []int{}, Per1000: []analyze.Number{}, Lo: []analyze.Number{}, Hi: []analyze.Number{}}}
			for _, y := range x.Trends {
				series := SoakSeriesJSON{Measure: y.Measure.Name, Unit: y.Measure.Unit}
				for i := range y.AtH {
					series.AtH, series.Median = append(series.AtH, analyze.Number(y.AtH[i])), append(series.Median, analyze.Number(y.Y[i]*y.Measure.Scale))
				}
				k.Series = append(k.Series, series)
			}
			for _, d := range x.DropsSoFar {
				k.Drops.AtH, k.Drops.Dropped = append(k.Drops.AtH, analyze.Number(d.AtHours)), append(k.Drops.Dropped, d.Dropped)
				f := d.Per1000
				k.Drops.Per1000, k.Drops.Lo, k.Drops.Hi = append(k.Drops.Per1000, analyze.Number(f.Value)), append(k.Drops.Lo, analyze.Number(f.Lo)), append(k.Drops.Hi, analyze.Number(f.Hi))
			}
			j.Runs = append(j.Runs, k)
		}
		return j, nil
	})
}

func (s *Server) getLineSpeed(r *http.Request) (any, error) {
	q := queryOf(r, "rate", "limit", "station")
	rate, limit := q.quantity("rate", config.Frequency, math.NaN()), q.quantity("limit", config.Time, math.NaN())
	if q.err != nil {
		return nil, q.err
	}
	return s.computed(r, func(t *compare.Trial) (any, error) {
		o := linespeed.Options{PicksPerMinute: rate, LimitS: limit, Share: t.Requirement.SealTimeShare, Confidence: t.Requirement.Confidence}
		if math.IsNaN(rate) {
			o.PicksPerMinute = t.Requirement.PicksPerMinute
		}
		if math.IsNaN(limit) {
			o.LimitS = t.Requirement.SealTimeLimitS
		}
		if math.IsNaN(o.PicksPerMinute) {
			return nil, &problem{http.StatusUnprocessableEntity, "rate", errors.New(`rate: the trial states none; say picks per minute, such as "45 /min"`)}
		}
		var rows []report.Row
		for _, p := range t.Picks {
			if p.Spoiled == "" && (!q.has("station") || p.Station == q.text("station")) {
				rows = append(rows, report.Row{Pick: p.Pick, Setup: p.Setup})
			}
		}
		all, err := report.LineSpeedsOf(rows, o)
		return report.LineSpeedViews(all), err
	})
}

func (s *Server) getGrip(r *http.Request) (any, error) {
	q := queryOf(r, "a", "b", "measure", "run", "since_s")
	stations := s.file.Header().Stations
	names := [2]string{q.text("a"), q.text("b")}
	for i, name := range []string{"a", "b"} {
		if !q.has(name) && i < len(stations) {
			names[i] = stations[i]
		}
		if !slices.Contains(stations, names[i]) {
			q.fail(name, "%s: found %.80q; want a station: %s", name, names[i], strings.Join(stations, ", "))
		}
	}
	if names[0] == names[1] {
		q.fail("b", "b: want another station than a")
	}
	m := compare.MeasureOf("hold_vacuum_kPa")
	if q.has("measure") {
		if m = compare.MeasureOf(q.text("measure")); m == nil {
			q.fail("measure", "measure: %.80q is unknown", q.text("measure"))
		}
	}
	run, since := q.integer("run", -1, 0, math.MaxInt32), q.number("since_s", math.Inf(-1), -1e9, 1e9)
	if q.err != nil {
		return nil, q.err
	}
	if err := s.ready(r.Context()); err != nil {
		return nil, err
	}
	var picks [2][]pick.Pick
	for i, name := range names {
		var heads []head
		s.catalog.mu.RLock()
		for _, h := range s.catalog.heads {
			if from, _ := span(&h); h.station == name && h.spoiledBy == "" && (run < 0 || h.run == run) && from > since {
				heads = append(heads, h)
			}
		}
		s.catalog.mu.RUnlock()
		heads = heads[max(0, len(heads)-mostReadings):]
		var err error
		if picks[i], err = s.picksOf(heads); err != nil {
			return nil, err
		}
	}
	level := 0.95
	if t := s.catalog.trial; t != nil && t.Requirement.Confidence > 0 {
		level = t.Requirement.Confidence
	}
	x := compare.TakeTurns(picks[0], picks[1], m, level)
	j := GripJSON{A: names[0], B: names[1], Measure: m.Name, Unit: m.Unit, Percent: x.Percent, BetterBy: analyze.None(), Pairs: x.Pairs, Level: analyze.Number(level),
		Readings: []GripReadingJSON{}, Warnings: []string{}}
	if x.Lead != 0 {
		// A that is better by more of the measure stands above B, by less of it below.
		j.Leads, j.BetterBy = &names[0], x.Percent
		if x.Lead < 0 {
			j.Leads, j.BetterBy = &names[1], x.Reverse
		}
		if m.Better < 0 {
			f := j.BetterBy
			j.BetterBy = analyze.Figure{Value: -f.Value, U: f.U, Lo: -f.Hi, Hi: -f.Lo, Warnings: f.Warnings}
		}
		if x.Shown {
			j.Better = j.Leads
		}
	}
	for _, y := range x.Readings {
		k := GripReadingJSON{A: analyze.Number(math.NaN()), B: analyze.Number(math.NaN())}
		if y.A != nil {
			k.PickA, k.A = &y.A.N, analyze.Number(m.Of(y.A)*m.Scale)
		}
		if y.B != nil {
			k.PickB, k.B = &y.B.N, analyze.Number(m.Of(y.B)*m.Scale)
		}
		j.Readings = append(j.Readings, k)
	}
	for _, w := range x.Warnings {
		j.Warnings = append(j.Warnings, w.String())
	}
	return j, nil
}

// mostReadings is how many readings of a station a grip reading looks back on.
const mostReadings = 1000

func (s *Server) engine(w http.ResponseWriter, r *http.Request) {
	var ask EngineAskJSON
	v, err := any(nil), body(w, r, &ask)
	if err == nil {
		err = s.ready(r.Context())
	}
	if err == nil {
		v, err = s.matchEngines(r.Context(), ask)
	}
	answer(w, v, err)
}

func (s *Server) matchEngines(ctx context.Context, ask EngineAskJSON) (any, error) {
	if len(s.config.Engines) == 0 {
		return nil, problemf(http.StatusUnprocessableEntity, "the server was given no file of engines; start it with --page-engines")
	}
	q := engine.NewQuestion(s.config.Engines, math.NaN())
	for _, x := range []struct {
		to   *float64
		from *float64
	}{{&q.RequiredKPa, ask.RequiredKPa}, {&q.AmbientKPa, ask.AmbientKPa}, {&q.VolumeL, ask.VolumeL}, {&q.VolumeU, ask.VolumeUL}, {&q.LeakFactor, ask.LeakFactor},
		{&q.AirPressureKPa, ask.AirPressureKPa}, {&q.Cycle.PicksPerMinute, ask.PicksPerMinute}, {&q.Cycle.SupplyOnS, ask.SupplyOnS}, {&q.Cycle.HoursPerYear, ask.HoursPerYear},
		{&q.Cycle.SpecificEnergyKWhM3, ask.SpecificEnergyKWhM3}} {
		if x.from != nil {
			*x.to = *x.from
		}
	}
	if ask.Circuits != nil {
		q.Circuits = *ask.Circuits
	}
	q.Law = engine.Law(ask.Law)
	s.answers.computing.Lock()
	defer s.answers.computing.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	j, err := report.MatchTrial(s.file, s.name(), 1, q)
	if err != nil {
		return nil, problemf(http.StatusUnprocessableEntity, "%v", err) // all of them are about the question or the leaks
	}
	return j, nil
}

func (s *Server) layout(w http.ResponseWriter, r *http.Request) {
	var ask LayoutAskJSON
	v, err := any(nil), body(w, r, &ask)
	if err == nil {
		v, _, _, err = place(ask)
	}
	answer(w, v, err)
}

// place answers where cups go.
func place(ask LayoutAskJSON) (j LayoutAnswerJSON, orders []layout.Order, own []layout.Pattern, err error) {
	if n := len(ask.Bags); n < 1 || n > 50 {
		return j, nil, nil, fieldf("bags", "bags: found %d; want 1 to 50", n)
	}
	base := layout.Order{Cups: ask.Cups, LipMM: ask.LipMM, MarginMM: ask.MarginMM}
	base.Bag.FillHeightMM = ask.FillMM
	if c := ask.CentreOfMass; c != nil {
		base.Bag.CentreOfMass = layout.Point{XMM: c.XMM, YMM: c.YMM}
	}
	for _, a := range ask.KeepClear {
		base.Bag.KeepClear = append(base.Bag.KeepClear, layout.Rect{X0MM: a.X0MM, Y0MM: a.Y0MM, X1MM: a.X1MM, Y1MM: a.Y1MM})
	}
	for _, b := range ask.Bags {
		o := base
		o.Bag.LengthMM, o.Bag.WidthMM = b.LengthMM, b.WidthMM
		orders = append(orders, o)
	}
	if len(ask.Places) > 0 && len(orders) > 1 {
		return j, nil, nil, fieldf("places", "places: only with one bag")
	}
	if j.LayoutJSON, own, err = report.PlaceCups(orders); err != nil {
		return j, nil, nil, problemf(http.StatusUnprocessableEntity, "%v", err)
	}
	x, y := layout.FoldsMM(orders[0].Bag, orders[0].Cups)
	j.FoldsXMM, j.FoldsYMM = places(x, 1e-6), places(y, 1e-6)
	if len(ask.Places) > 0 {
		var cups []layout.Point
		for _, p := range ask.Places {
			cups = append(cups, layout.Point{XMM: p.XMM, YMM: p.YMM})
		}
		d, err := report.JudgeCups(orders[0], cups)
		if err != nil {
			return j, nil, nil, problemf(http.StatusUnprocessableEntity, "%v", err)
		}
		j.Dragged = &d
	}
	return j, orders, own, nil
}

func (s *Server) sheet(w http.ResponseWriter, r *http.Request) {
	var ask SheetAskJSON
	pdf, err := []byte(nil), body(w, r, &ask)
	if err == nil {
		pdf, err = drawSheet(ask)
	}
	if err != nil {
		fail(w, err)
		return
	}
	w.Header().Set("Content-Type", "application/pdf")
	w.Header().Set("Content-Disposition", `inline; filename="sheet.pdf"`)
	w.Write(pdf)
}

func drawSheet(ask SheetAskJSON) ([]byte, error) {
	if len(ask.Bags) != 1 {
		return nil, fieldf("bags", "bags: a sheet is of one bag")
	}
	if len(ask.Title) > 200 {
		return nil, fieldf("title", "title: %d bytes; want 200 at most", len(ask.Title))
	}
	_, orders, own, err := place(ask.LayoutAskJSON)
	if err != nil {
		return nil, err
	}
	p := own[0]
	if len(ask.Places) > 0 {
		var cups []layout.Point
		for _, x := range ask.Places {
			cups = append(cups, layout.Point{XMM: x.XMM, YMM: x.YMM})
		}
		if p, err = layout.Judge(orders[0], cups); err != nil {
			return nil, problemf(http.StatusUnprocessableEntity, "%v", err)
		}
	}
	sheet, err := report.NewSheet(orders[0], p, report.Paper(ask.Paper), ask.Title)
	if err != nil {
		return nil, problemf(http.StatusUnprocessableEntity, "%v", err)
	}
	var b bytes.Buffer
	if err := sheet.PDF(&b); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}
