package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/compare"
	"griptrial/analyze/layout"
	"griptrial/analyze/linespeed"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report/drawing"
	"griptrial/store"
)

// A TrialInput is what the report of a trial is made from.
type TrialInput struct {
	Name          string // of the file, without its folder
	SHA256        string // of its bytes, "" where it is still being recorded
	Command       string // that makes the same report
	Program       string // version that makes it
	Header        store.Header
	Set           store.Set
	Rig           *config.Rig
	Trial         *compare.Trial
	Runs          []store.Run
	Pieces        []store.Piece
	Notes         []store.Note
	Events        []pick.Event
	Survey        *record.Survey
	Engines       *EngineJSON // nil: no file of engines, or none could be matched
	NoEngines     string      // why none could be matched
	EnginesSHA256 string
	Around        *CircumstancesJSON
	Lift          *LiftTrialJSON                            // nil: the requirement is no load
	BagSizes      []BagSize                                 // for the placement; the sheets are drawn for those that were chosen
	LipsMM        map[string]float64                        // by cup; "" for all others
	Explain       func(p *pick.Pick) ([]pick.Budget, error) // where the uncertainty of a pick comes from

	Mix          []compare.BagShare
	Rate         float64 // picks per minute, NaN where not known
	HoursPerYear float64 // NaN where not stated
	Resamples    int
	Seed         uint64
	Paper        Paper // of the placement sheets
}

// A TrialReport is all that the report of a trial says, as JSON. Null stands for what was not
// recorded or cannot be had.
type TrialReport struct {
	Schema       int                `json:"schema"`
	File         TrialFileJSON      `json:"file"`
	Requirement  RequirementJSON    `json:"requirement"`
	HoursPerYear analyze.Number     `json:"hours_per_year"`
	Choice       ChoiceJSON         `json:"choice"`
	Comparison   ComparisonJSON     `json:"comparison"`
	Setups       []SetupJSON        `json:"setups"`
	Summaries    []SummaryJSON      `json:"summaries"`
	YearKWh      []YearJSON         `json:"energy_per_year"`
	Lines        *LineSpeedsJSON    `json:"line_speed"` // of the chosen setups, null without a rate
	Lift         *LiftTrialJSON     `json:"lift"`       // null where the requirement is no load
	Soak         []SoakJSON         `json:"soak"`
	Engines      *EngineJSON        `json:"engines"`
	Placement    []PlacementJSON    `json:"placement"`
	Channels     []ChannelJSON      `json:"channels"`
	Around       *CircumstancesJSON `json:"circumstances"`
	Runs         []RunJSON          `json:"runs"`
	Spoiled      []SpoiledJSON      `json:"spoiled"`
	Gaps         []GapJSON          `json:"gaps"`
	Faults       []FaultJSON        `json:"bus_faults"`
	Notes        []NoteJSON         `json:"notes"`
	Budgets      []BudgetJSON       `json:"uncertainty_budget"`
	Cautions     []string           `json:"cautions"`

	in       *TrialInput
	lines    []LineSpeed
	soaks    []compare.Soak
	spans    map[runAt][2]float64 // first start and last end of the picks of a run at a station, s
	placed   []PlacedBag
	letter   map[string]string // of setups, see letterOf
	noPlan   string            // why there is no placement
	budgetOf *compare.Pick     // nil: no pick has a budget
}

// A runAt is a run at a station.
type runAt struct {
	run     int
	station string
}

// A TrialFileJSON says which file this is.
type TrialFileJSON struct {
	Name          string    `json:"name"`
	Trial         string    `json:"trial"`
	Rig           string    `json:"rig"`
	BegunUTC      time.Time `json:"begun_utc"`
	SHA256        *string   `json:"sha256"`
	RigSHA256     string    `json:"rig_sha256"`
	TrialSHA256   string    `json:"trial_sha256"`
	EnginesSHA256 *string   `json:"engines_sha256,omitempty"`
	RecordedBy    string    `json:"recorded_by"`
	AnalysedBy    string    `json:"analysed_by"`
	Set           int       `json:"set"`
	ReportedBy    string    `json:"reported_by"`
	Command       string    `json:"command"`
	Picks         int       `json:"picks"`
	Pieces        int       `json:"pieces"`
	Stations      []string  `json:"stations"`
	Shared        bool      `json:"stations_share_an_engine"`
}

// A SummaryJSON is what a setup showed in one measure.
type SummaryJSON struct {
	Setup   string         `json:"setup"`
	Measure string         `json:"measure"`
	Unit    string         `json:"unit"`
	Picks   int            `json:"picks"`
	Blocks  int            `json:"blocks"`
	Block   string         `json:"block"`
	Middle  analyze.Figure `json:"middle"`
}

// A YearJSON is the energy of a machine in a year.
type YearJSON struct {
	Levels string         `json:"levels"`
	KWh    analyze.Figure `json:"kWh"`
}

// A PlacementJSON is where the cups of the chosen machine go on one bag.
type PlacementJSON struct {
	Bag    string     `json:"bag"`
	Layout LayoutJSON `json:"layout"`
}

// A BagSize is a bag with what layout must know of it, without lip and cups.
type BagSize struct {
	Bag   string
	Order layout.Order
}

// A PlacedBag is a bag with its pattern of cups, and the sheet to print.
type PlacedBag struct {
	Bag    string
	LipMM  float64
	Cups   int
	Layout LayoutJSON
	Sheets []*drawing.Drawing
}

// A ChannelJSON is a channel with the device that it was read from.
type ChannelJSON struct {
	Bus         string         `json:"bus"`
	Device      string         `json:"device"`
	Name        string         `json:"name"`
	Kind        sample.Kind    `json:"kind"`
	Station     string         `json:"station"`
	At          string         `json:"at"`
	IntervalS   analyze.Number `json:"interval_s"`
	UpdateS     analyze.Number `json:"update_s"`
	LagS        analyze.Number `json:"lag_s"`
	Resolution  analyze.Number `json:"resolution"`
	Accuracy    analyze.Number `json:"accuracy"`
	Calibrated  *string        `json:"calibrated"` // date
	CalibratedN int            `json:"calibration_points,omitempty"`
}

// A RunJSON is a run as it was made.
type RunJSON struct {
	N       int               `json:"n"`
	StartS  analyze.Number    `json:"start_s"`
	Piece   string            `json:"piece"`
	Planned int               `json:"planned_picks"`
	Made    int               `json:"picks"`
	Setups  map[string]string `json:"setups"`
}

// A SpoiledJSON is a pick that is not to be trusted, and why.
type SpoiledJSON struct {
	Station string         `json:"station"`
	Pick    int            `json:"pick"`
	Setup   string         `json:"setup"`
	StartS  analyze.Number `json:"start_s"`
	Reason  string         `json:"reason"`
	Counted bool           `json:"counted"` // in the verdicts
}

// A FaultJSON is how often something kept values from being read.
type FaultJSON struct {
	Where  string         `json:"where"`
	Cause  string         `json:"cause"`
	N      int            `json:"n"`
	FirstS analyze.Number `json:"first_s"`
	LastS  analyze.Number `json:"last_s"`
}

// A NoteJSON is what somebody wrote down.
type NoteJSON struct {
	TS   analyze.Number `json:"t_s"`
	Text string         `json:"text"`
}

// Chosen returns the setups that the choice names, one a bag: those of the machine chosen, else
// of the plan of changes; nil where nothing could be chosen.
func (r *TrialReport) Chosen() []MachineBag {
	if m := r.chosenMachine(); m != nil {
		return m.Bags
	}
	var all []MachineBag
	for _, p := range r.Choice.Plan {
		for _, m := range r.Choice.Machines {
			if m.Levels == p.Setup {
				for _, b := range m.Bags {
					if b.Bag == p.Bag {
						all = append(all, b)
					}
				}
			}
		}
	}
	return all
}

// NewTrialReport puts together what the report of a trial says.
func NewTrialReport(in TrialInput) (*TrialReport, error) {
	t := in.Trial
	q := t.Requirement
	r := &TrialReport{Schema: 1, in: &in, Cautions: Cautions, Engines: in.Engines, Around: in.Around, Lift: in.Lift}
	r.File = TrialFileJSON{Name: in.Name, Trial: t.Name, Rig: in.Rig.Name, BegunUTC: in.Header.AnchorUTC.UTC(), SHA256: text(in.SHA256),
		EnginesSHA256: text(in.EnginesSHA256), RigSHA256: in.Rig.SHA256(), TrialSHA256: t.SHA256(), RecordedBy: in.Header.Program, AnalysedBy: in.Set.Program, Set: in.Set.N,
		ReportedBy: in.Program, Command: in.Command, Picks: len(t.Picks), Stations: in.Header.Stations, Shared: t.Shared}
	r.Requirement, r.HoursPerYear = Requirement(&q), number(in.HoursPerYear)
	r.Requirement.PicksPerMinute = number(in.Rate)
	choice := compare.Choose(t, in.Mix, in.Rate, in.Resamples, in.Seed)
	r.Choice = Choice(choice)
	for _, m := range choice.Machines {
		r.YearKWh = append(r.YearKWh, YearJSON{m.Levels, compare.YearKWh(m.Energy, in.Rate, in.HoursPerYear)})
	}
	c := compare.Compare(t, compare.Options{})
	var models []compare.Model
	for i := range compare.Measures {
		if m, ok := compare.Factors(t, &compare.Measures[i]); ok {
			models = append(models, m)
		}
	}
	r.Comparison = Comparison(t, c, compare.Judge(t), models)
	r.Setups = Setups(t.Trial)
	for _, s := range compare.Summaries(t, slices.Concat(compare.Measures, compare.Phases)) {
		r.Summaries = append(r.Summaries, SummaryJSON{s.Setup, s.Measure.Name, s.Measure.Unit, s.Picks, s.Blocks, s.Block, scaled(s.Middle, s.Measure.Scale)})
	}
	r.soaks = compare.Soaks(t)
	r.Soak = Soaks(r.soaks).Runs
	if err := r.lineSpeeds(); err != nil {
		return nil, err
	}
	if err := r.place(); err != nil {
		return nil, err
	}
	r.spoiled()
	for p := range in.Rig.Channels() {
		ch := p.Channel
		x := ChannelJSON{Bus: p.Bus.Name, Device: p.Device.Name, Name: ch.Name, Kind: ch.Kind, Station: ch.Station, At: ch.At, IntervalS: number(ch.IntervalS),
			UpdateS: number(ch.UpdateS), LagS: number(ch.LagS), Resolution: number(ch.Resolution), Accuracy: number(ch.Accuracy)}
		if k := ch.Calibrated; k != nil {
			x.Calibrated, x.CalibratedN = &k.Date, k.Points
		}
		r.Channels = append(r.Channels, x)
	}
	pieces, made := map[string]bool{}, map[int]int{}
	r.spans = map[runAt][2]float64{}
	for i := range t.Picks {
		p := &t.Picks[i]
		made[p.Run]++
		if from, to := record.Stretch(p.Pick); to > from {
			k := runAt{p.Run, p.Station}
			span, known := r.spans[k]
			if !known || from < span[0] {
				span[0] = from
			}
			span[1] = max(span[1], to)
			r.spans[k] = span
		}
		if p.Piece != "" {
			pieces[p.Piece] = true
		}
	}
	r.File.Pieces = len(pieces)
	for _, x := range in.Runs {
		begun := float64(x.StartNS) / 1e9
		for station := range x.Setups { // its first pick, where there is one
			if span, known := r.spans[runAt{x.N, station}]; known && span[0] > begun {
				begun = span[0]
			}
		}
		for station := range x.Setups {
			if span, known := r.spans[runAt{x.N, station}]; known {
				begun = min(begun, span[0])
			}
		}
		r.Runs = append(r.Runs, RunJSON{x.N, number(begun), x.Piece, x.PlannedPicks * len(x.Setups), made[x.N], x.Setups})
	}
	for _, g := range in.Survey.Gaps {
		r.Gaps = append(r.Gaps, GapJSON{FromS: number(g.FromS), ToS: number(g.ToS), Station: g.Station})
	}
	for _, f := range in.Survey.Faults {
		r.Faults = append(r.Faults, FaultJSON{f.Group, f.Cause, f.N, number(f.FirstS), number(f.LastS)})
	}
	for _, f := range in.Survey.Flagged {
		r.Faults = append(r.Faults, FaultJSON{f.Channel, string(f.Flag), f.N, number(math.NaN()), number(math.NaN())})
	}
	for _, n := range in.Notes {
		r.Notes = append(r.Notes, NoteJSON{number(float64(n.TNS) / 1e9), n.Text})
	}
	if r.budgetOf = r.representative(); r.budgetOf != nil {
		budgets, err := in.Explain(&r.budgetOf.Pick)
		if err != nil {
			return nil, err
		}
		r.Budgets = PickBudgets(r.budgetOf.Pick, budgets).Budgets
	}
	return r, nil
}

// lineSpeeds holds the chosen setups against the line's cycle.
func (r *TrialReport) lineSpeeds() error {
	if !(r.in.Rate > 0) {
		return nil
	}
	q := r.in.Trial.Requirement
	for _, b := range r.Chosen() {
		picks := func(yield func(*pick.Pick) bool) {
			for i := range r.in.Trial.Picks {
				if p := &r.in.Trial.Picks[i]; p.Setup == b.Setup && p.Spoiled == "" && !yield(&p.Pick) {
					return
				}
			}
		}
		v, err := linespeed.Of(picks, linespeed.Options{PicksPerMinute: r.in.Rate, LimitS: q.SealTimeLimitS, Share: q.SealTimeShare, Confidence: q.Confidence})
		if err != nil {
			return err
		}
		r.lines = append(r.lines, LineSpeed{Setup: b.Setup, View: v})
	}
	if r.lines != nil {
		j := LineSpeedViews(r.lines)
		r.Lines = &j
	}
	return nil
}

// place places the cups of the chosen setups on the bags whose sizes are given.
func (r *TrialReport) place() error {
	if len(r.in.BagSizes) == 0 {
		r.noPlan = "No placement sheet: the trial file does not have the sizes of bags and lips (--bag-size, --lip)."
		return nil
	}
	for _, b := range r.Chosen() {
		s := r.setup(b.Setup)
		i := slices.IndexFunc(r.in.BagSizes, func(x BagSize) bool { return x.Bag == b.Bag })
		if s == nil || i < 0 {
			continue
		}
		o := r.in.BagSizes[i].Order
		lip, known := r.in.LipsMM[s.Cup]
		if !known {
			if lip, known = r.in.LipsMM[""]; !known {
				continue
			}
		}
		o.LipMM, o.Cups = lip, s.Cups
		j, own, err := PlaceCups([]layout.Order{o})
		if err != nil {
			return fmt.Errorf("placement on %s: %w", b.Bag, err)
		}
		paper, tiles := A4, Tiles
		if r.in.Paper == Letter {
			paper, tiles = Letter, LetterTiles
		}
		title := fmt.Sprintf("%s: %s, lip %s mm", short(b.Bag, 60), plural(s.Cups, "cup"), brief(lip))
		sheet, err := NewSheet(o, own[0], paper, title)
		if err != nil { // larger than the paper
			if sheet, err = NewSheet(o, own[0], tiles, title); err != nil {
				return fmt.Errorf("placement on %s: %w", b.Bag, err)
			}
		}
		r.placed = append(r.placed, PlacedBag{b.Bag, lip, s.Cups, j, sheet.Pages})
		r.Placement = append(r.Placement, PlacementJSON{b.Bag, j})
	}
	if r.placed == nil {
		r.noPlan = "No placement sheet: the sizes given are of no bag and cup that were chosen."
		if r.Chosen() == nil {
			r.noPlan = "No placement sheet: nothing is chosen yet."
		}
	}
	return nil
}

// spoiled lists the picks that are not to be trusted.
func (r *TrialReport) spoiled() {
	for i := range r.in.Trial.Picks {
		p := &r.in.Trial.Picks[i]
		switch {
		case p.Spoiled != "":
			r.Spoiled = append(r.Spoiled, SpoiledJSON{p.Station, p.N, p.Setup, number(p.StartS), p.Spoiled, false})
		case p.TouchedByGap:
			r.Spoiled = append(r.Spoiled, SpoiledJSON{p.Station, p.N, p.Setup, number(p.StartS), "touched by a gap", true})
		}
	}
}

// representative returns the pick whose uncertainty budget stands for the trial: of the first 200
// picks of what was chosen, else of all, the released one whose seal time is the middle one; nil
// where none has one. (The first, for explaining it replays the trial up to it.)
func (r *TrialReport) representative() *compare.Pick {
	chosen := map[string]bool{}
	for _, b := range r.Chosen() {
		chosen[b.Setup] = true
	}
	var all []*compare.Pick
	seen := 0
	for i := range r.in.Trial.Picks {
		p := &r.in.Trial.Picks[i]
		if len(chosen) > 0 && !chosen[p.Setup] {
			continue
		}
		if seen++; seen > 200 {
			break
		}
		if p.SealTimeS.OK() && p.Outcome == pick.Released {
			all = append(all, p)
		}
	}
	if all == nil {
		return nil
	}
	slices.SortStableFunc(all, func(a, b *compare.Pick) int { return cmp.Compare(a.SealTimeS.Value, b.SealTimeS.Value) })
	return all[len(all)/2]
}

// ChooseTraces returns picks of every setup for the overlays: those that dropped or did not
// seal first, the others spread evenly over the trial.
func ChooseTraces(t *compare.Trial) []*pick.Pick {
	const each = overlayPicks
	bySetup := map[string][]*pick.Pick{}
	for i := range t.Picks {
		p := &t.Picks[i]
		if p.Outcome != pick.Open && p.Setup != "" {
			bySetup[p.Setup] = append(bySetup[p.Setup], &p.Pick)
		}
	}
	var all []*pick.Pick
	for i := range t.Setups {
		picks := bySetup[t.Setups[i].Name]
		var lost, good []*pick.Pick
		for _, p := range picks {
			if p.Outcome == pick.Dropped || p.Outcome == pick.Unsealed {
				lost = append(lost, p)
			} else {
				good = append(good, p)
			}
		}
		lost = spread(lost, each/3)
		all = append(append(all, lost...), spread(good, each-len(lost))...)
	}
	slices.SortStableFunc(all, func(a, b *pick.Pick) int { return cmp.Compare(a.EndS, b.EndS) })
	return all
}

// spread returns n of all, evenly.
func spread[T any](all []T, n int) []T {
	if len(all) <= n {
		return all
	}
	out := make([]T, n)
	for i := range out {
		out[i] = all[i*len(all)/n]
	}
	return out
}

// summary returns what a setup showed in a measure, nil where nothing.
func (r *TrialReport) summary(setup, measure string) *SummaryJSON {
	for i := range r.Summaries {
		if s := &r.Summaries[i]; s.Setup == setup && s.Measure == measure {
			return s
		}
	}
	return nil
}

// middle returns a summary's figure.
func (r *TrialReport) middle(setup, measure string) analyze.Figure {
	if s := r.summary(setup, measure); s != nil {
		return s.Middle
	}
	return analyze.None()
}

// verdict returns the verdict on a setup, nil where it has no picks.
func (r *TrialReport) verdict(setup string) *VerdictJSON {
	for i := range r.Comparison.Setups {
		if v := &r.Comparison.Setups[i]; v.Setup == setup {
			return v
		}
	}
	return nil
}

// criterion returns one requirement of a verdict, nil where it is not stated.
func (v *VerdictJSON) criterion(name string) *CriterionJSON {
	if v == nil {
		return nil
	}
	for i := range v.Criteria {
		if v.Criteria[i].Name == name {
			return &v.Criteria[i]
		}
	}
	return nil
}

// setup returns the levels of a setup.
func (r *TrialReport) setup(name string) *SetupJSON {
	for i := range r.Setups {
		if r.Setups[i].Name == name {
			return &r.Setups[i]
		}
	}
	return nil
}
