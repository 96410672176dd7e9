package pointlist

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// scaling is what a list says of the meaning of raw values.
type scaling struct {
	factor   float64 // 0: none
	raw, eng *Span
	loop     bool // eng of a 4-20 mA signal
	unit     string
	doubt    string
}

var (
	factorForm  = regexp.MustCompile(`^(?:x|\*|×|·|times)?\s*(` + numeral + `)\s*(.*)$`)
	divideForm  = regexp.MustCompile(`^(?:/|÷|:|div(?:ide)?(?:d)?(?:\s*by)?)\s*(` + numeral + `)\s*(.*)$`)
	ratioForm   = regexp.MustCompile(`^1\s*[/:]\s*(\d+)\s*(.*)$`)
	powerForm   = regexp.MustCompile(`^(?:x|\*|×)?\s*10\s*(?:\^|\*\*|e)\s*([-+]?\d)$`)
	displayForm = regexp.MustCompile(`^[#0]+[.,]([#0]+)$`)
	placesForm  = regexp.MustCompile(`^(\d)\s*(?:decimals?|dp|decimal places|nachkommastellen)$`)
	equalForm   = regexp.MustCompile(`\s*(?:=>|->|→|⇒|=|\bcorresponds to\b|\bequals\b|\bentspricht\b)\s*`)
)

// parseScale reads a scale: '0.1', '0,1', 'x 0.1', '/10', '1:10', '10^-1', '0.1 bar', '0-27648 = 0-16 bar', '0-16 bar', '0.0'.
func parseScale(text string) (scaling, error) {
	s := strings.TrimSpace(strings.ReplaceAll(text, "−", "-"))
	if sides := equalForm.Split(s, -1); len(sides) == 2 {
		return twoSpans(s, sides)
	}
	if sc, ok := byFactor(strings.ToLower(s), s); ok {
		return sc, nil
	}
	if span, ok := ParseSpan(s); ok {
		return oneSpan(span), nil
	}
	return scaling{}, fmt.Errorf("%q is no scale such as 0.1, /10 or 0-27648 = 0-16 bar", text)
}

// byFactor reads what multiplies a count.
func byFactor(lower, s string) (scaling, bool) {
	if m := displayForm.FindStringSubmatch(lower); m != nil && strings.Trim(lower, "0.,#") == "" {
		n := len(m[1])
		return scaling{factor: math.Pow10(-n), doubt: fmt.Sprintf("%s is how it is shown: %d decimals are taken for a scale of %g", s, n, math.Pow10(-n))}, true
	}
	if m := placesForm.FindStringSubmatch(lower); m != nil {
		n, _ := strconv.Atoi(m[1])
		return scaling{factor: math.Pow10(-n)}, true
	}
	if m := powerForm.FindStringSubmatch(lower); m != nil {
		n, _ := strconv.Atoi(m[1])
		return scaling{factor: math.Pow10(n)}, true
	}
	for _, form := range []struct {
		re     *regexp.Regexp
		divide bool
	}{{ratioForm, true}, {divideForm, true}, {factorForm, false}} {
		m := form.re.FindStringSubmatch(lower)
		if m == nil {
			continue
		}
		f, err := parseNumber(m[1])
		if form.divide {
			f = 1 / f
		}
		rest := strings.TrimSpace(m[2])
		if err != nil || f == 0 || math.IsInf(f, 0) || strings.ContainsAny(rest, "0123456789=") && !strings.HasSuffix(rest, "3") {
			return scaling{}, false
		}
		return scaling{factor: exact(f), unit: perCount(s[len(s)-len(rest):])}, true
	}
	return scaling{}, false
}

// exact rounds what a division left behind the fifteenth digit.
func exact(f float64) float64 {
	r, err := strconv.ParseFloat(strconv.FormatFloat(f, 'g', 15, 64), 64)
	if err != nil {
		return f
	}
	return r
}

// perCount takes 'per count' off a unit: '0.1 bar/digit' is 0.1 bar.
func perCount(unit string) string {
	lower := strings.ToLower(unit)
	for _, end := range []string{"/digit", "/count", "/bit", "/lsb", " per count", " per digit", " per bit", "/ct", "/inc"} {
		if strings.HasSuffix(lower, end) {
			return strings.TrimSpace(unit[:len(unit)-len(end)])
		}
	}
	return unit
}

// twoSpans reads '0-27648 = 0-16 bar', in either direction, and a factor: '1 = 0.1 bar'.
func twoSpans(s string, sides []string) (scaling, error) {
	a, ok1 := ParseSpan(sides[0])
	b, ok2 := ParseSpan(sides[1])
	if !ok1 || !ok2 {
		return oneCount(s, sides)
	}
	if a.Unit != "" && !counts(a.Unit) && !milliamps(a.Unit) && (b.Unit == "" || counts(b.Unit) || milliamps(b.Unit)) {
		a, b = b, a
	}
	sc := scaling{raw: &a, eng: &b, unit: b.Unit}
	if milliamps(a.Unit) {
		sc.loop = a.Low == 4 && a.High == 20
		sc.doubt = fmt.Sprintf("%s: the register holds counts, not mA; how many counts is not said: thousandths of a mA are taken", s)
		if !sc.loop {
			sc.raw = &Span{a.Low * 1000, a.High * 1000, ""}
		}
	}
	if a.Low > a.High {
		return scaling{}, fmt.Errorf("%q: the raw values fall", s)
	}
	return sc, nil
}

func counts(unit string) bool {
	switch strings.ToLower(unit) {
	case "counts", "count", "digits", "digit", "raw", "bit", "lsb", "dec", "int":
		return true
	}
	return false
}

func milliamps(unit string) bool { return strings.EqualFold(unit, "mA") }

// oneCount reads '1 = 0.1 bar' and '100 = 10.0 bar'.
func oneCount(s string, sides []string) (scaling, error) {
	n, err := parseNumber(strings.TrimSpace(strings.TrimSuffix(strings.ToLower(strings.TrimSpace(sides[0])), " counts")))
	sc, ok := byFactor(strings.ToLower(sides[1]), sides[1])
	if err != nil || !ok || n == 0 {
		return scaling{}, fmt.Errorf("%q is no scale such as 0.1, /10 or 0-27648 = 0-16 bar", s)
	}
	sc.factor = exact(sc.factor / n)
	return sc, nil
}

// oneSpan takes a span alone: of mA it is the signal, of counts nothing yet, of anything else what the instrument measures.
func oneSpan(s Span) scaling {
	switch {
	case milliamps(s.Unit):
		return scaling{loop: s.Low == 4 && s.High == 20, doubt: "only the current is given: what 4 and 20 mA mean is not said"}
	case s.Unit == "" && s.High-s.Low > 1000 || counts(s.Unit):
		return scaling{raw: &s}
	}
	return scaling{eng: &s, unit: s.Unit}
}
