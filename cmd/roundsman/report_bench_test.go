package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
)

// benchDays is how long the record is: more of it takes the benchmark minutes to make.
const benchDays = 3

// wideSite is the site of weeks with so many points more, each that often, and a rule that chatters; in its folder.
func wideSite(b *testing.B, more int, every string) (dir string, site *configs.Site) {
	b.Helper()
	dir = b.TempDir()
	points := &strings.Builder{}
	for i := range more {
		fmt.Fprintf(points, "  level.%d: {link: plc, unit-id: 1, holding: %d, unit: bar, every: %s}\n", i, 100+i, every)
	}
	write(b, dir, "site.yaml", strings.Replace(weeksSite, "  fresh: {total", points.String()+"  fresh: {total", 1))
	write(b, dir, "rules.yaml", chattyRules)
	site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
	if err != nil {
		b.Fatal(err)
	}
	return dir, site
}

// benchRecord is a record of some days of the site of weeks with 60 points, each once a second, with a rule that chatters.
func benchRecord(b *testing.B) *gathering {
	b.Helper()
	dir, site := wideSite(b, 45, "1s")
	clock := collector.NewClock()
	rec, err := record.Open(filepath.Join(dir, "corner.db"), record.Options{Clock: clock, Zone: site.Zone, Boot: func() record.Boot { return record.Boot{} }})
	if err != nil {
		b.Fatal(err)
	}
	if err := rec.Follow(site.Points); err != nil {
		b.Fatal(err)
	}
	j, err := newJudge(site, nil, clock, rec, settings{log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	begin := time.Now().Truncate(time.Second)
	batch := make([]collector.Reading, 57) // and three computed
	for s := range benchDays * 86_400 {
		at := clock.Moment(begin.Add(time.Duration(s) * time.Second))
		for i := range batch {
			v := 5 + 2*math.Sin(float64(s*(i+1))/7000) + 0.01*float64(s*7919%13)
			if i > 0 && i < 6 || i == 11 {
				v = float64(s / (120 * i) % 2)
			}
			if i > 5 && i < 9 {
				v = float64(s / 10 * i)
			}
			batch[i] = collector.Reading{Point: collector.PointID(i), Value: v, Quality: collector.Good, At: at}
		}
		j.take(collector.Batch{Link: "plc", Readings: batch})
		j.step(b.Context(), at)
	}
	ctx, cancel := context.WithCancel(b.Context())
	cancel()
	_ = j.stop(ctx)
	up, err := record.NewUpkeep(rec, record.Keep{Zone: site.Zone}, nil)
	if err != nil {
		b.Fatal(err)
	}
	if err := errors.Join(up.Finish(b.Context(), begin.Add(benchDays*24*time.Hour)), up.Close()); err != nil { // hours are packed, as they are on a box that runs
		b.Fatal(err)
	}
	if err := rec.Close(); err != nil {
		b.Fatal(err)
	}
	r, err := record.Read(filepath.Join(dir, "corner.db"))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = r.Close() })
	end := begin.Add(benchDays * 24 * time.Hour)
	return &gathering{record: r, site: site, span: review.Span{From: begin, To: end}, now: end, suggest: true, talk: io.Discard}
}

// BenchmarkReport makes the report of some days of 60 points at 1 s, rehearsal of the worst alarms included. What a month
// takes is told as if all of it grew with the length of the span; the part that does not makes that figure too large.
func BenchmarkReport(b *testing.B) {
	g := benchRecord(b)
	size := 0
	for b.Loop() {
		page, err := g.report(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		var out bytes.Buffer
		if err := page.Write(&out); err != nil {
			b.Fatal(err)
		}
		size = out.Len()
		if len(page.Worst.Actors) == 0 || page.Worst.From.IsZero() || page.Duty == nil || len(page.Runs["reclaim.pump.1"].Ran) < 20 {
			b.Fatalf("the day has nothing to report: %+v", page.Worst)
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*30/benchDays, "s/month")
	b.ReportMetric(float64(size)/1000, "kB/page")
}
