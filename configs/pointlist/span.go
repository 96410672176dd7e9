package pointlist

import (
	"regexp"
	"strconv"
	"strings"
)

// Span is a stretch of values with the unit as it was written: '0-16 bar', '-10 to 110 °C', '4..20 mA'.
type Span struct {
	Low, High float64
	Unit      string // "" for none
}

const numeral = `[-+]?(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:[eE][-+]?\d+)?`

// spanForm is two numbers with a word or sign between them, each with a unit or not.
var spanForm = regexp.MustCompile(`^\s*(` + numeral + `)\s*(` + lazySymbol + `)?\s*(?:\.\.\.?|…|–|—|-|~|/|\bto\b|\bbis\b|;|:)\s*(` + numeral + `)\s*(` + symbol + `)?\s*$`)

// lazySymbol is a unit before a word such as 'to'.
const lazySymbol = `[%°‰µμΩ"\p{L}](?:[^=:;\d]*?[23]?)`

// symbol is a unit, as it may stand behind a number.
const symbol = `[%°‰µμΩ"\p{L}](?:[^=:;\d]*[23]?)`

// ParseSpan reads a span of values as people write them, with a decimal point or comma. ok is false for anything
// else, and for a span of nothing.
func ParseSpan(text string) (s Span, ok bool) {
	m := spanForm.FindStringSubmatch(strings.ReplaceAll(text, "−", "-"))
	if m == nil {
		return Span{}, false
	}
	low, err1 := parseNumber(m[1])
	high, err2 := parseNumber(m[3])
	first, second := strings.TrimSpace(m[2]), strings.TrimSpace(m[4])
	if err1 != nil || err2 != nil || low == high || first != "" && second != "" && first != second {
		return Span{}, false
	}
	if second == "" {
		second = first
	}
	return Span{low, high, second}, true
}

// parseNumber reads a number with a decimal point or comma.
func parseNumber(text string) (float64, error) {
	return strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
}
