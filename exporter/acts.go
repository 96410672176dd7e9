package exporter

import (
	"context"
	"iter"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// Acts carries out what people do to alarms.
type Acts interface {
	// Act does act to the alarm of that name and returns when it is done and on the record; act.Rule is not
	// looked at. Errors wrap rules.ErrNoAlarm, rules.ErrIncomplete or rules.ErrNotNow where those are the
	// reason. It is called once a request, from any goroutine, and waits for the judging goroutine.
	Act(ctx context.Context, alarm string, act rules.Act) error
}

// Person is somebody who may act on alarms, as the contacts file has them.
type Person struct {
	ID   string // as they are called on the command line: 'n.quill'
	Name string // as the journal shows them
	// Key, if not "", must come with everything they do; without one they may act over loopback only.
	Key Secret
}

// Secret is a text that is never shown: it prints as dots.
type Secret string

// String hides the secret.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return "•••"
}

// GoString hides the secret.
func (s Secret) GoString() string { return s.String() }

// MarshalText hides the secret.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Line is one line of the journal, ready to be shown.
type Line struct {
	Seq   int64            // rises by one from line to line
	Time  time.Time        // UTC
	At    collector.Moment // on the steady scale of the run it belongs to
	Kind  string           // a rules.EventKind in words, or one of the box's own: 'started', 'outage', ...
	Alarm string           // "" for the box's own lines
	Point string
	// From and To are the states of the alarm before and after, in words.
	From, To string
	Priority string
	Value    float64 // NaN: none
	Limit    float64 // NaN: none
	Unit     string
	Quality  string
	Who, Why string
	Until    time.Time // end of a shelve; zero: none
}

// Journal is what was kept of alarms, acts and the box itself.
type Journal interface {
	// Lines returns the lines with a time in [from, to), oldest first, beginning after the line of number
	// after; at most limit of them. An error ends the sequence. It reads aside of all writing.
	Lines(ctx context.Context, from, to time.Time, after int64, limit int) iter.Seq2[Line, error]
}
