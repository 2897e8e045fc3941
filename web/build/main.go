// Command build makes the page: it writes the API's types from web/openapi.yaml, has npm
// bring uPlot, by the lock file, and esbuild put web/page into web/dist, from where package
// web embeds it. It runs from the module's root.
package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/evanw/esbuild/pkg/api"
)

func main() {
	from := flag.String("from", "web/page", "folder of the page's source")
	to := flag.String("to", "web/dist", "folder to write to")
	flag.Parse()
	err := types("web/openapi.yaml", filepath.Join(*from, "types.ts"))
	if err == nil {
		err = build(*from, *to)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "build the page:", err)
		os.Exit(1)
	}
}

// build bundles the page in from into to.
func build(from, to string) error {
	if err := install(from); err != nil {
		return err
	}
	r := api.Build(api.BuildOptions{
		EntryPoints:       []string{filepath.Join(from, "page.ts")},
		Outdir:            to,
		Bundle:            true,
		MinifyWhitespace:  true,
		MinifyIdentifiers: true,
		MinifySyntax:      true,
		Charset:           api.CharsetUTF8,
		Format:            api.FormatESModule,
		Target:            api.ES2022,
		LogLevel:          api.LogLevelSilent,
	})
	var faults []error
	for _, m := range append(r.Errors, r.Warnings...) {
		where := ""
		if m.Location != nil {
			where = fmt.Sprintf("%s:%d: ", m.Location.File, m.Location.Line)
		}
		faults = append(faults, errors.New(where+m.Text))
	}
	if len(faults) > 0 {
		return errors.Join(faults...)
	}
	files := map[string][]byte{}
	for _, f := range r.OutputFiles {
		files[filepath.Base(f.Path)] = f.Contents
	}
	for _, name := range []string{"index.html", "icon.svg"} {
		b, err := os.ReadFile(filepath.Join(from, name))
		if err != nil {
			return err
		}
		files[name] = b
	}
	if err := os.MkdirAll(to, 0o755); err != nil {
		return err
	}
	for name, b := range files {
		if err := write(filepath.Join(to, name), b); err != nil {
			return err
		}
	}
	return nil
}

// write writes a file whole, and only where it holds something else: a compiler may be
// embedding it at this moment.
func write(path string, b []byte) error {
	if old, err := os.ReadFile(path); err == nil && bytes.Equal(old, b) {
		return nil
	}
	if err := os.WriteFile(path+".new", b, 0o644); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}

// A lock is what npm writes of the packages it chose, and again of those it installed.
type lock struct {
	Packages map[string]struct {
		Integrity string `json:"integrity"`
	} `json:"packages"`
}

// install has npm bring what the lock file names, unless it is there.
func install(from string) error {
	want, err := readLock(filepath.Join(from, "package-lock.json"))
	if err != nil {
		return err
	}
	have, err := readLock(filepath.Join(from, "node_modules", ".package-lock.json"))
	same := err == nil
	for name, p := range want.Packages {
		same = same && (name == "" || have.Packages[name] == p)
	}
	if same {
		return nil
	}
	c := exec.Command("npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund")
	c.Dir = from
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("npm ci: %w\n%s", err, strings.TrimSpace(string(out)))
	}
	return nil
}

func readLock(path string) (lock, error) {
	var l lock
	b, err := os.ReadFile(path)
	if err != nil {
		return l, err
	}
	return l, json.Unmarshal(b, &l)
}
