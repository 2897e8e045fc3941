// Package e2e tests the page as a person uses it: with a browser, on a trial that is being
// recorded from simulated devices.
package e2e

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/evanw/esbuild/pkg/api"
	"github.com/stretchr/testify/require"
)

// need returns the path of a program of a Debian package, installed where the test may do so.
func need(t *testing.T, program, pkg string) string {
	t.Helper()
	if path, err := exec.LookPath(program); err == nil {
		return path
	}
	if os.Geteuid() == 0 {
		for _, args := range [][]string{{"install", "-y", "-q", pkg}, {"update", "-q"}, {"install", "-y", "-q", pkg}} {
			c := exec.CommandContext(t.Context(), "apt-get", append([]string{"-o", "DPkg::Lock::Timeout=120"}, args...)...)
			c.Env = append(os.Environ(), "DEBIAN_FRONTEND=noninteractive")
			out, err := c.CombinedOutput()
			t.Logf("apt-get %v: %v\n%s", args, err, out)
			if path, err := exec.LookPath(program); err == nil {
				return path
			}
		}
	}
	missing := fmt.Sprintf("the page cannot be tested: %s is missing; install Debian's %s", program, pkg)
	if os.Getenv("CI") == "true" {
		require.FailNow(t, missing)
	}
	t.Skip(missing)
	return ""
}

// run runs a program to its end.
func run(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	c := exec.CommandContext(t.Context(), name, args...)
	c.Dir = dir
	out, err := c.CombinedOutput()
	require.NoError(t, err, "%s %s\n%s", name, strings.Join(args, " "), out)
	return string(out)
}

// start starts a program and returns the first group of the first line that pattern matches of
// what it says. It is ended with the test, and what it said is logged where the test fails.
func start(t *testing.T, pattern, dir, name string, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	c := exec.CommandContext(ctx, name, args...)
	c.Dir = dir
	c.Cancel = func() error { return c.Process.Signal(os.Interrupt) }
	c.WaitDelay = 10 * time.Second
	r, w, err := os.Pipe()
	require.NoError(t, err)
	c.Stdout, c.Stderr = w, w
	require.NoError(t, c.Start())
	w.Close()
	found, said := make(chan string, 1), make(chan string, 1)
	go func() {
		var all strings.Builder
		for s := bufio.NewScanner(r); s.Scan(); {
			fmt.Fprintln(&all, s.Text())
			if m := regexp.MustCompile(pattern).FindStringSubmatch(s.Text()); m != nil && len(found) == 0 {
				found <- m[1]
			}
		}
		said <- all.String()
	}()
	t.Cleanup(func() {
		cancel()
		text := <-said
		c.Wait()
		if t.Failed() {
			t.Logf("%s said:\n%s", filepath.Base(name), text)
		}
	})
	select {
	case m := <-found:
		return m
	case text := <-said:
		said <- text
		require.FailNow(t, "it ended", "%s %v\n%s", name, args, text)
	case <-time.After(30 * time.Second):
		require.FailNow(t, "it did not start", "%s %v", name, args)
	}
	return ""
}

// freePort returns a port of loopback that nobody listens on.
func freePort(t *testing.T) string {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer ln.Close()
	_, port, err := net.SplitHostPort(ln.Addr().String())
	require.NoError(t, err)
	return port
}

// root is the module's root.
func root(t *testing.T) string {
	path, err := filepath.Abs("../..")
	require.NoError(t, err)
	return path
}

// prepare builds the page, and has npm bring what the tests need.
func prepare(t *testing.T) {
	t.Helper()
	need(t, "npm", "npm")
	run(t, root(t), "go", "run", "./web/build")
	want, err := os.ReadFile("package-lock.json")
	require.NoError(t, err)
	// Kept beside what it installed, so that another lock file has it installed anew.
	const kept = "node_modules/installed-lock.json"
	if have, err := os.ReadFile(kept); err != nil || !bytes.Equal(have, want) {
		run(t, ".", "npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund")
		require.NoError(t, os.WriteFile(kept, want, 0o644))
	}
}

// TestBundle holds the built page to what it promises: small, whole, nothing inline and nothing
// from the net.
func TestBundle(t *testing.T) {
	need(t, "npm", "npm")
	dist := t.TempDir()
	run(t, root(t), "go", "run", "./web/build", "-to", dist)
	files, err := os.ReadDir(dist)
	require.NoError(t, err)
	var names []string
	total := 0
	for _, f := range files {
		names = append(names, f.Name())
		b, err := os.ReadFile(filepath.Join(dist, f.Name()))
		require.NoError(t, err)
		var packed bytes.Buffer
		z := gzip.NewWriter(&packed)
		z.Write(b)
		require.NoError(t, z.Close())
		total += packed.Len()
		for _, url := range regexp.MustCompile(`(?:https?:)?//[a-z0-9-]+(?:\.[a-z0-9-]+)+[^"'\s]*`).FindAllString(string(b), -1) {
			require.Equal(t, "http://www.w3.org/2000/svg", url, "%s: only the name of a namespace", f.Name())
		}
	}
	require.Equal(t, []string{"icon.svg", "index.html", "page.css", "page.js"}, names)
	t.Logf("%d bytes compressed", total)
	require.Less(t, total, 200_000, "bytes, compressed")
	html, err := os.ReadFile(filepath.Join(dist, "index.html"))
	require.NoError(t, err)
	require.NotRegexp(t, `(?i)<style|\sstyle=|\son[a-z]+=|<script[^>]*>[^<]`, string(html), "a strict policy of content forbids it")
}

// viewer and operator are tokens of a page that asks for them.
const viewer, operator = "a-viewer-of-the-page", "an-operator-of-the-page"

// hostile are names that a page may not take for anything but text.
var hostile = map[string]string{
	"trial":   `<script>window.taken="trial"</script>`,
	"setup":   `<img src=x onerror="window.taken='setup'">`,
	"cup":     strings.Repeat("x", 100),
	"bag":     "שק דשא", // right to left
	"piece":   "🌱 S-01 \"'&lt;",
	"placing": `{{7*7}} ${7*7}`,
	"note":    "\u202e kcab <b>" + strings.Repeat("🌾", 2400), // an override of the direction, and 10 kB
}

// trialText is a trial of two setups, with a requirement, whose names are hostile.
func trialText() string {
	q := func(s string) string { b, _ := json.Marshal(s); return string(b) }
	return fmt.Sprintf(`name: %s
requirement:
  vacuum: {required: 25 kPa, min: 15 kPa, share: 95 %%}
  seal_time: {limit: 400 ms, share: 95 %%}
  drops: {max_rate: 5 %%}
  confidence: 95 %%
  picks: 30 /min
setups:
  - {name: %s, bag: %s, cup: %s, cups: 1, placement: %s}
  - {name: flat, bag: %s, cup: "flat cup, 30 mm lip", cups: 1}
runs:
  - {setups: {left: %s, right: flat}, piece: %s, picks: 40}
  - {setups: {left: flat, right: %s}, piece: %s, picks: 40}
  - {setups: {left: flat, right: %s}, piece: %s, picks: 1}
  - {setups: {left: flat, right: %[9]s}, piece: %[10]s, picks: 40}
`, q(hostile["trial"]), q(hostile["setup"]), q(hostile["bag"]), q(hostile["cup"]), q(hostile["placing"]), q(hostile["bag"]),
		q(hostile["setup"]), q(hostile["piece"]), q(hostile["setup"]), q(hostile["piece"]), q(hostile["setup"]), q(hostile["piece"]))
}

// markedPage bundles the page with every one of its words between brackets, and what its words are
// given outside of them, and returns the script: what then stands without brackets is not in text.ts.
func markedPage(t *testing.T, dir string) string {
	const marks = `
const marked = (x: any): any => typeof x === "string" ? (x && "⟦" + x + "⟧") : typeof x === "function" ? (...a: any[]) => marked(x(...a.map((y) => typeof y === "string" ? "⟧" + y + "⟦" : y)))
  : Array.isArray(x) ? x.map(marked) : x && typeof x === "object" ? Object.fromEntries(Object.entries(x).map(([k, v]) => [k, marked(v)])) : x;
Object.assign(text, marked(text));
`
	r := api.Build(api.BuildOptions{EntryPoints: []string{"../page/page.ts"}, Outdir: dir, Bundle: true, Write: true, Format: api.FormatESModule, Charset: api.CharsetUTF8,
		Plugins: []api.Plugin{{Name: "marks", Setup: func(b api.PluginBuild) {
			b.OnLoad(api.OnLoadOptions{Filter: `/text\.ts$`}, func(a api.OnLoadArgs) (api.OnLoadResult, error) {
				words, err := os.ReadFile(a.Path)
				all := string(words) + marks
				return api.OnLoadResult{Contents: &all, Loader: api.LoaderTS}, err
			})
		}}}})
	require.Empty(t, r.Errors)
	return filepath.Join(dir, "page.js")
}

// TestPage has a browser carry out a trial, by mouse and by keyboard, lose the network for a
// while, and look for what a person who cannot see or cannot use a mouse would stumble over.
func TestPage(t *testing.T) {
	if testing.Short() {
		t.Skip("not in the short form: it takes a browser")
	}
	node, chromium := need(t, "node", "nodejs"), need(t, "chromium", "chromium")
	prepare(t)
	run(t, ".", node, "node_modules/typescript/bin/tsc", "-p", "../page/tsconfig.json")

	dir := t.TempDir()
	program := filepath.Join(dir, "griptrial")
	run(t, root(t), "go", "build", "-o", program, "./cmd/griptrial")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "trial.yaml"), []byte(trialText()), 0o644))
	rig := filepath.Join(root(t), "testdata/rigs/io-block-tcp.yaml")
	// Another trial, finished, for those who have a token.
	run(t, dir, program, "simulate", rig, filepath.Join(root(t), "testdata/scenarios/ab-bench.yaml"), "--picks", "2", "--fast", "--out", "short.gtrial")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "tokens"), []byte("viewer "+viewer+"\noperator "+operator+"\n"), 0o600))
	locked := start(t, `page: (http\S+)`, dir, program, "picks", "short.gtrial", "--operator", "--page=127.0.0.1:0", "--page-tokens", "tokens")

	// What is made goes on for longer than the test.
	bench, err := os.ReadFile(filepath.Join(root(t), "testdata/scenarios/ab-bench.yaml"))
	require.NoError(t, err)
	long := strings.ReplaceAll(string(bench), "picks: 20,", "picks: 500,")
	require.NotEqual(t, string(bench), long)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "bench.yaml"), []byte(long), 0o644))
	record := func(rig, scenario, trial, out string, args ...string) (page string) {
		port := freePort(t)
		start(t, `(127\.0\.0\.1:`+port+`)`, dir, program, "simulate", rig, scenario, "--picks", "500", "--port", port)
		return start(t, `page: (http\S+)`, dir, program, append([]string{"record", rig, trial, "--address", "block=127.0.0.1:" + port, "--out", out, "--page=127.0.0.1:0", "--operator"}, args...)...)
	}
	page := record(rig, "bench.yaml", "trial.yaml", "trial.gtrial", "--page-engines", filepath.Join(root(t), "testdata/engines/hall.yaml"))
	hands := func(kind string) string { return filepath.Join(root(t), "testdata", kind, "two-cups-by-hand.yaml") }
	byHand := record(hands("rigs"), hands("scenarios"), hands("trials"), "hands.gtrial", "--page-tokens", "tokens")

	names, err := json.Marshal(hostile)
	require.NoError(t, err)
	c := exec.CommandContext(t.Context(), node, "page.mjs")
	c.Env = append(os.Environ(), "PAGE="+page, "CHROMIUM="+chromium, "HOSTILE="+string(names), "HANDS="+byHand, "MARKED="+markedPage(t, dir),
		"LOCKED="+locked, "VIEWER="+viewer, "OPERATOR="+operator)
	out, err := c.CombinedOutput()
	t.Logf("%s", out)
	require.NoError(t, err, "the browser's script; see above what it did last")
	require.Contains(t, string(out), "all done")
}
