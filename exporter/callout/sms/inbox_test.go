package sms

import (
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/warthog618/sms/encoding/tpdu"

	"roundsman/exporter/callout/sms/modemtest"
)

var monday = time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)

// put has an inbox take a PDU that lies in a slot.
func put(t *testing.T, b *inbox, now time.Time, pdu string, index int) {
	t.Helper()
	a, err := incoming(pdu, -1)
	if err != nil {
		t.Fatal(err)
	}
	b.take(now, pdu, a, slot{"SM", index})
}

// A message that is read twice, before and after it was taken, has its slot deleted once: the second deletion could
// hit what arrived in the slot since.
func TestSlotDeletedOnce(t *testing.T) {
	var b inbox
	pdu := modemtest.DeliverPDUs("+353871234567", "ok 3", monday, 0)[0]
	put(t, &b, monday, pdu, 2)
	put(t, &b, monday, pdu, 2)
	if len(b.erase) != 0 {
		t.Errorf("to be deleted before anybody took it: %v", b.erase)
	}
	b.taken()
	put(t, &b, monday, pdu, 2)
	if fmt.Sprint(b.erase) != "[{SM 2}]" {
		t.Errorf("to be deleted: %v, want slot 2 once", b.erase)
	}
	b.erase = nil
	put(t, &b, monday, pdu, 5)
	if _, more := b.next(); more || fmt.Sprint(b.erase) != "[{SM 5}]" {
		t.Errorf("a duplicate: %v, to be deleted %v", more, b.erase)
	}
}

// A cleared memory may hold other messages in the same slots: those of a letter nobody took yet are not its any more.
func TestForgottenSlots(t *testing.T) {
	var b inbox
	put(t, &b, monday, modemtest.DeliverPDUs("+353871234567", "ok 3", monday, 0)[0], 2)
	b.forget()
	b.taken()
	if len(b.erase) != 0 {
		t.Errorf("to be deleted: %v", b.erase)
	}
}

// Whatever somebody sends, what is kept of it is bounded, and nothing of it waits for ever.
func TestInboxBounds(t *testing.T) {
	var b inbox
	for i := range 1000 {
		from := fmt.Sprintf("+35387%07d", i)
		put(t, &b, monday, modemtest.DeliverPDUs(from, strings.Repeat("x", 200), monday, byte(i))[i%2], i)
	}
	if len(b.open) > mostOpen || len(b.ready) > mostReady || len(b.seen) > mostSeen {
		t.Errorf("%d open, %d ready, %d seen", len(b.open), len(b.ready), len(b.seen))
	}
	if b.dropped != 0 {
		t.Errorf("%d were dropped, but all are stored", b.dropped)
	}
	for range len(b.ready) {
		b.taken()
	}
	b.expire(monday.Add(patience - time.Second))
	if len(b.open) != mostOpen {
		t.Errorf("%d open before the patience ends, want %d", len(b.open), mostOpen)
	}
	b.expire(monday.Add(patience))
	if len(b.open) != 0 {
		t.Errorf("%d open after it", len(b.open))
	}
}

// The time of an answer is the network's, but not one in the future.
func TestAnswerTime(t *testing.T) {
	for stamp, want := range map[time.Time]time.Time{
		monday.Add(-time.Hour): monday.Add(-time.Hour), monday.Add(20 * time.Hour): monday.Add(20 * time.Hour),
		monday.AddDate(3, 0, 0): monday,
	} {
		var b inbox
		put(t, &b, monday, modemtest.DeliverPDUs("+353871234567", "ok", stamp, 0)[0], 1)
		if a, _ := b.next(); !a.At.Equal(want) {
			t.Errorf("stamp %v: %v, want %v", stamp, a.At, want)
		}
	}
}

// Parts with a 16-bit reference, in reverse order (TS 23.040, clause 9.2.3.24.8).
func TestSixteenBitReference(t *testing.T) {
	var b inbox
	for i, body := range []string{"060804BEEF0202", "060804BEEF0201"} {
		text := []string{"0037", "006F006B"}[i] // '7', 'ok'
		user := body + text
		pdu := "00440C91538317325476000862309060000000" + fmt.Sprintf("%02X", len(user)/2) + user
		put(t, &b, monday, pdu, i+1)
	}
	if a, ok := b.next(); !ok || a.Text != "ok7" || a.Number != 7 {
		t.Errorf("got %+v, %v", a, ok)
	}
}

// A national language of the sender (TS 23.038, clause A.3.1: Turkish single shift, 'ş' is escape 0x73).
func TestNationalLanguage(t *testing.T) {
	septets := []byte{0x1B, 0x73, 'o', 'k'}
	packed := modemtest.Pack(septets, 35) // header of 4 octets and 3 bits of fill
	copy(packed, []byte{3, 0x24, 1, 1})
	pdu := "00440C91538317325476000062309060000000" + fmt.Sprintf("%02X%X", 5+len(septets), packed)
	a, err := incoming(pdu, -1)
	if err != nil || wording([]*tpdu.TPDU{a.part}) != "şok" {
		t.Errorf("got %v, %q", err, wording([]*tpdu.TPDU{a.part}))
	}
}

// A PDU of another length than the modem announced was damaged on the way.
func TestAnnouncedLength(t *testing.T) {
	pdu := modemtest.DeliverPDUs("+353871234567", "ok 3", monday, 0)[0]
	right := len(pdu)/2 - 7
	for length, want := range map[int]bool{-1: true, right: true, right + 1: false, right - 1: false, 0: false} {
		if _, err := incoming(pdu, length); (err == nil) != want {
			t.Errorf("%d announced, %d there: %v", length, right, err)
		}
	}
}

// Which lines make an answer: results of other commands and lost PDUs do not.
func TestReply(t *testing.T) {
	csq := query{cmd: "+CSQ", prefix: "+CSQ:"}
	list := query{cmd: "+CMGL=4", prefix: "+CMGL:", pdus: true, bare: true}
	tests := []struct {
		q     query
		lines string
		want  string
		at    int // the line that completes it
	}{
		{csq, "+CSQ: 20,99|OK", "+CSQ: 20,99", 1},
		{csq, "OK|+CSQ: 20,99|OK", "+CSQ: 20,99", 2},
		{csq, "AT+CSQ|x|+CSQ: 20,99|y|OK", "+CSQ: 20,99", 4},
		{query{cmd: "E0"}, "ATE0|OK", "", 1},
		{list, "OK", "", 0},
		{list, "+CMGL: 1,0,,4|00AB|+CMGL: 2,0,,4|00CD|OK", "+CMGL: 1,0,,4|00AB|+CMGL: 2,0,,4|00CD", 4},
		{list, "+CMGL: 1,0,,4|+CMGL: 2,0,,4|00CD|OK", "+CMGL: 2,0,,4|00CD", 3},
		{list, "+CMGL: 1,0,,4|!!|00AB|+CMGL: 2,0,,4|OK", "+CMGL: 1,0,,4|00AB", 4},
	}
	for _, tt := range tests {
		var a reply
		at := -1
		for i, l := range strings.Split(tt.lines, "|") {
			if done, err := a.add(tt.q, l); done {
				if at = i; err != nil {
					t.Errorf("%s: %v", tt.lines, err)
				}
				break
			}
		}
		if got := strings.Join(a.lines, "|"); got != tt.want || at != tt.at {
			t.Errorf("%s: got %q at %d, want %q at %d", tt.lines, got, at, tt.want, tt.at)
		}
	}
	if _, err := (&reply{}).add(csq, "+CME ERROR: 30"); err == nil || err.Error() != "AT+CSQ: +CME ERROR 30, no network service" {
		t.Errorf("got %v", err)
	}
}

// No error repeats a command's arguments: one of them is the PIN, others are numbers of people.
func TestVerb(t *testing.T) {
	for cmd, want := range map[string]string{`+CPIN="4711"`: "AT+CPIN", "D+353871234567;": "ATD", "+CREG?": "AT+CREG", "H": "ATH", "+CMGS=23": "AT+CMGS"} {
		if got := verb(cmd); got != want {
			t.Errorf("%s: got %s, want %s", cmd, got, want)
		}
	}
}

// FuzzIncoming: whatever a network delivers, no panic, and what can be read is text fit to show.
func FuzzIncoming(f *testing.F) {
	for _, text := range []string{"ok 3", "да €", strings.Repeat("why ", 50), strings.Repeat("что ", 50)} {
		for _, pdu := range modemtest.DeliverPDUs("+353871234567", text, monday, 7) {
			raw, _ := hex.DecodeString(pdu)
			f.Add(raw)
		}
	}
	report, _ := hex.DecodeString(modemtest.ReportPDU("+353871234567", 7, monday, monday, 0))
	f.Add(report)
	f.Add([]byte{0, 4, 5, 0xD0, 0x61, 0xF1, 0x98, 0, 0, 0x62, 0x30, 0x90, 0x60, 0, 0, 0, 1, 0x37}) // a name as sender
	f.Add([]byte{0, 0x44, 2, 0x81, 0x21, 0, 0, 0x62, 0x30, 0x90, 0x60, 0, 0, 0, 2, 1, 0})
	f.Fuzz(func(t *testing.T, raw []byte) {
		a, err := incoming(hex.EncodeToString(raw), -1)
		if err != nil {
			return
		}
		if a.report != nil {
			var l ledger
			l.report(monday, a.from, *a.report)
			return
		}
		if a.seq < 1 || a.seq > a.total || a.part == nil {
			t.Fatalf("part %d of %d", a.seq, a.total)
		}
		text := wording([]*tpdu.TPDU{a.part, nil, a.part})
		if len(text) > longest || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7F }) {
			t.Errorf("%q is not fit to show", text)
		}
		ParseAnswer(text)
	})
}

// FuzzLines: however a stream is cut, the same lines come out, none longer than the bound.
func FuzzLines(f *testing.F) {
	f.Add([]byte("\r\n+CMGS: 5\r\n\r\nOK\r\n> \r\n\x00\xff"), 1)
	f.Add([]byte("a> b\r\n> > "), 3)
	f.Fuzz(func(t *testing.T, stream []byte, step int) {
		var one, many splitter
		want := fmt.Sprint(one.add(stream))
		var got []line
		if step < 1 {
			step = 1
		}
		for rest := stream; len(rest) > 0; rest = rest[min(step, len(rest)):] {
			got = append(got, many.add(rest[:min(step, len(rest))])...)
		}
		if fmt.Sprint(got) != want && (len(got) > 0 || want != "[]") {
			t.Errorf("in steps of %d: %v, want %v", step, got, want)
		}
		for _, l := range got {
			if len(l.text) > longestLine {
				t.Errorf("a line of %d", len(l.text))
			}
		}
	})
}

// FuzzTexts: what is sent is what was asked for, by the emulator's own decoder, in as many parts as Fit says.
func FuzzTexts(f *testing.F) {
	for _, s := range []string{"ok", "71 °C", strings.Repeat("€a", 60), strings.Repeat("😀", 40), "\xff", "a\x1bb"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		text = sendable(text)
		_, _, parts := Fit(text)
		if parts == 0 || parts > 20 || strings.ContainsRune(text, '\uFFFD') {
			return
		}
		checkParts(t, text, parts)
	})
}
