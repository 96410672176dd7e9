package rehearsal_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"roundsman/collector"
	"roundsman/collector/compute"
	"roundsman/exporter/rehearsal"
	"roundsman/rules"
)

// trace is a source of one point: a value for each second; NaN-free, and a negative second never comes.
type trace struct {
	at     int
	values []float64
	out    [1]collector.Reading
}

func (s *trace) Next() (collector.Moment, []collector.Reading, error) {
	if s.at == len(s.values) {
		return 0, nil, io.EOF
	}
	now := collector.Moment(s.at) * collector.Moment(time.Second)
	s.out[0] = collector.Reading{Value: s.values[s.at], At: now, Quality: collector.Good}
	s.at++
	return now, s.out[:], nil
}

// held repeats values: held(80, 10, 95, 3) is ten times 80, three times 95.
func held(pairs ...float64) []float64 {
	var list []float64
	for i := 0; i < len(pairs); i += 2 {
		for range int(pairs[i+1]) {
			list = append(list, pairs[i])
		}
	}
	return list
}

func one(r rules.Rule) rehearsal.Site {
	r.Name, r.Other = "a", collector.NoPoint
	return rehearsal.Site{Points: []collector.Point{{Name: "p", Low: 0, High: 100}}, Rules: rules.Set{Rules: []rules.Rule{r}}}
}

func runTrace(t *testing.T, r rules.Rule, values []float64, o rehearsal.Options) *rehearsal.Report {
	t.Helper()
	report, err := rehearsal.Run(t.Context(), one(r), &trace{values: values}, o)
	if err != nil {
		t.Fatal(err)
	}
	return report
}

// Time lines worked out by a script of its own over deadband, on-delay and off-delay; no sample lies on a limit.
func TestWorkedTimeLines(t *testing.T) {
	tests := []struct {
		name   string
		rule   rules.Rule
		values []float64
		want   string
	}{
		{"high", rules.Rule{Kind: rules.High, Limit: 90, Deadband: 5, OnDelay: 5 * time.Second, OffDelay: 10 * time.Second},
			held(80, 10, 95, 3, 88, 7, 96, 20, 87, 20, 84, 6, 86, 4, 83, 20), "[1970-01-01T00:00:25Z 1970-01-01T00:01:20Z 96]"},
		{"low", rules.Rule{Kind: rules.Low, Limit: 5.5, Deadband: 0.3, OnDelay: 5 * time.Second, OffDelay: 30 * time.Second},
			held(6.8, 10, 5.4, 4, 5.6, 2, 5.3, 24, 5.7, 20, 5.9, 60), "[1970-01-01T00:00:21Z 1970-01-01T00:01:30Z 5.3]"},
	}
	for _, tt := range tests {
		report := runTrace(t, tt.rule, tt.values, rehearsal.Options{})
		var got string
		for _, a := range report.Alarms {
			got += fmt.Sprint([]any{a.Start, a.End, a.Peak})
		}
		if got != tt.want {
			t.Errorf("%s: got %s, want %s", tt.name, got, tt.want)
		}
	}
}

// Lists of starts with the windows of three within a minute, counted by hand: 0 20 41 300 chatters, 0 31 62 does not,
// 10 25 40 55 70 400 415 has windows that begin at 10, 25 and 40. The last is our boundary.
func TestChatter(t *testing.T) {
	tests := []struct {
		starts             []int
		chatter, fleeting  int
		activations, whole int
	}{
		{[]int{0, 20, 41, 300}, 1, 1, 4, 320},
		{[]int{0, 31, 62}, 0, 0, 3, 320},
		{[]int{10, 25, 40, 55, 70, 400, 415}, 3, 0, 7, 500},
		{[]int{0, 30, 60}, 0, 0, 3, 200},
		{[]int{5, 100, 200}, 0, 3, 3, 300},
	}
	for _, tt := range tests {
		values := held(0, float64(tt.whole))
		for _, at := range tt.starts {
			values[at] = 1
		}
		report := runTrace(t, rules.Rule{Kind: rules.High, Limit: 0.5}, values, rehearsal.Options{})
		f := report.Figures[0]
		if f.Chattering != tt.chatter || f.Fleeting != tt.fleeting || f.Activations != tt.activations || f.Active != time.Duration(len(tt.starts))*time.Second {
			t.Errorf("starts at %v: chatter %d, fleeting %d, activations %d, active %v; want %d, %d, %d", tt.starts, f.Chattering, f.Fleeting, f.Activations, f.Active, tt.chatter, tt.fleeting, tt.activations)
		}
	}
}

// An activation of more than a minute is not fleeting, nor is one that lasts with the data.
func TestFleetingAndLongest(t *testing.T) {
	report := runTrace(t, rules.Rule{Kind: rules.High, Limit: 0.5}, held(0, 100, 1, 60, 0, 100, 1, 61, 0, 100, 1, 10), rehearsal.Options{})
	f := report.Figures[0]
	if f.Fleeting != 1 || f.Longest != 61*time.Second || f.Activations != 3 || f.Active != 130*time.Second || f.Share != 1 {
		t.Errorf("got %+v", f)
	}
	if last := report.Alarms[2]; !last.Active || last.Peak != 1 {
		t.Errorf("the last one lasts with the data: got %+v", last)
	}
}

// A deadline between two rows is met at its own moment, and an end there has its own peak although the row behind it
// begins the next alarm.
func TestBetweenRows(t *testing.T) {
	site := one(rules.Rule{Kind: rules.High, Limit: 10, OffDelay: 15 * time.Second})
	report, _ := rehearse(t, site, strings.NewReader("time,p\n0,5\n10,50\n20,5\n40,20\n50,5\n"), rehearsal.Options{})
	got, err := json.Marshal(jsonAlarms(t, report))
	if err != nil {
		t.Fatal(err)
	}
	want := `[{"alarm":"a","end":35,"peak":50,"point":"p","start":10},{"alarm":"a","end":null,"peak":20,"point":"p","start":40}]`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func jsonAlarms(t *testing.T, r *rehearsal.Report) any {
	t.Helper()
	var b bytes.Buffer
	if err := r.WriteJSON(&b, rehearsal.Ledger{}); err != nil {
		t.Fatal(err)
	}
	var all map[string]any
	if err := json.Unmarshal(b.Bytes(), &all); err != nil {
		t.Fatalf("%v in %s", err, &b)
	}
	return all["alarms"]
}

// The form of the answer is fixed: names of keys, times as they came in, null while active or without a number.
func TestJSON(t *testing.T) {
	site := one(rules.Rule{Kind: rules.BadSignal})
	report, ledger := rehearse(t, site, strings.NewReader("time,p\n2026-07-01T06:10:00.0+01:00,bad\n2026-07-01T06:10:01.5+01:00,1\n2026-07-01T05:10:03Z,bad\n"), rehearsal.Options{})
	var b bytes.Buffer
	if err := report.WriteJSON(&b, ledger); err != nil {
		t.Fatal(err)
	}
	const want = `{"alarms":[
{"alarm":"a","point":"p","start":"2026-07-01T06:10:00.0+01:00","end":"2026-07-01T06:10:01.5+01:00","peak":null},
{"alarm":"a","point":"p","start":"2026-07-01T05:10:03Z","end":null,"peak":null}
],"rules":[
{"rule":"a","activations":2,"activeSeconds":1.5,"chattering":0,"fleeting":0,"longestSeconds":1.5,"share":1,"suppressed":0}
],"data":{"from":"2026-07-01T06:10:00.0+01:00","to":"2026-07-01T05:10:03Z","rows":3,"readings":3,"bad":2,"periodSeconds":1.5,"gaps":0,"missing":0,"longestGapSeconds":0,"repairs":[],"pointsWithoutReadings":[]},
"figures":`
	got, figures, _ := strings.Cut(b.String(), `"figures":`)
	if !strings.HasPrefix(figures, `{"from":"2026-07-01T05:10:00Z","to":"2026-07-01T05:10:04Z","seenSeconds":4,"alarms":2,`) {
		t.Errorf("the figures: %s", figures)
	}
	if diff := cmp.Diff(want, got+`"figures":`); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Computed points are computed as in the daemon, unless the data have them.
func TestComputedPoints(t *testing.T) {
	site := rehearsal.Site{
		Points: []collector.Point{{ID: 0, Name: "in"}, {ID: 1, Name: "out"}, {ID: 2, Name: "dp"}},
		Compute: []compute.Spec{{Point: 2, Name: "dp", Difference: &compute.Difference{
			A: compute.Input{Point: 0}, B: compute.Input{Point: 1}}}},
		Rules: rules.Set{Rules: []rules.Rule{{Name: "a", Point: 2, Kind: rules.High, Limit: 1, Other: collector.NoPoint}}},
	}
	for _, tt := range []struct {
		data string
		want int
	}{
		{"time,in,out\n0,3,2.5\n1,4,2.5\n2,4,3.5\n3,9,1\n", 2},
		{"time,in,out,dp\n0,3,2.5,0\n1,4,2.5,0\n2,4,3.5,7\n3,9,1,7\n", 1},
		{"time,dp\n0,2\n1,0\n2,2\n3,0\n4,2\n", 3},
	} {
		report, _ := rehearse(t, site, strings.NewReader(tt.data), rehearsal.Options{})
		if got := len(report.Alarms); got != tt.want {
			t.Errorf("%q: %d alarms, want %d", tt.data, got, tt.want)
		}
	}
}

// An alarm that is suppressed by design ends there; what its condition does meanwhile is counted apart.
func TestSuppressed(t *testing.T) {
	site := rehearsal.Site{
		Points: []collector.Point{{ID: 0, Name: "p"}, {ID: 1, Name: "closed", Kind: collector.State}},
		Rules: rules.Set{
			Conditions: []rules.Condition{{Name: "closed", Terms: []rules.Term{{Point: 1, Op: rules.Equal, Value: 1, Condition: -1}}}},
			Rules:      []rules.Rule{{Name: "a", Kind: rules.High, Limit: 1, Other: collector.NoPoint, SuppressWhen: []int{0}}},
		},
	}
	report, _ := rehearse(t, site, strings.NewReader("time,p,closed\n0,0,0\n10,5,0\n20,7,1\n30,0,1\n40,3,1\n50,0,0\n60,2,0\n70,0,0\n"), rehearsal.Options{})
	f := report.Figures[0]
	if f.Activations != 2 || f.Active != 20*time.Second || f.Suppressed != 1 {
		t.Errorf("got %+v", f)
	}
}

func TestSilentPointsAreNamed(t *testing.T) {
	site := benchSite()
	report, _ := rehearse(t, site, strings.NewReader("time,p00\n0,7\n"), rehearsal.Options{})
	if len(report.Silent) != benchPoints-1 || site.Points[report.Silent[0].Point].Name != "p01" || len(report.Silent[0].Rules) == 0 {
		t.Errorf("points without readings: got %v", report.Silent)
	}
}

// What is tried stands beside the rules as written, from one pass over the data.
func TestWhatIf(t *testing.T) {
	site := one(rules.Rule{Kind: rules.High, Limit: 50})
	site.Points[0].Unit, site.Rules.Rules[0].Unit = "degC", "degC"
	const data = "time,p\n0,49\n1,51\n2,49.5\n3,51\n4,48\n5,51\n6,40\n"
	set, err := rehearsal.Change(site.Rules, rehearsal.Deadband, "a = 3.6 degF", nil)
	if err != nil {
		t.Fatal(err)
	}
	report, _ := rehearse(t, site, strings.NewReader(data), rehearsal.Options{WhatIf: &set})
	if f := report.Figures[0]; f.Activations != 2 || f.Before.Activations != 3 || f.Active != 4*time.Second || f.Before.Active != 3*time.Second {
		t.Errorf("got %+v", f)
	}
	if site.Rules.Rules[0].Deadband != 0 {
		t.Error("the rules as written were changed")
	}
}

func TestChangeRefuses(t *testing.T) {
	site := one(rules.Rule{Kind: rules.High, Limit: 50, TimeToRespond: time.Minute})
	site.Rules.Rules[0].Name, site.Rules.Rules[0].Unit = "air-low", "bar"
	site.Rules.Rules = append(site.Rules.Rules, rules.Rule{Name: "fault:x", Kind: rules.BadSignal})
	tests := []struct {
		key        rehearsal.Key
		text, want string
	}{
		{rehearsal.Deadband, "air-low", `deadband "air-low": expected RULE=VALUE such as air-low=0.3 bar`},
		{rehearsal.OnDelay, "air-lwo=5s", `on-delay: no rule "air-lwo" (did you mean air-low?)`},
		{rehearsal.Deadband, "air-low=5 degC", "deadband of air-low: "},
		{rehearsal.Deadband, "air-low=-1 bar", "deadband of air-low: -1 bar is below 0"},
		{rehearsal.Deadband, "fault=1", "deadband of fault:x: a rule of the kind bad has no deadband"},
		{rehearsal.OnDelay, "air-low=5", `deadband`},
		{rehearsal.OnDelay, "air-low=60s", "on-delay of air-low: 60s leaves nothing of the 1m to respond"},
	}
	for _, tt := range tests {
		_, err := rehearsal.Change(site.Rules, tt.key, tt.text, func(string, []string) string { return "air-low" })
		if tt.want == "deadband" { // only that it is refused: the words are those of package units
			if err == nil {
				t.Errorf("%s: accepted", tt.text)
			}
			continue
		}
		if err == nil || !strings.HasPrefix(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want %s", tt.text, err, tt.want)
		}
	}
	if set, err := rehearsal.Change(site.Rules, rehearsal.OffDelay, "fault=5s", nil); err != nil || set.Rules[1].OffDelay != 5*time.Second {
		t.Errorf("the alarms of a rule over several points: %v, %v", set.Rules[1].OffDelay, err)
	}
}

func TestNothingToRehearse(t *testing.T) {
	_, err := rehearsal.Run(t.Context(), one(rules.Rule{Kind: rules.High}), &trace{}, rehearsal.Options{})
	if err == nil || err.Error() != "no readings in the data, or none in the time asked for" {
		t.Errorf("got %v", err)
	}
}

func TestRunEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancelCause(t.Context())
	stop := errors.New("stopped")
	cancel(stop)
	if _, err := rehearsal.Run(ctx, one(rules.Rule{Kind: rules.High}), &trace{values: held(1, 10)}, rehearsal.Options{}); !errors.Is(err, stop) {
		t.Errorf("got %v, want %v", err, stop)
	}
}
