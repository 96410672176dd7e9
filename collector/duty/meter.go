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
	above, below float64
	join, hold   time.Duration
	counted      bool // starts are told by a counter
	register     *register
	starts       *register
	ended        func(Interval)
	jumped       func(Jump)
	moved        bool
	restored     bool // nothing was seen since Restore
	k            Kept
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

	Open       bool             // a run is open, perhaps in a stop that may be bounce
	From       collector.Moment // its start
	StartSeen  bool
	StartCount int              // starts that the open run tells: 1, or 0 where a counter tells them
	StartHour  int              // starts in the hour that ended with it
	New        bool             // it began as a run, and does not go on after sight was lost
	To         collector.Moment // how far it was seen
	OffSeen    time.Duration    // seen time of the stop that may be bounce

	Told    collector.Moment // how far the finished intervals reach
	Blind   bool             // nothing is seen
	Lost    collector.Moment // since then
	LostWhy string
	Before  Totals // what was counted before intervals were kept

	Hours   RegisterKept // of an hour meter
	Counter RegisterKept // of a counter of starts
	Asked   []Jump       // jumps that somebody should explain, oldest first

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
	m := &Meter{above: spec.Above, below: spec.Below, join: spec.Join, hold: spec.HoldAtMost, register: newRegister(spec.Hours), starts: newRegister(spec.Starts)}
	m.counted = m.starts != nil
	if m.above == 0 {
		m.above = 0.5
	}
	if m.below == 0 || m.below > m.above {
		m.below = m.above
	}
	if m.join == 0 {
		m.join = DefaultJoin
	}
	if m.hold <= 0 {
		m.hold = DefaultHold
	}
	return m
}

// Restore continues from what was kept. The time since then is unseen but for
// HoldAtMost. A clock that stands before the last look makes that time nothing.
func (m *Meter) Restore(k Kept, now collector.Moment) {
	k.HourStarts = append([]collector.Moment(nil), k.HourStarts...)
	k.Asked = append([]Jump(nil), k.Asked...)
	k.adopt()
	m.k, m.restored = k, true
	if m.k.At > now {
		m.shift(now)
	}
}

// Keep returns all the meter knows.
func (m *Meter) Keep() Kept {
	k := m.k
	k.HourStarts = append([]collector.Moment(nil), m.k.HourStarts...)
	k.Asked = append([]Jump(nil), m.k.Asked...)
	return k
}

// Observe takes a reading of the Run or Hours point. Its time is that of the reading,
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
	if !m.k.Looked {
		m.k.Looked, m.k.At, m.k.Told = true, at, at
	}
	if m.register != nil {
		m.meter(at, r, usable)
		return
	}
	on, sure := usable, usable
	if usable {
		on, sure = m.judge(r.Value)
	}
	m.pass(at)
	m.k.At, m.k.Sighted, m.restored = at, sure, false
	if !sure {
		m.lose(at, whyUnsure(r, usable))
		return
	}
	m.regain(at)
	m.see(at, on)
}

// judge says whether a value means running. Between the two thresholds it stays as it was, if that is known.
func (m *Meter) judge(v float64) (on, sure bool) {
	switch {
	case v > m.above:
		return true, true
	case v <= m.below:
		return false, true
	}
	return m.k.State == Running, m.k.State != Unknown
}

// whyUnsure says why a reading tells nothing.
func whyUnsure(r *collector.Reading, usable bool) string {
	if usable {
		return "between the thresholds, not known before"
	}
	if r.Fault == collector.NoFault {
		return whyNothing
	}
	return r.Fault.String()
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
			m.end(false, m.whyPassed())
		}
	case Stopping:
		k.OffSeen += stood
		if unseen > 0 || at.Sub(k.Since) >= m.join {
			m.end(true, whyStopped)
			k.State = Still
		}
	}
	if unseen > 0 {
		m.lose(k.At.Add(stood), m.whyPassed())
	}
}

// whyPassed says why the last look stands no longer.
func (m *Meter) whyPassed() string {
	switch {
	case m.restored:
		return whyBoxOff
	case m.k.Blind:
		return m.k.LostWhy
	}
	return whyNothing
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
		m.end(true, whyStopped)
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
		m.open(at, false, true)
	case Still:
		k.Runs++
		if !m.counted {
			k.Starts++
			m.started(at)
		}
		m.open(at, true, true)
	case Stopping: // within Join: it never stopped
		k.Run += k.OffSeen
		k.To = at
		k.Since = k.From
	case Running:
		if !k.Open { // sight of it was lost in between
			m.open(at, false, false)
		}
		return
	}
	k.State = Running
}

func (m *Meter) open(at collector.Moment, seen, fresh bool) {
	k := &m.k
	k.Open, k.From, k.To, k.StartSeen, k.New = true, at, at, seen, fresh
	k.StartCount, k.StartHour = 0, 0
	if seen && !m.counted {
		k.StartCount, k.StartHour = 1, len(k.HourStarts)
	}
	m.moved = m.moved || fresh
	if k.State != Running {
		k.Since = at
	}
}

// end closes the open run at the moment until which it was seen.
func (m *Meter) end(seen bool, why string) {
	k := &m.k
	if !k.Open {
		return
	}
	k.Open = false
	if why != whyAlone {
		k.Longest = max(k.Longest, k.To.Sub(k.From))
	}
	m.moved = m.moved || seen
	if k.To > k.From || k.New {
		i := k.openRun(0)
		i.Stopped, i.Why = seen, why
		m.emit(i)
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
	m.end(false, whyBack)
	if k.State == Stopping {
		k.State = Still
	}
	if m.lose(k.At, whyBack); k.At >= k.Lost { // also without length: it carries the time it stood before
		m.emit(Interval{Kind: Unseen, From: k.Lost, To: k.At, Why: k.LostWhy})
	}
	by := k.At.Sub(to)
	for i := range k.HourStarts {
		k.HourStarts[i] = k.HourStarts[i].Add(-by)
	}
	k.Since = min(k.Since.Add(-by), to)
	k.Hours.move(-by)
	k.Counter.move(-by)
	k.At, k.Told, k.Sighted = to, to, false
	k.Blind, k.Lost, k.LostWhy = true, to, whyBoxOff
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
	f.Known = k.Sighted && unseen == 0
	if m.register != nil {
		return f
	}
	f.Seen += stood
	f.Unseen += unseen
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
