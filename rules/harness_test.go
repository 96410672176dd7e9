package rules_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

const second = collector.Moment(time.Second)

// points returns n points named p0, p1, ...
func points(n int) []collector.Point {
	list := make([]collector.Point, n)
	for i := range list {
		list[i] = collector.Point{ID: collector.PointID(i), Name: fmt.Sprintf("p%d", i), Unit: "bar", Digits: 1}
	}
	return list
}

// room drives an engine and keeps all its events.
type room struct {
	t      *testing.T
	set    rules.Set
	engine *rules.Engine
	events []rules.Event
	next   collector.Moment
	now    collector.Moment
}

func newRoom(t *testing.T, set rules.Set) *room {
	t.Helper()
	for i := range set.Rules {
		if set.Rules[i].Name == "" {
			set.Rules[i].Name = fmt.Sprintf("r%d", i)
		}
	}
	engine, err := rules.New(points(8), set)
	if err != nil {
		t.Fatal(err)
	}
	return &room{t: t, set: set, engine: engine, next: collector.Never}
}

// until calls Step at each deadline before now, as the daemon does.
func (r *room) until(now collector.Moment) {
	for n := 0; r.next < now; n++ {
		if n > 100000 {
			r.t.Fatalf("deadlines do not move on at %v", r.next)
		}
		at := r.next
		r.events, r.next = r.engine.Step(at, nil, r.events)
		if r.next <= at {
			r.t.Fatalf("deadline %v after Step(%v)", r.next, at)
		}
	}
	r.now = now
}

func (r *room) step(seconds float64, readings ...collector.Reading) {
	r.t.Helper()
	now := collector.Moment(math.Round(seconds * 1e9))
	r.until(now)
	for i := range readings {
		if readings[i].At == 0 {
			readings[i].At = now
		}
	}
	r.events, r.next = r.engine.Step(now, readings, r.events)
}

func (r *room) act(seconds float64, act rules.Act) error {
	r.t.Helper()
	now := collector.Moment(seconds * 1e9)
	r.until(now)
	var err error
	r.events, err = r.engine.Act(now, act, r.events)
	r.next = r.engine.Next()
	return err
}

func (r *room) mustAct(seconds float64, kind rules.ActKind, rule int) {
	r.t.Helper()
	act := rules.Act{Kind: kind, Rule: rule, Who: "ann", Why: "test"}
	if kind == rules.ActShelve {
		act.For = 30 * time.Second
	}
	if err := r.act(seconds, act); err != nil {
		r.t.Fatal(err)
	}
}

// lines returns the events so far in short words and forgets them.
func (r *room) lines() string {
	var b strings.Builder
	for i, ev := range r.events {
		if i > 0 {
			b.WriteString("; ")
		}
		fmt.Fprintf(&b, "%g %s %s %c>%c", float64(ev.At)/1e9, r.set.Rules[ev.Rule].Name, ev.Kind, ev.From.Letter(), ev.To.Letter())
		if ev.Why != "" && ev.Who == "" {
			fmt.Fprintf(&b, " (%s)", ev.Why)
		}
	}
	r.events = r.events[:0]
	return b.String()
}

func (r *room) want(what, want string) {
	r.t.Helper()
	if got := r.lines(); got != want {
		r.t.Errorf("%s:\n got %s\nwant %s", what, got, want)
	}
}

func (r *room) status(rule int) rules.Status { return r.engine.Status(nil)[rule] }

func good(p int, v float64) collector.Reading {
	return collector.Reading{Point: collector.PointID(p), Value: v, Quality: collector.Good}
}

func bad(p int) collector.Reading {
	return collector.Fail(collector.PointID(p), collector.SignalLow, 0, 0, "3.48 mA")
}

// term is true when point p is above v.
func term(p int, v float64) rules.Term {
	return rules.Term{Point: collector.PointID(p), Op: rules.Greater, Value: v, Condition: -1}
}
