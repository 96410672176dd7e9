package modbus

import (
	"fmt"
	"time"

	"roundsman/collector"
)

// Disturbed is called a unit of which at least fewestDisturbed signals, and
// one in disturbedShare, leave their ranges in one round: several sensors do
// not fail in the same second, their device or its supply does.
const (
	fewestDisturbed = 3
	disturbedShare  = 3
)

// readings judges the round: link first, then units, then points.
func (r *round) readings() []collector.Reading {
	now := r.clock.Now()
	out := make([]collector.Reading, 0, len(r.slots)+len(r.units)+1)
	out = r.linkReading(out, now)
	at := len(out)
	for _, u := range r.units {
		if u.status != collector.NoPoint {
			out = append(out, collector.Reading{}) // its place; known after its points
		}
	}
	for _, u := range r.units {
		first := len(out)
		out = r.pointReadings(out, u, now)
		if len(out) > first {
			u.disturb()
			u.fault, u.why = u.state(r.Link)
			mark(out[first:], u.fault, u.why)
		} else if r.isUp && !u.byLink {
			continue
		}
		fault, why := r.unitState(u)
		r.tell(u, fault, why, now)
		if u.status != collector.NoPoint {
			out[at] = status(u.status, fault, why, now)
			at++
		}
	}
	return append(out[:at], out[r.places(at, out):]...)
}

// unitState returns how a unit is to be told: if it did not answer in this
// round, never better than its link. It gets back what it had when its link does.
func (r *round) unitState(u *unit) (collector.Fault, string) {
	if u.byLink = !r.isUp && u.fault == collector.NoFault && u.answered == 0; u.byLink {
		return collector.LinkLost, r.upWhy
	}
	return u.fault, u.why
}

// places returns where the points begin: units of which there is nothing to tell leave their status place empty.
func (r *round) places(at int, out []collector.Reading) int {
	for at < len(out) && out[at].At == 0 {
		at++
	}
	return at
}

// status returns the reading of a status point: 1, or 0 with the fault and the
// words. Its quality is good either way, so that limit rules judge it.
func status(id collector.PointID, fault collector.Fault, why string, now collector.Moment) collector.Reading {
	return collector.Reading{
		Point: id, Value: truth(fault == collector.NoFault), Raw: truth(fault == collector.NoFault),
		Quality: collector.Good, Fault: fault, Detail: why, At: now,
	}
}

// linkReading tells the meter, the log and the status point how the link is.
func (r *round) linkReading(out []collector.Reading, now collector.Moment) []collector.Reading {
	up, why := r.up()
	r.isUp, r.upWhy = up, why
	if !up && r.answered == 0 {
		r.blameLink()
	}
	changed := r.meter.SetUp(up, now, why)
	if changed && r.opts.Log != nil {
		if up {
			r.opts.Log.Info("link up", "link", r.opts.Name)
		} else {
			r.opts.Log.Warn("link down", "link", r.opts.Name, "reason", why)
		}
	}
	if r.opts.Status == collector.NoPoint {
		return out
	}
	fault := collector.NoFault
	if !up {
		fault = collector.LinkLost
	}
	return append(out, status(r.opts.Status, fault, why, now))
}

// up judges the link by the round: it is up while the line is open and anyone
// answers. A round that asked nothing changes nothing.
func (r *round) up() (bool, string) {
	switch {
	case r.down != nil:
		return false, fmt.Sprintf("link %s: %v", r.opts.Name, r.down)
	case r.answered > 0:
		return true, ""
	case r.asked > 0:
		return false, r.lastErr.Error()
	}
	st := r.meter.Status()
	if st.Up {
		return true, ""
	}
	return false, st.LastError
}

// pointReadings adds the readings of the unit's due points. What a moved map brought is another register's, so no channel
// may see it: it would be the value before the next one.
func (r *round) pointReadings(out []collector.Reading, u *unit, now collector.Moment) []collector.Reading {
	moved, why := u.moved(r.Link)
	for i := range r.groups {
		if r.due>>i&1 == 0 {
			continue
		}
		for _, n := range r.groups[i].slots {
			s := &r.slots[n]
			if s.unit != u {
				continue
			}
			if moved != collector.NoFault && s.got.round == r.count && s.got.err == nil {
				out = append(out, collector.Fail(s.id, moved, s.got.raw, s.got.at, why))
				continue
			}
			p := s.reading(r.count, now)
			if s.ranged {
				u.watchRange(s, p.Fault)
			}
			out = append(out, p)
		}
	}
	return out
}

// reading judges what the round brought for a slot.
func (s *slot) reading(round uint64, now collector.Moment) collector.Reading {
	g := &s.got
	switch {
	case g.round == round && g.err != nil:
		return collector.Fail(s.id, g.fault, 0, g.at, detailOf(g.err))
	case g.round != round && s.refusal != nil:
		return collector.Fail(s.id, faultOf(s.refusal), 0, now, detailOf(s.refusal))
	case g.round != round:
		return collector.Fail(s.id, collector.NotRead, 0, now, "")
	case g.fault != collector.NoFault:
		return collector.Fail(s.id, g.fault, g.raw, g.at, s.Address.String()+" as "+s.Type.String())
	case s.Type == Text:
		return collector.Reading{Point: s.id, Text: g.text, Quality: collector.Good, At: g.at}
	}
	return s.judge(g.raw, g.at)
}

// longOutage is the time without a usable reading after which a signal is
// judged anew: its sensor may have been exchanged and its process have moved as
// it likes, so neither a rate nor a rest over that time means anything.
const longOutage = time.Minute

// judge judges a raw value. Whether an outage is over only the value itself
// tells, so the one that ends it is judged twice: as it came, and as the first.
func (s *slot) judge(raw float64, at collector.Moment) collector.Reading {
	p := s.channel.Judge(raw, at)
	if !p.Quality.Usable() {
		return p
	}
	if s.usable != 0 && at.Sub(s.usable) > s.outage {
		s.channel.Reset()
		p = s.channel.Judge(raw, at)
	}
	if p.Quality.Usable() {
		s.usable = at
	}
	return p
}

// watchRange counts the signals of a unit that are outside their ranges, and those that left them in this round.
func (u *unit) watchRange(s *slot, f collector.Fault) {
	now := outOfRange(f)
	switch {
	case now && !s.outside:
		u.left++
		u.outside++
	case !now && s.outside:
		u.outside--
	}
	s.outside = now
}

// disturb judges the counts. Once disturbed a unit stays so until fewer than
// fewestDisturbed signals are outside.
func (u *unit) disturb() {
	if u.left >= fewestDisturbed && u.left*disturbedShare >= u.ranged {
		u.disturbed = true
	} else if u.outside < fewestDisturbed {
		u.disturbed = false
	}
	u.left = 0
}

func outOfRange(f collector.Fault) bool {
	return f == collector.OutOfRange || f == collector.SignalLow || f == collector.SignalHigh
}

// mark gives a moved map's reason to all points of the unit, and a
// disturbance's to those that are out of range.
func mark(readings []collector.Reading, fault collector.Fault, why string) {
	for i := range readings {
		p := &readings[i]
		switch {
		case fault == collector.UnitDisturbed && outOfRange(p.Fault):
			p.Detail = p.Reason()
			p.Fault, p.Quality = fault, fault.Quality()
		case fault == collector.NoFault || fault == collector.UnitDisturbed || p.Quality == collector.Bad && fault != collector.MapMoved:
		default:
			*p = collector.Fail(p.Point, fault, p.Raw, p.At, why)
		}
	}
}

// tell gives the meter and the log how the unit is.
func (r *round) tell(u *unit, fault collector.Fault, why string, now collector.Moment) {
	good := fault == collector.NoFault
	reason := ""
	if !good {
		reason = collector.Reading{Fault: fault, Detail: why}.Reason()
	}
	r.meter.SetUnit(u.id, good, now, reason)
	if changed := u.good != good || !u.known; changed && r.opts.Log != nil && (u.known || !good) {
		if good {
			r.opts.Log.Info("unit good", "link", r.opts.Name, "unit", u.id)
		} else {
			r.opts.Log.Warn("unit bad", "link", r.opts.Name, "unit", u.id, "reason", reason)
		}
	}
	u.known, u.good = true, good
}
