package payload

import (
	"fmt"
	"math/bits"
	"unicode/utf8"
)

// MaxPointers is the most pointers one Finder looks for.
const MaxPointers = 64

// maxDepth bounds the nesting of a document, so that a hostile one cannot exhaust the stack.
const maxDepth = 100

// Finder looks for the values of several pointers in one walk over a document.
// It is safe for simultaneous use.
type Finder struct {
	paths [][]token
}

// NewFinder returns a Finder for the pointers, at most MaxPointers.
func NewFinder(pointers ...Pointer) (*Finder, error) {
	if len(pointers) > MaxPointers {
		return nil, fmt.Errorf("%d pointers, at most %d in one walk", len(pointers), MaxPointers)
	}
	f := &Finder{}
	for _, p := range pointers {
		f.paths = append(f.paths, p.tokens)
	}
	return f, nil
}

// Find sets found[i] to the value of the i-th pointer, or to the zero Value
// where the document has none. found must be as long as the list of pointers;
// its values are slices of doc. The whole document is checked: an error, always a *SyntaxError,
// means that it is no JSON text by RFC 8259, nests deeper than 100 levels, or
// repeats a name that a pointer goes through.
func (f *Finder) Find(doc []byte, found []Value) error {
	clear(found)
	s := scanner{doc: doc, paths: f.paths, found: found}
	if !utf8.Valid(doc) {
		return s.fail(invalidUTF8(doc), "not UTF-8")
	}
	s.space()
	if err := s.value(0, 1<<len(f.paths)-1); err != nil {
		return err
	}
	s.space()
	if s.at < len(doc) {
		return s.fail(s.at, "something follows the document")
	}
	return nil
}

// SyntaxError says where and why a payload is not the JSON it should be.
type SyntaxError struct {
	Offset int // bytes from the start
	Reason string
}

// Error returns the reason and the place.
func (e *SyntaxError) Error() string {
	return fmt.Sprintf("not JSON: %s at byte %d", e.Reason, e.Offset)
}

const repeated = "a name that is asked for stands twice"

// scanner walks one document. Masks have a bit for each pointer whose path leads here.
type scanner struct {
	doc   []byte
	at    int
	paths [][]token
	found []Value
}

func (s *scanner) fail(at int, reason string) error { return &SyntaxError{at, reason} }

// value reads the value at s.at, which is depth levels down, and keeps it for the pointers in mask that end here.
func (s *scanner) value(depth int, mask uint64) error {
	start := s.at
	if err := s.any(depth, mask); err != nil {
		return err
	}
	for m := mask; m != 0; m &= m - 1 {
		if i := bits.TrailingZeros64(m); len(s.paths[i]) == depth {
			s.found[i] = Value{s.doc[start:s.at]}
		}
	}
	return nil
}

func (s *scanner) any(depth int, mask uint64) error {
	if s.at == len(s.doc) {
		return s.fail(s.at, "it ends too early")
	}
	switch c := s.doc[s.at]; {
	case c == '"':
		return s.text()
	case c == '{' || c == '[':
		return s.nested(c, depth, mask)
	case c == '-' || isDigit(c):
		return s.number()
	case c == 't':
		return s.literal("true")
	case c == 'f':
		return s.literal("false")
	case c == 'n':
		return s.literal("null")
	}
	return s.fail(s.at, "no value")
}

func (s *scanner) nested(open byte, depth int, mask uint64) error {
	if depth == maxDepth {
		return s.fail(s.at, "nested too deep")
	}
	s.at++
	s.space()
	if open == '{' {
		return s.object(depth, mask)
	}
	return s.array(depth, mask)
}

func (s *scanner) object(depth int, mask uint64) error {
	if s.accept('}') {
		return nil
	}
	var seen uint64
	for {
		inner, err := s.member(depth, mask)
		if err != nil {
			return err
		}
		if seen&inner != 0 {
			return &SyntaxError{s.at, repeated}
		}
		seen |= inner
		if err := s.value(depth+1, inner); err != nil {
			return err
		}
		if done, err := s.next('}'); done || err != nil {
			return err
		}
		s.space()
	}
}

// member reads a name and its colon and returns the pointers that go on through it.
func (s *scanner) member(depth int, mask uint64) (uint64, error) {
	start := s.at
	if start == len(s.doc) || s.doc[start] != '"' {
		return 0, s.fail(start, "no name")
	}
	if err := s.text(); err != nil {
		return 0, err
	}
	name := s.doc[start:s.at]
	s.space()
	if !s.accept(':') {
		return 0, s.fail(s.at, "no colon")
	}
	s.space()
	return s.through(name, depth, mask), nil
}

// through returns those of the pointers in mask whose token at depth is the quoted name.
func (s *scanner) through(name []byte, depth int, mask uint64) (inner uint64) {
	for m := mask; m != 0; m &= m - 1 {
		i := bits.TrailingZeros64(m)
		if path := s.paths[i]; len(path) > depth && equalText(name, path[depth].key) {
			inner |= 1 << i
		}
	}
	return inner
}

func (s *scanner) array(depth int, mask uint64) error {
	if s.accept(']') {
		return nil
	}
	for n := 0; ; n++ {
		var inner uint64
		for m := mask; m != 0; m &= m - 1 {
			i := bits.TrailingZeros64(m)
			if path := s.paths[i]; len(path) > depth && path[depth].index == n {
				inner |= 1 << i
			}
		}
		if err := s.value(depth+1, inner); err != nil {
			return err
		}
		if done, err := s.next(']'); done || err != nil {
			return err
		}
		s.space()
	}
}

// next reads the comma before another element, or the end.
func (s *scanner) next(end byte) (done bool, err error) {
	s.space()
	switch {
	case s.accept(end):
		return true, nil
	case s.accept(','):
		return false, nil
	case s.at == len(s.doc):
		return false, s.fail(s.at, "it ends too early")
	}
	return false, s.fail(s.at, "no comma")
}

func (s *scanner) accept(c byte) bool {
	if s.at < len(s.doc) && s.doc[s.at] == c {
		s.at++
		return true
	}
	return false
}

func (s *scanner) space() {
	for s.at < len(s.doc) && isSpace(s.doc[s.at]) {
		s.at++
	}
}

func (s *scanner) literal(word string) error {
	if len(s.doc)-s.at < len(word) || string(s.doc[s.at:s.at+len(word)]) != word {
		return s.fail(s.at, "no value")
	}
	s.at += len(word)
	return nil
}

// number reads a number by the grammar of RFC 8259, section 6.
func (s *scanner) number() error {
	s.accept('-')
	first := s.at
	if !s.digits() {
		return s.fail(s.at, "no digit")
	}
	if s.doc[first] == '0' && s.at > first+1 {
		return s.fail(first, "a number begins with 0")
	}
	if s.accept('.') && !s.digits() {
		return s.fail(s.at, "no digit after the point")
	}
	if s.accept('e') || s.accept('E') {
		if !s.accept('+') {
			s.accept('-')
		}
		if !s.digits() {
			return s.fail(s.at, "no digit in the exponent")
		}
	}
	return nil
}

func (s *scanner) digits() bool {
	start := s.at
	for s.at < len(s.doc) && isDigit(s.doc[s.at]) {
		s.at++
	}
	return s.at > start
}

// text reads a quoted string by RFC 8259, section 7.
func (s *scanner) text() error {
	start := s.at
	s.at++
	for s.at < len(s.doc) {
		switch c := s.doc[s.at]; {
		case c == '"':
			s.at++
			return nil
		case c < ' ':
			return s.fail(s.at, "control character in a string")
		case c == '\\':
			if err := s.escape(); err != nil {
				return err
			}
		default:
			s.at++
		}
	}
	return s.fail(start, "string without end")
}

func (s *scanner) escape() error {
	n := escapeLength(s.doc[s.at:])
	if n == 0 {
		return s.fail(s.at, "bad escape")
	}
	s.at += n
	return nil
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func isSpace(c byte) bool { return c == ' ' || c == '\t' || c == '\n' || c == '\r' }

func invalidUTF8(doc []byte) int {
	at := 0
	for at < len(doc) {
		r, n := utf8.DecodeRune(doc[at:])
		if r == utf8.RuneError && n <= 1 {
			break
		}
		at += n
	}
	return at
}
