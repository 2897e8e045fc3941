//go:build linux

package main

import (
	"bytes"
	"context"
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
)

// Debian's mbpoll, a client that nobody here wrote, reads what simulate serves, over TCP and
// over a pseudo-terminal, where check reads the same. A pty does not take even parity.
func TestMbpollReadsSimulatedDevices(t *testing.T) {
	if _, err := exec.LookPath("mbpoll"); err != nil && os.Geteuid() == 0 {
		for range 2 {
			c := exec.Command("apt-get", "-o", "DPkg::Lock::Timeout=120", "install", "-y", "mbpoll")
			c.Env = append(os.Environ(), "DEBIAN_FRONTEND=noninteractive")
			if c.Run() == nil {
				break
			}
			exec.Command("apt-get", "update").Run()
		}
	}
	if _, err := exec.LookPath("mbpoll"); err != nil {
		t.Fatal("this test needs the Debian package mbpoll: apt-get install mbpoll")
	}
	dir := t.TempDir()
	serve := func(args ...string) {
		ctx, stop := context.WithCancel(t.Context())
		served := make(chan int, 1)
		var out, errs bytes.Buffer
		go func() { served <- run(ctx, append([]string{"simulate"}, args...), &out, &errs) }()
		t.Cleanup(func() {
			stop()
			assert.Equal(t, exitDone, <-served, errs.String())
		})
	}
	poll := func(args ...string) float64 {
		var out []byte
		require.Eventually(t, func() bool {
			ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
			defer cancel()
			var err error
			out, err = exec.CommandContext(ctx, "mbpoll", args...).CombinedOutput()
			return err == nil
		}, 30*time.Second, 100*time.Millisecond, "%s", out)
		m := regexp.MustCompile(`(?m)^\[\d+\]:\s+(\S+)`).FindSubmatch(out)
		require.NotNil(t, m, "%s", out)
		x, err := strconv.ParseFloat(string(m[1]), 64)
		require.NoError(t, err)
		return x
	}

	port := freePort(t)
	serve("../../testdata/rigs/io-block-tcp.yaml", "--port", port)
	// The air pressure, 0 to 27648 counts for 0 to 10 bar: mbpoll counts addresses from 1.
	assert.InDelta(t, 27648/2, poll("-a", "1", "-r", "5", "-c", "1", "-t", "3", "-1", "-p", port, "127.0.0.1"), 27648/4, "air pressure")

	text, err := os.ReadFile("../../testdata/rigs/rtu-transducers.yaml")
	require.NoError(t, err)
	rig := filepath.Join(dir, "rig.yaml")
	require.NoError(t, os.WriteFile(rig, []byte(strings.Replace(string(text), "parity: even", "parity: none, stop_bits: 2", 1)), 0o600))
	pty := filepath.Join(dir, "rs485")
	serve(rig, "--pty", pty)
	x := poll("-m", "rtu", "-b", "38400", "-P", "none", "-a", "17", "-r", "17", "-c", "1", "-t", "4:float", "-1", pty)
	assert.Greater(t, x, 300.0, "absolute pressure in mbar; ambient is 954")
	assert.Less(t, x, 1000.0)

	code, out, errs := command(t, "check", rig, "--address", "rs485="+pty, "--for", "300 ms")
	require.Equal(t, exitDone, code, errs)
	assert.Contains(t, out, "bus rs485 at 38400 baud: polls take 79 % of its time")
	assert.Regexp(t, `vacuum +bench +vacuum +\d+ +-?[\d.]+ kPa`, out)
}
