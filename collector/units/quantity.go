package units

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Quantity is a value with its unit. A quantity without unit is a bare number,
// which in the site file means the point's own unit.
type Quantity struct {
	Value float64
	Unit  Unit
}

// ParseQuantity reads a number and a unit: '5.5 bar', '-10 degC', '1e3 Pa', '2 %/min', '42'.
// The space between them may be missing. The error quotes the text and says what
// is wrong: no number, a decimal comma, not finite, an unknown unit.
func ParseQuantity(text string) (Quantity, error) {
	value, rest, err := leadingNumber(text)
	if err != nil {
		return Quantity{}, fmt.Errorf("%q: %w", text, err)
	}
	u, err := Parse(rest)
	if err != nil {
		return Quantity{}, fmt.Errorf("%q: %w", text, err)
	}
	return Quantity{value, u}, nil
}

// leadingNumber reads the decimal number at the start of text and returns the rest, trimmed.
func leadingNumber(text string) (value float64, rest string, err error) {
	s := strings.TrimSpace(text)
	if s == "" {
		return 0, "", fmt.Errorf("empty, want a number and a unit such as 5.5 bar")
	}
	n := numberLength(s)
	if n == 0 {
		return 0, "", notANumber(s)
	}
	value, err = strconv.ParseFloat(s[:n], 64)
	if err != nil || math.IsInf(value, 0) {
		return 0, "", fmt.Errorf("%s is beyond the range of numbers", s[:n])
	}
	rest = s[n:]
	if strings.HasPrefix(rest, ",") || strings.HasPrefix(rest, ".") {
		return 0, "", fmt.Errorf("%q does not belong in a number: write 5.5 with a point, 1000 without a separator", rest[:1])
	}
	return value, strings.TrimSpace(rest), nil
}

func notANumber(s string) error {
	switch strings.ToLower(strings.TrimLeft(strings.Fields(s)[0], "+-")) {
	case "nan", "inf", "infinity", ".nan", ".inf":
		return fmt.Errorf("not a finite number")
	}
	return fmt.Errorf("does not begin with a number, want one such as 5.5 bar")
}

// numberLength returns the length of the decimal number at the start of s: sign, digits, point, exponent.
func numberLength(s string) int {
	i := 0
	if s[0] == '+' || s[0] == '-' {
		i++
	}
	whole := digits(s[i:])
	i += whole
	part := 0
	if i < len(s) && s[i] == '.' {
		part = digits(s[i+1:])
		if whole+part > 0 {
			i += 1 + part
		}
	}
	if whole+part == 0 {
		return 0
	}
	return i + exponentLength(s[i:])
}

// exponentLength returns the length of an exponent with at least one digit, else 0.
func exponentLength(s string) int {
	if s == "" || s[0]|0x20 != 'e' {
		return 0
	}
	i := 1
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	if n := digits(s[i:]); n > 0 {
		return i + n
	}
	return 0
}

func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

// In returns the value in another unit, rounded once. A bare number is taken to be
// in u already. The error names both dimensions when they differ.
func (q Quantity) In(u Unit) (float64, error) {
	if q.Unit == None {
		return q.Value, nil
	}
	return convert(q.Value, q.Unit, u, false)
}

// InDifference returns the value as a difference in another unit: a deadband of
// 10 degC is one of 18 degF. A bare number is taken to be in u already.
func (q Quantity) InDifference(u Unit) (float64, error) {
	if q.Unit == None {
		return q.Value, nil
	}
	return convert(q.Value, q.Unit, u, true)
}

// String returns the shortest text that ParseQuantity reads back as q.
func (q Quantity) String() string {
	s := strconv.FormatFloat(q.Value, 'g', -1, 64)
	if q.Unit == None {
		return s
	}
	return s + " " + q.Unit.String()
}

// MarshalText returns the text of String.
func (q Quantity) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads a quantity as ParseQuantity does.
func (q *Quantity) UnmarshalText(text []byte) (err error) {
	*q, err = ParseQuantity(string(text))
	return err
}
