package drawing

import (
	"slices"
	"strings"
	"sync"

	"golang.org/x/text/unicode/bidi"
	"golang.org/x/text/unicode/norm"
)

// Characters of Unicode's Annex 9 about a name that is not to turn the words around it: first
// strong isolate, pop directional isolate.
const (
	isolate    = '\u2068'
	endIsolate = '\u2069'
)

// class is how a character takes part in the order of writing.
func class(r rune) bidi.Class {
	p, _ := bidi.LookupRune(r)
	return p.Class()
}

// leftward reports whether r is a letter of a script that runs from right to left.
func leftward(r rune) bool {
	c := class(r)
	return c == bidi.R || c == bidi.AL
}

// turns reports whether words with r in them may stand in another order than they are read.
func turns(r rune) bool {
	return r >= 0x0590 && (r == isolate || r == endIsolate || leftward(r) || class(r) == bidi.AN)
}

// Isolated returns a name, parts of which " | " may separate, set off from the words around it
// where it runs from right to left: neither turns the other, in any form of a document.
func Isolated(name string) string {
	if strings.IndexFunc(name, leftward) < 0 {
		return name
	}
	parts := strings.Split(Bare(name), " | ")
	for i, p := range parts {
		if strings.IndexFunc(p, leftward) >= 0 {
			parts[i] = string(isolate) + p + string(endIsolate)
		}
	}
	return strings.Join(parts, " | ")
}

// Reopen returns lines that one text was broken into so that a name set off by Isolated that goes on
// over several is set off on each of them.
func Reopen(lines []string) []string {
	open := 0
	for i, line := range lines {
		before := open
		for _, r := range line {
			switch {
			case r == isolate:
				open++
			case r == endIsolate && open > 0:
				open--
			}
		}
		if before > 0 || open > 0 {
			lines[i] = strings.Repeat(string(isolate), before) + line + strings.Repeat(string(endIsolate), open)
		}
	}
	return lines
}

// Bare returns s without the marks of Isolated.
func Bare(s string) string {
	return strings.Map(func(r rune) rune {
		if r == isolate || r == endIsolate {
			return -1
		}
		return r
	}, s)
}

// Visual returns s in the order in which its characters stand on the page, from left to right,
// after Unicode's Annex 9, in a line that runs from left to right. Names set off by Isolated run
// as their first letter does.
func Visual(s string) string {
	if strings.IndexFunc(s, turns) < 0 {
		return s
	}
	return string(visual([]rune(s), 0))
}

// visual orders s, which runs rightwards (base 0) or leftwards (base 1).
func visual(s []rune, base int) []rune {
	var flat []rune
	within := map[int][]rune{} // names set off, by their place in flat
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case endIsolate: // of nothing
		case isolate:
			end, depth := i+1, 1
			for ; end < len(s); end++ {
				if s[end] == isolate {
					depth++
				} else if s[end] == endIsolate {
					depth--
				}
				if depth == 0 {
					break
				}
			}
			name, own := s[i+1:end], 0
			if k := slices.IndexFunc(name, func(r rune) bool { return leftward(r) || class(r) == bidi.L }); k >= 0 && leftward(name[k]) {
				own = 1
			}
			within[len(flat)] = visual(name, own)
			flat = append(flat, '\uFFFC') // neutral, as Annex 9 takes a name set off
			i = end
		default:
			flat = append(flat, s[i])
		}
	}
	level := levels(flat, base)
	order := make([]int, len(flat))
	for i := range order {
		order[i] = i
	}
	for l := 2; l >= 1; l-- { // rule L2
		for i := 0; i < len(order); i++ {
			end := i
			for end < len(order) && level[order[end]] >= l {
				end++
			}
			slices.Reverse(order[i:end])
			i = max(i, end-1)
		}
	}
	var out []rune
	for _, i := range order {
		switch name, ok := within[i]; {
		case ok:
			out = append(out, name...)
		case level[i] == 1:
			out = append(out, mirrored(flat[i]))
		default:
			out = append(out, flat[i])
		}
	}
	return out
}

// levels returns how deep each character is embedded: 0 rightwards, 1 leftwards, 2 numbers and
// other rightward words within what runs leftwards. x/text tells odd levels from even ones only;
// in a line that runs rightwards, even ones are 2 where a number belongs to the letters before it.
func levels(s []rune, base int) []int {
	level := make([]int, len(s))
	mark := '\u200E' // fixes which way the line runs
	if base == 1 {
		mark = '\u200F'
	}
	var p bidi.Paragraph
	if _, err := p.SetString(string(mark) + string(s)); err != nil {
		return level
	}
	o, err := p.Order()
	if err != nil {
		return level
	}
	for i := range o.NumRuns() {
		run := o.Run(i)
		from, to := run.Pos()
		for k := max(0, from-1); k < to; k++ {
			switch {
			case run.Direction() == bidi.RightToLeft:
				level[k] = 1
			case base == 1:
				level[k] = 2
			}
		}
	}
	if base == 1 {
		return level
	}
	after := bidi.L // the strong character before
	at := func(i int) bidi.Class {
		if i < 0 || i >= len(s) {
			return bidi.ON
		}
		return class(s[i])
	}
	for i := range s {
		c := at(i)
		if c == bidi.L || c == bidi.R || c == bidi.AL {
			after = c
		}
		if level[i] == 1 {
			continue
		}
		follows := i > 0 && level[i-1] == 2
		number := false
		switch c {
		case bidi.AN:
			number = true
		case bidi.EN:
			number = after != bidi.L
		case bidi.ES, bidi.CS:
			number = follows && (at(i+1) == bidi.EN || at(i+1) == bidi.AN)
		case bidi.ET:
			k := i
			for at(k) == bidi.ET {
				k++
			}
			number = after != bidi.L && at(k) == bidi.EN || follows && at(i-1) != bidi.AN
		case bidi.NSM:
			number = follows
		}
		if number {
			level[i] = 2
		}
	}
	return level
}

// mirrored returns the character that looks as r does from behind, brackets and the like.
func mirrored(r rune) rune {
	const pairs = "<>«»‹›≤≥"
	all := []rune(pairs)
	if i := slices.Index(all, r); i >= 0 {
		return all[i^1]
	}
	return []rune(bidi.ReverseString(string(r)))[0]
}

// forms are the shapes of a letter of the Arabic script: alone, joined to the letter before, to
// the one behind, to both; 0 where it has none.
type forms [4]rune

// arabic returns the forms of letters, and of lam with alef, by what Unicode's presentation forms
// stand for. (A shaper of glyphs would know more of them, but the PDF takes glyphs by characters
// alone.)
var arabic = sync.OnceValue(func() map[string]forms {
	all := map[string]forms{}
	f := regular()
	before, k := "", 0
	for r := rune(0xFB50); r <= 0xFEFC; r++ {
		of := norm.NFKC.String(string(r))
		if of != before {
			before, k = of, 0
			if of == "\u0649" && r < 0xFE00 {
				k = 2 // alef maksura: its forms to the letter behind stand by themselves
			}
		}
		letters := len([]rune(of))
		if of != string(r) && k < 4 && f[r] >= 0 && (letters == 1 || letters == 2 && r >= 0xFEF5) {
			x := all[of]
			x[k] = r
			all[of] = x
		}
		k++
	}
	return all
})

// isForm reports whether r is a presentation form of the Arabic script.
func isForm(r rune) bool { return r >= 0xFB50 && r <= 0xFDFF || r >= 0xFE70 && r <= 0xFEFC }

// joined returns s with the letters of the Arabic script in the forms that join them.
func joined(s []rune) []rune {
	if slices.IndexFunc(s, func(r rune) bool { return r >= 0x0600 && r <= 0x06FF }) < 0 {
		return s
	}
	of := arabic()
	const tatweel, joiner = '\u0640', '\u200D'
	joins := func(r rune, form int) bool { return r == tatweel || r == joiner || of[string(r)][form] != 0 }
	next := func(i int) int { // the letter behind, marks left out
		for i++; i < len(s) && class(s[i]) == bidi.NSM; i++ {
		}
		return i
	}
	out := make([]rune, 0, len(s))
	reached := false // by the letter before
	for i := 0; i < len(s); i++ {
		r := s[i]
		if class(r) == bidi.NSM {
			out = append(out, r)
			continue
		}
		j := next(i)
		x, ok := of[string(r)]
		var marks []rune
		if j < len(s) {
			if both, is := of[string(r)+string(s[j])]; is {
				x, ok, marks, i = both, true, s[i+1:j], j
				j = next(i)
			}
		}
		form := 0
		if reached && (x[1] != 0 || !ok) {
			form = 1
		}
		reaches := j < len(s) && joins(s[j], 1) && (x[2] != 0 || !ok && joins(r, 2))
		if reaches {
			form += 2
		}
		if ok && x[form] != 0 {
			r = x[form]
		}
		out = append(append(out, r), marks...)
		reached = reaches
	}
	return out
}
