package modbus

import (
	"context"
	"errors"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/wire"
)

// round is the work of one look at the due points.
type round struct {
	*Link
	ctx      context.Context
	due      uint64
	probed   *unit // the silent unit that may be asked now
	busy     time.Duration
	down     error // why the line is down; ends the round's requests
	asked    int
	answered int
	lastErr  error
	hungUp   error // the last loss of the connection on a request
	lost     int   // connections that were lost before anyone answered over them
	isUp     bool  // whether the link is up after the round
	upWhy    string
}

// round reads the due groups and returns their readings, one for each point
// whatever came, before them the status of the link and of the units.
func (l *Link) round(ctx context.Context, due uint64) []collector.Reading {
	r := &round{Link: l, ctx: ctx, due: due}
	now := time.Now()
	l.load.begin(now, &l.meter)
	l.forget(now)
	r.prepare()
	requests := l.requests(due)
	for _, q := range requests {
		if q.unit.silent == nil {
			r.fetch(q)
		}
	}
	r.probeSilent(requests)
	r.askAnother(requests)
	r.judgeLoss()
	r.probeRefused()
	l.load.busy += r.busy
	readings := r.readings()
	r.note(time.Now())
	r.repeatMissed(time.Now())
	return readings
}

// prepare puts away what the last round left.
func (r *round) prepare() {
	for _, u := range r.units {
		u.asked, u.answered, u.lastErr = 0, 0, nil
	}
	r.count++
}

// probeSilent asks the silent units whose wait is over, in turn, until those
// that stay silent have cost one time-out: more would hold up the living ones.
// One that answers is read like the others.
func (r *round) probeSilent(requests []request) {
	first, cost := r.probe, time.Duration(0)
	for i := range r.units {
		n := (first + i) % len(r.units)
		u, now := r.units[n], time.Now()
		if u.silent == nil || now.Before(u.retryAt) || cost >= r.opts.Timeout || r.lost >= mostLost {
			continue
		}
		own := r.open(requests, u)
		if len(own) == 0 {
			continue
		}
		r.probed, r.probe = u, (n+1)%len(r.units)
		turn := u.turn
		for i := range own {
			r.fetch(own[(i+turn)%len(own)])
		}
		if u.silent != nil {
			cost += time.Since(now)
		}
	}
	r.probed = nil
	for _, q := range requests {
		if !r.done(q) {
			r.fetch(q) // what is left are silent units: their points get the reason
		}
	}
}

// open returns the unit's requests that have no outcome in this round yet.
func (r *round) open(requests []request, u *unit) []request {
	var own []request
	for _, q := range requests {
		if q.unit == u && !r.done(q) {
			own = append(own, q)
		}
	}
	return own
}

// done reports whether the round has an outcome for the request.
func (r *round) done(q request) bool {
	return r.slots[q.slots[0]].got.round == r.count
}

// askAnother asks a unit that is not due when none of the due ones answered:
// whether it is they or the link.
func (r *round) askAnother(requests []request) {
	if r.answered > 0 || r.asked == 0 || r.down != nil || r.lost >= mostLost {
		return
	}
	now := time.Now()
	for n := range r.slots {
		s := &r.slots[n]
		u := s.unit
		if s.refusal != nil || u.silent != nil && now.Before(u.retryAt) || asks(requests, u) {
			continue
		}
		r.probed = u
		if data, err := r.ask(r.alone(n), 1); err == nil {
			r.store(r.alone(n), data)
		}
		return
	}
}

func asks(requests []request, u *unit) bool {
	return slices.ContainsFunc(requests, func(q request) bool { return q.unit == u })
}

// probeRefused looks once at one refused address whose time has come.
func (r *round) probeRefused() {
	now := time.Now()
	for n := range r.slots {
		s := &r.slots[n]
		if s.refusal == nil || now.Before(s.retryAt) || s.unit.silent != nil || r.lastDown != nil {
			continue
		}
		s.retryAt = now.Add(refusedWait)
		data, err := r.ask(r.alone(n), 1)
		if err == nil {
			s.refusal = nil
			clear(r.plans)
			r.store(r.alone(n), data)
		}
		return
	}
}

// fetch reads a request into its slots, in parts if the device refuses the
// whole. It reports whether all of them got a value, and whether in one piece.
func (r *round) fetch(q request) (good, whole bool) {
	data, err := r.ask(q, 1+r.opts.Retries)
	if err == nil {
		r.store(q, data)
		return true, true
	}
	var x Exception
	if errors.As(err, &x) && x.splits() {
		if !r.single(q) {
			return r.halve(q), false
		}
		r.refuse(q.slots, err, time.Now())
	}
	r.fail(q.slots, err)
	return false, false
}

// single reports whether the request cannot be made smaller: all its slots lie on the same addresses.
func (r *round) single(q request) bool {
	for _, n := range q.slots {
		if s := &r.slots[n]; s.Start != q.start || s.Count() != q.count {
			return false
		}
	}
	return true
}

// halve reads the two halves of a refused request. It reports whether all slots got a value.
func (r *round) halve(q request) bool {
	cut := len(q.slots) / 2
	if cut == 0 {
		good, _ := r.fetch(r.tight(q.slots))
		return good
	}
	a, b := r.tight(q.slots[:cut]), r.tight(q.slots[cut:])
	goodA, wholeA := r.fetch(a)
	goodB, wholeB := r.fetch(b)
	if wholeA && wholeB {
		r.learn(q, a, b, time.Now())
	}
	return goodA && goodB
}

// store decodes an answer into the slots.
func (r *round) store(q request, data []byte) {
	at := r.clock.Now()
	for _, n := range q.slots {
		s := &r.slots[n]
		g := &s.got
		g.round, g.at, g.fault = r.count, at, collector.NoFault
		if g.err != nil {
			g.err = nil
		}
		offset := int(s.Start) - int(q.start)
		if q.table.Bits() {
			g.raw = truth(data[offset/8]>>(offset%8)&1 != 0)
			continue
		}
		var text string
		if g.raw, text, g.fault = Decode(s.Address, data[2*offset:]); s.Type == Text {
			g.text = text
		}
	}
}

func (r *round) fail(slots []int, err error) {
	at := r.clock.Now()
	for _, n := range slots {
		r.slots[n].got = outcome{round: r.count, err: err, fault: faultOf(err), at: at}
	}
}

// ask makes a request, again after a failure, and returns its data or a
// *RequestError. A silent unit gets one try, or none.
func (r *round) ask(q request, tries int) ([]byte, error) {
	u := q.unit
	if r.down != nil {
		u.lastErr = r.requestError(q, 0, r.down)
		return nil, u.lastErr
	}
	if u.silent != nil && u != r.probed || u.silent != nil && u.asked > 0 {
		u.lastErr = u.silent
		return nil, u.silent
	}
	if m := u.mutes[q.key()]; m != nil && u != r.probed {
		if time.Now().Before(m.until) {
			u.lastErr = m.err
			return nil, m.err
		}
		tries = 1
	}
	if u.failures > 0 || r.lost > 0 && r.redial.wait > 0 {
		tries = 1
	}
	return r.try(q, tries)
}

// try makes up to so many tries of a request. When the line cannot be opened
// for a further one, the way in which the last one ended stands.
func (r *round) try(q request, tries int) ([]byte, error) {
	var err error
	n := 0
	for n < tries {
		asked := q.unit.asked
		data, now := r.exchange(q)
		if now == nil {
			q.unit.heard(q)
			return data, nil
		}
		if q.unit.asked == asked {
			if n == 0 {
				return nil, r.unasked(q, now)
			}
			break
		}
		n, err = n+1, now
		if r.final(err) {
			break
		}
	}
	err = r.requestError(q, n, err)
	r.lastErr = err
	r.sum(q, err)
	return nil, err
}

// unasked returns the error of a request for which there was no line. A look at
// a silent unit after others have answered says nothing new: some servers refuse
// a connection right after one that was lost.
func (r *round) unasked(q request, err error) error {
	if q.unit.silent != nil && r.answered > 0 {
		r.down, q.unit.lastErr = nil, q.unit.silent
		return q.unit.silent
	}
	q.unit.lastErr = r.requestError(q, 0, err)
	return q.unit.lastErr
}

// final reports whether another try is of no use: the device has answered by an exception, or is not to be asked now.
func (r *round) final(err error) bool {
	var x Exception
	return errors.As(err, &x) || r.ctx.Err() != nil || wire.ReasonOf(err) == wire.Waiting
}

// sum notes in the unit how a request ended that brought no data.
func (r *round) sum(q request, err error) {
	var x Exception
	switch {
	case errors.As(err, &x) && !x.gateway():
		q.unit.heard(q)
		return
	case wire.ReasonOf(err) == wire.Waiting:
		q.unit.lastErr = err
		return
	}
	now := time.Now()
	q.unit.unheard(err, now, x.gateway())
	q.unit.mute(q, err, now)
}

func (r *round) requestError(q request, tries int, err error) error {
	return &RequestError{
		Link: r.opts.Name, Unit: q.unit.id, Table: q.table, Start: q.start, Count: q.count,
		Tries: tries, Timeout: r.opts.Timeout, Err: err,
	}
}
