package review_test

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"roundsman/collector/outsidetest"
	"roundsman/exporter/review"
	"roundsman/rules"
)

// midnight is second 0 of the counted streams.
var midnight = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

func at(second float64) time.Time { return midnight.Add(time.Duration(second * 1e9)) }

// stream is one stream of counts.json, with what testdata/counts.py counted in it second by second.
type stream struct {
	Length      float64
	Activations []struct {
		Rule, How, Priority string
		Start               float64
		End, Acknowledged   *float64
	}
	Want counts
}

type counts struct {
	Alarms, Notes, PeakHour, PeakHourSliding, PeakTen, BusyHours, BusyTens, TopTen, Different, Stale, StaleMost, Acknowledged int
	PerHour, PerTen                                                                                                           float64
	Median, P90                                                                                                               *float64
	Sliding, MoreThanTen                                                                                                      struct {
		Floods []struct {
			Begin, Peak, Alarms float64
			End                 *float64
		}
		Peak    int
		Seconds float64
	}
	Fixed struct {
		Inside  []bool
		Seconds float64
		Alarms  int
	}
	Rules      map[string]struct{ Activations, Windows, Fleeting int }
	Priorities map[string]int
}

func readCounts(t testing.TB) map[string]stream {
	t.Helper()
	text, err := os.ReadFile("testdata/counts.json")
	if err != nil {
		t.Fatal(err)
	}
	var streams map[string]stream
	if err := json.Unmarshal(text, &streams); err != nil {
		t.Fatal(err)
	}
	return streams
}

func (s *stream) activations() []review.Activation {
	var list []review.Activation
	for _, a := range s.Activations {
		b := review.Activation{Rule: a.Rule, Priority: rules.LowPriority, Start: at(a.Start)}
		if a.Priority != "" {
			if err := b.Priority.UnmarshalText([]byte(a.Priority)); err != nil {
				panic(err)
			}
		}
		if a.End != nil {
			b.End, b.Ending = at(*a.End), map[string]review.Ending{"returned": review.Returned, "shelved": review.Shelved}[a.How]
		}
		if a.Acknowledged != nil {
			b.Acknowledged = at(*a.Acknowledged)
		}
		list = append(list, b)
	}
	return list
}

func (s *stream) figures(t *testing.T, o review.Options) review.Figures {
	t.Helper()
	f, err := review.Alarms(s.activations(), review.Span{From: midnight, To: at(s.Length)}, o)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// Every figure of every stream against the script.
func TestCounts(t *testing.T) {
	for name, s := range readCounts(t) {
		t.Run(name, func(t *testing.T) {
			f := s.figures(t, review.Options{})
			want := &s.Want
			same := func(what string, got, want float64) {
				t.Helper()
				if math.Abs(got-want) > 1e-9*math.Max(1, math.Abs(want)) {
					t.Errorf("%s: %g, want %g", what, got, want)
				}
			}
			whole := func(what string, got, want int) { t.Helper(); same(what, float64(got), float64(want)) }
			whole("alarms", f.Alarms, want.Alarms)
			whole("notes", f.Notes, want.Notes)
			same("an hour", f.Hour.Mean, want.PerHour)
			same("a day", f.PerDay, want.PerHour*24)
			same("in ten minutes", f.TenMinute.Mean, want.PerTen)
			whole("peak hour", f.Hour.PeakFixed, want.PeakHour)
			whole("peak hour, sliding", f.Hour.PeakSliding, want.PeakHourSliding)
			whole("peak ten minutes", f.TenMinute.PeakFixed, want.PeakTen)
			whole("peak ten minutes, sliding", f.TenMinute.PeakSliding, want.Sliding.Peak)
			whole("busy hours", f.BusyHours.Periods, want.BusyHours)
			same("busy hours' share", f.BusyHours.Share, float64(want.BusyHours)*3600/s.Length)
			whole("busy periods", f.BusyTens.Periods, want.BusyTens)
			whole("different", f.Different, want.Different)
			same("ten most frequent", f.FrequentAll, float64(want.TopTen)/float64(want.Alarms))
			whole("stale", len(f.Stale.Alarms), want.Stale)
			whole("stale on a day", f.Stale.Most, want.StaleMost)
			compareFixed(t, &f, want, s.Length)
			compareSliding(t, &f, want, s.Length)
			compareRules(t, &f, want)
			for _, p := range f.Priorities {
				whole(p.Priority.String(), p.Alarms, want.Priorities[p.Priority.String()])
				same(p.Priority.String(), p.Share, float64(p.Alarms)/float64(want.Alarms))
			}
			whole("acknowledged", f.Acknowledge.Alarms, want.Acknowledged)
			whole("not acknowledged", f.Acknowledge.Nobody, want.Alarms-want.Acknowledged)
			if (f.Acknowledge.Median == nil) != (want.Median == nil) {
				t.Fatalf("median %v, want %v", f.Acknowledge.Median, want.Median)
			}
			if want.Median != nil {
				same("median", *f.Acknowledge.Median, *want.Median)
				same("p90", *f.Acknowledge.P90, *want.P90)
			}
		})
	}
}

func compareFixed(t *testing.T, f *review.Figures, want *counts, length float64) {
	t.Helper()
	inside := make([]bool, len(want.Fixed.Inside))
	alarms := 0
	for _, e := range f.Fixed.Episodes {
		alarms += e.Alarms
		for p := range inside {
			begin := at(float64(p) * 600)
			if !begin.Before(e.Begin) && (e.End.IsZero() || begin.Before(e.End)) {
				inside[p] = true
			}
		}
	}
	if !slices.Equal(inside, want.Fixed.Inside) || alarms != want.Fixed.Alarms {
		t.Errorf("fixed floods %v, %d alarms; want %v, %d", inside, alarms, want.Fixed.Inside, want.Fixed.Alarms)
	}
	if f.Fixed.Seconds != want.Fixed.Seconds || math.Abs(f.Fixed.Share-want.Fixed.Seconds/length) > 1e-12 {
		t.Errorf("fixed floods %g s, share %g; want %g s of %g", f.Fixed.Seconds, f.Fixed.Share, want.Fixed.Seconds, length)
	}
}

func compareSliding(t *testing.T, f *review.Figures, want *counts, length float64) {
	t.Helper()
	var list []review.Flood
	for _, w := range want.Sliding.Floods {
		e := review.Flood{Begin: at(w.Begin), Alarms: int(w.Alarms), Peak: int(w.Peak)}
		if w.End != nil {
			e.End = at(*w.End)
		}
		list = append(list, e)
	}
	if !slices.Equal(f.Sliding.Episodes, list) {
		t.Errorf("sliding floods\n got %v\nwant %v", f.Sliding.Episodes, list)
	}
	if f.Sliding.Seconds != want.Sliding.Seconds || math.Abs(f.Sliding.Share-want.Sliding.Seconds/length) > 1e-12 {
		t.Errorf("sliding floods %g s, share %g; want %g s of %g", f.Sliding.Seconds, f.Sliding.Share, want.Sliding.Seconds, length)
	}
}

func compareRules(t *testing.T, f *review.Figures, want *counts) {
	t.Helper()
	seen, chattering, fleeting := 0, 0, 0
	for _, r := range f.Rules {
		if r.Priority == rules.Note {
			continue
		}
		seen++
		w, ok := want.Rules[r.Rule]
		if !ok || r.Activations != w.Activations || r.Chattering != w.Windows || r.Fleeting != w.Fleeting {
			t.Errorf("%s: %d activations, %d chattering, %d fleeting; want %+v", r.Rule, r.Activations, r.Chattering, r.Fleeting, w)
		}
		if w.Windows > 0 {
			chattering++
		}
		if w.Fleeting > 0 {
			fleeting++
		}
	}
	if seen != len(want.Rules) || len(f.Chattering) != chattering || len(f.Fleeting) != fleeting {
		t.Errorf("%d rules, %d chattering, %d fleeting; want %d, %d, %d", seen, len(f.Chattering), len(f.Fleeting), len(want.Rules), chattering, fleeting)
	}
}

// The worked counts as they were written down by hand, so that the script cannot be wrong alone.
func TestWorkedCounts(t *testing.T) {
	streams := readCounts(t)
	figures := func(name string, o review.Options) review.Figures {
		s := streams[name]
		return s.figures(t, o)
	}
	percent := func(share float64) float64 { return math.Round(share*100000) / 1000 }

	a := figures("A", review.Options{})
	if a.Hour.Mean != 24 || a.TenMinute.Mean != 4 || a.TenMinute.PeakFixed != 12 || percent(a.Fixed.Share) != 33.333 || percent(a.Sliding.Share) != 18.889 {
		t.Errorf("A: %g an hour, %g in ten minutes, peak %d, flood %g %% and %g %%", a.Hour.Mean, a.TenMinute.Mean, a.TenMinute.PeakFixed,
			percent(a.Fixed.Share), percent(a.Sliding.Share))
	}
	wantFlood(t, "A sliding", a.Sliding, 360, 1040)
	wantFlood(t, "A fixed", a.Fixed, 0, 1200)

	b := figures("B", review.Options{})
	if b.Alarms != 31 || b.BusyHours.Periods != 1 {
		t.Errorf("B: %d alarms, %d hours above 30", b.Alarms, b.BusyHours.Periods)
	}
	wantFlood(t, "B sliding", b.Sliding, 1570, 2660)
	wantFlood(t, "B fixed", b.Fixed, 1200, 2400)

	wantFlood(t, "exactly ten", figures("exactly ten", review.Options{}).Sliding, 540, 900)
	eleven := figures("exactly ten", review.Options{FloodBegins: 11})
	if len(eleven.Sliding.Episodes)+len(eleven.Fixed.Episodes) != 0 {
		t.Errorf("exactly ten is a flood under 'more than 10': %v", eleven.Sliding)
	}
	for name, windows := range map[string]int{"chatter 1": 1, "chatter 2": 0, "chatter 3": 3, "chatter 4": 1} {
		if got := figures(name, review.Options{}).Rules[0].Chattering; got != windows {
			t.Errorf("%s: %d windows, want %d", name, got, windows)
		}
	}
	ten := figures("ten most frequent", review.Options{})
	if percent(ten.FrequentAll) != 56 || percent(ten.Frequent[0].Share) != 24 || len(ten.Frequent) != 10 {
		t.Errorf("ten most frequent: %g %%, the worst alone %g %%, %d listed", percent(ten.FrequentAll), percent(ten.Frequent[0].Share), len(ten.Frequent))
	}
}

func wantFlood(t *testing.T, name string, f review.Floods, begin, end float64) {
	t.Helper()
	if len(f.Episodes) != 1 || f.Episodes[0].Begin != at(begin) || f.Episodes[0].End != at(end) {
		t.Errorf("%s: %v, want one from %v to %v", name, f.Episodes, at(begin), at(end))
	}
}

// The other boundary, over all streams: more than 10.
func TestMoreThanTen(t *testing.T) {
	for name, s := range readCounts(t) {
		f := s.figures(t, review.Options{FloodBegins: 11})
		if f.Sliding.Seconds != s.Want.MoreThanTen.Seconds || len(f.Sliding.Episodes) != len(s.Want.MoreThanTen.Floods) {
			t.Errorf("%s: %g s in %d floods, want %g s in %d", name, f.Sliding.Seconds, len(f.Sliding.Episodes), s.Want.MoreThanTen.Seconds, len(s.Want.MoreThanTen.Floods))
		}
	}
}

// The stored counts are what the script says today.
func TestCountsAreTheScripts(t *testing.T) {
	python := outsidetest.Program(t, "python3", "python3")
	stored, err := os.ReadFile("testdata/counts.json")
	if err != nil {
		t.Fatal(err)
	}
	var out, complaints bytes.Buffer
	cmd := exec.CommandContext(t.Context(), python, "testdata/counts.py", "again")
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(stored), &out, &complaints
	if err := cmd.Run(); err != nil {
		t.Fatal(err, complaints.String())
	}
	if strings.TrimSpace(out.String()) != strings.TrimSpace(string(stored)) {
		t.Error("testdata/counts.json is not what testdata/counts.py writes")
	}
}
