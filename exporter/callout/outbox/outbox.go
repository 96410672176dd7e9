// Package outbox joins the desk, which decides who is called, the record, which keeps it, and the sender, which sends:
// a message is on the record, with the journal lines that caused it, before it is sent.
//
// It belongs to the goroutine that judges, which alone writes the record:
//
//	acts := box.Step(now, events, answers, &change) // adds messages, lines and the desk's memory to the change
//	// acts go to the engine, their events into another Step with the same change
//	err := record.Commit(&change)
//	box.Committed()                                 // hands the new messages to the sender; also if err is not nil:
//	                                                // a record that cannot be written must not silence a call
//	case r := <-sender.Reports():
//	    box.Report(now, r, &change)                 // then commit and Committed, which lets the sender go on
package outbox

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/exporter/callout/push"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// The names of the papers on the record.
const (
	deskPaper   = "desk"
	linksPaper  = "links"
	phonesPaper = "phones"
)

// Options are the parts. Desk, Sender and Clock are needed.
type Options struct {
	Clock  *collector.Clock
	Desk   *desk.Desk
	Sender *callout.Sender
	Links  *callout.Links // nil: none
	Phones *push.Phones   // nil: none
}

// Outbox is used by one goroutine.
type Outbox struct {
	o       Options
	next    collector.Moment
	fresh   []callout.Dispatch // of the change under way
	reports []callout.Report   // the same
}

// New returns an outbox without messages.
func New(o Options) *Outbox { return &Outbox{o: o, next: collector.Never} }

// UsedLinks returns the links that were used before the start, for callout.NewLinks.
func UsedLinks(kept *record.State) (map[string]time.Time, error) {
	used := map[string]time.Time{}
	p, ok := kept.Papers[linksPaper]
	if !ok {
		return used, nil
	}
	if err := json.Unmarshal(p.Doc, &used); err != nil {
		return nil, fmt.Errorf("used links: %w", err)
	}
	return used, nil
}

// KeptPhones returns the phones that were known before the start, for push.NewPhones; nil for none.
func KeptPhones(kept *record.State) []byte { return kept.Papers[phonesPaper].Doc }

// Restore goes on from what the record kept: the desk's calls, and the messages that wait, which go to the sender at
// once. Status are the alarms as the engine restored them. Call it before the first Step. An error names what could not be read;
// the rest is restored.
func (b *Outbox) Restore(now collector.Moment, kept *record.State, status []rules.Status) error {
	var errs []error
	var m desk.Memory
	at := now
	if p, ok := kept.Papers[deskPaper]; ok {
		at = p.At
		if err := json.Unmarshal(p.Doc, &m); err != nil {
			errs = append(errs, fmt.Errorf("open calls: %w", err))
			m = desk.Memory{At: at}
		}
	} else {
		m.At = at
	}
	b.o.Desk.Restore(now, at, m, status)
	b.next = now
	for i := range kept.Sendings {
		d, err := Dispatch(&kept.Sendings[i])
		if err != nil {
			errs = append(errs, err)
			continue
		}
		b.o.Sender.Give(d)
	}
	return errors.Join(errs...)
}

// Follow goes on from what another outbox of this run knows, after files were read anew. The sender goes on by itself.
func (b *Outbox) Follow(now collector.Moment, before *Outbox, status []rules.Status) {
	m := before.o.Desk.Save()
	b.o.Desk.Restore(now, m.At, m, status)
	b.next = now
	b.fresh, b.reports = before.fresh, before.reports
}

// Next returns the moment at which Step must be called, even if nothing happens before.
func (b *Outbox) Next() collector.Moment { return b.next }

// Step lets the desk decide and adds what follows to the change. It returns the acts that answers ask for.
func (b *Outbox) Step(now collector.Moment, events []rules.Event, answers []callout.Answer, c *record.Change) []rules.Act {
	return b.add(b.o.Desk.Step(now, events, answers), c)
}

// Drill begins a test call: see desk.Desk.Drill.
func (b *Outbox) Drill(now collector.Moment, contacts []string, within time.Duration, c *record.Change) error {
	out, err := b.o.Desk.Drill(now, contacts, within)
	b.add(out, c)
	return err
}

// Drills returns how the drills that wait for an answer are going.
func (b *Outbox) Drills() []desk.DrillStep { return b.o.Desk.Drills() }

func (b *Outbox) add(out desk.Outcome, c *record.Change) []rules.Act {
	b.next = out.Next
	for _, r := range out.Remarks {
		c.Lines = append(c.Lines, line(r))
	}
	for i := range out.Dispatches {
		c.KeepSending(Sending(&out.Dispatches[i]))
	}
	b.fresh = append(b.fresh, out.Dispatches...)
	b.papers(c)
	return out.Acts
}

// papers adds what the desk and the links know, if it changed.
func (b *Outbox) papers(c *record.Change) {
	if b.o.Desk.Changed() {
		m := b.o.Desk.Save()
		c.KeepPaper(deskPaper, record.Paper{At: m.At, Doc: document(m)})
	}
	if b.o.Links != nil {
		now := b.o.Clock.Now()
		if used, changed := b.o.Links.Used(b.o.Clock.Time(now)); changed {
			c.KeepPaper(linksPaper, record.Paper{At: now, Doc: document(used)})
		}
	}
	if b.o.Phones != nil {
		if doc, changed := b.o.Phones.Save(); changed {
			c.KeepPaper(phonesPaper, record.Paper{At: b.o.Clock.Now(), Doc: doc})
		}
	}
}

// Whole makes the next change keep all that the desk knows, as for a planned stop or after a reload.
func (b *Outbox) Whole(c *record.Change) {
	m := b.o.Desk.Save()
	c.KeepPaper(deskPaper, record.Paper{At: m.At, Doc: document(m)})
}

// Report adds what became of a message to the change. The sender goes on at the next Committed.
func (b *Outbox) Report(now collector.Moment, r callout.Report, c *record.Change) {
	b.told(now, &r.Dispatch, c)
	b.reports = append(b.reports, r)
}

func (b *Outbox) told(now collector.Moment, d *callout.Dispatch, c *record.Change) {
	c.KeepSending(Sending(d))
	b.o.Desk.Took(now, d)
	if d.State == callout.Failed || d.State == callout.GivenUp {
		c.Lines = append(c.Lines, record.Line{Kind: record.Nobody, Who: d.Message.Person, Why: joined(d.Message.Alarm, "message "+d.State.String()+": "+d.Error)})
	}
	b.papers(c)
}

// Committed hands over what the change held, now that it is on the record or cannot be.
func (b *Outbox) Committed() {
	b.o.Sender.Give(b.fresh...)
	clear(b.fresh)
	b.fresh = b.fresh[:0]
	for _, r := range b.reports {
		r.Kept()
	}
	clear(b.reports)
	b.reports = b.reports[:0]
	if b.o.Phones != nil {
		b.o.Phones.Kept()
	}
}

// Rest adds what the sender could not report because it ended: for the last change before the record is closed.
func (b *Outbox) Rest(now collector.Moment, c *record.Change) {
	for _, d := range b.o.Sender.Leftover() {
		b.told(now, &d, c)
	}
}

var kinds = [...]record.Kind{desk.Answered: record.Answered, desk.Unheeded: record.Unheeded, desk.DrillDone: record.Drilled, desk.Nobody: record.Nobody}

func line(r desk.Remark) record.Line {
	return record.Line{Kind: kinds[r.Kind], Who: r.Who, Why: joined(r.Alarm, r.Why)}
}

func joined(alarm, why string) string {
	if alarm == "" {
		return why
	}
	return alarm + ": " + why
}

// Sending returns a dispatch as the record keeps it.
func Sending(d *callout.Dispatch) record.Sending {
	channel := d.Through
	if channel == "" {
		channel = d.Channel()
	}
	return record.Sending{
		Key: d.Message.Key, State: d.State.String(), Done: d.State.Done(), Channel: channel, Contact: d.Contact,
		Alarm: d.Message.Alarm, Subject: d.Message.Subject.String(), Tries: d.Tries, Time: d.Message.Created, Made: d.Made, Doc: document(d),
	}
}

// Dispatch returns what the record kept, with its moments on the clock of the kept row.
func Dispatch(s *record.Sending) (callout.Dispatch, error) {
	var d callout.Dispatch
	if err := json.Unmarshal(s.Doc, &d); err != nil {
		return d, fmt.Errorf("message %s: what was kept of it cannot be read: %w", s.Key, err)
	}
	d.Shift(s.Made.Sub(d.Made))
	return d, nil
}

// document returns v as JSON. The types given to it hold nothing that JSON cannot say, which a test proves; a time beyond the year 9999
// would be the exception, and its document is an empty one.
func document(v any) []byte {
	text, err := json.Marshal(v)
	if err != nil {
		return []byte("{}")
	}
	return text
}
