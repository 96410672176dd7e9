package review_test

import (
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/review"
)

func moments(second float64) collector.Moment { return collector.At(at(second)) }

func newCounter(t testing.TB) *review.Counter {
	t.Helper()
	c, err := review.NewCounter(review.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// List A as it happens: the flood is told when it begins, and at the moment it is over.
func TestCounterListA(t *testing.T) {
	c := newCounter(t)
	if got := c.Recent(moments(0)); got != (review.Recent{}) {
		t.Errorf("before anything: %+v", got)
	}
	var changes []review.FloodChange
	next := collector.Never
	s := readCounts(t)["A"]
	for _, a := range s.activations() {
		for next < collector.At(a.Start) {
			last := next
			if changes, next = c.Step(next, 0, changes); next <= last {
				t.Fatalf("called at its deadline %d it wants to be called at %d", last, next)
			}
		}
		changes, next = c.Step(collector.At(a.Start), 1, changes)
	}
	want := []review.FloodChange{
		{At: moments(360), Began: true, Since: moments(360), Alarms: 10, Peak: 10},
		{At: moments(1040), Since: moments(360), Alarms: 16, Peak: 12},
	}
	if len(changes) != 2 || changes[0] != want[0] || changes[1] != want[1] {
		t.Errorf("got %+v\nwant %+v", changes, want)
	}
	if next != collector.Never {
		t.Errorf("without a flood it wants to be called at %d", next)
	}
	if got := c.Recent(moments(3100)); got != (review.Recent{TenMinutes: 1, Hour: 24}) {
		t.Errorf("%+v", got)
	}
}

// A flood that nobody stepped past its end is over all the same, and told with its true end at the next step.
func TestCounterLate(t *testing.T) {
	c := newCounter(t)
	changes, next := c.Step(moments(0), 12, nil)
	if len(changes) != 1 || next != moments(600) {
		t.Fatalf("%+v, next %d", changes, next)
	}
	if r := c.Recent(moments(599)); !r.Flood || r.Alarms != 12 || r.Since != moments(0) || r.TenMinutes != 12 {
		t.Errorf("just before its end: %+v", r)
	}
	if r := c.Recent(moments(600)); r.Flood || r.TenMinutes != 0 || r.Hour != 12 {
		t.Errorf("at its end: %+v", r)
	}
	changes, next = c.Step(moments(5000), 10, changes[:0])
	want := []review.FloodChange{
		{At: moments(600), Since: moments(0), Alarms: 12, Peak: 12},
		{At: moments(5000), Began: true, Since: moments(5000), Alarms: 10, Peak: 10},
	}
	if len(changes) != 2 || changes[0] != want[0] || changes[1] != want[1] || next != moments(5600) {
		t.Errorf("got %+v, next %d\nwant %+v", changes, next, want)
	}
	if again, _ := c.Step(moments(4000), 1, nil); len(again) != 0 || c.Recent(moments(0)).TenMinutes != 11 {
		t.Errorf("a step back in time: %+v, %+v", again, c.Recent(moments(0)))
	}
}

// More starts than it can keep: the counts are a lower bound and say so, floods stay exact.
func TestCounterStorm(t *testing.T) {
	c := newCounter(t)
	const n = 20000
	var changes []review.FloodChange
	for i := range n {
		changes, _ = c.Step(moments(0.02*float64(i)), 1, changes) // 50 a second for 400 s
	}
	last := 0.02 * float64(n-1)
	if r := c.Recent(moments(last)); !r.AtLeast || r.TenMinutes != 4096 || r.Hour != 4096 || r.Alarms != n {
		t.Errorf("%+v", r)
	}
	changes, _ = c.Step(moments(7200), 0, changes)
	end := moments(last - 0.08).Add(10 * time.Minute)
	if len(changes) != 2 || changes[0].At != moments(0.18) || changes[1].At != end || changes[1].Alarms != n {
		t.Errorf("%+v, want one from %d to %d", changes, moments(0.18), end)
	}
	if r := c.Recent(moments(7200)); r != (review.Recent{}) {
		t.Errorf("long after: %+v", r)
	}
}

func TestCounterAllocatesNothing(t *testing.T) {
	c := newCounter(t)
	now := moments(0)
	var changes []review.FloodChange
	changes = append(changes, review.FloodChange{}, review.FloodChange{})
	if n := testing.AllocsPerRun(10000, func() {
		now += collector.Moment(30 * time.Second)
		changes, _ = c.Step(now, 1, changes[:0])
		c.Recent(now)
	}); n != 0 {
		t.Errorf("%g allocations a step", n)
	}
}
