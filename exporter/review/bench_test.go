package review_test

import (
	"fmt"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// aYear is a year with 100,000 activations of 300 rules, most of them seldom.
func aYear() []review.Activation {
	r := rand.New(rand.NewPCG(7, 7))
	names := make([]string, 300)
	for i := range names {
		names[i] = fmt.Sprint("rule-", i)
	}
	const year = 365 * 86400
	starts := make([]int, 100000)
	for i := range starts {
		if starts[i] = r.IntN(year); i%3 == 0 && i > 0 {
			starts[i] = min(year-1, starts[i-1]+r.IntN(300))
		}
	}
	slices.Sort(starts)
	list := make([]review.Activation, len(starts))
	for i, s := range starts {
		start := at(float64(s))
		list[i] = review.Activation{
			Rule: names[r.IntN(1+r.IntN(len(names)))], Point: "p", Priority: rules.Priority(1 + r.IntN(4)), Start: start,
			End: start.Add(time.Duration(r.IntN(1000)) * time.Second), Ending: review.Returned, Acknowledged: start.Add(time.Duration(r.IntN(900)) * time.Second),
		}
	}
	return list
}

// A year's figures, and beside them in the same run the least that anybody could do: one pass over the activations
// that groups them by rule.
func BenchmarkYear(b *testing.B) {
	list := aYear()
	span := review.Span{From: midnight, To: midnight.AddDate(1, 0, 0)}
	var ours, bare time.Duration
	for b.Loop() {
		start := time.Now()
		f, err := review.Alarms(list, span, review.Options{})
		ours += time.Since(start)
		if err != nil || f.Alarms+f.Notes != len(list) {
			b.Fatal(f.Alarms, f.Notes, err)
		}
		start = time.Now()
		groups := map[string][]int64{}
		for i := range list {
			groups[list[i].Rule] = append(groups[list[i].Rule], list[i].Start.UnixNano())
		}
		bare += time.Since(start)
		runtime.KeepAlive(groups)
	}
	b.ReportMetric(float64(ours.Microseconds())/1000/float64(b.N), "ms/year")
	b.ReportMetric(float64(ours)/float64(bare), "x-grouping")
}

// Lines to activations: a year's 300,000 lines.
func BenchmarkBuilder(b *testing.B) {
	var lines []review.Line
	for _, a := range aYear() {
		lines = append(lines, review.Line{Time: a.Start, Kind: "started", Alarm: a.Rule, Priority: a.Priority},
			review.Line{Time: a.Acknowledged, Kind: "acknowledged", Alarm: a.Rule}, review.Line{Time: a.End, Kind: "returned", Alarm: a.Rule})
	}
	b.ReportAllocs()
	for b.Loop() {
		var builder review.Builder
		for _, l := range lines {
			builder.Add(l)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(lines)), "ns/line")
}

func BenchmarkCounter(b *testing.B) {
	c := newCounter(b)
	now := moments(0)
	var changes []review.FloodChange
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		now += collector.Moment(time.Second)
		changes, _ = c.Step(now, i%7/6, changes[:0])
	}
}
