package rules_test

import (
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// timeline is a value that stands from second From to second To, both included.
type timeline []struct {
	from, to int
	value    float64
}

func (l timeline) play(r *room) {
	for _, s := range l {
		for t := s.from; t <= s.to; t++ {
			r.step(float64(t), good(0, s.value))
		}
	}
}

// The worked time lines for deadband and delays: 1 s samples, computed by a script of its own that
// walks the samples (common practice; deadband and delays as defined in ISA-18.2 and EEMUA 191).
func TestWorkedTimeLines(t *testing.T) {
	tests := []struct {
		name string
		rule rules.Rule
		line timeline
		want string
	}{
		{
			"high",
			rules.Rule{Kind: rules.High, Limit: 90, Deadband: 5, OnDelay: 5 * time.Second, OffDelay: 10 * time.Second},
			timeline{{0, 9, 80}, {10, 12, 95}, {13, 19, 88}, {20, 39, 96}, {40, 59, 87}, {60, 65, 84}, {66, 69, 86}, {70, 89, 83}},
			"25 r0 started A>B; 80 r0 returned B>D",
		}, {
			"low",
			rules.Rule{Kind: rules.Low, Limit: 5.5, Deadband: 0.3, OnDelay: 5 * time.Second, OffDelay: 30 * time.Second},
			timeline{{0, 9, 6.8}, {10, 13, 5.4}, {14, 15, 5.6}, {16, 39, 5.3}, {40, 59, 5.7}, {60, 119, 5.9}},
			"21 r0 started A>B; 90 r0 returned B>D",
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRoom(t, rules.Set{Rules: []rules.Rule{tt.rule}})
			tt.line.play(r)
			r.want("events", tt.want)
		})
	}
}

// A reading exactly on the limit does not start, one exactly on the clear limit ends.
func TestOnTheLimit(t *testing.T) {
	tests := []struct {
		name         string
		rule         rules.Rule
		on, beyond   float64 // the limit, and the nearest worse value
		inside, back float64 // the nearest worse value to the clear limit, and the clear limit
	}{
		{"low", rules.Rule{Kind: rules.Low, Limit: 5.5, Deadband: 0.3}, 5.5, 5.4999999999, 5.7999999999, 5.8},
		{"low-low", rules.Rule{Kind: rules.LowLow, Limit: 8.2, Deadband: 0.1}, 8.2, 8.1999999999, 8.2999999999, 8.3},
		{"high", rules.Rule{Kind: rules.High, Limit: 70, Deadband: 3}, 70, 70.0000000001, 67.0000000001, 67},
		{"high-high", rules.Rule{Kind: rules.HighHigh, Limit: 0.7, Deadband: 0.1}, 0.7, 0.7000000001, 0.6000000001, 0.6},
		{"no deadband", rules.Rule{Kind: rules.Low, Limit: 1}, 1, 0.9999999999, 0.9999999999, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRoom(t, rules.Set{Rules: []rules.Rule{tt.rule}})
			r.step(0, good(0, tt.on))
			r.want("on the limit", "")
			r.step(1, good(0, tt.beyond))
			r.want("beyond the limit", "1 r0 started A>B")
			r.step(2, good(0, tt.inside))
			r.want("inside the deadband", "")
			r.step(3, good(0, tt.back))
			r.want("on the clear limit", "3 r0 returned B>D")
		})
	}
}

func TestDelayIsExactBetweenReadings(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.Low, Limit: 5.5, OnDelay: 5 * time.Second}}})
	r.step(0, good(0, 8))
	r.step(10, good(0, 5))
	if r.next != 15*second {
		t.Fatalf("next is %v, want 15 s", r.next)
	}
	r.step(100)
	r.want("value holds until the next reading", "15 r0 started A>B")
	if r.next != collector.Never {
		t.Errorf("next is %v, want never", r.next)
	}
}

// A reading that comes at the very end of a delay decides.
func TestReadingAtTheEndOfTheDelay(t *testing.T) {
	for _, tt := range []struct {
		last float64
		want string
	}{{8, ""}, {5, "15 r0 started A>B"}} {
		r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.Low, Limit: 5.5, OnDelay: 5 * time.Second}}})
		r.step(10, good(0, 5))
		r.step(15, good(0, tt.last))
		r.want("at 15 s", tt.want)
	}
}

func TestBadReadingHoldsTheDelay(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.Low, Limit: 5.5, OnDelay: 5 * time.Second, OffDelay: 10 * time.Second}}})
	r.step(0, good(0, 8))
	r.step(10, good(0, 5)) // counts 3 s
	r.step(13, bad(0))
	r.step(100, bad(0)) // held
	r.want("while bad", "")
	r.step(200, good(0, 5)) // 2 s remain
	r.step(201, good(0, 5))
	r.want("goes on", "")
	r.step(202, good(0, 5))
	r.want("start", "202 r0 started A>B")
	r.step(210, bad(0))
	r.step(211, bad(0))
	r.want("active and lost", "210 r0 reading lost B>B")
	if s := r.status(0); !s.Active || !s.ReadingLost || s.State != rules.Unacknowledged || s.Value != 5 {
		t.Errorf("status %+v, want active, reading lost, last value 5", s)
	}
	r.step(220, good(0, 5))
	r.want("found", "220 r0 reading found B>B")
	r.step(230, good(0, 8)) // off-delay counts 4 s
	r.step(234, bad(0))
	r.step(300, good(0, 8)) // 6 s remain
	r.step(305, good(0, 8))
	r.want("off-delay held too", "234 r0 reading lost B>B; 300 r0 reading found B>B")
	r.step(306, good(0, 8))
	r.want("end", "306 r0 returned B>D")
}

// A reading of uncertain quality is judged: screening must not hide the dangerous side.
func TestUncertainIsJudged(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.Low, Limit: 5.5}}})
	doubt := good(0, 2)
	doubt.Quality, doubt.Fault = collector.Uncertain, collector.TooFast
	r.step(1, doubt)
	r.want("uncertain", "1 r0 started A>B (changed faster than it can)")
}

func TestPeakAndValue(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.Low, Limit: 5.5}, {Kind: rules.High, Limit: 6}}})
	for i, v := range []float64{8, 5.4, 4.9, 5.1} {
		r.step(float64(i), good(0, v))
	}
	if s := r.status(0); s.Peak != 4.9 || s.Value != 5.1 || s.Started != second || s.Activations != 1 {
		t.Errorf("low: %+v, want peak 4.9, value 5.1, one activation from 1 s", s)
	}
	for i, v := range []float64{7, 9, 8} {
		r.step(10+float64(i), good(0, v))
	}
	if s := r.status(1); s.Peak != 9 || s.Value != 8 || s.Activations != 2 {
		t.Errorf("high: %+v, want peak 9, value 8, two activations", s)
	}
}

// Two readings of one point in one call are judged one after the other: a dip is not lost in a batch.
func TestTwoReadingsOfOnePointInOneCall(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.Low, Limit: 5.5}, {Kind: rules.StartsAbove, Point: 1, Limit: 1, Window: time.Hour}}})
	r.step(0, good(0, 8), good(1, 0))
	r.step(1, good(0, 5), good(0, 8), good(1, 1), good(1, 0), good(1, 1))
	r.want("events", "1 r0 started A>B; 1 r0 returned B>D; 1 r1 started A>B")
	if s := r.status(0); s.Peak != 5 {
		t.Errorf("peak %g, want 5", s.Peak)
	}
}

// The peak of a time goes up to its end, though nobody looked between.
func TestPeakOfATime(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.RunsLonger, Window: 10 * time.Minute}}})
	r.step(0, good(0, 1))
	r.step(700, good(0, 1))
	if s := r.status(0); s.Value != 700 || s.Peak != 700 {
		t.Errorf("running: value %g, peak %g, want 700 s", s.Value, s.Peak)
	}
	r.step(900, good(0, 0))
	if s := r.status(0); s.Value != 0 || s.Peak != 900 {
		t.Errorf("stopped: value %g, peak %g, want 0 and 900 s", s.Value, s.Peak)
	}
	r.want("events", "600 r0 started A>B; 900 r0 returned B>D")
}
