package payload

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// The reasons why a value is no number, besides a plain 'not a number'.
var (
	// ErrNoValue: the device says that it has none: null, --, n/a or nothing at all.
	ErrNoValue = errors.New("the device sends no value")
	// ErrNotFinite: NaN, an infinity, or a number too large for a float64.
	ErrNotFinite = errors.New("not a finite number")
	// ErrDecimalComma: '1,92' could be 1.92 or 192.
	ErrDecimalComma = errors.New("decimal comma: a decimal point is needed")
)

// Number returns the number that a value says and the unit symbol behind it, ""
// where there is none. It takes JSON numbers and texts, quoted or not, that begin
// with a number in decimal digits: '1.92', '+38.4 kg', '2.5e-3mA'. The number has
// a decimal point, never a comma. true and false are no numbers: see State.
func Number(v Value) (n float64, unit []byte, err error) {
	if what := v.structure(); what != "" {
		return 0, nil, fmt.Errorf("a JSON %s, not a number", what)
	}
	text := trim(v.Text())
	bare := unsigned(text)
	switch {
	case len(bare) > 0 && isDigit(bare[0]):
		return decimal(text)
	case isWord(text, "", "null", "none", "n/a", "-", "--", "---"):
		return 0, nil, ErrNoValue
	case isWord(bare, "nan", "inf", "infinity"):
		return 0, nil, ErrNotFinite
	}
	return decimal(text)
}

// IsText returns why a value is no text: nothing, null, or a JSON object or array.
func IsText(v Value) error {
	if what := v.structure(); what != "" {
		return fmt.Errorf("a JSON %s, not a text", what)
	}
	if len(v.raw) == 0 || string(v.raw) == "null" {
		return ErrNoValue
	}
	return nil
}

// State returns 1 for true and on, 0 for false and off, in any case; ok is false for anything else.
func State(v Value) (n float64, ok bool) {
	switch text := trim(v.Text()); {
	case isWord(text, "true", "on"):
		return 1, true
	case isWord(text, "false", "off"):
		return 0, true
	}
	return 0, false
}

// isWord reports whether text is one of the words, in any case.
func isWord(text []byte, words ...string) bool {
	for _, w := range words {
		if len(text) == len(w) && strings.EqualFold(string(text), w) {
			return true
		}
	}
	return false
}

func unsigned(text []byte) []byte {
	if len(text) > 0 && (text[0] == '-' || text[0] == '+') {
		return text[1:]
	}
	return text
}

// decimal reads a number at the start of text; what follows is the unit.
func decimal(text []byte) (float64, []byte, error) {
	end := decimalLength(text)
	if end == 0 {
		return 0, nil, errors.New("no number")
	}
	rest := text[end:]
	if len(rest) > 1 && rest[0] == ',' && isDigit(rest[1]) {
		return 0, nil, ErrDecimalComma
	}
	n, err := strconv.ParseFloat(string(text[:end]), 64)
	if err != nil || math.IsInf(n, 0) {
		return 0, nil, ErrNotFinite
	}
	return n, trim(rest), nil
}

// decimalLength returns how much of text is a number: sign, digits with at most one point, exponent.
func decimalLength(text []byte) int {
	at := len(text) - len(unsigned(text))
	whole := digitsAt(text, at)
	at += whole
	part := 0
	if at < len(text) && text[at] == '.' {
		part = digitsAt(text, at+1)
		if whole+part > 0 {
			at += 1 + part
		}
	}
	if whole+part == 0 {
		return 0
	}
	if at < len(text) && (text[at] == 'e' || text[at] == 'E') {
		sign := at + 1
		if sign < len(text) && (text[sign] == '-' || text[sign] == '+') {
			sign++
		}
		if n := digitsAt(text, sign); n > 0 {
			at = sign + n
		}
	}
	return at
}

func digitsAt(text []byte, at int) int {
	n := 0
	for at+n < len(text) && isDigit(text[at+n]) {
		n++
	}
	return n
}
