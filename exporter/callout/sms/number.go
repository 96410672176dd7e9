package sms

import (
	"errors"
	"fmt"
	"strings"
)

// Number returns a telephone number as it is dialled: '+', country code and number, 7 to 15 digits in all (ITU-T
// E.164, clause 6; the lower bound is ours). Spaces, hyphens, dots and brackets between the digits are allowed.
// The error says what is wrong without repeating the number.
func Number(text string) (string, error) {
	var b strings.Builder
	for i, r := range strings.TrimSpace(text) {
		switch {
		case r >= '0' && r <= '9', r == '+' && i == 0:
			b.WriteRune(r)
		case strings.ContainsRune(" -.()/\u00a0", r):
		default:
			return "", fmt.Errorf("telephone number: %q has no place in it", r)
		}
	}
	return checked(b.String())
}

func checked(n string) (string, error) {
	digits, international := strings.CutPrefix(n, "+")
	switch {
	case digits == "":
		return "", errors.New("telephone number: it is empty")
	case !international:
		return "", errors.New("telephone number: write it with '+' and the country code")
	case digits[0] == '0':
		return "", errors.New("telephone number: no country code begins with 0")
	case len(digits) < 7 || len(digits) > 15:
		return "", fmt.Errorf("telephone number: %d digits; an international one has 7 to 15", len(digits))
	}
	return n, nil
}

// sender returns the number a text came from in international form where that can be known: networks give national
// numbers for senders of the own country. country is the country code ('353'), "" unknown.
func sender(number, country string, international bool) string {
	if international || country == "" || strings.Trim(number, "0123456789") != "" || len(number) < 7 {
		return number
	}
	if rest, ok := strings.CutPrefix(number, "00"); ok {
		return "+" + rest
	}
	return "+" + country + strings.TrimPrefix(number, "0")
}
