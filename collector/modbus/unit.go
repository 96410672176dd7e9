package modbus

import (
	"fmt"
	"time"

	"roundsman/collector"
)

// Waits between two looks at what does not answer.
const (
	silentWait    = time.Second
	silentLongest = 5 * time.Second // a silent unit is asked at least this often
	muteWait      = 2 * time.Second // a question that a living unit does not answer
	muteLongest   = time.Minute
	refusedWait   = 10 * time.Minute
)

// unit is the state of one device on the link.
type unit struct {
	id     uint8
	spec   Unit
	status collector.PointID
	marker int // its marker's slot; -1: none

	silent   error // why the unit is not asked in each round; nil: it is
	wait     time.Duration
	retryAt  time.Time
	turn     int // which of its requests is tried next while silent
	failures int // requests without an answer since the last answer

	mutes map[muteKey]*mute // requests that stay without an answer

	ranged, outside, left int // signals with a range; of them outside it; that left it in this round
	disturbed             bool
	known                 bool // good has been told before
	good                  bool

	fault  collector.Fault // how it was when it was last asked
	why    string
	byLink bool // told as lost because the link is down

	// in the present round
	asked, answered int
	lastErr         error
}

// mute is a question that a unit does not answer. Some devices are silent
// where others refuse: asking at each round would cost all its time-outs.
type mute struct {
	err   error
	wait  time.Duration
	until time.Time
}

type muteKey struct {
	table        Table
	start, count uint16
}

func (q request) key() muteKey { return muteKey{q.table, q.start, q.count} }

// heard notes an answer to a request, be it an exception. A unit that was silent gets all its questions again.
func (u *unit) heard(q request) {
	u.answered++
	if u.silent != nil {
		clear(u.mutes)
	} else if len(u.mutes) > 0 {
		delete(u.mutes, q.key())
	}
	u.failures, u.wait, u.silent = 0, 0, nil
}

// mute notes that a request stayed without an answer.
func (u *unit) mute(q request, err error, now time.Time) {
	m := u.mutes[q.key()]
	if m == nil {
		if u.mutes == nil {
			u.mutes = map[muteKey]*mute{}
		}
		m = &mute{}
		u.mutes[q.key()] = m
	}
	m.err = err
	m.wait = longer(m.wait, muteWait, muteLongest)
	m.until = now.Add(m.wait)
}

// fresh makes the unit due for a look: its silence may have been the line's.
func (u *unit) fresh(now time.Time) {
	u.wait, u.retryAt = 0, now
	clear(u.mutes)
}

// unheard notes a request that stayed without an answer after all its tries.
// The second in a row makes the unit silent, or the first when gone says that it is away.
func (u *unit) unheard(err error, now time.Time, gone bool) {
	u.failures++
	u.lastErr = err
	if !gone && u.failures < 2 {
		return
	}
	u.turn++
	u.silent = err
	u.wait = longer(u.wait, silentWait, silentLongest)
	u.retryAt = now.Add(u.wait)
}

// longer doubles a wait from first up to most.
func longer(d, first, most time.Duration) time.Duration {
	if d == 0 {
		return first
	}
	return min(2*d, most)
}

// state returns how the unit is after a round, with the fault and the words for it.
func (u *unit) state(l *Link) (collector.Fault, string) {
	if u.answered == 0 && u.lastErr != nil {
		return faultOf(u.lastErr), detailOf(u.lastErr)
	}
	if fault, why := u.moved(l); fault != collector.NoFault {
		return fault, why
	}
	if u.disturbed {
		return collector.UnitDisturbed, fmt.Sprintf("unit %d: %d of %d signals left their ranges at once", u.id, u.outside, u.ranged)
	}
	return collector.NoFault, ""
}

// moved judges the unit's marker register.
func (u *unit) moved(l *Link) (collector.Fault, string) {
	if u.marker < 0 {
		return collector.NoFault, ""
	}
	s := &l.slots[u.marker]
	if s.refusal != nil {
		return faultOf(s.refusal), "marker: " + detailOf(s.refusal)
	}
	if s.got.err != nil {
		return faultOf(s.got.err), "marker: " + detailOf(s.got.err)
	}
	if want := u.spec.Marker.Equals; s.got.raw != float64(want) {
		return collector.MapMoved, fmt.Sprintf("unit %d: marker %v reads %.0f instead of %d", u.id, s.Address, s.got.raw, want)
	}
	return collector.NoFault, ""
}
