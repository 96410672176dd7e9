package modbus

import (
	"errors"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/wire"
)

// mostLost bounds the connections of one round that are lost before anyone has
// answered over them. Time-outs do not count: they take their time.
const mostLost = 16

// errLost is why a request is left out of a round that has lost so many connections.
var errLost = errors.New("not asked: too many connections of this round brought no answer")

// exchange makes one exchange over the line, which it opens if needed. A line
// that is lost on the request is that request's affair: the next one opens it anew.
func (r *round) exchange(q request) ([]byte, error) {
	if err := r.connect(); err != nil {
		return nil, err
	}
	q.unit.asked++
	r.meter.Beat(collector.Owner) // a round of many time-outs is long, and not stuck
	r.asked++
	start := time.Now()
	data, err := r.reader.read(q.unit.id, q.table, q.start, q.count)
	took := time.Since(start)
	r.busy += took
	if err != nil && (r.ctx.Err() != nil || wire.ReasonOf(err) == wire.Waiting) { // an answer that came as we stop is one
		return nil, err
	}
	r.meter.Count(outcomeOf(err), took)
	var x Exception
	if err == nil || errors.As(err, &x) {
		r.answered++
		r.redial, r.untried = backoff{}, false
		return data, err
	}
	reason := wire.ReasonOf(err)
	if reason == wire.Closed {
		r.hungUp = err
	}
	if r.untried && reason != wire.TimedOut && !r.reader.Connected() {
		r.lost++
	}
	return nil, err
}

// cut notes that the line cannot be had for now.
func (r *round) cut(err error) {
	r.redial.fail(time.Now())
	r.lastDown, r.down = err, err
}

// connect opens the line unless it is open or a wait for it still runs.
func (r *round) connect() error {
	if r.reader.Connected() {
		return nil
	}
	now := time.Now()
	switch {
	case r.lastDown != nil && now.Before(r.redial.until):
		r.down = r.lastDown
		return r.lastDown
	case r.lost >= mostLost:
		return errLost
	}
	err := r.reader.Connect(r.ctx)
	r.busy += time.Since(now)
	if err != nil {
		r.meter.Count(collector.Disconnect, time.Since(now))
		r.cut(err)
		return err
	}
	if r.lastDown != nil && r.gone {
		for _, u := range r.units {
			u.fresh(now)
		}
	}
	r.lastDown, r.untried = nil, true
	r.reprobe(now)
	return nil
}

// judgeLoss takes the line for down when it was lost and no unit answered: a
// server that hangs up on everybody is no better than one that is not there.
func (r *round) judgeLoss() {
	if r.hungUp != nil && r.answered == 0 && r.down == nil && r.ctx.Err() == nil {
		r.cut(r.hungUp)
	}
}

// blameLink gives the points that lost their line in a round in which nobody answered the link's fault.
func (r *round) blameLink() {
	for n := range r.slots {
		g := &r.slots[n].got
		if g.round == r.count && g.err != nil && (wire.ReasonOf(g.err) == wire.Closed || errors.Is(g.err, errLost)) {
			g.fault = collector.LinkLost
		}
	}
}

// note keeps what the next rounds must know of this one's link. The silence of
// units that did not answer may have been the link's, so its return makes them due for a look.
func (r *round) note(now time.Time) {
	switch {
	case !r.isUp:
		r.gone = r.gone || r.answered == 0
	case r.gone:
		r.gone = false
		for _, u := range r.units {
			if u.silent != nil && u.asked == 0 {
				u.fresh(now)
			}
		}
	}
}

// soon is how long after the link's return the groups it cost a reading are
// read: long enough for the batch before to be taken.
const soon = 250 * time.Millisecond

// seldom is how long a link that is down goes without a look when none of its
// points is due earlier.
const seldom = 30 * time.Second

// repeatMissed notes the groups that were due and not read for want of the
// link. Once it is back they are read without waiting for their grid; one of
// them looks for its return where no point is due for long.
func (r *round) repeatMissed(now time.Time) {
	var missed *group
	for i := range r.groups {
		g := &r.groups[i]
		switch {
		case r.due>>i&1 != 0:
			g.missed = !r.isUp && r.unread(g)
		case r.isUp && g.missed:
			g.missed, g.again = false, now.Add(soon)
		}
		if g.missed && (missed == nil || g.every < missed.every) {
			missed = g
		}
	}
	if look := now.Add(seldom); missed != nil && r.nextDue().After(look) {
		missed.again = look
	}
}

// unread reports whether the round left a slot of the group without an answer.
func (r *round) unread(g *group) bool {
	return slices.ContainsFunc(g.slots, func(n int) bool {
		s := &r.slots[n]
		return s.refusal == nil && (s.got.round != r.count || s.got.err != nil)
	})
}
