// Package review tells from the record how a part of the site did over a span of time. It is pure: it takes what the
// journal holds as values and returns figures; it reads no disk and no clock.
//
// So far it reviews the alarm system itself: whether people can still trust what rings.
//
//	var b review.Builder
//	for line := range lines {
//		b.Add(line)
//	}
//	figures, err := review.Alarms(b.Activations(), review.Span{From: monday, To: sunday}, review.Options{})
//	figures.Table(os.Stdout, zone)
//
// The figures are those of ISA-18.2, clause 16, and EEMUA 191, for one operating position: one person who gets every
// alarm. Each stands beside what these recommend and where that is known from. They are meant for at least thirty days.
//
// # What counts
//
// An alarm counts when it starts, in the span that it starts in. A note (rules.Note) is no alarm that rings: notes are
// counted apart and are in none of the figures. Nor is a condition that became true while its alarm was shelved,
// suppressed by design or out of service.
//
// # Time
//
// Hours, ten-minute periods and days are those of UTC, cut at its clock, so that the figures of adjoining spans agree and
// the night on which the clocks change has no hour missing or twice. A day of 23 or 25 hours is given as such a span and
// its means are over its true length. Where a zone is half an hour off, its own hours would be cut differently.
//
// # Boundaries
//
// Sources differ between 'more than 10' and '10 or more' for the start of a flood. Here 10 or more in ten minutes begin
// one and fewer than 5 end it. An alarm counts from its start until ten minutes after it, exclusive. Floods are told in
// two ways: by fixed periods, and sliding, which knows the moment.
package review

import (
	"errors"
	"fmt"
	"time"
)

// Span is a span of time, From <= t < To.
type Span struct{ From, To time.Time }

// Length returns how long the span is.
func (s Span) Length() time.Duration { return s.To.Sub(s.From) }

var (
	errEmptySpan = errors.New("ends before it begins or is empty")
	errNoBound   = errors.New("needs a begin and an end between the years 1700 and 2200")
)

// Check says what is wrong with a span that is empty or not dated.
func (s Span) Check() error {
	if !dated(s.From) || !dated(s.To) {
		return fmt.Errorf("span %s to %s: %w", s.From.Format(time.RFC3339), s.To.Format(time.RFC3339), errNoBound)
	}
	if !s.From.Before(s.To) {
		return fmt.Errorf("span %s to %s: %w", s.From.Format(time.RFC3339), s.To.Format(time.RFC3339), errEmptySpan)
	}
	return nil
}

// dated reports whether the time can be reckoned with in nanoseconds; the zero time cannot.
func dated(t time.Time) bool { return t.Unix() >= firstSecond && t.Unix() < endSecond }

const (
	firstSecond = -8520336000 // 1700-01-01
	endSecond   = 7258118400  // 2200-01-01
)

// floor returns the beginning of the clock period that t is in; before 1970 too.
func floor(t, width int64) int64 {
	rest := t % width
	if rest < 0 {
		rest += width
	}
	return t - rest
}
