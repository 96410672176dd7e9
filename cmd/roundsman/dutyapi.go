package main

import (
	"context"
	"fmt"
	"iter"
	"time"

	"roundsman/collector"
	collected "roundsman/collector/duty"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/exporter/review/duty"
)

// dutyAnswers answers with what machines did. It may be used from any goroutine.
type dutyAnswers struct {
	*reviewing
	record *record.Reader
	site   func() *configs.Site  // in force
	view   func() *exporter.View // knows what is due now
}

func newDutyAnswers(q *reviewing, r *record.Reader, site *configs.Site, view func() *exporter.View) *dutyAnswers {
	return &dutyAnswers{reviewing: q, record: r, site: fixed(site), view: view}
}

// Duty returns the figures of one machine; see exporter.Duties.
func (d *dutyAnswers) Duty(ctx context.Context, equipment string, from, to time.Time) ([]byte, error) {
	names, err := d.withPair(equipment)
	if err != nil {
		return nil, err
	}
	return d.answer(ctx, question{what: "duty " + equipment, from: from, to: to, days: dutyDays, compute: func(span review.Span, now time.Time) (any, error) {
		f, err := d.review(ctx, names, span, now)
		for i := range f.Machines {
			if f.Machines[i].Equipment == equipment {
				return f.Machines[i], err
			}
		}
		return nil, err
	}})
}

// All returns the figures of all machines; see exporter.Duties.
func (d *dutyAnswers) All(ctx context.Context, from, to time.Time) ([]byte, error) {
	return d.answer(ctx, question{what: "duty", from: from, to: to, days: dutyDays, compute: func(span review.Span, now time.Time) (any, error) {
		return d.review(ctx, nil, span, now)
	}})
}

// Runs returns the intervals of one machine; see exporter.Duties. Whoever reads them has the turn.
func (d *dutyAnswers) Runs(ctx context.Context, equipment string, from, to time.Time) iter.Seq2[exporter.MachineRun, error] {
	return func(yield func(exporter.MachineRun, error) bool) {
		done, err := d.take(ctx)
		if err != nil {
			yield(exporter.MachineRun{}, err)
			return
		}
		defer done()
		for run, err := range (dutySource{Reader: d.record}).Runs(ctx, equipment, from, to) {
			out := exporter.MachineRun{Period: exporter.Period{From: run.From, To: run.To}, Ran: run.Ran, Starts: run.Starts, Hour: run.Hour}
			if !yield(out, err) || err != nil {
				return
			}
		}
	}
}

// mostClosed bounds the pieces of a long span.
const mostClosed = 2000

// Closed returns when the wash is closed; see exporter.Duties.
func (d *dutyAnswers) Closed(from, to time.Time) (list []exporter.Period) {
	open := d.site().Review.Open
	if open == nil {
		return nil
	}
	for at, end := collector.At(from), collector.At(to); at < end && len(list) < mostClosed; {
		inside, next := open.At(at)
		if !inside {
			list = append(list, exporter.Period{From: time.Unix(0, int64(at)), To: time.Unix(0, int64(min(next, end)))})
		}
		at = next
	}
	return list
}

func (d *dutyAnswers) review(ctx context.Context, names []string, span review.Span, now time.Time) (duty.Figures, error) {
	return dutyOf(ctx, d.record, dutyPlan(d.site(), names, d.due), span, now)
}

// withPair returns the machine of that name, and with it its pair, to compare with.
func (d *dutyAnswers) withPair(equipment string) ([]string, error) {
	list := d.site().Equipment
	for i := range list {
		if s := &list[i]; s.Name == equipment {
			if s.Pair != "" {
				return []string{s.Name, s.Pair}, nil
			}
			return []string{s.Name}, nil
		}
	}
	return nil, fmt.Errorf("%w: %q", exporter.ErrNoEquipment, equipment)
}

// due returns the services of a machine as the latest view has them.
func (d *dutyAnswers) due(spec *collected.Spec) []duty.Service {
	var out []duty.Service
	for _, e := range d.view().Equipment {
		if e.Name != spec.Name {
			continue
		}
		for _, s := range e.Services {
			out = append(out, duty.Service{Name: s.Service, Every: seconds(s.EverySeconds), Due: seconds(s.DueSeconds), Last: s.LastTime})
		}
	}
	return out
}
