package compare

import (
	"cmp"
	"math"
	"slices"

	"griptrial/analyze"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
)

// trendPoints is how many medians a long series is boiled down to: the slopes of all pairs of
// them are listed, about 80,000.
const trendPoints = 400

// A Soak is what a long run of one setup on one station shows. The controller's side of it
// (rate, stops, commands) is read from the supply's channel where there is one, else from
// the starts of picks.
type Soak struct {
	Setup, Station string
	Picks, Dropped int
	Spoiled        int            // marked as spoiled: left out of drops and trends
	FirstS         float64        // start of the first pick in the trial's time
	Hours          float64        // that the runs took, pauses between runs left out
	DropsPer1000   analyze.Figure // at the confidence: two-sided exact bounds, at any time before the plan is finished
	DropsSoFar     []DropPoint    // the same up to some times of the run, at most 60; the last is the end
	Trends         []SoakTrend
	Commanded      bool           // rate and stops are those of the supply's commands
	Commands       int            // cycles that the controller commanded, or picks
	PartsPresent   int            // that the controller saw; −1 where no channel says
	PartDelayS     analyze.Figure // median from sealed to part present: cycle time to win
	RatePerMinute  float64        // commands over the whole time
	SlowestHour    float64        // the fewest per minute in any hour of a run; NaN in less than one
	RateHeld       Answer         // against the requirement's picks per minute; "" where there is none
	CycleS         float64        // median time from start to start
	Stops          int            // pauses of over three cycles within a run
	StopsPerHour   analyze.Figure // exact bounds of a count that comes at random
	StoppedS       float64
	LongestStopS   float64
	StandingS      float64 // the last stop is going on for so long; 0 where the line runs
	Warnings       []analyze.Warning
}

// A SoakTrend is how one measure moves.
type SoakTrend struct {
	Measure *Measure
	Slope   analyze.Figure // unit inside an hour
	P       float64        // of no trend, autocorrelation taken into account
	Rho     float64
	Blocks  int            // medians that it rests on
	AtH, Y  []float64      // those: hours from the first pick, and values in the unit inside
	Mean    analyze.Figure // over the run, that picks depend on each other taken into account
	Level   float64        // now, on the line
	Change  *SoakChange
	Settles *SoakSettles // where the values level off; Reached is then left open
	// Limit is the requirement; Reached when the line reaches it, in hours from now: NaN where
	// there is none or the trend leads away from it, 0 where it is past it.
	Limit   float64
	Reached analyze.Figure
}

// A SoakChange is a step that tells more than a line.
type SoakChange struct {
	AtHours       float64 // from the first pick
	Before, After float64
	P             float64
}

// A DropPoint is the drops of a run up to a time.
type DropPoint struct {
	AtHours        float64 // from the first pick
	Picks, Dropped int     // unsealed picks count in neither
	Per1000        analyze.Figure
}

// dropPoints is how many times of a run the drops are told up to.
const dropPoints = 60

// A SoakSettles is an approach to a level, y = level + (first − level)·exp(−t/τ), that tells
// more than a line.
type SoakSettles struct {
	Level analyze.Figure // at last, unit inside
	TauH  float64
}

// Soaks returns what every setup shows on every station, in order of time of their first
// picks.
func Soaks(t *Trial) []Soak {
	type key struct{ setup, station string }
	groups := map[key][]*Pick{}
	var order []key
	for i := range t.Picks {
		p := &t.Picks[i]
		if p.Outcome == pick.Open || math.IsNaN(p.StartS) {
			continue
		}
		k := key{p.Setup, p.Station}
		if groups[k] == nil {
			order = append(order, k)
		}
		groups[k] = append(groups[k], p)
	}
	var all []Soak
	for _, k := range order {
		picks := groups[k]
		slices.SortStableFunc(picks, func(a, b *Pick) int { return cmp.Compare(a.StartS, b.StartS) })
		all = append(all, soak(t, k.setup, k.station, picks))
	}
	return all
}

func soak(t *Trial, setup, station string, picks []*Pick) Soak {
	q := &t.Requirement
	s := Soak{Setup: setup, Station: station, Picks: len(picks), FirstS: picks[0].StartS, PartsPresent: -1, PartDelayS: analyze.None(), StopsPerHour: analyze.None(),
		DropsPer1000: analyze.None(), RatePerMinute: math.NaN(), SlowestHour: math.NaN(), CycleS: math.NaN()}
	runs := map[int]bool{}
	var starts, drops, at, delays []float64
	var good []*Pick
	for _, p := range picks {
		runs[p.Run] = true
		starts = append(starts, p.StartS)
		if p.Spoiled != "" {
			s.Spoiled++
			continue
		}
		good = append(good, p)
		if v := dropped(&p.Pick); !math.IsNaN(v) {
			drops, at = append(drops, v), append(at, p.StartS)
			s.Dropped += int(v)
		}
		if d := p.PartPresentDelayS; d.OK() {
			delays = append(delays, d.Value)
		}
	}
	if n := len(drops); n > 0 {
		// Drops that come together count as one: clusters are stretches of the run.
		var clusters [][]float64
		for i := range min(20, n) {
			if part := drops[i*n/min(20, n) : (i+1)*n/min(20, n)]; len(part) > 0 {
				clusters = append(clusters, part)
			}
		}
		effect := designEffect(clusters, true)
		dropped := 0
		for i, d := range drops {
			dropped += int(d)
			if k := min(dropPoints, n); (i+1)*k/n > i*k/n {
				s.DropsSoFar = append(s.DropsSoFar, DropPoint{(at[i] - starts[0]) / 3600, i + 1, dropped, t.dropsPer1000(dropped, i+1, effect)})
			}
		}
		s.DropsPer1000 = s.DropsSoFar[len(s.DropsSoFar)-1].Per1000
		if effect > 1 {
			s.DropsPer1000.Warnings = append(s.DropsPer1000.Warnings, analyze.Warn1(DropsCluster, effect))
		}
	}
	s.run(t, picks, runs)
	if len(delays) > 0 {
		// The median's interval by order statistics, whatever the delays' distribution.
		slices.Sort(delays)
		i := stats.MedianInterval(delays, q.Confidence)
		s.PartDelayS = figure(stats.Median(delays), math.NaN(), i)
	}
	if len(good) > 0 {
		for _, name := range []string{"hold_vacuum_kPa", "seal_time_s", "leak_flow_Lmin", "energy_J"} {
			if x, ok := soakTrend(t, MeasureOf(name), good, starts[0]); ok {
				s.Trends = append(s.Trends, x)
			}
		}
	}
	if len(s.Trends) == 0 {
		s.Warnings = append(s.Warnings, analyze.Warn2(TooFewPicks, float64(len(good)), 10))
	}
	return s
}

// run fills in rate and stops.
func (s *Soak) run(t *Trial, picks []*Pick, runs map[int]bool) {
	var at []stamp
	if l := t.Line; l != nil {
		at = t.inRuns(s.Station, of(l.supply, s.Station), runs)
		if parts := of(l.part, s.Station); parts != nil {
			s.PartsPresent = len(t.inRuns(s.Station, parts, runs))
		}
	}
	if s.Commanded = len(at) > 0; !s.Commanded {
		for _, p := range picks {
			at = append(at, stamp{p.StartS, p.Run})
		}
	}
	s.Commands = len(at)
	byRun, order := split(at, func(x stamp) int { return x.run })
	var gaps []float64
	for _, k := range order {
		for i := 1; i < len(byRun[k]); i++ {
			gaps = append(gaps, byRun[k][i].tS-byRun[k][i-1].tS)
		}
	}
	if len(gaps) == 0 {
		return
	}
	s.CycleS = stats.Median(gaps)
	var total float64
	for _, k := range order {
		run := byRun[k]
		total += run[len(run)-1].tS - run[0].tS
		if r := slowest(run, 3600); !(r >= s.SlowestHour) && !math.IsNaN(r) {
			s.SlowestHour = r
		}
	}
	stop := func(g float64) {
		s.Stops++
		s.StoppedS += g - s.CycleS
		s.LongestStopS = max(s.LongestStopS, g)
	}
	for _, g := range gaps {
		if g > 3*s.CycleS {
			stop(g)
		}
	}
	// A run that is being made goes on until now: a line that stands still makes no picks.
	if last := at[len(at)-1]; t.Line != nil && t.Current > 0 && last.run == t.Current {
		if g := t.Line.ToS - last.tS; g > 3*s.CycleS {
			stop(g)
			s.StandingS = g
			total += g - s.CycleS
		}
	}
	if !(total > 0) {
		return
	}
	s.Hours = total / 3600
	s.RatePerMinute = float64(len(gaps)) / total * 60
	level := (1 + t.Requirement.Confidence) / 2
	x := float64(s.Stops)
	s.StopsPerHour = figure(x/s.Hours, math.Sqrt(x)/s.Hours, stats.Interval{Lo: stats.PoissonLower(x, level) / s.Hours, Hi: stats.PoissonUpper(x, level) / s.Hours})
	if most := t.Requirement.PicksPerMinute; most > 0 {
		s.RateHeld = DoesNot
		if s.RatePerMinute >= most {
			s.RateHeld = Holds
		}
	}
}

// dropsPer1000 returns the rate of drops, n picks being worth n/effect independent ones, with
// exact bounds, or before the plan is finished with such as hold whenever one looks.
func (t *Trial) dropsPer1000(dropped, n int, effect float64) analyze.Figure {
	x, worth := float64(dropped)/effect, float64(n)/effect
	i := stats.ClopperPearson(x, worth, t.Requirement.Confidence)
	var ws []analyze.Warning
	if !t.Finished {
		i = stats.AnytimeRate(x, worth, t.Requirement.Confidence)
		ws = []analyze.Warning{analyze.Warn(Provisional)}
	}
	p := float64(dropped) / float64(n)
	return analyze.Figure{Value: 1e3 * p, U: 1e3 * math.Sqrt(p*(1-p)/worth), Lo: 1e3 * i.Lo, Hi: 1e3 * i.Hi, Warnings: ws}
}

// slowest returns the fewest starts per minute in any window of a run, NaN in a shorter one.
func slowest(at []stamp, windowS float64) float64 {
	last := at[len(at)-1].tS
	least := math.NaN()
	to := 0
	for i, p := range at {
		if p.tS+windowS > last {
			break
		}
		for to < len(at) && at[to].tS < p.tS+windowS {
			to++
		}
		if r := float64(to-i) / windowS * 60; !(r >= least) {
			least = r
		}
	}
	return least
}

func soakTrend(t *Trial, m *Measure, picks []*Pick, first float64) (SoakTrend, bool) {
	var at, y []float64
	for _, p := range picks {
		v := m.of(&p.Pick)
		if math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		at, y = append(at, (p.StartS-first)/3600), append(y, v)
	}
	if len(y) < 10 {
		return SoakTrend{}, false
	}
	at, y = thin(at, y, trendPoints)
	level := t.Requirement.Confidence
	trend := stats.TheilSenAR1(at, y, level)
	now := at[len(at)-1]
	x := SoakTrend{Measure: m, Slope: figure(trend.Slope, math.NaN(), trend.Interval), P: trend.P, Rho: trend.Rho, Blocks: len(y), AtH: at, Y: y,
		Mean:  figure(stats.Mean(y), math.NaN(), stats.MeanIntervalAR1(y, level)),
		Level: trend.Residual + trend.Slope*now, Limit: math.NaN(), Reached: analyze.None()}
	if trend.Rho > 0.2 {
		x.Slope.Warnings = append(x.Slope.Warnings, analyze.Warn1(Autocorrelated, trend.Rho))
	}
	if c := stats.ChangePoint(y); c.P < 1-level {
		// A step tells more than a line where it leaves less.
		var line, step float64
		for i, v := range y {
			line += math.Abs(v - trend.Residual - trend.Slope*at[i])
			if i < c.At {
				step += math.Abs(v - c.Before)
			} else {
				step += math.Abs(v - c.After)
			}
		}
		if step < line {
			x.Change = &SoakChange{AtHours: (at[c.At-1] + at[c.At]) / 2, Before: c.Before, After: c.After, P: c.P}
		}
	}
	if x.Change == nil {
		x.Settles = settles(at, y, level)
	}
	switch m.Name {
	case "seal_time_s":
		x.Limit = t.Requirement.SealTimeLimitS
	case "hold_vacuum_kPa":
		x.Limit = t.Requirement.VacuumMinKPa
	}
	// Where it goes on: how long until the line is at the limit, and at the steepest and the
	// flattest slope of the interval. A slope of the other sign never gets there.
	until := func(slope float64) float64 {
		d := x.Limit - x.Level
		switch {
		case m.Better*d >= 0:
			return 0
		case slope*d <= 0:
			return math.Inf(1)
		}
		return d / slope
	}
	if v := until(trend.Slope); x.Settles == nil && !math.IsNaN(x.Limit) && !math.IsInf(v, 1) {
		a, b := until(trend.Lo), until(trend.Hi)
		x.Reached = figure(v, math.NaN(), stats.Interval{Lo: min(a, b), Hi: max(a, b)})
	}
	return x, true
}

// settles fits an approach to a level, and returns it where it tells more than a line: where
// the F test for its one parameter more, with the values counted for what they are worth,
// shows it, and most of the approach has been seen. A warming blower or a lip that runs in
// would else be said to reach any limit in the end.
func settles(at, y []float64, level float64) *SoakSettles {
	rows := make([][]float64, len(y))
	for i, t := range at {
		rows[i] = []float64{1, t}
	}
	line, err := stats.FitLinear(rows, y)
	span := at[len(at)-1] - at[0]
	if err != nil || !(span > 0) {
		return nil
	}
	n := len(y)
	first, last := stats.Median(y[:max(1, n/20)]), stats.Median(y[n-max(1, n/3):])
	model := func(t float64, p []float64) float64 { return p[1] + (p[0]-p[1])*math.Exp(-(t-at[0])/p[2]) }
	c, err := stats.FitCurve(model, at, y, []float64{first, last, span / 5})
	if err != nil || !(c.Param[2] > 0 && c.Param[2] < span/2) {
		return nil
	}
	rest := make([]float64, n)
	for i, t := range at {
		rest[i] = y[i] - model(t, c.Param)
	}
	worth := stats.EffectiveSize(rest)
	df := worth - 3
	if !(df >= 5) || !(stats.FTail((line.RSS-c.RSS)/c.RSS*df, 1, df) < 1-level) {
		return nil
	}
	// The interval with as many degrees of freedom as the values are worth.
	c.SE[1] *= math.Sqrt(c.DF / df)
	c.DF = df
	return &SoakSettles{Level: figure(c.Param[1], c.SE[1], c.Intervals(level)[1]), TauH: c.Param[2]}
}

// thin sorts y by at and puts medians of points stretches in place of a longer series.
func thin(at, y []float64, points int) (ta, ty []float64) {
	order := make([]int, len(y))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(at[a], at[b]) })
	for _, i := range order {
		ta, ty = append(ta, at[i]), append(ty, y[i])
	}
	n := len(y)
	if n <= points {
		return ta, ty
	}
	at, y = ta, ty
	ta, ty = nil, nil
	for i := range points {
		lo, hi := i*n/points, (i+1)*n/points
		ta, ty = append(ta, stats.Median(at[lo:hi])), append(ty, stats.Median(y[lo:hi]))
	}
	return ta, ty
}
