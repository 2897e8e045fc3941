package modbus

import (
	"bytes"
	"time"

	"griptrial/config"
)

// An exchange is a request that reads, heard on a line, with its answer.
type exchange struct {
	unit, function    byte
	address, quantity uint16
	data              []byte    // of the answer; valid until the next add
	from, to          time.Time // end of the request, begin of the answer
}

// A sniffer finds the exchanges of others in what is heard on a line.
type sniffer struct {
	character time.Duration // 0 where not known

	buf []byte
	at  []time.Time // when the character of each byte in buf ended: at the latest, where several came in one go

	asked    []byte // the request under way, nil for none
	askedEnd time.Time

	exchanges, notAnswered, noise int
}

// staleAfter is how long the rest of a frame may be away. Inside a frame a gap is at most
// 1.5 characters ([SL] 2.5.1.1), but adapters hand on in pieces, every 16 ms at the latest
// (the usual latency timer, from memory).
const staleAfter = 50 * time.Millisecond

// add takes bytes that came at now and calls heard for every exchange that they complete.
//
// Frames are found by their form and CRC. Some have the form of both a request and an
// answer: such a one is an answer where it fits the request before it.
func (s *sniffer) add(b []byte, now time.Time, heard func(exchange)) {
	if n := len(s.at); n > 0 && now.Sub(s.at[n-1]) > staleAfter+time.Duration(len(b))*s.character {
		s.noise += n
		s.buf, s.at = s.buf[:0], s.at[:0]
	}
	for i, x := range b {
		s.buf, s.at = append(s.buf, x), append(s.at, now.Add(-time.Duration(len(b)-1-i)*s.character))
	}
	done := 0
	for done < len(s.buf) {
		rest := s.buf[done:]
		n, complete := s.frameAt(rest)
		if n == 0 && !complete { // its end has not come, unless it is noise that looks like a begin
			skip := nextRequest(rest)
			if skip == 0 {
				break
			}
			s.noise += skip
			done += skip
			continue
		}
		if n == 0 {
			s.noise++
			done++
			continue
		}
		s.frame(rest[:n], s.at[done].Add(-s.character), s.at[done+n-1], heard)
		done += n
	}
	s.buf, s.at = append(s.buf[:0], s.buf[done:]...), append(s.at[:0], s.at[done:]...)
}

// nextRequest returns where in b, beyond its begin, a request that reads stands, 0 for none.
func nextRequest(b []byte) int {
	for i := 1; i+8 <= len(b); i++ {
		if _, _, _, _, ok := readRequest(b[i : i+8]); ok && config.CRC16(b[i:i+8]) == 0 {
			return i
		}
	}
	return 0
}

// frameAt returns the length of the frame that b begins with, 0 for none, and whether more
// bytes cannot make it one.
func (s *sniffer) frameAt(b []byte) (n int, complete bool) {
	if len(b) < 3 {
		return 0, false
	}
	request, answer := frameLengths(b)
	lengths := []int{request, answer}
	if s.asked != nil {
		lengths = []int{answer, request}
	}
	complete = true
	if s.fits(b) && len(b) < answer {
		return 0, false // the awaited answer: no other form of it is tried before it is whole
	}
	for _, n := range lengths {
		switch {
		case n == 0:
			// A write's request tells its length in its seventh byte.
			if (b[1] == 0x0F || b[1] == 0x10) && len(b) < 7 || b[1] == 0x17 && len(b) < 11 {
				complete = false
			}
		case n > maxLineBytes:
		case len(b) < n:
			complete = false
		case config.CRC16(b[:n]) == 0:
			return n, true
		}
	}
	return 0, complete
}

// fits reports whether b begins like the answer to the request under way.
func (s *sniffer) fits(b []byte) bool {
	if s.asked == nil {
		return false
	}
	asked := shapeOf(s.asked)
	return b[0] == s.asked[0] && b[1] == asked.function && int(b[2]) == asked.data
}

// frame takes a whole frame that came between two instants.
func (s *sniffer) frame(f []byte, begin, end time.Time, heard func(exchange)) {
	if s.asked != nil {
		asked := shapeOf(s.asked)
		if s.fits(f) && len(f) == 5+asked.data {
			unit, function, address, quantity, _ := readRequest(s.asked)
			from := s.askedEnd
			if begin.Before(from) { // both came in one go, on a line whose rate is not known
				begin = end
			}
			s.asked = nil
			s.exchanges++
			heard(exchange{unit, function, address, quantity, f[3 : 3+asked.data], from, begin})
			return
		}
		if bytes.Equal(f, s.asked) {
			return // an adapter hears twice, or the master repeats itself: the later one counts
		}
		s.asked = nil
		s.notAnswered++
	}
	if _, _, _, _, ok := readRequest(f); ok {
		s.asked, s.askedEnd = bytes.Clone(f), end
	}
}
