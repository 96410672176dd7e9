package push

import (
	"encoding/json"
	"strings"
	"time"
	"unicode/utf8"

	"roundsman/exporter/callout"
)

// Room is the longest payload, in bytes, of a body of 4,096 (RFC 8291, section 4).
const Room = 3993

// Payload is what the page's worker gets, as JSON.
type Payload struct {
	Key      string    `json:"key"`     // the same at every try
	Subject  string    `json:"subject"` // alarm, return, held back, drill, heartbeat
	Site     string    `json:"site"`
	Alarm    string    `json:"alarm"`
	Thread   string    `json:"thread"`
	Priority string    `json:"priority"`
	Title    string    `json:"title"`
	Body     string    `json:"body"`
	Link     string    `json:"link"`
	Number   int       `json:"number"`
	Created  time.Time `json:"created"`
	Repeat   bool      `json:"repeat"` // an earlier try may have arrived
	Late     bool      `json:"late"`   // older than it should be
}

// encode makes the payload, with so much of the text as there is room for. The
// link and the names are never cut; if they alone are too long, they are left out and the title stays.
func encode(m *callout.Message) []byte {
	p := Payload{
		Key: m.Key, Subject: m.Subject.String(), Site: m.Site, Alarm: m.Alarm, Thread: m.Thread,
		Priority: m.Priority.String(), Title: strings.ToValidUTF8(m.Title, "\uFFFD"), Body: strings.ToValidUTF8(m.Text, "\uFFFD"), Link: m.Link, Number: m.Number,
		Created: m.Created, Repeat: m.Repeat, Late: m.Late,
	}
	if y := p.Created.Year(); y < 0 || y > 9999 { // JSON cannot say it
		p.Created = time.Time{}
	}
	if b, ok := fit(&p, &p.Body); ok {
		return b
	}
	title := p.Title
	if b, ok := fit(&p, &p.Title); ok {
		return b
	}
	p = Payload{Subject: p.Subject, Priority: p.Priority, Number: p.Number, Created: p.Created, Title: title}
	b, _ := fit(&p, &p.Title)
	return b
}

// fit shortens text, which is a field of p, down to nothing until the whole has room, and reports whether it could.
func fit(p *Payload, text *string) ([]byte, bool) {
	whole := *text
	for n := len(whole); ; {
		*text = shorten(whole, n)
		b, err := json.Marshal(p)
		if err != nil {
			return nil, false
		}
		if len(b) <= Room {
			return b, true
		}
		if n == 0 {
			return nil, false
		}
		// A byte of text becomes at most six of JSON (\u0000), so this never cuts too much.
		n = max(0, min(n-1, n-(len(b)-Room)/6))
	}
}

// shorten cuts s to n bytes at a character's edge and marks the cut.
func shorten(s string, n int) string {
	if n >= len(s) {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	if n == 0 {
		return ""
	}
	return s[:n] + "…"
}
