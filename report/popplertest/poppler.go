// Package popplertest finds Debian's poppler-utils for tests that look at PDFs as a reader's
// program does.
package popplertest

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

var install sync.Once

// Tool returns the path of a program of poppler-utils, which it installs where the test may do
// so; else the test fails and says what to install.
func Tool(t testing.TB, name string) string {
	t.Helper()
	if path, err := exec.LookPath(name); err == nil {
		return path
	}
	if os.Geteuid() == 0 {
		install.Do(func() {
			for _, args := range [][]string{{"install", "-y", "-q", "poppler-utils"}, {"update", "-q"}, {"install", "-y", "-q", "poppler-utils"}} {
				out, err := exec.CommandContext(t.Context(), "apt-get", args...).CombinedOutput()
				t.Logf("apt-get %v: %v\n%s", args, err, out)
				if _, err := exec.LookPath(name); err == nil {
					return
				}
			}
		})
	}
	path, err := exec.LookPath(name)
	require.NoError(t, err, "the PDF cannot be looked at: install Debian's poppler-utils")
	return path
}

// run returns what a program of poppler-utils prints; it must not complain.
func run(t testing.TB, name string, args ...string) string {
	t.Helper()
	var complaints strings.Builder
	c := exec.CommandContext(t.Context(), Tool(t, name), args...)
	c.Stderr = &complaints
	out, err := c.Output()
	require.NoError(t, err, complaints.String())
	require.Empty(t, complaints.String(), "%s %v complains", name, args)
	return string(out)
}

// Text returns the text of each page of a PDF, laid out as on the page.
func Text(t testing.TB, pdf string) []string {
	t.Helper()
	pages := strings.Split(run(t, "pdftotext", "-layout", pdf, "-"), "\f")
	return pages[:len(pages)-1]
}

// Render writes the pages of a PDF as PNG, in grey, into a folder of the test and returns their
// paths in order.
func Render(t testing.TB, pdf string, dpi int) []string {
	t.Helper()
	dir := t.TempDir()
	run(t, "pdftoppm", "-r", strconv.Itoa(dpi), "-gray", "-png", pdf, filepath.Join(dir, "page"))
	files, err := filepath.Glob(filepath.Join(dir, "page*.png"))
	require.NoError(t, err)
	return files
}
