package rules_test

import (
	"fmt"
	"runtime"
	"testing"
	"time"

	"roundsman/collector"
)

// BenchmarkGrowth is a second of sites of 100 to 10,000 points with three rules each, per point: what the engine takes to
// judge, and the memory that it holds with every window full.
func BenchmarkGrowth(b *testing.B) {
	for _, n := range []int{100, 1000, 10000} {
		b.Run(fmt.Sprintf("points=%d", n), func(b *testing.B) {
			before := heap()
			step := secondOf(b, n)
			held := float64(heap()-before) / float64(n)
			var took samples
			for b.Loop() {
				start := time.Now()
				step()
				took = append(took, float64(time.Since(start).Nanoseconds())/float64(n))
			}
			b.ReportMetric(took.median(), "ns/point")
			b.ReportMetric(held, "B/point")
		})
	}
}

// heap returns what is in use after a collection.
func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// readingsOf fills a second's readings of a site.
func readingsOf(readings []collector.Reading, now collector.Moment) {
	for p := range readings {
		v := swing[(int(now/second)+p)%len(swing)]
		if (int(now/second)+p)%50 == 0 {
			v = 5.2
		}
		readings[p] = collector.Reading{Point: collector.PointID(p), Value: v, Quality: collector.Good, At: now}
	}
}
