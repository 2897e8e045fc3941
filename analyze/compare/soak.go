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

// A Soak is what a long run of one setup on one station shows.
type Soak struct {
	Setup, Station string
	Picks, Dropped int
	FirstS, Hours  float64        // start of the first pick in the trial's time; from there to the last
	DropsPer1000   analyze.Figure // two-sided exact bounds at the confidence
	DropsSoFar     []DropPoint    // the same up to some times of the run, at most 60; the last is the end
	Trends         []SoakTrend
	RatePerMinute  float64 // picks over the whole time
	SlowestHour    float64 // the fewest picks per minute in any hour of the run; NaN in less than one
	RateHeld       Answer  // against the requirement's picks per minute; "" where there is none
	CycleS         float64 // median time from start to start
	Stops          int     // pauses of over three cycles
	StoppedS       float64
	LongestStopS   float64
	Warnings       []analyze.Warning
}

// A SoakTrend is how one measure moves.
type SoakTrend struct {
	Measure *Measure
	Slope   analyze.Figure // unit inside an hour
	P       float64        // of no trend, autocorrelation taken into account
	Rho     float64
	Blocks  int       // medians that it rests on
	AtH, Y  []float64 // those: hours from the first pick, and values in the unit inside
	Level   float64   // now, on the line
	Change  *SoakChange
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
	first, last := picks[0].StartS, picks[len(picks)-1].StartS
	s := Soak{Setup: setup, Station: station, Picks: len(picks), FirstS: first, Hours: (last - first) / 3600,
		DropsPer1000: analyze.None(), RatePerMinute: math.NaN(), SlowestHour: math.NaN(), CycleS: math.NaN()}
	var gaps, drops, at []float64
	for i, p := range picks {
		if i > 0 {
			gaps = append(gaps, p.StartS-picks[i-1].StartS)
		}
		switch p.Outcome {
		case pick.Dropped:
			drops, at = append(drops, 1), append(at, p.StartS)
			s.Dropped++
		case pick.Unsealed:
		default:
			drops, at = append(drops, 0), append(at, p.StartS)
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
				s.DropsSoFar = append(s.DropsSoFar, DropPoint{(at[i] - first) / 3600, i + 1, dropped, dropsPer1000(dropped, i+1, effect, q.Confidence)})
			}
		}
		s.DropsPer1000 = s.DropsSoFar[len(s.DropsSoFar)-1].Per1000
		if effect > 1 {
			s.DropsPer1000.Warnings = append(s.DropsPer1000.Warnings, analyze.Warn1(DropsCluster, effect))
		}
	}
	if len(gaps) > 0 && last > first {
		s.CycleS = stats.Median(gaps)
		s.RatePerMinute = float64(len(gaps)) / (last - first) * 60
		for _, g := range gaps {
			if g > 3*s.CycleS {
				s.Stops++
				s.StoppedS += g - s.CycleS
				s.LongestStopS = max(s.LongestStopS, g)
			}
		}
		s.SlowestHour = slowest(picks, 3600)
		if q.PicksPerMinute > 0 {
			s.RateHeld = DoesNot
			if s.RatePerMinute >= q.PicksPerMinute {
				s.RateHeld = Holds
			}
		}
	}
	for _, name := range []string{"hold_vacuum_kPa", "seal_time_s", "leak_flow_Lmin", "energy_J"} {
		if x, ok := soakTrend(t, MeasureOf(name), picks, first); ok {
			s.Trends = append(s.Trends, x)
		}
	}
	if len(s.Trends) == 0 {
		s.Warnings = append(s.Warnings, analyze.Warn2(TooFewPicks, float64(len(picks)), 10))
	}
	return s
}

// dropsPer1000 returns the rate of drops with exact bounds, n picks being worth n/effect
// independent ones.
func dropsPer1000(dropped, n int, effect, confidence float64) analyze.Figure {
	worth := float64(n) / effect
	i := stats.ClopperPearson(float64(dropped)/effect, worth, confidence)
	p := float64(dropped) / float64(n)
	return figure(1e3*p, 1e3*math.Sqrt(p*(1-p)/worth), stats.Interval{Lo: 1e3 * i.Lo, Hi: 1e3 * i.Hi})
}

// slowest returns the fewest picks per minute in any window of the run, NaN in a shorter one.
func slowest(picks []*Pick, windowS float64) float64 {
	last := picks[len(picks)-1].StartS
	least := math.NaN()
	to := 0
	for i, p := range picks {
		if p.StartS+windowS > last {
			break
		}
		for to < len(picks) && picks[to].StartS < p.StartS+windowS {
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
	at, y = thin(at, y)
	level := t.Requirement.Confidence
	trend := stats.TheilSenAR1(at, y, level)
	now := at[len(at)-1]
	x := SoakTrend{Measure: m, Slope: figure(trend.Slope, math.NaN(), trend.Interval), P: trend.P, Rho: trend.Rho, Blocks: len(y), AtH: at, Y: y,
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
	if v := until(trend.Slope); !math.IsNaN(x.Limit) && !math.IsInf(v, 1) {
		a, b := until(trend.Lo), until(trend.Hi)
		x.Reached = figure(v, math.NaN(), stats.Interval{Lo: min(a, b), Hi: max(a, b)})
	}
	return x, true
}

// thin sorts y by at and puts medians of stretches in place of a long series.
func thin(at, y []float64) (ta, ty []float64) {
	order := make([]int, len(y))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(at[a], at[b]) })
	for _, i := range order {
		ta, ty = append(ta, at[i]), append(ty, y[i])
	}
	n := len(y)
	if n <= trendPoints {
		return ta, ty
	}
	at, y = ta, ty
	ta, ty = nil, nil
	for i := range trendPoints {
		lo, hi := i*n/trendPoints, (i+1)*n/trendPoints
		ta, ty = append(ta, stats.Median(at[lo:hi])), append(ty, stats.Median(y[lo:hi]))
	}
	return ta, ty
}
