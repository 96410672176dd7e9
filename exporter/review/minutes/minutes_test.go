package minutes_test

import (
	"context"
	"encoding/json"
	"errors"
	"iter"
	"math"
	"testing"
	"time"

	"roundsman/exporter/review/minutes"
	"roundsman/exporter/review/minutes/minutestest"
)

var noon = time.Date(2026, 6, 13, 12, 0, 0, 0, time.UTC)

func at(seconds int) time.Time { return noon.Add(time.Duration(seconds) * time.Second) }

// source has a point read every ten seconds.
func source(name string, values ...float64) *minutestest.Source {
	var s minutestest.Source
	for i, v := range values {
		s.Add(name, at(10*i), v)
	}
	return &s
}

func every(t *testing.T, s minutes.Source, sig minutes.Signal, f func(minutes.Minute)) {
	t.Helper()
	if err := minutes.Each(context.Background(), s, sig, noon, noon.Add(24*time.Hour), f); err != nil {
		t.Fatal(err)
	}
}

func TestMeanAndTimeBelow(t *testing.T) {
	s := source("p", 7, 7, 7, 7, 7, 7, 6, 5, 5, 5, 6, 6, 5, 5, 5, 5, 5, 5, 7, 7, 7, 7, 7, 7)
	m := minutes.Mean{Below: 5.5}
	every(t, s, minutes.Signal{Point: "p"}, m.Add)
	if got := m.Value(); math.Abs(got-(7+5.5+5+7)/4) > 1e-12 || m.Minutes != 4 || m.Least() != 5 || m.Most() != 7 {
		t.Errorf("mean %g of %d minutes, %g to %g", got, m.Minutes, m.Least(), m.Most())
	}
	// Half of the second minute by its ends 5 and 6, the third whole: one dip of 90 s.
	if m.TimeBelow() != 90*time.Second || m.Dips != 1 {
		t.Errorf("below for %s in %d dips, want 1m30s in one", m.TimeBelow(), m.Dips)
	}
	none := minutes.Mean{Below: 5.5}
	every(t, s, minutes.Signal{Point: "nobody"}, none.Add)
	every(t, s, minutes.Signal{}, none.Add)
	if !math.IsNaN(none.Value()) || !math.IsNaN(none.Least()) || none.TimeBelow() != 0 {
		t.Errorf("without minutes: %g, %g, %s", none.Value(), none.Least(), none.TimeBelow())
	}
}

func TestSignalConverts(t *testing.T) {
	var got minutes.Minute
	every(t, source("p", 80, 100), minutes.Signal{Point: "p", Factor: -0.5, Offset: 1}, func(m minutes.Minute) { got = m })
	want := minutes.Minute{At: noon, Min: -49, Mean: -44, Max: -39, Last: -49}
	if got != want {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestUnusableMinutesAreInNoFigure(t *testing.T) {
	nan := math.NaN()
	s := source("p", 7, 7, 7, 7, 7, 7, nan, nan, nan, nan, nan, nan, 5, nan, nan, nan, nan, nan)
	m := minutes.Mean{Below: math.NaN()}
	every(t, s, minutes.Signal{Point: "p"}, m.Add)
	if m.Minutes != 2 || m.Value() != 6 {
		t.Errorf("%g of %d minutes, want 6 of 2", m.Value(), m.Minutes)
	}
}

func TestRise(t *testing.T) {
	var s minutestest.Source
	for i, v := range []float64{100, 130, 130, 160, 20, 50} { // it fell once: a new meter
		s.Add("total", at(60*i-60), v)
	}
	s.Add("total", at(60*60), 90) // after a gap of an hour
	var last float64
	r, err := minutes.Rises(context.Background(), &s, minutes.Signal{Point: "total"}, noon, noon.Add(2*time.Hour), func(_ time.Time, d float64) { last = d })
	if err != nil {
		t.Fatal(err)
	}
	if r.Total != 30+30+30+40 || r.Resets != 1 || last != 40 {
		t.Errorf("rose %g with %d resets, at last %g; want 130 with 1, and 40", r.Total, r.Resets, last)
	}
}

func TestOnsCountStarts(t *testing.T) {
	var s minutestest.Source
	on := func(sec int) bool { return sec >= 30 && sec < 100 || sec >= 200 && sec < 215 || sec >= 290 }
	starts := 3
	for sec := 0; sec < 600; sec++ {
		if sec > 330 && sec < 540 {
			continue // nobody looked
		}
		s.State("p", at(sec), on(sec))
	}
	var o minutes.Ons
	every(t, &s, minutes.Signal{Point: "p"}, func(m minutes.Minute) { o.Add(m) })
	if o.N != starts {
		t.Errorf("%d starts, want %d", o.N, starts)
	}
	s = minutestest.Source{}
	s.State("p", at(0), false)
	s.State("p", at(600), true) // on after ten minutes out of sight: nobody saw it start
	o = minutes.Ons{}
	every(t, &s, minutes.Signal{Point: "p"}, func(m minutes.Minute) { o.Add(m) })
	if o.N != 0 {
		t.Errorf("%d starts out of sight", o.N)
	}
}

func TestBusiestHourSlides(t *testing.T) {
	var b minutes.Busiest
	for _, minute := range []int{0, 50, 55, 59, 61, 65, 109, 115, 300} {
		b.Add(at(60 * minute))
	}
	if b.Most != 6 || !b.Ends.Equal(at(60*109)) {
		t.Errorf("%d to %s, want 6 to 13:49", b.Most, b.Ends)
	}
}

func TestMask(t *testing.T) {
	var s minutestest.Source
	for minute := range 60 {
		if minute != 40 {
			s.State("open", at(60*minute), minute < 20)
		}
	}
	k, err := minutes.When(context.Background(), &s, minutes.Signal{Point: "open"}, noon, noon.Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if so, seen := k.Count(); so != 20 || seen != 59 {
		t.Errorf("open for %d of %d minutes, want 20 of 59", so, seen)
	}
	closed := k.Stretches(false, 19*time.Minute)
	want := []minutes.Stretch{{From: at(1200), To: at(2400)}, {From: at(2460), To: at(3600)}}
	if len(closed) != 2 || closed[0] != want[0] || closed[1] != want[1] {
		t.Errorf("closed %v, want %v", closed, want)
	}
	if len(k.Stretches(false, 20*time.Minute)) != 1 || len(k.Stretches(true, 0)) != 1 {
		t.Error("stretches of another length were found")
	}
	for sec, want := range map[int][2]bool{-1: {false, false}, 0: {true, true}, 1199: {true, true}, 1200: {false, true}, 2400: {false, false}, 3600: {false, false}} {
		if so, seen := k.At(at(sec)); so != want[0] || seen != want[1] {
			t.Errorf("after %d s: %t, seen %t", sec, so, seen)
		}
	}
}

func TestKnownIsNullInJSON(t *testing.T) {
	text, err := json.Marshal([]minutes.Known{1.5, minutes.Unknown(), minutes.Known(math.Inf(1))})
	if err != nil || string(text) != "[1.5,null,null]" {
		t.Errorf("%s, %v", text, err)
	}
	var back []minutes.Known
	if err := json.Unmarshal(text, &back); err != nil || back[0] != 1.5 || back[1].Is() {
		t.Errorf("%v, %v", back, err)
	}
}

type broken struct{}

var errDisk = errors.New("disk gone")

func (broken) Minutes(context.Context, string, time.Time, time.Time) iter.Seq2[minutes.Minute, error] {
	return func(yield func(minutes.Minute, error) bool) { yield(minutes.Minute{}, errDisk) }
}

func TestErrorsOfTheSourceComeThrough(t *testing.T) {
	sig := minutes.Signal{Point: "p"}
	_, err1 := minutes.When(context.Background(), broken{}, sig, noon, noon.Add(time.Hour))
	_, err2 := minutes.Rises(context.Background(), broken{}, sig, noon, noon.Add(time.Hour), nil)
	if !errors.Is(err1, errDisk) || !errors.Is(err2, errDisk) || err1.Error() != "minutes of p: disk gone" {
		t.Errorf("%v, %v", err1, err2)
	}
}

func TestOpenByHoursOrAlways(t *testing.T) {
	var none minutestest.Source
	for _, c := range []struct {
		name  string
		hours func(time.Time) bool
		want  int
	}{{"hours", func(at time.Time) bool { return at.Hour() == 12 }, 60}, {"always", nil, 120}} {
		k, err := minutes.Open(context.Background(), &none, minutes.Signal{}, c.hours, noon, noon.Add(2*time.Hour))
		if so, seen := k.Count(); err != nil || so != c.want || seen != 120 {
			t.Errorf("%s: open %d of %d minutes, %v", c.name, so, seen, err)
		}
	}
	s := source("open", 1, 1, 1)
	k, err := minutes.Open(context.Background(), s, minutes.Signal{Point: "open"}, func(time.Time) bool { return true }, noon, noon.Add(time.Hour))
	if so, seen := k.Count(); err != nil || so != 1 || seen != 1 {
		t.Errorf("by a state: open %d of %d minutes, %v", so, seen, err)
	}
}
