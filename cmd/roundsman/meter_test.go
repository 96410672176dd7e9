package main

import (
	"encoding/json"
	"net/http/httptest"
	"strings"
	"testing"

	"roundsman/exporter"
	"roundsman/exporter/panel"
	"roundsman/exporter/record"
	"roundsman/exporter/review/duty"
)

// An hour meter was replaced while the box was off. Whoever says what both showed has the hours in between, once, in the
// journal and the totals of this daemon and the next; then nobody asks any more.
func TestExplainCommand(t *testing.T) {
	dir := dutyRecord(t)
	r := openRoom(t, dir)
	before := r.judge.board.View().Equipment[1]
	if len(before.Asked) != 1 || !before.Asked[0].Hours || before.Asked[0].From != 500.2 || before.Asked[0].To != 20 {
		t.Fatalf("asked is %+v", before.Asked)
	}
	h := panel.New(r.judge.board, panel.Options{Acts: r.judge, Meters: r.judge, People: []exporter.Person{{ID: "n.quill", Name: "Niamh Quill"}}}).Handler()
	server := httptest.NewServer(h)
	t.Cleanup(server.Close)
	for _, tt := range []struct {
		line string
		code int
		want string
	}{
		{"explain spare replaced --last 600 --by n.quill", exitWrong, "it would have risen by 99.8 in the"},
		{"explain spare replaced --last 480 --by n.quill", exitWrong, "it showed 480 at the end, but was read at 500.2 before"},
		{"explain spare replaced --last five --by n.quill", exitWrong, `last: "five" is nothing that a meter shows`},
		{"explain spare replaced --last -1 --by n.quill", exitWrong, `last: "-1" is nothing that a meter shows`},
		{"explain spare broken --by n.quill", exitWrong, "what was done to it? replaced, reset, rolled-over, misread"},
		{"explain spare replaced --meter litres --by n.quill", exitWrong, `there are hours, starts`},
		{"explain spare replaced --meter starts --by n.quill", exitWrong, "counter of starts of spare: nothing is asked"},
		{"explain compressor replaced --by n.quill", exitWrong, "hour meter of compressor: nothing is asked"},
		{"explain spar replaced --by n.quill", exitWrong, `there is no such equipment as "spar"`},
		{"explain spare replaced --by n.quil", exitWrong, `there is no person "n.quil"`},
		{"explain spare replaced", exitUsage, "--by is missing"},
		{"explain spare replaced --last 500.4 --first 19.9 --by n.quill --reason display~dead", exitGood, "spare, from 500.2 to 20: replaced; 0.3 h added"},
		{"explain spare replaced --last 500.4 --first 19.9 --by n.quill", exitWrong, "hour meter of spare: nothing is asked"},
	} {
		code, out, errs := typed(tt.line + " --at " + server.URL)
		if code != tt.code || !strings.Contains(out+errs, tt.want) {
			t.Errorf("%s: exit %d, %s%s; want %d and %q", tt.line, code, out, errs, tt.code, tt.want)
		}
	}
	if !r.told(record.MeterExplained, "hour meter of spare went from 500.2 to 20: it was replaced; 0.3 h of running added, display dead Niamh Quill") {
		t.Error("the journal does not tell who explained it")
	}
	said := r.judge.board.View().Equipment[1]
	r.stop()
	r = openRoom(t, dir)
	after := r.judge.board.View().Equipment[1]
	if added := said.RunSeconds - before.RunSeconds; added < 1070 || added > 1090 || len(said.Asked) != 0 { // (500.4 - 500.2 + 20 - 19.9) h
		t.Errorf("%v s were added, still asked is %+v", added, said.Asked)
	}
	if after.RunSeconds != said.RunSeconds || len(after.Asked) != 0 || after.Starts != said.Starts {
		t.Errorf("before the restart %+v, after it %+v", said, after)
	}
	r.stop()
	code, out, errs := typed("duty " + dir + "/site.yaml --from 2000-01-01 --to 2000-01-02 --json")
	var f duty.Figures
	if err := json.Unmarshal([]byte(out), &f); code != exitGood || err != nil || len(f.Machines) != 2 || len(f.Machines[1].Jumps) != 0 {
		t.Errorf("exit %d, %v, %s: the review still asks: %+v", code, err, errs, f)
	}
}

func TestUnanswered(t *testing.T) {
	ask := func(from, to string) string {
		return "hour meter of p went from " + from + " to " + to + ": replaced; was it replaced?"
	}
	say := func(from, to string) string {
		return "hour meter of p went from " + from + " to " + to + ": it was replaced; nothing added"
	}
	for _, tt := range []struct{ questions, said, want []string }{
		{nil, nil, nil},
		{[]string{ask("5", "1")}, nil, []string{ask("5", "1")}},
		{[]string{ask("5", "1")}, []string{say("5", "1")}, nil},
		{[]string{ask("5", "10")}, []string{say("5", "1")}, []string{ask("5", "10")}},
		{[]string{ask("7", "2"), ask("5", "1")}, []string{say("5", "1")}, []string{ask("7", "2")}},
		{[]string{ask("5", "1"), ask("5", "1")}, []string{say("5", "1")}, []string{ask("5", "1")}},
	} {
		if got := unanswered(tt.questions, tt.said); strings.Join(got, "|") != strings.Join(tt.want, "|") {
			t.Errorf("%q with %q: %q, want %q", tt.questions, tt.said, got, tt.want)
		}
	}
}
