package sms

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/warthog618/sms/encoding/gsm7"
	"github.com/warthog618/sms/encoding/tpdu"

	"roundsman/exporter/callout/sms/modemtest"
)

// The alphabet of 3GPP TS 23.038, clause 6.2 (from memory, agreed on by the published packings below): the code of
// each character in our table, in the emulator's (which was written out separately) and in the library's.
func TestAlphabet(t *testing.T) {
	ready()
	code := 0
	for _, r := range alphabet {
		if code == 0x1B {
			code++ // the escape
		}
		checkCode(t, r, byte(code))
		code++
	}
	if code != 128 {
		t.Errorf("the alphabet ends at code %d, want 128", code)
	}
	places := map[rune]byte{'\f': 0x0A, '^': 0x14, '{': 0x28, '}': 0x29, '\\': 0x2F, '[': 0x3C, '~': 0x3D, ']': 0x3E, '|': 0x40, '€': 0x65}
	for r, code := range places {
		if septets(r) != 2 {
			t.Errorf("%q takes %d septets, want 2", r, septets(r))
		}
		checkCode(t, r, 0x1B, code)
	}
	if n := len([]rune(extension)); n != len(places) {
		t.Errorf("%d characters in the extension table, want %d", n, len(places))
	}
	for _, r := range "°µ²³½`\t“”–çáíóúê" {
		if septets(r) != 0 {
			t.Errorf("%q is said to be in the alphabet", r)
		}
	}
}

func checkCode(t *testing.T, r rune, want ...byte) {
	t.Helper()
	if got, err := gsm7.Encode([]byte(string(r))); err != nil || !slices.Equal(got, want) {
		t.Errorf("library: %q is % X, %v, want % X", r, got, err, want)
	}
	if got, ok := modemtest.Septets(string(r)); !ok || !slices.Equal(got, want) {
		t.Errorf("emulator: %q is % X, want % X", r, got, want)
	}
	if septets(r) != len(want) {
		t.Errorf("%q takes %d septets, want %d", r, septets(r), len(want))
	}
}

// Packings: 'hellohello' and 'hello' are the published examples that go with TS 23.038; the others were made with a
// second tool. Both the library, which makes our PDUs, and the emulator, which reads them, must agree.
func TestPackings(t *testing.T) {
	tests := []struct {
		text    string
		septets int
		packed  string
	}{
		{"hellohello", 10, "E8329BFD4697D9EC37"},
		{"hello", 5, "E8329BFD06"},
		{"Hello", 5, "C8329BFD06"},
		{"hello world", 11, "E8329BFD06DDDF723619"},
		{"How are you?", 12, "C8F71D14969741F977FD07"},
		{"€", 2, "9B32"},
		{"[5.3 bar]", 11, "1B5ECD350389C3F28D0F"},
		{"@", 1, "00"},
		{"abcdefg", 7, "61F1985C369F01"},
		{"abcdefgh", 8, "61F1985C369FD1"},
		{"1234567", 7, "31D98C56B3DD00"},
	}
	for _, tt := range tests {
		if n, ucs2, parts := Fit(tt.text); n != tt.septets || ucs2 || parts != 1 {
			t.Errorf("Fit(%q) = %d, %v, %d, want %d septets", tt.text, n, ucs2, parts, tt.septets)
		}
		codes, ok := modemtest.Septets(tt.text)
		if got := fmt.Sprintf("%X", modemtest.Pack(codes, 0)); !ok || got != tt.packed {
			t.Errorf("emulator: %q packs to %s, want %s", tt.text, got, tt.packed)
		}
		back, err := modemtest.Unpack(modemtest.Pack(codes, 0), 0, tt.septets)
		if text, err2 := modemtest.Read(back); err != nil || err2 != nil || text != tt.text {
			t.Errorf("emulator: %s reads as %q, %v, %v", tt.packed, text, err, err2)
		}
		list, err := submits(order{to: "+353871234567", text: tt.text})
		if err != nil || !strings.HasSuffix(list[0].hex, fmt.Sprintf("%02X%s", tt.septets, tt.packed)) {
			t.Errorf("%q: PDU %v, %v does not end in %02X%s", tt.text, list, err, tt.septets, tt.packed)
		}
	}
}

// PDUs and the length for AT+CMGS (TS 23.040, clause 9.2.2.2; TS 27.005, clause 3.5.1). The first is the published
// example, the others were made with a second tool.
func TestSubmitPDUs(t *testing.T) {
	tests := []struct {
		order  order
		pdu    string
		length int
	}{
		{order{to: "+46708251358", text: "hellohello", validity: 4 * 24 * time.Hour}, "0011000B916407281553F80000AA0AE8329BFD4697D9EC37", 23},
		{order{to: "+353871234567", text: "Low air 5.3 bar", validity: 4 * 24 * time.Hour}, "0011000C915383173254760000AA0FCCF71D144ECB4135D70C240ECB01", 28},
		{order{to: "+353871234567", text: "Low air 5.3 bar"}, "0001000C9153831732547600000FCCF71D144ECB4135D70C240ECB01", 27},
		{order{to: "+353871234567", text: "Temp 71 °C"}, "0001000C91538317325476000814" + "00540065006D0070002000370031002000B00043", 33},
	}
	for _, tt := range tests {
		list, err := submits(tt.order)
		if err != nil || len(list) != 1 || list[0].hex != tt.pdu || list[0].length != tt.length {
			t.Errorf("%q: got %v, %v, want %s, %d", tt.order.text, list, err, tt.pdu, tt.length)
		}
		read, err := modemtest.ParseSubmit(tt.pdu, tt.length)
		if err != nil || read.To != tt.order.to || read.Text != tt.order.text || read.Validity != tt.order.validity {
			t.Errorf("the emulator reads %s as %+v, %v", tt.pdu, read, err)
		}
	}
	list, err := submits(order{to: "+353871234567", text: "x", validity: time.Hour, report: true})
	if err != nil || !strings.HasPrefix(list[0].hex, "0031000C9153831732547600000B01") {
		t.Errorf("an hour and a report: got %v, %v, want first octet 31 and validity 0B", list, err)
	}
	if _, err := submits(order{to: "+353871234567"}); err == nil {
		t.Error("a text of nothing was encoded")
	}
}

// Counts of parts: TS 23.040, clause 9.2.3.24.1, and two tools.
func TestParts(t *testing.T) {
	tests := []struct {
		char  string
		n     int
		parts int
	}{
		{"a", 1, 1}, {"a", 160, 1}, {"a", 161, 2}, {"a", 306, 2}, {"a", 307, 3}, {"a", 459, 3}, {"a", 460, 4},
		{"°", 1, 1}, {"°", 70, 1}, {"°", 71, 2}, {"°", 134, 2}, {"°", 135, 3}, {"°", 201, 3}, {"°", 202, 4},
		{"€", 80, 1}, {"€", 81, 2},
		// 153 is odd: the 77th euro sign of a part would be split, so a part holds 76 of them
		{"€", 152, 2}, {"€", 153, 3},
		// a surrogate pair is not split either: 33 of them a part
		{"😀", 35, 1}, {"😀", 36, 2}, {"😀", 66, 2}, {"😀", 67, 3},
	}
	for _, tt := range tests {
		text := strings.Repeat(tt.char, tt.n)
		if _, _, got := Fit(text); got != tt.parts {
			t.Errorf("Fit(%d x %q): %d parts, want %d", tt.n, tt.char, got, tt.parts)
		}
		checkParts(t, text, tt.parts)
	}
	if n, ucs2, parts := Fit(""); n != 0 || ucs2 || parts != 0 {
		t.Errorf("Fit of nothing: %d, %v, %d", n, ucs2, parts)
	}
}

// checkParts encodes the text and has the emulator's own decoder put it together again.
func checkParts(t *testing.T, text string, want int) {
	t.Helper()
	list, err := submits(order{to: "+353871234567", text: text, ref: 0xA7})
	if err != nil || len(list) != want {
		t.Fatalf("%.20q...: %d parts, %v, want %d", text, len(list), err, want)
	}
	var whole strings.Builder
	for i, p := range list {
		read, err := modemtest.ParseSubmit(p.hex, p.length)
		if err != nil || read.Total != want || read.Part != i+1 || want > 1 && read.Ref != 0xA7 {
			t.Fatalf("%.20q...: part %d reads as %+v, %v", text, i+1, read, err)
		}
		whole.WriteString(read.Text)
	}
	if whole.String() != text {
		t.Errorf("%d parts read as %q, want %q", want, whole.String(), text)
	}
}

// Relative validity, TS 23.040, clause 9.2.3.12.1: what is asked for, the octet, what it means.
func TestValidity(t *testing.T) {
	const hour, day, week = time.Hour, 24 * time.Hour, 7 * 24 * time.Hour
	tests := []struct {
		ask   time.Duration
		octet string
		means time.Duration
	}{
		{time.Minute, "01", 10 * time.Minute}, {10 * time.Minute, "01", 10 * time.Minute}, {hour, "0B", hour},
		{90 * time.Minute, "11", 90 * time.Minute}, {12 * hour, "8F", 12 * hour}, {13 * hour, "91", 13 * hour},
		{day, "A7", day}, {2 * day, "A8", 2 * day}, {4 * day, "AA", 4 * day}, {30 * day, "C4", 30 * day},
		{5 * week, "C5", 5 * week}, {63 * week, "FF", 63 * week}, {100 * week, "FF", 63 * week},
	}
	for _, tt := range tests {
		list, err := submits(order{to: "+353871234567", text: "x", validity: tt.ask})
		if err != nil {
			t.Fatal(err)
		}
		read, err := modemtest.ParseSubmit(list[0].hex, list[0].length)
		if got := list[0].hex[26:28]; err != nil || got != tt.octet || read.Validity != tt.means {
			t.Errorf("%v: octet %s, %v, %v, want %s", tt.ask, got, read.Validity, err, tt.octet)
		}
	}
}

// Time stamps, TS 23.040, clause 9.2.3.11, made with two tools.
func TestStamps(t *testing.T) {
	tests := []struct{ octets, want string }{
		{"99309251619580", "1999-03-29T15:16:59+02:00"},
		{"62301151216040", "2026-03-11T15:12:06+01:00"},
		{"6230115121600A", "2026-03-11T15:12:06-05:00"},
	}
	for _, tt := range tests {
		pdu := "0004" + "0C91538317325476" + "0000" + tt.octets + "02" + "EF35"
		a, err := incoming(pdu, -1)
		if err != nil || a.at.Format(time.RFC3339) != tt.want || wording([]*tpdu.TPDU{a.part}) != "ok" {
			t.Errorf("%s: got %v, %v, want %s", tt.octets, a.at, err, tt.want)
		}
		when, _ := time.Parse(time.RFC3339, tt.want)
		if got := fmt.Sprintf("%X", modemtest.Stamp(when)); got != tt.octets {
			t.Errorf("emulator: %s is %s, want %s", tt.want, got, tt.octets)
		}
	}
}

// A stamp that is no time does not lose the answer.
func TestBadStamp(t *testing.T) {
	for _, octets := range []string{"FFFFFFFFFFFFFF", "62311151216040", "6230115121600F", "00000000000000", "623011512160F0"} {
		a, err := incoming("0004"+"0C91538317325476"+"0000"+octets+"02"+"EF35", -1)
		if err != nil || wording([]*tpdu.TPDU{a.part}) != "ok" {
			t.Errorf("%s: %v", octets, err)
		}
	}
}

// Signal and registration: TS 27.007, clauses 8.5, 7.2 and 8.3 (from memory).
func TestWords(t *testing.T) {
	for rssi, want := range map[int]float64{0: -113, 10: -93, 20: -73, 31: -51} {
		if got, ok := dBm(rssi); !ok || got != want {
			t.Errorf("rssi %d: %v dBm, want %v", rssi, got, want)
		}
	}
	if _, ok := dBm(99); ok {
		t.Error("rssi 99 is known")
	}
	for stat := range 6 {
		if got, want := registration(stat).Registered(), stat == 1 || stat == 5; got != want {
			t.Errorf("stat %d (%v): registered %v, want %v", stat, registration(stat), got, want)
		}
	}
	for word, want := range map[string]SIM{"READY": SIMReady, "SIM PIN": SIMNeedsPIN, "SIM PUK": SIMNeedsPUK, "PH-SIM PIN": SIMFaulty} {
		if got := cardState(word); got != want {
			t.Errorf("%s: %v, want %v", word, got, want)
		}
	}
}
