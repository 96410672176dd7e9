package desk

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"slices"
	"strconv"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
)

// DefaultDrillWithin is how long a drill waits for the answer.
const DefaultDrillWithin = 10 * time.Minute

// drill is a test call to one person.
type drill struct {
	Person string           `json:"person"`
	Key    string           `json:"key"` // of its message
	Number int              `json:"number"`
	Sent   collector.Moment `json:"sent"`
	Taken  collector.Moment `json:"taken,omitzero"` // when the channel handed it over
	Way    string           `json:"way,omitzero"`   // the channel that took it, or why none did
	Until  collector.Moment `json:"until"`
	Answer collector.Moment `json:"answer,omitzero"`
	Silent bool             `json:"silent,omitzero"` // no answer can come: that a channel took it ends the drill
	Told   bool             `json:"told,omitzero"`   // the journal has its result
}

// DrillStep is how one person's drill is going.
type DrillStep struct {
	Contact  string
	Number   int
	Key      string        // of its message
	Taken    time.Duration // from writing to the hand-over; 0 not yet
	Way      string        // the channel that took it
	Answered time.Duration // from writing to the answer; 0 not yet
	Late     bool          // no answer in time, or no channel took it
	Silent   bool          // no answer can come from the person: that a channel took it ends the drill
}

// Drill calls the contacts for a test, all of them if none is named, through the same path as an alarm. It returns
// what Step returns. Each person gets one message and answers it with its number within the time; 0: DefaultDrillWithin.
func (d *Desk) Drill(now collector.Moment, contacts []string, within time.Duration) (Outcome, error) {
	if len(contacts) == 0 {
		for i := range d.o.Plan.Contacts {
			contacts = append(contacts, d.o.Plan.Contacts[i].ID)
		}
	}
	for _, id := range contacts {
		if d.contacts[id] == nil {
			return Outcome{Next: d.next}, fmt.Errorf("drill: no contact %q", id)
		}
	}
	within = cmp.Or(within, DefaultDrillWithin)
	out := d.Step(now, nil, nil)
	d.out = Outcome{}
	for i, id := range contacts {
		d.call(id, i+1, len(contacts), within)
	}
	d.changed = true
	d.at(d.now.Add(within))
	out.Dispatches = append(out.Dispatches, d.out.Dispatches...)
	out.Next = d.next
	return out, nil
}

func (d *Desk) call(id string, i, of int, within time.Duration) {
	d.drills = slices.DeleteFunc(d.drills, func(t drill) bool { return t.Person == id }) // a new try
	for n, k := range d.numbers {
		if k.Drill == id {
			delete(d.numbers, n)
		}
	}
	silent := !d.canAnswer(id)
	n, ask, why := 0, "Nothing to do.", "A real call would reach you the same way."
	if !silent {
		n = d.newNumber(number{Drill: id, Used: d.now})
		ask = fmt.Sprintf("Reply OK %d within %s", n, length(within))
		why = ask + ", so that everybody knows that a real call would reach you."
	}
	m := callout.Message{Number: n, Subject: callout.AboutDrill, Thread: "drill", Title: d.o.Plan.Site + ": DRILL, nothing is wrong"}
	m.Short = clip(callout.Plain(fmt.Sprintf("DRILL %s: test call %d of %d, nothing is wrong. %s", d.o.Plan.Site, i, of, ask)), callout.Room)
	m.Text = fmt.Sprintf("DRILL. Nothing is wrong. This is test call %d of %d from %s.\n%s\n\n%s", i, of, d.o.Plan.Site, why, callout.Caution)
	m.HTML = html(m.Title, m.Text, "")
	d.dispatch(id, m, callout.Waiting)
	key := d.out.Dispatches[len(d.out.Dispatches)-1].Message.Key
	d.wake(id, m)
	d.drills = append(d.drills, drill{Person: id, Key: key, Number: n, Silent: silent, Sent: d.now, Until: d.now.Add(within)})
}

// canAnswer reports whether answers can come from a person.
func (d *Desk) canAnswer(id string) bool { return d.o.Answers == nil || d.o.Answers(d.contacts[id]) }

// Took tells the desk what became of a message, for the steps of a drill. Call it with every report of the sender.
func (d *Desk) Took(now collector.Moment, sent *callout.Dispatch) {
	if sent.Message.Subject != callout.AboutDrill {
		return
	}
	for i := range d.drills {
		if t := &d.drills[i]; t.Key == sent.Message.Key && t.Taken == 0 {
			t.Way = cmp.Or(sent.Through, sent.Error)
			if sent.State == callout.HandedOver || sent.State == callout.Delivered {
				t.Taken = max(now, t.Sent+1)
				d.next = min(d.next, d.now) // the next Step tells it
			}
			d.changed = true
		}
	}
}

// Drills returns how the drills that wait for an answer are going.
func (d *Desk) Drills() []DrillStep {
	var list []DrillStep
	for i := range d.drills {
		list = append(list, d.drills[i].step(d.now))
	}
	return list
}

func (t *drill) step(now collector.Moment) DrillStep {
	s := DrillStep{Contact: t.Person, Number: t.Number, Key: t.Key, Way: t.Way, Silent: t.Silent, Late: !t.done() && now >= t.Until}
	if t.Taken != 0 {
		s.Taken = t.Taken.Sub(t.Sent)
	}
	if t.Answer != 0 {
		s.Answered = max(1, t.Answer.Sub(t.Sent))
	}
	return s
}

// done reports whether all that can come of the drill has come.
func (t *drill) done() bool { return t.Answer != 0 || t.Silent && t.Taken != 0 }

func (d *Desk) drillAnswered(id string, who *contact) {
	if who.ID != id {
		d.remark(Unheeded, "", who.label(), "the drill was for somebody else")
		return
	}
	for i := range d.drills {
		if t := &d.drills[i]; t.Person == id && t.Answer == 0 {
			t.Answer, t.Told = d.now, true
			d.remark(DrillDone, "", who.label(), t.words())
			return
		}
	}
	d.remark(Unheeded, "", who.label(), "the drill is over")
}

func (t *drill) words() string {
	way := "not handed over"
	if t.Taken != 0 {
		way = fmt.Sprintf("%s took it after %s", t.Way, length(t.Taken.Sub(t.Sent)))
	} else if t.Way != "" {
		way += ": " + t.Way
	}
	switch {
	case t.Silent && t.Taken != 0:
		return "drill done: no answer can come from this person; " + way
	case t.Silent:
		return "drill failed: " + way
	case t.Answer == 0:
		return "drill failed: no answer in " + length(t.Until.Sub(t.Sent)) + "; " + way
	}
	return "drill done: answered after " + length(t.Answer.Sub(t.Sent)) + "; " + way
}

// endDrills journals drills that ended without an answer, and forgets all when their time is over.
func (d *Desk) endDrills() {
	for i := range d.drills {
		if t := &d.drills[i]; !t.Told && (t.done() || d.now >= t.Until) {
			c := contact{d.contacts[t.Person]}
			d.remark(DrillDone, "", c.label(), t.words())
			t.Told, d.changed = true, true
		}
	}
	d.drills = slices.DeleteFunc(d.drills, func(t drill) bool {
		if d.now < t.Until {
			d.at(t.Until)
			return false
		}
		d.changed = true
		return true
	})
}

// DrillTime returns the moment of a week's drill: in the week that begins at Monday's midnight, on one of the days and at
// a minute between from and to (since midnight) that change from week to week but not from start to start of the box.
func DrillTime(site string, monday time.Time, days []time.Weekday, from, to time.Duration) time.Time {
	if len(days) == 0 || to <= from {
		return time.Time{}
	}
	h := fnv.New64a()
	year, week := monday.ISOWeek()
	_, _ = h.Write([]byte(site + " " + strconv.Itoa(year) + " " + strconv.Itoa(week))) // never fails
	n := mix(h.Sum64())
	day := (int(days[n%uint64(len(days))]) + 6) % 7 // from Monday on
	minutes := uint64((to-from)/time.Minute) + 1
	at := from + time.Duration(n/8%minutes)*time.Minute
	if at >= to {
		at = from
	}
	return time.Date(monday.Year(), monday.Month(), monday.Day()+day, int(at/time.Hour), int(at%time.Hour/time.Minute), 0, 0, monday.Location())
}

// mix spreads a hash's low bits (the finaliser of SplitMix64).
func mix(n uint64) uint64 {
	n = (n ^ n>>30) * 0xbf58476d1ce4e5b9
	n = (n ^ n>>27) * 0x94d049bb133111eb
	return n ^ n>>31
}
