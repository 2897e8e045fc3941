package config

import "encoding/hex"

// ModbusFrame says as what kind of Modbus frame a bus would take b, "" for none. A text
// device's poll string must not be one: griptrial sends no Modbus writes, on no path.
func ModbusFrame(b []byte) string {
	switch {
	case len(b) >= 4 && CRC16(b) == 0: // over a frame with its own CRC the register ends at 0
		return "a Modbus RTU frame"
	case len(b) >= 8 && b[2] == 0 && b[3] == 0 && b[4] == 0 && b[5] >= 2 && len(b) >= 6+int(b[5]):
		return "a Modbus TCP frame"
	case len(b) >= 7 && b[0] == ':':
		end := 1
		for end < len(b) && b[end] != '\r' && b[end] != '\n' {
			end++
		}
		data, err := hex.DecodeString(string(b[1:end]))
		sum := byte(0)
		for _, d := range data {
			sum += d
		}
		if err == nil && len(data) >= 3 && sum == 0 { // the last byte is the sum's complement
			return "a Modbus ASCII frame"
		}
	}
	return ""
}

// CRC16 returns the check sum of a Modbus RTU frame: polynomial x¹⁶+x¹⁵+x²+1, reflected,
// from FFFF (MODBUS over Serial Line V1.02, 6.2.2).
func CRC16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, x := range b {
		crc ^= uint16(x)
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low == 1 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}
