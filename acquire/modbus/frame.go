package modbus

import (
	"encoding/binary"

	"griptrial/config"
)

// frameLengths returns how long a frame that begins with b can be, in bytes with address
// and CRC: as a request and as an answer ([AP] 6). 0 stands for none, or for too few bytes
// to tell.
func frameLengths(b []byte) (request, answer int) {
	if len(b) < 3 || b[0] > 247 {
		return 0, 0
	}
	counted := func(at, around int) int {
		if len(b) <= at {
			return 0
		}
		return around + int(b[at])
	}
	switch f := b[1]; f {
	case 1, 2, 3, 4:
		return 8, counted(2, 5)
	case 5, 6:
		return 8, 8
	case 0x0F, 0x10:
		return counted(6, 9), 8
	case 0x16:
		return 10, 10
	case 0x17:
		return counted(10, 13), counted(2, 5)
	case 0x81, 0x82, 0x83, 0x84, 0x85, 0x86, 0x8F, 0x90, 0x96, 0x97:
		return 0, 5
	}
	return 0, 0
}

// firstFrame returns the first frame in b that has its CRC, whoever it is from.
func firstFrame(b []byte) (frame []byte, ok bool) {
	for i := range b {
		request, answer := frameLengths(b[i:])
		for _, n := range []int{request, answer} {
			if n >= 4 && i+n <= len(b) && config.CRC16(b[i:i+n]) == 0 {
				return b[i : i+n], true
			}
		}
	}
	return nil, false
}

// isRequest reports whether frame f, whole, has the form of a request. Some are both.
func isRequest(f []byte) bool {
	request, _ := frameLengths(f)
	return request == len(f)
}

// readRequest returns what frame f, whole, asks for where it is a request that reads.
func readRequest(f []byte) (unit, function byte, address, quantity uint16, ok bool) {
	if len(f) != 8 || f[1] < 1 || f[1] > 4 {
		return
	}
	address, quantity = binary.BigEndian.Uint16(f[2:]), binary.BigEndian.Uint16(f[4:])
	limit := uint16(maxRegisters)
	if f[1] <= 2 {
		limit = maxBits
	}
	return f[0], f[1], address, quantity, quantity >= 1 && quantity <= limit
}
