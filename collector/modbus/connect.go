package modbus

import (
	"errors"
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
	r.asked++
	start := time.Now()
	data, err := r.reader.read(q.unit.id, q.table, q.start, q.count)
	took := time.Since(start)
	r.busy += took
	if r.ctx.Err() != nil || wire.ReasonOf(err) == wire.Waiting {
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

// blameLink gives the points that lost their line in a round without a link the link's fault.
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
