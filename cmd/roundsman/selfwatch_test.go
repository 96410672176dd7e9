package main

import (
	"database/sql"
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

// point returns a point of the site by name.
func (r *fakeRoom) point(name string) collector.PointID {
	r.t.Helper()
	for _, p := range r.judge.site.Points {
		if p.Name == name {
			return p.ID
		}
	}
	r.t.Fatalf("no point %s", name)
	return collector.NoPoint
}

// send gives one reading once a second for so long, as a link does.
func (r *fakeRoom) send(point string, value float64, length time.Duration) {
	r.t.Helper()
	id := r.point(point)
	for range int(length / time.Second) {
		now := r.judge.clock.Now()
		r.judge.in <- collector.Batch{Link: "plc", Readings: []collector.Reading{{Point: id, Value: value, Quality: collector.Good, At: now}}}
		time.Sleep(time.Second)
	}
	synctest.Wait()
}

func (r *fakeRoom) expect(alarm string, state rules.State, when string) {
	r.t.Helper()
	if got := r.alarm(alarm).State; got != state {
		r.t.Errorf("%s: %s is %v, want %v", when, alarm, got, state)
	}
}

// A link that is down rings by Roundsman's own rule, and stops when it is up again.
func TestLinkDownRings(t *testing.T) {
	dir := writeSite(t, smallRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		defer r.stop()
		r.send("link.plc.up", 1, 5*time.Second)
		r.send("link.plc.up", 0, 29*time.Second)
		r.expect("box-link:link.plc.up", rules.Normal, "down for less than its delay")
		r.send("link.plc.up", 0, 3*time.Second)
		r.expect("box-link:link.plc.up", rules.Unacknowledged, "down for half a minute")
		r.send("link.plc.up", 1, 32*time.Second)
		r.expect("box-link:link.plc.up", rules.ReturnUnacknowledged, "up again")
	})
}

// A record that cannot be written rings while it is so; what happened meanwhile is on it afterwards, in order.
func TestUnwritableRecordRings(t *testing.T) {
	dir := writeSite(t, smallRules)
	synctest.Test(t, func(t *testing.T) {
		r := openRoom(t, dir)
		defer r.stop()
		r.feed(7, 2*time.Second)
		other, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "corner.db"))
		if err != nil {
			t.Fatal(err)
		}
		defer other.Close()
		if _, err := other.Exec("ALTER TABLE journal RENAME TO elsewhere"); err != nil {
			t.Fatal(err)
		}
		r.feed(5.0, 20*time.Second) // low air, and nowhere to write it down
		r.expect("air-low", rules.Unacknowledged, "the record fails")
		r.expect("box-record", rules.Unacknowledged, "the record fails")
		if _, err := other.Exec("ALTER TABLE elsewhere RENAME TO journal"); err != nil {
			t.Fatal(err)
		}
		r.feed(5.0, 40*time.Second)
		r.expect("box-record", rules.ReturnUnacknowledged, "the record is written again")
		var kinds []string
		for _, l := range r.lines() {
			if l.Alarm == "air-low" || l.Alarm == "box-record" {
				kinds = append(kinds, l.Alarm+" "+string(l.Kind))
			}
			if l.Alarm == "box-record" && l.Kind == "started" && !strings.Contains(l.Why, "no such table") {
				t.Errorf("the journal does not say why: %q", l.Why)
			}
		}
		if got := strings.Join(kinds, ", "); got != "air-low started, box-record started, box-record returned" && got != "box-record started, air-low started, box-record returned" {
			t.Errorf("the journal tells %s", got)
		}
	})
}

// The wall clock steps: it is journalled, it rings, and no delay, shelve or order changes.
func TestClockStepRings(t *testing.T) {
	dir := writeSite(t, smallRules)
	site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		var off time.Duration
		r := roomOn(t, dir, site, collector.NewClockFrom(func() time.Time { return time.Now().Add(off) }))
		defer r.stop()
		r.feed(7, 2*time.Second)
		if err := r.judge.Act(t.Context(), "air-high", rules.Act{Kind: rules.ActShelve, Who: "N. Quill", Why: "filter change", For: time.Minute}); err != nil {
			t.Fatal(err)
		}
		r.feed(5.0, 3*time.Second)
		off = -time.Hour // put back in the middle of a delay
		r.feed(5.0, time.Second)
		r.expect("air-low", rules.Normal, "four of five seconds")
		r.feed(5.0, 2*time.Second)
		r.expect("air-low", rules.Unacknowledged, "after five seconds")
		r.expect("box-clock", rules.Unacknowledged, "the clock stepped")
		r.feed(5.0, 50*time.Second)
		r.expect("air-high", rules.Shelved, "58 of 60 seconds")
		r.feed(5.0, 5*time.Second)
		r.expect("air-high", rules.Normal, "after a minute")
		var steps, last int
		for i, l := range r.lines() {
			if l.Kind == record.ClockStepped && l.Length == -time.Hour {
				steps++
			}
			if int(l.Seq) != i+1 || int(l.Seq) <= last {
				t.Errorf("line %d comes as number %d", l.Seq, i+1)
			}
			last = int(l.Seq)
		}
		if steps != 1 {
			t.Errorf("%d lines tell of the step", steps)
		}
		r.feed(7.0, 11*time.Minute)
		if r.alarm("box-clock").Active {
			t.Error("a step long ago still rings")
		}
	})
}

// That the clock of a box without a battery is set for the first time is no step: nothing was right before, and the
// journal gets its true times. Any later step is one.
func TestClockIsSetRings(t *testing.T) {
	off := time.Until(time.Unix(9, 0))
	clock := collector.NewClockFrom(func() time.Time { return time.Now().Add(off) })
	k := newKeeper(nil, clock, slog.New(slog.DiscardHandler))
	w := newSelfWatch(configs.Box{}, clock)
	w.notBefore = oldest
	off = 0
	if !w.clockStep(k, clock.Now()) || w.step != 0 {
		t.Errorf("set for the first time: a step of %v", w.step)
	}
	off = 2 * time.Hour
	if !w.clockStep(k, clock.Now()) || w.step.Round(time.Second) != 2*time.Hour {
		t.Errorf("two hours on: a step of %v", w.step)
	}
	off = time.Until(time.Unix(9, 0))
	if !w.clockStep(k, clock.Now()) || w.step > -365*24*time.Hour {
		t.Errorf("back to 1970: a step of %v", w.step)
	}
}

// What the box finds out of itself, as readings, makes its own rules ring.
func TestOwnRulesRing(t *testing.T) {
	dir := writeSite(t, smallRules)
	site, err := configs.LoadFile(filepath.Join(dir, "site.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	well := record.Status{Free: 50, Size: 100, FreeKnown: true}
	for _, tt := range []struct {
		alarm  string
		change func(*selfWatch, *record.Status)
		why    string
	}{
		{"box-disk", func(_ *selfWatch, s *record.Status) { s.Free = 9 }, ""},
		{"box-record", func(_ *selfWatch, s *record.Status) { s.Err = record.ErrFull }, "no space left on device"},
		{"box-clock", func(w *selfWatch, _ *record.Status) { w.step = -6 * time.Second }, ""},
		{"box-files", func(w *selfWatch, _ *record.Status) { w.files = "rules.yaml:3:24: broken" }, "rules.yaml:3:24: broken"},
	} {
		engine, err := rules.New(site.Points, site.Rules)
		if err != nil {
			t.Fatal(err)
		}
		clock := collector.NewClock()
		watch, wrong := newSelfWatch(site.Box, clock), newSelfWatch(site.Box, clock)
		status := well
		tt.change(wrong, &status)
		begin := clock.Now()
		var rang []string
		for s := range 300 {
			now := begin.Add(time.Duration(s) * time.Second)
			readings := watch.readings(well, now, nil)
			if s >= 100 {
				readings = wrong.readings(status, now, nil)
			}
			events, _ := engine.Step(now, readings, nil)
			for _, e := range events {
				if e.Kind != rules.EventStarted {
					continue
				}
				rang = append(rang, site.Rules.Rules[e.Rule].Name)
				for _, r := range readings {
					if r.Point == site.Rules.Rules[e.Rule].Point && r.Detail != tt.why {
						t.Errorf("%s: the reading says %q, want %q", tt.alarm, r.Detail, tt.why)
					}
				}
			}
		}
		if got := strings.Join(rang, ", "); got != tt.alarm {
			t.Errorf("%q rang, want %s alone", got, tt.alarm)
		}
	}
}
