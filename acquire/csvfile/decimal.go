package csvfile

import (
	"math"
	"strings"
)

// A decimal is a number as written: mantissa / 10^places.
type decimal struct {
	mantissa int64
	places   int  // decimal places, trailing zeros included; negative for 5e3
	exponent bool // written in exponent form
	mark     byte // decimal mark, '.' or ','; 0 without one
}

// maxPlaces bounds places so that powers of ten stay within float64.
const maxPlaces = 290

// parseDecimal reads a number such as -12, 12.50, .5, 1,5e-3; ok is false for anything else,
// Inf and values from 1e290 up included. Digits beyond the 18th or 19th are cut.
func parseDecimal(s string) (d decimal, ok bool) {
	i, negative := 0, false
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		negative = s[i] == '-'
		i++
	}
	digits := 0
	full := false // no digit may follow once one was cut
	for ; i < len(s); i++ {
		c := s[i]
		if c == '.' || c == ',' {
			if d.mark != 0 {
				return d, false
			}
			d.mark = c
			continue
		}
		if c < '0' || c > '9' {
			break
		}
		digits++
		if full = full || d.mantissa > (math.MaxInt64-9)/10; full {
			if d.mark == 0 {
				d.places--
			}
			continue
		}
		d.mantissa = d.mantissa*10 + int64(c-'0')
		if d.mark != 0 {
			d.places++
		}
	}
	if digits == 0 {
		return d, false
	}
	if i < len(s) {
		if s[i] != 'e' && s[i] != 'E' {
			return d, false
		}
		e, ok := parseExponent(s[i+1:])
		if !ok {
			return d, false
		}
		d.exponent = true
		d.places -= e
	}
	if d.mantissa == 0 && (d.exponent || d.places < 0) {
		d.places = 0 // 0e-300 asks for no 300 places
	}
	if d.places < -maxPlaces {
		return d, false
	}
	if negative {
		d.mantissa = -d.mantissa
	}
	return d, true
}

func parseExponent(s string) (e int, ok bool) {
	digits := strings.TrimPrefix(s, "-")
	if digits == s {
		digits = strings.TrimPrefix(s, "+")
	}
	if digits == "" {
		return 0, false
	}
	for _, c := range []byte(digits) {
		if c < '0' || c > '9' {
			return 0, false
		}
		e = min(e*10+int(c-'0'), 100_000) // far beyond what is allowed, far from overflow
	}
	if s[0] == '-' {
		e = -e
	}
	return e, true
}

// at returns d × 10^places, rounded half away from zero; ok is false if it does not fit.
func (d decimal) at(places int) (n int64, ok bool) { return shift(d.mantissa, places-d.places) }

// shift returns n × 10^by, rounded half away from zero; ok is false if it does not fit.
func shift(n int64, by int) (int64, bool) {
	for ; by > 0 && n != 0; by-- {
		if n > math.MaxInt64/10 || n < -math.MaxInt64/10 {
			return 0, false
		}
		n *= 10
	}
	if by >= 0 {
		return n, true
	}
	if by < -19 {
		return 0, true
	}
	p := uint64(1)
	for ; by < 0; by++ {
		p *= 10
	}
	u := uint64(n)
	if n < 0 {
		u = -u
	}
	q := u / p
	if r := u % p; r >= p-r {
		q++
	}
	if n < 0 {
		return -int64(q), true
	}
	return int64(q), true
}
