package desk

import (
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// Memory is all that a desk knows, as plain data keyed by name, so that another goes on where it stopped: after a
// restart by the time that really passed, or with another plan. Its moments are on one scale with At.
type Memory struct {
	At       collector.Moment       `json:"at"`
	Calls    map[string]*callMemory `json:"calls,omitempty"`
	Under    map[string]string      `json:"under,omitempty"`
	Restless map[string]*restless   `json:"restless,omitempty"`
	Pending  []noticeMemory         `json:"pending,omitempty"`
	Persons  map[string]*person     `json:"persons,omitempty"`
	Numbers  map[int]*number        `json:"numbers,omitempty"`
	Drills   []drill                `json:"drills,omitempty"`
	Seq      uint64                 `json:"seq"`
	Last     int                    `json:"last"`
}

type callMemory struct {
	call
	Follows []string `json:"follows,omitempty"`
}

type noticeMemory struct {
	Person string           `json:"person"`
	Alarm  string           `json:"alarm"`
	Kind   kind             `json:"kind,omitzero"`
	Due    collector.Moment `json:"due"`
	Again  bool             `json:"again,omitzero"`
	Count  int              `json:"count,omitzero"`
	Since  collector.Moment `json:"since,omitzero"`
	Call   *call            `json:"call,omitempty"`
}

// Save returns what the desk knows. It shares nothing that changes with the desk.
func (d *Desk) Save() Memory {
	m := Memory{
		At: d.now, Calls: map[string]*callMemory{}, Under: map[string]string{}, Restless: map[string]*restless{},
		Persons: map[string]*person{}, Numbers: map[int]*number{}, Drills: slices.Clone(d.drills), Seq: d.seq, Last: d.last,
	}
	name := func(rule int) string { return d.rule(rule).Name }
	for rule, c := range d.calls {
		kept := &callMemory{call: *c}
		for _, f := range c.Follows {
			kept.Follows = append(kept.Follows, name(f))
		}
		m.Calls[name(rule)] = kept
	}
	for rule, cause := range d.under {
		m.Under[name(rule)] = name(cause)
	}
	for rule, r := range d.restless {
		kept := *r
		kept.Starts = slices.Clone(r.Starts)
		m.Restless[name(rule)] = &kept
	}
	for i := range d.pending {
		n := &d.pending[i]
		kept := noticeMemory{n.Person, name(n.Rule), n.Kind, n.Due, n.Again, n.Count, n.Since, nil}
		if n.Call != nil {
			c := *n.Call
			kept.Call = &c
		}
		m.Pending = append(m.Pending, kept)
	}
	for id, p := range d.persons {
		m.Persons[id] = &person{slices.Clone(p.Sent), slices.Clone(p.Held), p.More}
	}
	for n, k := range d.numbers {
		kept := *k
		m.Numbers[n] = &kept
	}
	return m
}

// Restore goes on from a memory; call it before the first Step. The moments of the memory are moved so that its At
// becomes at: the moment, on this run's clock, at which it was saved. Status are the alarms as the engine restored
// them: a call whose alarm no longer needs anybody ends, and an alarm that was never called about is called about now.
// Nil leaves the calls as they were. Alarms and people that are gone are left out.
func (d *Desk) Restore(now, at collector.Moment, m Memory, status []rules.Status) {
	d.now = max(d.now, now)
	d.changed = true
	m.shift(at.Sub(m.At))
	d.seq, d.last = m.Seq, m.Last
	for name, kept := range m.Calls {
		if rule := d.ruleOf(name); rule >= 0 && d.route(rule) != nil {
			c := kept.call
			c.Rule = rule
			for _, f := range kept.Follows {
				if i := d.ruleOf(f); i >= 0 {
					c.Follows = append(c.Follows, i)
				}
			}
			d.calls[rule] = &c
		}
	}
	for name, cause := range m.Under {
		if rule, i := d.ruleOf(name), d.ruleOf(cause); rule >= 0 && i >= 0 {
			d.under[rule] = i
		}
	}
	for name, r := range m.Restless {
		if rule := d.ruleOf(name); rule >= 0 && len(r.Starts) > 0 {
			d.restless[rule] = r
		}
	}
	for _, n := range m.Pending {
		rule := d.ruleOf(n.Alarm)
		if rule < 0 || n.Call == nil && n.Kind == aboutReturn || n.Call == nil && n.Kind == aboutAlarm && d.calls[rule] == nil {
			continue
		}
		if n.Call != nil {
			n.Call.Rule = rule
		}
		d.pend(notice{n.Person, rule, n.Kind, n.Due, n.Again, n.Count, n.Since, n.Call})
	}
	d.restorePeople(m)
	d.align(status)
}

func (d *Desk) restorePeople(m Memory) {
	for id, p := range m.Persons {
		if d.contacts[id] != nil {
			d.persons[id] = p
		}
	}
	for n, k := range m.Numbers {
		k.Alarms = slices.DeleteFunc(k.Alarms, func(name string) bool { return d.ruleOf(name) < 0 })
		if len(k.Alarms) > 0 || d.contacts[k.Drill] != nil {
			d.numbers[n] = k
		}
	}
	for _, t := range m.Drills {
		if d.contacts[t.Person] != nil {
			d.drills = append(d.drills, t)
		}
	}
}

// align makes the calls agree with the alarms.
func (d *Desk) align(status []rules.Status) {
	for i := range status {
		s := &status[i]
		if s.Rule < 0 || s.Rule >= len(d.o.Rules) || d.route(s.Rule) == nil {
			continue
		}
		c := d.calls[s.Rule]
		switch s.State {
		case rules.Unacknowledged:
			if c == nil {
				d.calls[s.Rule] = &call{Rule: s.Rule, Started: s.Started, Starts: 1, Value: number64(s.Value), Limit: number64(d.rule(s.Rule).Limit)}
			}
		case rules.Acknowledged:
			if c != nil && !c.Once {
				c.Acked = true
			}
		case rules.Shelved, rules.SuppressedByDesign, rules.OutOfService:
			d.drop(s.Rule)
		default:
			if c != nil && !c.Over {
				c.Over, c.Returned = true, d.now
			}
		}
	}
}

// shift moves every moment by s.
func (m *Memory) shift(s time.Duration) {
	move := func(list ...*collector.Moment) {
		for _, at := range list {
			if *at != 0 && *at != collector.Never {
				*at = at.Add(s)
			}
		}
	}
	moveCall := func(c *call) { move(&c.Started, &c.Hold, &c.Began, &c.Reached, &c.AckedAt, &c.Returned) }
	for _, c := range m.Calls {
		moveCall(&c.call)
	}
	for _, r := range m.Restless {
		move(&r.Since, &r.Said)
		for i := range r.Starts {
			move(&r.Starts[i])
		}
	}
	for i := range m.Pending {
		move(&m.Pending[i].Due, &m.Pending[i].Since)
		if c := m.Pending[i].Call; c != nil {
			moveCall(c)
		}
	}
	for _, p := range m.Persons {
		for i := range p.Sent {
			move(&p.Sent[i])
		}
		for i := range p.Held {
			move(&p.Held[i].At)
		}
	}
	for _, k := range m.Numbers {
		move(&k.Used)
	}
	for i := range m.Drills {
		t := &m.Drills[i]
		move(&t.Sent, &t.Taken, &t.Until, &t.Answer)
	}
	move(&m.At)
}
