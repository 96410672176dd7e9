package payload

import (
	"bytes"
	"unicode/utf16"
	"unicode/utf8"
)

// escapeLength returns the length of the escape at the start of b, 0 if it is none that RFC 8259 knows.
func escapeLength(b []byte) int {
	if len(b) < 2 {
		return 0
	}
	switch b[1] {
	case '"', '\\', '/', 'b', 'f', 'n', 'r', 't':
		return 2
	case 'u':
		if _, ok := hex4(b); ok {
			return 6
		}
	}
	return 0
}

// hex4 reads the four digits of an escape '\uXXXX'.
func hex4(b []byte) (r rune, ok bool) {
	if len(b) < 6 || b[0] != '\\' || b[1] != 'u' {
		return 0, false
	}
	for _, c := range b[2:6] {
		switch {
		case isDigit(c):
			c -= '0'
		case c >= 'a' && c <= 'f':
			c -= 'a' - 10
		case c >= 'A' && c <= 'F':
			c -= 'A' - 10
		default:
			return 0, false
		}
		r = r<<4 | rune(c)
	}
	return r, true
}

// equalText reports whether a quoted JSON string, known to be well formed, says want.
func equalText(quoted []byte, want string) bool {
	inner := quoted[1 : len(quoted)-1]
	if len(inner) < len(want) {
		return false // an escape is never shorter than what it stands for
	}
	if string(inner) == want {
		return !hasEscape(inner)
	}
	return hasEscape(inner) && string(unescape(nil, inner)) == want
}

func hasEscape(b []byte) bool { return bytes.IndexByte(b, '\\') >= 0 }

var simpleEscapes = [256]byte{'"': '"', '\\': '\\', '/': '/', 'b': '\b', 'f': '\f', 'n': '\n', 'r': '\r', 't': '\t'}

// unescape appends to dst what a well-formed string says. Half a surrogate pair becomes U+FFFD.
func unescape(dst, inner []byte) []byte {
	for len(inner) > 0 {
		if inner[0] != '\\' {
			dst = append(dst, inner[0])
			inner = inner[1:]
			continue
		}
		if inner[1] != 'u' {
			dst = append(dst, simpleEscapes[inner[1]])
			inner = inner[2:]
			continue
		}
		r, _ := hex4(inner)
		inner = inner[6:]
		if utf16.IsSurrogate(r) {
			low, _ := hex4(inner)
			if r = utf16.DecodeRune(r, low); r != utf8.RuneError {
				inner = inner[6:]
			}
		}
		dst = utf8.AppendRune(dst, r)
	}
	return dst
}
