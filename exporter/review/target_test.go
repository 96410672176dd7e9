package review_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"roundsman/exporter/review"
	"roundsman/rules"
)

// every returns n alarms of their own rules, one each so often.
func every(n int, seconds float64) []review.Activation {
	var list []review.Activation
	for i := range n {
		start := at(float64(i) * seconds)
		list = append(list, review.Activation{Rule: fmt.Sprint("r", i), Priority: rules.LowPriority, Start: start, End: start.Add(2 * time.Minute), Ending: review.Returned})
	}
	return list
}

func verdict(t *testing.T, f *review.Figures, figure string) review.Verdict {
	t.Helper()
	for _, d := range f.Findings {
		if d.Figure == figure {
			return d.Verdict
		}
	}
	t.Fatalf("no finding %q in %+v", figure, f.Findings)
	return 0
}

// The published figures for one operating position: ISA-18.2 clause 16 and EEMUA 191 (second-hand and from memory, as
// each finding says), at their boundaries and beyond.
func TestVerdicts(t *testing.T) {
	const hour, day = 3600.0, 86400.0
	long := 100 * hour
	stale := func(n int) []review.Activation {
		var list []review.Activation
		for i := range n {
			list = append(list, review.Activation{Rule: fmt.Sprint("r", i), Start: midnight})
		}
		return list
	}
	crowd := func(n int, second float64) []review.Activation {
		list := every(n, second)
		for i := range list {
			list[i].Start = list[i].Start.Add(time.Minute)
			list[i].End = list[i].End.Add(time.Minute)
		}
		return list
	}
	priorities := func(high, medium, low int) []review.Activation {
		list := every(high+medium+low, 400)
		for i := range list {
			switch {
			case i < high:
				list[i].Priority = rules.HighPriority
			case i < high+medium:
				list[i].Priority = rules.MediumPriority
			}
		}
		return list
	}
	tests := []struct {
		figure string
		list   []review.Activation
		length float64
		want   review.Verdict
	}{
		{"alarms a day", every(150, 500), day, review.Good},
		{"alarms a day", every(151, 500), day, review.Look},
		{"alarms a day", every(300, 280), day, review.Look},
		{"alarms a day", every(301, 280), day, review.Poor},
		{"alarms a day", every(301, 100), day - 1, review.NotJudged},
		{"alarms an hour, mean", every(60, 600), 10 * hour, review.Good},
		{"alarms an hour, mean", every(61, 500), 10 * hour, review.Look},
		{"alarms an hour, mean", every(121, 100), 10 * hour, review.Poor},
		{"alarms in ten minutes, mean", every(60, 600), 10 * hour, review.Good},
		{"alarms in ten minutes, mean", every(120, 300), 10 * hour, review.Look},
		{"alarms in ten minutes, mean", every(121, 100), 10 * hour, review.Poor},
		{"most alarms in any hour", crowd(15, 200), day, review.Good},
		{"most alarms in any hour", crowd(16, 200), day, review.Look},
		{"most alarms in any hour", crowd(31, 100), day, review.Poor},
		{"most alarms in any ten minutes", crowd(10, 20), day, review.Good},
		{"most alarms in any ten minutes", crowd(11, 20), day, review.Look},
		{"most alarms in any ten minutes", crowd(21, 20), day, review.Poor},
		{"hours with more than 30 alarms", crowd(30, 60), long, review.Good},
		{"hours with more than 30 alarms", crowd(31, 60), long, review.Look}, // 1 % is not under 1 %
		{"hours with more than 30 alarms", crowd(31, 60), long + 1, review.Good},
		{"hours with more than 30 alarms", crowd(31, 60), 40 * hour, review.Poor},
		{"ten-minute periods with more than 10", crowd(10, 20), hour, review.Good},
		{"ten-minute periods with more than 10", crowd(11, 20), hour, review.Poor},
		{"time in flood", crowd(9, 20), hour, review.Good},
		{"time in flood", crowd(10, 20), hour, review.Poor},
		{"time in flood", crowd(10, 20), 48 * hour, review.Good},
		{"share of the ten most frequent", every(199, 600), long, review.NotJudged},
		{"share of the ten most frequent", every(200, 600), long, review.Look}, // 5 %
		{"share of the ten most frequent", every(1001, 60), long, review.Good},
		{"chattering alarms", every(10, 60), day, review.Good},
		{"stale alarms, most on a day", stale(4), 2 * day, review.Good},
		{"stale alarms, most on a day", stale(5), 2 * day, review.Look},
		{"stale alarms, most on a day", stale(11), 2 * day, review.Poor},
		{"share of high priority", priorities(5, 15, 80), day, review.Good},
		{"share of high priority", priorities(6, 14, 80), day, review.Look},
		{"share of high priority", priorities(11, 9, 80), day, review.Poor},
		{"share of high priority", priorities(1, 0, 18), day, review.NotJudged},
		{"share of high and medium priority", priorities(5, 15, 80), day, review.Good},
		{"share of high and medium priority", priorities(5, 16, 79), day, review.Look},
		{"share of high and medium priority", priorities(5, 36, 59), day, review.Poor},
	}
	for _, tt := range tests {
		f := mustReview(t, tt.list, midnight, at(tt.length))
		if got := verdict(t, &f, tt.figure); got != tt.want {
			t.Errorf("%s of %d alarms in %g h: %s, want %s", tt.figure, len(tt.list), tt.length/3600, got, tt.want)
		}
	}
	repeated := mustReview(t, []review.Activation{
		{Rule: "c", Start: at(0)}, {Rule: "c", Start: at(9)}, {Rule: "c", Start: at(20)}, {Rule: "f", Start: at(0), End: at(9), Ending: review.Returned},
	}, midnight, at(day))
	for _, figure := range []string{"chattering alarms", "fleeting alarms"} {
		if got := verdict(t, &repeated, figure); got != review.Look {
			t.Errorf("%s: %s, want look", figure, got)
		}
	}
}

// Each recommendation says where it is from and how it is known; the daily count is never given as the 2016 edition's.
func TestSourcesAreTold(t *testing.T) {
	list := every(30, 400)
	list[0].Acknowledged = list[0].Start.Add(time.Minute)
	f := mustReview(t, list, midnight, at(86400))
	if len(f.Findings) != 16 {
		t.Errorf("%d findings", len(f.Findings))
	}
	for i, d := range f.Findings {
		known := strings.Contains(d.Source, "from memory") || strings.Contains(d.Source, "second-hand")
		if !known && !(d.Verdict == review.NotJudged && d.Source == "" && d.Recommended == "no published figure is known here") {
			t.Errorf("%s: source %q does not say how it is known", d.Figure, d.Source)
		}
		if strings.Contains(d.Source, "18.2-2016") || d.Recommended == "" {
			t.Errorf("%s: recommended %q, source %q", d.Figure, d.Recommended, d.Source)
		}
		if d.Figure == "alarms a day" && !strings.Contains(d.Source, "the 2016 edition is said to have dropped") {
			t.Errorf("the daily count: %q", d.Source)
		}
		if i > 0 && d.Verdict > f.Findings[i-1].Verdict {
			t.Errorf("%s (%s) stands below %s (%s)", d.Figure, d.Verdict, f.Findings[i-1].Figure, f.Findings[i-1].Verdict)
		}
	}
}

func TestVerdictText(t *testing.T) {
	for v := review.NotJudged; v <= review.Poor; v++ {
		text, err := v.MarshalText()
		var back review.Verdict
		if err != nil || back.UnmarshalText(text) != nil || back != v {
			t.Errorf("%s comes back as %s", text, back)
		}
	}
	var v review.Verdict
	if err := v.UnmarshalText([]byte("fine")); err == nil || err.Error() != `unknown verdict "fine"` {
		t.Errorf("error %v", err)
	}
}

// The figures as JSON come back as they were, whatever happened; nothing in them is beyond JSON.
func TestFiguresAsJSON(t *testing.T) {
	for name, s := range readCounts(t) {
		f := s.figures(t, review.Options{})
		text, err := json.Marshal(f)
		if err != nil {
			t.Fatal(name, err)
		}
		var back review.Figures
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(name, err)
		}
		again, err := json.Marshal(back)
		if err != nil || string(again) != string(text) {
			t.Errorf("%s: %v\n got %s\nwant %s", name, err, again, text)
		}
	}
	text, err := json.Marshal(mustReview(t, nil, midnight, at(3600)))
	if err != nil || strings.Contains(string(text), "null") || strings.Contains(string(text), "0001-01-01") {
		t.Errorf("nothing happened: %v %s", err, text)
	}
}

// The samples pass the linter of the format that they are shown in.
func TestSamplesAreClean(t *testing.T) {
	streams := readCounts(t)
	s := streams["random 1"]
	f := s.figures(t, review.Options{})
	var b strings.Builder
	seen := map[string]float64{}
	for _, m := range f.Samples() {
		fmt.Fprintf(&b, "# HELP %s %s\n# TYPE %s gauge\n%s %g\n", m.Name, m.Help, m.Name, m.Name, m.Value)
		if _, twice := seen[m.Name]; twice {
			t.Errorf("%s twice", m.Name)
		}
		seen[m.Name] = m.Value
		if m.Unit != "" && !strings.HasSuffix(m.Name, "_"+m.Unit) {
			t.Errorf("%s is in %s", m.Name, m.Unit)
		}
	}
	problems, err := promlint.New(strings.NewReader(b.String())).Lint()
	if err != nil || len(problems) > 0 {
		t.Errorf("%v %v\n%s", err, problems, b.String())
	}
	if len(seen) != 18 || seen["roundsman_alarms_per_hour"] != s.Want.PerHour || seen["roundsman_alarm_flood_ratio"] != s.Want.Sliding.Seconds/s.Length ||
		seen["roundsman_alarm_acknowledge_p90_seconds"] != *s.Want.P90 {
		t.Errorf("%d samples: %v", len(seen), seen)
	}
	quiet := mustReview(t, nil, midnight, at(3600))
	if n := len(quiet.Samples()); n != 13 {
		t.Errorf("%d samples without an alarm, want those that exist: 13", n)
	}
}

// Of a span that nobody saw nothing is judged, and means are of the time seen: twelve alarms in the two days that the record
// has of thirty are six a day, not 0.4.
func TestUnseen(t *testing.T) {
	span := review.Span{From: midnight, To: at(30 * 86400)}
	whole := []review.Span{{From: midnight.AddDate(-1, 0, 0), To: at(86400)}, {From: midnight, To: at(31 * 86400)}}
	f, err := review.Alarms(nil, span, review.Options{Unseen: whole})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range f.Findings {
		if d.Verdict != review.NotJudged {
			t.Errorf("%s is %s though nothing was seen", d.Figure, d.Verdict)
		}
	}
	var table strings.Builder
	if err := f.Table(&table, time.UTC); err != nil || !strings.Contains(table.String(), "nothing was seen in this span") || strings.Contains(table.String(), "good") {
		t.Errorf("%v, the table:\n%s", err, &table)
	}
	var list []review.Activation
	for i := range 12 {
		list = append(list, review.Activation{Rule: "air-low", Start: at(28*86400 + 4000*float64(i)), End: at(28*86400 + 4000*float64(i) + 600), Ending: review.Returned})
	}
	part := []review.Span{{From: midnight, To: at(20 * 86400)}, {From: at(10 * 86400), To: at(28 * 86400)}}
	if f, err = review.Alarms(list, span, review.Options{Unseen: part}); err != nil {
		t.Fatal(err)
	}
	if f.SeenSeconds != 2*86400 || f.PerDay != 6 || f.Hour.Mean != 0.25 || f.Unseen() != "seen 48.0 h of 30.0 d: the figures are of that" && f.Unseen() != "seen 2.0 d of 30.0 d: the figures are of that" {
		t.Errorf("seen %v s, %v a day, %v an hour, %q", f.SeenSeconds, f.PerDay, f.Hour.Mean, f.Unseen())
	}
}
