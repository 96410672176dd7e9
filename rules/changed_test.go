package rules_test

import (
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/rules"
)

// trackedSet has one rule of each kind that keeps something, and conditions with and without a memory.
func trackedSet() rules.Set {
	return rules.Set{
		Conditions: []rules.Condition{
			{Name: "closed", Terms: []rules.Term{term(6, 8)}, Hold: 5 * time.Second},
			{Name: "filling", Terms: []rules.Term{term(6, 9)}, Until: []rules.Term{term(5, 9)}, AtMost: 20 * time.Second},
		},
		Rules: []rules.Rule{
			{Name: "low", Point: 0, Kind: rules.Low, Limit: 5, Deadband: 1, OnDelay: 3 * time.Second, OffDelay: 2 * time.Second, SuppressWhen: []int{0}},
			{Name: "high", Point: 0, Kind: rules.High, Limit: 7, OnTotal: 10 * time.Second, OnWithin: time.Minute, OnDelay: 30 * time.Second, CausedBy: []int{4}},
			{Name: "rate", Point: 1, Kind: rules.Rate, Limit: 0.5, Window: 4 * time.Second, OnDelay: 3 * time.Second},
			{Name: "stuck", Point: 2, Kind: rules.Stuck, Limit: 4, Window: 5 * time.Second, While: []rules.Term{term(4, 0.5)}},
			{Name: "bad", Point: 3, Kind: rules.BadSignal, OnDelay: 2 * time.Second, Latch: true},
			{Name: "total", Point: 1, Kind: rules.TotalAbove, Limit: 6, Window: 10 * time.Second},
			{Name: "runs", Point: 4, Kind: rules.RunsLonger, Window: 4 * time.Second},
			{Name: "starts", Point: 4, Kind: rules.StartsAbove, Limit: 3, Window: 20 * time.Second},
			{Name: "reached", Point: 5, Kind: rules.NotReached, Limit: 8, Window: 3 * time.Second, After: []rules.Term{term(4, 0.5)}},
			{Name: "stale", Point: 7, Kind: rules.StaleSignal, Window: 5 * time.Second},
		},
	}
}

// steady leaves of a memory what Changed promises to tell each time.
func steady(m rules.AlarmMemory) rules.AlarmMemory {
	m.HasValue, m.Value, m.HasPeak, m.Peak = false, 0, false, 0
	switch m.Kind {
	case rules.Rate:
		m.Samples, m.Known, m.Measure, m.Seen = nil, false, 0, 0
	case rules.TotalAbove:
		m.Samples, m.Known, m.Measure = nil, false, 0
	case rules.Stuck:
		m.Samples, m.Lows, m.Measure, m.Counted = nil, nil, 0, rules.Wait{}
	case rules.StartsAbove: // those that left the window are dropped when it is next looked at
		m.Samples = nil
	}
	for len(m.Tally) > 0 && m.Delay == (rules.Wait{}) && !m.TallyOpen { // likewise
		m.Tally = m.Tally[1:]
	}
	return m
}

// What was told so far is, at each moment, what Save says, but for what moves with every reading.
func TestChangedFollowsSave(t *testing.T) {
	for seed := range uint64(10) {
		random := rand.New(rand.NewPCG(seed, 3))
		engine, err := rules.New(points(8), trackedSet())
		if err != nil {
			t.Fatal(err)
		}
		engine.Track()
		told := engine.Save()
		tellings := 0
		tellAlarm := func(name string, m rules.AlarmMemory) { told.Alarms[name] = m; tellings++ }
		tellCondition := func(name string, m rules.ConditionMemory) { told.Conditions[name] = m; tellings++ }
		now := collector.Moment(1000 * second)
		for step := range 300 {
			now += collector.Moment(random.IntN(1500)) * second / 1000
			engine.Step(now, randomReadings(random, now), nil)
			if random.IntN(10) == 0 {
				// Refusals are part of it: they change nothing.
				_, _ = engine.Act(now, rules.Act{Kind: rules.ActKind(random.IntN(6)), Rule: random.IntN(10), Who: "Maeve", Why: "try", For: time.Duration(random.IntN(20)) * time.Second}, nil)
			}
			engine.Changed(tellAlarm, tellCondition)
			all := engine.Save()
			for name, m := range all.Alarms {
				is, was := steady(m), steady(told.Alarms[name])
				if reflect.DeepEqual(is, was) {
					continue
				}
				if diff := cmp.Diff(is, was); diff != "" {
					t.Fatalf("seed %d, step %d: %s is not as told (-is +told):\n%s", seed, step, name, diff)
				}
			}
			if !reflect.DeepEqual(all.Conditions, told.Conditions) {
				t.Fatalf("seed %d, step %d: conditions (-are +told):\n%s", seed, step, cmp.Diff(all.Conditions, told.Conditions))
			}
		}
		if tellings < 200 {
			t.Errorf("seed %d: only %d changes told: the walk is too tame", seed, tellings)
		}
	}
}

// randomReadings changes a few points, some to bad.
func randomReadings(random *rand.Rand, now collector.Moment) []collector.Reading {
	var list []collector.Reading
	for p := range collector.PointID(8) {
		switch n := random.IntN(10); {
		case n < 5:
		case n == 5 && p != 4:
			list = append(list, collector.Fail(p, collector.NoAnswer, 0, now, ""))
		case p == 4:
			list = append(list, collector.Reading{Point: p, Value: float64(random.IntN(2)), Quality: collector.Good, At: now})
		default:
			list = append(list, collector.Reading{Point: p, Value: 3 + 7*random.Float64(), Quality: collector.Good, At: now})
		}
	}
	return list
}

// An engine that goes on from what was told an hour ago takes the hour's litres for no leak, a signal that it did not
// see for no stuck one, and keeps an alarm that stood.
func TestChangedRestoredLater(t *testing.T) {
	set := rules.Set{Rules: []rules.Rule{
		{Name: "total", Point: 0, Kind: rules.TotalAbove, Limit: 20, Window: time.Hour},
		{Name: "stuck", Point: 1, Kind: rules.Stuck, Limit: 1, Window: time.Minute},
		{Name: "rate", Point: 2, Kind: rules.Rate, Limit: 1, Window: 4 * time.Second},
	}}
	before := newRoom(t, set)
	before.engine.Track()
	told := rules.Memory{Alarms: map[string]rules.AlarmMemory{}, Conditions: map[string]rules.ConditionMemory{}}
	for s := range 300 {
		before.step(float64(1000+s), good(0, 5), good(1, float64(s%7)), good(2, float64(2*s)))
		before.engine.Changed(
			func(name string, m rules.AlarmMemory) { told.Alarms[name] = m },
			func(name string, m rules.ConditionMemory) { told.Conditions[name] = m })
	}
	after := newRoom(t, set)
	after.engine.Restore(5000*second, told)
	for s := range 30 {
		after.step(float64(5000+s), good(0, 4000+float64(s)/100), good(1, 3), good(2, 0))
		if s == 0 {
			if got := after.engine.Status(nil)[2].State; got != rules.Unacknowledged {
				t.Errorf("rate is %v after the restart, want unacknowledged as before", got)
			}
		}
	}
	for _, e := range after.events {
		if e.Kind == rules.EventStarted || e.Kind == rules.EventReadingLost {
			t.Errorf("%s %s after the restart", set.Rules[e.Rule].Name, e.Kind)
		}
	}
	if got := after.engine.Status(nil)[2].State; got != rules.ReturnUnacknowledged {
		t.Errorf("rate is %v after a flat window, want returned unacknowledged", got)
	}
}

// Nothing to tell costs nothing.
func TestChangedAllocates(t *testing.T) {
	room := newRoom(t, trackedSet())
	room.engine.Track()
	step := func(n int) {
		room.step(float64(n), good(0, 6), good(1, 6), good(2, float64(n%9)), good(3, 6), good(4, 0), good(5, 6), good(6, 6), good(7, 6))
	}
	tell := func(string, rules.AlarmMemory) {}
	tellCondition := func(string, rules.ConditionMemory) {}
	n := 1000
	for ; n < 1100; n++ {
		step(n)
		room.engine.Changed(tell, tellCondition)
	}
	if got := testing.AllocsPerRun(100, func() { n++; step(n); room.engine.Changed(tell, tellCondition) }); got != 0 {
		t.Errorf("%v allocations a step in which nothing changed", got)
	}
}

// What tracking adds to the step of a large site, quiet and restless, in turn.
func BenchmarkTracking(b *testing.B) {
	const rounds = 50
	readings := make([]collector.Reading, 1000)
	engines := [2]*rules.Engine{bigSite(b), bigSite(b)}
	engines[1].Track()
	var took [2]time.Duration
	told := 0
	tell := func(string, rules.AlarmMemory) { told++ }
	tellCondition := func(string, rules.ConditionMemory) { told++ }
	var events []rules.Event
	now := collector.Moment(0)
	n := 0
	for b.Loop() {
		for range rounds {
			now += second
			n++
			for p := range readings {
				readings[p] = collector.Reading{Point: collector.PointID(p), Value: swing[(n+p)%len(swing)], Quality: collector.Good, At: now}
			}
			for i := range engines {
				k := (i + n) % 2
				start := time.Now()
				events, _ = engines[k].Step(now, readings, events[:0])
				if k == 1 {
					engines[k].Changed(tell, tellCondition)
				}
				took[k] += time.Since(start)
			}
		}
	}
	b.ReportMetric(float64(took[1])/float64(took[0]), "x-untracked")
	b.ReportMetric(float64(told)/float64(n), "told/step")
	b.ReportMetric(float64(took[1].Nanoseconds())/float64(n)/3000, "ns/rule")
}
