package sms

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"
	"unicode"

	library "github.com/warthog618/sms"
	"github.com/warthog618/sms/encoding/tpdu"
)

// ready fills the library's character tables. It does so by itself at the first use, but without a lock, and two
// modems may be first at once.
var ready = sync.OnceFunc(func() {
	tpdu.EncodeUserData([]byte("ok€"), tpdu.WithAllCharsets)
	for nli := range 16 {
		for _, id := range []byte{libraryShift, libraryLocking} {
			udh := tpdu.UserDataHeader{{ID: id, Data: []byte{byte(nli)}}}
			_, _ = tpdu.DecodeUserData([]byte{1, 0x1B, 0x65}, udh, tpdu.Alpha7Bit, tpdu.WithAllCharsets)
		}
	}
})

// Information elements that name a national language (TS 23.040, clauses 9.2.3.24.15 and 9.2.3.24.16), and the numbers
// that the library takes for them: it reads the hexadecimal ones as decimal.
const (
	shift, libraryShift     = 0x24, 24
	locking, libraryLocking = 0x25, 25
)

// languages gives the library the national language elements under the numbers it looks for, and takes away others
// that have these numbers.
func languages(udh tpdu.UserDataHeader) {
	for i, ie := range udh {
		switch ie.ID {
		case libraryShift, libraryLocking:
			udh[i].ID = 0xFF
		case shift:
			udh[i].ID = libraryShift
		case locking:
			udh[i].ID = libraryLocking
		}
	}
}

// submit is one message or part as AT+CMGS takes it.
type submit struct {
	hex    string // service centre (none: the SIM's own) and SMS-SUBMIT
	length int    // octets without those of the service centre (TS 27.005, clause 3.1, <length>)
}

// order is what a message is built from.
type order struct {
	to, text string
	validity time.Duration // 0: none is asked for
	report   bool          // ask for a status report
	ref      byte          // of the parts of one message
}

// fixed gives the library the numbers that we choose.
type fixed int

func (f fixed) Count() int { return int(f) }

// submits encodes the order as SMS-SUBMIT PDUs (TS 23.040, clause 9.2.2.2): the GSM alphabet, or UCS-2 if a
// character is not in it; several with 8-bit reference if one does not hold it. The message reference is 0, the
// modem sets it.
func submits(o order) ([]submit, error) {
	ready()
	if o.text == "" {
		return nil, errors.New("message: no text")
	}
	template := tpdu.TPDU{DA: tpdu.NewAddress(tpdu.FromNumber(o.to))}
	if err := template.SetSmsType(tpdu.SmsSubmit); err != nil {
		return nil, err
	}
	if o.validity > 0 {
		var vp tpdu.ValidityPeriod
		vp.SetRelative(whole(o.validity))
		template.SetVP(vp)
	}
	if o.report {
		template.FirstOctet |= tpdu.FoSRR
	}
	e := library.NewEncoder(library.WithTemplate(template))
	e.MsgCount, e.ConcatRef = fixed(0), fixed(o.ref)
	list, err := e.Encode([]byte(sendable(o.text)))
	if err != nil {
		return nil, fmt.Errorf("message: %w", err)
	}
	out := make([]submit, len(list))
	for i := range list {
		b, err := list[i].MarshalBinary()
		if err != nil {
			return nil, fmt.Errorf("message: %w", err)
		}
		out[i] = submit{"00" + strings.ToUpper(hex.EncodeToString(b)), len(b)}
	}
	return out, nil
}

// whole rounds the validity to what the relative format holds: steps of 5 minutes to 12 h, of half an hour to a day,
// of a day to 30 days, of a week to 63 weeks (TS 23.040, clause 9.2.3.12.1). 10 minutes are the least: the library
// writes them for 5 too.
func whole(d time.Duration) time.Duration {
	const day, week = 24 * time.Hour, 7 * 24 * time.Hour
	step := week
	switch {
	case d <= 12*time.Hour:
		step = 5 * time.Minute
	case d <= day:
		step = 30 * time.Minute
	case d <= 30*day:
		step = day
	}
	return min(max(10*time.Minute, d.Round(step)), 63*week)
}

// arrived is an incoming PDU: a text, or part of one, or a status report.
type arrived struct {
	from          string // '+' and the number if it is an international one
	international bool
	at            time.Time // by the service centre's clock; zero if it cannot be read
	part          *tpdu.TPDU
	ref           int
	seq, total    int // 1, 1 for a message of one part
	report        *report
}

// report is what an SMS-STATUS-REPORT says (TS 23.040, clauses 9.2.2.3 and 9.2.3.15).
type report struct {
	ref    int
	status byte
	done   time.Time
}

// incoming decodes the hexadecimal PDU of a received message; length is what the modem gave (octets without the
// service centre), -1 if it gave none.
func incoming(text string, length int) (arrived, error) {
	ready()
	raw, err := hex.DecodeString(strings.TrimSpace(text))
	if err != nil {
		return arrived{}, errors.New("received PDU: not hexadecimal")
	}
	if len(raw) == 0 || len(raw) <= 1+int(raw[0]) {
		return arrived{}, errors.New("received PDU: cut short")
	}
	body := raw[1+int(raw[0]):]
	if length >= 0 && length != len(body) {
		return arrived{}, fmt.Errorf("received PDU: %d octets, %d were announced", len(body), length)
	}
	stamp := mendStamp(body)
	t, err := library.Unmarshal(body, library.AsMT)
	if err != nil {
		return arrived{}, fmt.Errorf("received PDU: %w", err)
	}
	switch t.SmsType() {
	case tpdu.SmsDeliver:
		return delivered(t, stamp)
	case tpdu.SmsStatusReport:
		a := arrived{from: t.RA.Number(), report: &report{ref: int(t.MR), status: t.ST, done: t.DT.Time}}
		return a, nil
	}
	return arrived{}, errors.New("received PDU: neither a message nor a report")
}

func delivered(t *tpdu.TPDU, stamp bool) (arrived, error) {
	if alphabet, err := t.Alphabet(); err != nil || alphabet == tpdu.Alpha8Bit {
		return arrived{}, errors.New("received PDU: it holds no text")
	}
	a := arrived{from: t.OA.Number(), international: t.OA.TypeOfNumber() == tpdu.TonInternational,
		part: t, seq: 1, total: 1}
	languages(t.UDH)
	if stamp {
		a.at = t.SCTS.Time
	}
	if total, seq, ref, ok := t.ConcatInfo(); ok && total > 1 {
		if seq < 1 || seq > total {
			return arrived{}, fmt.Errorf("received PDU: part %d of %d", seq, total)
		}
		a.total, a.seq, a.ref = total, seq, ref
	}
	return a, nil
}

// mendStamp looks at the time stamp of an SMS-DELIVER and zeroes one that is no time, so that an answer is not lost
// for it. It reports whether the stamp may be used.
func mendStamp(body []byte) bool {
	if body[0]&3 != 0 || len(body) < 2 {
		return false
	}
	start := 1 + 2 + (int(body[1])+1)/2 + 2 // first octet; length, type and digits; PID and DCS
	if len(body) < start+7 {
		return false
	}
	stamp := body[start : start+7]
	for i, limits := range [6][2]byte{{0, 99}, {1, 12}, {1, 31}, {0, 23}, {0, 59}, {0, 59}} {
		tens, ones := stamp[i]&0xF, stamp[i]>>4
		if v := 10*tens + ones; tens > 9 || ones > 9 || v < limits[0] || v > limits[1] {
			copy(stamp, []byte{0, 0x10, 0x10, 0, 0, 0, 0})
			return false
		}
	}
	if stamp[6]>>4 > 9 {
		stamp[6] = 0
	}
	return true
}

// longest is the length at which a received text is cut, in bytes.
const longest = 1000

// wording returns the text of the parts in order; nil ones, which did not come, are shown by '...'.
func wording(parts []*tpdu.TPDU) string {
	var b strings.Builder
	for rest := parts; len(rest) > 0; {
		n := 0
		for n < len(rest) && rest[n] != nil {
			n++
		}
		if n == 0 {
			b.WriteString("...")
			rest = rest[1:]
			continue
		}
		b.WriteString(joined(rest[:n]))
		rest = rest[n:]
	}
	return clean(b.String())
}

func joined(parts []*tpdu.TPDU) string {
	text, err := library.Decode(parts)
	if err == nil {
		return string(text)
	}
	var b strings.Builder // one part that cannot be read does not take the others with it
	for _, p := range parts {
		text, err := library.Decode([]*tpdu.TPDU{p})
		if err != nil {
			text = []byte("?")
		}
		b.Write(text)
	}
	return b.String()
}

// clean makes a received text safe to show: valid, without control characters, of bounded length.
func clean(text string) string {
	text = strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\r' || r == '\t':
			return ' '
		case unicode.IsControl(r):
			return -1
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
	if len(text) > longest {
		text = strings.ToValidUTF8(text[:longest], "")
	}
	return strings.TrimSpace(text)
}
