package record_test

import (
	"path/filepath"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// A wall clock is believed six hours after the start and after each step of an hour or more; slewing and the corrections of a
// time service change nothing.
func TestSteady(t *testing.T) {
	var s record.Steady
	begin := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		after time.Duration // the start
		off   time.Duration // of the wall clock
		want  bool
	}{
		{0, 0, false},
		{5 * time.Hour, 0, false},
		{6 * time.Hour, 2 * time.Second, true},
		{30 * time.Hour, 40 * time.Second, true},
		{31 * time.Hour, 365 * 24 * time.Hour, false},
		{36 * time.Hour, 365 * 24 * time.Hour, false},
		{36*time.Hour + time.Minute, 0, false},
		{42*time.Hour + time.Minute, 0, true},
	} {
		if got := s.Sure(collector.At(begin.Add(tt.after)), begin.Add(tt.after+tt.off)); got != tt.want {
			t.Errorf("%v after the start, %v off: sure is %v", tt.after, tt.off, got)
		}
	}
}

// The wall clock is set a year on by mistake: as long as it is in doubt nothing is let go as old, and then it is.
func TestClockAYearOnLosesNothing(t *testing.T) {
	clock := collector.NewClock()
	r, err := record.Open(filepath.Join(t.TempDir(), "roundsman.db"), record.Options{Clock: clock, Reserve: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.Follow([]collector.Point{{Name: "air", Unit: "bar", Digits: 1}}); err != nil {
		t.Fatal(err)
	}
	keep := 30 * 24 * time.Hour
	up, err := record.NewUpkeep(r, record.Keep{Readings: keep, Minutes: keep, Journal: keep}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer up.Close()
	begin := clock.Now()
	for after := time.Duration(0); after < 4*time.Hour; after += time.Minute {
		now := begin.Add(after)
		r.Take(now, []collector.Reading{{Quality: collector.Good, At: now, Value: 7}})
		if err := r.Beat(now); err != nil {
			t.Fatal(err)
		}
	}
	count := func() (readings, lines int) {
		tr, err := r.Trend(t.Context(), "air")
		if err != nil {
			t.Fatal(err)
		}
		for _, err := range tr.Readings(t.Context(), time.Time{}, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			readings++
		}
		return readings, len(recordtest.Lines(t, r.Reader, record.Query{}))
	}
	readings, lines := count()
	wrong := clock.Time(begin).Add(365 * 24 * time.Hour)
	up.Doubt(true)
	if err := up.Finish(t.Context(), wrong); err != nil {
		t.Fatal(err)
	}
	if n, l := count(); n < readings || l < lines {
		t.Errorf("while the clock is in doubt %d readings and %d lines are left of %d and %d", n, l, readings, lines)
	}
	up.Doubt(false)
	if err := up.Finish(t.Context(), wrong.Add(2*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if n, _ := count(); n > readings/2 {
		t.Errorf("once it is believed %d readings are left of %d", n, readings)
	}
}
