package main

import (
	"math"
	"path/filepath"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/exporter/review"
	"roundsman/exporter/review/air"
	"roundsman/exporter/review/water"
)

// unpackedHours is how many hours of a thousand points the record below has in windows only.
const unpackedHours = 6

// unpackedSite is the site of weeks with 1,000 points, each every five seconds, and a record of some hours that upkeep has not
// packed.
func unpackedSite(b *testing.B) (*configs.Site, *record.Record, review.Span) {
	b.Helper()
	dir, site := wideSite(b, 985, "5s")
	clock := collector.NewClock()
	rec, err := record.Open(filepath.Join(dir, "corner.db"), record.Options{Clock: clock, Reserve: -1})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = rec.Close() })
	if err := rec.Follow(site.Points); err != nil {
		b.Fatal(err)
	}
	span := review.Span{From: time.Now().Truncate(time.Hour).UTC()}
	span.To = span.From.Add(unpackedHours * time.Hour)
	round := make([]collector.Reading, len(site.Points))
	for s := 0; s < unpackedHours*3600; s += 5 {
		at := clock.Moment(span.From.Add(time.Duration(s) * time.Second))
		for i := range round {
			v := 5 + 2*math.Sin(float64(s*(i+1))/7000)
			if site.Points[i].Kind == collector.Counter {
				v = float64(s / 60)
			}
			round[i] = collector.Reading{Point: collector.PointID(i), Value: v, Quality: collector.Good, At: at}
		}
		rec.Take(at, round)
		if err := rec.Beat(at); err != nil {
			b.Fatal(err)
		}
	}
	return site, rec, span
}

// The reviews of air and water over hours in windows, their points read together, beside each point read by itself, in turn.
func BenchmarkReviewsOfUnpackedHours(b *testing.B) {
	site, rec, span := unpackedSite(b)
	var together, alone time.Duration
	n := 0
	timed := func(into *time.Duration, f func() error) {
		start := time.Now()
		if err := f(); err != nil {
			b.Fatal(err)
		}
		*into += time.Since(start)
	}
	for ; b.Loop(); n++ {
		for _, what := range []string{"air", "water"} {
			timed(&together, func() error { return reviewed(b, rec.Reader, site, what, span, true) })
			timed(&alone, func() error { return reviewed(b, rec.Reader, site, what, span, false) })
		}
	}
	ms := func(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 / float64(n) }
	b.ReportMetric(ms(together), "ms-together")
	b.ReportMetric(ms(alone), "ms-one-by-one")
	b.ReportMetric(ms(together)/ms(alone), "x-one-by-one")
	b.ReportMetric(unpackedHours, "hours-in-windows")
}

func reviewed(b *testing.B, r *record.Reader, site *configs.Site, what string, span review.Span, together bool) error {
	now := span.To
	switch {
	case what == "air" && together:
		_, err := reviewAir(b.Context(), r, site, span, now)
		return err
	case what == "water" && together:
		_, err := reviewWater(b.Context(), r, site, span, now)
		return err
	case what == "air":
		_, err := air.Review(b.Context(), plantSource{dutySource{Reader: r, now: now}}, *site.Review.Air, span)
		return err
	}
	_, err := water.Review(b.Context(), dutySource{Reader: r, now: now}, *site.Review.Water, span)
	return err
}
