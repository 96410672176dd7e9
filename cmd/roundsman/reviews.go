package main

import (
	"bytes"
	"context"
	"fmt"
	"sync"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/rules"
)

const (
	// mostReviewing is how many may wait for a review, the one at work included. A year takes some tenths of a second.
	mostReviewing = 8
	// reviewKept is how long a review is given out again: nobody needs one of thirty days fresher.
	reviewKept = 15 * time.Second
	// mostReviewsKept bounds the memory; each is some ten kilobytes.
	mostReviewsKept = 16
)

// reviews computes figures from the record for those who ask over HTTP: aside of the judge, one at a time.
type reviews struct {
	record *record.Reader
	clock  *collector.Clock
	rules  func() []rules.Rule // as they are now, for lines that do not tell a priority
	turn   chan struct{}       // one token: whoever has it computes
	places chan struct{}       // a token for each who computes or waits

	mu   sync.Mutex // guards kept
	kept map[review.Span]keptReview
}

// keptReview is an answer that was given already.
type keptReview struct {
	body []byte
	at   collector.Moment
}

func newReviews(r *record.Reader, clock *collector.Clock, list func() []rules.Rule) *reviews {
	return &reviews{
		record: r, clock: clock, rules: list, kept: map[review.Span]keptReview{},
		turn: make(chan struct{}, 1), places: make(chan struct{}, mostReviewing),
	}
}

// Alarms returns the figures of a span; see exporter.Reviews.
func (r *reviews) Alarms(ctx context.Context, from, to time.Time) ([]byte, error) {
	asked := review.Span{From: from.UTC(), To: to.UTC()}
	if body := r.again(asked); body != nil {
		return body, nil
	}
	select {
	case r.places <- struct{}{}:
		defer func() { <-r.places }()
	default:
		return nil, exporter.ErrReviewing
	}
	select {
	case r.turn <- struct{}{}:
		defer func() { <-r.turn }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if body := r.again(asked); body != nil { // whoever was before asked the same
		return body, nil
	}
	body, err := r.compute(ctx, asked)
	if err == nil {
		r.keep(asked, body)
	}
	return body, err
}

func (r *reviews) compute(ctx context.Context, asked review.Span) ([]byte, error) {
	span := asked
	if span.To.IsZero() {
		span.To = r.clock.Time(r.clock.Now())
	}
	if span.From.IsZero() {
		span.From = span.To.AddDate(0, 0, -reviewedDays)
	}
	if err := span.Check(); err != nil {
		return nil, fmt.Errorf("%w: %w", exporter.ErrSpan, err)
	}
	f, err := alarmFigures(ctx, r.record, span, priorities(r.rules()))
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = writeJSON(&b, f)
	return b.Bytes(), err
}

// again returns an answer that is fresh enough, nil if there is none.
func (r *reviews) again(asked review.Span) []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	if k, ok := r.kept[asked]; ok && r.clock.Now().Sub(k.at) < reviewKept {
		return k.body
	}
	return nil
}

// keep keeps an answer, and forgets those that are too old.
func (r *reviews) keep(asked review.Span, body []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := r.clock.Now()
	for span, k := range r.kept {
		if now.Sub(k.at) >= reviewKept {
			delete(r.kept, span)
		}
	}
	if len(r.kept) < mostReviewsKept {
		r.kept[asked] = keptReview{body, now}
	}
}
