package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"griptrial/analyze"
	"griptrial/analyze/compare"
	"griptrial/analyze/stats"
	"griptrial/config"
	"griptrial/record"
	"griptrial/report"
)

func planCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "plan",
		Short: "Plan a trial: the runs, and how many pieces and picks it takes",
		Example: `  griptrial plan runs --factor "bag=seed sachet|granule pillow bag" --factor "cup=bellows cup, 40 mm lip|flat cup, 30 mm lip" --pieces 12
  griptrial plan drops --max-rate 1e-4 --confidence 0.95
  griptrial plan difference --see "10 %" --piece-spread "8 %" --run-spread "3 %" --pick-spread "10 %" --picks 10`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error { return c.Help() },
	}
	c.AddCommand(planRunsCommand(), planCompleteCommand(), planDropsCommand(), planShareCommand(), planDifferenceCommand(), planSequentialCommand())
	return c
}

// share reads a probability: "5 %", or a bare 0.05 as in 1e-4.
func share(flag, text string) (float64, error) {
	if text == "" {
		return 0, wrongf("--%s: not stated; want a share such as 5 %% or 0.05", flag)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		if v, err = quantity(flag, config.Share, text, math.NaN()); err != nil {
			return 0, err
		}
	}
	if !(v > 0 && v < 1) {
		return 0, wrongf("--%s: found %s; want more than 0 and less than 1 (or 100 %%)", flag, text)
	}
	return v, nil
}

// shares reads several, in order.
type shares struct{ err error }

func (s *shares) get(flag, text string) float64 {
	v, err := share(flag, text)
	if s.err == nil {
		s.err = err
	}
	return v
}

// planned writes rows as JSON, CSV or a table of columns.
func planned(w io.Writer, asJSON, asCSV bool, v any, head []string, rows [][]string) error {
	switch {
	case asJSON:
		return report.WriteJSON(w, v)
	case asCSV:
		out := csv.NewWriter(w)
		out.Write(head)
		out.WriteAll(rows)
		return out.Error()
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, strings.Join(head, "\t"))
	for _, r := range rows {
		fmt.Fprintln(t, strings.Join(r, "\t"))
	}
	return t.Flush()
}

func planDropsCommand() *cobra.Command {
	var rate, confidence string
	var drops int
	var asJSON, asCSV bool
	c := &cobra.Command{
		Use:   "drops",
		Short: "How many picks show that drops are rare enough",
		Long: `drops says how many independent picks it takes to show that the drop rate is at most
--max-rate, where none, one, two … of them drop: exact, one-sided.`,
		Example: `  griptrial plan drops --max-rate 1e-4 --confidence 0.95 --json`,
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			var s shares
			p, conf := s.get("max-rate", rate), s.get("confidence", confidence)
			if s.err != nil {
				return s.err
			}
			if drops < 0 || drops > 1000 {
				return wrongf("--drops: found %d; want 0 to 1000", drops)
			}
			type row struct {
				Drops int `json:"drops"`
				N     int `json:"n"`
			}
			out := struct {
				Schema     int     `json:"schema"`
				MaxRate    float64 `json:"max_rate"`
				Confidence float64 `json:"confidence"`
				Picks      []row   `json:"picks"`
			}{report.ComparisonSchema, p, conf, nil}
			var rows [][]string
			for x := range drops + 1 {
				n := stats.PicksForRate(x, p, conf)
				out.Picks = append(out.Picks, row{x, n})
				rows = append(rows, []string{strconv.Itoa(x), strconv.Itoa(n)})
			}
			return planned(c.OutOrStdout(), asJSON, asCSV, out, []string{"drops", "picks"}, rows)
		},
	}
	f := c.Flags()
	f.StringVar(&rate, "max-rate", "", "drop rate to show, 1e-4 or 0.01 %")
	f.StringVar(&confidence, "confidence", "0.95", "confidence")
	f.IntVar(&drops, "drops", 5, "show up to this many drops")
	f.BoolVar(&asJSON, "json", false, "write JSON")
	f.BoolVar(&asCSV, "csv", false, "write CSV")
	return c
}

func planShareCommand() *cobra.Command {
	var cover, confidence string
	var asJSON, asCSV bool
	c := &cobra.Command{
		Use:   "share",
		Short: "How many picks show that a share of seal times is under a limit",
		Long: `share says how many independent picks it takes to show that a share of all picks is under a
limit, whatever their distribution: all of the first number under it, or all but one of the
second, and so on. For normal values, mean + k × standard deviation of n picks must be under
it.`,
		Example: `  griptrial plan share --share "95 %" --confidence "95 %"`,
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			var s shares
			p, conf := s.get("share", cover), s.get("confidence", confidence)
			if s.err != nil {
				return s.err
			}
			type free struct {
				Over int `json:"over_limit"`
				N    int `json:"n"`
			}
			type normal struct {
				N int            `json:"n"`
				K analyze.Number `json:"k"`
			}
			out := struct {
				Schema     int      `json:"schema"`
				Share      float64  `json:"share"`
				Confidence float64  `json:"confidence"`
				Free       []free   `json:"distribution_free"`
				Normal     []normal `json:"normal"`
			}{report.ComparisonSchema, p, conf, nil, nil}
			var rows [][]string
			for x := range 5 {
				n := stats.FreeSize(x+1, p, conf)
				out.Free = append(out.Free, free{x, n})
				rows = append(rows, []string{"any", strconv.Itoa(n), fmt.Sprintf("%d over the limit", x)})
			}
			for _, n := range []int{5, 10, 20, 30, 50, 100, 200} {
				k := stats.ToleranceFactor(float64(n), p, conf)
				out.Normal = append(out.Normal, normal{n, analyze.Number(k)})
				rows = append(rows, []string{"normal", strconv.Itoa(n), fmt.Sprintf("mean + %.3f sd under the limit", k)})
			}
			return planned(c.OutOrStdout(), asJSON, asCSV, out, []string{"distribution", "picks", "shown by"}, rows)
		},
	}
	f := c.Flags()
	f.StringVar(&cover, "share", "", "share of picks under the limit, 95 %")
	f.StringVar(&confidence, "confidence", "0.95", "confidence")
	f.BoolVar(&asJSON, "json", false, "write JSON")
	f.BoolVar(&asCSV, "csv", false, "write CSV")
	return c
}

func planDifferenceCommand() *cobra.Command {
	var see, confidence, pieceSpread, runSpread, pickSpread, pilot, figure string
	var picks, runs int
	var paired, asJSON, asCSV bool
	c := &cobra.Command{
		Use:   "difference",
		Short: "How many pieces show a difference between two setups",
		Long: `difference says how many pieces of each setup it takes to see a difference with a power of
80 and 90 %, from the spread between pieces, runs and picks: of a pilot trial, or stated. With
--paired both setups pick the same pieces, and the spread between pieces falls out.`,
		Example: `  griptrial plan difference --see "10 %" --pilot pilot.gtrial --figure seal_time_s --picks 10
  griptrial plan difference --see "10 %" --piece-spread "8 %" --run-spread "3 %" --pick-spread "10 %" --picks 10 --paired`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			var s shares
			d, conf := s.get("see", see), s.get("confidence", confidence)
			spread := stats.Spread{}
			switch {
			case pilot != "":
				m := compare.MeasureOf(figure)
				if m == nil {
					return wrongf("--figure: found %q; want one such as seal_time_s", figure)
				}
				t, err := readComparable(pilot, 1, "")
				if err != nil {
					return err
				}
				got, ok := compare.SpreadOf(t, m)
				if !ok {
					return notMet(fmt.Errorf("%s: too few pieces with %s to tell their spread; want two of a setup or more", pilot, m.Words))
				}
				spread = got
			case pieceSpread == "" || pickSpread == "":
				return wrongf("want --pilot, or --piece-spread and --pick-spread")
			default:
				spread = stats.Spread{Block: 100 * s.get("piece-spread", pieceSpread), Within: 100 * s.get("pick-spread", pickSpread)}
				if runSpread != "" {
					spread.Unit = 100 * s.get("run-spread", runSpread)
				}
			}
			if s.err != nil {
				return s.err
			}
			if picks < 1 || runs < 1 {
				return wrongf("--picks and --runs: found %d and %d; want 1 or more", picks, runs)
			}
			of := func(v float64) float64 {
				if math.IsNaN(v) {
					return 0
				}
				return v * v
			}
			within := (of(spread.Unit) + of(spread.Within)/float64(picks)) / float64(runs)
			sd := math.Sqrt(of(spread.Block) + within)
			if paired {
				sd = math.Sqrt(2 * within)
			}
			type row struct {
				Power  float64 `json:"power"`
				Pieces int     `json:"pieces"`
				Picks  int     `json:"picks_of_each"`
			}
			out := struct {
				Schema  int            `json:"schema"`
				See     float64        `json:"difference_percent"`
				Paired  bool           `json:"paired"`
				PieceSD analyze.Number `json:"piece_sd_percent"`
				RunSD   analyze.Number `json:"run_sd_percent"`
				PickSD  analyze.Number `json:"pick_sd_percent"`
				Sizes   []row          `json:"sizes"`
			}{report.ComparisonSchema, 100 * d, paired, analyze.Number(spread.Block), analyze.Number(spread.Unit), analyze.Number(spread.Within), nil}
			var rows [][]string
			for _, power := range []float64{0.8, 0.9} {
				n := 2
				if sd > 0 {
					n = stats.SizeForDifference(100*math.Log1p(d), sd, conf, power, paired)
				}
				out.Sizes = append(out.Sizes, row{power, n, n * runs * picks})
				rows = append(rows, []string{fmt.Sprintf("%g %%", 100*power), strconv.Itoa(n), strconv.Itoa(n * runs * picks)})
			}
			return planned(c.OutOrStdout(), asJSON, asCSV, out, []string{"power", "pieces of each", "picks of each"}, rows)
		},
	}
	f := c.Flags()
	f.StringVar(&see, "see", "10 %", "difference to see")
	f.StringVar(&confidence, "confidence", "0.95", "confidence")
	f.StringVar(&pilot, "pilot", "", "trial file of a pilot to take the spread from")
	f.StringVar(&figure, "figure", "seal_time_s", "figure of the pilot")
	f.StringVar(&pieceSpread, "piece-spread", "", "standard deviation between pieces, 8 %")
	f.StringVar(&runSpread, "run-spread", "", "standard deviation between runs of a piece, 3 %")
	f.StringVar(&pickSpread, "pick-spread", "", "standard deviation between picks, 10 %")
	f.IntVar(&picks, "picks", 10, "picks in a run")
	f.IntVar(&runs, "runs", 1, "runs of each piece with each setup")
	f.BoolVar(&paired, "paired", false, "both setups pick the same pieces")
	f.BoolVar(&asJSON, "json", false, "write JSON")
	f.BoolVar(&asCSV, "csv", false, "write CSV")
	return c
}

func planSequentialCommand() *cobra.Command {
	var good, bad, alpha, beta string
	var most int
	var asJSON, asCSV bool
	c := &cobra.Command{
		Use:   "sequential",
		Short: "Stop as soon as drops are shown to be rare, or too many",
		Long: `sequential prints the boundaries of Wald's sequential test: stop as good once as few picks
have dropped, as bad once as many have. State it as design.sequential in the trial file
before the first pick; then compare judges by it.`,
		Example: `  griptrial plan sequential --good "0.1 %" --bad "1 %"`,
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			var s shares
			p0, p1, a, b := s.get("good", good), s.get("bad", bad), s.get("alpha", alpha), s.get("beta", beta)
			if s.err != nil {
				return s.err
			}
			if most < 1 || most > 10_000_000 {
				return wrongf("--picks: found %d; want 1 to 10,000,000", most)
			}
			t := stats.NewSPRT(p0, p1, a, b)
			if math.IsNaN(t.S) {
				return wrongf("--good %s --bad %s: want good below bad, and --alpha and --beta below 50 %%", good, bad)
			}
			type row struct {
				N      int  `json:"n"`
				Accept *int `json:"good_at_most"` // null: not yet
				Reject *int `json:"bad_at_least"`
			}
			accept, trials := t.Characteristics(p0)
			_, atBad := t.Characteristics(p1)
			out := struct {
				Schema     int            `json:"schema"`
				H1         float64        `json:"h1"`
				H2         float64        `json:"h2"`
				S          float64        `json:"s"`
				MeanGood   analyze.Number `json:"mean_picks_at_good"`
				MeanBad    analyze.Number `json:"mean_picks_at_bad"`
				AcceptGood analyze.Number `json:"accepted_at_good"`
				Boundaries []row          `json:"boundaries"`
			}{report.ComparisonSchema, t.H1, t.H2, t.S, analyze.Number(trials), analyze.Number(atBad), analyze.Number(accept), nil}
			var rows [][]string
			lastA, lastR := -1, 0
			for n := 1; n <= most; n++ {
				x, y := t.Accept(n), t.Reject(n)
				if y > n {
					y = 0
				}
				if x == lastA && y == lastR {
					continue
				}
				lastA, lastR = x, y
				r, text := row{N: n}, []string{strconv.Itoa(n), "–", "–"}
				if x >= 0 {
					r.Accept, text[1] = &x, strconv.Itoa(x)
				}
				if y > 0 {
					r.Reject, text[2] = &y, strconv.Itoa(y)
				}
				out.Boundaries, rows = append(out.Boundaries, r), append(rows, text)
			}
			return planned(c.OutOrStdout(), asJSON, asCSV, out, []string{"from pick", "good at most", "bad at least"}, rows)
		},
	}
	f := c.Flags()
	f.StringVar(&good, "good", "", "drop rate that should pass, 0.1 %")
	f.StringVar(&bad, "bad", "", "drop rate that should fail, 1 %")
	f.StringVar(&alpha, "alpha", "5 %", "risk of stopping as bad at the good rate")
	f.StringVar(&beta, "beta", "5 %", "risk of stopping as good at the bad rate")
	f.IntVar(&most, "picks", 1000, "boundaries up to this many picks")
	f.BoolVar(&asJSON, "json", false, "write JSON")
	f.BoolVar(&asCSV, "csv", false, "write CSV")
	return c
}

func planRunsCommand() *cobra.Command {
	var factors, dear, stations []string
	var pieces, picks, repeats int
	var asJSON, asCSV bool
	var seed uint64
	var out, require, name, part string
	c := &cobra.Command{
		Use:   "runs",
		Short: "Lay out the runs of a trial",
		Long: `runs lays out which piece meets which setup when, in an order drawn from --seed. Factors that
are dear to change (--dear) change seldom: each repeat sets up every combination of them once,
and within it every piece meets every combination of the others. So an engine is judged
between its set-ups, a cup within them. With two stations setups stand side by side and change
sides half-way. --fraction makes fewer combinations, and says which effects cannot be told
apart for it. --out writes a trial file to record with.`,
		Example: `  griptrial plan runs --factor "bag=seed sachet|granule pillow bag" --factor "cup=bellows cup, 40 mm lip|flat cup, 30 mm lip" --factor "engine=small ejector|side-channel blower" --pieces 6 --repeats 2 --stations left,right --require "20 kPa" --out cups.yaml`,
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, args []string) error {
			l := compare.Layout{Pieces: pieces, Picks: picks, Repeats: repeats, Dear: dear, Stations: stations, Seed: seed}
			runs := repeats
			for _, text := range factors {
				key, levels, ok := strings.Cut(text, "=")
				f := compare.Factor{Name: strings.TrimSpace(key)}
				for _, v := range strings.Split(levels, "|") {
					if v = strings.TrimSpace(v); v != "" && !slices.Contains(f.Levels, v) {
						f.Levels = append(f.Levels, v)
					}
				}
				if !ok || !slices.Contains(config.Factors, f.Name) || f.Levels == nil {
					return wrongf(`--factor: found %q; want "FACTOR=LEVEL|LEVEL" with one of %s`, text, strings.Join(config.Factors, ", "))
				}
				if slices.ContainsFunc(l.Factors, func(g compare.Factor) bool { return g.Name == f.Name }) {
					return wrongf("--factor: %s is stated twice", f.Name)
				}
				if n := slices.IndexFunc(f.Levels, func(v string) bool { _, err := strconv.ParseUint(v, 10, 16); return err != nil || v == "0" }); f.Name == "cups" && n >= 0 {
					return wrongf("--factor: found %q cups; want a whole number from 1 on", f.Levels[n])
				}
				l.Factors = append(l.Factors, f)
				runs *= len(f.Levels)
			}
			for _, need := range []string{"bag", "cup"} {
				if !slices.ContainsFunc(l.Factors, func(f compare.Factor) bool { return f.Name == need }) {
					return wrongf(`--factor: no %s; want "%s=…", one level or more`, need, need)
				}
			}
			for _, d := range dear {
				if !slices.Contains(config.Factors, d) || d == "bag" {
					return wrongf("--dear: found %q; want one of %s", d, strings.Join(config.Factors[1:], ", "))
				}
			}
			if pieces < 1 || picks < 1 || repeats < 1 || runs*pieces > 100_000 {
				return wrongf("--pieces, --picks, --repeats: want 1 or more, and at most 100,000 runs in all")
			}
			if len(stations) < 1 || len(stations) > 2 {
				return wrongf("--stations: found %d; want one or two", len(stations))
			}
			if part != "" {
				n, err := strconv.Atoi(strings.TrimPrefix(part, "1/"))
				if err != nil || n < 2 || n > 64 || n&(n-1) != 0 || !strings.HasPrefix(part, "1/") {
					return wrongf("--fraction: found %q; want 1/2, 1/4, 1/8 …", part)
				}
				l.Fraction = n
			}
			s, err := compare.Plan(l)
			if errors.Is(err, compare.ErrFraction) {
				return wrong(fmt.Errorf("--fraction: %w", err))
			}
			if err != nil {
				return err
			}
			if out != "" {
				if _, err := quantity("require", config.Pressure, require, math.NaN()); err != nil || require == "" {
					return wrongf(`--require: found %q; want the vacuum that holds the bags, "20 kPa", for the trial file`, require)
				}
				var b strings.Builder
				fmt.Fprintf(&b, "name: %q\n\nrequirement:\n  vacuum: %s\n\n", name, require)
				if err := report.TrialSheet(&b, s, seed, dear); err != nil {
					return err
				}
				if _, err := record.ParseTrial(out, []byte(b.String()), nil); err != nil {
					return err
				}
				if err := writeNew(out, b.String()); err != nil {
					return err
				}
			}
			if asJSON {
				return report.WriteJSON(c.OutOrStdout(), report.RunsJSON(s, seed, dear))
			}
			if asCSV {
				var rows [][]string
				for i, r := range s.Runs {
					row := []string{strconv.Itoa(i + 1), r.Piece, strconv.Itoa(r.Picks)}
					for _, st := range stations {
						row = append(row, r.Setups[st])
					}
					rows = append(rows, row)
				}
				return planned(c.OutOrStdout(), false, true, nil, append([]string{"run", "piece", "picks"}, stations...), rows)
			}
			return report.RunsTable(c.OutOrStdout(), s)
		},
	}
	f := c.Flags()
	f.StringArrayVar(&factors, "factor", nil, `factor with its levels, "cup=bellows cup, 40 mm lip|flat cup, 30 mm lip"`)
	f.StringSliceVar(&dear, "dear", []string{"engine", "engine_setting"}, "factors that are dear to change, the dearest first")
	f.StringSliceVar(&stations, "stations", []string{"left"}, "one station or two")
	f.IntVar(&pieces, "pieces", 6, "pieces of each bag")
	f.IntVar(&picks, "picks", 10, "picks in a run")
	f.IntVar(&repeats, "repeats", 1, "how often the dear factors are set up anew; a claim about them takes 2 or more")
	f.StringVar(&part, "fraction", "", `of the factors with two levels make only "1/2", "1/4" … of the combinations: those that mix up least`)
	f.Uint64Var(&seed, "seed", 1, "seed of the order")
	f.StringVar(&name, "name", "planned trial", "name of the trial")
	f.StringVar(&require, "require", "", "required vacuum for the trial file")
	f.StringVar(&out, "out", "", "trial file to write")
	f.BoolVar(&asJSON, "json", false, "write JSON")
	f.BoolVar(&asCSV, "csv", false, "write CSV")
	return c
}
