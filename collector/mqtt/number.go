package mqtt

import (
	"fmt"
	"strconv"
	"strings"

	"roundsman/collector"
	"roundsman/collector/mqtt/payload"
)

// number returns the value of a message in the point's unit: the number given
// to its word, a state, or a number with or without a unit.
func (p *point) number(v payload.Value) (float64, error) {
	if !v.Found() {
		return 0, fmt.Errorf("nothing at %s", p.value)
	}
	if len(p.spec.Words) > 0 {
		if n, ok := p.spec.Words[string(v.Text())]; ok {
			return n, nil
		}
	}
	switch p.info.Kind {
	case collector.Text:
		return 0, payload.IsText(v)
	case collector.State:
		if n, ok := payload.State(v); ok {
			return n, nil
		}
	}
	n, symbol, err := payload.Number(v)
	if err != nil || len(symbol) == 0 {
		return n, err
	}
	return p.convert(n, symbol)
}

// convert brings a number with a unit symbol into the point's unit.
func (p *point) convert(n float64, symbol []byte) (float64, error) {
	if u := &p.unit; u.symbol == string(symbol) {
		return n*u.factor + u.offset, nil
	}
	factor, offset, ok := 1.0, 0.0, string(symbol) == p.info.Unit
	if p.spec.Units != nil {
		factor, offset, ok = p.spec.Units(string(symbol))
	}
	if !ok {
		return 0, fmt.Errorf("unit %s does not go with %s", payload.Quote(symbol), unitWords(p.info.Unit))
	}
	p.unit = unitMemory{string(symbol), factor, offset}
	return n*factor + offset, nil
}

func unitWords(unit string) string {
	if unit == "" {
		return "a plain number"
	}
	return unit
}

// longestText is how much of a text is kept, in bytes.
const longestText = 256

// safeText returns a text that can be shown anywhere: short, and quoted if it holds what cannot be printed.
func safeText(b []byte) string {
	b = b[:min(len(b), longestText)]
	s := strings.ToValidUTF8(string(b), "")
	if strings.ContainsFunc(s, func(r rune) bool { return !strconv.IsPrint(r) }) {
		return strconv.Quote(s)
	}
	return s
}
