package collector

import (
	"sync"
	"time"
)

// Outcome is how one request, or one message from a broker, ended.
type Outcome uint8

// The outcomes of a request.
const (
	Answered   Outcome = iota // a proper answer
	Exception                 // the device refused by an exception reply
	TimedOut                  // nothing in time
	Malformed                 // an answer that does not fit, or an unreadable payload
	Disconnect                // the connection broke or could not be made
	outcomes
)

var outcomeWords = [...]string{"answered", "exception", "timed_out", "malformed", "disconnected"}

// String returns the outcome's word as the metrics label it.
func (o Outcome) String() string { return word(outcomeWords[:], o) }

// Outcomes is the number of outcomes.
const Outcomes = int(outcomes)

// DurationBounds are the upper bounds, in seconds, of the request duration buckets.
var DurationBounds = [...]float64{0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5}

// LinkStatus is a snapshot of one link.
type LinkStatus struct {
	Name, Kind, Address string // Kind: 'modbus tcp', 'modbus rtu', 'modbus rtu over tcp', 'mqtt'
	Up                  bool
	Since               Moment // when Up last changed
	LastError           string // why it is, or was last, down
	Requests            [Outcomes]uint64
	Durations           [len(DurationBounds) + 1]uint64 // requests by duration; the last bucket has no bound
	DurationSum         float64                         // seconds
	Late                uint64                          // rounds that began after their time
	Dropped             uint64                          // readings thrown away because nobody took them
	Load                float64                         // share of the last rounds' time that the line was busy, 0 to 1
	Units               []UnitStatus
	Beats               [BeatOwners]uint64 // how often each goroutine of the link came round; see LinkMeter.Beat
}

// BeatEvery is the longest that a goroutine of a link waits before it shows again that it is not stuck. Only one
// exchange with a device or broker, or the pause before the next connection, may take longer; each has its own limit.
const BeatEvery = 5 * time.Second

// The goroutines of a link. One that never beats is not there.
const (
	Owner      = iota // owns the points: takes and judges what comes
	Keeper            // keeps the connection, where that is another goroutine
	BeatOwners        // how many there can be
)

// UnitStatus is a snapshot of one device on a link.
type UnitStatus struct {
	Unit   uint8
	Good   bool // answers, its marker reads right and its points are in their ranges
	Since  Moment
	Reason string // why it is not good
}

// LinkMeter counts what happens on one link. Its owner writes, anybody reads a
// snapshot. The zero value is a link that is down.
type LinkMeter struct {
	mu sync.Mutex
	st LinkStatus
}

// Describe sets the fixed words of the link.
func (m *LinkMeter) Describe(name, kind, address string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.st.Name, m.st.Kind, m.st.Address = name, kind, address
}

// Count adds one request with its outcome and duration.
func (m *LinkMeter) Count(o Outcome, d time.Duration) {
	s := d.Seconds()
	i := 0
	for i < len(DurationBounds) && s > DurationBounds[i] {
		i++
	}
	m.mu.Lock()
	m.st.Requests[o]++
	m.st.Durations[i]++
	m.st.DurationSum += s
	m.mu.Unlock()
}

// Beat notes that the goroutine who, Owner or Keeper, came round. Whoever watches over the process can tell a link that
// has nothing to read from one that is stuck.
func (m *LinkMeter) Beat(who int) {
	m.mu.Lock()
	m.st.Beats[who]++
	m.mu.Unlock()
}

// SetUp notes that the link is up or down, why, and since when if that is a change.
// It reports whether it changed.
func (m *LinkMeter) SetUp(up bool, now Moment, why string) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	changed := m.st.Up != up || m.st.Since == 0
	if changed {
		m.st.Since = now
	}
	m.st.Up = up
	if why != "" {
		m.st.LastError = why
	}
	return changed
}

// SetUnit notes how one device of the link is.
func (m *LinkMeter) SetUnit(unit uint8, good bool, now Moment, reason string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for i := range m.st.Units {
		u := &m.st.Units[i]
		if u.Unit != unit {
			continue
		}
		if u.Good != good {
			u.Since = now
		}
		u.Good, u.Reason = good, reason
		return
	}
	m.st.Units = append(m.st.Units, UnitStatus{Unit: unit, Good: good, Since: now, Reason: reason})
}

// Add changes the counters that are not requests: late rounds and dropped readings.
func (m *LinkMeter) Add(late, dropped uint64) {
	m.mu.Lock()
	m.st.Late += late
	m.st.Dropped += dropped
	m.mu.Unlock()
}

// SetLoad notes the busy share of the line, 0 to 1.
func (m *LinkMeter) SetLoad(share float64) {
	m.mu.Lock()
	m.st.Load = share
	m.mu.Unlock()
}

// Status returns a copy of the counters.
func (m *LinkMeter) Status() LinkStatus {
	m.mu.Lock()
	defer m.mu.Unlock()
	s := m.st
	s.Units = append([]UnitStatus(nil), m.st.Units...)
	return s
}
