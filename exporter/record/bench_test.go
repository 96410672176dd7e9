package record_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// written returns the bytes that this process gave to write calls; false where the system does not tell.
func written() (int64, bool) {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return 0, false
	}
	for line := range strings.Lines(string(text)) {
		if n, ok := strings.CutPrefix(line, "wchar: "); ok {
			v, err := strconv.ParseInt(strings.TrimSpace(n), 10, 64)
			return v, err == nil
		}
	}
	return 0, false
}

// benchLines are n lawful lines of many alarms, and their memories, from the first'th line on.
func benchLines(c *record.Change, now collector.Moment, first, n int) {
	for i := range n {
		name := fmt.Sprintf("reclaim.filter.%d-blocked", (first+i)%3000)
		times := (first + i) / 3000
		from, to, kind := rules.Normal, rules.Unacknowledged, record.Kind("started")
		if times%2 == 1 {
			from, to, kind = to, from, "returned"
		}
		c.Lines = append(c.Lines, record.Line{At: now, Kind: kind, Alarm: name, Point: "reclaim.filter.difference", From: from, To: to,
			Value: 1.52 + float64(i)/100, Limit: 1.5, Unit: "bar", Quality: collector.Good})
		c.KeepAlarm(name, rules.AlarmMemory{Kind: rules.High, State: to, Active: to != from, Since: now, Started: now, TruthSince: now,
			Activations: uint64(times/2 + 1), HasValue: true, Value: 1.52, HasPeak: true, Peak: 1.52, Delay: rules.Wait{Running: true, First: now}})
	}
}

// A round with twenty lines and the memory of twenty alarms as one transaction, beside the same with a transaction for
// each line, in turn.
func BenchmarkCommit(b *testing.B) {
	const batch = 20
	clock := collector.NewClock()
	open := func(name string) *record.Record {
		r, err := record.Open(filepath.Join(b.TempDir(), name), record.Options{Clock: clock, Reserve: -1})
		if err != nil {
			b.Fatal(err)
		}
		return r
	}
	together, each := open("together.db"), open("each.db")
	var took [2]time.Duration
	var bytes [2]int64
	var c record.Change
	n := 0
	timed := func(i int, f func()) {
		before, _ := written()
		start := time.Now()
		f()
		took[i] += time.Since(start)
		after, _ := written()
		bytes[i] += after - before
	}
	for b.Loop() {
		now := clock.Now()
		timed(0, func() {
			c.Clear()
			benchLines(&c, now, n, batch)
			commit(b, together, c)
		})
		timed(1, func() {
			for i := range batch {
				c.Clear()
				benchLines(&c, now, n+i, 1)
				commit(b, each, c)
			}
		})
		n += batch
	}
	per := func(d time.Duration) float64 { return float64(d.Microseconds()) / float64(n) }
	b.ReportMetric(per(took[0]), "us/line")
	b.ReportMetric(per(took[1]), "us/line-alone")
	b.ReportMetric(float64(took[0])/float64(took[1]), "x-alone")
	b.ReportMetric(float64(n)/took[1].Seconds(), "commits/s")
	b.ReportMetric(float64(n)/took[0].Seconds(), "lines/s")
	if _, ok := written(); ok {
		b.ReportMetric(float64(bytes[0])/float64(n), "B/line")
		b.ReportMetric(float64(bytes[1])/float64(n), "B/line-alone")
		b.ReportMetric(float64(bytes[0])/float64(bytes[1]), "x-bytes-alone")
	}
	if err := together.Close(); err != nil {
		b.Fatal(err)
	}
	if err := each.Close(); err != nil {
		b.Fatal(err)
	}
}

// From the start of the process's own work to the first judgement: 3,000 rules, 100,000 lines, after a kill.
func BenchmarkRestart(b *testing.B) {
	const lines, count = 100_000, 3000
	p := filepath.Join(b.TempDir(), "roundsman.db")
	clock := collector.NewClock()
	r, err := record.Open(p, record.Options{Clock: clock})
	if err != nil {
		b.Fatal(err)
	}
	for n := 0; n < lines; n += 1000 {
		var c record.Change
		benchLines(&c, clock.Now(), n, 1000)
		commit(b, r, c)
	}
	if err := r.Abandon(); err != nil {
		b.Fatal(err)
	}
	points := make([]collector.Point, 1000)
	var set rules.Set
	for i := range points {
		points[i].ID = collector.PointID(i)
	}
	for i := range count {
		set.Rules = append(set.Rules, rules.Rule{Name: fmt.Sprintf("reclaim.filter.%d-blocked", i), Point: collector.PointID(i % 1000), Kind: rules.High, Limit: 1.5, OnDelay: time.Second})
	}
	var opened, judged, slowest time.Duration
	for b.Loop() {
		start := time.Now()
		clock := collector.NewClock()
		r, err := record.Open(p, record.Options{Clock: clock})
		if err != nil {
			b.Fatal(err)
		}
		s, err := r.Restore()
		if err != nil {
			b.Fatal(err)
		}
		opened += time.Since(start)
		engine, err := rules.New(points, set)
		if err != nil {
			b.Fatal(err)
		}
		if gone := engine.Restore(clock.Now(), s.Memory); len(gone) > 0 || len(s.Memory.Alarms) != count {
			b.Fatal(len(gone), len(s.Memory.Alarms))
		}
		engine.Track()
		engine.Step(clock.Now(), []collector.Reading{{Value: 1, Quality: collector.Good, At: clock.Now()}}, nil)
		took := time.Since(start)
		judged += took
		slowest = max(slowest, took)
		if err := r.Abandon(); err != nil {
			b.Fatal(err)
		}
	}
	ms := func(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
	b.ReportMetric(ms(opened)/float64(b.N), "ms-open")
	b.ReportMetric(ms(judged)/float64(b.N), "ms-judging")
	b.ReportMetric(ms(slowest), "ms-slowest")
}

// A day of a busy site out of 100,000 lines.
func BenchmarkJournal(b *testing.B) {
	p := filepath.Join(b.TempDir(), "roundsman.db")
	clock := collector.NewClock()
	r, err := record.Open(p, record.Options{Clock: clock, Reserve: -1})
	if err != nil {
		b.Fatal(err)
	}
	at := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	for n := 0; n < 100_000; n += 1000 {
		var c record.Change
		benchLines(&c, clock.Now(), n, 1000)
		for i := range c.Lines {
			at = at.Add(100 * time.Second)
			c.Lines[i].Time = at
		}
		if n == 0 { // the record was made today
			c.Lines[0] = record.Line{At: clock.Now(), Kind: record.ClockStepped, Length: time.Hour, Time: at.Add(-99_900 * time.Second)}
		}
		commit(b, r, c)
	}
	day := at.Add(-50 * 24 * time.Hour)
	found := 0
	for b.Loop() {
		for _, err := range r.Journal(b.Context(), record.Query{From: day, To: day.Add(24 * time.Hour)}) {
			if err != nil {
				b.Fatal(err)
			}
			found++
		}
	}
	b.ReportMetric(float64(found)/float64(b.N), "lines")
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(found), "us/line")
	if err := r.Close(); err != nil {
		b.Fatal(err)
	}
}
