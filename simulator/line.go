package simulator

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"net"
	"slices"
	"sync"
	"time"

	"griptrial/config"
)

// ServeLine answers on a serial line, or what looks like one, as the bus's kind says:
// Modbus RTU requests, or text lines. Paced lets answers take the time that their
// characters need at the line's speed, for lines that have none of their own. It closes line before it returns; nil means that ctx ended it.
func ServeLine(ctx context.Context, line io.ReadWriteCloser, b *Bus, paced bool) error {
	ctx, cancel := context.WithCancel(ctx)
	b.rig.Start(time.Now())
	var all sync.WaitGroup
	defer all.Wait()
	defer cancel()
	all.Go(func() { b.rig.keepGoing(ctx) })
	err := b.converseLine(ctx, line, 1, paced)
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// converseLine talks on one line until it ends or ctx does, and closes it.
func (b *Bus) converseLine(ctx context.Context, line io.ReadWriteCloser, conn int, paced bool) error {
	ctx, cancel := context.WithCancel(ctx)
	stop := context.AfterFunc(ctx, func() { line.Close() })
	var reading sync.WaitGroup
	defer reading.Wait() // the reader ends when the line is closed
	defer func() {
		cancel()
		if stop() {
			line.Close()
		}
	}()
	chunks, failed := make(chan []byte), make(chan error, 1)
	reading.Go(func() {
		buf := make([]byte, 512)
		for {
			n, err := line.Read(buf)
			if n > 0 {
				select {
				case chunks <- slices.Clone(buf[:n]):
				case <-ctx.Done():
					return
				}
			}
			if err != nil {
				failed <- err
				return
			}
		}
	})
	w := &wire{b: b, ctx: ctx, line: line, conn: conn, paced: paced}
	if b.Kind == config.TextSerial || b.Kind == config.TextTCP {
		return w.text(chunks, failed)
	}
	return w.rtu(chunks, failed)
}

// A wire is one line with its answers.
type wire struct {
	b     *Bus
	ctx   context.Context
	line  io.Writer
	conn  int
	paced bool
}

// charS returns how long a character takes on the line, s.
func (b *Bus) charS() float64 {
	if b.Serial.Baud <= 0 {
		return 0
	}
	bits := 1 + 8 + max(1, b.Serial.StopBits)
	if b.Serial.Parity != "" && b.Serial.Parity != "none" {
		bits++
	}
	return float64(bits) / float64(b.Serial.Baud)
}

// pause waits for s seconds, less if the line ends.
func (w *wire) pause(s float64) {
	if s <= 0 {
		return
	}
	t := time.NewTimer(time.Duration(s * float64(time.Second)))
	defer t.Stop()
	select {
	case <-t.C:
	case <-w.ctx.Done():
	}
}

// Modbus RTU (MODBUS over Serial Line V1.02, 2.5.1): unit, PDU, CRC with the low byte
// first; a frame ends with a silence of 3.5 characters. A pseudo-terminal has no silences
// worth the name, so a request's length is taken from its function where that tells.

// silence is how long the line must be quiet for what came to be thrown away.
const silence = 10 * time.Millisecond

// foreignEvery is how often another master polls.
const foreignEvery = 100 * time.Millisecond

func (w *wire) rtu(chunks <-chan []byte, failed <-chan error) error {
	var frame []byte
	quiet := time.NewTimer(time.Hour)
	defer quiet.Stop()
	other := time.NewTicker(foreignEvery)
	defer other.Stop()
	for {
		select {
		case <-w.ctx.Done():
			return nil
		case err := <-failed:
			return err
		case c := <-chunks:
			frame = append(frame, c...)
			for n := requestLen(frame); n > 0 && len(frame) >= n && crc16(frame[:n]) == 0; n = requestLen(frame) {
				if err := w.rtuAnswer(frame[:n]); err != nil {
					return err
				}
				frame = frame[n:]
			}
			frame = slices.Clone(frame)
			quiet.Reset(silence)
		case <-quiet.C:
			if len(frame) >= 4 && len(frame) <= maxPDU+3 && crc16(frame) == 0 {
				if err := w.rtuAnswer(frame); err != nil {
					return err
				}
			}
			frame = nil
		case <-other.C:
			if len(frame) > 0 || !w.b.foreign() {
				continue
			}
			// A controller reads two registers of a device that is not ours.
			ask := appendCRC([]byte{0xF0, 3, 0, 0, 0, 2})
			if _, err := w.line.Write(ask); err != nil {
				return err
			}
			w.pause(0.005)
			if _, err := w.line.Write(appendCRC([]byte{0xF0, 3, 4, 0, 1, 0, 2})); err != nil {
				return err
			}
		}
	}
}

// requestLen returns the length of the request that frame begins with, 0 where its
// function does not tell or too little of it is there.
func requestLen(frame []byte) int {
	switch {
	case len(frame) < 2:
		return 0
	case frame[1] >= 1 && frame[1] <= 6:
		return 8
	case (frame[1] == 15 || frame[1] == 16) && len(frame) > 6:
		return 9 + int(frame[6])
	}
	return 0
}

// rtuAnswer answers a request whose CRC is right. Devices that are not there are silent.
func (w *wire) rtuAnswer(frame []byte) error {
	unit, pdu := frame[0], frame[1:len(frame)-2]
	i := slices.IndexFunc(w.b.devices, func(d *device) bool { return d.unit == int(unit) })
	if i < 0 || len(pdu) == 0 {
		return nil
	}
	d := w.b.devices[i]
	f := w.b.decide(Request{Conn: w.conn, Unit: unit, PDU: pdu})
	if w.paced {
		w.pause(w.b.charS() * float64(len(frame)))
	}
	if !math.IsNaN(d.turnaroundS) {
		w.pause(d.turnaroundS / 2)
	}
	answer := append([]byte{unit}, f.pdu(w.b.Answer(unit, pdu))...)
	if f.WrongUnit {
		answer[0]++
	}
	answer = appendCRC(answer)
	if f.BadCRC {
		answer[len(answer)-1] ^= 0xFF
	}
	if w.paced {
		w.pause(w.b.charS() * float64(len(answer)))
	}
	w.pause(f.Delay.Seconds())
	if err := f.send(w.line, answer); err != nil && !errors.Is(err, errClosing) {
		return err
	} else if err != nil {
		if _, tcp := w.line.(net.Conn); tcp { // a serial line has nothing to close
			return err
		}
	}
	return nil
}

// crc16 is the check sum of Modbus RTU: polynomial x¹⁶+x¹⁵+x²+1, reflected, from FFFF
// (MODBUS over Serial Line V1.02, 6.2.2). Over a frame with its own CRC it is 0.
func crc16(b []byte) uint16 {
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

func appendCRC(b []byte) []byte { return binary.LittleEndian.AppendUint16(b, crc16(b)) }
