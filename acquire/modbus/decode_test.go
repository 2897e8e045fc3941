package modbus

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/acquire/sample"
	"griptrial/config"
)

func TestCount(t *testing.T) {
	cases := []struct {
		name string
		f    field
		data []byte
		want int64
	}{
		// [AP] 6.3: registers 108 to 110 are 555, 0 and 100. [AP] 6.4: input register 9 is 10.
		{"[AP] 6.3 register 108", field{kind: "u16"}, []byte{0x02, 0x2B, 0x00, 0x00, 0x00, 0x64}, 555},
		{"[AP] 6.3 register 109", field{kind: "u16", at: 2}, []byte{0x02, 0x2B, 0x00, 0x00, 0x00, 0x64}, 0},
		{"[AP] 6.3 register 110", field{kind: "i16", at: 4, order: "AB"}, []byte{0x02, 0x2B, 0x00, 0x00, 0x00, 0x64}, 100},
		{"[AP] 6.4 register 9", field{kind: "u16", order: "AB"}, []byte{0x00, 0x0A}, 10},
		{"u16 bytes swapped", field{kind: "u16", order: "BA"}, []byte{0x2B, 0x02}, 555},
		{"u16 highest", field{kind: "u16"}, []byte{0xFF, 0xFF}, 65535},
		{"i16 lowest", field{kind: "i16"}, []byte{0x80, 0x00}, -32768},
		{"i16 minus one", field{kind: "i16", order: "BA"}, []byte{0xFF, 0xFF}, -1},
		{"i16 highest", field{kind: "i16", order: "BA"}, []byte{0xFF, 0x7F}, 32767},

		// By hand: 0x01020304 = 16909060.
		{"u32 ABCD", field{kind: "u32", order: "ABCD"}, []byte{1, 2, 3, 4}, 16909060},
		{"u32 CDAB", field{kind: "u32", order: "CDAB"}, []byte{3, 4, 1, 2}, 16909060},
		{"u32 BADC", field{kind: "u32", order: "BADC"}, []byte{2, 1, 4, 3}, 16909060},
		{"u32 DCBA", field{kind: "u32", order: "DCBA"}, []byte{4, 3, 2, 1}, 16909060},
		{"u32 highest", field{kind: "u32", order: "ABCD"}, []byte{255, 255, 255, 255}, 4294967295},
		{"i32 minus two", field{kind: "i32", order: "CDAB"}, []byte{0xFF, 0xFE, 0xFF, 0xFF}, -2},
		{"i32 lowest", field{kind: "i32", order: "DCBA"}, []byte{0, 0, 0, 0x80}, math.MinInt32},

		// float32 −61.25 = C2750000 (IEEE 754: −1.9140625 × 2^5).
		{"f32 ABCD", field{kind: "f32", order: "ABCD", step: 0.01}, []byte{0xC2, 0x75, 0, 0}, -6125},
		{"f32 CDAB", field{kind: "f32", order: "CDAB", step: 0.01}, []byte{0, 0, 0xC2, 0x75}, -6125},
		{"f32 BADC", field{kind: "f32", order: "BADC", step: 0.01}, []byte{0x75, 0xC2, 0, 0}, -6125},
		{"f32 DCBA", field{kind: "f32", order: "DCBA", step: 0.01}, []byte{0, 0, 0x75, 0xC2}, -6125},
		{"f32 half a step", field{kind: "f32", order: "ABCD", step: 0.5}, []byte{0xC2, 0x75, 0, 0}, -123},
		{"f32 infinite", field{kind: "f32", order: "ABCD", step: 1}, []byte{0x7F, 0x80, 0, 0}, sample.Missing},
		{"f32 minus infinite", field{kind: "f32", order: "ABCD", step: 1}, []byte{0xFF, 0x80, 0, 0}, sample.Missing},
		{"f32 NaN", field{kind: "f32", order: "ABCD", step: 1}, []byte{0x7F, 0xC0, 0, 0}, sample.Missing},
		{"f32 minus zero", field{kind: "f32", order: "ABCD", step: 1}, []byte{0x80, 0, 0, 0}, 0},
		{"f32 2^53", field{kind: "f32", order: "ABCD", step: 1}, []byte{0x5A, 0, 0, 0}, 1 << 53},
		{"f32 beyond 2^53", field{kind: "f32", order: "ABCD", step: 1}, []byte{0x5A, 0, 0, 1}, sample.Missing},

		{"bit 0 of a register", field{kind: "bit"}, []byte{0x80, 0x01}, 1},
		{"bit 1 of a register", field{kind: "bit", bit: 1}, []byte{0x80, 0x01}, 0},
		{"bit 15 of a register", field{kind: "bit", bit: 15}, []byte{0x80, 0x01}, 1},
		{"bit 8, bytes swapped", field{kind: "bit", bit: 8, order: "BA"}, []byte{0x80, 0x01}, 1},

		// [AP] 6.1: coils 27 to 20 are CD = 1100 1101, coils 38 to 36 are 05 = 101.
		{"[AP] 6.1 coil 20", field{kind: "bit", bits: true, at: 0}, []byte{0xCD, 0x6B, 0x05}, 1},
		{"[AP] 6.1 coil 21", field{kind: "bit", bits: true, at: 1}, []byte{0xCD, 0x6B, 0x05}, 0},
		{"[AP] 6.1 coil 27", field{kind: "bit", bits: true, at: 7}, []byte{0xCD, 0x6B, 0x05}, 1},
		{"[AP] 6.1 coil 28", field{kind: "bit", bits: true, at: 8}, []byte{0xCD, 0x6B, 0x05}, 1},
		{"[AP] 6.1 coil 37", field{kind: "bit", bits: true, at: 17}, []byte{0xCD, 0x6B, 0x05}, 0},
		{"[AP] 6.1 coil 38", field{kind: "bit", bits: true, at: 18}, []byte{0xCD, 0x6B, 0x05}, 1},
		// [AP] 6.2: inputs 218 to 213 are 35 = 11 0101.
		{"[AP] 6.2 input 197", field{kind: "bit", bits: true, at: 0}, []byte{0xAC, 0xDB, 0x35}, 0},
		{"[AP] 6.2 input 218", field{kind: "bit", bits: true, at: 21}, []byte{0xAC, 0xDB, 0x35}, 1},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.want, c.f.count(c.data)) })
	}
}

// FuzzCount builds the register that Modbus text describes in another way (by arithmetic on
// single bytes) and asks for the same number.
func FuzzCount(f *testing.F) {
	f.Add(byte(0xC2), byte(0x75), byte(0), byte(0), 0.01, 3)
	f.Add(byte(0x7F), byte(0xC0), byte(0), byte(0), 1.0, 0)
	f.Add(byte(0xFF), byte(0xFF), byte(0xFF), byte(0xFF), 1e-300, 15)
	f.Fuzz(func(t *testing.T, a, b, c, d byte, step float64, bit int) {
		u32 := int64(a)*1<<24 + int64(b)*1<<16 + int64(c)*1<<8 + int64(d)
		i32 := u32
		if a >= 128 {
			i32 -= 1 << 32
		}
		u16 := int64(a)*256 + int64(b)
		i16 := u16
		if a >= 128 {
			i16 -= 65536
		}
		bit &= 15
		for order, bytes := range map[string][]byte{
			"ABCD": {a, b, c, d}, "CDAB": {c, d, a, b}, "BADC": {b, a, d, c}, "DCBA": {d, c, b, a},
		} {
			require.Equal(t, u32, (&field{kind: "u32", order: order}).count(bytes), order)
			require.Equal(t, i32, (&field{kind: "i32", order: order}).count(bytes), order)
			if !(step > 0 && step < math.Inf(1)) {
				continue
			}
			n := (&field{kind: "f32", order: order, step: step}).count(bytes)
			sent := float64(math.Float32frombits(uint32(u32)))
			if n == sample.Missing {
				require.False(t, math.Abs(sent/step) < 1<<53, "%g in steps of %g", sent, step)
				continue
			}
			require.LessOrEqual(t, math.Abs(float64(n)-sent/step), 0.5, "%g in steps of %g", sent, step)
		}
		for order, bytes := range map[string][]byte{"": {a, b}, "AB": {a, b}, "BA": {b, a}} {
			require.Equal(t, u16, (&field{kind: "u16", order: order}).count(bytes), order)
			require.Equal(t, i16, (&field{kind: "i16", order: order}).count(bytes), order)
			require.Equal(t, u16/int64(math.Pow(2, float64(bit)))%2, (&field{kind: "bit", order: order, bit: bit}).count(bytes), order)
		}
		require.Equal(t, u16/256/int64(math.Pow(2, float64(bit%8)))%2, (&field{kind: "bit", bits: true, at: bit % 8}).count([]byte{a}))
	})
}

func TestWidth(t *testing.T) {
	cases := []struct {
		name    string
		r       config.Register
		want    int
		wantErr string
	}{
		{"u16", config.Register{Table: config.Holding, Type: "u16"}, 1, ""},
		{"f32", config.Register{Table: config.Input, Type: "f32", Order: "CDAB"}, 2, ""},
		{"coil", config.Register{Table: config.Coil, Type: "bit"}, 1, ""},
		{"bit 15", config.Register{Table: config.Holding, Type: "bit", Bit: 15}, 1, ""},
		{"bit 16", config.Register{Table: config.Holding, Type: "bit", Bit: 16}, 0, "bit 16 is not in a register; want 0 to 15"},
		{"bit -1", config.Register{Table: config.Holding, Type: "bit", Bit: -1}, 0, "bit -1 is not in a register; want 0 to 15"},
		{"coil as number", config.Register{Table: config.Coil, Type: "u16"}, 0, `type "u16" cannot be read from table "coil"; want bit`},
		{"no table", config.Register{Type: "u16"}, 0, `table "" is not known; want holding, input, coil or discrete`},
		{"no type", config.Register{Table: config.Input}, 0, `type "" is not known; want u16, i16, u32, i32, f32 or bit`},
		{"no order", config.Register{Table: config.Input, Type: "i32"}, 0, `order "" of type i32 is not known; want ABCD, CDAB, BADC or DCBA`},
		{"order of 32 for 16", config.Register{Table: config.Input, Type: "i16", Order: "ABCD"}, 0, `order "ABCD" of type i16 is not known; want AB or BA`},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got, err := width(c.r)
			if c.wantErr != "" {
				require.EqualError(t, err, c.wantErr)
				return
			}
			require.NoError(t, err)
			assert.Equal(t, c.want, got)
		})
	}
}
