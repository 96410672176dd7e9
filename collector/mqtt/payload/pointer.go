package payload

import (
	"fmt"
	"strings"
)

// Pointer is a parsed JSON pointer: RFC 6901. The zero value names the whole document.
type Pointer struct {
	text   string
	tokens []token
}

// token is one reference token; index is the array element it names, -1 if it names none.
type token struct {
	key   string
	index int
}

// ParsePointer parses the string form of RFC 6901, section 3: "" or tokens that
// each begin with '/', in which '~0' stands for '~' and '~1' for '/'.
func ParsePointer(s string) (Pointer, error) {
	if s == "" {
		return Pointer{}, nil
	}
	if s[0] != '/' {
		return Pointer{}, fmt.Errorf("pointer %q: does not begin with '/'", s)
	}
	p := Pointer{text: s}
	for part := range strings.SplitSeq(s[1:], "/") {
		key, err := unescapeToken(part)
		if err != nil {
			return Pointer{}, fmt.Errorf("pointer %q: %w", s, err)
		}
		p.tokens = append(p.tokens, token{key, arrayIndex(key)})
	}
	return p, nil
}

// String returns the pointer as it was written.
func (p Pointer) String() string { return p.text }

func unescapeToken(s string) (string, error) {
	for i := 0; i < len(s); i++ {
		if s[i] == '~' && (i+1 == len(s) || s[i+1] != '0' && s[i+1] != '1') {
			return "", fmt.Errorf("'~' is followed by neither 0 nor 1")
		}
	}
	// '~1' first: RFC 6901, section 4, so that '~01' becomes '~1' and not '/'.
	return strings.ReplaceAll(strings.ReplaceAll(s, "~1", "/"), "~0", "~"), nil
}

// longestIndex is the number of digits of an array index that fits an int everywhere.
const longestIndex = 9

// arrayIndex returns the element that a token names: digits without a leading
// zero (RFC 6901, section 4). '-' is the element after the last, which no
// document has.
func arrayIndex(s string) int {
	if s == "" || len(s) > longestIndex || (len(s) > 1 && s[0] == '0') {
		return -1
	}
	n := 0
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return -1
		}
		n = 10*n + int(s[i]-'0')
	}
	return n
}
