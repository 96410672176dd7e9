package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/collector/sorting"
	"roundsman/exporter"
	"roundsman/exporter/panel/draw"
	"roundsman/exporter/record"
	"roundsman/exporter/rehearsal"
	"roundsman/exporter/review"
	"roundsman/exporter/review/report"
)

// headerStep is how fine the header pressure is drawn.
const headerStep = time.Hour

// report collects the reviews of the span and what the drawings show.
func (g *gathering) report(ctx context.Context) (*report.Report, error) {
	version, _, _ := build()
	page := &report.Report{Site: g.site.Name, Box: "Roundsman " + version, Zone: g.site.Zone, From: g.span.From, To: g.span.To, Made: g.now, Runs: map[string]report.Runs{}}
	err := g.each(ctx,
		func(ctx context.Context) error { return g.blind(ctx, page) },
		func(ctx context.Context) error { return g.duty(ctx, page) },
		func(ctx context.Context) error { return g.plants(ctx, page) },
		func(ctx context.Context) error { return g.alarms(ctx, page) },
		func(ctx context.Context) error { return g.serviced(ctx, page) },
	)
	return page, err
}

func (g *gathering) duty(ctx context.Context, page *report.Report) error {
	if len(g.site.Equipment) == 0 {
		page.Missing = append(page.Missing, "The site file names no equipment: duty is not reviewed.")
		return nil
	}
	f, err := reviewDuty(ctx, g.record, g.site, nil, g.span.From, g.span.To, g.now)
	if err != nil {
		return err
	}
	page.Duty, page.Closed = &f, g.closed()
	source := dutySource{Reader: g.record, now: g.now}
	for i := range f.Machines {
		var runs report.Runs
		name := f.Machines[i].Equipment
		for r, err := range source.Runs(ctx, name, g.span.From, g.span.To) {
			if err != nil {
				return err
			}
			if r.Starts > 0 && !r.From.Before(g.span.From) && r.From.Before(g.span.To) {
				runs.Starts = append(runs.Starts, report.Start{At: r.From, Hour: r.Hour})
			}
			switch span := (draw.Span{From: r.From, To: r.To}); {
			case r.Ran && !r.Alone:
				runs.Ran = append(runs.Ran, span)
			case r.To.After(r.From):
				runs.Unseen = append(runs.Unseen, span)
			}
		}
		page.Runs[name] = runs
	}
	return nil
}

// closed returns when the wash was closed by its opening hours.
func (g *gathering) closed() (list []draw.Span) {
	open := g.site.Review.Open
	if open == nil {
		return nil
	}
	for at, end := collector.At(g.span.From), collector.At(g.span.To); at < end; {
		inside, next := open.At(at)
		if !inside {
			list = append(list, draw.Span{From: time.Unix(0, int64(at)), To: time.Unix(0, int64(min(next, end)))})
		}
		at = next
	}
	return list
}

func (g *gathering) plants(ctx context.Context, page *report.Report) error {
	a, err := reviewAir(ctx, g.record, g.site, g.span, g.now)
	switch {
	case errors.Is(err, exporter.ErrNoPlan):
		page.Missing = append(page.Missing, "Compressed air is not reviewed: review.air is missing in the site file.")
	case err != nil:
		return err
	default:
		page.Air = &a
		if err := g.header(ctx, page); err != nil {
			return err
		}
	}
	w, err := reviewWater(ctx, g.record, g.site, g.span, g.now)
	switch {
	case errors.Is(err, exporter.ErrNoPlan):
		page.Missing = append(page.Missing, "Water is not reviewed: review.water is missing in the site file.")
	case err != nil:
		return err
	default:
		page.Water = &w
	}
	return nil
}

// header takes the course of the header pressure, in bar.
func (g *gathering) header(ctx context.Context, page *report.Report) error {
	signal := g.site.Review.Air.Pressure
	if !signal.Named() || g.span.To.Sub(g.span.From)/headerStep > record.MostSteps {
		return nil
	}
	t, err := g.record.Trend(ctx, signal.Point)
	if errors.Is(err, record.ErrNoTrend) {
		return nil
	}
	if err != nil {
		return err
	}
	steps, err := t.Steps(ctx, g.span.From, g.span.To, headerStep)
	if err != nil {
		return err
	}
	factor := signal.Factor
	if factor == 0 {
		factor = 1
	}
	page.HeaderStep = headerStep
	for _, s := range steps {
		page.Header = append(page.Header, draw.Step{Milli: s.Milli, Min: factor * s.Min, Mean: factor * s.Mean, Max: factor * s.Max})
	}
	return nil
}

func (g *gathering) alarms(ctx context.Context, page *report.Report) error {
	f, err := alarmFigures(ctx, g.record, g.span, g.now, priorities(g.site.Rules.Rules))
	if err != nil {
		return err
	}
	page.Alarms = &f
	page.Worst = rehearsal.WorstOf(&f, nil, "The alarms were not rehearsed: --no-suggestions was given.")
	if g.suggest {
		page.Worst, err = worstAlarms(ctx, g.talk, g.record, g.site, &f, mostRehearsed)
	}
	return err
}

func (g *gathering) serviced(ctx context.Context, page *report.Report) error {
	for l, err := range g.record.Journal(ctx, record.Query{From: g.span.From, To: g.span.To, Kind: record.Serviced}) {
		if err != nil {
			return err
		}
		page.Serviced = append(page.Serviced, report.Service{At: l.Time, What: l.Why, Who: l.Who})
	}
	return nil
}

// blind collects when nothing was watched: before the record begins, over outages and planned stops, and since it ends.
func (g *gathering) blind(ctx context.Context, page *report.Report) (err error) {
	page.Blind, err = blindSpans(ctx, g.record, g.span, g.now)
	if errors.Is(err, errNoJournal) {
		return fmt.Errorf("%w: there is nothing to report", err)
	}
	return err
}

var errNoJournal = errors.New("the record has no journal yet")

// blindSpans returns when nothing was watched, in order of time.
func blindSpans(ctx context.Context, r *record.Reader, span review.Span, now time.Time) (list []report.Blind, err error) {
	add := func(from, to time.Time, b report.Blind) {
		if b.From, b.To = collector.Later(from, span.From), collector.Earlier(to, span.To); b.From.Before(b.To) {
			list = append(list, b)
		}
	}
	first, err := recordBegin(ctx, r)
	if err != nil {
		return nil, err
	}
	if first.IsZero() {
		return nil, errNoJournal
	}
	add(span.From, first, report.Blind{Why: "the record begins here", Before: true})
	for _, k := range []struct {
		kind record.Kind
		why  string
	}{{record.Outage, "outage: the box ended unplanned"}, {record.BoxStarted, "stopped as planned"}} {
		for l, err := range r.Journal(ctx, record.Query{From: span.From, Kind: k.kind}) {
			if err != nil {
				return nil, err
			}
			if l.Length > 0 && !l.Undated {
				add(l.Time.Add(-l.Length), l.Time, report.Blind{Why: k.why})
			}
		}
	}
	state, err := r.State(ctx)
	if err != nil {
		return nil, fmt.Errorf("what the record ends with: %w", err)
	}
	if end := collector.Earlier(span.To, now); state.Alive.Before(end.Add(-notYet)) {
		add(state.Alive, end, report.Blind{Why: "the record ends here: the box is off", Since: true})
	}
	sorting.Func(list, func(a, b report.Blind) int { return a.From.Compare(b.From) })
	return list, nil
}

// recordBegin returns when the record begins.
func recordBegin(ctx context.Context, r *record.Reader) (time.Time, error) {
	for l, err := range r.Journal(ctx, record.Query{}) {
		if err != nil || !l.Undated {
			return l.Time, err
		}
	}
	return time.Time{}, nil
}
