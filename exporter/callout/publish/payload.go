package publish

import (
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"
	"unicode/utf8"

	"roundsman/exporter/callout"
)

// Payload is what is published, as JSON.
type Payload struct {
	Key      string    `json:"key"`     // the same at every try
	Subject  string    `json:"subject"` // alarm, return, held back, drill, heartbeat
	Site     string    `json:"site"`
	Alarm    string    `json:"alarm,omitempty"`
	Priority string    `json:"priority,omitempty"`
	Person   string    `json:"person,omitempty"`
	Title    string    `json:"title,omitempty"`
	Text     string    `json:"text,omitempty"`
	Link     string    `json:"link,omitempty"`
	Number   int       `json:"number,omitempty"` // to answer with; none: no answer is expected
	Created  time.Time `json:"created"`
	Sent     time.Time `json:"sent"`
	Try      int       `json:"try"`
	Repeat   bool      `json:"repeat"` // an earlier try may have arrived
	Late     bool      `json:"late"`   // older than it should be
}

func encode(m *callout.Message, now time.Time) []byte {
	p := Payload{
		Key: m.Key, Subject: m.Subject.String(), Site: m.Site, Alarm: m.Alarm, Person: m.Person,
		Title: m.Title, Text: m.Text, Link: m.Link, Number: m.Number,
		Created: m.Created, Sent: now.In(m.Created.Location()), Try: m.Try, Repeat: m.Repeat, Late: m.Late,
	}
	if m.Priority != 0 {
		p.Priority = m.Priority.String()
	}
	b, err := json.Marshal(p)
	if err != nil { // only a time beyond the year 9999 can do that
		p.Created, p.Sent = time.Time{}, time.Time{}
		b, _ = json.Marshal(p)
	}
	return b
}

var place = regexp.MustCompile(`\{[^{}]*\}`)

// places are what a topic's pattern can name, each within one level.
func places(m *callout.Message) map[string]string {
	alarm := m.Alarm
	if alarm == "" {
		alarm = m.Subject.String()
	}
	return map[string]string{
		"{site}": m.Site, "{alarm}": alarm, "{person}": m.Person,
		"{subject}": m.Subject.String(), "{priority}": m.Priority.String(),
	}
}

// CheckTopic checks a topic's pattern: the places {site}, {alarm}, {person},
// {subject} and {priority}, and no wildcards.
func CheckTopic(pattern string) error {
	_, err := Topic(pattern, &callout.Message{Site: "s", Alarm: "a", Person: "p"})
	return err
}

// Topic fills a pattern. A slash, wildcard, control character or leading '$' in what is filled in becomes '-', an
// empty text '-', so that no name can leave its level.
func Topic(pattern string, m *callout.Message) (string, error) {
	known := places(m)
	var unknown string
	topic := place.ReplaceAllStringFunc(pattern, func(name string) string {
		value, ok := known[name]
		if !ok {
			unknown = name
		}
		return level(value)
	})
	switch {
	case unknown != "":
		return "", fmt.Errorf("topic %q: unknown place %s", pattern, unknown)
	case strings.ContainsAny(topic, "{}"):
		return "", fmt.Errorf("topic %q: a brace without its partner", pattern)
	}
	if err := valid(topic); err != nil {
		return "", fmt.Errorf("topic %q: %w", pattern, err)
	}
	return topic, nil
}

func level(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r <= 0x9f || strings.ContainsRune("/+#{}", r) || r == utf8.RuneError {
			return '-'
		}
		return r
	}, s)
	if s == "" {
		return "-"
	}
	return s
}

// valid holds a topic name to MQTT 3.1.1, sections 1.5.3, 4.7.1 and 4.7.3.
func valid(topic string) error {
	switch {
	case topic == "":
		return errors.New("is empty")
	case len(topic) > 65535:
		return errors.New("is longer than 65,535 bytes")
	case topic[0] == '$':
		return errors.New("begins with $, which belongs to the broker")
	case !utf8.ValidString(topic) || strings.ContainsRune(topic, 0):
		return errors.New("is not UTF-8 text")
	case strings.ContainsAny(topic, "+#"):
		return errors.New("has a wildcard, which only subscriptions may")
	}
	return nil
}
