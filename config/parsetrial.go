package config

import (
	"math"
	"slices"
)

// LoadTrial reads the trial file at path. See ParseTrial.
func LoadTrial(path string, rig *Rig) (*Trial, error) {
	text, err := load(path)
	if err != nil {
		return nil, err
	}
	return ParseTrial(path, text, rig)
}

// ParseTrial reads the text of a trial file; name is what messages call it. Stations and
// engines must be those of rig; with a nil rig any name will do. The error is Faults,
// everything wrong in file order, and then the trial is nil.
func ParseTrial(name string, text []byte, rig *Rig) (*Trial, error) {
	f, top := readYAML(name, text, "a mapping with name, requirement, setups, runs")
	if top == nil {
		return nil, f.faults.asError()
	}
	t := &trialReader{trial: &Trial{Path: name, Text: slices.Clone(text)}, rig: rig, pressure: Pressure}
	ceiling := 110.0 // kPa: no place with people has more around it
	if rig != nil && !math.IsNaN(rig.AmbientKPa) {
		t.pressure, ceiling = PressureAt(rig.AmbientKPa), rig.AmbientKPa
	}
	t.vacuum = func(x float64) string {
		if x > 0 && x < ceiling {
			return ""
		}
		return "more than 0 and less than the pressure around, " + Pressure.Format(ceiling)
	}
	if t.readTop(top); top.has("buses") && !top.has("setups") {
		f.faults = Faults{{f.name, 1, 1, "", "this is a rig file, by its buses; want a trial file, which comes after the rig file"}}
	}
	if err := f.faults.asError(); err != nil {
		return nil, err
	}
	return t.trial, nil
}

// A trialReader holds what several parts of a trial file must agree on.
type trialReader struct {
	trial    *Trial
	rig      *Rig // nil where not known
	pressure Dimension
	vacuum   check // that a vacuum can be had
}

func (t *trialReader) readTop(top *value) {
	if top.require("name", `a name such as "bird feed, which cup"`) {
		t.trial.Name = top.name("name")
	}
	t.requirement(top)
	required := top.at["requirement"]
	load := t.trial.Requirement.Load
	hasVacuum := required != nil && (required.kind != mapping || required.has("vacuum") || required.has("load"))
	if top.require("setups", "at least one setup") {
		first := map[string]*value{}
		for _, v := range top.list("setups", "at least one setup") {
			s := t.setup(v)
			if math.IsNaN(s.VacuumKPa) && !v.has("vacuum") && !hasVacuum {
				v.where("vacuum").fault("not stated, nor is requirement.vacuum; want the vacuum that holds the bag such as %q", "30 kPa")
			}
			if was := first[s.Name]; was != nil && s.Name != "" {
				v.where("name").fault("%q is already the name of the setup in line %d", s.Name, was.line)
			} else {
				first[s.Name] = v
			}
			if load != nil && !v.has("vacuum") && !v.has("cups") {
				v.where("cups").fault("not stated; want the number of cups that share the load")
			}
			t.trial.Setups = append(t.trial.Setups, s)
			t.trial.setupAt = append(t.trial.setupAt, Fault{File: v.file.name, Line: v.line, Column: v.column, Field: v.path})
		}
		if load != nil {
			t.loaded(required.at["load"])
		}
	}
	t.design(top)
	for _, v := range top.list("runs", "runs such as {setups: {left: sachet}, picks: 20}") {
		t.trial.Runs = append(t.trial.Runs, t.run(v))
	}
	top.finish()
}

func (t *trialReader) requirement(top *value) {
	nan := math.NaN()
	q := &t.trial.Requirement
	*q = Requirement{VacuumKPa: nan, SealTimeLimitS: nan, SealTimeShare: nan, VacuumMinKPa: nan, VacuumShare: nan, DropsMaxRate: nan, PicksPerMinute: nan}
	v := top.mapping("requirement", "a mapping such as {vacuum: 30 kPa}")
	if v == nil {
		v = &value{file: top.file, line: top.line, column: top.column, path: "requirement", kind: mapping} // the defaults
	}
	share := between(Share, 0, 1)
	t.load(v)
	const byLoad = "the load says which vacuum is required"
	if w := v.get("vacuum"); w != nil && w.kind == mapping {
		if v.has("load") {
			w.refuse(byLoad, "required")
		} else if w.require("required", t.pressure.want()) {
			q.VacuumKPa = w.quantity("required", t.pressure, t.vacuum)
		}
		if w.require("min", "the lowest vacuum while the bag is carried, "+t.pressure.want()) {
			q.VacuumMinKPa = w.quantity("min", t.pressure, t.vacuum)
		}
		if w.require("share", "the share of picks that keep it such as \"99 %\"") {
			q.VacuumShare = w.quantity("share", Share, share)
		}
		w.finish()
	} else if w != nil && v.has("load") {
		v.refuse(byLoad, "vacuum")
	} else if w != nil {
		q.VacuumKPa = w.asQuantity(t.pressure, t.vacuum)
	}
	if w := v.mapping("seal_time", `a mapping such as {limit: 0.4 s, share: 95 %}`); w != nil {
		if w.require("limit", Time.want()) {
			q.SealTimeLimitS = w.quantity("limit", Time, positive)
		}
		if w.require("share", "the share of picks that seal within the limit such as \"95 %\"") {
			q.SealTimeShare = w.quantity("share", Share, share)
		}
		w.finish()
	}
	if w := v.mapping("drops", "a mapping such as {max_rate: 0.1 %}"); w != nil {
		if w.require("max_rate", "the share of picks that may drop such as \"0.1 %\"") {
			q.DropsMaxRate = w.quantity("max_rate", Share, share)
		}
		w.finish()
	}
	q.Confidence = v.quantity("confidence", Share, func(x float64) string {
		if x >= 0.5 && x < 1 {
			return ""
		}
		return "50 % or more and less than 100 %"
	})
	q.PicksPerMinute = v.quantity("picks", Frequency, positive)
	v.finish()
}

// load reads what the cups have to carry.
func (t *trialReader) load(requirement *value) {
	v := requirement.mapping("load", "a mapping such as {mass: 2.4 kg, effective_diameter: 35 mm, safety: 2, phases: [...]}")
	if v == nil {
		return
	}
	l := &Load{Friction: math.NaN()}
	t.trial.Requirement.Load = l
	number := func(key, want string, lo, hi float64) float64 {
		x := v.get(key)
		if x == nil {
			return math.NaN()
		}
		n := x.asNumber(want)
		if n < lo || n > hi {
			x.fault("%s is impossible; want %s", quote(x.text), want)
		}
		return n
	}
	if v.require("mass", Mass.want()+", or one for each bag") {
		l.MassKg = v.quantities("mass", Mass)
	}
	if v.require("effective_diameter", "the diameter of the area that pulls, of one cup, such as \"35 mm\", or one for each cup") {
		l.DiameterMM = v.quantities("effective_diameter", Length)
	}
	const safety = "the safety factor, 1 to 100, that a competent person has judged"
	if v.require("safety", safety) {
		l.Safety = number("safety", safety, 1, 100)
	}
	const friction = "the friction of lip on film, 0.01 to 2"
	l.Friction = number("friction", friction, 0.01, 2)
	l.FrictionSource = v.name("friction_source")
	const phase = "phases such as {motion: up, acceleration: 6 m/s2}"
	if v.require("phases", phase) {
		for _, p := range v.list("phases", phase) {
			var x Phase
			if p.require("motion", either(Motions)) {
				x.Motion = p.choice("motion", Motions...)
			}
			if p.require("acceleration", Acceleration.want()) {
				x.AccelerationMS2 = p.quantity("acceleration", Acceleration, between(Acceleration, 0, 1000))
			}
			if x.Motion != "up" && x.Motion != "" && !v.has("friction") {
				p.where("motion").fault("%q needs %s, as load.friction", x.Motion, friction)
			}
			p.finish()
			l.Phases = append(l.Phases, x)
		}
	}
	v.finish()
}

// quantities returns the number under key, as that of "", or the mapping of such numbers.
func (v *value) quantities(key string, d Dimension) map[string]float64 {
	all := map[string]float64{}
	got := v.get(key)
	if got.kind != mapping {
		all[""] = got.asQuantity(d, positive)
		return all
	}
	for _, name := range got.keys {
		all[name] = got.at[name].asQuantity(d, positive)
	}
	return all
}

// loaded notes bags and cups of setups that the load under v does not know, and the other way
// about.
func (t *trialReader) loaded(v *value) {
	for _, x := range []struct {
		key, kind string
		of        func(Setup) string
	}{{"mass", "bag", func(s Setup) string { return s.Bag }}, {"effective_diameter", "cup", func(s Setup) string { return s.Cup }}} {
		by := v.at[x.key]
		if by == nil || by.kind != mapping {
			continue
		}
		all := names(t.trial.Setups, x.of)
		for _, s := range t.trial.Setups {
			if name := x.of(s); !by.has(name) && name != "" && math.IsNaN(s.VacuumKPa) {
				by.fault("nothing is stated for the %s %s of setup %s", x.kind, quote(name), quote(s.Name))
			}
		}
		for _, name := range by.keys {
			if !slices.Contains(all, name) {
				by.keyAt[name].fault("no setup has such a %s%s", x.kind, didYouMean(name, all))
			}
		}
	}
}

// design reads what the analysis must know of the plan. A stopping rule stands here so that
// it is part of the record from before the first pick.
func (t *trialReader) design(top *value) {
	v := top.mapping("design", "a mapping such as {seed: 7, whole_plots: [engine]}")
	if v == nil {
		return
	}
	d := &t.trial.Design
	d.Seed, _ = v.integer("seed", 0, math.MaxInt32)
	if hard := v.get("whole_plots"); hard != nil && hard.is(list, "a list of factors such as [engine]") {
		d.WholePlots = []string{}
		for _, w := range hard.items {
			if !slices.Contains(Factors, w.text) {
				w.fault("found %s; want %s", quote(w.text), either(Factors))
				continue
			}
			d.WholePlots = append(d.WholePlots, w.text)
		}
	}
	if s := v.mapping("sequential", "a mapping such as {good: 0.1 %, bad: 1 %, alpha: 5 %, beta: 5 %}"); s != nil {
		d.Sequential = true
		for _, x := range []struct {
			key  string
			to   *float64
			most float64
		}{{"good", &d.GoodRate, 1}, {"bad", &d.BadRate, 1}, {"alpha", &d.Alpha, 0.5}, {"beta", &d.Beta, 0.5}} {
			if s.require(x.key, "a share such as \"1 %\"") {
				*x.to = s.quantity(x.key, Share, func(p float64) string {
					if p > 0 && p < x.most {
						return ""
					}
					return "more than 0 and less than " + Share.Format(x.most)
				})
			}
		}
		if d.GoodRate >= d.BadRate {
			s.where("bad").fault("not above good; want the higher of the two rates")
		}
		s.finish()
	}
	v.finish()
}

func (t *trialReader) setup(v *value) Setup {
	var s Setup
	if v.require("name", "a name") {
		s.Name = v.name("name")
	}
	if v.require("bag", `the kind of bag such as "seed sachet"`) {
		s.Bag = v.name("bag")
	}
	if v.require("cup", `the cup by shape and size such as "bellows cup, 40 mm lip"`) {
		s.Cup = v.name("cup")
	}
	s.Cups, _ = v.integer("cups", 1, 1000)
	s.Placement = v.name("placement")
	if tilt := v.quantity("tilt", Angle, between(Angle, -90, 90)); !math.IsNaN(tilt) {
		s.Tilt = v.name("tilt")
	}
	s.Engine = v.name("engine")
	s.EngineSetting = v.name("engine_setting")
	s.VacuumKPa = v.quantity("vacuum", t.pressure, t.vacuum)
	if t.rig != nil && s.Engine != "" && t.rig.Engine(s.Engine) == nil {
		v.where("engine").fault("%s", unknownName(s.Engine, "engine", names(t.rig.Engines, func(e Engine) string { return e.Name })))
	}
	v.finish()
	return s
}

func names[T any](all []T, name func(T) string) []string {
	out := make([]string, len(all))
	for i, x := range all {
		out[i] = name(x)
	}
	return out
}

func (t *trialReader) run(v *value) Run {
	r := Run{Setups: map[string]string{}, Piece: v.name("piece")}
	if v.require("picks", "the number of picks on each station") {
		r.Picks, _ = v.integer("picks", 1, 100_000_000)
	}
	const want = "one setup for each station in use such as {left: sachet}"
	if v.require("setups", want) {
		if m := v.mapping("setups", want); m != nil {
			if len(m.keys) == 0 {
				m.fault("empty; want %s", want)
			}
			for _, station := range m.keys {
				if setup := m.name(station); setup != "" {
					r.Setups[station] = setup
					t.match(m, station, setup)
				}
			}
		}
	}
	v.finish()
	return r
}

// match notes what keeps the named setup from being run on the named station.
func (t *trialReader) match(m *value, station, setup string) {
	s := t.trial.Setup(setup)
	if s == nil {
		known := names(t.trial.Setups, func(s Setup) string { return s.Name })
		slices.Sort(known)
		known = slices.Compact(known)
		if hint := didYouMean(setup, known); hint != "" || len(known) == 0 {
			m.at[station].fault("%q is no setup of this file%s", setup, hint)
		} else {
			m.at[station].fault("%q is no setup of this file; want %s", setup, either(known))
		}
	}
	if t.rig == nil {
		return
	}
	at := t.rig.Station(station)
	if at == nil {
		m.keyAt[station].fault("%s", unknownName(station, "station", names(t.rig.Stations, func(s Station) string { return s.Name })))
	}
	if s == nil || at == nil {
		return
	}
	if t.rig.Engine(s.Engine) != nil && at.Engine != "" && s.Engine != at.Engine {
		m.at[station].fault("setup %q wants the engine %q, and the rig file has %q on station %q; want the same, or no engine for that station where runs change it",
			setup, s.Engine, at.Engine, station)
	}
	if why := at.Unfit(setup, t.trial.RequiredVacuumKPa(setup)); why != "" {
		m.at[station].fault("%s", why)
	}
}
