package terms

import (
	"bufio"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestParseFault(t *testing.T) {
	tests := []struct {
		text string
		want Fault
		err  string
	}{
		{"air-leak", Fault{Name: "air-leak"}, ""},
		{"air-leak@30s", Fault{"air-leak", 30 * time.Second, 0}, ""},
		{"hose-off@20s+60s", Fault{"hose-off", 20 * time.Second, time.Minute}, ""},
		{"mains-lost@0s+1m30s", Fault{"mains-lost", 0, 90 * time.Second}, ""},
		{"air-leek@30s", Fault{}, `unknown fault "air-leek": one of air-leak, hose-off`},
		{"", Fault{}, `unknown fault ""`},
		{"air-leak@", Fault{}, `fault "air-leak@": time: "" is not a time`},
		{"air-leak@soon", Fault{}, `time: "soon" is not a time such as 30s or 2m`},
		{"air-leak@-3s", Fault{}, `time: "-3s" is before the beginning`},
		{"air-leak@3s+", Fault{}, `length: "" is not a time`},
		{"air-leak@3s+0s", Fault{}, `length: is nothing`},
	}
	for _, tt := range tests {
		got, err := ParseFault(tt.text)
		if got != tt.want || (err == nil) != (tt.err == "") || err != nil && !strings.Contains(err.Error(), tt.err) {
			t.Errorf("%q: got %+v, %v, want %+v, %q", tt.text, got, err, tt.want, tt.err)
		}
		if err == nil {
			if again, err := ParseFault(got.String()); err != nil || again != got {
				t.Errorf("%q: %v reads back as %+v, %v", tt.text, got, again, err)
			}
		}
	}
}

func TestFaultsAreExplained(t *testing.T) {
	want := []string{"air-leak", "hose-off", "compressor-trip", "wire-break", "float-stuck", "check-valve", "filter-blocked",
		"plc-reboot", "map-shift", "late-replies", "same-id", "broker-down", "mains-lost", "register-frozen"}
	var have []string
	for _, k := range Faults() {
		have = append(have, k.Name)
		if len(k.About) < 20 || strings.Contains(k.About, "\n") {
			t.Errorf("%s: %q is no line of explanation", k.Name, k.About)
		}
	}
	for _, name := range want {
		if !slices.Contains(have, name) {
			t.Errorf("fault %s is missing", name)
		}
	}
}

func TestAddressesReadBack(t *testing.T) {
	want := Addresses{"tcp://127.0.0.1:41873", "rtu:///dev/pts/7", "tcp://127.0.0.1:38011"}
	var b strings.Builder
	if _, err := want.WriteTo(&b); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	r := bufio.NewReader(strings.NewReader(text + "more\n"))
	if got, err := ReadAddresses(r); err != nil || got != want {
		t.Errorf("read back as %+v, %v", got, err)
	}
	if rest, _ := io.ReadAll(r); string(rest) != "more\n" {
		t.Errorf("what follows became %q", rest)
	}
	for cut := range text {
		if got, err := ReadAddresses(bufio.NewReader(strings.NewReader(text[:cut]))); !errors.Is(err, io.ErrUnexpectedEOF) || got != (Addresses{}) {
			t.Errorf("after %d bytes: %+v, %v", cut, got, err)
		}
	}
	other := strings.Replace(text, "meters ", "metres ", 1)
	if _, err := ReadAddresses(bufio.NewReader(strings.NewReader(other))); err == nil || !strings.Contains(err.Error(), "the address of the meters is expected") {
		t.Errorf("a line with another name: %v", err)
	}
}
