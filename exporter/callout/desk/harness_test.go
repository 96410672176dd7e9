package desk_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/rules"
)

// start is 06:12 on a Saturday in Dublin, in winter.
var start = time.Date(2026, 11, 28, 6, 12, 0, 0, time.UTC)

type turn func(m collector.Moment) ([]string, collector.Moment)

func (t turn) On(m collector.Moment) ([]string, collector.Moment) { return t(m) }

// between is inside from the first to the second moment.
type between struct{ from, to collector.Moment }

func (b between) At(m collector.Moment) (bool, collector.Moment) {
	switch {
	case m < b.from:
		return false, b.from
	case m < b.to:
		return true, b.to
	}
	return false, collector.Never
}

func contacts(ids ...string) (list []callout.Contact) {
	for i, id := range ids {
		list = append(list, callout.Contact{ID: id, Name: strings.ToUpper(id[:1]) + id[1:], Patience: time.Minute,
			Addresses: []callout.Address{{Channel: "sms", To: fmt.Sprintf("+3535550%03d", i)}, {Channel: "mail", To: id + "@wash.example"}}})
	}
	return list
}

var points = []collector.Point{
	{ID: 0, Name: "air.header.pressure", Station: "air", Unit: "bar", Digits: 1},
	{ID: 1, Name: "mains.good", Station: "power", Kind: collector.State},
	{ID: 2, Name: "air.compressor.fault", Station: "air", Kind: collector.State},
	{ID: 3, Name: "hyd.oil.temperature", Station: "hyd", Unit: "degC", Digits: 1},
	{ID: 4, Name: "pit.3.level", Station: "reclaim", Unit: "m", Digits: 2},
}

func rule(name string, point collector.PointID, kind rules.Kind, limit float64, p rules.Priority, causes ...int) rules.Rule {
	r := rules.Rule{Name: name, Point: point, Kind: kind, Limit: limit, Priority: p, CallOut: "on-call", Severity: rules.Major, CausedBy: causes, Other: collector.NoPoint}
	r.Unit, r.Digits = points[point].Unit, points[point].Digits
	return r
}

// bench drives a desk.
type bench struct {
	t       *testing.T
	d       *desk.Desk
	o       desk.Options
	now     collector.Moment
	next    collector.Moment
	all     []callout.Dispatch
	acts    []rules.Act
	remarks []desk.Remark
}

func newBench(t *testing.T, o desk.Options) *bench {
	t.Helper()
	if o.Points == nil {
		o.Points = points
	}
	d, err := desk.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return &bench{t: t, d: d, o: o, now: collector.At(start), next: collector.Never}
}

// step hands events over now and returns the new messages.
func (b *bench) step(events ...rules.Event) []callout.Dispatch {
	for i := range events {
		if events[i].At == 0 {
			events[i].At = b.now
		}
	}
	return b.took(b.d.Step(b.now, events, nil))
}

func (b *bench) took(out desk.Outcome) []callout.Dispatch {
	b.next = out.Next
	b.all = append(b.all, out.Dispatches...)
	b.acts = append(b.acts, out.Acts...)
	b.remarks = append(b.remarks, out.Remarks...)
	return out.Dispatches
}

func (b *bench) answer(from, text string) []callout.Dispatch {
	return b.took(b.d.Step(b.now, nil, []callout.Answer{{From: from, Text: text}}))
}

// wait lets time pass, with a step at each moment that the desk asks for, and returns the new messages.
func (b *bench) wait(d time.Duration) (list []callout.Dispatch) {
	end := b.now.Add(d)
	for b.next <= end {
		if b.next < b.now {
			b.t.Fatalf("the desk asks for %v ago", b.now.Sub(b.next))
		}
		b.now = b.next
		before := b.next
		list = append(list, b.step()...)
		if b.next <= before {
			b.t.Fatalf("the desk asks for the same moment again")
		}
	}
	b.now = end
	return list
}

// other is how far from the old clock's scale the new one's begins.
const other = 1000 * time.Hour

// restart goes on with another desk after a gap, on a clock that begins elsewhere.
func (b *bench) restart(gap time.Duration, status []rules.Status) {
	b.t.Helper()
	text, err := json.Marshal(b.d.Save())
	if err != nil {
		b.t.Fatal(err)
	}
	var m desk.Memory
	if err := json.Unmarshal(text, &m); err != nil {
		b.t.Fatal(err)
	}
	at := m.At.Add(other)
	b.now = b.now.Add(gap + other)
	clock := b.o.Time
	if clock == nil {
		clock = func(m collector.Moment) time.Time { return time.Unix(0, int64(m)).UTC() }
	}
	b.o.Time = func(m collector.Moment) time.Time { return clock(m.Add(-other)) }
	if b.d, err = desk.New(b.o); err != nil {
		b.t.Fatal(err)
	}
	b.d.Restore(b.now, at, m, status)
	b.took(b.d.Step(b.now, nil, nil))
}

func ev(rule int, kind rules.EventKind) rules.Event {
	e := rules.Event{Rule: rule, Kind: kind, Value: math.NaN(), Limit: math.NaN(), Quality: collector.Good}
	switch kind {
	case rules.EventStarted, rules.EventRealarmed:
		e.To = rules.Unacknowledged
	case rules.EventAcknowledged:
		e.From, e.To, e.Who = rules.Unacknowledged, rules.Acknowledged, "N. Quill"
	case rules.EventReturned:
		e.From, e.To = rules.Unacknowledged, rules.ReturnUnacknowledged
	case rules.EventSuppressed:
		e.To = rules.SuppressedByDesign
	}
	return e
}

func valued(e rules.Event, v float64) rules.Event { e.Value = v; return e }

// brief shows messages as 'person: short text'.
func brief(list []callout.Dispatch) string {
	var lines []string
	for i := range list {
		lines = append(lines, list[i].Contact+" "+list[i].State.String()+": "+list[i].Message.Short)
	}
	return strings.Join(lines, "\n")
}

func want(t *testing.T, what string, got []callout.Dispatch, lines ...string) {
	t.Helper()
	if g, w := brief(got), strings.Join(lines, "\n"); g != w {
		t.Errorf("%s: got\n%s\nwant\n%s", what, g, w)
	}
}

// people tells who got messages, and about what.
func people(list []callout.Dispatch) string {
	var lines []string
	for i := range list {
		m := &list[i].Message
		lines = append(lines, fmt.Sprintf("%s:%s:%s", list[i].Contact, m.Subject, m.Alarm))
	}
	return strings.Join(lines, " ")
}

func wantPeople(t *testing.T, what string, got []callout.Dispatch, want string) {
	t.Helper()
	if g := people(got); g != want {
		t.Errorf("%s: got %q, want %q", what, g, want)
	}
}

// ladder is a plan of three people one after the other.
func ladder() callout.Plan {
	return callout.Plan{Site: "Ardenmoor", Contacts: contacts("ann", "ben", "cat"), Routes: []callout.Route{{
		Name: "on-call",
		Steps: []callout.Step{{Who: []callout.Who{{Person: "ann"}}}, {After: 5 * time.Minute, Who: []callout.Who{{Person: "ben"}, {Person: "ann"}}},
			{After: 15 * time.Minute, Who: []callout.Who{{Person: "cat"}}}},
	}}}
}
