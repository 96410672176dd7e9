package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/collector/duty"
	"roundsman/exporter/callout/outbox"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// How long it takes until a record that cannot be opened is tried again, at first and at most.
const (
	firstTry = time.Second
	lastTry  = time.Minute
)

// errTakeUp ends a daemon that had no record: another takes its place, and goes on from the record that was opened.
var errTakeUp = errors.New("the record can be opened")

// waitForRecord tries to open the record until it can.
func (d *daemon) waitForRecord(ctx context.Context) error {
	for wait := firstTry; ; wait = min(2*wait, lastTry) {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
		if d.openLate() {
			return errTakeUp
		}
	}
}

// openLate tries to open the record, and to write to it.
func (d *daemon) openLate() bool {
	r, err := record.Open(d.set.record, d.recordOptions(d.held.began))
	if err == nil {
		if st := r.Status(); !st.OK() { // it can be read, and not written
			err = errors.Join(st.Err, r.Close())
		}
	}
	if err != nil {
		if d.held.fails(err) {
			d.log.Error("the record cannot be opened yet", "error", err)
		}
		return false
	}
	d.late = r
	return true
}

// takeUp writes what was held in memory to the record that was opened late, and returns the settings of a daemon that goes on from
// there. Call it when Run has ended.
func (d *daemon) takeUp() (settings, error) {
	r := d.late
	words, err := d.held.into(r, d)
	if err == nil {
		err = r.Reread(context.Background())
	}
	if err != nil {
		return d.set, errors.Join(err, r.Close())
	}
	d.log.Info("the record is taken up", "what", words)
	next := d.set
	next.clock, next.opened = d.clock, r
	return next, nil
}

// rest writes what was held at a planned stop, if the record can be opened now.
func (d *daemon) rest() error {
	if d.late == nil && !d.openLate() {
		return fmt.Errorf("what happened since the start is not kept: %w", d.held.why)
	}
	words, err := d.held.into(d.late, d)
	if err == nil {
		d.log.Info("the record is taken up", "what", words)
	}
	return errors.Join(err, d.late.Close())
}

// into writes all that was held, as one transaction, joined to what was kept before. It returns what it wrote in words.
func (h *standIn) into(r *record.Record, d *daemon) (string, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	kept, err := r.Restore()
	if err != nil {
		d.log.Error("restore", "error", err)
	}
	c, site := &h.change, d.judge.files
	c.Lines = slices.Concat(h.anew(kept.Memory, d.judge.figures.priority), c.Lines)
	h.joinAlarms(kept.Memory)
	h.joinDuty(kept.Duty, site.Equipment)
	if known, err := compute.New(site.Points, site.Compute); err == nil {
		h.joinCounts(kept.Counts, site.Points, known)
	}
	h.keepLeaks(kept.Papers)
	c.Papers, err = outbox.Join(kept.Papers, c.Papers, func(alarm string) bool { return h.moved[alarm] })
	if err != nil {
		d.log.Error("calling people", "error", err) // the rest is joined
	}
	now := h.clock.Now()
	words := h.words()
	c.Lines = append(c.Lines, record.Line{Kind: record.RecordTakenUp, At: now, Length: now.Sub(h.began), Why: words})
	c.At = now
	h.replay(r)
	return words, r.Commit(c)
}

func (h *standIn) words() string {
	return fmt.Sprintf("%v; until now %d lines, %d messages, %d intervals of equipment and %d readings waited in memory, %d older lines are lost",
		h.why, len(h.change.Lines), len(h.change.Sendings), len(h.change.Intervals), h.count, h.lost)
}

// anew tells, of the alarms that moved, how they were kept: they began as if nothing had been.
func (h *standIn) anew(kept rules.Memory, priority func(string) rules.Priority) (lines []record.Line) {
	for _, name := range slices.Sorted(maps.Keys(h.moved)) {
		m, ok := kept.Alarms[name]
		if !ok || m.State == rules.Normal {
			continue
		}
		why := "it was " + m.State.String()
		if m.By != "" {
			why += " by " + m.By
		}
		if m.Until != 0 {
			why += " until " + h.clock.Time(m.Until).Format(time.RFC3339)
		}
		lines = append(lines, record.Line{Kind: record.AlarmAnew, Alarm: name, From: m.State, At: h.began, Value: math.NaN(), Limit: math.NaN(),
			Priority: priority(name), Why: joinWords(why+"; the record could not be read at the start", m.Why)})
	}
	if h.lost > 0 {
		lines = append(lines, record.Line{Kind: record.LinesLost, Count: h.lost, At: h.last.At, Time: h.last.Time, Until: h.clock.Time(h.first.At)})
	}
	return lines
}

// joinAlarms: an alarm that did not move goes on as it was kept; one that moved as it is. A shelf that was kept of it is
// not set up again: it rang meanwhile, and people may be on their way.
func (h *standIn) joinAlarms(kept rules.Memory) {
	c := &h.change
	for name, m := range kept.Alarms {
		switch now, known := c.Alarms[name]; {
		case !h.moved[name] && (!known || m.State != rules.Normal):
			c.KeepAlarm(name, m)
		case known:
			now.Activations += m.Activations
			c.KeepAlarm(name, now)
		}
	}
	for name, m := range kept.Conditions {
		if now, known := c.Conditions[name]; !known || !now.Known {
			c.KeepCondition(name, m)
		}
	}
	c.Whole = true
}

// joinDuty adds to what was kept of equipment what was seen since.
func (h *standIn) joinDuty(kept map[string]duty.Kept, specs []duty.Spec) {
	var joints []record.Finished
	for _, s := range newDuties(specs).specs {
		was, ok := kept[s.Name]
		now, known := h.change.Duty[s.Name]
		if t := h.before[s.Name]; known && t != nil {
			now.Before.Sum(*t)
		}
		if ok && known {
			later := duty.Seen{Kept: now, From: h.seen[s.Name]}
			later.Ended = func(i duty.Interval) { joints = append(joints, record.Finished{Equipment: s.Name, Interval: i}) }
			later.Jumps = func(j duty.Jump) { h.change.Lines = append(h.change.Lines, jumpLine(s.Name, j)) }
			later.Hours, later.Starts = h.register(s.Hours), h.register(s.Starts)
			now = duty.Join(s, was, h.began, later)
		}
		if known {
			h.change.Duty[s.Name] = now
		}
	}
	h.change.Intervals = append(joints, h.change.Intervals...)
}

// register returns the first reading of a register.
func (h *standIn) register(r *duty.Register) *collector.Reading {
	if r == nil {
		return nil
	}
	for _, s := range h.spells {
		if int(r.Point) < len(s.points) {
			if first, ok := h.sights[s.points[r.Point].Name]; ok {
				return &first
			}
		}
	}
	return nil
}

// joinCounts adds to the pulses that were kept those since, and those of the time when the box was off.
func (h *standIn) joinCounts(kept map[string]compute.Count, points []collector.Point, known *compute.Set) {
	known.Restore(h.began, countsOf(points, kept))
	var first []collector.Reading
	at := h.began
	for _, p := range points {
		if r, ok := h.sights[p.Name]; ok {
			r.Point = p.ID
			first, at = append(first, r), max(at, r.At)
		}
	}
	known.Step(at, first, nil)
	for _, was := range known.Counts() {
		name := points[was.Point].Name
		now, ok := h.change.Counts[name]
		if !ok {
			now = compute.Count{Last: was.Last, At: was.At}
		}
		now.Pulses += was.Pulses
		if h.change.Counts == nil {
			h.change.Counts = map[string]compute.Count{}
		}
		h.change.Counts[name] = now
	}
}

// keepLeaks lets a leak test go on from what was kept, with its figures of before, unless one ended meanwhile.
func (h *standIn) keepLeaks(kept map[string]record.Paper) {
	for name := range kept {
		point, ok := strings.CutPrefix(name, leakPaper)
		if ok && !slices.ContainsFunc(h.change.Lines, func(l record.Line) bool { return l.Kind == record.LeakTested && l.Point == point }) {
			delete(h.change.Papers, name)
		}
	}
}

// replay gives the record the readings that are held.
func (h *standIn) replay(r *record.Record) {
	for _, s := range h.spells {
		if err := r.Follow(s.points); err != nil {
			return // told when the next daemon follows them
		}
		for _, round := range s.rounds {
			r.Take(round.at, round.readings)
		}
	}
}
