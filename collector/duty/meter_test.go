package duty_test

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/collector/duty"
)

const start = collector.Moment(1_700_000_000_000_000_000)

func sec(s float64) collector.Moment { return start + collector.Moment(s*1e9) }

// contact observes a running contact at a second: 1 on, 0 off, -1 unusable.
func contact(m *duty.Meter, s float64, v float64) {
	r := collector.Reading{Point: 1, Value: v, Quality: collector.Good, At: sec(s)}
	if v < 0 {
		r = collector.Fail(1, collector.NoAnswer, 0, sec(s), "")
	}
	m.Observe(r.At, &r)
}

type look struct{ s, v float64 }

func observe(m *duty.Meter, looks []look) {
	for _, l := range looks {
		contact(m, l.s, l.v)
	}
}

// The worked run time: three runs of 180, 30 and 1200 s in an hour.
func TestWorkedRunTime(t *testing.T) {
	m := duty.New(duty.Spec{HoldAtMost: time.Hour})
	var runs []duty.Interval
	m.OnInterval(func(i duty.Interval) { runs = append(runs, i) })
	observe(m, []look{{0, 0}, {120, 1}, {300, 0}, {420, 1}, {450, 0}, {1800, 1}, {3000, 0}, {3600, 0}})
	f := m.Figures(sec(3600))
	if f.Run != 1410*time.Second || f.Starts != 3 || f.Runs != 3 || f.Seen != time.Hour || f.Unseen != 0 {
		t.Errorf("run %v, starts %d, runs %d, seen %v, unseen %v", f.Run, f.Starts, f.Runs, f.Seen, f.Unseen)
	}
	if got := fmt.Sprintf("%.4f", 100*f.Duty()); got != "39.1667" {
		t.Errorf("duty %s %%, want 39.1667", got)
	}
	if f.MeanRun() != 470*time.Second || f.Longest != 1200*time.Second {
		t.Errorf("mean %v, longest %v, want 470 s and 1200 s", f.MeanRun(), f.Longest)
	}
	if len(runs) != 3 || runs[1].From != sec(420) || runs[1].To != sec(450) || runs[1].Starts != 1 || !runs[1].Stopped {
		t.Errorf("runs %+v", runs)
	}
	if f.WorstHour != 3 || f.HourStarts != 3 {
		t.Errorf("%d starts in the last hour, %d in the worst, want 3", f.HourStarts, f.WorstHour)
	}
}

func TestMeter(t *testing.T) {
	for _, tc := range []struct {
		name        string
		looks       []look
		at          float64
		run, seen   float64
		unseen      float64
		starts, all uint64
		running     bool
		known       bool
	}{
		{name: "nothing"},
		{name: "runs when first seen", looks: []look{{0, 1}, {10, 1}}, at: 10, run: 10, seen: 10, all: 1, running: true, known: true},
		{name: "the last look stands", looks: []look{{0, 0}, {10, 1}}, at: 15, run: 5, seen: 15, starts: 1, all: 1, running: true, known: true},
		{name: "but not for ever", looks: []look{{0, 0}, {10, 1}}, at: 100, run: 30, seen: 40, unseen: 60, starts: 1, all: 1, running: true},
		{name: "a pause is neither on nor off", looks: []look{{0, 1}, {300, 1}, {310, 0}}, at: 312, run: 40, seen: 42, unseen: 270, all: 1, known: true},
		{name: "off, pause, on is a start", looks: []look{{0, 0}, {300, 1}}, at: 300, seen: 30, unseen: 270, starts: 1, all: 1, running: true, known: true},
		{name: "on, pause, on is none", looks: []look{{0, 0}, {5, 1}, {300, 1}}, at: 300, run: 30, seen: 35, unseen: 265, starts: 1, all: 1, running: true, known: true},
		{name: "bad readings are unseen", looks: []look{{0, 1}, {5, -1}, {10, -1}, {15, 1}, {20, 1}}, at: 20, run: 10, seen: 10, unseen: 10, all: 1, running: true, known: true},
		{name: "off, bad, on is a start", looks: []look{{0, 0}, {5, -1}, {10, 1}}, at: 10, seen: 5, unseen: 5, starts: 1, all: 1, running: true, known: true},
		{name: "bad first", looks: []look{{0, -1}, {5, 1}}, at: 6, run: 1, seen: 1, unseen: 5, all: 1, running: true, known: true},
		{name: "bounce is joined", looks: []look{{0, 0}, {10, 1}, {15, 0}, {16, 1}, {20, 0}, {30, 0}}, at: 30, run: 10, seen: 30, starts: 1, all: 1, known: true},
		{name: "a stop of the joining time is a stop", looks: []look{{0, 0}, {10, 1}, {15, 0}, {17, 1}}, at: 20, run: 8, seen: 20, starts: 2, all: 2, running: true, known: true},
		{name: "a stop that may be bounce", looks: []look{{0, 0}, {10, 1}, {15, 0}}, at: 16, run: 5, seen: 16, starts: 1, all: 1, running: true, known: true},
		{name: "and no longer", looks: []look{{0, 0}, {10, 1}, {15, 0}}, at: 17, run: 5, seen: 17, starts: 1, all: 1, known: true},
		{name: "late readings are passed over", looks: []look{{0, 0}, {10, 1}, {5, 0}, {20, 1}}, at: 20, run: 10, seen: 20, starts: 1, all: 1, running: true, known: true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			m := duty.New(duty.Spec{})
			observe(m, tc.looks)
			f := m.Figures(sec(tc.at))
			d := func(s float64) time.Duration { return time.Duration(s * 1e9) }
			if f.Run != d(tc.run) || f.Seen != d(tc.seen) || f.Unseen != d(tc.unseen) {
				t.Errorf("run %v seen %v unseen %v, want %v %v %v", f.Run, f.Seen, f.Unseen, d(tc.run), d(tc.seen), d(tc.unseen))
			}
			if f.Starts != tc.starts || f.Runs != tc.all || f.Running != tc.running || f.Known != tc.known {
				t.Errorf("starts %d runs %d running %v known %v, want %d %d %v %v",
					f.Starts, f.Runs, f.Running, f.Known, tc.starts, tc.all, tc.running, tc.known)
			}
		})
	}
}

func TestAboveIsForCurrents(t *testing.T) {
	m := duty.New(duty.Spec{Above: 4.5})
	observe(m, []look{{0, 0.04}, {10, 4.5}, {20, 4.6}, {30, 6}, {40, 0}})
	if f := m.Figures(sec(40)); f.Run != 20*time.Second || f.Starts != 1 {
		t.Errorf("run %v, starts %d, want 20s and 1", f.Run, f.Starts)
	}
}

// A power cut: kept at 12 s, restored two hours later; the pump ran before and after.
func TestRestore(t *testing.T) {
	m := duty.New(duty.Spec{})
	observe(m, []look{{0, 0}, {2, 1}, {12, 1}})
	again := duty.New(duty.Spec{})
	var runs []duty.Interval
	again.OnInterval(func(i duty.Interval) { runs = append(runs, i) })
	again.Restore(m.Keep(), sec(7200))
	observe(again, []look{{7200, 1}, {7210, 1}, {7215, 0}, {7220, 0}})
	f := again.Figures(sec(7220))
	if f.Run != (10+30+15)*time.Second || f.Starts != 1 || f.Unseen != (7200-42)*time.Second {
		t.Errorf("run %v, starts %d, unseen %v", f.Run, f.Starts, f.Unseen)
	}
	want := []duty.Interval{
		{Kind: duty.Ran, Still: 2 * time.Second, From: sec(2), To: sec(42), Starts: 1, Hour: 1, New: true, Why: "the box was off"},
		{Kind: duty.Unseen, From: sec(42), To: sec(7200), Why: "the box was off"},
		{Kind: duty.Ran, From: sec(7200), To: sec(7215), Stopped: true, Why: "stopped"},
	}
	if diff := cmp.Diff(want, runs); diff != "" {
		t.Errorf("intervals (-want +got):\n%s", diff)
	}

	back := duty.New(duty.Spec{}) // the box woke in 1970
	back.Restore(m.Keep(), 5e9)
	contact := func(at collector.Moment, v float64) {
		r := collector.Reading{Value: v, Quality: collector.Good, At: at}
		back.Observe(at, &r)
	}
	contact(5e9, 0)
	contact(15e9, 1)
	contact(25e9, 1)
	if f := back.Figures(25e9); f.Run != 20*time.Second || f.Starts != 2 || f.Unseen != 0 {
		t.Errorf("after 1970: run %v, starts %d, unseen %v, want 20s, 2 and 0s", f.Run, f.Starts, f.Unseen)
	}
}

// What was retained from last week, and a device whose clock was set back, say what is so now.
func TestOldStampsCountFromNow(t *testing.T) {
	m := duty.New(duty.Spec{})
	contact(m, 0, 0)
	contact(m, 10, 1)
	old := collector.Fail(1, collector.Retained, 0, sec(-7*86400), "")
	m.Observe(sec(20), &old)
	if f := m.Figures(sec(25)); f.Run != 10*time.Second || f.Unseen != 5*time.Second || f.Known {
		t.Errorf("run %v, unseen %v, known %v, want 10s, 5s and not", f.Run, f.Unseen, f.Known)
	}
	unread := collector.Reading{}
	m.Observe(sec(28), &unread)
	for s := 30.0; s <= 60; s += 10 { // an hour behind
		r := collector.Reading{Value: 1, Quality: collector.Good, At: sec(s - 3600)}
		m.Observe(sec(s), &r)
	}
	if f := m.Figures(sec(60)); f.Run != 40*time.Second || f.Starts != 1 || f.Unseen != 10*time.Second {
		t.Errorf("run %v, starts %d, unseen %v, want 40s, 1 and 10s", f.Run, f.Starts, f.Unseen)
	}
}

func TestFutureStampDoesNotStopTheMeter(t *testing.T) {
	m := duty.New(duty.Spec{})
	contact(m, 0, 0)
	r := collector.Reading{Value: 1, Quality: collector.Good, At: sec(1e9)} // 2055
	m.Observe(sec(10), &r)
	contact(m, 20, 1)
	if f := m.Figures(sec(20)); f.Run != 10*time.Second || f.Starts != 1 || f.Unseen != 0 {
		t.Errorf("run %v, starts %d, unseen %v, want 10s, 1 and 0s", f.Run, f.Starts, f.Unseen)
	}
}

// naive counts second by second from the whole list of looks.
func naive(looks []look, join, hold int) (run, seen, unseen, longest, worst int, starts []int) {
	if len(looks) == 0 {
		return
	}
	first, last := int(looks[0].s), int(looks[len(looks)-1].s)
	at := make([]byte, last-first)
	for i := range looks[:len(looks)-1] {
		for s := int(looks[i].s); s < int(looks[i+1].s); s++ {
			switch {
			case looks[i].v < 0 || s-int(looks[i].s) >= hold:
				at[s-first] = 'u'
			case looks[i].v > 0.5:
				at[s-first] = '1'
			default:
				at[s-first] = '0'
			}
		}
	}
	off, was := -1, -1.0 // the look with which the present stop began; the last usable look
	for _, l := range looks {
		s := int(l.s)
		switch {
		case l.v < 0:
			continue
		case l.v < 0.5 && was > 0.5:
			off = s
		case l.v > 0.5 && was >= 0 && was < 0.5:
			if off >= 0 && at[off-1-first] == '1' && s-off < join && !bytes.Contains(at[off-first:s-first], []byte("u")) {
				for k := off; k < s; k++ {
					if at[k-first] == '0' {
						at[k-first] = '1'
					}
				}
			} else {
				starts = append(starts, s)
			}
		}
		was = l.v
	}
	n := 0
	for _, c := range at {
		n++
		switch c {
		case '1':
			run++
		case 'u':
			unseen++
		}
		if c != '1' {
			n = 0
		}
		longest = max(longest, n)
	}
	for i := range starts {
		k := i
		for k >= 0 && starts[i]-starts[k] < 3600 {
			k--
		}
		worst = max(worst, i-k)
	}
	return run, len(at) - unseen, unseen, longest, worst, starts
}

func TestMeterAgainstNaiveModel(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	kinds := map[string]int{}
	for round := range 3000 {
		join, hold := 1+rng.IntN(6), 1+rng.IntN(40)
		if hold < join {
			hold = join
		}
		m := duty.New(duty.Spec{Join: time.Duration(join) * time.Second, HoldAtMost: time.Duration(hold) * time.Second})
		ends := 0
		var told duty.Totals
		end := collector.Moment(0)
		m.OnInterval(func(i duty.Interval) {
			if i.To < i.From || i.Still < 0 || end != 0 && i.From.Add(-i.Still) != end {
				t.Errorf("round %d: %+v does not follow what ended at %d", round, i, end)
			}
			told.Add(i)
			end = i.To
			ends++
		})
		var looks []look
		s := 0
		for range rng.IntN(120) {
			v := float64(rng.IntN(2))
			switch p := rng.IntN(20); {
			case p == 0:
				v = -1
			case p == 1:
				s += rng.IntN(3000)
			case p < 10 && len(looks) > 0 && looks[len(looks)-1].v >= 0:
				v = looks[len(looks)-1].v
			}
			s += 1 + rng.IntN(1+rng.IntN(5))
			looks = append(looks, look{float64(s), v})
			contact(m, float64(s), v)
			if rng.IntN(30) == 0 { // a power cut
				k := m.Keep()
				m.Restore(k, sec(float64(s)))
			}
		}
		run, seen, unseen, longest, worst, starts := naive(looks, join, hold)
		f := m.Figures(sec(float64(s)))
		if len(looks) == 0 {
			continue
		}
		got := fmt.Sprint(f.Run, f.Seen, f.Unseen, f.Longest, f.WorstHour, f.Starts)
		d := func(s int) time.Duration { return time.Duration(s) * time.Second }
		// A stop at the very end may still be bounce: its run time is the same.
		want := fmt.Sprint(d(run), d(seen), d(unseen), d(longest), worst, len(starts))
		if got != want {
			t.Fatalf("round %d: join %d hold %d\nlooks %v\ngot  %s\nwant %s", round, join, hold, looks, got, want)
		}
		k := m.Keep()
		for _, i := range k.Rest() {
			told.Add(i)
		}
		if told != k.Totals() || told.Run != f.Run {
			t.Fatalf("round %d: the intervals are %+v in all, counted is %+v\njoin %d hold %d looks %v", round, told, k.Totals(), join, hold, looks)
		}
		for name, n := range map[string]int{"starts": len(starts), "unseen": unseen, "ends": ends} {
			kinds[name] += n
		}
	}
	for _, name := range []string{"starts", "unseen", "ends"} {
		if kinds[name] < 1000 {
			t.Errorf("only %d %s were tried", kinds[name], name)
		}
	}
}

func TestFiguresAreMonotonic(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	m := duty.New(duty.Spec{})
	var last duty.Figures
	for s := 0.0; s < 20000; s += 0.25 + 3*rng.Float64() {
		contact(m, s, float64(rng.IntN(3)-1))
		f := m.Figures(sec(s))
		if f.Run < last.Run || f.Seen < last.Seen || f.Unseen < last.Unseen || f.Starts < last.Starts || f.Longest < last.Longest {
			t.Fatalf("at %v s: %+v after %+v", s, f, last)
		}
		if f.Seen+f.Unseen != m.Keep().At.Sub(start) {
			t.Fatalf("at %v s: seen %v and unseen %v are not all time", s, f.Seen, f.Unseen)
		}
		last = f
	}
}

func TestDutyOfNothing(t *testing.T) {
	f := duty.New(duty.Spec{}).Figures(sec(5))
	if !math.IsNaN(f.Duty()) || f.MeanRun() != 0 {
		t.Errorf("duty %v, mean %v", f.Duty(), f.MeanRun())
	}
}

func BenchmarkObserve(b *testing.B) {
	m := duty.New(duty.Spec{})
	b.ReportAllocs()
	r := collector.Reading{Point: 1, Quality: collector.Good, At: start}
	i := 0
	for b.Loop() {
		i++
		r.At += collector.Moment(time.Second)
		r.Value = float64(i / 300 % 2)
		m.Observe(r.At, &r)
	}
	b.ReportMetric(float64(m.Figures(r.At).Starts)/float64(b.N), "starts/op")
}
