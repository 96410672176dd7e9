// Package desk decides who is called about which alarm, when, with which words, and when that may stop. It is pure: it
// has no clock, no goroutine and no I/O; everything follows from the moments, events and answers it is given, so it
// runs alike live, in tests and over recorded data.
//
//	d, err := desk.New(desk.Options{Plan: plan, Rules: set.Rules, Points: points, Time: clock.Time})
//	out := d.Step(now, events, answers)
//	// out.Acts go to the rules engine and their events into the next Step; out.Dispatches and d.Save() into the
//	// record with the events' lines, and only then the dispatches to the sender.
//
// How it decides:
//
//   - An alarm is told to the first step of its route. The next step follows when nobody acknowledged in time; the last
//     is repeated where the route says so. A step that finds nobody is passed over at once.
//   - Acknowledgement by anybody, the return to normal, a shelve, out of service and suppression stop it. A re-alarm
//     begins anew. Notes and alarms without a route never call.
//   - What begins within Plan.Merge goes as one message to each person. An alarm of high priority that neither has causes
//     nor is one does not wait: it goes at once, with what else began in the same round.
//   - A consequence does not call: the message of its cause counts it. One that was about to call, or did, joins.
//   - Outside the route's open hours and in quiet hours a call waits, and is dropped if the alarm is over by then.
//   - The return to normal is told Settle after it, to those who were called and to the route's own list. An alarm that
//     begins again before that is the same call. One that begins three times in Restless is told once as chattering, with
//     its count, and then hourly and when it has calmed; it calls again only if it stays.
//   - A person gets at most Plan.PerHour messages in any hour. What is beyond is held back and summed up as soon as there
//     is room. The first message of a high priority alarm is never held back.
package desk

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/rules"
)

// Defaults of Options and limits of the policy.
const (
	DefaultMerge    = 2 * time.Second
	DefaultSettle   = 30 * time.Second
	DefaultRestless = 10 * time.Minute
	restlessStarts  = 3                // in Restless: more than three in one minute is ISA-18.2's figure; delays make that rare
	standing        = 2 * time.Minute  // a chattering alarm that stays so long is none
	summaryEvery    = time.Hour        // while one chatters
	numberKept      = 24 * time.Hour   // a number is not given to another alarm for so long
	returnGrid      = 10 * time.Second // returns within it are told together
)

// Options are what a desk works by. Plan, Rules and Points are needed; they are not changed.
type Options struct {
	Plan   callout.Plan
	Rules  []rules.Rule
	Points []collector.Point

	Zone *time.Location // of the times in texts; nil: UTC
	// Time tells the wall time of a moment; nil: moments are Unix time.
	Time func(collector.Moment) time.Time
	// NotBefore is the program's build date: while the time is before it the clock is not set.
	NotBefore time.Time

	// Look tells how an alarm is now, for messages that come later than its start; nil: as it started.
	Look func(rule int) Look
	// Link makes a link by which the person may acknowledge; nil: none.
	Link func(rule int, person string, now time.Time) string
	// Parse reads the number and the agreement in an answer's text; nil: 'ok' and 'ok 7'.
	Parse func(text string) (number int, ok bool)

	// Answers reports whether answers can come from a person: one with a telephone. Nil: from everybody.
	Answers func(*callout.Contact) bool

	Wording  Wording       // of the texts; zero: the defaults
	Settle   time.Duration // between a return and its message; 0: DefaultSettle
	Restless time.Duration // 0: DefaultRestless
}

// Look is how an alarm is at this moment.
type Look struct {
	Value, Peak float64 // NaN: not known
	Trend       string  // 'falling', 'rising', 'steady'; "" not known
	Lost        bool    // its reading is bad: it must be taken as still in alarm
}

// Outcome is what follows from a step.
type Outcome struct {
	Dispatches []callout.Dispatch // new ones, also those that are held back
	Acts       []rules.Act        // what answers asked for; the engine refuses what is done already
	Remarks    []Remark           // for the journal
	Next       collector.Moment   // Step must be called then, even if nothing happens before
}

// Remark is a line for the journal about a call-out.
type Remark struct {
	Kind  RemarkKind
	Alarm string // "" for none
	Who   string // the person, or the number an answer came from
	Why   string
}

// RemarkKind says what a remark is about.
type RemarkKind uint8

// The kinds of remark.
const (
	Answered  RemarkKind = iota // an answer that was understood
	Unheeded                    // an answer that counts for nothing, and why
	DrillDone                   // the result of a drill for one person
	Nobody                      // a call reached nobody
)

// Desk holds the calls that are open. It is used by one goroutine at a time.
type Desk struct {
	o        Options
	routes   map[string]*callout.Route
	contacts map[string]*callout.Contact
	loner    []bool // by rule: neither has causes nor is one
	texts    *texts

	now      collector.Moment
	next     collector.Moment
	changed  bool
	calls    map[int]*call // by rule
	under    map[int]int   // rule to the cause that suppresses it
	restless map[int]*restless
	pending  []notice
	persons  map[string]*person
	numbers  map[int]*number
	drills   []drill
	seq      uint64 // of messages
	last     int    // number given last
	out      Outcome
}

// New checks that the parts fit each other and returns a desk without open calls.
func New(o Options) (*Desk, error) {
	d := &Desk{
		o: o, routes: map[string]*callout.Route{}, contacts: map[string]*callout.Contact{}, loner: make([]bool, len(o.Rules)),
		calls: map[int]*call{}, under: map[int]int{}, restless: map[int]*restless{}, persons: map[string]*person{}, numbers: map[int]*number{},
	}
	d.o.Settle, d.o.Restless = cmp.Or(o.Settle, DefaultSettle), cmp.Or(o.Restless, DefaultRestless)
	d.o.Plan.Merge = max(0, cmp.Or(o.Plan.Merge, DefaultMerge))
	if o.Zone == nil {
		d.o.Zone = time.UTC
	}
	if o.Time == nil {
		d.o.Time = func(m collector.Moment) time.Time { return time.Unix(0, int64(m)).UTC() }
	}
	if o.Parse == nil {
		d.o.Parse = parse
	}
	var err error
	if d.texts, err = newTexts(o.Wording); err != nil {
		return nil, err
	}
	return d, d.index()
}

// index finds routes, contacts and lone alarms, and checks the names that the parts use of each other.
func (d *Desk) index() error {
	for i := range d.o.Plan.Contacts {
		d.contacts[d.o.Plan.Contacts[i].ID] = &d.o.Plan.Contacts[i]
	}
	for i := range d.o.Plan.Routes {
		r := &d.o.Plan.Routes[i]
		d.routes[r.Name] = r
		for _, w := range allOf(r) {
			if err := d.known(w); err != nil {
				return fmt.Errorf("route %s: %w", r.Name, err)
			}
		}
	}
	for i := range d.loner {
		d.loner[i] = len(d.o.Rules[i].CausedBy) == 0
	}
	for i := range d.o.Rules {
		r := &d.o.Rules[i]
		if r.CallOut != "" && d.routes[r.CallOut] == nil {
			return fmt.Errorf("rule %s: call-out: no route %q", r.Name, r.CallOut)
		}
		for _, cause := range r.CausedBy {
			if cause < 0 || cause >= len(d.loner) {
				return fmt.Errorf("rule %s: caused by rule %d, which is not known", r.Name, cause)
			}
			d.loner[cause] = false
		}
	}
	return nil
}

func allOf(r *callout.Route) []callout.Who {
	list := slices.Clone(r.Return)
	for _, s := range r.Steps {
		list = append(list, s.Who...)
	}
	return list
}

func (d *Desk) known(w callout.Who) error {
	switch {
	case w.Person != "" && d.contacts[w.Person] == nil:
		return fmt.Errorf("no contact %q", w.Person)
	case w.Person == "" && (w.Rota < 0 || w.Rota >= len(d.o.Plan.Rotas)):
		return fmt.Errorf("no rota %d", w.Rota)
	}
	return nil
}

// Step takes what happened at now and returns what follows. Without events, answers or anything due it does nothing.
// A now before the last one counts as the last one. Every event of the engine must come by here once, in order.
func (d *Desk) Step(now collector.Moment, events []rules.Event, answers []callout.Answer) Outcome {
	d.now = max(d.now, now)
	d.out = Outcome{}
	if len(events) == 0 && len(answers) == 0 && d.now < d.next {
		d.out.Next = d.next
		return d.out
	}
	for i := range events {
		d.event(&events[i])
	}
	for i := range answers {
		d.answer(&answers[i])
	}
	d.next = collector.Never
	d.watchRestless()
	d.climbAll()
	d.flush()
	d.endDrills()
	d.forget()
	d.out.Next = d.next
	return d.out
}

// Changed reports whether what Save returns changed since the last call.
func (d *Desk) Changed() bool {
	changed := d.changed
	d.changed = false
	return changed
}

// at makes sure that the desk is asked again by then.
func (d *Desk) at(m collector.Moment) { d.next = min(d.next, m) }

// clockSet reports whether the box knows what time it is.
func (d *Desk) clockSet() bool { return !d.o.Time(d.now).Before(d.o.NotBefore) }

func (d *Desk) rule(i int) *rules.Rule { return &d.o.Rules[i] }

// route returns the route by which the alarm of a rule calls, nil if it does not.
func (d *Desk) route(i int) *callout.Route {
	r := d.rule(i)
	if r.CallOut == "" || r.Priority == rules.Note {
		return nil
	}
	return d.routes[r.CallOut]
}

// sorted returns the keys in order, so that the same input gives the same output.
func sorted[K cmp.Ordered, V any](m map[K]V) []K { return slices.Sorted(maps.Keys(m)) }
