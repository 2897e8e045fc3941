package web

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/analyze/compare"
	"griptrial/report"
)

// TestWords has the page's text file know every code that the server can send: outcomes, events,
// findings, answers, remarks, causes of faults, parts of an uncertainty, cautions. What stands on
// the page beside them is seen to by web/e2e.
func TestWords(t *testing.T) {
	known := func(file string) func(string) bool {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		return func(code string) bool {
			if regexp.MustCompile(`^[a-z_]+$`).MatchString(code) && regexp.MustCompile(`[{ ,]`+code+`:`).Match(text) {
				return true
			}
			return strings.Contains(string(text), strconv.Quote(code)+":")
		}
	}
	inText, inPicks := known("page/text.ts"), known("page/views/picks.ts")

	// Sentences are easily told from names of classes and keys: they begin with a capital. What
	// is shown for a moment only, web/e2e may miss.
	scripts, err := filepath.Glob("page/*.ts")
	require.NoError(t, err)
	views, err := filepath.Glob("page/views/*.ts")
	require.NoError(t, err)
	require.NotEmpty(t, views)
	literals := regexp.MustCompile("[\"`][A-Z][a-z]+[.…!?:]?(?: [^\"`]*)?[\"`]")
	for _, path := range append(scripts, views...) {
		if slices.Contains([]string{"text.ts", "types.ts"}, filepath.Base(path)) {
			continue
		}
		script, err := os.ReadFile(path)
		require.NoError(t, err)
		for _, l := range literals.FindAllString(string(script), -1) {
			if l != `"Liberation Sans"` && l != `"Hz"` && l != `"Enter"` && l != `"Escape"` {
				assert.Fail(t, "words beside text.ts", "%s: %s", path, l)
			}
		}
	}

	codes := slices.Clone(report.Cautions)
	for _, m := range compare.Measures {
		codes = append(codes, m.Words)
	}
	types := []string{"Code", "Shape", "Outcome", "EventKind", "Finding", "Answer", "RunStatus"}
	parts := []string{"Normal", "Rect", "Corrected", "Early", "Leave"} // of an analyze.Spread
	budgets := map[string]bool{}
	literal := func(e ast.Expr) string {
		if l, ok := e.(*ast.BasicLit); ok && l.Kind == token.STRING {
			s, err := strconv.Unquote(l.Value)
			require.NoError(t, err)
			return s
		}
		return ""
	}
	var shape func(e ast.Expr) string // "noise of "+kind, or of("noise of ", kind), is "noise of {}"
	shape = func(e ast.Expr) string {
		switch e := e.(type) {
		case *ast.BinaryExpr:
			return shape(e.X) + shape(e.Y)
		case *ast.CallExpr:
			s := ""
			for _, x := range e.Args {
				s += shape(x)
			}
			return s
		}
		if s := literal(e); s != "" {
			return s
		}
		return "{}"
	}
	for _, dir := range []string{"analyze", "analyze/pick", "analyze/compare", "analyze/engine", "acquire", "acquire/bench", "web"} {
		files, err := filepath.Glob("../" + dir + "/*.go")
		require.NoError(t, err)
		require.NotEmpty(t, files)
		for _, path := range files {
			// Readings by hand and volumes are other commands' figures.
			if strings.HasSuffix(path, "_test.go") || slices.Contains([]string{"grip.go", "volume.go"}, filepath.Base(path)) {
				continue
			}
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
			require.NoError(t, err)
			ast.Inspect(f, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.ValueSpec:
					name := ""
					switch typ := n.Type.(type) {
					case *ast.Ident:
						name = typ.Name
					case *ast.SelectorExpr:
						name = typ.Sel.Name
					}
					if (slices.Contains(types, name) || strings.HasPrefix(n.Names[0].Name, "Fault")) && len(n.Values) == 1 {
						codes = append(codes, literal(n.Values[0]))
					}
				case *ast.AssignStmt: // names of parts that are made once
					says, ok := n.Lhs[0].(*ast.SelectorExpr)
					if list, isList := n.Rhs[0].(*ast.CompositeLit); ok && isList && says.Sel.Name == "says" {
						for _, x := range list.Elts {
							codes = append(codes, shape(x))
						}
					}
				case *ast.CallExpr:
					name := ""
					switch f := n.Fun.(type) {
					case *ast.SelectorExpr:
						name = f.Sel.Name
					case *ast.Ident:
						name = f.Name
					}
					switch {
					case slices.Contains(parts, name) && len(n.Args) == 2:
						codes = append(codes, shape(n.Args[0]))
					case slices.Contains([]string{"figure", "lasted"}, name) && len(n.Args) > 3:
						budgets[literal(n.Args[0])] = true
					case strings.HasSuffix(path, "bench.go") && name == "add" && len(n.Args) > 2:
						codes = append(codes, literal(n.Args[1]))
					}
				}
				return true
			})
		}
	}
	codes = slices.DeleteFunc(codes, func(s string) bool { return s == "" || s == "{}" })
	for _, c := range []string{"still rising", "timeout", "noise of {}", "edge of {} between samples", "keep the plate on and shut the supply"} {
		require.Contains(t, codes, c, "the test looks at the wrong places")
	}
	t.Log(len(codes), "codes,", len(budgets), "budgets")
	for _, c := range codes {
		assert.True(t, inText(c), "page/text.ts has no words for %q", c)
	}
	delete(budgets, "")
	require.Greater(t, len(budgets), 15)
	for name := range budgets {
		assert.True(t, inPicks(name), "page/views/picks.ts does not know which figure %q is", name)
	}
}
