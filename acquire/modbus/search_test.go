package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"net"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"griptrial/config"
)

// serveUnits answers registers with their addresses for some units, refuses one, is mute for
// others, and fails the test at anything that is no read.
func serveUnits(t *testing.T, answers map[byte]string) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				var b [12]byte
				for {
					if _, err := io.ReadFull(c, b[:]); err != nil {
						return
					}
					assert.Contains(t, []byte{1, 2, 3, 4}, b[7], "function")
					switch answers[b[6]] {
					case "values":
						var data []byte
						for i := range binary.BigEndian.Uint16(b[10:]) {
							data = binary.BigEndian.AppendUint16(data, binary.BigEndian.Uint16(b[8:])+i)
						}
						c.Write(frame(b[:2], b[6], b[7], data))
					case "refuses":
						c.Write([]byte{b[0], b[1], 0, 0, 0, 3, b[6], b[7] | 0x80, 2})
					case "gateway":
						c.Write([]byte{b[0], b[1], 0, 0, 0, 3, b[6], b[7] | 0x80, 0x0B})
					}
				}
			}()
		}
	}()
	return l.Addr().String()
}

func TestSearch(t *testing.T) {
	address := serveUnits(t, map[byte]string{3: "values", 5: "refuses", 6: "gateway"})
	bus := config.Bus{Kind: config.ModbusTCP, Address: address, TimeoutS: 0.05}
	var made []int
	s := Search{Bus: bus, Units: []int{1, 2, 3, 4, 5, 6, 7}, Progress: func(m, of int) { made = append(made, m); assert.Equal(t, 7, of) }}
	found, err := s.Run(t.Context())
	require.NoError(t, err)
	assert.Equal(t, []Found{{Unit: 3, Answer: "holding register 0 is 0"}, {Unit: 5, Answer: Exception(2).Error()}}, found)
	assert.Equal(t, []int{0, 1, 2, 3, 4, 5, 6, 7}, made)

	ctx, cancel := context.WithCancel(t.Context())
	s.Progress = func(m, _ int) {
		if m == 3 {
			cancel()
		}
	}
	found, err = s.Run(ctx)
	if err != nil {
		require.True(t, errors.Is(err, context.Canceled))
	}
	assert.Len(t, found, 1, "what was found until then")

	registers, err := ReadRegisters(t.Context(), bus, 3, config.Input, 100, 300)
	require.NoError(t, err)
	require.Len(t, registers, 300)
	assert.Equal(t, []uint16{100, 224, 225, 399}, []uint16{registers[0], registers[124], registers[125], registers[299]})
	_, err = ReadRegisters(t.Context(), bus, 5, config.Input, 100, 3)
	assert.ErrorContains(t, err, "read input registers 100–102 of unit 5: exception 02")
}

func TestMeanings(t *testing.T) {
	find := func(registers []uint16, kind, order string) Meaning {
		for _, m := range Meanings(registers, 0) {
			if m.Type == kind && m.Order == order {
				return m
			}
		}
		t.Fatalf("no %s %s", kind, order)
		return Meaning{}
	}
	// protocols.md, section 7: float32 -61.25 = C2750000 in the four orders.
	for order, r := range map[string][]uint16{"ABCD": {0xC275, 0}, "CDAB": {0, 0xC275}, "BADC": {0x75C2, 0}, "DCBA": {0, 0x75C2}} {
		assert.Equal(t, -61.25, find(r, "f32", order).Value, order)
	}
	// 1013.25 hPa is 447D5000 (own arithmetic: 1013.25 = 1.97900390625 × 2^9).
	m := find([]uint16{0x5000, 0x447D}, "f32", "CDAB")
	assert.Equal(t, 1013.25, m.Value)
	assert.Equal(t, "ambient in hPa or mbar", m.Sense)
	assert.Equal(t, "", find([]uint16{0x5000, 0x447D}, "f32", "ABCD").Sense)
	assert.Equal(t, "ambient in hPa or mbar", find([]uint16{1002}, "u16", "AB").Sense)
	assert.Equal(t, "ambient in 0.1 hPa, or 4–20 mA in µA", find([]uint16{10020}, "u16", "AB").Sense)
	assert.Equal(t, "near zero: a gauge at ambient", find([]uint16{0xFFFD}, "i16", "AB").Sense)
	assert.True(t, math.IsNaN(find([]uint16{0x7FC0, 0}, "f32", "ABCD").Value))
	assert.True(t, math.IsNaN(find([]uint16{0x7F80, 0}, "f32", "ABCD").Value), "infinite")
	assert.Len(t, Meanings([]uint16{1, 2}, 0), 16)
	assert.Len(t, Meanings([]uint16{1, 2}, 1), 4, "nothing follows the last register")
}
