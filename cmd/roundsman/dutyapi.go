package main

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"roundsman/collector"
	collected "roundsman/collector/duty"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/record"
	"roundsman/exporter/review/duty"
)

// mostDuties is how many answers may be computed at once; more wait.
const mostDuties = 2

// dutyAnswers computes what machines did for those who ask over HTTP, aside of the judge. It may be used from any goroutine.
type dutyAnswers struct {
	record *record.Reader
	site   *configs.Site
	clock  *collector.Clock
	view   func() *exporter.View // knows what is due now
	turns  chan struct{}
}

func newDutyAnswers(r *record.Reader, site *configs.Site, clock *collector.Clock, view func() *exporter.View) *dutyAnswers {
	return &dutyAnswers{record: r, site: site, clock: clock, view: view, turns: make(chan struct{}, mostDuties)}
}

// Duty returns the figures of one machine; see exporter.Duties.
func (d *dutyAnswers) Duty(ctx context.Context, equipment string, from, to time.Time) ([]byte, error) {
	names := []string{equipment}
	found := false
	for i := range d.site.Equipment {
		if s := &d.site.Equipment[i]; s.Name == equipment {
			found = true
			if s.Pair != "" {
				names = append(names, s.Pair)
			}
		}
	}
	if !found {
		return nil, fmt.Errorf("%w: %q", exporter.ErrNoEquipment, equipment)
	}
	now := d.clock.Time(d.clock.Now())
	if to.IsZero() {
		to = now
	}
	if from.IsZero() {
		from = to.AddDate(0, 0, -dutyDays)
	}
	span := spanBetween(from, to)
	if err := span.Check(); err != nil {
		return nil, fmt.Errorf("%w: %w", exporter.ErrSpan, err)
	}
	select {
	case d.turns <- struct{}{}:
		defer func() { <-d.turns }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	f, err := duty.Review(ctx, dutySource{d.record, now}, dutyPlan(d.site, names, d.due), span, now)
	if err != nil {
		return nil, err
	}
	for i := range f.Machines {
		if f.Machines[i].Equipment == equipment {
			var b bytes.Buffer
			err := writeJSON(&b, f.Machines[i])
			return b.Bytes(), err
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
