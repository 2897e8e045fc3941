package textline

import "bytes"

// maxLineBytes is the longest line that is kept. A stream without terminators, from a line
// at another rate, must not fill the memory.
const maxLineBytes = 4096

// A cutter cuts a stream into lines at a terminator.
type cutter struct {
	terminator []byte
	buf        []byte
	skipping   bool // up to the next terminator: what came before is only part of a line
	dropped    int  // bytes that were no whole line
}

// add takes bytes as they came and calls whole for each line that ends in them, without its
// terminator, with the number of bytes of b that came after it. The line is valid until
// whole returns.
func (c *cutter) add(b []byte, whole func(line []byte, after int)) {
	c.buf = append(c.buf, b...)
	rest := c.buf
	for {
		i := bytes.Index(rest, c.terminator)
		if i < 0 {
			break
		}
		line := rest[:i]
		rest = rest[i+len(c.terminator):]
		switch {
		case c.skipping:
			c.dropped += i
			c.skipping = false
		case i > maxLineBytes:
			c.dropped += i
		default:
			whole(line, len(rest))
		}
	}
	if keep := len(c.terminator) - 1; len(rest) > maxLineBytes+keep {
		c.dropped += len(rest) - keep
		rest = rest[len(rest)-keep:]
		c.skipping = true
	}
	c.buf = append(c.buf[:0], rest...)
}

// restart forgets what is under way. With skip, the stream may begin amid a line.
func (c *cutter) restart(skip bool) {
	c.dropped += len(c.buf)
	c.buf, c.skipping = c.buf[:0], skip
}
