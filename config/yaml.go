package config

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Limits on a file. The YAML parser recurses, and takes time that grows with the square of
// nesting and of the keys in one mapping: without limits, half a megabyte of "a:" lines held
// it for two minutes. Within them the worst text known takes 0.3 s.
const (
	maxTextBytes = 512 << 10
	maxNesting   = 16
	maxLevel     = 5000 // lines at one level that are no list entries, and tokens in a line
	maxEntries   = 50_000
)

// A kind is the sort of a YAML value.
type kind int

const (
	empty kind = iota // nothing after the colon, or null
	word              // text, quoted or not
	number
	boolean
	list
	mapping
	faulty // a fault is noted already; getters add none
)

func (k kind) String() string {
	return [...]string{"nothing", "a text", "a number", "true or false", "a list", "a mapping", "a fault"}[k]
}

// A value is a piece of a file that knows where it stands. Mappings are read through the
// getters below; every getter notes the key it was asked for, so that finish can tell
// which keys nobody knows.
type value struct {
	file         *file
	line, column int
	path         string

	kind  kind
	text  string   // of words, numbers and booleans, as written, without quotes
	items []*value // of a list

	keys  []string          // of a mapping, in file order, each once
	at    map[string]*value // its values
	keyAt map[string]*value // where its keys stand
	known []string          // the keys asked for so far
	when  string            // which of several defaults holds here: see Default.When
}

// A file gathers the faults of one text.
type file struct {
	name   string
	faults Faults
}

// fault notes something wrong with v.
func (v *value) fault(format string, args ...any) {
	v.file.faults = append(v.file.faults, Fault{v.file.name, v.line, v.column, v.path, fmt.Sprintf(format, args...)})
}

// load reads a file that is no larger than a rig or trial file may be.
func load(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, maxTextBytes+1)) // one more: readYAML sees that it is too large
}

// readYAML returns the mapping that text holds, nil where there are faults that leave
// nothing to read. want says what such a file holds.
func readYAML(name string, text []byte, want string) (*file, *value) {
	f := &file{name: name}
	whole := &value{file: f, line: 1, column: 1}
	s := strings.TrimPrefix(string(text), "\ufeff")
	s = strings.ReplaceAll(s, "\r\n", "\n") // lines and columns stay as they were
	if len(text) > maxTextBytes {
		whole.fault("the file is larger than %d KiB", maxTextBytes>>10)
		return f, nil
	}
	for i, r := range s {
		if r == utf8.RuneError || r < ' ' && r != '\n' && r != '\t' || r == 0x7f {
			before := s[:i]
			whole.line += strings.Count(before, "\n")
			whole.column += utf8.RuneCountInString(before[strings.LastIndex(before, "\n")+1:])
			whole.fault("byte %#02x is no text; want UTF-8 without control characters", s[i])
			return f, nil
		}
	}
	node, err := parseYAML(s)
	if err != nil {
		whole.syntaxFault(err)
		return f, nil
	}
	if node == nil {
		whole.fault("the file is empty; want %s", want)
		return f, nil
	}
	v := f.convert(node, "")
	if !v.is(mapping, want) {
		return f, nil
	}
	return f, v
}

// A placed error is one with a position, where the YAML parser has none to give.
type placed struct {
	token *token.Token
	text  string
}

func (p placed) Error() string { return p.text }

// parseYAML returns the node that text holds, nil where it is empty.
func parseYAML(text string) (node ast.Node, err error) {
	// The parser is another project's, and some damaged texts have made it panic. That is a
	// fault of the text as far as a reader of the message is concerned.
	defer func() {
		if r := recover(); r != nil {
			node, err = nil, errors.New("the text cannot be read as YAML")
		}
	}()
	tokens := lexer.Tokenize(text)
	if t, why := tooMuch(tokens); t != nil {
		return nil, placed{t, why}
	}
	parsed, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey()) // convert finds duplicates, all of them
	if err != nil {
		return nil, err
	}
	for _, d := range parsed.Docs {
		switch {
		case d.Body == nil:
		case node == nil:
			node = d.Body
		default:
			return nil, placed{d.Body.GetToken(), "a second document begins here; want one in a file"}
		}
	}
	return node, nil
}

// tooMuch returns the first token beyond the limits, nil where there is none, and which
// limit that is.
func tooMuch(tokens token.Tokens) (*token.Token, string) {
	depth, line, inLine, nested, entries := 0, 0, 0, 0, 0
	level := map[int]int{} // column → lines that began there since one began further left
	for _, t := range tokens {
		if t.Position.Line != line {
			line, inLine, nested = t.Position.Line, 0, 0
			for column := range level {
				if column > t.Position.Column {
					delete(level, column)
				}
			}
			switch t.Type {
			case token.SequenceEntryType:
				entries++
			case token.CommentType:
			default:
				level[t.Position.Column]++
			}
		}
		inLine++
		switch t.Type {
		case token.SequenceStartType, token.MappingStartType:
			depth++
		case token.SequenceEndType, token.MappingEndType:
			depth--
		case token.SequenceEntryType, token.MappingKeyType, token.AnchorType, token.TagType:
			nested++
		}
		switch {
		case depth > maxNesting || nested > maxNesting:
			return t, "nested too deeply"
		case inLine > maxLevel:
			return t, "the line is too long"
		case level[t.Position.Column] > maxLevel:
			return t, fmt.Sprintf("more than %d lines at one level", maxLevel)
		case entries > maxEntries:
			return t, fmt.Sprintf("more than %d list entries", maxEntries)
		}
	}
	return nil, ""
}

// syntaxFault notes err at the place that it names.
func (v *value) syntaxFault(err error) {
	text, where := err.Error(), (*token.Token)(nil)
	var syntax *yaml.SyntaxError
	var at placed
	switch {
	case errors.As(err, &syntax):
		text, where = syntax.Message, syntax.Token
	case errors.As(err, &at):
		where = at.token
	}
	if where != nil && where.Position != nil {
		v.line, v.column = max(1, where.Position.Line), max(1, where.Position.Column)
	}
	v.fault("not valid YAML: %s", strings.NewReplacer("\n", " ", "\t", "tab").Replace(text))
}

// convert returns node as a value, and notes what no rig or trial file may hold.
func (f *file) convert(node ast.Node, path string) *value {
	v := &value{file: f, line: 1, column: 1, path: path}
	if t := place(node); t != nil && t.Position != nil {
		v.line, v.column = max(1, t.Position.Line), max(1, t.Position.Column)
	}
	switch n := node.(type) {
	case *ast.StringNode:
		v.kind, v.text = word, n.Value
	case *ast.LiteralNode:
		v.kind, v.text = word, n.Value.Value
	case *ast.IntegerNode:
		v.kind, v.text = number, n.Token.Value
	case *ast.FloatNode:
		v.kind, v.text = number, n.Token.Value
	case *ast.InfinityNode:
		v.kind, v.text = number, n.Token.Value
	case *ast.NanNode:
		v.kind, v.text = number, n.Token.Value
	case *ast.BoolNode:
		v.kind, v.text = boolean, n.Token.Value
	case *ast.SequenceNode:
		v.kind = list
		for i, item := range n.Values {
			v.items = append(v.items, f.convert(item, fmt.Sprintf("%s[%d]", path, i)))
		}
	case *ast.MappingNode:
		v.kind, v.at, v.keyAt = mapping, map[string]*value{}, map[string]*value{}
		for _, pair := range n.Values {
			v.add(pair)
		}
	case *ast.MappingValueNode:
		v.kind, v.at, v.keyAt = mapping, map[string]*value{}, map[string]*value{}
		v.add(n)
	case *ast.NullNode, nil:
	default: // anchors, aliases, tags: one value in two places is hard to name in a message
		v.kind = faulty
		v.fault("YAML's %s is not read here; write the value out", strings.ToLower(node.Type().String()))
	}
	return v
}

// place returns the token at which a reader would point.
func place(node ast.Node) *token.Token {
	switch n := node.(type) {
	case nil:
		return nil
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return place(n.Values[0])
		}
	case *ast.MappingValueNode:
		return place(n.Key)
	}
	return node.GetToken()
}

// add puts one pair into mapping v.
func (v *value) add(pair *ast.MappingValueNode) {
	k := v.file.convert(pair.Key, v.path)
	if k.kind == faulty {
		return
	}
	if k.kind != word && k.kind != number && k.kind != boolean {
		k.fault("a key must be a plain text")
		return
	}
	shown := k.text
	if shown == "" || len(shown) > 60 || strings.ContainsFunc(shown, notShown) {
		shown = quote(shown)
	}
	k.path = strings.TrimPrefix(v.path+"."+shown, ".")
	if first, ok := v.keyAt[k.text]; ok {
		k.fault("written twice, first in line %d", first.line)
		return
	}
	v.keys = append(v.keys, k.text)
	v.keyAt[k.text] = k
	v.at[k.text] = v.file.convert(pair.Value, k.path)
}

// has reports whether mapping v states key.
func (v *value) has(key string) bool { return v.at[key] != nil }

// get returns the value of key: as stated, else as the defaults have it, else nil.
func (v *value) get(key string) *value {
	v.known = append(v.known, key)
	if got := v.at[key]; got != nil {
		return got
	}
	path := strings.TrimPrefix(v.path+"."+key, ".")
	d, ok := defaultOf(path, v.when)
	if !ok {
		return nil
	}
	text := d.Value
	if unquoted, err := strconv.Unquote(text); err == nil {
		text = unquoted
	}
	return &value{file: v.file, line: v.line, column: v.column, path: path, kind: d.kind(), text: text}
}

// where returns the value of key, or where it is missing mapping v itself under the path
// of key: the place for a fault that concerns key.
func (v *value) where(key string) *value {
	if got := v.at[key]; got != nil {
		return got
	}
	return &value{file: v.file, line: v.line, column: v.column, path: strings.TrimPrefix(v.path+"."+key, ".")}
}

// require notes a fault where key is missing, and reports whether it is there.
func (v *value) require(key, want string) bool {
	v.known = append(v.known, key)
	if !v.has(key) {
		v.where(key).fault("not stated; want %s", want)
	}
	return v.has(key)
}

// refuse notes a fault where a key is stated that has no place here.
func (v *value) refuse(why string, keys ...string) {
	for _, key := range keys {
		if v.has(key) {
			v.known = append(v.known, key)
			v.keyAt[key].fault("has no place here: %s", why)
		}
	}
}

// finish notes a fault for every key that no getter asked for.
func (v *value) finish() {
	for _, key := range v.keys {
		if slices.Contains(v.known, key) {
			continue
		}
		k, hint := v.keyAt[key], didYouMean(key, v.known)
		switch {
		case v.at[key].kind == empty && len(key) > 0 && key[0] >= '0' && key[0] <= '9':
			hint = " (a decimal comma? write a decimal point)" // {volume: 0,4 L} is the key "4 L" to YAML
		case hint == "":
			hint = ", known are " + strings.Join(slices.Compact(slices.Sorted(slices.Values(v.known))), ", ")
		}
		k.fault("unknown key%s", hint)
	}
}

// is notes a fault unless v is of kind k, and reports whether it is.
func (v *value) is(k kind, want string) bool {
	if v.kind != k {
		v.misfit(want)
	}
	return v.kind == k
}

// misfit notes that v is something else than what is wanted.
func (v *value) misfit(want string) {
	if v.kind == faulty {
		return
	}
	found := v.kind.String()
	if v.text != "" {
		found = quote(v.text)
	}
	v.fault("found %s; want %s", found, want)
}

// mapping returns the mapping under key, nil where it is missing or something else.
func (v *value) mapping(key, want string) *value {
	got := v.get(key)
	if got == nil || !got.is(mapping, want) {
		return nil
	}
	got.when = v.when
	return got
}

// list returns the mappings in the list under key. A list that is there holds at least one.
func (v *value) list(key, want string) []*value {
	got := v.get(key)
	if got == nil || !got.is(list, "a list: "+want) {
		return nil
	}
	if len(got.items) == 0 {
		got.fault("empty; want %s", want)
	}
	var items []*value
	for _, item := range got.items {
		if item.is(mapping, want) {
			item.when = v.when
			items = append(items, item)
		}
	}
	return items
}

// name returns the text under key, "" where it is missing or faulty. It is one line without
// control characters, because it is shown on screens and in files.
func (v *value) name(key string) string {
	got := v.get(key)
	if got == nil {
		return ""
	}
	if got.kind != word && got.kind != number {
		got.misfit("a text")
		return ""
	}
	const most = 100
	text := strings.TrimSpace(got.text)
	if n := utf8.RuneCountInString(text); n == 0 || n > most || strings.ContainsFunc(text, notShown) {
		got.fault("found %s; want one line of 1 to %d printable characters", quote(got.text), most)
		return ""
	}
	return text
}

func notShown(r rune) bool { return !strconv.IsPrint(r) }

// raw returns the text under key as it is, with control characters, "" where it is missing.
func (v *value) raw(key string) string {
	got := v.get(key)
	if got == nil || !got.is(word, `a text in double quotes such as "\r\n"`) {
		return ""
	}
	return got.text
}

// choice returns the text under key, which must be one of options, "" where it is missing
// or faulty.
func (v *value) choice(key string, options ...string) string {
	got := v.get(key)
	if got == nil {
		return ""
	}
	if (got.kind == word || got.kind == number) && slices.Contains(options, got.text) {
		return got.text
	}
	if got.kind == word && got.text != "" {
		got.fault("%s is unknown%s; want %s", quote(got.text), didYouMean(got.text, options), either(options))
	} else {
		got.misfit(either(options))
	}
	return ""
}

// either lists options as "a, b or c".
func either(options []string) string {
	if len(options) == 1 {
		return options[0]
	}
	last := len(options) - 1
	return strings.Join(options[:last], ", ") + " or " + options[last]
}

// flag returns the boolean under key, false where it is missing or faulty.
func (v *value) flag(key string) bool {
	got := v.get(key)
	return got != nil && got.is(boolean, "true or false") && strings.EqualFold(got.text, "true")
}

// Decimal or hexadecimal; a leading zero would be octal to some and decimal to others.
var wholeNumber = regexp.MustCompile(`^-?(0|[1-9][0-9]*|0x[0-9a-fA-F]+)$`)

// integer returns the whole number under key, from lo to hi, and whether it could be had.
func (v *value) integer(key string, lo, hi int) (int, bool) {
	got := v.get(key)
	if got == nil {
		return 0, false
	}
	want := fmt.Sprintf("a whole number from %d to %d", lo, hi)
	if got.kind != number || !wholeNumber.MatchString(got.text) {
		got.misfit(want)
		return 0, false
	}
	n, err := strconv.ParseInt(got.text, 0, 64)
	if err != nil || n < int64(lo) || n > int64(hi) {
		got.fault("%s is impossible; want %s", quote(got.text), want)
		return 0, false
	}
	return int(n), true
}

// A check returns what a number must be, "" where x is that.
type check func(x float64) string

func positive(x float64) string {
	if x > 0 {
		return ""
	}
	return "more than 0"
}

func notNegative(x float64) string {
	if x >= 0 {
		return ""
	}
	return "0 or more"
}

// between returns the check that x lies from lo to hi, which are quantities of d.
func between(d Dimension, lo, hi float64) check {
	return func(x float64) string {
		if x >= lo && x <= hi {
			return ""
		}
		return d.Format(lo) + " to " + d.Format(hi)
	}
}

// quantity returns the number under key in the unit of d, NaN where it is missing or faulty.
func (v *value) quantity(key string, d Dimension, checks ...check) float64 {
	got := v.get(key)
	if got == nil {
		return math.NaN()
	}
	return got.asQuantity(d, checks...)
}

// asQuantity returns v as a number in the unit of d, NaN where it is faulty.
func (v *value) asQuantity(d Dimension, checks ...check) float64 {
	if v.kind != word && v.kind != number {
		v.misfit(d.want())
		return math.NaN()
	}
	x, err := Parse(d, v.text)
	if err != nil {
		v.fault("%v", err)
		return math.NaN()
	}
	for _, c := range checks {
		if want := c(x); want != "" {
			v.fault("%s is impossible; want %s", quote(v.text), want)
			return math.NaN()
		}
	}
	return x
}

// asNumber returns v as a plain number without a unit, NaN where it is faulty.
func (v *value) asNumber(want string) float64 {
	x, err := parseDecimal(v.text)
	if err != nil || v.kind != number && v.kind != word {
		v.misfit(want)
		return math.NaN()
	}
	return x
}

// pair returns the two values under key, nil where they are missing or faulty.
func (v *value) pair(key, want string) []*value {
	got := v.get(key)
	if got == nil || !got.is(list, want) {
		return nil
	}
	if n := len(got.items); n != 2 {
		hint := ""
		if n > 2 {
			hint = " (a decimal comma? write a decimal point)"
		}
		got.fault("found %d values%s; want %s", n, hint, want)
		return nil
	}
	return got.items
}
