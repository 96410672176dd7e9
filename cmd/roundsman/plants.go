package main

import (
	"bytes"
	"context"
	"fmt"
	"iter"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/water"
)

// plantSource gives the reviews of air and water what the record holds.
type plantSource struct{ dutySource }

// LeakTests returns the finished leak tests of a point from the journal; see air.Source.
func (s plantSource) LeakTests(ctx context.Context, point string, from, to time.Time) iter.Seq2[air.Test, error] {
	return func(yield func(air.Test, error) bool) {
		for l, err := range s.Journal(ctx, record.Query{From: from, To: to}) {
			if err != nil {
				yield(air.Test{}, err)
				return
			}
			if l.Kind != record.LeakTested || l.Point != point {
				continue
			}
			t := air.Test{At: l.Time, Seconds: l.Length.Seconds(), Rate: l.Value, Settled: l.Quality == collector.Good, Words: l.Why}
			if !yield(t, nil) {
				return
			}
		}
	}
}

// errNoPlan says what the site file lacks.
func errNoPlan(part string) error {
	return fmt.Errorf("%w: review.%s is missing in it", exporter.ErrNoPlan, part)
}

func reviewAir(ctx context.Context, r *record.Reader, site *configs.Site, span review.Span, now time.Time) (air.Figures, error) {
	if site.Review.Air == nil {
		return air.Figures{}, errNoPlan("air")
	}
	return air.Review(ctx, plantSource{dutySource{r, now}}, *site.Review.Air, span)
}

func reviewWater(ctx context.Context, r *record.Reader, site *configs.Site, span review.Span, now time.Time) (water.Figures, error) {
	if site.Review.Water == nil {
		return water.Figures{}, errNoPlan("water")
	}
	return water.Review(ctx, dutySource{r, now}, *site.Review.Water, span)
}

// plantAnswers computes figures of air and water for those who ask over HTTP: aside of the judge, one at a time.
type plantAnswers struct {
	record *record.Reader
	site   *configs.Site
	clock  *collector.Clock
	turn   chan struct{} // one token: whoever has it computes
	places chan struct{} // a token for each who computes or waits
}

func newPlantAnswers(r *record.Reader, site *configs.Site, clock *collector.Clock) *plantAnswers {
	return &plantAnswers{record: r, site: site, clock: clock, turn: make(chan struct{}, 1), places: make(chan struct{}, mostReviewing)}
}

// Air returns the figures of the compressed air; see exporter.Plants.
func (p *plantAnswers) Air(ctx context.Context, from, to time.Time) ([]byte, error) {
	return p.answer(ctx, from, to, func(span review.Span, now time.Time) (any, error) {
		return reviewAir(ctx, p.record, p.site, span, now)
	})
}

// Water returns the figures of the water; see exporter.Plants.
func (p *plantAnswers) Water(ctx context.Context, from, to time.Time) ([]byte, error) {
	return p.answer(ctx, from, to, func(span review.Span, now time.Time) (any, error) {
		return reviewWater(ctx, p.record, p.site, span, now)
	})
}

func (p *plantAnswers) answer(ctx context.Context, from, to time.Time, compute func(review.Span, time.Time) (any, error)) ([]byte, error) {
	now := p.clock.Time(p.clock.Now())
	if to.IsZero() {
		to = now
	}
	if from.IsZero() {
		from = to.AddDate(0, 0, -reviewedDays)
	}
	span := spanBetween(from, to)
	if err := span.Check(); err != nil {
		return nil, fmt.Errorf("%w: %w", exporter.ErrSpan, err)
	}
	select {
	case p.places <- struct{}{}:
		defer func() { <-p.places }()
	default:
		return nil, exporter.ErrReviewing
	}
	select {
	case p.turn <- struct{}{}:
		defer func() { <-p.turn }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	f, err := compute(span, now)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = writeJSON(&b, f)
	return b.Bytes(), err
}
