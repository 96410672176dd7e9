package rehearsal

import (
	"bytes"
	"strconv"
)

// exactDigits: a number of so many digits fits a float64, and dividing it by a power of ten that fits too rounds once
// (W. D. Clinger, How to Read Floating Point Numbers Accurately, 1990).
const exactDigits = 15

var powers = [exactDigits + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// decimal reads the plain decimal number of a cell that begins at i and ends before a comma or with the row. ok is false
// for anything that it leaves to number: blanks, quotes, exponents, many digits.
func decimal(b []byte, i int) (v float64, end int, ok bool) {
	negative := i < len(b) && b[i] == '-'
	if negative {
		i++
	}
	var m uint64
	from := i
	for i < len(b) && b[i]-'0' <= 9 {
		m = m*10 + uint64(b[i]-'0')
		i++
	}
	digits, decimals := i-from, 0
	if i < len(b) && b[i] == '.' {
		i++
		from = i
		for i < len(b) && b[i]-'0' <= 9 {
			m = m*10 + uint64(b[i]-'0')
			i++
		}
		decimals = i - from
		digits += decimals
	}
	if digits == 0 || digits > exactDigits || i < len(b) && b[i] != ',' {
		return 0, 0, false
	}
	v = float64(m)
	if decimals > 0 {
		v /= powers[decimals]
	}
	if negative {
		v = -v
	}
	return v, i, true
}

// number reads any decimal number, with exponent if it has one.
func number(text []byte) (float64, bool) {
	if len(text) == 0 || len(text) > 400 {
		return 0, false
	}
	for _, c := range text {
		if c-'0' > 9 && c != '-' && c != '+' && c != '.' && c|0x20 != 'e' {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(string(text), 64)
	return v, err == nil
}

// isDecimalComma reports whether the text would be a number if its only comma were a point.
func isDecimalComma(text []byte) bool {
	if bytes.Count(text, []byte{','}) != 1 {
		return false
	}
	_, ok := number(bytes.Replace(text, []byte{','}, []byte{'.'}, 1))
	return ok
}
