package record_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// pump is one that a box with a meter watches; the box is killed, its clock steps, and sight is lost now and then.
type pump struct {
	*machine
	random  *rand.Rand
	zone    *time.Location
	r       *record.Record
	meter   *duty.Meter
	off     time.Duration // the wall clock's error
	waiting []record.Finished
	looks   []pumpLook // on real time, that were kept or may still be
	kept    int        // looks that are on the record
	on      bool
	until   time.Time // of a long run or rest, seen throughout, over a midnight or two
	did     map[string]int
}

type pumpLook struct {
	at time.Time
	v  int // 1 on, 0 off, -1 bad
}

const pumpHold = 2 * time.Minute

func (p *pump) open() {
	p.t.Helper()
	o := p.options()
	p.clock = collector.NewClockFrom(func() time.Time { return time.Now().Add(p.off) })
	o.Clock, o.Zone = p.clock, p.zone
	r, err := record.Open(p.path, o)
	if err != nil {
		p.t.Fatal(err)
	}
	p.r, p.waiting = r, nil
	p.meter = duty.New(duty.Spec{Name: "pump", Join: -1, HoldAtMost: pumpHold})
	p.meter.OnInterval(func(i duty.Interval) { p.waiting = append(p.waiting, record.Finished{Equipment: "pump", Interval: i}) })
	if k, ok := p.restored(r).Duty["pump"]; ok {
		p.meter.Restore(k, p.clock.Now())
	}
}

func (p *pump) look() {
	long := time.Now().Before(p.until)
	if !long && p.random.IntN(30) == 0 {
		p.on = !p.on
		if p.random.IntN(12) == 0 {
			p.until = time.Now().Add(time.Duration(p.random.IntN(40)) * time.Hour)
		}
	}
	now := p.clock.Now()
	l := pumpLook{at: time.Now()}
	reading := collector.Reading{Quality: collector.Good, At: now}
	if p.on {
		reading.Value, l.v = 1, 1
	}
	if !time.Now().Before(p.until) && p.random.IntN(60) == 0 {
		reading, l.v = collector.Fail(0, collector.NoAnswer, 0, now, ""), -1
		p.did["bad"]++
	}
	p.meter.Observe(now, &reading)
	p.looks = append(p.looks, l)
	if p.meter.Moved() || p.random.IntN(40) == 0 {
		p.keep()
	}
}

func (p *pump) keep() {
	commit(p.t, p.r, record.Change{At: p.clock.Now(), Duty: map[string]duty.Kept{"pump": p.meter.Keep()}, Intervals: p.waiting})
	p.waiting, p.kept = nil, len(p.looks)
}

func (p *pump) kill() {
	p.did["kill"]++
	if err := p.r.Abandon(); err != nil {
		p.t.Fatal(err)
	}
	p.looks = p.looks[:p.kept]
	time.Sleep(time.Duration(p.random.IntN(7200)) * time.Second)
	if p.off == 0 && p.random.IntN(2) == 0 { // over a reboot only a clock that is right tells how long it took
		p.reboot()
	}
	if p.random.IntN(3) == 0 {
		p.zone = zone(p.t, []string{"Europe/Dublin", "America/St_Johns", "Australia/Lord_Howe"}[p.random.IntN(3)])
		p.did["zone"]++
	}
	p.open()
}

func (p *pump) step() {
	p.did["step"]++
	p.off = []time.Duration{0, 0, time.Hour, -time.Hour, 26 * time.Hour, -3 * time.Minute}[p.random.IntN(6)]
	if d := p.clock.Check(); d != 0 {
		commit(p.t, p.r, record.Change{Lines: []record.Line{{Kind: record.ClockStepped, Length: d}}})
	}
}

// naive counts what the looks say, one after the other.
func (p *pump) naive() (run, still, unseen time.Duration, starts int) {
	was := -1
	for i, l := range p.looks {
		if l.v == 1 && was == 0 {
			starts++
		}
		if l.v >= 0 {
			was = l.v
		}
		if i+1 == len(p.looks) {
			break
		}
		lasts := p.looks[i+1].at.Sub(l.at)
		stands := min(lasts, pumpHold)
		switch l.v {
		case 1:
			run += stands
		case 0:
			still += stands
		default:
			stands = 0
		}
		unseen += lasts - stands
	}
	return run, still, unseen, starts
}

// naiveSpan adds up a span from the list of all intervals.
func naiveSpan(all []record.Interval, from, to time.Time) (d record.Duty) {
	cut := func(a, b time.Time) time.Duration {
		if a.Before(from) {
			a = from
		}
		if b.After(to) {
			b = to
		}
		return max(0, b.Sub(a))
	}
	inside := func(t time.Time) bool { return !t.Before(from) && t.Before(to) }
	for _, i := range all {
		d.Still += cut(i.Begin.Add(-i.Still), i.Begin)
		if inside(i.Begin) {
			d.Starts += i.Starts
			d.WorstHour = max(d.WorstHour, i.Hour)
		}
		piece := cut(i.Begin, i.End)
		switch i.Kind {
		case duty.Ran:
			d.Run += piece
			d.Longest = max(d.Longest, piece)
			if i.New && inside(i.Begin) || i.Begin.Before(from) && piece > 0 {
				d.Runs++
			}
			if i.New && i.Stopped && piece > 0 && piece == i.Length() && (d.Shortest == 0 || piece < d.Shortest) {
				d.Shortest = piece
			}
		case duty.Unseen:
			d.Unseen += piece
		}
	}
	return d
}

// Whatever happens to the box, the days and the intervals add up to what the looks said, and any span from the sums of its
// days is the one from its intervals.
func TestRunsAgainstNaiveModel(t *testing.T) {
	for seed := range uint64(max(1, 3/fewer)) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				time.Sleep(time.Until(time.Date(2000, 3, 23, 12, 0, 0, 0, time.UTC))) // clocks go forward on the 26th
				p := &pump{machine: newMachine(t), random: rand.New(rand.NewPCG(seed, 7)), zone: zone(t, "Europe/Dublin"), did: map[string]int{}}
				began := time.Now()
				p.open()
				defer func() { _ = p.r.Close() }() // after a failure
				for time.Since(began) < 10*24*time.Hour {
					time.Sleep(time.Duration(1+p.random.IntN(115)) * time.Second)
					switch n := p.random.IntN(1200); {
					case n < 4 && time.Now().After(p.until):
						p.kill()
					case n < 8:
						p.step()
					case n < 20 && time.Now().After(p.until): // the link is silent
						time.Sleep(time.Duration(p.random.IntN(4000)) * time.Second)
					default:
						p.look()
					}
				}
				// it runs at the end: what stands since the last interval is in none
				p.on, p.until = true, time.Now().Add(time.Hour)
				p.look()
				p.keep()
				p.compare()
				closed(t, p.r, p.path)
				for _, what := range []string{"bad", "kill", "step", "zone"} {
					if p.did[what] == 0 {
						t.Errorf("never did %s", what)
					}
				}
			})
		})
	}
}

func (p *pump) compare() {
	t, ctx := p.t, context.Background()
	t.Helper()
	early, late := time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC)
	got, err := p.r.Duty(ctx, "pump", early, late)
	if err != nil {
		t.Fatal(err)
	}
	run, still, unseen, starts := p.naive()
	if got.Run != run || got.Still != still || got.Unseen != unseen || got.Starts != starts {
		t.Errorf("run %v still %v unseen %v starts %d, the looks say %v, %v, %v, %d", got.Run, got.Still, got.Unseen, got.Starts, run, still, unseen, starts)
	}
	var all []record.Interval
	for i, err := range p.r.Intervals(ctx, "pump", early, late) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, i)
	}
	if len(all) < 100 {
		t.Errorf("only %d intervals", len(all))
	}
	var long []record.Interval
	for _, i := range all {
		if i.Kind == duty.Ran && i.Length() > 12*time.Hour {
			long = append(long, i)
		}
	}
	if len(long) == 0 {
		t.Error("no long run")
	}
	for n := range 200 {
		i := all[p.random.IntN(len(all))]
		if n%4 == 0 && len(long) > 0 {
			i = long[p.random.IntN(len(long))]
		}
		a := i.Begin.Add(time.Duration(p.random.Int64N(int64(i.Length() + 1))))
		b := a.Add(time.Duration(p.random.Int64N(int64(5 * 24 * time.Hour))))
		if n%3 == 0 {
			a, b = midnight(a, p.zone), midnight(b, p.zone)
		}
		got, err := p.r.Duty(ctx, "pump", a, b)
		if err != nil {
			t.Fatal(err)
		}
		want := naiveSpan(all, a, b)
		want.Equipment, want.From, want.To, want.Until = got.Equipment, got.From, got.To, got.Until
		if got != want {
			t.Fatalf("%v to %v in %s:\ngot  %+v\nwant %+v", a, b, p.zone, got, want)
		}
	}
}

func midnight(t time.Time, zone *time.Location) time.Time {
	y, m, d := t.In(zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, zone)
}

// A run over midnight and over the change to summer time is cut where the day begins, to the nanosecond.
func TestDaysAreCutAtMidnight(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		time.Sleep(time.Until(time.Date(2000, 3, 25, 22, 30, 0, 250, time.UTC)))
		m := newMachine(t)
		o := m.options()
		o.Zone = zone(t, "Europe/Dublin")
		r := recordtest.Open(t, m.path, o)
		from := m.clock.Now()
		time.Sleep(26 * time.Hour)
		to := m.clock.Now()
		commit(t, r, record.Change{At: to, Intervals: []record.Finished{{Equipment: "pump", Interval: duty.Interval{
			Kind: duty.Ran, From: from, To: to, Starts: 1, Hour: 1, New: true, Stopped: true, Why: "stopped"}}}})
		days, err := r.Days(t.Context(), "pump", time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC))
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		var sum time.Duration
		for _, d := range days {
			got = append(got, fmt.Sprint(d.From.In(o.Zone).Format("01-02 "), d.To.Sub(d.From), " ", d.Run.Round(time.Second)))
			sum += d.Run
		}
		// the 26th has 23 hours: 00:00 GMT to 23:00 GMT
		if want := []string{"03-25 24h0m0s 1h30m0s", "03-26 23h0m0s 23h0m0s", "03-27 24h0m0s 1h30m0s"}; !slices.Equal(got, want) || sum != 26*time.Hour {
			t.Errorf("got %q, %v in all, want %q", got, sum, want)
		}
		if _, err := r.Duty(t.Context(), "pomp", time.Unix(0, 0), time.Unix(1, 0)); !errors.Is(err, record.ErrNoEquipment) {
			t.Errorf("what is not there is told as %v", err)
		}
	})
}

// A box that boots in 1970 dates its runs when the time arrives, and their days.
func TestRunsAreRedated(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newLateClock(t)
		ran := func() record.Finished {
			from := c.clock.Now()
			time.Sleep(10 * time.Minute)
			return record.Finished{Equipment: "pump", Interval: duty.Interval{Kind: duty.Ran, From: from, To: c.clock.Now(), Starts: 1, Hour: 1, New: true, Stopped: true}}
		}
		began := time.Now()
		first := ran()
		commit(t, c.r, record.Change{Intervals: []record.Finished{first}})
		time.Sleep(time.Hour)
		c.set()
		commit(t, c.r, record.Change{Intervals: []record.Finished{{Equipment: "pump", Interval: duty.Interval{Kind: duty.Ran, Still: time.Hour, From: first.To.Add(time.Hour), To: first.To.Add(time.Hour)}}}})
		d, err := c.r.Duty(t.Context(), "pump", began, began.Add(24*time.Hour))
		if err != nil || d.Run != 10*time.Minute || d.Starts != 1 {
			t.Errorf("got %+v, %v, want the run of 10 minutes", d, err)
		}
		d, err = c.r.Duty(t.Context(), "pump", time.Unix(-86400, 0), time.Unix(86400, 0))
		if err != nil || d.Run != 0 || d.Starts != 0 {
			t.Errorf("in 1970 there is %+v, %v", d, err)
		}
		closed(t, c.r, c.path)
	})
}

// While the disk does not take them, intervals wait; what finds no room is counted as lost, and the sums stay true.
func TestRunsThatFindNoRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMachine(t)
		o := m.options()
		o.Queue = 10
		r := recordtest.Open(t, m.path, o)
		meter := duty.New(duty.Spec{Join: -1})
		var list []record.Finished
		meter.OnInterval(func(i duty.Interval) { list = append(list, record.Finished{Equipment: "pump", Interval: i}) })
		keep := func() error {
			defer func() { list = nil }()
			return r.Commit(&record.Change{Duty: map[string]duty.Kept{"pump": meter.Keep()}, Intervals: list})
		}
		if err := r.BreakWrites(true); err != nil {
			t.Fatal(err)
		}
		for i := range 61 {
			meter.Observe(m.clock.Now(), &collector.Reading{Value: float64(i % 2), Quality: collector.Good, At: m.clock.Now()})
			_ = keep()
			time.Sleep(10 * time.Second)
		}
		if err := r.BreakWrites(false); err != nil {
			t.Fatal(err)
		}
		if err := keep(); err != nil {
			t.Fatal(err)
		}
		d, err := r.Duty(t.Context(), "pump", time.Now().Add(-time.Hour), time.Now())
		if err != nil || d.Starts != 10 || d.Run != 100*time.Second {
			t.Errorf("got %+v, %v, want the last 10 runs", d, err)
		}
	})
}
