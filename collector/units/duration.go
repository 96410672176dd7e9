package units

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// durationUnits are the units of a duration, longest first; in a duration 'm' is the minute.
var durationUnits = []struct {
	names string
	size  time.Duration
}{
	{"d day days", 24 * time.Hour},
	{"h hr hour hours", time.Hour},
	{"m min minute minutes", time.Minute},
	{"s sec second seconds", time.Second},
	{"ms", time.Millisecond},
	{"us µs", time.Microsecond},
}

// ParseDuration reads the durations of the site and rule files: '15s', '2m30s',
// '1 h 30 min', '30d', '2000 h', '0ms'. Units fall from one part to the next. A
// day is 24 hours. Only 0 may stand without a unit; durations are not negative
// and less than 292 years.
func ParseDuration(text string) (time.Duration, error) {
	d, err := parseDuration(text)
	if err != nil {
		return 0, fmt.Errorf("%q: %w", text, err)
	}
	return d, nil
}

func parseDuration(text string) (time.Duration, error) {
	rest := strings.TrimSpace(text)
	if rest == "" {
		return 0, fmt.Errorf("empty, want a duration such as 15s, 5m or 2 h")
	}
	if rest == "0" {
		return 0, nil
	}
	var sum time.Duration
	used := -1
	for rest != "" {
		value, after, err := leadingNumber(rest)
		if err != nil {
			return 0, err
		}
		i, after, err := durationUnit(after)
		switch {
		case err != nil:
			return 0, err
		case i <= used:
			return 0, fmt.Errorf("its parts must fall, as in 1 h 30 min")
		case math.Signbit(value) && value != 0:
			return 0, fmt.Errorf("a duration is not negative")
		}
		part := math.Round(value * float64(durationUnits[i].size))
		if part >= math.MaxInt64-float64(sum) {
			return 0, fmt.Errorf("longer than 292 years")
		}
		sum += time.Duration(part)
		used, rest = i, after
	}
	return sum, nil
}

// durationUnit reads the unit at the start of s: the index of its size and what follows.
func durationUnit(s string) (index int, rest string, err error) {
	n := strings.IndexFunc(s, func(r rune) bool { return r == ' ' || r >= '0' && r <= '9' || strings.ContainsRune("+-.,", r) })
	if n < 0 {
		n = len(s)
	}
	name := s[:n]
	if name == "" {
		return 0, "", fmt.Errorf("needs a unit: ms, s, m, h or d")
	}
	for i, u := range durationUnits {
		for known := range strings.FieldsSeq(u.names) {
			if name == known {
				return i, strings.TrimSpace(s[n:]), nil
			}
		}
	}
	return 0, "", fmt.Errorf("unknown unit %q of a duration, want ms, s, m, h or d", name)
}
