package main

import (
	"context"
	"log/slog"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/rules"
)

const (
	// batchQueue holds a few rounds of every link; a full queue makes the links wait, nothing is dropped.
	batchQueue = 64
	// publishEvery is the least time between two views: people and scrapes need no more.
	publishEvery = 250 * time.Millisecond
	// publishAtLeast keeps links and run time current when nothing is read.
	publishAtLeast = time.Second
	// takeAtMost batches are judged together when many have come.
	takeAtMost = 256
)

// judge owns what is known of the room: the latest readings, computed points,
// alarm states and run time. One goroutine, driven by batches and deadlines.
type judge struct {
	clock   *collector.Clock
	log     *slog.Logger
	site    *exporter.Site
	links   []collector.Link
	in      chan collector.Batch
	compute *compute.Set
	engine  *rules.Engine
	duty    *duties
	board   *exporter.Board

	latest   []collector.Reading // by point
	readings []collector.Reading // of the present step
	computed []collector.Reading // of the present step, appended to readings
	events   []rules.Event       // of the present step
	deadline collector.Moment
	started  time.Time
	round    uint64
	shown    collector.Moment                     // of the last published view
	fresh    bool                                 // something changed since then
	onEvents func(context.Context, []rules.Event) // called from run; may wait
}

func newJudge(site *configs.Site, links []collector.Link, clock *collector.Clock, log *slog.Logger, demo bool) (*judge, error) {
	set, err := compute.New(site.Points, site.Compute)
	if err != nil {
		return nil, err
	}
	engine, err := rules.New(site.Points, site.Rules)
	if err != nil {
		return nil, err
	}
	j := &judge{
		clock: clock, log: log, links: links, compute: set, engine: engine,
		site:     &exporter.Site{Name: site.Name, Zone: site.Zone, Points: site.Points, Rules: site.Rules.Rules, Demo: demo},
		duty:     newDuties(site.Equipment),
		in:       make(chan collector.Batch, batchQueue),
		latest:   make([]collector.Reading, len(site.Points)),
		deadline: collector.Never,
		started:  time.Now().UTC(),
		onEvents: func(context.Context, []rules.Event) {},
	}
	now := clock.Now()
	for i := range j.latest {
		j.latest[i] = collector.Fail(collector.PointID(i), collector.NotRead, 0, now, "")
	}
	j.board = exporter.NewBoard(clock, j.view(now))
	return j, nil
}

// run judges until ctx ends, then takes what the links still sent and shows it once more.
func (j *judge) run(ctx context.Context) error {
	wake := time.NewTimer(0)
	defer wake.Stop()
	show := time.NewTicker(publishEvery)
	defer show.Stop()
	for {
		select {
		case <-ctx.Done():
			j.take(nil)
			j.step(ctx, j.clock.Now())
			j.publish(j.clock.Now())
			return ctx.Err()
		case b := <-j.in:
			j.take(b.Readings)
			j.step(ctx, j.clock.Now())
		case <-wake.C:
			j.step(ctx, j.clock.Now())
		case <-show.C:
			if now := j.clock.Now(); j.fresh || now.Sub(j.shown) >= publishAtLeast {
				j.publish(now)
			}
		}
		if j.deadline != collector.Never {
			wake.Reset(max(0, j.deadline.Sub(j.clock.Now())))
		}
	}
}

// take gathers a batch and all others that already wait.
func (j *judge) take(first []collector.Reading) {
	j.readings = append(j.readings[:0], first...)
	for range takeAtMost {
		select {
		case b := <-j.in:
			j.readings = append(j.readings, b.Readings...)
		default:
			return
		}
	}
}

// step adds the computed points, judges, and keeps what is newest.
func (j *judge) step(ctx context.Context, now collector.Moment) {
	j.computed = j.compute.Step(now, j.readings, j.computed[:0])
	j.readings = append(j.readings, j.computed...)
	for _, r := range j.readings {
		j.latest[r.Point] = r
	}
	j.fresh = j.fresh || len(j.readings) > 0
	j.duty.observe(now, j.readings)
	j.events, j.deadline = j.engine.Step(now, j.readings, j.events[:0])
	j.readings = j.readings[:0]
	if len(j.events) > 0 {
		j.tell(ctx)
		j.publish(now)
	}
}

// tell logs the changes of alarms and hands them on.
func (j *judge) tell(ctx context.Context) {
	for _, e := range j.events {
		r := &j.site.Rules[e.Rule]
		j.log.Info("alarm", "alarm", r.Name, "event", e.Kind.String(), "state", e.To.String(), "value", e.Value, "limit", e.Limit, "why", e.Why)
	}
	j.onEvents(ctx, j.events)
}

func (j *judge) publish(now collector.Moment) {
	j.round++
	j.board.Publish(j.view(now))
	j.shown, j.fresh = now, false
}

func (j *judge) view(now collector.Moment) *exporter.View {
	v := &exporter.View{
		Site: j.site, At: now, Time: j.clock.Time(now), Started: j.started,
		Readings:  slices.Clone(j.latest),
		Alarms:    j.engine.Status(nil),
		Equipment: j.duty.snapshot(now),
		Round:     j.round,
	}
	for _, l := range j.links {
		v.Links = append(v.Links, l.Status())
	}
	return v
}
