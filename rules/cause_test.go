package rules_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// One power failure gives one alarm with its consequences, not a storm of calls.
func TestOneCauseTwelveConsequences(t *testing.T) {
	set := rules.Set{Rules: []rules.Rule{{Name: "mains-lost", Kind: rules.Equals, Limit: 0, OnDelay: 2 * time.Second}}}
	for i := range 12 {
		set.Rules = append(set.Rules, rules.Rule{
			Name: fmt.Sprintf("low-%02d", i), Point: 1, Kind: rules.Low, Limit: 5 - float64(i)/10, OnDelay: 5 * time.Second, CausedBy: []int{0},
		})
	}
	set.Rules[12].Name, set.Rules[12].OnDelay = "fast", 0 // rings before its cause is sure of itself
	r := newRoom(t, set)
	r.step(0, good(0, 1), good(1, 8))
	r.step(10, good(0, 0), good(1, 1))
	r.step(30)
	started := 0
	for _, ev := range r.events {
		if ev.Kind == rules.EventStarted {
			started++
		}
	}
	if started != 2 {
		t.Errorf("%d alarms rang, want the cause and the fast one:\n%s", started, r.lines())
	}
	all := r.engine.Status(nil)
	if want := []int{12, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}; !slices.Equal(all[0].Consequences, want) {
		t.Errorf("consequences %v, want %v: the first that came first", all[0].Consequences, want)
	}
	if s := all[3]; s.State != rules.SuppressedByDesign || !s.Active || s.Cause != 0 || s.Why != "mains-lost" {
		t.Errorf("%+v, want suppressed by mains-lost", s)
	}
	checkJournal(t, r.events, 13, nil)
	r.events = r.events[:0]

	// The mains return; what is still wrong after its on-delay speaks for itself.
	r.step(100, good(0, 1), good(1, 4.25))
	r.step(101)
	for i, s := range r.engine.Status(nil)[1:] {
		if s.State == rules.SuppressedByDesign || (i < 11 && s.Active) {
			t.Errorf("%s is %s, active %v right after its cause ended", set.Rules[i+1].Name, s.State, s.Active)
		}
	}
	r.events = r.events[:0]
	r.step(120)
	started = 0
	for _, ev := range r.events {
		if ev.Kind == rules.EventStarted && ev.At == 105*second {
			started++
		}
	}
	if started != 8 { // limits 5.0 to 4.3
		t.Errorf("%d alarms outlived the cause, want 8 at 105 s:\n%s", started, r.lines())
	}
}

// A cause suppresses only while a person can see it.
func TestCauseThatDoesNotSpeak(t *testing.T) {
	set := rules.Set{
		Rules: []rules.Rule{
			{Name: "root", Kind: rules.High, Limit: 1},
			{Name: "cause", Point: 1, Kind: rules.High, Limit: 1, CausedBy: []int{0}, SuppressWhen: []int{0}},
			{Name: "effect", Point: 2, Kind: rules.High, Limit: 1, CausedBy: []int{1}},
		},
		Conditions: []rules.Condition{{Name: "closed", Terms: []rules.Term{term(3, 0)}}},
	}
	start := func() *room {
		r := newRoom(t, set)
		r.step(0, good(1, 2), good(2, 2), good(3, 0))
		r.want("the cause hides its effect", "0 cause started A>B; 0 effect suppressed A>H (cause); 0 effect condition true H>H")
		return r
	}
	r := start()
	r.mustAct(1, rules.ActAcknowledge, 1)
	r.want("an acknowledged cause still speaks", "1 cause acknowledged B>C")
	r.mustAct(2, rules.ActShelve, 1)
	r.want("a shelved one does not", "2 cause shelved C>G; 2 effect unsuppressed H>A; 2 effect started A>B")
	r.step(40)
	r.want("and speaks again", "32 cause unshelved G>A; 32 cause started A>B; 32 effect suppressed B>H (cause)")

	r = start()
	r.mustAct(1, rules.ActTakeOut, 1)
	r.want("out of service", "1 cause taken out of service B>I; 1 effect unsuppressed H>A; 1 effect started A>B")

	r = start()
	r.step(1, good(3, 1))
	r.want("silenced by a condition", "1 cause suppressed B>H (closed); 1 effect unsuppressed H>A; 1 effect started A>B")

	r = start()
	r.step(1, good(0, 2))
	r.want("listed under its own cause", "1 root started A>B; 1 cause suppressed B>H (root)")
	if all := r.engine.Status(nil); all[2].Cause != 1 || all[1].Cause != 0 || len(all[0].Consequences) != 1 {
		t.Errorf("chain is %+v", all)
	}
	r.step(2, good(0, 0), good(1, 0))
	r.want("the chain ends", "2 root returned B>D; 2 cause unsuppressed H>A; 2 effect unsuppressed H>A; 2 effect started A>B")
}

func TestSuppressionDelaysAnew(t *testing.T) {
	r := newRoom(t, rules.Set{
		Rules:      []rules.Rule{{Kind: rules.Low, Limit: 5, OnDelay: 10 * time.Second, SuppressWhen: []int{0}}},
		Conditions: []rules.Condition{{Name: "closed", Terms: []rules.Term{term(1, 0)}}},
	})
	r.step(0, good(0, 4), good(1, 1))
	r.step(100, good(1, 0))
	r.step(200)
	r.want("events", "0 r0 suppressed A>H (closed); 10 r0 condition true H>H; 100 r0 unsuppressed H>A; 110 r0 started A>B")
}

// hours are open between the hours of each day.
type hours struct{ from, to int64 }

func (h hours) At(m collector.Moment) (bool, collector.Moment) {
	const day = 24 * 3600
	s := int64(m / second)
	start := s - s%day
	for _, at := range []int64{start + h.from*3600, start + h.to*3600, start + day + h.from*3600} {
		if s < at {
			return at == start+h.to*3600, collector.Moment(at) * second
		}
	}
	return false, collector.Never
}

// A condition is watched through a rule it suppresses: H while true.
func TestConditions(t *testing.T) {
	below := func(p int, v float64) rules.Term {
		return rules.Term{Point: collector.PointID(p), Op: rules.Less, Value: v, Condition: -1}
	}
	not := func(c int) rules.Term { return rules.Term{Point: collector.NoPoint, Condition: c, Not: true} }
	type at struct {
		seconds  float64
		readings []collector.Reading
	}
	tests := []struct {
		name       string
		conditions []rules.Condition // the last one is watched
		steps      []at
		want       string
	}{
		{
			"all terms", []rules.Condition{{Terms: []rules.Term{term(1, 0), term(2, 0)}}},
			[]at{{0, []collector.Reading{good(1, 1)}}, {1, []collector.Reading{good(2, 1)}}, {2, []collector.Reading{good(1, 0)}}}, "1 on; 2 off",
		}, {
			"any term", []rules.Condition{{Any: true, Terms: []rules.Term{term(1, 0), term(2, 0)}}},
			[]at{{0, []collector.Reading{good(1, 1)}}, {1, []collector.Reading{good(2, 1)}}, {2, []collector.Reading{good(1, 0)}}, {3, []collector.Reading{good(2, 0)}}}, "0 on; 3 off",
		}, {
			"a bad reading keeps the last truth", []rules.Condition{{Terms: []rules.Term{term(1, 0)}}},
			[]at{{0, []collector.Reading{bad(1)}}, {1, []collector.Reading{good(1, 1)}}, {2, []collector.Reading{bad(1)}}, {9, []collector.Reading{good(1, 0)}}}, "1 on; 9 off",
		}, {
			"not known is not true, even negated", []rules.Condition{{Name: "open", Terms: []rules.Term{term(1, 0)}}, {Terms: []rules.Term{not(0)}}},
			[]at{{0, nil}, {5, []collector.Reading{good(1, 0)}}, {6, []collector.Reading{good(1, 1)}}}, "5 on; 6 off",
		}, {
			"negated term", []rules.Condition{{Terms: []rules.Term{{Point: 1, Op: rules.Equal, Value: 1, Not: true, Condition: -1}}}},
			[]at{{0, nil}, {5, []collector.Reading{good(1, 0)}}, {6, []collector.Reading{good(1, 1)}}}, "5 on; 6 off",
		}, {
			"held after its end", []rules.Condition{{Terms: []rules.Term{term(1, 0)}, Hold: 180 * time.Second}},
			[]at{{0, []collector.Reading{good(1, 1)}}, {10, []collector.Reading{good(1, 0)}}, {100, []collector.Reading{good(1, 1)}}, {110, []collector.Reading{good(1, 0)}}, {999, nil}},
			"0 on; 290 off",
		}, {
			"from a start below 4 bar until cut-out", []rules.Condition{{Terms: []rules.Term{term(2, 0), below(1, 4)}, Until: []rules.Term{term(1, 8.2)}, AtMost: 4 * time.Minute}},
			[]at{{0, []collector.Reading{good(1, 0), good(2, 0)}}, {10, []collector.Reading{good(2, 1)}}, {50, []collector.Reading{good(1, 6)}}, {100, []collector.Reading{good(1, 8.3)}},
				{200, []collector.Reading{good(1, 5)}}, {300, []collector.Reading{good(1, 3)}}, {900, nil}},
			"10 on; 100 off; 300 on; 540 off",
		}, {
			"inside the hours", []rules.Condition{{Hours: hours{7, 20}}},
			[]at{{0, nil}, {24*3600 - 1, nil}}, "25200 on; 72000 off",
		}, {
			"water moving outside the hours", []rules.Condition{{Hours: hours{7, 20}, NotHours: true, Terms: []rules.Term{term(1, 0)}}},
			[]at{{0, nil}, {10, []collector.Reading{good(1, 1)}}, {24*3600 - 1, nil}}, "10 on; 25200 off; 72000 on",
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for i := range tt.conditions {
				if tt.conditions[i].Name == "" {
					tt.conditions[i].Name = fmt.Sprint("c", i)
				}
			}
			r := newRoom(t, rules.Set{Conditions: tt.conditions, Rules: []rules.Rule{{Kind: rules.Low, SuppressWhen: []int{len(tt.conditions) - 1}}}})
			for _, s := range tt.steps {
				r.step(s.seconds, s.readings...)
			}
			got := ""
			for i, ev := range r.events {
				if i > 0 {
					got += "; "
				}
				got += fmt.Sprintf("%g %s", float64(ev.At)/1e9, map[rules.EventKind]string{rules.EventSuppressed: "on", rules.EventUnsuppressed: "off"}[ev.Kind])
			}
			if got != tt.want {
				t.Errorf("got %s, want %s", got, tt.want)
			}
		})
	}
}
