package main

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"sync"

	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/exporter/record"
)

// What a daemon holds in memory while its record cannot be opened. Beyond it the oldest goes, and is counted.
const (
	mostHeldRuns     = 1 << 14 // of all equipment
	mostHeldReadings = 60_000  // some MiB
)

// store is what a keeper writes to: the record, or the memory that stands in for one.
type store interface {
	Restore() (record.State, error)
	Services(context.Context) ([]record.Service, error)
	Commit(*record.Change) error
	Beat(collector.Moment) error
	Follow([]collector.Point) error
	Take(collector.Moment, []collector.Reading)
	Status() record.Status
}

// standIn keeps in memory what happens while the record cannot be opened, until it can: see takeUp. It is safe for
// simultaneous use.
type standIn struct {
	clock *collector.Clock
	began collector.Moment

	mu     sync.Mutex
	why    error // why the record cannot be opened
	change record.Change
	lost   uint64      // lines for which there was no room
	first  record.Line // of those
	last   record.Line
	moved  map[string]bool              // alarms that lines tell of
	seen   map[string]collector.Moment  // equipment: when it was looked at first
	before map[string]*duty.Totals      // of intervals for which there was no room
	sights map[string]collector.Reading // the first usable reading of each point

	spells []spell
	count  int // readings in all spells
}

// spell is the readings of a time in which the points were the same.
type spell struct {
	points []collector.Point
	known  []bool // by point: it is among sights
	rounds []heldRound
}

type heldRound struct {
	at       collector.Moment
	readings []collector.Reading
}

func newStandIn(clock *collector.Clock, why error) *standIn {
	return &standIn{clock: clock, began: clock.Now(), why: why, moved: map[string]bool{}, seen: map[string]collector.Moment{},
		before: map[string]*duty.Totals{}, sights: map[string]collector.Reading{}}
}

// Restore returns nothing: what was kept before cannot be read.
func (h *standIn) Restore() (record.State, error) { return record.State{}, nil }

// Services returns nothing, for the same reason.
func (h *standIn) Services(context.Context) ([]record.Service, error) { return nil, nil }

// Beat does nothing: there is nobody to tell.
func (h *standIn) Beat(collector.Moment) error { return nil }

// Commit holds a change.
func (h *standIn) Commit(c *record.Change) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	now := cmp.Or(c.At, h.clock.Now())
	for _, l := range c.Lines {
		l.At = cmp.Or(l.At, now)
		h.line(l)
	}
	if c.Whole {
		clear(h.change.Alarms)
		clear(h.change.Conditions)
	}
	for _, name := range c.Gone {
		delete(h.change.Alarms, name)
	}
	for name, m := range c.Alarms {
		h.change.KeepAlarm(name, m)
	}
	for name, m := range c.Conditions {
		h.change.KeepCondition(name, m)
	}
	for _, f := range c.Intervals {
		h.interval(f)
	}
	h.duty(c)
	if h.change.Counts == nil {
		h.change.Counts = c.Counts
	} else {
		maps.Copy(h.change.Counts, c.Counts)
	}
	h.change.Services = append(h.change.Services, c.Services...)
	h.messages(c)
	return nil
}

func (h *standIn) line(l record.Line) {
	if l.Alarm != "" {
		h.moved[l.Alarm] = true
	}
	if lines := h.change.Lines; len(lines) >= record.DefaultQueue {
		if h.lost == 0 {
			h.first = lines[0]
		}
		h.lost, h.last, h.change.Lines = h.lost+1, lines[0], lines[1:]
	}
	h.change.Lines = append(h.change.Lines, l)
}

func (h *standIn) interval(f record.Finished) {
	if f.Kind != duty.Counted {
		h.look(f.Equipment, f.From.Add(-f.Still))
	}
	if list := h.change.Intervals; len(list) >= mostHeldRuns {
		old := list[0]
		if h.before[old.Equipment] == nil {
			h.before[old.Equipment] = &duty.Totals{}
		}
		h.before[old.Equipment].Add(old.Interval)
		h.change.Intervals = list[1:]
	}
	h.change.Intervals = append(h.change.Intervals, f)
}

// look notes when equipment was looked at first.
func (h *standIn) look(equipment string, at collector.Moment) {
	if _, ok := h.seen[equipment]; !ok {
		h.seen[equipment] = at
	}
}

func (h *standIn) duty(c *record.Change) {
	for name, k := range c.Duty {
		if k.Looked {
			h.look(name, k.Told) // nothing has ended before, or interval noted it
		}
		if h.change.Duty == nil {
			h.change.Duty = map[string]duty.Kept{}
		}
		h.change.Duty[name] = k
	}
}

// messages holds the latest of each message, and of each paper.
func (h *standIn) messages(c *record.Change) {
	for _, s := range c.Sendings {
		at := len(h.change.Sendings)
		for i := range h.change.Sendings {
			if h.change.Sendings[i].Key == s.Key {
				at = i
			}
		}
		if at == len(h.change.Sendings) {
			h.change.Sendings = append(h.change.Sendings, s)
		} else {
			h.change.Sendings[at] = s
		}
	}
	over := len(h.change.Sendings) - record.OutboxKept
	for i := 0; i < len(h.change.Sendings) && over > 0; { // of the done ones the oldest, as on the record
		if h.change.Sendings[i].Done {
			h.change.Sendings = append(h.change.Sendings[:i], h.change.Sendings[i+1:]...)
			over--
		} else {
			i++
		}
	}
	for name, p := range c.Papers {
		h.change.KeepPaper(name, p)
	}
}

// Follow tells of which points readings will come from now on.
func (h *standIn) Follow(points []collector.Point) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.spells = append(h.spells, spell{points: points, known: make([]bool, len(points))})
	return nil
}

// Take holds the readings of a round.
func (h *standIn) Take(now collector.Moment, readings []collector.Reading) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.spells) == 0 || len(readings) == 0 {
		return
	}
	s := &h.spells[len(h.spells)-1]
	for _, r := range readings {
		if p := int(r.Point); p >= 0 && p < len(s.known) && !s.known[p] && r.Quality.Usable() {
			s.known[p] = true
			if _, ok := h.sights[s.points[p].Name]; !ok {
				h.sights[s.points[p].Name] = r
			}
		}
	}
	s.rounds = append(s.rounds, heldRound{now, append([]collector.Reading(nil), readings...)})
	for h.count += len(readings); h.count > mostHeldReadings; {
		h.forget()
	}
}

// forget lets go of the oldest round.
func (h *standIn) forget() {
	for len(h.spells) > 1 && len(h.spells[0].rounds) == 0 {
		h.spells = h.spells[1:]
	}
	s := &h.spells[0]
	h.count -= len(s.rounds[0].readings)
	s.rounds[0] = heldRound{}
	s.rounds = s.rounds[1:]
}

// fails notes why the record cannot be opened, and reports whether that is new.
func (h *standIn) fails(why error) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	news := why.Error() != h.why.Error()
	h.why = why
	return news
}

// Status tells that nothing is on a record, and what waits.
func (h *standIn) Status() record.Status {
	h.mu.Lock()
	defer h.mu.Unlock()
	return record.Status{Err: fmt.Errorf("%w; it is tried again, what happens is kept in memory", h.why), Failing: h.began, Waiting: len(h.change.Lines), Lost: h.lost}
}
