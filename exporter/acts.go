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
	Undated  bool      // Time is that of a clock that was not set, and no date
}

// Stretch chooses lines of the journal.
type Stretch struct {
	From, To time.Time // From <= Time < To; zero: no bound
	Newest   bool      // the latest line first
	After    int64     // begins after the line of this number, in the order asked for; 0: at the end that comes first
	Limit    int       // at most so many; 0: all
	Alarm    string    // only lines of that alarm; "": all
	Kind     string    // only lines of that kind; "": all
	Who      string    // only lines whose person's name has it, small and capital letters alike; "": all
}

// Journal is what was kept of alarms, acts and the box itself.
type Journal interface {
	// Lines returns the lines of a stretch, in the order of their numbers. An error ends the sequence. It reads aside
	// of all writing.
	Lines(ctx context.Context, s Stretch) iter.Seq2[Line, error]
}
