package main

import (
	"context"
	"fmt"
	"iter"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
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

// Loadings returns the loadings of a machine whose load is followed; see air.Loader.
func (s plantSource) Loadings(ctx context.Context, name string, from, to time.Time) iter.Seq2[air.Loading, error] {
	return func(yield func(air.Loading, error) bool) {
		for r, err := range s.Runs(ctx, name, from, to) {
			if err == nil && (r.Starts == 0 || r.From.Before(from) || !r.From.Before(to)) {
				continue
			}
			if !yield(air.Loading{At: r.From, N: r.Starts}, err) || err != nil {
				return
			}
		}
	}
}

// airPlan is the site file's, with the machine whose load the review's state is.
func airPlan(site *configs.Site) air.Plan {
	plan := *site.Review.Air
	for i := range site.Equipment {
		e := &site.Equipment[i]
		if l := e.Load; l != nil && l.Run >= 0 && int(l.Run) < len(site.Points) && site.Points[l.Run].Name == plan.Loaded.Point {
			plan.LoadedOf = duty.LoadName(e.Name)
		}
	}
	return plan
}

// errNoPlan says what the site file lacks.
func errNoPlan(part string) error {
	return fmt.Errorf("%w: review.%s is missing in it", exporter.ErrNoPlan, part)
}

func reviewAir(ctx context.Context, r *record.Reader, site *configs.Site, span review.Span, now time.Time) (air.Figures, error) {
	if site.Review.Air == nil {
		return air.Figures{}, errNoPlan("air")
	}
	source, err := sourceOf(ctx, r, site.Review.Air.Points(), span, now)
	if err != nil {
		return air.Figures{}, err
	}
	return air.Review(ctx, plantSource{source}, airPlan(site), span)
}

func reviewWater(ctx context.Context, r *record.Reader, site *configs.Site, span review.Span, now time.Time) (water.Figures, error) {
	if site.Review.Water == nil {
		return water.Figures{}, errNoPlan("water")
	}
	source, err := sourceOf(ctx, r, site.Review.Water.Points(), span, now)
	if err != nil {
		return water.Figures{}, err
	}
	return water.Review(ctx, source, *site.Review.Water, span)
}

// plantAnswers answers with the figures of air and water.
type plantAnswers struct {
	*reviewing
	record *record.Reader
	site   func() *configs.Site // in force
}

func newPlantAnswers(q *reviewing, r *record.Reader, site *configs.Site) *plantAnswers {
	return &plantAnswers{reviewing: q, record: r, site: fixed(site)}
}

// Air returns the figures of the compressed air; see exporter.Plants.
func (p *plantAnswers) Air(ctx context.Context, from, to time.Time) ([]byte, error) {
	return p.answer(ctx, question{what: "air", from: from, to: to, days: reviewedDays, compute: func(span review.Span, now time.Time) (any, error) {
		return reviewAir(ctx, p.record, p.site(), span, now)
	}})
}

// Water returns the figures of the water; see exporter.Plants.
func (p *plantAnswers) Water(ctx context.Context, from, to time.Time) ([]byte, error) {
	return p.answer(ctx, question{what: "water", from: from, to: to, days: reviewedDays, compute: func(span review.Span, now time.Time) (any, error) {
		return reviewWater(ctx, p.record, p.site(), span, now)
	}})
}
