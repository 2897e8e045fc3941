package web

import (
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/analyze"
	"griptrial/analyze/compare"
	"griptrial/analyze/engine"
	"griptrial/analyze/pick"
	"griptrial/report"
)

var update = flag.Bool("update", false, "rewrite the schemas of openapi.yaml")

// schemasFrom is the line of openapi.yaml behind which the schemas are made from Go's types.
const schemasFrom = "    # From the Go types: go test ./web -run TestSchemas -update\n"

// bodies are the types that requests and answers hold.
var bodies = []any{SessionJSON{}, LoginJSON{}, ProblemJSON{}, TrialJSON{}, StateJSON{}, HealthJSON{}, PicksView{}, PickDetailJSON{},
	report.BudgetsJSON{}, TracesJSON{}, OverlayJSON{}, report.ComparisonJSON{}, report.ChoiceJSON{}, SoaksJSON{}, report.LineSpeedsJSON{},
	EngineAskJSON{}, report.EngineJSON{}, LayoutAskJSON{}, LayoutAnswerJSON{}, SheetAskJSON{}, BenchJSON{}, BenchAskJSON{},
	StartJSON{}, NoteAskJSON{}, SpoilJSON{}, GripJSON{}, SamplesJSON{}, SkippedJSON{}, EndJSON{}}

// words are the types whose values are a few fixed words.
var words = map[reflect.Type][]any{
	reflect.TypeFor[Role]():            {Viewer, Operator},
	reflect.TypeFor[RunStatus]():       {Planned, Running, Done, Stopped},
	reflect.TypeFor[pick.Outcome]():    {pick.Released, pick.Dropped, pick.Unsealed, pick.Ended, pick.Open},
	reflect.TypeFor[pick.EventKind]():  {pick.Dip, pick.ReSeal, pick.Sag, pick.Drop, pick.GapSeen},
	reflect.TypeFor[compare.Answer]():  {compare.Holds, compare.DoesNot, compare.NotShown, compare.Answer("")},
	reflect.TypeFor[compare.Finding](): {compare.Better, compare.Worse, compare.NotApart, compare.Untestable, compare.OnePiece, compare.NotYet},
	reflect.TypeFor[engine.Law]():      {engine.Power, engine.Orifice, engine.Laminar},
	reflect.TypeFor[sample.Kind]():     kinds(),
	reflect.TypeFor[analyze.Shape]():   {analyze.Gaussian, analyze.Rectangular, analyze.OneSided, analyze.Left, analyze.Correction},
}

func kinds() (all []any) {
	for _, k := range sample.Kinds {
		all = append(all, k)
	}
	return all
}

// schemas turns Go's types into schemas.
type schemas struct {
	text     map[string]string
	comments map[string]string // "package.Type" and "package.Type.Field"
}

// name returns the name that the schema of a type has.
func (s *schemas) name(t reflect.Type) string {
	return strings.TrimSuffix(strings.TrimSuffix(t.Name(), "JSON"), "View")
}

// of returns the schema of a type in flow style.
func (s *schemas) of(t reflect.Type) string {
	switch {
	case t == reflect.TypeFor[analyze.Number]():
		return "{type: number, nullable: true}"
	case t == reflect.TypeFor[analyze.Figure]():
		s.text["Figure"] = "      type: object\n      nullable: true\n      description: \"a value with its standard uncertainty u, its 95 % interval and what a reader must know; null where it cannot be had\"\n" +
			"      additionalProperties: false\n      required: [value, u, lo, hi, warnings]\n      properties:\n" +
			"        value: {type: number, nullable: true, description: null where it is beyond all numbers}\n        u: {type: number, nullable: true}\n        lo: {type: number, nullable: true}\n        hi: {type: number, nullable: true}\n        warnings: {type: array, items: {type: string}}\n"
		return `{$ref: "#/components/schemas/Figure"}`
	case words[t] != nil:
		var list []string
		for _, w := range words[t] {
			list = append(list, strconv.Quote(fmt.Sprint(w)))
		}
		return "{type: string, enum: [" + strings.Join(list, ", ") + "]}"
	}
	switch t.Kind() {
	case reflect.String:
		return "{type: string}"
	case reflect.Bool:
		return "{type: boolean}"
	case reflect.Int:
		return "{type: integer}"
	case reflect.Float64:
		return "{type: number}"
	case reflect.Slice:
		return "{type: array, items: " + s.of(t.Elem()) + "}"
	case reflect.Array:
		return fmt.Sprintf("{type: array, minItems: %d, maxItems: %[1]d, items: %s}", t.Len(), s.of(t.Elem()))
	case reflect.Map:
		return "{type: object, additionalProperties: " + s.of(t.Elem()) + "}"
	case reflect.Pointer:
		inner := s.of(t.Elem())
		if strings.HasPrefix(inner, "{$ref") {
			return "{nullable: true, allOf: [" + inner + "]}"
		}
		return strings.TrimSuffix(inner, "}") + ", nullable: true}"
	case reflect.Struct:
		name := s.name(t)
		if _, ok := s.text[name]; !ok {
			s.text[name] = "" // a type may hold itself
			var required []string
			var properties strings.Builder
			s.fields(t, &required, &properties)
			text := "      type: object\n"
			if c := s.comments[t.String()]; c != "" {
				text += "      description: " + strconv.Quote(c) + "\n"
			}
			text += "      additionalProperties: false\n"
			if len(required) > 0 {
				text += "      required: [" + strings.Join(required, ", ") + "]\n"
			}
			s.text[name] = text + "      properties:\n" + properties.String()
		}
		return `{$ref: "#/components/schemas/` + name + `"}`
	}
	panic("no schema for " + t.String())
}

// fields writes the fields of a struct, those of embedded ones among them.
func (s *schemas) fields(t reflect.Type, required *[]string, w *strings.Builder, hidden ...string) {
	own := slices.Clone(hidden) // keys of the struct itself hide those of what it embeds
	for i := range t.NumField() {
		key, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		own = append(own, key)
	}
	for i := range t.NumField() {
		f := t.Field(i)
		key, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case f.Anonymous && key == "":
			s.fields(f.Type, required, w, own...)
			continue
		case !f.IsExported() || key == "-" || slices.Contains(hidden, key):
			continue
		}
		if !strings.Contains(options, "omitempty") {
			*required = append(*required, key)
		}
		schema := s.of(f.Type)
		if c := s.comments[t.String()+"."+f.Name]; c != "" {
			if strings.HasPrefix(schema, "{$ref") {
				schema = "{allOf: [" + schema + "]}" // what stands beside a reference is not read
				if f.Type == reflect.TypeFor[analyze.Figure]() {
					schema = "{nullable: true, allOf: [" + s.of(f.Type) + "]}"
				}
			}
			schema = strings.TrimSuffix(schema, "}") + ", description: " + strconv.Quote(c) + "}"
		}
		fmt.Fprintf(w, "        %s: %s\n", key, schema)
	}
}

// comment reads the comments of a package's types.
func (s *schemas) comment(t *testing.T, folder string) {
	files, err := os.ReadDir(folder)
	require.NoError(t, err)
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), folder+"/"+f.Name(), nil, parser.ParseComments)
		require.NoError(t, err)
		ast.Inspect(parsed, func(n ast.Node) bool {
			d, ok := n.(*ast.GenDecl)
			if !ok || d.Tok != token.TYPE {
				return true
			}
			x := d.Specs[0].(*ast.TypeSpec)
			one, ok := x.Type.(*ast.StructType)
			if !ok || !strings.HasSuffix(x.Name.Name, "JSON") && !strings.HasSuffix(x.Name.Name, "View") && x.Name.Name != "MachineBag" {
				return true
			}
			// "A StateJSON is how …" says "how …".
			text := strings.Join(strings.Fields(d.Doc.Text()), " ")
			if _, after, ok := strings.Cut(text, x.Name.Name+" "); ok {
				text = strings.TrimPrefix(after, "is ")
			}
			s.comments[parsed.Name.Name+"."+x.Name.Name] = strings.TrimSuffix(text, ".")
			for _, f := range one.Fields.List {
				for _, name := range f.Names {
					s.comments[parsed.Name.Name+"."+x.Name.Name+"."+name.Name] = strings.TrimSpace(f.Comment.Text())
				}
			}
			return true
		})
	}
}

// The schemas are those of the Go types, so that nobody has to keep two lists alike.
func TestSchemas(t *testing.T) {
	s := &schemas{text: map[string]string{}, comments: map[string]string{}}
	s.comment(t, ".")
	s.comment(t, "../report")
	for _, b := range bodies {
		s.of(reflect.TypeOf(b))
	}
	var want strings.Builder
	for _, name := range slices.Sorted(maps.Keys(s.text)) {
		fmt.Fprintf(&want, "    %s:\n%s", name, s.text[name])
	}
	text, err := os.ReadFile("openapi.yaml")
	require.NoError(t, err)
	head, have, ok := strings.Cut(string(text), schemasFrom)
	require.True(t, ok, "openapi.yaml has lost the line that the schemas follow")
	if *update {
		require.NoError(t, os.WriteFile("openapi.yaml", []byte(head+schemasFrom+want.String()), 0o666))
		return
	}
	require.Equal(t, want.String(), have, "go test ./web -run TestSchemas -update")
}
