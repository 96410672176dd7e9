package desk_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/rules"
)

// walker lets alarms come and go at random, as the engine would, and holds the desk against the simplest account of
// who must and must not be called.
type walker struct {
	*bench
	random *rand.Rand
	state  []rules.State
	since  []collector.Moment // of the start or re-alarm
	back   []collector.Moment // of the return
	told   []map[string]bool  // since then
	seen   int                // dispatches looked at
	held   map[string]int     // by person, not summed up yet
	lasts  int                // messages of an alarm that was left alone
}

func walkRules() []rules.Rule {
	var list []rules.Rule
	for i := range 8 {
		p := rules.HighPriority
		if i%2 == 1 {
			p = rules.LowPriority
		}
		list = append(list, rule(fmt.Sprintf("alarm-%d", i), 0, rules.Low, 1, p))
	}
	return list
}

func walkPlan(random *rand.Rand) callout.Plan {
	plan := ladder()
	plan.PerHour = 1 + random.IntN(6)
	plan.Merge = time.Duration(random.IntN(3)-1) * 2 * time.Second
	plan.Routes[0].Again = time.Duration(random.IntN(2)) * 20 * time.Minute
	return plan
}

func TestRandomWalks(t *testing.T) {
	walks, steps := 24, 300
	if testing.Short() {
		walks = 10
	}
	var alarms, holds, sums, told int
	for seed := range walks {
		random := rand.New(rand.NewPCG(uint64(seed), 4))
		list := walkRules()
		w := &walker{bench: newBench(t, desk.Options{Plan: walkPlan(random), Rules: list}), random: random, state: make([]rules.State, len(list)),
			since: make([]collector.Moment, len(list)), back: make([]collector.Moment, len(list)), told: make([]map[string]bool, len(list)), held: map[string]int{}}
		for range steps {
			w.move()
			if t.Failed() {
				t.Fatalf("walk %d", seed)
			}
		}
		w.end()
		for _, d := range w.all {
			switch {
			case d.State == callout.HeldBack:
				holds++
			case d.Message.Subject == callout.AboutHeldBack:
				sums++
			case d.Message.Subject == callout.AboutAlarm:
				alarms++
			}
		}
		told += w.lasts
		if t.Failed() {
			t.Fatalf("walk %d", seed)
		}
	}
	if alarms < walks*20 || holds < walks*5 || sums < walks || told < walks {
		t.Errorf("%d alarm messages, %d held back, %d sums, %d waits for the first call: too tame", alarms, holds, sums, told)
	}
}

func (w *walker) move() {
	i := w.random.IntN(len(w.state))
	switch n := w.random.IntN(20); {
	case n < 9:
		w.change(i)
	case n < 10:
		w.restartNow()
	default:
		w.pass(time.Duration(w.random.ExpFloat64() * float64([]time.Duration{time.Second, 20 * time.Second, 10 * time.Minute}[w.random.IntN(3)])))
	}
}

// change gives the alarm one of the events that its state allows.
func (w *walker) change(i int) {
	var e rules.Event
	switch s := w.state[i]; {
	case s == rules.Unacknowledged && w.random.IntN(2) == 0:
		e = ev(i, rules.EventAcknowledged)
	case s == rules.Unacknowledged:
		e = ev(i, rules.EventReturned)
	case s == rules.Acknowledged && w.random.IntN(4) == 0:
		e = ev(i, rules.EventRealarmed)
	case s == rules.Acknowledged:
		e = ev(i, rules.EventReturned)
		e.To = rules.Normal
	case s == rules.ReturnUnacknowledged && w.random.IntN(2) == 0:
		e = ev(i, rules.EventAcknowledged)
		e.To = rules.Normal
	case s == rules.Shelved:
		e = ev(i, rules.EventUnshelved)
	case w.random.IntN(10) == 0:
		e = ev(i, rules.EventShelved)
		e.To = rules.Shelved
	default:
		e = ev(i, rules.EventStarted)
	}
	e.From, w.state[i] = w.state[i], e.To
	if e.Kind == rules.EventStarted || e.Kind == rules.EventRealarmed {
		w.since[i] = w.now
		if !w.goesOn(i, e.From) {
			w.told[i] = map[string]bool{}
		}
	}
	if e.Kind == rules.EventReturned {
		w.back[i] = w.now
	}
	w.step(e)
	w.look()
}

// goesOn reports whether a start is no new call: nobody had it, and it is back before its return was told.
func (w *walker) goesOn(i int, from rules.State) bool {
	r := w.d.Save().Restless[w.o.Rules[i].Name]
	return from == rules.ReturnUnacknowledged && (w.now.Sub(w.back[i]) < desk.DefaultSettle || r != nil && r.On)
}

func (w *walker) restartNow() {
	var status []rules.Status
	for i, s := range w.state {
		status = append(status, rules.Status{Rule: i, State: s, Started: w.since[i]})
	}
	old := w.now
	w.restart(time.Duration(w.random.IntN(60))*time.Second, status)
	for i := range w.since {
		w.since[i] = w.since[i].Add(w.now.Sub(old)) // generous: the gap does not count as a wait
		w.back[i] = w.back[i].Add(other)            // the return is told by real time
	}
	w.look()
}

// pass lets time go by and looks after each step, so that a message meets the states of its moment.
func (w *walker) pass(d time.Duration) {
	end := w.now.Add(d)
	for w.next <= end {
		w.now = w.next
		w.step()
		w.look()
		if w.next <= w.now {
			w.t.Fatal("the desk asks for the same moment again")
		}
	}
	w.now = end
	w.check()
}

// look holds new messages against the account.
func (w *walker) look() {
	numbers := w.d.Save()
	for ; w.seen < len(w.all); w.seen++ {
		d := &w.all[w.seen]
		switch m := &d.Message; {
		case d.State == callout.HeldBack:
			w.held[d.Contact]++
			w.holds(d)
		case m.Subject == callout.AboutHeldBack:
			w.sum(d)
		case m.Subject == callout.AboutAlarm && !strings.Contains(m.Short, "CHATTERING"):
			w.calls(d, alarmsOf(numbers, m.Number))
		}
	}
}

// holds: only low priority, or what the person heard of before, is held back.
func (w *walker) holds(d *callout.Dispatch) {
	if d.Message.Subject != callout.AboutAlarm || strings.Contains(d.Message.Short, "CHATTERING") {
		return
	}
	for _, name := range alarmsOf(w.d.Save(), d.Message.Number) {
		i := index(name)
		if w.o.Rules[i].Priority == rules.HighPriority && !w.told[i][d.Contact] {
			w.t.Errorf("the first message about %s to %s was held back", name, d.Contact)
		}
	}
}

// sum: what was held back is told, all of it.
func (w *walker) sum(d *callout.Dispatch) {
	var n int
	if _, err := fmt.Sscanf(strings.TrimPrefix(d.Message.Title, w.o.Plan.Site+": "), "%d message", &n); err != nil || n != w.held[d.Contact] {
		w.t.Errorf("%q was told after %d messages to %s were held back", d.Message.Title, w.held[d.Contact], d.Contact)
	}
	w.held[d.Contact] = 0
	for _, name := range alarmsOf(w.d.Save(), d.Message.Number) {
		w.told[index(name)][d.Contact] = true
	}
}

// calls: nobody is called about what is acknowledged or over, nor twice but where the repeat says so.
func (w *walker) calls(d *callout.Dispatch, alarms []string) {
	repeats := strings.Contains(d.Message.Short, "STILL") || strings.Contains(d.Message.Text, "Also:")
	for _, name := range alarms {
		i := index(name)
		if w.state[i] != rules.Unacknowledged {
			w.t.Errorf("%s is called about %s, which is %v", d.Contact, name, w.state[i])
		}
		if w.told[i][d.Contact] && !repeats {
			w.t.Errorf("%s is called twice about %s: %s", d.Contact, name, d.Message.Short)
		}
		w.told[i][d.Contact] = true
	}
}

// check: a high priority alarm that stands was told to the first of its route; one that chattered had to stand first.
func (w *walker) check() {
	for i, s := range w.state {
		if s != rules.Unacknowledged || w.o.Rules[i].Priority != rules.HighPriority || w.now.Sub(w.since[i]) < 125*time.Second {
			continue
		}
		w.lasts++
		if !w.told[i]["ann"] {
			w.t.Errorf("%s stands since %v and nobody was called", w.o.Rules[i].Name, w.now.Sub(w.since[i]))
		}
	}
}

// end lets everything calm down and then looks what is left.
func (w *walker) end() {
	for i, s := range w.state {
		if s == rules.Unacknowledged || s == rules.Acknowledged {
			w.state[i] = rules.ReturnUnacknowledged
			w.step(ev(i, rules.EventReturned))
			w.look()
		}
	}
	w.pass(72 * time.Hour)
	for id, n := range w.held {
		if n > 0 {
			w.t.Errorf("%d messages to %s were held back and never told", n, id)
		}
	}
	if m := w.d.Save(); len(m.Calls)+len(m.Pending)+len(m.Numbers)+len(m.Restless)+len(m.Persons) > 0 {
		w.t.Errorf("three quiet days later the desk still holds %d calls, %d notices, %d numbers, %d restless, %d people", len(m.Calls), len(m.Pending), len(m.Numbers), len(m.Restless), len(m.Persons))
	}
}

func index(name string) int {
	return slices.IndexFunc(walkRules(), func(r rules.Rule) bool { return r.Name == name })
}

func alarmsOf(m desk.Memory, n int) []string {
	if k := m.Numbers[n]; k != nil {
		return k.Alarms
	}
	return nil
}
