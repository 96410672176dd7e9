package rules_test

import (
	"encoding"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

func TestWords(t *testing.T) {
	tests := []struct {
		v    fmt.Stringer
		want string
	}{
		{rules.LowLow, "low-low"}, {rules.FormulaIsTrue, "formula"}, {rules.RunsLonger, "running-longer-than"}, {rules.Kind(99), "unknown"},
		{rules.Normal, "normal"}, {rules.ReturnUnacknowledged, "returned unacknowledged"}, {rules.SuppressedByDesign, "suppressed by design"},
		{rules.OutOfService, "out of service"}, {rules.LatchAcknowledged, "latched acknowledged"}, {rules.State(9), "unknown"},
		{rules.Note, "note"}, {rules.HighPriority, "high"}, {rules.NoPriority, "none"}, {rules.Severe, "severe"},
		{rules.GreaterOrEqual, ">="}, {rules.NotEqual, "!="}, {rules.EventReadingLost, "reading lost"}, {rules.EventConditionFalse, "condition false"},
		{rules.ActPutBack, "in service"},
	}
	for _, tt := range tests {
		if got := tt.v.String(); got != tt.want {
			t.Errorf("%T %d: %q, want %q", tt.v, tt.v, got, tt.want)
		}
	}
	for s, letter := rules.Normal, 'A'; s <= rules.OutOfService; s, letter = s+1, letter+1 {
		if rune(s.Letter()) != letter {
			t.Errorf("%s is %c, want %c", s, s.Letter(), letter)
		}
	}
}

// What is written as text reads back as the same value, and nothing else reads at all.
func TestTextComesBack(t *testing.T) {
	roundTrip := func(n int, of func(i int) (encoding.TextMarshaler, encoding.TextUnmarshaler, func() bool)) {
		t.Helper()
		for i := range n {
			out, in, same := of(i)
			text, err := out.MarshalText()
			if err != nil {
				t.Fatal(err)
			}
			if err := in.UnmarshalText(text); err != nil || !same() {
				t.Errorf("%q: %v", text, err)
			}
			if err := in.UnmarshalText([]byte("x" + string(text))); err == nil || !strings.Contains(err.Error(), `"x`+string(text)+`"`) {
				t.Errorf("x%s: error %v, want one that quotes it", text, err)
			}
		}
		out, _, _ := of(n)
		if text, err := out.MarshalText(); err == nil {
			t.Errorf("%d of %T is %q, want an error", n, out, text)
		}
	}
	roundTrip(9, func(i int) (encoding.TextMarshaler, encoding.TextUnmarshaler, func() bool) {
		var v rules.State
		return rules.State(i), &v, func() bool { return v == rules.State(i) }
	})
	roundTrip(5, func(i int) (encoding.TextMarshaler, encoding.TextUnmarshaler, func() bool) {
		var v rules.Priority
		return rules.Priority(i), &v, func() bool { return v == rules.Priority(i) }
	})
	roundTrip(4, func(i int) (encoding.TextMarshaler, encoding.TextUnmarshaler, func() bool) {
		var v rules.Severity
		return rules.Severity(i), &v, func() bool { return v == rules.Severity(i) }
	})
	roundTrip(15, func(i int) (encoding.TextMarshaler, encoding.TextUnmarshaler, func() bool) {
		var v rules.EventKind
		return rules.EventKind(i), &v, func() bool { return v == rules.EventKind(i) }
	})
	if text, err := json.Marshal(map[string]any{"state": rules.OutOfService}); err != nil || string(text) != `{"state":"out of service"}` {
		t.Errorf("JSON %s, %v", text, err)
	}
}

// The pattern of Hollifield and Habibi, The Alarm Management Handbook (2nd ed. 2010), from memory, at and on both
// sides of its boundaries: 10 and 3 minutes belong to the slower row, 30 minutes is not over 30.
func TestPriorityMatrix(t *testing.T) {
	tests := []struct {
		time                 time.Duration
		minor, major, severe rules.Priority
	}{
		{31 * time.Minute, rules.Note, rules.Note, rules.Note},
		{30*time.Minute + 1, rules.Note, rules.Note, rules.Note},
		{30 * time.Minute, rules.LowPriority, rules.LowPriority, rules.MediumPriority},
		{10 * time.Minute, rules.LowPriority, rules.LowPriority, rules.MediumPriority},
		{10*time.Minute - 1, rules.LowPriority, rules.MediumPriority, rules.MediumPriority},
		{3 * time.Minute, rules.LowPriority, rules.MediumPriority, rules.MediumPriority},
		{3*time.Minute - 1, rules.MediumPriority, rules.HighPriority, rules.HighPriority},
		{time.Second, rules.MediumPriority, rules.HighPriority, rules.HighPriority},
		{0, rules.NoPriority, rules.NoPriority, rules.NoPriority},
		{-1, rules.NoPriority, rules.NoPriority, rules.NoPriority},
	}
	for _, tt := range tests {
		for s, want := range map[rules.Severity]rules.Priority{rules.Minor: tt.minor, rules.Major: tt.major, rules.Severe: tt.severe,
			rules.NoSeverity: rules.NoPriority, rules.Severe + 1: rules.NoPriority} {
			if got := rules.PriorityFor(s, tt.time); got != want {
				t.Errorf("%s, %s to respond: %s, want %s", s, tt.time, got, want)
			}
		}
	}
}

// ISA-18.2-2009, clause 10.5, and EEMUA 191, from memory.
func TestStartingValues(t *testing.T) {
	tests := []struct {
		dimension string
		share     float64
		delay     time.Duration
	}{
		{"flow", 0.05, 15 * time.Second}, {"level", 0.05, time.Minute}, {"pressure", 0.02, 15 * time.Second},
		{"temperature", 0.01, time.Minute}, {"state", 0, 0}, {"", 0, 0},
	}
	for _, tt := range tests {
		if share, delay := rules.StartingValues(tt.dimension); share != tt.share || delay != tt.delay {
			t.Errorf("%q: %g, %s; want %g, %s", tt.dimension, share, delay, tt.share, tt.delay)
		}
	}
}

func TestDescribe(t *testing.T) {
	list := []collector.Point{{ID: 0, Name: "air.header.pressure"}, {ID: 1, Name: "air.dryer.outlet.pressure"}, {ID: 2, Name: "pit.3.high.float"},
		{ID: 3, Name: "mains.good", Kind: collector.State}}
	r := rules.Rule{Unit: "bar", Digits: 1, Limit: 5.5, Other: collector.NoPoint, Window: 8 * time.Second}
	kind := func(k rules.Kind, change func(*rules.Rule)) rules.Rule {
		r := r
		r.Kind = k
		if change != nil {
			change(&r)
		}
		return r
	}
	tests := []struct {
		rule  rules.Rule
		value float64
		want  string
	}{
		{kind(rules.Low, nil), 5.3, "air.header.pressure 5.3 bar, low limit 5.5 bar"},
		{kind(rules.HighHigh, func(r *rules.Rule) { r.Limit = 8.25 }), 8.31, "air.header.pressure 8.3 bar, high-high limit 8.25 bar"},
		{kind(rules.Low, func(r *rules.Rule) { r.Unit = "" }), math.NaN(), "air.header.pressure no reading, low limit 5.5"},
		{kind(rules.Rate, func(r *rules.Rule) { r.Limit, r.Digits, r.Unit = -0.08, 2, "bar/s" }), -0.12, "air.header.pressure falls by 0.12 bar/s, limit 0.08 bar/s over 8s"},
		{kind(rules.Deviation, func(r *rules.Rule) { r.Other, r.Limit = 1, 0.5 }), 0.7, "air.header.pressure differs from air.dryer.outlet.pressure by 0.7 bar, limit 0.5 bar"},
		{kind(rules.BadSignal, nil), math.NaN(), "air.header.pressure has no usable reading"},
		{kind(rules.StaleSignal, nil), 130, "air.header.pressure has sent nothing new for 2m10s, limit 8s"},
		{kind(rules.StaleSignal, func(r *rules.Rule) { r.Window = 0 }), math.NaN(), "air.header.pressure has sent nothing new"},
		{kind(rules.Stuck, func(r *rules.Rule) { r.Limit = 0.5 }), 0, "air.header.pressure moved by 0.0 bar in 8s, at least 0.5 bar expected"},
		{kind(rules.Discrepancy, func(r *rules.Rule) { r.Point, r.Unit, r.Digits, r.Agree = 2, "", 0, term(0, 1.9) }), 0,
			"pit.3.high.float 0 does not agree with air.header.pressure > 1.9"},
		{kind(rules.NotReached, func(r *rules.Rule) { r.Limit, r.Window = 6.8, 4*time.Minute }), 5.2, "air.header.pressure 5.2 bar, 6.8 bar not reached within 4m"},
		{kind(rules.TotalAbove, func(r *rules.Rule) { r.Unit, r.Limit, r.Window, r.Digits = "L", 20, 2*time.Hour, 0 }), 31, "air.header.pressure rose by 31 L in 2h, limit 20 L"},
		{kind(rules.RunsLonger, func(r *rules.Rule) { r.Window = 20 * time.Minute }), 1260, "air.header.pressure runs for 21m, limit 20m"},
		{kind(rules.IdleLonger, func(r *rules.Rule) { r.Window = 24 * time.Hour }), 90000, "air.header.pressure is idle for 25h, limit 24h"},
		{kind(rules.StartsAbove, func(r *rules.Rule) { r.Limit, r.Window = 10, time.Hour }), 11, "air.header.pressure started 11 times in 1h, limit 10"},
		{kind(rules.FormulaIsTrue, nil), 6.4, "air.header.pressure 6.4 bar"},
		{kind(rules.Equals, func(r *rules.Rule) { r.Limit, r.Unit, r.Digits = 1, "", 0 }), 1, "air.header.pressure is 1"},
		{kind(rules.Equals, func(r *rules.Rule) { r.Point, r.Limit, r.Unit, r.Digits = 3, 0, "", 0 }), 0, "mains.good is off"},
		{kind(rules.Equals, func(r *rules.Rule) { r.Point, r.Limit, r.Unit, r.Digits = 3, 1, "", 0 }), 1, "mains.good is on"},
		{kind(rules.Low, func(r *rules.Rule) { r.Point = 77 }), 5, "point 77 5.0 bar, low limit 5.5 bar"},
	}
	for _, tt := range tests {
		if got := tt.rule.Describe(tt.value, list); got != tt.want {
			t.Errorf("%s:\n got %s\nwant %s", tt.rule.Kind, got, tt.want)
		}
	}
}
