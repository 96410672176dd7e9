package modemtest

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf16"
)

// This file reads and writes PDUs straight from 3GPP TS 23.038 and TS 23.040, bit by bit and without any library, so
// that it can contradict the code under test.

// table is the default alphabet (TS 23.038, clause 6.2.1), code by code; code 0x1B is the escape.
var table = [128]rune{
	'@', '£', '$', '¥', 'è', 'é', 'ù', 'ì', 'ò', 'Ç', '\n', 'Ø', 'ø', '\r', 'Å', 'å',
	'Δ', '_', 'Φ', 'Γ', 'Λ', 'Ω', 'Π', 'Ψ', 'Σ', 'Θ', 'Ξ', 0x1B, 'Æ', 'æ', 'ß', 'É',
	' ', '!', '"', '#', '¤', '%', '&', '\'', '(', ')', '*', '+', ',', '-', '.', '/',
	'0', '1', '2', '3', '4', '5', '6', '7', '8', '9', ':', ';', '<', '=', '>', '?',
	'¡', 'A', 'B', 'C', 'D', 'E', 'F', 'G', 'H', 'I', 'J', 'K', 'L', 'M', 'N', 'O',
	'P', 'Q', 'R', 'S', 'T', 'U', 'V', 'W', 'X', 'Y', 'Z', 'Ä', 'Ö', 'Ñ', 'Ü', '§',
	'¿', 'a', 'b', 'c', 'd', 'e', 'f', 'g', 'h', 'i', 'j', 'k', 'l', 'm', 'n', 'o',
	'p', 'q', 'r', 's', 't', 'u', 'v', 'w', 'x', 'y', 'z', 'ä', 'ö', 'ñ', 'ü', 'à',
}

// escaped is the extension table (clause 6.2.1.1).
func escaped(code byte) (rune, bool) {
	switch code {
	case 0x0A:
		return '\f', true
	case 0x14:
		return '^', true
	case 0x28:
		return '{', true
	case 0x29:
		return '}', true
	case 0x2F:
		return '\\', true
	case 0x3C:
		return '[', true
	case 0x3D:
		return '~', true
	case 0x3E:
		return ']', true
	case 0x40:
		return '|', true
	case 0x65:
		return '€', true
	}
	return 0, false
}

// Septets returns the codes of the text in the GSM alphabet, false if a character is not in it.
func Septets(text string) ([]byte, bool) {
	var out []byte
	for _, r := range text {
		codes, ok := codesOf(r)
		if !ok {
			return nil, false
		}
		out = append(out, codes...)
	}
	return out, true
}

func codesOf(r rune) ([]byte, bool) {
	for c := range byte(128) {
		if table[c] == r && c != 0x1B {
			return []byte{c}, true
		}
		if e, ok := escaped(c); ok && e == r {
			return []byte{0x1B, c}, true
		}
	}
	return nil, false
}

// Pack packs septets into octets behind skip bits (TS 23.038, clause 6.1.2.1.1): the first septet's lowest bit first.
func Pack(septets []byte, skip int) []byte {
	out := make([]byte, (skip+7*len(septets)+7)/8)
	for i, s := range septets {
		for b := range 7 {
			if s>>b&1 == 1 {
				at := skip + 7*i + b
				out[at/8] |= 1 << (at % 8)
			}
		}
	}
	return out
}

// Unpack returns n septets that begin behind skip bits.
func Unpack(octets []byte, skip, n int) ([]byte, error) {
	if skip+7*n > 8*len(octets) {
		return nil, fmt.Errorf("%d septets do not fit %d octets", n, len(octets))
	}
	out := make([]byte, n)
	for i := range n {
		for b := range 7 {
			at := skip + 7*i + b
			out[i] |= octets[at/8] >> (at % 8) & 1 << b
		}
	}
	return out, nil
}

// Read returns the text of septets.
func Read(septets []byte) (string, error) {
	var b strings.Builder
	for i := 0; i < len(septets); i++ {
		if septets[i] != 0x1B {
			b.WriteRune(table[septets[i]])
			continue
		}
		if i++; i == len(septets) {
			return "", errors.New("an escape without its character")
		}
		r, ok := escaped(septets[i])
		if !ok {
			return "", fmt.Errorf("no character 0x%02X in the extension table", septets[i])
		}
		b.WriteRune(r)
	}
	return b.String(), nil
}

// Text is a message that the modem was given to send: one PDU.
type Text struct {
	To               string
	Text             string
	UCS2             bool
	Ref, Total, Part int           // of several; Total 1 for a message alone
	Validity         time.Duration // 0: none
	Report           bool          // a status report is asked for
	Reference        int           // that the modem gave it
	At               time.Time
	PDU              string
}

// reader takes octets off a PDU.
type reader struct {
	b   []byte
	err error
}

func (r *reader) take(n int) []byte {
	if r.err == nil && n > len(r.b) {
		r.err = fmt.Errorf("cut short: %d octets, %d wanted", len(r.b), n)
	}
	if r.err != nil {
		return make([]byte, n)
	}
	out := r.b[:n]
	r.b = r.b[n:]
	return out
}

func (r *reader) octet() byte { return r.take(1)[0] }

// ParseSubmit decodes a PDU as given after AT+CMGS=length: the service centre, and SMS-SUBMIT (TS 23.040, clause
// 9.2.2.2). It is strict: what the standard does not allow is an error.
func ParseSubmit(text string, length int) (Text, error) {
	raw, err := hex.DecodeString(text)
	if err != nil {
		return Text{}, err
	}
	r := &reader{b: raw}
	r.take(int(r.octet())) // service centre
	if len(r.b) != length {
		return Text{}, fmt.Errorf("%d octets, %d announced", len(r.b), length)
	}
	t := Text{PDU: text, Total: 1, Part: 1}
	first := r.octet()
	if first&3 != 1 {
		return t, fmt.Errorf("first octet %02X is not of SMS-SUBMIT", first)
	}
	t.Report = first&0x20 != 0
	r.octet() // message reference
	t.To = r.address()
	if pid := r.octet(); pid != 0 {
		r.fail("protocol identifier %02X", pid)
	}
	coding := r.octet()
	switch first >> 3 & 3 {
	case 0:
	case 2:
		t.Validity = validity(r.octet())
	default:
		r.fail("validity format %d", first>>3&3)
	}
	r.userData(&t, coding, first&0x40 != 0)
	return t, r.err
}

func (r *reader) fail(format string, args ...any) {
	if r.err == nil {
		r.err = fmt.Errorf(format, args...)
	}
}

// address reads length in digits, type, and digits in swapped half octets (clause 9.1.2.5).
func (r *reader) address() string {
	n := int(r.octet())
	kind := r.octet()
	var b strings.Builder
	if kind == 0x91 {
		b.WriteByte('+')
	} else if kind != 0x81 {
		r.fail("type of address %02X", kind)
	}
	octets := r.take((n + 1) / 2)
	for i := range n {
		d := octets[i/2] >> (4 * (i % 2)) & 0xF
		if d > 9 {
			r.fail("digit %X", d)
		}
		b.WriteByte('0' + d)
	}
	if n%2 == 1 && octets[n/2]>>4 != 0xF {
		r.fail("no filler behind an odd number of digits")
	}
	if n == 0 || n > 20 {
		r.fail("%d digits", n)
	}
	return b.String()
}

// validity reads the relative format (clause 9.2.3.12.1).
func validity(v byte) time.Duration {
	n := time.Duration(v)
	switch {
	case v <= 143:
		return (n + 1) * 5 * time.Minute
	case v <= 167:
		return 12*time.Hour + (n-143)*30*time.Minute
	case v <= 196:
		return (n - 166) * 24 * time.Hour
	}
	return (n - 192) * 7 * 24 * time.Hour
}

// userData reads length, header and text (clauses 9.2.3.16 and 9.2.3.24).
func (r *reader) userData(t *Text, coding byte, header bool) {
	n := int(r.octet())
	octets := n
	switch coding {
	case 0:
		octets = (7*n + 7) / 8
	case 8:
		t.UCS2 = true
	default:
		r.fail("data coding %02X", coding)
	}
	if octets > 140 || octets != len(r.b) {
		r.fail("user data of %d octets, %d are there", octets, len(r.b))
		return
	}
	data := r.b
	used := 0
	if header {
		used = 1 + int(data[0])
		r.header(t, data[1:used])
	}
	if r.err != nil {
		return
	}
	if t.UCS2 {
		t.Text, r.err = wide(data[used:])
		return
	}
	skip := (8*used + 6) / 7 * 7 // the text begins on a septet boundary
	septets, err := Unpack(data, skip, n-skip/7)
	if err == nil {
		t.Text, err = Read(septets)
	}
	r.err = err
}

// header reads the information elements; parts with 8-bit and 16-bit reference are known.
func (r *reader) header(t *Text, ies []byte) {
	for len(ies) >= 2 && len(ies) >= 2+int(ies[1]) {
		id, v := ies[0], ies[2:2+int(ies[1])]
		ies = ies[2+len(v):]
		switch {
		case id == 0 && len(v) == 3:
			t.Ref, t.Total, t.Part = int(v[0]), int(v[1]), int(v[2])
		case id == 8 && len(v) == 4:
			t.Ref, t.Total, t.Part = int(v[0])<<8|int(v[1]), int(v[2]), int(v[3])
		default:
			r.fail("information element %02X of %d octets", id, len(v))
		}
	}
	if len(ies) > 0 || t.Part < 1 || t.Part > t.Total {
		r.fail("header: part %d of %d, %d octets left", t.Part, t.Total, len(ies))
	}
}

func wide(b []byte) (string, error) {
	if len(b)%2 != 0 {
		return "", errors.New("half a UCS-2 character")
	}
	units := make([]uint16, len(b)/2)
	for i := range units {
		units[i] = uint16(b[2*i])<<8 | uint16(b[2*i+1])
	}
	text := string(utf16.Decode(units))
	if strings.ContainsRune(text, '\uFFFD') {
		return "", errors.New("half a surrogate pair")
	}
	return text, nil
}

// centre is the service centre of received PDUs.
const centre = "06915383070000"

// DeliverPDUs returns the text as the SMS-DELIVER PDUs (clause 9.2.2.1) that a phone would send, in parts with the
// given reference if one does not hold it.
func DeliverPDUs(from, text string, at time.Time, ref byte) []string {
	septets, plain := Septets(text)
	if !plain {
		return deliverWide(from, text, at, ref)
	}
	if len(septets) <= 160 {
		return []string{deliver(from, at, 0, nil, len(septets), Pack(septets, 0))}
	}
	var parts [][]byte
	for len(septets) > 0 {
		n := min(153, len(septets))
		if n < len(septets) && septets[n-1] == 0x1B {
			n--
		}
		parts, septets = append(parts, septets[:n]), septets[n:]
	}
	var out []string
	for i, p := range parts {
		udh := []byte{5, 0, 3, ref, byte(len(parts)), byte(i + 1)}
		packed := Pack(p, 49) // 6 octets and one bit of fill
		copy(packed, udh)
		out = append(out, deliver(from, at, 0, udh, 7+len(p), packed))
	}
	return out
}

func deliverWide(from, text string, at time.Time, ref byte) []string {
	units := utf16.Encode([]rune(text))
	room := 70
	if len(units) > room {
		room = 67
	}
	total := (len(units) + room - 1) / room
	var out []string
	for i := range total {
		var data []byte
		var udh []byte
		if total > 1 {
			udh = []byte{5, 0, 3, ref, byte(total), byte(i + 1)}
			data = append(data, udh...)
		}
		for _, u := range units[i*room : min(len(units), (i+1)*room)] {
			data = append(data, byte(u>>8), byte(u))
		}
		out = append(out, deliver(from, at, 8, udh, len(data), data))
	}
	return out
}

func deliver(from string, at time.Time, coding byte, udh []byte, length int, data []byte) string {
	first := byte(0x04) // no more messages wait
	if udh != nil {
		first |= 0x40
	}
	b := append([]byte{first}, addressOctets(from)...)
	b = append(b, 0, coding)
	b = append(b, Stamp(at)...)
	b = append(b, byte(length))
	b = append(b, data...)
	return centre + strings.ToUpper(hex.EncodeToString(b))
}

// ReportPDU returns an SMS-STATUS-REPORT (clause 9.2.2.3) about the message with the reference.
func ReportPDU(to string, ref int, sent, done time.Time, status byte) string {
	b := append([]byte{0x06, byte(ref)}, addressOctets(to)...)
	b = append(b, Stamp(sent)...)
	b = append(b, Stamp(done)...)
	b = append(b, status)
	return centre + strings.ToUpper(hex.EncodeToString(b))
}

func addressOctets(number string) []byte {
	digits, international := strings.CutPrefix(number, "+")
	kind := byte(0x81)
	if international {
		kind = 0x91
	}
	out := []byte{byte(len(digits)), kind}
	for i := 0; i < len(digits); i += 2 {
		high := byte(0xF)
		if i+1 < len(digits) {
			high = digits[i+1] - '0'
		}
		out = append(out, high<<4|(digits[i]-'0'))
	}
	return out
}

// Stamp returns the seven octets of a time stamp (clause 9.2.3.11): swapped digits of year, month, day, hour, minute,
// second, and the zone in quarters of an hour with the sign in bit 3.
func Stamp(t time.Time) []byte {
	_, offset := t.Zone()
	quarters, sign := offset/900, 0
	if quarters < 0 {
		quarters, sign = -quarters, 8
	}
	out := make([]byte, 0, 7)
	for _, v := range []int{t.Year() % 100, int(t.Month()), t.Day(), t.Hour(), t.Minute(), t.Second()} {
		out = append(out, byte(v%10<<4|v/10))
	}
	return append(out, byte(quarters%10<<4|quarters/10|sign))
}

// bodyLength is the length of a PDU that modems give: without the service centre.
func bodyLength(pdu string) int {
	raw, err := hex.DecodeString(pdu)
	if err != nil || len(raw) == 0 {
		return 0
	}
	return len(raw) - 1 - int(raw[0])
}
