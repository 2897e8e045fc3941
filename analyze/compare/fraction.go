package compare

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
)

// A Fraction is a regular fraction of the combinations of k factors with two levels each: the
// 2^(k−p) in which p of the factors are products of others (Box, Hunter and Hunter, Statistics
// for Experimenters, chapter 12).
type Fraction struct {
	Factors    []Factor
	Generators []Alias  // a factor with the product that it is made from
	Resolution int      // length of the shortest product of factors that is constant
	Aliases    [][]Term // main effects and interactions of two that cannot be told from each other
	words      []uint   // factors whose product is constant: the generators', then all
}

// An Alias is a factor and the product of others that sets it.
type Alias struct {
	Factor string
	Of     []string
}

// NewFraction returns the fraction 1/n, n being a power of two, that confounds least: the
// highest resolution, then the fewest shortest products, and so on (minimum aberration; Fries
// and Hunter 1980, Technometrics 22, 601–608), found by trying all. It is ErrFraction where
// the factors are too few for the resolution to be III.
func NewFraction(factors []Factor, n int) (*Fraction, error) {
	k, p := len(factors), bits.Len(uint(n))-1
	if n < 2 || n != 1<<p {
		return nil, fmt.Errorf("a fraction of 1/%d: want one in 2, 4, 8 …", n)
	}
	base := k - p
	if base < 2 || p > 1<<base-1-base {
		return nil, fmt.Errorf("a fraction of 1/%d takes %d factors or more with two levels besides the bag; there are %d: %w", n, leastFactors(p), k, ErrFraction)
	}
	// Candidates are the products of two base factors or more.
	var candidates []uint
	for w := uint(1); w < 1<<base; w++ {
		if bits.OnesCount(w) >= 2 {
			candidates = append(candidates, w)
		}
	}
	// Longer products first, in the order of their factors, as tables have them.
	slices.SortStableFunc(candidates, func(a, b uint) int { return bits.OnesCount(b) - bits.OnesCount(a) })
	var best *Fraction
	var bestLengths []int
	chosen := make([]uint, p)
	var choose func(i, from int)
	choose = func(i, from int) {
		if i == p {
			words := span(chosen)
			if lengths := wordLengths(words, k); best == nil || slices.Compare(lengths, bestLengths) < 0 {
				best, bestLengths = &Fraction{Factors: factors, words: words}, lengths
			}
			return
		}
		for j := from; j < len(candidates); j++ {
			chosen[i] = candidates[j] | 1<<(base+i)
			choose(i+1, j+1)
		}
	}
	choose(0, 0)
	for i := range p {
		best.Generators = append(best.Generators, Alias{factors[base+i].Name, best.names(best.words[i] &^ (1 << (base + i)))})
	}
	best.Resolution = 1 + slices.IndexFunc(bestLengths, func(n int) bool { return n > 0 })
	best.alias()
	return best, nil
}

// leastFactors is how many factors a fraction of 1/2^p takes for resolution III.
func leastFactors(p int) int {
	base := 2
	for p > 1<<base-1-base {
		base++
	}
	return base + p
}

// span returns all products of generators but the empty one, the generators first.
func span(generators []uint) []uint {
	words := slices.Clone(generators)
	for set := 1; set < 1<<len(generators); set++ {
		w := uint(0)
		for i, g := range generators {
			if set>>i&1 == 1 {
				w ^= g
			}
		}
		if bits.OnesCount(uint(set)) > 1 {
			words = append(words, w)
		}
	}
	return words
}

// wordLengths counts the words with 1, 2 … k factors.
func wordLengths(words []uint, k int) []int {
	n := make([]int, k)
	for _, w := range words {
		n[bits.OnesCount(w)-1]++
	}
	return n
}

func (f *Fraction) names(word uint) []string {
	var out []string
	for i, x := range f.Factors {
		if word>>i&1 == 1 {
			out = append(out, x.Name)
		}
	}
	return out
}

// alias lists the effects of one factor and of two by what they are confounded with.
func (f *Fraction) alias() {
	var effects []uint
	for i := range f.Factors {
		effects = append(effects, 1<<i)
	}
	for i := range f.Factors {
		for j := i + 1; j < len(f.Factors); j++ {
			effects = append(effects, 1<<i|1<<j)
		}
	}
	done := map[uint]bool{}
	for _, e := range effects {
		if done[e] {
			continue
		}
		group := []Term{{Factors: f.names(e)}}
		for _, w := range f.words {
			if o := e ^ w; slices.Contains(effects, o) {
				group = append(group, Term{Factors: f.names(o)})
				done[o] = true
			}
		}
		if len(group) > 1 {
			f.Aliases = append(f.Aliases, group)
		}
	}
}

// holds reports whether a combination of levels belongs to the fraction: with the first level
// −1 and the second +1, each factor made is the product of those that it is made from.
func (f *Fraction) holds(c map[string]string) bool {
	for _, w := range f.words[:len(f.Generators)] {
		first := 0
		for i, x := range f.Factors {
			if w>>i&1 == 1 && c[x.Name] == x.Levels[0] {
				first++
			}
		}
		if first%2 != 0 {
			return false
		}
	}
	return true
}

// Words says what the fraction can tell apart.
func (f *Fraction) Words() string {
	switch f.Resolution {
	case 3:
		return "resolution III: what looks like one factor may be two others together"
	case 4:
		return "resolution IV: single factors are clear of pairs; pairs are mixed with each other"
	}
	return fmt.Sprintf("resolution %s: single factors and pairs are clear of each other", []string{"", "I", "II", "III", "IV", "V", "VI", "VII"}[min(7, f.Resolution)])
}

// String names the effect: "cup × tilt".
func (t Term) String() string { return strings.Join(t.Factors, " × ") }
