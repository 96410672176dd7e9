package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// largeSite writes the files of 1,000 points and 3,000 rules, of the kinds that a room has.
func largeSite(b *testing.B) (dir string) {
	dir = b.TempDir()
	var site, list strings.Builder
	site.WriteString("site: {name: Large Wash, time-zone: Europe/Dublin}\nrules: [rules.yaml]\nrecord: {path: corner.db}\nlinks:\n  plc: {modbus: 'tcp://127.0.0.1:1'}\npoints:\n")
	list.WriteString("rules:\n")
	for p := range 1000 {
		fmt.Fprintf(&site, "  room.p%d: {station: room, link: plc, unit-id: %d, holding: %d, type: int16, scale: {from: [0, 27648], to: [0 bar, 16 bar]}, every: 1s}\n", p, 1+p/100, p%100)
		fmt.Fprintf(&list, "  p%d-low: {point: room.p%d, low: 5.5 bar, deadband: 0.3 bar, on-delay: 5s, off-delay: 30s, severity: major, time-to-respond: 2m, response: Stop loading.}\n", p, p)
		fmt.Fprintf(&list, "  p%d-high: {point: room.p%d, high: 9 bar, deadband: 0.3 bar, on-delay: 5s, off-delay: 30s, severity: minor, time-to-respond: 20m, response: Look.}\n", p, p)
		fmt.Fprintf(&list, "  p%d-bad: {point: room.p%d, bad: true, on-delay: 30s, severity: minor, time-to-respond: 20m, response: Look.}\n", p, p)
	}
	for name, text := range map[string]string{"site.yaml": site.String(), "rules.yaml": list.String()} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			b.Fatal(err)
		}
	}
	return dir
}

// fill leaves 100,000 lines on the record, and a memory for each of the rules.
func fill(b *testing.B, path string, list []rules.Rule) {
	clock := collector.NewClock()
	r, err := record.Open(path, record.Options{Clock: clock})
	if err != nil {
		b.Fatal(err)
	}
	for n := 0; n < 100_000; n += 2000 {
		var c record.Change
		for i := n; i < n+2000; i++ {
			rule, state := &list[i%len(list)], rules.Unacknowledged
			if i/len(list)%2 == 1 {
				state = rules.Normal
			}
			c.Lines = append(c.Lines, record.Line{Kind: "started", Alarm: rule.Name, Point: "room.p1", To: state, Value: 5.4, Limit: 5.5, Unit: "bar", Why: "as ever"})
			c.KeepAlarm(rule.Name, rules.AlarmMemory{Kind: rule.Kind, State: state, Active: state != rules.Normal, Activations: uint64(i)})
		}
		if err := r.Commit(&c); err != nil {
			b.Fatal(err)
		}
	}
	if err := r.Close(); err != nil {
		b.Fatal(err)
	}
}

// A restart with 3,000 rules and 100,000 journal lines, from the files on disk to the first judgement, and what of it is
// reading the files, and what opening the record.
func BenchmarkRestart(b *testing.B) {
	dir := largeSite(b)
	path, db := filepath.Join(dir, "site.yaml"), filepath.Join(dir, "corner.db")
	site, err := configs.LoadFile(path)
	if err != nil {
		b.Fatal(err)
	}
	fill(b, db, site.Rules.Rules)
	var files, judged, slowest time.Duration
	for b.Loop() {
		start := time.Now()
		site, err := configs.LoadFile(path)
		if err != nil {
			b.Fatal(err)
		}
		files += time.Since(start)
		d, err := newDaemon(site, settings{log: slog.New(slog.DiscardHandler), record: db})
		if err != nil {
			b.Fatal(err)
		}
		now := d.clock.Now()
		for p := range 1000 {
			d.judge.readings = append(d.judge.readings, collector.Reading{Point: collector.PointID(p), Value: 7, Quality: collector.Good, At: now})
		}
		d.judge.step(context.Background(), now)
		took := time.Since(start)
		judged, slowest = judged+took, max(slowest, took)
		if n := len(site.Rules.Rules); n < 3000 || len(d.judge.board.View().Alarms) != n {
			b.Fatal(n)
		}
		if err := d.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(files.Milliseconds())/float64(b.N), "ms-files")
	b.ReportMetric(float64(judged.Milliseconds())/float64(b.N), "ms-judging")
	b.ReportMetric(float64(slowest.Milliseconds()), "ms-slowest")
}
