package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/goccy/go-yaml"
)

// A schema is what types need of a schema of OpenAPI 3.0.
type schema struct {
	Type        string        `yaml:"type"`
	Ref         string        `yaml:"$ref"`
	AllOf       []schema      `yaml:"allOf"`
	Nullable    bool          `yaml:"nullable"`
	Description string        `yaml:"description"`
	Enum        []string      `yaml:"enum"`
	Items       *schema       `yaml:"items"`
	Properties  yaml.MapSlice `yaml:"properties"`
	Required    []string      `yaml:"required"`
	Additional  any           `yaml:"additionalProperties"`
}

// types writes the TypeScript types of the API's schemas to the file at to, so that the page
// is checked against what the server sends.
func types(openapi, to string) error {
	text, err := os.ReadFile(openapi)
	if err != nil {
		return err
	}
	var doc struct {
		Components struct {
			Schemas yaml.MapSlice `yaml:"schemas"`
		} `yaml:"components"`
	}
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return fmt.Errorf("%s: %w", openapi, err)
	}
	all := map[string]schema{}
	var names []string
	for _, item := range doc.Components.Schemas {
		s, err := decode(item.Value)
		if err != nil {
			return fmt.Errorf("%s: schema %v: %w", openapi, item.Key, err)
		}
		names = append(names, item.Key.(string))
		all[item.Key.(string)] = s
	}
	var b strings.Builder
	b.WriteString("// Made by \"go run ./web/build\" from web/openapi.yaml.\n")
	for _, name := range names {
		s := all[name]
		if s.Description != "" {
			fmt.Fprintf(&b, "\n/** %s */", strings.ReplaceAll(s.Description, "*/", "* /"))
		}
		if len(s.Properties) == 0 {
			fmt.Fprintf(&b, "\nexport type %s = %s;\n", name, s.typescript(all))
			continue
		}
		fmt.Fprintf(&b, "\nexport interface %s {\n", name)
		for _, p := range s.Properties {
			field, err := decode(p.Value)
			if err != nil {
				return fmt.Errorf("%s: %s.%v: %w", openapi, name, p.Key, err)
			}
			optional := "?"
			for _, r := range s.Required {
				if r == p.Key {
					optional = ""
				}
			}
			fmt.Fprintf(&b, "  %v%s: %s;", p.Key, optional, field.typescript(all))
			if field.Description != "" {
				fmt.Fprintf(&b, " // %s", field.Description)
			}
			b.WriteByte('\n')
		}
		b.WriteString("}\n")
	}
	return write(to, []byte(b.String()))
}

func decode(v any) (schema, error) {
	var s schema
	text, err := yaml.Marshal(v)
	if err != nil {
		return s, err
	}
	return s, yaml.Unmarshal(text, &s)
}

// typescript returns the schema as a type.
func (s schema) typescript(all map[string]schema) string {
	t := "unknown"
	switch {
	case s.Ref != "":
		t = s.Ref[strings.LastIndexByte(s.Ref, '/')+1:]
		s.Nullable = s.Nullable || all[t].Nullable && len(all[t].Properties) > 0
	case len(s.AllOf) == 1:
		t = s.AllOf[0].typescript(all)
		s.Nullable = s.Nullable && !strings.HasSuffix(t, "| null")
	case len(s.Enum) > 0:
		t = `"` + strings.Join(s.Enum, `" | "`) + `"`
	case s.Type == "array" && s.Items != nil:
		t = s.Items.typescript(all)
		if strings.Contains(t, "|") {
			t = "(" + t + ")"
		}
		t += "[]"
	case s.Type == "object":
		t = "Record<string, unknown>"
		if s.Additional != nil {
			if of, err := decode(s.Additional); err == nil {
				t = "Record<string, " + of.typescript(all) + ">"
			}
		}
	case s.Type == "integer" || s.Type == "number":
		t = "number"
	case s.Type == "string" || s.Type == "boolean":
		t = s.Type
	}
	if s.Nullable {
		t += " | null"
	}
	return t
}
