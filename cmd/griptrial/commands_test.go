package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The demo runs from start to end, and its trial file opens again.
func TestDemo(t *testing.T) {
	path := filepath.Join(t.TempDir(), "demo.gtrial")
	truth := filepath.Join(t.TempDir(), "truth.jsonl")
	code, out, errs := command(t, "demo", "--picks", "8", "--out", path, "--truth", truth)
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "16 picks: ")
	assert.Contains(t, out, "gusseted bird-feed bag")
	assert.Contains(t, errs, "run 8 of 8")
	assert.Contains(t, out, "not shown yet")
	assert.Contains(t, out, "Required at 90 % confidence: a seal at 15 kPa, at most 10 % seal later than 100 ms")
	text, err := os.ReadFile(truth)
	require.NoError(t, err)
	assert.NotEmpty(t, text)

	before, err := os.ReadFile(path)
	require.NoError(t, err)
	code, out, errs = command(t, "picks", path, "--station", "left", "--json")
	require.Equal(t, exitDone, code, errs)
	var m measured
	require.NoError(t, json.Unmarshal([]byte(out), &m))
	require.Len(t, m.Picks, 8)
	assert.NotNil(t, m.Picks[0].SealTime)
	assert.NotNil(t, m.Picks[0].Energy)

	code, out, errs = command(t, "compare", path, "--json")
	require.Equal(t, exitNotMet, code, "one pick of a setup shows nothing: %s", errs)
	var c struct {
		Setups []struct {
			Setup string
			Picks int
		}
	}
	require.NoError(t, json.Unmarshal([]byte(out), &c))
	assert.Len(t, c.Setups, 16)
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(before, after), "reading must not change the file")

	// A demo's file is replaced by the next demo, another trial's never.
	other := filepath.Join(t.TempDir(), "other.gtrial")
	require.NoError(t, os.WriteFile(other, []byte("my notes"), 0o666))
	code, _, errs = command(t, "demo", "--picks", "1", "--out", other)
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "other.gtrial")
	kept, err := os.ReadFile(other)
	require.NoError(t, err)
	assert.Equal(t, "my notes", string(kept))
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

// simulate, check and record against each other over loopback, as the README shows it.
func TestSimulateCheckRecord(t *testing.T) {
	const rig = "../../testdata/rigs/io-block-tcp.yaml"
	dir := t.TempDir()
	port := freePort(t)
	trial := filepath.Join(dir, "hall.yaml")
	ctx, stop := context.WithCancel(t.Context())
	var out, errs bytes.Buffer
	served := make(chan int)
	go func() {
		served <- run(ctx, []string{"simulate", rig, "--port", port, "--picks", "8", "--trial", trial, "--truth", filepath.Join(dir, "truth.jsonl")}, &out, &errs)
	}()
	address := "block=127.0.0.1:" + port
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", "127.0.0.1:"+port)
		if err == nil {
			c.Close()
		}
		return err == nil
	}, 20*time.Second, 20*time.Millisecond)

	code, text, e := command(t, "record", rig, trial, "--address", address, "--out", filepath.Join(dir, "hall.gtrial"))
	require.Equal(t, exitDone, code, e)
	assert.Empty(t, text)
	assert.Contains(t, e, "16 picks")
	code, _, e = command(t, "record", rig, trial, "--address", address, "--out", filepath.Join(dir, "hall.gtrial"))
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, e, "exists")

	code, text, e = command(t, "check", rig, "--address", address, "--for", "500 ms")
	require.Equal(t, exitDone, code, e)
	for _, want := range []string{"left vacuum", "reached /s", "stations[].idle_band", "0 faults"} {
		if want != "0 faults" {
			assert.Contains(t, text, want)
		}
	}
	stop()
	require.Equal(t, exitDone, <-served, errs.String())
	assert.FileExists(t, filepath.Join(dir, "truth.jsonl"))

	// Nobody there: one clear line, exit code 1.
	code, _, e = command(t, "check", rig, "--address", address, "--for", "100 ms")
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, e, "bus block")
	assert.Equal(t, 1, strings.Count(e, "\n"), e)
}

// A rehearsal records at once what polling would have read.
func TestSimulateFast(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ab.gtrial")
	code, told, errs := command(t, "simulate", "../../testdata/rigs/io-block-tcp.yaml", "../../testdata/scenarios/ab-bench.yaml", "--fast", "--out", path, "--json")
	require.Equal(t, exitDone, code, errs)
	code, out, errs := command(t, "picks", path, "--json")
	require.Equal(t, exitDone, code, errs)
	assert.Equal(t, out, told)
	_, same, _ := command(t, "picks", path, "--explain", "left/2")
	code, out, errs = command(t, "picks", path, "--station", "left", "--explain", "2")
	assert.Equal(t, out, same)
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "seal time")
	assert.Contains(t, out, "noise over slope")
	code, _, errs = command(t, "picks", path, "--station", "left", "--explain", "4000")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "no pick 4000")
	for _, args := range [][]string{{"--set", "3"}, {"--set", "0"}, {"--set", "3", "--station", "left", "--explain", "2"}, {"--set", "3", "--pairs"},
		{"--set", "3", "--line-speed"}, {"--set", "3", "--spoil", "left/2", "--why", "x"}, {"--station", "nowhere"}} {
		code, _, errs = command(t, append([]string{"picks", path}, args...)...)
		require.Equal(t, exitUsage, code, "%v: %s", args, errs)
		require.Contains(t, errs, "the trial has", "%v", args)
	}
}

// Every command line of the README is one that griptrial understands, and those that need
// nothing but the repository run.
func TestReadmeCommands(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	lines := regexp.MustCompile(`(?m)^ {4,}griptrial (.*)$`).FindAllStringSubmatch(string(text), -1)
	require.NotEmpty(t, lines)
	t.Chdir("../..")
	ran := 0
	for _, l := range lines {
		args := split(strings.TrimSpace(strings.SplitN(l[1], " # ", 2)[0]))
		c, rest, err := root().Find(args)
		require.NoError(t, err, l[0])
		require.NotEqual(t, "griptrial", c.Name(), l[0])
		require.NoError(t, c.ParseFlags(rest), l[0])
		if c.Name() == "measure" || c.Name() == "lift" || c.Name() == "engine" && strings.Contains(l[0], "--leak-points") || c.Name() == "check" && strings.Contains(l[0], "--offline") {
			code, _, errs := command(t, args...)
			assert.Equal(t, exitDone, code, "%s: %s", l[0], errs)
			ran++
		}
	}
	assert.GreaterOrEqual(t, ran, 3)
	for _, target := range []string{"demo", "test"} {
		assert.Contains(t, string(text), "make "+target)
	}
}

// split cuts a command line at blanks outside double quotes.
func split(line string) []string {
	var args []string
	for _, m := range regexp.MustCompile(`(?:"[^"]*"|[^ "])+`).FindAllString(line, -1) {
		args = append(args, strings.ReplaceAll(m, `"`, ""))
	}
	return args
}

// Every command has an example in its help.
func TestHelp(t *testing.T) {
	for _, c := range root().Commands() {
		code, out, errs := command(t, c.Name(), "--help")
		require.Equal(t, exitDone, code, errs)
		assert.Contains(t, out, "Examples:", c.Name())
	}
	code, out, _ := command(t, "completion", "bash")
	assert.Equal(t, exitDone, code)
	assert.Contains(t, out, "griptrial")
	code, _, errs := command(t, "pick")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "picks", "what was probably meant")
}
