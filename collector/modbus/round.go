package modbus

import (
	"context"
	"errors"
	"time"

	"roundsman/collector"
	"roundsman/collector/modbus/wire"
)

// round is the work of one look at the due points.
type round struct {
	*Link
	ctx      context.Context
	due      uint64
	probed   *unit // the silent unit that was asked in this round
	busy     time.Duration
	down     error // why the line is down; ends the round's requests
	asked    int
	answered int
	lastErr  error
	isUp     bool // whether the link is up after the round
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
	r.probeRefused()
	l.load.busy += r.busy
	return r.readings()
}

// prepare puts away what the last round left.
func (r *round) prepare() {
	for _, u := range r.units {
		u.asked, u.answered, u.lastErr = 0, 0, nil
	}
	r.count++
}

// probeSilent asks one silent unit whose wait is over, one that answers is then
// read like the others. The rest of them are not asked: one dead device must not
// hold up the living ones for longer than one time-out a round.
func (r *round) probeSilent(requests []request) {
	r.chooseProbe()
	for _, u := range r.units {
		if u.silent == nil && u != r.probed {
			continue
		}
		var own []request
		for _, q := range requests {
			if q.unit == u && !r.done(q) {
				own = append(own, q)
			}
		}
		for i := range own {
			r.fetch(own[(i+u.turn)%len(own)])
		}
	}
}

// done reports whether the round has an outcome for the request.
func (r *round) done(q request) bool {
	return r.slots[q.slots[0]].got.round == r.count
}

// chooseProbe picks the next silent unit in turn whose wait is over.
func (r *round) chooseProbe() {
	now := time.Now()
	for i := range r.units {
		u := r.units[(r.probe+i)%len(r.units)]
		if u.silent != nil && !now.Before(u.retryAt) {
			r.probed, r.probe = u, (r.probe+i+1)%len(r.units)
			return
		}
	}
}

// probeRefused looks once at one refused address whose time has come.
func (r *round) probeRefused() {
	now := time.Now()
	for n := range r.slots {
		s := &r.slots[n]
		if s.refusal == nil || now.Before(s.retryAt) || s.unit.silent != nil || r.down != nil {
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
	if u.failures > 0 {
		tries = 1
	}
	return r.try(q, tries)
}

// try makes up to so many tries of a request.
func (r *round) try(q request, tries int) ([]byte, error) {
	var err error
	for n := 1; n <= tries; n++ {
		var data []byte
		if data, err = r.exchange(q); err == nil {
			q.unit.heard(q)
			return data, nil
		}
		if n == tries || r.final(err) {
			err = r.requestError(q, n, err)
			break
		}
	}
	r.lastErr = err
	r.sum(q, err)
	return nil, err
}

// final reports whether another try is of no use: the device has answered by an exception, is not to be asked now, or the line is down.
func (r *round) final(err error) bool {
	var x Exception
	return errors.As(err, &x) || r.down != nil || r.ctx.Err() != nil || wire.ReasonOf(err) == wire.Waiting
}

// sum notes in the unit how a request ended that brought no data.
func (r *round) sum(q request, err error) {
	var x Exception
	switch {
	case errors.As(err, &x) && !x.gateway():
		q.unit.heard(q)
		return
	case r.down != nil || wire.ReasonOf(err) == wire.Waiting:
		q.unit.lastErr = err
		return
	}
	now := time.Now()
	q.unit.unheard(err, now, x.gateway())
	q.unit.mute(q, err, now)
}

// exchange makes one exchange over the line, which it opens if needed.
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
	switch {
	case err == nil || errors.As(err, &x):
		r.answered++
		r.redial, r.untried = backoff{}, false
	case r.untried && wire.ReasonOf(err) == wire.Closed:
		r.cut(err) // opened and closed at once: no better than refused
	}
	return data, err
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
	if r.lastDown != nil && now.Before(r.redial.until) {
		r.down = r.lastDown
		return r.lastDown
	}
	err := r.reader.Connect(r.ctx)
	r.busy += time.Since(now)
	if err != nil {
		r.meter.Count(collector.Disconnect, time.Since(now))
		r.cut(err)
		return err
	}
	if r.lastDown != nil {
		for _, u := range r.units {
			u.fresh(now)
		}
	}
	r.lastDown, r.untried = nil, true
	r.reprobe(now)
	return nil
}

func (r *round) requestError(q request, tries int, err error) error {
	return &RequestError{
		Link: r.opts.Name, Unit: q.unit.id, Table: q.table, Start: q.start, Count: q.count,
		Tries: tries, Timeout: r.opts.Timeout, Err: err,
	}
}

// detailOf returns the words for an error behind the name of its fault.
func detailOf(err error) string {
	var e *RequestError
	if !errors.As(err, &e) {
		return err.Error()
	}
	switch wire.ReasonOf(err) {
	case wire.Refused, wire.Unreachable, wire.Closed:
		return "link " + e.Link + ": " + e.Err.Error()
	}
	return e.detail()
}
