package main

import (
	"context"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/callout"
	"roundsman/rules"
)

// Moments begin at what the wall clock told at the start and never step; hours and rotas go by the wall clock as it is
// now. On a box that starts with a clock that is behind, and is put right an hour later, the two differ.

// byWall makes the site's hours and turns go by the wall clock. While that is not set, before notBefore, the site is
// within its hours: nothing must be silenced as closed because nobody knows what time it is.
func byWall(site *configs.Site, clock *collector.Clock, notBefore time.Time) {
	for i := range site.Rules.Conditions {
		c := &site.Rules.Conditions[i]
		if c.Hours != nil {
			c.Hours = openUnset{wallHours(c.Hours, clock), clock, notBefore}
		}
	}
	plan := &site.Callout.Plan
	for i := range plan.Rotas {
		plan.Rotas[i].Turn = wallTurn{plan.Rotas[i].Turn, clock}
	}
	for i := range plan.Routes {
		r := &plan.Routes[i]
		r.Open = wallHours(r.Open, clock)
		for p := range r.Quiet {
			r.Quiet[p] = wallHours(r.Quiet[p], clock)
		}
	}
}

// openUnset are hours that a clock that is not set is within. When it is set, rewind has them looked at anew.
type openUnset struct {
	rules.Hours
	clock     *collector.Clock
	notBefore time.Time
}

// At tells it for a moment of the steady scale.
func (h openUnset) At(m collector.Moment) (inside bool, next collector.Moment) {
	if h.clock.Time(m).Before(h.notBefore) {
		return true, collector.Never
	}
	return h.Hours.At(m)
}

func wallHours(h rules.Hours, clock *collector.Clock) rules.Hours {
	if h == nil {
		return nil
	}
	return onWall{h, clock}
}

// onWall are hours by the wall clock.
type onWall struct {
	rules.Hours
	clock *collector.Clock
}

// At tells it for a moment of the steady scale.
func (h onWall) At(m collector.Moment) (inside bool, next collector.Moment) {
	step := stepped(h.clock, m)
	inside, next = h.Hours.At(m.Add(step))
	return inside, next.Add(-step)
}

// wallTurn is a turn by the wall clock.
type wallTurn struct {
	callout.Turn
	clock *collector.Clock
}

// On tells it for a moment of the steady scale.
func (t wallTurn) On(m collector.Moment) (people []string, next collector.Moment) {
	step := stepped(t.clock, m)
	people, next = t.Turn.On(m.Add(step))
	return people, next.Add(-step)
}

// stepped returns by how much the wall clock has stepped since the start.
func stepped(clock *collector.Clock, m collector.Moment) time.Duration {
	return collector.At(clock.Time(m)).Sub(m)
}

// rewind makes everything that goes by hours look at the clock anew: it was announced for moments that have become others.
func (j *judge) rewind(ctx context.Context, now collector.Moment) {
	n := &renewal{site: j.files} // the same files once more
	if err := j.remake(n); err != nil {
		j.log.Error("clock stepped", "error", err)
		return
	}
	j.remade(now, n)
	j.resume(ctx, now)
}
