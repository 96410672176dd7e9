package callout_test

import (
	"strings"
	"testing"

	"roundsman/exporter/callout"
)

// Counts by the alphabet of 3GPP TS 23.038, clause 6.2.1, with its extension table; what is in neither is sent in UCS-2
// units (two of them for a character beyond 0xFFFF).
func TestSeptets(t *testing.T) {
	for _, tt := range []struct {
		text string
		n    int
		gsm  bool
	}{
		{"", 0, true}, {"hellohello", 10, true}, {"How are you?", 12, true}, {"€", 2, true}, {"[5.3 bar]", 11, true}, {"@", 1, true},
		{strings.Repeat("€", 80), 160, true}, {"äöüÄÖÜß£¥Δ", 10, true}, {"^{}\\[~]|", 16, true},
		{"71 °C", 5, false}, {"m³", 2, false}, {"ç", 1, false}, {"Ç", 1, true}, {"`", 1, false}, {"👍", 2, false},
	} {
		if n, gsm := callout.Septets(tt.text); n != tt.n || gsm != tt.gsm {
			t.Errorf("%q: got %d, %v, want %d, %v", tt.text, n, gsm, tt.n, tt.gsm)
		}
	}
}

func TestPlain(t *testing.T) {
	got := callout.Plain("71 °C, 60 degC, 12 m³ – “µS” ≥ ½")
	if want := "71 C, 60 C, 12 m3 - \"uS\" >= 1/2"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
