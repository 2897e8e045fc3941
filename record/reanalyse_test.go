package record

import (
	"math"
	"reflect"
	"testing"

	"github.com/stretchr/testify/assert"

	"griptrial/analyze"
	"griptrial/analyze/pick"
)

// Two picks are the same to the bit, every NaN alike; a change in any field is seen and named.
func TestSame(t *testing.T) {
	change := func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Float64:
			v.SetFloat(math.Copysign(0, -1)) // only a bit is another than in 0
		case reflect.String:
			v.SetString(v.String() + "x")
		case reflect.Int:
			v.SetInt(v.Int() + 1)
		case reflect.Bool:
			v.SetBool(!v.Bool())
		case reflect.Struct:
			v.Set(reflect.ValueOf(analyze.Figure{Warnings: []analyze.Warning{{Code: "odd", A: math.NaN()}}}))
		default:
			t.Fatalf("a pick has a field of kind %s", v.Kind())
		}
	}
	var p pick.Pick
	for i := range reflect.TypeFor[pick.Pick]().NumField() {
		var a, b pick.Pick
		change(reflect.ValueOf(&b).Elem().Field(i))
		assert.False(t, same(&a, &b))
		assert.Contains(t, firstDifference(a, b), reflect.TypeOf(a).Field(i).Name)
		change(reflect.ValueOf(&a).Elem().Field(i))
		assert.True(t, same(&a, &b))
		change(reflect.ValueOf(&p).Elem().Field(i))
	}
	q := p
	q.SealTimeS.Warnings = []analyze.Warning{{Code: "odd", A: math.Float64frombits(math.Float64bits(math.NaN()) ^ 1)}} // another NaN
	assert.True(t, same(&p, &q))
	q.SealTimeS.Warnings = []analyze.Warning{{Code: "odd", A: 1}}
	assert.False(t, same(&p, &q))
	q.SealTimeS.Warnings = nil
	assert.False(t, same(&p, &q))
}
