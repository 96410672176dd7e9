package rules_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// byTheSecond is deadband, delays and on-total worked out by looking at every second and adding up.
type byTheSecond struct {
	limit, back             float64
	on, off, total, within  int
	active, pending, usable bool
	value                   float64
	waited                  int    // seconds of the pending change
	history                 []bool // of each second since the last return: low and usable
	events                  string
	met                     bool
}

// second s passes: what stood before it is counted, then the readings of s are taken.
func (m *byTheSecond) second(s int, reading *collector.Reading) {
	if m.usable && m.pending {
		m.waited++
	}
	if !m.active {
		m.history = append(m.history, m.usable && m.met)
	}
	if reading != nil {
		m.usable = reading.Quality.Usable()
		if m.usable {
			m.value = reading.Value
		}
	}
	if !m.usable {
		return
	}
	m.met = m.value < m.limit
	if m.active {
		m.met = m.value >= m.back
	}
	if !m.met {
		m.pending, m.waited = false, 0
		return
	}
	m.pending = true
	delay := m.on
	if m.active {
		delay = m.off
	}
	if m.waited < delay && (m.active || m.total == 0 || m.sum() < m.total) {
		return
	}
	m.active = !m.active
	m.pending, m.waited, m.history, m.met = false, 0, nil, false
	m.events += fmt.Sprintf("%d %v; ", s, m.active)
}

func (m *byTheSecond) sum() int {
	n := 0
	for _, low := range m.history[max(0, len(m.history)-m.within):] {
		if low {
			n++
		}
	}
	return n
}

// Deadband, on-delay, off-delay and on-total with bad readings between, against a model that polls. Three engines are
// called in three ways: at deadlines, only when readings come, and far more often than needed.
func TestDelaysAgainstAPollingModel(t *testing.T) {
	starts := 0
	for seed := range uint64(100) {
		rnd := rand.New(rand.NewPCG(seed, 5))
		m := &byTheSecond{limit: 5, back: 6, on: rnd.IntN(12), off: rnd.IntN(12)}
		if seed%2 == 0 {
			m.total = 1 + rnd.IntN(10)
			m.within = m.total + rnd.IntN(30)
			m.on += 10
		}
		rule := rules.Rule{Kind: rules.Low, Limit: 5, Deadband: 1, OnDelay: time.Duration(m.on) * time.Second, OffDelay: time.Duration(m.off) * time.Second,
			OnTotal: time.Duration(m.total) * time.Second, OnWithin: time.Duration(m.within) * time.Second}
		set := rules.Set{Rules: []rules.Rule{rule}}
		atDeadlines, seldom, often := newRoom(t, set), newRoom(t, set), newRoom(t, set)
		for s := range 500 {
			var reading *collector.Reading
			if rnd.IntN(4) == 0 {
				r := good(0, 4+float64(rnd.IntN(4)))
				if rnd.IntN(8) == 0 {
					r = bad(0)
				}
				reading = &r
				atDeadlines.step(float64(s), r)
				seldom.next = collector.Never
				seldom.step(float64(s), r)
				often.step(float64(s), r)
			}
			m.second(s, reading)
			for i := range 3 {
				often.step(float64(s) + float64(i)/3)
			}
		}
		end := collector.Moment(500) * second
		for _, r := range []*room{atDeadlines, seldom, often} {
			r.until(end)
			r.events, r.next = r.engine.Step(end-1, nil, r.events)
			checkJournal(t, r.events, 1, nil)
			got := ""
			for _, ev := range r.events {
				switch ev.Kind {
				case rules.EventStarted, rules.EventReturned:
					got += fmt.Sprintf("%g %v; ", float64(ev.At)/1e9, ev.Kind == rules.EventStarted)
					starts++
				}
			}
			if got != m.events {
				t.Fatalf("seed %d: delays %d/%d, total %d of %d\nengine %s\n model %s", seed, m.on, m.off, m.total, m.within, got, m.events)
			}
		}
	}
	if starts < 1000 {
		t.Errorf("%d changes only: the walk shows nothing", starts)
	}
}

// A low that dips for 4 of every 8 seconds never meets an on-delay of 5 s; 'on-total: 5m of 10m' catches it.
func TestOnTotalCatchesDips(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.Low, Limit: 5.5, OnDelay: 5 * time.Second, OffDelay: 30 * time.Second,
		OnTotal: 5 * time.Minute, OnWithin: 10 * time.Minute}}})
	for s := range 1200 {
		v := 5.0
		if s%8 >= 4 {
			v = 6
		}
		r.step(float64(s), good(0, v))
	}
	// 75 dips of 4 s are 300 s, but the last of them ends at 74*8 + 4 = 596: it starts with the next.
	r.want("events", "600 r0 started A>B")
}

// More changes within the window than are kept: the sum stays right, only its oldest part is joined.
func TestOnTotalWithMoreChangesThanAreKept(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.Low, Limit: 5.5, OnDelay: time.Hour, OnTotal: 50 * time.Minute, OnWithin: 100 * time.Minute}}})
	for i := 0; len(r.events) == 0 && i < 100000; i++ {
		r.step(float64(i)*0.5, good(0, []float64{5, 6}[i%2]))
	}
	r.want("half of the time true", "6000 r0 started A>B")
}

// An engine that is saved, written down, read back and restored at any moment goes on as if nothing had been.
func TestMemoryGoesOn(t *testing.T) {
	for seed := range uint64(8) {
		rnd := rand.New(rand.NewPCG(seed, 9))
		set := everyKind()
		whole, broken := newRoom(t, set), newRoom(t, set)
		var latest [8]*collector.Reading
		for s := range 400 {
			now := float64(s)
			var readings []collector.Reading
			for p := range 5 {
				if rnd.IntN(3) > 0 {
					continue
				}
				r := good(p, float64(rnd.IntN(7)))
				if p > 0 && p < 4 {
					r.Value = float64(rnd.IntN(2))
				}
				if rnd.IntN(10) == 0 {
					r = bad(p)
				}
				r.At = collector.Moment(s) * second
				readings = append(readings, r)
				latest[p] = &r
			}
			whole.step(now, readings...)
			broken.step(now, readings...)
			if rnd.IntN(8) == 0 {
				act := rules.Act{Kind: rules.ActKind(rnd.IntN(6)), Rule: rnd.IntN(len(set.Rules)), Who: "ann", Why: "x", For: time.Duration(1+rnd.IntN(50)) * time.Second}
				err1, err2 := whole.act(now, act), broken.act(now, act)
				if (err1 == nil) != (err2 == nil) {
					t.Fatalf("seed %d at %d: %s: %v, and after memory %v", seed, s, act.Kind, err1, err2)
				}
			}
			if rnd.IntN(10) == 0 {
				broken.reborn(latest[:])
			}
			if a, b := whole.lines(), broken.lines(); a != b {
				t.Fatalf("seed %d at %d:\n whole %s\nbroken %s", seed, s, a, b)
			}
			if s%20 != 0 {
				continue
			}
			for i, st := range whole.engine.Status(nil) {
				got := broken.engine.Status(nil)[i]
				if a, b := fmt.Sprintf("%+v", st), fmt.Sprintf("%+v", got); a != b {
					t.Fatalf("seed %d at %d: %s\n whole %s\nbroken %s", seed, s, set.Rules[i].Name, a, b)
				}
			}
		}
	}
}

// reborn replaces the engine by one restored from what a file would hold.
func (r *room) reborn(latest []*collector.Reading) {
	r.t.Helper()
	text, err := json.Marshal(r.engine.Save())
	if err != nil {
		r.t.Fatal(err)
	}
	var m rules.Memory
	if err := json.Unmarshal(text, &m); err != nil {
		r.t.Fatal(err)
	}
	r.engine, err = rules.New(points(8), r.set)
	if err != nil {
		r.t.Fatal(err)
	}
	if gone := r.engine.Restore(r.now, m); gone != nil {
		r.t.Fatalf("%v have no rule", gone)
	}
	var readings []collector.Reading
	for _, l := range latest {
		if l != nil {
			readings = append(readings, *l)
		}
	}
	r.events, r.next = r.engine.Step(r.now, readings, r.events)
}

// everyKind is a set with every kind of rule and condition, causes and delays. Point 0 and 4 are numbers, the others states.
func everyKind() rules.Set {
	s := func(n int) time.Duration { return time.Duration(n) * time.Second }
	set := rules.Set{
		Conditions: []rules.Condition{
			{Name: "held", Terms: []rules.Term{term(3, 0.5)}, Hold: s(7)},
			{Name: "latch", Terms: []rules.Term{term(1, 0.5)}, Until: []rules.Term{term(2, 0.5)}, AtMost: s(20)},
			{Name: "both", Any: true, Terms: []rules.Term{{Point: collector.NoPoint, Condition: 0}, {Point: collector.NoPoint, Condition: 1, Not: true}}},
		},
		Rules: []rules.Rule{
			{Kind: rules.Low, Limit: 3, Deadband: 1, OnDelay: s(5), OffDelay: s(6), OnTotal: s(9), OnWithin: s(30), CausedBy: []int{4}},
			{Kind: rules.High, Limit: 4, Latch: true, OnDelay: s(3), Realarm: s(30), SuppressWhen: []int{1}},
			{Kind: rules.Rate, Limit: 0.2, Window: s(10), Deadband: 0.1},
			{Kind: rules.Deviation, Other: 4, Limit: 3},
			{Kind: rules.Equals, Point: 1, Limit: 1, OnDelay: s(4), OffDelay: s(4), AutoAcknowledge: true},
			{Kind: rules.BadSignal, OnDelay: s(3), OffDelay: s(3)},
			{Kind: rules.Stuck, Limit: 3, Window: s(6), While: []rules.Term{term(2, 0.5)}},
			{Kind: rules.Discrepancy, Point: 1, Other: 2, OnDelay: s(3)},
			{Kind: rules.NotReached, Limit: 5, Window: s(8), After: []rules.Term{term(2, 0.5)}},
			{Kind: rules.TotalAbove, Limit: 6, Window: s(20), Deadband: 2},
			{Kind: rules.RunsLonger, Point: 2, Window: s(8)},
			{Kind: rules.IdleLonger, Point: 3, Window: s(8), While: []rules.Term{term(1, 0.5)}},
			{Kind: rules.StartsAbove, Point: 3, Limit: 2, Window: s(30)},
			{Kind: rules.FormulaIsTrue, Formula: formulaOf{[]collector.PointID{0, 4}, func(v []float64) (bool, error) { return v[0]+v[1] > 8, nil }}, OnDelay: s(2)},
			{Kind: rules.Discrepancy, Point: 1, Other: collector.NoPoint, Agree: term(4, 2), SuppressWhen: []int{2}},
			{Kind: rules.LowLow, Limit: 1, CausedBy: []int{0, 10}, NoReturnAck: true},
		},
	}
	for i := range set.Rules {
		set.Rules[i].Name = fmt.Sprintf("%d %s", i, set.Rules[i].Kind)
	}
	return set
}

// A delay that was in progress when the box went down is over when it comes back, by the time that really passed;
// but only a reading says that the condition still holds.
func TestDelaysGoOnThroughAnOutage(t *testing.T) {
	set := rules.Set{Rules: []rules.Rule{
		{Kind: rules.Low, Limit: 5.5, OnDelay: 60 * time.Second},
		{Kind: rules.Low, Limit: 5.5},
		{Kind: rules.StaleSignal, Window: 30 * time.Second},
	}}
	for _, tt := range []struct {
		reading collector.Reading
		want    string
	}{
		{good(0, 5), "140 r1 unshelved G>A; 140 r1 started A>B; 145 r0 started A>B"},
		{good(0, 6), "140 r1 unshelved G>A; 140 r1 started A>B; 145 r1 returned B>D"},
		{bad(0), "140 r1 unshelved G>A; 140 r1 started A>B; 145 r1 reading lost B>B"},
	} {
		r := newRoom(t, set)
		r.step(0, good(0, 5))
		r.mustAct(10, rules.ActShelve, 1) // until 40
		r.step(20, good(0, 5))
		r.events = nil
		m := r.engine.Save()
		engine, err := rules.New(points(8), set)
		if err != nil {
			t.Fatal(err)
		}
		// The new time scale is 1000 s ahead of the old one; the box was down until 140 of the old.
		engine.Restore(1140*second, m.Shifted(1000*time.Second))
		r.engine = engine
		at := func(s float64) collector.Moment { return collector.Moment((1000 + s) * 1e9) }
		r.events, r.next = engine.Step(at(140), nil, nil)
		for r.next < at(145) {
			r.events, r.next = engine.Step(r.next, nil, r.events)
		}
		r.events, _ = engine.Step(at(145), []collector.Reading{tt.reading}, r.events)
		for i := range r.events {
			r.events[i].At -= 1000 * second
		}
		r.want(fmt.Sprint(tt.reading.Quality, tt.reading.Value), tt.want)
	}
}

func TestRestoreNamesWhatIsGone(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Name: "b", Kind: rules.High, Limit: 1}, {Name: "a", Kind: rules.High, Limit: 1}, {Name: "stays", Kind: rules.High, Limit: 1}}})
	r.step(0, good(0, 2))
	m := r.engine.Save()
	engine, err := rules.New(points(8), rules.Set{Rules: []rules.Rule{{Name: "new", Kind: rules.High, Limit: 1}, {Name: "stays", Kind: rules.High, Limit: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	if gone := engine.Restore(second, m); fmt.Sprint(gone) != "[a b]" {
		t.Errorf("gone: %v, want a and b", gone)
	}
	events, _ := engine.Step(2*second, []collector.Reading{good(0, 2)}, nil)
	if len(events) != 1 || events[0].Rule != 0 || events[0].Kind != rules.EventStarted {
		t.Errorf("events %+v, want the new rule's start alone", events)
	}
	if s := engine.Status(nil)[1]; s.State != rules.Unacknowledged || s.Started != 0 || s.Activations != 1 {
		t.Errorf("%+v, want the old activation", s)
	}
}

// Who suppresses whom is known at once after a restart, before anything is read, and nothing rings anew.
func TestCausesAreKnownAfterARestart(t *testing.T) {
	set := rules.Set{Rules: []rules.Rule{
		{Name: "effect", Point: 1, Kind: rules.High, Limit: 1, CausedBy: []int{1}},
		{Name: "mains-lost", Kind: rules.Equals, Limit: 0},
	}}
	r := newRoom(t, set)
	r.step(0, good(0, 0), good(1, 2))
	r.events = r.events[:0]
	m := r.engine.Save()
	engine, err := rules.New(points(8), set)
	if err != nil {
		t.Fatal(err)
	}
	engine.Restore(60*second, m)
	all := engine.Status(nil)
	if all[0].Cause != 1 || all[0].Why != "mains-lost" || fmt.Sprint(all[1].Consequences) != "[0]" {
		t.Errorf("%+v, want the effect listed under mains-lost", all)
	}
	r.engine = engine
	r.step(61)
	r.step(62, good(1, 2))
	r.step(63, good(0, 0))
	r.want("nothing new", "")
}
