package simulator

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"sync"
	"time"

	"griptrial/config"
)

// Modbus TCP frame (MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3):
// transaction id 2, protocol id 2 (0), length 2 (unit id and PDU), unit id 1, then the PDU.
const (
	headerLen = 7
	maxPDU    = 253
)

// Serve answers on ln from the bus until ctx is done, as the bus's kind says, and starts the
// rig if nobody has. It closes ln and every connection before it returns; nil means that
// ctx ended it.
func Serve(ctx context.Context, ln net.Listener, b *Bus) error {
	ctx, cancel := context.WithCancel(ctx)
	b.rig.Start(time.Now())
	var all sync.WaitGroup
	defer all.Wait()
	defer cancel()
	stop := context.AfterFunc(ctx, func() { ln.Close() })
	defer stop()
	all.Go(func() { b.rig.keepGoing(ctx) })
	for n := 1; ; n++ {
		conn, err := ln.Accept()
		if ctx.Err() != nil {
			if err == nil {
				conn.Close()
			}
			return nil
		}
		if err != nil {
			ln.Close()
			return err
		}
		all.Go(func() {
			if b.Kind == config.ModbusRTUOverTCP || b.Kind == config.TextTCP {
				b.converseLine(ctx, conn, n, true) // how a connection ends is its client's affair
			} else {
				b.converse(ctx, conn, n)
			}
		})
	}
}

// converse answers the requests of one connection.
func (b *Bus) converse(ctx context.Context, conn net.Conn, n int) {
	stop := context.AfterFunc(ctx, func() { conn.Close() })
	defer stop()
	var late sync.WaitGroup
	defer late.Wait()
	defer conn.Close()
	var writing sync.Mutex
	frame := make([]byte, headerLen+maxPDU)
	for {
		if _, err := io.ReadFull(conn, frame[:headerLen]); err != nil {
			return
		}
		length := int(binary.BigEndian.Uint16(frame[4:]))
		if length < 2 || length > 1+maxPDU {
			return // the stream cannot be trusted any more
		}
		if _, err := io.ReadFull(conn, frame[headerLen:6+length]); err != nil {
			return
		}
		if binary.BigEndian.Uint16(frame[2:]) != 0 {
			continue // not Modbus: discarded
		}
		unit, pdu := frame[6], frame[headerLen:6+length]
		f := b.decide(Request{Conn: n, Unit: unit, PDU: pdu})
		answer := f.frame(frame[:headerLen], b.Answer(unit, pdu))
		send := func() {
			writing.Lock()
			defer writing.Unlock()
			if err := f.send(conn, answer); err != nil {
				conn.Close()
			}
		}
		if f.Delay <= 0 {
			send()
			continue
		}
		late.Go(func() {
			wait := time.NewTimer(f.Delay)
			defer wait.Stop()
			select {
			case <-ctx.Done():
			case <-wait.C:
				send()
			}
		})
	}
}

// pdu returns the reply PDU with the fault's lies in it.
func (f Fault) pdu(pdu []byte) []byte {
	if f.Exception != 0 {
		pdu = exception(pdu[0]&0x7f, f.Exception)
	}
	if cut := min(f.Fewer, len(pdu)-2); cut > 0 && pdu[0] < 0x80 {
		pdu = pdu[:len(pdu)-cut]
		pdu[1] = byte(len(pdu) - 2)
	}
	return pdu
}

// frame returns the reply to a request with that header, with the fault's lies in it.
func (f Fault) frame(header, pdu []byte) []byte {
	pdu = f.pdu(pdu)
	frame := append(append(make([]byte, 0, headerLen+len(pdu)), header...), pdu...)
	binary.BigEndian.PutUint16(frame[4:], uint16(1+len(pdu)))
	if f.WrongID {
		frame[0] ^= 0x80
	}
	if f.WrongUnit {
		frame[6]++
	}
	return frame
}

// errClosing ends a connection on purpose.
var errClosing = errors.New("closed as told")

// send writes the frame, or what the fault leaves of it.
func (f Fault) send(w io.Writer, frame []byte) error {
	silent := f.Mute || f.Close && !f.Twice && f.Cut == 0 && f.Split == 0
	if !silent {
		frame = frame[:max(0, len(frame)-f.Cut)]
		times := 1
		if f.Twice {
			times = 2
		}
		for range times {
			if f.Split > 0 && f.Split < len(frame) {
				if _, err := w.Write(frame[:f.Split]); err != nil {
					return err
				}
				time.Sleep(splitPause)
				if _, err := w.Write(frame[f.Split:]); err != nil {
					return err
				}
			} else if _, err := w.Write(frame); err != nil {
				return err
			}
		}
	}
	if f.Close {
		return errClosing
	}
	return nil
}
