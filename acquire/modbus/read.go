package modbus

import (
	"encoding/binary"
	"fmt"

	"github.com/goburrow/modbus"
)

// An Exception is a device's refusal of a request: one of the codes of [AP] 7.
type Exception byte

// Error returns the code and its name.
func (e Exception) Error() string { return fmt.Sprintf("exception %02X: %s", byte(e), e.name()) }

// Configuration reports whether e says that the device does not have what was asked for,
// so that asking again is of no use until the rig file or the device is changed.
func (e Exception) Configuration() bool { return e >= 1 && e <= 3 }

func (e Exception) name() string {
	switch e {
	case 1:
		return "the device does not know the function that reads this table"
	case 2:
		return "the device does not have all of these addresses"
	case 3:
		return "the device refuses a request of this form"
	case 4:
		return "the device failed"
	case 5:
		return "the device accepted the request and needs long"
	case 6:
		return "the device is busy"
	case 8:
		return "the device found a parity error in its memory"
	case 0x0A:
		return "the gateway has no path to the device"
	case 0x0B:
		return "the device behind the gateway does not answer"
	}
	return "not in the specification"
}

// read asks unit over l for s of r's table and returns the data bytes of the answer, valid
// until the next read. What is returned is an answer to this request: of its unit and
// function, and as long as asked for. The error is an Exception, or that of the link's
// Send, or ErrFraming; the link must be closed unless it keeps after it.
func read(l link, r *Request, s *span) ([]byte, error) {
	function := r.function()
	var asked [4]byte
	binary.BigEndian.PutUint16(asked[:], s.address)
	binary.BigEndian.PutUint16(asked[2:], s.quantity)
	l.address(r.Unit)
	request, err := l.Encode(&modbus.ProtocolDataUnit{FunctionCode: function, Data: asked[:]})
	if err != nil {
		return nil, err
	}
	answer, err := l.Send(request)
	if err != nil {
		return nil, err
	}
	if err := l.Verify(request, answer); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFraming, err)
	}
	pdu, err := l.Decode(answer)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFraming, err)
	}
	want := dataBytes(r.Table, int(s.quantity))
	switch data := pdu.Data; {
	case pdu.FunctionCode == function|0x80 && len(data) == 1:
		return nil, Exception(data[0])
	case pdu.FunctionCode != function:
		return nil, fmt.Errorf("%w: function %02X, want %02X", ErrFraming, pdu.FunctionCode, function)
	case len(data) != 1+want || int(data[0]) != want:
		// Checked against the request: a short answer agrees with its own byte count.
		return nil, fmt.Errorf("%w: %d data bytes, want %d", ErrFraming, max(0, len(data)-1), want)
	default:
		return data[1:], nil
	}
}
