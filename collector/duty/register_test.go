package duty_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
)

func hourMeter(modulus float64) duty.Spec {
	return duty.Spec{HoldAtMost: 3 * time.Minute, Hours: &duty.Register{Unit: time.Hour, Step: 0.1, Modulus: modulus}}
}

// minutes observes an hour meter each minute from a minute on; NaN is a bad reading.
func minutes(m *duty.Meter, from int, values ...float64) {
	for i, v := range values {
		at := sec(60 * float64(from+i))
		r := collector.Reading{Value: v, Quality: collector.Good, At: at}
		if math.IsNaN(v) {
			r = collector.Fail(1, collector.NoAnswer, 0, at, "")
		}
		m.Observe(at, &r)
	}
}

func repeated(v float64, n int) []float64 { return slices.Repeat([]float64{v}, n) }

func TestHourMeter(t *testing.T) {
	bad := math.NaN()
	for _, tc := range []struct {
		name        string
		modulus     float64
		values      []float64 // one a minute
		run, unseen time.Duration
		jumps       string
	}{
		{name: "stands", values: repeated(512.3, 30)},
		{name: "one step", values: append(repeated(512.3, 10), repeated(512.4, 10)...), run: 6 * time.Minute},
		{name: "a step that was half gathered before", values: append(repeated(512.3, 3), repeated(512.4, 10)...), run: 3 * time.Minute},
		{name: "counts while nobody looks", values: append(append(repeated(512.3, 2), repeated(bad, 120)...), 514.2, 514.2), run: 114 * time.Minute},
		{name: "roll-over", modulus: 100000, values: append(repeated(99999.9, 10), repeated(0, 10)...), run: 6 * time.Minute, jumps: "rolled over 99999.9 0;"},
		{name: "without a modulus a fall is a reset", values: append(repeated(99999.9, 10), repeated(0, 10)...), unseen: 2 * time.Minute, jumps: "reset 99999.9 0;"},
		{name: "replaced by an older one", values: append(repeated(512.3, 10), repeated(8000.5, 10)...), unseen: 2 * time.Minute, jumps: "replaced 512.3 8000.5;"},
		{name: "replaced by one with fewer hours", values: append(repeated(8000.5, 10), repeated(512.3, 10)...), unseen: 2 * time.Minute, jumps: "replaced 8000.5 512.3;"},
		{name: "torn words once", values: append(append(repeated(6553.5, 10), 13107.1, 6553.6), repeated(6553.6, 5)...), run: 6 * time.Minute},
		{name: "nonsense that never settles", values: append(repeated(512.3, 10), 9, 4000, 70), unseen: 3 * time.Minute, jumps: "replaced 512.3 70;"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			m := duty.New(hourMeter(tc.modulus))
			var told duty.Totals
			m.OnInterval(told.Add)
			jumps := ""
			m.OnJump(func(j duty.Jump) { jumps += fmt.Sprintf("%v %v %v;", j.Kind, j.From, j.To) })
			minutes(m, 0, tc.values...)
			k := m.Keep()
			for _, i := range k.Rest() {
				told.Add(i)
			}
			if told != k.Totals() {
				t.Errorf("the intervals are %+v in all, counted is %+v", told, k.Totals())
			}
			f := m.Figures(sec(60 * float64(len(tc.values)-1)))
			if f.Run != tc.run || f.Unseen != tc.unseen || f.Starts != 0 || jumps != tc.jumps {
				t.Errorf("run %v, unseen %v, starts %d, jumps %q, want %v, %v, 0, %q", f.Run, f.Unseen, f.Starts, jumps, tc.run, tc.unseen, tc.jumps)
			}
			asked := 0
			if tc.jumps != "" && tc.modulus == 0 {
				asked = 1
			}
			if len(k.Asked) != asked {
				t.Errorf("asked about %+v, want %d", k.Asked, asked)
			}
		})
	}
}

// A true machine runs and stands; its hour meter counts tenths. Whatever the looks miss, what is counted is never more
// than the truth, never negative, and short of it by less than two steps for each time that the meter was reset.
func TestHourMeterAgainstTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	seen := map[string]int{}
	for round := range 200 {
		const modulus = 1000 // tenths, 100 h
		m := duty.New(hourMeter(modulus / 10))
		var told duty.Totals
		m.OnInterval(func(i duty.Interval) {
			if i.Length() < 0 || i.Still < 0 {
				t.Fatalf("round %d: %+v", round, i)
			}
			told.Add(i)
			seen["intervals"]++
		})
		m.OnJump(func(j duty.Jump) { seen[j.Kind.String()]++ })
		gathered := rng.IntN(modulus * 360) // seconds since the meter read 0
		truth, running := 0, rng.IntN(2) == 0
		var last time.Duration
		for s := 0; s < 3*86400; s += 60 {
			if rng.IntN(90) == 0 {
				running = !running
			}
			if running {
				gathered, truth = (gathered+60)%(modulus*360), truth+60
			}
			v := float64(gathered/360) / 10
			if rng.IntN(20) == 0 {
				v = math.NaN()
			}
			minutes(m, s/60, v)
			if rng.IntN(500) == 0 {
				k := m.Keep()
				m.Restore(k, sec(float64(s)))
			}
			k := m.Keep()
			if k.Run < last || k.Run > k.Seen {
				t.Fatalf("round %d: run %v after %v, seen %v", round, k.Run, last, k.Seen)
			}
			last = k.Run
		}
		k := m.Keep()
		for _, i := range k.Rest() {
			told.Add(i)
		}
		if told != k.Totals() {
			t.Fatalf("round %d: the intervals are %+v in all, counted is %+v", round, told, k.Totals())
		}
		if short := time.Duration(truth)*time.Second - k.Run; short < -6*time.Minute || short > 12*time.Minute {
			t.Fatalf("round %d: counted %v of %v s", round, k.Run, truth)
		}
	}
	if seen["intervals"] < 1000 || seen["rolled over"] < 50 {
		t.Errorf("only %v were tried", seen)
	}
	if seen["reset"]+seen["replaced"] > 0 {
		t.Errorf("a meter that only rolled over is told as %v", seen)
	}
}

// A counter of starts tells those that no look could see.
func TestCounterOfStarts(t *testing.T) {
	m := duty.New(duty.Spec{Starts: &duty.Register{}})
	var told duty.Totals
	m.OnInterval(told.Add)
	starts := func(s, v float64) {
		r := collector.Reading{Value: v, Quality: collector.Good, At: sec(s)}
		m.ObserveStarts(r.At, &r)
	}
	starts(0, 41)
	observe(m, []look{{0, 0}, {10, 1}, {20, 0}, {30, 0}})
	starts(30, 44) // two more between looks
	observe(m, []look{{40, 1}, {50, 1}})
	starts(50, 45)
	f, k := m.Figures(sec(50)), m.Keep()
	for _, i := range k.Rest() {
		told.Add(i)
	}
	if f.Starts != 4 || f.WorstHour != 4 || f.Run != 20*time.Second || told != k.Totals() {
		t.Errorf("starts %d, worst hour %d, run %v, intervals %+v, want 4, 4 and 20s", f.Starts, f.WorstHour, f.Run, told)
	}
}

// Starts that a counter tells after two days in which nobody looked were not all in the last hour of them.
func TestCounterOverAGap(t *testing.T) {
	m := duty.New(duty.Spec{Starts: &duty.Register{}})
	hour := 0
	m.OnInterval(func(i duty.Interval) { hour = i.Hour })
	for _, look := range [][2]float64{{0, 100}, {3600, 101}, {50 * 3600, 199}, {50*3600 + 60, 202}} { // two an hour, then three in a minute
		r := collector.Reading{Value: look[1], Quality: collector.Good, At: sec(look[0])}
		m.ObserveStarts(r.At, &r)
		if worst := m.Keep().WorstHour; look[1] == 199 && worst != 2 {
			t.Errorf("%d in the worst hour of two days with 98 starts, want 2", worst)
		}
	}
	if k := m.Keep(); k.Starts != 102 || k.WorstHour != 5 || hour != 5 {
		t.Errorf("%d starts, %d in the worst hour, %d in the last; want 102, 5, 5", k.Starts, k.WorstHour, hour)
	}
}

// What an hour meter counted while nobody looked is run time, but no long run and of no known hour.
func TestHourMeterAlone(t *testing.T) {
	m := duty.New(duty.Spec{Hours: &duty.Register{Unit: time.Hour}})
	var list []duty.Interval
	m.OnInterval(func(i duty.Interval) { list = append(list, i) })
	look := func(hours, v float64) {
		r := collector.Reading{Value: v, Quality: collector.Good, At: sec(3600 * hours)}
		m.Observe(r.At, &r)
	}
	for i := range 61 {
		look(float64(i)/60, 500+0.1*math.Floor(float64(i)/6)) // it runs for an hour
	}
	look(49, 516.9) // and for 15.9 h of two days
	for i := range 60 {
		look(49+float64(i)/60, 516.9)
	}
	k := m.Keep()
	if run := k.Run.Round(time.Minute); run != 16*time.Hour+54*time.Minute || k.Longest > 66*time.Minute {
		t.Errorf("run %v, longest %v, want 16h54m and an hour", run, k.Longest)
	}
	alone := time.Duration(0)
	for _, i := range list {
		if i.Alone() {
			alone += i.Length()
		}
	}
	if alone.Round(time.Minute) != 15*time.Hour+54*time.Minute {
		t.Errorf("counted alone %v, want 15h54m", alone)
	}
}

// The current of a compressor: loaded 20 A, unloaded 8 A, and noise about the threshold is no start.
func TestHysteresis(t *testing.T) {
	m := duty.New(duty.Spec{Above: 15, Below: 12, Join: -1})
	observe(m, []look{{0, 13}, {10, 8}, {20, 14}, {30, 20}, {40, 14.5}, {50, 15.5}, {60, 12.1}, {70, 8}, {80, 14}})
	f := m.Figures(sec(80))
	if f.Starts != 1 || f.Run != 40*time.Second || f.Unseen != 10*time.Second || f.Running {
		t.Errorf("starts %d, run %v, unseen %v, running %v, want 1, 40s, 10s, false", f.Starts, f.Run, f.Unseen, f.Running)
	}
}

// What a record from before intervals kept goes on without its past being told twice.
func TestRestoreFromBeforeIntervals(t *testing.T) {
	m := duty.New(duty.Spec{})
	observe(m, []look{{0, 0}, {10, 1}, {30, 1}})
	old := m.Keep()
	old.Told, old.New, old.StartCount, old.StartHour = 0, false, 0, 0
	again := duty.New(duty.Spec{})
	var told duty.Totals
	again.OnInterval(told.Add)
	again.Restore(old, sec(30))
	observe(again, []look{{40, 1}, {50, 0}, {60, 0}, {70, 1}})
	k := again.Keep()
	for _, i := range k.Rest() {
		told.Add(i)
	}
	told.Run += k.Before.Run
	told.Seen += k.Before.Seen
	told.Unseen += k.Before.Unseen
	told.Starts += k.Before.Starts
	told.Runs += k.Before.Runs
	if told != k.Totals() || k.Run != 40*time.Second {
		t.Errorf("before and the intervals are %+v, counted is %+v", told, k.Totals())
	}
}
