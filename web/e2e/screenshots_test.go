package e2e

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "take the screenshots of README anew")

// screenshots are those that README shows.
const screenshots = "../screenshots"

// TestScreenshots holds README's pictures of the page to their size. With -update it takes them
// from a demo.
func TestScreenshots(t *testing.T) {
	if *update {
		node, chromium := need(t, "node", "nodejs"), need(t, "chromium", "chromium")
		prepare(t)
		dir := t.TempDir()
		program := filepath.Join(dir, "griptrial")
		run(t, root(t), "go", "build", "-o", program, "./cmd/griptrial")
		page := start(t, `page: (http\S+)`, dir, program, "demo", "--picks", "72", "--page=127.0.0.1:0", "--page-engines", filepath.Join(root(t), "testdata/engines/hall.yaml"))
		c := exec.CommandContext(t.Context(), node, "screenshots.mjs")
		c.Env = append(os.Environ(), "PAGE="+page, "CHROMIUM="+chromium, "TO="+screenshots)
		out, err := c.CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	files, err := filepath.Glob(filepath.Join(screenshots, "*.png"))
	require.NoError(t, err)
	require.Len(t, files, 3)
	readme, err := os.ReadFile(filepath.Join(root(t), "README.md"))
	require.NoError(t, err)
	for _, f := range files {
		info, err := os.Stat(f)
		require.NoError(t, err)
		require.Less(t, info.Size(), int64(150_000), "bytes of %s", f)
		require.Contains(t, string(readme), "web/screenshots/"+filepath.Base(f))
	}
}
