package desk

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/sorting"
	"roundsman/exporter/callout"
	"roundsman/rules"
)

// kind says what a notice is about.
type kind uint8

const (
	aboutAlarm kind = iota
	aboutChatter
	aboutReturn
)

// notice is something to be told to one person, waiting for others to join it.
type notice struct {
	Person string
	Rule   int
	Kind   kind
	Due    collector.Moment
	Again  bool             // it was told before
	Count  int              // of starts, of a chatter
	Since  collector.Moment // of the chatter
	Call   *call            // of a return, which has no open call any more
}

// person is what is known of somebody who can be called.
type person struct {
	Sent []collector.Moment `json:"sent,omitempty"` // messages of the last hour
	Held []held             `json:"held,omitempty"`
	More int                `json:"more,omitzero"` // held back beyond the list
}

// held is a message that the limit held back.
type held struct {
	Alarms []string         `json:"alarms"`
	At     collector.Moment `json:"at"`
	Return bool             `json:"return,omitzero"`
}

// mostHeld bounds the list; what is beyond is counted.
const mostHeld = 50

func (d *Desk) person(id string) *person {
	p := d.persons[id]
	if p == nil {
		p = &person{}
		d.persons[id] = p
	}
	return p
}

// pend adds a notice; a newer one of the same kind takes the place of the one before.
func (d *Desk) pend(n notice) {
	if d.contacts[n.Person] == nil {
		return
	}
	d.changed = true
	for i := range d.pending {
		if p := &d.pending[i]; p.Person == n.Person && p.Rule == n.Rule && p.Kind == n.Kind {
			n.Due, n.Again = min(n.Due, p.Due), n.Again && p.Again
			*p = n
			return
		}
	}
	d.pending = append(d.pending, n)
}

func (d *Desk) unpend(which func(*notice) bool) {
	d.pending = slices.DeleteFunc(d.pending, func(n notice) bool { return which(&n) })
}

// flush writes the messages that are due, person by person.
func (d *Desk) flush() {
	people := map[string]bool{}
	for i := range d.pending {
		people[d.pending[i].Person] = true
	}
	for _, id := range sorted(people) {
		if d.anyDue(id, false) {
			d.send(id, d.take(id, func(n *notice) bool { return n.Kind != aboutReturn }))
		}
		if d.anyDue(id, true) {
			d.send(id, d.take(id, func(n *notice) bool { return n.Kind == aboutReturn && d.now >= d.due(n) }))
		}
	}
	for i := range d.pending {
		d.at(d.due(&d.pending[i]))
	}
	for _, id := range sorted(d.persons) {
		d.release(id)
	}
}

// due returns when a notice may go: returns and counts wait for the hours too.
func (d *Desk) due(n *notice) collector.Moment {
	if n.Kind == aboutAlarm || d.now < n.Due {
		return n.Due
	}
	return max(n.Due, d.gate(n.Rule))
}

func (d *Desk) anyDue(id string, returns bool) bool {
	return slices.ContainsFunc(d.pending, func(n notice) bool {
		return n.Person == id && (n.Kind == aboutReturn) == returns && d.now >= d.due(&n)
	})
}

// take removes the person's notices of a kind and returns them, worst and oldest first.
func (d *Desk) take(id string, which func(*notice) bool) []notice {
	var list []notice
	d.unpend(func(n *notice) bool {
		mine := n.Person == id && which(n)
		if mine {
			list = append(list, *n)
		}
		return mine
	})
	sorting.StableFunc(list, func(a, b notice) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(d.rule(b.Rule).Priority, d.rule(a.Rule).Priority), cmp.Compare(d.begin(&a), d.begin(&b)), cmp.Compare(a.Rule, b.Rule))
	})
	return list
}

func (d *Desk) begin(n *notice) collector.Moment {
	if c := d.callOf(n); c != nil {
		return c.Started
	}
	return d.now
}

func (d *Desk) callOf(n *notice) *call {
	if n.Call != nil {
		return n.Call
	}
	return d.calls[n.Rule]
}

// send makes one message of the notices, or holds it back.
func (d *Desk) send(id string, list []notice) {
	if len(list) == 0 {
		return
	}
	d.changed = true
	p := d.person(id)
	alarms := d.names(list)
	m := d.message(id, list, alarms)
	if d.full(p) && !d.urgent(id, list) {
		d.hold(p, held{Alarms: alarms, At: d.now, Return: list[0].Kind == aboutReturn})
		d.dispatch(id, m, callout.HeldBack)
		return
	}
	for i := range list {
		d.mark(id, &list[i])
	}
	p.Sent = append(p.Sent, d.now)
	d.dispatch(id, m, callout.Waiting)
	if m.Subject == callout.AboutAlarm && m.Priority == rules.HighPriority {
		d.wake(id, m)
	}
}

// wake rings the person besides. A ring is no message: it does not count against the limit, and says nothing by itself.
func (d *Desk) wake(id string, m callout.Message) {
	c := d.contacts[id]
	if len(c.Wake) == 0 {
		return
	}
	m.Title = "ring: " + m.Title
	d.dispatch(id, m, callout.Waiting)
	d.out.Dispatches[len(d.out.Dispatches)-1].Addresses = c.Wake
}

// mark notes that the person was told.
func (d *Desk) mark(id string, n *notice) {
	if c := d.calls[n.Rule]; c != nil && n.Kind == aboutAlarm {
		c.Told, c.All = union(c.Told, []string{id}), union(c.All, []string{id})
	}
}

func (d *Desk) names(list []notice) (names []string) {
	for i := range list {
		names = union(names, []string{d.rule(list[i].Rule).Name})
	}
	return names
}

// urgent reports whether the person hears of a high priority alarm for the first time by this.
func (d *Desk) urgent(id string, list []notice) bool {
	return slices.ContainsFunc(list, func(n notice) bool {
		c := d.calls[n.Rule]
		return n.Kind == aboutAlarm && c != nil && d.rule(n.Rule).Priority == rules.HighPriority && !slices.Contains(c.Told, id)
	})
}

// full reports whether the person had as many messages in the last hour as there may be.
func (d *Desk) full(p *person) bool {
	p.Sent = slices.DeleteFunc(p.Sent, func(at collector.Moment) bool { return d.now.Sub(at) >= time.Hour })
	return d.o.Plan.PerHour > 0 && len(p.Sent) >= d.o.Plan.PerHour
}

func (d *Desk) hold(p *person, h held) {
	if len(p.Held) >= mostHeld {
		p.More++
		return
	}
	p.Held = append(p.Held, h)
}

// release sums up what was held back as soon as there is room.
func (d *Desk) release(id string) {
	p := d.persons[id]
	if len(p.Held) == 0 {
		if d.full(p); len(p.Sent) == 0 {
			delete(d.persons, id)
		}
		return
	}
	at := d.now
	if d.full(p) {
		at = p.Sent[len(p.Sent)-d.o.Plan.PerHour].Add(time.Hour)
	}
	if at == d.now {
		at = d.gateOf(p)
	}
	if d.now < at {
		d.at(at)
		return
	}
	d.changed = true
	m := d.summary(id, p)
	p.Held, p.More = nil, 0
	p.Sent = append(p.Sent, d.now)
	d.dispatch(id, m, callout.Waiting)
}

// gateOf returns when the most pressing of what was held back may be told.
func (d *Desk) gateOf(p *person) collector.Moment {
	first := collector.Never
	for _, h := range p.Held {
		for _, name := range h.Alarms {
			if rule := d.ruleOf(name); rule >= 0 {
				first = min(first, d.gate(rule))
			}
		}
	}
	if first == collector.Never {
		return d.now
	}
	return first
}

// ruleOf returns the rule of a name, -1 if there is none.
func (d *Desk) ruleOf(name string) int {
	return slices.IndexFunc(d.o.Rules, func(r rules.Rule) bool { return r.Name == name })
}

// dispatch adds a message for a person to the outcome.
func (d *Desk) dispatch(id string, m callout.Message, state callout.State) {
	contact := d.contacts[id]
	d.seq++
	created := d.o.Time(d.now)
	m.Key = fmt.Sprintf("%s-%d", created.UTC().Format("20060102T150405Z"), d.seq)
	m.Site, m.Person, m.Created = d.o.Plan.Site, cmp.Or(contact.Name, contact.ID), created.In(d.o.Zone)
	d.out.Dispatches = append(d.out.Dispatches, callout.Dispatch{
		Message: m, Contact: id, Addresses: contact.Addresses, Patience: contact.Patience, State: state, Made: d.now,
	})
	if state == callout.HeldBack {
		d.out.Dispatches[len(d.out.Dispatches)-1].Ended = created
	}
}
