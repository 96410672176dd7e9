package payload

// Value is one value of a payload, as it was sent. The zero Value is none.
type Value struct {
	raw []byte
}

// Whole returns a payload that is not taken apart, less the blanks around it:
// a bare number, a number with a unit, a word, or any one JSON value.
func Whole(payload []byte) Value {
	if payload == nil {
		payload = []byte{}
	}
	return Value{trim(payload)}
}

// Found reports whether there is a value at all.
func (v Value) Found() bool { return v.raw != nil }

// Raw returns the bytes as they were sent; they must not be changed.
func (v Value) Raw() []byte { return v.raw }

// Text returns what the value says: a quoted string without quotes and escapes,
// anything else as it was sent. It copies only where there are escapes.
func (v Value) Text() []byte {
	if !v.quoted() {
		return v.raw
	}
	inner := v.raw[1 : len(v.raw)-1]
	if !hasEscape(inner) {
		return inner
	}
	return unescape(nil, inner)
}

// Is reports whether the value says exactly the word.
func (v Value) Is(word string) bool { return v.Found() && string(v.Text()) == word }

// quoted reports whether the value is one well-formed JSON string.
func (v Value) quoted() bool {
	if len(v.raw) < 2 || v.raw[0] != '"' || v.raw[len(v.raw)-1] != '"' {
		return false
	}
	s := scanner{doc: v.raw}
	return s.text() == nil && s.at == len(v.raw)
}

// structure returns "object" or "array" for a value that has parts, "" for one that has none.
func (v Value) structure() string {
	switch {
	case len(v.raw) == 0:
		return ""
	case v.raw[0] == '{':
		return "object"
	case v.raw[0] == '[':
		return "array"
	}
	return ""
}

// trim cuts blanks, and the zero bytes that some devices end a text with.
func trim(b []byte) []byte {
	for len(b) > 0 && isBlank(b[0]) {
		b = b[1:]
	}
	for len(b) > 0 && isBlank(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}

func isBlank(c byte) bool { return isSpace(c) || c == 0 }
