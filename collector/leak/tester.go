package leak

import (
	"fmt"
	"math"
	"time"

	"roundsman/collector"
)

// Spec is a test that is made again and again by itself. What is zero has the default beside it.
type Spec struct {
	Vessel   Vessel
	Delivery float64 // of the compressor, L/s of free air; 0: not known, then the load test gives a share only
	// Settle is waited after the last draw and after each unloading: what was just compressed cools. 0: a minute.
	Settle time.Duration
	Least  time.Duration // a bleed-down takes at least so long; 0: 2 min
	Most   time.Duration // and ends after so long; 0: 30 min
	// LeastFall is the fall that tells something, MostFall ends the bleed-down, bar. After Most any fall will do.
	// 0: 0.2 and 1.5 bar.
	LeastFall, MostFall float64
	Every               time.Duration // from one result to the next test; 0: an hour
}

// Defaults of a Spec. A minute, ten minutes and 1.5 bar are common practice, no source.
func (s Spec) filled() Spec {
	s.Vessel = s.Vessel.Filled()
	for _, d := range []struct {
		v    *time.Duration
		zero time.Duration
	}{{&s.Settle, time.Minute}, {&s.Least, 2 * time.Minute}, {&s.Most, 30 * time.Minute}, {&s.Every, time.Hour}} {
		if *d.v == 0 {
			*d.v = d.zero
		}
	}
	if s.LeastFall == 0 {
		s.LeastFall = 0.2
	}
	if s.MostFall == 0 {
		s.MostFall = 1.5
	}
	return s
}

// Check says what is wrong with a spec.
func (s Spec) Check() error {
	s = s.filled()
	switch {
	case s.Delivery < 0 || math.IsNaN(s.Delivery) || math.IsInf(s.Delivery, 0):
		return fmt.Errorf("delivery %g L/s is below 0", s.Delivery)
	case s.Settle < 0 || s.Least < 0 || s.Every < 0:
		return fmt.Errorf("a time below 0")
	case s.Most < s.Least:
		return fmt.Errorf("at most %s is shorter than at least %s", s.Most, s.Least)
	case !(s.LeastFall > 0) || !(s.MostFall >= s.LeastFall):
		return fmt.Errorf("a fall of at least %g bar and at most %g bar", s.LeastFall, s.MostFall)
	}
	return s.Vessel.Check()
}

// Truth is a state that may be out of sight.
type Truth uint8

// The truths.
const (
	Unseen Truth = iota
	No
	Yes
)

// Look is what is known at a moment. What came with bad quality is Unseen or NaN: then there is no test.
type Look struct {
	At       collector.Moment
	Pressure float64 // bar gauge; NaN: out of sight
	Celsius  float64 // of the receiver's air; NaN: out of sight or not measured
	Loaded   Truth   // the compressor gives air; for a compressor that starts and stops: it runs
	Idle     Truth   // nothing draws air
}

// The two ways to a result.
const (
	ByBleedDown = "bleed-down"
	ByLoadTest  = "load test"
)

// Result is one finished test.
type Result struct {
	Method string `json:"method"`
	// Bleed is the bleed-down. A load test fills in Start, End, the mean pressure as both pressures, and Rate, Low and
	// High alike, at the working pressure.
	Bleed
	// Loaded and Unloaded are the sums of the newest whole load cycles while nothing drew air, at most twelve and since
	// the result before.
	Loaded   time.Duration `json:"loaded"`
	Unloaded time.Duration `json:"unloaded"`
	Cycles   int           `json:"cycles"`
}

// Share returns the leak as a share of the compressor's delivery by the load test, NaN without a whole cycle.
func (r Result) Share() float64 { return Share(r.Loaded, r.Unloaded) }

// Words says what the result rests on: 'bleed-down from 8.1 to 6.8 bar in 18m30s, settled'.
func (r Result) Words() string {
	if r.Method == ByLoadTest {
		return fmt.Sprintf("load test, %d cycles at %.1f bar, loaded %.1f %% of the time", r.Cycles, r.StartPressure, 100*r.Share())
	}
	settled := "settled"
	if !r.Settled {
		settled = fmt.Sprintf("first half %.2f L/s, second %.2f L/s", r.First, r.Second)
	}
	return fmt.Sprintf("bleed-down from %.1f to %.1f bar in %s, %s", r.StartPressure, r.EndPressure, r.End.Sub(r.Start).Round(time.Second), settled)
}

// outOfSight is how long a look may be missing before what happened meanwhile cannot be told.
const outOfSight = 90 * time.Second

// rise is how far the pressure may go up in a bleed-down, bar, before something must have filled the receiver. The looks
// at pressure and compressor may be some seconds apart, so the first of a loading must not count.
const rise = 0.15

// leastCycles make a load test.
const leastCycles = 3

// Tester makes the tests. It is driven by looks only, has no clock, and belongs to one goroutine.
//
//   - While nothing draws air and the compressor is not loaded it waits Settle and then takes the fall of pressure, until
//     the compressor loads, air is drawn, the fall is MostFall or Most is over. At least Least and LeastFall make a result.
//   - Load cycles while nothing draws air are summed. Where the leak is so large that no bleed-down is long enough, three
//     cycles make a result by the load test, if the delivery is known: its share of it, brought to the working pressure.
//   - What is out of sight for more than 90 s ends the test without a result. A rising pressure ends it too: what fell
//     before counts.
type Tester struct {
	spec Spec
	k    Kept
}

// New returns a tester; the error is that of Spec.Check.
func New(s Spec) (*Tester, error) {
	if err := s.Check(); err != nil {
		return nil, err
	}
	return &Tester{spec: s.filled()}, nil
}

// Step takes a look and returns a result when a test has ended with it. Looks come in order of time; one that is older
// than the last is passed over, but for one much older: then the clock was set back and the test begins anew.
func (t *Tester) Step(l Look) (Result, bool) {
	k := &t.k
	switch gap := l.At.Sub(k.Seen); {
	case gap < 0 && gap > -outOfSight:
		return Result{}, false
	case gap < 0, gap > outOfSight && k.Seen != 0:
		t.lost(l.At)
	}
	if l.Idle == No {
		return t.drawn(l.At)
	}
	if l.Idle == Unseen || l.Loaded == Unseen || math.IsNaN(l.Pressure) {
		return Result{}, false
	}
	before := k.Seen
	k.Seen = l.At
	if k.Idle == 0 {
		k.Idle, k.Cycles = l.At, Cycles{}
	} else {
		k.Cycles.pass(l.At.Sub(before), l.Pressure)
	}
	if l.Loaded == Yes {
		return t.load(l.At)
	}
	return t.fall(l)
}

// lost gives up what was under way: nobody saw what happened.
func (t *Tester) lost(now collector.Moment) {
	k := &t.k
	*k = Kept{Past: k.Past, Last: k.Last, Rested: min(k.Rested, now), Seen: now}
}

// drawn ends the quiet.
func (t *Tester) drawn(now collector.Moment) (Result, bool) {
	r, ok := t.finish()
	k := &t.k
	k.Seen, k.Idle, k.Unloaded, k.Series = now, 0, 0, series{}
	return r, ok
}

// load ends the bleed-down: the compressor gives air.
func (t *Tester) load(now collector.Moment) (Result, bool) {
	k := &t.k
	r, ok := t.finish()
	if !ok && k.Unloaded != 0 && now.Sub(k.Unloaded) < t.spec.Settle+t.spec.Least {
		r, ok = t.byLoad(now)
	}
	k.Cycles.Loading = true
	k.Unloaded, k.Series = 0, series{}
	return r, ok
}

// fall takes a look at the pressure while nothing fills and nothing draws.
func (t *Tester) fall(l Look) (Result, bool) {
	k := &t.k
	if k.Unloaded == 0 {
		k.Unloaded = l.At
		k.Cycles.unload(l.At)
	}
	if l.At.Sub(max(k.Idle, k.Unloaded)) < t.spec.Settle || t.rests(l.At) {
		return Result{}, false
	}
	if len(k.Series.List) > 0 && l.Pressure > k.Series.Lowest+rise {
		k.Series.untilLowest()
		r, ok := t.finish()
		k.Series, k.Unloaded = series{}, l.At // what filled it warmed it too
		return r, ok
	}
	choked := l.Pressure > Choked+rise
	if choked {
		k.Series.add(l)
	}
	if choked && k.Series.length() < t.spec.Most && k.Series.fall() < t.spec.MostFall {
		return Result{}, false
	}
	r, ok := t.finish()
	k.Series = series{}
	return r, ok
}

// rests reports whether the last result is too young for another test.
func (t *Tester) rests(now collector.Moment) bool {
	return t.k.Rested != 0 && now.Sub(t.k.Rested) < t.spec.Every
}

// finish makes a result of the bleed-down if it is long enough.
func (t *Tester) finish() (Result, bool) {
	k := &t.k
	length, fall := k.Series.length(), k.Series.fall()
	if length < t.spec.Least || fall < t.spec.LeastFall && length < t.spec.Most {
		return Result{}, false
	}
	b, err := Settle(t.spec.Vessel, k.Series.samples(), t.spec.Least)
	if err != nil {
		return Result{}, false
	}
	return t.done(Result{Method: ByBleedDown, Bleed: b}), true
}

// byLoad makes a result of the load cycles, where the compressor loads again before a bleed-down is long enough.
func (t *Tester) byLoad(now collector.Moment) (Result, bool) {
	if t.spec.Delivery == 0 || len(t.k.Cycles.List) < leastCycles || t.rests(now) {
		return Result{}, false
	}
	c, v := t.k.Cycles.sum(), &t.spec.Vessel
	mean := c.Bars / (c.Loaded + c.Unloaded).Seconds()
	rate := t.spec.Delivery * Share(c.Loaded, c.Unloaded) * (v.Working + v.Atmosphere) / (mean + v.Atmosphere)
	return t.done(Result{Method: ByLoadTest, Bleed: Bleed{
		Start: c.From, End: now, StartPressure: mean, EndPressure: mean, Settled: true,
		Rate: rate, Low: rate, High: rate, First: rate, Second: rate,
	}}), true
}

func (t *Tester) done(r Result) Result {
	k := &t.k
	c := k.Cycles.sum()
	r.Loaded, r.Unloaded, r.Cycles = c.Loaded, c.Unloaded, len(k.Cycles.List)
	k.Cycles.List = nil
	k.Rested = r.End
	k.Last = &r
	if r.Settled {
		k.remember(r.End, r.Rate)
	}
	return r
}

// Waits says in a few words what the tester is doing, for people who wonder where the result is.
func (t *Tester) Waits() string {
	k := &t.k
	switch {
	case k.Seen == 0:
		return "nothing seen yet"
	case k.Idle == 0:
		return "waits until nothing draws air"
	case k.Unloaded == 0:
		return "waits until the compressor unloads"
	case len(k.Series.List) == 0:
		return "waits for the air to settle"
	}
	return "under way"
}
