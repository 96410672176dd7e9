package record_test

import (
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"roundsman/exporter/record"
)

// TestManyTrendsReadAlike holds points that are read together against each read by itself: hours that are packed, an hour
// that is half packed, hours in windows, over any span, and after the clock was set back.
func TestManyTrendsReadAlike(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := keepRoom(t, 70, record.Keep{})
		k.sparse(2*time.Hour, 2*time.Minute)
		k.tidy()
		k.sparse(90*time.Minute, 3*time.Minute)
		for range 2 { // of the next piece, some groups
			if _, err := k.up.Step(t.Context(), time.Now()); err != nil {
				t.Fatal(err)
			}
		}
		k.run(t, k.rec, 200)
		begin := time.Now()
		var names []string
		for _, p := range k.points {
			names = append(names, p.Name, "nobody knows "+p.Name)
		}
		for _, span := range [][2]time.Time{
			{}, {begin.Add(-time.Hour), begin}, {begin.Add(-4 * time.Hour), time.Time{}}, {begin.Add(-100 * time.Second), begin.Add(-30 * time.Second)}, {begin.Add(time.Hour), begin.Add(2 * time.Hour)},
		} {
			k.alike(names, span[0], span[1])
		}
	})
}

// alike reads all points of a room together and alone.
func (k *kept) alike(names []string, from, to time.Time) {
	k.t.Helper()
	at := 0
	for tr, err := range k.rec.Trends(k.t.Context(), names, from, to) {
		if err != nil {
			k.t.Fatal(err)
		}
		if tr.Point != k.points[at].Name {
			k.t.Fatalf("the %d. trend is of %s, want %s", at, tr.Point, k.points[at].Name)
		}
		alone := k.trend(at)
		if got, want := k.minutesOf(tr, from, to), k.minutesOf(alone, from, to); !slices.Equal(got, want) {
			k.t.Errorf("%s from %v to %v: together %d minutes, alone %d\n%v\n%v", tr.Point, from, to, len(got), len(want), got, want)
		}
		at++
		if from.IsZero() || to.IsZero() {
			continue
		}
		for _, step := range []time.Duration{2 * time.Minute, 2 * time.Hour, 7 * time.Second} {
			got, err := tr.Steps(k.t.Context(), from, to, step)
			want, again := alone.Steps(k.t.Context(), from, to, step)
			if err != nil || again != nil || !slices.Equal(got, want) {
				k.t.Errorf("%s from %v to %v: %v\n%v\n%v, %v", tr.Point, from, to, got, want, err, again)
			}
		}
	}
	if at != len(k.points) {
		k.t.Errorf("%d trends of %d points", at, len(k.points))
	}
}

// minutesOf tells the minutes as text, for NaN is not equal to itself.
func (k *kept) minutesOf(tr *record.Trend, from, to time.Time) (list []string) {
	k.t.Helper()
	for f, err := range tr.Minutes(k.t.Context(), from, to) {
		if err != nil {
			k.t.Fatal(err)
		}
		list = append(list, fmt.Sprint(f))
	}
	return list
}
