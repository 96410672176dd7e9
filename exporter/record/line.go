package record

import (
	"encoding/json"
	"math"
	"strconv"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// Kind says what a line tells: the word of a rules.EventKind where the line has an Alarm, or one of those below.
type Kind string

// The kinds of line that are about the box.
const (
	BoxStarted    Kind = "box started" // Length: how long nothing was watched before, after a planned stop
	BoxStopped    Kind = "box stopped" // as planned
	Outage        Kind = "outage"      // the box ended unplanned; Length: from when it was last alive to its next start
	ClockStepped  Kind = "clock stepped"
	RulesReloaded Kind = "rules reloaded"
	AlarmRemoved  Kind = "alarm removed" // its rule is gone; its states end here
	LinesLost     Kind = "lines lost"    // Count lines could not be written, the first at Until and the last at Time
	Remark        Kind = "remark"        // of a person
	// LeakTested is a finished leak test of Point: Value in Unit, uncertain where it did not settle; it took Length, Why
	// says what it rests on.
	LeakTested Kind = "leak tested"
	// AsFound and AsLeft tell a comparison of a point with the gauge beside its sensor, before and after work on it.
	AsFound Kind = "as found"
	AsLeft  Kind = "as left"
	// RecordTakenUp: the record could not be opened at the start; Length: for how long what happened was kept in memory. Why
	// tells what was the matter, and what of that time is on the record.
	RecordTakenUp Kind = "record taken up"
	// AlarmAnew: what was kept of the alarm could not be read at the start, so that it began anew; Why tells how it stood.
	AlarmAnew Kind = "judged anew"
	// LinesRedated: Count lines from before the clock was set have got their true time, the first is at Until.
	LinesRedated Kind = "lines re-dated"
)

// jumps reports whether the wall time may step at a line of this kind.
func (k Kind) jumps() bool { return k == BoxStarted || k == Outage || k == ClockStepped }

// measures reports whether a line of this kind has a value without an alarm.
func (k Kind) measures() bool { return k == LeakTested }

// Line is one line of the journal.
type Line struct {
	Seq    uint64           // 1, 2, 3 ... for the life of the record; given when it is written
	Time   time.Time        // UTC, to the millisecond; zero when given: the clock's time of At
	At     collector.Moment // steady: never before that of the line before; zero when given: that of its Change
	Steady collector.Moment // At on the record's own scale; given when it is written
	Run    int64            // counts the starts of the daemon; given when it is written
	Boot   string           // the machine's boot during that run, "" if not known; given when it is written

	Kind    Kind
	Alarm   string // "" for a line about the box
	Point   string
	From    rules.State // From and To mean something only with an Alarm
	To      rules.State
	Value   float64 // NaN: none; only with an Alarm, as Limit and Quality, or of a leak test
	Limit   float64 // NaN: none
	Unit    string  // of Value and Limit
	Quality collector.Quality
	// Priority is the alarm's as the rules had it then; NoPriority: older lines do not tell.
	Priority rules.Priority
	Who      string // of a person's act
	Why      string
	Until    time.Time     // end of a shelve; zero: none
	Length   time.Duration // of an outage or a step of the clock
	Count    uint64        // of lines lost or re-dated
	// Undated: Time is that of a clock that was not set, and no date. Given when it is written.
	Undated bool
}

// Event returns the line of an alarm's event. The clock tells the wall time of moments.
func Event(clock *collector.Clock, points []collector.Point, list []rules.Rule, e *rules.Event) Line {
	rule := &list[e.Rule]
	l := Line{
		At: e.At, Time: clock.Time(e.At), Kind: Kind(e.Kind.String()), Alarm: rule.Name, From: e.From, To: e.To,
		Value: e.Value, Limit: e.Limit, Unit: rule.Unit, Quality: e.Quality, Priority: rule.Priority, Who: e.Who, Why: e.Why,
	}
	if p := int(rule.Point); p >= 0 && p < len(points) {
		l.Point = points[p].Name
	}
	if e.Until != 0 {
		l.Until = clock.Time(e.Until)
	}
	return l
}

// lineJSON is a line as the interface tells it. What a line does not have is null or "".
type lineJSON struct {
	Seq      uint64       `json:"seq"`
	Time     string       `json:"time"`
	Steady   int64        `json:"steady"` // milliseconds on the record's own scale: order and distances, no date
	Run      int64        `json:"run"`
	Boot     string       `json:"boot"`
	Event    Kind         `json:"event"`
	Alarm    string       `json:"alarm"`
	Point    string       `json:"point"`
	From     *rules.State `json:"from"`
	To       *rules.State `json:"to"`
	Value    *float64     `json:"value"`
	Limit    *float64     `json:"limit"`
	Unit     string       `json:"unit"`
	Quality  string       `json:"quality"`
	Priority string       `json:"priority"`
	Who      string       `json:"who"`
	Why      string       `json:"why"`
	Until    *string      `json:"until"`
	Seconds  *float64     `json:"seconds"`
	Count    uint64       `json:"count,omitempty"`
	Undated  bool         `json:"undated,omitempty"` // its time is that of a clock that was not set
}

const stampLayout = "2006-01-02T15:04:05.000Z07:00"

// MarshalJSON returns the line as /api/v1/journal tells it: times in RFC 3339, states in words, what is absent null.
func (l Line) MarshalJSON() ([]byte, error) {
	j := lineJSON{
		Seq: l.Seq, Time: l.Time.UTC().Format(stampLayout), Steady: int64(l.Steady) / int64(time.Millisecond), Run: l.Run, Boot: l.Boot,
		Event: l.Kind, Alarm: l.Alarm, Point: l.Point, Unit: l.Unit,
		Who: l.Who, Why: l.Why, Count: l.Count, Undated: l.Undated,
	}
	if l.Alarm != "" {
		j.From, j.To, j.Quality = &l.From, &l.To, l.Quality.String()
		j.Value, j.Limit = number(l.Value), number(l.Limit)
	}
	if l.Kind.measures() {
		j.Value, j.Quality = number(l.Value), l.Quality.String()
	}
	if l.Priority != rules.NoPriority {
		j.Priority = l.Priority.String()
	}
	if !l.Until.IsZero() {
		until := l.Until.UTC().Format(stampLayout)
		j.Until = &until
	}
	if l.Length != 0 {
		seconds := l.Length.Seconds()
		j.Seconds = &seconds
	}
	return json.Marshal(j)
}

// number returns nil for what JSON cannot say, and leaves out the noise of binary fractions (7.300000000000001): 12 digits
// are more than any instrument tells. Counters keep all of theirs.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	if v != math.Trunc(v) {
		if t, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64); err == nil {
			v = t
		}
	}
	return &v
}
