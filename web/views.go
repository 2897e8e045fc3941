package web

import (
	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/report"
)

// The JSON of the API, besides that of package report. openapi.yaml has its schemas, made
// from these types by a test. Instants are seconds of the trial's time; a number that cannot
// be had is null.

// A Role says what a viewer may do.
type Role string

// The roles.
const (
	Viewer   Role = "viewer"   // look
	Operator Role = "operator" // run the trial, too
)

// A SessionJSON is who asks and what is served.
type SessionJSON struct {
	Role     Role     `json:"role"`
	Version  string   `json:"version"`   // of the program
	Live     bool     `json:"live"`      // the trial is being recorded
	Tokens   bool     `json:"tokens"`    // the server asks for a token
	ReadOnly bool     `json:"read_only"` // nobody may change the trial file, an operator neither
	Cautions []string `json:"cautions"`  // for the foot of every page
}

// A LoginJSON asks for a session.
type LoginJSON struct {
	Token string `json:"token"`
}

// A ProblemJSON says what went wrong (RFC 9457).
type ProblemJSON struct {
	Type   string `json:"type"` // "about:blank"
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail"`          // one line, for people
	Field  string `json:"field,omitempty"` // of the query or the body, where one is at fault
}

// A TrialJSON is what a trial file says of itself, with how far its plan has come.
type TrialJSON struct {
	Name        string                  `json:"name"`
	File        string                  `json:"file"` // its name, without folders
	Program     string                  `json:"program"`
	AnchorUTC   string                  `json:"anchor_utc"` // of second 0
	Live        bool                    `json:"live"`
	ByOperator  bool                    `json:"by_operator"` // runs begin and end when an operator says so; else by the number of picks
	AmbientKPa  analyze.Number          `json:"ambient_kPa"`
	Rig         string                  `json:"rig"`
	Stations    []StationJSON           `json:"stations"`
	Channels    []ChannelJSON           `json:"channels"`
	Requirement *report.RequirementJSON `json:"requirement"` // null where the file has no trial text
	Setups      []report.SetupJSON      `json:"setups"`
	Runs        []RunJSON               `json:"runs"`
	Next        *MountJSON              `json:"next"` // null where no run is left
	Notes       []NoteJSON              `json:"notes"`
	Measures    []MeasureJSON           `json:"measures"` // that setups are compared by
	Engines     []string                `json:"engines"`  // that the engine view knows; empty where the server has no file of engines
	Bench       bool                    `json:"bench"`    // there are steps of a bench check
}

// A StationJSON is one vacuum circuit.
type StationJSON struct {
	Name                string         `json:"name"`
	Engine              string         `json:"engine"`
	HandHeld            bool           `json:"hand_held"`
	SupplyBeforeContact bool           `json:"supply_before_contact"`
	SupplyOffHolds      bool           `json:"supply_off_holds"`
	IdleBandKPa         analyze.Number `json:"idle_band_kPa"`
	DropLevelKPa        analyze.Number `json:"drop_level_kPa"` // null: half the required vacuum
	SealLimitS          analyze.Number `json:"seal_limit_s"`
	VolumeL             analyze.Number `json:"volume_L"`
	Vacuum              string         `json:"vacuum"` // name of its vacuum channel
	NotIndependent      bool           `json:"not_independent"`
}

// A ChannelJSON is one signal.
type ChannelJSON struct {
	Name       string         `json:"name"`
	Kind       sample.Kind    `json:"kind"`
	Station    string         `json:"station"` // "" where the whole rig has it
	At         string         `json:"at"`
	Unit       string         `json:"unit"` // "" for switched channels, whose values are 0 and 1
	Switched   bool           `json:"switched"`
	SamplingS  analyze.Number `json:"sampling_s"`
	Resolution analyze.Number `json:"resolution"`
	Accuracy   analyze.Number `json:"accuracy"`
	Group      string         `json:"group"` // bus, device and request
}

// A RunStatus says how far a run has come.
type RunStatus string

// The statuses.
const (
	Planned RunStatus = "planned"
	Running RunStatus = "running"
	Done    RunStatus = "done"
	Stopped RunStatus = "stopped" // begun, not in progress, and not all of its picks made
)

// A RunJSON is a line of the run sheet.
type RunJSON struct {
	N        int               `json:"n"`
	Piece    string            `json:"piece"`
	Picks    int               `json:"picks"` // planned on each station
	Status   RunStatus         `json:"status"`
	StartS   analyze.Number    `json:"start_s"`
	Setups   map[string]string `json:"setups"`    // station → setup
	Done     map[string]int    `json:"done"`      // station → picks made and not spoiled
	Left     map[string]int    `json:"left"`      // station → picks still to make
	Mount    []StepJSON        `json:"mount"`     // what changes from the run before
	NewPiece bool              `json:"new_piece"` // another piece than in the run before
}

// A MountJSON is the run that comes next and what to mount for it.
type MountJSON struct {
	Run   int        `json:"run"`
	Piece string     `json:"piece"`
	Mount []StepJSON `json:"mount"` // empty: nothing changes but the piece
}

// A StepJSON is one thing to change on a station.
type StepJSON struct {
	Station string `json:"station"`
	Setup   string `json:"setup"`
	Factor  string `json:"factor"` // bag, cup, cups, placement, tilt, engine or engine_setting
	From    string `json:"from"`   // "" before the first run
	To      string `json:"to"`
}

// A NoteJSON is what somebody wrote down.
type NoteJSON struct {
	TS   analyze.Number `json:"t_s"`
	Run  int            `json:"run"` // 0 for none
	Text string         `json:"text"`
}

// A MeasureJSON is a figure that setups are compared by.
type MeasureJSON struct {
	Name   string         `json:"name"`   // the key of a pick's figure
	Words  string         `json:"words"`  // in English
	Unit   string         `json:"unit"`   // as shown
	Scale  analyze.Number `json:"scale"`  // from the unit of the key to the one shown
	Better string         `json:"better"` // "more" or "less"
}

// A StateJSON is how the trial stands.
type StateJSON struct {
	Live     bool               `json:"live"`
	Finished bool               `json:"finished"` // recorded to its end
	TS       analyze.Number     `json:"t_s"`      // latest stamp
	Run      int                `json:"run"`      // in progress, from 1; 0 for none
	Runs     int                `json:"runs"`     // planned
	CanStart bool               `json:"can_start"`
	CanStop  bool               `json:"can_stop"`
	Picks    int                `json:"picks"` // final
	Stations []StationStateJSON `json:"stations"`
	Revision int                `json:"revision"` // grows when the run sheet, a note, a mark or the bench check changes: read them again
	Viewers  int                `json:"viewers"`
	Failed   string             `json:"recording_error,omitempty"` // why the recording ended, where it failed
}

// A StationStateJSON is how one station stands.
type StationStateJSON struct {
	Station     string         `json:"station"`
	Setup       string         `json:"setup"`        // mounted; "" before the first run
	RequiredKPa analyze.Number `json:"required_kPa"` // by that setup
	Begun       int            `json:"begun"`        // picks begun
	Final       int            `json:"final"`        // picks final
	Left        int            `json:"left"`         // picks still to make in the run in progress
}

// A HealthJSON is how reading and storing go.
type HealthJSON struct {
	TS              analyze.Number    `json:"t_s"`
	Scans           int               `json:"scans"`
	CommitS         analyze.Number    `json:"commit_s"`       // that the last commit took
	QueuedBatches   int               `json:"queued_batches"` // that wait for the next commit
	Buses           []BusJSON         `json:"buses"`
	Channels        []ChannelRateJSON `json:"channels"`
	Faults          []FaultJSON       `json:"faults"`           // the last ones, the newest first
	SkippedMessages int               `json:"skipped_messages"` // left out for viewers that were too slow
	SkippedBatches  int               `json:"skipped_batches"`  // left out of the stream for all; the file has them
}

// A BusJSON is one bus with its devices.
type BusJSON struct {
	Name    string       `json:"name"`
	Kind    string       `json:"kind"`
	Devices []DeviceJSON `json:"devices"`
}

// A DeviceJSON is what became of the polls of one device, since the start.
type DeviceJSON struct {
	Name       string         `json:"name"`
	Answered   int            `json:"answered"`
	Failed     int            `json:"failed"`
	Causes     map[string]int `json:"causes"` // of those that failed
	LateP50S   analyze.Number `json:"late_median_s"`
	LateP99S   analyze.Number `json:"late_p99_s"`
	LateWorstS analyze.Number `json:"late_worst_s"`
}

// A ChannelRateJSON is how often a channel is read.
type ChannelRateJSON struct {
	Channel    string         `json:"channel"`
	PlannedHz  analyze.Number `json:"planned_Hz"`
	MeasuredHz analyze.Number `json:"measured_Hz"` // over the last 5 s at most
	SilentS    analyze.Number `json:"silent_s"`    // since its last sample, beside the latest of all channels
}

// A FaultJSON is a recorded fault of a bus.
type FaultJSON struct {
	TS    analyze.Number `json:"t_s"`
	Group string         `json:"group"`
	Cause string         `json:"cause"`
}

// A PickView is a pick as the page shows it.
type PickView struct {
	report.PickJSON
	Piece       string `json:"piece"`
	Provisional bool   `json:"provisional"` // not final, not stored yet
}

// A PicksView is a part of the picks that match.
type PicksView struct {
	Total  int        `json:"total"` // that match
	Offset int        `json:"offset"`
	Picks  []PickView `json:"picks"`
}

// A PickDetailJSON is one pick, opened.
type PickDetailJSON struct {
	Pick   PickView           `json:"pick"`
	Events []report.EventJSON `json:"events"`
	Traces TracesJSON         `json:"traces"` // of its station's channels
}

// A TracesJSON is channels over a stretch of time.
type TracesJSON struct {
	FromS  analyze.Number   `json:"from_s"`
	ToS    analyze.Number   `json:"to_s"`
	Traces []TraceJSON      `json:"traces"`
	Gaps   []report.GapJSON `json:"gaps"`
}

// A TraceJSON is one channel: for each stretch of samples its first instant, the least and
// the greatest value. null in all three breaks the line: samples are missing there.
type TraceJSON struct {
	Channel string           `json:"channel"`
	Unit    string           `json:"unit"`
	Exact   bool             `json:"exact"` // every point is one sample
	TS      []analyze.Number `json:"t_s"`
	Lo      []analyze.Number `json:"lo"`
	Hi      []analyze.Number `json:"hi"`
}

// An OverlayJSON is the vacuum of the last picks of each setup, on one axis of time.
type OverlayJSON struct {
	Align  string             `json:"align"` // "supply" or "contact": what second 0 is
	TS     []analyze.Number   `json:"t_s"`
	Setups []OverlaySetupJSON `json:"setups"`
}

// An OverlaySetupJSON is the picks of one setup. All lists of numbers are as long as t_s; null
// where a pick has no sample.
type OverlaySetupJSON struct {
	Setup       string            `json:"setup"`
	RequiredKPa analyze.Number    `json:"required_kPa"`
	Picks       []OverlayPickJSON `json:"picks"`
	MedianKPa   []analyze.Number  `json:"median_kPa"`
	LoKPa       []analyze.Number  `json:"lo_kPa"` // the least and the greatest of the picks
	HiKPa       []analyze.Number  `json:"hi_kPa"`
	LeftOut     int               `json:"left_out"` // picks without the instant that is asked for
}

// An OverlayPickJSON is one pick's vacuum.
type OverlayPickJSON struct {
	Station   string           `json:"station"`
	N         int              `json:"n"`
	Outcome   pick.Outcome     `json:"outcome"`
	VacuumKPa []analyze.Number `json:"vacuum_kPa"`
}

// A SoaksJSON is long runs with what to draw.
type SoaksJSON struct {
	Runs []SoakJSON `json:"runs"`
}

// A SoakJSON is one setup on one station.
type SoakJSON struct {
	report.SoakJSON
	FirstS analyze.Number   `json:"first_s"` // start of its first pick, hour 0 of what follows
	Series []SoakSeriesJSON `json:"series"`
	Drops  SoakDropsJSON    `json:"drops_over_time"`
}

// A SoakSeriesJSON is the medians that a trend rests on.
type SoakSeriesJSON struct {
	Measure string           `json:"measure"`
	Unit    string           `json:"unit"`
	AtH     []analyze.Number `json:"at_h"`
	Median  []analyze.Number `json:"median"`
}

// A SoakDropsJSON is the drops up to each time, per 1,000 picks, with their bounds.
type SoakDropsJSON struct {
	AtH     []analyze.Number `json:"at_h"`
	Dropped []int            `json:"dropped"`
	Per1000 []analyze.Number `json:"per_1000"`
	Lo      []analyze.Number `json:"lo"`
	Hi      []analyze.Number `json:"hi"`
}

// An EngineAskJSON is what if. null or missing: as the trial and its rig say.
type EngineAskJSON struct {
	RequiredKPa         *float64 `json:"required_kPa,omitempty"`
	AmbientKPa          *float64 `json:"ambient_kPa,omitempty"`
	VolumeL             *float64 `json:"volume_L,omitempty"`
	VolumeUL            *float64 `json:"volume_u_L,omitempty"`
	PicksPerMinute      *float64 `json:"picks_per_minute,omitempty"`
	SupplyOnS           *float64 `json:"supply_on_s,omitempty"`
	HoursPerYear        *float64 `json:"hours_per_year,omitempty"`
	SpecificEnergyKWhM3 *float64 `json:"specific_energy_kWh_m3,omitempty"`
	Circuits            *int     `json:"circuits,omitempty"`
	Law                 string   `json:"law,omitempty"`              // "power", "orifice" or "laminar"
	LeakFactor          *float64 `json:"leak_factor,omitempty"`      // times the measured leak; default 1
	AirPressureKPa      *float64 `json:"air_pressure_kPa,omitempty"` // gauge, at every ejector
}

// A LayoutAskJSON asks where cups go, or how cups stand that were put somewhere.
type LayoutAskJSON struct {
	Bags         []SizeAskJSON `json:"bags"` // one, or several for one pattern that serves all
	LipMM        float64       `json:"lip_mm"`
	Cups         int           `json:"cups"`
	MarginMM     float64       `json:"margin_mm,omitempty"`
	FillMM       float64       `json:"fill_mm,omitempty"`
	CentreOfMass *PlaceJSON    `json:"centre_of_mass,omitempty"`
	KeepClear    []AreaJSON    `json:"keep_clear,omitempty"`
	Places       []PlaceJSON   `json:"places,omitempty"` // cups as dragged; one bag only
}

// A SizeAskJSON is a bag.
type SizeAskJSON struct {
	LengthMM float64 `json:"length_mm"`
	WidthMM  float64 `json:"width_mm"`
}

// A PlaceJSON is a place on a bag.
type PlaceJSON struct {
	XMM float64 `json:"x_mm"`
	YMM float64 `json:"y_mm"`
}

// An AreaJSON is an area to keep clear.
type AreaJSON struct {
	X0MM float64 `json:"x0_mm"`
	Y0MM float64 `json:"y0_mm"`
	X1MM float64 `json:"x1_mm"`
	Y1MM float64 `json:"y1_mm"`
}

// A LayoutAnswerJSON is a pattern, and how cups that were dragged stand.
type LayoutAnswerJSON struct {
	report.LayoutJSON
	FoldsXMM []analyze.Number   `json:"folds_x_mm"` // of the first bag: across its length
	FoldsYMM []analyze.Number   `json:"folds_y_mm"`
	Dragged  *report.LayoutJSON `json:"dragged"` // null without places
}

// A SheetAskJSON asks for the sheet to print at true scale.
type SheetAskJSON struct {
	LayoutAskJSON
	Paper string `json:"paper,omitempty"` // "A4", "A3" or "tiles"; "" for the smallest that does
	Title string `json:"title,omitempty"`
}

// A BenchJSON is the bench check.
type BenchJSON struct {
	Steps   []BenchStepJSON `json:"steps"`
	Reading *int            `json:"reading"` // the step being read; null for none
}

// A BenchStepJSON is one step with what it showed.
type BenchStepJSON struct {
	Step      int              `json:"step"` // from 0
	Station   string           `json:"station"`
	Name      string           `json:"name"` // "zero", "blanked", "leak-down", "open suction" or "air pressure"
	Do        string           `json:"do"`   // what the person does, in English; "" where nothing changes since the step before
	LengthS   analyze.Number   `json:"length_s"`
	LoKPa     analyze.Number   `json:"lo_kPa"` // what passes; null where open
	HiKPa     analyze.Number   `json:"hi_kPa"`
	Before    *BenchResultJSON `json:"before"` // the trial; null where not read
	After     *BenchResultJSON `json:"after"`
	DriftKPa  analyze.Number   `json:"drift_kPa"` // after less before
	DriftUKPa analyze.Number   `json:"drift_u_kPa"`
}

// A BenchResultJSON is what a step showed.
type BenchResultJSON struct {
	TS       analyze.Number `json:"t_s"`
	ValueKPa analyze.Number `json:"value_kPa"`
	UKPa     analyze.Number `json:"u_kPa"`
	Pass     *bool          `json:"pass"`          // null where the rig states no limit
	Why      string         `json:"why,omitempty"` // there is no value, or it is odd
}

// A BenchAskJSON has a step read.
type BenchAskJSON struct {
	Step   int    `json:"step"`
	Moment string `json:"moment"` // "before" or "after" the trial
}

// A StartJSON starts a run.
type StartJSON struct {
	Run   int    `json:"run,omitempty"`   // 0: the next one; a run that was stopped goes on
	Piece string `json:"piece,omitempty"` // "": as planned
	Note  string `json:"note,omitempty"`
}

// A NoteAskJSON adds a note.
type NoteAskJSON struct {
	Text string `json:"text"`
	Run  int    `json:"run,omitempty"` // 0: the run in progress, if there is one
}

// A SpoilJSON marks a pick as spoiled.
type SpoilJSON struct {
	Reason string `json:"reason"`
}

// A GripJSON compares two stations by readings in turn.
type GripJSON struct {
	A        string            `json:"a"`
	B        string            `json:"b"`
	Measure  string            `json:"measure"`
	Unit     string            `json:"unit"`              // of the readings, as shown
	Percent  analyze.Figure    `json:"percent"`           // a less b, in percent of b; the interval holds however often one looks
	Better   *string           `json:"better"`            // the station shown to be better; null while the interval holds 0
	BetterBy analyze.Figure    `json:"better_by_percent"` // how much the one that looks better is better, positive
	Leads    *string           `json:"leads"`             // the station that looks better so far
	Pairs    int               `json:"pairs"`
	Level    analyze.Number    `json:"level"`
	Readings []GripReadingJSON `json:"readings"`
	Warnings []string          `json:"warnings"`
}

// A GripReadingJSON is a reading of each station, or of one.
type GripReadingJSON struct {
	PickA *int           `json:"pick_a"`
	PickB *int           `json:"pick_b"`
	A     analyze.Number `json:"value_a"` // in unit
	B     analyze.Number `json:"value_b"`
}

// A SamplesJSON is what came in lately.
type SamplesJSON struct {
	ToS      analyze.Number      `json:"to_s"`
	Channels []SampleColumnsJSON `json:"channels"`
}

// A SampleColumnsJSON is the values of one channel; null where a sample is missing.
type SampleColumnsJSON struct {
	Channel string           `json:"channel"`
	TS      []analyze.Number `json:"t_s"`
	V       []analyze.Number `json:"v"`
}

// A SkippedJSON tells a slow viewer that samples were left out for it.
type SkippedJSON struct {
	Messages int `json:"messages"`
}

// An EndJSON is the end of the recording.
type EndJSON struct {
	Error string `json:"error,omitempty"`
}
