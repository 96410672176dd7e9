package plan_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"roundsman/collector/plan"
)

// BenchmarkOptimum prints the line time of plans over that of the best of all
// partitions, over small random problems: the mean and the worst.
func BenchmarkOptimum(b *testing.B) {
	r := rand.New(rand.NewPCG(5, 6))
	sum, worst, n := 0.0, 0.0, 0
	for b.Loop() {
		ratio, _, _ := compareWithOptimum(b, randomCase(r, 7, 80))
		sum, worst, n = sum+ratio, math.Max(worst, ratio), n+1
	}
	b.ReportMetric(sum/float64(n), "plan/optimum")
	b.ReportMetric(worst, "worst-plan/optimum")
}

// timedItem is an item of the demo site's serial line and how often it is due.
type timedItem struct {
	item  plan.Item
	every int // seconds
}

// metersLine lists what the demo site reads over its serial line at 19 200 8E1:
// a water I/O block, a power meter and a water quality transmitter.
func metersLine() []timedItem {
	list := []timedItem{
		{plan.Item{Unit: 5, Table: 4, Start: 10, Count: 2}, 5}, // meter pulses
		{plan.Item{Unit: 5, Table: 4, Start: 12, Count: 2}, 5},
		{plan.Item{Unit: 5, Table: 4, Start: 14, Count: 2}, 5},
		{plan.Item{Unit: 6, Table: 4, Start: 14, Count: 4}, 60}, // energy
		{plan.Item{Unit: 7, Table: 3, Start: 0, Count: 2}, 2},   // turbidity
		{plan.Item{Unit: 7, Table: 3, Start: 2, Count: 2}, 5},   // ORP
		{plan.Item{Unit: 7, Table: 3, Start: 6, Count: 1}, 2},   // wiper fault
	}
	for i := range uint16(6) { // levels and filter pressures
		list = append(list, timedItem{plan.Item{Unit: 5, Table: 4, Start: i, Count: 1}, 2})
	}
	for i := range uint16(8) { // contacts
		list = append(list, timedItem{plan.Item{Unit: 5, Table: 2, Start: i, Count: 1}, 1})
	}
	for i := range uint16(7) { // voltages, currents, power
		list = append(list, timedItem{plan.Item{Unit: 6, Table: 4, Start: 2 * i, Count: 2}, 5})
	}
	return list
}

func due(list []timedItem, second int) []plan.Item {
	var items []plan.Item
	for _, it := range list {
		if second%it.every == 0 {
			items = append(items, it.item)
		}
	}
	return items
}

// loads returns the line time of a minute's rounds, planned and point by point.
func loads(tb testing.TB) (planned, each time.Duration) {
	list, line := metersLine(), even(19200)
	for second := range 60 {
		items := due(list, second)
		requests, err := plan.Build(items, nil, line)
		if err != nil {
			tb.Fatal(err)
		}
		planned += line.Total(requests)
		each += line.Total(plan.Each(items))
	}
	return planned, each
}

// The goal for the demo site: at most 0.35 of the line time of one read a point.
func TestDemoLineTimeAgainstOneReadAPoint(t *testing.T) {
	planned, each := loads(t)
	if ratio := float64(planned) / float64(each); ratio > 0.35 {
		t.Errorf("a minute takes %v planned and %v point by point: %.3f, want at most 0.35", planned, each, ratio)
	}
	line := even(19200)
	all := due(metersLine(), 0)
	requests, err := plan.Build(all, nil, line)
	if err != nil {
		t.Fatal(err)
	}
	if ratio := float64(line.Total(requests)) / float64(line.Total(plan.Each(all))); len(requests) != 4 || ratio > 0.35 {
		t.Errorf("all due: %d requests, %.3f of one read a point, want 4 and at most 0.35: %+v", len(requests), ratio, requests)
	}
}

// BenchmarkDemoLine prints the share of the demo's serial line that is used, planned and point by point.
func BenchmarkDemoLine(b *testing.B) {
	var planned, each time.Duration
	for b.Loop() {
		planned, each = loads(b)
	}
	b.ReportMetric(float64(planned)/float64(each), "planned/each")
	b.ReportMetric(float64(planned)/float64(time.Minute), "load-planned")
	b.ReportMetric(float64(each)/float64(time.Minute), "load-each")
}

// BenchmarkGrowth prints the cost of an item in a list of 5,000 over that in a list of 500.
func BenchmarkGrowth(b *testing.B) {
	small, large := manyItems(500), manyItems(5000)
	line := even(19200)
	var inSmall, inLarge time.Duration
	for b.Loop() {
		start := time.Now()
		for range 10 {
			mustBuild(b, small, line)
		}
		middle := time.Now()
		mustBuild(b, large, line)
		inSmall, inLarge = inSmall+middle.Sub(start), inLarge+time.Since(middle)
	}
	b.ReportMetric(float64(inLarge)/float64(inSmall), "large/small-an-item")
}

func manyItems(n int) []plan.Item {
	r := rand.New(rand.NewPCG(7, 8))
	items := make([]plan.Item, n)
	for i := range items {
		items[i] = plan.Item{Unit: uint8(1 + i%3), Table: uint8(1 + i%4), Start: uint16(r.IntN(60000)), Count: uint16(1 + r.IntN(4))}
	}
	return items
}

func mustBuild(b *testing.B, items []plan.Item, line plan.Line) {
	if _, err := plan.Build(items, nil, line); err != nil {
		b.Fatal(err)
	}
}
