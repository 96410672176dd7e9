package main

import (
	"context"
	"log/slog"
	"math"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// countersEvery is how often run time and totals are kept when nothing else is. A kill costs no more of them
// than that, and the time is shown as unseen.
const countersEvery = 30 * time.Second

// keeper writes what the judge's steps change to the record. Without a record it keeps nothing.
type keeper struct {
	record   store // nil: none
	clock    *collector.Clock
	log      *slog.Logger
	change   record.Change
	counters collector.Moment // when run time and totals were kept last
	failing  bool             // as it was logged last

	unfollowed []collector.Point // of a new site, which the record could not look up yet; nil: it did
}

func newKeeper(rec store, clock *collector.Clock, log *slog.Logger) *keeper {
	return &keeper{record: rec, clock: clock, log: log, counters: clock.Now()}
}

// restore lets the judge go on from what was kept, and returns it.
func (k *keeper) restore(j *judge, now collector.Moment) (kept record.State) {
	if k.record == nil {
		return kept
	}
	kept, err := k.record.Restore()
	if err != nil {
		k.log.Error("restore", "error", err)
	}
	k.forget(j, j.engine.Restore(now, kept.Memory), kept.Memory)
	j.engine.Track()
	j.ever.note(kept.Duty, kept.Counts, j.keptLeaks(kept.Papers))
	j.duty.restore(j.ever.duty, now)
	done, err := k.record.Services(context.Background())
	if err != nil {
		k.log.Error("restore", "error", err)
	}
	for _, s := range done {
		j.duty.services.take(s)
	}
	j.compute.Restore(now, countsOf(j.site.Points, j.ever.counts))
	j.compute.RestoreLeaks(leaksOf(j.site.Points, j.ever.leaks))
	return kept
}

// forget journals the end of alarms that have no rule any more, in the state in which they were.
func (k *keeper) forget(j *judge, gone []string, was rules.Memory) {
	for _, name := range gone {
		k.change.Lines = append(k.change.Lines, record.Line{
			Kind: record.AlarmRemoved, Alarm: name, From: was.Alarms[name].State, Value: math.NaN(), Limit: math.NaN(),
			Priority: j.figures.priority(name), Why: "its rule is gone",
		})
	}
	k.change.Gone = append(k.change.Gone, gone...)
}

// round keeps what one step changed: lines, memories that moved, and from time to time the counters.
func (k *keeper) round(j *judge, now collector.Moment) {
	if k.record == nil {
		k.change.Clear()
		return
	}
	k.lines(j)
	j.engine.Changed(k.change.KeepAlarm, k.change.KeepCondition)
	due := now.Sub(k.counters) >= countersEvery || len(j.events) > 0
	if due {
		k.counters = now
		k.change.Counts = j.counts()
	}
	j.duty.keep(&k.change, due)
	j.keepLeaks(&k.change, now)
	k.write(now)
}

// whole makes the next round keep everything the engine knows: for a planned stop and after a reload.
func (k *keeper) whole(j *judge) {
	if k.record != nil {
		k.change.Whole = true
		k.change.KeepAll(j.engine.Save())
		k.counters -= collector.Moment(countersEvery)
	}
}

// rest keeps all that is known by the names it has now, before some of them change.
func (k *keeper) rest(j *judge, now collector.Moment) {
	j.events = j.events[:0]
	k.whole(j)
	k.round(j, now)
}

// follow tells the record of which points readings will come from now on.
func (k *keeper) follow(points []collector.Point) {
	k.unfollowed = points
	k.followAgain()
}

// followAgain tries again to tell the record of points that it could not look up.
func (k *keeper) followAgain() {
	if k.record == nil || k.unfollowed == nil {
		return
	}
	if err := k.record.Follow(k.unfollowed); err == nil {
		k.unfollowed = nil
	} else if !k.failing {
		k.log.Error("readings", "error", err)
	}
}

func (k *keeper) write(now collector.Moment) {
	var err error
	if k.change.Empty() {
		err = k.record.Beat(now)
	} else {
		k.change.At = now
		err = k.record.Commit(&k.change)
		k.change.Clear()
	}
	if failing := err != nil; failing != k.failing {
		k.failing = failing
		if failing {
			k.log.Error("record", "error", err)
		} else {
			k.log.Info("record is written again")
		}
	}
}

func (k *keeper) lines(j *judge) {
	for i := range j.events {
		e := &j.events[i]
		l := record.Event(k.clock, j.site.Points, j.site.Rules, e)
		if l.Why == "" && e.Kind == rules.EventStarted {
			l.Why = j.latest[j.site.Rules[e.Rule].Point].Detail // what the reading itself says is wrong
		}
		k.change.Lines = append(k.change.Lines, l)
	}
}

// line adds a line about the box; it is written with the next round.
func (k *keeper) line(l record.Line) {
	if k.record != nil {
		k.change.Lines = append(k.change.Lines, l)
	}
}

func (k *keeper) status() record.Status {
	if k.record == nil {
		return record.Status{Err: errNoRecord}
	}
	return k.record.Status()
}
