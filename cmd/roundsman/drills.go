package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/exporter/record"
)

// drillRequest asks the judge for test calls.
type drillRequest struct {
	who      string
	contacts []string
	within   time.Duration
	done     chan error // has room for one
}

// Drill calls people for a test; see exporter.Drills.
func (j *judge) Drill(ctx context.Context, who string, contacts []string, within time.Duration) error {
	r := drillRequest{who: who, contacts: contacts, within: within, done: make(chan error, 1)}
	return askJudge(ctx, j.drills, r, r.done)
}

// Drilled tells how test calls are going; see exporter.Drills.
func (j *judge) Drilled() []exporter.DrillStep {
	if steps := j.calls.steps.Load(); steps != nil {
		return *steps
	}
	return nil
}

// drill begins test calls for a person.
func (j *judge) drill(ctx context.Context, r drillRequest) error {
	if len(j.calls.site.Callout.Plan.Contacts) == 0 {
		return fmt.Errorf("nobody in the contacts file has channels: %w", exporter.ErrNoContact)
	}
	for _, id := range r.contacts {
		if !slices.ContainsFunc(j.calls.site.Callout.Plan.Contacts, isContact(id)) {
			return fmt.Errorf("%s: %w", id, exporter.ErrNoContact)
		}
	}
	return j.beginDrill(ctx, r.who, r.contacts, r.within)
}

func (j *judge) beginDrill(ctx context.Context, who string, contacts []string, within time.Duration) error {
	now := j.clock.Now()
	if err := j.calls.box.Drill(now, contacts, within, &j.keep.change); err != nil {
		return err
	}
	j.keep.line(record.Line{Kind: record.Drilled, Who: who, Why: "test calls to " + named(contacts)})
	j.events = j.events[:0]
	j.settle(ctx, now)
	if j.keep.failing {
		return errNotKept
	}
	return nil
}

func isContact(id string) func(callout.Contact) bool {
	return func(c callout.Contact) bool { return c.ID == id }
}

func named(contacts []string) string {
	if len(contacts) == 0 {
		return "everybody"
	}
	text := contacts[0]
	for _, c := range contacts[1:] {
		text += ", " + c
	}
	return text
}

// showDrills publishes how test calls are going.
func (c *calling) showDrills() {
	var out []exporter.DrillStep
	for _, s := range c.box.Drills() {
		out = append(out, shownDrill(s))
	}
	c.steps.Store(&out)
}

func shownDrill(s desk.DrillStep) exporter.DrillStep {
	return exporter.DrillStep{
		Contact: s.Contact, Number: s.Number, Way: s.Way, Taken: s.Taken, Answered: s.Answered,
		Done: s.Answered > 0 || s.Late || s.Silent && s.Taken > 0, Failed: s.Late,
	}
}

// weeklyPaper is the name under which the record keeps which week's drill was done.
const weeklyPaper = "weekly drill"

// weekly remembers which week's drill was done, over restarts too.
type weekly struct{ Week string }

// restore goes on from what was kept. A box that knows of no drill yet does not begin with one in the middle of a week.
func (w *weekly) restore(kept *record.State, site *configs.Site, now time.Time) {
	if p, ok := kept.Papers[weeklyPaper]; ok && json.Unmarshal(p.Doc, w) == nil {
		return
	}
	if w.due(site.Callout.Drill, site.Name, now) {
		w.Week = weekOf(now)
	}
}

// due reports whether the drill of this week is to be done at this moment: its minute has come, and its hours are not over.
func (w *weekly) due(d *configs.Drill, site string, now time.Time) bool {
	if d == nil {
		return false
	}
	week := weekOf(now)
	if w.Week == week {
		return false
	}
	midnight := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, now.Location())
	monday := midnight.AddDate(0, 0, -(int(now.Weekday())+6)%7)
	at := desk.DrillTime(site, monday, d.Days, d.From, d.To)
	if at.IsZero() || now.Before(at) || !slices.Contains(d.Days, now.Weekday()) {
		return false
	}
	clock := time.Duration(now.Hour())*time.Hour + time.Duration(now.Minute())*time.Minute // by the clock on the wall, whatever daylight saving did
	return clock >= d.From && clock < d.To
}

func weekOf(t time.Time) string {
	year, week := t.ISOWeek()
	return fmt.Sprintf("%d-W%02d", year, week)
}

// weeklyDrill does this week's drill when its time has come. While the clock is not set nobody knows.
func (j *judge) weeklyDrill(ctx context.Context, now collector.Moment) {
	c := j.calls
	wall := c.clock.Time(now)
	if wall.Before(c.notBefore) || !c.weekly.due(c.site.Callout.Drill, c.site.Name, wall.In(c.site.Zone)) {
		return
	}
	c.weekly.Week = weekOf(wall.In(c.site.Zone))
	if doc, err := json.Marshal(c.weekly); err == nil {
		j.keep.change.KeepPaper(weeklyPaper, record.Paper{At: now, Doc: doc})
	}
	d := c.site.Callout.Drill
	if err := j.beginDrill(ctx, "weekly drill", c.site.Callout.DrillContacts(now), d.Within); err != nil {
		j.log.Error("weekly drill", "error", err)
	}
}
