package main

import (
	"context"
	"time"

	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// reviews answers with the figures of the alarm system.
type reviews struct {
	*reviewing
	record *record.Reader
	rules  func() []rules.Rule // as they are now, for lines that do not tell a priority
}

func newReviews(q *reviewing, r *record.Reader, list func() []rules.Rule) *reviews {
	return &reviews{reviewing: q, record: r, rules: list}
}

// Alarms returns the figures of a span; see exporter.Reviews.
func (r *reviews) Alarms(ctx context.Context, from, to time.Time) ([]byte, error) {
	return r.answer(ctx, question{what: "alarms", from: from, to: to, days: reviewedDays, compute: func(span review.Span, now time.Time) (any, error) {
		return alarmFigures(ctx, r.record, span, now, priorities(r.rules()))
	}})
}
