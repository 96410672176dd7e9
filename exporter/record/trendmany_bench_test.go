package record_test

import (
	"fmt"
	"testing"
	"time"

	"roundsman/exporter/record"
)

// hourInWindows is a record with an hour of a large room that is not packed yet.
func hourInWindows(b *testing.B) (*benchRoom, *record.Record) {
	b.Helper()
	r := newBenchRoom()
	rec, _ := r.open(b)
	for n := range 3600 {
		r.second(b, rec, n)
	}
	return r, rec
}

func readMinutes(b *testing.B, tr *record.Trend, from, to time.Time) (n int) {
	for _, err := range tr.Minutes(b.Context(), from, to) {
		if err != nil {
			b.Fatal(err)
		}
		n++
	}
	return n
}

// The minutes of many points of an hour that is in windows, read together, beside as many read one by one (a tenth of them,
// at least ten), in turn; and what it takes a minute to have the steps of all traces, as a share of a core.
func BenchmarkTogether(b *testing.B) {
	r, rec := hourInWindows(b)
	from, to := r.at.Add(-time.Hour), r.at
	for _, points := range []int{10, 100, 1000} {
		b.Run(fmt.Sprintf("points=%d", points), func(b *testing.B) {
			names := make([]string, points)
			for i := range names {
				names[i] = r.points[i*benchPoints/points].Name
			}
			var together, alone, traces time.Duration
			n, minutes := 0, 0
			for ; b.Loop(); n++ {
				start := processorTime()
				for tr, err := range rec.Trends(b.Context(), names, from, to) {
					if err != nil {
						b.Fatal(err)
					}
					minutes += readMinutes(b, tr, from, to)
				}
				together += processorTime() - start
				some := max(10, points/10)
				start = processorTime()
				for i := range some {
					tr, err := rec.Trend(b.Context(), names[i*points/some])
					if err != nil {
						b.Fatal(err)
					}
					readMinutes(b, tr, from, to)
				}
				alone += (processorTime() - start) * time.Duration(points) / time.Duration(some)
				start = processorTime()
				for tr, err := range rec.Trends(b.Context(), names, from, to) {
					if err != nil {
						b.Fatal(err)
					}
					if steps, err := tr.Steps(b.Context(), from, to, 2*time.Minute); err != nil || len(steps) < 29 {
						b.Fatal(len(steps), err)
					}
				}
				traces += processorTime() - start
			}
			if minutes < n*points*59 {
				b.Fatalf("%d minutes of %d points", minutes/n, points)
			}
			per := func(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 / float64(n) }
			b.ReportMetric(per(together), "ms-together")
			b.ReportMetric(per(alone), "ms-one-by-one")
			b.ReportMetric(per(together)/per(alone), "x-one-by-one")
			b.ReportMetric(per(traces)/600, "%-of-a-core-for-traces")
		})
	}
}
