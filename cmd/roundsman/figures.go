package main

import (
	"context"
	"sync/atomic"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// figuresEvery is how often the long figures are computed anew: they are over thirty days.
const figuresEvery = 10 * time.Minute

// figures keeps the health of the alarm system: what happens now, counted as it happens, and the figures of the last
// thirty days, computed from the journal aside of all else.
type figures struct {
	record  *record.Record // nil: only what happens now
	clock   *collector.Clock
	counter *review.Counter // belongs to the judge
	changes []review.FloodChange
	rules   atomic.Pointer[[]rules.Rule]
	long    atomic.Pointer[[]exporter.Figure]
}

func newFigures(rec *record.Record, clock *collector.Clock, list []rules.Rule) (*figures, error) {
	c, err := review.NewCounter(review.Options{})
	if err != nil {
		return nil, err
	}
	f := &figures{record: rec, clock: clock, counter: c}
	f.rules.Store(&list)
	return f, nil
}

// priority returns the priority of an alarm as the rules have it now. It may be called from any goroutine.
func (f *figures) priority(alarm string) rules.Priority {
	for _, r := range *f.rules.Load() {
		if r.Name == alarm {
			return r.Priority
		}
	}
	return rules.NoPriority
}

// count takes the alarms that started at now; the judge calls it.
func (f *figures) count(now collector.Moment, events []rules.Event, list []rules.Rule) {
	starts := 0
	for i := range events {
		if events[i].Kind == rules.EventStarted && list[events[i].Rule].Priority > rules.Note {
			starts++
		}
	}
	f.changes, _ = f.counter.Step(now, starts, f.changes[:0])
}

// shown returns all figures for a view; the judge calls it.
func (f *figures) shown(now collector.Moment) []exporter.Figure {
	r := f.counter.Recent(now)
	flood := 0.0
	if r.Flood {
		flood = 1
	}
	out := []exporter.Figure{
		{Name: "roundsman_recent_alarms_ten_minutes", Help: "Alarms that started in the last ten minutes, notes left out.", Value: float64(r.TenMinutes)},
		{Name: "roundsman_recent_alarms_hour", Help: "Alarms that started in the last hour, notes left out.", Value: float64(r.Hour)},
		{Name: "roundsman_alarm_flood", Help: "1 during a flood: it begins at 10 alarms in ten minutes and ends below 5.", Value: flood},
	}
	if long := f.long.Load(); long != nil {
		out = append(out, *long...)
	}
	return out
}

// run computes the long figures now and then until ctx ends.
func (f *figures) run(ctx context.Context) error {
	t := time.NewTicker(figuresEvery)
	defer t.Stop()
	for {
		if f.record != nil {
			f.compute(ctx)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.C:
		}
	}
}

// compute reads the last thirty days. What cannot be read leaves the figures before as they were.
func (f *figures) compute(ctx context.Context) {
	now := f.clock.Time(f.clock.Now())
	span := review.Span{From: now.AddDate(0, 0, -reviewedDays), To: now}
	got, err := alarmFigures(ctx, f.record.Reader, span, now, priorities(*f.rules.Load()))
	if err != nil {
		return
	}
	var out []exporter.Figure
	for _, s := range got.Samples() {
		out = append(out, exporter.Figure{Name: s.Name, Unit: s.Unit, Help: s.Help, Value: s.Value})
	}
	f.long.Store(&out)
}
