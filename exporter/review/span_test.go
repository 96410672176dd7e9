package review_test

import (
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // whatever the machine has

	"roundsman/exporter/review"
	"roundsman/rules"
)

func TestBadInput(t *testing.T) {
	one := []review.Activation{{Rule: "air-low", Start: at(5)}}
	day := review.Span{From: midnight, To: at(86400)}
	tests := []struct {
		name string
		list []review.Activation
		span review.Span
		o    review.Options
		want string
	}{
		{"empty span", one, review.Span{From: midnight, To: midnight}, review.Options{},
			"span 2026-03-02T00:00:00Z to 2026-03-02T00:00:00Z: ends before it begins or is empty"},
		{"no begin", one, review.Span{To: midnight}, review.Options{},
			"span 0001-01-01T00:00:00Z to 2026-03-02T00:00:00Z: needs a begin and an end between the years 1700 and 2200"},
		{"no start", append(one, review.Activation{Rule: "oil-hot"}), day, review.Options{},
			"activation 2 of oil-hot: has no start between the years 1700 and 2200"},
		{"floods that end as they begin", one, day, review.Options{FloodBegins: 4, FloodEnds: 5},
			"floods that begin at 4 alarms and end below 5: the end must be from 1 to the begin"},
		{"fleeting before it starts", one, day, review.Options{Fleeting: -time.Second}, "fleeting within -1s: must not be negative"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f, err := review.Alarms(tt.list, tt.span, tt.o)
			if err == nil || err.Error() != tt.want {
				t.Errorf("error %v, want %s", err, tt.want)
			}
			if f.Alarms != 0 || f.Findings != nil {
				t.Errorf("figures with an error: %+v", f)
			}
		})
	}
	for year, good := range map[int]bool{1699: false, 1700: true, 2199: true, 2200: false} {
		begin := time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC)
		if _, err := review.Alarms(one, review.Span{From: begin, To: begin.Add(time.Hour)}, review.Options{}); (err == nil) != good {
			t.Errorf("an hour of %d: error %v", year, err)
		}
	}
	if _, err := review.NewCounter(review.Options{FloodBegins: 3, FloodEnds: 9}); err == nil || !strings.Contains(err.Error(), "begin at 3") {
		t.Errorf("counter: error %v", err)
	}
}

// A day on which the clocks change has 23 or 25 hours; its means are over these, and no hour is missing or twice.
func TestClockChange(t *testing.T) {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		day   time.Time
		hours float64
	}{
		{time.Date(2026, 3, 28, 0, 0, 0, 0, dublin), 24},
		{time.Date(2026, 3, 29, 0, 0, 0, 0, dublin), 23},
		{time.Date(2026, 10, 25, 0, 0, 0, 0, dublin), 25},
	} {
		to := tt.day.AddDate(0, 0, 1)
		var list []review.Activation
		for at := tt.day; at.Before(to); at = at.Add(2 * time.Minute) { // 30 in each true hour, and one more
			list = append(list, review.Activation{Rule: "r", Start: at}, review.Activation{Rule: "s", Start: at.Add(time.Second)})
		}
		f := mustReview(t, list, tt.day, to)
		if f.Alarms != int(60*tt.hours) || f.Hour.Mean != 60 || f.PerDay != 1440 || f.Hour.PeakFixed != 60 {
			t.Errorf("%s: %d alarms, %g an hour, %g a day, peak %d", tt.day, f.Alarms, f.Hour.Mean, f.PerDay, f.Hour.PeakFixed)
		}
		if float64(f.BusyHours.Periods) != tt.hours || f.BusyHours.Share != 1 {
			t.Errorf("%s: %d busy hours, share %g", tt.day, f.BusyHours.Periods, f.BusyHours.Share)
		}
		if f.From.Location() != time.UTC || !f.From.Equal(tt.day) {
			t.Errorf("from %s, want %s in UTC", f.From, tt.day)
		}
	}
}

// Periods are those of UTC's clock: a span that begins within one has it as it is.
func TestSpanWithinPeriods(t *testing.T) {
	var list []review.Activation
	for i := range 12 { // 12 in the period from 600 s on, 6 of them before the span
		list = append(list, review.Activation{Rule: "r", Start: at(600 + 50*float64(i))})
	}
	f := mustReview(t, list, at(900), at(4500))
	if f.Alarms != 6 || f.TenMinute.PeakFixed != 6 || f.TenMinute.PeakSliding != 6 || f.BusyTens.Periods != 0 {
		t.Errorf("%d alarms, peaks %d and %d", f.Alarms, f.TenMinute.PeakFixed, f.TenMinute.PeakSliding)
	}
	// The flood began within the span, with alarms from before; the fixed one before it, for its whole period.
	wantFlood(t, "sliding", f.Sliding, 1050, 1550)
	wantFlood(t, "fixed", f.Fixed, 600, 1200)
	if f.Sliding.Seconds != 500 || f.Fixed.Seconds != 300 || f.Sliding.Episodes[0].Alarms != 12 {
		t.Errorf("flood for %g s, fixed %g s, %d alarms", f.Sliding.Seconds, f.Fixed.Seconds, f.Sliding.Episodes[0].Alarms)
	}
}

// A flood that is not over has no end, and what starts later is not in the span.
func TestFloodNotOver(t *testing.T) {
	var list []review.Activation
	for i := range 20 {
		list = append(list, review.Activation{Rule: "r", Start: at(float64(60 * i))})
	}
	f := mustReview(t, list, midnight, at(900))
	want := review.Flood{Begin: at(540), Alarms: 15, Peak: 10}
	if len(f.Sliding.Episodes) != 1 || f.Sliding.Episodes[0] != want || f.Sliding.Seconds != 360 {
		t.Errorf("%+v, want %+v for 360 s", f.Sliding, want)
	}
}

// A quiet period ends a fixed flood, and what follows it is another.
func TestFixedFloodsApart(t *testing.T) {
	var list []review.Activation
	for i := range 24 {
		list = append(list, review.Activation{Rule: "r", Start: at(float64(10*i + i/12*1200))}) // 12, none, 12
	}
	f := mustReview(t, list, midnight, at(3600))
	want := []review.Flood{{Begin: at(0), End: at(600), Alarms: 12, Peak: 12}, {Begin: at(1200), End: at(1800), Alarms: 12, Peak: 12}}
	if !slices.Equal(f.Fixed.Episodes, want) || f.Fixed.Seconds != 1200 {
		t.Errorf("%+v, want %+v", f.Fixed, want)
	}
}

// A busy hour that the span cuts is busy only as long as it is in the span.
func TestBusyHourCut(t *testing.T) {
	var list []review.Activation
	for i := range 40 {
		list = append(list, review.Activation{Rule: "r", Start: at(3600 + 10*float64(i))})
	}
	if f := mustReview(t, list, midnight, at(4500)); f.BusyHours.Periods != 1 || f.BusyHours.Share != 0.2 {
		t.Errorf("%+v, want 900 of 4500 s", f.BusyHours)
	}
	if f := mustReview(t, list, at(3600+50), at(3600+4550)); f.BusyHours.Periods != 1 || f.BusyHours.Share != 3550.0/4500 {
		t.Errorf("%+v, want 3550 of 4500 s", f.BusyHours)
	}
}

// What rings nobody is in no figure but the list of rules.
func TestNotesApart(t *testing.T) {
	var list []review.Activation
	for i := range 40 {
		list = append(list, review.Activation{Rule: "filter-due", Priority: rules.Note, Start: at(float64(i)), End: at(float64(i) + 0.5), Ending: review.Returned})
	}
	list = append(list, review.Activation{Rule: "air-low", Priority: rules.HighPriority, Start: at(100)})
	f := mustReview(t, list, midnight, at(86400*3))
	if f.Alarms != 1 || f.Notes != 40 || f.Different != 1 || f.TenMinute.PeakSliding != 1 || len(f.Chattering)+len(f.Fleeting)+len(f.Sliding.Episodes)+len(f.Fixed.Episodes) != 0 {
		t.Errorf("%+v", f)
	}
	if f.Frequent[0].Alarm != "air-low" || f.Frequent[0].Share != 1 || f.Stale.Most != 1 {
		t.Errorf("most frequent %+v, stale %+v", f.Frequent, f.Stale)
	}
	if r := f.Rules[0]; r.Rule != "filter-due" || r.Activations != 40 || r.Share != 0 || r.Chattering != 38 || r.Active != 20 {
		t.Errorf("%+v", r)
	}
}

// Ten minutes, an hour, a minute and a day are reached exactly: each falls on the side that was said.
func TestBoundaries(t *testing.T) {
	act := func(start, end float64) review.Activation {
		return review.Activation{Rule: "r", Start: at(start), End: at(end), Ending: review.Returned}
	}
	day := 86400.0
	tests := []struct {
		name string
		list []review.Activation
		got  func(f *review.Figures) int
		want int
	}{
		{"600 s after it an alarm does not count", []review.Activation{act(0, 1), act(600, 601)}, func(f *review.Figures) int { return f.TenMinute.PeakSliding }, 1},
		{"just before it does", []review.Activation{act(0, 1), act(599.999, 601)}, func(f *review.Figures) int { return f.TenMinute.PeakSliding }, 2},
		{"three starts in 60 s chatter", []review.Activation{act(0, 1), act(30, 31), act(60, 61)}, func(f *review.Figures) int { return len(f.Chattering) }, 1},
		{"in more they do not", []review.Activation{act(0, 1), act(30, 31), act(60.001, 61)}, func(f *review.Figures) int { return len(f.Chattering) }, 0},
		{"60 s is fleeting", []review.Activation{act(0, 60)}, func(f *review.Figures) int { return f.Rules[0].Fleeting }, 1},
		{"more is not", []review.Activation{act(0, 60.001)}, func(f *review.Figures) int { return f.Rules[0].Fleeting }, 0},
		{"again 60 s after its end", []review.Activation{act(0, 5), act(65, 200)}, func(f *review.Figures) int { return f.Rules[0].Fleeting }, 0},
		{"again after more", []review.Activation{act(0, 5), act(65.001, 200)}, func(f *review.Figures) int { return f.Rules[0].Fleeting }, 1},
		{"24 h is not stale", []review.Activation{act(0, day)}, func(f *review.Figures) int { return f.Stale.Most }, 0},
		{"more is", []review.Activation{act(0, day+1)}, func(f *review.Figures) int { return f.Stale.Most }, 1},
		{"stale until midnight is of one day", []review.Activation{act(0, 2*day), act(day, 2*day+1)}, func(f *review.Figures) int { return f.Stale.Most }, 1},
	}
	for _, tt := range tests {
		f := mustReview(t, tt.list, midnight, at(4*day))
		if got := tt.got(&f); got != tt.want {
			t.Errorf("%s: %d, want %d", tt.name, got, tt.want)
		}
	}
}

func TestNothingHappened(t *testing.T) {
	f := mustReview(t, nil, midnight, at(30*86400))
	if f.Alarms != 0 || f.Verdict() != review.Good || f.Sliding.Share != 0 || f.FrequentAll != 0 {
		t.Errorf("%+v", f)
	}
}
