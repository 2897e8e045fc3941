//go:build !linux

package simulator

import (
	"errors"
	"io"
)

// OpenPTY fails: pseudo-terminals are had on Linux only.
func OpenPTY() (line io.ReadWriteCloser, path string, err error) {
	return nil, "", errors.New("a pseudo-terminal can be opened on Linux only; give the name of a serial port")
}
