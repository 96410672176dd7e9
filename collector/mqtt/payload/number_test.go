package payload_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"roundsman/collector/mqtt/payload"
)

func TestNumber(t *testing.T) {
	tests := []struct {
		name, in string
		want     float64
		unit     string
	}{
		{"bare", "1.92", 1.92, ""},
		{"whole", "7", 7, ""},
		{"negative", "-12.5", -12.5, ""},
		{"plus sign", "+38.4", 38.4, ""},
		{"exponent", "2.5e-3", 2.5e-3, ""},
		{"no whole part", ".5", .5, ""},
		{"no fraction", "5.", 5, ""},
		{"blanks and line end", " 1.92\r\n", 1.92, ""},
		{"ended by zero bytes", "1.92\x00\x00", 1.92, ""},
		{"unit", "1.92 m", 1.92, "m"},
		{"unit without blank", "38.4kg", 38.4, "kg"},
		{"unit that begins like an exponent", "3 eV", 3, "eV"},
		{"unit e after the digits", "3e", 3, "e"},
		{"exponent and unit", "2.5e-3mA", 2.5e-3, "mA"},
		{"per cent", "80%", 80, "%"},
		{"degrees", "21.5 °C", 21.5, "°C"},
		{"JSON string", `"1.92"`, 1.92, ""},
		{"JSON string with unit", `"1.92 m"`, 1.92, "m"},
		{"escaped JSON string", "\"1\\u002e5 \\u00b5S/cm\"", 1.5, "µS/cm"},
		{"leading zeros", "007", 7, ""},
		{"a comma behind the unit is not a decimal comma", "7 m, rising", 7, "m, rising"},
		{"not hexadecimal", "0x10", 0, "x10"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			n, unit, err := payload.Number(payload.Whole([]byte(tt.in)))
			if err != nil || n != tt.want || string(unit) != tt.unit {
				t.Errorf("Number(%q) = %v %q %v, want %v %q", tt.in, n, unit, err, tt.want, tt.unit)
			}
		})
	}
}

func TestNumberRefuses(t *testing.T) {
	tests := []struct {
		in   string
		want error // nil: any
	}{
		{"", payload.ErrNoValue}, {"  ", payload.ErrNoValue}, {"null", payload.ErrNoValue}, {"--", payload.ErrNoValue},
		{`"--"`, payload.ErrNoValue}, {"N/A", payload.ErrNoValue}, {`""`, payload.ErrNoValue},
		{"NaN", payload.ErrNotFinite}, {"nan", payload.ErrNotFinite}, {"-Infinity", payload.ErrNotFinite},
		{"+inf", payload.ErrNotFinite}, {"1e999", payload.ErrNotFinite}, {"-1e999", payload.ErrNotFinite}, {`"NaN"`, payload.ErrNotFinite},
		{"1,92", payload.ErrDecimalComma}, {"1.234,5", payload.ErrDecimalComma}, {"-1,92 m", payload.ErrDecimalComma}, {`"1,92"`, payload.ErrDecimalComma},
		{"level", nil}, {".", nil}, {"-.", nil}, {"+-1", nil}, {"m 1.92", nil}, {"true", nil}, {"false", nil}, {"on", nil},
		{`{"level":1}`, nil}, {"[1,2]", nil}, {"\x1b[2J", nil}, {"\u22121.92", nil}, {`"1.92`, nil},
	}
	for _, tt := range tests {
		n, unit, err := payload.Number(payload.Whole([]byte(tt.in)))
		if err == nil || tt.want != nil && !errors.Is(err, tt.want) {
			t.Errorf("Number(%q) = %v %q %v, want the error %v", tt.in, n, unit, err, tt.want)
		}
		if n != 0 || unit != nil {
			t.Errorf("Number(%q) = %v %q with an error, want nothing", tt.in, n, unit)
		}
	}
}

func TestState(t *testing.T) {
	tests := []struct {
		in   string
		want float64
		ok   bool
	}{
		{"true", 1, true}, {"false", 0, true}, {"ON", 1, true}, {`"off"`, 0, true}, {" True\n", 1, true},
		{"1", 0, false}, {"yes", 0, false}, {"", 0, false}, {"null", 0, false},
	}
	for _, tt := range tests {
		if n, ok := payload.State(payload.Whole([]byte(tt.in))); n != tt.want || ok != tt.ok {
			t.Errorf("State(%q) = %v, %v, want %v, %v", tt.in, n, ok, tt.want, tt.ok)
		}
	}
}

// RFC 3339, section 5.8 (examples from memory; the rest held against Go's time package, which is stricter
// than the RFC in the first places and laxer in the last).
func TestStampOfRFC3339(t *testing.T) {
	tests := []struct{ in, want string }{ // want "": refused
		{"1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.52Z"},
		{"1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"},
		{"1990-12-31T23:59:60Z", "1991-01-01T00:00:00Z"},
		{"1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00Z"},
		{"1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.87Z"},
		{"2026-01-01t00:00:00z", "2026-01-01T00:00:00Z"},
		{"2026-01-01 00:00:00Z", "2026-01-01T00:00:00Z"},
		{`"2026-03-29T02:00:00+01:00"`, "2026-03-29T01:00:00Z"},
		{"2024-02-29T00:00:00Z", "2024-02-29T00:00:00Z"},
		{"2026-01-01T00:00:00.1234567891Z", "2026-01-01T00:00:00.123456789Z"},
		{"2026-01-01T00:00:00,5Z", ""},
		{"2026-02-29T00:00:00Z", ""},
		{"2026-13-01T00:00:00Z", ""},
		{"2026-00-01T00:00:00Z", ""},
		{"2026-01-00T00:00:00Z", ""},
		{"2026-01-01T24:00:00Z", ""},
		{"2026-01-01T00:60:00Z", ""},
		{"2026-06-15T12:00:60Z", ""},
		{"2026-01-01T00:00:00", ""},
		{"2026-01-01T00:00:00.Z", ""},
		{"2026-01-01T00:00:00+0100", ""},
		{"2026-01-01T00:00:00+24:00", ""},
		{"2026-01-01T00:00Z", ""},
		{"2026-01-01", ""},
		{"2026-1-1T00:00:00Z", ""},
	}
	for _, tt := range tests {
		got, err := payload.Stamp(payload.Whole([]byte(tt.in)))
		if tt.want == "" {
			if err == nil {
				t.Errorf("Stamp(%s) = %v, want an error", tt.in, got)
			}
			continue
		}
		if s := got.Format(time.RFC3339Nano); err != nil || s != tt.want {
			t.Errorf("Stamp(%s) = %s, %v, want %s", tt.in, s, err, tt.want)
		}
	}
	if _, err := payload.Stamp(payload.Whole([]byte("2026-01-01T00:00:00"))); !errors.Is(err, payload.ErrNoZone) {
		t.Errorf("a local time gives %v, want %v", err, payload.ErrNoZone)
	}
}

func TestStampOfUnixTime(t *testing.T) {
	tests := []struct{ in, want string }{
		{"1764057600", "2025-11-25T08:00:00Z"},
		{"1764057600000", "2025-11-25T08:00:00Z"},
		{"1764057600123", "2025-11-25T08:00:00.123Z"},
		{"1764057600.25", "2025-11-25T08:00:00.25Z"},
		{`"1764057600"`, "2025-11-25T08:00:00Z"},
		{"1.7640576e9", "2025-11-25T08:00:00Z"},
		{"0", "1970-01-01T00:00:00Z"},
		{"482196050.52", "1985-04-12T23:20:50.52Z"},
		{"99999999999", "5138-11-16T09:46:39Z"},
		{"100000000000", "1973-03-03T09:46:40Z"},
		{"-5", ""}, {"1e14", ""}, {"null", ""}, {"NaN", ""}, {"12 s", ""}, {"yesterday", ""}, {"", ""},
	}
	for _, tt := range tests {
		got, err := payload.Stamp(payload.Whole([]byte(tt.in)))
		if s := got.Format(time.RFC3339Nano); (err != nil) != (tt.want == "") || err == nil && s != tt.want {
			t.Errorf("Stamp(%s) = %s, %v, want %q", tt.in, s, err, tt.want)
		}
	}
}

// FuzzStamp holds RFC 3339 against Go's time package: what both take must be the same instant.
func FuzzStamp(f *testing.F) {
	for _, s := range []string{"1985-04-12T23:20:50.52Z", "1990-12-31T15:59:60-08:00", "2026-01-01T00:00:00,5Z", "2026-02-29T00:00:00Z", "1764057600", "0000-01-01T00:00:00+23:59"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := payload.Stamp(payload.Whole([]byte(s)))
		want, wantErr := time.Parse(time.RFC3339, s)
		if err == nil && wantErr == nil && !got.Equal(want) {
			t.Errorf("Stamp(%q) = %v, Go says %v", s, got, want)
		}
		if err != nil && !got.IsZero() {
			t.Errorf("Stamp(%q) = %v with the error %v", s, got, err)
		}
		if wantErr == nil && err != nil && len(s) > 19 && s[19] != ',' {
			t.Errorf("Stamp(%q): %v, Go says %v", s, err, want)
		}
	})
}

// FuzzNumber must never give a number that is not finite, nor fail on anything.
func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1.92", "38.4 kg", "1,92", `"1.92 m"`, "NaN", "1e999", "--", "null", "{", `"\ud800"`, "+.e5", "\x00\xff"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		n, _, err := payload.Number(payload.Whole(b))
		if math.IsNaN(n) || math.IsInf(n, 0) || err != nil && n != 0 {
			t.Errorf("Number(%q) = %v, %v", b, n, err)
		}
		payload.State(payload.Whole(b))
		payload.Quote(b)
	})
}
