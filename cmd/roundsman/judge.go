package main

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync/atomic"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/exporter/record"
	"roundsman/rules"
)

const (
	// batchQueue holds a few rounds of every link; a full queue makes the links wait, nothing is dropped.
	batchQueue = 64
	// publishEvery is the least time between two views: people and scrapes need no more.
	publishEvery = 250 * time.Millisecond
	// restEvery is the same while nobody looks; events are shown at once.
	restEvery = time.Second
	// watchEvery is how often the box looks at itself; links and run time are shown at least so often.
	watchEvery = time.Second
	// takeAtMost batches are judged together when many have come.
	takeAtMost = 256
)

// judge owns what is known of the room: the latest readings, computed points,
// alarm states and run time. One goroutine, driven by batches, acts, reloads and
// deadlines. What must survive is on the record before anybody is told.
type judge struct {
	clock    *collector.Clock
	log      *slog.Logger
	site     *exporter.Site
	files    *configs.Site // in force
	box      configs.Box
	links    *linkSet
	makeLink linkMaker // of links that a reload needs; nil: there are none, whoever sends to in looks after itself
	in       chan collector.Batch
	acts     chan actRequest
	reloads  chan reloadRequest
	gauges   chan compareRequest
	services chan serviceRequest
	meters   chan meterRequest
	numbers  map[string][]collector.PointID // by link that began under an older site file, of each number it knows: the present one
	compute  *compute.Set
	engine   *rules.Engine
	duty     *duties
	keep     *keeper
	calls    *calling
	drills   chan drillRequest
	self     *selfWatch
	figures  *figures
	board    *exporter.Board

	current  atomic.Pointer[configs.Site] // files, for everybody else
	ever     ever
	latest   []collector.Reading // by point
	readings []collector.Reading // of the present step
	computed []collector.Reading // of the present step, appended to readings
	events   []rules.Event       // of the present step
	deadline collector.Moment
	started  time.Time
	round    uint64
	steps    atomic.Uint64                            // judgements so far: the judge's sign of life
	shown    collector.Moment                         // of the last published view
	fresh    bool                                     // something changed since then
	onEvents func(context.Context, []rules.Event)     // called from run; may wait
	onCall   func(context.Context, *callout.Dispatch) // the same, with what became of a message
}

// newJudge builds the judge and goes on from what the record kept; rec is nil where nothing can be kept.
func newJudge(site *configs.Site, links []collector.Link, clock *collector.Clock, rec *record.Record, set settings) (*judge, error) {
	log := set.log
	byWall(site, clock, set.notBefore)
	known, err := compute.New(site.Points, site.Compute)
	if err != nil {
		return nil, err
	}
	engine, err := rules.New(site.Points, site.Rules)
	if err != nil {
		return nil, err
	}
	j := &judge{
		clock: clock, log: log, links: newLinkSet(links), compute: known, engine: engine, files: site, box: site.Box,
		site:     &exporter.Site{Name: site.Name, Zone: site.Zone, Points: site.Points, Rules: site.Rules.Rules, Demo: set.demo},
		duty:     newDuties(site.Equipment),
		in:       make(chan collector.Batch, batchQueue),
		acts:     make(chan actRequest),
		drills:   make(chan drillRequest),
		reloads:  make(chan reloadRequest),
		gauges:   make(chan compareRequest),
		services: make(chan serviceRequest),
		meters:   make(chan meterRequest),
		latest:   make([]collector.Reading, len(site.Points)),
		deadline: collector.Never,
		started:  time.Now().UTC(),
		onEvents: func(context.Context, []rules.Event) {},
		onCall:   func(context.Context, *callout.Dispatch) {},
		numbers:  map[string][]collector.PointID{},
		ever:     newEver(),
	}
	j.current.Store(site)
	now := clock.Now()
	for i := range j.latest {
		j.latest[i] = collector.Fail(collector.PointID(i), collector.NotRead, 0, now, "")
	}
	j.keep = newKeeper(set.store(rec), clock, log)
	j.self = newSelfWatch(site.Box, clock)
	j.self.notBefore = set.notBefore
	if j.figures, err = newFigures(rec, clock, site.Rules.Rules); err != nil {
		return nil, err
	}
	j.calls = newCalling(callParts{
		clock: clock, log: log, record: set.record, notBefore: set.notBefore, alive: j.alive,
		engine: func() *rules.Engine { return j.engine },
		latest: func(p collector.PointID) collector.Reading { return j.latest[p] },
	})
	kept := j.keep.restore(j, now)
	if err := j.calls.open(now, site, &kept); err != nil {
		log.Error("calling people", "error", err) // what can be done without it is done
	}
	if j.calls.box == nil {
		return nil, errNoDesk
	}
	j.board = exporter.NewBoard(clock, j.view(now))
	return j, nil
}

// run judges until ctx ends, then takes what the links still sent, keeps everything and shows it once more.
func (j *judge) run(ctx context.Context) error {
	wake := time.NewTimer(0)
	defer wake.Stop()
	show := time.NewTicker(publishEvery)
	defer show.Stop()
	look := time.NewTicker(watchEvery)
	defer look.Stop()
	for {
		select {
		case <-ctx.Done():
			return j.stop(ctx)
		case b := <-j.in:
			j.take(b)
			j.step(ctx, j.clock.Now())
		case <-wake.C:
			j.step(ctx, j.clock.Now())
		case a := <-j.acts:
			a.done <- j.act(ctx, a)
		case r := <-j.services:
			r.done <- j.serviced(r)
		case r := <-j.meters:
			r.done <- j.explained(r)
		case r := <-j.gauges:
			r.done <- j.compared(r)
		case r := <-j.reloads:
			r.done <- j.reload(ctx, r)
		case r := <-j.calls.sender.Reports():
			j.calls.box.Report(j.clock.Now(), r, &j.keep.change)
			j.settleCalls(ctx)
			j.onCall(ctx, &r.Dispatch)
		case a := <-j.calls.answers:
			j.settleCalls(ctx, a)
		case d := <-j.drills:
			d.done <- j.drill(ctx, d)
		case <-look.C:
			j.look(ctx)
		case <-show.C:
			if now := j.clock.Now(); j.fresh && (j.board.Asked() || now.Sub(j.shown) >= restEvery) {
				j.publish(now)
			}
		}
		if next := min(j.deadline, j.calls.box.Next()); next != collector.Never {
			wake.Reset(max(0, next.Sub(j.clock.Now())))
		}
	}
}

func (j *judge) stop(ctx context.Context) error {
	for len(j.in) > 0 {
		j.take(collector.Batch{})
		j.step(ctx, j.clock.Now())
	}
	now := j.clock.Now()
	j.events = j.events[:0]
	j.keep.whole(j)
	j.calls.box.Whole(&j.keep.change)
	j.calls.box.Rest(now, &j.keep.change)
	j.keep.round(j, now)
	j.publish(now)
	return ctx.Err()
}

// stuckAfter is how old the newest view may be while the judge is well: it looks at itself each second.
const stuckAfter = 10 * time.Second

// alive tells whoever asks, from any goroutine, that the judge goes on.
func (j *judge) alive() error {
	if age := j.clock.Now().Sub(j.board.Peek().At); age > stuckAfter {
		return fmt.Errorf("nothing was judged for %s", age.Round(time.Second))
	}
	return nil
}

// look lets the box judge itself like any other point.
func (j *judge) look(ctx context.Context) {
	now := j.clock.Now()
	if j.self.clockStep(j.keep, now) {
		j.rewind(ctx, now)
	}
	j.readings = j.self.readings(j.keep.status(), now, j.readings[:0])
	j.readings = j.calls.readings(&j.box, now, j.readings)
	j.calls.trend.note(now, j.latest)
	j.keep.followAgain()
	j.step(ctx, now)
	j.weeklyDrill(ctx, now)
	j.fresh = true
}

// take gathers a batch and all others that already wait.
func (j *judge) take(first collector.Batch) {
	j.readings = j.readings[:0]
	j.gather(first)
	for range takeAtMost {
		select {
		case b := <-j.in:
			j.gather(b)
		default:
			return
		}
	}
}

// gather adds the readings of a batch by the numbers that their points have now.
func (j *judge) gather(b collector.Batch) {
	ids, old := j.numbers[b.Link]
	for _, r := range b.Readings {
		if old {
			r.Point = ids[r.Point]
		}
		j.readings = append(j.readings, r)
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
	j.keep.take(now, j.readings)
	j.readings = j.readings[:0]
	j.settle(ctx, now)
	j.steps.Add(1)
}

// settleCalls takes what came of calling people.
func (j *judge) settleCalls(ctx context.Context, answers ...callout.Answer) {
	j.events = j.events[:0]
	j.settle(ctx, j.clock.Now(), answers...)
	j.deadline = j.engine.Next()
}

// settle lets the desk decide who is called, keeps what the step changed, and then tells it.
func (j *judge) settle(ctx context.Context, now collector.Moment, answers ...callout.Answer) {
	j.events = j.calls.step(now, j.events, answers, &j.keep.change)
	j.keep.round(j, now)
	j.calls.committed()
	j.figures.count(now, j.events, j.site.Rules)
	if len(j.events) == 0 {
		return
	}
	for _, e := range j.events {
		r := &j.site.Rules[e.Rule]
		j.log.Info("alarm", "alarm", r.Name, "event", e.Kind.String(), "state", e.To.String(), "value", e.Value, "limit", e.Limit, "who", e.Who, "why", e.Why)
	}
	j.publish(now)
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
		Equipment: j.duty.snapshot(now, j.clock),
		Calls:     j.calls.figures(),
		Figures:   j.figures.shown(now),
		Round:     j.round,
	}
	for _, l := range j.links.list() {
		v.Links = append(v.Links, l.Status())
	}
	return v
}
