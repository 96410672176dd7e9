package main

import (
	"context"
	"errors"
	"iter"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/exporter/record"
)

// take keeps the readings of a step; they are written with a later round.
func (k *keeper) take(now collector.Moment, readings []collector.Reading) {
	if k.record != nil {
		k.record.Take(now, readings)
	}
}

// keepReadings begins to keep readings, and the record's housework. Without them the room is watched all the same.
func (d *daemon) keepReadings() {
	if d.record == nil {
		return
	}
	if aside := d.record.SetAside(); aside != "" {
		d.log.Error("the record was damaged: a new one is begun", "kept", aside)
	}
	if err := d.record.Follow(d.site.Points); err != nil {
		d.log.Error("readings", "error", err)
	}
	keep := record.Keep{Readings: d.site.Record.Readings, Minutes: d.site.Record.Minutes, Journal: d.site.Record.Journal, Size: d.site.Record.Size, Zone: d.site.Zone}
	up, err := record.NewUpkeep(d.record, keep, d.log)
	if err != nil {
		d.log.Error("upkeep of the record", "error", err)
		return
	}
	d.upkeep = up
	d.add("record", up.Run)
}

// trends shows what was kept of readings as the pages want it.
type trends struct{ *record.Reader }

// Steps returns what was kept of a point; see exporter.Trends.
func (s trends) Steps(ctx context.Context, point string, from, to time.Time, step time.Duration) (string, []exporter.TrendStep, error) {
	t, err := s.Trend(ctx, point)
	if errors.Is(err, record.ErrNoTrend) {
		err = errors.Join(exporter.ErrNoTrend, err)
	}
	if err != nil {
		return "", nil, err
	}
	list, err := stepsOf(ctx, t, from, to, step)
	return t.Unit, list, err
}

// Each returns what was kept of many points; see exporter.Trends.
func (s trends) Each(ctx context.Context, points []string, from, to time.Time, step time.Duration) iter.Seq2[exporter.PointSteps, error] {
	return func(yield func(exporter.PointSteps, error) bool) {
		for t, err := range s.Trends(ctx, points, from, to) {
			var of exporter.PointSteps
			if err == nil {
				of.Point, of.Unit = t.Point, t.Unit
				of.Steps, err = stepsOf(ctx, t, from, to, step)
			}
			if !yield(of, err) || err != nil {
				return
			}
		}
	}
}

func stepsOf(ctx context.Context, t *record.Trend, from, to time.Time, step time.Duration) ([]exporter.TrendStep, error) {
	steps, err := t.Steps(ctx, from, to, step)
	list := make([]exporter.TrendStep, len(steps))
	for i, s := range steps {
		list[i] = exporter.TrendStep(s)
	}
	return list, err
}
