package record_test

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/collector/duty"
	"roundsman/exporter/record"
)

// yearOfRuns fills a record with a year of one pump that starts 100,000 times.
func yearOfRuns(b *testing.B, path string) (r *record.Record, from, to time.Time, run time.Duration) {
	b.Helper()
	const runs = 100_000
	clock := collector.NewClock()
	r, err := record.Open(path, record.Options{Clock: clock, Zone: zone(b, "Europe/Dublin"), Reserve: -1})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = r.Close() })
	to = clock.Time(clock.Now())
	from = to.AddDate(-1, 0, 0)
	cycle := to.Sub(from) / runs
	at := clock.Moment(from)
	var c record.Change
	for i := range runs {
		length := cycle/8 + time.Duration(i%97)*time.Second
		c.Intervals = append(c.Intervals, record.Finished{Equipment: "pump", Interval: duty.Interval{Kind: duty.Ran, Still: cycle - length,
			From: at.Add(cycle - length), To: at.Add(cycle), Starts: 1, Hour: 1 + i%14, New: true, Stopped: true, Why: "stopped"}})
		at, run = at.Add(cycle), run+length
		if len(c.Intervals) == 2000 {
			commit(b, r, c)
			c.Clear()
		}
	}
	return r, from, to, run
}

// A year of one pump's duty beside the plain SQL scan of its runs, in turn.
func BenchmarkYearOfDuty(b *testing.B) {
	path := filepath.Join(b.TempDir(), "roundsman.db")
	r, from, to, run := yearOfRuns(b, path)
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	var took [2]time.Duration
	timed := func(i int, f func() (time.Duration, int, error)) {
		start := time.Now()
		got, starts, err := f()
		took[i] += time.Since(start)
		if err != nil || got != run || starts != 100_000 {
			b.Fatal(fmt.Sprint(got, " ", starts, " ", err, ", want ", run))
		}
	}
	for b.Loop() {
		timed(0, func() (time.Duration, int, error) {
			d, err := r.Duty(context.Background(), "pump", from, to)
			return d.Run, d.Starts, err
		})
		timed(1, func() (sum time.Duration, starts int, err error) {
			var longest, shortest int64
			err = db.QueryRow(`SELECT sum(ended - begun), sum(starts), max(ended - begun), min(ended - begun) FROM intervals WHERE equipment = 1 AND "from" >= ? AND "from" < ?`,
				from.UnixMilli(), to.UnixMilli()).Scan(&sum, &starts, &longest, &shortest)
			return sum, starts, err
		})
	}
	b.ReportMetric(float64(took[0])/float64(took[1]), "ratio")
	b.ReportMetric(float64(took[1].Microseconds())/1e3/float64(b.N), "ms/scan")
	b.ReportMetric(0, "ns/op")
}
