package port

import (
	"time"

	"griptrial/config"
)

// Character returns how long one character of 8 bits takes: start, data, parity and stop
// bits at the line's rate. It is 0 where no rate is known.
func Character(s config.Serial) time.Duration {
	if s.Baud <= 0 {
		return 0
	}
	bits := 1 + 8 + s.StopBits
	if s.Parity != "none" {
		bits++
	}
	return time.Duration(float64(bits) / float64(s.Baud) * 1e9)
}

// Silence returns the pause that parts two Modbus RTU frames: 3.5 characters of 11 bits,
// above 19,200 baud 1.75 ms (MODBUS over Serial Line V1.02, 2.5.1.1) unless the rig asks
// for the true 3.5 characters. It is 0 where no rate is known.
func Silence(s config.Serial) time.Duration {
	switch {
	case s.Baud <= 0:
		return 0
	case s.Baud > 19200 && !s.TrueSilence:
		return 1750 * time.Microsecond
	}
	return time.Duration(3.5 * 11 / float64(s.Baud) * 1e9)
}
