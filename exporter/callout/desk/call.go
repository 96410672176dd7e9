package desk

import (
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/rules"
)

// call is an alarm that somebody is, or was, called about. It lives until its return was told.
type call struct {
	Rule     int              `json:"-"`
	Started  collector.Moment `json:"started"`          // of the activation
	Hold     collector.Moment `json:"hold,omitzero"`    // no call before then: it has to show that it stays
	Began    collector.Moment `json:"began,omitzero"`   // of calling; 0: it waits for the hours
	Rung     int              `json:"rung,omitzero"`    // steps of the route that were reached
	Reached  collector.Moment `json:"reached,omitzero"` // when the latest was, or was repeated
	Round    int              `json:"round,omitzero"`   // repeats of the last step
	Told     []string         `json:"told,omitempty"`   // in this round of calling
	All      []string         `json:"all,omitempty"`    // in all: they hear of the return
	Acked    bool             `json:"acked,omitzero"`
	Once     bool             `json:"once,omitzero"` // acknowledges itself: the first step only
	AckedBy  string           `json:"ackedBy,omitzero"`
	AckedAt  collector.Moment `json:"ackedAt,omitzero"`
	Over     bool             `json:"over,omitzero"`
	Returned collector.Moment `json:"returned,omitzero"`
	Starts   int              `json:"starts"` // of this call
	Value    *float64         `json:"value,omitempty"`
	Limit    *float64         `json:"limit,omitempty"`
	Peak     *float64         `json:"peak,omitempty"`
	Why      string           `json:"why,omitzero"`
	Follows  []int            `json:"-"` // rules that are in alarm because of this one
}

func (d *Desk) event(e *rules.Event) {
	if e.Rule < 0 || e.Rule >= len(d.o.Rules) {
		return
	}
	d.changed = true
	switch e.Kind {
	case rules.EventStarted:
		d.started(e)
	case rules.EventRealarmed:
		d.realarmed(e)
	case rules.EventAcknowledged:
		d.acknowledged(e)
	case rules.EventReturned:
		d.returned(e)
	case rules.EventSuppressed:
		d.suppressed(e)
	case rules.EventUnsuppressed:
		d.unfollow(e.Rule)
		delete(d.under, e.Rule)
	case rules.EventConditionTrue:
		d.follow(e.Rule)
	case rules.EventConditionFalse:
		d.unfollow(e.Rule)
	case rules.EventShelved, rules.EventTakenOut:
		d.drop(e.Rule)
	}
}

// started opens a call, or goes on with the one whose return was not told yet.
func (d *Desk) started(e *rules.Event) {
	if d.route(e.Rule) == nil {
		return
	}
	chatters := d.countStart(e.Rule, e.At)
	c := d.calls[e.Rule]
	switch {
	case c == nil:
		c = &call{Rule: e.Rule}
		d.calls[e.Rule] = c
		c.renew(e)
		if chatters { // it was told, and has to stay before it calls again
			c.Hold = e.At.Add(standing)
		}
	case c.Over && !c.Acked: // the same call goes on
		c.Over = false
		d.resume(c)
	default: // somebody had it, and it came again
		all, starts := c.All, c.Starts
		d.unpend(func(n *notice) bool { return n.Rule == e.Rule })
		c.renew(e)
		c.All, c.Starts = all, starts
		if chatters {
			c.Hold = e.At.Add(standing)
		}
	}
	c.Starts++
	c.Once = e.To == rules.Acknowledged
	c.note(e)
}

// resume calls those of the steps reached whose message had not gone when the alarm was over for a moment.
func (d *Desk) resume(c *call) {
	steps := d.route(c.Rule).Steps
	for _, step := range steps[:min(c.Rung, len(steps))] {
		people, _ := d.resolve(step.Who)
		for _, p := range people {
			if !slices.Contains(c.Told, p) {
				d.pend(notice{Person: p, Rule: c.Rule, Kind: aboutAlarm, Due: d.now.Add(d.wait(c))})
			}
		}
	}
}

// renew begins the call anew, with nobody told.
func (c *call) renew(e *rules.Event) { *c = call{Rule: c.Rule, Started: e.At, Follows: c.Follows} }

func (c *call) note(e *rules.Event) {
	c.Value, c.Limit, c.Why = number64(e.Value), number64(e.Limit), e.Why
}

func number64(v float64) *float64 {
	if v != v {
		return nil
	}
	return &v
}

func (d *Desk) realarmed(e *rules.Event) {
	if d.route(e.Rule) == nil {
		return
	}
	c := d.calls[e.Rule]
	if c == nil {
		c = &call{Rule: e.Rule, Started: e.At, Starts: 1}
		d.calls[e.Rule] = c
	}
	c.Acked, c.Once, c.Over, c.Began, c.Rung, c.Told, c.Round = false, false, false, 0, 0, nil, 0
	c.note(e)
}

func (d *Desk) acknowledged(e *rules.Event) {
	c := d.calls[e.Rule]
	if c == nil {
		return
	}
	c.Acked, c.AckedBy, c.AckedAt = true, e.Who, e.At
	d.unpend(func(n *notice) bool { return n.Rule == e.Rule && n.Kind == aboutAlarm })
}

// returned stops the call. Those who were called hear of it when it has settled.
func (d *Desk) returned(e *rules.Event) {
	c := d.calls[e.Rule]
	if c == nil {
		return
	}
	c.Over, c.Returned, c.Value = true, e.At, number64(e.Value)
	if d.o.Look != nil {
		c.Peak = number64(d.o.Look(e.Rule).Peak)
	}
	d.unpend(func(n *notice) bool { return n.Rule == e.Rule && n.Kind == aboutAlarm })
}

// suppressed ends the call of an alarm that is silenced; a cause takes it over.
func (d *Desk) suppressed(e *rules.Event) {
	d.drop(e.Rule)
	delete(d.under, e.Rule)
	for _, cause := range d.rule(e.Rule).CausedBy {
		if d.rule(cause).Name == e.Why {
			d.under[e.Rule] = cause
			if e.From == rules.Unacknowledged || e.From == rules.Acknowledged {
				d.follow(e.Rule)
			}
			return
		}
	}
}

// drop ends a call without a word: a person or the plant's state silenced it.
func (d *Desk) drop(rule int) {
	d.unfollow(rule)
	delete(d.restless, rule)
	if d.calls[rule] == nil {
		return
	}
	delete(d.calls, rule)
	d.unpend(func(n *notice) bool { return n.Rule == rule })
}

// root returns the call that speaks for a suppressed alarm, nil if there is none.
func (d *Desk) root(rule int) *call {
	for range len(d.o.Rules) { // a bound, should causes ever go in a circle
		cause, ok := d.under[rule]
		if !ok {
			return d.calls[rule]
		}
		rule = cause
	}
	return nil
}

func (d *Desk) follow(rule int) {
	if _, ok := d.under[rule]; !ok {
		return
	}
	if c := d.root(rule); c != nil && !slices.Contains(c.Follows, rule) {
		c.Follows = append(c.Follows, rule)
	}
}

func (d *Desk) unfollow(rule int) {
	for _, c := range d.calls {
		c.Follows = slices.DeleteFunc(c.Follows, func(f int) bool { return f == rule })
	}
}

func (d *Desk) climbAll() {
	for _, rule := range sorted(d.calls) {
		c := d.calls[rule]
		switch {
		case c.Over:
			d.settle(c)
		case !c.Acked:
			d.climb(c)
		}
	}
}

// settle tells the return, or forgets the call if nobody ever heard of it.
func (d *Desk) settle(c *call) {
	if r := d.restless[c.Rule]; r != nil && r.On {
		return // told when it has calmed
	}
	at := c.Returned.Add(d.o.Settle)
	if d.now < at {
		d.at(at)
		return
	}
	d.changed = true
	delete(d.calls, c.Rule)
	if len(c.All) == 0 {
		return
	}
	due := (at + collector.Moment(returnGrid) - 1) / collector.Moment(returnGrid) * collector.Moment(returnGrid)
	people, _ := d.resolve(d.route(c.Rule).Return)
	for _, p := range union(c.All, people) {
		d.pend(notice{Person: p, Rule: c.Rule, Kind: aboutReturn, Due: due, Call: c})
	}
}

// climb goes up the route's steps as far as the time asks for.
func (d *Desk) climb(c *call) {
	route := d.route(c.Rule)
	if wait := max(c.Hold, d.gate(c.Rule)); d.now < wait {
		d.at(wait)
		return
	}
	if c.Began == 0 {
		c.Began, c.Hold = d.now, 0
		d.changed = true
	}
	for c.Rung < len(route.Steps) && !(c.Once && c.Rung > 0) {
		step := &route.Steps[c.Rung]
		if at := c.Began.Add(step.After); d.now < at {
			d.at(at)
			return
		}
		d.reach(c, step, false)
	}
	if route.Again <= 0 || c.Once || len(route.Steps) == 0 {
		return
	}
	if at := c.Reached.Add(route.Again); d.now < at {
		d.at(at)
		return
	}
	c.Round++
	c.Rung = len(route.Steps) - 1
	d.reach(c, &route.Steps[c.Rung], true)
	d.at(c.Reached.Add(route.Again))
}

// reach calls the people of a step who were not called yet, or, again, all of them.
func (d *Desk) reach(c *call, step *callout.Step, again bool) {
	d.changed = true
	c.Rung++
	c.Reached = d.now
	people, asked := d.resolve(step.Who)
	if asked != collector.Never && len(people) == 0 && c.Rung == 1 {
		d.out.Remarks = append(d.out.Remarks, Remark{Kind: Nobody, Alarm: d.rule(c.Rule).Name, Why: "nobody is on duty in its first step"})
	}
	fresh := 0
	for _, p := range people {
		if again || !slices.Contains(c.Told, p) {
			fresh++
			d.pend(notice{Person: p, Rule: c.Rule, Kind: aboutAlarm, Due: d.now.Add(d.wait(c)), Again: again})
		}
	}
	if route := d.route(c.Rule); fresh == 0 && !again && c.Rung < len(route.Steps) {
		// Nobody there: the next step does not wait for its time.
		c.Began = min(c.Began, d.now.Add(-route.Steps[c.Rung].After))
	}
}

// wait returns how long the message may wait for others.
func (d *Desk) wait(c *call) time.Duration {
	if d.loner[c.Rule] && d.rule(c.Rule).Priority == rules.HighPriority && c.Round == 0 {
		return 0
	}
	return d.o.Plan.Merge
}

// resolve returns the ids of those who are meant now, each once, and when that changes.
func (d *Desk) resolve(list []callout.Who) (people []string, next collector.Moment) {
	next = collector.Never
	for _, w := range list {
		switch {
		case w.Person != "":
			people = union(people, []string{w.Person})
		case !d.clockSet():
			people = union(people, d.withoutClock())
		default:
			on, until := d.o.Plan.Rotas[w.Rota].Turn.On(d.now)
			people, next = union(people, d.contactsOf(on)), min(next, until)
		}
	}
	return people, next
}

// withoutClock returns those who are called while nobody can say whose turn it is.
func (d *Desk) withoutClock() (people []string) {
	for _, w := range d.o.Plan.NoClock {
		if w.Person != "" {
			people = append(people, w.Person)
		}
	}
	if len(people) > 0 {
		return people
	}
	for i := range d.o.Plan.Contacts {
		people = append(people, d.o.Plan.Contacts[i].ID)
	}
	return people
}

func (d *Desk) contactsOf(ids []string) []string {
	return slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return d.contacts[id] == nil })
}

// gate returns the moment at which the alarm may call: now, or later. A clock that is not set keeps nothing back.
func (d *Desk) gate(rule int) collector.Moment {
	route, priority := d.route(rule), d.rule(rule).Priority
	if route == nil || !d.clockSet() {
		return d.now
	}
	wait := d.now
	if route.Open != nil {
		if inside, next := route.Open.At(d.now); !inside {
			wait = max(wait, next)
		}
	}
	if priority == rules.HighPriority {
		return wait
	}
	if quiet := route.Quiet[priority]; quiet != nil {
		if inside, next := quiet.At(d.now); inside {
			wait = max(wait, next)
		}
	}
	return wait
}

// union returns a with those of b that are not in it.
func union(a, b []string) []string {
	for _, s := range b {
		if !slices.Contains(a, s) {
			a = append(a[:len(a):len(a)], s)
		}
	}
	return a
}
