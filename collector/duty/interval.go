package duty

import (
	"time"

	"roundsman/collector"
)

// Kind says what an interval was.
type Kind uint8

// The kinds of interval.
const (
	Ran     Kind = iota // seen running
	Unseen              // neither seen running nor standing still
	Counted             // no time: starts that a counter told at From
	Stood               // seen standing still; only as the end of Kept.Rest
)

var kindWords = [...]string{"run", "unseen", "starts", "stood"}

// String returns the kind's word.
func (k Kind) String() string {
	if int(k) < len(kindWords) {
		return kindWords[k]
	}
	return "unknown"
}

// Interval is a finished piece of the time of one piece of equipment. All its intervals, each with the time it stood
// still before, follow each other without hole or overlap, so they add up exactly to what was counted. A run through
// which sight was lost comes in pieces.
type Interval struct {
	Kind     Kind
	Still    time.Duration    // seen standing still, from the interval before until From; 0 for Counted
	From, To collector.Moment // of Counted both are the moment of the look
	Starts   int              // that it tells: 1 for a run that was seen to start, unless a counter tells starts
	Hour     int              // starts in the hour that ends with From; 0 without a start
	New      bool             // a run begins with it; false for what goes on after sight was lost
	Stopped  bool             // a run that was seen to stop
	Why      string           // why it ended; of Unseen why it was not seen
}

// Alone reports whether it is run time that a meter counted while nobody looked: how much is known, when and in how many
// runs is not.
func (i Interval) Alone() bool { return i.Kind == Ran && i.Why == whyAlone }

// BoxOff reports whether it was not seen because the box was off.
func (i Interval) BoxOff() bool { return i.Kind == Unseen && i.Why == whyBoxOff }

// Length returns how long it was.
func (i Interval) Length() time.Duration { return i.To.Sub(i.From) }

// The reasons why an interval ended that are no fault of a reading.
const (
	whyStopped  = "stopped"
	whyNothing  = "no reading"
	whyBoxOff   = "the box was off"
	whyBack     = "the clock was set back"
	whyHandover = "seen again"
	whyAlone    = "its meter counted while nobody looked"
)

// OnInterval has f called with each interval when it has ended, from within Observe and Restore.
func (m *Meter) OnInterval(f func(Interval)) { m.ended = f }

// Moved reports whether a start, a stop or a jump of a meter was seen since the last call: what is to be kept at once.
func (m *Meter) Moved() bool {
	moved := m.moved
	m.moved = false
	return moved
}

// emit gives an interval away and marks how far the finished ones reach.
func (m *Meter) emit(i Interval) {
	if i.Kind != Counted {
		i.Still = i.From.Sub(m.k.Told)
		m.k.Told = i.To
	}
	if m.ended != nil {
		m.ended(i)
	}
}

// lose begins time in which nothing is seen, unless it has begun.
func (m *Meter) lose(at collector.Moment, why string) {
	if !m.k.Blind {
		m.k.Blind, m.k.Lost, m.k.LostWhy = true, at, why
	}
}

// regain ends it.
func (m *Meter) regain(at collector.Moment) {
	k := &m.k
	if k.Blind && at > k.Lost {
		m.emit(Interval{Kind: Unseen, From: k.Lost, To: at, Why: k.LostWhy})
	}
	k.Blind, k.Lost, k.LostWhy = false, 0, ""
}

// Rest returns the intervals that have not ended yet, up to the last look: an open run, time not seen, or Stood. With
// the finished ones they add up to what is counted, but for Before.
func (k *Kept) Rest() []Interval {
	if !k.Looked {
		return nil
	}
	var out []Interval
	told := k.Told
	if k.Open {
		out = append(out, k.openRun(k.From.Sub(told)))
		told = k.To
	}
	switch {
	case k.Blind:
		out = append(out, Interval{Kind: Unseen, Still: k.Lost.Sub(told), From: k.Lost, To: max(k.At, k.Lost), Why: k.LostWhy})
	case k.At > told:
		out = append(out, Interval{Kind: Stood, From: told, To: k.At})
	}
	return out
}

// openRun returns the open run as far as it was seen.
func (k *Kept) openRun(still time.Duration) Interval {
	i := Interval{Kind: Ran, Still: still, From: k.From, To: k.To, New: k.New}
	if k.StartSeen {
		i.Starts, i.Hour = k.StartCount, k.StartHour
	}
	return i
}

// Totals are sums over intervals.
type Totals struct {
	Run, Seen, Unseen time.Duration
	Starts, Runs      uint64
}

// Add adds an interval.
func (t *Totals) Add(i Interval) {
	t.Seen += i.Still
	t.Starts += uint64(i.Starts)
	switch i.Kind {
	case Ran:
		t.Run += i.Length()
		t.Seen += i.Length()
	case Unseen:
		t.Unseen += i.Length()
	case Stood:
		t.Seen += i.Length()
	}
	if i.New {
		t.Runs++
	}
}

// Totals returns what is counted.
func (k *Kept) Totals() Totals { return Totals{k.Run, k.Seen, k.Unseen, k.Starts, k.Runs} }

// adopt makes what a record from before intervals kept fit: all of it is Before.
func (k *Kept) adopt() {
	if !k.Looked || k.Told != 0 {
		return
	}
	k.Before, k.Told = k.Totals(), k.At
	if k.Open {
		k.Told, k.From, k.StartSeen, k.New = k.To, k.To, false, false
	}
	if k.State == Stopping {
		k.Before.Seen -= k.OffSeen
	}
	if !k.Sighted {
		k.Blind, k.Lost, k.LostWhy = true, k.At, whyNothing
	}
}

// Shifted returns what was kept with all its moments moved; those that are 0 mean none and stay.
func (k Kept) Shifted(by time.Duration) Kept {
	move := func(m *collector.Moment) {
		if *m != 0 {
			*m = m.Add(by)
		}
	}
	k.HourStarts, k.Asked = append([]collector.Moment(nil), k.HourStarts...), append([]Jump(nil), k.Asked...)
	for _, m := range []*collector.Moment{&k.At, &k.Since, &k.From, &k.To, &k.Told, &k.Lost} {
		move(m)
	}
	for i := range k.HourStarts {
		move(&k.HourStarts[i])
	}
	for i := range k.Asked {
		move(&k.Asked[i].At)
	}
	k.Hours.move(by)
	k.Counter.move(by)
	return k
}
