package duty

import (
	"math"
	"time"

	"roundsman/collector"
)

// Defaults where a Spec says nothing.
const (
	DefaultJoin = 2 * time.Second
	DefaultHold = 30 * time.Second
)

// maxHourStarts bounds the starts that are remembered and so WorstHour; with
// the default Join there cannot be more than 1800.
const maxHourStarts = 4096

// Run is a piece of time in which equipment was seen running without a pause.
type Run struct {
	From, To collector.Moment
	// StartSeen and EndSeen report whether it began with a start and ended with
	// a stop; otherwise it was running when sight of it began or was lost.
	StartSeen, EndSeen bool
}

// Figures are what a meter has counted.
type Figures struct {
	Run     time.Duration // seen running
	Seen    time.Duration // seen running or standing still
	Unseen  time.Duration // since the first look, not seen
	Starts  uint64        // seen; the least there were
	Runs    uint64        // starts, and one more if it ran when it was first seen
	Longest time.Duration // the longest run, the present one included

	Known   bool             // seen at the moment of these figures
	Running bool             // as last seen
	Since   collector.Moment // when Running changed last, as far as seen

	HourStarts int // starts in the hour that ends now
	WorstHour  int // most starts in any hour
}

// Duty is run time over seen time, 0 to 1; NaN while nothing was seen.
func (f Figures) Duty() float64 {
	if f.Seen == 0 {
		return math.NaN()
	}
	return float64(f.Run) / float64(f.Seen)
}

// MeanRun is run time over runs; 0 for none.
func (f Figures) MeanRun() time.Duration {
	if f.Runs == 0 {
		return 0
	}
	return f.Run / time.Duration(f.Runs)
}

// Meter counts for one piece of equipment. It belongs to one goroutine, and is
// driven by readings only: it has no clock.
type Meter struct {
	above      float64
	join, hold time.Duration
	ended      func(Run)
	k          Kept
}

// Kept is all that a meter knows, to be written down and given to Restore.
type Kept struct {
	Run, Seen, Unseen, Longest time.Duration
	Starts, Runs               uint64

	Looked  bool             // there was a look
	At      collector.Moment // of the last look
	Sighted bool             // the last look was usable
	State   State            // as last seen
	Since   collector.Moment // of State

	Open      bool             // a run is open, perhaps in a stop that may be bounce
	From      collector.Moment // its start
	StartSeen bool
	To        collector.Moment // how far it was seen
	OffSeen   time.Duration    // seen time of the stop that may be bounce

	HourStarts []collector.Moment // the starts of the last hour
	WorstHour  int
}

// State is what is known of equipment.
type State uint8

// The states of equipment.
const (
	Unknown  State = iota // never seen
	Still                 // standing still
	Stopping              // off for less than Join: a stop, or contact bounce
	Running
)

// New returns a meter for the equipment.
func New(spec Spec) *Meter {
	m := &Meter{above: spec.Above, join: spec.Join, hold: spec.HoldAtMost}
	if m.above == 0 {
		m.above = 0.5
	}
	if m.join == 0 {
		m.join = DefaultJoin
	}
	if m.hold <= 0 {
		m.hold = DefaultHold
	}
	return m
}

// OnRun has f called with each run when it has ended, from within Observe. A
// run through which sight was lost comes in pieces; their lengths add up to
// the run time.
func (m *Meter) OnRun(f func(Run)) { m.ended = f }

// Restore continues from what was kept. The time since then is unseen but for
// HoldAtMost. A clock that stands before the last look makes that time nothing.
func (m *Meter) Restore(k Kept, now collector.Moment) {
	k.HourStarts = append([]collector.Moment(nil), k.HourStarts...)
	m.k = k
	if m.k.At > now {
		m.shift(now)
	}
}

// Keep returns all the meter knows.
func (m *Meter) Keep() Kept {
	k := m.k
	k.HourStarts = append([]collector.Moment(nil), m.k.HourStarts...)
	return k
}

// Observe takes a reading of the Run point. Its time is that of the reading,
// but not later than now; what is unusable counts from now on. A usable one that
// is older than the look before is passed over, unless it is so by more than
// HoldAtMost: then its clock was set back, and it counts from now on.
func (m *Meter) Observe(now collector.Moment, r *collector.Reading) {
	usable := r.Quality.Usable() && !math.IsNaN(r.Value)
	at := now
	if usable && r.At != 0 {
		at = min(r.At, now)
	}
	if m.k.Looked && at < m.k.At {
		if m.k.At.Sub(at) <= m.hold {
			return
		}
		at = max(now, m.k.At)
	}
	m.pass(at)
	m.k.Looked, m.k.At, m.k.Sighted = true, at, usable
	if usable {
		m.see(at, r.Value > m.above)
	}
}

// pass counts the time from the last look to at.
func (m *Meter) pass(at collector.Moment) {
	k := &m.k
	if !k.Looked {
		return
	}
	stood, unseen := m.stands(at)
	k.Seen += stood
	k.Unseen += unseen
	switch k.State {
	case Running:
		k.Run += stood
		k.To = k.To.Add(stood)
		if unseen > 0 {
			m.end(false)
		}
	case Stopping:
		k.OffSeen += stood
		if unseen > 0 || at.Sub(k.Since) >= m.join {
			m.end(true)
			k.State = Still
		}
	}
}

// stands returns how long the last look stands at a moment, and the rest.
func (m *Meter) stands(at collector.Moment) (stood, unseen time.Duration) {
	d := max(at.Sub(m.k.At), 0)
	if !m.k.Sighted {
		return 0, d
	}
	stood = min(d, m.hold)
	return stood, d - stood
}

// see takes a usable look.
func (m *Meter) see(at collector.Moment, on bool) {
	switch k := &m.k; {
	case on:
		m.on(at)
	case k.State == Running && k.Open && m.join > 0:
		k.State, k.Since, k.OffSeen = Stopping, at, 0
	case k.State == Running: // also when it stopped out of sight: nobody knows how long ago
		m.end(true)
		k.State, k.Since = Still, at
	case k.State == Unknown:
		k.State, k.Since = Still, at
	}
}

func (m *Meter) on(at collector.Moment) {
	k := &m.k
	switch k.State {
	case Unknown:
		k.Runs++
		m.open(at, false)
	case Still:
		k.Runs++
		k.Starts++
		m.started(at)
		m.open(at, true)
	case Stopping: // within Join: it never stopped
		k.Run += k.OffSeen
		k.To = at
		k.Since = k.From
	case Running:
		if !k.Open { // sight of it was lost in between
			m.open(at, false)
		}
		return
	}
	k.State = Running
}

func (m *Meter) open(at collector.Moment, seen bool) {
	k := &m.k
	k.Open, k.From, k.To, k.StartSeen = true, at, at, seen
	if k.State != Running {
		k.Since = at
	}
}

// end closes the open run at the moment until which it was seen.
func (m *Meter) end(seen bool) {
	k := &m.k
	if !k.Open {
		return
	}
	k.Open = false
	k.Longest = max(k.Longest, k.To.Sub(k.From))
	if m.ended != nil && k.To > k.From {
		m.ended(Run{k.From, k.To, k.StartSeen, seen})
	}
}

// started adds a start to the hour that ends with it.
func (m *Meter) started(at collector.Moment) {
	k := &m.k
	old := 0
	for old < len(k.HourStarts) && at.Sub(k.HourStarts[old]) >= time.Hour {
		old++
	}
	old = max(old, len(k.HourStarts)-maxHourStarts+1)
	k.HourStarts = append(k.HourStarts[:0], k.HourStarts[old:]...)
	k.HourStarts = append(k.HourStarts, at)
	k.WorstHour = max(k.WorstHour, len(k.HourStarts))
}

// shift moves the last look back to a clock that was set back. What it closes keeps its length.
func (m *Meter) shift(to collector.Moment) {
	k := &m.k
	m.end(false)
	if k.State == Stopping {
		k.State = Still
	}
	by := k.At.Sub(to)
	for i := range k.HourStarts {
		k.HourStarts[i] = k.HourStarts[i].Add(-by)
	}
	k.Since = min(k.Since.Add(-by), to)
	k.At, k.Sighted = to, false
}

// Figures returns what was counted up to now; the last look stands until then, for HoldAtMost at most.
func (m *Meter) Figures(now collector.Moment) Figures {
	k := &m.k
	f := Figures{
		Run: k.Run, Seen: k.Seen, Unseen: k.Unseen, Starts: k.Starts, Runs: k.Runs, Longest: k.Longest,
		Running: k.State == Running || k.State == Stopping, Since: k.Since, WorstHour: k.WorstHour,
	}
	for _, s := range k.HourStarts {
		if d := now.Sub(s); d >= 0 && d < time.Hour {
			f.HourStarts++
		}
	}
	if !k.Looked {
		return f
	}
	stood, unseen := m.stands(now)
	f.Seen += stood
	f.Unseen += unseen
	f.Known = k.Sighted && unseen == 0
	to := k.To
	switch {
	case k.State == Running:
		f.Run += stood
		to = to.Add(stood)
	case k.State == Stopping && (unseen > 0 || now.Sub(k.Since) >= m.join):
		f.Running = false
	case k.State == Stopping:
		f.Since = k.From
	}
	if k.Open {
		f.Longest = max(f.Longest, to.Sub(k.From))
	}
	return f
}
