package payload

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// ErrNoZone: a local time, which could be any of 24 hours and is ambiguous once a year.
var ErrNoZone = errors.New("time without zone")

// Seconds and milliseconds since 1970 are told apart by size: the first
// number of seconds taken for milliseconds is in the year 5138, the first number of
// milliseconds taken for seconds in March 1973.
const (
	firstMillis = 1e11
	endMillis   = 1e14
)

// Stamp returns the time that a value says: RFC 3339, section 5.6, or Unix
// seconds or milliseconds as a number or as digits in a string. The RFC's
// notes are followed too: small letters, and a space in place of the T. A leap second is the
// instant after it. A text without zone is ErrNoZone.
func Stamp(v Value) (time.Time, error) {
	text := trim(v.Text())
	if len(text) >= 5 && text[4] == '-' && isDigit(text[0]) {
		return rfc3339(text)
	}
	n, unit, err := Number(v)
	switch {
	case err != nil:
		return time.Time{}, err
	case len(unit) > 0:
		return time.Time{}, errors.New("neither RFC 3339 nor a Unix time")
	}
	return unix(n)
}

func unix(n float64) (time.Time, error) {
	switch {
	case n < 0 || n >= endMillis:
		return time.Time{}, errors.New("neither Unix seconds nor milliseconds")
	case n >= firstMillis:
		n /= 1000
	}
	whole, part := math.Modf(n)
	// A float64 of seconds has about 0.2 us left; more digits would be invented.
	return time.Unix(int64(whole), int64(math.Round(part*1e6))*1000).UTC(), nil
}

// clockFields are the numbers of 'YYYY-MM-DDTHH:MM:SS' with their places and largest values.
var clockFields = [...]struct{ at, digits, most int }{
	{0, 4, 9999}, {5, 2, 12}, {8, 2, 31}, {11, 2, 23}, {14, 2, 59}, {17, 2, 60},
}

const clockLength = len("2006-01-02T15:04:05")

func rfc3339(text []byte) (time.Time, error) {
	var f [len(clockFields)]int
	if len(text) < clockLength || !separated(text) {
		return time.Time{}, errors.New("not a time by RFC 3339")
	}
	for i, field := range clockFields {
		n, ok := digits(text[field.at:], field.digits)
		if !ok || n > field.most {
			return time.Time{}, fmt.Errorf("not a time by RFC 3339: %q", text[field.at:field.at+field.digits])
		}
		f[i] = n
	}
	if f[1] == 0 || f[2] == 0 || f[2] > daysIn(f[0], f[1]) {
		return time.Time{}, errors.New("no such day")
	}
	nanos, rest, err := fraction(text[clockLength:])
	if err != nil {
		return time.Time{}, err
	}
	offset, err := zone(rest)
	if err != nil {
		return time.Time{}, err
	}
	t := time.Date(f[0], time.Month(f[1]), f[2], f[3], f[4], f[5], nanos, time.UTC).Add(-offset)
	if f[5] == 60 && (t.Minute() != 0 || t.Hour() != 0 || t.Day() != 1) {
		return time.Time{}, errors.New("no leap second is there") // they end a month, RFC 3339, section 5.7
	}
	return t, nil
}

func separated(text []byte) bool {
	t := text[10]
	return text[4] == '-' && text[7] == '-' && (t == 'T' || t == 't' || t == ' ') && text[13] == ':' && text[16] == ':'
}

func digits(b []byte, n int) (value int, ok bool) {
	if len(b) < n {
		return 0, false
	}
	for _, c := range b[:n] {
		if !isDigit(c) {
			return 0, false
		}
		value = 10*value + int(c-'0')
	}
	return value, true
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// fraction reads '.' and digits; those past the ninth are dropped.
func fraction(b []byte) (nanos int, rest []byte, err error) {
	if len(b) == 0 || b[0] != '.' {
		return 0, b, nil
	}
	n := digitsAt(b, 1)
	if n == 0 {
		return 0, nil, errors.New("no digit after the point")
	}
	scale := int(time.Second)
	for _, c := range b[1 : 1+min(n, 9)] {
		scale /= 10
		nanos += int(c-'0') * scale
	}
	return nanos, b[1+n:], nil
}

// zone reads 'Z' or '+01:00'.
func zone(b []byte) (time.Duration, error) {
	switch {
	case len(b) == 0:
		return 0, ErrNoZone
	case len(b) == 1 && (b[0] == 'Z' || b[0] == 'z'):
		return 0, nil
	case len(b) != len("+01:00") || b[3] != ':' || (b[0] != '+' && b[0] != '-'):
		return 0, fmt.Errorf("not a time zone by RFC 3339: %s", Quote(b))
	}
	h, okHours := digits(b[1:], 2)
	m, okMinutes := digits(b[4:], 2)
	if !okHours || !okMinutes || h > 23 || m > 59 {
		return 0, fmt.Errorf("not a time zone by RFC 3339: %s", Quote(b))
	}
	d := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute
	if b[0] == '-' {
		d = -d
	}
	return d, nil
}
