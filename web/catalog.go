package web

import (
	"errors"
	"math"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/compare"
	"griptrial/analyze/pick"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
	"griptrial/store"
)

// A catalog is what is known of a trial without looking into its file: the plan, the runs,
// the marks, and the head of every pick. It may be used from several goroutines.
type catalog struct {
	file       *store.Trial
	rig        *config.Rig   // nil where the file has no rig text
	trial      *config.Trial // nil where it has no trial text
	byOperator bool

	mu     sync.RWMutex
	heads  []head
	lastNS int64                  // end of the last pick
	at     map[pickKey]int        // into heads
	done   map[int]map[string]int // by run and station: picks that count
	runs   []store.Run
	marks  []store.Mark
	notes  []store.Note
}

type pickKey struct {
	station string
	n       int
}

// A head is a pick without its figures.
type head struct {
	pickKey
	row       int64
	run       int
	outcome   pick.Outcome
	startS    float64
	contactS  float64
	endS      float64
	required  float64
	ns        int64 // by which a mark names it
	nsKnown   bool
	spoiledBy string
}

// newCatalog reads what a file says of itself, but no picks.
func newCatalog(file *store.Trial) (*catalog, error) {
	c := &catalog{file: file, at: map[pickKey]int{}, done: map[int]map[string]int{}}
	name := filepath.Base(file.Path())
	var err error
	c.rig, c.trial, err = record.TextsOf(file, name, 1)
	if err != nil && !errors.Is(err, record.ErrNoSetups) {
		return nil, err
	}
	return c, c.reload()
}

// read takes the picks of a file that is not being recorded.
func (c *catalog) read() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	err := c.file.Heads(1, func(row int64, p *pick.Pick) { c.addHead(p, row) })
	c.mark()
	return err
}

// add takes picks that have been stored, in their order, while the file is recorded.
func (c *catalog) add(picks []pick.Pick) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i := range picks {
		c.addHead(&picks[i], int64(len(c.heads)+1)) // the file has one analysis
	}
}

func (c *catalog) addHead(p *pick.Pick, row int64) {
	h := head{pickKey: pickKey{p.Station, p.N}, row: row, run: p.Run, outcome: p.Outcome, startS: p.StartS, contactS: p.ContactS, endS: p.EndS, required: p.RequiredKPa}
	h.ns, h.nsKnown = store.PickNS(p)
	if !math.IsNaN(p.EndS) {
		c.lastNS = max(c.lastNS, int64(p.EndS*1e9))
	}
	c.at[h.pickKey] = len(c.heads)
	c.heads = append(c.heads, h)
	c.count(&h)
}

// count counts a pick for its run.
func (c *catalog) count(h *head) {
	if h.spoiledBy != "" || h.run == 0 {
		return
	}
	if c.done[h.run] == nil {
		c.done[h.run] = map[string]int{}
	}
	c.done[h.run][h.station]++
}

// reload reads runs, marks and notes again.
func (c *catalog) reload() error {
	runs, err := c.file.Runs()
	if err != nil {
		return err
	}
	marks, err := c.file.Spoiled()
	if err != nil {
		return err
	}
	notes, err := c.file.Notes()
	if err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.runs, c.marks, c.notes = runs, marks, notes
	c.mark()
	return nil
}

// mark finds the picks that the marks mean.
func (c *catalog) mark() {
	var near []pick.Pick // those that a mark can mean, as far as that needs them
	var at []int
	for i := range c.heads {
		h := &c.heads[i]
		h.spoiledBy = ""
		if h.nsKnown && slices.ContainsFunc(c.marks, func(m store.Mark) bool { return m.Station == h.station && max(m.TNS-h.ns, h.ns-m.TNS) < 1e9 }) {
			nan := math.NaN()
			near = append(near, pick.Pick{Station: h.station, StartS: float64(h.ns) / 1e9, ContactS: nan, SealedAtS: nan, DropS: nan, ReleaseS: nan, EndS: nan})
			at = append(at, i)
		}
	}
	for k, reason := range store.SpoiledPicks(c.marks, near) {
		c.heads[at[k]].spoiledBy = reason
	}
	c.done = map[int]map[string]int{}
	for i := range c.heads {
		c.count(&c.heads[i])
	}
}

// find returns the head of a pick.
func (c *catalog) find(station string, n int) (head, bool) {
	c.mu.RLock()
	defer c.mu.RUnlock()
	i, ok := c.at[pickKey{station, n}]
	if !ok {
		return head{}, false
	}
	return c.heads[i], true
}

// run returns a run as it was begun.
func (c *catalog) run(n int) store.Run {
	if n < 1 || n > len(c.runs) {
		return store.Run{}
	}
	return c.runs[n-1]
}

// view returns a pick as the page shows it.
func (c *catalog) view(p pick.Pick) PickView {
	c.mu.RLock()
	defer c.mu.RUnlock()
	r := c.run(p.Run)
	v := PickView{PickJSON: report.Pick(p, r.Setups[p.Station]), Piece: r.Piece}
	if i, ok := c.at[pickKey{p.Station, p.N}]; ok && c.heads[i].spoiledBy != "" {
		reason := c.heads[i].spoiledBy
		v.Spoiled = &reason
	}
	return v
}

// plan returns the runs of the plan.
func (c *catalog) plan() []config.Run {
	if c.trial == nil {
		return nil
	}
	return c.trial.Runs
}

// sheet returns the run sheet. running is the run in progress, 0 for none.
func (c *catalog) sheet(running int) []RunJSON {
	c.mu.RLock()
	defer c.mu.RUnlock()
	var before map[string]string
	piece := ""
	all := []RunJSON{}
	for i, r := range c.plan() {
		j := RunJSON{N: i + 1, Piece: r.Piece, Picks: r.Picks, Status: Planned, StartS: analyze.Number(math.NaN()), Setups: r.Setups,
			Done: map[string]int{}, Left: map[string]int{}, Mount: c.mount(before, r.Setups)}
		short := false
		for station := range r.Setups {
			n := c.done[j.N][station]
			j.Done[station], j.Left[station] = n, max(0, r.Picks-n)
			short = short || n < r.Picks
		}
		if i < len(c.runs) {
			j.Piece, j.StartS = c.runs[i].Piece, seconds(c.runs[i].StartNS)
			switch {
			case j.N == running:
				j.Status = Running
			case short:
				j.Status = Stopped
			default:
				j.Status = Done
			}
		}
		j.NewPiece = i == 0 || j.Piece != piece
		piece, before = j.Piece, r.Setups
		all = append(all, j)
	}
	return all
}

// mount returns what changes on the stations from one run to the next.
func (c *catalog) mount(before, after map[string]string) []StepJSON {
	steps := []StepJSON{}
	for _, station := range c.file.Header().Stations {
		now := c.trial.Setup(after[station])
		if now == nil {
			continue
		}
		was := c.trial.Setup(before[station])
		for _, f := range config.Factors {
			from, to := "", now.Level(f)
			if was != nil {
				from = was.Level(f)
			}
			if from != to {
				steps = append(steps, StepJSON{Station: station, Setup: now.Name, Factor: f, From: from, To: to})
			}
		}
	}
	return steps
}

// stations returns how the stations stand. running is the run in progress, mounted the one
// whose setups are mounted; 0 for none.
func (c *catalog) stations(running, mounted int, begun, final []int) []StationStateJSON {
	c.mu.RLock()
	defer c.mu.RUnlock()
	all := []StationStateJSON{}
	for i, name := range c.file.Header().Stations {
		s := StationStateJSON{Station: name, RequiredKPa: analyze.Number(math.NaN())}
		if mounted > 0 {
			s.Setup = c.run(mounted).Setups[name]
		}
		if c.trial != nil {
			s.RequiredKPa = analyze.Number(c.trial.RequiredVacuumKPa(s.Setup))
			if s.Setup == "" {
				s.RequiredKPa = analyze.Number(c.trial.Requirement.VacuumKPa)
			}
		}
		if i < len(begun) {
			s.Begun, s.Final = begun[i], final[i]
		}
		if r := c.run(running); r.Setups[name] != "" {
			s.Left = max(0, r.PlannedPicks-c.done[running][name])
		}
		all = append(all, s)
	}
	return all
}

// describe returns what the trial says of itself; running is the run in progress.
func (c *catalog) describe(running int, live bool) TrialJSON {
	h := c.file.Header()
	j := TrialJSON{File: filepath.Base(c.file.Path()), Program: h.Program, AnchorUTC: h.AnchorUTC.UTC().Format(time.RFC3339Nano), Live: live, ByOperator: c.byOperator,
		AmbientKPa: analyze.Number(math.NaN()), Stations: []StationJSON{}, Channels: []ChannelJSON{}, Setups: []report.SetupJSON{}, Runs: []RunJSON{}, Notes: []NoteJSON{},
		Measures: []MeasureJSON{}, Engines: []string{}}
	vacuum := map[string]string{}
	for _, g := range h.Groups {
		for i := range g.Channels {
			x := &g.Channels[i]
			if x.Kind == sample.Vacuum && vacuum[x.Station] == "" {
				vacuum[x.Station] = x.Name
			}
			j.Channels = append(j.Channels, ChannelJSON{Name: x.Name, Kind: x.Kind, Station: x.Station, At: x.At, Unit: x.Kind.Unit(), Switched: x.Kind.Switched(),
				SamplingS: analyze.Number(x.SamplingS()), Resolution: analyze.Number(x.Resolution), Accuracy: analyze.Number(x.Accuracy), Group: g.Name})
		}
	}
	for _, name := range h.Stations {
		s := StationJSON{Name: name, Vacuum: vacuum[name]}
		if c.rig != nil {
			if r := c.rig.Station(name); r != nil {
				s = StationJSON{Name: name, Engine: r.Engine, HandHeld: r.HandHeld, SupplyBeforeContact: r.SupplyBeforeContact, SupplyOffHolds: r.SupplyOffHolds,
					IdleBandKPa: analyze.Number(r.IdleBandKPa), DropLevelKPa: analyze.Number(r.DropLevelKPa), SealLimitS: analyze.Number(r.SealLimitS),
					VolumeL: analyze.Number(r.VolumeL), Vacuum: vacuum[name],
					NotIndependent: slices.ContainsFunc(c.rig.Stations, func(o config.Station) bool { return o.Name != name && o.Engine != "" && o.Engine == r.Engine })}
			}
		}
		j.Stations = append(j.Stations, s)
	}
	if c.rig != nil {
		j.Rig, j.AmbientKPa = c.rig.Name, analyze.Number(c.rig.AmbientKPa)
	}
	for i := range compare.Measures {
		m := &compare.Measures[i]
		better := "more"
		if m.Better < 0 {
			better = "less"
		}
		j.Measures = append(j.Measures, MeasureJSON{m.Name, m.Words, m.Unit, analyze.Number(m.Scale), better})
	}
	c.mu.RLock()
	for _, n := range c.notes {
		j.Notes = append(j.Notes, NoteJSON{seconds(n.TNS), n.Run, n.Text})
	}
	c.mu.RUnlock()
	if c.trial == nil {
		return j
	}
	j.Name = c.trial.Name
	q := report.Requirement(&c.trial.Requirement)
	j.Requirement, j.Setups = &q, report.Setups(c.trial)
	j.Runs = c.sheet(running)
	for _, r := range j.Runs {
		if r.Status == Planned {
			j.Next = &MountJSON{r.N, r.Piece, r.Mount}
			break
		}
	}
	return j
}

// channel returns where a channel stands.
func (c *catalog) channel(name string) (channelAt, bool) {
	for g, group := range c.file.Header().Groups {
		for i := range group.Channels {
			if group.Channels[i].Name == name {
				return channelAt{g, i}, true
			}
		}
	}
	return channelAt{}, false
}
