package record_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
)

// A day of a journal of 100,000 lines in which the wall time may have stepped so often (a start of the box is such a
// line), beside one query for the same lines by their numbers, in turn.
func BenchmarkJournalStarts(b *testing.B) {
	for _, starts := range []int{1, 100, 1000} {
		b.Run(fmt.Sprint(starts), func(b *testing.B) {
			const total, pace = 100_000, 100 * time.Second
			clock := collector.NewClock()
			r, err := record.Open(filepath.Join(b.TempDir(), "roundsman.db"), record.Options{Clock: clock, Reserve: -1})
			if err != nil {
				b.Fatal(err)
			}
			at := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
			for n := 0; n < total; n += 1000 {
				var c record.Change
				benchLines(&c, clock.Now(), n, 1000)
				for i := range c.Lines {
					if at = at.Add(pace); (n+i)%(total/starts) == 0 { // the first too: the box was started today
						c.Lines[i] = record.Line{At: clock.Now(), Kind: record.ClockStepped, Length: time.Minute}
					}
					c.Lines[i].Time = at
				}
				commit(b, r, c)
			}
			day := at.Add(-50 * 24 * time.Hour)
			var lo, hi uint64
			var whole, alone time.Duration
			for b.Loop() {
				begun := time.Now()
				n := uint64(0)
				for l, err := range r.Journal(b.Context(), record.Query{From: day, To: day.Add(24 * time.Hour)}) {
					if err != nil {
						b.Fatal(err)
					}
					if hi = l.Seq + 1; n == 0 {
						lo = l.Seq
					}
					n++
				}
				whole += time.Since(begun)
				begun = time.Now()
				lines, err := r.Between(b.Context(), lo, hi)
				if err != nil || uint64(len(lines)) != n {
					b.Fatalf("%d lines, want %d: %v", len(lines), n, err)
				}
				alone += time.Since(begun)
			}
			b.ReportMetric(whole.Seconds()/alone.Seconds(), "times-one-query")
			b.ReportMetric(float64(hi-lo), "lines")
			if err := r.Close(); err != nil {
				b.Fatal(err)
			}
		})
	}
}
