package review_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// room drives the real engine over one point and builds activations of its events.
type room struct {
	t       *testing.T
	set     rules.Set
	engine  *rules.Engine
	builder review.Builder
}

func newRoom(t *testing.T, set rules.Set) *room {
	t.Helper()
	points := []collector.Point{{ID: 0, Name: "air.header.pressure"}, {ID: 1, Name: "wash.closed"}}
	engine, err := rules.New(points, set)
	if err != nil {
		t.Fatal(err)
	}
	return &room{t: t, set: set, engine: engine}
}

func (r *room) take(events []rules.Event) {
	names := []string{"air.header.pressure", "wash.closed"}
	for i := range events {
		rule := &r.set.Rules[events[i].Rule]
		r.builder.Add(review.Event(&events[i], rule, names[rule.Point]))
	}
}

func (r *room) read(second float64, point int, v float64) {
	events, _ := r.engine.Step(collector.At(at(second)), []collector.Reading{{Point: collector.PointID(point), Value: v, Quality: collector.Good}}, nil)
	r.take(events)
}

func (r *room) act(second float64, kind rules.ActKind) {
	r.t.Helper()
	act := rules.Act{Kind: kind, Who: "ann", Why: "test", For: 10 * time.Minute}
	events, err := r.engine.Act(collector.At(at(second)), act, nil)
	if err != nil {
		r.t.Fatal(err)
	}
	r.take(events)
}

func airLow() rules.Rule {
	return rules.Rule{Name: "air-low", Kind: rules.Low, Limit: 5.5, Other: collector.NoPoint, Priority: rules.HighPriority}
}

// Each way in which an activation can end, from the engine's own events.
func TestBuilder(t *testing.T) {
	closed := rules.Condition{Name: "wash.closed", Terms: []rules.Term{{Point: 1, Op: rules.Greater, Value: 0.5, Condition: -1}}}
	suppressed := airLow()
	suppressed.SuppressWhen = []int{0}
	set := rules.Set{Rules: []rules.Rule{suppressed}, Conditions: []rules.Condition{closed}}
	const low, well = 5.0, 7.5
	want := func(a review.Activation) review.Activation {
		a.Rule, a.Point, a.Priority = "air-low", "air.header.pressure", rules.HighPriority
		return a
	}
	tests := []struct {
		name string
		do   func(r *room)
		want []review.Activation
	}{
		{"active", func(r *room) { r.read(1, 0, low) }, []review.Activation{{Start: at(1)}}},
		{"returned", func(r *room) { r.read(1, 0, low); r.read(9, 0, well) }, []review.Activation{{Start: at(1), End: at(9), Ending: review.Returned}}},
		{"acknowledged before", func(r *room) { r.read(1, 0, low); r.act(4, rules.ActAcknowledge); r.read(9, 0, well) },
			[]review.Activation{{Start: at(1), End: at(9), Ending: review.Returned, Acknowledged: at(4)}}},
		{"acknowledged after", func(r *room) { r.read(1, 0, low); r.read(9, 0, well); r.act(12, rules.ActAcknowledge) },
			[]review.Activation{{Start: at(1), End: at(9), Ending: review.Returned, Acknowledged: at(12)}}},
		{"again before anybody came", func(r *room) {
			r.read(1, 0, low)
			r.read(9, 0, well)
			r.read(20, 0, low)
			r.act(30, rules.ActAcknowledge)
		}, []review.Activation{{Start: at(1), End: at(9), Ending: review.Returned}, {Start: at(20), Acknowledged: at(30)}}},
		{"shelved, true at its end", func(r *room) { r.read(1, 0, low); r.act(5, rules.ActShelve); r.read(700, 0, low) },
			[]review.Activation{{Start: at(1), End: at(5), Ending: review.Shelved}, {Start: at(605)}}},
		{"true only while shelved", func(r *room) {
			r.read(1, 0, well)
			r.act(5, rules.ActShelve)
			r.read(10, 0, low)
			r.read(20, 0, well)
			r.read(700, 0, well)
		}, nil},
		{"out of service", func(r *room) { r.read(1, 0, low); r.act(5, rules.ActTakeOut); r.act(50, rules.ActPutBack) },
			[]review.Activation{{Start: at(1), End: at(5), Ending: review.TakenOut}, {Start: at(50)}}},
		{"suppressed", func(r *room) { r.read(1, 0, low); r.read(5, 1, 1); r.read(9, 0, well); r.read(10, 1, 0) },
			[]review.Activation{{Start: at(1), End: at(5), Ending: review.Suppressed}}},
		{"rule gone", func(r *room) {
			r.read(1, 0, low)
			r.builder.Add(review.Line{Time: at(7), Steady: collector.At(at(7)), Kind: review.AlarmRemoved, Alarm: "air-low"})
		}, []review.Activation{{Start: at(1), End: at(7), Ending: review.Removed}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRoom(t, set)
			tt.do(r)
			for i := range tt.want {
				tt.want[i] = want(tt.want[i])
			}
			if got := r.builder.Activations(); !slices.Equal(got, tt.want) || r.builder.Unmatched() != 0 {
				t.Errorf("%d unmatched\n got %v\nwant %v", r.builder.Unmatched(), got, tt.want)
			}
		})
	}
}

// The first acknowledgement is the one that counts: an alarm that is asked about again was answered.
func TestBuilderRealarm(t *testing.T) {
	rule := airLow()
	rule.Realarm = time.Minute
	r := newRoom(t, rules.Set{Rules: []rules.Rule{rule}})
	r.read(1, 0, 5)
	r.act(5, rules.ActAcknowledge)
	r.read(100, 0, 5)
	r.act(130, rules.ActAcknowledge)
	if got := r.builder.Activations(); len(got) != 1 || got[0].Acknowledged != at(5) || !got[0].End.IsZero() {
		t.Errorf("%+v, want one acknowledged after 4 s", got)
	}
}

// A rule that comes back under its old name is another: what was said of the old one is not said of it.
func TestBuilderRuleReplaced(t *testing.T) {
	var b review.Builder
	for i, l := range []review.Line{
		{Kind: "started", Alarm: "low", Point: "air.header.pressure"},
		{Kind: review.AlarmRemoved, Alarm: "low"},
		{Kind: "acknowledged", Alarm: "low"},
		{Kind: "started", Alarm: "low", Point: "air.dryer.outlet.pressure"},
	} {
		l.Time = at(float64(i))
		b.Add(l)
	}
	got := b.Activations()
	if len(got) != 2 || !got[0].Acknowledged.IsZero() || got[1].Point != "air.dryer.outlet.pressure" || b.Unmatched() != 1 {
		t.Errorf("%d unmatched, %+v", b.Unmatched(), got)
	}
}

func TestBuilderAcknowledgesItself(t *testing.T) {
	rule := airLow()
	rule.AutoAcknowledge = true
	r := newRoom(t, rules.Set{Rules: []rules.Rule{rule}})
	r.read(1, 0, 5)
	f := mustReview(t, r.builder.Activations(), midnight, at(60))
	if k := f.Acknowledge; k.Itself != 1 || k.Nobody != 0 || k.Alarms != 0 {
		t.Errorf("%+v, want one that acknowledges itself", k)
	}
}

// Lengths are those of the steady scale when the wall clock is set, forwards or back.
func TestBuilderClockSet(t *testing.T) {
	var b review.Builder
	line := func(wall, steady float64, kind rules.EventKind) {
		b.Add(review.Line{Time: at(wall), Steady: collector.At(at(steady)), Kind: kind.String(), Alarm: "air-low"})
	}
	line(100, 100, rules.EventStarted)
	line(3710, 110, rules.EventAcknowledged) // an hour forwards
	line(3720, 120, rules.EventReturned)
	line(3730, 130, rules.EventStarted)
	line(140, 140, rules.EventReturned) // an hour back
	want := []review.Activation{
		{Rule: "air-low", Start: at(100), End: at(120), Ending: review.Returned, Acknowledged: at(110)},
		{Rule: "air-low", Start: at(3730), End: at(3740), Ending: review.Returned},
	}
	if got := b.Activations(); !slices.Equal(got, want) {
		t.Errorf("got %v\nwant %v", got, want)
	}
}

// Without a steady scale an end before the start is repaired, and that is told.
func TestClockSetBackIsTold(t *testing.T) {
	list := []review.Activation{
		{Rule: "a", Start: at(500), End: at(20), Ending: review.Returned},
		{Rule: "b", Start: at(600), Acknowledged: at(20)},
	}
	f := mustReview(t, list, midnight, at(3600))
	if f.Repaired != 2 || f.Rules[0].Active != 0 || *f.Acknowledge.Median != 0 {
		t.Errorf("%d repaired, active %g s, acknowledged after %g s", f.Repaired, f.Rules[0].Active, *f.Acknowledge.Median)
	}
}

// A journal that begins in the middle, or lost lines.
func TestBuilderGaps(t *testing.T) {
	var b review.Builder
	b.Priority = func(alarm string) rules.Priority {
		if alarm == "oil-hot" {
			return rules.MediumPriority
		}
		return rules.NoPriority
	}
	for i, l := range []review.Line{
		{Kind: "returned", Alarm: "oil-hot"},
		{Kind: "acknowledged", Alarm: "oil-hot"},
		{Kind: "outage"},
		{Kind: "started", Alarm: "oil-hot"},
		{Kind: "started", Alarm: "oil-hot"},
		{Kind: "a word of tomorrow", Alarm: "oil-hot"},
		{Kind: "returned", Alarm: "oil-hot", Priority: rules.HighPriority},
		{Kind: "started", Alarm: "pit-high", Priority: rules.HighPriority},
	} {
		l.Time = at(float64(i))
		b.Add(l)
	}
	want := []review.Activation{
		{Rule: "oil-hot", Priority: rules.MediumPriority, Start: at(3), End: at(4), Ending: review.UnseenEnding},
		{Rule: "oil-hot", Priority: rules.MediumPriority, Start: at(4), End: at(6), Ending: review.Returned},
		{Rule: "pit-high", Priority: rules.HighPriority, Start: at(7)},
	}
	if got := b.Activations(); !slices.Equal(got, want) || b.Unmatched() != 2 {
		t.Errorf("%d unmatched\n got %v\nwant %v", b.Unmatched(), got, want)
	}
}

// Whatever lines come, each start is one activation and none ends before it begins.
func TestBuilderAnyLines(t *testing.T) {
	for seed := range uint64(100) {
		r := rand.New(rand.NewPCG(seed, 5))
		var b review.Builder
		starts := 0
		for i := range 200 {
			l := review.Line{Time: at(float64(i)), Alarm: fmt.Sprint("a", r.IntN(3)), Kind: rules.EventKind(r.IntN(15)).String()}
			if r.IntN(20) == 0 {
				l.Kind = review.AlarmRemoved
			}
			if l.Kind == "started" {
				starts++
			}
			b.Add(l)
		}
		for _, a := range b.Activations() {
			if a.End.IsZero() != (a.Ending == review.StillActive) || !a.End.IsZero() && a.End.Before(a.Start) {
				t.Fatalf("seed %d: %+v", seed, a)
			}
		}
		if len(b.Activations()) != starts {
			t.Fatalf("seed %d: %d activations, want %d", seed, len(b.Activations()), starts)
		}
	}
}
