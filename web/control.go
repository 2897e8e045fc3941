package web

import (
	"context"
	"errors"
	"math"
	"net/http"
	"strings"
	"time"
	"unicode/utf8"

	"griptrial/acquire/bench"
	"griptrial/analyze"
	"griptrial/record"
	"griptrial/store"
)

// Longest texts, in bytes.
const (
	mostNote   = 10_000
	mostReason = 500
	mostPiece  = 200
)

// told checks a text that somebody has typed.
func told(field, text string, most int, needed bool) (string, error) {
	text = strings.TrimSpace(text)
	switch {
	case text == "" && needed:
		return "", fieldf(field, "%s: is empty", field)
	case len(text) > most:
		return "", fieldf(field, "%s: %d bytes; want %d at most", field, len(text), most)
	case !utf8.ValidString(text) || strings.ContainsRune(text, 0):
		return "", fieldf(field, "%s: is no text", field)
	}
	return text, nil
}

// refusal turns what the recorder and the file say into a problem.
func refusal(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, record.ErrNotNow), errors.Is(err, record.ErrOver):
		return problemf(http.StatusConflict, "%w", err)
	case errors.Is(err, store.ErrReadOnly):
		return problemf(http.StatusConflict, "the trial file is open for reading only; serve it with --operator to change it")
	}
	return err
}

// change notes that the trial is not what it was.
func (s *Server) change() error {
	if s.live != nil && !s.live.over() {
		s.live.changed()
	} else {
		s.writing.Lock()
		s.revision++
		s.writing.Unlock()
		if s.live != nil {
			s.live.mu.Lock()
			s.live.revision++
			s.live.mu.Unlock()
		}
	}
	return s.catalog.reload()
}

func (s *Server) spoil(w http.ResponseWriter, r *http.Request) {
	v, err := s.marked(w, r)
	answer(w, v, refusal(err))
}

func (s *Server) marked(w http.ResponseWriter, r *http.Request) (any, error) {
	reason := ""
	if r.Method == http.MethodPut {
		var ask SpoilJSON
		err := body(w, r, &ask)
		if err == nil {
			reason, err = told("reason", ask.Reason, mostReason, true)
		}
		if err != nil {
			return nil, err
		}
	}
	h, err := s.asked(r)
	if err != nil {
		return nil, err
	}
	if !h.nsKnown {
		return nil, problemf(http.StatusUnprocessableEntity, "no time of the pick is known by which a mark could name it")
	}
	if err := s.file.MarkSpoiled(h.station, h.ns, reason); err != nil {
		return nil, err
	}
	if err := s.change(); err != nil {
		return nil, err
	}
	return s.viewOf(h)
}

func (s *Server) note(w http.ResponseWriter, r *http.Request) {
	v, err := s.noted(w, r)
	if err != nil {
		fail(w, refusal(err))
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(http.StatusCreated)
	w.Write(encode(v))
}

func (s *Server) noted(w http.ResponseWriter, r *http.Request) (NoteJSON, error) {
	var ask NoteAskJSON
	err := body(w, r, &ask)
	text := ""
	if err == nil {
		text, err = told("text", ask.Text, mostNote, true)
	}
	if err != nil {
		return NoteJSON{}, err
	}
	if err := s.ready(r.Context()); err != nil {
		return NoteJSON{}, err
	}
	if ask.Run == 0 {
		ask.Run = s.running()
	}
	return s.writeNote(ask.Run, text)
}

func (s *Server) writeNote(run int, text string) (NoteJSON, error) {
	s.catalog.mu.RLock()
	begun := len(s.catalog.runs)
	s.catalog.mu.RUnlock()
	if run < 0 || run > begun {
		return NoteJSON{}, fieldf("run", "run: found %d; %d runs have begun", run, begun)
	}
	n := store.Note{TNS: int64(float64(s.state().TS) * 1e9), Text: text, Run: run}
	if err := s.file.Commit(store.Entry{Notes: []store.Note{n}}); err != nil {
		return NoteJSON{}, err
	}
	return NoteJSON{seconds(n.TNS), n.Run, n.Text}, s.change()
}

// control returns the control of the recording in progress.
func (s *Server) control() (*record.Control, error) {
	switch {
	case s.live == nil:
		return nil, problemf(http.StatusConflict, "the trial is not being recorded")
	case s.config.Control == nil:
		return nil, problemf(http.StatusConflict, "the runs follow the plan by the number of picks; record with --operator to start and stop them")
	}
	return s.config.Control, nil
}

func (s *Server) startRun(w http.ResponseWriter, r *http.Request) {
	v, err := s.started(w, r)
	answer(w, v, refusal(err))
}

func (s *Server) started(w http.ResponseWriter, r *http.Request) (any, error) {
	var ask StartJSON
	err := body(w, r, &ask)
	if err == nil {
		ask.Piece, err = told("piece", ask.Piece, mostPiece, false)
	}
	if err == nil {
		ask.Note, err = told("note", ask.Note, mostNote, false)
	}
	if err != nil {
		return nil, err
	}
	c, err := s.control()
	if err != nil {
		return nil, err
	}
	if ask.Run < 0 {
		return nil, fieldf("run", "run: found %d; want a run of the plan, or 0 for the next", ask.Run)
	}
	if err := c.StartRun(r.Context(), ask.Run, ask.Piece); err != nil {
		return nil, err
	}
	if ask.Note == "" {
		err := s.change()
		return s.state(), err
	}
	if err := s.catalog.reload(); err != nil {
		return nil, err
	}
	_, err = s.writeNote(s.running(), ask.Note)
	return s.state(), err
}

func (s *Server) stopRun(w http.ResponseWriter, r *http.Request) {
	c, err := s.control()
	if err == nil {
		err = c.StopRun(r.Context(), 0)
	}
	if err == nil {
		err = s.change()
	}
	answer(w, s.state(), refusal(err))
}

func (s *Server) endRecording(w http.ResponseWriter, r *http.Request) {
	switch {
	case s.live == nil || s.live.over():
		fail(w, problemf(http.StatusConflict, "the trial is not being recorded"))
		return
	case s.config.End == nil:
		fail(w, problemf(http.StatusConflict, "the recording ends by itself"))
		return
	}
	s.config.End()
	select {
	case <-s.live.done:
	case <-r.Context().Done():
	}
	answer(w, s.state(), nil)
}

// moments of a bench check, and their words in the API.
var moments = []string{store.Before, store.After}

func (s *Server) getBench(r *http.Request) (any, error) {
	if err := queryOf(r).err; err != nil {
		return nil, err
	}
	checks, err := s.file.BenchChecks()
	if err != nil {
		return nil, err
	}
	j := BenchJSON{Steps: []BenchStepJSON{}}
	for i := range s.steps {
		j.Steps = append(j.Steps, s.benchStep(i, checks))
	}
	s.writing.Lock()
	if s.reading > 0 {
		n := s.reading - 1
		j.Reading = &n
	}
	s.writing.Unlock()
	return j, nil
}

// number returns what p points to, NaN for nil.
func number(p *float64) analyze.Number {
	if p == nil {
		return analyze.Number(math.NaN())
	}
	return analyze.Number(*p)
}

// benchStep returns step i with its last results.
func (s *Server) benchStep(i int, checks []store.BenchCheck) BenchStepJSON {
	x := &s.steps[i]
	limits := x.Judge(nil)
	j := BenchStepJSON{Step: i, Station: x.Station, Name: x.Name, Do: x.Do, LengthS: analyze.Number(x.LengthS), LoKPa: number(limits.Lo), HiKPa: number(limits.Hi),
		DriftKPa: analyze.Number(math.NaN()), DriftUKPa: analyze.Number(math.NaN())}
	var before, after *bench.Result
	for k := range checks {
		c := &checks[k]
		if c.Station != x.Station || c.Step != x.Name {
			continue
		}
		r := &BenchResultJSON{TS: seconds(c.TNS), ValueKPa: number(c.Value), UKPa: number(c.U), Pass: c.Pass, Why: c.Why}
		if c.Moment == store.Before {
			j.Before, before = r, &c.Result
		} else {
			j.After, after = r, &c.Result
		}
	}
	if before != nil && after != nil {
		kPa, u := bench.Drift([]bench.Result{*before}, *after)
		j.DriftKPa, j.DriftUKPa = analyze.Number(kPa), analyze.Number(u)
	}
	return j
}

// benchPatience is how long a step waits for samples beyond its length.
const benchPatience = 2 * time.Second

func (s *Server) readBench(w http.ResponseWriter, r *http.Request) {
	var ask BenchAskJSON
	v, err := any(nil), body(w, r, &ask)
	if err == nil {
		v, err = s.benchRead(r.Context(), ask)
	}
	answer(w, v, refusal(err))
}

func (s *Server) benchRead(ctx context.Context, ask BenchAskJSON) (any, error) {
	moment := ""
	for _, m := range moments {
		if m == ask.Moment {
			moment = m
		}
	}
	switch {
	case ask.Step < 0 || ask.Step >= len(s.steps):
		return nil, fieldf("step", "step: found %d; there are %d, from 0", ask.Step, len(s.steps))
	case moment == "":
		return nil, fieldf("moment", "moment: found %.80q; want before or after", ask.Moment)
	case s.live == nil || s.live.over():
		return nil, problemf(http.StatusConflict, "the trial is not being recorded: nothing is read")
	}
	if !s.benching.TryLock() {
		return nil, problemf(http.StatusConflict, "another step is being read")
	}
	defer s.benching.Unlock()
	if run := s.running(); run > 0 && s.config.Control != nil {
		return nil, problemf(http.StatusConflict, "run %d is in progress; stop it first", run)
	}
	s.reads(ask.Step + 1)
	defer s.reads(0)
	x := &s.steps[ask.Step]
	at, ok := s.catalog.channel(x.Place.Channel.Name)
	if !ok {
		return nil, problemf(http.StatusUnprocessableEntity, "channel %q is not recorded", x.Place.Channel.Name)
	}
	values, err := s.live.listen(ctx, at, time.Duration(x.LengthS*float64(time.Second)), benchPatience)
	if err != nil {
		return nil, err
	}
	check := store.BenchCheck{TNS: int64(float64(s.state().TS) * 1e9), Moment: moment, Result: x.Judge(values)}
	if err := s.file.Commit(store.Entry{Bench: []store.BenchCheck{check}}); err != nil {
		return nil, err
	}
	checks, err := s.file.BenchChecks()
	if err != nil {
		return nil, err
	}
	return s.benchStep(ask.Step, checks), s.change()
}

// reads notes which step is being read, from 1; 0 for none.
func (s *Server) reads(step int) {
	s.writing.Lock()
	s.reading = step
	s.writing.Unlock()
	s.live.changed()
}
