package desk

import (
	"slices"

	"roundsman/collector"
)

// restless is the account of an alarm that begins again and again.
type restless struct {
	Starts []collector.Moment `json:"starts"` // the latest, at most restlessStarts
	Total  int                `json:"total"`
	Since  collector.Moment   `json:"since"`
	On     bool               `json:"on,omitzero"`   // it is told as chattering
	Said   collector.Moment   `json:"said,omitzero"` // when its count was told last
	Told   []string           `json:"told,omitempty"`
}

// countStart counts a start and reports whether the alarm is chattering and was told as such before.
func (d *Desk) countStart(rule int, at collector.Moment) bool {
	r := d.restless[rule]
	if r == nil {
		r = &restless{Since: at}
		d.restless[rule] = r
	}
	if c := d.calls[rule]; c != nil {
		r.Told = union(r.Told, c.All)
	}
	before := r.On
	r.Total++
	r.Starts = append(r.Starts, at)
	if n := len(r.Starts); n > restlessStarts {
		r.Starts = slices.Delete(r.Starts, 0, n-restlessStarts)
	}
	if len(r.Starts) == restlessStarts && at.Sub(r.Starts[0]) <= d.o.Restless {
		r.On = true
	}
	return before && r.On
}

// watchRestless tells counts that are due, and ends what has calmed or stays.
func (d *Desk) watchRestless() {
	for _, rule := range sorted(d.restless) {
		r, c := d.restless[rule], d.calls[rule]
		latest := r.Starts[len(r.Starts)-1]
		calm := latest.Add(d.o.Restless)
		active := c != nil && !c.Over
		if c != nil && r.On {
			r.Told = union(r.Told, c.All)
		}
		switch {
		case r.On && active && d.now >= latest.Add(standing):
			r.On = false // it stays: an alarm like any other
			d.changed = true
		case d.now >= calm && !(r.On && active):
			d.calmed(rule, r, c)
		case r.On:
			d.sayCount(rule, r)
			d.at(min(calm, r.Said.Add(summaryEvery)))
			if active {
				d.at(latest.Add(standing))
			}
		default:
			d.at(calm)
		}
	}
}

// sayCount tells those who were called that the alarm chatters, and each hour how much.
func (d *Desk) sayCount(rule int, r *restless) {
	if len(r.Told) == 0 || r.Said != 0 && d.now < r.Said.Add(summaryEvery) {
		if r.Said == 0 {
			r.Said = d.now
		}
		return
	}
	r.Said = d.now
	d.changed = true
	for _, p := range r.Told {
		d.pend(notice{Person: p, Rule: rule, Kind: aboutChatter, Due: d.now.Add(d.o.Plan.Merge), Count: r.Total, Since: r.Since})
	}
}

// calmed forgets the account; who heard of the chatter hears of its end.
func (d *Desk) calmed(rule int, r *restless, c *call) {
	d.changed = true
	delete(d.restless, rule)
	if !r.On {
		return
	}
	if c == nil {
		c = &call{Rule: rule, Over: true, Returned: d.now}
	}
	delete(d.calls, rule)
	c.Starts, c.Started = r.Total, r.Since
	for _, p := range union(r.Told, c.All) {
		d.pend(notice{Person: p, Rule: rule, Kind: aboutReturn, Due: d.now, Call: c})
	}
}
