package simulator

import (
	"errors"
	"io"
	"os"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// OpenPTY opens a pseudo-terminal in raw mode: what is written to the returned line is read
// from the device named path, and the other way round, as on a serial line. The device
// stays while the line is open, whoever opens and closes it.
func OpenPTY() (line io.ReadWriteCloser, path string, err error) {
	ours, theirs, err := pty.Open()
	if err != nil {
		return nil, "", err
	}
	if _, err := term.MakeRaw(int(theirs.Fd())); err != nil {
		return nil, "", errors.Join(err, ours.Close(), theirs.Close())
	}
	return &pseudo{ours, theirs}, theirs.Name(), nil
}

// A pseudo keeps the far end open, so that a reader who leaves does not end the line.
type pseudo struct {
	*os.File
	theirs *os.File
}

func (p *pseudo) Close() error { return errors.Join(p.File.Close(), p.theirs.Close()) }
