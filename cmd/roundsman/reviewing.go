package main

import (
	"bytes"
	"context"
	"fmt"
	"sync"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/review"
)

const (
	// mostReviewing is how many may wait for a review, the one at work included. A year takes some tenths of a second.
	mostReviewing = 32
	// reviewKept is how long a review is given out again: nobody needs one of thirty days fresher.
	reviewKept = 15 * time.Second
	// mostReviewsKept bounds the memory; each is some ten kilobytes.
	mostReviewsKept = 48
)

// reviewing computes reviews from the record for those who ask over HTTP: aside of the judge, one at a time, each kept
// for some seconds. It may be used from any goroutine.
type reviewing struct {
	clock  *collector.Clock
	turn   chan struct{} // one token: whoever has it computes
	places chan struct{} // a token for each who computes or waits

	mu   sync.Mutex // guards kept
	kept map[reviewKey]keptReview
}

// reviewKey is what was asked: 'alarms', 'duty compressor', and the span as it was asked, an end that is not given zero.
type reviewKey struct {
	what string
	span review.Span
}

// keptReview is an answer that was given already.
type keptReview struct {
	body []byte
	at   collector.Moment
}

func newReviewing(clock *collector.Clock) *reviewing {
	return &reviewing{clock: clock, kept: map[reviewKey]keptReview{}, turn: make(chan struct{}, 1), places: make(chan struct{}, mostReviewing)}
}

// question is what was asked: without an end the span ends now, without a begin it begins so many days before its end.
type question struct {
	what     string
	from, to time.Time
	days     int
	compute  func(span review.Span, now time.Time) (any, error)
}

// answer returns the figures as JSON; the error may wrap exporter.ErrSpan or exporter.ErrReviewing.
func (r *reviewing) answer(ctx context.Context, a question) ([]byte, error) {
	key := reviewKey{a.what, review.Span{From: a.from.UTC(), To: a.to.UTC()}}
	if body := r.again(key); body != nil {
		return body, nil
	}
	done, err := r.take(ctx)
	if err != nil {
		return nil, err
	}
	defer done()
	if body := r.again(key); body != nil { // whoever was before asked the same
		return body, nil
	}
	body, err := r.compute(&a, key.span)
	if err == nil {
		r.keep(key, body)
	}
	return body, err
}

// take waits for the turn to compute; done gives it back.
func (r *reviewing) take(ctx context.Context) (done func(), err error) {
	select {
	case r.places <- struct{}{}:
	default:
		return nil, exporter.ErrReviewing
	}
	select {
	case r.turn <- struct{}{}:
		return func() { <-r.turn; <-r.places }, nil
	case <-ctx.Done():
		<-r.places
		return nil, ctx.Err()
	}
}

func (r *reviewing) compute(a *question, span review.Span) ([]byte, error) {
	now := r.clock.Time(r.clock.Now())
	if span.To.IsZero() {
		span.To = now.UTC()
	}
	if span.From.IsZero() {
		span.From = span.To.AddDate(0, 0, -a.days)
	}
	if err := span.Check(); err != nil {
		return nil, fmt.Errorf("%w: %w", exporter.ErrSpan, err)
	}
	f, err := a.compute(span, now)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = writeJSON(&b, f)
	return b.Bytes(), err
}

// again returns an answer that is fresh enough, nil if there is none.
func (r *reviewing) again(key reviewKey) []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	if k, ok := r.kept[key]; ok && r.clock.Now().Sub(k.at) < reviewKept {
		return k.body
	}
	return nil
}

// keep keeps an answer, and forgets those that are too old.
func (r *reviewing) keep(key reviewKey, body []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := r.clock.Now()
	for old, k := range r.kept {
		if now.Sub(k.at) >= reviewKept {
			delete(r.kept, old)
		}
	}
	if len(r.kept) < mostReviewsKept {
		r.kept[key] = keptReview{body, now}
	}
}
