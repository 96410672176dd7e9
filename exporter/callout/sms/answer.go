package sms

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// mostDigits is the length of the longest message number an answer may hold.
const mostDigits = 6

// ParseAnswer reports whether the text is an answer that accepts, and the number of the message it names, 0 if it
// names none: 'ok 3', 'OK', 'ok3', 'Ok  7 thanks', 'o.k. #7', 'okay 7', '7', a thumb up. The two letters may be Latin,
// Cyrillic, Greek or full-width ones, the digits of any script. Only a number right behind the word counts: 'ok,
// there in 10 min' names none, and neither do 'ok 10:30' and 'ok 10min'. A number alone is an answer only if nothing
// follows it. Whether the sender may answer is for the caller to say.
func ParseAnswer(text string) (number int, ok bool) {
	rest, thumb := strings.CutPrefix(strings.TrimSpace(strings.ToLower(text)), "\U0001F44D")
	word, rest := agree(strings.TrimLeftFunc(rest, filler))
	rest = strings.TrimLeftFunc(rest, filler)
	digits, rest := leadingDigits(rest)
	switch {
	case len(digits) > mostDigits:
		return 0, false // names something, but nothing of ours
	case !word && !thumb:
		alone := len(digits) > 0 && strings.TrimFunc(rest, filler) == ""
		return value(digits), alone
	case measures(rest):
		return 0, true
	}
	return value(digits), true
}

// filler reports whether the character says nothing: between the word and the number, and around them.
func filler(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) }

// agree cuts 'ok' or 'okay' off the beginning of a text in small letters.
func agree(text string) (bool, string) {
	o, rest := first(text)
	if !strings.ContainsRune("oоοｏ0", o) {
		return false, text
	}
	k, rest := first(strings.TrimLeft(rest, ". "))
	if !strings.ContainsRune("kкκｋ", k) {
		return false, text
	}
	for _, ending := range []string{"ay", "ey", "ie", "i"} {
		if longer, ok := strings.CutPrefix(rest, ending); ok {
			rest = longer
			break
		}
	}
	if next, _ := first(rest); unicode.IsLetter(next) {
		return false, text // a word that only begins like it
	}
	return true, rest
}

func first(text string) (rune, string) {
	r, n := utf8.DecodeRuneInString(text)
	return r, text[n:]
}

// leadingDigits cuts the digits off the beginning and returns their values.
func leadingDigits(text string) ([]int, string) {
	var digits []int
	for i, r := range text {
		d, ok := digit(r)
		if !ok {
			return digits, text[i:]
		}
		digits = append(digits, d)
	}
	return digits, ""
}

// digit returns the value of a decimal digit of any script. Those of a script lie in a row from its zero
// (The Unicode Standard, section 4.6), so the value is the distance to the first of the row.
func digit(r rune) (int, bool) {
	const mathematical, last = 0x1D7CE, 0x1D7FF // five rows without a gap
	switch {
	case !unicode.IsDigit(r):
		return 0, false
	case r >= mathematical && r <= last:
		return int(r-mathematical) % 10, true
	}
	n := 0
	for n < 9 && unicode.IsDigit(r-rune(n)-1) {
		n++
	}
	return n, true
}

func value(digits []int) int {
	n := 0
	for _, d := range digits {
		n = 10*n + d
	}
	return n
}

// measures reports whether what follows a number makes it a time or a quantity: '10:30', '10.30', '10min', '5%'.
func measures(rest string) bool {
	next, after := first(rest)
	if strings.ContainsRune(":.,", next) {
		behind, _ := first(after)
		return unicode.IsDigit(behind)
	}
	return next == '%' || unicode.IsLetter(next)
}
