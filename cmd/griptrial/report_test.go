package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/bench"
	"griptrial/config"
	"griptrial/report/popplertest"
	"griptrial/simulator"
	"griptrial/store"
)

var update = flag.Bool("update", false, "rewrite golden files")

// requirement is what the worked trial's setups have to hold.
const requirement = `requirement:
  vacuum: {required: 15 kPa, min: 10 kPa, share: 98 %}
  seal_time: {limit: 200 ms, share: 95 %}
  drops: {max_rate: 2 %}
  confidence: 95 %
  picks: 40 /min

design: {seed: 7, whole_plots: [engine]}
`

// workedTrial records, at once, bags × cups × engines of the garden-supplies hall with so many
// pieces of each bag and so many picks in a run, and returns the path. edit changes the scenario.
func workedTrial(t testing.TB, path string, pieces, picks int, edit func(sc *simulator.Scenario, text string) string) {
	t.Helper()
	rig, err := config.ParseRig("demo rig", []byte(demoRig))
	require.NoError(t, err)
	sc := simulator.DemoScenario(8)
	demo := sc.Runs
	sc.Runs = nil
	for i := range sc.Setups {
		// The bellows cup holds; the flat one loses some.
		if strings.Contains(sc.Setups[i].CupName, "bellows") {
			sc.Setups[i].DropProbability, sc.Setups[i].SealProbability, sc.Setups[i].DipProbability = 0, 1, 0
		}
	}
	for n := range pieces {
		for _, e := range []int{0, 1} {
			for b := range 4 {
				r := demo[2*b+e]
				r.Piece, r.Picks = fmt.Sprintf("%c-%02d", r.Piece[0], n+1), picks
				if n%2 == 1 { // sides swap from piece to piece
					left, right := simulator.DemoStations[0], simulator.DemoStations[1]
					r.Setups = map[string]string{left: r.Setups[right], right: r.Setups[left]}
				}
				sc.Runs = append(sc.Runs, r)
			}
		}
	}
	text := trialText(sc, rig)
	at := strings.Index(text, "requirement:")
	text = text[:at] + requirement + text[strings.Index(text, "\nsetups:"):]
	if edit != nil {
		text = edit(&sc, text)
	}
	sim, err := simulator.NewRig(sc, *rig)
	require.NoError(t, err)
	var out bytes.Buffer
	o := simulateOptions{out: path}
	require.NoError(t, o.record(t.Context(), &out, rig, sc, sim, text), out.String())
}

// longTrial makes one run of so many hours of a scenario, at 40 picks a minute.
func longTrial(sc *simulator.Scenario, text string, hours float64) string {
	bag := sc.Runs[2] // granule pillow bag, small ejector
	for i := range sc.Setups {
		sc.Setups[i].Cycle.CycleS = 1.5
	}
	bag.Picks = int(hours * 3600 / 1.5)
	sc.Runs = []simulator.Run{bag}
	at := strings.Index(text, "\nruns:")
	return text[:at] + fmt.Sprintf("\nruns:\n  - {piece: %q, picks: %d, setups: {left: %q, right: %q}}\n", bag.Piece, bag.Picks, bag.Setups["left"], bag.Setups["right"])
}

// structure returns the headings, captions and column heads of a page of HTML, and checks that it
// is well-formed, refers to nothing outside itself, and says of every figure what it shows.
func structure(t *testing.T, page []byte) string {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(page))
	var out, text strings.Builder
	var open []string
	figure := false
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out.String()
		}
		require.NoError(t, err)
		switch x := token.(type) {
		case xml.StartElement:
			open = append(open, x.Name.Local)
			text.Reset()
			assert.NotContains(t, []string{"script", "link", "iframe", "img", "image", "object"}, x.Name.Local)
			label := ""
			for _, a := range x.Attr {
				switch {
				case a.Name.Local == "aria-label":
					label = a.Value
				case a.Name.Local == "href", a.Name.Local == "src":
					assert.True(t, strings.HasPrefix(a.Value, "#"), a.Value)
				case strings.Contains(a.Value, "url("):
					assert.True(t, strings.HasPrefix(a.Value, "url(#"), a.Value)
				case strings.Contains(a.Value, "NaN"):
					assert.Fail(t, "NaN in the page", "%s %s", x.Name.Local, a.Value)
				}
			}
			if x.Name.Local == "svg" {
				assert.NotEmpty(t, label)
				figure = figure && label != ""
			}
			figure = figure || x.Name.Local == "figure"
		case xml.EndElement:
			open = open[:len(open)-1]
			words := strings.Join(strings.Fields(text.String()), " ")
			switch x.Name.Local {
			case "h1", "h2", "h3", "caption":
				fmt.Fprintf(&out, "%s %s\n", x.Name.Local, words)
			case "figcaption": // what it says, without the numbers that follow
				fmt.Fprintf(&out, "%s %s\n", x.Name.Local, regexp.MustCompile(`^Figure \d+\. [^.,:]*`).FindString(words))
			case "th":
				fmt.Fprintf(&out, "  %s\n", words)
			case "figure":
				require.True(t, figure, "a figure without words for those who cannot see it")
				figure = false
			}
		case xml.CharData:
			text.Write(x)
		}
	}
}

// comparedJSON is the JSON of compare and choose that a report must show.
type comparedJSON struct {
	Setups []struct {
		Setup    string
		Answer   string
		Picks    int
		Pieces   int
		Criteria []struct {
			Name      string
			Limit     *float64
			Answer    string
			Picks     int
			Failed    int
			Rate      struct{ Value, Lo, Hi float64 }
			Free      *float64 `json:"tolerance_limit"`
			Normal    *float64 `json:"tolerance_limit_normal"`
			ByShape   bool     `json:"normal_decided"`
			MaxShare  float64  `json:"max_share"`
			NeededAll int      `json:"picks_needed"`
		}
	}
	Effects []struct {
		Measure, Within, A, B, Finding string
		Percent                        *struct{ Value, Lo, Hi float64 }
		PAdjusted                      *float64 `json:"p_adjusted"`
	}
}

type chosenJSON struct {
	Sentence string
	Chosen   []string
	Machines []struct {
		Levels string
		Answer string
		Energy *struct{ Value, Lo, Hi float64 } `json:"energy_kJ_per_1000"`
		Bags   []struct {
			Bag, Setup, Answer string
			Energy             *struct{ Value, Lo, Hi float64 } `json:"energy_J"`
			DropBound          *float64                         `json:"drop_rate_bound"`
		}
	}
}

// numbers returns the numbers of a text, each with half a unit of its last digit.
func numbers(text string) (all [][2]float64) {
	for _, s := range regexp.MustCompile(`[−-]?\d[\d,]*(\.\d+)?`).FindAllString(text, -1) {
		clean := strings.ReplaceAll(strings.ReplaceAll(s, "−", "-"), ",", "")
		x, err := strconv.ParseFloat(clean, 64)
		if err != nil {
			continue
		}
		_, decimals, _ := strings.Cut(clean, ".")
		half := 0.5 * math.Pow(10, -float64(len(decimals)))
		if decimals == "" { // three digits at least are shown of what has as many
			half = max(half, 0.005*math.Abs(x))
		}
		all = append(all, [2]float64{x, half * 1.001})
	}
	return all
}

// says reports whether any number of a text is x, as far as it is written.
func says(all [][2]float64, x float64) bool {
	for _, n := range all {
		if math.Abs(n[0]-x) <= n[1] {
			return true
		}
	}
	return false
}

// The report of a trial, in every form: its structure, what it says against the JSON of compare
// and choose, and that the same file gives the same bytes.
func TestReport(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "hall.gtrial")
	workedTrial(t, path, 4, 40, nil)
	engines, err := filepath.Abs("../../testdata/engines/hall.yaml")
	require.NoError(t, err)
	args := []string{"report", path, "--engines", engines, "--hours", "4000 h", "--format", "html,pdf,md,csv", "--bag-size", "seed sachet=140 mm x 110 mm", "--lip", "40 mm"}
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	write := func(base string) map[string][]byte {
		code, out, errs := command(t, append(args, "--out", filepath.Join(dir, base))...)
		require.Equal(t, exitDone, code, errs)
		assert.Contains(t, out, base+".pdf")
		files := map[string][]byte{}
		for _, ext := range []string{"html", "pdf", "md", "csv"} {
			files[ext], err = os.ReadFile(filepath.Join(dir, base+"."+ext))
			require.NoError(t, err)
		}
		return files
	}
	first, second := write("one"), write("two")
	for ext := range first {
		assert.True(t, bytes.Equal(first[ext], second[ext]), "%s: the same file gives other bytes", ext)
	}
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(before, after), "reporting must not change the file")

	got := structure(t, first["html"])
	golden := filepath.Join("testdata", "report_structure.txt")
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o777))
		require.NoError(t, os.WriteFile(golden, []byte(got), 0o666))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, string(want), got, "go test ./cmd/griptrial -run TestReport -update rewrites it")

	// The text of the PDF against the JSON.
	code, out, errs := command(t, "compare", path, "--json", "--allow-open")
	require.Contains(t, []int{exitDone, exitNotMet}, code, errs)
	var c comparedJSON
	require.NoError(t, json.Unmarshal([]byte(out), &c))
	code, out, errs = command(t, "choose", path, "--json", "--allow-open")
	require.Equal(t, exitDone, code, errs)
	var ch chosenJSON
	require.NoError(t, json.Unmarshal([]byte(out), &ch))
	pages := popplertest.Text(t, filepath.Join(dir, "one.pdf"))
	front := strings.Join(strings.Fields(pages[0]), " ")
	assert.Contains(t, front, ch.Sentence, "the first page says the choice in the words of choose")
	assert.Contains(t, front, "Trial made by", "signatures are on the first page")
	require.NotEmpty(t, ch.Chosen)
	shown := numbers(pages[0])
	for _, m := range ch.Machines {
		if m.Levels == ch.Chosen[0] {
			for _, x := range []float64{m.Energy.Value, m.Energy.Lo, m.Energy.Hi} {
				assert.True(t, says(shown, x), "the first page does not show %g kJ per 1,000 picks of the mix", x)
			}
		}
		for _, b := range m.Bags {
			if m.Levels != ch.Chosen[0] {
				continue
			}
			for _, x := range []float64{b.Energy.Value, b.Energy.Lo, b.Energy.Hi, 100 * *b.DropBound} {
				assert.True(t, says(shown, x), "%s: the first page does not show %g", b.Bag, x)
			}
		}
	}
	whole := strings.Join(pages, "\n")
	// Every criterion, in the order of compare: bag and setup, picks, failed, bound, share.
	rows := regexp.MustCompile(`(?m)(seals within|keeps|drops) .*? (\d+) +(\d+) +(\d+) +([\d.,]+|–) +([\d.]+) .*?(holds|does not hold|not shown yet)(?: +([\d,]+))?$`).FindAllStringSubmatch(whole, -1)
	n := 0
	for _, s := range c.Setups {
		for _, k := range s.Criteria {
			require.Less(t, n, len(rows), "the table of requirements ends early")
			row := rows[n]
			n++
			about := fmt.Sprintf("%s, %s: %q", s.Setup, k.Name, row[0])
			assert.Equal(t, map[string]string{"seal time": "seals within", "lowest vacuum": "keeps", "drops": "drops"}[k.Name], row[1], about)
			assert.Equal(t, []string{strconv.Itoa(s.Pieces), strconv.Itoa(k.Picks), strconv.Itoa(k.Failed)}, row[2:5], about)
			if k.ByShape && k.Answer == "holds" { // beside it a wide bound of the rate would contradict the answer
				assert.Empty(t, numbers(row[5]), about)
			} else {
				assert.True(t, says(numbers(row[5]), 100*k.Rate.Hi), about)
			}
			assert.True(t, says(numbers(row[6]), 100*k.MaxShare), about)
			assert.Equal(t, map[string]string{"holds": "holds", "does not": "does not hold", "not shown yet": "not shown yet"}[k.Answer], row[7], about)
			if k.Answer == "not shown yet" && k.NeededAll > k.Picks {
				assert.Equal(t, strconv.Itoa(k.NeededAll), strings.ReplaceAll(row[8], ",", ""), about)
			}
			if k.Free != nil && !k.ByShape && k.Name == "seal time" {
				assert.True(t, says(numbers(row[0]), 1e3**k.Free), about)
			}
		}
	}
	assert.Len(t, rows, n)
	// Differences that were found in what decides, with their intervals.
	all := numbers(whole)
	found := 0
	for _, e := range c.Effects {
		if e.Percent == nil || e.Finding != "better" && e.Finding != "worse" || e.Measure != "seal_time_s" && e.Measure != "energy_J" {
			continue
		}
		found++
		for _, x := range []float64{e.Percent.Value, e.Percent.Lo, e.Percent.Hi} {
			assert.True(t, says(all, x), "%s of %s, %s against %s: %g is not in the report", e.Measure, e.Within, e.A, e.B, x)
		}
	}
	assert.Greater(t, found, 3)
	assert.False(t, says(numbers(pages[0]), 987654), "the check would find any number")

	// The CSV has the same numbers, whole.
	lines, err := csv.NewReader(bytes.NewReader(first["csv"])).ReadAll()
	require.NoError(t, err)
	values := map[string]bool{}
	for _, l := range lines {
		for _, x := range l[4:7] {
			values[x] = true
		}
	}
	for _, m := range ch.Machines {
		for _, b := range m.Bags {
			if m.Levels == ch.Chosen[0] {
				assert.True(t, values[strconv.FormatFloat(b.Energy.Value, 'g', -1, 64)], "the CSV lacks %g", b.Energy.Value)
			}
		}
	}
	for _, m := range ch.Machines {
		for _, b := range m.Bags {
			if m.Levels == ch.Chosen[0] {
				assert.True(t, values[strconv.FormatFloat(100**b.DropBound, 'g', -1, 64)], "the CSV lacks the bound %g", *b.DropBound)
			}
		}
	}
	// Whatever stands in the report as a number stands in the CSV, but for the numbers of tables and figures.
	flat := map[string]bool{}
	digits := regexp.MustCompile(`\d[\d.,]*\d|\d`)
	for _, l := range lines {
		for _, w := range digits.FindAllString(strings.Join(l, " "), -1) {
			flat[w] = true
		}
	}
	told := regexp.MustCompile(`(?m)^\*?(Table|Figure) \d.*$|^-{3}\n(?s:.*)|\\`).ReplaceAllString(string(first["md"]), "")
	count := 0
	for _, w := range digits.FindAllString(told, -1) {
		count++
		assert.True(t, flat[w], "the CSV lacks %s of the report", w)
	}
	assert.Greater(t, count, 1000)
	assert.Contains(t, string(first["md"]), "## What every setup showed")
	// What the file does not have is said.
	assert.Contains(t, whole, "Bench checks before and after the trial: not recorded")
	assert.Regexp(t, `SHA-256 of the trial file +[0-9a-f]{64}`, whole)

	t.Run("letter", func(t *testing.T) {
		code, _, errs := command(t, "report", path, "--paper", "Letter", "--format", "pdf", "--out", filepath.Join(dir, "letter"))
		require.Equal(t, exitDone, code, errs)
		text := popplertest.Text(t, filepath.Join(dir, "letter.pdf"))
		assert.Contains(t, strings.Join(strings.Fields(text[0]), " "), ch.Sentence)
		assert.NotEmpty(t, popplertest.Render(t, filepath.Join(dir, "letter.pdf"), 30))
	})
	t.Run("one page", func(t *testing.T) {
		code, _, errs := command(t, "report", path, "--one-page", "--out", filepath.Join(dir, "floor"))
		require.Equal(t, exitDone, code, errs)
		text := popplertest.Text(t, filepath.Join(dir, "floor.pdf"))
		require.Len(t, text, 1)
		for _, w := range []string{"bellows cup, 40 mm lip", "Switch points and cycle budget at 40 picks a minute", "1,500", "never wire a signal"} {
			assert.Contains(t, strings.Join(strings.Fields(text[0]), " "), w)
		}
		html, err := os.ReadFile(filepath.Join(dir, "floor.html"))
		require.NoError(t, err)
		assert.Contains(t, string(html), "Part present on kPa")
		structure(t, html)
	})
	t.Run("json", func(t *testing.T) {
		code, out, errs := command(t, "report", path, "--json")
		require.Equal(t, exitDone, code, errs)
		var r struct {
			Choice chosenJSON
			File   struct{ Picks int }
			Budget []struct{ Figure string } `json:"uncertainty_budget"`
		}
		require.NoError(t, json.Unmarshal([]byte(out), &r))
		assert.Equal(t, ch.Sentence, r.Choice.Sentence)
		assert.Equal(t, 4*8*2*40, r.File.Picks)
		assert.NotEmpty(t, r.Budget)
	})
	t.Run("wrong", func(t *testing.T) {
		for _, c := range []struct{ args, want string }{
			{"--paper A5", `--paper: found "A5"`}, {"--format docx", `--format: found "docx"`}, {"--rate 40", "has no unit"}, {"--mix bark=100%", "is no bag of the trial"},
			{"--bag-size bark=1mmx1mm --lip 4mm", "is no bag of the trial"}, {"--lip cone=4mm --bag-size bark=1mmx1mm", "is no cup of the trial"}, {"--engines nowhere.yaml", "nowhere.yaml"}, {"--set 7", "--set: found 7"},
		} {
			code, _, errs := command(t, append([]string{"report", path, "--out", filepath.Join(dir, "wrong")}, strings.Fields(c.args)...)...)
			assert.Equal(t, exitUsage, code, "%s: %s", c.args, errs)
			assert.Contains(t, errs, c.want, c.args)
		}
		code, _, errs := command(t, "report", filepath.Join(dir, "none.gtrial"))
		assert.Equal(t, exitUsage, code, errs)
	})
}

// A trial that shows nothing yet says so plainly, and how much more it takes; names that mean
// harm harm nothing.
func TestReportNotShownHostileNames(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x.gtrial")
	names := map[string]string{"seed sachet": "<script>alert(1)</script>", "granule pillow bag": "Мешок & \u05e9\u05e7\u05d9\u05ea 🌱 | `x`", "bellows cup, 40 mm lip": "=cup, 40 mm",
		"gusseted bird-feed bag": "كيس بذور العشب 5 kg", "thin-film wrapped coir block": "草种袋"}
	workedTrial(t, path, 1, 6, func(sc *simulator.Scenario, text string) string {
		for from, to := range names {
			text = strings.ReplaceAll(text, from, to)
		}
		return text
	})
	code, out, errs := command(t, "report", path, "--format", "html,pdf,md,csv", "--out", filepath.Join(dir, "x"))
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "No choice yet")
	html, err := os.ReadFile(filepath.Join(dir, "x.html"))
	require.NoError(t, err)
	got := structure(t, html)
	assert.Contains(t, got, "<script>alert(1)</script>") // as text
	assert.NotContains(t, string(html), "<script")
	front := strings.Join(strings.Fields(popplertest.Text(t, filepath.Join(dir, "x.pdf"))[0]), " ")
	assert.Contains(t, front, "No choice yet: nothing tried was shown to hold")
	assert.Contains(t, front, "<script>alert(1)</script>")
	assert.Contains(t, front, "Мешок")
	assert.Contains(t, front, "كيس بذور العشب")
	assert.Contains(t, front, "⟨8349 79CD 888B⟩", "what the font lacks is told apart")
	assert.Regexp(t, `about [\d,]+ picks in all would show it`, front)
	assert.NotEmpty(t, popplertest.Render(t, filepath.Join(dir, "x.pdf"), 20))
	md, err := os.ReadFile(filepath.Join(dir, "x.md"))
	require.NoError(t, err)
	assert.NotContains(t, string(md), "<script")
}

// Marks, bench checks and notes that the file has are in the report.
func TestReportCircumstances(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x.gtrial")
	workedTrial(t, path, 1, 5, nil)
	circumstances(t, path)
	code, _, errs := command(t, "report", path, "--format", "md", "--out", filepath.Join(dir, "x"))
	require.Equal(t, exitDone, code, errs)
	md, err := os.ReadFile(filepath.Join(dir, "x.md"))
	require.NoError(t, err)
	for _, w := range []string{"knocked the hose", "largest drift from before to after 0.30 (0.26 to 0.34) kPa (left, zero)", "1 OUTSIDE the limits", "clocks went back", "the hall door was open", "block / io block"} {
		assert.Contains(t, string(md), w)
	}
}

// circumstances writes bench checks, a clock jump, lateness, a note and a mark into a trial file.
func circumstances(t *testing.T, path string) {
	t.Helper()
	f, err := store.Open(path)
	require.NoError(t, err)
	defer f.Close()
	p := func(x float64) *float64 { return &x }
	yes, no := true, false
	check := func(moment, step string, value float64, pass *bool) store.BenchCheck {
		return store.BenchCheck{Moment: moment, Result: bench.Result{Station: "left", Step: step, Value: p(value), U: p(0.05), Scatter: p(0.02 / math.Sqrt2), Lo: p(-0.5), Hi: p(0.5), Pass: pass}}
	}
	require.NoError(t, f.Commit(store.Entry{
		Bench:    []store.BenchCheck{check(store.Before, "zero", 0.1, &yes), check(store.Before, "blanked", 0.7, &no), check(store.After, "zero", 0.4, &yes)},
		Clock:    []store.Anchor{{TNS: 3e9, UnixNS: f.Header().AnchorUTC.UnixNano() - 3597e9, Why: "clocks went back"}},
		Lateness: []store.Lateness{{ToNS: 60e9, Bus: "block", Device: "io block", Polls: 12000, Merged: 3, P50S: 1e-4, P99S: 2e-3, MaxS: 9e-3}},
		Notes:    []store.Note{{TNS: 4e9, Text: "the hall door was open"}},
	}))
	picks, err := f.Picks(1, "left")
	require.NoError(t, err)
	at, ok := store.PickNS(&picks[2])
	require.True(t, ok)
	require.NoError(t, f.MarkSpoiled("left", at, "knocked the hose"))
}

// A longer trial makes no longer report: what is drawn is thinned, what is listed is counted.
func TestReportStaysSmall(t *testing.T) {
	dir := t.TempDir()
	size := func(hours float64) int64 {
		base := filepath.Join(dir, fmt.Sprintf("h%g", hours))
		workedTrial(t, base+".gtrial", 1, 1, func(sc *simulator.Scenario, text string) string { return longTrial(sc, text, hours) })
		code, _, errs := command(t, "report", base+".gtrial", "--format", "html", "--out", base)
		require.Equal(t, exitDone, code, errs)
		info, err := os.Stat(base + ".html")
		require.NoError(t, err)
		return info.Size()
	}
	short, long := size(0.1), size(0.3)
	assert.Less(t, float64(long), 1.3*float64(short), "bytes of HTML: %d for six minutes, %d for eighteen", short, long)
}

// BenchmarkReport24h writes HTML and PDF of a trial of 24 h at two stations (16 channels at 200 Hz,
// 40 picks a minute each) by the program as users have it, and reports its peak of memory.
func BenchmarkReport24h(b *testing.B) {
	dir := b.TempDir()
	program := filepath.Join(dir, "griptrial")
	out, err := exec.CommandContext(b.Context(), "go", "build", "-o", program, ".").CombinedOutput()
	require.NoError(b, err, "%s", out)
	path := filepath.Join(dir, "day.gtrial")
	workedTrial(b, path, 1, 1, func(sc *simulator.Scenario, text string) string { return longTrial(sc, text, 24) })
	b.ResetTimer()
	for b.Loop() {
		c := exec.CommandContext(b.Context(), program, "report", path, "--out", filepath.Join(dir, "day"))
		var out bytes.Buffer
		c.Stdout, c.Stderr = &out, &out
		start := time.Now()
		require.NoError(b, c.Start())
		peakMB := watchPeak(c.Process.Pid)
		require.NoError(b, c.Wait(), "%s", &out)
		b.ReportMetric(time.Since(start).Seconds(), "s/report")
		b.ReportMetric(peakMB(), "MB-peak")
	}
}
