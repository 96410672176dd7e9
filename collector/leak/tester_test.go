package leak_test

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/collector/leak"
	"roundsman/collector/practice/model"
)

// The practice plant's air: 500 L, 30 L/s, load at 6.8 and unload at 8.2 bar, a leak of 0.6 L/s at 7 bar.
var spec = leak.Spec{Vessel: leak.Vessel{Volume: 500}, Delivery: 30}

// night is the practice plant from before closing, looked at once a second through a transmitter's counts of 1 mbar.
type night struct {
	*model.Model
	looks int
}

func newNight(hour int) *night {
	return &night{Model: model.New(model.Config{Seed: 7, Start: time.Date(2026, 11, 24, hour, 0, 0, 0, time.UTC)})}
}

func (n *night) look() leak.Look {
	n.Step(time.Second)
	n.looks++
	s := n.State()
	return leak.Look{
		At: collector.At(n.Now()), Celsius: math.NaN(),
		Pressure: math.Round(s.Air.Header*1000)/1000 + 0.002*float64(n.looks%3-1),
		Loaded:   truth(s.Air.Loaded), Idle: truth(!s.Traffic.Open && !s.Traffic.Conveyor),
	}
}

func truth(b bool) leak.Truth {
	if b {
		return leak.Yes
	}
	return leak.No
}

// play steps the tester through so much time and returns its results.
func play(t *leak.Tester, n *night, d time.Duration, change func(*leak.Look)) []leak.Result {
	var out []leak.Result
	for range int(d / time.Second) {
		l := n.look()
		if change != nil {
			change(&l)
		}
		if r, ok := t.Step(l); ok {
			out = append(out, r)
		}
	}
	return out
}

func newTester(t *testing.T, s leak.Spec) *leak.Tester {
	t.Helper()
	x, err := leak.New(s)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func TestTesterFindsThePlantsLeak(t *testing.T) {
	n, x := newNight(19), newTester(t, spec)
	if got := x.Waits(); got != "nothing seen yet" {
		t.Errorf("at first it %q", got)
	}
	if got := play(x, n, 50*time.Minute, nil); len(got) != 0 || x.Waits() != "waits until nothing draws air" {
		t.Errorf("with the wash open: %d results, %q", len(got), x.Waits())
	}
	results := play(x, n, 6*time.Hour, nil)
	if len(results) < 3 || len(results) > 6 {
		t.Fatalf("%d results in a night", len(results))
	}
	for i, r := range results {
		near(t, "leak", r.Rate, 0.6, 0.01)
		if r.Method != leak.ByBleedDown || !r.Settled || r.Low > r.Rate || r.High < r.Rate {
			t.Errorf("result %d: %s, %.4f to %.4f L/s", i, r.Words(), r.Low, r.High)
		}
		if i > 0 && r.Start.Sub(results[i-1].End) < time.Hour {
			t.Errorf("result %d began %s after the one before", i, r.Start.Sub(results[i-1].End))
		}
	}
	last, ok := x.Last()
	if !ok || last != results[len(results)-1] {
		t.Errorf("the newest result is %v", last)
	}
	// The other test on the same night: loaded share of the time, at the mean pressure of its cycles.
	near(t, "share", last.Share(), 0.6*(7.5+leak.Normal)/(7+leak.Normal)/30, 0.05)
	if last.Cycles < 2 {
		t.Errorf("%d load cycles between two results", last.Cycles)
	}
}

func TestTesterFindsALargeLeakByLoad(t *testing.T) {
	n, x := newNight(21), newTester(t, spec)
	n.Set(model.AirLeak, true) // 8 L/s more: unloaded for 75 s only
	results := play(x, n, 2*time.Hour, nil)
	if len(results) < 2 {
		t.Fatalf("%d results", len(results))
	}
	for _, r := range results {
		if r.Method != leak.ByLoadTest || r.Cycles < 3 {
			t.Errorf("%s", r.Words())
		}
		near(t, "leak", r.Rate, 8.6, 0.02)
	}
	noDelivery := newTester(t, leak.Spec{Vessel: spec.Vessel})
	if got := play(noDelivery, n, 2*time.Hour, nil); len(got) != 0 {
		t.Errorf("without a delivery a load test told %v", got)
	}
}

func TestTesterFindsAMiddlingLeak(t *testing.T) {
	// 2.4 L/s: the unloaded time is about five minutes, a bleed-down of four.
	r, x := newReceiver(500, 8.2, 1.4, 293.15, 293.15, 5e4), newTester(t, spec)
	want := 1.2337 * 1.4 * 1.4
	for s := range 3600 {
		res, ok := x.Step(leak.Look{At: begin.Add(time.Duration(s) * time.Second), Pressure: r.bar(), Celsius: math.NaN(), Loaded: leak.No, Idle: leak.Yes})
		if ok {
			near(t, "leak", res.Rate, want, 0.005)
			return
		}
		for range 20 {
			r.step(0.05)
		}
	}
	t.Error("no result in an hour")
}

func TestTesterWithoutAnyLeak(t *testing.T) {
	x := newTester(t, spec)
	for s := range 3600 {
		r, ok := x.Step(leak.Look{At: begin.Add(time.Duration(s) * time.Second), Pressure: 7.5, Celsius: math.NaN(), Loaded: leak.No, Idle: leak.Yes})
		if ok {
			if math.Abs(r.Rate) > 1e-9 || !r.Settled || r.End.Sub(r.Start) < 30*time.Minute {
				t.Errorf("%g L/s, %s", r.Rate, r.Words())
			}
			return
		}
	}
	t.Error("a tight system has no result in an hour")
}

func TestTesterWhatIsUnseenIsNoTest(t *testing.T) {
	n := newNight(21)
	var looks []leak.Look
	for range int(2 * time.Hour / time.Second) {
		looks = append(looks, n.look())
	}
	// spoiled plays the night with each look for which when says so out of sight.
	spoiled := func(spoil func(*leak.Look), when func(i int) bool) (out []leak.Result) {
		x := newTester(t, spec)
		for i, l := range looks {
			if when(i) {
				spoil(&l)
			}
			if r, ok := x.Step(l); ok {
				out = append(out, r)
			}
		}
		return out
	}
	for name, spoil := range map[string]func(*leak.Look){
		"pressure": func(l *leak.Look) { l.Pressure = math.NaN() },
		"loaded":   func(l *leak.Look) { l.Loaded = leak.Unseen },
		"quiet":    func(l *leak.Look) { l.Idle = leak.Unseen },
	} {
		if got := spoiled(spoil, func(int) bool { return true }); len(got) != 0 {
			t.Errorf("%s out of sight: %d results", name, len(got))
		}
		// For two minutes of each ten: no bleed-down goes over them.
		for _, r := range spoiled(spoil, func(i int) bool { return i%600 < 120 }) {
			near(t, name+" now and then out of sight", r.Rate, 0.6, 0.02)
			if r.End.Sub(r.Start) > 8*time.Minute {
				t.Errorf("%s: a test of %s with two minutes of each ten out of sight", name, r.End.Sub(r.Start))
			}
		}
		// For twenty seconds of each five minutes: as if nothing were.
		short := spoiled(spoil, func(i int) bool { return i%300 < 20 })
		if len(short) == 0 {
			t.Errorf("%s missing for seconds: no results", name)
		}
		for _, r := range short {
			near(t, name+" missing for seconds", r.Rate, 0.6, 0.01)
		}
	}
}

func TestTesterGoesOnAfterARestart(t *testing.T) {
	whole := newTester(t, spec)
	want := play(whole, newNight(19), 4*time.Hour, nil)
	n, x := newNight(19), newTester(t, spec)
	var got []leak.Result
	for range 4 * 6 { // the daemon stops and starts every ten minutes, the state goes through JSON
		got = append(got, play(x, n, 10*time.Minute, nil)...)
		text, err := json.Marshal(x.Keep())
		if err != nil {
			t.Fatal(err)
		}
		if len(text) > 24_000 {
			t.Errorf("the state takes %d bytes", len(text))
		}
		var kept leak.Kept
		if err := json.Unmarshal(text, &kept); err != nil {
			t.Fatal(err)
		}
		x = newTester(t, spec)
		x.Restore(kept)
	}
	if len(want) < 2 {
		t.Fatalf("%d results", len(want))
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("restarts changed the results (-without +with):\n%s", d)
	}
}

func TestTesterAfterAnOutage(t *testing.T) {
	n, x := newNight(21), newTester(t, spec)
	play(x, n, 15*time.Minute, nil)
	if x.Waits() != "under way" && x.Waits() != "waits for the air to settle" {
		t.Fatalf("%q before the outage", x.Waits())
	}
	n.Step(10 * time.Minute) // nobody looks; the compressor may have loaded
	k := x.Keep()
	out := play(x, n, 30*time.Second, nil)
	if len(out) != 0 || x.Waits() == "under way" || len(k.Series.List) > 0 && len(x.Keep().Series.List) > 0 {
		t.Errorf("after ten minutes out of sight: %d results, %q", len(out), x.Waits())
	}
	for _, r := range play(x, n, 2*time.Hour, nil) {
		near(t, "leak after an outage", r.Rate, 0.6, 0.01)
	}
	// The clock set back by a year does not stop it for a year.
	year := 365 * 24 * time.Hour
	back := play(x, n, 2*time.Hour, func(l *leak.Look) { l.At = l.At.Add(-year) })
	if len(back) < 1 {
		t.Errorf("%d results in two hours after the clock was set back", len(back))
	}
}

func TestTesterSomethingDrawsOrFills(t *testing.T) {
	n, x := newNight(21), newTester(t, spec)
	results := play(x, n, 2*time.Hour, func(l *leak.Look) {
		if n.looks%400 == 0 {
			l.Idle = leak.No // somebody blows out a line every few minutes
		}
	})
	for _, r := range results {
		if r.End.Sub(r.Start) > 400*time.Second {
			t.Errorf("a test of %s went over a draw", r.End.Sub(r.Start))
		}
	}
	// A second compressor fills unseen: pressure rises while the first is not loaded.
	x = newTester(t, spec)
	n = newNight(21)
	results = play(x, n, 2*time.Hour, func(l *leak.Look) { l.Loaded = leak.No })
	for _, r := range results {
		near(t, "leak with unseen fillings", r.Rate, 0.6, 0.02)
	}
	if len(results) == 0 {
		t.Error("unseen fillings stopped all tests")
	}
}

func TestUsualLeavesOutTheLastDay(t *testing.T) {
	n, x := newNight(21), newTester(t, spec)
	if _, ok := x.Usual(); ok {
		t.Error("something is usual before the first test")
	}
	now := collector.At(n.Now())
	before := func(days float64) collector.Moment { return now.Add(-time.Duration(days * 24 * float64(time.Hour))) }
	x.Restore(leak.Kept{Past: []leak.Past{{At: before(40), Rate: 5}, {At: before(9), Rate: 0.6}, {At: before(3), Rate: 0.7}, {At: before(2), Rate: 0.5}, {At: before(0.2), Rate: 9}}})
	n.Set(model.AirLeak, true)
	results := play(x, n, 90*time.Minute, nil)
	usual, ok := x.Usual()
	if !ok || len(results) == 0 {
		t.Fatalf("%d results, usual known: %t", len(results), ok)
	}
	near(t, "usual, without what is older than 28 days", usual, 0.6, 1e-9)
	near(t, "after the step", results[len(results)-1].Rate, 8.6, 0.03)
	if past := x.Keep().Past; len(past) != 4+len(results) {
		t.Errorf("%d results are remembered", len(past))
	}
}

func TestSpecCheck(t *testing.T) {
	v := spec.Vessel
	for _, c := range []struct {
		s    leak.Spec
		want string
	}{
		{leak.Spec{Vessel: v}, ""},
		{leak.Spec{}, "volume 0 L is not above 0"},
		{leak.Spec{Vessel: v, Delivery: -1}, "delivery -1 L/s is below 0"},
		{leak.Spec{Vessel: v, Most: time.Minute}, "at most 1m0s is shorter than at least 2m0s"},
		{leak.Spec{Vessel: v, MostFall: 0.1}, "a fall of at least 0.2 bar and at most 0.1 bar"},
		{leak.Spec{Vessel: v, Settle: -1}, "a time below 0"},
	} {
		x, err := leak.New(c.s)
		if words(err) != c.want || (x == nil) != (c.want != "") {
			t.Errorf("%+v: %q, want %q", c.s, words(err), c.want)
		}
	}
}
