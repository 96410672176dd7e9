package main

import (
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/collector"
	"roundsman/configs"
	"roundsman/exporter/record"
	"roundsman/rules"
)

// hoursRules ring on low air while the wash is open, and on any air at night.
const hoursRules = `rules:
  air-low: {point: air.pressure, low: 5.5 bar, on-delay: 5s, off-delay: 30s, severity: major, time-to-respond: 2m, response: Stop loading., suppress-when: [wash.closed]}
  air-at-night: {point: air.pressure, high: 1 bar, while: wash.closed, on-delay: 5s, off-delay: 30s, severity: minor, time-to-respond: 20m, response: Look.}
`

// A box that starts in 1970 must not take the site for closed: low air rings. When the clock is set, the site's hours
// count at once, and the journal has the true times.
func TestClockNotSetHidesNothing(t *testing.T) {
	dir := writeSite(t, hoursRules)
	write(t, dir, "site.yaml", smallSite+"conditions:\n  wash.open: {hours: {daily: 07:00-20:00}}\n  wash.closed: not wash.open\n")
	site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		// The bubble begins at midnight of the year 2000, when the wash is closed; the box believes in midnight of 1970.
		notBefore := time.Date(1999, 6, 1, 0, 0, 0, 0, time.UTC)
		off := time.Until(time.Unix(0, 0))
		clock := collector.NewClockFrom(func() time.Time { return time.Now().Add(off) })
		rec, err := record.Open(filepath.Join(dir, "corner.db"), record.Options{Clock: clock, NotBefore: notBefore, Boot: func() record.Boot { return record.Boot{} }})
		if err != nil {
			t.Fatal(err)
		}
		r := runRoom(t, dir, site, clock, rec, settings{log: slog.New(slog.DiscardHandler), notBefore: notBefore})
		defer r.stop()
		began := time.Now()
		r.feed(5.0, 10*time.Second)
		r.expect("air-low", rules.Unacknowledged, "the clock is not set")
		r.expect("air-at-night", rules.Normal, "the clock is not set")
		off = 0
		r.feed(5.0, 10*time.Second)
		r.expect("air-low", rules.SuppressedByDesign, "it is midnight")
		r.expect("air-at-night", rules.Unacknowledged, "it is midnight")
		if r.alarm("box-clock").Active {
			t.Error("that the clock was set rings as a step")
		}
		time.Sleep(8 * time.Hour)
		r.feed(5.0, 10*time.Second)
		r.expect("air-low", rules.Unacknowledged, "it is eight in the morning")
		var said []string
		for _, l := range r.lines() {
			if l.Undated || l.Time.Before(began) {
				t.Errorf("line %d, %s, is of %v", l.Seq, l.Kind, l.Time)
			}
			if l.Alarm == "" {
				said = append(said, string(l.Kind))
			}
		}
		if got := strings.Join(said, ", "); got != "box started, clock stepped, lines re-dated" {
			t.Errorf("the journal tells %s", got)
		}
	})
}
