package main

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What is documented is what is written: real outputs hold to the schema, and it refuses what
// it does not describe. --csv is written by the same commands.
func TestComparisonSchema(t *testing.T) {
	text, err := os.ReadFile("../../report/comparison.schema.json")
	require.NoError(t, err)
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	require.NoError(t, c.AddResource("comparison.schema.json", doc))
	const requirement = "  drops: {max_rate: 3 %}\n  seal_time: {limit: 400 ms, share: 95 %}\n  picks: 40 /min\n"
	done, growing := writeTrial(t, requirement, 48), writeTrial(t, requirement, 47)
	one := writeTrial(t, "", 4)
	sequential := writeTrial(t, requirement, 48, "sequential: {good: 0.1 %, bad: 3 %, alpha: 5 %, beta: 5 %}")
	code, _, errs := command(t, "picks", done, "--spoil", "left/7", "--why", "hose off")
	require.Equal(t, exitDone, code, errs)
	factors := []string{"--factor", "bag=sachet", "--factor", "cup=a|b", "--factor", "tilt=0 °|5 °", "--factor", "placement=middle|thirds"}
	for _, args := range [][]string{
		{"compare", done}, {"compare", growing}, {"compare", one}, {"compare", sequential}, {"choose", done}, {"choose", growing}, {"soak", done}, {"soak", growing}, {"soak", one},
		{"plan", "drops", "--max-rate", "1e-4"}, {"plan", "share", "--share", "95 %"}, {"plan", "difference", "--pilot", done}, {"plan", "difference", "--piece-spread", "8 %", "--pick-spread", "10 %"},
		{"plan", "sequential", "--good", "0.1 %", "--bad", "1 %"}, append([]string{"plan", "runs"}, factors...), append([]string{"plan", "runs", "--fraction", "1/2"}, factors...),
	} {
		name := args[0]
		if name == "plan" {
			name += " " + args[1]
		}
		schema, err := c.Compile("comparison.schema.json#/$defs/" + strings.ReplaceAll(name, " ", "%20"))
		require.NoError(t, err)
		code, out, errs := command(t, append(args, "--json")...)
		require.Contains(t, []int{exitDone, exitNotMet}, code, errs)
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(out))
		require.NoError(t, err, name)
		assert.NoError(t, schema.Validate(v), "%v", args)
		v.(map[string]any)["more"] = 1.0
		assert.Error(t, schema.Validate(v), "%v: a field that is not described", args)
		_, out, _ = command(t, append(args, "--csv")...)
		assert.Contains(t, out, ",", "%v --csv", args)
	}
}
