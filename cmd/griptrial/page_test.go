package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// fastTrial records a simulated trial at once and returns its file.
func fastTrial(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "hall.gtrial")
	code, _, errs := command(t, "simulate", "../../testdata/rigs/io-block-tcp.yaml", "--fast", "--picks", "8", "--out", path)
	require.Equal(t, exitDone, code, errs)
	return path
}

func TestPageFlags(t *testing.T) {
	path := fastTrial(t)
	secret := filepath.Join(t.TempDir(), "tokens")
	require.NoError(t, os.WriteFile(secret, []byte("viewer 12345"), 0o600))
	for _, c := range []struct {
		name string
		args []string
		want string
	}{
		{"operator without page", []string{"--operator"}, "--operator belongs to --page"},
		{"tokens without page", []string{"--page-tokens", secret}, "--page-tokens belongs to --page"},
		{"no port", []string{"--page=localhost"}, `--page: found "localhost"`},
		{"beyond loopback", []string{"--page=0.0.0.0:0"}, "is not loopback: whoever can reach it needs a token"},
		{"every address", []string{"--page=:0"}, "is not loopback"},
		{"a name that may be anywhere", []string{"--page=hall.example:0"}, "is not loopback"},
		{"a short token", []string{"--page=127.0.0.1:0", "--page-tokens", secret}, "a token of 5 characters"},
		{"no tokens there", []string{"--page=127.0.0.1:0", "--page-tokens", "nowhere"}, "--page-tokens: "},
		{"no engines there", []string{"--page=127.0.0.1:0", "--page-engines", "nowhere.yaml"}, "nowhere.yaml"},
	} {
		t.Run(c.name, func(t *testing.T) {
			code, _, errs := command(t, append([]string{"picks", path}, c.args...)...)
			assert.Equal(t, exitUsage, code)
			assert.Contains(t, errs, c.want)
			assert.NotContains(t, errs, "12345")
		})
	}
	code, _, errs := command(t, "picks", "nowhere.gtrial", "--page=127.0.0.1:0")
	assert.Equal(t, exitUsage, code)
	assert.Contains(t, errs, "no such file")
}

// An address may follow --page with a blank or with "="; without one nothing else is taken for it.
func TestJoinPage(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"record a.yaml b.yaml --page 127.0.0.1:8437 --operator", "record a.yaml b.yaml --page=127.0.0.1:8437 --operator"},
		{"demo --page", "demo --page"},
		{"demo --page --picks 3", "demo --page --picks 3"},
		{"picks --page hall.gtrial", "picks --page hall.gtrial"},
		{"picks --page [::1]:80 hall.gtrial", "picks --page=[::1]:80 hall.gtrial"},
		{"picks --page=127.0.0.1:1 127.0.0.1:2", "picks --page=127.0.0.1:1 127.0.0.1:2"},
		{"picks --page C:hall.gtrial", "picks --page C:hall.gtrial"},
	} {
		assert.Equal(t, strings.Fields(c.want), joinPage(strings.Fields(c.in)))
	}
}

// The page of a finished trial is served until it is ended, and changes nothing in the file
// unless an operator may.
func TestPageOfAFinishedTrial(t *testing.T) {
	path := fastTrial(t)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	serve := func(args ...string) (url string, end func() int) {
		ctx, stop := context.WithCancel(t.Context())
		errs, says := io.Pipe()
		code := make(chan int, 1)
		go func() {
			code <- run(ctx, append([]string{"picks", path, "--page", "127.0.0.1:0"}, args...), io.Discard, says)
			says.Close()
		}()
		lines := bufio.NewReader(errs)
		for url == "" {
			line, err := lines.ReadString('\n')
			require.NoError(t, err)
			if m := regexp.MustCompile(`http://[0-9.:]+/`).FindString(line); m != "" {
				url = m
			}
		}
		go io.Copy(io.Discard, lines)
		return url, func() int {
			stop()
			return <-code
		}
	}
	spoil := func(url string) int {
		r, err := http.NewRequest("PUT", url+"api/v1/picks/left/1/spoiled", strings.NewReader(`{"reason": "held by hand"}`))
		require.NoError(t, err)
		r.Header.Set("Content-Type", "application/json")
		res, err := http.DefaultClient.Do(r)
		require.NoError(t, err)
		res.Body.Close()
		return res.StatusCode
	}
	ask := func(url string) string {
		res, err := http.Get(url)
		require.NoError(t, err)
		defer res.Body.Close()
		text, err := io.ReadAll(res.Body)
		require.NoError(t, err)
		return string(text)
	}
	url, end := serve()
	assert.Contains(t, ask(url+"api/v1/picks?limit=1"), `"total":16`)
	assert.Contains(t, ask(url+"api/v1/session"), `"read_only":true`)
	assert.Equal(t, 409, spoil(url), "opened for reading")
	assert.Equal(t, exitDone, end())
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(before, after), "looking must not change the file")

	url, end = serve("--operator")
	assert.Contains(t, ask(url+"api/v1/session"), `"read_only":false`)
	assert.Equal(t, 200, spoil(url))
	assert.Equal(t, exitDone, end())
	code, out, errs := command(t, "picks", path, "--json")
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "held by hand")
}
