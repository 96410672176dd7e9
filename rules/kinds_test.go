package rules_test

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/rules"
)

// past is all that happened, second by second, for models that look it all through again at each second.
type past struct {
	value  []float64 // the last usable value; NaN before the first
	usable []bool    // the latest reading is usable
	fresh  []bool    // a usable reading came at this second
	while  []bool
	after  []bool
}

// model says whether the condition is true at second t by looking at the whole past; ok false: it cannot be said.
type model func(p *past, t int) (truth, ok bool)

const window = 20 // seconds

var models = []struct {
	name  string
	rule  rules.Rule
	model model
}{
	{"rate falling", rules.Rule{Kind: rules.Rate, Limit: -0.1}, rateModel(-0.1)},
	{"rate rising", rules.Rule{Kind: rules.Rate, Limit: 0.1}, rateModel(0.1)},
	{"stuck", rules.Rule{Kind: rules.Stuck, Limit: 3}, stuckModel},
	{"total above", rules.Rule{Kind: rules.TotalAbove, Limit: 12}, totalModel},
	{"runs longer", rules.Rule{Kind: rules.RunsLonger}, runsModel(true)},
	{"idle longer", rules.Rule{Kind: rules.IdleLonger}, runsModel(false)},
	{"starts above", rules.Rule{Kind: rules.StartsAbove, Limit: 1}, startsModel},
	{"not reached", rules.Rule{Kind: rules.NotReached, Limit: 4, After: []rules.Term{term(2, 0.5)}}, reachModel},
	{"equals", rules.Rule{Kind: rules.Equals, Limit: 1}, func(p *past, t int) (bool, bool) { return p.value[t] == 1, p.usable[t] }},
}

func rateModel(limit float64) model {
	return func(p *past, t int) (bool, bool) {
		if !p.usable[t] {
			return false, false
		}
		r := t
		for r >= 0 && !p.fresh[r] {
			r--
		}
		for b := r - window; b >= 0; b-- {
			if p.fresh[b] {
				slope := (p.value[r] - p.value[b]) / float64(r-b)
				return limit < 0 && slope < limit || limit > 0 && slope > limit, true
			}
		}
		return false, r < 0 && false
	}
}

// since returns the first second of the unbroken stretch of While that ends at t.
func (p *past) since(t int) int {
	for t > 0 && p.while[t-1] {
		t--
	}
	return t
}

func stuckModel(p *past, t int) (bool, bool) {
	if !p.while[t] {
		return false, true
	}
	if !p.usable[t] {
		return false, false
	}
	from := p.since(t)
	for from < t && !p.usable[from] {
		from++
	}
	watched := 0
	for s := from; s < t; s++ {
		if p.usable[s] {
			watched++
		}
	}
	lo, hi := p.value[t], p.value[t]
	for s := max(from, t-window); s <= t; s++ {
		lo, hi = min(lo, p.value[s]), max(hi, p.value[s])
	}
	return watched >= window && hi-lo < 3, true
}

func totalModel(p *past, t int) (bool, bool) {
	if !p.while[t] {
		return false, true
	}
	if !p.usable[t] {
		return false, false
	}
	from := p.since(t)
	for from < t && !p.usable[from] {
		from++
	}
	sum := 0.0
	for s := max(from, t-window) + 1; s <= t; s++ {
		sum += max(0, p.value[s]-p.value[s-1])
	}
	return sum > 12, true
}

func runsModel(on bool) model {
	return func(p *past, t int) (bool, bool) {
		if !p.usable[t] {
			return false, false
		}
		if !p.while[t] {
			return false, true
		}
		ran := 0
		for s := t - 1; s >= 0 && !math.IsNaN(p.value[s]) && (p.value[s] >= 0.5) == on; s-- {
			if p.usable[s] && p.while[s] {
				ran++
			}
		}
		return (p.value[t] >= 0.5) == on && ran >= window, true
	}
}

func startsModel(p *past, t int) (bool, bool) {
	n := 0
	for s := max(1, t-window+1); s <= t; s++ {
		if p.value[s] >= 0.5 && p.value[s-1] < 0.5 && p.while[s] {
			n++
		}
	}
	return n > 1 && p.while[t], p.usable[t] || !p.while[t]
}

func reachModel(p *past, t int) (bool, bool) {
	if !p.while[t] || !p.after[t] {
		return false, true
	}
	from := t
	for from > 0 && p.after[from-1] {
		from--
	}
	for s := from; s <= t; s++ {
		if p.usable[s] && p.value[s] >= 4 {
			return false, true
		}
	}
	return t-from >= window, t-from < window || p.usable[t]
}

// Each windowed kind against a model that looks through the whole past at each second. The engine itself is only
// called with readings and at its deadlines.
func TestKindsAgainstModels(t *testing.T) {
	for _, tt := range models {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			turns := 0
			for seed := range uint64(60) {
				turns += walkKind(t, tt.rule, tt.model, seed)
				if t.Failed() {
					return
				}
			}
			if turns < 40 {
				t.Errorf("the condition turned %d times only: the walk shows nothing", turns)
			}
			t.Logf("the condition turned %d times", turns)
		})
	}
}

func walkKind(t *testing.T, rule rules.Rule, truth model, seed uint64) (turns int) {
	rnd := rand.New(rand.NewPCG(seed, 7))
	rule.Window, rule.Other = window*time.Second, collector.NoPoint
	rule.While = []rules.Term{term(1, 0.5)}
	r := newRoom(t, rules.Set{Rules: []rules.Rule{rule}})
	const length = 600
	p := &past{}
	w := &walker{rnd: rnd, value: 3, while: true, move: moves[rule.Kind]}
	active := false
	for s := range length {
		readings := w.second(s)
		p.value, p.usable, p.fresh = append(p.value, w.shown), append(p.usable, w.usableNow), append(p.fresh, w.fresh)
		p.while, p.after = append(p.while, w.while), append(p.after, w.after)
		if len(readings) > 0 {
			r.step(float64(s), readings...)
		} else {
			r.until(collector.Moment(s)*second + 1)
		}
		is, ok := truth(p, s)
		if !w.while {
			is, ok = false, true
		}
		if ok && is != active {
			active = is
			turns++
		}
		if got := r.status(0); got.Active != active {
			t.Fatalf("seed %d, second %d: active %v, model %v (value %g, usable %v, while %v, after %v)\n%s",
				seed, s, got.Active, active, w.shown, w.usableNow, w.while, w.after, r.lines())
		}
	}
	checkJournal(t, r.events, 1, nil)
	return turns
}

// walker makes readings: point 0 the signal, 1 While, 2 After.
type walker struct {
	rnd          *rand.Rand
	value, shown float64
	while, after bool
	fresh        bool
	usableNow    bool
	calm         int
	move         func(v float64, n int) float64
}

// moves gives kinds the signal they are about.
var moves = map[rules.Kind]func(v float64, n int) float64{
	rules.RunsLonger:  func(v float64, n int) float64 { return float64(n & 1) },
	rules.IdleLonger:  func(v float64, n int) float64 { return float64(n & 1) },
	rules.StartsAbove: func(v float64, n int) float64 { return float64(n & 1) },
	rules.TotalAbove: func(v float64, n int) float64 {
		if v > 40 {
			return 0 // a counter that is reset
		}
		return v + float64(n%5)
	},
}

func (w *walker) second(s int) []collector.Reading {
	var list []collector.Reading
	if s == 0 {
		list = append(list, good(1, 1), good(2, 0))
		w.shown, w.usableNow, w.after = math.NaN(), false, false
	} else if w.rnd.IntN(60) == 0 {
		w.while = !w.while
		list = append(list, good(1, state(w.while)))
	} else if w.rnd.IntN(30) == 0 {
		w.after = !w.after
		list = append(list, good(2, state(w.after)))
	}
	w.fresh = false
	if w.rnd.IntN(3) > 0 {
		return list
	}
	if w.calm--; w.calm < -40 {
		w.calm = w.rnd.IntN(60)
	}
	if w.calm < 0 && w.rnd.IntN(2) == 0 {
		if n := w.rnd.IntN(100); w.move != nil {
			w.value = w.move(w.value, n)
		} else {
			w.value = math.Mod(w.value+float64(n%5), 6)
		}
	}
	if w.usableNow = s == 0 || w.rnd.IntN(12) > 0; !w.usableNow {
		return append(list, bad(0))
	}
	w.fresh, w.shown = true, w.value
	return append(list, good(0, w.value))
}

func TestTwoPoints(t *testing.T) {
	tests := []struct {
		name string
		rule rules.Rule
		want string
	}{
		{"deviation", rules.Rule{Kind: rules.Deviation, Other: 1, Limit: 1, Deadband: 0.5}, "2 r0 started A>B; 5 r0 returned B>D"},
		{"discrepancy of two states", rules.Rule{Kind: rules.Discrepancy, Other: 1}, "3 r0 started A>B; 5 r0 returned B>D"},
		{"discrepancy with a term", rules.Rule{Kind: rules.Discrepancy, Other: collector.NoPoint, Agree: term(1, 1.9)}, "0 r0 started A>B; 2 r0 returned B>D; 3 r0 started D>B; 5 r0 returned B>D"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRoom(t, rules.Set{Rules: []rules.Rule{tt.rule}})
			r.step(-1, good(0, 1)) // the other is not known yet
			r.step(0, good(1, 1))
			r.step(1, good(1, 2), good(0, 1))
			r.step(2, good(1, 2.1))
			r.step(3, good(0, 0), good(1, 2))
			r.step(4, bad(1)) // neither starts nor ends
			r.step(4.5, good(0, 0))
			r.step(5, good(0, 0.1), good(1, 0.4))
			for i := len(r.events) - 1; i >= 0; i-- {
				if k := r.events[i].Kind; k == rules.EventReadingLost || k == rules.EventReadingFound {
					r.events = append(r.events[:i], r.events[i+1:]...)
				}
			}
			want := tt.want
			if tt.name == "discrepancy with a term" {
				want = "0 r0 started A>B; 1 r0 returned B>D; 3 r0 started D>B; 5 r0 returned B>D"
			}
			r.want("events", want)
		})
	}
}

func TestFaultKinds(t *testing.T) {
	set := rules.Set{Rules: []rules.Rule{
		{Name: "bad", Kind: rules.BadSignal, OnDelay: 30 * time.Second},
		{Name: "stale", Kind: rules.StaleSignal, Window: 60 * time.Second},
	}}
	r := newRoom(t, set)
	r.step(0)
	r.step(59)
	r.want("nothing is judged before the first reading", "")
	r.step(70)
	r.want("nothing came at all", "60 stale started A>B")
	r.step(100, good(0, 1))
	r.step(110, bad(0))
	r.step(120, good(0, 1)) // starts the delay anew
	r.step(130, bad(0))
	r.step(200, bad(0))
	r.want("bad rings, a bad reading is something new", "100 stale returned B>D; 160 bad started A>B (signal too low: 3.48 mA; last good 1); 190 stale started D>B; 200 stale returned B>D")
	r.step(210, good(0, math.NaN()))
	r.want("NaN is bad whatever its quality says", "")
	r.step(220, good(0, 3))
	r.want("good again", "220 bad returned B>D")
	stale := collector.Fail(0, collector.Stale, 3, 0, "")
	r.step(230, stale)
	r.want("the link calls it stale", "230 stale started D>B")
}

// The alarm of a broken wire names the fault, what the device sent and the last good value: a technician must not take
// it for low air.
func TestFaultIsNamed(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{
		{Name: "bad", Kind: rules.BadSignal, Unit: "bar", Digits: 1},
		{Name: "never", Point: 1, Kind: rules.BadSignal, Unit: "bar", Digits: 1},
	}})
	r.step(0, good(0, 7.64))
	r.step(1, collector.Fail(0, collector.SignalLow, 3400, 0, "3.4 mA is below 3.6 mA"), collector.Fail(1, collector.NoAnswer, 0, 0, "1s"))
	got := map[string]string{}
	for _, e := range r.events {
		got[r.set.Rules[e.Rule].Name] = e.Why
	}
	want := map[string]string{"bad": "signal too low: 3.4 mA is below 3.6 mA; last good 7.6 bar", "never": "no answer: 1s; never read well"}
	if !maps.Equal(got, want) {
		t.Errorf("why it started: %q, want %q", got, want)
	}
}

// formulaOf is a formula for tests.
type formulaOf struct {
	points []collector.PointID
	eval   func([]float64) (bool, error)
}

func (f formulaOf) Points() []collector.PointID         { return f.points }
func (f formulaOf) Eval(values []float64) (bool, error) { return f.eval(values) }

func TestFormula(t *testing.T) {
	f := formulaOf{[]collector.PointID{2, 0}, func(v []float64) (bool, error) {
		if v[1] < 0 {
			return false, fmt.Errorf("no result")
		}
		return v[0] > v[1], nil
	}}
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.FormulaIsTrue, Formula: f, Point: 0}}})
	r.step(0, good(0, 1))
	r.step(1, good(2, 2))
	r.step(2, bad(2))
	r.step(3, good(0, 5))
	r.step(4, good(2, 3))
	r.step(5, good(0, 1))
	r.step(6, good(0, -1))
	r.want("events", "1 r0 started A>B; 2 r0 reading lost B>B; 4 r0 reading found B>B; 4 r0 returned B>D; "+
		"5 r0 started D>B; 6 r0 reading lost B>B")
}

func TestRateDeadbandAndSlowPolls(t *testing.T) {
	r := newRoom(t, rules.Set{Rules: []rules.Rule{{Kind: rules.Rate, Limit: -0.08, Deadband: 0.03, Window: 8 * time.Second}}})
	v := 8.0
	for s := range 60 {
		r.step(float64(s), good(0, v))
		switch {
		case s >= 40:
		case s >= 20:
			v -= 0.1
		}
	}
	// Seven whole falls of 0.1 are in the window of 8 s at second 27, ending by less than -0.05 at 44.
	r.want("events", "27 r0 started A>B; 44 r0 returned B>D")
	r.step(70, good(0, v-5)) // eleven seconds since the last: slower than the window, still a slope
	if s := r.status(0); !s.Active || math.Abs(s.Value+5.0/11) > 1e-9 {
		t.Errorf("slope %g, want -5/11 and active", s.Value)
	}
}
