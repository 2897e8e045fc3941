package report

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"griptrial/analyze"
	"griptrial/analyze/linespeed"
	"griptrial/analyze/pick"
	"griptrial/analyze/stats"
)

// A LineSpeed is a view of the picks of one station and setup.
type LineSpeed struct {
	Station, Setup string
	linespeed.View
}

// LineSpeedsOf holds the picks of each station and setup against a cycle, in the order in
// which they first come.
func LineSpeedsOf(rows []Row, o linespeed.Options) ([]LineSpeed, error) {
	type key struct{ station, setup string }
	var order []key
	by := map[key][]pick.Pick{}
	for _, r := range rows {
		k := key{r.Station, r.Setup}
		if by[k] == nil {
			order = append(order, k)
		}
		by[k] = append(by[k], r.Pick)
	}
	var all []LineSpeed
	for _, k := range order {
		v, err := linespeed.New(by[k], o)
		if err != nil {
			return nil, err
		}
		all = append(all, LineSpeed{Station: k.station, Setup: k.setup, View: v})
	}
	return all, nil
}

// histogramRows is how many classes a distribution is drawn in.
const histogramRows = 8

// LineSpeeds writes line-speed views, as text or as JSON.
func LineSpeeds(w io.Writer, all []LineSpeed, asJSON bool) error {
	if asJSON {
		return WriteJSON(w, LineSpeedViews(all))
	}
	for i := range all {
		v := &all[i]
		if i > 0 {
			fmt.Fprintln(w)
		}
		fmt.Fprintf(w, "%s", v.Station)
		if v.Setup != "" {
			fmt.Fprintf(w, ", %s", v.Setup)
		}
		fmt.Fprintf(w, ": %.4g picks/min, a cycle of %.0f ms\n", v.PicksPerMinute, 1e3*v.CycleS)
		if v.LimitFrom == "cycle" {
			switch {
			case math.IsNaN(v.LimitS):
				fmt.Fprintln(w, "what the cycle leaves for sealing cannot be told: no pick was released; --limit states it")
			case v.LimitS <= 0:
				fmt.Fprintf(w, "approach, carry and release alone take %.0f ms: the cycle leaves nothing for sealing\n", 1e3*v.RestS)
			default:
				fmt.Fprintf(w, "approach, carry and release took %.0f ms (median as recorded); the cycle leaves %.0f ms for sealing\n", 1e3*v.RestS, 1e3*v.LimitS)
			}
		} else {
			fmt.Fprintf(w, "seal time limit %.0f ms, as stated\n", 1e3*v.LimitS)
		}
		if v.Picks > 0 && !math.IsNaN(v.LimitS) {
			fmt.Fprintf(w, "over the limit: %d of %d picks (%.1f %%; 95 %% within %.1f to %.1f %%, exact binomial)", v.Over, v.Picks,
				100*float64(v.Over)/float64(v.Picks), 100*v.OverIn.Lo, 100*v.OverIn.Hi)
			if v.Unsure > 0 {
				fmt.Fprintf(w, "; %d so near that their interval holds it", v.Unsure)
			}
			fmt.Fprintln(w)
		}
		if v.Left > 0 {
			fmt.Fprintf(w, "left out: %d without a seal time from %s\n", v.Left, v.SealFrom)
		}
		if v.Verdict != "" {
			fmt.Fprintf(w, "required share within the limit: %s", v.Verdict)
			if !math.IsNaN(v.Tail) {
				fmt.Fprintf(w, "; that share seals within %.0f ms", 1e3*v.Tail)
			}
			fmt.Fprintln(w)
		}
		histogram(w, v.SealS, v.LimitS, v.SealFrom)
		if len(v.Phases) > 0 {
			fmt.Fprintln(w)
			t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
			fmt.Fprintln(t, "phase\tpicks\tmedian ms\t± one reading\t95 % ms\tlongest ms\tof the cycle")
			for _, p := range v.Phases {
				read := "–"
				if !math.IsNaN(p.ReadS) {
					read = threeDigits(1e3 * p.ReadS)
				}
				fmt.Fprintf(t, "%s\t%d\t%.0f\t%s\t%.0f\t%.0f\t%.1f %%\n", p.Name, p.N, 1e3*p.MedianS, read, 1e3*p.P95S, 1e3*p.LongS, 100*p.ShareOfCycle)
			}
			if err := t.Flush(); err != nil {
				return err
			}
			fmt.Fprintln(w, plusMinus)
		}
		s := v.Switch
		fmt.Fprintf(w, "\nswitch points: part present on above %s, off below %s; released below %s\n", level(s.PartPresentOnKPa), level(s.PartPresentOffKPa), level(s.ReleasedKPa))
		fmt.Fprintf(w, "  95 %% of picks, with 95 %% confidence: hold above %s, lowest in carry above %s, idle below %s\n", level(s.HoldLowKPa), level(s.HeldLowKPa), level(s.IdleHighKPa))
		for _, r := range s.Remarks {
			fmt.Fprintf(w, "  %s\n", r)
		}
	}
	return nil
}

func level(v float64) string {
	if math.IsNaN(v) {
		return "–"
	}
	return fmt.Sprintf("%.1f kPa", v)
}

// histogram draws sorted seal times, the classes over the limit marked.
func histogram(w io.Writer, sorted []float64, limitS float64, from string) {
	n := len(sorted)
	if n == 0 {
		return
	}
	lo, hi := sorted[0], sorted[n-1]
	fmt.Fprintf(w, "seal time from %s: median %.0f ms, 5 %% under %.0f, 5 %% over %.0f, %.0f to %.0f ms\n", from, 1e3*stats.Median(sorted),
		1e3*stats.Quantile(sorted, 0.05, stats.MedianUnbiased), 1e3*stats.Quantile(sorted, 0.95, stats.MedianUnbiased), 1e3*lo, 1e3*hi)
	if hi == lo || n < 2*histogramRows { // fewer show no shape
		return
	}
	var count [histogramRows]int
	most := 0
	width := (hi - lo) / histogramRows
	for _, x := range sorted {
		i := min(int((x-lo)/width), histogramRows-1)
		count[i]++
		most = max(most, count[i])
	}
	for i, c := range count {
		a, b := lo+float64(i)*width, lo+float64(i+1)*width
		mark := "█"
		if a >= limitS {
			mark = "▒" // over the limit
		}
		bar := strings.Repeat(mark, (c*40+most-1)/most)
		fmt.Fprintf(w, "  %6.0f … %6.0f ms  %5d  %s\n", 1e3*a, 1e3*b, c, bar)
	}
}

// A LineSpeedsJSON is views of picks against a line's cycle, one a station and setup.
type LineSpeedsJSON struct {
	Schema int             `json:"schema"`
	Views  []LineSpeedJSON `json:"line_speed"`
}

// A LineSpeedJSON is one view.
type LineSpeedJSON struct {
	Station      string           `json:"station"`
	Setup        string           `json:"setup,omitempty"`
	Rate         analyze.Number   `json:"picks_per_minute"`
	CycleS       analyze.Number   `json:"cycle_s"`
	LimitS       analyze.Number   `json:"limit_s"`
	LimitFrom    string           `json:"limit_from"`
	RestS        analyze.Number   `json:"rest_s"`
	SealFrom     string           `json:"seal_from"`
	Picks        int              `json:"picks"`
	LeftOut      int              `json:"left_out"`
	Over         int              `json:"over"`
	OverLo       analyze.Number   `json:"over_share_lo"`
	OverHi       analyze.Number   `json:"over_share_hi"`
	Unsure       int              `json:"unsure"`
	Verdict      string           `json:"verdict,omitempty"`
	TailS        analyze.Number   `json:"tail_s"`
	SealTimesS   []analyze.Number `json:"seal_times_s"`
	Phases       []PhaseJSON      `json:"phases"`
	PresentOn    analyze.Number   `json:"part_present_on_kPa"`
	PresentOff   analyze.Number   `json:"part_present_off_kPa"`
	ReleasedKPa  analyze.Number   `json:"released_kPa"`
	HoldLowKPa   analyze.Number   `json:"hold_low_kPa"`
	LowestLowKPa analyze.Number   `json:"lowest_low_kPa"`
	IdleHighKPa  analyze.Number   `json:"idle_high_kPa"`
	Remarks      []string         `json:"remarks"`
}

// A PhaseJSON is a part of a pick's time.
type PhaseJSON struct {
	Name    string         `json:"name"`
	Picks   int            `json:"picks"`
	MedianS analyze.Number `json:"median_s"`
	ReadU   analyze.Number `json:"u_of_one_s"`
	P95S    analyze.Number `json:"p95_s"`
	LongS   analyze.Number `json:"longest_s"`
	InSeal  bool           `json:"in_seal_time"`
}

// LineSpeedViews returns line-speed views as JSON.
func LineSpeedViews(all []LineSpeed) LineSpeedsJSON {
	views := []LineSpeedJSON{}
	for i := range all {
		v := &all[i]
		s := v.Switch
		j := LineSpeedJSON{v.Station, v.Setup, analyze.Number(v.PicksPerMinute), analyze.Number(v.CycleS), analyze.Number(v.LimitS), v.LimitFrom,
			analyze.Number(v.RestS), v.SealFrom, v.Picks, v.Left, v.Over, analyze.Number(v.OverIn.Lo), analyze.Number(v.OverIn.Hi), v.Unsure, v.Verdict,
			analyze.Number(v.Tail), []analyze.Number{}, []PhaseJSON{}, analyze.Number(s.PartPresentOnKPa), analyze.Number(s.PartPresentOffKPa),
			analyze.Number(s.ReleasedKPa), analyze.Number(s.HoldLowKPa), analyze.Number(s.HeldLowKPa), analyze.Number(s.IdleHighKPa), append([]string{}, s.Remarks...)}
		for _, x := range v.SealS {
			j.SealTimesS = append(j.SealTimesS, analyze.Number(x))
		}
		for _, p := range v.Phases {
			j.Phases = append(j.Phases, PhaseJSON{p.Name, p.N, analyze.Number(p.MedianS), analyze.Number(p.ReadS), analyze.Number(p.P95S), analyze.Number(p.LongS), p.InSeal})
		}
		views = append(views, j)
	}
	return LineSpeedsJSON{Schema, views}
}
