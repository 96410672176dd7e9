package rules_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// standard is the state figure of ISA-18.2, clause 5.5 (from memory), written down a second time and in another
// way: not states by events but what is true of the alarm, from which the letter is read.
type standard struct {
	latching, selfAck, noAsk bool

	condition bool   // the process is abnormal
	acked     bool   // the present or last activation was acknowledged
	held      bool   // latched: in alarm though the condition is gone
	waiting   bool   // returned, and somebody must still say that he saw it
	off       string // "", "shelved", "suppressed", "out"
	design    bool   // logic asks for suppression
}

func (s *standard) letter() byte {
	switch {
	case s.off == "shelved":
		return 'G'
	case s.off == "suppressed":
		return 'H'
	case s.off == "out":
		return 'I'
	case s.condition && s.acked:
		return 'C'
	case s.condition:
		return 'B'
	case s.held && s.acked:
		return 'F'
	case s.held:
		return 'E'
	case s.waiting:
		return 'D'
	}
	return 'A'
}

// forget is how an alarm comes back from G, H and I: as if nothing had been before.
func (s *standard) forget() {
	s.held, s.waiting, s.acked = false, false, s.selfAck
	if s.off = ""; s.design {
		s.off = "suppressed"
	}
}

func (s *standard) process(abnormal bool) {
	if abnormal == s.condition {
		return
	}
	s.condition = abnormal
	switch {
	case s.off != "":
	case abnormal:
		s.held, s.waiting, s.acked = false, false, s.selfAck
	case s.latching:
		s.held = true
	case !s.acked && !s.noAsk:
		s.waiting = true
	}
}

// person does an act and reports whether it was allowed.
func (s *standard) person(kind rules.ActKind) bool {
	letter := s.letter()
	switch kind {
	case rules.ActAcknowledge:
		if !strings.ContainsRune("BDE", rune(letter)) {
			return false
		}
		s.acked, s.waiting = true, false
	case rules.ActReset:
		if letter != 'F' {
			return false
		}
		s.held = false
	case rules.ActShelve:
		if s.off != "" {
			return false
		}
		s.off = "shelved"
	case rules.ActUnshelve:
		if letter != 'G' {
			return false
		}
		s.forget()
	case rules.ActTakeOut:
		if letter == 'I' {
			return false
		}
		s.off = "out"
	case rules.ActPutBack:
		if letter != 'I' {
			return false
		}
		s.forget()
	}
	return true
}

func (s *standard) plant(design bool) {
	s.design = design
	switch {
	case design && s.off == "":
		s.off = "suppressed"
	case !design && s.off == "suppressed":
		s.forget()
	}
}

func TestLifeCycleAgainstTheFigure(t *testing.T) {
	seen := map[string]int{}
	for seed := range uint64(160) {
		walkLifeCycle(t, seed, seen)
		if t.Failed() {
			return
		}
	}
	// Every arrow of the figure must have been walked.
	for _, arrow := range strings.Fields(`A>B A>C B>C B>D B>E B>A C>A C>F C>B D>A D>B E>F E>B F>A F>B
		A>G B>G C>G D>G E>G F>G G>A A>H B>H C>H D>H E>H F>H H>A A>I B>I C>I D>I E>I F>I G>I H>I I>A`) {
		if seen[arrow] == 0 {
			t.Errorf("%s was never walked", arrow)
		}
		delete(seen, arrow)
	}
	for arrow := range seen {
		again := arrow == "D>C" || arrow == "E>C" || arrow == "F>C" // a new activation of one that acknowledges itself
		if arrow[0] != arrow[2] && !again {
			t.Errorf("%s is not in the figure", arrow)
		}
	}
}

// walkLifeCycle plays one random life of one alarm without delays.
func walkLifeCycle(t *testing.T, seed uint64, seen map[string]int) {
	rnd := rand.New(rand.NewPCG(seed, 18))
	m := &standard{latching: seed&1 > 0, selfAck: seed&2 > 0, noAsk: seed&4 > 0}
	m.acked = m.selfAck
	realarm := time.Duration(0)
	if seed&8 > 0 {
		realarm = 7 * time.Second
	}
	r := newRoom(t, rules.Set{
		Rules: []rules.Rule{{Kind: rules.High, Limit: 0.5, Latch: m.latching, AutoAcknowledge: m.selfAck, NoReturnAck: m.noAsk,
			Realarm: realarm, SuppressWhen: []int{0}}},
		Conditions: []rules.Condition{{Name: "closed", Terms: []rules.Term{term(1, 0.5)}}},
	})
	var ackedSince, until, now float64
	for n := range 300 {
		now++
		// What time alone does comes before what happens at that second.
		if m.letter() == 'G' && now >= until {
			m.forget()
			ackedSince = now
		}
		if realarm > 0 && m.letter() == 'C' && now >= ackedSince+realarm.Seconds() {
			m.acked = false
		}
		before := m.letter()
		r.step(now)
		switch k := rnd.IntN(10); {
		case k < 4:
			abnormal := rnd.IntN(2) == 1
			m.process(abnormal)
			r.step(now, good(0, state(abnormal)))
		case k < 5:
			design := rnd.IntN(3) == 0
			m.plant(design)
			r.step(now, good(1, state(design)))
		default:
			kind := []rules.ActKind{rules.ActAcknowledge, rules.ActAcknowledge, rules.ActReset, rules.ActShelve, rules.ActUnshelve,
				rules.ActTakeOut, rules.ActPutBack, rules.ActPutBack}[rnd.IntN(8)]
			length := time.Duration(1+rnd.IntN(12)) * time.Second
			err := r.act(now, rules.Act{Kind: kind, Who: "ann", Why: "walk", For: length})
			if allowed := m.person(kind); allowed != (err == nil) {
				t.Fatalf("seed %d, step %d: %s in %c: allowed %v, error %v", seed, n, kind, before, allowed, err)
			} else if allowed && kind == rules.ActShelve {
				until = now + length.Seconds()
			} else if !allowed && !errors.Is(err, rules.ErrNotNow) {
				t.Fatalf("error %v is not ErrNotNow", err)
			}
		}
		if m.letter() == 'C' && before != 'C' {
			ackedSince = now
		}
		if got := r.status(0).State.Letter(); got != m.letter() {
			t.Fatalf("seed %d (%+v), step %d at %g: engine %c, figure %c", seed, *m, n, now, got, m.letter())
		}
	}
	checkJournal(t, r.events, 1, seen)
}

func state(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// checkJournal holds what must be true of any journal: the lines of an alarm form a chain in time, nothing rings while
// it is shelved, suppressed or out of service, a shelve has an end, and each activation has one start.
func checkJournal(t *testing.T, events []rules.Event, alarms int, seen map[string]int) {
	t.Helper()
	last := make([]rules.State, alarms)
	active := make([]bool, alarms)
	at := collector.Moment(-1 << 62)
	for i, ev := range events {
		fail := func(why string) { t.Fatalf("event %d %+v: %s", i, ev, why) }
		if ev.At < at {
			fail("out of order")
		}
		at = ev.At
		if ev.From != last[ev.Rule] {
			fail(fmt.Sprintf("the line before left it %s", last[ev.Rule]))
		}
		last[ev.Rule] = ev.To
		if seen != nil {
			seen[fmt.Sprintf("%c>%c", ev.From.Letter(), ev.To.Letter())]++
		}
		off := ev.From >= rules.Shelved
		switch ev.Kind {
		case rules.EventStarted:
			if off || active[ev.Rule] {
				fail("a second start")
			}
			active[ev.Rule] = true
		case rules.EventReturned, rules.EventSuppressed, rules.EventTakenOut:
			if ev.Kind == rules.EventReturned && !active[ev.Rule] {
				fail("returned without a start")
			}
			active[ev.Rule] = false
		case rules.EventShelved:
			active[ev.Rule] = false
			if ev.Until <= ev.At || ev.Who == "" || ev.Why == "" {
				fail("a shelve without end, name or reason")
			}
		case rules.EventConditionTrue, rules.EventConditionFalse:
			if !off || ev.To != ev.From {
				fail("only while nothing rings")
			}
		}
	}
}

func TestActsNeedNameReasonAndEnd(t *testing.T) {
	tests := []struct {
		name string
		act  rules.Act
		is   error
		want string
	}{
		{"nobody", rules.Act{Kind: rules.ActAcknowledge}, rules.ErrIncomplete, "r0: acknowledge: incomplete: who does it?"},
		{"no reason", rules.Act{Kind: rules.ActShelve, Who: "ann", For: time.Hour}, rules.ErrIncomplete, "r0: shelve: incomplete: for what reason?"},
		{"no end", rules.Act{Kind: rules.ActShelve, Who: "ann", Why: "x"}, rules.ErrIncomplete, "r0: shelve: incomplete: for how long?"},
		{"for ever", rules.Act{Kind: rules.ActShelve, Who: "ann", Why: "x", For: 1 << 62}, rules.ErrIncomplete,
			"r0: shelve: incomplete: 1281023h53m38.427387904s is longer than a year; take it out of service"},
		{"no such", rules.Act{Rule: 7, Who: "ann"}, rules.ErrNoAlarm, "alarm 7: no such alarm"},
		{"nothing rings", rules.Act{Who: "ann"}, rules.ErrNotNow, "r0: acknowledge: not possible: it is normal"},
		{"not shelved", rules.Act{Kind: rules.ActUnshelve, Who: "ann"}, rules.ErrNotNow, "r0: unshelve: not possible: it is normal"},
		{"not latched", rules.Act{Kind: rules.ActReset, Who: "ann"}, rules.ErrNotNow, "r0: reset: not possible: it is not latched but normal"},
		{"no such act", rules.Act{Kind: 99, Who: "ann"}, rules.ErrIncomplete, "r0: incomplete: unknown act"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.High, Limit: 1}}})
			err := r.act(1, tt.act)
			if err == nil || err.Error() != tt.want || !errors.Is(err, tt.is) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
			r.want("events", "")
		})
	}
}

func TestShelveEnds(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.High, Limit: 1}}})
	r.step(0, good(0, 2))
	r.mustAct(10, rules.ActShelve, 0)
	if s := r.status(0); s.Until != 40*second || s.By != "ann" || s.Why != "test" {
		t.Errorf("status %+v, want shelved by ann for test until 40 s", s)
	}
	r.step(20, good(0, 0))
	r.step(30, good(0, 2))
	r.step(60)
	r.want("a condition true at the end is a new activation", "0 r0 started A>B; 10 r0 shelved B>G; "+
		"20 r0 condition false G>G; 30 r0 condition true G>G; 40 r0 unshelved G>A; 40 r0 started A>B")
	if s := r.status(0); s.Activations != 2 || s.By != "" || s.Until != 0 {
		t.Errorf("status %+v, want a second activation and no trace of the shelve", s)
	}
}

func TestLatchNeedsAcknowledgementThenReset(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.High, Limit: 1, Latch: true}}})
	r.step(0, good(0, 2))
	r.step(1, good(0, 0))
	err := r.act(2, rules.Act{Kind: rules.ActReset, Who: "ann"})
	if err == nil || err.Error() != "r0: reset: not possible: acknowledge it first" {
		t.Errorf("reset: %v", err)
	}
	r.mustAct(3, rules.ActAcknowledge, 0)
	r.mustAct(4, rules.ActReset, 0)
	r.want("events", "0 r0 started A>B; 1 r0 returned B>E; 3 r0 acknowledged E>F; 4 r0 reset F>A")
}

func TestRealarm(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.High, Limit: 1, Realarm: 10 * time.Minute}}})
	r.step(0, good(0, 2))
	r.mustAct(60, rules.ActAcknowledge, 0)
	r.step(3600, good(0, 2))
	r.want("events", "0 r0 started A>B; 60 r0 acknowledged B>C; 660 r0 re-alarmed C>B")
}

// While shelved, suppressed or out of service nothing rings, and each change of the condition is a line of its own.
func TestChangesWhileNothingRings(t *testing.T) {
	changes := " condition true %[1]c>%[1]c; 12 r0 condition false %[1]c>%[1]c; 13 r0 condition true %[1]c>%[1]c"
	for _, tt := range []struct {
		into   func(r *room)
		first  string
		letter rune
	}{
		{func(r *room) { r.mustAct(10, rules.ActShelve, 0) }, "10 r0 shelved A>G", 'G'},
		{func(r *room) { r.step(10, good(1, 1)) }, "10 r0 suppressed A>H (closed)", 'H'},
		{func(r *room) { r.mustAct(10, rules.ActTakeOut, 0) }, "10 r0 taken out of service A>I", 'I'},
	} {
		r := newRoom(t, rules.Set{
			Rules:      []rules.Rule{{Kind: rules.High, Limit: 1, SuppressWhen: []int{0}}},
			Conditions: []rules.Condition{{Name: "closed", Terms: []rules.Term{term(1, 0)}}},
		})
		r.step(0, good(0, 0), good(1, 0))
		tt.into(r)
		r.step(11, good(0, 2))
		r.step(12, good(0, 0))
		r.step(13, good(0, 2))
		r.want(string(tt.letter), tt.first+"; 11 r0"+fmt.Sprintf(changes, tt.letter))
	}
}

// An act that is meant for one activation does nothing to a later one.
func TestActForOneActivation(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.High, Limit: 1}}})
	r.step(0, good(0, 2))
	r.step(1, good(0, 0))
	r.mustAct(2, rules.ActAcknowledge, 0)
	r.step(3, good(0, 2))
	err := r.act(4, rules.Act{Kind: rules.ActAcknowledge, Who: "ann", Activation: 1})
	if err == nil || err.Error() != "r0: acknowledge: not possible: it began anew since" {
		t.Errorf("for the first: %v", err)
	}
	if err := r.act(5, rules.Act{Kind: rules.ActAcknowledge, Who: "ann", Activation: 2}); err != nil {
		t.Errorf("for the second: %v", err)
	}
	r.want("events", "0 r0 started A>B; 1 r0 returned B>D; 2 r0 acknowledged D>A; 3 r0 started A>B; 5 r0 acknowledged B>C")
}
