package simulator

import (
	"io"

	"go.bug.st/serial"

	"griptrial/config"
)

// OpenPort opens a serial port of this machine, for a simulated bus at the far end of a real
// cable.
func OpenPort(name string, s config.Serial) (io.ReadWriteCloser, error) {
	mode := &serial.Mode{BaudRate: s.Baud, DataBits: 8}
	switch s.Parity {
	case "even":
		mode.Parity = serial.EvenParity
	case "odd":
		mode.Parity = serial.OddParity
	}
	if s.StopBits == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	return serial.Open(name, mode)
}
