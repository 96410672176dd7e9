package review_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// bursts is a random stream over two days in which starts often coincide.
func bursts(r *rand.Rand) []review.Activation {
	var list []review.Activation
	tick := []time.Duration{time.Second, 50 * time.Second, time.Millisecond}[r.IntN(3)]
	for range 1 + r.IntN(12) {
		begin := midnight.Add(time.Duration(r.IntN(48*3600)) * time.Second)
		for range r.IntN(30) {
			start := begin.Add(time.Duration(r.IntN(1+int(20*time.Minute/tick))) * tick)
			a := review.Activation{Rule: fmt.Sprint("rule-", r.IntN(12)), Start: start, Priority: rules.Priority(r.IntN(5))}
			if r.IntN(10) > 0 {
				a.End, a.Ending = start.Add(time.Duration(r.IntN(120))*time.Second), review.Returned
			}
			if r.IntN(2) == 0 {
				a.Acknowledged = start.Add(time.Duration(r.IntN(300)) * time.Second)
			}
			list = append(list, a)
		}
	}
	return list
}

func ringing(list []review.Activation) []time.Time {
	var starts []time.Time
	for _, a := range list {
		if a.Priority != rules.Note {
			starts = append(starts, a.Start)
		}
	}
	slices.SortFunc(starts, time.Time.Compare)
	return starts
}

// naiveFloods looks at every instant at which an alarm starts or ceases to count, and counts all of them anew.
func naiveFloods(starts []time.Time, to time.Time, begins, ends int) (list []review.Flood, peak int) {
	var instants []time.Time
	for _, s := range starts {
		instants = append(instants, s, s.Add(10*time.Minute))
	}
	slices.SortFunc(instants, time.Time.Compare)
	inside := false
	for _, now := range instants {
		if !now.Before(to) {
			break
		}
		n, all := 0, 0
		for _, s := range starts {
			if !s.After(now) && s.After(now.Add(-10*time.Minute)) {
				n++
			}
			if len(list) > 0 && s.After(list[len(list)-1].Begin.Add(-10*time.Minute)) && !s.After(now) {
				all++
			}
		}
		peak = max(peak, n)
		switch {
		case !inside && n >= begins:
			inside = true
			list = append(list, review.Flood{Begin: now, Alarms: n, Peak: n})
		case inside && n < ends:
			inside = false
			list[len(list)-1].End, list[len(list)-1].Alarms = now, all
		case inside:
			f := &list[len(list)-1]
			f.Alarms, f.Peak = all, max(f.Peak, n)
		}
	}
	return list, peak
}

func mustReview(t *testing.T, list []review.Activation, from, to time.Time) review.Figures {
	t.Helper()
	f, err := review.Alarms(list, review.Span{From: from, To: to}, review.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestFloodsAgainstNaive(t *testing.T) {
	for seed := range uint64(80) {
		list := bursts(rand.New(rand.NewPCG(seed, 1)))
		to := midnight.Add(48 * time.Hour)
		f := mustReview(t, list, midnight, to)
		starts := ringing(list)
		for len(starts) > 0 && !starts[len(starts)-1].Before(to) {
			starts = starts[:len(starts)-1]
		}
		want, peak := naiveFloods(starts, to, 10, 5)
		if !slices.Equal(f.Sliding.Episodes, want) || f.TenMinute.PeakSliding != peak {
			t.Fatalf("seed %d: peak %d, want %d; floods\n got %v\nwant %v", seed, f.TenMinute.PeakSliding, peak, f.Sliding.Episodes, want)
		}
	}
}

// The live counter tells the same floods as the review of the same starts, at the same moments.
func TestCounterAgainstReview(t *testing.T) {
	floods := 0
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 2))
		list := bursts(r)
		starts := ringing(list)
		to := midnight.Add(96 * time.Hour)
		f := mustReview(t, list, midnight, to)
		var got []review.Flood
		for _, c := range count(t, r, starts, collector.At(to)) {
			if c.Began {
				got = append(got, review.Flood{Begin: time.Unix(0, int64(c.At)).UTC()})
				continue
			}
			e := &got[len(got)-1]
			if collector.At(e.Begin) != c.Since {
				t.Fatalf("seed %d: flood since %v ends as one since %v", seed, e.Begin, c.Since)
			}
			e.End, e.Alarms, e.Peak = time.Unix(0, int64(c.At)).UTC(), c.Alarms, c.Peak
		}
		if !slices.Equal(got, f.Sliding.Episodes) {
			t.Fatalf("seed %d:\n got %v\nwant %v", seed, got, f.Sliding.Episodes)
		}
		floods += len(got)
	}
	if floods < 100 {
		t.Errorf("only %d floods were met", floods)
	}
}

// count drives a counter as the daemon does: at starts, at its own deadlines, and at any time between. On the way it
// compares the counts with the starts.
func count(t *testing.T, r *rand.Rand, starts []time.Time, to collector.Moment) []review.FloodChange {
	t.Helper()
	c, err := review.NewCounter(review.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var changes []review.FloodChange
	next := collector.Never
	for i := 0; ; {
		now := to
		if i < len(starts) {
			now = collector.At(starts[i])
		}
		for r.IntN(3) > 0 && next < now { // sometimes late
			last := next
			if changes, next = c.Step(next, 0, changes); next <= last {
				t.Fatalf("called at its deadline %d it wants to be called at %d", last, next)
			}
		}
		n := 0
		for i < len(starts) && collector.At(starts[i]) == now {
			n, i = n+1, i+1
		}
		changes, next = c.Step(now, n, changes)
		ten, hour := 0, 0
		for _, s := range starts {
			if age := now.Sub(collector.At(s)); age >= 0 && age < time.Hour {
				hour++
				if age < 10*time.Minute {
					ten++
				}
			}
		}
		if got := c.Recent(now); got.TenMinutes != ten || got.Hour != hour || got.AtLeast {
			t.Fatalf("at %d: %+v, want %d and %d", now, got, ten, hour)
		}
		if now == to {
			return changes
		}
	}
}

// A span cut in two has in its parts what it has as a whole, when the second is given what came before.
func TestSpansAdd(t *testing.T) {
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 3))
		list := bursts(r)
		to := midnight.Add(49 * time.Hour)
		cut := midnight.Add(time.Duration(r.IntN(49*3600)+1) * time.Second).Add(-time.Millisecond)
		whole, a, b := mustReview(t, list, midnight, to), mustReview(t, list, midnight, cut), mustReview(t, list, cut, to)
		add := func(what string, of func(f *review.Figures) float64) {
			if got, want := of(&a)+of(&b), of(&whole); math.Abs(got-want) > 1e-6 {
				t.Errorf("seed %d: %s in two parts %g, as a whole %g", seed, what, got, want)
			}
		}
		add("alarms", func(f *review.Figures) float64 { return float64(f.Alarms) })
		add("notes", func(f *review.Figures) float64 { return float64(f.Notes) })
		add("flood", func(f *review.Figures) float64 { return f.Sliding.Seconds })
		add("acknowledged", func(f *review.Figures) float64 { return float64(f.Acknowledge.Alarms) })
		add("active", func(f *review.Figures) (sum float64) {
			for _, r := range f.Rules {
				sum += r.Active
			}
			return sum
		})
		add("chattering", func(f *review.Figures) (sum float64) {
			for _, r := range f.Rules {
				sum += float64(r.Chattering)
			}
			return sum
		})
	}
}

// The order in which activations are given makes no difference, and neither does the day.
func TestOrderAndDayDoNotMatter(t *testing.T) {
	for seed := range uint64(50) {
		r := rand.New(rand.NewPCG(seed, 4))
		list := bursts(r)
		for i := range list {
			list[i].Start = list[i].Start.Add(time.Duration(i)) // no two of one rule at one instant
		}
		to := midnight.Add(50 * time.Hour)
		want := mustReview(t, list, midnight, to)
		r.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
		if got := mustReview(t, list, midnight, to); !reflect.DeepEqual(got, want) {
			t.Fatalf("seed %d: shuffled\n got %+v\nwant %+v", seed, got, want)
		}
		const shift = -100 * 365 * 24 * time.Hour // before 1970
		for i := range list {
			list[i].Start = list[i].Start.Add(shift)
			if !list[i].End.IsZero() {
				list[i].End = list[i].End.Add(shift)
			}
			if !list[i].Acknowledged.IsZero() {
				list[i].Acknowledged = list[i].Acknowledged.Add(shift)
			}
		}
		got := mustReview(t, list, midnight.Add(shift), to.Add(shift))
		if got.Hour.PeakFixed != want.Hour.PeakFixed || got.Fixed.Seconds != want.Fixed.Seconds || got.Stale.Most != want.Stale.Most ||
			!reflect.DeepEqual(got.Findings, want.Findings) {
			t.Fatalf("seed %d: a hundred years ago\n got %+v\nwant %+v", seed, got, want)
		}
	}
}
